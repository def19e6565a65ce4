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
    listeners.forEach((listener) => listener());
  };
  document.getElementById("theme").addEventListener("click", () => {
    root.dataset.theme = readTheme() === "dark" ? "light" : "dark";
    showTheme();
  });
  prefersDark.addEventListener("change", showTheme);
  showTheme();

  // What is shown of the page stands in the address, so that it can be kept and sent: parts like
  // zoom=60-120, joined by &. Only the fragment changes.
  const decode = (text) => { try { return decodeURIComponent(text); } catch { return text; } };
  const address = (() => {
    const parts = new Map();
    for (const part of location.hash.slice(1).split("&")) {
      const at = part.indexOf("=");
      if (at > 0) parts.set(part.slice(0, at), part.slice(at + 1));
    }
    const get = (name) => (parts.has(name) ? parts.get(name) : null);
    const set = (name, value) => {
      if (value === null ? !parts.delete(name) : parts.get(name) === value) return;
      if (value !== null) parts.set(name, value);
      const text = [...parts].map(([one, what]) => `${one}=${what}`).join("&");
      history.replaceState(null, "", text ? `#${text}` : `${location.pathname}${location.search}#`);
    };
    return { get, set };
  })();

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
    const name = location.hash.slice(1);
    if (!name || name.includes("=")) return;
    const target = document.getElementById(decode(name));
    for (let one = target; one; one = one.parentElement) if (one.tagName === "DETAILS") one.open = true;
    if (target) target.scrollIntoView();
  };
  window.addEventListener("hashchange", openTarget);
  openTarget();

  return { readTheme, quote, address, decode, onTheme: (listener) => listeners.push(listener) };
})();
