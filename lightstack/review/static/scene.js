// What has to be blended for a look at a frame. Pure.

import { NOTHING, resolveLight } from "./state.js";

export const LOOKS = {
  relit: "the shot, relit",
  room: "the hero, before",
  light: "light alone, as mixed",
  plate: "plate of this light",
  naive: "plain maximum",
  still: "one still alone",
  holdout: "hold-out",
  doubt: "doubt of the hold-out",
  reach: "reach of the lamp",
  blockers: "lamp and carrier",
};
export const FLAT = ["holdout", "doubt", "reach", "blockers"]; // pictures that the server draws
export const AGAINST = { none: "nothing", room: "the hero, before", naive: "plain maximum", written: "the shot file" };

export const stackOf = (light, using) => `${light.sweep}${isWeighed(using) ? " filled" : ""}`;
const isWeighed = (using) => using === "path" || using === "stills";

// what: a key of LOOKS or AGAINST; gains: { NAME: [per shot frame] }; travel: { NAME: ways that are tried, as `light.weights` }.
export function planLook(shot, what, { edits, frame, light, stops, alone, gains, travel }) {
  const plain = { base: "hero", lights: [], hold: shot.holdout ? 1 : 0, pose: findPose(shot, frame), stops };
  if (what === "room") return plain;
  const mine = what === "written" ? NOTHING : edits;
  const chosen = shot.lights.find((one) => one.name === light);
  const plan = (one, options) => planLight(shot, one, mine, { frame, ...(what === "written" ? { gains: {}, travel: {} } : { gains, travel }), ...options });
  if (what === "plate") return { ...plain, base: "black", hold: 0, pose: null, lights: [plan(chosen, { full: true })] };
  if (what === "still") {
    return { ...plain, base: "black", hold: 0, pose: null, lights: [plan(chosen, { full: true, alone })] };
  }
  const laid = shot.lights.filter((one) => one.in_file !== false || one.name === light);
  const lights = laid.map((one) => plan(one, { naive: what === "naive" }));
  return { ...plain, base: what === "light" ? "black" : "hero", lights };
}

function planLight(shot, light, edits, { frame, gains, travel, full, naive, alone }) {
  const now = resolveLight(light, edits);
  const level = full ? 1 : ((gains[light.name] ?? light.gain)[frame - shot.first] ?? 0);
  const figure = !full && shot.figure_lights?.includes(light.name) ? now.gel.map((g) => g * level * now.figureLight) : null;
  return {
    name: light.name,
    stack: stackOf(light, alone === undefined ? now.using : "plate"),
    recipe: planRecipe(shot, light, now, { frame, travel, naive, alone }),
    gain: now.gel.map((g) => g * level),
    figure,
    white: !full && now.lay === "screen" ? (light.screen_white ?? 1) : 0,
  };
}

export function planRecipe(shot, light, now, { frame, travel, naive, alone }) {
  const one = [1, 1, 1];
  const regel = light.regel ?? null;
  if (alone !== undefined) return { blend: { rule: "path" }, regel: null, stills: [{ index: alone, weight: 1 }] };
  if (isWeighed(now.using)) {
    const { row, place } = findWeights(light, frame, now.using === "path" ? travel[light.name] : null);
    return { blend: { rule: "path" }, regel, place, stills: row.map(([index, weight]) => ({ index, weight })) };
  }
  const group = now.group ? light.groups?.[now.group] : null;
  const stills = [];
  light.stills.forEach((still, index) => {
    const dims = dimOf(still, now.trims[index]);
    if (!dims.some((dim) => dim > 0) || (group && !group.includes(index))) return;
    stills.push({ index, dims, gains: still.gel_gain ?? one, share: still.share ?? 1 });
  });
  return { blend: { ...light.blend, rule: naive ? "naive" : now.rule }, regel, stills };
}

// What a still is multiplied by now: its trim over the trim it was built with.
export function dimOf({ trim: written, built_trim: built = written }, gain) {
  return [0, 1, 2].map((c) => {
    const was = built.gain * (built.gel?.[c] ?? 1);
    return was > 0 ? (gain * (written.gel?.[c] ?? 1)) / was : 0;
  });
}

// How much of each still a light takes on a frame, and where it is then, to which they are brought: { row, place }.
function findWeights(light, frame, tried) {
  const { first, rows = [], places = [] } = tried ?? light.weights ?? {};
  if (!rows.length) return { row: [], place: null };
  const at = Math.min(Math.max(frame - first, 0), rows.length - 1);
  return { row: rows[at], place: places[at] ?? null };
}

// From a frame to the plate, 9 numbers, rows first; null where the camera stood still.
export function findPose(shot, frame) {
  const pose = shot.poses?.find((one) => one.first <= frame && frame <= one.last);
  return pose ? invert(pose.matrix) : null;
}

function invert([a, b, c, d, e, f, g, h, i]) {
  const [A, B, C] = [e * i - f * h, f * g - d * i, d * h - e * g];
  const size = a * A + b * B + c * C;
  return [A, c * h - b * i, b * f - c * e, B, a * i - c * g, c * d - a * f, C, b * g - a * h, a * e - b * d].map((v) => v / size);
}
