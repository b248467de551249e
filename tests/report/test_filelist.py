"""Numbered frames on one line."""

from lightstack.report.filelist import fold_numbered


def test_a_sequence_stands_on_one_line():
    files = [("a.exr", "plate"), *((f"s_v001.{n}.exr", "frames") for n in range(1001, 1006)), ("b.png", "x")]
    assert fold_numbered(files) == (
        ("a.exr", "plate"),
        ("s_v001.1001\u20131005.exr", "frames (5 frames)"),
        ("b.png", "x"),
    )


def test_few_files_and_other_names_stay_apart():
    files = [("s.1001.exr", "a"), ("s.1002.exr", "a"), ("frames.csv", "b"), ("t.1001.exr", "a"), ("s_v001.exr", "a")]
    assert fold_numbered(files) == tuple(files)
    assert fold_numbered([]) == ()


def test_sequences_that_were_written_by_turns_are_folded_each():
    files = [(f"{stem}.{n:04d}.exr", stem) for n in (1, 2, 4, 5) for stem in ("element", "shadow")]
    assert fold_numbered(files) == (
        ("element.0001\u20130005.exr", "element (4 frames)"),
        ("shadow.0001\u20130005.exr", "shadow (4 frames)"),
    )
