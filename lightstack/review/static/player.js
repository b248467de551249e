// Plays only when asked to, at the shot's own rate, once to the end, and waits for frames that are not here yet.

import { say } from "./dom.js";

export class Player {
  constructor(app, button) {
    this.app = app;
    this.button = button;
    this.running = false;
  }

  toggle(direction = 1) {
    if (this.running) return this.stop();
    return this.start(direction);
  }

  start(direction = 1) {
    const { app } = this;
    if (!app.gate.mayPlay()) return void app.gate.ask(() => this.start(direction));
    const { first, last, rate } = app.shot;
    app.ui.direction = direction;
    if (direction > 0 && app.ui.frame >= last) app.goTo(first);
    if (direction < 0 && app.ui.frame <= first) app.goTo(last);
    this.running = true;
    this.show();
    this.due = performance.now();
    this.each = (1000 * rate[1]) / rate[0];
    this.tick = requestAnimationFrame(() => this.step());
  }

  step() {
    if (!this.running) return;
    const { app } = this;
    if (!app.gate.mayPlay()) { // the light was changed meanwhile
      this.stop();
      return void say("Stopped: this change is not checked for flashing light. Play asks you first.");
    }
    const now = performance.now();
    const next = app.ui.frame + app.ui.direction;
    if (next < app.shot.first || next > app.shot.last) return this.stop();
    if (now >= this.due + this.each && app.isReady(next)) {
      this.due = Math.max(this.due + this.each, now - this.each); // late frames are shown late, none is left out
      app.goTo(next);
    }
    this.tick = requestAnimationFrame(() => this.step());
  }

  stop() {
    cancelAnimationFrame(this.tick);
    this.running = false;
    this.app.ui.direction = 1;
    this.show();
  }

  show() {
    this.button.textContent = this.running ? "Stop" : "Play";
    this.button.setAttribute("aria-pressed", String(this.running));
  }
}
