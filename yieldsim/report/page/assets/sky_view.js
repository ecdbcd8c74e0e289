// The sky over the site: skyline, the Sun's ways coloured by power, each mount's acceptance, and the map of orientations.

const GRAB_PIXELS = 26;
const MANY_STEPS = 80000;

class SkyView {
  /** @param {HTMLCanvasElement} canvas @param {Store} store @param {() => void} onPick @param {(done: boolean) => void} onTurn */
  constructor(canvas, store, onPick, onTurn) {
    this.canvas = canvas;
    this.store = store;
    this.onPick = onPick;
    this.onTurn = onTurn;
    this.kind = "stretched";
    this.showFacing = store.model.words.facing !== undefined;
    /** @type {{mount: number, azimuth: number, elevation: number}|null} */
    this.drag = null;
    this.fit();
    this.listen();
  }

  /** Measure the place and lay out what does not change with the mounts. */
  fit() {
    const { model } = this.store;
    const width = Math.max(this.canvas.parentElement?.clientWidth ?? 600, 260);
    const { low, high, west } = this.range();
    const tall = this.kind === "dome" ? Math.max(320, Math.min(640, window.innerHeight - 300)) : Math.min(340, Math.max(220, width * 0.42));
    this.projection = projectionOf(this.kind, width, low, high, west, tall);
    this.ratio = Math.min(window.devicePixelRatio || 1, 2);
    const { height } = this.projection;
    this.canvas.width = Math.round(width * this.ratio);
    this.canvas.height = Math.round(height * this.ratio);
    this.canvas.style.width = `${width}px`;
    this.canvas.style.height = `${height}px`;
    const { lit } = model;
    // few ways of the Sun are fine lines, many fill the sky
    const dot = lit.row.length > MANY_STEPS ? Math.round(2 * this.ratio) : Math.max(1, Math.round(this.ratio));
    this.columns = Math.ceil(this.canvas.width / dot);
    this.lines = Math.ceil(this.canvas.height / dot);
    this.dot = dot;
    this.place = new Int32Array(lit.row.length);
    for (let i = 0; i < lit.row.length; i++) {
      const [azimuth, elevation] = azimuthElevation(lit.x[i], lit.y[i], lit.z[i]);
      const [x, y] = this.projection.to(azimuth, elevation);
      const column = Math.floor((x * this.ratio) / dot);
      const line = Math.floor((y * this.ratio) / dot);
      const inside = column >= 0 && column < this.columns && line >= 0 && line < this.lines;
      this.place[i] = inside && elevation > this.projection.low ? line * this.columns + column : -1;
    }
    this.sums = new Float32Array(this.columns * this.lines);
    this.counts = new Uint16Array(this.columns * this.lines);
    this.dots = document.createElement("canvas");
    this.dots.width = this.columns;
    this.dots.height = this.lines;
    this.background = this.drawnBackground();
  }

  /** Elevations and the azimuth at the left edge that suit the run. */
  range() {
    const { model, state } = this.store;
    const { lit, words, arrays } = model;
    let low = Infinity;
    let high = -Infinity;
    let north = 0;
    for (let i = 0; i < lit.row.length; i++) {
      const elevation = Math.asin(Math.max(-1, Math.min(1, lit.z[i]))) / RADIANS;
      if (elevation < low) low = elevation;
      if (elevation > high) high = elevation;
      north += lit.y[i] * lit.beam[i];
    }
    if (lit.row.length === 0) [low, high] = [0, 10];
    const perDeg = words.angle_steps_per_deg;
    for (let k = 0; k < arrays.skyline_elevation.length; k++) low = Math.min(low, arrays.skyline_elevation[k] / perDeg);
    if (this.kind !== "dome") {
      for (const mount of state.mounts) {
        high = Math.max(high, 90 - mount.tilt_deg);
        low = Math.min(low, Math.max(90 - mount.tilt_deg, -50));
      }
    }
    const skyline = arrays.skyline_elevation;
    for (let k = 0; k < skyline.length; k++) high = Math.max(high, skyline[k] / perDeg);
    const room = Math.max(2, 0.12 * (high - low));
    const west = north > 0 ? 180 : 0;
    if (this.kind === "dome") return { low: Math.max(Math.min(low - 2, -6), -30), high: 90, west };
    if (this.kind === "equal") return { low: Math.max(low - 8, -40), high: Math.min(Math.max(high + 12, 35), 90), west };
    return { low: Math.max(low - 0.6 * room, -60), high: Math.min(high + room, 90), west };
  }

  /** Widen the view where a mount has left it; whether that was so. */
  widened() {
    const p = /** @type {Projection} */ (this.projection);
    const gone = this.store.state.mounts.some((mount) => mount.tilt_deg < 90 - p.high || (mount.tilt_deg > 90 - p.low && p.low > -60));
    if (gone && p.kind !== "dome") this.fit();
    return gone;
  }

  /** Night, map of orientations, ground, grid. @returns {HTMLCanvasElement} */
  drawnBackground() {
    const sheet = document.createElement("canvas");
    sheet.width = this.canvas.width;
    sheet.height = this.canvas.height;
    const pen = /** @type {CanvasRenderingContext2D} */ (sheet.getContext("2d"));
    pen.scale(this.ratio ?? 1, this.ratio ?? 1);
    const p = /** @type {Projection} */ (this.projection);
    pen.fillStyle = css(NIGHT);
    pen.fillRect(0, 0, p.width, p.height);
    if (this.showFacing) drawFacing(pen, p, this.store.model);
    drawGrid(pen, p);
    return sheet;
  }

  draw() {
    const { results, state } = this.store;
    const pen = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d"));
    const background = /** @type {HTMLCanvasElement} */ (this.background);
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.drawImage(background, 0, 0);
    this.drawDots(pen, results.litPower);
    pen.scale(this.ratio ?? 1, this.ratio ?? 1);
    drawGround(pen, /** @type {Projection} */ (this.projection), this.store.model);
    this.drawBest(pen);
    state.mounts.forEach((mount, place) => {
      if (place !== this.store.selected) this.drawMount(pen, mount, place, false);
    });
    this.drawMount(pen, state.mounts[this.store.selected], this.store.selected, true);
    this.drawSun(pen);
  }

  /** Mean power at each place of the sky. @param {CanvasRenderingContext2D} pen @param {Float32Array} power */
  drawDots(pen, power) {
    const place = /** @type {Int32Array} */ (this.place);
    const sums = /** @type {Float32Array} */ (this.sums);
    const counts = /** @type {Uint16Array} */ (this.counts);
    sums.fill(0);
    counts.fill(0);
    for (let i = 0; i < place.length; i++) {
      const at = place[i];
      if (at < 0) continue;
      sums[at] += power[i];
      counts[at]++;
    }
    const peak = peakOf(power);
    const image = new ImageData(this.columns ?? 1, this.lines ?? 1);
    const pixels = new Uint32Array(image.data.buffer);
    const idle = pixel(IDLE);
    const across = this.columns ?? 1;
    const lines = place.length <= MANY_STEPS;
    for (let at = 0; at < pixels.length; at++) {
      if (counts[at] === 0) continue;
      const mean = sums[at] / counts[at];
      const colour = mean > 0 ? POWER_PIXELS[Math.min(255, Math.round((255 * mean) / peak))] : idle;
      pixels[at] = colour;
      if (lines && counts[at + across] === 0) pixels[at + across] = colour;
    }
    const dots = /** @type {HTMLCanvasElement} */ (this.dots);
    dots.getContext("2d")?.putImageData(image, 0, 0);
    pen.imageSmoothingEnabled = false;
    const dot = this.dot ?? 1;
    pen.drawImage(dots, 0, 0, dots.width * dot, dots.height * dot);
  }

  /** Best facings of the map of orientations. @param {CanvasRenderingContext2D} pen */
  drawBest(pen) {
    const facing = this.store.model.words.facing;
    if (!facing || !this.showFacing) return;
    const p = /** @type {Projection} */ (this.projection);
    pen.font = "11px system-ui, sans-serif";
    for (const best of facing.best) {
      const [x, y] = p.to(best.azimuth_deg, 90 - best.tilt_deg);
      pen.strokeStyle = "#ffffff";
      pen.lineWidth = 2;
      pen.strokeRect(x - 4, y - 4, 8, 8);
      pen.fillStyle = "#ffffff";
      pen.textAlign = "left";
      pen.textBaseline = "bottom";
      pen.fillText(best.goal, Math.min(x + 7, p.width - 70), y - 3);
    }
  }

  /** @param {CanvasRenderingContext2D} pen @param {Mount} mount @param {number} place @param {boolean} chosen */
  drawMount(pen, mount, place, chosen) {
    const p = /** @type {Projection} */ (this.projection);
    const axes = mountAxes(mount);
    const outline = this.store.model.words.optics.outline_xyz;
    pen.strokeStyle = chosen ? "#ffffff" : OUTLINE;
    pen.lineWidth = chosen ? 2.2 : 1.1;
    pen.setLineDash(chosen ? [] : [5, 3]);
    this.strokeOutline(pen, outline, axes);
    pen.setLineDash([]);
    const [x, y] = p.to(mount.azimuth_deg, 90 - mount.tilt_deg);
    if (!this.store.model.words.optics.round) this.drawRoll(pen, axes, x, y);
    pen.beginPath();
    pen.arc(x, y, chosen ? 10 : 8, 0, 2 * Math.PI);
    pen.fillStyle = chosen ? "#ffffff" : MOUNT;
    pen.fill();
    pen.strokeStyle = "#0b0d12";
    pen.lineWidth = 1.5;
    pen.stroke();
    pen.fillStyle = "#0b0d12";
    pen.font = `${chosen ? "bold " : ""}11px system-ui, sans-serif`;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    pen.fillText(String(place + 1), x, y + 0.5);
  }

  /** @param {CanvasRenderingContext2D} pen @param {number[][]} outline @param {number[][]} axes */
  strokeOutline(pen, outline, axes) {
    const p = /** @type {Projection} */ (this.projection);
    pen.save();
    pen.beginPath();
    if (p.kind === "dome") pen.rect(0, 0, p.width, p.height);
    else pen.rect(LEFT_MARGIN, 0, p.width - LEFT_MARGIN, p.height - BOTTOM_MARGIN);
    pen.clip();
    pen.beginPath();
    let before = 0;
    for (let k = 0; k <= outline.length; k++) {
      const [a, b, c] = outline[k % outline.length];
      const sky = [0, 1, 2].map((axis) => a * axes[0][axis] + b * axes[1][axis] + c * axes[2][axis]);
      const [azimuth, elevation] = azimuthElevation(sky[0], sky[1], sky[2]);
      const [x, y] = p.to(azimuth, elevation);
      const jump = k > 0 && p.kind !== "dome" && Math.abs(x - before) > p.width / 2;
      if (k === 0 || jump) pen.moveTo(x, y);
      else pen.lineTo(x, y);
      before = x;
    }
    pen.stroke();
    pen.restore();
  }

  /** The longitudinal axis of optics of two angles. @param {CanvasRenderingContext2D} pen @param {number[][]} axes @param {number} x @param {number} y */
  drawRoll(pen, axes, x, y) {
    const p = /** @type {Projection} */ (this.projection);
    const [along, normal] = [axes[1], axes[2]];
    const tip = normal.map((value, k) => value * Math.cos(0.1) + along[k] * Math.sin(0.1));
    const [azimuth, elevation] = azimuthElevation(tip[0], tip[1], tip[2]);
    const [tx, ty] = p.to(azimuth, elevation);
    const length = Math.hypot(tx - x, ty - y) || 1;
    if (Math.abs(tx - x) > p.width / 2) return;
    pen.beginPath();
    pen.moveTo(x - (22 * (tx - x)) / length, y - (22 * (ty - y)) / length);
    pen.lineTo(x + (22 * (tx - x)) / length, y + (22 * (ty - y)) / length);
    pen.lineWidth = 2;
    pen.stroke();
  }

  /** The Sun at the cursor. @param {CanvasRenderingContext2D} pen */
  drawSun(pen) {
    const { model, cursor } = this.store;
    const p = /** @type {Projection} */ (this.projection);
    const perDeg = model.words.angle_steps_per_deg;
    const elevation = model.arrays.sun_elevation[cursor] / perDeg;
    if (elevation < p.low) return;
    const [x, y] = p.to(model.arrays.sun_azimuth[cursor] / perDeg, elevation);
    pen.strokeStyle = CURSOR;
    pen.lineWidth = 2.5;
    pen.beginPath();
    pen.arc(x, y, 7, 0, 2 * Math.PI);
    pen.moveTo(x - 13, y);
    pen.lineTo(x - 7, y);
    pen.moveTo(x + 7, y);
    pen.lineTo(x + 13, y);
    pen.moveTo(x, y - 13);
    pen.lineTo(x, y - 7);
    pen.moveTo(x, y + 7);
    pen.lineTo(x, y + 13);
    pen.stroke();
  }

  /** The mount whose mark is nearest, if near enough. @param {number} x @param {number} y */
  nearest(x, y) {
    const p = /** @type {Projection} */ (this.projection);
    let best = -1;
    let least = GRAB_PIXELS;
    this.store.state.mounts.forEach((mount, place) => {
      const [mx, my] = p.to(mount.azimuth_deg, 90 - mount.tilt_deg);
      const far = Math.hypot(mx - x, my - y) - (place === this.store.selected ? 3 : 0);
      if (far < least) {
        least = far;
        best = place;
      }
    });
    return best;
  }

  /** Move the cursor to the step with light whose Sun is nearest. @param {number} x @param {number} y */
  pickTime(x, y) {
    const p = /** @type {Projection} */ (this.projection);
    const [azimuth, elevation] = p.from(x, y);
    const level = Math.cos(elevation * RADIANS);
    const east = level * Math.sin(azimuth * RADIANS);
    const north = level * Math.cos(azimuth * RADIANS);
    const up = Math.sin(elevation * RADIANS);
    const { lit } = this.store.model;
    // the vertical counts for more where it is stretched
    const stretch = p.kind === "stretched" ? (360 / (p.high - p.low)) * (p.height / p.width) : 1;
    let best = -1;
    let least = Infinity;
    for (let i = 0; i < lit.row.length; i++) {
      const vertical = (lit.z[i] - up) * stretch;
      const far = (lit.x[i] - east) ** 2 + (lit.y[i] - north) ** 2 + vertical * vertical;
      if (far < least) {
        least = far;
        best = i;
      }
    }
    if (best >= 0) {
      this.store.cursor = lit.row[best];
      this.onPick();
    }
  }

  listen() {
    const { canvas, store } = this;
    /** @param {PointerEvent|Touch} event @returns {[number, number]} */
    const at = (event) => {
      const box = canvas.getBoundingClientRect();
      return [event.clientX - box.left, event.clientY - box.top];
    };
    canvas.addEventListener("pointerdown", (event) => {
      const [x, y] = at(event);
      const mount = this.nearest(x, y);
      canvas.focus({ preventScroll: true });
      if (mount < 0) {
        this.pickTime(x, y);
        return;
      }
      event.preventDefault();
      canvas.setPointerCapture(event.pointerId);
      store.selected = mount;
      const [azimuth, elevation] = /** @type {Projection} */ (this.projection).from(x, y);
      const own = store.state.mounts[mount];
      this.drag = { mount, azimuth: own.azimuth_deg - azimuth, elevation: 90 - own.tilt_deg - elevation };
      store.keep();
      this.moved = false;
      this.onPick();
    });
    canvas.addEventListener("pointermove", (event) => {
      const [x, y] = at(event);
      if (this.drag === null) {
        canvas.style.cursor = this.nearest(x, y) >= 0 ? "grab" : "crosshair";
        return;
      }
      const [azimuth, elevation] = /** @type {Projection} */ (this.projection).from(x, y);
      const tilt = 90 - (elevation + this.drag.elevation);
      const turned = { azimuth_deg: Math.round(10 * (azimuth + this.drag.azimuth)) / 10, tilt_deg: Math.round(10 * tilt) / 10 };
      this.moved = true;
      store.turn(this.drag.mount, turned);
      this.onTurn(false);
    });
    const drop = () => {
      if (this.drag === null) return;
      this.drag = null;
      if (!this.moved) store.past.pop();
      this.onTurn(true);
    };
    canvas.addEventListener("pointerup", drop);
    canvas.addEventListener("pointercancel", drop);
    // a finger on a mount turns it, elsewhere it scrolls the page
    canvas.addEventListener("touchstart", (event) => {
      const [x, y] = at(event.touches[0]);
      if (this.nearest(x, y) >= 0) event.preventDefault();
    }, { passive: false });
    canvas.addEventListener("keydown", (event) => this.key(event));
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const { store } = this;
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const step = event.shiftKey ? 5 : 1;
    const mount = store.state.mounts[store.selected];
    /** @type {Record<string, Partial<Mount>>} */
    const turns = {
      ArrowLeft: { azimuth_deg: mount.azimuth_deg - step }, ArrowRight: { azimuth_deg: mount.azimuth_deg + step },
      ArrowUp: { tilt_deg: mount.tilt_deg - step }, ArrowDown: { tilt_deg: mount.tilt_deg + step },
    };
    if (!store.model.words.optics.round) {
      turns["["] = turns["{"] = { roll_deg: mount.roll_deg - step };
      turns["]"] = turns["}"] = { roll_deg: mount.roll_deg + step };
    }
    const key = event.key.toLowerCase();
    const others = { n: 1, p: -1 }[key];
    if (turns[event.key]) {
      store.keep();
      store.turn(store.selected, turns[event.key]);
      this.onTurn(true);
    } else if (others) {
      const count = store.state.mounts.length;
      store.selected = (store.selected + others + count) % count;
      this.onPick();
    } else return;
    event.preventDefault();
  }
}

/** @param {Float32Array} power */
function peakOf(power) {
  let peak = 0;
  for (let i = 0; i < power.length; i++) if (power[i] > peak) peak = power[i];
  return peak || 1;
}
