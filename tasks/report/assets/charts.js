/* Draws the charts of a page and links them: an instant pointed at in one is marked in all. */
"use strict";

(() => {
  const read = (id) => {
    const element = document.getElementById(id);
    return element && JSON.parse(element.textContent);
  };
  const page = read("page-data");
  const LEFT = page.left_px, RIGHT = page.right_px;
  const LEAST_HEIGHT = 150, NARROW = 420, LETTER = 7;
  const charts = [...document.querySelectorAll(".chart")].map((element) => ({
    element, kind: element.dataset.kind, data: read("chart-" + element.dataset.chart), view: null, width: 0,
  }));
  // What is drawn: a stretch of the workout or all of it, and the devices that are hidden.
  const view = { from: null, until: null, hidden: new Set() };
  const toRows = (columns) => {
    const names = Object.keys(columns);
    const rows = names.length ? columns[names[0]].map((_, i) => Object.fromEntries(names.map((name) => [name, columns[name][i]]))) : [];
    return view.hidden.size ? rows.filter((row) => !view.hidden.has(row.device) && !view.hidden.has(row.owner)) : rows;
  };
  const listPanels = (spec) => spec.vconcat || [spec];

  // --- one specification: filled, sized, dressed ------------------------------------------------
  const keepShape = (panel, shape) => {
    const metres = Math.max(shape.wide / panel.width, shape.high / panel.height);
    for (const [axis, pixels] of [["x", panel.width], ["y", panel.height]]) {
      for (const layer of panel.layer) {
        const channel = layer.encoding && layer.encoding[axis];
        if (channel && channel.scale) channel.scale.domain = [shape[axis] - metres * pixels / 2, shape[axis] + metres * pixels / 2];
      }
    }
  };
  const addLinks = (chart, panel) => {
    const drawn = panel.layer.find((layer) => layer.encoding && layer.encoding.x);
    const time = { ...drawn.encoding.x, field: "s" };
    if (chart.kind === "time") {
      panel.layer.push(
        { data: { name: "stretch" }, mark: { type: "rect", opacity: 0.14, style: "quiet" }, encoding: { x: time, x2: { field: "until" } } },
        { data: { name: "instant" }, mark: { type: "rule", strokeWidth: 1.5, strokeDash: [1, 0] }, encoding: { x: time } },
      );
    } else if (chart.kind === "plan") {
      const colour = panel.layer.find((layer) => layer.encoding && layer.encoding.color).encoding.color;
      panel.layer.push({
        data: { name: "place" }, mark: { type: "point", filled: true, size: 130, opacity: 1, clip: true },
        encoding: { x: { ...drawn.encoding.x, field: "x" }, y: { ...drawn.encoding.y, field: "y" }, color: colour },
      });
    }
  };
  // --- a stretch of the workout, enlarged ----------------------------------------------------------
  const STEPS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400], MOST_TICKS = 8;
  const listTicks = (from, until) => {
    const step = STEPS_S.find((one) => (until - from) / one <= MOST_TICKS) || STEPS_S[STEPS_S.length - 1];
    const first = from + ((step - ((page.begin_local_s + from) % step)) % step);
    const values = [];
    for (let at = first; at <= until; at += step) values.push(at);
    return { values, step };
  };
  const zoom = (panel) => {
    const { values, step } = listTicks(view.from, view.until);
    for (const layer of panel.layer) {
      layer.mark = typeof layer.mark === "string" ? { type: layer.mark, clip: true } : { ...layer.mark, clip: true };
      const x = layer.encoding && layer.encoding.x;
      if (!x || !x.scale || !x.scale.domain) continue;
      x.scale.domain = [view.from, view.until];
      if (x.axis) {
        x.axis.values = values;
        if (step < 60 && x.axis.labelExpr) x.axis.labelExpr = x.axis.labelExpr.replace("%H:%M'", "%H:%M:%S'");
      }
    }
  };
  const makeSpec = (chart) => {
    const spec = structuredClone(chart.data.spec);
    const width = Math.max(160, chart.element.clientWidth - (chart.data.left || LEFT) - RIGHT);
    for (const panel of listPanels(spec)) {
      panel.width = width;
      panel.height = Math.max(chart.data.least || LEAST_HEIGHT * (chart.kind === "plan" ? 1.6 : 1), Math.round(panel.height * width));
      if (chart.data.shape) keepShape(panel, chart.data.shape);
      addLinks(chart, panel);
      if (chart.kind === "time" && view.from !== null) zoom(panel);
    }
    spec.datasets = { stretch: [], instant: [], place: [] };
    for (const [name, columns] of Object.entries(chart.data.tables)) spec.datasets[name] = toRows(columns);
    const theme = coworn.readTheme();
    spec.config = { ...page.themes[theme], range: { category: chart.data.devices.map((label) => page.colours[label][theme]) } };
    // Legends of narrow charts stand in few columns.
    if (width < NARROW) {
      const longest = Math.max(0, ...listLegend(spec).map((label) => label.length)) * LETTER;
      const columns = width < NARROW / 2 || longest > width / 2 - 40 ? 1 : 2;
      spec.config = { ...spec.config, legend: { ...spec.config.legend, columns, labelLimit: width / columns - 40 } };
    }
    spec.autosize = { type: "pad", contains: "padding" };
    return spec;
  };
  const listLegend = (spec) => listPanels(spec).flatMap((panel) => panel.layer)
    .flatMap((layer) => Object.values(layer.encoding || {}))
    .flatMap((channel) => (channel.legend !== null && channel.scale && channel.type === "nominal" && channel.scale.domain) || []);
  const draw = async (chart) => {
    chart.width = chart.element.clientWidth;
    // Into a part of its own: the library writes labels on what it draws into, and the element
    // already says in words what the chart shows.
    const paper = document.createElement("div");
    paper.setAttribute("aria-hidden", "true");
    const made = await vegaEmbed(paper, makeSpec(chart), {
      mode: "vega-lite", ast: true, renderer: "svg", actions: false, tooltip: false, defaultStyle: false,
    });
    paper.removeAttribute("role");
    paper.removeAttribute("aria-label");
    paper.removeAttribute("aria-roledescription");
    if (chart.view) chart.view.finalize();
    chart.view = made.view;
    chart.element.replaceChildren(paper);
  };
  const drawEach = async () => {
    document.documentElement.dataset.drawn = "no";
    for (const chart of charts) await draw(chart);
    showInstant();
    showStretch();
    document.documentElement.dataset.drawn = "yes";
  };

  // One drawing at a time, in the order in which they were asked for.
  let drawing = Promise.resolve();
  const drawAll = () => { drawing = drawing.then(drawEach); };

  // --- what the page points at --------------------------------------------------------------------
  const state = { instant: null, from: null, until: null };
  const begin = page.begin_local_s;
  const toClock = (second) => new Date(Math.round(begin + second) * 1000).toISOString().slice(11, 19);
  const put = (chart, name, rows) => chart.view && chart.view.data(name, rows).run();
  const seconds = page.seconds || { devices: [], references: {}, first: 0 };
  const write = (number) => (number === null || number === undefined ? "–" : number.toFixed(0));

  const findPlaces = (chart, second) => {
    const table = chart.data.tables.track;
    if (!chart.places) {
      chart.places = new Map();
      table.device.forEach((device, i) => {
        if (!chart.places.has(device)) chart.places.set(device, []);
        chart.places.get(device).push({ s: table.s[i], x: table.x[i], y: table.y[i] });
      });
    }
    const found = [];
    for (const [device, fixes] of chart.places) {
      let low = 0, high = fixes.length - 1;
      while (low < high) { const middle = (low + high) >> 1; if (fixes[middle].s < second) low = middle + 1; else high = middle; }
      const after = fixes[low], before = fixes[Math.max(0, low - 1)];
      if (!after || second < fixes[0].s || second > fixes[fixes.length - 1].s || after.x === null || before.x === null) continue;
      const share = after.s > before.s ? (second - before.s) / (after.s - before.s) : 0;
      found.push({ device, x: before.x + share * (after.x - before.x), y: before.y + share * (after.y - before.y) });
    }
    return found;
  };
  const describeInstant = (second) => {
    const parts = [toClock(second) + " " + page.zone];
    const index = Math.round(second) - seconds.first;
    const said = new Set();
    for (const one of seconds.devices) {
      const test = one.test[index], reference = seconds.references[one.series][index];
      if (!said.has(one.series)) { parts.push(`${one.reference_label} ${write(reference)}`); said.add(one.series); }
      const both = typeof test === "number" && typeof reference === "number";
      parts.push(`${one.label} ${write(test)}` + (both ? ` (${test >= reference ? "+" : "−"}${Math.abs(test - reference).toFixed(0)})` : ""));
    }
    return parts.join("  ·  ") + (seconds.devices.length ? " bpm" : "");
  };
  let waiting = false;
  const showInstant = () => {
    if (state.instant === null) return;
    for (const chart of charts) {
      if (chart.kind === "time") put(chart, "instant", [{ s: state.instant }]);
      if (chart.kind === "plan") put(chart, "place", findPlaces(chart, state.instant));
    }
    const slider = document.getElementById("instant");
    slider.value = state.instant;
    slider.setAttribute("aria-valuetext", describeInstant(state.instant));
    document.getElementById("readout").textContent = describeInstant(state.instant);
  };
  const pointAt = (second) => {
    state.instant = Math.min(Math.max(0, Math.round(second)), page.n_seconds);
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; showInstant(); });
  };

  // --- the numbers of an interval --------------------------------------------------------------------
  const HEADINGS = ["Device", `Mean ${seconds.deviation} (bpm)`, `Mean absolute ${seconds.deviation} (bpm)`, "Within 5 bpm (%)", "Seconds"];
  // As the cards are rounded: a tie goes to the even digit.
  const toTenth = (number) => {
    const isTie = Number.isInteger(number * 4) && !Number.isInteger(number * 2);
    const tenths = isTie ? 2 * Math.round(number * 5) : null;
    return (isTie ? tenths / 10 : number).toFixed(1);
  };
  const markUnscored = (one) => {
    if (!one.left_out) {
      one.left_out = new Set();
      for (const [start, end] of one.unscored) for (let i = start; i < end; i++) one.left_out.add(i);
    }
    return one.left_out;
  };
  const measure = (one, from, until) => {
    let n = 0, sum = 0, size = 0, within = 0;
    const leftOut = markUnscored(one);
    const reference = seconds.references[one.series];
    for (let second = from; second <= until; second++) {
      const test = one.test[second - seconds.first], other = reference[second - seconds.first];
      if (typeof test !== "number" || typeof other !== "number" || leftOut.has(second - seconds.first)) continue;
      const error = test - other;
      n += 1; sum += error; size += Math.abs(error); within += Math.abs(error) <= 5 ? 1 : 0;
    }
    return n ? [toTenth(sum / n).replace(/^-0\.0$/, "0.0").replace("-", "−"), toTenth(size / n), toTenth(100 * within / n), String(n)] : ["–", "–", "–", "0"];
  };
  const makeRow = (tag, cells) => {
    const row = document.createElement("tr");
    cells.forEach((text, i) => {
      const cell = document.createElement(tag === "th" || i === 0 ? "th" : "td");
      cell.scope = tag === "th" ? "col" : "row";
      if (cell.tagName === "TD") cell.removeAttribute("scope");
      if (i) cell.className = "right";
      cell.textContent = text;
      row.append(cell);
    });
    return row;
  };
  const writeStretchSql = (from, until) => {
    const instant = (second) => coworn.quote(new Date((page.begin_s + second) * 1000).toISOString());
    return "SELECT recording_id,\n" +
      "  avg(heart_rate_test_bpm - heart_rate_reference_bpm) AS bias_bpm,\n" +
      "  avg(abs(heart_rate_test_bpm - heart_rate_reference_bpm)) AS mae_bpm,\n" +
      "  100 * avg((abs(heart_rate_test_bpm - heart_rate_reference_bpm) <= 5)::INT) AS within_5_bpm_pct,\n" +
      "  count(*) AS n\nFROM pairs\n" +
      `WHERE workout_id = ${coworn.quote(page.workout_id)}\n` +
      `  AND time_utc BETWEEN ${instant(from)}::TIMESTAMPTZ AND ${instant(until)}::TIMESTAMPTZ\n` +
      "  AND heart_rate_is_scored\n" +
      "  AND (recording_id, reference) IN (" +
      seconds.devices.map((one) => `(${coworn.quote(one.recording_id)}, ${coworn.quote(one.reference)})`).join(", ") +
      ")\nGROUP BY recording_id";
  };
  const showStretch = () => {
    const rows = state.from === null ? [] : [{ s: state.from, until: state.until }];
    for (const chart of charts) if (chart.kind === "time") put(chart, "stretch", rows);
    const box = document.getElementById("stretch");
    if (!box || !seconds.devices.length) return;
    box.hidden = false;
    const from = state.from === null ? 0 : state.from, until = state.from === null ? page.n_seconds : state.until;
    document.getElementById("stretch-from").value = toClock(from);
    document.getElementById("stretch-to").value = toClock(until);
    const head = document.createElement("thead"), body = document.createElement("tbody");
    head.append(makeRow("th", HEADINGS));
    seconds.devices.forEach((one) => body.append(makeRow("td", [`${one.label} ${one.compared}`, ...measure(one, from, until)])));
    document.getElementById("stretch-table").replaceChildren(head, body);
    document.getElementById("stretch-sql").textContent = writeStretchSql(from, until);
  };
  const chooseStretch = (from, until) => {
    const low = Math.round(Math.min(from, until)), high = Math.round(Math.max(from, until));
    state.from = Math.max(0, low);
    state.until = Math.min(page.n_seconds, Math.max(high, low + 1));
    showStretch();
  };

  // --- zooming and hiding ---------------------------------------------------------------------------
  const LEAST_ZOOM_S = 10;
  // The view stands in the address, so that it can be kept and sent; only its fragment changes.
  const writeView = () => {
    const parts = [];
    if (view.from !== null) parts.push(`zoom=${view.from}-${view.until}`);
    if (view.hidden.size) parts.push("hide=" + [...view.hidden].map(encodeURIComponent).join(","));
    history.replaceState(null, "", parts.length ? "#" + parts.join("&") : location.pathname + location.search + "#");
  };
  const readView = () => {
    for (const part of location.hash.slice(1).split("&")) {
      const [name, value] = part.split("=");
      if (name === "zoom" && /^\d+-\d+$/.test(value || "")) {
        const [from, until] = value.split("-").map(Number);
        if (until > from && until <= page.n_seconds) { view.from = from; view.until = until; }
      }
      if (name === "hide" && value) value.split(",").forEach((one) => view.hidden.add(decodeURIComponent(one)));
    }
  };
  const markView = () => {
    document.querySelectorAll("#zoom-out").forEach((button) => { button.hidden = view.from === null; });
    document.querySelectorAll(".toggle").forEach((button) => {
      const isHidden = view.hidden.has(button.dataset.device);
      button.setAttribute("aria-pressed", String(!isHidden));
      button.textContent = isHidden ? "Show" : "Hide";
      button.closest("li").classList.toggle("is-hidden", isHidden);
    });
  };
  const redraw = () => { writeView(); markView(); drawAll(); };
  const zoomTo = (from, until) => {
    const low = Math.max(0, Math.round(from)), high = Math.min(page.n_seconds, Math.round(until));
    if (high - low < LEAST_ZOOM_S) return;
    view.from = low;
    view.until = high;
    redraw();
  };
  const zoomOut = () => {
    if (view.from === null) return;
    view.from = view.until = null;
    redraw();
  };
  const toggle = (label, alone) => {
    const others = [...document.querySelectorAll(".toggle")].map((button) => button.dataset.device).filter((one) => one !== label);
    if (alone) view.hidden = new Set(others.every((one) => view.hidden.has(one)) ? [] : others);
    else if (!view.hidden.delete(label)) view.hidden.add(label);
    redraw();
  };
  const offerHiding = () => {
    for (const item of document.querySelectorAll(".legend li[data-device]")) {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "toggle show";
      button.dataset.device = item.dataset.device;
      button.setAttribute("aria-label", `${item.dataset.device} in the charts`);
      button.title = "Hide or show it in all charts; with Alt only it";
      button.addEventListener("click", (event) => toggle(item.dataset.device, event.altKey));
      item.append(" ", button);
    }
  };

  // --- pointing and dragging ------------------------------------------------------------------------
  const findScale = (view) => {
    for (const name of ["x", "concat_0_x"]) {
      try { return view.scale(name); } catch { /* the other name, then */ }
    }
    return null;
  };
  const toPlot = (chart, event) => {
    const box = chart.element.querySelector("svg").getBoundingClientRect();
    const [left, top] = chart.view.origin();
    return [event.clientX - box.left - left, event.clientY - box.top - top];
  };
  const readSecond = (chart, event) => {
    if (!chart.view) return null;
    const [x, y] = toPlot(chart, event);
    if (chart.kind === "time") return findScale(chart.view).invert(x);
    const table = chart.data.tables.track;
    const east = chart.view.scale("x").invert(x), north = chart.view.scale("y").invert(y);
    let best = null, least = Infinity;
    table.x.forEach((value, i) => {
      if (value === null) return;
      const away = (value - east) ** 2 + (table.y[i] - north) ** 2;
      if (away < least) { least = away; best = table.s[i]; }
    });
    return best;
  };
  const DRAG_PX = 6;
  const listen = (chart) => {
    if (chart.kind === "still") return;
    let start = null;
    chart.element.addEventListener("pointermove", (event) => {
      const second = readSecond(chart, event);
      if (second === null) return;
      pointAt(second);
      if (start && chart.kind === "time" && Math.abs(event.clientX - start.x) > DRAG_PX) chooseStretch(start.second, second);
    });
    chart.element.addEventListener("pointerdown", (event) => {
      const second = readSecond(chart, event);
      if (second === null) return;
      start = { x: event.clientX, second };
      pointAt(second);
      if (chart.kind === "time") { chart.element.setPointerCapture(event.pointerId); event.preventDefault(); }
    });
    chart.element.addEventListener("pointerup", (event) => {
      const second = start && chart.kind === "time" ? readSecond(chart, event) : null;
      const isDrag = second !== null && Math.abs(event.clientX - start.x) > DRAG_PX;
      if (isDrag) zoomTo(Math.min(start.second, second), Math.max(start.second, second));
      start = null;
    });
    if (chart.kind === "time") chart.element.addEventListener("dblclick", zoomOut);
    chart.element.addEventListener("pointercancel", () => { start = null; });
  };

  // --- controls -------------------------------------------------------------------------------------
  const parseClock = (text) => {
    const parts = text.trim().split(":").map(Number);
    if (parts.length < 2 || parts.some(Number.isNaN)) return null;
    const second = parts[0] * 3600 + parts[1] * 60 + (parts[2] || 0) - (begin % 86400);
    return ((second % 86400) + 86400) % 86400;
  };
  const prepare = () => {
    const slider = document.getElementById("instant");
    if (!slider) return;
    document.getElementById("pointer").hidden = false;
    slider.addEventListener("input", () => pointAt(Number(slider.value)));
    document.querySelectorAll(".show").forEach((button) => {
      button.hidden = false;
      button.addEventListener("click", () => {
        chooseStretch(Number(button.dataset.from), Number(button.dataset.to));
        pointAt(Number(button.dataset.from));
        const chart = document.querySelector(".chart[data-kind='time']");
        if (chart) chart.scrollIntoView({ block: "nearest" });
      });
    });
    const form = document.getElementById("stretch-form");
    if (form) {
      form.addEventListener("submit", (event) => {
        event.preventDefault();
        const from = parseClock(document.getElementById("stretch-from").value);
        const until = parseClock(document.getElementById("stretch-to").value);
        if (from !== null && until !== null) chooseStretch(from, until);
      });
      document.getElementById("stretch-zoom").addEventListener("click", () => { if (state.from !== null) zoomTo(state.from, state.until); });
      document.getElementById("stretch-whole").addEventListener("click", () => { state.from = state.until = null; showStretch(); zoomOut(); });
    }
    document.getElementById("zoom-out").addEventListener("click", zoomOut);
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && !document.querySelector("dialog[open]")) zoomOut();
    });
    offerHiding();
    document.getElementById("readout").textContent = "Point at a chart, or move the slider.";
  };

  charts.forEach(listen);
  prepare();
  readView();
  markView();
  coworn.onTheme(drawAll);
  let resizing = 0;
  window.addEventListener("resize", () => {
    clearTimeout(resizing);
    resizing = setTimeout(() => { if (charts.some((chart) => chart.width !== chart.element.clientWidth)) drawAll(); }, 200);
  });
  drawAll();
})();
