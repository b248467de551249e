// Half floats (IEEE 754 binary16) as numbers: one table, made once.

const table = new Float32Array(65536);
for (let bits = 0; bits < 65536; bits++) {
  const sign = bits & 0x8000 ? -1 : 1;
  const exponent = (bits >> 10) & 31;
  const fraction = bits & 1023;
  if (exponent === 0) table[bits] = sign * fraction * 2 ** -24;
  else if (exponent === 31) table[bits] = fraction ? NaN : sign * Infinity;
  else table[bits] = sign * (1 + fraction / 1024) * 2 ** (exponent - 15);
}

export const fromHalf = (bits) => table[bits];

// A small RGBA picture of a still (RGBA halves, w x h), as 8-bit sRGB, brightened by `gain`.
export function drawSmall(halves, width, height, smallWidth, smallHeight, gain) {
  const out = new Uint8ClampedArray(smallWidth * smallHeight * 4);
  for (let y = 0; y < smallHeight; y++) {
    for (let x = 0; x < smallWidth; x++) {
      const at = (y * smallWidth + x) * 4;
      const mean = meanOver(halves, width, height, x / smallWidth, y / smallHeight, 1 / smallWidth, 1 / smallHeight);
      for (let c = 0; c < 3; c++) out[at + c] = 255 * encodeSrgb(mean[c] * gain) + 0.5;
      out[at + 3] = 255;
    }
  }
  return out;
}

// Mean over at most 4 x 4 samples of a box; what is not valid (A = 0) counts as dark.
function meanOver(halves, width, height, left, top, across, down) {
  const sum = [0, 0, 0];
  for (let j = 0; j < 4; j++) {
    for (let i = 0; i < 4; i++) {
      const x = Math.min(width - 1, Math.floor((left + (across * (i + 0.5)) / 4) * width));
      const y = Math.min(height - 1, Math.floor((top + (down * (j + 0.5)) / 4) * height));
      const at = (y * width + x) * 4;
      const valid = table[halves[at + 3]];
      for (let c = 0; c < 3; c++) sum[c] += (valid * (table[halves[at + c]] || 0)) / 16;
    }
  }
  return sum;
}

// IEC 61966-2-1
export function encodeSrgb(light) {
  if (!(light > 0)) return 0;
  if (light >= 1) return 1;
  return light <= 0.0031308 ? 12.92 * light : 1.055 * light ** (1 / 2.4) - 0.055;
}

// The light that all but one in a hundred samples stay below: what a small picture is brightened to.
export function findBright(halves, count) {
  const step = Math.max(1, Math.floor(halves.length / 4 / count));
  const values = [];
  for (let at = 0; at < halves.length; at += 4 * step) {
    const level = Math.max(table[halves[at]], table[halves[at + 1]], table[halves[at + 2]]) * table[halves[at + 3]];
    if (Number.isFinite(level)) values.push(level);
  }
  values.sort((a, b) => a - b);
  return values[Math.floor(0.99 * (values.length - 1))] ?? 0;
}
