// The Sun between the rows of the estimate, as energy/row_interpolation.py has it, and the steps with light.

const RADIANS = Math.PI / 180;

/**
 * Steps with light, in order of time.
 * @typedef {object} LitSteps
 * @property {Int32Array} row  row of the estimate
 * @property {Int32Array} step  number of the step since the start
 * @property {Float32Array} x  the Sun, east
 * @property {Float32Array} y  north
 * @property {Float32Array} z  up
 * @property {Float32Array} beam  W/m2 square to the Sun, mean over the step
 */

/** The Sun of a run. Turned back about the pole by the mean solar day it stands nearly still. */
class SunTrack {
  /**
   * @param {ArrayLike<number>} azimuth  at the middles of the rows
   * @param {ArrayLike<number>} elevation
   * @param {number} perDeg  whole numbers in a degree of both
   * @param {number} rowHours
   * @param {number} latitudeDeg  height of the pole
   * @param {number} rateDegPerHour
   */
  constructor(azimuth, elevation, perDeg, rowHours, latitudeDeg, rateDegPerHour) {
    this.rows = azimuth.length;
    this.perRow = rateDegPerHour * rowHours * RADIANS;
    this.pole = [0, Math.cos(latitudeDeg * RADIANS), Math.sin(latitudeDeg * RADIANS)];
    this.still = new Float64Array(3 * this.rows);
    const out = [0, 0, 0];
    for (let i = 0; i < this.rows; i++) {
      const a = (azimuth[i] / perDeg) * RADIANS;
      const e = (elevation[i] / perDeg) * RADIANS;
      const level = Math.cos(e);
      this.turn(level * Math.sin(a), level * Math.cos(a), Math.sin(e), -(i + 0.5), out);
      this.still.set(out, 3 * i);
    }
  }

  /**
   * A direction turned about the pole for so many rows; Rodrigues' formula.
   * @param {number} x @param {number} y @param {number} z @param {number} rows @param {number[]} out
   */
  turn(x, y, z, rows, out) {
    const [, north, up] = this.pole;
    const angle = this.perRow * rows;
    const c = Math.cos(angle);
    const s = Math.sin(angle);
    const along = y * north + z * up;
    out[0] = c * x + s * (north * z - up * y);
    out[1] = along * north + c * (y - along * north) + s * up * x;
    out[2] = along * up + c * (z - along * up) - s * north * x;
  }

  /**
   * The Sun at a moment in rows since the start: a cubic through the four rows around.
   * @param {number} at @param {number[]} out
   */
  at(at, out) {
    const order = Math.min(4, this.rows);
    const behind = Math.floor(at - 0.5) - ((order - 1) >> 1);
    const first = Math.min(Math.max(behind, 0), this.rows - order);
    const u = at - 0.5 - first;
    let x = 0;
    let y = 0;
    let z = 0;
    for (let k = 0; k < order; k++) {
      let weight = 1;
      for (let other = 0; other < order; other++) if (other !== k) weight *= (u - other) / (k - other);
      x += weight * this.still[3 * (first + k)];
      y += weight * this.still[3 * (first + k) + 1];
      z += weight * this.still[3 * (first + k) + 2];
    }
    const length = Math.hypot(x, y, z);
    this.turn(x / length, y / length, z / length, at, out);
  }
}

/**
 * @param {SunTrack} track
 * @param {ArrayLike<number>} share  of each step; only proportions within a row count
 * @param {ArrayLike<number>} beam  W/m2, mean of each row
 * @param {number} steps  in a row
 * @returns {LitSteps}
 */
function litSteps(track, share, beam, steps) {
  let count = 0;
  for (let i = 0; i < share.length; i++) if (share[i] > 0) count++;
  const lit = {
    row: new Int32Array(count), step: new Int32Array(count), x: new Float32Array(count),
    y: new Float32Array(count), z: new Float32Array(count), beam: new Float32Array(count),
  };
  const sun = [0, 0, 0];
  let at = 0;
  for (let row = 0; row < track.rows; row++) {
    let sum = 0;
    for (let k = 0; k < steps; k++) sum += share[row * steps + k];
    if (sum === 0) continue;
    for (let k = 0; k < steps; k++) {
      const step = row * steps + k;
      if (share[step] === 0) continue;
      track.at(row + (k + 0.5) / steps, sun);
      lit.row[at] = row;
      lit.step[at] = step;
      lit.x[at] = sun[0];
      lit.y[at] = sun[1];
      lit.z[at] = sun[2];
      lit.beam[at] = (beam[row] * share[step] * steps) / sum;
      at++;
    }
  }
  return lit;
}

/** @param {number} x @param {number} y @param {number} z @returns {[number, number]} azimuth 0..360, elevation */
function azimuthElevation(x, y, z) {
  const azimuth = Math.atan2(x, y) / RADIANS;
  return [azimuth < 0 ? azimuth + 360 : azimuth, Math.atan2(z, Math.hypot(x, y)) / RADIANS];
}
