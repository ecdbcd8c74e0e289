// The run as a picture: solar days from left to right, solar time from midnight down to midnight.

const RASTER_LEFT = 34;
const RASTER_BOTTOM = 18;
const RASTER_BINS = 288;

class RasterView {
  /** @param {HTMLCanvasElement} canvas @param {Store} store @param {() => void} onPick */
  constructor(canvas, store, onPick) {
    this.canvas = canvas;
    this.store = store;
    this.onPick = onPick;
    const { model } = store;
    const { words, solarDays, lit } = model;
    let [first, last] = [Infinity, -Infinity];
    for (const day of solarDays) {
      first = Math.min(first, day);
      last = Math.max(last, day);
    }
    this.firstDay = Math.floor(first);
    this.days = Math.floor(last) - this.firstDay + 1;
    const perRow = solarDays.length > 1 ? Math.abs(last - first) / (solarDays.length - 1) : 1 / 24;
    this.bins = Math.max(8, Math.min(RASTER_BINS, Math.round(1 / (perRow / words.steps))));
    this.place = new Int32Array(lit.row.length);
    for (let i = 0; i < lit.row.length; i++) {
      const at = (lit.step[i] % words.steps + 0.5) / words.steps - 0.5;
      this.place[i] = this.binOf(this.dayAt(lit.row[i] + at));
    }
    this.covered = new Uint8Array(this.days * this.bins);
    for (let row = 0; row < words.rows; row++) {
      for (let k = 0; k < words.steps; k++) {
        this.covered[this.binOf(this.dayAt(row + (k + 0.5) / words.steps - 0.5))] = 1;
      }
    }
    this.sums = new Float32Array(this.days * this.bins);
    this.counts = new Uint16Array(this.days * this.bins);
    this.sheet = document.createElement("canvas");
    this.sheet.width = this.days;
    this.sheet.height = this.bins;
    this.fit();
    this.listen();
  }

  /** Solar days at a place among the middles of the rows. @param {number} at */
  dayAt(at) {
    const { solarDays } = this.store.model;
    if (solarDays.length === 1) return solarDays[0];
    const i = Math.min(Math.max(Math.floor(at), 0), solarDays.length - 2);
    return solarDays[i] + (at - i) * (solarDays[i + 1] - solarDays[i]);
  }

  /** @param {number} day */
  binOf(day) {
    const whole = Math.floor(day);
    const column = Math.min(Math.max(whole - this.firstDay, 0), this.days - 1);
    return Math.min(Math.floor((day - whole) * this.bins), this.bins - 1) * this.days + column;
  }

  fit() {
    const width = Math.max(this.canvas.parentElement?.clientWidth ?? 600, 260);
    const height = Math.min(260, Math.max(180, width * 0.32));
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    Object.assign(this, { width, height, ratio });
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.canvas.style.width = `${width}px`;
    this.canvas.style.height = `${height}px`;
  }

  draw() {
    const pen = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d"));
    const { width, height, ratio } = /** @type {any} */ (this);
    const { place, sums, counts, covered } = this;
    const power = this.store.results.litPower;
    sums.fill(0);
    counts.fill(0);
    for (let i = 0; i < place.length; i++) {
      sums[place[i]] += power[i];
      counts[place[i]]++;
    }
    const peak = peakOf(power);
    const image = new ImageData(this.days, this.bins);
    const pixels = new Uint32Array(image.data.buffer);
    const [night, idle] = [pixel(NIGHT), pixel(IDLE)];
    for (let at = 0; at < pixels.length; at++) {
      if (!covered[at]) continue;
      const mean = counts[at] ? sums[at] / counts[at] : 0;
      pixels[at] = mean > 0 ? POWER_PIXELS[Math.min(255, Math.round((255 * mean) / peak))] : counts[at] ? idle : night;
    }
    this.sheet.getContext("2d")?.putImageData(image, 0, 0);
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.fillStyle = themed("--outside");
    pen.fillRect(RASTER_LEFT, 4, width - RASTER_LEFT - 2, height - RASTER_BOTTOM - 4);
    pen.imageSmoothingEnabled = false;
    const [wide, tall] = [width - RASTER_LEFT - 2, height - RASTER_BOTTOM - 4];
    pen.drawImage(this.sheet, RASTER_LEFT, 4, wide, tall);
    pen.fillStyle = themed("--muted");
    pen.strokeStyle = themed("--rule");
    pen.font = "11px system-ui, sans-serif";
    pen.strokeRect(RASTER_LEFT - 0.5, 3.5, wide + 1, tall + 1);
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (const hour of [0, 6, 12, 18, 24]) {
      pen.fillText(String(hour).padStart(2, "0"), RASTER_LEFT - 5, Math.min(Math.max(4 + (tall * hour) / 24, 9), height - 24));
    }
    pen.textBaseline = "bottom";
    pen.textAlign = "center";
    const step = niceStep(this.days / Math.max(2, width / 90));
    for (let day = step; day <= this.days; day += step) {
      const x = RASTER_LEFT + ((day - 0.5) / this.days) * wide;
      if (x < width - 12) pen.fillText(String(day), x, height - 1);
    }
    this.drawCursor(pen, wide, tall);
  }

  /** @param {CanvasRenderingContext2D} pen @param {number} wide @param {number} tall */
  drawCursor(pen, wide, tall) {
    const day = this.store.model.solarDays[this.store.cursor];
    const column = Math.floor(day) - this.firstDay;
    const x = RASTER_LEFT + ((column + 0.5) / this.days) * wide;
    const y = 4 + (day - Math.floor(day)) * tall;
    pen.strokeStyle = CURSOR;
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(x, 4);
    pen.lineTo(x, 4 + tall);
    pen.moveTo(RASTER_LEFT, y);
    pen.lineTo(RASTER_LEFT + wide, y);
    pen.stroke();
    pen.beginPath();
    pen.arc(x, y, 4.5, 0, 2 * Math.PI);
    pen.stroke();
  }

  /** @param {number} x @param {number} y */
  pick(x, y) {
    const { width, height } = /** @type {any} */ (this);
    const column = Math.floor(((x - RASTER_LEFT) / (width - RASTER_LEFT - 2)) * this.days);
    const part = (y - 4) / (height - RASTER_BOTTOM - 4);
    if (column < 0 || column >= this.days || part < 0 || part >= 1) return;
    this.store.cursor = nearestRow(this.store.model.solarDays, this.firstDay + column + part);
    this.onPick();
  }

  listen() {
    const { canvas, store } = this;
    canvas.addEventListener("pointermove", (event) => {
      const box = canvas.getBoundingClientRect();
      this.pick(event.clientX - box.left, event.clientY - box.top);
    });
    canvas.addEventListener("pointerdown", (event) => {
      const box = canvas.getBoundingClientRect();
      this.pick(event.clientX - box.left, event.clientY - box.top);
    });
    canvas.addEventListener("keydown", (event) => {
      const { solarDays } = store.model;
      const days = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      const rows = { ArrowUp: -1, ArrowDown: 1 }[event.key];
      if (days) store.cursor = nearestRow(solarDays, solarDays[store.cursor] + days * (event.shiftKey ? 10 : 1));
      else if (rows) moveCursor(store, rows * (event.shiftKey ? 6 : 1));
      else return;
      event.preventDefault();
      this.onPick();
    });
  }
}

/** @param {Float64Array} solarDays @param {number} day */
function nearestRow(solarDays, day) {
  // the days rise but for a Sun that turns back: a straight guess, then the neighbourhood
  const last = solarDays.length - 1;
  if (last === 0) return 0;
  let low = 0;
  let high = last;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (solarDays[middle] <= day) low = middle;
    else high = middle;
  }
  return Math.abs(solarDays[low] - day) <= Math.abs(solarDays[high] - day) ? low : high;
}

/** @param {Store} store @param {number} rows */
function moveCursor(store, rows) {
  store.cursor = Math.min(Math.max(store.cursor + rows, 0), store.model.words.rows - 1);
}

/** The next of 1, 2, 5, 10, 20 ... that is not less. @param {number} least */
function niceStep(least) {
  const power = Math.pow(10, Math.floor(Math.log10(Math.max(least, 1))));
  return [1, 2, 5, 10].map((factor) => factor * power).find((step) => step >= least) ?? 10 * power;
}
