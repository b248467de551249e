// How the chosen light is laid: few words, each a key of the shot file.

import { find, make } from "./dom.js";
import { editLight, editSweep, resolveLight } from "./state.js";

const RULES = { max: "the brightest at every place", softmax: "softly the brightest", screen: "screened", sum: "their sum" };
const WAYS = { plate: "as a plate", path: "as a light that travels", stills: "by the weights given" };

export class Laid {
  constructor(app) {
    this.app = app;
    this.lights = find("lights");
    this.body = find("laid-body");
    this.of = null;
  }

  update() {
    const { app } = this;
    if (!this.buttons) this.buildLights();
    for (const [name, button] of this.buttons) button.setAttribute("aria-pressed", String(name === app.ui.light));
    if (!app.light) return void (find("laid").hidden = true);
    if (this.of !== app.light.name) this.build(app.light);
    const now = resolveLight(app.light, app.edits);
    set(this.rule, now.rule);
    set(this.way, now.using);
    set(this.lay, now.lay);
    set(this.group, now.group ?? "");
    set(this.figure, now.figureLight);
    this.figure.style.setProperty("--part", `${50 * now.figureLight}%`);
    this.figureLevel.textContent = now.figureLight.toFixed(2);
    this.gels.forEach((input, c) => set(input, now.gel[c]));
  }

  buildLights() {
    this.buttons = new Map();
    for (const light of this.app.shot.lights) {
      const dot = make("canvas", { width: 1, height: 1, "aria-hidden": "true" });
      const most = Math.max(...light.gel, 1e-6);
      const paint = dot.getContext("2d");
      paint.fillStyle = `rgb(${light.gel.map((g) => Math.round(255 * Math.sqrt(Math.max(0, g) / most))).join(" ")})`;
      paint.fillRect(0, 0, 1, 1);
      const words = light.in_file === false ? `${light.name} (only looked at)` : light.name;
      const button = make("button", { type: "button", "aria-pressed": "false", onclick: () => this.app.chooseLight(light.name) }, dot, words);
      this.buttons.set(light.name, button);
    }
    this.lights.replaceChildren(...this.buttons.values());
    this.lights.hidden = this.buttons.size < 1;
  }

  build(light) {
    this.of = light.name;
    const change = (key, value, gesture) => this.app.edit((edits) => editLight(edits, light.name, { [key]: value }), gesture);
    this.rule = choice("Stills join by", RULES, (value) => this.app.edit((edits) => editSweep(edits, light.sweep, { combine: value })));
    const ways = light.using === "stills" ? WAYS : { plate: WAYS.plate, ...(light.using === "path" || light.path ? { path: WAYS.path } : {}) };
    this.way = choice("It comes", this.ways(light, ways), (value) => change("using", value));
    this.lay = choice("It is laid by", { plus: "adding, as light does", screen: "screening, a look" }, (value) => change("lay", value));
    const groups = { "": "all stills", ...Object.fromEntries(Object.keys(light.groups ?? {}).map((name) => [name, name])) };
    this.group = choice("Only the stills", groups, (value) => change("group", value || null));
    this.figure = make("input", { type: "range", id: "figure-light", min: 0, max: 2, step: 0.01, oninput: (event) => change("figure_light", Number(event.target.value), "figure"), onchange: () => this.app.endGesture() });
    this.figureLevel = make("output", {});
    this.gels = ["red", "green", "blue"].map((colour, c) => make("input", {
      type: "number", min: 0, max: 100, step: 0.05, "aria-label": `Gel, ${colour}`,
      onchange: (event) => this.setGel(light, c, Number(event.target.value)),
    }));
    const rows = [[this.rule, "rule"], [this.way, "way"], [this.lay, "lay"], [this.group, "group"]].flatMap(([select, id]) => {
      select.id = `laid-${id}`;
      return [make("label", { for: select.id }, select.dataset.words), select];
    });
    this.body.replaceChildren(
      ...rows,
      make("label", { for: "figure-light" }, "On the figure ", this.figureLevel), this.figure,
      make("span", { class: "name" }, "Gel R G B"), make("div", { class: "gel", role: "group", "aria-label": "Gel" }, ...this.gels),
    );
    this.figure.disabled = !this.app.shot.figure_lights?.includes(light.name);
  }

  ways(light, ways) {
    return this.app.edits.light[light.name]?.path ? { ...ways, path: WAYS.path } : ways;
  }

  setGel(light, c, value) {
    if (!(value >= 0)) return void this.update();
    const gel = resolveLight(light, this.app.edits).gel.map((g, k) => (k === c ? value : g));
    this.app.edit((edits) => editLight(edits, light.name, { gel }));
  }
}

function choice(words, options, change) {
  const items = Object.entries(options).map(([value, text]) => make("option", { value }, text));
  return make("select", { "data-words": words, onchange: (event) => change(event.target.value) }, ...items);
}

// A value that the list does not hold yet (a path that was just drawn) joins it.
function set(field, value) {
  if (field === document.activeElement && field.type === "number") return;
  if (field.tagName === "SELECT" && ![...field.options].some((option) => option.value === value)) {
    field.append(make("option", { value }, WAYS[value] ?? value));
  }
  if (field.value !== String(value)) field.value = value;
}
