// The page put together: data read, views made, one cursor and one state for all of them.

const SPOKEN_AFTER_MS = 600;
const TABLES_AFTER_MS = 120;

async function begin() {
  const words = JSON.parse(part("data").textContent);
  const arrays = await unpacked(words.arrays, part("arrays").textContent);
  const model = modelOf(words, arrays);
  const store = new Store(model);
  store.cursor = brightestRow(store);
  showFixed(model);
  part("waiting").hidden = true;
  part("main").hidden = false;
  part("budget-part").hidden = model.budget === null;
  part("roll-keys").hidden = words.optics.round;

  let spoken = 0;
  let drawn = 0;
  let told = 0;
  const speak = () => {
    clearTimeout(spoken);
    spoken = setTimeout(() => {
      const mount = store.state.mounts[store.selected];
      part("spoken").textContent = `mount ${store.selected + 1}: tilt ${figure(mount.tilt_deg)}, azimuth ${figure(mount.azimuth_deg)} degrees; `
        + `delivered ${quantity(store.deliveredKwh, "kWh")}${store.changed ? ", a preview" : ""}`;
    }, SPOKEN_AFTER_MS);
  };
  const go = (/** @type {number} */ row) => {
    store.cursor = row;
    picked();
  };
  const later = (/** @type {() => void} */ draw) => {
    cancelAnimationFrame(drawn);
    drawn = requestAnimationFrame(draw);
  };
  const drawViews = () => {
    sky.draw();
    raster.draw();
    strip.follow();
    strip.draw();
  };
  const picked = () => {
    showReadout(store);
    table.show();
    later(drawViews);
  };
  const turned = (/** @type {boolean} */ done) => {
    showFacts(store);
    table.show();
    showReadout(store);
    showState(store);
    if (done) {
      showLedger(store);
      showGaps(store, go);
      sky.widened();
      speak();
    }
    // under a moving hand the long tables follow a few times a second, the views with every frame
    const due = done || performance.now() - told > TABLES_AFTER_MS;
    if (due) budget?.show();
    later(() => {
      if (due && !done) showLedger(store);
      drawViews();
    });
    if (due) told = performance.now();
  };

  const sky = new SkyView(part("sky"), store, picked, turned);
  const raster = new RasterView(part("raster"), store, picked);
  const strip = new StripView(part("strip"), store, picked);
  const table = new MountTable(store, turned, picked);
  const budget = model.budget === null ? null : new BudgetView(store, turned, go);

  for (const kind of ["stretched", "equal", "dome"]) {
    part(`view-${kind}`).addEventListener("change", () => {
      sky.kind = kind;
      sky.fit();
      later(drawViews);
    });
  }
  part("facing-shown").addEventListener("change", (/** @type {Event} */ event) => {
    sky.showFacing = /** @type {HTMLInputElement} */ (event.target).checked;
    sky.fit();
    later(drawViews);
  });
  const undo = () => store.undo() && turned(true);
  const redo = () => store.redo() && turned(true);
  part("undo").addEventListener("click", undo);
  part("redo").addEventListener("click", redo);
  part("reset").addEventListener("click", () => {
    store.reset();
    turned(true);
  });
  part("zoom-in").addEventListener("click", () => strip.zoom(0.5));
  part("zoom-out").addEventListener("click", () => strip.zoom(2));
  part("zoom-all").addEventListener("click", () => strip.zoom(Infinity));
  part("csv").addEventListener("click", () => download(new Blob([rowsCsv(store)], { type: "text/csv" }), fileName(store, "csv")));
  part("png").addEventListener("click", () => {
    picture(store, [sky.canvas, raster.canvas, strip.canvas]).toBlob((blob) => blob && download(blob, fileName(store, "png")));
  });
  const dialog = part("toml-dialog");
  part("copy").addEventListener("click", async () => {
    part("toml").value = mountsToml(store);
    dialog.showModal();
    part("copied").textContent = (await copyText(part("toml").value)) ? "Copied." : "Select the text and copy it.";
  });
  part("toml-close").addEventListener("click", () => dialog.close());
  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
    if (event.target instanceof HTMLTextAreaElement) return;
    const key = event.key.toLowerCase();
    if (key === "z" && !event.shiftKey) undo();
    else if (key === "y" || (key === "z" && event.shiftKey)) redo();
    else return;
    event.preventDefault();
  });
  const refit = () => {
    sky.fit();
    raster.fit();
    strip.fit();
    drawViews();
  };
  let width = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth === width) return;
    width = window.innerWidth;
    later(refit);
  });
  window.addEventListener("beforeprint", refit);
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => later(refit));

  turned(true);
  document.documentElement.dataset.ready = "yes";
  // what tests and the curious may ask for: state and results, nothing to change
  Object.defineProperty(window, "yieldsimPage", { value: Object.freeze({ store, model, views: { sky, raster, strip }, resultsOf, MountCache }) });
}

/** The row with most power, or most beam where none delivers. @param {Store} store */
function brightestRow(store) {
  const power = store.file_power;
  let best = 0;
  for (let row = 1; row < power.length; row++) if (power[row] > power[best]) best = row;
  if (power[best] > 0) return best;
  const beam = store.model.arrays.beam;
  for (let row = 1; row < beam.length; row++) if (beam[row] > beam[best]) best = row;
  return best;
}

/** The mark of a changed state, and which buttons can do something. @param {Store} store */
function showState(store) {
  part("preview").hidden = !store.changed;
  part("undo").disabled = store.past.length === 0;
  part("redo").disabled = store.future.length === 0;
  part("reset").disabled = !store.changed;
  document.documentElement.classList.toggle("previewing", store.changed);
}

begin().catch((error) => {
  part("waiting").textContent = `This page can't be shown here: ${error instanceof Error ? error.message : error}. `
    + "It needs a browser of 2023 or later.";
});
