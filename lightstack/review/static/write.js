// What is kept goes into the shot file: first shown as a difference, never over somebody else's change.

import { api } from "./api.js";
import { find, make, say } from "./dom.js";
import { toChanges } from "./state.js";

export class Writing {
  constructor(app) {
    this.app = app;
    this.box = find("writing");
    find("write").addEventListener("click", () => this.show());
    find("build").addEventListener("click", () => this.build());
  }

  open(title, ...parts) {
    this.box.replaceChildren(make("h2", { id: "writing-title" }, title), ...parts);
    if (!this.box.open) this.box.showModal();
  }

  async show() {
    try {
      const told = await api.check(toChanges(this.app.edits, this.app.shot));
      this.sha256 = told.sha256;
      this.open("Write to the shot file?", ...this.differ(told), row(
        button("Not now", () => this.box.close()),
        button("Write", () => this.write(), { id: "write-now", class: "main", autofocus: "" }),
      ));
    } catch (error) {
      this.refuse(error);
    }
  }

  differ({ diff, warnings }) {
    const name = this.app.shot.shot_file.name;
    if (!diff) return [make("p", {}, `${name} stays as it is: these changes come to nothing.`)];
    const lines = diff.split("\n").filter((line) => !line.startsWith("---") && !line.startsWith("+++"));
    const kinds = { "+": "plus", "-": "minus", "@": "place" };
    const shown = lines.map((line) => make("span", { class: kinds[line[0]] ?? "" }, `${line}\n`));
    return [
      make("p", {}, `${name} changes in these lines; everything else in it, comments too, stays as it is.`),
      make("div", { class: "diff", tabindex: 0, role: "region", "aria-label": "Difference" }, ...shown),
      ...(warnings ?? []).map((line) => make("p", {}, line)),
    ];
  }

  async write() {
    try {
      await api.write(toChanges(this.app.edits, this.app.shot), this.sha256);
      await this.app.reload();
      this.open("Written", make("p", {}, "The shot file holds what you see. Build makes the same picture at full size."), row(
        button("Close", () => this.box.close()),
        button("Build now", () => this.build(), { class: "main" }),
      ));
    } catch (error) {
      this.refuse(error);
    }
  }

  refuse(error) {
    if (error.status !== 409) {
      return this.open("Not written", make("p", {}, error.message), row(button("Close", () => this.box.close())));
    }
    return this.open("Not written",
      make("p", {}, "The shot file has changed on disk since this page read it. Nothing was written over it, and your changes are still here."),
      row(
        button("Leave it", () => this.box.close()),
        button("Read it again", () => this.readAgain(), { id: "read-again", class: "main", autofocus: "" }),
      ));
  }

  async readAgain() {
    try {
      await this.app.reload({ keep: true });
      await this.show();
    } catch (error) {
      this.refuse(error);
    }
  }

  async build() {
    const bar = make("progress", { max: 1, "aria-label": "Progress of the build" });
    const line = make("p", { role: "status" }, "It starts.");
    const stop = button("Stop it", () => api.cancel().catch((error) => (line.textContent = error.message)), { id: "stop-build" });
    const unwritten = Object.keys(toChanges(this.app.edits, this.app.shot)).length;
    const note = unwritten ? [make("p", {}, "What you have not written is not in this build.")] : [];
    this.open("Build", ...note, bar, line, row(button("Leave it running", () => this.box.close()), stop));
    try {
      await api.render();
      this.watch(bar, line, stop);
    } catch (error) {
      line.textContent = error.message;
      stop.disabled = true;
    }
  }

  async watch(bar, line, stop) {
    this.events?.abort();
    const events = (this.events = new AbortController());
    const tell = (told) => {
      if (events.signal.aborted) return;
      const part = told.total > 0 ? told.done / told.total : null;
      if (part === null) bar.removeAttribute("value");
      else bar.value = part;
      line.textContent = [told.step, told.total > 0 ? `${told.done} of ${told.total}` : null, told.line].filter(Boolean).join(": ");
      if (!ENDS[told.state]) return;
      events.abort();
      stop.disabled = true;
      bar.value = told.state === "done" ? 1 : bar.value;
      line.textContent = told.state === "failed" && told.line ? told.line : ENDS[told.state];
      say(ENDS[told.state], told.state === "failed");
      if (told.state === "done") this.app.afterBuild();
    };
    try {
      await api.progress(tell, events.signal);
    } catch (error) {
      line.textContent = error.message;
    }
  }
}

const ENDS = { done: "Built.", failed: "The build failed.", stopped: "Stopped.", cancelled: "Stopped." };
const row = (...parts) => make("div", { class: "row" }, ...parts);
const button = (text, press, more = {}) => make("button", { type: "button", ...more, onclick: press }, text);
