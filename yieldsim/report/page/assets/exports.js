// What leaves the page: mounts as TOML, rows as CSV, the views as one picture.

/** @param {Store} store */
function mountsToml(store) {
  const { summary } = store.model.words;
  const head = [`# mounts turned by hand for ${summary.collector.name} at ${summary.site.name}`]
    .map((line) => line.replace(/[\u0000-\u001f\u007f]/g, " "));
  head.push("# a preview: put them into the collector file and run yieldsim estimate again");
  const mounts = store.state.mounts.map((mount) => [
    "[[mounts]]", `tilt_deg = ${toml(mount.tilt_deg)}`, `azimuth_deg = ${toml(mount.azimuth_deg)}`,
    `roll_deg = ${toml(mount.roll_deg)}`, `count = ${mount.count}`,
  ].join("\n"));
  return `${head.join("\n")}\n\n${mounts.join("\n\n")}\n`;
}

/** @param {number} value */
function toml(value) {
  return Number.isInteger(value) ? value.toFixed(1) : String(value);
}

/** @param {Store} store */
function rowsCsv(store) {
  const { words, arrays, utcMs, budget } = store.model;
  const perDeg = words.angle_steps_per_deg;
  const now = store.rowPower;
  const heads = ["time_utc", "solar_azimuth_deg", "solar_elevation_deg", "beam_irradiance_w_m2", "file_delivered_power_w", "delivered_power_w"];
  if (budget !== null) heads.push("stored_energy_kwh", "unserved_kwh");
  const lines = [heads.join(",")];
  for (let row = 0; row < words.rows; row++) {
    const cells = [
      `${new Date(utcMs[row]).toISOString().slice(0, 19)}Z`, arrays.sun_azimuth[row] / perDeg, arrays.sun_elevation[row] / perDeg,
      arrays.beam[row], store.file_power[row], now[row],
    ];
    if (store.flows !== null) {
      cells.push(store.flows.stored[row], store.flows.unserved.reduce((sum, series) => sum + series[row], 0));
    }
    lines.push(cells.map((cell) => (typeof cell === "number" ? String(Number(cell.toPrecision(9))) : cell)).join(","));
  }
  return `${lines.join("\n")}\n`;
}

/** The three views below one another, with title and state. @param {Store} store @param {HTMLCanvasElement[]} canvases */
function picture(store, canvases) {
  const ratio = canvases[0].width / Number.parseFloat(canvases[0].style.width);
  const sheet = document.createElement("canvas");
  const head = Math.round(64 * ratio);
  const gap = Math.round(12 * ratio);
  sheet.width = Math.max(...canvases.map((canvas) => canvas.width));
  sheet.height = head + canvases.reduce((sum, canvas) => sum + canvas.height + gap, 0);
  const pen = /** @type {CanvasRenderingContext2D} */ (sheet.getContext("2d"));
  pen.fillStyle = themed("--paper");
  pen.fillRect(0, 0, sheet.width, sheet.height);
  pen.fillStyle = themed("--ink");
  pen.font = `bold ${16 * ratio}px system-ui, sans-serif`;
  pen.fillText(part("title").textContent, 8 * ratio, 24 * ratio, sheet.width - 16 * ratio);
  pen.font = `${12 * ratio}px system-ui, sans-serif`;
  const state = store.changed ? "PREVIEW, run estimate again: " : "";
  pen.fillText(`${state}${quantity(store.deliveredKwh, "kWh")}, ${store.model.words.period}`, 8 * ratio, 46 * ratio, sheet.width - 16 * ratio);
  let y = head;
  for (const canvas of canvases) {
    pen.drawImage(canvas, 0, y);
    y += canvas.height + gap;
  }
  return sheet;
}

/** @param {Blob} blob @param {string} name */
function download(blob, name) {
  const url = URL.createObjectURL(blob);
  const link = element("a", { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}

/** A file's name from the site's, letters and digits only. @param {Store} store @param {string} ending */
function fileName(store, ending) {
  const plain = store.model.words.summary.site.name.normalize("NFKD").toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-+|-+$/g, "");
  return `${plain.slice(0, 60) || "site"}${store.changed ? "-preview" : ""}.${ending}`;
}

/** @param {string} text */
async function copyText(text) {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    const area = part("toml");
    area.select();
    return document.execCommand("copy");
  }
}
