// The keyboard alone suffices. Letters can be switched off for those who speak to their computer.

import { find, make } from "./dom.js";

const SHEET = [
  ["Space", "play, stop"],
  ["← →", "one frame back, on (with Shift ten)"],
  ["Home End", "first, last frame"],
  ["J K L", "play backwards, stop, play"],
  ["M", "a point of the mix at this frame"],
  ["W", "wipe against the hero, on and off"],
  ["[ ]", "the wipe to the left, to the right"],
  ["1 2 3 4 5", "relit, hero, light alone, plate, plain maximum"],
  ["Z", "whole picture, pixel by pixel"],
  ["- +", "view a half stop darker, brighter"],
  ["Ctrl Z", "undo (with Shift: redo)"],
  ["X", "on a still: cross it out, or take it back"],
  ["Del", "on a dimmer: as shot; on a point: take it away"],
  ["?", "this sheet"],
];
const LOOK_KEYS = { 1: "relit", 2: "room", 3: "light", 4: "plate", 5: "naive" };

export function listenKeys(app) {
  let letters = true;
  const sheet = find("sheet-of-keys");
  const showSheet = () => {
    const box = make("input", { type: "checkbox", id: "letters" });
    box.checked = letters;
    box.addEventListener("change", () => (letters = box.checked));
    sheet.replaceChildren(
      make("h2", { id: "keys-title" }, "Keys"),
      make("table", {}, make("tbody", {}, ...SHEET.map(([key, what]) => make("tr", {}, make("td", {}, make("kbd", {}, key)), make("td", {}, what))))),
      make("p", {}, make("label", {}, box, " Letters, digits and signs act as keys")),
      make("div", { class: "row" }, make("button", { type: "button", onclick: () => sheet.close() }, "Close")),
    );
    sheet.showModal();
  };
  find("help").addEventListener("click", showSheet);

  const actions = {
    " ": () => app.player.toggle(), j: () => restart(-1), k: () => app.player.stop(), l: () => restart(1),
    m: () => app.addPoint(), w: () => app.setAgainst(app.ui.against === "none" ? "room" : "none"),
    "[": () => app.picture.setWipe(app.picture.view.wipe - 0.05), "]": () => app.picture.setWipe(app.picture.view.wipe + 0.05),
    z: () => app.picture.zoom(app.picture.view.zoom === "fit" ? "1" : "fit"), "-": () => app.setStops(-0.5), "+": () => app.setStops(0.5),
    "?": showSheet,
  };
  const restart = (direction) => {
    app.player.stop();
    app.player.start(direction);
  };
  const moves = { ArrowLeft: -1, ArrowRight: 1 };

  document.addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]")) return;
    const at = event.target;
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      event.preventDefault();
      return void (event.shiftKey ? app.redo() : app.undo());
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const typing = at.matches("input[type=number], select, textarea");
    if (typing || event.defaultPrevented) return;
    const slides = at.matches("input[type=range], [role=slider], .lamp, summary");
    const presses = at.matches("button, summary");
    if (event.key in moves && !slides) {
      event.preventDefault();
      app.goTo(app.ui.frame + moves[event.key] * (event.shiftKey ? 10 : 1));
    } else if (event.key === "Home" && !slides) jump(event, app.shot.first);
    else if (event.key === "End" && !slides) jump(event, app.shot.last);
    else if (event.key === " " && presses) return;
    else if (event.key.length === 1 && (letters || event.key === " ")) {
      const look = LOOK_KEYS[event.key];
      const action = look ? () => app.setLook(look) : actions[event.key.toLowerCase()];
      if (!action) return;
      event.preventDefault();
      action();
    }
  });
  const jump = (event, frame) => {
    event.preventDefault();
    app.jumpTo(frame);
  };
}
