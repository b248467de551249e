// What the graphics card computes. Row 0 of every texture is the picture's top row; only PRESENT turns the picture over.
// The plate's formulas are those of core/page/plate.py, which is their twin.

export const RULES = { max: 0, sum: 1, screen: 2, softmax: 3, naive: 4 };

export const VERTEX = `#version 300 es
void main() { // one triangle that covers everything
  gl_Position = vec4(vec2((gl_VertexID << 1) & 2, gl_VertexID & 2) * 2.0 - 1.0, 0.0, 1.0);
}`;

export const HEAD = `#version 300 es
precision highp float;
precision highp int;
precision highp sampler2D;
precision highp usampler2D;
precision highp sampler2DArray;
`;

// A new gel: gains, and what clipped light turns to. For every shader that makes a plate.
export const REGEL = `
uniform bool uRegel;
uniform vec3 uRegelGains, uReached, uLuminance;
uniform float uLamp, uCeiling, uClipFrom, uClipFull;
float ease(float t) { t = clamp(t, 0.0, 1.0); return t * t * (3.0 - 2.0 * t); }
vec3 regel(vec3 plate, vec3 ambient) {
  if (!uRegel) return plate;
  vec3 level = plate + max(ambient, 0.0), plain = plate * uRegelGains;
  float clipped = uCeiling > 0.0 ? ease((max(level.r, max(level.g, level.b)) / uCeiling - uClipFrom) / (uClipFull - uClipFrom)) : 0.0;
  return mix(plain, dot(plate, uLuminance) / uLamp * uReached, clipped);
}`;

export const MOST_STILLS = 64; // told by uniforms; more of them by a texture, which costs two reads each

// groups: 1 (a pixel whole from the brightest still) or 3 (every channel by itself). One program for every rule: cards
// without a scheduler of their own compute every branch that a program has. fourth: the power of softmax is 4.
export const plateShader = (groups, rule, tabled, fourth) => `${HEAD}
#define LEVEL ${groups === 1 ? "float" : "vec3"}
uniform sampler2DArray uLight; // lamp light, A = validity
uniform sampler2DArray uGuide; // in sigma of one frame
uniform sampler2D uAmbient;
// of every still: dims r, g, b, share; then layer, nothing, gain of the noise, of the guide
${tabled ? "uniform sampler2D uStills;" : `uniform vec4 uOne[${MOST_STILLS}], uTwo[${MOST_STILLS}];`}
uniform int uCount, uPlain; // the first of them are not dimmed
const int uRule = ${RULES[rule]};
uniform vec3 uA, uB, uWeights, uPullFaint, uPullStrong, uSpread;
uniform float uFaint, uStrong, uKnee, uPower, uWhite, uFloor, uGate, uSoftGate;
${REGEL}
out vec4 oPlate;
const float NEGLIGIBLE = 16.0, FAINT = 2.0, STRONG = 5.0, SCALE = 1.0 / 256.0; // SCALE keeps powers within range

LEVEL take(vec3 v) { return ${groups === 1 ? "v.x" : "v"}; }
vec3 findPull(LEVEL level) {
  LEVEL t = clamp((level - FAINT) / (STRONG - FAINT), 0.0, 1.0);
  return uPullFaint + (uPullStrong - uPullFaint) * (t * t * (3.0 - 2.0 * t));
}
vec3 sigmaAt(vec3 ambient, vec3 light) { return sqrt(uA * max(ambient + max(light, 0.0), 0.0) + uB); }
LEVEL inBlends(LEVEL level) { return min(level, uKnee) / uFaint + max(level - uKnee, 0.0) / uStrong; }
LEVEL whenAbove(LEVEL a, LEVEL b, LEVEL value) { ${groups === 1 ? "return a > b ? value : 0.0;" : "return mix(vec3(0.0), value, greaterThan(a, b));"} }

// The guide of a still that is dimmed: back to light in noise of the unlit frame, and forth again.
LEVEL dimGuide(LEVEL guide, LEVEL bend, LEVEL gain) {
  LEVEL up = max(guide, 0.0), light = (guide + bend * up * up) * gain, lit = max(light, 0.0);
  return 2.0 * lit / (1.0 + sqrt(1.0 + 4.0 * bend * lit)) + min(light, 0.0);
}
float largest(LEVEL v) { return ${groups === 1 ? "v" : "max(v.x, max(v.y, v.z))"}; }

void main() {
  ivec2 at = ivec2(gl_FragCoord.xy);
  vec3 ambient = texelFetch(uAmbient, at, 0).rgb;
  vec3 light = vec3(0.0), left = vec3(1.0), brightest = vec3(-1e30);
  float best = 0.0;
  LEVEL peak = LEVEL(-1e30), total = LEVEL(0.0), pulled = LEVEL(0.0), squares = LEVEL(0.0);
  LEVEL rise = LEVEL(0.0), fall = LEVEL(0.0);
  vec3 floors = uA * max(ambient, 0.0) + uB;
  vec3 bends = uA / (4.0 * sqrt(max(floors, 1e-12)));
  LEVEL bend = ${groups === 1 ? "dot(bends, uWeights)" : "bends"};
  LEVEL spread = take(uSpread);
  ${eachStill(groups, rule, tabled, fourth, false)}
  ${eachStill(groups, rule, tabled, fourth, true)}
  vec3 plate = light;
  if (uRule == ${RULES.max}) {
    LEVEL part = 1.0 / max(total, 1e-30);
    plate = light * part / (best > 0.0 ? best : 1.0);
    LEVEL crowd = (pulled - squares * part) * part;
    LEVEL blend = mix(LEVEL(uFaint), LEVEL(uStrong), step(LEVEL(uKnee), peak));
    plate -= crowd / blend * findPull(peak) * sigmaAt(ambient, plate);
    plate *= step(vec3(1e-30), vec3(total));
  } else if (uRule == ${RULES.softmax}) {
    LEVEL norm = pow(max(total, 1e-36), LEVEL(1.0 / uPower));
    LEVEL low = pow(norm, LEVEL(uPower - 1.0));
    plate = light / low;
    plate -= (uPower - 1.0) * (rise / low - fall / (low * low * norm)) * findPull(peak) * sigmaAt(ambient, plate);
    plate *= step(vec3(1e-36), vec3(total));
  } else if (uRule == ${RULES.screen}) plate = uWhite * (1.0 - left);
  else if (uRule == ${RULES.naive}) plate = brightest.r > -1e29 ? brightest : vec3(0.0);
  if (uFloor > 0.0 && uRule != ${RULES.naive}) plate *= ease(2.0 * largest(peak) / uFloor - 1.0);
  oPlate = vec4(regel(plate, ambient), 1.0);
}`;

// What one still after the other adds: those that are as they were shot, which are most of them, need not be dimmed.
const eachStill = (groups, rule, tabled, fourth, dimmed) => `for (int k = ${dimmed ? "uPlain" : "0"}; k < ${dimmed ? "uCount" : "uPlain"}; k++) {
    vec4 one = ${tabled ? "texelFetch(uStills, ivec2(k, 0), 0)" : "uOne[k]"}, two = ${tabled ? "texelFetch(uStills, ivec2(k, 1), 0)" : "uTwo[k]"};
    int layer = int(two.x);
    vec4 still = texelFetch(uLight, ivec3(at, layer), 0);
    vec3 L = ${dimmed ? "one.rgb * still.rgb" : "still.rgb"};
    float v = still.a, share = one.a, n = two.z;
    float sum = L.r + L.g + L.b;
    bool finite = !(isnan(sum) || isinf(sum));
    if (!(v > 0.0)) continue;
    if (uRule == ${RULES.naive}) { if (finite) brightest = max(brightest, v * L); continue; }
    LEVEL guide = take(texelFetch(uGuide, ivec3(at, layer), 0).rgb);
    ${dimmed ? `guide = dimGuide(guide, bend, ${groups === 1 ? "two.w" : "one.rgb"});` : ""}
    peak = uRule == ${RULES.max} ? peak : max(peak, v * guide);
    if (uRule == ${RULES.max}) {
      best = max(best, v);
      if (!finite) continue;
      LEVEL level = v * guide;
      LEVEL behind = inBlends(level) - inBlends(peak);
      LEVEL near = whenAbove(LEVEL(NEGLIGIBLE), abs(behind), exp(-min(abs(behind), LEVEL(NEGLIGIBLE))));
      LEVEL ahead = step(LEVEL(0.0), behind);
      LEVEL keep = mix(LEVEL(1.0), near, ahead), weight = v * mix(near, LEVEL(1.0), ahead);
      peak = max(peak, level);
      total = total * keep + weight;
      pulled = pulled * keep + n * n * weight;
      squares = squares * keep * keep + n * n * weight * weight;
      light = light * keep + weight * v * L;
    } else if (uRule == ${RULES.softmax}) {
      if (!finite) L = vec3(0.0);
      LEVEL edge = uSoftGate * n * spread, safe = max(guide, max(edge, 1e-6));
      LEVEL gated = whenAbove(guide, edge, safe - edge * edge / safe);
      LEVEL linear = SCALE * v * (gated + bend * gated * gated);
      LEVEL slope = whenAbove(guide, edge, 1.0 + edge * edge / (safe * safe)) * (1.0 + 2.0 * bend * gated) * n * n * SCALE;
      LEVEL raised = ${fourth ? "linear * linear" : "pow(max(linear, 1e-30), LEVEL(uPower - 2.0)) * step(LEVEL(1e-30), linear)"};
      LEVEL weight = share * raised * linear;
      light += weight * v * L;
      total += weight * linear;
      rise += share * slope * raised;
      fall += share * slope * raised * raised * linear * linear;
    } else {
      if (!finite) L = vec3(0.0);
      LEVEL edge = uGate * n * spread, safe = max(guide, max(edge, 1e-6));
      LEVEL gate = 1.0 - edge * edge / (safe * safe);
      LEVEL slope = whenAbove(guide, edge, 2.0 * edge * edge / (safe * safe * safe));
      vec3 lit = share * v * (L * gate - n * n * slope * findPull(guide) * sigmaAt(ambient, L));
      light += lit;
      left *= 1.0 - min(lit / uWhite, 1.0);
    }
  }`;

export const MOST_LIGHTS = 5; // in one pass; with their figures, codes, table, hold-out and what was laid before: 14 of 16 samplers

const each = (lights, write) => lights.map(write).filter(Boolean).join("\n  ");

// One frame in linear light. lights: [{ screened, figure, direct }], what each of them needs; base: 0 black, 1 the hero's
// codes, 2 what was laid before. direct: the plate lies on the frame pixel by pixel.
export const layShader = (lights, base, held) => `${HEAD}
uniform usampler2D uHero;
uniform sampler2D uDecode, uHoldout, uBefore;
${each(lights, (light, k) => `uniform sampler2D uPlate${k}${light.figure ? `, uFigure${k}` : ""};`)}
uniform vec3 uGain[${MOST_LIGHTS}], uFigureGain[${MOST_LIGHTS}];
uniform float uHold, uWhite; // the white that screened lights work against
uniform vec2 uSize;
uniform float uStep; // pixels of the frame from one that is drawn to the next
uniform mat3 uPose; // from the frame to the plate, px
out vec4 oLinear;
float decode(uint code) { return texelFetch(uDecode, ivec2(int(code & 1023u), 0), 0).r; }
void main() {
  vec2 centre = uStep * gl_FragCoord.xy;
  ivec2 at = ivec2(centre);
  vec3 from = uPose * vec3(centre, 1.0);
  vec2 uv = from.xy / from.z / uSize;
  ${["vec3 total = vec3(0.0);", `uint codes = texelFetch(uHero, at, 0).r;
  vec3 total = vec3(decode(codes >> 20), decode(codes >> 10), decode(codes));`, "vec3 total = texelFetch(uBefore, ivec2(gl_FragCoord.xy), 0).rgb;"][base]}
  float kept = ${held ? "max(1.0 - uHold * texelFetch(uHoldout, at, 0).r, 0.0)" : "1.0"};
  ${each(lights, (light, k) => !light.screened && light.figure && `total += ${figureAt(k)};`)}
  ${each(lights, (light, k) => !light.screened && `total += kept * uGain[${k}] * ${plateAt(light, k)};`)}
  ${lights.some((light) => light.screened) ? "vec3 left = vec3(1.0);" : ""}
  ${each(lights, (light, k) => light.screened && `left *= 1.0 - min((kept * uGain[${k}] * ${plateAt(light, k)}${light.figure ? ` + ${figureAt(k)}` : ""}) / uWhite, 1.0);`)}
  ${lights.some((light) => light.screened) ? "total += uWhite * (1.0 - left) * (1.0 - clamp(total / uWhite, 0.0, 1.0));" : ""}
  oLinear = vec4(total, 1.0);
}`;

const figureAt = (k) => `uFigureGain[${k}] * texelFetch(uFigure${k}, at, 0).rgb`;
const plateAt = ({ direct }, k) => (direct ? `texelFetch(uPlate${k}, at, 0).rgb` : `texture(uPlate${k}, uv).rgb`);
