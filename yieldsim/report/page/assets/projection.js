// From directions to places on a canvas and back: a panorama stretched or at equal scale, and a dome.

/**
 * @typedef {object} Projection
 * @property {string} kind  stretched, equal or dome
 * @property {number} width @property {number} height  css pixels
 * @property {number} low @property {number} high  elevations shown, degrees
 * @property {number} west  azimuth at the left edge of a panorama
 * @property {(azimuth: number, elevation: number) => [number, number]} to
 * @property {(x: number, y: number) => [number, number]} from  azimuth, elevation
 */

const DOME_MARGIN = 18;
const LEFT_MARGIN = 34;
const BOTTOM_MARGIN = 18;

/**
 * @param {string} kind @param {number} width @param {number} low @param {number} high @param {number} west
 * @param {number} [tall]  height of a stretched panorama, the most of a dome
 * @returns {Projection}
 */
function projectionOf(kind, width, low, high, west, tall = 300) {
  if (kind === "dome") {
    const height = Math.min(width, tall);
    const radius = height / 2 - DOME_MARGIN;
    const [cx, cy] = [width / 2, height / 2];
    const perDeg = radius / (90 - low);
    return {
      kind, width, height, low, high: 90, west: 0,
      to: (azimuth, elevation) => {
        const r = (90 - elevation) * perDeg;
        return [cx + r * Math.sin(azimuth * RADIANS), cy - r * Math.cos(azimuth * RADIANS)];
      },
      from: (x, y) => {
        const azimuth = Math.atan2(x - cx, cy - y) / RADIANS;
        return [(azimuth + 360) % 360, 90 - Math.hypot(x - cx, y - cy) / perDeg];
      },
    };
  }
  const inner = width - LEFT_MARGIN;
  const perAzimuth = inner / 360;
  const height = kind === "equal" ? Math.round((high - low) * perAzimuth) + BOTTOM_MARGIN : tall;
  const perElevation = (height - BOTTOM_MARGIN) / (high - low);
  return {
    kind, width, height, low, high, west,
    to: (azimuth, elevation) => [
      LEFT_MARGIN + ((((azimuth - west) % 360) + 360) % 360) * perAzimuth, (high - elevation) * perElevation,
    ],
    from: (x, y) => [
      (((west + (x - LEFT_MARGIN) / perAzimuth) % 360) + 360) % 360, high - y / perElevation,
    ],
  };
}
