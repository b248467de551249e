// What the takes are like, and what the build warned of: sentences, as the report has them.

import { find, make } from "./dom.js";

export function writeNotes(shot) {
  const pane = find("notes");
  const parts = [];
  if (shot.view?.description) parts.push(make("h3", {}, "The picture"), make("p", {}, shot.view.description));
  if (shot.left_out?.length) parts.push(make("p", {}, `Not shown here, a build has it: ${shot.left_out.join("; ")}.`));
  const warnings = shot.warnings ?? [];
  if (warnings.length) parts.push(make("h3", {}, "Warnings"), list(warnings.map((line) => make("li", {}, line))));
  for (const take of shot.takes ?? []) parts.push(...noteTake(take));
  if (!parts.length) parts.push(make("p", {}, "Nothing to tell."));
  pane.replaceChildren(...parts);
}

function noteTake(take) {
  const findings = (take.findings ?? []).filter((one) => one.level !== "good");
  const lines = [...(take.sentences ?? []).map((line) => make("li", {}, line)), ...findings.map(noteFinding)];
  return [make("h3", {}, `${take.take}: ${take.grade}`), lines.length ? list(lines) : make("p", {}, "Nothing found.")];
}

function noteFinding({ level, sentence, remedy }) {
  return make("li", { class: level === "bad" || level === "reshoot" ? "bad" : "" }, remedy ? `${sentence} ${remedy}` : sentence);
}

const list = (items) => make("ul", {}, ...items);
