"""Pictures kept from one look at a shot to the next."""

from lightstack.errors import OutputError
from lightstack.files.folder import claim_folder
from lightstack.files.kept import review_keep
from lightstack.files.kept.review_keep import keep_only, open_shelf


def test_a_picture_is_there_at_once_and_the_next_time(tmp_path):
    folder = claim_folder(tmp_path)
    shelf = open_shelf(folder, "hero", {"a": 1}, most_bytes=10_000)
    shelf.keep("1.codes", bytes(range(100)))
    assert shelf.has("1.codes") and shelf.read("1.codes", 10, 3) == bytes([10, 11, 12])
    shelf.close()
    again = open_shelf(folder, "hero", {"a": 1}, most_bytes=10_000)
    assert again.read("1.codes") == bytes(range(100)) and again.read("1.codes", 98, 9) == bytes([98, 99])
    assert not again.has("2.codes") and again.read("2.codes") is None


def test_what_was_made_from_something_else_goes(tmp_path):
    folder = claim_folder(tmp_path)
    old = open_shelf(folder, "hero", {"a": 1}, most_bytes=10_000)
    new = open_shelf(folder, "hero", {"a": 2}, most_bytes=10_000)
    other = open_shelf(folder, "stills_lamp", {"a": 1}, most_bytes=10_000)
    assert not old.folder.exists() and new.folder.exists()
    keep_only(folder, {"hero"})
    assert new.folder.exists() and not other.folder.exists()


def test_a_full_shelf_and_a_full_disk_keep_nothing_and_nobody_minds(tmp_path, monkeypatch):
    folder = claim_folder(tmp_path)
    shelf = open_shelf(folder, "hero", {}, most_bytes=100)
    shelf.keep("1.codes", bytes(200))
    assert shelf.is_full and not shelf.has("1.codes")

    def refuse(path, data):
        raise OutputError("full")

    wide = open_shelf(folder, "stills", {}, most_bytes=10_000)
    monkeypatch.setattr(review_keep, "write_whole", refuse)
    wide.keep("1.half", bytes(200))
    wide.close()
    assert wide.is_full and not wide.has("1.half")


def test_a_closed_shelf_keeps_nothing_and_nobody_minds(tmp_path):
    shelf = open_shelf(claim_folder(tmp_path), "hero", {}, most_bytes=10_000)
    shelf.close()
    for number in range(20):  # more than may wait to be written
        shelf.keep(f"{number}.codes", bytes(10))
    assert not shelf.has("1.codes") and shelf.read("1.codes") is None
