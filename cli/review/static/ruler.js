// Two points on a ruler in the photo. They can be tapped, set with Enter at the cross, or typed.

const NAMES = ["ruler_x1", "ruler_y1", "ruler_x2", "ruler_y2", "ruler_mm"];

export class Ruler {
  constructor(form, viewer, changed) {
    this.fields = NAMES.map((name) => form.elements.namedItem(name));
    this.viewer = viewer;
    this.changed = changed;
    this.zoom = 1;
    this.words = form.querySelector("[data-ruler-words]");
    this.button = form.querySelector("[data-ruler]");
    this.layer = viewer.world.querySelector(".ruler");
    this.button.hidden = false;
    this.button.addEventListener("click", () => this.begin());
    for (const field of this.fields) field.addEventListener("input", () => this.draw());
    this.draw();
  }

  begin() {
    const points = [];
    this.viewer.root.classList.add("picking");
    this.viewer.root.scrollIntoView({ block: "start" });
    this.viewer.stage.focus({ preventScroll: true });
    this.say("Tap the first point on the ruler, or move the photo under the circle and press Enter.");
    this.viewer.pick = (point) => {
      points.push(point);
      const at = 2 * (points.length - 1);
      this.fields[at].value = point[0].toFixed(1);
      this.fields[at + 1].value = point[1].toFixed(1);
      this.draw();
      if (points.length === 1) {
        this.say("Now the second point.");
        return;
      }
      this.zoom = this.viewer.view.scale;
      this.viewer.pick = null;
      this.viewer.root.classList.remove("picking");
      this.say("Now the length between the two points in mm.");
      this.fields[4].focus();
      if (this.fields[4].value) this.changed();
    };
  }

  say(words) {
    this.words.textContent = words;
    this.words.setAttribute("role", "status");
  }

  draw() {
    const [x1, y1, x2, y2] = this.fields.map((field) => Number(field.value));
    const given = this.fields.map((field) => field.value !== "");
    const parts = [];
    if (given[0] && given[1] && given[2] && given[3]) parts.push(element("line", { class: "casing", x1, y1, x2, y2 }), element("line", { class: "line-ruler", x1, y1, x2, y2 }));
    if (given[0] && given[1]) parts.push(dot(x1, y1));
    if (given[2] && given[3]) parts.push(dot(x2, y2));
    this.layer.replaceChildren(...parts);
    this.viewer.draw();
  }

  restore(ruler) {
    const values = [...ruler.first, ...ruler.second, ruler.length_mm];
    this.fields.forEach((field, i) => { field.value = String(values[i]); });
    this.zoom = ruler.zoom;
    this.draw();
  }

  corrections() {
    const values = this.fields.map((field) => (field.value === "" ? NaN : Number(field.value)));
    if (!values.every(Number.isFinite) || values[4] <= 0) return null;
    return { first: [values[0], values[1]], second: [values[2], values[3]], length_mm: values[4], zoom: Math.round(this.zoom * 1000) / 1000 };
  }
}

function dot(x, y) {
  const outer = element("g", { transform: `translate(${x} ${y})` });
  const inner = element("g", { class: "upright" });
  inner.append(element("circle", { class: "dot-ruler", r: 6 }));
  outer.append(inner);
  return outer;
}

function element(name, attributes) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, String(value));
  return made;
}
