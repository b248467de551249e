"""Which frames of a sequence are written: known after a break, forgotten when anything changed."""

import os

import pytest

from lightstack.files.folder import claim_folder
from lightstack.files.kept.ledger import FrameLedger


@pytest.fixture
def folder(tmp_path):
    return claim_folder(tmp_path / "out")


def write(folder, name, data=b"exr"):
    folder.file(name).write_bytes(data)
    return name


def open_ledger(folder, inputs="a"):
    return FrameLedger(folder.scratch_folder("frames") / "written.json", folder, {"from": inputs})


def test_a_written_frame_is_known_again_while_its_files_stay(folder):
    ledger = open_ledger(folder)
    ledger.note(1001, [write(folder, "s.1001.exr"), write(folder, "t.1001.exr")])
    ledger.save()
    again = open_ledger(folder)
    assert again.is_written(1001, ["s.1001.exr", "t.1001.exr"]) and not again.list_earlier()
    assert not again.is_written(1001, ["s.1001.exr", "u.1001.exr"]) and not again.is_written(1002, ["s.1002.exr"])
    write(folder, "s.1001.exr", b"other")
    assert not again.is_written(1001, ["s.1001.exr"])
    os.unlink(folder.file("t.1001.exr"))
    assert not again.is_written(1001, ["t.1001.exr"])


def test_a_file_that_was_gone_when_it_was_noted_is_not_written(folder):
    ledger = open_ledger(folder)
    ledger.note(1001, ["s.1001.exr"])
    assert not ledger.is_written(1001, ["s.1001.exr"])


def test_other_inputs_make_every_frame_again(folder):
    ledger = open_ledger(folder)
    ledger.note(1001, [write(folder, "s.1001.exr")])
    ledger.save()
    assert not open_ledger(folder, "b").is_written(1001, ["s.1001.exr"])


def test_only_the_frames_that_are_forgotten_are_made_again(folder):
    ledger = open_ledger(folder)
    names = ["s.1001.exr", "s.1002.exr"]
    for frame, name in zip((1001, 1002), names, strict=True):
        ledger.note(frame, [write(folder, name)])
    ledger.forget([1002, 1003])
    assert [ledger.is_written(f, [n]) for f, n in zip((1001, 1002), names, strict=True)] == [True, False]
    assert ledger.list_earlier() == names[1:]


@pytest.mark.parametrize(
    "broken",
    [
        b"",
        b"{",
        b"[]",
        b'{"inputs": 1, "frames": [1]}',
        b'{"frames": {"1": 2}}',
        b'{"frames": {"1": {"s": 2}}, "earlier": 3}',
        b'{"earlier": [1, null]}',
    ],
)
def test_a_broken_ledger_is_an_empty_one(folder, broken):
    (folder.scratch_folder("frames") / "written.json").write_bytes(broken)
    ledger = open_ledger(folder)
    assert not ledger.is_written(1001, ["s.1001.exr"]) and ledger.list_earlier() == []
    ledger.drop_stale([])


def test_a_ledger_names_no_file_outside_of_its_folder(folder, tmp_path):
    apart = tmp_path / "apart.exr"
    apart.write_bytes(b"mine")
    kept = b'{"inputs": "z", "frames": {"1": {"../apart.exr": [4, 0]}}, "earlier": ["../apart.exr"]}'
    (folder.scratch_folder("frames") / "written.json").write_bytes(kept)
    open_ledger(folder).drop_stale([])
    assert apart.exists()


def test_frames_under_numbers_that_the_shot_has_no_more_go(folder):
    ledger = open_ledger(folder)
    names = ["s_v002.1001.exr", "s_v002.1002.exr"]
    for frame, name in zip((1001, 1002), names, strict=True):
        ledger.note(frame, [write(folder, name)])
    older = write(folder, "s_v001.1001.exr")
    ledger.save()
    open_ledger(folder, "b").drop_stale(names[1:])
    assert [folder.file(name).exists() for name in (*names, older)] == [False, True, True]


def test_files_of_an_earlier_run_are_remembered_through_any_number_of_breaks(folder):
    ledger = open_ledger(folder)
    names = [f"s.{frame}.exr" for frame in (1001, 1002, 1003)]
    for frame, name in zip((1001, 1002, 1003), names, strict=True):
        ledger.note(frame, [write(folder, name)])
    ledger.save()
    for inputs in "bc":  # two runs that broke off after one frame
        broken = open_ledger(folder, inputs)
        broken.note(1001, [write(folder, names[0], inputs.encode())])
        broken.save()
    last = open_ledger(folder, "c")
    assert last.is_written(1001, names[:1]) and last.list_earlier() == names[1:]
    last.drop_stale(names[:2])
    assert last.list_earlier() == names[1:2] and not folder.file(names[2]).exists()
