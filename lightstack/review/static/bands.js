// Plates that take long are made in bands, a band between two looks at what the hands do, and are shown when they are whole.

import { planRows } from "./pace.js";

export class Bands {
  constructor(blend, pace) {
    this.blend = blend;
    this.pace = pace;
    this.jobs = new Map(); // by stack and recipe: { stack, recipe, lift, target, row }
    this.asked = new Set();
  }

  get waiting() {
    return this.jobs.size > 0;
  }

  // Want a plate; it is in the blend once it is whole. What is not wanted again by the next `settle` is let go.
  ask(name, recipe, lift) {
    const key = `${name}/${JSON.stringify(recipe)}`;
    this.asked.add(key);
    if (this.jobs.has(key)) return;
    const stack = this.blend.stacks.get(name);
    this.jobs.set(key, { stack, recipe, lift, target: null, row: 0 });
  }

  settle() {
    for (const [key, job] of this.jobs) {
      if (this.asked.has(key)) continue;
      if (job.target) this.blend.drop(job.target);
      this.jobs.delete(key);
    }
    this.asked.clear();
  }

  // Make one more band of the plate that was asked for first.
  work() {
    const [key, job] = this.jobs.entries().next().value ?? [];
    if (!job) return;
    const { stack, recipe } = job;
    job.target ??= this.blend.reuse(stack);
    const rows = planRows(stack.height, this.pace.expect(kindOf(stack, recipe), workOf(stack, recipe)));
    const to = Math.min(stack.height, job.row + rows);
    this.drawRows(job, job.row, to);
    job.row = to;
    if (to < stack.height) return;
    this.blend.keepPlate(stack, recipe, job.target);
    this.jobs.delete(key);
  }

  // Make a whole plate at once.
  drawWhole(stack, recipe, lift) {
    const target = this.blend.reuse(stack);
    this.drawRows({ stack, recipe, lift, target }, 0, stack.height);
    this.blend.keepPlate(stack, recipe, target);
  }

  drawRows({ stack, recipe, lift, target }, from, to) {
    const { blend, pace } = this;
    const draw = (low, high) => blend.drawRows(stack, recipe, lift, target, low, high);
    const part = (to - from) / stack.height;
    pace.time(kindOf(stack, recipe), part * workOf(stack, recipe), () => draw(from, to), () => blend.wait(), () => draw(0, 1));
  }
}

// What a plate's drawing is measured as, and how much of that it is.
export const kindOf = (stack, recipe) => `plate ${stack.groups} ${recipe.blend.rule}`;
export const workOf = (stack, recipe) => stack.width * stack.height * (1 + recipe.stills.length);
