// A light made of stills that are summed by weights, each first brought to the light's place: `weigh_proxies` of
// core/page/plate.py, which is its twin. How a still's light changes on the way comes from the server as stops on a small
// picture; it is enlarged as `enlarge_stops` of core/lamp/travel_shade.py does: across here, once, down in the shader.

import { api } from "./api.js";
import { fromHalf } from "./half.js";
import { HEAD, REGEL } from "./shaders.js";

const MOST_WEIGHED = 64; // told by uniforms; more of them by a texture
const LIFTED_AT_ONCE = 4; // stills whose stops share one texel
const STEPS = 32; // OpenCV enlarges by a table of that many steps from one texel to the next
const BEND = -0.75; // of its cubic
const KEPT = 400; // places; some 10 KB each

const pathShader = (lifted, tabled) => `${HEAD}
uniform sampler2DArray uLight; // A = validity
uniform sampler2D uAmbient, uStills;
uniform vec2 uOne[${MOST_WEIGHED}]; // of every still: layer, weight
uniform int uCount;
uniform sampler2DArray uStops; // as wide as the plate and as high as the small picture; four stills to a texel
uniform float uHeight; // of the plate
${REGEL}
out vec4 oPlate;
vec4 cubic(float t) {
  float a = ${BEND}, s = t + 1.0, r = 1.0 - t;
  vec3 w = vec3(((a * s - 5.0 * a) * s + 8.0 * a) * s - 4.0 * a, ((a + 2.0) * t - (a + 3.0)) * t * t + 1.0, ((a + 2.0) * r - (a + 3.0)) * r * r + 1.0);
  return vec4(w, 1.0 - w.x - w.y - w.z);
}
vec4 stopsOf(int layer, ivec4 rows, vec4 shares, int x) {
  return shares.x * texelFetch(uStops, ivec3(x, rows.x, layer), 0) + shares.y * texelFetch(uStops, ivec3(x, rows.y, layer), 0)
    + shares.z * texelFetch(uStops, ivec3(x, rows.z, layer), 0) + shares.w * texelFetch(uStops, ivec3(x, rows.w, layer), 0);
}
vec3 whole = vec3(0.0), light = vec3(0.0);
float believed = 0.0, total = 0.0;
void add(ivec2 at, int k, float gain) {
  vec2 one = ${tabled ? "texelFetch(uStills, ivec2(k, 0), 0).xy" : "uOne[k]"};
  vec4 still = texelFetch(uLight, ivec3(at, int(one.x)), 0);
  float sum = still.r + still.g + still.b, v = clamp(still.a, 0.0, 1.0);
  if (isnan(sum) || isinf(sum)) still = vec4(v = 0.0);
  vec3 lit = one.y * gain * still.rgb;
  whole += lit; light += v * lit; believed += one.y * v; total += one.y;
}
void main() {
  ivec2 at = ivec2(gl_FragCoord.xy);
  ${lifted ? `int high = textureSize(uStops, 0).y;
  float y = floor((gl_FragCoord.y * (float(high) / uHeight) - 0.5) * ${STEPS}.0 + 0.5) / ${STEPS}.0;
  ivec4 rows = clamp(int(floor(y)) + ivec4(-1, 0, 1, 2), 0, high - 1);
  vec4 shares = cubic(y - floor(y));` : ""}
  for (int k = 0; k < uCount; k += ${LIFTED_AT_ONCE}) {
    ${lifted ? `vec4 gains = exp2(stopsOf(k / ${LIFTED_AT_ONCE}, rows, shares, at.x));` : ""}
    ${["x", "y", "z", "w"].map((part, i) => `if (k + ${i} >= uCount) break;
    add(at, k + ${i}, ${lifted ? `gains.${part}` : "1.0"});`).join("\n    ")}
  }
  float known = believed / max(total, 1e-30);
  vec3 plate = mix(whole, light / max(known, 1e-6), ease(known / 0.25));
  oPlate = vec4(regel(plate, texelFetch(uAmbient, at, 0).rgb), 1.0);
}`;

// Draw a plate of a stack's stills, [{ index, weight }], by weights alone or by stops too: { halves, width, height } of
// small pictures beneath each other, one a still. `blend` draws.
export function drawPath(blend, stack, { regel, stills }, lift, target) {
  const { gl } = blend;
  const tabled = stills.length > MOST_WEIGHED;
  const program = blend.program(`path ${Boolean(lift)} ${tabled}`, () => pathShader(Boolean(lift), tabled));
  blend.reads = 1 + stills.length * (tabled ? 2 : 1) + (lift ? 4 * Math.ceil(stills.length / LIFTED_AT_ONCE) : 0);
  const stops = lift && findStops(blend, lift, stack.width, stills.length);
  const table = tabled && putTable(blend, stills);
  blend.begin(program, target, stack.width, stack.height);
  blend.bind(program, "uLight", 0, stack.light, gl.TEXTURE_2D_ARRAY);
  blend.bind(program, "uAmbient", 1, stack.ambient);
  if (stops) blend.bind(program, "uStops", 2, stops, gl.TEXTURE_2D_ARRAY);
  if (table) blend.bind(program, "uStills", 3, table);
  else if (stills.length) gl.uniform2fv(program.at("uOne"), stills.flatMap(({ index, weight }) => [index, weight]));
  gl.uniform1i(program.at("uCount"), stills.length);
  gl.uniform1f(program.at("uHeight"), stack.height);
  blend.setRegel(program, regel);
  blend.draw();
  if (table) gl.deleteTexture(table);
  return target;
}

function putTable(blend, stills) {
  const { gl } = blend;
  gl.activeTexture(gl.TEXTURE3);
  const table = blend.texture(gl.RG32F, stills.length, 1, gl.NEAREST);
  const values = Float32Array.from(stills.flatMap(({ index, weight }) => [index, weight]));
  gl.texSubImage2D(gl.TEXTURE_2D, 0, 0, 0, stills.length, 1, gl.RG, gl.FLOAT, values);
  return table;
}

// The last ones stay: a plate may be drawn in parts.
function findStops(blend, lift, width, count) {
  const { gl, stops: last } = blend;
  if (last?.lift === lift && last.width === width) return last.texture;
  if (last) gl.deleteTexture(last.texture);
  const layers = Math.ceil(count / LIFTED_AT_ONCE);
  gl.activeTexture(gl.TEXTURE2);
  const texture = blend.layers(gl.RGBA32F, width, lift.height / count, layers);
  const values = widenStops(lift, width, count);
  gl.texSubImage3D(gl.TEXTURE_2D_ARRAY, 0, 0, 0, 0, width, lift.height / count, layers, gl.RGBA, gl.FLOAT, values);
  blend.stops = { lift, width, texture };
  return texture;
}

// Small pictures of stops enlarged across to `width`, four stills side by side in a texel: [layer][row][column][still].
export function widenStops({ halves, width: across, height }, width, count) {
  const rows = height / count;
  const out = new Float32Array(Math.ceil(count / LIFTED_AT_ONCE) * rows * width * LIFTED_AT_ONCE);
  const small = Float32Array.from(halves, fromHalf);
  for (let x = 0; x < width; x++) {
    const at = Math.floor(((x + 0.5) * (across / width) - 0.5) * STEPS + 0.5) / STEPS;
    const first = Math.floor(at);
    const shares = cubicShares(at - first);
    const from = [-1, 0, 1, 2].map((step) => Math.min(across - 1, Math.max(0, first + step)));
    for (let line = 0; line < height; line++) { // rows of all stills, one beneath the other
      const k = Math.floor(line / rows);
      const start = line * across;
      let sum = 0;
      for (let i = 0; i < 4; i++) sum += shares[i] * small[start + from[i]];
      const row = Math.floor(k / LIFTED_AT_ONCE) * rows + (line % rows);
      out[(row * width + x) * LIFTED_AT_ONCE + (k % LIFTED_AT_ONCE)] = sum;
    }
  }
  return out;
}

function cubicShares(t) {
  const [s, r] = [t + 1, 1 - t];
  const near = (u) => ((BEND + 2) * u - (BEND + 3)) * u * u + 1;
  const [first, second, third] = [((BEND * s - 5 * BEND) * s + 8 * BEND) * s - 4 * BEND, near(t), near(r)];
  return [first, second, third, 1 - first - second - third];
}

// Stops by place, asked of the server as they are needed; the least recently wanted are let go.
export class Lifts {
  constructor(changed, failed) {
    this.changed = changed;
    this.failed = failed;
    this.kept = new Map();
    this.waiting = new Set();
  }

  // The stops of a recipe that has a place; undefined while they are on their way. Null: it needs none, or has none.
  get(light, { place, stills }) {
    if (!place || !stills.length) return null;
    const recipe = `${light}/${place}/${stills.map(({ index }) => index)}`;
    const found = this.kept.get(recipe);
    if (found === undefined) return void this.ask(recipe, light, place, stills);
    this.kept.delete(recipe);
    this.kept.set(recipe, found);
    return found;
  }

  async ask(recipe, light, place, stills) {
    if (this.waiting.has(recipe)) return;
    this.waiting.add(recipe);
    let lift = null; // what cannot be had is said, and drawn without
    try {
      const told = await api.lift(light, place, stills.map(({ index }) => index));
      lift = told && { halves: new Uint16Array(told.bytes), width: told.width, height: told.height };
    } catch (error) {
      this.failed(error);
    }
    this.waiting.delete(recipe);
    this.kept.set(recipe, lift);
    for (const old of this.kept.keys()) {
      if (this.kept.size <= KEPT) break;
      this.kept.delete(old);
    }
    this.changed();
  }
}
