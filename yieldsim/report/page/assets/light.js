// What a mount makes of the lit steps: acceptance over the Sun's disc, cosine, dust.

/**
 * @typedef {{tilt_deg: number, azimuth_deg: number, roll_deg: number, count: number}} Mount
 * @typedef {object} Optics
 * @property {boolean} round
 * @property {number[]} radii_deg
 * @property {number} reach_rad
 * @property {number} half_width_deg
 * @property {number} step_deg  the most that the Sun may move between two readings of the table
 * @property {number[][]} outline_xyz
 * @property {number} top
 * @property {number} [chord_step]
 * @property {[number, number]} [first]
 * @property {[number, number]} [step]
 * @property {[boolean, boolean]} [fold]
 *
 * Of one mount and one unit:
 * @typedef {object} MountLight
 * @property {Float32Array} light  W/m2 accepted in each lit step, cosine in it; where optics and fibre have colour, of the light
 *   that their table for energies stands for
 * @property {Float64Array} rowLight  its mean over each row
 * @property {Float64Array} rowAccepted  W/m2 that the optics themselves accept, mean over each row
 * @property {Float64Array} rowOnAperture  beam times cosine, mean over each row
 */

/**
 * Transverse axis, longitudinal axis and normal of a mount, as base/numerics/vectors.py has them.
 * @param {Mount} mount
 * @returns {number[][]}
 */
function mountAxes(mount) {
  const t = mount.tilt_deg * RADIANS;
  const a = mount.azimuth_deg * RADIANS;
  const r = mount.roll_deg * RADIANS;
  const normal = [Math.sin(t) * Math.sin(a), Math.sin(t) * Math.cos(a), Math.cos(t)];
  const upslope = [-Math.cos(t) * Math.sin(a), -Math.cos(t) * Math.cos(a), Math.sin(t)];
  const level = cross(upslope, normal);
  const [c, s] = [Math.cos(r), Math.sin(r)];
  return [
    level.map((value, k) => c * value + s * upslope[k]),
    upslope.map((value, k) => c * value - s * level[k]),
    normal,
  ];
}

/** @param {number[]} a @param {number[]} b @returns {number[]} */
function cross(a, b) {
  return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
}

/** A beam that differs by more from one step to the next is followed within the step, in so many parts. */
const EVEN = 0.08;
const UNEVEN_READINGS = 6;

/** Reads an acceptance table that is already averaged over the disc, at a few radii of it. */
class AcceptanceTable {
  /**
   * @param {Optics} optics
   * @param {ArrayLike<number>} table  whole numbers of 1/65535 of the top
   * @param {number[]} shape  radii, then the curve's or the grid's
   */
  constructor(optics, table, shape) {
    this.optics = optics;
    this.values = new Float32Array(table.length);
    for (let i = 0; i < table.length; i++) this.values[i] = (table[i] / 65535) * optics.top;
    this.radii = shape[0];
    this.rows = shape[1];
    this.columns = shape[2] ?? 1;
    this.size = this.rows * this.columns;
  }

  /**
   * Of a round table, by the scalar product of Sun and normal: acceptance times cosine.
   * @param {number} cosine @param {number} radius 0..1 across the radii
   */
  curve(cosine, radius) {
    const at = Math.sqrt(Math.max(2 - 2 * cosine, 0)) / /** @type {number} */ (this.optics.chord_step);
    const i = Math.floor(at);
    if (i >= this.rows - 1) return 0;
    const part = at - i;
    const place = radius * (this.radii - 1);
    const lower = Math.min(Math.floor(place), this.radii - 1);
    const a = lower * this.rows + i;
    const low = this.values[a] + part * (this.values[a + 1] - this.values[a]);
    if (this.radii === 1 || lower === this.radii - 1) return low;
    const b = a + this.rows;
    const high = this.values[b] + part * (this.values[b + 1] - this.values[b]);
    return low + (place - lower) * (high - low);
  }

  /**
   * Of a table of two angles, by the Sun in the mount's axes: acceptance times cosine.
   * @param {number} x @param {number} y @param {number} z @param {number} radius
   */
  grid(x, y, z, radius) {
    if (z <= 0) return 0;
    const optics = this.optics;
    const [firstT, firstL] = /** @type {[number, number]} */ (optics.first);
    const [stepT, stepL] = /** @type {[number, number]} */ (optics.step);
    const [foldT, foldL] = /** @type {[boolean, boolean]} */ (optics.fold);
    const t = foldT ? Math.abs(x) : x;
    const l = foldL ? Math.abs(y) : y;
    const u = (t / (z + Math.sqrt(t * t + z * z)) - firstT) / stepT;
    const v = (l / (z + Math.sqrt(l * l + z * z)) - firstL) / stepL;
    if (u < 0 || v < 0) return 0;
    const i = Math.floor(u);
    const j = Math.floor(v);
    if (i >= this.rows - 1 || j >= this.columns - 1) return 0;
    const place = radius * (this.radii - 1);
    const lower = Math.min(Math.floor(place), this.radii - 1);
    const low = this.cell(lower * this.size + i * this.columns + j, u - i, v - j);
    if (this.radii === 1 || lower === this.radii - 1) return z * low;
    const high = this.cell((lower + 1) * this.size + i * this.columns + j, u - i, v - j);
    return z * (low + (place - lower) * (high - low));
  }

  /** @param {number} at @param {number} u @param {number} v */
  cell(at, u, v) {
    const values = this.values;
    const below = at + this.columns;
    const low = values[at] + v * (values[at + 1] - values[at]);
    const high = values[below] + v * (values[below + 1] - values[below]);
    return low + u * (high - low);
  }
}

/**
 * How much the beam differs from step to step, relative to its own.
 * @param {LitSteps} lit @param {number} i
 */
function unevenness(lit, i) {
  const own = lit.beam[i];
  return Math.max(Math.abs(beside(lit, i, -1) - own), Math.abs(beside(lit, i, 1) - own)) / own;
}

/** The beam of the step before (-1) or after (1): 0 in the dark. @param {LitSteps} lit @param {number} i @param {number} by */
function beside(lit, i, by) {
  const other = i + by;
  return lit.step[other] === lit.step[i] + by ? lit.beam[other] : 0;
}

/** @param {number} times @param {Float64Array} weights */
function evenly(times, weights) {
  for (let k = 0; k < times; k++) weights[k] = 1 / times;
  return times;
}

/**
 * Shares of a step's light in parts of it, where it rises or falls: along a line from the mean with the step before to its own,
 * and on to the mean with the step after. Both means are geometric, as air dims a low Sun.
 * @param {LitSteps} lit @param {number} i @param {Float64Array} weights
 */
function weighed(lit, i, weights) {
  const times = weights.length;
  const own = lit.beam[i];
  const first = Math.sqrt(own * beside(lit, i, -1));
  const last = Math.sqrt(own * beside(lit, i, 1));
  let sum = 0;
  for (let k = 0; k < times; k++) {
    const at = (2 * k + 1) / times - 1;
    weights[k] = at < 0 ? own - at * (first - own) : own + at * (last - own);
    sum += weights[k];
  }
  for (let k = 0; k < times; k++) weights[k] /= sum;
  return times;
}

/**
 * The light that one unit of a mount accepts. Within a step the Sun moves on its circle about the pole, to second order, and
 * the table is read as often as its features ask.
 * @param {Mount} mount
 * @param {LitSteps} lit
 * @param {AcceptanceTable} table  that energies are computed with
 * @param {AcceptanceTable|null} own  the optics' own, where the fibre's colour makes another
 * @param {ArrayLike<number>|null} radius  of the disc by row, whole numbers of 1/65535 across the radii
 * @param {SunTrack} track
 * @param {number} steps  in a row
 * @returns {MountLight}
 */
function mountLight(mount, lit, table, own, radius, track, steps) {
  const count = lit.row.length;
  const light = new Float32Array(count);
  const rowLight = new Float64Array(track.rows);
  const rowAccepted = own === null ? rowLight : new Float64Array(track.rows);
  const rowOnAperture = new Float64Array(track.rows);
  const way = Math.abs(track.perRow) / steps;
  const readings = Math.max(1, Math.ceil(way / RADIANS / table.optics.step_deg - 1e-9));
  const turn = track.perRow / steps;
  const axes = mountAxes(mount);
  const pole = track.pole;
  const sideways = axes.map((axis) => cross(axis, pole).map((value) => value * turn));
  const alongPole = axes.map((axis) => axis[1] * pole[1] + axis[2] * pole[2]);
  const reach = Math.max(table.optics.reach_rad, own?.optics.reach_rad ?? 0);
  const nearest = Math.cos(Math.min(reach + way, Math.PI));
  const isRound = table.optics.round;
  const [ax, ay, az] = axes[2];
  const [nx, ny, nz] = sideways[2];
  const half = 0.5 * turn * turn;
  const weights = new Float64Array(Math.max(readings, UNEVEN_READINGS));
  const place = [0, 0];
  for (let i = 0; i < count; i++) {
    const x = lit.x[i];
    const y = lit.y[i];
    const z = lit.z[i];
    const cosine = ax * x + ay * y + az * z;
    const row = lit.row[i];
    if (cosine > 0) rowOnAperture[row] += lit.beam[i] * cosine;
    if (cosine < nearest) continue;
    const r = radius === null ? 0 : radius[row] / 65535;
    const up = pole[1] * y + pole[2] * z;
    const speed = nx * x + ny * y + nz * z;
    const bend = half * (alongPole[2] * up - cosine);
    const times = unevenness(lit, i) > EVEN ? weighed(lit, i, weights) : evenly(readings, weights);
    let sum = 0;
    let whole = 0;
    for (let k = 0; k < times; k++) {
      const since = (k + 0.5) / times - 0.5;
      const c = cosine + since * (speed + since * bend);
      if (isRound) {
        sum += weights[k] * table.curve(c, r);
        if (own !== null) whole += weights[k] * own.curve(c, r);
        continue;
      }
      for (let axis = 0; axis < 2; axis++) {
        const [a, b, d] = axes[axis];
        const [e, f, g] = sideways[axis];
        const now = a * x + b * y + d * z;
        place[axis] = now + since * (e * x + f * y + g * z + since * half * (alongPole[axis] * up - now));
      }
      sum += weights[k] * table.grid(place[0], place[1], c, r);
      if (own !== null) whole += weights[k] * own.grid(place[0], place[1], c, r);
    }
    if (sum > 0) {
      const accepted = lit.beam[i] * sum;
      light[i] = accepted;
      rowLight[row] += accepted;
    }
    if (own !== null) rowAccepted[row] += lit.beam[i] * whole;
  }
  for (let row = 0; row < track.rows; row++) {
    rowLight[row] /= steps;
    if (own !== null) rowAccepted[row] /= steps;
    rowOnAperture[row] /= steps;
  }
  return { light, rowLight, rowAccepted, rowOnAperture };
}

/**
 * @typedef {{loss_per_day: number, model: string, tilt_exponent: number, floor: number}} DustLaw
 */

/**
 * What dust lets through by row, as energy/soiling.py has it.
 * @param {number} tiltDeg
 * @param {DustLaw|null} law
 * @param {ArrayLike<number>} load  dust of a level aperture, whole numbers of 1/65535 of topDays
 * @param {number} topDays
 * @param {number} rows
 * @returns {Float32Array}
 */
function cleanFraction(tiltDeg, law, load, topDays, rows) {
  const clean = new Float32Array(rows).fill(1);
  if (law === null) return clean;
  const level = Math.cos(tiltDeg * RADIANS);
  let rate = 1;
  if (law.tilt_exponent !== 0) rate = level > 1e-12 ? Math.pow(level, law.tilt_exponent) : 0;
  const perDay = Math.log1p(-law.loss_per_day);
  for (let row = 0; row < rows; row++) {
    const days = (load[row] / 65535) * topDays * rate;
    const passed = law.model === "linear" ? 1 - law.loss_per_day * days : Math.exp(perDay * days);
    clean[row] = Math.max(passed, law.floor);
  }
  return clean;
}
