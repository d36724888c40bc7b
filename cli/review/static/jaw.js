// The jaw page: ties photo, ladder, edges, corrections and keys together. All of it also works without.

import { Corrector } from "./correct.js";
import { listen, reach } from "./keys.js";
import { Profile } from "./profile.js";
import { Ruler } from "./ruler.js";
import { Viewer, numbers } from "./viewer.js";

const page = document.querySelector(".jaw");
const viewer = new Viewer(document.querySelector(".viewer"));
const form = document.getElementById("measure");
let step = -1;

/** Open and show a crest: its part of the photo, and the profile across it. */
function openCrest(id) {
  const crest = document.getElementById(`crest-${id}`);
  if (crest) crest.open = true;
}

function look(link) {
  viewer.show(numbers(link.dataset.box));
  if (link.dataset.crest) openCrest(link.dataset.crest);
  const box = viewer.root.getBoundingClientRect();
  if (box.bottom < 120 || box.top > innerHeight - 160) viewer.root.scrollIntoView({ block: "start" });
}

// One listener for the ladder, since its inside is replaced after each answer.
page.addEventListener("click", (event) => {
  const link = event.target.closest("a.look");
  if (!link) return;
  event.preventDefault();
  look(link);
});

if (form) {
  const profiles = [];
  const corrector = new Corrector({ page, form, profiles, viewer });
  for (const root of form.querySelectorAll(".profile")) {
    profiles.push(new Profile(root, () => corrector.changed()));
    root.classList.add("ready");
  }
  for (const crest of form.querySelectorAll("details.crest[data-box]")) {
    crest.querySelector("summary").addEventListener("click", () => {
      if (!crest.open && crest.dataset.box) viewer.show(numbers(crest.dataset.box));
    });
  }
  corrector.ruler = new Ruler(form, viewer, () => corrector.changed());
  corrector.start();
}

function nextStep(by) {
  const links = [...page.querySelectorAll("#ladder a.look")];
  if (!links.length) return false;
  step = Math.min(Math.max(step + by, 0), links.length - 1);
  links[step].focus();
  look(links[step]);
  return true;
}

function go(selector) {
  const link = document.querySelector(selector);
  if (!link) return false;
  link.click();
  return true;
}

/** What can be decided here, each under the key that the server gave it: it takes the focus, nothing more. */
function decisions() {
  const found = {};
  for (const place of document.querySelectorAll("[data-key]")) {
    const inside = place.matches("button") ? `#${place.id}` : `#${place.id} :is(input:not([type="hidden"]), textarea:not([readonly]))`;
    found[place.dataset.key] = () => reach(inside);
  }
  return found;
}

listen({
  ...decisions(),
  n: () => go("#next"),
  q: () => { location.href = "/queue"; },
  j: () => nextStep(1),
  k: () => nextStep(-1),
  p: () => reach(".stage"),
  e: () => reach("details.crest[open] .handle.active") || reach(".handle.active"),
});

for (const link of document.querySelectorAll("[data-reach]")) {
  link.addEventListener("click", (event) => {
    if (reach(`#${link.dataset.reach} :is(input:not([type="hidden"]), textarea:not([readonly]))`)) event.preventDefault();
  });
}

const message = document.getElementById("message");
if (message && navigator.clipboard) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Copy the message";
  button.addEventListener("click", () => {
    navigator.clipboard.writeText(message.value).then(() => { button.textContent = "Copied"; });
  });
  message.after(button);
}

document.documentElement.dataset.ready = String(Math.round(performance.now()));
