// The light stack blended in linear light on the graphics card.

import { Graphics } from "./graphics.js";
import { Pane } from "./pane.js";
import { drawPath } from "./path.js";
import { layShader, MOST_LIGHTS, MOST_STILLS, plateShader } from "./shaders.js";
import { View } from "./view.js";

const PLATES_KEPT = 4; // of each light: as edited, as written, the plain maximum, one still alone

const STILL = [1, 0, 0, 0, 1, 0, 0, 0, 1];
const PLAIN_BLEND = {
  a: [0, 0, 0], b: [0, 0, 0], weights: [1 / 3, 1 / 3, 1 / 3], spread: [0], pull_faint: [0, 0, 0], pull_strong: [0, 0, 0],
  faint: 0.1, strong: 0.5, knee: 12, exponent: 4, white: 1, floor_sigma: 0, gate: 2, soft_gate: 3,
};

export class Blend extends Graphics {
  constructor(canvas) {
    super(canvas);
    this.stacks = new Map();
    this.reads = 0;
    this.programs = {};
    this.pane = new Pane(this);
    this.drawings = 0; // of frames, counted
  }

  // --- what is shown through -------------------------------------------------------------------------------------

  setShot(width, height, view) {
    const gl = this.gl;
    this.width = width;
    this.height = height;
    this.view = new View(this, view);
    this.hero = this.texture(gl.R32UI, width, height, gl.NEAREST);
    this.holdout = this.texture(gl.R8, width, height, gl.NEAREST);
    this.figures = new Map();
    this.spare = this.target(gl.RGBA32F, width, height, gl.NEAREST);
    this.slots = [0, 1].map(() => ({
      step: 1,
      drawn: 0, // which of the drawings it holds
      meant: 0, // of which means of its pixels are there
      linear: this.target(gl.RGBA32F, width, height, gl.NEAREST),
      shown: this.target(gl.RGBA8, width, height, gl.LINEAR),
    }));
  }

  putHero(bytes) {
    const gl = this.gl;
    this.upload(this.hero, gl.RED_INTEGER, gl.UNSIGNED_INT, new Uint32Array(bytes));
  }

  putHoldout(bytes) {
    const gl = this.gl;
    this.upload(this.holdout, gl.RED, gl.UNSIGNED_BYTE, new Uint8Array(bytes));
  }

  putFigure(name, bytes) {
    const gl = this.gl;
    if (!this.figures.has(name)) this.figures.set(name, this.texture(gl.RGB16F, this.width, this.height, gl.NEAREST));
    this.upload(this.figures.get(name), gl.RGB, gl.HALF_FLOAT, new Uint16Array(bytes));
  }

  upload(texture, format, kind, values) {
    const gl = this.gl;
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_2D, texture);
    gl.texSubImage2D(gl.TEXTURE_2D, 0, 0, 0, this.width, this.height, format, kind, values);
  }

  uploadLayer(texture, stack, index, format, halves) {
    const gl = this.gl;
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_2D_ARRAY, texture);
    gl.texSubImage3D(gl.TEXTURE_2D_ARRAY, 0, 0, 0, index, stack.width, stack.height, 1, format, gl.HALF_FLOAT, halves);
  }

  // --- stacks of stills ------------------------------------------------------------------------------------------

  // Room for the stills of one stack; what was there before stays until `useStack`.
  makeStack(name, width, height, count, groups) {
    const gl = this.gl;
    const made = { name, width, height, count, groups, plates: new Map(), table: null };
    made.light = this.layers(gl.RGBA16F, width, height, count);
    made.guides = this.layers(groups === 1 ? gl.R16F : gl.RGBA16F, width, height, count);
    made.ambient = this.texture(gl.RGBA16F, width, height, gl.NEAREST);
    return made;
  }

  putStill(stack, index, halves) {
    const gl = this.gl;
    this.uploadLayer(stack.light, stack, index, gl.RGBA, halves);
  }

  putGuide(stack, index, halves) {
    const gl = this.gl;
    this.uploadLayer(stack.guides, stack, index, stack.groups === 1 ? gl.RED : gl.RGBA, halves);
  }

  putAmbient(stack, halves) {
    const gl = this.gl;
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_2D, stack.ambient);
    gl.texSubImage2D(gl.TEXTURE_2D, 0, 0, 0, stack.width, stack.height, gl.RGBA, gl.HALF_FLOAT, halves);
    stack.plates.forEach((plate) => this.drop(plate));
    stack.plates.clear();
  }

  useStack(stack) {
    const old = this.stacks.get(stack.name);
    if (old && old !== stack) this.dropStack(old);
    this.stacks.set(stack.name, stack);
  }

  dropStack(stack) {
    for (const texture of [stack.light, stack.guides, stack.ambient]) this.gl.deleteTexture(texture);
    for (const plate of stack.plates.values()) this.drop(plate);
  }

  // Programs are made when they are first needed.
  program(key, source) {
    return (this.programs[key] ??= this.compile(source()));
  }

  // Whether a stack's plates lie on frames pixel by pixel.
  fits(name) {
    const stack = this.stacks.get(name);
    return Boolean(stack && stack.width === this.width && stack.height === this.height);
  }

  // recipe: { blend, regel, stills: [{ index, dims: [r, g, b], gains: [r, g, b], share, weight }] }; blend and regel as the
  // server sends them, blend.rule also "path" and "naive"; lift: of a path, see `drawPath`. Gives a texture; equal recipes
  // are made once.
  plate(name, recipe, lift = null) {
    const stack = this.stacks.get(name);
    if (!stack) return null;
    const key = JSON.stringify(recipe);
    let plate = stack.plates.get(key);
    if (plate) stack.plates.delete(key);
    else plate = this.drawPlate(stack, recipe, lift, this.reuse(stack));
    stack.plates.set(key, plate);
    return plate.texture;
  }

  hasPlate(name, recipe) {
    return Boolean(this.stacks.get(name)?.plates.has(JSON.stringify(recipe)));
  }

  keepPlate(stack, recipe, plate) {
    stack.plates.set(JSON.stringify(recipe), plate);
  }

  // Some rows of a plate, for what takes long.
  drawRows(stack, recipe, lift, target, from, to) {
    const gl = this.gl;
    gl.enable(gl.SCISSOR_TEST);
    gl.scissor(0, from, stack.width, to - from);
    this.drawPlate(stack, recipe, lift, target);
    gl.disable(gl.SCISSOR_TEST);
  }

  drawPlate(stack, recipe, lift, target) {
    return recipe.blend.rule === "path" ? drawPath(this, stack, recipe, lift, target) : this.makePlate(stack, recipe, target);
  }

  // Until the last pixel of what was drawn is there; of a frame as it is shown, or of light.
  wait(shown = false) {
    const gl = this.gl;
    if (shown) gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(4));
    else gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.FLOAT, new Float32Array(4));
  }

  // The size of a frame of which every `step`-th pixel is drawn.
  reducedBy(step) {
    return [Math.max(1, Math.floor(this.width / step)), Math.max(1, Math.floor(this.height / step))];
  }

  reuse(stack) {
    const gl = this.gl;
    if (stack.plates.size < PLATES_KEPT) return this.target(gl.RGBA16F, stack.width, stack.height, gl.LINEAR);
    const [oldest, plate] = stack.plates.entries().next().value;
    stack.plates.delete(oldest);
    return plate;
  }

  makePlate(stack, { blend, regel, stills }, target) {
    const gl = this.gl;
    const tabled = stills.length > MOST_STILLS;
    const fourth = blend.rule === "softmax" && blend.exponent === 4;
    const key = `plate ${stack.groups} ${blend.rule} ${tabled} ${fourth}`;
    const program = this.program(key, () => plateShader(stack.groups, blend.rule, tabled, fourth));
    this.reads = 1 + stills.length * ((blend.rule === "naive" ? 1 : 2) + (tabled ? 2 : 0));
    this.begin(program, target, stack.width, stack.height);
    this.bind(program, "uLight", 0, stack.light, gl.TEXTURE_2D_ARRAY);
    this.bind(program, "uGuide", 1, stack.guides, gl.TEXTURE_2D_ARRAY);
    this.bind(program, "uAmbient", 2, stack.ambient);
    const [plain, dimmed] = [true, false].map((as) => stills.filter(({ dims }) => dims.every((dim) => dim === 1) === as));
    this.setStills(program, stack, [...plain, ...dimmed], blend);
    gl.uniform1i(program.at("uCount"), stills.length);
    gl.uniform1i(program.at("uPlain"), plain.length);
    this.setBlend(program, blend);
    this.setRegel(program, regel);
    this.draw();
    return target;
  }

  setBlend(program, blend) {
    const gl = this.gl;
    const full = { ...PLAIN_BLEND, ...blend };
    const spread = full.spread.length === 1 ? [full.spread[0], full.spread[0], full.spread[0]] : full.spread;
    for (const [key, value] of Object.entries({
      uA: full.a, uB: full.b, uWeights: full.weights, uPullFaint: full.pull_faint, uPullStrong: full.pull_strong,
      uSpread: spread,
    })) gl.uniform3fv(program.at(key), value);
    for (const [key, value] of Object.entries({
      uFaint: full.faint, uStrong: full.strong, uKnee: full.knee, uPower: full.exponent, uWhite: full.white,
      uFloor: full.floor_sigma, uGate: full.gate, uSoftGate: full.soft_gate,
    })) gl.uniform1f(program.at(key), value);
  }

  setRegel(program, regel) {
    const gl = this.gl;
    gl.uniform1i(program.at("uRegel"), regel ? 1 : 0);
    if (!regel) return;
    gl.uniform3fv(program.at("uRegelGains"), regel.gains);
    gl.uniform3fv(program.at("uReached"), regel.reached);
    gl.uniform3fv(program.at("uLuminance"), regel.weights);
    gl.uniform1f(program.at("uLamp"), regel.lamp);
    gl.uniform1f(program.at("uCeiling"), regel.ceiling ?? 0);
    gl.uniform1f(program.at("uClipFrom"), regel.clip_from);
    gl.uniform1f(program.at("uClipFull"), regel.clip_full);
  }

  setStills(program, stack, stills, blend) {
    const gl = this.gl;
    const width = Math.max(1, stills.length);
    const values = new Float32Array(width * 8);
    const weights = blend.weights ?? PLAIN_BLEND.weights;
    stills.forEach(({ index, dims, gains = [1, 1, 1], share = 1 }, k) => {
      const noise = Math.sqrt(dims.reduce((sum, dim, c) => sum + (dim * gains[c]) ** 2, 0) / 3);
      const level = dims.reduce((sum, dim, c) => sum + dim * weights[c], 0);
      values.set([...dims, blend.rule === "sum" ? share : 1], 4 * k);
      values.set([index, 0, noise, level], 4 * (width + k));
    });
    if (stills.length <= MOST_STILLS) {
      gl.uniform4fv(program.at("uOne"), values.subarray(0, 4 * width));
      gl.uniform4fv(program.at("uTwo"), values.subarray(4 * width));
      return;
    }
    gl.activeTexture(gl.TEXTURE3);
    if (stack.table) gl.deleteTexture(stack.table);
    stack.table = this.texture(gl.RGBA32F, width, 2, gl.NEAREST);
    gl.texSubImage2D(gl.TEXTURE_2D, 0, 0, 0, width, 2, gl.RGBA, gl.FLOAT, values);
    this.bind(program, "uStills", 3, stack.table);
  }

  // --- a frame ---------------------------------------------------------------------------------------------------

  // look: { base: "hero" | "black", lights: [{ name, plate, gain: [r, g, b], figure: [r, g, b] | null, white: 0 | number }],
  // hold: 0..1, pose: 9 numbers from frame to plate, rows first, or null, stops, step: every which pixel is drawn }
  compose(slot, look) {
    const { linear, shown } = this.slots[slot];
    const step = look.step ?? 1;
    const plates = look.lights.filter((one) => one.plate);
    const lights = [...plates.filter((one) => !one.white), ...plates.filter((one) => one.white)]; // as builds do
    const white = lights.find((one) => one.white && one.gain.some((gain) => gain > 0))?.white ?? 1;
    let into = linear;
    let other = this.spare;
    for (let first = 0; first === 0 || first < lights.length; first += MOST_LIGHTS) {
      if (first > 0) [into, other] = [other, into];
      this.lay(into, other, lights.slice(first, first + MOST_LIGHTS), { ...look, white }, first === 0);
    }
    if (into !== linear) [this.slots[slot].linear, this.spare] = [into, other];
    this.view.draw(into, shown, look.stops ?? 0, ...this.reducedBy(step));
    Object.assign(this.slots[slot], { step, drawn: ++this.drawings });
  }

  lay(into, before, lights, look, first) {
    const gl = this.gl;
    const kinds = lights.map((light) => ({
      screened: light.white > 0,
      figure: Boolean(light.figure?.some((gain) => gain !== 0) && this.figures.has(light.name)),
      direct: !look.pose && light.fits === true,
    }));
    const base = first ? (look.base === "hero" ? 1 : 0) : 2;
    const held = Boolean(look.hold && lights.length);
    const program = this.program(JSON.stringify([kinds, base, held]), () => layShader(kinds, base, held));
    this.begin(program, into, ...this.reducedBy(look.step ?? 1));
    this.bind(program, "uHero", 0, this.hero);
    this.bind(program, "uDecode", 1, this.view.decode);
    this.bind(program, "uHoldout", 2, this.holdout);
    this.bind(program, "uBefore", 3, before.texture === into.texture ? this.view.decode : before.texture);
    lights.forEach((light, k) => {
      this.bind(program, `uPlate${k}`, 4 + k, light.plate);
      if (kinds[k].figure) this.bind(program, `uFigure${k}`, 4 + MOST_LIGHTS + k, this.figures.get(light.name));
    });
    const each = (pick) => Float32Array.from(lights.flatMap(pick));
    if (lights.length) {
      gl.uniform3fv(program.at("uGain"), each((light) => light.gain));
      gl.uniform3fv(program.at("uFigureGain"), each((light) => light.figure ?? [0, 0, 0]));
    }
    gl.uniform1f(program.at("uHold"), look.hold ?? 0);
    gl.uniform1f(program.at("uWhite"), look.white);
    gl.uniformMatrix3fv(program.at("uPose"), true, look.pose ?? STILL);
    gl.uniform2f(program.at("uSize"), this.width, this.height);
    gl.uniform1f(program.at("uStep"), look.step ?? 1);
    this.draw();
  }

  // --- looking into it -------------------------------------------------------------------------------------------

  readShown(slot = 1) {
    const gl = this.gl;
    const out = new Uint8Array(this.width * this.height * 4);
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.slots[slot].shown.frame);
    gl.readPixels(0, 0, this.width, this.height, gl.RGBA, gl.UNSIGNED_BYTE, out);
    return out;
  }

  readLinear(x, y, slot = 1) {
    const gl = this.gl;
    const out = new Float32Array(4);
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.slots[slot].linear.frame);
    const { step } = this.slots[slot];
    gl.readPixels(Math.floor(x / step), Math.floor(y / step), 1, 1, gl.RGBA, gl.FLOAT, out);
    return [out[0], out[1], out[2]];
  }
}
