// Brings the stills of lights to the graphics card: at half size first, so that there is soon something to see, then whole.

import { api, Refusal } from "./api.js";
import { Bands, kindOf, workOf } from "./bands.js";
import { find, make, say } from "./dom.js";
import { findBright } from "./half.js";
import { Pace } from "./pace.js";
import { shrinkStack } from "./rungs.js";

export const PAUSES_MS = [500, 2000, 5000]; // before a stack that did not come is asked for again
const LASTING = [400, 403, 404, 409]; // refusals that asking again does not change
const AT_ONCE = 4;
const RUNGS = [2, 3, 4, 6]; // how much smaller a plate is made that would take too long
const BUDGET = 900e6; // bytes of stills at full proxy size that a page takes; beyond, stacks stay at half size

export class Stacks {
  constructor(blend, changed) {
    this.blend = blend;
    this.pace = new Pace();
    this.bands = new Bands(blend, this.pace);
    this.changed = changed;
    this.begun = new Set();
    this.failed = new Map(); // stack: { light, why }
    this.small = new Map(); // stack: [{ halves, width, height }] for the contact sheet
    this.bytes = 0;
    this.busy = 0;
  }

  async load(light, stack) {
    if (this.begun.has(stack)) return find("stills-again") ? undefined : this.offerAgain();
    this.begun.add(stack);
    this.busy++;
    try {
      await this.loadPatiently(light, stack);
    } catch (error) {
      this.failed.set(stack, { light, why: error.message });
      this.offerAgain();
    } finally {
      this.busy--;
      this.changed();
    }
  }

  async loadPatiently(light, stack) {
    for (let tries = 0; ; tries++) {
      try {
        return await this.loadBoth(light, stack);
      } catch (error) {
        if (tries === PAUSES_MS.length || LASTING.includes(error.status)) throw error;
        await new Promise((done) => setTimeout(done, PAUSES_MS[tries]));
      }
    }
  }

  // Say what did not come, and let it be asked for again.
  offerAgain() {
    if (!this.failed.size || find("load-again")) return;
    const [{ why }] = this.failed.values();
    const names = [...new Set([...this.failed.values()].map(({ light }) => light.name))].join(", ");
    say(`Stills of ${names} did not come: ${why}. `, true);
    const again = () => {
      const failed = [...this.failed];
      this.failed.clear();
      say("");
      for (const [stack, { light }] of failed) {
        this.begun.delete(stack);
        this.load(light, stack);
      }
    };
    find("message").append(make("button", { type: "button", id: "stills-again", onclick: again }, "Try again"));
  }

  async loadBoth(light, stack) {
    const filled = stack.endsWith(" filled");
    if (!this.blend.stacks.has(halfOf(stack))) await this.loadSize(light, stack, true, filled);
    const last = this.blend.stacks.get(halfOf(stack));
    const size = 4 * last.width * last.height * last.count * 10;
    if (this.bytes + size > BUDGET) return;
    await this.loadSize(light, stack, false, filled);
    this.bytes += size;
  }

  // A light's plate for now, { stack, plate }: whole where that is made or soon made, else smaller; while hands rest, the
  // whole is then made in bands. The plate is null where no stills are here yet.
  draw(stack, recipe, lift, moving) {
    const { blend, pace } = this;
    const name = blend.stacks.has(stack) ? stack : halfOf(stack);
    const whole = blend.stacks.get(name);
    if (!whole) return { stack: name, plate: null };
    if (!blend.hasPlate(name, recipe) && !pace.fits(kindOf(whole, recipe), workOf(whole, recipe))) {
      if (!moving) this.bands.ask(name, recipe, lift);
      return this.drawSmall(stack, recipe, lift);
    }
    return { stack: name, plate: blend.plate(name, recipe, lift) };
  }

  drawSmall(stack, recipe, lift) {
    const { blend, bands } = this;
    const half = blend.stacks.get(halfOf(stack));
    const sizes = RUNGS.map((rung) => ({ rung, width: Math.ceil((2 * half.width) / rung), height: Math.ceil((2 * half.height) / rung) }));
    const fits = (size) => this.pace.fits(kindOf(half, recipe), workOf({ ...size }, recipe));
    const { rung, width, height } = sizes.find(fits) ?? sizes.at(-1);
    const name = rung === 2 ? halfOf(stack) : `${stack}, 1/${rung}`;
    if (!blend.stacks.has(name)) shrinkStack(blend, half, name, width, height, !stack.endsWith(" filled"));
    if (!blend.hasPlate(name, recipe)) bands.drawWhole(blend.stacks.get(name), recipe, lift);
    return { stack: name, plate: blend.plate(name, recipe, lift) };
  }

  async loadSize(light, stack, half, filled) {
    const { blend } = this;
    const groups = light.blend?.groups ?? 1;
    const first = await this.fetchStill(light, 0, half, filled);
    const made = blend.makeStack(half ? halfOf(stack) : stack, first.width, first.height, light.stills.length, groups);
    const small = [];
    const guided = !filled && light.blend;
    const loadOne = async (index) => {
      const [still, guide] = await Promise.all([
        index === 0 ? first : this.fetchStill(light, index, half, filled),
        guided ? api.guide(light.name, index, half) : null,
      ]);
      const halves = new Uint16Array(still.bytes);
      blend.putStill(made, index, halves);
      if (guide) blend.putGuide(made, index, new Uint16Array(guide.bytes));
      if (half) small[index] = { halves, width: still.width, height: still.height };
    };
    let ambient = null;
    try {
      await inTurn(light.stills.map((_, index) => () => loadOne(index)));
      ambient = await api.ambient(light.name, half);
    } catch (error) {
      blend.dropStack(made);
      throw error;
    }
    if (ambient) blend.putAmbient(made, new Uint16Array(ambient.bytes));
    blend.useStack(made);
    if (half) this.keepSmall(stack, small, ambient);
    this.changed();
  }

  async fetchStill(light, index, half, filled) {
    const still = await api.still(light.name, index, half, filled);
    if (!still) throw new Refusal(404, `still ${index} of ${light.name} is not there`);
    return still;
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
    try {
      for (let task = queue.shift(); task; task = queue.shift()) await task();
    } catch (error) {
      queue.length = 0; // the others have nothing to wait for
      throw error;
    }
  };
  await Promise.all(Array.from({ length: AT_ONCE }, work));
}
