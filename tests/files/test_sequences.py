"""Which stills belong together, and which are missing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lightstack.errors import MismatchedInput, MissingInput, UnreadableInput
from lightstack.files.read.sequences import find_stills, looks_like_stills


def touch(folder, *names):
    folder.mkdir(exist_ok=True)
    for name in names:
        cv2.imwrite(str(folder / name), np.zeros((2, 2, 3), np.uint8))
    return folder


@pytest.mark.parametrize("asked", ["hero.1002.png", "hero.####.png", "hero.%04d.png", ""])
def test_a_sequence_is_found_from_a_file_a_pattern_or_a_folder(tmp_path, asked):
    folder = touch(tmp_path / "hero", *(f"hero.{number}.png" for number in (1003, 1001, 1002)))
    (folder / "notes.txt").write_text("x")
    (folder / ".hero.1004.png").write_text("x")
    found = find_stills(folder / asked if asked else folder)
    assert list(found.paths) == [1001, 1002, 1003]
    assert (found.first, found.last, len(found), found.gaps) == (1001, 1003, 3, ())
    assert found.pattern == "hero.#.png"
    assert found.paths[1002].name == "hero.1002.png"
    assert looks_like_stills(folder / (asked or "."))


def test_gaps_are_listed(tmp_path):
    numbers = [n for n in range(1001, 1021) if n not in (1003, 1007, 1008, 1009)]
    folder = touch(tmp_path / "hero", *(f"hero.{number}.png" for number in numbers))
    with pytest.raises(MismatchedInput, match=r"hero\.#\.png: frames 1003, 1007-1009 missing"):
        find_stills(folder)
    found = find_stills(folder, allow_gaps=True)
    assert found.gaps == ((1003, 1003), (1007, 1009))
    assert list(found.paths) == numbers


def test_very_many_gaps_stay_one_line(tmp_path):
    folder = touch(tmp_path / "hero", *(f"a{number}.png" for number in range(0, 60, 2)))
    with pytest.raises(MismatchedInput, match="and 21 more gaps") as caught:
        find_stills(folder)
    assert len(str(caught.value)) < 300 + len(str(folder))


def test_numbers_of_any_length_and_padding(tmp_path):
    folder = touch(tmp_path / "a", "x9.png", "x10.png", "x8.png")
    assert list(find_stills(folder / "x10.png").paths) == [8, 9, 10]
    assert list(find_stills(folder / "x%d.png").paths) == [8, 9, 10]
    folder = touch(tmp_path / "b", "x.9999.png", "x.10000.png", "x.12.png")
    assert list(find_stills(folder / "x.####.png").paths) == [9999, 10000]
    with pytest.raises(MissingInput, match="no still of that name"):
        find_stills(folder / "x.######.png")


def test_a_version_is_not_a_frame(tmp_path):
    folder = touch(tmp_path / "a", "plate_v001.png", "plate_v002.png")
    found = find_stills(folder / "plate_v002.png")
    assert [path.name for path in found.paths.values()] == ["plate_v002.png"]
    assert list(found.paths) == [1]


def test_numbers_in_the_name_before_the_frame_do_not_count(tmp_path):
    folder = touch(tmp_path / "a", "sc010_sh020.0001.png", "sc010_sh020.0002.png")
    assert list(find_stills(folder).paths) == [1, 2]


def test_frames_that_are_there_twice(tmp_path):
    folder = touch(tmp_path / "a", "x.1.png", "x.0001.png")
    with pytest.raises(MismatchedInput, match=r"frame 1 is there twice, x\.0001\.png and x\.1\.png"):
        find_stills(folder)


def test_folders_that_are_no_take(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(MissingInput, match="holds no stills"):
        find_stills(tmp_path / "empty")
    folder = touch(tmp_path / "two", "a.1.png", "a.2.png", "b.1.png")
    with pytest.raises(MismatchedInput, match=r"holds 2 sequences \(a\.#\.png, b\.#\.png\)"):
        find_stills(folder)
    with pytest.raises(MissingInput, match="nothing is there"):
        find_stills(folder / "c.1.png")
    with pytest.raises(MissingInput, match="no such folder"):
        find_stills(tmp_path / "none" / "x.####.png")
    (tmp_path / "a.mov").write_bytes(b"x")
    with pytest.raises(UnreadableInput, match="is not a still"):
        find_stills(tmp_path / "a.mov")
