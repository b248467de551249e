// Linear light as it is looked at: by the hero's own curve, as plain sRGB, or through a view as the preview movie shows it.
// The view's formulas are those of core/colour/view_cube.py, which is their twin.

import { HEAD } from "./shaders.js";

const INVERSE_STEPS = 4096;
const STILL = [1, 0, 0, 0, 1, 0, 0, 0, 1];

const OWN = `
uniform sampler2D uInverse; // runs over the root of light up to uMost
uniform float uMost;
float own(float light) {
  float last = float(textureSize(uInverse, 0).x - 1);
  float t = sqrt(clamp(light / uMost, 0.0, 1.0)) * last;
  int low = int(min(floor(t), last - 1.0));
  return mix(texelFetch(uInverse, ivec2(low, 0), 0).r, texelFetch(uInverse, ivec2(low + 1, 0), 0).r, t - float(low));
}
vec3 show(vec3 light) { return vec3(own(light.r), own(light.g), own(light.b)); }`;

const SRGB = `
uniform mat3 uMatrix;
vec3 show(vec3 light) {
  vec3 x = clamp(uMatrix * light, 0.0, 1.0);
  return mix(12.92 * x, 1.055 * pow(max(x, 1e-6), vec3(1.0 / 2.4)) - 0.055, step(0.0031308, x));
}`;

const VIEW = `
precision highp sampler3D;
uniform sampler3D uCube;
uniform mat3 uMatrix;
uniform float uBelow, uLeast, uMost, uBend; // points below black, light of the ends
vec3 read(ivec3 corner) { return texelFetch(uCube, corner, 0).rgb; }
vec3 show(vec3 light) {
  vec3 x = clamp(uMatrix * light, uLeast, uMost);
  float last = float(textureSize(uCube, 0).x - 1);
  vec3 above = log(1.0 + uBend * max(x, 0.0)) / log(1.0 + uBend * uMost);
  vec3 under = log(1.0 + uBend * max(-x, 0.0)) / log(1.0 - uBend * uLeast);
  vec3 place = uBelow * (1.0 - under) + (last - uBelow) * above;
  vec3 low = min(floor(place), last - 1.0), share = place - low;
  ivec3 corner = ivec3(low);
  // along the edges, first where there is farthest to go
  ivec3 first = share.r >= share.g && share.r >= share.b ? ivec3(1, 0, 0) : share.g >= share.b ? ivec3(0, 1, 0) : ivec3(0, 0, 1);
  ivec3 final = share.b <= share.r && share.b <= share.g ? ivec3(0, 0, 1) : share.g <= share.r ? ivec3(0, 1, 0) : ivec3(1, 0, 0);
  float most = max(share.r, max(share.g, share.b)), least = min(share.r, min(share.g, share.b));
  float middle = share.r + share.g + share.b - most - least;
  return (1.0 - most) * read(corner) + (most - middle) * read(corner + first)
    + (middle - least) * read(corner + 1 - final) + least * read(corner + 1);
}`;

const showShader = (kind) => `${HEAD}
uniform sampler2D uLinear;
uniform float uStops;
${{ hero: OWN, srgb: SRGB, view: VIEW }[kind] ?? SRGB}
out vec4 oShown;
void main() {
  oShown = vec4(show(texelFetch(uLinear, ivec2(gl_FragCoord.xy), 0).rgb * exp2(uStops)), 1.0);
}`;

export class View {
  // told: as the server sends it
  constructor(graphics, told) {
    this.graphics = graphics;
    this.told = told;
    this.decode = graphics.table(Float32Array.from(told.decode));
    this.program = graphics.compile(showShader(told.kind));
    this.cube = null;
    if (told.kind !== "hero") return;
    const inverse = invertDecode(told.decode);
    this.inverse = graphics.table(inverse.codes);
    this.most = inverse.most;
  }

  // Whether all of it is there; a view's cube is sent for apart.
  get ready() {
    return this.told.kind !== "view" || this.cube !== null;
  }

  // n x n x n signals, three half floats each, red running fastest.
  putCube(bytes, points) {
    const { gl } = this.graphics;
    this.cube = gl.createTexture();
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_3D, this.cube);
    gl.texStorage3D(gl.TEXTURE_3D, 1, gl.RGB16F, points, points, points);
    gl.texParameteri(gl.TEXTURE_3D, gl.TEXTURE_MIN_FILTER, gl.NEAREST);
    gl.texParameteri(gl.TEXTURE_3D, gl.TEXTURE_MAG_FILTER, gl.NEAREST);
    gl.texSubImage3D(gl.TEXTURE_3D, 0, 0, 0, 0, points, points, points, gl.RGB, gl.HALF_FLOAT, new Uint16Array(bytes));
  }

  // Draw what `linear` holds, so many stops brighter, into `shown`.
  draw(linear, shown, stops, width, height) {
    const { graphics, program, told } = this;
    const { gl } = graphics;
    graphics.begin(program, shown, width, height);
    graphics.bind(program, "uLinear", 0, linear.texture);
    gl.uniform1f(program.at("uStops"), stops);
    if (told.kind === "hero") {
      graphics.bind(program, "uInverse", 1, this.inverse);
      gl.uniform1f(program.at("uMost"), this.most);
    } else gl.uniformMatrix3fv(program.at("uMatrix"), true, told.matrix ?? STILL);
    if (told.kind === "view") {
      graphics.bind(program, "uCube", 1, this.cube, gl.TEXTURE_3D);
      for (const [name, value] of Object.entries({ uBelow: told.cube.below, uLeast: told.cube.least, uMost: told.cube.most, uBend: told.cube.bend })) {
        gl.uniform1f(program.at(name), value);
      }
    }
    graphics.draw();
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
