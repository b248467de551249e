"""``new``: footage in, a commented shot file out."""

import re
from fractions import Fraction

import cv2
import numpy as np
import pytest
from made import make_room, write_movie
from unwatched import Unwatched

from lightstack.errors import MissingInput, OutputError, UnusableTake
from lightstack.files.shot.shotfile import parse_shot, read_shot
from lightstack.jobs.new import start_shot
from lightstack.jobs.new_text import Opened, plan_fade, write_shot_text


@pytest.fixture(scope="module")
def footage(tmp_path_factory):
    """Three takes under names that tell nothing, and a broken file."""
    folder = tmp_path_factory.mktemp("attic night")
    common = {"size": (90, 160), "bump_px": 0.7, "chroma": "420", "bits": 8}
    for name, frames, take in (
        ("c0001.mov", 48, "empty"),
        ("c0002.mov", 48, "sweep"),
        ("c0003.mov", 48, "hero"),
    ):
        write_movie(make_room(2, frames=frames, take=take, **common), folder / name, codec="libx264")
    (folder / "c0004.mov").write_bytes(b"no movie at all")
    return folder


def test_takes_are_told_apart_and_the_file_reads(footage):
    path = footage / "shot.toml"
    path.unlink(missing_ok=True)
    result = start_shot(footage, progress=Unwatched())
    assert result.shot_path == path
    settings = read_shot(path)
    assert settings.takes.hero is not None
    assert settings.takes.empty is not None
    assert settings.takes.empty.path == ("c0001.mov",)
    assert settings.sweep[0].path == ("c0002.mov",)
    assert settings.takes.hero.path == ("c0003.mov",)
    assert settings.shot.name == footage.name.replace(" ", "_")
    envelope = settings.light[0].mix.envelope
    assert envelope is not None
    assert envelope.start > 1001
    assert envelope.start + envelope.attack + envelope.hold + envelope.decay < 1001 + 48
    text = path.read_text()
    for reason in ("A light travels through the room", "Something moves over", "Nothing moves", "c0004.mov"):
        assert f"# {reason}" in text or f"#     {reason}" in text
    said = "\n".join(result.lines)
    assert all(name in said for name in ("c0001.mov", "c0002.mov", "c0003.mov", "c0004.mov"))


def test_an_existing_shot_file_is_never_touched(footage):
    path = footage / "shot.toml"
    path.write_text("# mine\n")
    with pytest.raises(OutputError, match="never overwritten"):
        start_shot(footage, progress=Unwatched())
    assert path.read_text() == "# mine\n"


def test_folders_with_nothing_to_use(tmp_path):
    with pytest.raises(MissingInput):
        start_shot(tmp_path / "none", progress=Unwatched())
    with pytest.raises(UnusableTake, match="no movies and no numbered stills"):
        start_shot(tmp_path, progress=Unwatched())
    (tmp_path / "a.mov").write_bytes(b"junk" * 30)
    with pytest.raises(UnusableTake, match="none of 1 takes can be read"):
        start_shot(tmp_path, progress=Unwatched())
    assert not (tmp_path / "shot.toml").exists()


def test_stills_have_no_rate_so_one_is_guessed(tmp_path):
    room = make_room(2, frames=48, take="hero", size=(90, 160), bump_px=0.7)
    for number in range(0, 48, 4):
        signal = np.clip(room.filmed(number), 0, 1) ** (1 / 2.2)
        assert cv2.imwrite(
            str(tmp_path / f"h.{1000 + number // 4:04d}.png"), (255 * signal[..., ::-1]).astype(np.uint8)
        )
    result = start_shot(tmp_path, progress=Unwatched())
    settings = read_shot(result.shot_path)
    assert settings.takes.hero is not None
    assert settings.takes.hero.path == ("h.####.png",)
    assert settings.shot.rate == 24
    assert "no sweep was found" in "\n".join(result.lines)


@pytest.mark.parametrize("count", [1, 2, 5, 48, 5000])
def test_a_fade_lies_inside_the_hero(count):
    fade = plan_fade(count)
    assert fade.start >= 1001
    assert min(fade.attack, fade.hold, fade.decay) >= 1
    if count >= 24:
        assert fade.start + fade.attack + fade.hold + fade.decay <= 1000 + count


def test_odd_names_survive_as_text(tmp_path):
    from lightstack.core.check.casting import Cast, Part

    name = 'sub dir/it\'s "the" \\ one.mov'
    takes = [Opened(name, 50, (64, 36), Fraction(25)), Opened("näher.mov", 60, (64, 36), Fraction(25))]
    cast = Cast((Part("sweep", ("näher.mov",), "why"), Part("hero", (name,), "because")))
    settings = parse_shot(
        write_shot_text(tmp_path, cast, takes, ["bad\x07\nname.mov: broken"]), tmp_path / "shot.toml"
    )
    assert settings.takes.hero is not None
    assert settings.takes.hero.path == (name,)
    assert settings.sweep[0].path == ("näher.mov",)


def test_what_stands_commented_out_in_the_mix_may_be_taken_in(tmp_path):
    from lightstack.core.check.casting import Cast, Part

    takes = [Opened(name, 50, (64, 36), Fraction(25)) for name in ("hero.mov", "sweep.mov")]
    cast = Cast((Part("sweep", ("sweep.mov",), "why"), Part("hero", ("hero.mov",), "because")))
    head, mix = write_shot_text(tmp_path, cast, takes, []).split("[light.mix]\n")
    mix = re.sub(r"(?m)^# (?=shutter|response|\[\[light|like)", "", mix)
    made = parse_shot(f"{head}[light.mix]\n{mix}", tmp_path / "shot.toml").light[0].mix
    assert made.shutter == 180 and made.response is not None and made.flicker[0].like == "candle"
