"""How fast the review page blends: ``python tests/bench/review.py [FRAMES]``.

A browser draws by the processor (SwiftShader), which is what a machine without a graphics card has; a card is far
faster. Every frame changes one dimmer, so all stills are blended again, the frame is laid and shown, and its pixels are
read back.
"""

from __future__ import annotations

import statistics
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import page_browser
from page_shot import MadeReview

WIDTH, HEIGHT, STILLS = 1280, 720, 24
RULES = ("max", "softmax", "screen", "sum", "path")

# the plate alone is finished by reading one pixel of it; the whole is read back as it is shown
MEASURE = """([rule, frames]) => {
  const { blend } = review;
  const dims = (k, at) => [1, 1, 1].map(() => (at % 24 === k ? 0.5 + (at % 50) / 100 : 1));
  const { blend, stills, sweep } = review.light;
  const one = (still, index, at) =>
    ({ index, dims: dims(index, at), gains: still.gel_gain, share: still.share, weight: 1 / 24 });
  const recipe = (at) =>
    ({ blend: { ...blend, rule }, regel: null, stills: stills.map((still, index) => one(still, index, at)) });
  const draw = (plate, gain) => {
    const light = { name: "lamp", plate, fits: true, gain: [gain, 0.3, 0.3], figure: [0.1, 0.1, 0.1] };
    blend.compose(1, { base: "hero", hold: 1, lights: [light] });
    blend.readShown(1);
  };
  const times = [], laid = [];
  for (let at = 0; at < frames; at++) {
    const start = performance.now();
    const plate = blend.plate(sweep, recipe(at));
    draw(plate, 0.3);
    times.push(performance.now() - start);
    const again = performance.now();
    draw(plate, 0.31);
    laid.push(performance.now() - again);
  }
  return { times, laid, reads: blend.reads };
}"""


def measure(frames: int) -> None:
    review = MadeReview(size=(WIDTH, HEIGHT), count=STILLS)
    print(f"{WIDTH} x {HEIGHT}, {STILLS} stills, {frames} frames each, every one read back; drawn by the processor")
    with page_browser.open_browser() as browser, page_browser.open_page(browser, review, ready=False) as page:
        page_browser.wait_for(page, "review.stacks.busy === 0 && review.picture.drawn !== null && !review.waiting", 180)
        for rule in RULES:
            told = page.evaluate(MEASURE, [rule, frames])
            whole, laid = statistics.median(told["times"]), statistics.median(told["laid"])
            print(f"{rule:8} median {whole:6.1f} ms a frame with the plate blended again, {laid:5.1f} ms with it kept")
            print(f"{'':8} {told['reads']} texture reads per pixel of the plate")
        size = page.evaluate(
            "[...review.picture.ring.kept.values()][0].reduce((sum, part) => sum + (part?.bytes.byteLength ?? 0), 0)"
        )
        print(f"a frame of the hero with hold-out and light on the figure: {size / 1e6:.2f} MB sent")
        still = 10 * WIDTH * HEIGHT / 1e6
        print(f"a still with its guide: {still:.1f} MB, {STILLS} of them {STILLS * still:.0f} MB")


if __name__ == "__main__":
    measure(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
