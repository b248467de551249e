// States are switched at most three times a second, and each change fades in: a table that flickers is no place to judge light.

export const FADE_MS = 340;

export class Switcher {
  constructor(now = () => performance.now(), later = (call, ms) => setTimeout(call, ms)) {
    this.now = now;
    this.later = later;
    this.last = -Infinity;
    this.waiting = null;
  }

  // Call `change` now, or as soon as the last change has faded in; of several that wait only the last one is made.
  switch(change) {
    const left = this.last + FADE_MS - this.now();
    if (left <= 0 && !this.waiting) return this.make(change);
    const planned = this.waiting !== null;
    this.waiting = change;
    if (!planned) this.later(() => this.release(), Math.max(0, left));
    return undefined;
  }

  release() {
    const change = this.waiting;
    this.waiting = null;
    if (change) this.make(change);
  }

  make(change) {
    this.last = this.now();
    change();
  }

  // How far the last change has faded in, 0..1.
  get share() {
    return Math.min(1, Math.max(0, (this.now() - this.last) / FADE_MS));
  }
}
