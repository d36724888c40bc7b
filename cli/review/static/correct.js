// Corrections: gathers what a person changed, asks the server what the key says of it, and shows its answer.
// What the key says is never worked out here.

const SCHEMA = "crestgauge.corrections/1";
const AWAY = "The computer that runs crestgauge does not answer. Your changes stay on this page.";

export class Corrector {
  constructor({ page, form, profiles, viewer }) {
    this.page = page;
    this.form = form;
    this.profiles = profiles;
    this.viewer = viewer;
    this.ruler = null;
    this.photo = page.dataset.photo;
    this.store = `crestgauge.draft.${this.photo}`;
    this.busy = false;
    this.again = false;
    this.touched = false;
    this.words = document.getElementById("measure-words");
    this.error = document.getElementById("measure-error");
  }

  start() {
    this.kept = JSON.stringify(this.gather());
    this.form.addEventListener("change", () => this.changed());
    this.form.addEventListener("submit", () => { this.fill(); forget(this.store); });
    const drop = this.form.querySelector("[data-reset]");
    drop.addEventListener("click", (event) => {
      event.preventDefault();
      forget(this.store);
      location.reload();
    });
    for (const form of document.querySelectorAll("form[action$='/call']")) {
      form.addEventListener("submit", (event) => this.keepFirst(event, form));
    }
    this.restore();
  }

  field(name) {
    const found = this.form.elements.namedItem(name);
    return found ? found.value : "";
  }

  gather() {
    const edges = [];
    const crests = [];
    for (const profile of this.profiles) {
      const mark = this.field(`mark-${profile.tooth}-${profile.lobe}`);
      if (mark) crests.push({ tooth: profile.tooth, lobe: profile.lobe, mark });
      else if (profile.mine) edges.push(profile.corrections());
    }
    for (const input of this.form.querySelectorAll("input[name^='mark-']:checked")) {
      const [tooth, lobe] = input.name.split("-").slice(1).map(Number);
      const known = this.profiles.some((profile) => profile.tooth === tooth && profile.lobe === lobe);
      if (!known && input.value) crests.push({ tooth, lobe, mark: input.value });
    }
    const teeth = [];
    for (let tooth = 1; tooth <= 6; tooth += 1) {
      const state = this.field(`state-${tooth}`) || null;
      const milk = tooth === 3 ? { yes: true, no: false }[this.field("milk-3")] ?? null : null;
      if (state !== null || milk !== null) teeth.push({ tooth, state, milk });
    }
    const side = this.field("side");
    const stand = this.form.elements.namedItem("crests_stand");
    return {
      schema: SCHEMA, edges, crests, teeth,
      side: side ? { side, crests_stand: Boolean(stand && stand.checked) } : null,
      ruler: this.ruler ? this.ruler.corrections() : null,
    };
  }

  fill() {
    this.form.elements.namedItem("corrections").value = JSON.stringify(this.gather());
  }

  /** Something was moved or chosen: remember it, and ask. */
  changed() {
    this.touched = JSON.stringify(this.gather()) !== this.kept;
    this.form.querySelector("[data-reset]").hidden = !this.touched;
    remember(this.store, this.touched ? JSON.stringify(this.gather()) : null);
    this.ask();
  }

  /** One question on its way at a time; what changed meanwhile is asked after it. */
  async ask() {
    if (this.busy) { this.again = true; return; }
    this.busy = true;
    const start = performance.now();
    try {
      const response = await fetch(`/photo/${this.photo}/answer`, {
        method: "POST",
        headers: { "Content-Type": "application/json", "Accept": "text/html", "X-CSRF-Token": this.page.dataset.csrf },
        body: JSON.stringify(this.gather()),
      });
      const text = await response.text();
      if (response.ok) this.show(text, performance.now() - start);
      else this.fail(text);
    } catch {
      this.fail(AWAY);
      setTimeout(() => this.ask(), 2000);
    }
    this.busy = false;
    if (this.again) { this.again = false; this.ask(); }
  }

  show(text, took) {
    const answer = new DOMParser().parseFromString(text, "text/html").getElementById("answer");
    if (!answer) return;
    this.error.hidden = true;
    // What stands above may grow or shrink: what is under the finger must not move.
    const held = this.form.contains(document.activeElement) ? document.activeElement : null;
    const top = held && held.getBoundingClientRect().top;
    for (const id of ["said", "ladder", "ratios"]) {
      const now = document.getElementById(id);
      const next = answer.querySelector(`#${id}`);
      if (now && next) this.swap(now, document.importNode(next, true));
    }
    for (const input of document.querySelectorAll("[data-shown]")) if (input.name === "shown") input.value = answer.dataset.shown;
    for (const input of document.querySelectorAll("[data-class]")) if (input.name === "age_class") input.value = answer.dataset.class;
    const words = answer.querySelector("template[data-confirm-words]");
    for (const button of document.querySelectorAll("[data-confirm]")) {
      button.disabled = !answer.dataset.class;
      if (words) button.textContent = words.content.textContent;
    }
    this.bands(answer.querySelector("template[data-bands]"));
    for (const value of answer.querySelector("template[data-values]").content.querySelectorAll("[data-crest]")) {
      const place = document.querySelector(`#crest-${value.dataset.crest} > summary .value`);
      if (place) place.textContent = value.textContent;
    }
    if (held) window.scrollBy({ top: held.getBoundingClientRect().top - top, behavior: "instant" });
    document.documentElement.dataset.answered = String(Number(document.documentElement.dataset.answered || 0) + 1);
    document.documentElement.dataset.took = took.toFixed(1);
    const said = document.querySelector("#said .class");
    if (said) this.words.textContent = `With your changes the key says ${said.textContent}.${this.touched ? " Not kept yet." : ""}`;
  }

  /** Put a new part in place and give back a focus that was inside the old one. */
  swap(now, next) {
    const inside = [...now.querySelectorAll("a, button, summary")];
    const held = inside.indexOf(document.activeElement);
    const open = [...now.querySelectorAll("details")].map((each) => each.open);
    [...next.querySelectorAll("details")].forEach((each, i) => { each.open = Boolean(open[i]); });
    now.replaceWith(next);
    if (held >= 0) next.querySelectorAll("a, button, summary")[held]?.focus();
  }

  /** Draw the bands that the person placed beside the machine's. */
  bands(template) {
    const layer = this.viewer.world.querySelector(".layer-bands");
    if (!layer || !template) return;
    layer.querySelectorAll(".line-mine").forEach((line) => line.remove());
    for (const crest of template.content.querySelectorAll("[data-crest]")) {
      for (const points of crest.textContent.split("|").filter(Boolean)) {
        const line = document.createElementNS("http://www.w3.org/2000/svg", "polyline");
        line.setAttribute("class", "line-mine");
        line.setAttribute("points", points);
        layer.append(line);
      }
    }
  }

  fail(text) {
    const plain = text.startsWith("{") ? JSON.parse(text).error ?? text : text;
    this.error.textContent = plain.includes("<") ? "This change could not be answered." : plain;
    this.error.hidden = false;
  }

  /** A call stands on what is shown: changes that are not kept yet are kept first. */
  async keepFirst(event, form) {
    if (!this.touched) return;
    event.preventDefault();
    this.fill();
    let response;
    try {
      response = await fetch(this.form.action, {
        method: "POST", headers: { "Accept": "application/json", "X-CSRF-Token": this.page.dataset.csrf },
        body: new URLSearchParams(new FormData(this.form)),
      });
    } catch {
      this.fail(AWAY);
      return;
    }
    if (!response.ok) { this.fail(await response.text()); return; }
    forget(this.store);
    this.touched = false;
    form.submit();
  }

  /** Bring back what was changed before the page was left or the server went away. */
  restore() {
    const text = recall(this.store);
    if (!text || text === this.kept) return;
    let draft;
    try { draft = JSON.parse(text); } catch { return; }
    for (const each of draft.edges || []) {
      const profile = this.profiles.find((p) => p.tooth === each.tooth && p.lobe === each.lobe);
      if (profile) profile.restore(each.edges_px);
    }
    for (const each of draft.crests || []) this.choose(`mark-${each.tooth}-${each.lobe}`, each.mark);
    for (const each of draft.teeth || []) {
      if (each.state) this.choose(`state-${each.tooth}`, each.state);
      if (each.milk !== null) this.choose(`milk-${each.tooth}`, each.milk ? "yes" : "no");
    }
    if (draft.side) {
      this.choose("side", draft.side.side);
      this.form.elements.namedItem("crests_stand").checked = draft.side.crests_stand;
    }
    if (draft.ruler && this.ruler) this.ruler.restore(draft.ruler);
    this.changed();
  }

  choose(name, value) {
    const found = this.form.elements.namedItem(name);
    if (found) found.value = value;
  }
}

function remember(key, text) {
  try {
    if (text === null) sessionStorage.removeItem(key);
    else sessionStorage.setItem(key, text);
  } catch { /* no storage: the draft lives as long as the page */ }
}

function forget(key) {
  remember(key, null);
}

function recall(key) {
  try { return sessionStorage.getItem(key); } catch { return null; }
}
