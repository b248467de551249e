// How long drawing takes on this machine, measured as it goes: what is answered at once is made as large as that allows.

export const ANSWER_MS = 60; // for a plate, so that a frame of it is there within a tenth of a second
export const BAND_MS = 60; // of a plate that is made in bands, between which hands are answered
const FIRST_GUESS = 3e-5; // ms for one still of one pixel by a processor; a card has far less
const NEWEST = 0.5; // share of the newest measurement

export class Pace {
  constructor(now = () => performance.now()) {
    this.now = now;
    this.costs = new Map(); // by what is drawn: ms for a unit of its work
    this.most = ANSWER_MS;
  }

  // Milliseconds that so much work takes.
  expect(what, amount) {
    return amount * (this.costs.get(what) ?? FIRST_GUESS);
  }

  fits(what, amount) {
    return this.expect(what, amount) <= this.most;
  }

  // Draw, wait for the last pixel, and remember how long that took. `first`: what makes the program, before anything is
  // measured.
  time(what, amount, draw, wait, first = null) {
    if (first && !this.costs.has(what)) {
      first();
      wait();
    }
    const start = this.now();
    draw();
    wait();
    this.note(what, amount, this.now() - start);
  }

  note(what, amount, ms) {
    const cost = ms / Math.max(1, amount);
    const known = this.costs.get(what);
    this.costs.set(what, known === undefined ? cost : known + NEWEST * (cost - known));
  }
}

// How many rows of a plate are made in one go, so that hands are answered in between.
export function planRows(height, msWhole, most = BAND_MS) {
  return Math.max(1, Math.min(height, Math.floor((height * most) / Math.max(msWhole, 1e-6))));
}
