"""What a job made, in lines."""

from lightstack.cli.results import list_figures


def test_a_group_of_figures_is_one_readable_line():
    assert list_figures({"key frames": "32", "reached": "99.9 %"}) == "key frames 32; reached 99.9 %"
    assert list_figures("over 99.9 %") == "over 99.9 %"
