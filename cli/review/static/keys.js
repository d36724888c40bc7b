// Single-key shortcuts. They only move the focus or the view; none of them decides anything. A reader can
// switch them off (WCAG 2.1.4), and they rest while something is being typed.

const STORE = "crestgauge.keys";

export function keysOn() {
  try { return localStorage.getItem(STORE) !== "off"; } catch { return true; }
}

function typing(target) {
  return target.closest("textarea, select, [contenteditable], input:not([type='checkbox']):not([type='radio']):not([type='range'])") !== null;
}

export function listen(actions) {
  const help = document.getElementById("help");
  const box = document.getElementById("keys-on");
  if (box) {
    box.checked = keysOn();
    box.addEventListener("change", () => {
      try { localStorage.setItem(STORE, box.checked ? "on" : "off"); } catch { /* the switch then lasts for this page */ }
      on = box.checked;
    });
  }
  let on = keysOn();
  for (const button of document.querySelectorAll("[data-help]")) {
    button.hidden = false;
    button.addEventListener("click", () => help.showModal());
  }
  document.addEventListener("keydown", (event) => {
    if (!on || event.ctrlKey || event.metaKey || event.altKey || event.repeat || typing(event.target)) return;
    if (help && help.open) return;
    if (event.key === "?" && help) help.showModal();
    else if (event.key in actions) { if (actions[event.key]() === false) return; }
    else return;
    event.preventDefault();
  });
}

/** Open what hides an element, bring it into view, and put the focus on it. */
export function reach(selector) {
  const target = document.querySelector(selector);
  if (!target) return false;
  for (let outer = target.closest("details"); outer; outer = outer.parentElement.closest("details")) outer.open = true;
  target.focus();
  target.scrollIntoView({ block: "center" });
  return true;
}
