// The review page: reads the shot, puts its parts on the table, and keeps one state that everything is drawn from.

import { api, latestOnly } from "./api.js";
import { Blend } from "./blend.js";
import { find, make, say } from "./dom.js";
import { Floor } from "./floor.js";
import { Gate } from "./gate.js";
import { listenKeys } from "./keys.js";
import { Laid } from "./laid.js";
import { Switcher } from "./limiter.js";
import { writeNotes } from "./notes.js";
import { Picture } from "./picture.js";
import { Player } from "./player.js";
import { AGAINST, FLAT, LOOKS, stackOf } from "./scene.js";
import { Stacks } from "./stacks.js";
import { endGesture, guessGain, isChanged, keepEdit, redo, resolveLight, startHistory, toChanges, undo } from "./state.js";
import { Strip } from "./strip.js";
import { Table } from "./table.js";
import { Writing } from "./write.js";

const DISK_MS = 4000;
const REST_MS = 150;

class App {
  constructor(shot) {
    this.shot = shot;
    this.history = startHistory();
    this.gains = {};
    this.travel = {};
    this.moving = false;
    const first = shot.lights.find((light) => light.in_file !== false) ?? shot.lights[0];
    const bright = first ? first.gain.indexOf(Math.max(...first.gain)) : 0;
    this.ui = { frame: shot.first + Math.max(0, bright), light: first?.name ?? null, look: "relit", against: "none", stops: 0, alone: 0, direction: 1, tab: "sheet" };
    this.switcher = new Switcher();
    this.gate = new Gate(this);
    this.hiddenPicture = !this.gate.mayShow();
    this.blend = new Blend(find("picture"));
    this.blend.setShot(shot.proxy[0], shot.proxy[1], shot.view);
    if (!this.blend.view.ready) this.loadView();
    this.stacks = new Stacks(this.blend, () => this.change(() => {}));
    this.picture = new Picture(this, this.blend, this.stacks);
    this.player = new Player(this, find("play"));
    this.panels = [new Laid(this), new Table(this), new Floor(this), new Strip(this)];
    this.strip = this.panels[3];
    this.writing = new Writing(this);
    this.askMix = latestOnly((name) => this.fetchMix(name));
    this.askTravel = latestOnly((name) => this.fetchTravel(name));
    listen(this);
    listenKeys(this);
    setInterval(() => this.lookAtDisk(), DISK_MS);
    if (first) this.stacks.load(first, stackOf(first, first.using)).catch((error) => say(error.message, true));
    this.tell();
    this.refresh();
    if (this.hiddenPicture) this.gate.ask();
  }

  get edits() {
    return this.history.present;
  }

  get light() {
    return this.shot.lights.find((light) => light.name === this.ui.light);
  }

  get scene() {
    return { ...this.ui, edits: this.edits, gains: this.gains, travel: this.travel };
  }

  smallStills(light) {
    const now = resolveLight(light, this.edits);
    return this.stacks.small.get(stackOf(light, now.using)) ?? this.stacks.small.get(stackOf(light, "plate"));
  }

  nearestStill(light) {
    return light.stills[this.ui.alone] ?? light.stills[0];
  }

  // A view comes apart from the shot; until it is here nothing is drawn.
  async loadView() {
    try {
      const cube = await api.view();
      this.blend.view.putCube(cube.bytes, cube.width);
      this.refresh();
    } catch (error) {
      say(error.message, true);
    }
  }

  // --- drawing ---------------------------------------------------------------------------------------------------

  refresh() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = null;
      this.update();
    });
  }

  update() {
    const drawn = this.picture.draw();
    const key = JSON.stringify([this.scene, this.stacks.small.size, this.blend.stacks.size, innerWidth, innerHeight]);
    if (key !== this.toldFor) {
      this.toldFor = key;
      for (const panel of this.panels) panel.update();
      this.tell();
    }
    if (drawn && this.switcher.share < 1) this.refresh();
  }

  tell() {
    const { ui, shot } = this;
    const level = this.light ? ((this.gains[ui.light] ?? this.light.gain)[ui.frame - shot.first] ?? 0) : null;
    find("frame").value = ui.frame;
    find("level").textContent = level === null ? "" : `${ui.light} ${level.toFixed(3)}${level > 0 ? `, ${signed(Math.log2(level))} stops` : ", off"}`;
    find("stops").textContent = `${ui.stops > 0 ? "+" : ui.stops < 0 ? "−" : ""}${Math.abs(ui.stops)} stops`;
    find("look").value = ui.look;
    find("against").value = ui.against;
    find("undo").disabled = !this.history.past.length;
    find("redo").disabled = !this.history.future.length;
    find("write").disabled = !isChanged(this.edits);
    find("add-point").disabled = !this.light;
    const doubt = this.gate.doubt;
    find("flash-state").textContent = { failed: "fails the flash check", "not checked": "not checked for flashes", changed: "changes not checked for flashes" }[doubt] ?? "passed the flash check";
    find("flash-state").classList.toggle("failed", doubt === "failed");
    this.picture.label();
  }

  showHidden() {
    this.hiddenPicture = !this.gate.mayShow();
    find("view").classList.toggle("hidden-picture", this.hiddenPicture);
    find("hidden-note").hidden = !this.hiddenPicture;
    this.tell();
    this.refresh();
  }

  // --- what the artist does --------------------------------------------------------------------------------------

  edit(change, gesture = null) {
    const before = this.edits;
    this.history = keepEdit(this.history, change(before), gesture);
    if (gesture) this.move();
    this.afterEdit(before);
  }

  // A hand that drags sees the light change at once; a slow machine draws it whole when the hand rests.
  move() {
    this.moving = true;
    clearTimeout(this.resting);
    this.resting = setTimeout(() => this.rest(), REST_MS);
  }

  rest() {
    this.moving = false;
    this.refresh();
  }

  endGesture() {
    this.history = endGesture(this.history);
    this.rest();
  }

  undo() {
    const before = this.edits;
    this.history = undo(this.history);
    this.afterEdit(before);
  }

  redo() {
    const before = this.edits;
    this.history = redo(this.history);
    this.afterEdit(before);
  }

  afterEdit(before) {
    for (const { name } of this.shot.lights) {
      const [was, is] = [before.light[name] ?? {}, this.edits.light[name] ?? {}];
      if (was.mix !== is.mix) this.followMix(name, is.mix);
      if (was.path !== is.path || was.using !== is.using || was.group !== is.group) this.followPath(name, is);
    }
    this.refresh();
  }

  // At once by a guess, then by the server's own core; a light without changes goes back to what was built.
  followMix(name, mix) {
    if (!mix) return void delete this.gains[name];
    const light = this.shot.lights.find((one) => one.name === name);
    if (!light.mix?.modulators?.length) this.gains[name] = guessGain(mix, this.shot.first, this.shot.last);
    this.askMix(name);
  }

  async fetchMix(name) {
    const mix = toChanges(this.edits, this.shot).light?.[name]?.mix;
    if (!mix) {
      delete this.gains[name]; // back where it was built
      return this.refresh();
    }
    try {
      const told = await api.mix(name, mix);
      const now = toChanges(this.edits, this.shot).light?.[name]?.mix;
      if (JSON.stringify(now) === JSON.stringify(mix)) this.gains[name] = told.gain;
      say(told.warnings?.[0] ?? "");
    } catch (error) {
      say(error.message, true);
    }
    this.refresh();
  }

  followPath(name, changes) {
    if (Object.keys(changes).some((key) => ["using", "path", "group"].includes(key)) && this.findWay(name)) this.askTravel(name);
    else delete this.travel[name];
  }

  // The places that a light is led by, and the group of stills that it is led through; null where it is none.
  findWay(name) {
    const { using, path, group } = resolveLight(this.shot.lights.find((one) => one.name === name), this.edits);
    return using === "path" && path?.points ? { points: path.points, group } : null;
  }

  async fetchTravel(name) {
    const way = this.findWay(name);
    if (!way) return;
    try {
      const told = await api.travel(name, way.points, way.group);
      if (this.edits.light[name] && this.findWay(name)) this.travel[name] = told.weights;
      say(told.warnings?.[0] ?? "");
    } catch (error) {
      say(error.message, true);
    }
    this.refresh();
  }

  addPoint() {
    if (this.light) this.strip.addPoint(this.ui.frame);
  }

  // What may not be played is not gone through as fast by hand either: it fades from frame to frame.
  goTo(frame) {
    const held = Math.min(this.shot.last, Math.max(this.shot.first, Math.round(frame)));
    if (held === this.ui.frame || Number.isNaN(held)) return;
    if (this.gate.mayPlay()) this.setFrame(held);
    else this.change(() => this.setFrame(held));
  }

  setFrame(frame) {
    this.ui.frame = frame;
    this.refresh();
  }

  // A jump to elsewhere fades in, as every switch of states does.
  jumpTo(frame) {
    const held = Math.min(this.shot.last, Math.max(this.shot.first, Math.round(frame)));
    if (held !== this.ui.frame && !Number.isNaN(held)) this.change(() => this.setFrame(held));
  }

  isReady(frame) {
    const lifted = this.picture.prepare(frame);
    if (this.picture.ring.peek(frame)) return lifted;
    this.picture.ring.get(frame).catch(() => {});
    return false;
  }

  change(make) {
    this.switcher.switch(() => {
      if (this.picture.on !== null) this.blend.pane.hold();
      make();
      this.refresh();
    });
  }

  setLook(look) {
    this.change(() => (this.ui.look = look));
  }

  setAgainst(against) {
    this.change(() => (this.ui.against = against));
  }

  setStops(by) {
    this.change(() => (this.ui.stops = Math.min(8, Math.max(-8, this.ui.stops + by))));
  }

  chooseLight(name) {
    this.change(() => Object.assign(this.ui, { light: name, alone: 0 }));
  }

  // Look at one still alone; once more goes back to the whole.
  lookAlone(index) {
    const again = this.ui.look === "still" && this.ui.alone === index;
    this.change(() => Object.assign(this.ui, { alone: index, look: again ? "relit" : "still" }));
  }

  // Read the shot again, after a write (edits are then in the file) or because the file changed (`keep`).
  async reload({ keep = false } = {}) {
    this.shot = await api.shot();
    for (const panel of this.panels) Object.assign(panel, { of: null, buttons: null }); // made for lights as they were
    if (!keep) {
      this.history = startHistory();
      this.gains = {};
    }
    this.toldFor = null;
    this.refresh();
  }

  // Places of the lamp come some time after the page; the shot file may be changed by somebody else.
  async lookAtDisk() {
    if (document.hidden) return;
    try {
      const { sha256, revision, built, anew } = await api.disk();
      if (anew || built !== this.shot.built) return void this.sayAnew();
      if (revision === this.shot.revision && sha256 === this.shot.shot_file.sha256) return;
      const other = sha256 !== this.shot.shot_file.sha256;
      await this.reload({ keep: true });
      if (other) say("The shot file has changed on disk; this page has read it again.");
    } catch (error) {
      say(error.message, true);
    }
  }

  // Somebody else has built the room: what is here is never mixed with what is there now.
  sayAnew() {
    if (find("load-again")) return;
    const first = isChanged(this.edits) ? "Write or undo your changes, then load this page again. " : "";
    say(`The room was built anew. ${first}`, true);
    find("message").append(make("button", { type: "button", id: "load-again", onclick: () => location.reload() }, "Load this page again"));
  }

  // A build has ended: everything may be another now, unless there is something here that would be lost.
  afterBuild() {
    if (isChanged(this.edits)) return say("Built. Write or undo your changes, then load this page again to see it.");
    return location.reload();
  }
}

const signed = (value) => `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(1)}`;

function listen(app) {
  const { shot, ui } = app;
  document.title = `${shot.name} v${shot.version}: review`;
  find("shot-name").textContent = `${shot.name} v${shot.version}`;
  const looks = Object.entries(LOOKS).filter(([key]) => !FLAT.includes(key) || key === "reach" || key === "blockers" || shot.holdout);
  find("look").append(...looks.map(([value, words]) => make("option", { value }, words)));
  find("against").append(...Object.entries(AGAINST).map(([value, words]) => make("option", { value }, words)));
  find("look").addEventListener("change", (event) => app.setLook(event.target.value));
  find("against").addEventListener("change", (event) => app.setAgainst(event.target.value));
  find("zoom").addEventListener("change", (event) => app.picture.zoom(event.target.value));
  const frame = find("frame");
  Object.assign(frame, { min: shot.first, max: shot.last });
  frame.addEventListener("change", () => app.jumpTo(Number(frame.value)));
  const presses = {
    darker: () => app.setStops(-0.5), brighter: () => app.setStops(0.5), undo: () => app.undo(), redo: () => app.redo(), play: () => app.player.toggle(),
    "to-first": () => app.jumpTo(shot.first), "to-last": () => app.jumpTo(shot.last), back: () => app.goTo(ui.frame - 1), on: () => app.goTo(ui.frame + 1),
    "add-point": () => app.addPoint(),
  };
  for (const [id, press] of Object.entries(presses)) find(id).addEventListener("click", press);
  for (const button of document.querySelectorAll("#tabs button")) button.addEventListener("click", () => showTab(app, button.dataset.tab));
  showTab(app, "sheet");
  writeNotes(shot);
  find("view").classList.toggle("hidden-picture", app.hiddenPicture);
  window.addEventListener("beforeunload", (event) => isChanged(app.edits) && event.preventDefault());
}

function showTab(app, tab) {
  app.ui.tab = tab;
  for (const button of document.querySelectorAll("#tabs button")) button.setAttribute("aria-pressed", String(button.dataset.tab === tab));
  for (const pane of document.querySelectorAll("#panes > section")) pane.hidden = pane.id !== tab;
  app.toldFor = null;
  app.refresh();
}

async function begin() {
  try {
    say("Reading the shot.");
    window.review = new App(await api.shot());
    say("");
  } catch (error) {
    say(error.message, true);
  }
}

begin();
