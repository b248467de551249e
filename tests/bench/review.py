"""How fast the review page answers: ``python tests/bench/review.py [FRAMES]``.

A browser draws by the processor (SwiftShader), which is what a machine without a graphics card has; a card is far
faster. Each kind of change is made as hands make it, and timed to the last pixel of the window. `answer` is what is
seen at once while hands move, for which the page may draw smaller; `rest` is from there to the whole picture, which is
made in bands; `band` is the longest time for which the page answers nobody meanwhile.
"""

from __future__ import annotations

import statistics
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import page_browser
from page_shot import MadeReview

WIDTH, HEIGHT, STILLS = 1280, 720, 24
RULES = ("max", "softmax", "screen", "sum")
RESTS = 5  # whole pictures of each rule
LOADED = "review.stacks.busy === 0 && review.picture.drawn !== null && !review.waiting && review.picture.step === 1"

# nothing else runs in between: scripts of a page have one thread
MEASURE = """async ([kind, rule, frames, rests]) => {
  const state = await import("/state.js");
  const { light, shot, blend } = review, { gl } = blend;
  const drag = (change) => review.edit(change, "drag");
  const frameCount = shot.last - shot.first + 1;
  await Promise.all(Array.from({ length: frameCount }, (_, at) => review.picture.ring.get(shot.first + at)));
  if (rule) review.edit((edits) => state.editSweep(edits, light.sweep, { combine: rule }));
  const whole = () => !review.stacks.bands.waiting && review.picture.step === 1;
  const finish = () => {
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(4));
  };
  const time = (draw) => {
    const start = performance.now();
    draw();
    review.update();
    finish();
    if (review.picture.drawn === null) throw new Error("nothing was drawn");
    return performance.now() - start;
  };
  const change = {
    dimmer: (at) => drag((edits) => state.trimStill(edits, light.sweep, light.stills[7], 0.3 + (at % 60) / 100)),
    mix: (at) => { review.move(); review.gains[light.name] = light.gain.map(() => 0.2 + (at % 50) / 100); },
    gel: (at) => drag((edits) => state.editLight(edits, light.name, { gel: [1, 0.3 + (at % 60) / 100, 0.5] })),
    frame: (at) => review.goTo(shot.first + (at % frameCount)),
  }[kind];
  const settle = () => {
    review.endGesture();
    review.picture.turning = 0;
    const bands = [];
    do bands.push(time(() => {})); while (!whole());
    return bands;
  };
  review.goTo(shot.first + 12); // where both lights are on
  settle();
  for (let at = 0; at < 5; at++) time(() => change(at)); // programs and sizes are made
  const answers = Array.from({ length: frames }, (_, at) => time(() => change(at)));
  const [stack] = review.picture.stacksDrawn;
  const bands = [];
  for (let at = 0; at < rests; at++) {
    time(() => change(at + 0.5));
    bands.push(settle());
  }
  const start = performance.now();
  blend.readShown(1);
  const read = performance.now() - start;
  return { answers, bands, reads: blend.reads, read, stack };
}"""


def measure(frames: int) -> None:
    review = MadeReview(size=(WIDTH, HEIGHT), count=STILLS)
    print(f"{WIDTH} x {HEIGHT}, {STILLS} stills, {frames} changes of each kind; drawn by the processor")
    with page_browser.open_browser() as browser, page_browser.open_page(browser, review, ready=False) as page:
        page_browser.wait_for(page, LOADED, 180)
        for kind in ("frame", "mix", "gel"):
            tell(kind, page.evaluate(MEASURE, [kind, None, frames, RESTS]))
        for rule in RULES:
            told = page.evaluate(MEASURE, ["dimmer", rule, frames, RESTS])
            tell(f"dimmer, {rule}", told)
            print(f"{'':16} {told['reads']} texture reads per pixel of the plate; drawn from {told['stack']!r} at once")
        print(f"reading a whole frame back, which the page never does: {told['read']:.0f} ms")
        size = page.evaluate(
            "[...review.picture.ring.kept.values()][0].reduce((sum, part) => sum + (part?.bytes.byteLength ?? 0), 0)"
        )
        print(f"a frame of the hero with hold-out and light on the figure: {size / 1e6:.2f} MB sent")
        still = 10 * WIDTH * HEIGHT / 1e6
        print(f"a still with its guide: {still:.1f} MB, {STILLS} of them {STILLS * still:.0f} MB")


def tell(kind: str, told: dict[str, Any]) -> None:
    """Print a kind of change: how soon it is answered, and how soon the picture is whole at rest."""
    answers = told["answers"]
    rest = statistics.median(sum(bands) for bands in told["bands"])
    band = max(max(bands) for bands in told["bands"])
    soon = f"answer median {statistics.median(answers):5.0f} ms, worst {max(answers):5.0f}"
    print(f"{kind:16} {soon}; rest {rest:5.0f}, band {band:5.0f}")


if __name__ == "__main__":
    measure(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
