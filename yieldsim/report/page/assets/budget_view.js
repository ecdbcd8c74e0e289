// Sliders of units, storage and load, and what they make of the budget.

class BudgetView {
  /** @param {Store} store @param {(done: boolean) => void} onSlide @param {(row: number) => void} go */
  constructor(store, onSlide, go) {
    this.store = store;
    this.go = go;
    const budget = /** @type {BudgetWords} */ (store.model.budget);
    const file = store.file.sliders;
    const storage = budget.store.there ? file.capacityKwh : 0;
    const asked = store.model.asked.reduce((sum, series) => sum + series.reduce((all, kwh) => all + kwh, 0), 0);
    const daily = (24 * asked) / (store.model.words.rows * store.model.words.row_hours);
    this.items = [
      { key: "units", word: "units, in this mix of mounts", low: 1, high: Math.max(4 * file.units, 8), step: 1 },
      { key: "capacityKwh", word: "storage, kWh", low: 0, high: nice(Math.max(4 * storage, 10 * daily)), step: 0 },
      { key: "loadScale", word: "loads, times the file's", low: 0, high: 3, step: 0.05 },
    ];
    this.inputs = /** @type {Record<string, [HTMLInputElement, HTMLInputElement]>} */ ({});
    fill("sliders", ...this.items.map((item) => this.slider(item, onSlide)));
    part("budget-name").textContent = budget.name;
  }

  /** @param {{key: string, word: string, low: number, high: number, step: number}} item @param {(done: boolean) => void} onSlide */
  slider(item, onSlide) {
    const step = item.step || item.high / 400;
    const range = element("input", {
      type: "range", min: String(item.low), max: String(item.high), step: String(step), "aria-label": item.word,
    });
    const number = element("input", {
      type: "number", min: String(item.low), step: item.step === 1 ? "1" : "any", "aria-label": `${item.word}, as a number`,
    });
    this.inputs[item.key] = [range, number];
    const { store } = this;
    let held = false;
    range.addEventListener("input", () => {
      if (!held) store.keep();
      held = true;
      store.slide({ [item.key]: Number(range.value) });
      onSlide(false);
    });
    range.addEventListener("change", () => {
      held = false;
      onSlide(true);
    });
    number.addEventListener("change", () => {
      const value = item.step === 1 ? Math.round(Number(number.value)) : Number(number.value);
      if (number.value !== "" && Number.isFinite(value) && value >= item.low && value <= 1e9) {
        store.keep();
        store.slide({ [item.key]: value });
      }
      onSlide(true);
    });
    return element("div", { class: "slider" }, element("span", {}, item.word), range, number);
  }

  show() {
    const { store } = this;
    const budget = /** @type {BudgetWords} */ (store.model.budget);
    const flows = /** @type {Flows} */ (store.flows);
    for (const item of this.items) {
      const value = /** @type {any} */ (store.state.sliders)[item.key];
      const [range, number] = this.inputs[item.key];
      range.value = String(value);
      const text = String(Number(value.toFixed(4)));
      if (document.activeElement !== number || number.value !== text) number.value = text;
      number.classList.toggle("turned", value !== /** @type {any} */ (store.file.sliders)[item.key]);
    }
    const counting = countedLoads(budget);
    const counted = served(flows, counting);
    const { row_hours: hours } = store.model.words;
    const byHours = budget.reliability_of !== "energy";
    const reached = byHours ? (counted.askedRows ? 1 - counted.unservedRows / counted.askedRows : 1) : counted.fraction;
    const passes = reached >= budget.reliability - 1e-12;
    part("verdict").textContent = `${passes ? "✓ serves" : "✗ falls short:"} ${percent(reached, 2)} of ${budget.reliability_of} of `
      + `${counting.some((j) => budget.loads[j].rank !== ESSENTIAL) ? "all loads" : "essential loads"}; required ${percent(budget.reliability, 2)}`;
    part("verdict").className = passes ? "passes" : "fails";
    part("verdict").dataset.reached = String(reached);
    const bars = budget.loads.map((load, j) => {
      const one = served(flows, [j]);
      const bar = element("div", { class: "bar", "aria-hidden": "true" }, element("i", {}), element("b", {}));
      bar.children[0].style.width = `${one.asked ? (100 * one.direct) / one.asked : 0}%`;
      bar.children[1].style.width = `${one.asked ? (100 * one.fromStore) / one.asked : 0}%`;
      const row = tableRow([
        load.name, load.priority, figure(one.asked), figure(one.direct), figure(one.fromStore), figure(one.unserved),
        percent(one.fraction, 2),
      ]);
      row.append(element("td", { class: "barred" }, bar));
      row.dataset.served = String(one.fraction);
      return row;
    });
    const heads = ["load", "priority", "asked, kWh", "direct", "from store", "lacking", "served", ""];
    fill("loads", element("caption", { class: "unseen" }, "What each load gets"),
      element("thead", {}, tableRow(heads, "th")), element("tbody", {}, ...bars));
    const curtailed = flows.curtailed.reduce((sum, kwh) => sum + kwh, 0);
    const longest = counted.outages[0];
    part("store-words").textContent = `${counted.outages.length} outage${counted.outages.length === 1 ? "" : "s"}`
      + `${longest ? `, the longest ${duration((longest.last - longest.first) * hours)}` : ""}; `
      + `${quantity(curtailed, "kWh", 3)} of light left over; the store ends at ${quantity(flows.stored[flows.stored.length - 1], "kWh", 3)}.`;
    part("store-words").dataset.longestHours = String(longest ? (longest.last - longest.first) * hours : 0);
    fill("outages", ...counted.outages.slice(0, GAPS_SHOWN).map((outage) => {
      const button = element("button", { type: "button", class: "link" },
        `${duration((outage.last - outage.first) * hours)}, from ${moment(store.model.utcMs[outage.first])}`);
      button.addEventListener("click", () => this.go(outage.first));
      return element("li", {}, button);
    }));
  }
}

/** The next round number that is not less. @param {number} least */
function nice(least) {
  const power = Math.pow(10, Math.floor(Math.log10(Math.max(least, 1e-3))));
  return [1, 2, 4, 5, 8, 10].map((factor) => factor * power).find((top) => top >= least) ?? 10 * power;
}
