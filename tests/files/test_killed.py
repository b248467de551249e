"""A writer that is killed between any two things it does to files leaves the old file whole, or the new one."""

import errno
import json
import os
import subprocess
import sys

import numpy as np
import pytest

from lightstack.errors import OutputError
from lightstack.files.folder import LONGEST_NAME, SCRATCH, claim_folder, claimed_folder, part_of, write_whole
from lightstack.files.kept.stack import StackShape, create_stack, guide_path, open_stack

# Every moment is a child of a small program without threads, which may therefore fork; a child ends itself by the
# system's signal, so that nothing of it can tidy up.
KILL = """
import json, os, signal, sys
from pathlib import Path
import numpy as np
import OpenImageIO
from lightstack.files.folder import claimed_folder, write_changed, write_json
from lightstack.files.handover.folder import handed_whole
from lightstack.files.kept.keep import keep_record, recall_record
from lightstack.files.shot.shot_changes import read_shot_bytes, write_changed_shot
from lightstack.files.tables import write_csv
from lightstack.files.write.plates import read_exr, write_exr
from lightstack.records import MixCurve

CHANGES = ("open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.truncate")
out, shot = Path(sys.argv[1]), Path(sys.argv[1]).with_name("shot.toml")
shot.write_text('# mind the lamp\\n[shot]\\nname = "den"\\nversion = 1\\n')

def write(value):
    with claimed_folder(out) as folder:
        write_json(folder.file("a.json"), {"value": value})
        keep_record(folder.scratch / "kept.npz", MixCurve(value, np.full(500, float(value))))
        write_exr(folder.file("p.exr"), np.full((8, 9, 3), value, np.float32), primaries="bt709", half=False)
        write_csv(folder.file("t.csv"), ("value",), [(value,)])
        write_changed(folder.file("b.json"), json.dumps({"value": value}).encode())
    assert write_changed_shot(shot, {"shot.version": value}, read_shot_bytes(shot)[1])
    with handed_whole(out.with_name("handed")) as part:
        write_json(part / "a.json", {"value": value})

def read():
    lines = shot.read_text().splitlines()
    assert lines[:3] == ["# mind the lamp", "[shot]", 'name = "den"'] and len(lines) == 4, lines
    found = {"shot": int(lines[3].removeprefix("version = "))}
    for name in ("a.json", "b.json", "../handed/a.json"):
        if (out / name).exists():
            found[name] = json.loads((out / name).read_text())["value"]
    if (out / ".lightstack/kept.npz").exists():
        kept = recall_record(out / ".lightstack/kept.npz", MixCurve)
        assert len(kept.gains) == 500 and (kept.gains == kept.first_frame).all()
        found["kept"] = kept.first_frame
    if (out / "p.exr").exists():
        picture = read_exr(out / "p.exr")
        assert {float(v) for c in "RGB" for v in np.unique(picture[c])} == {float(picture["R"][0, 0])}
        found["p.exr"] = int(picture["R"][0, 0])
    if (out / "t.csv").exists():
        found["t.csv"] = int((out / "t.csv").read_text().split()[1])
    return found

def apart(job):
    # nothing that begins threads may run here: whoever forks afterwards could wait for them for ever
    ours, theirs = os.pipe()
    number = os.fork()
    if not number:
        os.write(theirs, json.dumps(job()).encode())
        os._exit(0)
    os.close(theirs)
    with os.fdopen(ours) as stream:
        told = stream.read()
    os.waitpid(number, 0)
    return json.loads(told)

def child(value, at):
    number = os.fork()
    if number:
        return os.waitstatus_to_exitcode(os.waitpid(number, 0)[1])
    seen = 0
    def hook(event, arguments):
        nonlocal seen
        named = event in CHANGES and isinstance(arguments[0], (str, os.PathLike))
        if named and str(arguments[0]).startswith(str(out.parent)):
            seen += event != "open" or bool((arguments[2] or 0) & (os.O_WRONLY | os.O_RDWR))
            if seen == at:
                os.kill(os.getpid(), signal.SIGKILL)
    sys.addaudithook(hook)
    write(value)
    os._exit(0)

killed = 0
for value in range(1, 400):
    at = value  # every moment once
    code = child(value, at)
    found = apart(read)
    assert all(1 <= one <= value for one in found.values()), (value, at, found)
    killed += code == -9
    if code == 0:
        break
    if value % 6 == 1:  # the next run completes, and leaves nothing half-written
        assert child(value, 0) == 0
        found = apart(read)
        assert set(found.values()) == {value} and len(found) == 7, (value, at, found)
        left = [str(p) for p in out.parent.rglob("*") if ".part" in p.name or ".old" in p.name]
        assert not left, (at, left)
print(json.dumps({"killed": killed, "ended": code}))
"""


def test_what_a_killed_writer_leaves_is_whole_and_the_next_run_completes(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", KILL, str(tmp_path / "out")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["killed"] > 25 and told["ended"] == 0


@pytest.mark.parametrize("left", [(), ("at_work",), ("at_work", ".stages.json.part.json")])
def test_a_folder_whose_claim_was_killed_is_claimed_again(tmp_path, left):
    scratch = tmp_path / "out" / SCRATCH
    scratch.mkdir(parents=True)
    for name in left:
        (scratch / name).touch()
    assert claim_folder(tmp_path / "out").path == tmp_path / "out"


def test_a_scratch_folder_of_something_else_is_no_claim(tmp_path):
    (tmp_path / "out" / SCRATCH).mkdir(parents=True)
    (tmp_path / "out" / SCRATCH / "letter.txt").touch()
    with pytest.raises(OutputError, match="did not write"):
        claim_folder(tmp_path / "out")


def test_a_rename_is_flushed_with_its_folder(tmp_path, monkeypatch):
    # REFERENCE  POSIX.1-2017, fsync and rename: a directory's entry is durable when the directory itself was flushed.
    seen, flush, rename = [], os.fsync, os.replace

    def note_flush(number):
        seen.append("folder" if os.path.isdir(f"/proc/self/fd/{number}") else "file")
        flush(number)

    monkeypatch.setattr(os, "fsync", note_flush)
    monkeypatch.setattr(os, "replace", lambda *names: (seen.append("rename"), rename(*names))[1])
    write_whole(tmp_path / "a.json", b"{}")
    assert [word for word in seen if word != "rename"] == ["file", "folder"]


def test_the_longest_names_have_a_temporary_name_too(tmp_path):
    # REFERENCE  POSIX NAME_MAX, 255 bytes on the usual file systems; non-ASCII names count in bytes.
    for name in ("x" * 251 + ".exr", "ä" * 125 + ".json"):
        write_whole(tmp_path / name, b"whole")
        assert (tmp_path / name).read_bytes() == b"whole"
        assert len(os.fsencode(part_of(tmp_path / name).name)) <= LONGEST_NAME
    with pytest.raises(OutputError, match="cannot be written"):
        write_whole(tmp_path / ("y" * 300), b"")


def test_half_written_files_are_cleared_when_work_begins_and_nothing_else_is(tmp_path):
    folder = claim_folder(tmp_path / "out")
    deep = folder.scratch_folder("sweep_a/bare")
    kept = [folder.file("part.exr"), folder.file(".hidden"), deep / "a.part.npz", folder.file(".x.partly")]
    left = [folder.file(".p.exr.part.exr"), deep / ".built.npz.part.npz", folder.scratch / ".stages.json.part.json"]
    for path in (*kept, *left):
        path.touch()
    left.append(folder.scratch_folder(".run_x1"))
    with claimed_folder(tmp_path / "out"):
        assert all(path.exists() for path in kept) and not any(path.exists() for path in left)


def test_a_working_copy_begun_again_is_not_taken_for_the_finished_one(tmp_path):
    shape, path = StackShape(8, 10, 2), tmp_path / "stack.exr"
    stack = create_stack(path, shape)
    for index in range(2):
        stack.write_still(index, np.ones((8, 10, 3), np.float32), np.ones((8, 10), np.float32),
                          guide=np.ones((8, 10, 1), np.float32))  # fmt: skip
    stack.flush()
    open_stack(path)
    create_stack(path, shape)  # as long as the finished one from the beginning; then the run is killed
    with pytest.raises(FileNotFoundError):
        open_stack(path)


@pytest.mark.parametrize("broken", [b"", b"[1]", b"{}", b'{"shape": null, "headers": []}', b"\xff\xfe", b"["])
def test_a_working_copy_with_a_broken_note_is_refused(tmp_path, broken):
    path = tmp_path / "stack.exr"
    create_stack(path, StackShape(8, 10, 1)).flush()
    path.with_suffix(".json").write_bytes(broken)
    with pytest.raises(ValueError, match="note"):
        open_stack(path)


def test_a_working_copy_cut_short_is_refused(tmp_path):
    path = tmp_path / "stack.exr"
    create_stack(path, StackShape(8, 10, 1)).flush()
    for file in (path, guide_path(path)):
        whole = file.read_bytes()
        file.write_bytes(whole[:-1])
        with pytest.raises(ValueError, match="expected"):
            open_stack(path)
        file.write_bytes(whole)
    open_stack(path)


def test_a_full_disk_at_the_rename_leaves_the_old_file(tmp_path, monkeypatch):
    write_whole(tmp_path / "a.json", b"old")

    def refuse(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(OutputError, match=r"cannot be written \(No space"):
        write_whole(tmp_path / "a.json", b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]
    assert (tmp_path / "a.json").read_bytes() == b"old"
