// Keys of the queue: j and k walk the jaws, / goes to the search. Enter opens, as on any link.

import { listen } from "./keys.js";

const links = [...document.querySelectorAll(".jaws a.open")];

function walk(by) {
  if (!links.length) return false;
  const now = links.indexOf(document.activeElement);
  const next = Math.min(Math.max(now + by, 0), links.length - 1);
  links[next].focus();
  return true;
}

listen({
  j: () => walk(1),
  k: () => walk(-1),
  "/": () => { document.getElementById("q").focus(); },
});
