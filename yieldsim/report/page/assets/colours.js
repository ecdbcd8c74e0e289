// Colours of the views: a dark sky in light and dark alike, power from dim to bright (cividis, even in lightness).

// eighteen colours across cividis, J. R. Nunez et al., PLOS ONE 13, 2018
const CIVIDIS = [
  [0, 34, 78], [0, 45, 104], [22, 55, 112], [46, 65, 109], [63, 76, 108], [78, 86, 108], [92, 97, 110],
  [105, 107, 113], [118, 118, 118], [131, 129, 121], [146, 140, 120], [160, 152, 117], [175, 164, 113],
  [191, 176, 107], [207, 189, 98], [223, 202, 87], [240, 216, 70], [254, 232, 56],
];
const NIGHT = [17, 20, 27];
const IDLE = [74, 60, 44];
const GROUND = [95, 90, 84];
const GROUND_INK = "#e8e4dc";
const CURSOR = "#ff8c5a";
const MOUNT = "#7cc8f2";
const OUTLINE = "rgba(124, 200, 242, 0.75)";

/**
 * Red, green and blue of a share of the peak; below the dimmest delivering light nothing is as dark as the night.
 * @param {number} share
 * @returns {number[]}
 */
function powerColour(share) {
  const at = (0.22 + 0.78 * Math.min(Math.max(share, 0), 1)) * (CIVIDIS.length - 1);
  const i = Math.min(Math.floor(at), CIVIDIS.length - 2);
  return CIVIDIS[i].map((value, k) => Math.round(value + (at - i) * (CIVIDIS[i + 1][k] - value)));
}

/** All 256 colours of power, packed as an image has them. */
const POWER_PIXELS = Uint32Array.from({ length: 256 }, (_, i) => pixel(powerColour(i / 255)));

/** @param {number[]} rgb @returns {number} */
function pixel([r, g, b], alpha = 255) {
  return ((alpha << 24) | (b << 16) | (g << 8) | r) >>> 0;
}

/** @param {number[]} rgb */
function css([r, g, b], alpha = 1) {
  return `rgba(${r}, ${g}, ${b}, ${alpha})`;
}

/** A colour of the page's style, which follows light and dark. @param {string} name */
function themed(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}
