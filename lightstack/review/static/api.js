// The only module that talks to the server. Everything is addressed by light, still and shot frame.

export class Refusal extends Error {
  constructor(status, text) {
    super(text || `the server answered ${status}`);
    this.status = status;
  }
}

// The key that came behind the printed address. Kept under this page's own address, port and all, for another load and for
// another tab; no other server of this machine can read it there.
const KEY = "key of this review";

function takeKey() {
  const given = new URLSearchParams(location.hash.slice(1)).get("key");
  try {
    if (given) localStorage.setItem(KEY, given);
    const known = localStorage.getItem(KEY);
    if (given) history.replaceState(null, "", location.pathname);
    return known ?? "";
  } catch {
    return given ?? ""; // this browser keeps nothing; then the key stays in the address
  }
}

const key = takeKey();
let built = null; // which build this page's pictures are of: nothing of another one is laid beside them

async function ask(path, { headers, ...options } = {}) {
  const mine = { "X-Review-Key": key, ...(built === null ? {} : { "X-Review-Built": String(built) }) };
  let answer;
  try {
    answer = await fetch(path, { credentials: "same-origin", headers: { ...headers, ...mine }, ...options });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refusal(0, "the server does not answer; is lightstack review still running?");
  }
  if (!answer.ok) throw new Refusal(answer.status, await sayWhy(answer));
  return answer;
}

async function sayWhy(answer) {
  const text = (await answer.text()).slice(0, 2000);
  try {
    const told = JSON.parse(text);
    return told.error ?? told.message ?? told.detail ?? text;
  } catch {
    return text;
  }
}

// What needs something that is still being made is asked again.
async function getJson(path, options) {
  for (let tries = 0; ; tries++) {
    try {
      return await (await ask(path, options)).json();
    } catch (error) {
      if (error.status !== 503 || tries > MOST_TRIES) throw error;
    }
    await wait(1);
  }
}

const post = (path, body) =>
  getJson(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body ?? {}) });

async function getShot() {
  const shot = await getJson(built === null ? "/api/shot?fresh=1" : "/api/shot");
  built ??= shot.built;
  if (shot.built !== built) throw new Refusal(409, "the room was built anew: load this page again");
  return shot;
}

const MOST_BREAKS = 5;

// Tell `tell` of every state of a build until `signal`; a line that breaks off is taken up again.
async function follow(path, tell, signal) {
  for (let breaks = 0; breaks < MOST_BREAKS; breaks++) {
    try {
      const reader = (await ask(path, { signal })).body.pipeThrough(new TextDecoderStream()).getReader();
      for (let text = "", part = await reader.read(); !part.done; part = await reader.read()) {
        breaks = 0;
        const events = (text + part.value).split("\n\n");
        text = events.pop();
        for (const event of events) tell(JSON.parse(event.replace(/^data: /, "")));
      }
    } catch (error) {
      if (signal.aborted) return;
      if (error.status === 403) throw error;
    }
    if (signal.aborted) return;
    await wait(1);
  }
  throw new Refusal(0, "the server no longer tells how far it is");
}

const MOST_TRIES = 60;
const wait = (seconds) => new Promise((done) => setTimeout(done, 1000 * seconds));

// Bytes of a picture, waited for while the server is still making it; null where there is none.
async function getBytes(path, wanted = () => true) {
  for (;;) {
    try {
      const answer = await ask(path);
      if (answer.status !== 202) {
        const { width, height } = JSON.parse(answer.headers.get("X-Picture") ?? "{}");
        return { bytes: await answer.arrayBuffer(), width, height };
      }
    } catch (error) {
      if (error.status === 404) return null;
      if (error.status !== 503) throw error;
    }
    if (!wanted()) throw new Refusal(503, "no longer wanted");
    await wait(0.3);
  }
}

const name = encodeURIComponent;
const how = (half, filled) => `half=${half ? 1 : 0}${filled ? "&filled=1" : ""}`;

export const api = {
  view: () => getBytes("/api/view.bin"),
  shot: getShot,
  still: (light, still, half, filled) => getBytes(`/api/light/${name(light)}/${still}.bin?${how(half, filled)}`),
  guide: (light, still, half) => getBytes(`/api/light/${name(light)}/guide/${still}.bin?${how(half)}`),
  ambient: (light, half) => getBytes(`/api/light/${name(light)}/ambient.bin?${how(half)}`),
  lift: (light, place, stills) => getBytes(`/api/light/${name(light)}/lift.bin?at=${place}&stills=${stills}`),
  hero: (frame, wanted) => getBytes(`/api/hero/${frame}.bin`, wanted),
  holdout: (frame, wanted) => getBytes(`/api/holdout/${frame}.bin`, wanted),
  figure: (light, frame, wanted) => getBytes(`/api/figure/${frame}.bin?light=${name(light)}`, wanted),
  pictureAddress: (what, frame, sweep) => `/api/picture/${what}/${frame}.png${sweep ? `?sweep=${name(sweep)}` : ""}`,
  image: async (address) => URL.createObjectURL(await (await ask(address)).blob()),
  mix: (light, mix) => post("/api/mix", { light, mix }),
  travel: (light, points, group) => post("/api/travel", { light, points, group }),
  check: (changes) => post("/api/check", { changes }),
  write: (changes, sha256) => post("/api/write", { changes, sha256 }),
  render: () => post("/api/render"),
  cancel: () => post("/api/cancel"),
  disk: () => getJson("/api/disk"),
  progress: (tell, signal) => follow("/api/progress", tell, signal),
};

// Frames ahead of the playhead, the least recently wanted let go beyond a budget of bytes.
export class Ring {
  constructor(load, budgetBytes) {
    this.load = load;
    this.budget = budgetBytes;
    this.bytes = 0;
    this.kept = new Map();
    this.waiting = new Map();
  }

  peek(frame) {
    const found = this.kept.get(frame);
    if (found) {
      this.kept.delete(frame);
      this.kept.set(frame, found);
    }
    return found;
  }

  get(frame) {
    const found = this.peek(frame);
    if (found) return Promise.resolve(found);
    if (!this.waiting.has(frame)) this.waiting.set(frame, this.fetch(frame));
    return this.waiting.get(frame);
  }

  async fetch(frame) {
    try {
      const got = await this.load(frame);
      const size = got.reduce((sum, part) => sum + (part?.bytes.byteLength ?? 0), 0);
      this.kept.set(frame, got);
      this.bytes += size;
      got.size = size;
      for (const [old, parts] of this.kept) {
        if (this.bytes <= this.budget || this.kept.size < 2) break;
        this.kept.delete(old);
        this.bytes -= parts.size;
      }
      return got;
    } finally {
      this.waiting.delete(frame);
    }
  }
}

// Run at most one call at a time for each name; while it runs, however many more are asked for become one.
export function latestOnly(call) {
  const running = new Set();
  const again = new Set();
  return async function start(name) {
    if (running.has(name)) return void again.add(name);
    running.add(name);
    try {
      await call(name);
    } finally {
      running.delete(name);
      if (again.delete(name)) start(name);
    }
  };
}
