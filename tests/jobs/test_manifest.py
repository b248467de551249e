"""The manifest names files with checksums, relative paths, and nothing of the machine."""

import hashlib
import json

from lightstack.files.folder import claim_folder
from lightstack.files.kept.identity import StageBook
from lightstack.files.read.takes import open_take
from lightstack.jobs.stage.manifest import describe_take, write_manifest


def test_a_take_is_described_by_checksum_and_relative_path(small_sweep, tmp_path):
    folder = claim_folder(tmp_path / "out")
    with open_take(small_sweep) as take:
        told = describe_take(take.info, StageBook(folder), folder)
    (file,) = told["files"]
    # REFERENCE  Python's own SHA-256 (FIPS 180-4) of the same bytes.
    assert file["sha256"] == hashlib.sha256(small_sweep.read_bytes()).hexdigest()
    assert not file["path"].startswith("/") and (folder.path / file["path"]).resolve() == small_sweep.resolve()
    assert told["rate"] == "24" and told["size"] == [200, 112] and told["frames"][0] == 1
    json.dumps(told)


def test_outputs_carry_their_checksums_and_the_text_is_the_same_every_time(tmp_path):
    folder = claim_folder(tmp_path / "out")
    folder.file("plate.exr").write_bytes(b"abc")
    told = []
    for _ in range(2):
        path = write_manifest(
            folder,
            takes={"b": {}, "a": {}},
            settings={},
            space={"primaries": "bt709"},
            sweeps={},
            outputs=[("plate.exr", "plate")],
            warnings=["one"],
        )
        told.append(path.read_bytes())
    assert told[0] == told[1] and str(tmp_path).encode() not in told[0]
    # REFERENCE  FIPS 180-4 example, SHA-256 of "abc".
    assert json.loads(told[0])["outputs"][0]["sha256"].startswith("ba7816bf8f01cfea")
