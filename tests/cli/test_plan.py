"""``lightstack plan`` on the command line."""

import json

import pytest

from lightstack.cli.main import run


def test_the_sheet_is_printed(capfd):
    assert run(["plan", "--rate", "25", "--gel", "amber"]) == 0
    text = capfd.readouterr().out
    for words in ("Passes, in this order", "Hero", "180", "Lamp speed", "amber", "licensed electrician"):
        assert words in text


def test_json_is_pure_and_exact(capfd):
    assert run(["plan", "--rate", "23.976", "--mains", "60", "--json"]) == 0
    answer = json.loads(capfd.readouterr().out)
    numbers = answer["plan"]["numbers"]
    assert answer["ok"] and numbers["rate"] == "24000/1001"
    # REFERENCE  360 n (24000/1001) / 120 degrees. TOLERANCE  0.001 degree.
    angles = [one["angle_deg"] for one in numbers["clean_shutters"]]
    assert angles == pytest.approx([71.928, 143.856, 215.784, 287.712, 359.640], abs=1e-3)
    assert numbers["beat_hz"] == pytest.approx(0.120, abs=1e-3)


def test_a_page_is_written(tmp_path, capfd):
    assert run(["plan", "--html", str(tmp_path / "sheet.html"), "--quiet"]) == 0
    assert capfd.readouterr().out == "" and (tmp_path / "sheet.html").read_bytes().startswith(b"<!DOCTYPE html>")


def test_a_wrong_option_is_one_line(capfd):
    assert run(["plan", "--mains", "16"]) == 1
    assert (
        capfd.readouterr().err
        == "lightstack: --mains 16: expected 50 or 60, the mains frequency in Hz where you shoot\n"
    )
    assert run(["plan", "--lamp-distance", "far"]) == 2
