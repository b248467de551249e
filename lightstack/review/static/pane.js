// The window on the picture: zoom, the wipe between two states, and the cross-fade from what was shown before.

import { HEAD } from "./shaders.js";

const SMALL = 0.75; // smaller than this, a picture is drawn from means of its pixels

// wiped: two states side by side; fading: over what the window showed before. One pass, which reads only what it needs.
const windowShader = (wiped, fading) => `${HEAD}
uniform sampler2D uLeft, uRight, uFrom;
uniform vec2 uSize, uOffset; // of the picture; of its corner in the window, px
uniform vec2 uLeftPart, uRightPart; // of its texture that each picture takes
uniform float uScale, uWipe, uWindowHeight, uShare;
out vec4 oColour;
vec3 look(sampler2D picture, vec2 uv, vec2 part) { return texture(picture, min(uv * part, part - 0.5 / uSize)).rgb; }
void main() {
  vec2 here = vec2(gl_FragCoord.x, uWindowHeight - gl_FragCoord.y);
  vec2 uv = (here - uOffset) / (uScale * uSize);
  vec3 now = look(uRight, uv, uRightPart);
  ${wiped ? "if (here.x < uWipe) now = look(uLeft, uv, uLeftPart);" : ""}
  if (any(lessThan(uv, vec2(0.0))) || any(greaterThanEqual(uv, vec2(1.0)))) now = vec3(0.055);
  ${fading ? "now = mix(texelFetch(uFrom, ivec2(gl_FragCoord.xy), 0).rgb, now, uShare);" : ""}
  oColour = vec4(now, 1.0);
}`;

export class Pane {
  constructor(blend) {
    this.blend = blend;
    this.from = null; // what the window showed before
    this.last = null; // how it was last looked at
    this.shown = null;
  }

  // view: { scale, x, y, wipe (px in the window, < 0 none) }; share: how far the cross-fade has come, 0..1. What is in the
  // window already is not drawn again.
  present(view, share) {
    const { width, height } = this.blend.canvas;
    const key = JSON.stringify([view, share, width, height, this.blend.slots.map((slot) => slot.drawn)]);
    if (key === this.shown) return;
    if (share < 1) this.fit(width, height);
    this.draw(null, view, share);
    [this.shown, this.last] = [key, view];
  }

  // What is in the window now is what the next state fades in over.
  hold() {
    if (!this.last) return;
    const { width, height } = this.blend.canvas;
    this.fit(width, height);
    this.draw(this.from, this.last, 1);
  }

  fit(width, height) {
    const { blend, from } = this;
    if (from?.width === width && from.height === height) return;
    if (from) blend.drop(from);
    this.from = { ...blend.target(blend.gl.RGBA8, width, height, blend.gl.NEAREST), width, height };
  }

  draw(target, view, share) {
    const { blend } = this;
    const { gl, canvas } = blend;
    const [wiped, fading] = [view.wipe >= 0, share < 1];
    const program = blend.program(`window ${wiped} ${fading}`, () => windowShader(wiped, fading));
    const [left, right] = blend.slots;
    for (const slot of wiped ? [left, right] : [right]) this.filter(slot, view);
    blend.begin(program, target, canvas.width, canvas.height);
    if (wiped) blend.bind(program, "uLeft", 0, left.shown.texture);
    blend.bind(program, "uRight", 1, right.shown.texture);
    if (fading) blend.bind(program, "uFrom", 2, this.from.texture);
    gl.uniform2f(program.at("uSize"), blend.width, blend.height);
    gl.uniform2fv(program.at("uLeftPart"), this.partOf(left));
    gl.uniform2fv(program.at("uRightPart"), this.partOf(right));
    gl.uniform2f(program.at("uOffset"), view.x, view.y);
    gl.uniform1f(program.at("uScale"), view.scale);
    gl.uniform1f(program.at("uWipe"), view.wipe);
    gl.uniform1f(program.at("uShare"), share);
    gl.uniform1f(program.at("uWindowHeight"), canvas.height);
    blend.draw();
  }

  partOf(slot) {
    const [width, height] = this.blend.reducedBy(slot.step);
    return [width / this.blend.width, height / this.blend.height];
  }

  filter(slot, view) {
    const { gl } = this.blend;
    const small = view.scale < SMALL && slot.step === 1;
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_2D, slot.shown.texture);
    if (small && slot.meant !== slot.drawn) {
      gl.generateMipmap(gl.TEXTURE_2D);
      slot.meant = slot.drawn;
    }
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, small ? gl.LINEAR_MIPMAP_LINEAR : gl.LINEAR);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, view.scale >= 2 && slot.step === 1 ? gl.NEAREST : gl.LINEAR);
  }
}
