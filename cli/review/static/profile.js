// The magnified profile across a crest: four band edges that a person can move.
//
// Offsets are photo pixels from the crest line, counted towards the tongue; the tongue is on the left of the
// drawing. Each edge is a slider: drag it, tap the place where it belongs, use arrow keys, or the two buttons.
// Widths, ratios and answers are never computed here: the server says them.

const NAMES = ["Outer enamel edge", "Enamel to dentine", "Dentine to enamel", "Inner enamel edge"];

export class Profile {
  constructor(root, changed) {
    this.root = root;
    this.changed = changed;
    this.plot = root.querySelector(".plot");
    this.tooth = Number(root.dataset.tooth);
    this.lobe = Number(root.dataset.lobe);
    this.at = Number(root.dataset.at || 0.5);
    this.high = Number(root.dataset.high);
    this.low = Number(root.dataset.low);
    this.machine = list(root.dataset.edges);
    this.edges = list(root.dataset.mine) || (this.machine && [...this.machine]);
    this.mine = Boolean(root.dataset.mine);
    this.active = 1;
    this.handles = [];
    this.build();
  }

  build() {
    const start = this.root.querySelector("[data-start]");
    if (!this.edges) {
      if (start) {
        start.hidden = false;
        start.addEventListener("click", () => {
          const span = (this.high - this.low) / 10;
          this.edges = [2 * span, span / 2, -span / 2, -2 * span];
          start.hidden = true;
          this.addHandles();
          this.report();
          this.handles[1].focus();
        }, { once: true });
      }
      return;
    }
    this.addHandles();
  }

  addHandles() {
    for (let i = 0; i < 4; i += 1) {
      const handle = document.createElement("div");
      handle.className = `handle ${i % 2 ? "low" : "high"}`;
      handle.setAttribute("role", "slider");
      handle.setAttribute("aria-label", `${NAMES[i]}, tooth ${this.tooth} lobe ${this.lobe}`);
      handle.setAttribute("aria-orientation", "horizontal");
      handle.tabIndex = 0;
      handle.dataset.edge = String(i);
      const grip = document.createElement("span");
      grip.className = "grip";
      grip.textContent = String(i + 1);
      handle.append(grip);
      handle.addEventListener("focus", () => this.select(i));
      handle.addEventListener("keydown", (event) => this.key(event, i));
      handle.addEventListener("pointerdown", (event) => this.drag(event, i));
      this.plot.append(handle);
      this.handles.push(handle);
    }
    this.plot.addEventListener("click", (event) => {
      if (event.target.closest(".handle")) return;
      this.move(this.active, this.offset(event.clientX));
    });
    const tools = this.root.querySelector(".nudge");
    if (tools) {
      tools.hidden = false;
      tools.querySelector("[data-nudge='left']").addEventListener("click", () => this.move(this.active, this.edges[this.active] + this.step()));
      tools.querySelector("[data-nudge='right']").addEventListener("click", () => this.move(this.active, this.edges[this.active] - this.step()));
      tools.querySelector("[data-nudge='back']").addEventListener("click", () => this.reset());
    }
    this.select(this.active);
    this.draw();
  }

  /** One screen pixel, but at least a twentieth of a photo pixel. */
  step() {
    return Math.max(1 / this.zoom(), 0.05);
  }

  zoom() {
    return this.plot.clientWidth / (this.high - this.low);
  }

  offset(clientX) {
    const box = this.plot.getBoundingClientRect();
    return this.high - ((clientX - box.left) / box.width) * (this.high - this.low);
  }

  select(i) {
    this.active = i;
    this.handles.forEach((handle, k) => handle.classList.toggle("active", k === i));
    const name = this.root.querySelector("[data-active]");
    if (name) name.textContent = `${i + 1} ${NAMES[i]}`;
  }

  key(event, i) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const size = this.step() * (event.shiftKey ? 5 : 1);
    const moves = { ArrowLeft: size, ArrowDown: -size, ArrowRight: -size, ArrowUp: size, PageUp: 10 * size, PageDown: -10 * size };
    if (event.key in moves) this.move(i, this.edges[i] + moves[event.key]);
    else if (event.key === "Home") this.move(i, this.high);
    else if (event.key === "End") this.move(i, this.low);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  drag(event, i) {
    if (event.button) return;
    event.preventDefault();
    const handle = this.handles[i];
    handle.focus();
    handle.setPointerCapture(event.pointerId);
    const shift = this.edges[i] - this.offset(event.clientX);
    const move = (next) => this.move(i, this.offset(next.clientX) + shift);
    const end = () => {
      handle.removeEventListener("pointermove", move);
      this.report();
    };
    handle.addEventListener("pointermove", move);
    handle.addEventListener("pointerup", end, { once: true });
    handle.addEventListener("pointercancel", end, { once: true });
  }

  /** Place edge i; edges keep their order, and an enamel band keeps some width. */
  move(i, offset) {
    const least = 0.05;
    const above = i === 0 ? this.high : this.edges[i - 1] - (i === 2 ? 0 : least);
    const below = i === 3 ? this.low : this.edges[i + 1] + (i === 1 ? 0 : least);
    this.edges[i] = Math.min(Math.max(offset, below), above);
    this.mine = true;
    this.draw();
    this.report();
  }

  reset() {
    if (!this.machine) return;
    this.edges = [...this.machine];
    this.mine = false;
    this.draw();
    this.report();
  }

  /** Edges that were moved before the page was left. */
  restore(edges) {
    this.edges = [...edges];
    this.mine = true;
    if (this.handles.length) this.draw();
    else {
      this.root.querySelector("[data-start]").hidden = true;
      this.addHandles();
    }
  }

  report() {
    this.root.classList.toggle("mine", this.mine);
    this.changed(this);
  }

  draw() {
    const share = (offset) => (100 * (this.high - offset)) / (this.high - this.low);
    this.handles.forEach((handle, i) => {
      const value = this.edges[i];
      handle.style.left = `${share(value)}%`;
      handle.setAttribute("aria-valuemin", (i === 3 ? this.low : this.edges[i + 1]).toFixed(2));
      handle.setAttribute("aria-valuemax", (i === 0 ? this.high : this.edges[i - 1]).toFixed(2));
      handle.setAttribute("aria-valuenow", value.toFixed(2));
      const side = value >= 0 ? "towards the tongue" : "towards the cheek";
      handle.setAttribute("aria-valuetext", `${Math.abs(value).toFixed(1)} pixels from the crest line, ${side}`);
    });
    const bands = this.root.querySelectorAll("[data-band]");
    bands.forEach((band) => {
      const k = Number(band.dataset.band);
      const [from, to] = [share(this.edges[k]), share(this.edges[k + 1])];
      band.setAttribute("x", `${from}%`);
      band.setAttribute("width", `${Math.max(to - from, 0)}%`);
    });
    this.root.classList.toggle("mine", this.mine);
  }

  /** As the rule layer wants it. */
  corrections() {
    const round = (value) => Math.round(value * 1000) / 1000;
    return { tooth: this.tooth, lobe: this.lobe, at: this.at, edges_px: this.edges.map(round), zoom: round(Math.max(this.zoom(), 0.01)) };
  }
}

function list(text) {
  if (!text) return null;
  const values = text.split(",").map(Number);
  return values.length === 4 && values.every(Number.isFinite) ? values : null;
}
