// The light stack blended in linear light on the graphics card.

import { Graphics } from "./graphics.js";
import { FADE, layShader, MOST_LIGHTS, MOST_STILLS, plateShader, SHOW, WINDOW } from "./shaders.js";

const INVERSE_STEPS = 4096;
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
    for (const [name, source] of Object.entries({ show: SHOW, window: WINDOW, fade: FADE })) {
      this.programs[name] = this.compile(source);
    }
    this.window = null;
  }

  // --- what is shown through -------------------------------------------------------------------------------------

  setShot(width, height, view) {
    const gl = this.gl;
    this.width = width;
    this.height = height;
    this.view = view;
    this.hero = this.texture(gl.R32UI, width, height, gl.NEAREST);
    this.holdout = this.texture(gl.R8, width, height, gl.NEAREST);
    this.figures = new Map();
    this.decode = this.table(Float32Array.from(view.decode));
    const inverse = invertDecode(view.decode);
    this.inverse = this.table(inverse.codes);
    this.most = inverse.most;
    this.spare = this.target(gl.RGBA32F, width, height, gl.NEAREST);
    this.slots = [0, 1].map(() => ({
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
  // server sends them, blend.rule also "path" and "naive". Gives a texture; equal recipes are made once.
  plate(name, recipe) {
    const stack = this.stacks.get(name);
    if (!stack) return null;
    const key = JSON.stringify(recipe);
    let plate = stack.plates.get(key);
    if (plate) stack.plates.delete(key);
    else plate = this.makePlate(stack, recipe, this.reuse(stack));
    stack.plates.set(key, plate);
    return plate.texture;
  }

  // Milliseconds that one plate of a stack takes, to the last pixel.
  timePlate(name) {
    const gl = this.gl;
    const stack = this.stacks.get(name);
    const stills = Array.from({ length: stack.count }, (_, index) => ({ index, dims: [1, 1, 1] }));
    const target = this.reuse(stack);
    const wait = () => gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.FLOAT, new Float32Array(4));
    let start = 0;
    for (let turn = 0; turn < 2; turn++) { // the first also makes the program
      start = performance.now();
      this.makePlate(stack, { blend: { rule: "max" }, regel: null, stills }, target);
      wait();
    }
    this.drop(target);
    return performance.now() - start;
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
    const program = this.program(`plate ${stack.groups} ${blend.rule} ${tabled}`, () => plateShader(stack.groups, blend.rule, tabled));
    this.reads = 1 + stills.length * ((blend.rule === "path" || blend.rule === "naive" ? 1 : 2) + (tabled ? 2 : 0));
    this.begin(program, target, stack.width, stack.height);
    this.bind(program, "uLight", 0, stack.light, gl.TEXTURE_2D_ARRAY);
    this.bind(program, "uGuide", 1, stack.guides, gl.TEXTURE_2D_ARRAY);
    this.bind(program, "uAmbient", 2, stack.ambient);
    this.setStills(program, stack, stills, blend);
    gl.uniform1i(program.at("uCount"), stills.length);
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
    stills.forEach(({ index, dims, gains = [1, 1, 1], share = 1, weight = 1 }, k) => {
      const noise = Math.sqrt(dims.reduce((sum, dim, c) => sum + (dim * gains[c]) ** 2, 0) / 3);
      const level = dims.reduce((sum, dim, c) => sum + dim * weights[c], 0);
      values.set([...dims, blend.rule === "sum" ? share : 1], 4 * k);
      values.set([index, weight, noise, level], 4 * (width + k));
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
  // hold: 0..1, pose: 9 numbers from frame to plate, rows first, or null, stops }
  compose(slot, look) {
    const { linear, shown } = this.slots[slot];
    const lights = look.lights.filter((one) => one.plate);
    let into = linear;
    let other = this.spare;
    for (let first = 0; first === 0 || first < lights.length; first += MOST_LIGHTS) {
      if (first > 0) [into, other] = [other, into];
      this.lay(into, other, lights.slice(first, first + MOST_LIGHTS), look, first === 0);
    }
    if (into !== linear) [this.slots[slot].linear, this.spare] = [into, other];
    this.show(into, shown, look.stops ?? 0);
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
    this.begin(program, into, this.width, this.height);
    this.bind(program, "uHero", 0, this.hero);
    this.bind(program, "uDecode", 1, this.decode);
    this.bind(program, "uHoldout", 2, this.holdout);
    this.bind(program, "uBefore", 3, before.texture === into.texture ? this.decode : before.texture);
    lights.forEach((light, k) => {
      this.bind(program, `uPlate${k}`, 4 + k, light.plate);
      if (kinds[k].figure) this.bind(program, `uFigure${k}`, 4 + MOST_LIGHTS + k, this.figures.get(light.name));
    });
    const each = (pick) => Float32Array.from(lights.flatMap(pick));
    if (lights.length) {
      gl.uniform3fv(program.at("uGain"), each((light) => light.gain));
      gl.uniform3fv(program.at("uFigureGain"), each((light) => light.figure ?? [0, 0, 0]));
      gl.uniform1fv(program.at("uWhite"), each((light) => light.white ?? 0));
    }
    gl.uniform1f(program.at("uHold"), look.hold ?? 0);
    gl.uniformMatrix3fv(program.at("uPose"), true, look.pose ?? STILL);
    gl.uniform2f(program.at("uSize"), this.width, this.height);
    this.draw();
  }

  show(linear, shown, stops) {
    const gl = this.gl;
    const program = this.programs.show;
    this.begin(program, shown, this.width, this.height);
    this.bind(program, "uLinear", 0, linear.texture);
    this.bind(program, "uInverse", 1, this.inverse);
    gl.uniform1f(program.at("uStops"), stops);
    gl.uniform1f(program.at("uMost"), this.most);
    gl.uniform1i(program.at("uOwn"), this.view.kind === "srgb" ? 0 : 1);
    gl.uniformMatrix3fv(program.at("uMatrix"), true, this.view.matrix ?? STILL);
    this.draw();
  }

  // --- the window on it ------------------------------------------------------------------------------------------

  // view: { scale, x, y, wipe (px in the window), sharp }; share: how far the cross-fade has come, 0..1.
  present(view, share) {
    const gl = this.gl;
    const { width, height } = this.canvas;
    if (!this.window || this.window.width !== width || this.window.height !== height) this.makeWindow(width, height);
    const program = this.programs.window;
    const [left, right] = this.slots.map((slot) => slot.shown.texture);
    for (const texture of [left, right]) this.filter(texture, view);
    this.begin(program, this.window.now, width, height);
    this.bind(program, "uLeft", 0, left);
    this.bind(program, "uRight", 1, right);
    gl.uniform2f(program.at("uSize"), this.width, this.height);
    gl.uniform2f(program.at("uOffset"), view.x, view.y);
    gl.uniform1f(program.at("uScale"), view.scale);
    gl.uniform1f(program.at("uWipe"), view.wipe);
    gl.uniform1f(program.at("uWindowHeight"), height);
    this.draw();
    const fade = this.programs.fade;
    this.begin(fade, null, width, height);
    this.bind(fade, "uFrom", 0, this.window.from.texture);
    this.bind(fade, "uTo", 1, this.window.now.texture);
    gl.uniform1f(fade.at("uShare"), share);
    this.draw();
  }

  filter(texture, view) {
    const gl = this.gl;
    gl.bindTexture(gl.TEXTURE_2D, texture);
    const small = view.scale < 0.75;
    if (small) gl.generateMipmap(gl.TEXTURE_2D);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, small ? gl.LINEAR_MIPMAP_LINEAR : gl.LINEAR);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, view.scale >= 2 ? gl.NEAREST : gl.LINEAR);
  }

  // What is in the window now is what the next state fades in over.
  holdWindow() {
    if (this.window) [this.window.now, this.window.from] = [this.window.from, this.window.now];
  }

  makeWindow(width, height) {
    if (this.window) for (const target of [this.window.now, this.window.from]) this.drop(target);
    const make = () => this.target(this.gl.RGBA8, width, height, this.gl.NEAREST);
    this.window = { width, height, now: make(), from: make() };
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
    gl.readPixels(x, y, 1, 1, gl.RGBA, gl.FLOAT, out);
    return [out[0], out[1], out[2]];
  }
}

// Codes by the root of light, so that shadows have as many steps as they need: exact to a hundredth of a code.
export function invertDecode(decode) {
  const most = decode[decode.length - 1];
  const codes = new Float32Array(INVERSE_STEPS);
  let at = 0;
  for (let k = 0; k < INVERSE_STEPS; k++) {
    const light = most * (k / (INVERSE_STEPS - 1)) ** 2;
    while (at < decode.length - 2 && decode[at + 1] < light) at++;
    const step = decode[at + 1] - decode[at];
    codes[k] = (at + (step > 0 ? Math.min(1, Math.max(0, (light - decode[at]) / step)) : 0)) / (decode.length - 1);
  }
  return { codes, most };
}
