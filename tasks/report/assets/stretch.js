/* The numbers of an interval of a workout: heart rate against the reference, over scored seconds. */
"use strict";

coworn.stretch = (page, onChange) => {
  const seconds = page.seconds || { devices: [], references: {}, first: 0 };
  const chosen = { from: null, until: null };
  const begin = page.begin_local_s;
  const HEADINGS = ["Device", `Mean ${seconds.deviation} (bpm)`, `Mean absolute ${seconds.deviation} (bpm)`, "Within 5 bpm (%)", "Seconds"];
  const toClock = (second) => new Date(Math.round(begin + second) * 1000).toISOString().slice(11, 19);
  const parseClock = (text) => {
    const parts = text.trim().split(":").map(Number);
    if (parts.length < 2 || parts.some(Number.isNaN)) return null;
    const second = parts[0] * 3600 + parts[1] * 60 + (parts[2] || 0) - (begin % 86400);
    return ((second % 86400) + 86400) % 86400;
  };
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
  const writeSql = (from, until) => {
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
  const show = () => {
    const box = document.getElementById("stretch");
    if (!box || !seconds.devices.length) return;
    box.hidden = false;
    const from = chosen.from === null ? 0 : chosen.from, until = chosen.from === null ? page.n_seconds : chosen.until;
    document.getElementById("stretch-from").value = toClock(from);
    document.getElementById("stretch-to").value = toClock(until);
    const head = document.createElement("thead"), body = document.createElement("tbody");
    head.append(makeRow("th", HEADINGS));
    seconds.devices.forEach((one) => body.append(makeRow("td", [`${one.label} ${one.compared}`, ...measure(one, from, until)])));
    document.getElementById("stretch-table").replaceChildren(head, body);
    document.getElementById("stretch-sql").textContent = writeSql(from, until);
  };
  const change = () => { show(); onChange(); };
  const choose = (from, until) => {
    const low = Math.round(Math.min(from, until)), high = Math.round(Math.max(from, until));
    chosen.from = Math.max(0, low);
    chosen.until = Math.min(page.n_seconds, Math.max(high, low + 1));
    change();
  };
  const listen = (zoomTo, zoomOut) => {
    const form = document.getElementById("stretch-form");
    if (!form) return;
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const from = parseClock(document.getElementById("stretch-from").value);
      const until = parseClock(document.getElementById("stretch-to").value);
      if (from !== null && until !== null) choose(from, until);
    });
    document.getElementById("stretch-zoom").addEventListener("click", () => { if (chosen.from !== null) zoomTo(chosen.from, chosen.until); });
    document.getElementById("stretch-whole").addEventListener("click", () => { chosen.from = chosen.until = null; change(); zoomOut(); });
  };
  return { chosen, choose, show, listen, toClock, makeRow, markUnscored, seconds };
};
