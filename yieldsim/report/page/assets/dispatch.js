// Light against loads and a store, row by row: the rule of planning/habitat/dispatch.py, in its order.

/**
 * @typedef {object} LoadWords
 * @property {string} name @property {string} kind @property {string} priority @property {number} rank
 * @property {number} direct_efficiency @property {number} store_efficiency
 * @property {number} window_rows @property {number|null} most_kwh @property {boolean} is_shield
 *
 * @typedef {object} StoreWords
 * @property {boolean} there @property {string} kind @property {number} capacity_kwh @property {number} initial_fraction
 * @property {number} keep @property {number} fill @property {number} take_in @property {number} enter
 * @property {number} hand_out @property {number|null} enter_kwh @property {number|null} leave_kwh
 * @property {number} least @property {number} reserve @property {number} fade_per_row @property {number} fade_per_cycle
 *
 * @typedef {object} BudgetWords
 * @property {string} name @property {number} reliability @property {string} reliability_of @property {number} units
 * @property {LoadWords[]} loads @property {StoreWords} store
 * @property {number[]} light_order @property {number[]} light_turn @property {number[]} store_order
 * @property {number[]} store_turn @property {string[]} warnings
 * @property {{role: string, name: string, sha256: string}[]} sources
 *
 * Energies in kWh; served and unserved by load, row after row.
 * @typedef {object} Flows
 * @property {Float64Array[]} direct @property {Float64Array[]} fromStore @property {Float64Array[]} unserved
 * @property {Float64Array[]} asked @property {Float64Array} charging @property {Float64Array} curtailed
 * @property {Float64Array} stored @property {Float64Array} capacity
 */

const [ESSENTIAL, DEFERRABLE, SHEDDABLE] = [0, 1, 2];
const SLACK = 1e-12;

/**
 * Hand what is available to the loads of one priority, turn after turn; what was taken of it.
 * @param {number} available @param {Float64Array} wanted @param {number[]} perUnit @param {number[]} order
 * @param {number[]} turn @param {number[]} rank @param {number} which @param {Float64Array} given
 */
function handRound(available, wanted, perUnit, order, turn, rank, which, given) {
  const count = order.length;
  let taken = 0;
  let first = 0;
  while (first < count) {
    let last = first;
    let total = 0;
    while (last < count && turn[last] === turn[first]) {
      const j = order[last];
      if (rank[j] === which) {
        given[j] = 0;
        if (perUnit[j] > 0 && wanted[j] > 0) total += wanted[j] / perUnit[j];
      }
      last++;
    }
    const left = Math.max(available - taken, 0);
    if (total > 0 && left > 0) {
      const share = total <= left ? 1 : left / total;
      for (let place = first; place < last; place++) {
        const j = order[place];
        if (rank[j] === which && perUnit[j] > 0 && wanted[j] > 0) given[j] = wanted[j] * share;
      }
      taken = total <= left ? taken + total : available;
    }
    first = last;
  }
  return taken;
}

/**
 * @param {Float64Array} lightKwh  delivered light of each row
 * @param {Float64Array[]} asked  of each load, row after row
 * @param {number[]} mostKwh  of each load in a row
 * @param {BudgetWords} words
 * @param {number} capacityKwh
 * @returns {Flows}
 */
function dispatch(lightKwh, asked, mostKwh, words, capacityKwh) {
  const rows = lightKwh.length;
  const loads = words.loads.length;
  const store = words.store;
  const rank = words.loads.map((load) => load.rank);
  const direct = words.loads.map((load) => load.direct_efficiency);
  const windows = words.loads.map((load) => load.window_rows);
  const perDrawn = words.loads.map((load) => store.hand_out * load.store_efficiency);
  const enterLimit = store.enter_kwh ?? Infinity;
  const leaveLimit = store.leave_kwh ?? Infinity;
  const fadePerKwh = capacityKwh > 0 ? store.fade_per_cycle / capacityKwh : 0;
  const gathered = asked.map((series) => {
    const sums = new Float64Array(rows + 1);
    for (let t = 0; t < rows; t++) sums[t + 1] = sums[t] + series[t];
    return sums;
  });
  const columns = () => words.loads.map(() => new Float64Array(rows));
  const flows = {
    direct: columns(), fromStore: columns(), unserved: columns(), asked,
    charging: new Float64Array(rows), curtailed: new Float64Array(rows), stored: new Float64Array(rows),
    capacity: new Float64Array(rows),
  };
  const others = rank.some((one) => one !== ESSENTIAL);
  const settled = new Float64Array(loads);
  const lack = new Float64Array(loads);
  const took = new Float64Array(loads);
  const drew = new Float64Array(loads);
  const wants = new Float64Array(loads);
  let stored = store.initial_fraction * capacityKwh;
  let cycled = 0;
  for (let t = 0; t < rows; t++) {
    let light = lightKwh[t];
    const capacity = capacityKwh * Math.max(1 - store.fade_per_row * t - fadePerKwh * cycled, 0);
    const kept = Math.min(stored * store.keep, capacity);
    const floor = store.least * capacity;
    const hold = store.reserve * capacity;
    const leaving = Math.min(Math.max(kept - floor, 0) / store.fill, leaveLimit / store.hand_out);
    const spare = Math.max(kept - hold, 0) / store.fill;
    const entering = Math.min(Math.max(capacity - kept, 0) / store.fill, (enterLimit / store.enter) * store.take_in);
    const filling = Math.min(Math.max(hold - kept, 0) / store.fill, entering);
    let charged = 0;
    for (let j = 0; j < loads; j++) {
      took[j] = 0;
      drew[j] = 0;
      wants[j] = asked[j][t];
    }
    let used = handRound(light, wants, direct, words.light_order, words.light_turn, rank, ESSENTIAL, took);
    light = Math.max(light - used, 0);
    for (let j = 0; j < loads; j++) lack[j] = rank[j] === ESSENTIAL ? asked[j][t] - took[j] : 0;
    let drawn = handRound(leaving, lack, perDrawn, words.store_order, words.store_turn, rank, ESSENTIAL, drew);
    for (let j = 0; j < loads; j++) lack[j] -= drew[j];
    if (drawn === 0) {
      charged = Math.min(filling, light * store.take_in);
      light = Math.max(light - charged / store.take_in, 0);
    }
    if (others) {
      for (let j = 0; j < loads; j++) {
        if (rank[j] === DEFERRABLE) wants[j] = Math.max(Math.min(gathered[j][t + 1] - settled[j], mostKwh[j]), 0);
      }
      for (const wanted of [DEFERRABLE, SHEDDABLE]) {
        used = handRound(light, wants, direct, words.light_order, words.light_turn, rank, wanted, took);
        light = Math.max(light - used, 0);
      }
      for (const wanted of [DEFERRABLE, SHEDDABLE]) {
        for (let j = 0; j < loads; j++) {
          if (rank[j] !== wanted) continue;
          settled[j] += took[j];
          if (wanted === SHEDDABLE) {
            lack[j] = asked[j][t] - took[j];
            wants[j] = lack[j];
          } else {
            const last = t + 1 < rows ? t + 1 - windows[j] : rows;
            let due = Math.max(gathered[j][Math.max(last, 0)] - settled[j], 0);
            if (due <= SLACK * gathered[j][rows]) due = 0;
            lack[j] = due;
            wants[j] = Math.min(due, Math.max(mostKwh[j] - took[j], 0));
          }
        }
        const above = Math.max(Math.min(spare, leaving) - drawn, 0);
        drawn += handRound(above, wants, perDrawn, words.store_order, words.store_turn, rank, wanted, drew);
        for (let j = 0; j < loads; j++) {
          if (rank[j] !== wanted) continue;
          lack[j] -= drew[j];
          settled[j] += drew[j] + lack[j];
        }
      }
    }
    if (drawn === 0) {
      const more = Math.min(entering - charged, light * store.take_in);
      charged += more;
      light = Math.max(light - more / store.take_in, 0);
    }
    if (light < SLACK * lightKwh[t]) light = 0;
    stored = Math.max(kept + (charged - drawn) * store.fill, 0);
    cycled += drawn;
    for (let j = 0; j < loads; j++) {
      if (lack[j] <= SLACK * gathered[j][rows]) lack[j] = 0;
      flows.direct[j][t] = took[j];
      flows.fromStore[j][t] = drew[j];
      flows.unserved[j][t] = lack[j];
    }
    flows.charging[t] = charged / store.take_in;
    flows.curtailed[t] = light;
    flows.stored[t] = stored;
    flows.capacity[t] = capacity;
  }
  return flows;
}

/**
 * @typedef {{first: number, last: number}} Outage  rows first..last-1
 * @typedef {object} Served
 * @property {number} asked @property {number} direct @property {number} fromStore @property {number} unserved
 * @property {number} fraction @property {number} askedRows @property {number} unservedRows @property {Outage[]} outages
 */

/**
 * The loads that outages and the verdict look at: the essential ones, or all where none is.
 * @param {BudgetWords} words
 */
function countedLoads(words) {
  const all = words.loads.map((_, j) => j);
  const essential = all.filter((j) => words.loads[j].rank === ESSENTIAL);
  return essential.length ? essential : all;
}

/**
 * Some loads taken together, as planning/habitat/reliability.py counts them.
 * @param {Flows} flows @param {number[]} which
 * @returns {Served}
 */
function served(flows, which) {
  const rows = flows.stored.length;
  const sums = { asked: 0, direct: 0, fromStore: 0, unserved: 0 };
  let askedRows = 0;
  let unservedRows = 0;
  /** @type {Outage[]} */
  const outages = [];
  let met = true;
  for (let t = 0; t < rows; t++) {
    const row = { asked: 0, direct: 0, fromStore: 0, unserved: 0 };
    for (const j of which) {
      row.asked += flows.asked[j][t];
      row.direct += flows.direct[j][t];
      row.fromStore += flows.fromStore[j][t];
      row.unserved += flows.unserved[j][t];
    }
    sums.asked += row.asked;
    sums.direct += row.direct;
    sums.fromStore += row.fromStore;
    sums.unserved += row.unserved;
    if (row.asked > 0) askedRows++;
    if (row.unserved > 0) {
      unservedRows++;
      // rows in which nothing was asked don't end an outage
      if (met || outages.length === 0) outages.push({ first: t, last: t + 1 });
      else outages[outages.length - 1].last = t + 1;
      met = false;
    } else if (row.asked > 0 || row.direct + row.fromStore > 0) met = true;
  }
  outages.sort((a, b) => b.last - b.first - (a.last - a.first) || a.first - b.first);
  const fraction = sums.asked > 0 ? 1 - Math.min(sums.unserved / sums.asked, 1) : 1;
  return { ...sums, fraction, askedRows, unservedRows, outages };
}
