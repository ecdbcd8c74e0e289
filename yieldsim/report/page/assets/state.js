// What the page shows: mounts and sliders, their history, and the results that follow from them.

/**
 * @typedef {object} Model  everything that does not change
 * @property {any} words  data of the page (runs/page/payload.py)
 * @property {Record<string, Numbers>} arrays
 * @property {SunTrack} track
 * @property {LitSteps} lit
 * @property {AcceptanceTable} table
 * @property {AcceptanceTable|null} own  acceptance of the optics alone, where the fibre's colour is in `table`
 * @property {number[]} utcMs  starts of the rows
 * @property {Float64Array} solarDays  solar days since the first midnight, at the middles of the rows
 * @property {BudgetWords|null} budget
 * @property {Float64Array[]} asked  kWh of each load, row after row
 * @property {Results} unchanged  of the file's mounts, by the page's own sum
 *
 * @typedef {{units: number, capacityKwh: number, loadScale: number}} Sliders
 * @typedef {{mounts: Mount[], sliders: Sliders}} State
 *
 * @typedef {object} Gap
 * @property {number} first  step @property {number} last  step after it @property {number} hours
 *
 * @typedef {object} Results
 * @property {number[]} ledgerKwh  after each stage
 * @property {number} deliveredKwh
 * @property {Float64Array} rowPower  W
 * @property {Float32Array} litPower  W of each lit step
 * @property {number[]} mountKwh
 * @property {number} hoursDelivering
 * @property {Gap[]} gaps  longest first
 * @property {number} milliseconds  that the last mount took
 */

const STAGES_BEFORE_MOUNTS = 4;
const GAPS_SHOWN = 5;

/** @param {any} words @param {Record<string, Numbers>} arrays @returns {Model} */
function modelOf(words, arrays) {
  const track = new SunTrack(
    arrays.sun_azimuth, arrays.sun_elevation, words.angle_steps_per_deg, words.row_hours, words.latitude_deg,
    words.rate_deg_per_hour,
  );
  const rows = words.rows;
  const utcMs = Array.from({ length: rows }, (_, row) => words.start_ms + row * words.row_hours * 3.6e6);
  const model = /** @type {Model} */ (/** @type {unknown} */ ({
    words, arrays, track, utcMs,
    lit: litSteps(track, arrays.share, arrays.beam, words.steps),
    table: new AcceptanceTable(words.optics, arrays.acceptance, words.arrays.acceptance.shape),
    own: words.own_optics ? new AcceptanceTable(words.own_optics, arrays.own_acceptance, words.arrays.own_acceptance.shape) : null,
    solarDays: solarDaysOf(arrays.solar_time),
    budget: words.budget ?? null,
    asked: [],
  }));
  if (model.budget !== null) {
    const asked = /** @type {Float64Array} */ (arrays.asked);
    model.asked = model.budget.loads.map((_, j) => asked.subarray(j * rows, (j + 1) * rows));
  }
  model.unchanged = resultsOf(model, words.mounts, new MountCache(model));
  return model;
}

/**
 * Solar time that is not reduced to a day, in days since the midnight before the first row.
 * @param {Numbers} solarTime 16 bits a day
 */
function solarDaysOf(solarTime) {
  const days = new Float64Array(solarTime.length);
  days[0] = solarTime[0] / 65536;
  for (let row = 1; row < days.length; row++) {
    // by its shortest step: the Sun of Mercury turns back for a while
    const moved = (((solarTime[row] - solarTime[row - 1] + 32768) % 65536) + 65536) % 65536 - 32768;
    days[row] = days[row - 1] + moved / 65536;
  }
  return days;
}

/** Light and dust of mounts already worked out. */
class MountCache {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    /** @type {Map<string, MountLight>} */
    this.lights = new Map();
    /** @type {Map<number, Float32Array>} */
    this.cleans = new Map();
    this.milliseconds = 0;
  }

  /** @param {Mount} mount @returns {MountLight} */
  light(mount) {
    const key = `${mount.tilt_deg} ${mount.azimuth_deg} ${this.model.words.optics.round ? 0 : mount.roll_deg}`;
    const known = this.lights.get(key);
    if (known) {
      this.lights.delete(key);
      this.lights.set(key, known);
      return known;
    }
    const began = performance.now();
    const { lit, table, own, track, words, arrays } = this.model;
    const found = mountLight(mount, lit, table, own, arrays.radius ?? null, track, words.steps);
    this.milliseconds = performance.now() - began;
    this.lights.set(key, found);
    // the oldest go first: a drag leaves hundreds behind
    const most = Math.max(24, 2 * words.mounts.length);
    if (this.lights.size > most) this.lights.delete(/** @type {string} */ (this.lights.keys().next().value));
    return found;
  }

  /** @param {number} tiltDeg @returns {Float32Array} */
  clean(tiltDeg) {
    let found = this.cleans.get(tiltDeg);
    if (!found) {
      const { words, arrays } = this.model;
      found = cleanFraction(tiltDeg, words.chain.dust, arrays.dust ?? [], words.dust_top_days ?? 0, words.rows);
      if (this.cleans.size > 64) this.cleans.clear();
      this.cleans.set(tiltDeg, found);
    }
    return found;
  }
}

/** @param {Model} model @param {Mount[]} mounts @param {MountCache} cache @returns {Results} */
function resultsOf(model, mounts, cache) {
  const { words, arrays, lit } = model;
  const { chain, rows, steps } = words;
  const area = words.summary.collector.aperture_area_m2;
  const rowPower = new Float64Array(rows);
  const litPower = new Float32Array(lit.row.length);
  const beforeLength = [chain.fibre_packing, chain.fibre_coupling, chain.fibre_ends];
  const fibre = new Float64Array(rows);
  const lens = new Float64Array(rows).fill(1);
  const newFibre = beforeLength.reduce((product, factor) => product * factor, chain.fibre_attenuation);
  const fixed = newFibre * chain.film_transmittance;
  for (let row = 0; row < rows; row++) {
    fibre[row] = newFibre > 0 ? ((arrays.fibre[row] / 65535) * words.fibre_top) / newFibre : 0;
    if (arrays.lens) lens[row] = arrays.lens[row] / 65535;
  }
  const kwhPerW = words.row_hours / 1000;
  let onAperture = 0;
  let dusty = 0;
  let accepted = 0;
  let throughLength = 0;
  let throughLens = 0;
  const mountKwh = mounts.map((mount) => {
    const { light, rowLight, rowAccepted, rowOnAperture } = cache.light(mount);
    const clean = cache.clean(mount.tilt_deg);
    const gain = mount.count * area;
    const sums = [0, 0, 0, 0, 0, 0];
    const rowGain = new Float64Array(rows);
    for (let row = 0; row < rows; row++) {
      sums[0] += rowOnAperture[row];
      sums[1] += rowOnAperture[row] * clean[row];
      const front = clean[row] * lens[row];
      sums[2] += rowAccepted[row] * front;
      sums[4] += rowLight[row] * front;
      sums[5] += rowOnAperture[row] * front;
      rowGain[row] = gain * fixed * clean[row] * fibre[row];
      const power = rowGain[row] * rowLight[row];
      rowPower[row] += power;
      sums[3] += power;
    }
    for (let i = 0; i < litPower.length; i++) if (light[i] > 0) litPower[i] += rowGain[lit.row[i]] * light[i];
    onAperture += gain * sums[0] * kwhPerW;
    dusty += gain * sums[1] * kwhPerW;
    accepted += gain * sums[2] * kwhPerW;
    throughLens += gain * sums[5] * kwhPerW;
    throughLength += gain * fixed * sums[4] * kwhPerW;
    return sums[3] * kwhPerW;
  });
  const deliveredKwh = mountKwh.reduce((sum, kwh) => sum + kwh, 0);
  const units = mounts.reduce((sum, mount) => sum + mount.count, 0) / words.summary.collector.unit_count;
  const film = chain.film_transmittance;
  const ledgerKwh = words.summary.ledger.slice(0, STAGES_BEFORE_MOUNTS).map((/** @type {any} */ row) => row.kwh * units);
  ledgerKwh.push(onAperture, onAperture * film, dusty * film);
  if (arrays.lens) ledgerKwh.push(throughLens * film);
  ledgerKwh.push(accepted * film);
  for (const factor of beforeLength) ledgerKwh.push(ledgerKwh[ledgerKwh.length - 1] * factor);
  ledgerKwh.push(throughLength, deliveredKwh);
  const { gaps, delivering } = gapsOf(litPower, lit.step, rows * steps, words.row_hours / steps);
  return {
    ledgerKwh, deliveredKwh, rowPower, litPower, mountKwh, gaps,
    hoursDelivering: (delivering * words.row_hours) / steps, milliseconds: cache.milliseconds,
  };
}

/**
 * Stretches without delivered light, the ends of the run included.
 * @param {Float32Array} litPower @param {Int32Array} step @param {number} count @param {number} stepHours
 */
function gapsOf(litPower, step, count, stepHours) {
  /** @type {Gap[]} */
  const gaps = [];
  let delivering = 0;
  let before = 0;
  const close = (/** @type {number} */ next) => {
    if (next > before) gaps.push({ first: before, last: next, hours: (next - before) * stepHours });
  };
  for (let i = 0; i < litPower.length; i++) {
    if (litPower[i] <= 0) continue;
    delivering++;
    close(step[i]);
    before = step[i] + 1;
  }
  close(count);
  gaps.sort((a, b) => b.last - b.first - (a.last - a.first) || a.first - b.first);
  return { gaps: gaps.slice(0, GAPS_SHOWN), delivering };
}

/** The state, what was before it, and what follows from it. */
class Store {
  /** @param {Model} model */
  constructor(model) {
    this.model = model;
    this.cache = new MountCache(model);
    const { words, budget } = model;
    /** @type {State} */
    this.file = {
      mounts: words.mounts,
      sliders: {
        units: words.summary.collector.unit_count,
        capacityKwh: budget?.store.capacity_kwh ?? 0,
        loadScale: 1,
      },
    };
    /** @type {State[]} */
    this.past = [];
    /** @type {State[]} */
    this.future = [];
    this.state = copied(this.file);
    this.selected = 0;
    this.cursor = 0;
    this.file_power = Float64Array.from(model.arrays.delivered);
    /** @type {Results} */
    this.results = model.unchanged;
    /** @type {Flows|null} */
    this.flows = null;
    this.follow();
  }

  /** Whether any mount is not as the file has it. */
  get turned() {
    return JSON.stringify(this.state.mounts) !== JSON.stringify(this.file.mounts);
  }

  /** Whether mounts or sliders are not as the files have them. */
  get changed() {
    return JSON.stringify(this.state) !== JSON.stringify(this.file);
  }

  /** Units of all mounts. */
  get mountedUnits() {
    return this.state.mounts.reduce((sum, mount) => sum + mount.count, 0);
  }

  /** Power of each row: the file's own while its mounts stand as they do there. @returns {Float64Array} */
  get rowPower() {
    return this.turned ? this.results.rowPower : this.file_power;
  }

  /** @returns {number} */
  get deliveredKwh() {
    return this.turned ? this.results.deliveredKwh : this.model.words.summary.delivered_kwh;
  }

  /** Keep the present state, to come back to it. */
  keep() {
    this.past.push(copied(this.state));
    if (this.past.length > 200) this.past.shift();
    this.future = [];
  }

  /** @param {number} place @param {Partial<Mount>} change */
  turn(place, change) {
    const mount = { ...this.state.mounts[place], ...change };
    mount.tilt_deg = tidy(Math.min(Math.max(mount.tilt_deg, 0), 180));
    mount.azimuth_deg = tidy(((mount.azimuth_deg % 360) + 360) % 360);
    mount.roll_deg = tidy(((((mount.roll_deg + 180) % 360) + 360) % 360) - 180);
    const own = this.file.mounts[place];
    // the same way round as in the file, where it is the same direction
    if ((mount.azimuth_deg - own.azimuth_deg) % 360 === 0) mount.azimuth_deg = own.azimuth_deg;
    if ((mount.roll_deg - own.roll_deg) % 360 === 0) mount.roll_deg = own.roll_deg;
    const all = this.state.sliders.units === this.mountedUnits;
    this.state.mounts[place] = mount;
    if (all) this.state.sliders.units = this.mountedUnits;
    this.follow();
  }

  /** @param {Partial<Sliders>} change */
  slide(change) {
    this.state.sliders = { ...this.state.sliders, ...change };
    this.followBudget();
  }

  /** @returns {boolean} */
  undo() {
    return this.goTo(this.past, this.future);
  }

  /** @returns {boolean} */
  redo() {
    return this.goTo(this.future, this.past);
  }

  /** @param {State[]} from @param {State[]} to */
  goTo(from, to) {
    const state = from.pop();
    if (!state) return false;
    to.push(copied(this.state));
    this.state = state;
    this.follow();
    return true;
  }

  /** Back to the file. */
  reset() {
    this.keep();
    this.state = copied(this.file);
    this.follow();
  }

  /** Work out what follows from the mounts. */
  follow() {
    this.results = this.turned ? resultsOf(this.model, this.state.mounts, this.cache) : this.model.unchanged;
    this.followBudget();
  }

  /** Work out what follows from the sliders. */
  followBudget() {
    const { budget, asked } = this.model;
    if (budget === null) return;
    const { units, capacityKwh, loadScale } = this.state.sliders;
    const own = this.model.words.summary.collector.unit_count;
    const kwhPerW = this.model.words.row_hours / 1000;
    const ratio = units / this.mountedUnits;
    const light = this.rowPower.map((power) => power * ratio * kwhPerW);
    const scales = budget.loads.map((load) => (load.is_shield ? units / own : loadScale));
    const wanted = asked.map((series, j) => (scales[j] === 1 ? series : series.map((kwh) => kwh * scales[j])));
    const most = budget.loads.map((load, j) => (load.most_kwh === null ? Infinity : load.most_kwh * scales[j]));
    this.flows = dispatch(light, wanted, most, budget, capacityKwh);
  }
}

/** @param {State} state @returns {State} */
function copied(state) {
  return { mounts: state.mounts.map((mount) => ({ ...mount })), sliders: { ...state.sliders } };
}

/** Degrees without the dust of binary fractions. @param {number} degrees */
function tidy(degrees) {
  return Math.round(degrees * 1e4) / 1e4;
}
