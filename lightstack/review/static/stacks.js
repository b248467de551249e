// Brings the stills of lights to the graphics card: at half size first, so that there is soon something to see, then whole.

import { api } from "./api.js";
import { findBright } from "./half.js";

const AT_ONCE = 4;
const SLOW_MS = 60; // for one plate: beyond, hands that move see half size until they rest
const BUDGET = 900e6; // bytes of stills at full proxy size that a page takes; beyond, stacks stay at half size

export class Stacks {
  constructor(blend, changed) {
    this.blend = blend;
    this.changed = changed;
    this.begun = new Set();
    this.small = new Map(); // stack: [{ halves, width, height }] for the contact sheet
    this.bytes = 0;
    this.busy = 0;
  }

  async load(light, stack) {
    if (this.begun.has(stack)) return;
    this.begun.add(stack);
    this.busy++;
    try {
      await this.loadBoth(light, stack);
    } finally {
      this.busy--;
      this.changed();
    }
  }

  async loadBoth(light, stack) {
    const filled = stack.endsWith(" filled");
    await this.loadSize(light, stack, true, filled);
    const last = this.blend.stacks.get(halfOf(stack));
    const size = 4 * last.width * last.height * last.count * 10;
    if (this.bytes + size > BUDGET) return;
    this.bytes += size;
    await this.loadSize(light, stack, false, filled);
    this.slow ??= this.blend.timePlate(stack) > SLOW_MS;
  }

  // Which of a stack's two sizes is drawn from.
  pick(stack, moving) {
    const whole = this.blend.stacks.has(stack);
    return whole && !(moving && this.slow) ? stack : halfOf(stack);
  }

  async loadSize(light, stack, half, filled) {
    const { blend } = this;
    const groups = light.blend?.groups ?? 1;
    const first = await api.still(light.name, 0, half, filled);
    const made = blend.makeStack(half ? halfOf(stack) : stack, first.width, first.height, light.stills.length, groups);
    const small = [];
    const guided = !filled && light.blend;
    const loadOne = async (index) => {
      const [still, guide] = await Promise.all([
        index === 0 ? first : api.still(light.name, index, half, filled),
        guided ? api.guide(light.name, index, half) : null,
      ]);
      const halves = new Uint16Array(still.bytes);
      blend.putStill(made, index, halves);
      if (guide) blend.putGuide(made, index, new Uint16Array(guide.bytes));
      if (half) small[index] = { halves, width: still.width, height: still.height };
    };
    await inTurn(light.stills.map((_, index) => () => loadOne(index)));
    const ambient = await api.ambient(light.name, half);
    if (ambient) blend.putAmbient(made, new Uint16Array(ambient.bytes));
    blend.useStack(made);
    if (half) this.keepSmall(stack, small, ambient);
    this.changed();
  }

  // Small pictures share one brightness: which still is strong shows at once.
  keepSmall(stack, small, ambient) {
    const bright = small.map(({ halves }) => findBright(halves, 2000)).sort((a, b) => a - b);
    const level = bright[Math.floor(0.75 * (bright.length - 1))] || 1;
    small.gain = 0.7 / Math.max(level, 1e-6);
    if (ambient) {
      const halves = new Uint16Array(ambient.bytes);
      small.ambient = { halves, width: ambient.width, height: ambient.height, gain: 0.5 / Math.max(findBright(halves, 4000), 1e-6) };
    }
    this.small.set(stack, small);
  }
}

const halfOf = (stack) => `${stack}, half size`;

async function inTurn(tasks) {
  const queue = [...tasks];
  const work = async () => {
    for (let task = queue.shift(); task; task = queue.shift()) await task();
  };
  await Promise.all(Array.from({ length: AT_ONCE }, work));
}
