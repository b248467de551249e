"""An output folder is claimed once and written whole or not at all."""

import errno

import pytest

from lightstack.errors import OutputError
from lightstack.files.called_off import CalledOff, may_be_called_off
from lightstack.files.folder import (
    claim_folder,
    own_parts,
    part_of,
    remove_left,
    remove_parts,
    replaced_whole,
    write_json,
    write_whole,
)


def test_a_new_folder_is_made_and_found_again(tmp_path):
    first = claim_folder(tmp_path / "deep" / "out")
    assert (first.scratch / "stages.json").is_file()
    assert claim_folder(first.path).path == first.path


def test_a_folder_with_foreign_files_is_refused_and_left_alone(tmp_path):
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(OutputError, match="did not write"):
        claim_folder(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["holiday.jpg"]


def test_a_file_is_no_folder(tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match="is a file"):
        claim_folder(tmp_path / "out")


def test_a_failed_write_leaves_the_old_file_and_no_part(tmp_path):
    target = tmp_path / "a.json"
    write_json(target, {"b": 1})
    with pytest.raises(OutputError, match="No space left"), replaced_whole(target) as part:
        part.write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")
    assert target.read_text() == '{\n  "b": 1\n}\n'
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_a_write_into_nowhere_is_one_line(tmp_path):
    with pytest.raises(OutputError, match="cannot be written") as caught:
        write_whole(tmp_path / "absent" / "x.csv", b"1")
    assert "\n" not in str(caught.value)


def test_two_writers_of_one_file_do_not_meet(tmp_path):
    path = tmp_path / "a.exr"
    with own_parts(), replaced_whole(path) as one:
        one.write_bytes(b"first")
        with own_parts(), replaced_whole(path) as two:
            two.write_bytes(b"second")
        assert one != two and path.read_bytes() == b"second"
        assert one.read_bytes() == b"first"
    assert path.read_bytes() == b"first" and list(tmp_path.iterdir()) == [path]
    assert part_of(path) == part_of(path)  # one writer's name is always the same: the next run writes over it


@pytest.mark.parametrize("when", ["before", "meanwhile"])
def test_work_that_was_called_off_gives_no_file_its_name(tmp_path, when):
    off = [when == "before"]
    with may_be_called_off(lambda: off[0]), pytest.raises(CalledOff), replaced_whole(tmp_path / "a.exr") as part:
        part.write_bytes(b"whole")
        off[0] = True
    assert not list(tmp_path.iterdir())
    write_whole(tmp_path / "a.exr", b"whole")  # whatever else this thread does goes on


def test_what_a_writer_of_its_own_name_left_is_cleared(tmp_path):
    folder = claim_folder(tmp_path / "out")
    for clear in (remove_parts, remove_left):
        with own_parts():
            left = part_of(folder.file("a.exr"))
        left.touch()
        clear(folder)
        assert not left.exists()
