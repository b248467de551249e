// The strip of time: the mix with its points, what plays on it, flashes, and the sweep that the light comes from.

import { draw, find } from "./dom.js";
import { editLight, gainOf, movePoint, resolveLight, setPoint, valueOf } from "./state.js";

const HEIGHT = 106;
const RULER = 16;
const CURVE = [22, 72]; // top and foot of the curve
const SWEEP = [82, 103];

export class Strip {
  constructor(app) {
    this.app = app;
    this.svg = draw("svg", { height: HEIGHT, role: "group", "aria-label": "Mix over time" });
    find("strip").append(this.svg);
    this.svg.addEventListener("pointerdown", (event) => this.press(event));
    this.svg.addEventListener("dblclick", (event) => this.addAt(event));
    new ResizeObserver(() => this.app.refresh()).observe(find("strip"));
  }

  get width() {
    return Math.max(200, this.svg.clientWidth);
  }

  x(frame) {
    const { first, last } = this.app.shot;
    return 30 + ((frame - first) / Math.max(1, last - first)) * (this.width - 44);
  }

  frameAt(x) {
    const { first, last } = this.app.shot;
    const share = (x - 30) / (this.width - 44);
    return Math.min(last, Math.max(first, Math.round(first + share * (last - first))));
  }

  // Gains stand by their square root: faint light is where the hand needs room.
  y(gain) {
    return CURVE[1] - (CURVE[1] - CURVE[0]) * Math.sqrt(Math.max(0, gain) / this.most);
  }

  gainAt(y) {
    const share = Math.min(1, Math.max(0, (CURVE[1] - y) / (CURVE[1] - CURVE[0])));
    return this.most * share ** 2;
  }

  update() {
    const { app } = this;
    const { light, shot } = app;
    const gains = light ? (app.gains[light.name] ?? light.gain) : [];
    const written = light?.gain ?? [];
    if (!this.dragging) this.most = niceTop(Math.max(...gains, ...written, 0.1));
    const now = light && resolveLight(light, app.edits);
    const focus = document.activeElement?.dataset?.point;
    this.svg.setAttribute("viewBox", `0 0 ${this.width} ${HEIGHT}`);
    this.svg.replaceChildren(
      hatch(), ...this.drawRuler(shot), ...this.drawFlash(shot),
      ...(light ? [...this.drawLevels(), ...this.drawCurve(gains, written), ...this.drawPlaying(now)] : []),
      ...(light ? this.drawSweep(shot.sweeps?.find((one) => one.name === light.sweep), light) : []),
      this.drawHead(),
      ...(light ? (now.mix.points ?? []).map((point, k) => this.drawPoint(light, now.mix, k)) : []),
    );
    if (focus !== undefined) this.svg.querySelector(`[data-point="${focus}"]`)?.focus();
  }

  drawRuler({ first, last }) {
    const step = [1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000].find((s) => this.x(first + s) - this.x(first) > 56) ?? 2000;
    const marks = [];
    for (let frame = Math.ceil(first / step) * step; frame <= last; frame += step) {
      marks.push(draw("line", { class: "tick", x1: this.x(frame), x2: this.x(frame), y1: RULER, y2: CURVE[1] }));
      marks.push(draw("text", { x: this.x(frame), y: RULER - 4, "text-anchor": "middle" }, String(frame)));
    }
    return marks;
  }

  drawFlash({ flash }) {
    return (flash.spans ?? []).map(([first, last, rule]) => {
      const [from, to] = [this.x(first - 0.5), this.x(last + 0.5)];
      return draw("rect", { class: "flash", x: from, y: RULER, width: Math.max(3, to - from), height: 7 }, draw("title", {}, `flashes, frames ${first} to ${last}: ${rule}`));
    });
  }

  drawLevels() {
    return [1, 0.25].map((share) => {
      const gain = this.most * share;
      return draw("text", { x: 26, y: this.y(gain) + 4, "text-anchor": "end" }, String(Math.round(gain * 100) / 100));
    });
  }

  drawCurve(gains, written) {
    const { first } = this.app.shot;
    const line = (values) => values.map((gain, k) => `${this.x(first + k).toFixed(1)} ${this.y(gain).toFixed(1)}`).join(" L ");
    const ghost = JSON.stringify(gains) === JSON.stringify(written) ? [] : [draw("path", { class: "ghost", d: `M ${line(written)}` })];
    const foot = (frame) => `${this.x(frame)} ${CURVE[1]}`;
    return [...ghost, draw("path", { class: "curve", d: `M ${foot(first)} L ${line(gains)} L ${foot(first + gains.length - 1)} Z` })];
  }

  drawPlaying({ mix }) {
    const words = [mix.envelope && "drawn by an envelope in the shot file", mix.table && "drawn by a table", ...(mix.modulators ?? [])].filter(Boolean);
    return words.length ? [draw("text", { x: 34, y: CURVE[0] + 9 }, words.join(" · "))] : [];
  }

  drawPoint(light, mix, k) {
    const [frame, value] = mix.points[k];
    const gain = gainOf(value, mix.unit);
    const point = draw("circle", {
      class: "point", cx: this.x(frame), cy: this.y(gain), r: 6.5, tabindex: 0, role: "slider", "data-point": k,
      "aria-label": `Mix point at frame ${frame}`, "aria-valuemin": 0, "aria-valuemax": Math.max(this.most, gain), "aria-valuenow": Math.round(gain * 1000) / 1000,
      "aria-valuetext": `frame ${frame}, gain ${gain.toFixed(3)}`, onkeydown: (event) => this.moveByKey(event, light, k),
    });
    point.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      event.stopPropagation();
      point.focus();
      this.drag(light, k);
    });
    return point;
  }

  drawSweep(sweep, light) {
    if (!sweep) return [];
    const [first, last] = sweep.frames;
    const { ui } = this.app;
    const most = Math.max(...sweep.energy, 1e-9);
    const x = (frame) => 30 + ((frame - first) / Math.max(1, last - first)) * (this.width - 44);
    const wide = Math.max(1, (this.width - 44) / sweep.energy.length);
    const bars = sweep.energy.map((energy, k) => {
      const tall = Math.max(1, (SWEEP[1] - SWEEP[0]) * Math.sqrt(Math.max(0, energy) / most));
      return draw("rect", { class: sweep.lamp_on?.[k] === false ? "dark" : "energy", x: x(first + k) - wide / 2, y: SWEEP[1] - tall, width: Math.max(0.6, wide - 0.5), height: tall });
    });
    const keys = light.stills.map((still, k) => {
      const chosen = ui.look === "still" && ui.alone === k;
      const at = x(still.source_frame);
      return draw("line", { class: `key${chosen ? " chosen" : ""}`, x1: at, x2: at, y1: SWEEP[0] - 4, y2: SWEEP[1] }, draw("title", {}, `still ${still.source_frame}`));
    });
    return [...bars, ...keys, draw("text", { x: 0, y: SWEEP[1] - 8 }, "lamp")];
  }

  drawHead() {
    const at = this.x(this.app.ui.frame);
    return draw("g", { "pointer-events": "none" },
      draw("line", { class: "head", x1: at, x2: at, y1: 0, y2: CURVE[1] }), draw("path", { class: "head-tab", d: `M ${at - 5} 0 h 10 l -5 8 z` }));
  }

  // --- hands -----------------------------------------------------------------------------------------------------

  placeOf(event) {
    const box = this.svg.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  press(event) {
    const [x, y] = this.placeOf(event);
    if (event.target.closest(".point")) return;
    if (y > CURVE[1] + 5) return void this.pickStill(x);
    event.preventDefault();
    this.app.player.stop();
    this.app.jumpTo(this.frameAt(x));
    this.follow((move) => this.app.goTo(this.frameAt(this.placeOf(move)[0])));
  }

  pickStill(x) {
    const { light, shot } = this.app;
    const sweep = shot.sweeps?.find((one) => one.name === light?.sweep);
    if (!sweep) return;
    const [first, last] = sweep.frames;
    const frame = first + ((x - 30) / (this.width - 44)) * (last - first);
    const away = light.stills.map((still) => Math.abs(still.source_frame - frame));
    this.app.lookAlone(away.indexOf(Math.min(...away)));
  }

  follow(move, done) {
    const stop = () => {
      removeEventListener("pointermove", move);
      removeEventListener("pointerup", stop);
      removeEventListener("pointercancel", stop);
      done?.();
    };
    addEventListener("pointermove", move);
    addEventListener("pointerup", stop);
    addEventListener("pointercancel", stop);
  }

  drag(light, k) {
    this.dragging = true;
    this.follow((event) => {
      const [x, y] = this.placeOf(event);
      this.move(light, k, this.frameAt(x), this.gainAt(y));
    }, () => {
      this.dragging = false;
      this.app.endGesture();
    });
  }

  move(light, k, frame, gain) {
    const { mix } = resolveLight(light, this.app.edits);
    const { first, last } = this.app.shot;
    const rest = [valueOf(gain, mix.unit), ...mix.points[k].slice(2)];
    this.setMix(light, { ...mix, points: movePoint(mix.points, k, frame, rest, first, last) }, `point ${k}`);
  }

  // Keys may come faster than the drawing: what is moved is read from the state, not from the drawing.
  moveByKey(event, light, k) {
    const { mix } = resolveLight(light, this.app.edits);
    if (!mix.points?.[k]) return;
    const [frame, value] = mix.points[k];
    const gain = gainOf(value, mix.unit);
    const by = event.shiftKey ? 10 : 1;
    const moves = {
      ArrowLeft: [frame - by, gain], ArrowRight: [frame + by, gain], ArrowUp: [frame, gain + 0.01 * by], ArrowDown: [frame, Math.max(0, gain - 0.01 * by)],
    };
    if (event.key === "Delete" || event.key === "Backspace") {
      event.preventDefault();
      const points = mix.points.filter((_, at) => at !== k);
      if (points.length) this.setMix(light, { ...mix, points });
    } else if (moves[event.key]) {
      event.preventDefault();
      this.move(light, k, ...moves[event.key]);
    }
  }

  addAt(event) {
    const [x, y] = this.placeOf(event);
    if (event.target.closest(".point") || y > CURVE[1] + 4 || !this.app.light) return;
    this.addPoint(this.frameAt(x), this.gainAt(y));
  }

  addPoint(frame, gain = null) {
    const { light, app } = { light: this.app.light, app: this.app };
    const { mix } = resolveLight(light, app.edits);
    const here = gain ?? (app.gains[light.name] ?? light.gain)[frame - app.shot.first] ?? 1;
    this.setMix(light, { ...mix, envelope: null, table: null, points: setPoint(mix.points, [frame, valueOf(here, mix.unit)]) });
  }

  setMix(light, mix, gesture = null) {
    const { modulators: _, ...keys } = mix;
    this.app.edit((edits) => editLight(edits, light.name, { mix: keys }), gesture);
  }
}

const niceTop = (most) => [0.1, 0.2, 0.4, 0.5, 1, 1.5, 2, 4, 8, 16, 64, 256].find((top) => top >= most * 1.02) ?? most;

const hatch = () =>
  draw("defs", {}, draw("pattern", { id: "hatch", width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
    draw("line", { class: "hatch", x1: 0, x2: 0, y1: 0, y2: 6 })));
