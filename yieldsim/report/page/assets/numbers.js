// Numbers and moments in words.

const NARROW_SPACE = "\u202f";

/** Four significant digits, whole ones never rounded away below a million. @param {number} value */
function figure(value, digits = 4) {
  if (!Number.isFinite(value)) return "–";
  if (value === 0) return "0";
  const size = Math.abs(value);
  if (size < 1e-3) return value.toExponential(digits - 1).replace("-", "−");
  const decimals = Math.max(digits - 1 - Math.floor(Math.log10(size)), 0);
  const text = value.toFixed(Math.min(decimals, 6)).replace("-", "−");
  return size < 10000 ? text : text.replace(/\B(?=(\d{3})+(?!\d))/g, NARROW_SPACE);
}

/** @param {number} value @param {string} unit */
function quantity(value, unit, digits = 4) {
  return `${figure(value, digits)}${NARROW_SPACE}${unit}`;
}

/** A difference with its sign. @param {number} value @param {string} unit */
function change(value, unit) {
  if (Math.abs(value) < 1e-9) return "±0";
  return (value > 0 ? "+" : "") + quantity(value, unit, 3);
}

/** @param {number} fraction */
function percent(fraction, decimals = 1) {
  if (!Number.isFinite(fraction)) return "–";
  return `${(100 * fraction).toFixed(decimals).replace("-", "−")}${NARROW_SPACE}%`;
}

/** A relative difference with its sign. @param {number} now @param {number} before */
function relative(now, before) {
  if (before === 0) return now === 0 ? "±0" : "–";
  const share = now / before - 1;
  const decimals = Math.abs(share) < 0.001 ? 3 : Math.abs(share) < 0.1 ? 2 : 1;
  if (Number(Math.abs(100 * share).toFixed(decimals)) === 0) return `±0${NARROW_SPACE}%`;
  return (share > 0 ? "+" : "") + percent(share, decimals);
}

/** @param {number} hours */
function duration(hours) {
  if (hours < 48) return quantity(hours, "h", hours < 10 ? 2 : 3);
  const days = Math.floor(Math.round(hours) / 24);
  const rest = Math.round(hours) - 24 * days;
  return `${days}${NARROW_SPACE}d${rest ? ` ${rest}${NARROW_SPACE}h` : ""}`;
}

/** 2027-01-01 00:00 @param {number} ms */
function moment(ms) {
  return new Date(ms).toISOString().slice(0, 16).replace("T", " ");
}

/** @param {number} degrees */
function angle(degrees, decimals = 1) {
  return `${Number(degrees.toFixed(decimals))}°`.replace("-", "−");
}

const COMPASS = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"];

/** @param {number} azimuthDeg */
function compass(azimuthDeg) {
  return COMPASS[Math.round((((azimuthDeg % 360) + 360) % 360) / 45) % 8];
}
