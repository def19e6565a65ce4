/* Heart rate minute by minute on the workout's clock, made when it is asked for. */
"use strict";

coworn.minutes = (page, stretch) => {
  const box = document.getElementById("minutes");
  if (!box) return;
  const { seconds, toClock, makeRow, markUnscored } = stretch;
  const MINUTE = 60;
  const write = (number, isSigned) => {
    const text = Math.abs(number).toFixed(1);
    return text === "0.0" ? text : `${number < 0 ? "−" : isSigned ? "+" : ""}${text}`;
  };
  const measure = (one, from, until) => {
    const leftOut = markUnscored(one), reference = seconds.references[one.series];
    let n = 0, tests = 0, others = 0;
    for (let i = from - seconds.first; i < until - seconds.first; i++) {
      const test = one.test[i], other = reference[i];
      if (typeof test !== "number" || typeof other !== "number" || leftOut.has(i)) continue;
      n += 1; tests += test; others += other;
    }
    return n ? [write(tests / n, false), write((tests - others) / n, true), String(n)] : ["–", "–", "0"];
  };
  const fill = () => {
    const head = document.createElement("thead"), body = document.createElement("tbody");
    head.append(makeRow("th", ["Minute", ...seconds.devices.flatMap((one) => [`${one.label} (bpm)`, `${one.compared} (bpm)`, "(s)"])]));
    const begin = page.begin_local_s;
    // Minutes of the clock, so that the first and the last one may be short.
    const first = -(((begin % MINUTE) + MINUTE) % MINUTE);
    for (let from = first; from <= page.n_seconds; from += MINUTE) {
      const cells = seconds.devices.flatMap((one) => measure(one, Math.round(from), Math.round(from + MINUTE)));
      body.append(makeRow("td", [toClock(from).slice(0, 5), ...cells]));
    }
    document.getElementById("minutes-table").replaceChildren(head, body);
  };
  box.hidden = seconds.devices.length === 0;
  box.addEventListener("toggle", () => { if (box.open && !box.querySelector("td")) fill(); });
};
