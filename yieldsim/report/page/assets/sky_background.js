// What of the sky does not change with the mounts: the map of orientations, the grid, the ground.

/**
 * Energy of one facing as shades of blue, with lines at shares of the best.
 * @param {CanvasRenderingContext2D} pen @param {Projection} p @param {Model} model
 */
function drawFacing(pen, p, model) {
  const { words, arrays } = model;
  const facing = words.facing;
  const map = arrays.facing;
  const [wide, tall] = [Math.ceil(p.width), Math.ceil(p.height)];
  const image = new ImageData(wide, tall);
  const pixels = new Uint32Array(image.data.buffer);
  const levels = [0.5, 0.75, 0.9, 0.99];
  const steps = { tilt: facing.tilt_deg[1] - facing.tilt_deg[0], azimuth: facing.azimuth_deg[1] - facing.azimuth_deg[0] };
  const share = new Float32Array(wide * tall).fill(-1);
  for (let y = 0; y < tall; y++) {
    for (let x = 0; x < wide; x++) {
      const [azimuth, elevation] = p.from(x + 0.5, y + 0.5);
      if (elevation < p.low || elevation > 90 || (p.kind !== "dome" && x < LEFT_MARGIN)) continue;
      share[y * wide + x] = mapValue(map, facing, steps, 90 - elevation, azimuth);
    }
  }
  for (let at = 0; at < share.length; at++) {
    const value = share[at];
    if (value < 0) continue;
    const [right, below] = [share[at + 1] ?? value, share[at + wide] ?? value];
    const line = levels.some((level) => value >= level !== right >= level || value >= level !== below >= level);
    const v = Math.round(150 * value);
    pixels[at] = line && right >= 0 && below >= 0
      ? pixel([170, 205, 225]) : pixel([NIGHT[0] + 0.25 * v, NIGHT[1] + 0.45 * v, NIGHT[2] + 0.75 * v].map(Math.round));
  }
  const sheet = document.createElement("canvas");
  sheet.width = wide;
  sheet.height = tall;
  sheet.getContext("2d")?.putImageData(image, 0, 0);
  pen.drawImage(sheet, 0, 0, p.width, p.height);
}

/**
 * Lines of elevation and azimuth, named.
 * @param {CanvasRenderingContext2D} pen @param {Projection} p
 */
function drawGrid(pen, p) {
  pen.strokeStyle = "rgba(255, 255, 255, 0.13)";
  pen.fillStyle = "rgba(255, 255, 255, 0.72)";
  pen.lineWidth = 1;
  pen.font = "11px system-ui, sans-serif";
  const span = p.high - p.low;
  const step = span > 60 ? 15 : span > 25 ? 10 : span > 12 ? 5 : span > 5 ? 2 : 1;
  for (let elevation = Math.ceil(p.low / step) * step; elevation <= p.high; elevation += step) {
    pen.beginPath();
    if (p.kind === "dome") {
      const [cx, cy] = p.to(0, 90);
      pen.arc(cx, cy, cy - p.to(0, elevation)[1], 0, 2 * Math.PI);
    } else {
      const y = p.to(0, elevation)[1];
      pen.moveTo(LEFT_MARGIN, y);
      pen.lineTo(p.width, y);
      pen.textAlign = "right";
      pen.textBaseline = "middle";
      if (y > 6 && y < p.height - BOTTOM_MARGIN + 2) pen.fillText(angle(elevation), LEFT_MARGIN - 5, y);
    }
    pen.stroke();
  }
  for (let azimuth = 0; azimuth < 360; azimuth += 45) {
    const [x0, y0] = p.to(azimuth, p.kind === "dome" ? 90 : p.high);
    const [x1, y1] = p.to(azimuth, p.low);
    pen.beginPath();
    pen.moveTo(x0, y0);
    pen.lineTo(x1, y1);
    pen.stroke();
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    if (p.kind === "dome") {
      const [lx, ly] = p.to(azimuth, p.low - (DOME_MARGIN / (p.height / 2 - DOME_MARGIN)) * (90 - p.low) * 0.55);
      pen.fillText(compass(azimuth), lx, ly);
    } else if (p.width > 420 || azimuth % 90 === 0) {
      pen.fillText(`${compass(azimuth)} ${azimuth}°`, Math.min(Math.max(x1, LEFT_MARGIN + 18), p.width - 20), p.height - 8);
    }
  }
  if (p.kind === "dome") {
    pen.textAlign = "left";
    for (let elevation = 0; elevation < 90; elevation += 30) {
      const [x, y] = p.to(0, elevation);
      pen.fillText(angle(elevation), x + 3, y - 6);
    }
  }
}

/**
 * Ground below the skyline.
 * @param {CanvasRenderingContext2D} pen @param {Projection} p @param {Model} model
 */
function drawGround(pen, p, model) {
  const { words, arrays } = model;
  const perDeg = words.angle_steps_per_deg;
  const azimuths = Array.from(arrays.skyline_azimuth, (value) => value / perDeg);
  const elevations = Array.from(arrays.skyline_elevation, (value) => value / perDeg);
  pen.beginPath();
  const edge = [];
  for (let k = 0; k <= 720; k++) {
    const azimuth = p.west + Math.min(k / 2, 359.999);
    edge.push(p.to(azimuth, Math.max(skylineAt(azimuths, elevations, azimuth), p.low)));
  }
  edge.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  if (p.kind === "dome") {
    pen.closePath();
    const [cx, cy] = p.to(0, 90);
    pen.arc(cx, cy, cy - p.to(0, p.low)[1], 0, 2 * Math.PI);
  } else {
    pen.lineTo(p.width, p.to(0, p.low)[1]);
    pen.lineTo(LEFT_MARGIN, p.to(0, p.low)[1]);
  }
  pen.fillStyle = css(GROUND, 0.82);
  pen.fill("evenodd");
  pen.strokeStyle = GROUND_INK;
  pen.lineWidth = 1;
  pen.beginPath();
  edge.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.stroke();
}

/**
 * Skyline at an azimuth: linear between its rows, around the circle.
 * @param {number[]} azimuths @param {number[]} elevations @param {number} azimuth
 */
function skylineAt(azimuths, elevations, azimuth) {
  const count = azimuths.length;
  if (count === 1) return elevations[0];
  const at = ((azimuth % 360) + 360) % 360;
  let low = 0;
  let high = count;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (azimuths[middle] <= at) low = middle + 1;
    else high = middle;
  }
  const before = (low - 1 + count) % count;
  const after = low % count;
  const width = (azimuths[after] - azimuths[before] + 360) % 360 || 360;
  const part = ((at - azimuths[before] + 360) % 360) / width;
  return elevations[before] + part * (elevations[after] - elevations[before]);
}

/**
 * Share of its best of the map of orientations, between its nodes.
 * @param {Numbers} map @param {any} facing @param {{tilt: number, azimuth: number}} steps @param {number} tilt @param {number} azimuth
 */
function mapValue(map, facing, steps, tilt, azimuth) {
  const columns = facing.azimuth_deg.length;
  const u = Math.min(Math.max((tilt - facing.tilt_deg[0]) / steps.tilt, 0), facing.tilt_deg.length - 1.001);
  const v = ((((azimuth - facing.azimuth_deg[0]) % 360) + 360) % 360) / steps.azimuth;
  const i = Math.floor(u);
  const j = Math.floor(v) % columns;
  const next = (j + 1) % columns;
  const part = v - Math.floor(v);
  const low = map[i * columns + j] + part * (map[i * columns + next] - map[i * columns + j]);
  const high = map[(i + 1) * columns + j] + part * (map[(i + 1) * columns + next] - map[(i + 1) * columns + j]);
  return (low + (u - i) * (high - low)) / 65535;
}
