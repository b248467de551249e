"""When a sweep's lamp map is made again."""

from types import SimpleNamespace

import numpy as np

from lightstack.jobs.lamp_places import places_inputs


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
