"""When a sweep's lamp map is made again, and when it is known that there is none."""

from types import SimpleNamespace

import numpy as np
import pytest
from unwatched import Unwatched

from lightstack.errors import SettingError, UnusableTake
from lightstack.files.folder import claim_folder
from lightstack.files.kept.identity import StageBook
from lightstack.jobs.light import lamp_places
from lightstack.jobs.light.lamp_places import places_are_current, places_inputs, places_or_none, places_or_recall


def test_a_raised_version_writes_the_map_under_its_new_name(tmp_path):
    source = tmp_path / "shades.npz"
    source.write_bytes(b"")
    built = SimpleNamespace(
        report=SimpleNamespace(name="violet"), stills=SimpleNamespace(source_frames=np.array([4, 9]))
    )

    def inputs(version):
        book = SimpleNamespace(identity=lambda path: "same")
        delivery = SimpleNamespace(stem=lambda element, sweep: f"{element}_{sweep}_v{version:03d}", book=book)
        return places_inputs(delivery, source, built)

    assert inputs(1) == inputs(1)
    assert inputs(1) != inputs(2)


def test_a_map_that_cannot_be_told_is_not_measured_again(tmp_path, monkeypatch):
    folder = claim_folder(tmp_path / "out")
    source = folder.scratch_folder("sweep_violet") / "shades.npz"
    source.write_bytes(b"as noted")
    sweep = SimpleNamespace(name="violet")
    built = SimpleNamespace(report=sweep, stills=SimpleNamespace(source_frames=np.array([4, 9])))
    tried = []

    def refuse(shades):
        tried.append(shades)
        raise UnusableTake("too few frames are lit")

    monkeypatch.setattr(lamp_places, "map_lamps", refuse)
    monkeypatch.setattr(lamp_places, "recall_shades", lambda scratch: "shades")

    def deliver():
        return SimpleNamespace(folder=folder, book=StageBook(folder), stem=lambda *names: "_".join(names))  # a new run

    def ask(get=places_or_recall, *, force=False):
        return get(deliver(), sweep, built, force=force, progress=Unwatched())

    for _ in range(2):
        with pytest.raises(SettingError, match="violet: where the lamp was cannot be told: too few frames are lit"):
            ask()
    assert ask(places_or_none) is None and places_are_current(deliver(), sweep, built) and len(tried) == 1
    with pytest.raises(SettingError, match="too few"):
        ask(force=True)
    assert len(tried) == 2
    source.write_bytes(b"noted anew, by another build")
    assert not places_are_current(deliver(), sweep, built)
