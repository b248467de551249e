"""Clean plates of made takes: somebody stands in the way for 30 to 80 % of the frames, or never leaves."""

from functools import partial
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from clips import write_clip
from made.rooms import make_room
from made.standing import make_standing, sway

from lightstack.errors import MismatchedInput, MissingInput, OutputError, SettingError, UnusableTake
from lightstack.files.kept.frame_store import frames_bytes
from lightstack.files.write.plates import read_exr
from lightstack.jobs.clean.clean import CleanRequest, CleanTake, cover_masks, make_clean
from lightstack.jobs.clean.full_pass import choose_keeping, plan_place
from lightstack.jobs.clean.results import (
    draw_confidence,
    judge_clean,
    list_doubts,
    list_spots,
    report_clean,
    warn_clean,
    write_together,
)
from lightstack.jobs.clean.takes import CleanOptions, clean_takes, name_takes
from lightstack.jobs.takes.memory import floor_bytes
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import CodedFrame, Hole, NoiseModel

NOISE = (4e-4, 4e-6)
FRAMES = 30
TAGS = {"color_range": 2, "colorspace": 0, "color_trc": 1, "color_primaries": 1}  # numbers of ITU-T H.273
JUDGED_SEED = 103  # not looked at while the thresholds were set


@pytest.fixture(scope="module")
def standing():
    return make_standing(JUDGED_SEED)


@pytest.fixture(scope="module")
def film(standing, tmp_path_factory):
    """Give the movie of a list of places (None: nobody), lossless 10-bit R'G'B' unless said otherwise."""
    folder = tmp_path_factory.mktemp("standing")
    made = {}

    def get(places, *, chroma="rgb", name="take"):
        key = (tuple(places), chroma, name)
        if key not in made:
            path = folder / f"{name}_{len(made)}.mkv"
            planes = list(standing.planes(places, chroma=chroma))
            if chroma == "rgb":
                planes = [tuple(p[0][..., c] for c in (1, 2, 0)) for p in planes]
            form = "gbrp10le" if chroma == "rgb" else "yuv420p10le"
            tags = {"color_range": 2 if chroma == "rgb" else 1, "colorspace": 0 if chroma == "rgb" else 1}
            tags |= {"color_trc": 1, "color_primaries": 1}
            made[key] = write_clip(path, planes, codec="ffv1", pixel_format=form, tags=tags)
        return made[key]

    return get


def stand(cover):
    gone = round((1 - cover) * FRAMES)
    return [None] * (gone // 2) + [0] * (FRAMES - gone) + [None] * (gone - gone // 2)


def request(*paths, **keys):
    from lightstack.files.shot.schema import TakeSettings

    takes = [CleanTake(TakeSettings(path=(str(path),)), (path,), f"take_{i}") for i, path in enumerate(paths)]
    return CleanRequest(takes=tuple(takes), **keys)


def sigmas_off(light, standing):
    """How far a plate is off the noise-free set, in sigma of one frame, (H, W, 3)."""
    truth = standing.empty
    return (light - truth) / np.sqrt(NOISE[0] * np.maximum(truth, 0) + NOISE[1])


@pytest.mark.parametrize(("method", "cover"), [("median", 0.49), ("sigma_clip", 0.3), ("longest_rest", 0.49)])
def test_whoever_stands_for_less_than_half_is_gone(method, cover, standing, film, tmp_path, unwatched):
    outcome = make_clean(request(film(stand(cover)), method=method), tmp_path, progress=unwatched)
    off, body = sigmas_off(outcome.light, standing), standing.covers[0]
    # TOLERANCE  exact to noise: a median of the 15 free frames leaves 0.32 sigma; nothing is grossly off.
    assert np.sqrt((off[body] ** 2).mean()) < 0.4
    assert (np.abs(off) > 3).any(axis=2).mean() < 0.001
    assert judge_clean("clean", outcome).grade == "good"


def test_the_plain_median_of_all_frames_is_exact_at_49_percent(standing, film, tmp_path, unwatched):
    places = stand(0.49)
    outcome = make_clean(request(film(places), frames=((1, FRAMES),)), tmp_path, progress=unwatched)
    assert len(outcome.used) == FRAMES
    # REFERENCE  numpy.median of the frames as the camera model develops them. TOLERANCE  the table of the curve.
    expected = np.median(standing.film(places), axis=0)
    np.testing.assert_allclose(outcome.light, expected, rtol=2e-3, atol=2e-5)
    assert outcome.values == "code values"


@pytest.mark.parametrize("cover", [0.6, 0.8])
def test_the_longest_rest_is_right_where_the_set_shows_in_one_stretch(cover, standing, film, tmp_path, unwatched):
    free = round((1 - cover) * FRAMES)
    places = [None] * free + [sway(k) for k in range(FRAMES - free)]
    outcome = make_clean(request(film(places), method="longest_rest"), tmp_path, progress=unwatched)
    off, body = sigmas_off(outcome.light, standing), standing.covers[0]
    assert np.sqrt((off[body] ** 2).mean()) < 0.8  # 6 frames of the set leave 0.5 sigma
    assert (np.abs(off) > 3).any(axis=2).mean() < 0.003
    assert outcome.seen[body].mean() < 1 - 0.7 * cover


def test_a_median_that_shows_somebody_says_so(standing, film, tmp_path, unwatched):
    places = [None] * 9 + [0] * 21
    outcome = make_clean(request(film(places), frames=((1, FRAMES),)), tmp_path, progress=unwatched)
    verdict = judge_clean("clean", outcome)
    assert verdict.grade == "usable"
    assert "longest_rest" in " ".join(verdict.sentences)
    assert outcome.holes[standing.covers[0]].mean() > 0.5
    # 21 of 30 frames show the body: 70 %, whatever is measured
    assert outcome.covered[0] == pytest.approx(0.7, abs=0.04)
    assert "ghost" in list_doubts(outcome)[0][1]
    assert any("ghost" in line for line in warn_clean("clean", outcome))
    section = report_clean(outcome)
    assert section.places[0][0] == 1
    assert section.plate.shape == section.confidence.shape


def test_whoever_never_leaves_is_named_and_drawn(standing, film, tmp_path, unwatched):
    path = film([(k // 2) % 5 for k in range(FRAMES)])
    outcome = make_clean(request(path, method="longest_rest"), tmp_path, progress=unwatched)
    verdict = judge_clean("clean", outcome)
    assert verdict.grade == "reshoot"
    assert "never leaves" in verdict.sentences[0]
    assert outcome.restless
    assert any("never leaves" in line for line in warn_clean("clean", outcome))
    assert [hole.number for hole, _ in list_doubts(outcome)] == list(range(1, len(list_doubts(outcome)) + 1))
    # nobody is named twice: no hole lies where somebody who never leaves is named already
    factor = outcome.holes.shape[1] // outcome.stays.shape[1]
    assert not any(outcome.stays[int(one.y / factor), int(one.x / factor)] for one in outcome.places)
    drawn = draw_confidence(outcome)
    assert drawn.shape == (*standing.empty.shape[:2], 3)


def test_takes_are_joined_and_a_knocked_one_is_put_back(tmp_path, unwatched):
    room = make_room(1, size=(112, 200), frames=14, lead=3, take="hero", bump_px=3.0, turn_deg=0, bump_at=0.5)
    planes = [tuple(room.planes(k)[0][..., c] for c in (1, 2, 0)) for k in range(len(room))]
    path = write_clip(tmp_path / "knocked.mkv", planes, codec="ffv1", pixel_format="gbrp10le", tags=TAGS)
    outcome = make_clean(request(path, path, method="longest_rest"), tmp_path, progress=unwatched)
    assert {name for name, _ in outcome.used} == {"take_0", "take_1"}
    assert outcome.values == "linear light, half floats"
    inside = (slice(8, -8), slice(8, -8))
    off = []
    for truth in (room.ambient, room.moved[len(room) - 1].astype(np.float32)):  # its origin is either pose
        sigma = np.sqrt(NOISE[0] * np.maximum(truth, 0) + NOISE[1])
        off.append(float(np.sqrt(np.mean(((outcome.light - truth) / sigma)[inside] ** 2))))
    assert min(off) < 0.5
    assert max(off) > 2 * min(off)


def test_the_bytes_do_not_depend_on_memory_or_threads(film, standing, tmp_path, unwatched):
    path = film([None, None, 0, 0, None, None, None, 5], chroma="420")
    budget = floor_bytes(standing.empty.shape[:2]) + 1  # nothing to spare: frames go to the disk
    every = [BuildOptions(threads=1), BuildOptions(threads=2), BuildOptions(memory_bytes=budget)]
    results = [make_clean(request(path, options=options), tmp_path, progress=unwatched) for options in every]
    assert results[0].light.tobytes() == results[1].light.tobytes() == results[2].light.tobytes()
    assert results[0].values == "linear light, half floats"
    assert not (tmp_path / "frames").exists()


def test_frames_that_do_not_fit_go_to_the_disk_and_it_is_said(tmp_path, silence):
    tight = BuildOptions(memory_bytes=floor_bytes((100, 100)))
    assert plan_place(3, (100, 100), np.dtype(np.float16), tmp_path, BuildOptions(), progress=silence) is None
    assert plan_place(3, (100, 100), np.dtype(np.float16), tmp_path, tight, progress=silence) is not None
    assert "MiB" in silence.lines[-1]
    # REFERENCE  the project's own limit of 2 GiB, which the floor and what is kept must not pass together.
    for size, count in (((1080, 1920), 60), ((2160, 3840), 20)):
        kept = frames_bytes(count, size, np.dtype(np.float16))
        inside = plan_place(count, size, np.dtype(np.float16), tmp_path, BuildOptions(), progress=silence) is None
        assert not inside or kept + floor_bytes(size) <= 2**31


def test_holes_are_painted_only_when_asked_for(film, tmp_path, unwatched):
    places = [0] * 6 + [None] * 4
    keys = {"frames": ((1, 10),)}
    left = make_clean(request(film(places), **keys), tmp_path, progress=unwatched)
    filled = make_clean(request(film(places), fill=True, **keys), tmp_path, progress=unwatched)
    assert left.holes.any()
    assert not left.painted.any()
    assert (filled.painted <= filled.holes).all()
    unchanged = ~filled.painted
    np.testing.assert_array_equal(filled.light[unchanged], left.light[unchanged])


def test_a_plate_is_written_with_what_is_known_of_it(film, standing, tmp_path, unwatched):
    out = tmp_path / "new" / "clean.exr"
    result = clean_takes([film(stand(0.3))], out, options=CleanOptions(), progress=unwatched)
    assert sorted(p.name for p in out.parent.iterdir()) == sorted(result.files)
    light = read_exr(out)
    assert set(light) == {"R", "G", "B"}
    known = read_exr(out.with_name("clean_seen.exr"))
    assert set(known) == {"seen", "frames", "hole", "filled", "noise.R", "noise.G", "noise.B"}
    assert known["seen"].max() <= 1
    body = standing.covers[0]
    assert known["seen"][body].mean() == pytest.approx(0.7, abs=0.1)
    # the noise that is stated is the noise that is there, where nobody stands
    off = (light["G"].astype(np.float32) - standing.empty[..., 1])[~body]
    assert off.std() == pytest.approx(float(known["noise.G"][~body].mean()), rel=0.25)
    assert result.numbers["reduced"] == "code values"
    assert "holes" in result.numbers


@pytest.mark.parametrize(
    ("keys", "kind", "words"),
    [
        ({"method": "mode"}, SettingError, "unknown"),
        ({"most_frames": 2}, SettingError, "at least 3"),
        ({"frames": ((1, 2),)}, UnusableTake, "2 usable frames"),
        ({"frames": ((1, 900),)}, SettingError, "900"),
        ({"frames": ((1, 4), (9, 6))}, SettingError, "frames 9-6 run backwards; write 6-9"),
        ({"method": "sigma_clip", "frames": ((3, 6),)}, UnusableTake, "at least 5"),
    ],
)
def test_what_cannot_be_made_is_refused_in_one_line(keys, kind, words, film, tmp_path, unwatched):
    with pytest.raises(kind, match=words) as told:
        make_clean(request(film(stand(0.3)), **keys), tmp_path, progress=unwatched)
    assert "\n" not in str(told.value)


def test_takes_that_do_not_match_are_refused(film, tmp_path, unwatched):
    rng = np.random.default_rng(2)

    def write(name, size):
        code = np.kron(rng.integers(100, 900, (size[0] // 8, size[1] // 8)), np.ones((8, 8)))
        planes = [tuple((code + rng.normal(0, 3, code.shape)).astype(np.uint16) for _ in range(3)) for _ in range(8)]
        return write_clip(tmp_path / name, planes, codec="ffv1", pixel_format="gbrp10le", tags=TAGS)

    with pytest.raises(MismatchedInput, match="shape"):
        make_clean(request(film(stand(0.3)), write("square.mkv", (112, 112))), tmp_path, progress=unwatched)
    with pytest.raises(MismatchedInput, match="does not show the framing"):
        make_clean(request(film(stand(0.3)), write("other.mkv", (112, 200))), tmp_path, progress=unwatched)


def test_paths_are_checked_before_anything_is_read(film, tmp_path, unwatched):
    take = film(stand(0.3))
    (tmp_path / "d_seen.png").mkdir()
    for takes, out, kind, words in (
        ([tmp_path / "none.mov"], tmp_path / "c.exr", MissingInput, "nothing is there"),
        ([take], tmp_path / "c.png", SettingError, "ends in .exr"),
        ([take], Path(""), SettingError, "--out: names no file"),
        ([take], tmp_path, SettingError, "is a folder"),
        ([take], tmp_path / "d.exr", SettingError, "d_seen.png is a folder"),
        ([], tmp_path / "c.exr", SettingError, "no take"),
    ):
        with pytest.raises(kind, match=words):
            clean_takes(takes, out, options=CleanOptions(), progress=unwatched)
    with pytest.raises(SettingError, match="--range"):
        clean_takes([take], tmp_path / "c.exr", options=CleanOptions(range="wide"), progress=unwatched)
    assert not (tmp_path / "c.exr").exists()


def test_all_files_are_written_or_none(tmp_path):
    (tmp_path / "b.txt").write_bytes(b"before")

    def fail(path):
        path.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match=r"c\.txt: cannot be written \(No space left"):
        write_together(tmp_path, {"a.txt": Path.touch, "b.txt": Path.touch, "c.txt": fail})
    assert [path.name for path in tmp_path.iterdir()] == ["b.txt"]
    assert (tmp_path / "b.txt").read_bytes() == b"before"
    write_together(tmp_path, {f"{x}.txt": partial(Path.write_bytes, data=x.encode()) for x in "ab"})
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a.txt": b"a", "b.txt": b"b"}


def test_takes_get_names_of_their_own():
    names = [
        name for _, name in name_takes([Path("a/hero.mov"), Path("b/hero.mov"), Path("x.####.exr"), Path("12.mov")])
    ]
    assert names == ["hero", "hero_2", "x", "12"]
    others = [Path("backyard.mov"), Path("take3.mov"), Path("wood_%04d.png"), Path("a.1001.dpx"), Path("7.png")]
    assert [name for _, name in name_takes(others)] == ["backyard", "take3", "wood", "a", "7"]


def test_no_result_is_written_over_the_footage(tmp_path, unwatched):
    stills = [tmp_path / name for name in ("still_0001.png", "still_0002.png", "b_seen.png")]
    for path in stills:
        path.write_bytes(b"filmed")
    for take, out in ((tmp_path / "still_####.png", "still_0002.exr"), (stills[2], "b.exr")):
        with pytest.raises(SettingError, match="written over"):
            clean_takes([take], tmp_path / out, options=CleanOptions(), progress=unwatched)
    assert all(path.read_bytes() == b"filmed" for path in stills)


@pytest.mark.parametrize("name", ["frames", "moments"])
def test_a_take_may_bear_the_name_of_a_scratch_file(name, tmp_path, unwatched):
    random = np.random.default_rng(5)
    base = cv2.resize(random.integers(40, 200, (24, 32, 3)).astype(np.uint8), (128, 96))
    for k in range(5):
        noisy = np.clip(base + random.normal(0, 3, base.shape), 0, 255).astype(np.uint8)
        cv2.imwrite(str(tmp_path / f"{name}_{k:04d}.png"), noisy)
    out = tmp_path / "out" / "clean.exr"
    options = CleanOptions(memory_bytes=floor_bytes(base.shape[:2]))  # no frame fits: they go to disk
    clean_takes([tmp_path / f"{name}_####.png"], out, options=options, progress=unwatched)
    assert [path.name for path in sorted(out.parent.iterdir())] == [
        "clean.exr",
        "clean.png",
        "clean_seen.exr",
        "clean_seen.png",
    ]


def test_a_speck_that_matches_nothing_takes_the_frames_that_show_the_set_round_it():
    noise = NoiseModel(np.zeros(3), np.full(3, 1e-6), 1)
    free = np.full((60, 80, 3), 0.2, np.float32)
    covered = free.copy()
    covered[10:50, 20:50] = 0.5
    odd = free.copy()
    odd[30:32, 30:32] = 0.9  # inside the body: no frame shows that
    take = SimpleNamespace(picture=lambda k: (free, covered, covered)[k])
    wish = CleanRequest(takes=(), method="longest_rest")
    frames = [(0, k) for k in range(3)]
    masks = cover_masks(wish, [take], frames, SimpleNamespace(noise=noise), SimpleNamespace(light=odd))
    assert not masks[0].any()
    assert masks[1:, 30:32, 30:32].all()


def test_frames_may_be_chosen_of_the_second_take_alone():
    class Plain:
        is_float, bit_depth, ocio_space = False, 10, None

    class Short:
        info = SimpleNamespace(encoding=Plain())

        def read_frames(self, numbers):
            raise AssertionError("no frame of it was chosen")

    class Long(Short):
        def read_frames(self, numbers):
            assert numbers == [8]
            return iter([CodedFrame(8, (np.zeros((2, 2), np.float32),), None)])

        def decoder_of(self, frame):
            return SimpleNamespace(primaries=np.eye(3))

    material = [
        SimpleNamespace(fitted=SimpleNamespace(take=take), proxies=SimpleNamespace(source_frames=np.arange(1, n + 1)))
        for take, n in ((Short(), 3), (Long(), 9))
    ]
    assert choose_keeping(material, [(1, 7)], False).kind == np.float16


def test_places_in_words():
    places = [Hole(i, 10.0 * i, 5, 0.1, "left") for i in range(1, 7)]
    assert list_spots(places, most=2) == "1 (left, x 10 y 5), 2 (left, x 20 y 5) and 4 more"
