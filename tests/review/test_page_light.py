"""What the page draws on the graphics card is what the core computes, to one display code."""

from dataclasses import replace

import numpy as np
import page_browser
import pytest
from page_shot import DECODE, FIRST, GROUPS, HEIGHT, WIDTH, MadeReview, depth_at, describe_blend, gains_of, make_blend

from lightstack.core.lamp.travel_shade import enlarge_stops
from lightstack.core.page.plate import ProxyRegel, blend_proxies, lay_proxy, regel_proxy, weigh_proxies

FRAME = 1012
GEL = np.array([1.0, 0.9, 0.8])


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
    """Every test begins with the shot as it was built, at one frame."""
    page.evaluate(f"while (review.history.past.length) review.undo(); review.goTo({FRAME}); review.ui.look = 'relit'")
    page.evaluate("review.ui.against = 'none'; review.ui.stops = 0; review.refresh()")


def read_shown(page, slot=1):
    """The picture as it is shown, (h, w, 3) codes."""
    page_browser.wait_until_drawn(page)
    page.evaluate("review.update()")
    return np.array(page.evaluate(f"Array.from(review.blend.readShown({slot}))")).reshape(HEIGHT, WIDTH, 4)[..., :3]


def edit(page, change):
    page.evaluate(f"import('/state.js').then((state) => review.edit((edits) => {change}))")


def to_codes(light):
    """Display codes by linear search between the table's own: the inverse of the hero's decode."""
    return np.interp(light, DECODE, np.arange(1024) / 1023) * 255


def hero_light(review, frame=FRAME):
    return DECODE[review.hero_codes(frame)].astype(np.float32)


def expect(review, plates, *, gains=(0.5, 0.5), figure=0.5, rules=("plus", "screen"), frame=FRAME):
    """The frame by the core: hero, plates with mix and gel, the light on the figure, the hold-out."""
    return lay_proxy(hero_light(review, frame), list_lights(review, plates, gains, figure, rules), review.held / 255)


def list_lights(review, plates, gains=(0.5, 0.5), figure=0.5, rules=("plus", "screen")):
    """Lights as they are laid; the first falls on the figure too."""
    lights = [(plate * GEL * gain, rule) for plate, gain, rule in zip(plates, gains, rules, strict=True)]
    return [(*lights[0], review.on_figure * GEL * gains[0] * figure), *lights[1:]]


def plates_of(review, *, rule="max", dims=(1, 1, 1, 1, 1)):
    plate = blend_proxies(review.stills["lamp"], make_blend(1, rule), np.array(dims, float)[:, None] * np.ones(3))
    glow = blend_proxies(review.stills["glow"], make_blend(3), np.ones((5, 3)))
    return [plate, glow]


def far(shown, light):
    return np.abs(shown - to_codes(light)).max()


# TOLERANCE one code of 255, of which half is rounding; plates are held as half floats (1/2048 of their level).
ONE_CODE = 1.0


def test_the_graphics_card_draws_floats(page):
    assert page.evaluate("Boolean(review.blend.gl.getExtension('EXT_color_buffer_float'))")
    assert page.evaluate("review.blend.gl.getError()") == 0
    assert page.inner_text("#message") == ""


# REFERENCE core/page/plate.py, which is held against the full-size accumulation by its own tests.
@pytest.mark.parametrize("rule", ["max", "softmax", "screen", "sum"])
@pytest.mark.parametrize("dims", [(1, 1, 1, 1, 1), (1, 0.25, 0, 1.5, 1)], ids=["as shot", "dimmed"])
def test_every_rule(page, review, rule, dims):
    trim = ", ".join(f"{10 + 10 * k}: {dim}" for k, dim in enumerate(dims))
    edit(page, f"state.editSweep(edits, 'sweep_lamp', {{ combine: '{rule}', trim: {{ {trim} }} }})")
    assert far(read_shown(page), expect(review, plates_of(review, rule=rule, dims=dims))) <= ONE_CODE


def test_guides_by_channel(page, review):
    edit(page, "state.editSweep(edits, 'sweep_glow', { combine: 'softmax', trim: { 20: 0.5 } })")
    dims = np.ones((5, 3))
    dims[1] = 0.5
    glow = blend_proxies(review.stills["glow"], make_blend(3, "softmax"), dims)
    assert far(read_shown(page), expect(review, [plates_of(review)[0], glow])) <= ONE_CODE


def test_a_group_gel_and_figure_level(page, review):
    edit(page, "state.editLight(edits, 'lamp', { group: 'left', figure_light: 1.5, lay: 'screen' })")
    dims = np.array([1, 1, 0, 0, 0], float)
    light = expect(review, plates_of(review, dims=dims), figure=1.5, rules=("screen", "screen"))
    assert far(read_shown(page), light) <= ONE_CODE


def test_a_light_that_travels(page, review):
    edit(page, "state.editLight(edits, 'lamp', { using: 'path', path: { points: [[1001, 20, 30]] } })")
    page_browser.wait_for(page, "Boolean(review.travel.lamp)")
    for frame in (FRAME, FRAME + 1):  # the light is elsewhere there
        page.evaluate(f"review.goTo({frame})")
        shown = read_shown(page)
        assert far(shown, expect_travel(review, frame)) <= ONE_CODE
        assert far(shown, expect_travel(review, frame, lifted=False)) > 10  # stills as they are would be seen


# REFERENCE core/page/plate.py and core/lamp/travel_shade.py, by which a build brings stills to the light's place.
def expect_travel(review, frame, *, lifted=True):
    stops = review.stops(depth_at(frame)).astype(np.float32)
    lift = np.stack([enlarge_stops(field, (HEIGHT, WIDTH)) for field in stops]) if lifted else None
    plate = weigh_proxies(review.stills["lamp"], review.weigh(frame), lift=lift)
    gains = 2 * [gains_of(review.describe()["lights"][0]["mix"]["points"])[frame - FIRST]]
    return expect(review, [plate, plates_of(review)[1]], gains=gains, frame=frame)


def test_a_light_whose_way_is_written_too(page, review):
    way = review.travel("lamp", [])["weights"]
    page.evaluate("(weights) => Object.assign(review.light, { using: 'path', weights })", way)
    try:
        page.evaluate("review.refresh()")
        assert far(read_shown(page), expect_travel(review, FRAME)) <= ONE_CODE
    finally:
        page.evaluate("Object.assign(review.light, { using: 'plate', weights: null }); review.refresh()")


def test_looks_and_exposure(page, review):
    page.evaluate("review.ui.look = 'light'; review.ui.against = 'room'; review.ui.stops = 1; review.refresh()")
    shown = read_shown(page)
    alone = lay_proxy(np.zeros((HEIGHT, WIDTH, 3)), list_lights(review, plates_of(review)), review.held / 255)
    assert far(shown, 2 * alone) <= ONE_CODE
    assert far(read_shown(page, 0), 2 * hero_light(review)) <= ONE_CODE


def test_where_no_light_falls_the_hero_stays_as_it_is(page, review):
    page.evaluate(f"review.goTo({FIRST})")  # both mixes are 0 there
    shown = read_shown(page)
    codes = review.hero_codes(FIRST)
    # REFERENCE the hero's own 10-bit codes, brought to 8 bits by rounding; TOLERANCE a code where one lies between two
    assert np.abs(shown - codes / 1023 * 255).max() <= 0.52


# What a shot may bring that the made one does not: a floor that rolls off, a new gel with clipped light.
@pytest.mark.parametrize("groups", [1, 3])
def test_floor_and_new_gel(page, review, groups):
    name = next(name for name, g in GROUPS.items() if g == groups)
    blend = make_blend(groups, floor_sigma=8.0)
    regel = ProxyRegel(np.array([0.2, 1.0, 0.4]), np.array([0.3, 0.9, 0.5]), np.array([0.2, 0.7, 0.1]), 0.6, 0.4)
    told = {key: np.asarray(getattr(regel, key)).tolist() for key in regel.__dataclass_fields__}
    recipe = {"blend": describe_blend(blend), "regel": told}
    plate = page.evaluate(READ_PLATE, [f"sweep_{name}", recipe])
    made = np.array(plate).reshape(HEIGHT, WIDTH, 4)[..., :3]
    ones = np.ones((5, 3))
    stills = replace(review.stills[name], gains=ones)
    wanted = regel_proxy(blend_proxies(stills, blend, ones), review.stills[name].ambient, regel)
    assert np.abs(made - wanted).max() < 1e-3 * max(1.0, np.abs(wanted).max())


READ_PLATE = """([stack, recipe]) => {
  const { blend } = review, { gl } = blend;
  const stills = [0, 1, 2, 3, 4].map((index) => ({ index, dims: [1, 1, 1] }));
  blend.plate(stack, { ...recipe, stills });
  const plate = [...blend.stacks.get(stack).plates.values()].at(-1);
  const out = new Float32Array(blend.width * blend.height * 4);
  gl.bindFramebuffer(gl.FRAMEBUFFER, plate.frame);
  gl.readPixels(0, 0, blend.width, blend.height, gl.RGBA, gl.FLOAT, out);
  return Array.from(out);
}"""
