"""A stage is current only while its inputs, settings and outputs are what they were."""

import hashlib
import os

import pytest

from lightstack.errors import MissingInput
from lightstack.files.folder import MARK, claim_folder
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
