// The photo with its overlay: zoom and pan by wheel, pinch, drag, keys and buttons.
//
// A view is {x, y, scale, angle}: the photo point in the middle of the window, window pixels per photo pixel,
// and the turn of the photo in radians. Without this file the photo is shown whole, overlay and all.

const LARGEST = 40; // window pixels per photo pixel; beyond it only squares are seen
const still = window.matchMedia("(prefers-reduced-motion: reduce)");

export class Viewer {
  constructor(root) {
    this.root = root;
    this.stage = root.querySelector(".stage");
    this.image = root.querySelector("img");
    this.svg = root.querySelector("svg");
    this.world = root.querySelector(".world");
    this.width = Number(root.dataset.width);
    this.height = Number(root.dataset.height);
    this.level = numbers(root.dataset.level); // of the tooth row: middle, size, and the turn that lays it level
    this.angle = this.level ? this.level[4] : 0;
    this.loaded = Number(root.dataset.loaded || 0);
    this.pick = null; // set by ruler.js: takes the next point that is tapped
    this.pointers = new Map();
    this.svg.removeAttribute("viewBox");
    root.classList.add("live");
    this.view = this.teeth();
    this.listen();
    this.draw();
  }

  size() {
    return [this.stage.clientWidth || 1, this.stage.clientHeight || 1];
  }

  whole() {
    const [w, h] = this.size();
    return { x: this.width / 2, y: this.height / 2, scale: Math.min(w / this.width, h / this.height), angle: 0 };
  }

  /** The tooth row, level, as large as it fits; the whole photo where no row was found. */
  teeth() {
    if (!this.level) return this.whole();
    const [w, h] = this.size();
    const [x, y, width, height, angle] = this.level;
    return { x, y, scale: Math.min(w / width, h / height), angle };
  }

  /** The view in which box [x0, y0, x1, y1] of the photo, turned by angle, fills the window but for a margin. */
  fit(box, angle, margin) {
    const [w, h] = this.size();
    const [c, s] = [Math.cos(angle), Math.sin(angle)];
    const [x, y] = [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2];
    const [bw, bh] = [Math.max(box[2] - box[0], 4), Math.max(box[3] - box[1], 4)];
    // A box that covers much of the row is no longer a box of the turned photo: its own corners overstate it.
    const [tw, th] = [Math.abs(bw * c) + Math.abs(bh * s), Math.abs(bw * s) + Math.abs(bh * c)];
    const scale = Math.min(w / (tw * margin), h / (th * margin), LARGEST);
    return { x, y, scale, angle };
  }

  listen() {
    const stage = this.stage;
    stage.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0015)), this.place(event));
    }, { passive: false });
    stage.addEventListener("pointerdown", (event) => this.down(event));
    stage.addEventListener("pointermove", (event) => this.move(event));
    for (const name of ["pointerup", "pointercancel"]) {
      stage.addEventListener(name, (event) => this.up(event, name === "pointerup"));
    }
    stage.addEventListener("dblclick", (event) => this.zoom(2, this.place(event)));
    stage.addEventListener("keydown", (event) => this.key(event));
    for (const button of this.root.querySelectorAll("[data-view]")) {
      button.addEventListener("click", () => this.command(button.dataset.view));
    }
    const dim = this.root.querySelector("[data-dim]");
    if (dim) {
      const apply = () => { this.svg.style.opacity = String(Number(dim.value) / 100); };
      dim.addEventListener("input", apply);
      apply();
    }
    new ResizeObserver(() => { if (!this.touched) this.view = this.teeth(); this.draw(); }).observe(stage);
  }

  command(name) {
    if (name === "in") this.zoom(1.5);
    else if (name === "out") this.zoom(1 / 1.5);
    else if (name === "whole") this.go(this.whole());
    else if (name === "row") this.go(this.teeth());
    else if (name === "turn") this.go({ ...this.view, angle: this.view.angle + Math.PI / 2 });
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const step = event.shiftKey ? 200 : 60;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (event.key in moves) this.pan(-moves[event.key][0], -moves[event.key][1]);
    else if (event.key === "+" || event.key === "=") this.zoom(1.25);
    else if (event.key === "-") this.zoom(1 / 1.25);
    else if (event.key === "0" || event.key === "Home") this.command("row");
    else if (event.key === "Enter" && this.pick) this.pick([this.view.x, this.view.y]);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  place(event) {
    const box = this.stage.getBoundingClientRect();
    return [event.clientX - box.left - box.width / 2, event.clientY - box.top - box.height / 2];
  }

  /** Photo point under a place of the window, counted from its middle. */
  photo([u, v]) {
    const { x, y, scale, angle } = this.view;
    const [c, s] = [Math.cos(angle), Math.sin(angle)];
    return [x + (c * u + s * v) / scale, y + (-s * u + c * v) / scale];
  }

  zoom(factor, at = [0, 0]) {
    this.stop();
    const before = this.photo(at);
    const least = Math.min(this.whole().scale, this.view.scale) * 0.8;
    this.view.scale = Math.min(Math.max(this.view.scale * factor, least), LARGEST);
    const after = this.photo(at);
    this.view.x += before[0] - after[0];
    this.view.y += before[1] - after[1];
    this.draw();
  }

  pan(du, dv) {
    this.stop();
    const { scale, angle } = this.view;
    const [c, s] = [Math.cos(angle), Math.sin(angle)];
    this.view.x = clamp(this.view.x - (c * du + s * dv) / scale, 0, this.width);
    this.view.y = clamp(this.view.y - (-s * du + c * dv) / scale, 0, this.height);
    this.draw();
  }

  down(event) {
    if (event.button) return;
    this.stage.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, this.place(event));
    this.moved = this.pointers.size > 1 ? 99 : 0;
  }

  move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) return;
    const now = this.place(event);
    if (this.pointers.size === 2) {
      const other = [...this.pointers].find(([id]) => id !== event.pointerId)[1];
      const [was, is] = [gap(before, other), gap(now, other)];
      this.zoom(is / Math.max(was, 1), [(now[0] + other[0]) / 2, (now[1] + other[1]) / 2]);
      this.pan((now[0] - before[0]) / 2, (now[1] - before[1]) / 2);
    } else {
      this.moved += gap(before, now);
      this.pan(now[0] - before[0], now[1] - before[1]);
    }
    this.pointers.set(event.pointerId, now);
  }

  up(event, meant) {
    if (!this.pointers.delete(event.pointerId)) return;
    if (meant && this.pick && this.moved < 6) this.pick(this.photo(this.place(event)));
  }

  /** Move to a view, smoothly unless the reader asked for no motion. */
  go(target) {
    this.stop();
    this.touched = true;
    if (still.matches) {
      this.view = { ...target };
      this.draw();
      return;
    }
    const from = { ...this.view };
    const start = performance.now();
    const turn = Math.atan2(Math.sin(target.angle - from.angle), Math.cos(target.angle - from.angle));
    const frame = (now) => {
      const t = Math.min((now - start) / 260, 1);
      const k = t * t * (3 - 2 * t);
      this.view = {
        x: from.x + (target.x - from.x) * k,
        y: from.y + (target.y - from.y) * k,
        scale: from.scale * Math.pow(target.scale / from.scale, k),
        angle: from.angle + turn * k,
      };
      this.draw();
      this.running = t < 1 ? requestAnimationFrame(frame) : 0;
    };
    this.running = requestAnimationFrame(frame);
  }

  /** Zoom to the evidence of a step: a box of the photo. */
  show(box) {
    if (box) this.go(this.fit(box, this.angle, 1.5));
  }

  stop() {
    this.touched = true;
    if (this.running) cancelAnimationFrame(this.running);
    this.running = 0;
  }

  draw() {
    const [w, h] = this.size();
    const { x, y, scale, angle } = this.view;
    const [c, s] = [Math.cos(angle) * scale, Math.sin(angle) * scale];
    const numbersOf = [c, s, -s, c, w / 2 - c * x + s * y, h / 2 - s * x - c * y].join(",");
    this.image.style.transform = `matrix(${numbersOf})`;
    this.world.setAttribute("transform", `matrix(${numbersOf})`);
    const upright = `rotate(${-angle}rad) scale(${1 / scale})`;
    for (const label of this.world.querySelectorAll(".upright")) label.style.transform = upright;
    // At the fitted size one finger scrolls the page; enlarged, it moves the photo.
    this.stage.style.touchAction = scale > this.whole().scale * 1.6 && this.touched ? "none" : "pan-y";
    this.sharpen(scale);
  }

  /** Fetch the photo in more pixels where the view shows more than are there. */
  sharpen(scale) {
    const needed = scale * this.width * (window.devicePixelRatio || 1);
    if (this.fetching || needed < this.loaded * 1.2 || this.loaded >= this.width) return;
    const sizes = numbers(this.root.dataset.sizes) || [];
    const next = sizes.find((size) => size >= Math.min(needed, this.width)) || sizes[sizes.length - 1];
    if (!next || next <= this.loaded) return;
    this.fetching = true;
    const image = new Image();
    image.src = `${this.root.dataset.source}?w=${next}`;
    image.decode().then(() => {
      this.image.src = image.src;
      this.loaded = next;
    }, () => {}).finally(() => { this.fetching = false; });
  }
}

export function numbers(text) {
  if (!text) return null;
  const list = text.split(",").map(Number);
  return list.every(Number.isFinite) ? list : null;
}

function clamp(value, low, high) {
  return Math.min(Math.max(value, low), high);
}

function gap(a, b) {
  return Math.hypot(a[0] - b[0], a[1] - b[1]);
}
