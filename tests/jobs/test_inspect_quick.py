"""Frames of a quick look: few decoded, neighbours among them, the same light as a survey's."""

import numpy as np
import pytest
from clips import moving_pictures, write_clip
from made import make_room, write_movie

from lightstack.files.read.movie_facts import list_index, scan_index
from lightstack.files.read.takes import open_take
from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.inspect.quick import choose_frames, decode_budget, look_quickly
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.options import BuildOptions


@pytest.fixture(scope="module")
def movies(tmp_path_factory):
    folder = tmp_path_factory.mktemp("movies")
    still = {"size": (112, 200), "take": "empty", "frames": 60, "bump_px": 0.0, "turn_deg": 0.0}
    room, fine = make_room(6, chroma="420", bits=8, **still), make_room(6, chroma="422", bits=10, **still)
    return {
        "long": write_movie(room, folder / "long.mp4", codec="libx264", options={"g": "20", "sc_threshold": "0"}),
        "every": write_movie(fine, folder / "every.mov", codec="prores_ks"),
        "mkv": write_movie(room, folder / "every.mkv"),
    }


def open_it(path):
    return open_fitted(
        TakeSettings(path=(str(path),)), [path], name="t", size=None, working=None, options=BuildOptions()
    )


def test_sync_frames_are_those_of_the_file(movies):
    with open_take(movies["long"]) as take:
        assert take.list_sync() == (1, 21, 41)
    with open_take(movies["every"]) as take:
        assert take.list_sync() is None


def test_sync_frames_of_several_files_are_numbered_on(movies):
    with open_take([movies["long"], movies["long"]]) as take:
        assert take.list_sync() == (1, 21, 41, 61, 81, 101)


def test_stills_can_be_read_at_every_one(tmp_path):
    from PIL import Image

    for number in range(1, 4):
        Image.fromarray(np.full((40, 60, 3), 80, np.uint8)).save(tmp_path / f"s.{number:04d}.png")
    with open_take(tmp_path) as take:
        assert take.list_sync() is None


def test_a_container_that_lists_its_frames_is_not_read_through(movies):
    # the slow twin reads every packet
    index = scan_index(movies["every"])
    assert list_index(movies["every"], index.times[0]) == index
    assert list_index(movies["every"], index.times[0] + 1) is None  # its clock is not the frames'
    assert list_index(movies["long"], 0) is None


def test_no_more_is_decoded_than_the_budget(movies, monkeypatch):
    monkeypatch.setattr("lightstack.jobs.inspect.quick.decode_budget", lambda size: 24)
    monkeypatch.setattr("lightstack.jobs.inspect.quick.NEIGHBOURS", 4)
    with open_it(movies["long"]) as fitted:
        frames = choose_frames(fitted, None)
        list(fitted.take.read_frames(frames))
        assert fitted.take.decoded_count <= 24 + 4 + 8  # neighbours, and what the decoder ran ahead
    assert {(frame - 1) // 20 for frame in frames} == {0, 1, 2}


def test_larger_pictures_leave_fewer_frames():
    assert decode_budget((2160, 3840)) * 3 < decode_budget((1080, 1920))


def test_frames_are_the_same_as_a_survey_sees(movies):
    with open_it(movies["mkv"]) as fitted:
        luma = LumaSamples(set())
        proxies = look_quickly(fitted, TakeSettings(path=("x",)), luma, progress=Quiet())
        full = {f.number: fitted.proxy(f, proxies.factor)[0] for f in fitted.take.frames()}
    for number, rgb in zip(proxies.source_frames, proxies.rgb, strict=True):
        np.testing.assert_array_equal(rgb, full[int(number)].astype(np.float16))
    assert len(luma.pairs()) >= 2
    assert (proxies.noise_proxy.b < 1e-3).all()  # measured, not assumed


def test_luma_is_kept_as_coded(tmp_path):
    pictures = moving_pictures(6, (96, 160))
    path = write_clip(tmp_path / "c.mkv", pictures, codec="ffv1")
    with open_take(path) as take:
        luma = LumaSamples.plan(take.info)
        frames = list(take.frames())
        for frame in frames:
            luma.watch(frame)
    assert luma.pairs()
    for number, plane in luma.planes.items():
        np.testing.assert_array_equal(plane, np.asarray(frames[number - 1].planes[0])[:768, :768])


class Quiet:
    def step(self, name, total):
        from contextlib import nullcontext

        return nullcontext(self)

    def advance(self, count=1):
        pass
