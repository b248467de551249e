"""A stage is current only while its inputs, settings and outputs are what they were."""

import hashlib
import json
import os
import time
from pathlib import Path

import pytest

from lightstack.errors import ChangedInput, MissingInput, UnreadableInput
from lightstack.files.folder import MARK, claim_folder, claimed_folder, empty_folder
from lightstack.files.kept.identity import StageBook, hash_file, hash_value


def test_a_file_is_known_by_its_sha256(tmp_path):
    (tmp_path / "a").write_bytes(b"abc")
    # REFERENCE  FIPS 180-4 example, SHA-256 of "abc".
    assert hash_file(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_key_order_does_not_matter():
    assert hash_value({"a": 1, "b": [2]}) == hash_value({"b": [2], "a": 1}) != hash_value({"a": 1, "b": [3]})


def test_a_stage_is_skipped_only_while_nothing_changed(tmp_path):
    folder = claim_folder(tmp_path / "out")
    take = tmp_path / "take.mov"
    take.write_bytes(b"one")
    book = StageBook(folder)
    inputs = {"files": book.identify([take]), "max_keys": 32}
    assert not book.is_current("plate", inputs)
    folder.file("plate.exr").write_bytes(b"exr")
    book.record("plate", inputs, ["plate.exr"])
    again = StageBook(folder)
    assert again.is_current("plate", {"files": again.identify([take]), "max_keys": 32})
    assert not again.is_current("plate", {"files": again.identify([take]), "max_keys": 31})
    folder.file("plate.exr").unlink()
    assert not again.is_current("plate", inputs)


def test_a_changed_file_is_noticed_even_at_the_same_size(tmp_path):
    folder = claim_folder(tmp_path / "out")
    take = tmp_path / "take.mov"
    take.write_bytes(b"one")
    book = StageBook(folder)
    before = book.identity(take)
    take.write_bytes(b"two")
    os.utime(take, ns=(1, 1))
    assert book.identity(take) == hashlib.sha256(b"two").hexdigest() != before


def test_verify_reads_again_where_the_clock_was_set_back(tmp_path):
    folder = claim_folder(tmp_path / "out")
    take = tmp_path / "take.mov"
    take.write_bytes(b"one")
    os.utime(take, ns=(5, 5))
    book = StageBook(folder)
    before = book.identity(take)
    book.save()
    with take.open("r+b") as stream:
        stream.write(b"two")
    os.utime(take, ns=(5, 5))
    assert StageBook(folder).identity(take) == before
    assert StageBook(folder, verify=True).identity(take) != before


def test_an_absent_file_is_one_line(tmp_path):
    book = StageBook(claim_folder(tmp_path / "out"))
    with pytest.raises(MissingInput, match="nothing is there"):
        book.identity(tmp_path / "absent.mov")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "7",
        '{"stages": []}',
        '{"stages": {"plate": 3}}',
        '{"files": {"a": {"seen": 1}}}',
        "\xff",
        "[" * 9999,
    ],
)
def test_a_broken_book_knows_nothing_and_says_so(tmp_path, text):
    folder = claim_folder(tmp_path / "out")
    assert not StageBook(folder).broken
    take = tmp_path / "take.mov"
    take.write_bytes(b"one")
    (folder.scratch / MARK).write_text(text, encoding="latin-1")
    book = StageBook(folder)
    assert book.broken and not book.is_current("plate", {})
    folder.file("plate.exr").write_bytes(b"exr")
    book.record("plate", {"files": book.identify([take])}, ["plate.exr"])
    again = StageBook(folder)
    assert not again.broken and again.is_current("plate", {"files": again.identify([take])})


def test_force_makes_a_shared_stage_once_in_a_run(tmp_path):
    folder = claim_folder(tmp_path / "out")
    book = StageBook(folder)
    folder.file("filled.exr").write_bytes(b"exr")
    book.record("filled", {"a": 1}, ["filled.exr"])
    assert not book.is_due("filled", {"a": 1}, force=True) and book.is_due("filled", {"a": 2}, force=False)
    again = StageBook(folder)
    assert again.is_due("filled", {"a": 1}, force=True) and not again.is_due("filled", {"a": 1}, force=False)


@pytest.fixture
def takes(tmp_path):
    """A folder of stills, a movie, and the book of a build beside them."""
    (tmp_path / "takes").mkdir()
    for name in ("movie.mov", "still.0001.png", "still.0002.png"):
        (tmp_path / "takes" / name).write_bytes(name.encode())
    return tmp_path / "takes", StageBook(claim_folder(tmp_path / "out"))


def rewrite(path):
    path.write_bytes(b"recorded anew")


def touch(path):
    os.utime(path, ns=(1, 1))


CHANGES = [
    (rewrite, "movie.mov", "has changed"),
    (Path.unlink, "movie.mov", "is gone"),
    (rewrite, "still.0003.png", "was added"),
    (Path.unlink, "still.0002.png", "is gone"),
    (rewrite, "still.0001.png", "has changed"),
]


@pytest.mark.parametrize(("change", "name", "says"), CHANGES, ids=[f"{name} {says}" for _, name, says in CHANGES])
def test_what_changes_while_it_is_built_is_told_and_nothing_is_recorded(takes, change, name, says):
    folder, book = takes
    inputs = {"files": book.identify([folder / "movie.mov", folder / "still.####.png"])}
    book.record("first", inputs, [])
    before = (book.folder.scratch / MARK).read_bytes()
    change(folder / name)
    with pytest.raises(ChangedInput, match=says) as caught:
        book.record("second", inputs, [])
    assert str(caught.value).startswith(str(folder / name)) and "\n" not in str(caught.value)
    assert (book.folder.scratch / MARK).read_bytes() == before
    assert StageBook(book.folder).was_built_from("first", inputs)
    assert not StageBook(book.folder).was_built_from("second", inputs)


def test_a_take_that_is_only_touched_while_it_is_built_is_the_same(takes):
    folder, book = takes
    inputs = {"files": book.identify([folder])}
    touch(folder / "movie.mov")
    (folder / ".seen_by_a_viewer").touch()
    book.record("stage", inputs, [])
    assert StageBook(book.folder).was_built_from("stage", {"files": StageBook(book.folder).identify([folder])})


def test_a_take_that_is_watched_without_being_read_must_not_even_be_touched(takes):
    folder, book = takes
    book.watch([folder])
    book.check_steady()
    touch(folder / "movie.mov")
    with pytest.raises(ChangedInput, match="has changed"):
        book.check_steady()


def test_what_a_build_makes_itself_may_change_under_it(takes):
    _, book = takes
    plate = book.folder.file("plate.exr")
    plate.write_bytes(b"one")
    first = book.identity(plate)
    rewrite(plate)
    book.record("stage", {"plate": first}, ["plate.exr"])
    assert book.identity(plate) != first


@pytest.mark.parametrize("when", [0, -(10**18), 4 * 10**18])
def test_skipping_goes_by_what_a_file_is_and_not_by_what_is_newer(takes, when, monkeypatch):
    folder, book = takes
    monkeypatch.setattr(time, "time", lambda: -1.0)  # a clock that was set back
    movie = folder / "movie.mov"
    os.utime(movie, ns=(when, when))
    book.folder.file("plate.exr").write_bytes(b"plate")
    os.utime(book.folder.file("plate.exr"), ns=(10**18, 10**18))  # older, or younger, than what it was made from
    book.record("stage", {"files": book.identify([movie])}, ["plate.exr"])
    again = StageBook(book.folder)
    assert again.is_current("stage", {"files": again.identify([movie])})
    rewrite(movie)
    os.utime(movie, ns=(when, when))  # the same time stamp, another size
    again = StageBook(book.folder)
    assert not again.is_current("stage", {"files": again.identify([movie])})


def test_a_book_that_reads_nothing_says_so(tmp_path):
    folder, take = claim_folder(tmp_path / "out"), tmp_path / "take.mov"
    take.write_bytes(b"frames")
    book = StageBook(folder)
    digest = book.identity(take)
    assert book.learned
    book.save()
    quick = StageBook(folder, reads=False)
    assert quick.identity(take) == digest and not quick.learned
    take.write_bytes(b"other frames")
    with pytest.raises(UnreadableInput):
        quick.identity(take)


def test_a_file_that_cannot_be_read_to_its_end_is_one_line(tmp_path, monkeypatch):
    take = tmp_path / "take.mov"
    take.write_bytes(b"frames")

    def fail(path):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("lightstack.files.kept.identity.hash_file", fail)
    with pytest.raises(UnreadableInput, match=r"take\.mov: cannot be read \(Input/output error\)"):
        StageBook(claim_folder(tmp_path / "out")).identity(take)


def test_a_folder_that_is_cleared_half_way_is_still_ours(tmp_path, monkeypatch):
    folder = claim_folder(tmp_path / "out")
    (folder.path / "a.exr").write_bytes(b"1")
    (folder.scratch / "hero").mkdir()
    removed = []
    real = Path.unlink
    monkeypatch.setattr(Path, "unlink", lambda self, **more: (removed.append(self.name), real(self, **more))[1])
    empty_folder(folder.path)
    assert removed[0] == "a.exr" and removed[-1] == MARK
    assert not list(folder.path.iterdir())


def fill_book(folder, stills):
    """Record one stage of so many files, of which each takes some 200 bytes."""
    book = StageBook(folder)
    for number in range(stills):
        path = folder.path.parent / f"still.{number:06d}.exr"
        path.write_bytes(b"%d" % number)
        book.identity(path)
    folder.file("plate.exr").write_bytes(b"exr")
    book.record("plate", {"a": 1}, ["plate.exr"])
    return book


def test_a_book_never_grows_too_large_to_be_read_again(tmp_path, monkeypatch):
    monkeypatch.setenv("LIGHTSTACK_BOOK_BYTES", "20000")
    folder = claim_folder(tmp_path / "out")
    for stills, known in ((40, 40), (400, 0)):
        fill_book(folder, stills)
        assert (folder.scratch / MARK).stat().st_size <= 20_000
        again = StageBook(folder)
        assert again.is_current("plate", {"a": 1}) and not again.broken
        assert len(json.loads((folder.scratch / MARK).read_bytes())["files"]) == known


def test_a_book_of_very_many_stills_is_read(tmp_path):
    # 90 MB, more than any other side file may have
    folder = claim_folder(tmp_path / "out")
    folder.file("plate.exr").write_bytes(b"exr")
    book = StageBook(folder)
    book._files = {f"/{'x' * 150}/{n:06d}.exr": {"seen": [n, n, n], "sha256": "0" * 64} for n in range(330_000)}
    book.record("plate", {"a": 1}, ["plate.exr"])
    assert (folder.scratch / MARK).stat().st_size > 1 << 26
    assert StageBook(folder).is_current("plate", {"a": 1})


def test_a_fresh_folder_whose_book_cannot_be_read_is_not_emptied(tmp_path, monkeypatch):
    with pytest.raises(KeyboardInterrupt), claimed_folder(tmp_path / "out") as folder:
        fill_book(folder, 40)
        for name in ("BOOK", "SIDE"):
            monkeypatch.setenv(f"LIGHTSTACK_{name}_BYTES", "100")
        raise KeyboardInterrupt
    assert (tmp_path / "out" / "plate.exr").is_file()
    with pytest.raises(KeyboardInterrupt), claimed_folder(tmp_path / "other"):
        raise KeyboardInterrupt
    assert not (tmp_path / "other").exists()
