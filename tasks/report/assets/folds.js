/* Folds: which sections are open stands in the address; a jump opens its section; print opens all. */
"use strict";

coworn.folds = (() => {
  const folds = [...document.querySelectorAll("details.fold")];
  const listOpen = () => folds.filter((fold) => fold.open).map((fold) => fold.id).join(",");
  const usual = listOpen();
  const listeners = [];
  let printed = null;

  const read = () => {
    const wanted = coworn.address.get("open");
    if (wanted === null) return;
    const names = wanted.split(",");
    folds.forEach((fold) => { fold.open = names.includes(fold.id); });
  };
  const write = () => {
    const now = listOpen();
    coworn.address.set("open", now === usual ? null : now);
  };
  const openAll = (isOpen) => {
    folds.forEach((fold) => { fold.open = isOpen; });
    write();
  };
  const jump = (event) => {
    const target = document.getElementById(event.currentTarget.hash.slice(1));
    if (!target) return;
    event.preventDefault();
    target.open = true;
    write();
    target.querySelector("summary").focus({ preventScroll: true });
    target.scrollIntoView();
  };
  const begin = () => {
    document.querySelectorAll(".jump a").forEach((link) => link.addEventListener("click", jump));
    for (const [id, isOpen] of [["open-all", true], ["fold-all", false]]) {
      const button = document.getElementById(id);
      button.hidden = false;
      button.addEventListener("click", () => openAll(isOpen));
    }
    folds.forEach((fold) => fold.addEventListener("toggle", () => {
      if (printed) return;
      write();
      listeners.forEach((listener) => listener());
    }));
    window.addEventListener("beforeprint", () => {
      printed = folds.map((fold) => fold.open);
      folds.forEach((fold) => { fold.open = true; });
      listeners.forEach((listener) => listener());
    });
    window.addEventListener("afterprint", () => {
      folds.forEach((fold, i) => { fold.open = printed[i]; });
      setTimeout(() => { printed = null; });
    });
    read();
  };
  if (folds.length) begin();

  /* What lies in something folded has no width and is not drawn. */
  const hides = (element) => element.closest("details:not([open])") !== null;
  return { hides, onToggle: (listener) => listeners.push(listener) };
})();
