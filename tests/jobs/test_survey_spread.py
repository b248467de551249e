"""A take that is surveyed in pieces, by whoever does them in whatever order, gives one reader's survey to the bit."""

import pickle
from dataclasses import replace

import numpy as np
import pytest
from jobs_helpers import PictureTake, fit
from made import write_movie

from lightstack.errors import MissingInput, UnreadableInput
from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.spread.pieces import cut_at_sync
from lightstack.jobs.takes import survey_job
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.survey import survey_take


class OthersHands:
    """Does pieces as workers do: each with a job that was handed over, the last piece first."""

    def __init__(self, hands=2):
        self.hands, self.pieces = hands, []

    def run(self, work, context, pieces):
        handed = pickle.dumps((work, context))
        self.pieces = list(pieces)
        done = {}
        for k, piece in reversed(list(enumerate(self.pieces))):
            other, job = pickle.loads(handed)
            done[k] = pickle.loads(pickle.dumps(other(job, piece)))
        yield from (done[k] for k in range(len(done)))


def survey(path, folder, silence, *, spread=None, use=None, keep_readable=False):
    folder.mkdir()
    options = BuildOptions(keep_readable=keep_readable)
    settings = TakeSettings(path=(str(path),))
    with open_fitted(settings, [path], name="t", size=None, working=None, options=options) as own:
        luma = LumaSamples.plan(own.take.info)
        found = survey_take(own, folder, use=use, luma=luma, spread=spread, progress=silence)
        return found, luma, (own.take.decoded_count, own.take.run_in_count), own.warnings


def check_same(one, two):
    for name in ("rgb", "clipped", "source_frames", "seconds", "duplicate"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name))
    assert (one.timecodes, one.factor, one.full_size) == (two.timecodes, two.factor, two.full_size)


@pytest.mark.parametrize("gop", [1, 6, 60])
@pytest.mark.parametrize("use", [None, (4, 41)])
def test_pieces_give_what_one_reader_gives(gop, use, tmp_path, small_room, silence, monkeypatch):
    monkeypatch.setattr(survey_job, "PIECE_FRAMES", 10)
    room = replace(small_room, bits=8, chroma="420")
    path = write_movie(room, tmp_path / "take.mp4", codec="libx264", options={"g": str(gop), "bf": "2"})
    here, luma, counted, notes = survey(path, tmp_path / "here", silence, use=use)
    spread = OthersHands()
    there, kept, counts, said = survey(path, tmp_path / "there", silence, spread=spread, use=use)
    check_same(there, here)
    assert (counts, said) == (counted, notes)
    assert len(spread.pieces) >= (1 if gop == 60 else 3)
    assert kept.origin == luma.origin and sorted(kept.planes) == sorted(luma.planes) != []
    for number, plane in luma.planes.items():
        np.testing.assert_array_equal(kept.planes[number], plane)
    assert sorted(p.name for p in (tmp_path / "there").iterdir()) == ["t.clipped", "t.rgb"]


def test_pieces_do_not_depend_on_who_does_them(tmp_path, small_sweep, silence):
    cut = []
    for hands in (1, 2, 64):
        spread = OthersHands(hands)
        survey(small_sweep, tmp_path / str(hands), silence, spread=spread)
        cut.append(spread.pieces)
    assert cut[0] == cut[1] == cut[2] and len(cut[0]) > 1


@pytest.mark.parametrize("sync", [None, (1,), (1, 13, 25, 37), (1, 2, 3, 50)])
def test_pieces_hold_every_frame_once_and_begin_at_sync_frames_only(sync):
    pieces = cut_at_sync(range(1, 61), sync, 10)
    assert [n for piece in pieces for n in piece] == list(range(1, 61))
    assert all(sync is None or piece[0] in sync for piece in pieces)
    assert all(len(piece) >= 10 for piece in pieces[:-1])


def test_a_truncated_take_is_told_of_as_one_reader_tells(tmp_path, small_sweep, silence, monkeypatch):
    monkeypatch.setattr(survey_job, "PIECE_FRAMES", 10)
    data = small_sweep.read_bytes()
    path = tmp_path / "cut.mkv"
    path.write_bytes(data[: len(data) * 2 // 3])
    lines = []
    for name, spread in (("here", None), ("there", OthersHands())):
        with pytest.raises(UnreadableInput) as told:
            survey(path, tmp_path / name, silence, spread=spread)
        lines.append(str(told.value))
        assert not list((tmp_path / name).iterdir())
    assert lines[0] == lines[1] and "truncated" in lines[0]
    spread = OthersHands()
    here, _, _, notes = survey(path, tmp_path / "kept", silence, keep_readable=True)
    there, _, _, said = survey(path, tmp_path / "too", silence, keep_readable=True, spread=spread)
    check_same(there, here)
    assert said == notes and not spread.pieces  # one reader knows what leans on what


def test_what_only_workers_lack_is_told(tmp_path, small_sweep, silence):
    class Far(OthersHands):
        def run(self, work, context, pieces):
            raise MissingInput("sweep.mkv: no such file")
            yield

    with pytest.raises(MissingInput, match=r"sweep\.mkv"):
        survey(small_sweep, tmp_path / "out", silence, spread=Far())


def test_frames_that_are_left_out_leave_no_gap(tmp_path, silence):
    class Lacking(PictureTake):
        def frames(self, first=None, last=None):
            return (frame for frame in super().frames(first, last) if frame.number not in (11, 14, 15))

    pictures = [np.full((24, 32, 3), 0.1 * k, np.float32) for k in range(1, 9)]
    fitted = replace(fit(pictures), take=Lacking(pictures, first=11))
    found = survey_take(fitted, tmp_path, progress=silence)
    assert found.source_frames.tolist() == [12, 13, 16, 17, 18]
    np.testing.assert_array_equal(found.rgb[:, 0, 0, 0], np.float16([0.2, 0.3, 0.6, 0.7, 0.8]))
    assert (tmp_path / "take.rgb").stat().st_size == found.rgb.nbytes


def test_a_survey_that_breaks_off_leaves_none_that_could_be_taken_for_whole(tmp_path, silence):
    class Broken(PictureTake):
        def frames(self, first=None, last=None):
            yield from super().frames(first, 3)
            raise UnreadableInput("take.mov: frame 4: is damaged")

    pictures = [np.full((24, 32, 3), 0.1 * k, np.float32) for k in range(1, 9)]
    kept = survey_take(fit(pictures), tmp_path, progress=silence)
    with pytest.raises(UnreadableInput, match="frame 4"):
        survey_take(replace(fit(pictures), take=Broken(pictures)), tmp_path, progress=silence)
    assert not list(tmp_path.iterdir())
    np.testing.assert_array_equal(kept.rgb, np.array(pictures, np.float16))  # still mapped
