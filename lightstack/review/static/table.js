// The contact sheet: every lamp still as a frame with its dimmer beneath. Crossed out means dimmed to nothing.

import { draw, find, make } from "./dom.js";
import { drawSmall } from "./half.js";
import { stackOf } from "./scene.js";
import { resolveLight, trimStill } from "./state.js";

const SMALL = [192, 108];
const MOST = 2; // gain at a dimmer's right end
const CROSS = "M6 8 C 30 26, 66 42, 95 49 M93 7 C 70 20, 33 38, 7 50"; // by hand, with a grease pencil
const RING = "M12 6 C 40 -3, 78 0, 92 12 C 106 32, 92 54, 55 57 C 20 59, -4 48, 3 24 C 6 12, 26 2, 48 3";

export class Table {
  constructor(app) {
    this.app = app;
    this.pane = find("sheet");
    this.of = null;
  }

  update() {
    const { app } = this;
    const light = app.light;
    if (!light) return;
    const now = resolveLight(light, app.edits);
    if (this.of !== light.name) this.build(light);
    this.paint(light);
    const group = now.group ? light.groups?.[now.group] : null;
    const weighed = now.using === "path" || now.using === "stills";
    this.reset.disabled = !light.stills.some((still, k) => now.trims[k] !== still.trim.gain);
    this.note.textContent = weighed ? "by weight, dimmers rest" : `${light.stills.length} stills of ${light.sweep}`;
    this.frames.forEach((frame, k) => {
      const trim = now.trims[k];
      const still = light.stills[k];
      frame.item.classList.toggle("crossed", trim === 0);
      frame.item.classList.toggle("turned", trim !== still.trim.gain);
      frame.item.classList.toggle("aside", Boolean(group && !group.includes(k)));
      frame.item.classList.toggle("alone", app.ui.look === "still" && app.ui.alone === k);
      frame.pick.setAttribute("aria-pressed", String(app.ui.look === "still" && app.ui.alone === k));
      frame.gain.textContent = trim === 0 ? "out" : trim.toFixed(2);
      frame.canvas.style.setProperty("filter", `brightness(${trim === 0 ? 0.45 : Math.min(1.6, Math.sqrt(trim))})`);
      if (Number(frame.range.value) !== trim) frame.range.value = trim;
      frame.range.style.setProperty("--part", `${(100 * Math.min(trim, MOST)) / MOST}%`);
      frame.range.setAttribute("aria-valuetext", trim === 0 ? "out" : `${trim.toFixed(2)} times`);
      frame.range.disabled = weighed || still.can_raise === false;
    });
  }

  build(light) {
    this.of = light.name;
    this.painted = null;
    this.note = make("span", {});
    this.reset = make("button", { type: "button", id: "reset-dimmers", onclick: () => this.resetAll() }, "All as shot");
    this.frames = light.stills.map((still, k) => this.buildFrame(light, still, k));
    const rows = make("ul", { class: "rows" }, ...this.frames.map((frame) => frame.item));
    this.pane.replaceChildren(make("div", { class: "sheet-head" }, this.note, this.reset), rows);
  }

  buildFrame(light, still, k) {
    const canvas = make("canvas", { width: SMALL[0], height: SMALL[1], "aria-hidden": "true" });
    const mark = (name, path) => draw("svg", { class: name, viewBox: "0 0 100 57", preserveAspectRatio: "none", "aria-hidden": "true" }, draw("path", { d: path }));
    const pick = make("button", {
      type: "button", class: "pick", "aria-pressed": "false", "aria-label": `Still ${still.source_frame} alone`,
      onclick: () => this.app.lookAlone(k), onkeydown: (event) => this.crossByKey(event, light, still, k),
    }, canvas, mark("cross", CROSS), mark("ring", RING));
    const range = make("input", {
      type: "range", min: 0, max: MOST, step: 0.01, "aria-label": `Dimmer of still ${still.source_frame}`,
      oninput: (event) => this.dim(light, still, Number(event.target.value), `dim ${k}`),
      onchange: () => this.app.endGesture(),
      onkeydown: (event) => {
        if (event.key === "Delete" || event.key === "Backspace") this.dim(light, still, still.trim.gain);
        this.crossByKey(event, light, still, k);
      },
      ondblclick: () => this.dim(light, still, still.trim.gain),
    });
    range.value = still.trim.gain;
    const gain = make("span", { class: "gain" });
    const foot = make("div", { class: "foot" }, make("span", {}, String(still.source_frame)), gain);
    return { item: make("li", { class: "still" }, pick, foot, range), canvas, range, gain, pick };
  }

  dim(light, still, gain, gesture = null) {
    this.app.edit((edits) => trimStill(edits, light.sweep, still, gain), gesture);
  }

  crossByKey(event, light, still, k) {
    if (event.key.toLowerCase() !== "x") return;
    event.preventDefault();
    const trim = resolveLight(light, this.app.edits).trims[k];
    this.dim(light, still, trim === 0 ? still.trim.gain || 1 : 0);
  }

  resetAll() {
    const { light } = this.app;
    this.app.edit((edits) => light.stills.reduce((so, still) => trimStill(so, light.sweep, still, still.trim.gain), edits));
  }

  paint(light) {
    const small = this.app.smallStills(light);
    if (!small || this.painted === small) return;
    this.painted = small;
    small.forEach(({ halves, width, height }, k) => {
      const pixels = drawSmall(halves, width, height, ...SMALL, small.gain);
      this.frames[k].canvas.getContext("2d").putImageData(new ImageData(pixels, ...SMALL), 0, 0);
    });
  }
}

export const sheetStack = (light) => stackOf(light, "plate");
