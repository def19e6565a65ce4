/* Moves and enlarges the map, shows where everybody was at an instant, colours a track by error. */
"use strict";

coworn.map = (page, seconds, onPoint) => {
  const element = document.querySelector(".map[data-map]");
  if (!element) return null;
  const SVG = "http://www.w3.org/2000/svg";
  const svg = element.querySelector("svg"), world = svg.querySelector(".world");
  const pins = [...svg.querySelectorAll(".pins > [data-x]")];
  const facts = Object.fromEntries(Object.entries(svg.dataset).map(([name, value]) => [name, name === "units" ? value : Number(value)]));
  const EDGE = 28, BAR = 140, WORDS = 90, STEP = 1.5, MOST = 20, PER_M = 10, TALL = 0.5;
  const size = { width: 0, height: 0 };
  const view = { x: facts.east, y: -facts.north, k: 1 };
  let hidden = new Set(), theme = "light";

  // --- where the view stands ----------------------------------------------------------------------
  const fitAll = () => Math.min((size.width - 2 * EDGE) / facts.wide, (size.height - 2 * EDGE) / facts.high);
  const perM = () => fitAll() * view.k;
  const toScreen = (x, y) => [size.width / 2 + (x - view.x) * perM(), size.height / 2 + (y - view.y) * perM()];
  const toWorld = (left, top) => [view.x + (left - size.width / 2) / perM(), view.y + (top - size.height / 2) / perM()];
  const round = (number, decimals) => Number(number.toFixed(decimals));

  const chooseBar = (longest) => {
    const isMetric = facts.units === "metric", feet = longest / 0.3048, inMiles = !isMetric && feet >= 5280;
    const value = isMetric ? longest : inMiles ? feet / 5280 : feet;
    const power = 10 ** Math.floor(Math.log10(Math.max(value, 0.01)));
    const nice = Math.max(...[1, 2, 5].map((one) => one * power).filter((one) => one <= value * (1 + 1e-9)));
    if (isMetric) return [nice, nice >= 1000 ? `${nice / 1000} km` : `${round(nice, 2)} m`];
    return inMiles ? [nice * 5280 * 0.3048, `${nice} mi`] : [nice * 0.3048, `${round(nice, 2)} ft`];
  };
  const place = (pin) => {
    const [x, y] = toScreen(Number(pin.dataset.x), Number(pin.dataset.y));
    pin.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
    const words = pin.querySelector("text"), isLast = x > size.width - WORDS;
    if (words) {
      words.setAttribute("text-anchor", isLast ? "end" : "start");
      words.setAttribute("x", isLast ? -10 : 10);
    }
  };
  // Words that would lie upon earlier ones are left out; there is room for them when it is enlarged.
  const LETTER = 7.5, LINE = 14;
  const clearWords = () => {
    const taken = [];
    for (const pin of pins) {
      const words = pin.querySelector("text");
      if (!words) continue;
      const [x, y] = toScreen(Number(pin.dataset.x), Number(pin.dataset.y));
      const long = words.textContent.length * LETTER, from = x + (words.getAttribute("text-anchor") === "end" ? -10 - long : 10);
      const isFree = taken.every((one) => from >= one.until || from + long <= one.from || Math.abs(y - one.y) >= LINE);
      words.classList.toggle("crowded", !isFree);
      if (isFree) taken.push({ from, until: from + long, y });
    }
  };
  const draw = () => {
    const scale = perM(), [left, top] = toScreen(0, 0);
    svg.setAttribute("viewBox", `0 0 ${size.width} ${size.height}`);
    world.setAttribute("transform", `translate(${left.toFixed(2)} ${top.toFixed(2)}) scale(${scale / PER_M})`);
    pins.forEach(place);
    clearWords();
    dots.forEach(place);
    const [metres, words] = chooseBar(BAR / scale);
    const bar = svg.querySelector(".bar");
    bar.setAttribute("transform", `translate(16 ${size.height - 16})`);
    bar.querySelector("path").setAttribute("d", `M0-6V0H${(metres * scale).toFixed(1)}V-6`);
    bar.querySelector("text").textContent = words;
    svg.querySelector(".north").setAttribute("transform", `translate(${size.width - 22} 34)`);
  };
  const keepInside = () => {
    view.k = Math.min(Math.max(view.k, 1), Math.max(MOST, facts.wide / 20));
    const slack = view.k === 1 ? 0 : 0.5;
    for (const [axis, middle, whole] of [["x", facts.east, facts.wide], ["y", -facts.north, facts.high]]) {
      view[axis] = Math.min(Math.max(view[axis], middle - slack * whole), middle + slack * whole);
    }
  };
  const show = () => {
    keepInside();
    draw();
    coworn.address.set("map", view.k === 1 ? null : [round(view.x, 1), round(view.y, 1), round(view.k, 2)].join(","));
  };
  const zoomAt = (factor, left, top) => {
    const [x, y] = toWorld(left, top), before = view.k;
    view.k *= factor;
    keepInside();
    const share = before / view.k;
    view.x = x + (view.x - x) * share;
    view.y = y + (view.y - y) * share;
    show();
  };
  const zoom = (factor) => zoomAt(factor, size.width / 2, size.height / 2);
  const pan = (across, down) => { view.x -= across / perM(); view.y -= down / perM(); show(); };
  const reset = () => { Object.assign(view, { x: facts.east, y: -facts.north, k: 1 }); show(); };
  const fit = () => {
    const width = element.clientWidth;
    if (!width || width === size.width) return;
    size.width = width;
    size.height = Math.max(320, Math.round(width * TALL));
    draw();
  };

  // --- the tracks, point by point -------------------------------------------------------------------
  const readPoints = (path) => {
    const points = [];
    for (const run of path.getAttribute("d").split("M").slice(1)) {
      const numbers = run.match(/-?\d+/g).map(Number);
      let x = numbers[0], y = numbers[1], isFirst = true;
      // The first step of each run leads nowhere.
      for (let i = 2; i + 1 < numbers.length; i += 2) {
        x += numbers[i]; y += numbers[i + 1];
        points.push({ x: x / PER_M, y: y / PER_M, isFirst });
        isFirst = false;
      }
    }
    let second = 0;
    (path.dataset.t || "").split(" ").forEach((step, i) => { second += Number(step); if (points[i]) points[i].s = second; });
    return points;
  };
  const tracks = [...world.querySelectorAll(".track")].map((path) => ({ path, device: path.dataset.device, points: null }));
  const pointsOf = (track) => { track.points = track.points || readPoints(track.path); return track.points; };
  const findPlace = (track, second) => {
    const points = pointsOf(track);
    let low = 0, high = points.length - 1;
    if (high < 0 || second < points[0].s || second > points[high].s) return null;
    while (low < high) { const middle = (low + high) >> 1; if (points[middle].s < second) low = middle + 1; else high = middle; }
    const after = points[low], before = points[Math.max(0, low - 1)];
    if (after.isFirst && after.s > second) return null;
    const share = after.s > before.s ? (second - before.s) / (after.s - before.s) : 0;
    return { x: before.x + share * (after.x - before.x), y: before.y + share * (after.y - before.y) };
  };
  const dots = [];
  const showPlaces = (second) => {
    dots.splice(0).forEach((dot) => dot.remove());
    for (const track of tracks) {
      const at = hidden.has(track.device) ? null : findPlace(track, second);
      if (!at) continue;
      const dot = document.createElementNS(SVG, "circle");
      dot.setAttribute("class", "here");
      dot.setAttribute("r", 6);
      dot.setAttribute("fill", page.colours[track.device][theme]);
      dot.dataset.x = at.x;
      dot.dataset.y = at.y;
      svg.append(dot);
      dots.push(dot);
    }
    if (size.width) dots.forEach(place);
  };
  const findSecond = (left, top) => {
    const [x, y] = toWorld(left, top);
    let best = null, least = (40 / perM()) ** 2;
    for (const track of tracks) {
      if (hidden.has(track.device)) continue;
      for (const one of pointsOf(track)) {
        const away = (one.x - x) ** 2 + (one.y - y) ** 2;
        if (away < least) { least = away; best = one.s; }
      }
    }
    return best;
  };

  // --- colour by the error of heart rate ---------------------------------------------------------------
  const CLASSES = [5, 10];
  const classify = (one, from, until) => {
    const reference = seconds.references[one.series];
    let worst = null;
    for (let i = Math.max(0, from - seconds.first); i <= until - seconds.first; i++) {
      const test = one.test[i], other = reference[i];
      if (typeof test === "number" && typeof other === "number") worst = Math.max(worst || 0, Math.abs(test - other));
    }
    return worst === null ? "none" : `e${CLASSES.filter((edge) => worst > edge).length}`;
  };
  const colourBy = (label) => {
    world.querySelectorAll(".error").forEach((path) => path.remove());
    const one = seconds.devices.find((device) => device.label === label);
    element.classList.toggle("coloured", Boolean(one));
    element.closest("figure").querySelector(".map-key").hidden = !one;
    if (!one) return;
    const track = tracks.find((candidate) => candidate.device === label) || tracks[tracks.length - 1];
    const found = {};
    pointsOf(track).forEach((point, i, all) => {
      if (point.isFirst) return;
      const before = all[i - 1], name = classify(one, before.s, point.s);
      found[name] = (found[name] || "") + `M${before.x * PER_M} ${before.y * PER_M}L${point.x * PER_M} ${point.y * PER_M}`;
    });
    for (const name of ["none", "e0", "e1", "e2"]) {
      if (!found[name]) continue;
      const path = document.createElementNS(SVG, "path");
      path.setAttribute("class", `error ${name}`);
      path.setAttribute("d", found[name]);
      world.append(path);
    }
  };
  const offerColours = () => {
    const select = element.querySelector("select");
    const offered = [["", "device"], ...seconds.devices.map((one) => [one.label, `heart-rate ${seconds.deviation} of ${one.label}`])];
    for (const [value, words] of offered) {
      const option = document.createElement("option");
      option.value = value;
      option.textContent = words;
      select.append(option);
    }
    select.closest("label").hidden = offered.length < 2;
    select.addEventListener("change", () => colourBy(select.value));
  };

  // --- mouse, fingers, keys ---------------------------------------------------------------------------
  const held = new Map();
  const at = (event) => {
    const box = svg.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  const measure = () => {
    const [one, two] = [...held.values()];
    return { apart: Math.hypot(one[0] - two[0], one[1] - two[1]), middle: [(one[0] + two[0]) / 2, (one[1] + two[1]) / 2] };
  };
  const move = (event) => {
    const now = at(event);
    if (!held.has(event.pointerId)) {
      const second = findSecond(...now);
      if (second !== null) onPoint(second);
      return;
    }
    if (held.size === 1) {
      const before = held.get(event.pointerId);
      held.set(event.pointerId, now);
      pan(now[0] - before[0], now[1] - before[1]);
    } else {
      const before = measure();
      held.set(event.pointerId, now);
      const after = measure();
      zoomAt(after.apart / Math.max(before.apart, 1), ...after.middle);
      pan(after.middle[0] - before.middle[0], after.middle[1] - before.middle[1]);
    }
  };
  const KEYS = {
    ArrowLeft: () => pan(60, 0), ArrowRight: () => pan(-60, 0), ArrowUp: () => pan(0, 60), ArrowDown: () => pan(0, -60),
    "+": () => zoom(STEP), "=": () => zoom(STEP), "-": () => zoom(1 / STEP), 0: reset,
  };
  const listen = () => {
    svg.addEventListener("pointerdown", (event) => {
      held.set(event.pointerId, at(event));
      svg.setPointerCapture(event.pointerId);
      element.focus({ preventScroll: true });
      event.preventDefault();
    });
    svg.addEventListener("pointermove", move);
    for (const name of ["pointerup", "pointercancel"]) svg.addEventListener(name, (event) => held.delete(event.pointerId));
    svg.addEventListener("dblclick", (event) => zoomAt(2, ...at(event)));
    // A page is scrolled over a map; who has chosen the map, or holds Ctrl, enlarges it.
    svg.addEventListener("wheel", (event) => {
      if (document.activeElement !== element && !event.ctrlKey) return;
      event.preventDefault();
      zoomAt(STEP ** (-event.deltaY / 100), ...at(event));
    }, { passive: false });
    element.addEventListener("keydown", (event) => {
      if (event.target !== element || !KEYS[event.key] || event.ctrlKey || event.metaKey) return;
      event.preventDefault();
      KEYS[event.key]();
    });
    element.querySelector(".map-tools").hidden = false;
    const actions = { in: () => zoom(STEP), out: () => zoom(1 / STEP), all: reset };
    element.querySelectorAll("button[data-do]").forEach((button) => button.addEventListener("click", actions[button.dataset.do]));
  };
  const dress = (name, hiddenNow) => {
    theme = name;
    hidden = hiddenNow;
    document.querySelectorAll(".map [data-device]").forEach((part) => {
      const colour = page.colours[part.dataset.device][theme];
      for (const one of [part, ...part.children]) {
        if (one.hasAttribute("stroke")) one.setAttribute("stroke", colour);
        if (one.hasAttribute("fill") && one.getAttribute("fill") !== "none") one.setAttribute("fill", colour);
      }
      part.classList.toggle("gone", hidden.has(part.dataset.device));
    });
  };
  const readAddress = () => {
    const [x, y, k] = (coworn.address.get("map") || "").split(",").map(Number);
    if ([x, y, k].every(Number.isFinite) && k > 1) Object.assign(view, { x, y, k });
    keepInside();
  };
  listen();
  offerColours();
  readAddress();
  return { fit, dress, showPlaces };
};
