// The caution that stands before a shot which failed the flash check, or was not checked.

import { find, make } from "./dom.js";
import { isChanged } from "./state.js";

const SENTENCES = {
  failed: "This shot failed the check for flashing light. Flashing light can trigger seizures in people with photosensitive epilepsy.",
  "not checked": "This shot has not been checked for flashing light, which can trigger seizures in people with photosensitive epilepsy.",
  changed: "Your changes have not been checked for flashing light, which can trigger seizures in people with photosensitive epilepsy.",
};

export class Gate {
  constructor(app) {
    this.app = app;
    this.shown = new Set(); // doubts with which the picture may be seen
    this.played = null; // what may be played: with one more change it is asked again
    this.box = find("gate");
    this.box.addEventListener("close", () => this.close());
    find("unhide").addEventListener("click", () => this.ask());
  }

  // What of the shot is not known to be safe: "failed", "not checked", "changed" or null.
  get doubt() {
    const { state } = this.app.shot.flash;
    if (state !== "clear") return state === "failed" ? "failed" : "not checked";
    return isChanged(this.app.edits) || this.app.shot.unbuilt ? "changed" : null; // or written, and not built yet
  }

  // The picture of what failed, or was not checked, stays hidden; what was changed asks before it is played.
  mayShow() {
    return this.doubt === null || this.doubt === "changed" || this.shown.has(this.doubt);
  }

  // Whether frames may follow each other as fast as they do.
  mayPlay() {
    return this.doubt === null || this.played === this.what;
  }

  // What somebody agrees to: this doubt, about the light as it is now.
  get what() {
    return JSON.stringify([this.doubt, this.app.shot.shot_file.sha256, this.app.edits]);
  }

  ask(then = null) {
    const doubt = this.doubt;
    this.answer = null;
    this.then = then;
    const spans = (this.app.shot.flash.spans ?? []).slice(0, 6);
    const where = doubt === "failed" && spans.length ? make("ul", {}, ...spans.map(saySpan)) : null;
    this.box.replaceChildren(
      make("h2", { id: "gate-title" }, "Caution: flashing light"),
      make("p", {}, SENTENCES[doubt]),
      ...(where ? [where] : []),
      make("p", {}, "Do not look at it if you or anybody near you may be sensitive. Look away and stop at the first sign of unease. Nothing plays by itself."),
      make("div", { class: "row" },
        make("button", { type: "button", autofocus: "", onclick: () => this.box.close() }, then && this.mayShow() ? "Do not play it" : "Keep it hidden"),
        make("button", { type: "button", class: "main", id: "confirm", onclick: () => this.confirm(doubt) }, then ? "Play it" : "Show the picture")),
    );
    if (!this.box.open) this.box.showModal();
  }

  confirm(doubt) {
    this.shown.add(doubt);
    if (this.then) this.played = this.what;
    this.answer = doubt;
    this.box.close();
  }

  close() {
    this.app.showHidden();
    if (this.answer && this.then) this.then();
    this.then = null;
  }
}

const saySpan = ([first, last, rule]) => make("li", {}, `frames ${first} to ${last}: ${rule}`);
