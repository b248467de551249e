"""What counts as a take in a folder."""

import pytest

from lightstack.errors import MissingInput, UnreadableInput
from lightstack.files.read.footage import list_footage


def touch(folder, *names):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()


def test_movies_numbered_stills_and_folders_of_stills(tmp_path):
    touch(
        tmp_path, "b.MOV", "a.mp4", "notes.txt", ".hidden.mov", "shot.toml", "single.png", "single_0001.png"
    )
    touch(tmp_path, *(f"empty.{number:04d}.exr" for number in range(998, 1003)))
    touch(tmp_path, *(f"card_{number:03d}.jpg" for number in (7, 9)))
    touch(tmp_path, *(f"sweep/s{number:05d}.dpx" for number in range(3)))
    touch(tmp_path, "out/.lightstack/stages.json", "out/preview.mp4", ".cache/x.mov", "deep/er/x.mov")
    found = [(take.path, take.kind) for take in list_footage(tmp_path)]
    assert found == [
        ("a.mp4", "movie"),
        ("b.MOV", "movie"),
        ("card_###.jpg", "stills"),
        ("empty.####.exr", "stills"),
        ("sweep/s#####.dpx", "stills"),
    ]


def test_no_folder_and_an_empty_one(tmp_path):
    assert list_footage(tmp_path) == ()
    with pytest.raises(MissingInput, match="no such folder"):
        list_footage(tmp_path / "none")
    touch(tmp_path, "a.mov")
    with pytest.raises(UnreadableInput, match="is a file"):
        list_footage(tmp_path / "a.mov")
