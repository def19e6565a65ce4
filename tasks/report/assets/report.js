/* What every page does: the theme, and what a number is. Nothing is fetched. */
"use strict";

const coworn = (() => {
  const root = document.documentElement;
  const prefersDark = window.matchMedia("(prefers-color-scheme: dark)");
  const listeners = [];

  const readTheme = () => root.dataset.theme || (prefersDark.matches ? "dark" : "light");
  const showTheme = () => {
    const button = document.getElementById("theme");
    button.hidden = false;
    button.textContent = readTheme() === "dark" ? "Switch to light" : "Switch to dark";
    root.classList.toggle("dark-charts", readTheme() === "dark");
    listeners.forEach((listener) => listener());
  };
  document.getElementById("theme").addEventListener("click", () => {
    root.dataset.theme = readTheme() === "dark" ? "light" : "dark";
    showTheme();
  });
  prefersDark.addEventListener("change", showTheme);
  showTheme();

  const quote = (text) => "'" + text.replaceAll("'", "''") + "'";
  const writeSql = (number) => {
    const { m, w, r, s, f } = number.dataset;
    return "SELECT value, ci_low, ci_high, n, coverage, unit, reason\nFROM latest_results\n" +
      `WHERE workout_id = ${quote(w)} AND recording_id = ${quote(r)}\n` +
      `  AND metric = ${quote(m)} AND segment = ${quote(s)}\n` +
      (f === undefined ? "  AND reference IS NULL" : `  AND reference = ${quote(f)}`);
  };
  const explain = (number) => {
    const entry = document.getElementById("m-" + number.dataset.m);
    const dialog = document.getElementById("explained");
    document.getElementById("explained-title").textContent = entry.querySelector("summary").firstChild.textContent;
    const text = document.getElementById("explained-text");
    text.replaceChildren(...[...entry.querySelectorAll("p, dl")].map((part) => part.cloneNode(true)));
    if (number.title) {
      const why = document.createElement("p");
      why.textContent = (number.classList.contains("missing") ? "Not computed: " : "Note: ") + number.title;
      text.prepend(why);
    }
    document.getElementById("explained-sql").textContent = writeSql(number);
    dialog.showModal();
  };
  document.addEventListener("click", (event) => {
    const number = event.target.closest(".num");
    if (number && document.getElementById("m-" + number.dataset.m)) {
      event.preventDefault();
      explain(number);
    }
  });
  const openTarget = () => {
    const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target && target.tagName === "DETAILS") target.open = true;
  };
  window.addEventListener("hashchange", openTarget);
  openTarget();

  return { readTheme, quote, onTheme: (listener) => listeners.push(listener) };
})();
