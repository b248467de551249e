"""Names that people mistype."""

from __future__ import annotations

import pytest

from lightstack.core.colour.names import nearest_name, nearest_names, suggest_name

KNOWN = ("slog2", "slog3", "bt709", "bt2020", "logc3", "S-Log3 S-Gamut3")


@pytest.mark.parametrize(
    ("word", "expected"), [("s-log3", "slog3"), ("SLOG 2", "slog2"), ("bt.709", "bt709"), ("logc", "logc3")]
)
def test_nearest_name_ignores_case_and_marks(word, expected):
    assert nearest_name(word, KNOWN) == expected


def test_nothing_near_is_none():
    assert nearest_name("zzz", KNOWN) is None
    assert nearest_name("", KNOWN) is None
    assert suggest_name("zzz", KNOWN) == ""


def test_best_first_and_no_more_than_asked():
    names = nearest_names("slog", KNOWN, count=2)
    assert len(names) == 2 and set(names) <= {"slog2", "slog3"}
    assert suggest_name("slog33", KNOWN).startswith(" (nearest: slog3")
