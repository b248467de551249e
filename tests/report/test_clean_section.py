"""The clean plate's section of the page."""

import io
from base64 import b64decode

import numpy as np
import pytest
from PIL import Image

from lightstack.records import CleanReport, Hole
from lightstack.report.clean import draw_noise, draw_trust, view_clean
from lightstack.report.page import make_page


@pytest.fixture
def plate():
    return np.full((90, 160, 3), 120, np.uint8)


@pytest.fixture
def section(plate):
    return CleanReport(
        plate=plate,
        confidence=plate,
        noise=plate,
        noise_range=(0.22, 0.58),
        places=((1, "left, 4 %: covered in 61 % of the frames used"), (2, "right, 1 %: never <leaves>")),
        numbers=(("method", "median"), ("holes", "5 % of the picture")),
    )


def test_the_page_shows_plate_confidence_noise_and_a_line_on_every_place(make_report, section):
    html = make_page(make_report({"sweeps": (), "mixes": (), "laid": (), "clean": section})).decode()
    part = html[html.index('<section id="clean"') : html.index('<section id="settings"')]
    assert part.count("<img") == 3
    assert part.count('class="tag"') == 2
    for words in ("covered in 61 %", "never &lt;leaves&gt;", "2 places in doubt", "22", "58", "5 % of the picture"):
        assert words in part
    assert '<a href="#clean">' in html
    without = make_page(make_report({"sweeps": (), "mixes": (), "laid": ()})).decode()
    assert 'id="clean"' not in without


def test_pictures_of_the_section_are_jpegs_of_their_size(section):
    view = view_clean(section)
    picture = Image.open(io.BytesIO(b64decode(view.confidence.partition(",")[2])))
    assert picture.size == (160, 90)


def test_seldom_seen_places_are_tinted_and_unsound_ones_hatched(plate):
    seen = np.ones((90, 160), np.float32)
    seen[:, 80:] = 0.3
    sound = np.ones((90, 160), bool)
    sound[60:, :40] = False
    drawn = draw_trust(plate, seen, sound, [Hole(1, 20, 75, 0.08, "bottom left")], full_size=(90, 160))
    np.testing.assert_array_equal(drawn[5, 5], plate[5, 5])
    yellow = drawn[5, 150].astype(int)
    assert yellow[0] > yellow[2] + 50
    assert (drawn[70:85, 5:35].astype(int) != 120).any(axis=2).mean() > 0.9


def test_noise_is_black_where_many_frames_count_and_white_where_few_do():
    share = np.full((90, 160), 0.2, np.float32)
    share[:, 100:] = 0.7
    share[:10, :10] = np.nan
    sound = np.isfinite(share)
    drawn, ends = draw_noise(share, sound)
    assert ends == pytest.approx((0.2, 0.7))
    assert drawn[50, 50].tolist() == [0, 0, 0]
    assert drawn[50, 150].tolist() == [255, 255, 255]
    assert drawn[:10, :10].max() > 0
    even, (least, most) = draw_noise(np.full((90, 160), 0.2, np.float32), np.ones((90, 160), bool))
    assert even.max() == 0  # evenness looks even
    assert most > least
    nothing, _ = draw_noise(np.full((90, 160), np.nan, np.float32), np.zeros((90, 160), bool))
    assert nothing.shape == (90, 160, 3)
