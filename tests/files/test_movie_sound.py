"""The hero's sound, cut with the pictures."""

from fractions import Fraction

import av
import numpy as np
import pytest
from clips import moving_pictures
from sounding import SAMPLE_RATE, read_sound, write_hero

from lightstack.files.read.takes import open_take
from lightstack.files.write.shot_movie import begin_shot_movie

RATE = Fraction(24000, 1001)
FIRST, LAST = 20, 31
CUT = round((FIRST - 1) / RATE * SAMPLE_RATE)  # 38038: 2002 samples a frame
LENGTH = round((LAST - FIRST + 1) / RATE * SAMPLE_RATE)


def cut_movie(folder, hero, *, first=FIRST, last=LAST, codec="prores", **more):
    with (
        open_take(hero) as take,
        begin_shot_movie(folder / "cut", take, first=first, last=last, codec=codec, **more) as movie,
    ):
        for frame in take.frames(first, last):
            movie.write(frame.planes)
    return movie


@pytest.mark.parametrize(
    "suffix, sound, codec, layout, written",
    [
        (".mkv", "pcm_s16le", "prores", "stereo", "pcm_s16le"),
        (".mkv", "pcm_s24le", "ffv1", "mono", "pcm_s24le"),
        (".mov", "pcm_s16be", "prores", "stereo", "pcm_s16be"),
        (".mov", "pcm_f32le", "ffv1", "stereo", "pcm_f32le"),
        (".mkv", "flac", "prores", "stereo", "pcm_s16le"),
        (".mov", "alac", "prores", "stereo", "alac"),
    ],
)
def test_lossless_sound_is_cut_at_the_sample(tmp_path, suffix, sound, codec, layout, written):
    # REFERENCE  by construction: the samples that were put into the hero, from the instant its frame 20 shows.
    # TOLERANCE  exact, every sample; packets that are copied whole may go on past the last frame.
    hero = tmp_path / f"hero{suffix}"
    video = {"codec": "ffv1"} if suffix == ".mkv" else {"codec": "libx264"}
    (samples,) = write_hero(hero, moving_pictures(40), sounds=(sound,), layout=layout, **video)
    movie = cut_movie(tmp_path, hero, codec=codec)
    start, found, name = read_sound(movie.path)
    assert (start, name) == (0, written)
    assert len(found) == LENGTH or (written == "alac" and len(found) > LENGTH)
    np.testing.assert_array_equal(found[:LENGTH], samples[CUT : CUT + LENGTH])
    assert written in movie.notes[-1]


@pytest.mark.parametrize("sound, written", [("aac", "aac"), ("libmp3lame", "mp3float")])
def test_compressed_sound_is_copied_and_starts_at_the_sample(tmp_path, sound, written):
    # REFERENCE  PyAV's decoder on the hero itself; frame 20 shows at sample 38038.
    # TOLERANCE  exact: transform codecs give the same samples once the packets before are there too.
    hero = tmp_path / "hero.mov"
    write_hero(hero, moving_pictures(40), sounds=(sound,), codec="libx264")
    begin, whole, _ = read_sound(hero)
    movie = cut_movie(tmp_path, hero)
    start, found, name = read_sound(movie.path)
    assert (start, name) == (0, written)
    place = CUT - round(begin * SAMPLE_RATE)
    np.testing.assert_array_equal(found[:LENGTH], whole[place : place + LENGTH])
    with av.open(str(hero)) as one, av.open(str(movie.path)) as two:
        sent = {bytes(packet) for packet in one.demux(audio=0) if packet.size}
        assert {bytes(packet) for packet in two.demux(audio=0) if packet.size} <= sent  # not coded again


def test_compressed_sound_is_decoded_where_the_file_cannot_cut_it(tmp_path):
    hero = tmp_path / "hero.mov"
    write_hero(hero, moving_pictures(40), sounds=("aac",), codec="libx264")
    begin, whole, _ = read_sound(hero)
    movie = cut_movie(tmp_path, hero, codec="ffv1")
    start, found, name = read_sound(movie.path)
    assert (start, name, len(found)) == (0, "pcm_f32le", LENGTH)
    place = CUT - round(begin * SAMPLE_RATE)
    np.testing.assert_array_equal(found, whole[place : place + LENGTH])
    assert "aac decoded" in movie.notes[-1]


def test_all_tracks_are_carried_in_step_with_the_frames(tmp_path):
    hero = tmp_path / "hero.mkv"
    samples = write_hero(hero, moving_pictures(40), sounds=("pcm_s16le", "pcm_s24le"), layout="mono")
    movie = cut_movie(tmp_path, hero)
    for track, own in enumerate(samples):
        np.testing.assert_array_equal(read_sound(movie.path, track)[1], own[CUT : CUT + LENGTH])
    with av.open(str(movie.path)) as container:
        order = [packet.stream.type for packet in container.demux() if packet.size and packet.stream.type != "data"]
    assert order.index("video") < 4 and "audio" in order[: len(order) // 3]  # interleaved


def test_sound_that_begins_late_comes_after_silence(tmp_path):
    late = 3000
    hero = tmp_path / "hero.mkv"
    (samples,) = write_hero(hero, moving_pictures(12), late=late)
    movie = cut_movie(tmp_path, hero, first=1, last=12)
    start, found, _ = read_sound(movie.path)
    onset = int(np.flatnonzero(found.any(axis=1))[0])
    assert abs(start * SAMPLE_RATE + onset - late) < SAMPLE_RATE / 1000  # the hero's file has milliseconds
    np.testing.assert_array_equal(found[onset:][:1000], samples[np.flatnonzero(samples.any(axis=1))[0] :][:1000])


def test_sound_goes_on_across_the_files_of_a_take(tmp_path):
    heroes = [tmp_path / "a.mov", tmp_path / "b.mov"]
    samples = [write_hero(hero, moving_pictures(24), codec="libx264")[0] for hero in heroes]
    movie = cut_movie(tmp_path, heroes, first=13, last=36)
    _, found, _ = read_sound(movie.path)
    half = 12 * 2002
    np.testing.assert_array_equal(found, np.concatenate([samples[0][half:], samples[1][:half]]))


def test_sound_can_be_left_out_and_a_silent_hero_is_none_the_worse(tmp_path):
    hero = tmp_path / "hero.mkv"
    write_hero(hero, moving_pictures(12))
    write_hero(tmp_path / "silent.mkv", moving_pictures(12), sounds=())
    for name, more in (("hero", {"sound": False}), ("silent", {}), ("hero", {"rate": Fraction(25)})):
        movie = cut_movie(tmp_path, tmp_path / f"{name}.mkv", first=3, last=8, **more)
        with av.open(str(movie.path)) as container:
            assert len(container.streams.audio) == 0
            assert container.streams.video[0].average_rate == more.get("rate", RATE)
    assert any("sound is left out" in note for note in movie.notes)
