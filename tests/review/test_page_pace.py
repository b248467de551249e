"""Where drawing takes long the page answers at once by smaller pictures, and at rest shows the same as ever."""

import cv2
import numpy as np
import page_browser
import pytest
from page_shot import HEIGHT, WIDTH, MadeReview

RUNG = "sweep_lamp, 1/6"


@pytest.fixture(scope="module")
def review():
    return MadeReview()


@pytest.fixture(scope="module")
def page(review):
    small = {"width": 780, "height": 500}  # the window is drawn too: less of it is sooner done
    with page_browser.open_browser() as browser, page_browser.open_page(browser, review, size=small) as page:
        yield page


@pytest.fixture(autouse=True)
def plain(page):
    """Every test begins with the shot as it was built, on a machine as fast as it is."""
    page.evaluate("while (review.history.past.length) review.undo(); review.stacks.pace.most = 60; review.refresh()")
    page_browser.wait_until_drawn(page)


DIM = """import('/state.js').then(({ trimStill }) =>
  review.edit((edits) => trimStill(edits, 'sweep_lamp', review.light.stills[1], %s), 'drag'))"""
READ = "Array.from(review.blend.readShown(1))"


def read_shown(page):
    return np.array(page.evaluate(READ)).reshape(HEIGHT, WIDTH, 4)[..., :3].astype(float)


def test_dragging_is_answered_small_and_rest_is_whole(page):
    page.evaluate(DIM % 0.4)
    page_browser.wait_until_drawn(page)
    assert page.evaluate("review.picture.stacksDrawn[0]") == "sweep_lamp"
    wanted = read_shown(page)
    page.evaluate("review.undo(); review.stacks.pace.most = 0")  # nothing is soon enough
    page.evaluate("review.blend.stacks.get('sweep_lamp').plates.clear()")
    page.evaluate(DIM % 0.4)
    page.evaluate("clearTimeout(review.resting); review.update()")
    assert page.evaluate("review.picture.stacksDrawn[0]") == RUNG
    assert not page.evaluate("review.stacks.bands.waiting")  # the whole is for hands that rest
    near = np.abs(read_shown(page) - wanted)
    assert 0 < near.mean() < 6  # TOLERANCE: a sixth of the size has a sixth of the detail, and the same light
    page.evaluate("review.endGesture()")
    page_browser.wait_until_drawn(page)
    assert page.evaluate("review.picture.stacksDrawn[0]") == "sweep_lamp"
    np.testing.assert_array_equal(read_shown(page), wanted)


@pytest.mark.parametrize("rule", ["max", "softmax", "screen", "sum"])
def test_a_plate_in_bands_is_the_plate(page, rule):
    whole, bands = (np.array(part) for part in page.evaluate(BANDS, rule))
    assert whole.max() > 0
    np.testing.assert_array_equal(bands, whole)


def test_what_is_no_longer_wanted_is_let_go(page):
    page.evaluate("review.stacks.bands.ask('sweep_lamp', { blend: { rule: 'max' }, stills: [] }, null)")
    assert page.evaluate("review.stacks.bands.waiting")
    page.evaluate("review.stacks.bands.settle(); review.stacks.bands.settle()")
    assert not page.evaluate("review.stacks.bands.waiting")


# REFERENCE OpenCV's INTER_AREA, which is the mean of the area beneath every pixel
@pytest.mark.parametrize("size", [(32, 18), (24, 14)], ids=["one and a half", "two"])
def test_smaller_stacks_are_means_of_what_is_valid(page, review, size):
    light, guide = (np.array(part).reshape(size[1], size[0], 4) for part in page.evaluate(SHRUNK, [*size, 2]))
    read = review.still("lamp", 2, half=True).array(), review.guide("lamp", 2, half=True).array()
    valid = cv2.resize(read[0][..., 3], size, interpolation=cv2.INTER_AREA)
    known = valid > 0.01
    for made, given, channels in ((light, read[0], 3), (guide, read[1], 1)):
        sums = cv2.resize(given[..., :channels] * read[0][..., 3:], size, interpolation=cv2.INTER_AREA)
        wanted = sums.reshape(*valid.shape, channels)[known] / valid[known][:, None]
        # TOLERANCE half floats have 11 bits
        np.testing.assert_allclose(made[..., :channels][known], wanted, rtol=2e-3, atol=1e-4)
    np.testing.assert_allclose(light[..., 3], valid, atol=1e-3)


def test_a_hurried_frame_is_every_other_pixel(page):
    whole = read_shown(page)
    page.evaluate("review.picture.stepOf = () => 2; review.update()")
    hurried = read_shown(page)[: HEIGHT // 2, : WIDTH // 2]
    assert page.evaluate("review.blend.pane.partOf(review.blend.slots[1])") == [0.5, 0.5]
    page.evaluate("delete review.picture.stepOf; review.update()")
    # TOLERANCE a code where rounding falls the other way
    assert np.abs(hurried - whole[1::2, 1::2]).max() <= 1
    np.testing.assert_array_equal(read_shown(page), whole)


def test_time_is_planned_from_what_was_measured(page):
    told = page.evaluate(PACE)
    assert told == {"guess": True, "fits": False, "after": True, "rows": [90, 1, 720]}


BANDS = """(rule) => {
  const { blend } = review, { gl } = blend, stack = blend.stacks.get("sweep_lamp");
  const stills = [0, 1, 2, 3, 4].map((index) => ({ index, dims: [1, 1, 1].map((dim) => (index === 2 ? 0.5 : dim)) }));
  const recipe = { blend: { ...review.light.blend, rule }, regel: null, stills };
  const read = (plate) => {
    const out = new Float32Array(stack.width * stack.height * 4);
    gl.bindFramebuffer(gl.FRAMEBUFFER, plate.frame);
    gl.readPixels(0, 0, stack.width, stack.height, gl.RGBA, gl.FLOAT, out);
    blend.drop(plate);
    return Array.from(out);
  };
  const [whole, bands] = [0, 1].map(() => blend.target(gl.RGBA16F, stack.width, stack.height, gl.LINEAR));
  blend.drawPlate(stack, recipe, null, whole);
  const { height } = stack;
  for (let row = 0; row < height; row += 7) blend.drawRows(stack, recipe, null, bands, row, Math.min(height, row + 7));
  return [read(whole), read(bands)];
}"""

SHRUNK = """async ([width, height, layer]) => {
  const { shrinkStack } = await import("/rungs.js");
  const { blend } = review, { gl } = blend;
  const made = shrinkStack(blend, blend.stacks.get("sweep_lamp, half size"), "tried", width, height, true);
  const frame = gl.createFramebuffer();
  gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
  return [made.light, made.guides].map((texture) => {
    gl.framebufferTextureLayer(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, texture, 0, layer);
    const out = new Float32Array(width * height * 4);
    gl.readPixels(0, 0, width, height, gl.RGBA, gl.FLOAT, out);
    return Array.from(out);
  });
}"""

PACE = """async () => {
  const { Pace, planRows } = await import("/pace.js");
  let now = 0;
  const pace = new Pace(() => now);
  const guess = pace.fits("plate", 1000);
  const makeProgram = () => (now += 5000); // which is not counted
  pace.time("plate", 1000, () => (now += 100), () => (now += 20), makeProgram);
  const fits = pace.fits("plate", 1000);
  for (let turn = 0; turn < 8; turn++) pace.time("plate", 1000, () => (now += 10), () => {});
  const rows = [480, 1e9, 1].map((ms) => planRows(720, ms));
  return { guess, fits, after: pace.fits("plate", 1000), rows };
}"""
