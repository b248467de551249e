// Where the lamp was, as the camera saw it: dots by nearness, the way of the sweep in pencil, a path in amber.

import { draw, find, make } from "./dom.js";
import { drawSmall } from "./half.js";
import { editLight, resolveLight, setPoint } from "./state.js";

const BACK = [320, 180];

export class Floor {
  constructor(app) {
    this.app = app;
    this.pane = find("floor");
    this.back = make("canvas", { width: BACK[0], height: BACK[1], "aria-hidden": "true" });
    this.svg = draw("svg", { role: "group", "aria-label": "Plan of the lamp's places" });
    this.svg.addEventListener("dblclick", (event) => event.target.closest(".lamp, .knot") || this.addAt(this.pointAt(event)));
    this.plan = make("div", { class: "plan" }, this.back, this.svg);
    this.add = make("button", { type: "button", id: "lamp-here", onclick: () => this.addHere() }, "Lamp here at this frame");
    this.still = make("button", { type: "button", id: "no-path", onclick: () => this.dropPath() }, "Back to the plate");
    this.note = make("p", {});
    this.pane.append(this.plan, make("div", { class: "row" }, this.add, this.still), this.note);
  }

  placesOf(light) {
    return light.stills.map((still) => still.place ?? (still.in_shot ? [...still.in_shot, 0.5] : null));
  }

  update() {
    const { app } = this;
    const light = app.light;
    if (!light) return;
    const now = resolveLight(light, app.edits);
    const places = this.placesOf(light);
    const known = places.filter(Boolean);
    const travels = now.using === "path" && now.path?.points;
    const points = travels ? now.path.points : [];
    this.frameBox(known, points);
    this.paint(light);
    this.still.hidden = !(app.edits.light[light.name]?.using === "path" || travels);
    this.add.disabled = !known.length;
    this.note.textContent = known.length
      ? "Double-click, or the button, lays the light's way: its place at this frame. Drag places, or move them with the arrow keys."
      : "Nothing is known of where this lamp was.";
    const way = known.map(([x, y]) => `${x},${y}`).join(" ");
    const focus = document.activeElement?.dataset?.knot;
    this.svg.replaceChildren(
      draw("rect", { class: "frame-line", x: 0, y: 0, width: app.shot.size[0], height: app.shot.size[1], "vector-effect": "non-scaling-stroke" }),
      draw("polyline", { class: "way", points: way, "vector-effect": "non-scaling-stroke" }),
      ...light.stills.map((still, k) => places[k] && this.drawLamp(still, k, places[k], now)).filter(Boolean),
      ...(points.length ? [draw("polyline", { class: "path", points: points.map(([, x, y]) => `${x},${y}`).join(" "), "vector-effect": "non-scaling-stroke" })] : []),
      ...points.map((point, k) => this.drawKnot(light, points, k)),
      ...(points.length ? [this.drawHere(points)] : []),
    );
    if (focus !== undefined) this.svg.querySelector(`[data-knot="${focus}"]`)?.focus();
  }

  frameBox(known, points) {
    const [width, height] = this.app.shot.size;
    const xs = [0, width, ...known.map((p) => p[0]), ...points.map((p) => p[1])];
    const ys = [0, height, ...known.map((p) => p[1]), ...points.map((p) => p[2])];
    const margin = 0.05 * width;
    const [left, top] = [Math.max(-width, Math.min(...xs)) - margin, Math.max(-height, Math.min(...ys)) - margin];
    const [right, low] = [Math.min(2 * width, Math.max(...xs)) + margin, Math.min(2 * height, Math.max(...ys)) + margin];
    this.box = [left, top, right - left, low - top];
    this.svg.setAttribute("viewBox", this.box.join(" "));
    this.unit = this.box[2] / Math.max(200, this.pane.clientWidth - 24); // one screen pixel
    const part = (value, size) => `${(100 * value) / size}%`;
    for (const [name, value] of Object.entries({
      left: part(-left, this.box[2]), top: part(-top, this.box[3]), width: part(width, this.box[2]), height: part(height, this.box[3]),
    })) this.back.style.setProperty(name, value);
  }

  paint(light) {
    const ambient = this.app.smallStills(light)?.ambient;
    if (!ambient || this.painted === ambient) return;
    this.painted = ambient;
    const pixels = drawSmall(ambient.halves, ambient.width, ambient.height, ...BACK, ambient.gain);
    this.back.getContext("2d").putImageData(new ImageData(pixels, ...BACK), 0, 0);
  }

  drawLamp(still, k, [x, y, near = 0.5], now) {
    const { ui } = this.app;
    const trim = now.trims[k];
    const chosen = ui.look === "still" && ui.alone === k;
    const size = this.unit * (4 + 7 * Math.min(1, Math.max(0, near ?? 0.5)));
    const press = () => this.app.lookAlone(k);
    return draw("circle", {
      class: `lamp${trim === 0 ? " off" : ""}${chosen ? " chosen" : ""}`, cx: x, cy: y, r: size, tabindex: 0, role: "button",
      "aria-pressed": String(chosen), "aria-label": `Lamp of still ${still.source_frame}, ${Math.round(100 * (near ?? 0.5))} percent near`,
      "fill-opacity": Math.max(0.25, Math.min(1, trim)), "vector-effect": "non-scaling-stroke",
      onclick: press, onkeydown: (event) => (event.key === "Enter" || event.key === " ") && (event.preventDefault(), press()),
    });
  }

  drawKnot(light, points, k) {
    const [frame, x, y] = points[k];
    const r = 8 * this.unit;
    const knot = draw("rect", {
      class: "knot", x: x - r, y: y - r, width: 2 * r, height: 2 * r, transform: `rotate(45 ${x} ${y})`, tabindex: 0, role: "slider",
      "data-knot": k, "aria-label": `Place of the light at frame ${frame}`, "aria-valuenow": Math.round(x), "aria-valuemin": Math.round(this.box[0]),
      "aria-valuemax": Math.round(this.box[0] + this.box[2]), "aria-valuetext": `${Math.round(x)}, ${Math.round(y)}`, "vector-effect": "non-scaling-stroke",
      onkeydown: (event) => this.moveByKey(event, light, k),
    });
    knot.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      this.drag(light, k);
    });
    return draw("g", {}, knot, draw("text", { x: x + 12 * this.unit, y: y + 4 * this.unit, "font-size": 11 * this.unit, "stroke-width": 3 * this.unit, class: "name" }, String(frame)));
  }

  drawHere(points) {
    const { frame } = this.app.ui;
    const after = points.findIndex((point) => point[0] >= frame);
    const [from, to] = after === -1 ? [points.at(-1), points.at(-1)] : [points[Math.max(0, after - 1)], points[after]];
    const t = to[0] > from[0] ? Math.max(0, (frame - from[0]) / (to[0] - from[0])) : 0;
    return draw("circle", { class: "here", cx: from[1] + t * (to[1] - from[1]), cy: from[2] + t * (to[2] - from[2]), r: 14 * this.unit, "vector-effect": "non-scaling-stroke" });
  }

  // The drawing is made anew as a place moves, so the window is listened to.
  drag(light, k) {
    const move = (event) => this.moveTo(light, k, this.pointAt(event), `path ${k}`);
    const stop = () => {
      removeEventListener("pointermove", move);
      removeEventListener("pointerup", stop);
      removeEventListener("pointercancel", stop);
      this.app.endGesture();
    };
    addEventListener("pointermove", move);
    addEventListener("pointerup", stop);
    addEventListener("pointercancel", stop);
  }

  // Keys may come faster than the drawing: what is moved is read from the state, not from the drawing.
  moveByKey(event, light, k) {
    const points = resolveLight(light, this.app.edits).path?.points;
    if (!points?.[k]) return;
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const by = this.app.shot.size[0] * (event.shiftKey ? 0.05 : 0.01);
    if (event.key === "Delete" || event.key === "Backspace") {
      event.preventDefault();
      const rest = points.filter((_, at) => at !== k);
      if (rest.length) this.setPath(light, rest);
      else this.dropPath();
    } else if (step) {
      event.preventDefault();
      this.moveTo(light, k, [points[k][1] + step[0] * by, points[k][2] + step[1] * by], `path ${k}`);
    }
  }

  moveTo(light, k, [x, y], gesture) {
    const { points } = resolveLight(light, this.app.edits).path;
    this.setPath(light, points.map((point, at) => (at === k ? [point[0], round(x), round(y), ...point.slice(3)] : point)), gesture);
  }

  addHere() {
    const { app } = this;
    const place = this.placesOf(app.light)[app.ui.alone ?? 0] ?? this.placesOf(app.light).find(Boolean);
    this.addAt(place.slice(0, 2));
  }

  addAt([x, y]) {
    const { app } = this;
    const points = resolveLight(app.light, app.edits).path?.points ?? [];
    const near = points.length && points[0].length > 3 ? [points[0][3]] : [];
    this.setPath(app.light, setPoint(points, [app.ui.frame, round(x), round(y), ...near]));
  }

  setPath(light, points, gesture = null) {
    this.app.edit((edits) => editLight(edits, light.name, { using: "path", path: { points } }), gesture);
  }

  dropPath() {
    const { light } = this.app;
    const way = light.using === "path" ? { using: "plate", path: null } : { using: light.using, path: light.path ?? null };
    this.app.edit((edits) => editLight(edits, light.name, way));
  }

  pointAt(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return [at.x, at.y];
  }
}

const round = (value) => Math.round(value * 10) / 10;
