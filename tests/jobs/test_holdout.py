"""The hold-out from end to end: somebody crosses a made room, and the camera is bumped meanwhile."""

import json
import re

import cv2
import numpy as np
import pytest
from made import make_room, write_movie

from lightstack.errors import LightstackError, SettingError
from lightstack.files.kept.keep import recall_record
from lightstack.files.read.takes import open_take
from lightstack.files.write.plates import read_exr
from lightstack.jobs.frame.shot_frames import FrameMaker, LaidLight
from lightstack.jobs.holdout.holdout import HeldMatte
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import CodedFrame, MixCurve, PulledMatte

SIZE, FRAMES, FIRST = (112, 200), 20, 1001
BUMP = 11  # first frame after the camera was knocked
SHOT = """
[shot]
name = "den"
out = "{out}"
[takes.hero]
path = "hero.mkv"
{takes}
[render]
exr = false
elements = ["holdout", "figure", "background"]
"""
EMPTY = '[takes.empty]\npath = "empty.mkv"\n'


@pytest.fixture(scope="module")
def room():
    return make_room(4, size=SIZE, frames=FRAMES, take="hero", lead=3)


@pytest.fixture(scope="module")
def folder(room, tmp_path_factory):
    folder = tmp_path_factory.mktemp("holdout")
    write_movie(room, folder / "hero.mkv")
    empty = make_room(4, size=SIZE, frames=10, take="empty", bump_px=0, turn_deg=0, offset_px=1.7)
    write_movie(empty, folder / "empty.mkv")  # it stands elsewhere: at two edges it does not show the set
    return folder


def build(folder, name, progress, extra="", takes=EMPTY, **options):
    (folder / f"{name}.toml").write_text(SHOT.format(out=f"out_{name}", takes=takes) + extra)
    return build_shot(folder / f"{name}.toml", options=BuildOptions(**options), progress=progress)


@pytest.fixture(scope="module")
def held(folder, unwatched):
    return build(folder, "held", unwatched)


def read_matte(result, k):
    return read_exr(result.out / f"den_holdout_v001.{FIRST + k}.exr")["Y"].astype(np.float32)


def read_colour(result, element, k):
    channels = read_exr(result.out / f"den_{element}_v001.{FIRST + k}.exr")
    return np.stack([channels[c] for c in "RGB"], -1).astype(np.float32)


def cover(room, k):
    """Who stands there, as the bumped frame shows it; drawn one pixel too wide, which is taken off."""
    mask = cv2.erode(room.carrier_mask[k].astype(np.uint8), np.ones((3, 3), np.uint8))
    return cv2.warpPerspective(mask, room.poses[k], SIZE[::-1], flags=cv2.INTER_NEAREST) > 0


def overlap(alpha, truth):
    return ((alpha >= 0.5) & truth).sum() / ((alpha >= 0.5) | truth).sum()


def test_the_matte_is_the_figure_before_and_after_the_bump(held, room):
    # REFERENCE  the figure as the made room drew it, moved by the true pose.
    # TOLERANCE  whole pixels, a rim of half of one round 40 x 15 is 15 % of the area; his dark legs stand on black.
    shares = [overlap(read_matte(held, k), cover(room, k)) for k in (10, 11, 12)]  # before, he throws a black shadow
    assert min(shares) > 0.7 and np.mean(shares) > 0.78


def test_nobody_there_holds_nothing_out(held):
    for k in (0, 1, 18, 19):
        assert not read_matte(held, k).any()


def test_the_figure_over_the_set_is_the_hero(held, folder):
    # REFERENCE  Porter & Duff 1984: figure (colour times matte) + (1 - matte) * set gives the picture back.
    with open_take(folder / "hero.mkv") as hero:
        for frame in hero.read_frames([7, 15]):
            k = frame.number - 1
            alpha = read_matte(held, k)[..., None]
            again = read_colour(held, "figure", k) + (1 - alpha) * read_colour(held, "background", k)
            off = np.abs(again - hero.linear(frame))
            assert off.mean() < 0.008 and np.quantile(off, 0.99) < 0.05


def test_report_manifest_and_terminal_say_what_it_was_told_from(held):
    assert held.numbers["hold-out"]["told from"].startswith("the mean of 10 frames of empty")
    assert "den_doubt_v001.png" in held.files
    manifest = json.loads((held.out / "manifest.json").read_text())
    assert manifest["holdout"]["numbers"] == held.numbers["hold-out"]
    page = (held.out / "report.html").read_text()
    assert page.count('alt="Figure of frame') == 4 and "the change of light is modelled" in page


def recall_held(folder, name="held"):
    scratch = folder / f"out_{name}" / ".lightstack" / "holdout"
    pulled = recall_record(scratch / "pulled.npz", PulledMatte)
    return HeldMatte(SIZE, FIRST - 1, lambda frame: np.eye(3), pulled=pulled, path=scratch / "matte.bin")


class Wiped:
    """A patch that shows the bare set all over, more and more."""

    name = "wipe"

    def __init__(self, bare, strength):
        self.bare, self.strength = bare, strength

    def strength_at(self, frame):
        return self.strength

    def laid_share(self, frame, pose):
        return np.full(SIZE, self.strength, np.float32)

    def lay(self, hero, frame, pose):
        return hero + np.float32(self.strength) * (self.bare - hero)


@pytest.mark.parametrize("strength", [0.5, 0.85, 1.0])
def test_a_figure_that_is_wiped_away_leaves_no_edge(held, folder, room, strength):
    # REFERENCE  the room that was drawn, with as much of the light as of the set is seen.
    # TOLERANCE  a step of one sigma of the hero's noise along the figure's outline, as the trade asks for.
    k, lamp = 7, np.full((*SIZE, 3), 0.25, np.float32)
    light = LaidLight("lamp", lamp, MixCurve(FIRST, np.ones(FRAMES)), "plus", 1.0)
    bare, seen = room.ambient.astype(np.float32), room.seen(k).astype(np.float32)
    maker = FrameMaker([light], patches=[Wiped(bare, strength)], held=recall_held(folder))
    with open_take(folder / "hero.mkv") as hero:
        frame = next(iter(hero.read_frames([k + 1])))
        shot = maker.make(CodedFrame(k + 1, (), None), hero.linear(frame), FIRST + k, np.eye(3))
    inside = cover(room, k).astype(np.uint8)
    wanted = seen + strength * (bare - seen) + lamp * (1 - (1 - strength) * inside[..., None])
    sigma = np.sqrt(4e-4 * np.maximum(seen, 0) + 4e-6)
    off = (shot.relit - wanted) / sigma
    rim = (cv2.dilate(inside, np.ones((3, 3))) - cv2.erode(inside, np.ones((3, 3)))) > 0
    away = cv2.dilate(inside, np.ones((15, 15))) == 0
    # half a lit rim pixel of the drawn mask is what any soft edge differs by, times what is left of the figure
    left = (1 - strength) * 0.25 / np.median(sigma[rim]) / 2
    assert abs(off[rim].mean() - off[away].mean()) < 1.0 + left


@pytest.mark.slow
def test_the_same_bytes_at_any_number_of_threads(held, folder, unwatched):
    build(folder, "threads", unwatched, threads=1)
    one, other = (folder / f"out_{name}/.lightstack/holdout/matte.bin" for name in ("held", "threads"))
    assert one.read_bytes() == other.read_bytes()
    sheets = [folder / f"out_{name}/den_doubt_v001.png" for name in ("held", "threads")]
    assert sheets[0].read_bytes() == sheets[1].read_bytes()


def test_hand_work_is_laid_over_what_was_pulled_and_follows_the_bump(held, folder, silence):
    square, box = [[10, 10], [30, 10], [30, 30], [10, 30]], (slice(12, 28), slice(12, 28))
    everywhere = [[-9, -9], [400, -9], [400, 300], [-9, 300]]
    extra = (
        f'[holdout]\n[[holdout.shape]]\npolygon = {everywhere}\nmode = "exclude"\nframes = [1001, 1010]\n'
        f"[[holdout.shape]]\npolygon = {square}\nfeather = 0\n"
    )
    (folder / "held.toml").write_text(SHOT.format(out="out_held", takes=EMPTY) + extra)
    result = build_shot(folder / "held.toml", options=BuildOptions(), progress=silence)
    assert "hold-out: unchanged" in silence.lines  # nothing is pulled again
    early, late = read_matte(result, 6), read_matte(result, 15)
    assert early.sum() == 20 * 20 and (early[10:30, 10:30] == 1).all()
    assert (late[box] == 1).all() and (late > 0.5).sum() > 700  # the figure is there as well
    across = late[:40, :40].sum(0) @ (np.arange(40) + 0.5) / late[:40, :40].sum()
    assert across == pytest.approx(20 + 2.0, abs=0.3)  # the bump moves the picture 2 px to the right there
    assert result.numbers["hold-out"]["helped by hand"] == "2 shapes"


@pytest.mark.slow
def test_none_turns_it_off_and_a_matte_from_elsewhere_takes_its_place(folder, silence):
    white = np.zeros(SIZE, np.uint8)
    white[:, 100:] = 255
    for number in (1, 2, 5, 20):  # counted from 1, with gaps
        cv2.imwrite(str(folder / f"other.{number:04d}.png"), np.dstack([white * 0, 255 - white, white * 0]))
    extra = '[holdout]\nmatte = { path = "other.####.png", channel = "G", invert = true, offset = -1000 }\n'
    result = build(folder, "other", silence, extra)
    for k in (0, 2, 3, 10):
        np.testing.assert_array_equal(read_matte(result, k), white / 255)
    gaps = r"other\.####\.png: .* shot frames 1003-1004, 1006-1019; the nearest"
    assert any(re.search(gaps, warning) for warning in result.warnings)
    assert not [line for line in silence.lines if "learn" in line]
    plain = SHOT.replace('"figure", ', "")
    (folder / "off.toml").write_text(plain.format(out="out_off", takes=EMPTY) + '[holdout]\nfrom = "none"\n')
    off = build_shot(folder / "off.toml", options=BuildOptions(), progress=silence)
    assert not read_matte(off, 8).any() and "hold-out" not in off.numbers


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        ('[holdout]\nfrom = "emptylit"\n', '[holdout] from = "emptylit": there is no such take or sweep'),
        ("[[holdout.shape]]\npolygon = [[900, 1], [950, 1], [900, 60]]\n", "holdout: shape 1 lies wholly outside"),
        ('[holdout]\ninclude = "black.png"\n', "black.png: holdout include: is all black on every frame"),
        ('[holdout]\nexclude = "small.png"\n', "small.png: is 200 x 50, the hero is 200 x 112"),
        ('[holdout]\ninclude = "nowhere.png"\n', "nowhere.png: nothing is there"),
        ('[holdout]\nmatte = { path = "black.png", channel = "Z" }\n', "black.png: has no channel Z; it has Y"),
        ('[holdout]\nmatte = { path = "late.####.png" }\n', "has pictures 7 to 7, and the shot has frames 1001 to"),
        ("[[holdout.shape]]\npolygon = [[1, 1], [9, 1], [9, 9]]\nframes = [1, 5]\n", "outside the shot's frames 1001"),
        ('[holdout]\nfrom = "none"\n', "elements asks for figure, and the shot has no hold-out"),
    ],
)
def test_bad_input_is_told_in_one_line_before_anything_long_begins(folder, silence, extra, said):
    black = np.zeros(SIZE, np.uint8)
    for name, picture in (("black", black), ("small", black[:50]), ("late.0007", black + 255)):
        cv2.imwrite(str(folder / f"{name}.png"), picture)
    with pytest.raises(LightstackError) as told:
        build(folder, "bad", silence, extra)
    assert said in str(told.value) and "\n" not in str(told.value)


def test_with_nothing_to_tell_the_set_by_it_says_what_to_film(folder, silence):
    text = SHOT.replace('"figure", "background"', "").format(out="out_bare", takes="") + "[holdout]\n"
    (folder / "bare.toml").write_text(text)
    result = build_shot(folder / "bare.toml", options=BuildOptions(), progress=silence)
    assert any("film `empty_lit`" in warning for warning in result.warnings)
    (folder / "bare2.toml").write_text(SHOT.replace('"figure", ', "").format(out="out_bare2", takes=""))
    with pytest.raises(SettingError, match="nothing shows the set"):
        build_shot(folder / "bare2.toml", options=BuildOptions(), progress=silence)


@pytest.mark.slow
def test_somebody_in_the_clean_plate_is_named_and_leaves_no_hole(room, folder, unwatched):
    write_movie(room, folder / "ghost.mkv", frames=[12] * 6)  # he stands still in what should be empty
    result = build(folder, "ghost", unwatched, takes='[takes.empty]\npath = "ghost.mkv"\n')
    assert any("shows something at" in warning and "hero never does" in warning for warning in result.warnings)
    assert read_matte(result, 1).mean() < 0.01  # 8 % of the picture was he; the tip of a hand is left
    assert read_matte(result, 6)[cover(room, 6)].mean() > 0.85
