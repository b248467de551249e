// Stacks brought to smaller sizes on the graphics card, for while something is dragged: the mean of what is valid.

import { HEAD } from "./shaders.js";

// Each pixel is the area beneath it. weighed: what is not valid counts for none; else stills are summed as they are.
const shrinkShader = (weighed) => `${HEAD}
uniform sampler2DArray uLight, uGuide; // A of the light = validity
uniform int uLayer;
uniform vec2 uStep; // pixels beneath one
layout(location = 0) out vec4 oLight;
layout(location = 1) out vec4 oGuide;
void main() {
  ivec2 most = textureSize(uLight, 0).xy;
  vec2 low = floor(gl_FragCoord.xy) * uStep, high = min(low + uStep, vec2(most));
  ivec2 from = ivec2(floor(low)), to = min(ivec2(ceil(high - 1e-3)), most);
  vec4 light = vec4(0.0), guide = vec4(0.0);
  float area = 0.0, share = 0.0;
  for (int y = from.y; y < to.y; y++) for (int x = from.x; x < to.x; x++) {
    ivec3 at = ivec3(x, y, uLayer);
    vec2 covered = min(high, vec2(x + 1, y + 1)) - max(low, vec2(x, y));
    float part = covered.x * covered.y;
    vec4 still = texelFetch(uLight, at, 0);
    float sum = still.r + still.g + still.b, valid = still.a > 0.0 && !(isnan(sum) || isinf(sum)) ? still.a : 0.0;
    float weight = ${weighed ? "part * valid" : "part"};
    area += part;
    share += part * valid;
    if (weight > 0.0) { light.rgb += weight * still.rgb; guide += weight * texelFetch(uGuide, at, 0); }
  }
  float norm = 1.0 / max(${weighed ? "share" : "area"}, 1e-6);
  oLight = vec4(light.rgb * norm, share / area);
  oGuide = guide * norm;
}`;

const AMBIENT = `${HEAD}
uniform sampler2D uAmbient;
out vec4 oAmbient;
uniform vec2 uStep;
void main() {
  ivec2 most = textureSize(uAmbient, 0);
  ivec2 low = ivec2(floor(gl_FragCoord.xy) * uStep), high = min(ivec2((floor(gl_FragCoord.xy) + 1.0) * uStep - 1e-3) + 1, most);
  vec3 sum = vec3(0.0);
  for (int y = low.y; y < high.y; y++) for (int x = low.x; x < high.x; x++) sum += texelFetch(uAmbient, ivec2(x, y), 0).rgb;
  ivec2 across = max(high - low, 1);
  oAmbient = vec4(sum / float(across.x * across.y), 1.0);
}`;

// Make a stack of `from`'s stills, `width` x `height`, under another name. weighed: see above.
export function shrinkStack(blend, from, name, width, height, weighed) {
  const { gl } = blend;
  const made = blend.makeStack(name, width, height, from.count, from.groups);
  const step = [from.width / width, from.height / height];
  const program = blend.program(`shrink ${weighed}`, () => shrinkShader(weighed));
  const frame = gl.createFramebuffer();
  for (let layer = 0; layer < from.count; layer++) {
    blend.begin(program, { frame }, width, height);
    gl.framebufferTextureLayer(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, made.light, 0, layer);
    gl.framebufferTextureLayer(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT1, made.guides, 0, layer);
    gl.drawBuffers([gl.COLOR_ATTACHMENT0, gl.COLOR_ATTACHMENT1]);
    blend.bind(program, "uLight", 0, from.light, gl.TEXTURE_2D_ARRAY);
    blend.bind(program, "uGuide", 1, from.guides, gl.TEXTURE_2D_ARRAY);
    gl.uniform1i(program.at("uLayer"), layer);
    gl.uniform2fv(program.at("uStep"), step);
    blend.draw();
  }
  gl.deleteFramebuffer(frame);
  shrinkAmbient(blend, from, made, step);
  blend.useStack(made);
  return made;
}

function shrinkAmbient(blend, from, made, step) {
  const { gl } = blend;
  const program = blend.program("shrink ambient", () => AMBIENT);
  const frame = gl.createFramebuffer();
  blend.begin(program, { frame }, made.width, made.height);
  gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, made.ambient, 0);
  blend.bind(program, "uAmbient", 0, from.ambient);
  gl.uniform2fv(program.at("uStep"), step);
  blend.draw();
  gl.deleteFramebuffer(frame);
}
