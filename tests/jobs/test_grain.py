"""`lightstack grain`: measured in footage, laid over pictures, kept as a file."""

import json
from types import SimpleNamespace

import numpy as np
import pytest
from clips import write_clip
from core_helpers import make_encoding
from grain_helpers import film, make_ramp, profile_of
from jobs_helpers import fit
from unwatched import Unwatched

from lightstack.cli.main import run
from lightstack.errors import MissingInput, SettingError, UnreadableInput, UnusableTake
from lightstack.files.kept.grain_profiles import read_grain, write_grain
from lightstack.files.kept.keep import keep_record, recall_record
from lightstack.files.read.response import ResponseNotes, write_response
from lightstack.files.shot.shotfile import parse_shot
from lightstack.files.write.plates import read_exr, write_exr
from lightstack.jobs.grain.grain import list_spans, measure_grain, plan_bursts
from lightstack.jobs.grain.stage import check_grain
from lightstack.jobs.grain.takes import name_frame
from lightstack.jobs.grain.words import compare_profiles, describe_grain, doubt_range
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import GrainProfile, MeasuredResponse, Registration, Stretch
from lightstack.report.grain_plot import plot_grain

SIZE = (128, 192)
TAGS = {"color_range": 2, "colorspace": 0, "color_trc": 8, "color_primaries": 1}  # ITU-T H.273: full, RGB, linear


@pytest.fixture(scope="module")
def profile():
    return profile_of(make_ramp(), seed=71)


@pytest.fixture(scope="module")
def footage(tmp_path_factory, profile):
    """A movie in linear 10-bit R'G'B', its profile and a grainless still beside it."""
    folder, rng = tmp_path_factory.mktemp("grain"), np.random.default_rng(72)
    codes = [np.rint(film(make_ramp(SIZE) + 0.02, rng).clip(0, 1) * 1023).astype(np.uint16) for _ in range(30)]
    planes = [tuple(np.ascontiguousarray(one[..., c]) for c in (1, 2, 0)) for one in codes]
    movie = write_clip(folder / "take.mkv", planes, codec="ffv1", pixel_format="gbrp10le", tags=TAGS)
    write_grain(folder / "known.json", profile)
    write_exr(folder / "still.exr", make_ramp(SIZE).astype(np.float32), primaries="bt709")
    return SimpleNamespace(folder=folder, movie=movie, known=folder / "known.json", still=folder / "still.exr")


def test_a_profile_survives_its_file_and_the_scratch_folder(tmp_path, profile):
    write_grain(tmp_path / "p.json", profile)
    keep_record(tmp_path / "p.npz", profile)
    for again in (read_grain(tmp_path / "p.json"), recall_record(tmp_path / "p.npz", GrainProfile)):
        np.testing.assert_array_equal(again.autocorrelation, profile.autocorrelation)
        np.testing.assert_array_equal(again.sigma[2], profile.sigma[2])
        assert (again.take, again.size, again.is_linear) == (profile.take, profile.size, profile.is_linear)


@pytest.mark.parametrize(
    "change",
    [
        lambda t: t.pop("sigma"),
        lambda t: t.update(version=99),
        lambda t: t.update(kind="other"),
        lambda t: t["sigma"][1].__setitem__(0, -1),
        lambda t: t["levels"][0].reverse(),
        lambda t: t.update(channels=[[1, 0], [0, 1]]),
        lambda t: t["autocorrelation"][0][3].__setitem__(3, 2),
        lambda t: t.update(levels="dark"),
        lambda t: t.update(size=None),
    ],
)
def test_a_broken_profile_is_one_line(tmp_path, footage, change):
    table = json.loads(footage.known.read_text())
    change(table)
    (tmp_path / "p.json").write_text(json.dumps(table))
    with pytest.raises(UnreadableInput) as caught:
        read_grain(tmp_path / "p.json")
    assert "\n" not in str(caught.value) and "p.json" in str(caught.value)


def test_what_is_no_profile_is_one_line(tmp_path):
    (tmp_path / "p.json").write_bytes(b"\x89PNG\r\n")
    with pytest.raises(UnreadableInput, match="not a grain profile"):
        read_grain(tmp_path / "p.json")
    with pytest.raises(MissingInput, match="no such file"):
        read_grain(tmp_path / "q.json")


def test_bursts_lie_within_stretches_of_one_pose():
    still = Registration(
        "take", "translation", (Stretch(1, 20, np.eye(3), True, 0, 0, 20), Stretch(21, 60, np.eye(3), False, 2, 0, 40))
    )
    spans = list_spans((5, 50), still)
    assert spans == [(5, 20), (21, 50)]
    plan = plan_bursts(spans, 12)
    assert all((b[0] >= 5 and b[-1] <= 20) or (b[0] >= 21 and b[-1] <= 50) for b in plan)
    assert {len(b) for b in plan} == {5} and all(b[-1] - b[0] == 8 for b in plan)
    numbers = [n for b in plan for n in b]
    assert len(numbers) == len(set(numbers))
    assert plan_bursts([(1, 2)], 12) == [(1, 2)] and plan_bursts([(1, 1)], 12) == []
    assert plan_bursts([(1, 4)], 12) == [(1, 2, 3, 4)]


def test_grain_that_a_codec_carries_along_is_measured_beyond_its_groups():
    level, rng = make_ramp(SIZE) + 0.02, np.random.default_rng(76)
    grain, frames = film(level, rng) - level, []
    for _ in range(90):
        grain = 0.9 * grain + np.sqrt(1 - 0.9**2) * (film(level, rng) - level)
        frames.append(np.asarray(level + grain, np.float32))
    found = measure_grain(fit(frames, encoding=make_encoding(is_float=True)), progress=Unwatched())
    assert np.nanmax(found.whiteness) > 0.8
    # REFERENCE  the noise that was put in; frames 8 apart differ by three quarters of it. TOLERANCE  5 % of sigma.
    assert float(found.sigma_at(1, np.array(0.1))) == pytest.approx(np.sqrt(2e-4 * 0.1 + 1e-6), rel=0.05)


def test_a_short_take_is_measured_with_a_word():
    from lightstack.cli.progress import TerminalProgress

    rng = np.random.default_rng(73)
    frames = [film(make_ramp(SIZE), rng) for _ in range(4)]
    with TerminalProgress(quiet=True, verbosity=0) as progress:
        found = measure_grain(fit(frames, encoding=make_encoding(is_float=True)), progress=progress)
        assert any("30 are wanted" in line for line in found.warnings)
        with pytest.raises(UnusableTake, match="at least two frames"):
            measure_grain(fit(frames[:1]), progress=progress)


def test_measure_and_apply_on_the_command_line(footage, capfd):
    folder = footage.folder
    assert run(["grain", "measure", str(footage.movie), "-o", str(folder / "p.json")]) == 0
    text = capfd.readouterr().out
    assert "variance = a * level + b" in text and "codes" in text and "p.png" in text
    assert (folder / "p.png").read_bytes().startswith(b"\x89PNG")
    # REFERENCE  the noise that was put in. TOLERANCE  5 % of sigma at a level in the middle.
    assert float(read_grain(folder / "p.json").sigma_at(1, np.array(0.1))) == pytest.approx(
        np.sqrt(2e-4 * 0.1 + 1e-6), rel=0.05
    )
    words = ["grain", "apply", str(footage.still), "--profile", str(folder / "p.json"), "--seed", "3"]
    words += ["--frames", "7-9", "--like", str(footage.movie), "-o", str(folder / "out" / "g.####.exr"), "--json"]
    assert run(words) == 0
    answer = json.loads(capfd.readouterr().out)
    assert answer["files"] == ["g.0007.exr", "g.0008.exr", "g.0009.exr"]
    pictures = [np.stack([read_exr(folder / "out" / n)[c] for c in "RGB"], -1) for n in answer["files"]]
    grain = [one - make_ramp(SIZE) for one in pictures]
    assert abs(np.corrcoef(grain[0][..., 1].ravel(), grain[1][..., 1].ravel())[0, 1]) < 0.04
    assert 0.8 < np.std(grain[0][..., 1]) / np.sqrt(np.mean(2e-4 * make_ramp(SIZE)[..., 1] + 1e-6)) < 1.2
    assert run([*words[:-3], "-o", str(folder / "again.####.exr"), "--quiet"]) == 0
    assert (folder / "again.0008.exr").read_bytes() == (folder / "out" / "g.0008.exr").read_bytes()


@pytest.mark.parametrize(
    ("out", "extra", "says"),
    [
        ("g.exr", ["--frames", "1-3"], "need numbers"),
        ("g.png", [], "OpenEXR"),
        ("still.exr", [], "written over"),
        ("g.####.exr", ["--amount", "3"], "0 to 2"),
        ("g.####.exr", ["--frames", "9-2"], "runs backwards"),
    ],
)
def test_requests_that_make_no_sense_are_one_line(footage, capfd, out, extra, says):
    words = ["grain", "apply", str(footage.still), "--profile", str(footage.known), "-o", str(footage.folder / out)]
    assert run([*words, *extra]) == 1
    error = capfd.readouterr().err
    assert says in error and error.count("\n") == 1


def test_a_take_is_read_by_the_response_that_was_measured(footage, capfd):
    signals = np.linspace(0, 1, 65)
    measured = MeasuredResponse(tuple(signals), tuple(signals**2), (0.02, 0.98), 10, "full")
    write_response(footage.folder / "response.json", measured, ResponseNotes({}, "linear", 0.1, 0.01))
    words = ["grain", "measure", str(footage.movie), "-o", str(footage.folder / "m.json"), "--colour", "measured"]
    assert run([*words, "--response", str(footage.folder / "response.json"), "--quiet"]) == 0
    # REFERENCE  the noise that was put in, by the slope of light = signal squared. TOLERANCE  8 % of sigma.
    signal = 0.2
    expected = 2 * signal * np.sqrt(2e-4 * signal + 1e-6)
    found = read_grain(footage.folder / "m.json")
    assert float(found.sigma_at(1, np.array(signal**2))) == pytest.approx(expected, rel=0.08)
    applied = ["grain", "apply", str(footage.still), "--profile", str(footage.folder / "m.json")]
    applied += ["-o", str(footage.folder / "r.exr"), "--like", str(footage.movie), "--colour", "measured"]
    # the still holds light, and is read as it is
    assert run([*applied, "--response", str(footage.folder / "response.json"), "--quiet"]) == 0
    capfd.readouterr()
    for line in (words, applied):
        assert run(line) == 1
        error = capfd.readouterr().err
        assert "go together" in error and error.count("\n") == 1


def test_a_profile_of_another_camera_is_doubted(profile):
    stronger = profile_of(make_ramp(top=0.05), seed=74, a=np.full(3, 4e-3))
    assert any("times that of" in line for line in compare_profiles(stronger, profile))
    assert compare_profiles(profile, profile) == ()
    assert any("never seen" in line for line in doubt_range(stronger, np.full((64, 64, 3), 0.8, np.float32)))
    assert doubt_range(profile, make_ramp().astype(np.float32)) == ()


def test_words_and_plot(profile):
    numbers = describe_grain(profile)
    assert "variance = a * level + b" in numbers and "neighbours" in numbers
    assert plot_grain(profile).startswith(b"\x89PNG")
    assert b"<svg" in plot_grain(profile, form="svg", ground="dark", narrow=True)


def test_names_of_frames(tmp_path):
    assert name_frame(tmp_path / "a.####.exr", 7) == "a.0007.exr"
    assert name_frame(tmp_path / "a_##.exr", 1007) == "a_1007.exr"
    assert name_frame(tmp_path / "a.exr", 7) == "a.exr"


def test_the_section_of_the_shot_file(tmp_path):
    hero = '[takes.hero]\npath = "h.mov"\n'
    settings = parse_shot(hero + "[grain]\n", tmp_path / "shot.toml")
    assert (settings.grain.amount, settings.grain.seed, settings.grain.measure) == (1.0, 1, "hero")
    check_grain(settings)
    assert parse_shot(hero, tmp_path / "shot.toml").grain is None
    with pytest.raises(SettingError):
        parse_shot(hero + "[grain]\namount = 2.5\n", tmp_path / "shot.toml")
    with pytest.raises(SettingError, match="empty"):
        check_grain(parse_shot(hero + '[grain]\nmeasure = "empty"\n', tmp_path / "shot.toml"))
    with pytest.raises(MissingInput):
        check_grain(parse_shot(hero + '[grain]\nprofile = "p.json"\n', tmp_path / "shot.toml"))
    with pytest.raises(SettingError, match="hero"):
        check_grain(parse_shot("[grain]\n", tmp_path / "shot.toml"))


def test_the_stage_measures_once_and_recalls(footage, tmp_path):
    from lightstack.cli.progress import TerminalProgress
    from lightstack.files.folder import claim_folder
    from lightstack.files.kept.identity import StageBook
    from lightstack.jobs.grain.stage import grain_or_recall, list_grain_files
    from lightstack.jobs.stage.finish import Delivery
    from lightstack.jobs.stage.hero import open_hero
    from lightstack.jobs.takes.options import BuildOptions

    settings = parse_shot(f'[takes.hero]\npath = "{footage.movie}"\n[grain]\n', tmp_path / "shot.toml")
    folder, said = claim_folder(tmp_path / "out"), []
    with TerminalProgress(quiet=True, verbosity=0) as progress:
        progress.say = lambda line, **_: said.append(line)
        for force in (False, False, True):
            book = StageBook(folder, verify=False)
            delivery = Delivery(folder, "s", "s_", "_v001", False, book)
            with open_hero(settings, BuildOptions()) as hero:
                found = grain_or_recall(
                    delivery, settings, hero, None, BuildOptions(), force=force, progress=progress
                )
            assert found.pairs >= 30 and all((folder.path / name).is_file() for name, _ in list_grain_files(delivery))
    assert said.count("grain: unchanged") == 1


def test_grain_that_cannot_be_measured_is_tried_once(footage, tmp_path, monkeypatch):
    from lightstack.files.folder import claim_folder
    from lightstack.files.kept.identity import StageBook
    from lightstack.jobs.grain import stage as grain_stage
    from lightstack.jobs.stage.finish import Delivery
    from lightstack.jobs.stage.hero import open_hero

    tries = []

    def refuse(*_, **__):
        tries.append(1)
        raise UnusableTake("hero: two frames are too few")

    monkeypatch.setattr(grain_stage, "find_profile", refuse)
    settings = parse_shot(f'[takes.hero]\npath = "{footage.movie}"\n[grain]\n', tmp_path / "shot.toml")
    folder = claim_folder(tmp_path / "out")
    for _ in range(2):
        delivery = Delivery(folder, "s", "s_", "_v001", False, StageBook(folder))
        with open_hero(settings, BuildOptions()) as hero, pytest.raises(UnusableTake, match="two frames are too few"):
            grain_stage.grain_or_recall(
                delivery, settings, hero, None, BuildOptions(), force=False, progress=Unwatched()
            )
    assert tries == [1]


def test_a_build_refuses_a_profile_that_is_not_there_before_anything_long_begins(tmp_path):
    (tmp_path / "hero.mkv").write_bytes(b"no movie: it must not be opened")
    shot = '[takes.hero]\npath = "hero.mkv"\n[[sweep]]\npath = "hero.mkv"\n[grain]\nprofile = "none.json"\n'
    (tmp_path / "shot.toml").write_text(shot)
    with pytest.raises(MissingInput, match=r"none\.json"):
        build_shot(tmp_path / "shot.toml", options=BuildOptions(), progress=Unwatched())
