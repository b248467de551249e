// What the artist has changed, and the way back. Pure: nothing here touches the page or the network.
//
// Edits are plain objects that are never changed in place:
//   { light: { NAME: { gel, figure_light, lay, group, using, mix, path } }, sweep: { NAME: { combine, trim: { FRAME: gain } } } }
// They hold only what differs from the shot file as it was read.

export const NOTHING = Object.freeze({ light: {}, sweep: {} });
const MOST_STEPS = 200;

export const startHistory = () => ({ past: [], present: NOTHING, future: [], open: null });

// `key` names a gesture: edits of the same open gesture (a drag) become one step back.
export function keepEdit(history, edits, key = null) {
  if (JSON.stringify(edits) === JSON.stringify(history.present)) return history;
  const same = key !== null && history.open === key;
  const past = same ? history.past : [...history.past, history.present].slice(-MOST_STEPS);
  return { past, present: edits, future: [], open: key };
}

export const endGesture = (history) => ({ ...history, open: null });

export function undo(history) {
  if (!history.past.length) return history;
  const past = history.past.slice(0, -1);
  return { past, present: history.past.at(-1), future: [history.present, ...history.future], open: null };
}

export function redo(history) {
  if (!history.future.length) return history;
  const [next, ...future] = history.future;
  return { past: [...history.past, history.present], present: next, future, open: null };
}

export function editLight(edits, name, change) {
  return { ...edits, light: { ...edits.light, [name]: { ...edits.light[name], ...change } } };
}

export function editSweep(edits, name, change) {
  return { ...edits, sweep: { ...edits.sweep, [name]: { ...edits.sweep[name], ...change } } };
}

export function trimStill(edits, sweep, still, gain) {
  const trim = { ...edits.sweep[sweep]?.trim, [still.trim.name]: Math.round(gain * 1000) / 1000 };
  return editSweep(edits, sweep, { trim });
}

export const isChanged = (edits) => Object.keys(edits.light).length + Object.keys(edits.sweep).length > 0;

// The light as the page shows it: the shot file's own values under the edits.
export function resolveLight(light, edits) {
  const mine = edits.light[light.name] ?? {};
  const sweep = edits.sweep[light.sweep] ?? {};
  return {
    using: mine.using ?? light.using ?? "plate",
    rule: sweep.combine ?? light.rule ?? "max",
    lay: mine.lay ?? light.lay ?? "plus",
    gel: mine.gel ?? light.gel ?? [1, 1, 1],
    figureLight: mine.figure_light ?? light.figure_light ?? 1,
    group: mine.group === undefined ? (light.group ?? null) : mine.group,
    mix: { ...light.mix, ...mine.mix },
    path: mine.path ?? light.path ?? null,
    trims: light.stills.map((still) => sweep.trim?.[still.trim.name] ?? still.trim.gain),
  };
}

// What the server is asked to write: the schema's own words, and of them only what differs from the shot file.
export function toChanges(edits, shot) {
  const changes = {};
  for (const [name, change] of Object.entries(edits.light)) {
    const light = shot.lights.find((one) => one.name === name) ?? {};
    const kept = differing(change, light);
    if (kept.mix) kept.mix = differing(kept.mix, light.mix ?? {});
    if (kept.mix && !Object.keys(kept.mix).length) delete kept.mix;
    if (Object.keys(kept).length) (changes.light ??= {})[name] = kept;
  }
  for (const [name, { trim, ...rest }] of Object.entries(edits.sweep)) {
    const light = shot.lights.find((one) => one.sweep === name) ?? {};
    const kept = rest.combine === light.rule ? {} : rest;
    const stills = Object.fromEntries((light.stills ?? []).map((still) => [still.trim.name, still.trim.gain]));
    const trims = Object.entries(trim ?? {}).filter(([frame, gain]) => stills[frame] !== gain);
    if (trims.length) kept.trim = Object.fromEntries(trims.map(([frame, gain]) => [frame, { gain }]));
    if (Object.keys(kept).length) (changes.sweep ??= {})[name] = kept;
  }
  return changes;
}

const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);
const differing = (change, from) => Object.fromEntries(Object.entries(change).filter(([key, value]) => !same(value, from[key])));

export const gainOf = (value, unit) => (value === "off" ? 0 : unit === "stops" ? 2 ** value : Number(value));

export function valueOf(gain, unit) {
  if (unit !== "stops") return Math.round(Math.max(0, gain) * 1000) / 1000;
  return gain < 0.001 ? "off" : Math.round(Math.log2(gain) * 100) / 100;
}

// A first guess of a mix by its points, until the server's own core has answered: the picture must not wait.
export function guessGain(mix, first, last) {
  const points = (mix.points ?? []).map(([frame, value]) => [frame, gainOf(value, mix.unit)]);
  const gains = [];
  for (let frame = first; frame <= last; frame++) gains.push(points.length ? guessAt(points, frame, mix.shape) : 1);
  return gains;
}

function guessAt(points, frame, shape) {
  if (frame <= points[0][0]) return points[0][1];
  for (let i = 1; i < points.length; i++) {
    const [[from, a], [to, b]] = [points[i - 1], points[i]];
    if (frame > to) continue;
    let t = (frame - from) / (to - from);
    if (shape === "hold") return frame < to ? a : b;
    if (shape !== "linear") t = t * t * (3 - 2 * t);
    return a + (b - a) * t;
  }
  return points.at(-1)[1];
}

// Put a point at a frame, or move the one that is there.
export function setPoint(points, point) {
  const rest = (points ?? []).filter((one) => one[0] !== point[0]);
  return [...rest, point].sort((a, b) => a[0] - b[0]);
}

// Move point `index` to `frame`, between its neighbours.
export function movePoint(points, index, frame, rest, first, last) {
  const low = index > 0 ? points[index - 1][0] + 1 : first;
  const high = index < points.length - 1 ? points[index + 1][0] - 1 : last;
  const held = Math.min(Math.max(Math.round(frame), low), high);
  return points.map((point, k) => (k === index ? [held, ...rest] : point));
}
