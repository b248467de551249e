"""Files that are open for reading are noted where another process sees them, and taken back."""

from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest
from clips import moving_pictures
from sounding import write_hero

from lightstack.files.read import masks, sound, stills
from lightstack.files.read.masks import read_mask
from lightstack.files.read.sound import read_sound_power
from lightstack.files.read.stills import read_still
from lightstack.files.read.takes import open_take
from lightstack.files.reading import list_readings, make_board, reading, use_board


@pytest.fixture
def board():
    """A board on which this process notes what it reads."""
    made = make_board()
    use_board(made)
    yield made
    use_board(None)
    made.close()


def test_readings_are_noted_the_latest_first_and_taken_back(board):
    with reading(Path("a")), reading(Path("b" * 3000)):
        with reading(Path("c")), reading(Path("a")):
            assert [path.name[:1] for path in list_readings(board)] == ["a", "c", "b"]
        assert [path.name[:1] for path in list_readings(board)] == ["b", "a"]
        with pytest.raises(KeyError), reading(Path("d")):
            raise KeyError
    assert list_readings(board) == []


def test_more_files_than_slots_are_read_all_the_same(board):
    held = [reading(Path(str(k))) for k in range(40)]
    for one in held:
        one.__enter__()
    assert len(list_readings(board)) == 32
    for one in held:
        one.__exit__(None, None, None)
    assert list_readings(board) == []


def test_every_reader_notes_its_file(board, tmp_path, monkeypatch):
    seen = {}

    def watch(module, name):
        own = getattr(module, name)

        def watched(*arguments, **words):
            seen[name] = [path.name for path in list_readings(board)]
            return own(*arguments, **words)

        monkeypatch.setattr(module, name, watched)

    for module, name in ((stills, "_read_pixels"), (masks, "_read_channel"), (sound, "_convert")):
        watch(module, name)
    cv2.imwrite(str(tmp_path / "a.png"), np.full((48, 64, 3), 9, np.uint8))
    write_hero(tmp_path / "b.mov", moving_pictures(3), codec="libx264")
    read_still(tmp_path / "a.png")
    read_mask(tmp_path / "a.png", (48, 64))
    read_sound_power(tmp_path / "b.mov", Fraction(24))
    assert seen == {"_read_pixels": ["a.png"], "_read_channel": ["a.png"], "_convert": ["b.mov"]}
    with open_take(tmp_path / "b.mov") as take:
        frames = take.frames()
        next(frames)
        take.close()
    assert list_readings(board) == []


def test_a_movie_is_noted_as_long_as_it_is_open(board, tmp_path):
    write_hero(tmp_path / "b.mov", moving_pictures(12), codec="libx264")
    with open_take(tmp_path / "b.mov") as take:
        frames = take.frames()
        next(frames)  # a few are decoded ahead, and the thread waits with the movie open
        assert list_readings(board) == [tmp_path / "b.mov"]
    assert list_readings(board) == []
