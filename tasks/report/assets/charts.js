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
    element, kind: element.dataset.kind, view: null, width: 0, drawn: -1,
  }));
  let round = 0;
  const isFolded = (chart) => coworn.folds !== undefined && coworn.folds.hides(chart.element);
  // What is drawn: a stretch of the workout or all of it, and the devices that are hidden.
  const view = { from: null, until: null, hidden: new Set() };
  const unpack = (column) => (column.runs ? column.runs.flatMap(([word, n]) => new Array(n).fill(word)) : column);
  const toRows = (packed) => {
    const names = Object.keys(packed);
    const columns = Object.fromEntries(names.map((name) => [name, unpack(packed[name])]));
    const rows = names.length ? columns[names[0]].map((_, i) => Object.fromEntries(names.map((name) => [name, columns[name][i]]))) : [];
    return view.hidden.size ? rows.filter((row) => !view.hidden.has(row.device) && !view.hidden.has(row.owner)) : rows;
  };
  const listPanels = (spec) => spec.vconcat || [spec];

  // --- one specification: filled, sized, dressed ------------------------------------------------
  const addLinks = (chart, panel) => {
    const drawn = panel.layer.find((layer) => layer.encoding && layer.encoding.x);
    const time = { ...drawn.encoding.x, field: "s" };
    if (chart.kind === "time") {
      panel.layer.push(
        { data: { name: "stretch" }, mark: { type: "rect", opacity: 0.14, style: "quiet" }, encoding: { x: time, x2: { field: "until" } } },
        { data: { name: "instant" }, mark: { type: "rule", strokeWidth: 1.5, strokeDash: [1, 0] }, encoding: { x: time } },
      );
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
  const makeSpec = (chart, theme) => {
    const spec = structuredClone(chart.data.spec);
    const width = Math.max(160, chart.element.clientWidth - (chart.data.left || LEFT) - RIGHT);
    for (const panel of listPanels(spec)) {
      panel.width = width;
      panel.height = Math.max(chart.data.least || LEAST_HEIGHT, Math.round(panel.height * width));
      addLinks(chart, panel);
      if (chart.kind === "time" && view.from !== null) zoom(panel);
    }
    spec.datasets = { stretch: [], instant: [] };
    for (const [name, columns] of Object.entries(chart.data.tables)) spec.datasets[name] = toRows(columns);
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
    chart.drawn = round;
    chart.data = chart.data || read("chart-" + chart.element.dataset.chart);
    // Into a part of its own: the library writes labels on what it draws into, and the element
    // already says in words what the chart shows.
    const paper = document.createElement("div");
    paper.setAttribute("aria-hidden", "true");
    const theme = coworn.readTheme();
    const made = await vegaEmbed(paper, makeSpec(chart, theme), {
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
    if (map) { map.fit(); map.dress(coworn.readTheme(), view.hidden); }
    for (const chart of charts) if (chart.drawn !== round && !isFolded(chart)) await draw(chart);
    showInstant();
    showStretch();
    document.documentElement.dataset.drawn = "yes";
  };

  // One drawing at a time, in the order in which they were asked for.
  let drawing = Promise.resolve();
  const drawNew = () => { drawing = drawing.then(drawEach, drawEach); };
  const drawAll = () => { round += 1; drawNew(); };

  // --- what the page points at --------------------------------------------------------------------
  const state = { instant: null };
  const markStretch = () => {
    const { from, until } = stretch.chosen;
    const rows = from === null ? [] : [{ s: from, until }];
    for (const chart of charts) if (chart.kind === "time") put(chart, "stretch", rows);
  };
  const stretch = coworn.stretch(page, () => markStretch());
  const { seconds, toClock } = stretch;
  const showStretch = () => { markStretch(); stretch.show(); };
  const put = (chart, name, rows) => chart.view && chart.view.data(name, rows).run();
  const write = (number) => (number === null || number === undefined ? "–" : number.toFixed(0));

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
    }
    if (map) map.showPlaces(state.instant);
    const slider = document.getElementById("instant");
    slider.value = state.instant;
    slider.setAttribute("aria-valuetext", describeInstant(state.instant));
    document.getElementById("readout").textContent = describeInstant(state.instant);
  };
  const map = coworn.map ? coworn.map(page, seconds, (second) => pointAt(second)) : null;
  const pointAt = (second) => {
    if (!Number.isFinite(second)) return;
    state.instant = Math.min(Math.max(0, Math.round(second)), page.n_seconds);
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; showInstant(); });
  };

  // --- zooming and hiding ---------------------------------------------------------------------------
  const LEAST_ZOOM_S = 10;
  const writeView = () => {
    coworn.address.set("zoom", view.from === null ? null : `${view.from}-${view.until}`);
    coworn.address.set("hide", view.hidden.size ? [...view.hidden].map(encodeURIComponent).join(",") : null);
  };
  const readView = () => {
    const zoomed = coworn.address.get("zoom"), hidden = coworn.address.get("hide");
    if (/^\d+-\d+$/.test(zoomed || "")) {
      const [from, until] = zoomed.split("-").map(Number);
      if (until > from && until <= page.n_seconds) { view.from = from; view.until = until; }
    }
    if (hidden) hidden.split(",").forEach((one) => view.hidden.add(coworn.decode(one)));
  };
  const markView = () => {
    const times = view.from === null ? "" : ` --from ${toClock(view.from)} --to ${toClock(view.until)}`;
    document.querySelectorAll(".command.timed").forEach((one) => { one.textContent = one.dataset.command + times; });
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
    const [left] = chart.view.origin();
    return [event.clientX - box.left - left];
  };
  const readSecond = (chart, event) => {
    if (!chart.view) return null;
    const [x] = toPlot(chart, event);
    return findScale(chart.view).invert(x);
  };
  // In a legend the labels stand in the order of the chart's devices.
  const findLabel = (chart, event) => {
    const names = [...chart.element.querySelectorAll(".role-legend-label text")];
    const at = names.findIndex((one) => one === event.target);
    return at < 0 ? null : chart.data.devices[at % chart.data.devices.length];
  };
  const DRAG_PX = 6;
  const listen = (chart) => {
    if (chart.kind !== "time") return;
    let start = null;
    chart.element.addEventListener("pointermove", (event) => {
      const second = readSecond(chart, event);
      if (second === null) return;
      pointAt(second);
      if (start && Math.abs(event.clientX - start.x) > DRAG_PX) stretch.choose(start.second, second);
    });
    chart.element.addEventListener("pointerdown", (event) => {
      const label = chart.view && findLabel(chart, event);
      if (label) { toggle(label, event.altKey); return; }
      const second = readSecond(chart, event);
      if (second === null) return;
      start = { x: event.clientX, second };
      pointAt(second);
      chart.element.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    chart.element.addEventListener("pointerup", (event) => {
      const second = start ? readSecond(chart, event) : null;
      const isDrag = second !== null && Math.abs(event.clientX - start.x) > DRAG_PX;
      if (isDrag) zoomTo(Math.min(start.second, second), Math.max(start.second, second));
      start = null;
    });
    chart.element.addEventListener("dblclick", zoomOut);
    chart.element.addEventListener("pointercancel", () => { start = null; });
  };

  // --- controls -------------------------------------------------------------------------------------
  const prepare = () => {
    const slider = document.getElementById("instant");
    if (!slider) return;
    document.getElementById("pointer").hidden = false;
    slider.addEventListener("input", () => pointAt(Number(slider.value)));
    document.querySelectorAll(".show[data-from]").forEach((button) => {
      button.hidden = false;
      button.addEventListener("click", () => {
        stretch.choose(Number(button.dataset.from), Number(button.dataset.to));
        pointAt(Number(button.dataset.from));
        const chart = charts.find((one) => one.kind === "time" && !isFolded(one));
        if (chart) chart.element.scrollIntoView({ block: "nearest" });
      });
    });
    stretch.listen(zoomTo, zoomOut);
    document.getElementById("zoom-out").addEventListener("click", zoomOut);
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && !document.querySelector("dialog[open]")) zoomOut();
    });
    if (coworn.minutes) coworn.minutes(page, stretch);
    offerHiding();
    document.getElementById("readout").textContent = "Point at a chart, or move the slider.";
  };

  charts.forEach(listen);
  prepare();
  readView();
  markView();
  coworn.onTheme(drawAll);
  if (coworn.folds) coworn.folds.onToggle(drawNew);
  let resizing = 0;
  window.addEventListener("resize", () => {
    clearTimeout(resizing);
    resizing = setTimeout(() => { if (map || charts.some((chart) => !isFolded(chart) && chart.width !== chart.element.clientWidth)) drawAll(); }, 200);
  });
  drawAll();
})();
