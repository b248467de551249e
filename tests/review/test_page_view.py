"""Heroes that no screen shows as they are: the page shows them through the view that the preview movie is made by."""

import numpy as np
import page_browser
import pytest
from made.formats import FORMATS, write_still
from unwatched import Unwatched

from lightstack.core.colour.light import CURVES, apply_matrix, convert_matrix
from lightstack.jobs.frame.preview_sink import find_view
from lightstack.jobs.review.review import Review
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions

HEIGHT, WIDTH = 48, 80
COLOURS = {"dpx": ("logc3", "awg3"), "exr": ("linear", "ap0")}
SMALL = {"width": 780, "height": 500}


def draw_codes(form, k):
    """Code values (H, W, 3): grey and patches of every hue, pale and strong, from a 200th of white to 3 stops above."""
    y, x = np.mgrid[:HEIGHT, :WIDTH] / [[[HEIGHT - 1]], [[WIDTH - 1]]]
    noise = 0.003 * np.random.default_rng(k).normal(0, 1, (HEIGHT, WIDTH, 3))
    hue = 2 * np.pi * (5 * y[..., None] + np.arange(3) / 3)
    strength = np.where(y < 0.2, 0, np.floor(10 * y) % 3 / 3)[..., None]
    light = 2 ** (10.6 * x[..., None] - 7.6) * (1 + strength * np.cos(hue) + noise)
    curve, primaries = COLOURS[form]
    light = apply_matrix(light.astype(np.float32), convert_matrix("bt709", primaries))
    if form == "exr":
        return 65535.0 * light  # the writer makes light of it again
    return np.rint(1023 * np.clip(CURVES[curve].encode(light), 0, 1)).astype(np.uint16)


@pytest.fixture(scope="module")
def browser():
    with page_browser.open_browser() as browser:
        yield browser


@pytest.fixture(scope="module", params=[pytest.param("dpx", marks=pytest.mark.slow), "exr"])
def review(request, tmp_path_factory):
    folder, form = tmp_path_factory.mktemp(request.param), request.param
    for k in (1, 2):
        write_still(draw_codes(form, k), folder / f"hero.{k:04d}.{form}", FORMATS[form])
    hero = f'path = "hero.####.{form}"\ncolour = "{"/".join(COLOURS[form])}"'
    rest = '[holdout]\nfrom = "none"\n[grain]\namount = 0'
    (folder / "shot.toml").write_text(f'[shot]\nname = "den"\nrate = 24\n[takes.hero]\n{hero}\n{rest}\n')
    build_shot(folder / "shot.toml", options=BuildOptions(), progress=Unwatched())
    made = Review(folder / "shot.toml", options=BuildOptions(), progress=Unwatched())
    yield made
    made.close()


def test_the_page_shows_what_the_preview_is_made_by(browser, review):
    shot = review.opening.now.shot
    take, view = shot.hero.take, review.opening.now.view
    assert view.kind == "view" and "ACES 2.0" in view.description
    # REFERENCE OpenColorIO's own processor for the view, at every pixel: what the preview movie is coded from.
    show = find_view("hero", take.info.encoding, shot.hero.working, None)
    light = take.linear(next(iter(take.read_frames([take.info.first_frame]))))
    words = np.frombuffer(review.hero(1001).data, "<u4").reshape(HEIGHT, WIDTH)
    sent = view.decode[np.stack([words >> 20, words >> 10 & 1023, words & 1023], axis=-1)]
    with page_browser.open_page(browser, review, ready=False, size=SMALL) as page:
        page.evaluate("review.gate.box.open && review.gate.confirm(review.gate.doubt)")  # nothing of it was checked
        page_browser.wait_until_drawn(page)
        shown = np.array(page.evaluate("Array.from(review.blend.readShown(1))")).reshape(HEIGHT, WIDTH, 4)[..., :3]
    assert shown.max() > 250 and shown.min() < 5 and 80 < shown.mean() < 180
    # TOLERANCE a display code of 255, half of it rounding; of what is sent, whose codes are 1 % of light apart, 1.5.
    for what, limit in ((sent, 1.0), (light, 1.5)):
        wanted = 255 * np.clip(show(np.array(what, np.float32)), 0, 1)
        assert np.percentile(np.abs(shown - wanted), 99.9) <= limit
