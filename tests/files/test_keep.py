"""What is kept between two builds comes back as it was, and nothing in it can run."""

from contextlib import suppress

import numpy as np
import pytest

import lightstack.records
from lightstack.files.kept.keep import keep_record, recall_or_none, recall_record
from lightstack.records import HeroLook, LaidFrame, LaidFrames, Origin, Registration, Stretch, Verdict


def make_look():
    stretches = (
        Stretch(1, 9, np.eye(3), True, 0.0, 0.01, 9),
        Stretch(10, 12, np.array([[1, 0, 0.1 + 0.2], [0, 1, -2.5], [0, 0, 1]]), False, 2.52, float("inf"), 3),
    )
    registration = Registration("hero", "translation", stretches, (4, 7), np.float32([0.1, 0.9]))
    picture = np.random.default_rng(1).random((6, 8, 3), np.float32)
    return HeroLook(Origin("hero", picture, (6, 8), "bt709", 3), registration, Verdict("hero", "good", ("Still.",)))


def test_nested_records_come_back_equal(tmp_path):
    kept, path = make_look(), tmp_path / "look.npz"
    keep_record(path, kept)
    found = recall_record(path, HeroLook)
    assert type(found) is HeroLook and found.verdict == kept.verdict and found.origin.size == (6, 8)
    np.testing.assert_array_equal(found.origin.picture, kept.origin.picture)
    assert found.origin.picture.dtype == np.float32 and found.registration.left_out == (4, 7)
    for a, b in zip(found.registration.stretches, kept.registration.stretches, strict=True):
        np.testing.assert_array_equal(a.matrix, b.matrix)  # bit for bit: a pose that drifts is no identity
        assert (a.first, a.last, a.identity, a.shift_px) == (b.first, b.last, b.identity, b.shift_px)
    assert found.registration.stretches[1].standard_error_px == float("inf")


def test_tuples_of_pictures_keep_their_order_and_type(tmp_path):
    pictures = [np.full((2, 3, 3), k, np.uint8) for k in range(12)]
    laid = tuple(LaidFrame(k, 0.5, p, p + 1) for k, p in enumerate(pictures))
    keep_record(tmp_path / "k.npz", LaidFrames(("light", "stand"), (laid, laid[:1])))
    kept = recall_record(tmp_path / "k.npz", LaidFrames)
    found = kept.frames[0]
    assert kept.groups == ("light", "stand") and len(kept.frames[1]) == 1
    assert [f.shot_frame for f in found] == list(range(12)) and isinstance(found, tuple)
    assert all(f.before.dtype == np.uint8 and (f.after == k + 1).all() for k, f in enumerate(found))


def test_text_is_kept_whole(tmp_path):
    keep_record(tmp_path / "k.npz", Verdict("geräusch", "good", ('a "b"\n', "")))
    assert recall_record(tmp_path / "k.npz", Verdict) == Verdict("geräusch", "good", ('a "b"\n', ""))


@pytest.mark.parametrize("damage", [b"", b"not a zip", b"PK\x03\x04" + bytes(60), None])
def test_a_broken_file_is_a_value_error_and_an_absent_one_is_named(tmp_path, damage):
    path = tmp_path / "k.npz"
    keep_record(path, Verdict("a", "good", ()))
    path.write_bytes(path.read_bytes()[:-40] if damage is None else damage)
    with pytest.raises(ValueError):
        recall_record(path, Verdict)
    with pytest.raises(FileNotFoundError):
        recall_record(tmp_path / "absent.npz", Verdict)


def test_what_is_no_record_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(TypeError, match="cannot be kept"):
        keep_record(tmp_path / "k.npz", Verdict("a", "good", (object(),)))
    assert not list(tmp_path.iterdir())


def test_every_cut_and_every_wild_byte_is_a_value_error(tmp_path):
    path = tmp_path / "k.npz"
    keep_record(path, make_look())
    whole = path.read_bytes()
    for place in range(0, len(whole), 97):
        path.write_bytes(whole[:place])
        with pytest.raises(ValueError):
            recall_record(path, HeroLook)
        wild = bytearray(whole)
        wild[place] ^= 0xFF
        path.write_bytes(bytes(wild))
        with suppress(ValueError):  # a byte in a picture may pass; whatever else comes out fails the test
            recall_record(path, HeroLook)


def test_a_record_of_another_kind_or_version_was_not_built(tmp_path, monkeypatch):
    path, said = tmp_path / "k.npz", []

    class Listener:
        def say(self, line, *, level=0):
            said.append(line)

    keep_record(path, Verdict("a", "good", ()))
    assert recall_or_none(path, Verdict, progress=Listener()) == Verdict("a", "good", ())
    assert said == []
    assert recall_or_none(path, HeroLook, progress=Listener()) is None
    monkeypatch.setattr(lightstack.records, "Verdict", LaidFrames)  # a version whose fields have other names
    assert recall_or_none(path, LaidFrames, progress=Listener()) is None
    monkeypatch.delattr(lightstack.records, "Verdict")
    assert recall_or_none(path, Verdict, progress=Listener()) is None
    assert len(said) == 3 and all(str(path) in line and "\n" not in line for line in said)
