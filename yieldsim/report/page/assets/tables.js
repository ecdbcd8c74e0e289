// Tables and texts beside the views. All words reach the page as text, never as markup.

/** @param {string} id @returns {any} */
function part(id) {
  return document.getElementById(id);
}

/**
 * @param {string} tag @param {Record<string, string>} attributes @param {...(Node|string)} children
 * @returns {any}
 */
function element(tag, attributes, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
}

/** @param {string} id @param {...(Node|string)} children */
function fill(id, ...children) {
  part(id).replaceChildren(...children);
}

/** @param {string[]} cells @param {string} [kind] @param {string} [head] */
function tableRow(cells, kind = "td", head = "") {
  return element("tr", {}, ...cells.map((cell, k) => (
    k === 0 && kind === "td" ? element("th", { scope: "row" }, cell)
      : element(cell ? kind : "td", kind === "th" && cell ? { scope: "col" } : {}, cell)
  )), ...(head ? [head] : []));
}

/** Inputs of mounts: one row each. */
class MountTable {
  /** @param {Store} store @param {(done: boolean) => void} onTurn @param {() => void} onPick */
  constructor(store, onTurn, onPick) {
    this.store = store;
    const isRound = store.model.words.optics.round;
    /** @type {[keyof Mount, string, string][]} */
    this.keys = [["tilt_deg", "tilt", "1"], ["azimuth_deg", "azimuth", "1"]];
    if (!isRound) this.keys.push(["roll_deg", "roll", "1"]);
    this.keys.push(["count", "units", "1"]);
    const heads = ["mount", ...this.keys.map(([key, word]) => (key === "count" ? word : `${word}, deg`)), "kWh", "change"];
    const names = heads.map((word) => element("th", { scope: "col" }, word));
    this.kwh = /** @type {HTMLElement[]} */ ([]);
    this.changes = /** @type {HTMLElement[]} */ ([]);
    this.inputs = /** @type {Record<string, HTMLInputElement>[]} */ ([]);
    this.radios = /** @type {HTMLInputElement[]} */ ([]);
    this.lines = store.state.mounts.map((_, place) => {
      const radio = element("input", { type: "radio", name: "mount", "aria-label": `select mount ${place + 1}` });
      radio.addEventListener("change", () => {
        store.selected = place;
        onPick();
      });
      this.radios.push(radio);
      /** @type {Record<string, HTMLInputElement>} */
      const row = {};
      const cells = this.keys.map(([key, word, step]) => {
        const input = element("input", {
          type: "number", step, "aria-label": `mount ${place + 1} ${word}`, ...(key === "count" ? { min: "1" } : {}),
        });
        input.addEventListener("change", () => {
          const value = Number(input.value);
          const whole = key === "count" ? Math.round(value) : value;
          if (input.value === "" || !Number.isFinite(value) || (key === "count" && (whole < 1 || whole > 1e6))) {
            this.show();
            return;
          }
          store.selected = place;
          store.keep();
          store.turn(place, { [key]: whole });
          onTurn(true);
        });
        row[key] = input;
        return element("td", {}, input);
      });
      this.inputs.push(row);
      const [kwh, moved] = [element("td", { class: "number" }), element("td", { class: "number" })];
      this.kwh.push(kwh);
      this.changes.push(moved);
      const label = element("label", {}, radio, ` ${place + 1}`);
      return element("tr", {}, element("th", { scope: "row" }, label), ...cells, kwh, moved);
    });
    fill("mounts", element("thead", {}, element("tr", {}, ...names)), element("tbody", {}, ...this.lines));
  }

  show() {
    const { store } = this;
    const { unchanged } = store.model;
    store.state.mounts.forEach((mount, place) => {
      for (const [key] of this.keys) {
        const input = this.inputs[place][key];
        const text = String(mount[key]);
        if (input.value !== text) input.value = text;
        input.classList.toggle("turned", mount[key] !== store.file.mounts[place][key]);
      }
      this.kwh[place].textContent = figure(store.results.mountKwh[place]);
      this.changes[place].textContent = relative(store.results.mountKwh[place], unchanged.mountKwh[place]);
      this.radios[place].checked = place === store.selected;
      this.lines[place].classList.toggle("chosen", place === store.selected);
    });
  }
}

/** The answer in a few lines: file, now, change. @param {Store} store */
function showFacts(store) {
  const { words, unchanged } = store.model;
  const told = words.summary;
  const kwh = store.deliveredKwh;
  const now = store.results;
  const gap = now.gaps[0]?.hours ?? 0;
  part("delivered").textContent = quantity(kwh, "kWh");
  part("delivered").dataset.kwh = String(kwh);
  part("delivered-file").textContent = quantity(told.delivered_kwh, "kWh");
  part("delivered-change").textContent = store.turned
    ? `${change(kwh - told.delivered_kwh, "kWh")}, ${relative(kwh, told.delivered_kwh)}` : "as in the file";
  const rows = [
    ["delivered", told.delivered_kwh, kwh, (/** @type {number} */ value) => quantity(value, "kWh")],
    ["mean power", told.mean_power_w, (1000 * kwh) / (words.rows * words.row_hours), (/** @type {number} */ value) => quantity(value, "W")],
    ["hours with light", told.hours_delivering, store.turned ? now.hoursDelivering : told.hours_delivering, duration],
    ["longest outage of light", told.longest_gap_hours, store.turned ? gap : told.longest_gap_hours, duration],
  ];
  fill("facts",
    element("caption", { class: "unseen" }, "Totals in the file and now"),
    element("thead", {}, tableRow(["", "file", "now", "change"], "th")),
    element("tbody", {}, ...rows.map(([name, before, after, word]) => {
      const row = tableRow([name, word(before), word(after), relative(after, before)]);
      row.dataset.name = name;
      return row;
    })));
  part("check").textContent = `Computed on this page, the file's own mounts give ${quantity(unchanged.deliveredKwh, "kWh", 6)}: `
    + `${relative(unchanged.deliveredKwh, told.delivered_kwh)} from the file's ${quantity(told.delivered_kwh, "kWh", 6)}.`;
  part("check").dataset.kwh = String(unchanged.deliveredKwh);
}

/** @param {Store} store */
function showLedger(store) {
  const rows = store.model.words.summary.ledger;
  const now = store.turned ? store.results.ledgerKwh : rows.map((/** @type {any} */ row) => row.kwh);
  const top = now[0] || 1;
  const body = rows.map((/** @type {any} */ row, /** @type {number} */ k) => {
    const bar = element("div", { class: "bar", "aria-hidden": "true" }, element("i", {}));
    bar.firstChild.style.width = `${Math.max((100 * now[k]) / top, 0)}%`;
    const line = tableRow([
      row.stage, figure(row.kwh, 5), figure(now[k], 5), store.turned ? relative(now[k], row.kwh) : "",
      k === 0 || now[k - 1] <= 0 ? "" : percent(now[k] / now[k - 1]),
    ]);
    line.append(element("td", { class: "barred" }, bar));
    return line;
  });
  fill("ledger",
    element("caption", { class: "unseen" }, "Energy left after each stage"),
    element("thead", {}, tableRow(["after stage", "file, kWh", "now, kWh", "change", "kept", ""], "th")),
    element("tbody", {}, ...body));
}

/** @param {Store} store @param {(row: number) => void} go */
function showGaps(store, go) {
  const { words, utcMs } = store.model;
  const { steps } = words;
  const list = store.results.gaps.map((gap) => {
    const row = Math.min(Math.floor(gap.first / steps), words.rows - 1);
    const stepMs = (words.row_hours / steps) * 3.6e6;
    const start = utcMs[0] + gap.first * stepMs;
    const cut = gap.first === 0 || gap.last === words.rows * steps;
    const button = element("button", { type: "button", class: "link" },
      `${duration(gap.hours)}${cut ? " at least" : ""}, from ${moment(start)}`);
    button.addEventListener("click", () => go(row));
    return element("li", {}, button);
  });
  fill("gaps", ...(list.length ? list : [element("li", {}, "none")]));
}

/** What holds at the cursor. @param {Store} store */
function showReadout(store) {
  const { words, arrays, utcMs, solarDays } = store.model;
  const row = store.cursor;
  const perDeg = words.angle_steps_per_deg;
  const solar = solarDays[row];
  const day = Math.floor(solar) - Math.floor(Math.min(solarDays[0], solarDays[solarDays.length - 1])) + 1;
  const hours = (solar - Math.floor(solar)) * 24;
  const clock = `${String(Math.floor(hours)).padStart(2, "0")}:${String(Math.floor((hours % 1) * 60)).padStart(2, "0")}`;
  const items = [
    ["row from", `${moment(utcMs[row])} UTC`],
    [words.solar_day[0], `${day}, solar time ${clock}`],
    ["Sun", `azimuth ${angle(arrays.sun_azimuth[row] / perDeg, 2)}, elevation ${angle(arrays.sun_elevation[row] / perDeg, 2)}`],
    ["disc in sight", percent(arrays.visible[row] / 65535)],
    ["beam", quantity(arrays.beam[row], "W/m²")],
    ["delivered", quantity(store.rowPower[row], "W")],
  ];
  if (!words.months) items.splice(2, 0, ["Ls", angle((arrays.solar_longitude[row] / 65536) * 360)]);
  if (store.turned) items.push(["in the file", quantity(store.file_power[row], "W")]);
  if (store.flows !== null) items.push(["stored", quantity(store.flows.stored[row], "kWh", 3)]);
  fill("readout", ...items.map(([name, value]) => element("div", {}, element("dt", {}, name), element("dd", {}, value))));
  part("readout").dataset.row = String(row);
  part("readout").dataset.powerW = String(store.rowPower[row]);
}

/** Everything that stays: head, warnings, cautions, assumptions, digests. @param {Model} model */
function showFixed(model) {
  const { words } = model;
  const told = words.summary;
  const { site, collector } = told;
  part("title").textContent = `${collector.name} at ${site.name}`;
  part("place").textContent = `${site.body}, ${figure(site.latitude_deg, 6)}°, ${figure(site.longitude_deg, 6)}°, `
    + `${figure(site.elevation_m)} m, mast ${figure(site.mast_height_m)} m. ${words.period}.`;
  const lines = (/** @type {string[]} */ texts) => texts.map((text) => element("li", {}, text));
  const warnings = [...told.warnings, ...(model.budget?.warnings ?? []), ...(words.facing?.warnings ?? [])];
  fill("warnings", ...lines([...new Set(warnings)]));
  part("warned").hidden = warnings.length === 0;
  part("warned-count").textContent = String(new Set(warnings).size);
  fill("cautions", ...lines(told.cautions));
  const rows = (told.assumptions ?? []).map((/** @type {any} */ row) => tableRow(
    [`${row.of}: ${row.what}`, row.value, row.default ? "default" : ""],
  ));
  fill("assumptions", element("thead", {}, tableRow(["assumption", "value", ""], "th")), element("tbody", {}, ...rows));
  const sources = [...told.sources, ...(model.budget?.sources ?? [])];
  fill("sources", element("thead", {}, tableRow(["file", "role", "SHA-256"], "th")),
    element("tbody", {}, ...sources.map((row) => tableRow([row.name, row.role, row.sha256]))));
  part("digest").textContent = `yieldsim ${told.version}; digest of the estimate ${told.digest || "unknown"}; `
    + `${told.command ?? ""}`;
  const steps = (words.row_hours * 60) / words.steps;
  part("method").textContent = `Rows of ${figure(words.row_hours * 60)} min, ${words.steps === 1 ? "as they are" : `cut into steps of ${figure(steps, 3)} min`} `
    + `for the Sun and its light; acceptance averaged over the Sun's disc; dust by each mount's own tilt. The estimate itself stepped by `
    + `${figure(told.step_s)} s. An eclipse is spread evenly over its row.`;
  if (words.facing) {
    const best = words.facing.best.map((/** @type {any} */ row) => `${row.words}: tilt ${angle(row.tilt_deg, 2)}, azimuth ${angle(row.azimuth_deg, 2)}`
      + `${words.optics.round ? "" : `, roll ${angle(row.roll_deg, 2)}`}, ${quantity(row.annual_kwh, "kWh")} a year`);
    const bound = words.facing.bound_kwh === null ? [] : [`no orientation of all units can have more than ${quantity(words.facing.bound_kwh, "kWh")} a year`];
    fill("facing-words", ...lines([...best, ...bound, "lines of the map: 50, 75, 90 and 99 % of the best"]));
  }
  part("facing-part").hidden = !words.facing;
  part("facing-label").hidden = !words.facing;
}
