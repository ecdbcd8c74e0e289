// Power row by row: as in the file and now, and below it the store's state and what loads lack, with a zoom.

const STRIP_LEFT = 62;
const STRIP_BOTTOM = 18;

class StripView {
  /** @param {HTMLCanvasElement} canvas @param {Store} store @param {() => void} onPick */
  constructor(canvas, store, onPick) {
    this.canvas = canvas;
    this.store = store;
    this.onPick = onPick;
    const { rows } = store.model.words;
    this.from = 0;
    this.to = rows;
    this.fit();
    this.listen();
  }

  fit() {
    const width = Math.max(this.canvas.parentElement?.clientWidth ?? 600, 260);
    const height = this.store.model.budget === null ? 170 : 270;
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    Object.assign(this, { width, height, ratio });
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.canvas.style.width = `${width}px`;
    this.canvas.style.height = `${height}px`;
  }

  /** Zoom about a row. @param {number} factor @param {number} [about] */
  zoom(factor, about = this.store.cursor) {
    const { rows } = this.store.model.words;
    const least = Math.min(rows, 24);
    const span = Math.round(Math.min(Math.max((this.to - this.from) * factor, least), rows));
    const part = (about - this.from) / Math.max(this.to - this.from, 1);
    const inside = part >= 0 && part <= 1 ? part : 0.5;
    this.from = Math.min(Math.max(Math.round(about - inside * span), 0), rows - span);
    this.to = this.from + span;
    this.draw();
  }

  /** Move the window so that the cursor is in it. */
  follow() {
    const { cursor, model } = this.store;
    const span = this.to - this.from;
    if (cursor >= this.from && cursor < this.to) return;
    this.from = Math.min(Math.max(Math.round(cursor - span / 2), 0), model.words.rows - span);
    this.to = this.from + span;
  }

  /** @param {number} row */
  x(row) {
    const { width } = /** @type {any} */ (this);
    return STRIP_LEFT + ((row - this.from) / (this.to - this.from)) * (width - STRIP_LEFT - 4);
  }

  draw() {
    const pen = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d"));
    const { width, height, ratio } = /** @type {any} */ (this);
    const { store } = this;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = "11px system-ui, sans-serif";
    const budget = store.flows;
    const tall = budget === null ? height - STRIP_BOTTOM - 6 : 132;
    const now = store.rowPower;
    const file = store.file_power;
    const top = Math.max(maximum(now), maximum(file)) || 1;
    this.axis(pen, 6, tall, top, "W");
    this.area(pen, now, 6, tall, top, themed("--delivered"));
    if (store.turned) this.line(pen, file, 6, tall, top, themed("--file"), [], 1);
    if (budget !== null) {
      const upper = 6 + tall + 24;
      const low = height - STRIP_BOTTOM - upper;
      const capacity = Math.max(maximum(budget.capacity), maximum(budget.stored)) || 1;
      this.shortfalls(pen, budget, upper, low);
      this.axis(pen, upper, low, capacity, "kWh");
      this.line(pen, budget.stored, upper, low, capacity, themed("--stored"), []);
      pen.fillStyle = themed("--muted");
      pen.textAlign = "left";
      pen.textBaseline = "bottom";
      pen.fillText(this.shortfallWords(), STRIP_LEFT, upper - 3, width - STRIP_LEFT - 4);
    }
    this.times(pen, height);
    const x = this.x(store.cursor + 0.5);
    pen.strokeStyle = themed("--cursor");
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(x, 4);
    pen.lineTo(x, height - STRIP_BOTTOM);
    pen.stroke();
  }

  shortfallWords() {
    const budget = /** @type {BudgetWords} */ (this.store.model.budget);
    const loads = countedLoads(budget);
    const all = loads.length === budget.loads.length;
    return all ? "stored; bands: loads lack something" : "stored; bands: essential loads lack something; at the foot: others";
  }

  /** @param {CanvasRenderingContext2D} pen @param {number} y @param {number} tall @param {number} top @param {string} unit */
  axis(pen, y, tall, top, unit) {
    const { width } = /** @type {any} */ (this);
    pen.strokeStyle = themed("--rule");
    pen.fillStyle = themed("--muted");
    pen.lineWidth = 1;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (const part of [0, 0.5, 1]) {
      const at = y + tall * (1 - part);
      pen.beginPath();
      pen.moveTo(STRIP_LEFT, at + 0.5);
      pen.lineTo(width - 4, at + 0.5);
      pen.stroke();
      pen.fillText(part === 1 ? `${figure(top, 2)} ${unit}` : figure(part * top, 2), STRIP_LEFT - 5, at);
    }
  }

  /**
   * Lowest and highest value of each pixel's rows, called from left to right.
   * @param {Float64Array} series @param {(x: number, low: number, high: number) => void} take
   */
  each(series, take) {
    const { width } = /** @type {any} */ (this);
    const pixels = width - STRIP_LEFT - 4;
    const perPixel = (this.to - this.from) / pixels;
    if (perPixel <= 1) {
      for (let row = this.from; row < this.to; row++) {
        take(this.x(row), series[row], series[row]);
        take(this.x(row + 1), series[row], series[row]);
      }
      return;
    }
    for (let k = 0; k < pixels; k++) {
      const first = Math.floor(this.from + k * perPixel);
      const last = Math.max(first + 1, Math.min(Math.floor(this.from + (k + 1) * perPixel), this.to));
      let [low, high] = [Infinity, -Infinity];
      for (let row = first; row < last; row++) {
        low = Math.min(low, series[row]);
        high = Math.max(high, series[row]);
      }
      take(STRIP_LEFT + k, low, high);
    }
  }

  /** @param {CanvasRenderingContext2D} pen @param {Float64Array} series @param {number} y @param {number} tall @param {number} top @param {string} colour */
  area(pen, series, y, tall, top, colour) {
    pen.fillStyle = colour;
    pen.beginPath();
    pen.moveTo(STRIP_LEFT, y + tall);
    let end = STRIP_LEFT;
    this.each(series, (x, low, high) => {
      pen.lineTo(x, y + tall * (1 - high / top));
      end = x;
    });
    pen.lineTo(end, y + tall);
    pen.fill();
    // what the lowest rows of a pixel leave out is told by a lighter hand
    pen.fillStyle = themed("--paper");
    pen.globalAlpha = 0.35;
    pen.beginPath();
    pen.moveTo(STRIP_LEFT, y);
    this.each(series, (x, low) => pen.lineTo(x, y + tall * (1 - low / top)));
    pen.lineTo(end, y);
    pen.fill();
    pen.globalAlpha = 1;
  }

  /** @param {CanvasRenderingContext2D} pen @param {Float64Array} series @param {number} y @param {number} tall @param {number} top @param {string} colour @param {number[]} dash @param {number} [thick] */
  line(pen, series, y, tall, top, colour, dash, thick = 1.5) {
    pen.strokeStyle = colour;
    pen.lineWidth = thick;
    pen.setLineDash(dash);
    pen.beginPath();
    let first = true;
    this.each(series, (x, low, high) => {
      if (first) pen.moveTo(x, y + tall * (1 - high / top));
      pen.lineTo(x, y + tall * (1 - high / top));
      if (low !== high) pen.lineTo(x, y + tall * (1 - low / top));
      first = false;
    });
    pen.stroke();
    pen.setLineDash([]);
  }

  /**
   * Rows in which loads lack something: those that count towards the verdict over the whole height, others along the foot.
   * @param {CanvasRenderingContext2D} pen @param {Flows} flows @param {number} y @param {number} tall
   */
  shortfalls(pen, flows, y, tall) {
    const counting = countedLoads(/** @type {BudgetWords} */ (this.store.model.budget));
    const wide = Math.max(1, this.x(this.from + 1) - this.x(this.from));
    for (const [which, height] of /** @type {[boolean, number][]} */ ([[false, 6], [true, tall]])) {
      const lacking = new Float64Array(flows.stored.length);
      flows.unserved.forEach((series, j) => {
        if (counting.includes(j) !== which) return;
        for (let t = 0; t < lacking.length; t++) if (series[t] > 0) lacking[t] = 1;
      });
      pen.fillStyle = themed("--lack");
      let drawn = -Infinity;
      this.each(lacking, (x, _, high) => {
        if (high > 0 && x >= drawn + wide - 0.01) {
          pen.fillRect(x, y + tall - height, wide, height);
          drawn = x;
        }
      });
    }
  }

  /** @param {CanvasRenderingContext2D} pen @param {number} height */
  times(pen, height) {
    const { width } = /** @type {any} */ (this);
    const { utcMs, words } = this.store.model;
    pen.fillStyle = themed("--muted");
    pen.textBaseline = "bottom";
    pen.textAlign = "center";
    const hours = (this.to - this.from) * words.row_hours;
    const count = Math.max(2, Math.floor(width / 130));
    for (let k = 0; k < count; k++) {
      const row = Math.round(this.from + ((k + 0.5) / count) * (this.to - this.from));
      const text = moment(utcMs[Math.min(row, words.rows - 1)]);
      pen.fillText(hours > 24 * 20 ? text.slice(0, 10) : text, this.x(row), height - 2);
    }
  }

  listen() {
    const { canvas, store } = this;
    /** @param {MouseEvent} event */
    const rowOf = (event) => {
      const { width } = /** @type {any} */ (this);
      const x = event.clientX - canvas.getBoundingClientRect().left;
      return Math.floor(this.from + ((x - STRIP_LEFT) / (width - STRIP_LEFT - 4)) * (this.to - this.from));
    };
    /** @param {PointerEvent} event */
    const pick = (event) => {
      const row = rowOf(event);
      if (row < this.from || row >= this.to) return;
      store.cursor = row;
      this.onPick();
    };
    canvas.addEventListener("pointermove", pick);
    canvas.addEventListener("pointerdown", pick);
    canvas.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== canvas) return;
      event.preventDefault();
      this.zoom(event.deltaY > 0 ? 1.25 : 0.8, Math.min(Math.max(rowOf(event), 0), store.model.words.rows - 1));
    }, { passive: false });
    canvas.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 24 : 1;
      const rows = { ArrowLeft: -step, ArrowRight: step, PageUp: this.from - this.to, PageDown: this.to - this.from }[event.key];
      const zooms = { "+": 0.5, "=": 0.5, "-": 2, "0": Infinity }[event.key];
      if (rows) moveCursor(store, rows);
      else if (event.key === "Home") store.cursor = 0;
      else if (event.key === "End") store.cursor = store.model.words.rows - 1;
      else if (zooms) this.zoom(zooms);
      else return;
      event.preventDefault();
      this.onPick();
    });
  }
}

/** @param {ArrayLike<number>} series */
function maximum(series) {
  let most = 0;
  for (let i = 0; i < series.length; i++) if (series[i] > most) most = series[i];
  return most;
}
