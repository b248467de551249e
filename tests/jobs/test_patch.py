"""Patches from end to end: a lamp stand taken out of a hero with an empty take of other exposure, white and place."""

import json
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from made import make_room
from made.camera import expose
from made.movies import FORMATS, pack_frame

from lightstack.core.shapes import draw_polygon
from lightstack.errors import MismatchedInput, MissingInput, SettingError, UnreadableInput
from lightstack.files.read.takes import open_take
from lightstack.files.write.plates import read_exr
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions

SIZE, FRAMES, FIRST = (112, 200), 20, 1001
GAIN = np.array([1.3, 1.2, 1.05])  # exposure and white of the empty take against the hero's
NOISE = (4e-4, 4e-6)
TRAVEL = 26.0  # px over the take, where the stand moves
PATCHED = (1004, 1018)


def outline(x):
    """A polygon round the stand whose pole is at x."""
    return [[x - 9, 26.0], [x + 9, 26.0], [x + 9, 60.0], [x + 5, 104.0], [x - 5, 104.0], [x - 9, 60.0]]


def draw_stand(picture, x, pose):
    """A black pole with a bright head, drawn over a frame of the given pose."""
    y, across = np.mgrid[: SIZE[0], : SIZE[1]] + 0.5
    pole = (np.abs(across - x) < 1.3) & (y > 40) & (y < 98)
    head = (across - x) ** 2 + (y - 36) ** 2 < 25
    light = np.zeros((*SIZE, 3), np.float32)
    light[pole], light[head] = 0.01, (0.9, 0.8, 0.6)
    mask = cv2.warpPerspective((pole | head).astype(np.float32), pose, SIZE[::-1])[..., None]
    return picture * (1 - mask) + cv2.warpPerspective(light, pose, SIZE[::-1]) * mask


def write(path, pictures, seed):
    rng = np.random.default_rng(seed)
    with av.open(str(path), "w") as movie:
        stream = movie.add_stream("ffv1", rate=24)
        stream.width, stream.height, stream.pix_fmt, stream.thread_count = *SIZE[::-1], FORMATS["422", 10], 1
        context = stream.codec_context
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = 1, 1, 1, 1
        for count, picture in enumerate(pictures):
            frame = pack_frame(expose(picture, rng, noise=NOISE, chroma="422"), stream.pix_fmt)
            frame.pts, frame.time_base = count, Fraction(1, 24)
            movie.mux(stream.encode(frame))
        movie.mux(stream.encode(None))


def position(k, moving):
    return 128.0 + (TRAVEL * k / (FRAMES - 1) if moving else 0.0)


@pytest.fixture(scope="module")
def room():
    """The set without anybody, the camera bumped by 2.5 px in mid-take."""
    return make_room(4, size=SIZE, frames=FRAMES, take="hero", lead=10, bump_px=2.5, turn_deg=0.1)


@pytest.fixture(scope="module")
def folder(room, tmp_path_factory):
    folder = tmp_path_factory.mktemp("patches")
    seen = [room.ambient if k < 11 else room.seen(FRAMES - 1) for k in range(FRAMES)]  # nobody crosses
    poses = [np.eye(3) if k < 11 else room.poses[-1] for k in range(FRAMES)]
    for name, moving in (("hero", False), ("moving", True)):
        drawn = [draw_stand(seen[k], position(k, moving), poses[k]) for k in range(FRAMES)]
        write(folder / f"{name}.mkv", drawn, seed=1)
    other = make_room(4, size=SIZE, frames=10, take="empty", bump_px=0, turn_deg=0, offset_px=1.7)
    write(folder / "empty.mkv", [other.seen(k) * GAIN for k in range(10)], seed=2)
    mask = (draw_polygon(np.array(outline(128.0)), SIZE) * 255).round().astype(np.uint8)
    cv2.imwrite(str(folder / "mask.png"), mask)
    cv2.imwrite(str(folder / "black.png"), mask * 0)
    cv2.imwrite(str(folder / "small.png"), mask[:50])
    (folder / "broken.png").write_bytes(b"no picture")
    for frame in range(PATCHED[0], PATCHED[1] + 1):
        cv2.imwrite(str(folder / f"m.{frame}.png"), mask)
    return folder, seen, poses


def shot_text(patch, hero="hero"):
    return (
        f'[shot]\nname = "den"\n[takes.hero]\npath = "{hero}.mkv"\n[takes.empty]\npath = "empty.mkv"\n'
        f'[[patch]]\nname = "stand"\nfrom = "empty"\n{patch}\n'
    )


STILL = f"frames = [{PATCHED[0]}, {PATCHED[1]}]\n[[patch.shape]]\npolygon = {outline(128.0)}"
MOVING = (
    f"[[patch.shape]]\ndrawn = [{{ frame = {FIRST}, polygon = {outline(128.0)} }}, "
    f"{{ frame = {FIRST + FRAMES - 1}, polygon = {outline(128.0 + TRAVEL)} }}]"
)


def build(folder, name, text, progress):
    """Build a shot; all but the first share a folder, so that the hero is surveyed once."""
    path = folder / f"{name}.toml"
    path.write_text(text.replace('name = "den"', f'name = "den"\nout = "out_{name}"', 1))
    return build_shot(path, options=BuildOptions(), progress=progress)


def clean(result, frame):
    channels = read_exr(result.out / f"den_hero_clean_v001.{frame}.exr")
    return np.stack([channels[c] for c in "RGB"], axis=-1)


@pytest.fixture(scope="module")
def still(folder, unwatched):
    return build(folder[0], "still", shot_text(STILL), unwatched)


def measure_steps(result, folder, moving, frames):
    """Mean step in sigma just inside the mask's edge against the true set, (n, 3)."""
    _, seen, poses = folder
    steps = []
    for frame in frames:
        k = frame - FIRST
        mask = draw_polygon(np.array(outline(position(k, moving))), SIZE)
        full = (cv2.warpPerspective(mask, poses[k], SIZE[::-1]) >= 1).astype(np.uint8)
        rim = (full - cv2.erode(full, np.ones((5, 5), np.uint8))) > 0
        sigma = np.sqrt(NOISE[0] * np.maximum(seen[k], 0) + NOISE[1])
        steps.append(((clean(result, frame).astype(np.float32) - seen[k]) / sigma)[rim].mean(axis=0))
    return np.array(steps)


def test_the_stand_is_gone_without_a_step(still, folder):
    # REFERENCE  the room that the takes were drawn from.
    # TOLERANCE  half of the hero's own noise, before and after the bump.
    steps = measure_steps(still, folder, False, range(PATCHED[0], PATCHED[1] + 1))
    assert np.abs(steps).mean() < 0.25 and np.abs(steps).max() < 0.5


def test_a_moving_mask_leaves_no_step(folder, unwatched):
    result = build(folder[0], "moving", shot_text(MOVING, "moving"), unwatched)
    steps = measure_steps(result, folder, True, range(FIRST, FIRST + FRAMES))
    assert np.abs(steps).mean() < 0.25 and np.abs(steps).max() < 0.5


def test_frames_that_are_not_patched_are_the_hero_bit_for_bit(still, folder):
    with open_take(folder[0] / "hero.mkv") as hero:
        for frame in hero.read_frames([1, 3, 10, 19]):
            light = hero.linear(frame).astype(np.float16)
            got = clean(still, frame.number + FIRST - 1)
            if PATCHED[0] <= frame.number + FIRST - 1 <= PATCHED[1]:
                far = np.s_[:, :100]
                np.testing.assert_array_equal(got[far], light[far])
                assert not np.array_equal(got, light)
            else:
                np.testing.assert_array_equal(got, light)


def test_the_build_names_its_files_and_shows_before_and_after(still):
    names = set(still.files)
    assert {f"den_hero_clean_v001.{f}.exr" for f in range(FIRST, FIRST + FRAMES)} <= names
    assert {"den_hero_clean_v001.png", "den_preview_v001.mp4", "report.html", "manifest.json"} <= names
    page = (still.out / "report.html").read_text()
    manifest = json.loads((still.out / "manifest.json").read_text())
    assert manifest["takes"]["patch stand"]["files"][0]["path"] == "../empty.mkv"
    assert still.numbers["patch stand"]["taken from"] == "mean of 10 frames of empty"
    assert "Patches" in page and "matched by" in page and "mean of 10 frames of empty" in page
    assert f"den_hero_clean_v001.{FIRST}\u2013{FIRST + FRAMES - 1}.exr" in page


def test_the_preview_shows_the_patch(still, folder):
    with open_take(still.out / "den_preview_v001.mp4") as preview:
        shown = preview.linear(next(iter(preview.read_frames([8]))))
    head = np.s_[32:40, 124:132]
    assert np.abs(shown[head].mean() - folder[1][7][head].mean()) < 0.02


def test_nothing_is_done_twice(still, folder, silence, monkeypatch):
    monkeypatch.setattr("lightstack.jobs.patch.stage.match_patches", lambda *_, **__: pytest.fail("matched again"))
    path = folder[0] / "still.toml"
    again = build_shot(path, options=BuildOptions(), progress=silence)
    assert again.files == still.files and "nothing changed" in silence.lines
    text = path.read_text()
    path.write_text(text + "[preview]\nquality = 30\n")
    try:
        build_shot(path, options=BuildOptions(), progress=silence)
        assert "patches: unchanged" in silence.lines
    finally:
        path.write_text(text)


@pytest.mark.slow
def test_painted_masks_do_as_the_polygon_does(folder, still, unwatched):
    both = f'frames = [{PATCHED[0]}, 1010]\nmask = "mask.png"\n[[patch]]\nfrom = "empty"\nmask = "m.####.png"\n'
    result = build(folder[0], "shared", shot_text(f"{both}frames = [1011, {PATCHED[1]}]"), unwatched)
    for frame in (1006, 1011):  # the mask for all frames is moved with the bump, those of a sequence are not
        a, b = clean(result, frame).astype(np.float32), clean(still, frame).astype(np.float32)
        assert np.abs(a - b).mean() < 1e-3


@pytest.mark.slow
def test_strength_wipes_the_stand_away_little_by_little(folder, unwatched):
    part = '[[patch]]\nfrom = "empty"\n[[patch.shape]]\npolygon = [[190, 10], [230, 10], [230, 60], [190, 60]]'
    strength = f'strength = [[{FIRST}, 0, "linear"], [{FIRST + 10}, 1]]\n'
    text = shot_text(strength + STILL.split("\n", 1)[1] + "\n" + part)  # the second lies partly outside: fine
    result = build(folder[0], "shared", text, unwatched)
    head = np.s_[34:38, 126:130]
    levels = [clean(result, FIRST + k)[head].astype(np.float32).mean() for k in range(11)]
    assert np.all(np.diff(levels) < 0)
    # REFERENCE  a fade is linear in light: halfway it stands in the middle.
    assert levels[5] == pytest.approx((levels[0] + levels[10]) / 2, abs=0.02)


@pytest.mark.slow
def test_a_plate_on_disk_can_be_the_patch_and_without_a_match_there_is_a_step(folder, still, unwatched):
    shape = STILL.split("\n", 1)[1]
    plate = '[[patch]]\nfrom = "out_still/den_hero_clean_v001.1006.exr"\nframes = [1013, 1018]'
    text = shot_text(f'match = "off"\nframes = [1004, 1012]\n{shape}\n{plate}\n{shape}')
    result = build(folder[0], "shared", text, unwatched)
    head = np.s_[32:40, 124:132]
    assert np.abs(clean(result, 1016)[head].astype(np.float32).mean() - folder[1][15][head].mean()) < 0.02
    # exposure and white do differ: the check of steps can fail
    assert np.abs(measure_steps(result, folder, False, [1006])).max() > 0.8


BAD = [
    ('mask = "black.png"', SettingError, "all black"),
    ('mask = "small.png"', MismatchedInput, "the hero is 200 x 112"),
    ('mask = "none.png"', MissingInput, "nothing is there"),
    ('mask = "broken.png"', UnreadableInput, "not a readable mask"),
    ('mask = "m.####.png"', MissingInput, "has no mask for shot frame 1001"),
    ("[[patch.shape]]\npolygon = [[900, 10], [950, 10], [950, 60]]", SettingError, "wholly outside"),
    ("frames = [2000, 2010]\n" + STILL.split("\n", 1)[1], SettingError, "outside the shot's frames"),
    ("strength = [[1001, 0]]\n" + STILL.split("\n", 1)[1], SettingError, "0 on every one"),
]


@pytest.mark.parametrize("patch, kind, said", BAD, ids=[row[2] for row in BAD])
def test_what_cannot_be_patched_is_told_in_one_line(patch, kind, said, folder, silence):
    with pytest.raises(kind, match=said) as caught:
        build(folder[0], "bad", shot_text(patch), silence)
    assert "\n" not in str(caught.value)


def test_a_patch_from_a_take_that_is_not_there(folder, silence):
    for source, kind, said in (
        ("clean", SettingError, "there is no such take or sweep"),
        ("nowhere/x.exr", MissingInput, "nothing is there"),
        ("hero", SettingError, "needs `use`"),
    ):
        with pytest.raises(kind, match=said):
            build(folder[0], "bad", shot_text(STILL).replace('from = "empty"', f'from = "{source}"'), silence)
