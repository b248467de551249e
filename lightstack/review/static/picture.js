// The picture: which frame is laid how, the wipe between two states, zoom, and light under the pointer.

import { api, Ring } from "./api.js";
import { find, followDrag, say } from "./dom.js";
import { Lifts } from "./path.js";
import { AGAINST, FLAT, LOOKS, planLook } from "./scene.js";

const RING_BYTES = 256e6;
const AHEAD = 24;
const AHEAD_AT_ONCE = 3;
const LIFTS_AHEAD = 3;
const TURN_MS = 150; // after which a frame that was turned to is at rest
const HURRIED_PIXELS = 2e5; // fewer are always drawn
const MEASURED = 4; // frames; the first also makes programs

export class Picture {
  constructor(app, blend, stacks) {
    this.app = app;
    this.blend = blend;
    this.stacks = stacks;
    this.canvas = find("picture");
    this.view = { zoom: "fit", x: 0, y: 0, scale: 1, wipe: 0.5 };
    this.on = null; // frame whose parts are on the graphics card
    this.drawn = null; // what the slots hold
    this.turning = 0; // until when a frame that was turned to counts as passing
    this.measured = 0;
    this.step = 1;
    this.stacksDrawn = []; // where the plates of what is shown come from
    this.lifts = new Lifts(() => this.app.refresh(), (error) => say(error.message, true));
    this.ring = new Ring((frame) => this.fetch(frame), RING_BYTES);
    this.listen();
  }

  async fetch(frame) {
    const { shot } = this.app;
    const wanted = () => Math.abs(frame - this.app.ui.frame) <= AHEAD;
    const parts = [api.hero(frame, wanted), shot.holdout ? api.holdout(frame, wanted) : null];
    for (const name of shot.figure_lights ?? []) parts.push(api.figure(name, frame, wanted));
    return Promise.all(parts);
  }

  // Frames the playhead comes to next, a few at a time.
  lookAhead() {
    if (this.stacks.busy) return; // what this frame is lit by comes first
    const { ui, shot } = this.app;
    for (let step = 1; step <= LIFTS_AHEAD; step++) this.prepare(ui.frame + step * (ui.direction ?? 1));
    for (let step = 1; step <= AHEAD && this.ring.waiting.size < AHEAD_AT_ONCE; step++) {
      const frame = ui.frame + step * (ui.direction ?? 1);
      if (frame < shot.first || frame > shot.last) return;
      if (this.ring.kept.has(frame) || this.ring.waiting.has(frame)) continue;
      this.ring.get(frame).then(() => this.lookAhead(), () => {});
    }
  }

  // Ask for what lights that travel need on a frame; tell whether it is there.
  prepare(frame) {
    if (frame < this.app.shot.first || frame > this.app.shot.last) return true;
    const { lights } = planLook(this.app.shot, "light", { ...this.app.scene, frame });
    return lights.map((light) => this.lifts.get(light.name, light.recipe)).every((lift) => lift !== undefined);
  }

  // Draw what the page's state asks for; false where something of it is still on its way.
  draw() {
    const { ui, shot } = this.app;
    if (this.app.hiddenPicture || !this.blend.view.ready) return false;
    const parts = this.ring.peek(ui.frame);
    if (!parts) {
      this.ring.get(ui.frame).then(() => this.app.refresh(), (error) => error.status !== 503 && say(error.message, true));
      return false;
    }
    if (this.on !== ui.frame) this.put(parts, shot);
    const { bands } = this.stacks;
    if (!this.hurried) bands.work();
    if (!this.compose()) return false;
    this.place();
    this.blend.pane.present(this.window, this.app.switcher.share);
    if (bands.waiting) this.app.refresh();
    this.lookAhead();
    return true;
  }

  put([hero, holdout, ...figures], shot) {
    if (!hero) return;
    if (this.on !== null) this.turn();
    this.blend.putHero(hero.bytes);
    if (holdout) this.blend.putHoldout(holdout.bytes);
    figures.forEach((figure, k) => figure && this.blend.putFigure(shot.figure_lights[k], figure.bytes));
    this.on = this.app.ui.frame;
    this.drawn = null;
  }

  compose() {
    const { ui } = this.app;
    const right = this.resolve(planLook(this.app.shot, FLAT.includes(ui.look) ? "relit" : ui.look, this.app.scene));
    const left = ui.against === "none" ? null : this.resolve(planLook(this.app.shot, ui.against, this.app.scene));
    this.stacks.bands.settle();
    const looks = left ? [left, right] : [right];
    const step = this.stepOf(looks.length);
    this.step = step;
    this.stacksDrawn = right.lights.map(({ stack }) => stack);
    const key = JSON.stringify([right.key, left?.key, step]);
    if (looks.some((look) => look.waits)) return false;
    if (key === this.drawn) return true;
    this.timed(looks.length / step ** 2, () => {
      this.blend.compose(1, { ...right, step });
      if (left) this.blend.compose(0, { ...left, step });
    });
    this.drawn = key;
    return true;
  }

  // --- hands that move -------------------------------------------------------------------------------------------

  // While frames turn or something is dragged, where frames take long, every other pixel is drawn; all of them at rest.
  stepOf(looks) {
    const pixels = looks * this.blend.width * this.blend.height;
    return this.hurried && pixels > HURRIED_PIXELS && !this.stacks.pace.fits("frame", pixels) ? 2 : 1;
  }

  get hurried() {
    return this.app.moving || performance.now() < this.turning;
  }

  turn() {
    this.turning = performance.now() + TURN_MS;
    clearTimeout(this.resting);
    this.resting = setTimeout(() => this.app.refresh(), TURN_MS + 10);
  }

  // Frames are measured at first, and for as long as they take long.
  timed(looks, draw) {
    const { pace } = this.stacks;
    const pixels = looks * this.blend.width * this.blend.height;
    if (this.measured++ >= MEASURED && pace.fits("frame", pixels)) return draw();
    return pace.time("frame", pixels, draw, () => this.blend.wait(true));
  }

  // From recipes to plates; stacks that are not here yet are sent for. `waits`: something else is still on its way.
  resolve(look) {
    const lights = look.lights.map((light) => {
      const told = this.app.shot.lights.find((one) => one.name === light.name);
      this.stacks.load(told, light.stack).catch((error) => say(error.message, true));
      const lift = this.lifts.get(light.name, light.recipe);
      const waits = { stack: light.stack, plate: undefined };
      const { stack, plate } = lift === undefined ? waits : this.stacks.draw(light.stack, light.recipe, lift, this.app.moving);
      return { ...light, stack, plate, fits: this.blend.fits(stack) };
    });
    const drawn = lights.map(({ stack, plate }) => [stack, plate !== null]);
    return { ...look, lights, key: JSON.stringify([look, drawn]), waits: lights.some(({ plate }) => plate === undefined) };
  }

  // --- where the picture lies in the window ----------------------------------------------------------------------

  get dots() {
    return window.devicePixelRatio || 1;
  }

  place() {
    const { canvas, view, blend } = this;
    const width = Math.max(1, Math.round(canvas.clientWidth * this.dots));
    const height = Math.max(1, Math.round(canvas.clientHeight * this.dots));
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
    if (view.zoom === "fit") {
      view.scale = Math.min(width / blend.width, height / blend.height);
      view.x = (width - blend.width * view.scale) / 2;
      view.y = (height - blend.height * view.scale) / 2;
    } else {
      view.x = hold(view.x, width, blend.width * view.scale);
      view.y = hold(view.y, height, blend.height * view.scale);
    }
    const wiped = this.app.ui.against !== "none";
    this.window = { scale: view.scale, x: Math.round(view.x), y: Math.round(view.y), wipe: wiped ? view.wipe * width : -1 };
    find("wipe").style.setProperty("left", `${100 * view.wipe}%`);
  }

  zoom(to, at = null) {
    const { view, canvas } = this;
    const [x, y] = at ?? [canvas.width / 2, canvas.height / 2];
    const [u, v] = [(x - view.x) / view.scale, (y - view.y) / view.scale];
    view.zoom = to;
    if (to !== "fit") {
      view.scale = Number(to);
      view.x = x - u * view.scale;
      view.y = y - v * view.scale;
    }
    find("zoom").value = String(to);
    this.app.refresh();
  }

  listen() {
    const { canvas } = this;
    canvas.addEventListener("pointerdown", (event) => this.view.zoom !== "fit" && this.pan(event));
    canvas.addEventListener("dblclick", (event) => this.zoom(this.view.zoom === "fit" ? "1" : "fit", this.dotAt(event)));
    canvas.addEventListener("pointermove", (event) => this.readUnder(event));
    canvas.addEventListener("pointerleave", () => (find("under").textContent = ""));
    canvas.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      say("The graphics card let go of the picture. Load this page again.", true);
    });
    new ResizeObserver(() => this.app.refresh()).observe(canvas);
    const wipe = find("wipe");
    wipe.addEventListener("pointerdown", (event) => followDrag(event, (move) => {
      const box = canvas.getBoundingClientRect();
      this.setWipe((move.clientX - box.left) / box.width);
    }));
    wipe.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -0.02, ArrowRight: 0.02, Home: -1, End: 1, PageDown: -0.1, PageUp: 0.1 }[event.key];
      if (step === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      this.setWipe(this.view.wipe + step);
    });
  }

  setWipe(share) {
    this.view.wipe = Math.min(1, Math.max(0, share));
    find("wipe").setAttribute("aria-valuenow", Math.round(100 * this.view.wipe));
    this.app.refresh();
  }

  pan(event) {
    const { view } = this;
    const start = { x: event.clientX, y: event.clientY, left: view.x, top: view.y };
    followDrag(event, (move) => {
      view.x = start.left + (move.clientX - start.x) * this.dots;
      view.y = start.top + (move.clientY - start.y) * this.dots;
      this.app.refresh();
    });
  }

  dotAt(event) {
    const box = this.canvas.getBoundingClientRect();
    return [(event.clientX - box.left) * this.dots, (event.clientY - box.top) * this.dots];
  }

  readUnder(event) {
    if (this.on === null || this.app.hiddenPicture || !this.window) return;
    const [x, y] = this.dotAt(event);
    this.under = [Math.floor((x - this.window.x) / this.window.scale), Math.floor((y - this.window.y) / this.window.scale), x < this.window.wipe ? 0 : 1];
    if (this.reading) return;
    this.reading = requestAnimationFrame(() => {
      this.reading = null;
      const [px, py, slot] = this.under;
      const inside = px >= 0 && py >= 0 && px < this.blend.width && py < this.blend.height;
      if (!inside) return void (find("under").textContent = "");
      const light = this.blend.readLinear(px, py, slot).map((value) => value.toFixed(4));
      const [sx, sy] = [this.app.shot.size[0] / this.blend.width, this.app.shot.size[1] / this.blend.height];
      find("under").textContent = `${Math.round((px + 0.5) * sx)}, ${Math.round((py + 0.5) * sy)}: linear ${light.join("  ")}`;
    });
  }

  // --- labels and pictures that the server draws -----------------------------------------------------------------

  label() {
    const { ui, shot } = this.app;
    const wiped = ui.against !== "none" && !FLAT.includes(ui.look);
    find("wipe").hidden = !wiped;
    find("left-label").hidden = !wiped;
    find("left-label").textContent = AGAINST[ui.against];
    find("right-label").hidden = !wiped && ui.look === "relit";
    find("right-label").textContent = LOOKS[ui.look];
    this.canvas.setAttribute("aria-label", `Frame ${ui.frame}: ${LOOKS[ui.look]}${wiped ? `, against ${AGAINST[ui.against]}` : ""}`);
    const flat = find("flat");
    const show = FLAT.includes(ui.look) && !this.app.hiddenPicture;
    flat.classList.toggle("shown", show);
    if (!show) return void (flat.hidden = true);
    const light = shot.lights.find((one) => one.name === ui.light);
    const frame = ui.look === "blockers" ? this.app.nearestStill(light).source_frame : ui.frame;
    const address = api.pictureAddress(ui.look, frame, light?.sweep);
    flat.hidden = this.flat?.address !== address || !this.flat.url;
    flat.alt = `${LOOKS[ui.look]}, frame ${frame}`;
    if (this.flat?.address !== address) this.loadFlat(flat, address);
  }

  async loadFlat(flat, address) {
    const mine = { address, url: null };
    URL.revokeObjectURL(this.flat?.url);
    this.flat = mine;
    try {
      mine.url = await api.image(address);
      if (this.flat !== mine) return URL.revokeObjectURL(mine.url);
      flat.setAttribute("src", mine.url);
      this.label();
    } catch (error) {
      say(error.message, true);
    }
    return undefined;
  }
}

const hold = (at, window, size) => (size <= window ? (window - size) / 2 : Math.min(0, Math.max(window - size, at)));
