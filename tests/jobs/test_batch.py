"""Many shots: in the order of people, one that fails is told, one that did not change is passed over."""

import json
import sys
from textwrap import dedent
from types import SimpleNamespace

import pytest
from made import make_room, write_movie

from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import write_json
from lightstack.jobs.batch import batch as batch_job
from lightstack.jobs.batch.batch import BatchOptions, build_batch, command_of
from lightstack.jobs.batch.find import find_shots
from lightstack.jobs.takes import memory
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BatchShot, Verdict
from lightstack.report.batch import make_batch_page

SHOT = '[shot]\nname = "{name}"\nout = "{out}"\n[[sweep]]\npath = "sweep.mkv"\nmax_keys = 4\nmodel = "none"\n'
CHILD = dedent("""
    import json, sys
    from pathlib import Path
    out = Path(sys.argv[1]).parent / sys.argv[2]
    if "bad" in sys.argv[1]:
        print(json.dumps({"state": "failed", "line": f"{sys.argv[1]}: <b>no</b> sweep"}))
        sys.exit(1)
    (out / ".lightstack").mkdir(parents=True)
    (out / "report.html").write_text("")
    kept = {"files": [], "warnings": ["mind <the> lamp"], "numbers": {}, "flashes": False,
            "verdicts": [{"take": "sweep", "grade": "usable", "sentences": ["It moved."]}]}
    (out / ".lightstack" / "result.json").write_text(json.dumps(kept))
    print(json.dumps({"state": "done", "line": "built"}))
""")


@pytest.fixture
def folder(tmp_path):
    """Three shots, one of them bad, and files that are none."""
    for name in ("shot_10", "shot_2", "bad & 3"):
        place = tmp_path / "act" / name
        place.mkdir(parents=True)
        (place / "sweep.mkv").write_bytes(b"x")
        (place / "shot.toml").write_text(SHOT.format(name=name.replace(" & ", "_"), out="out"))
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    results = tmp_path / "old"
    write_json_mark(results)
    (results / "shot.toml").write_text(SHOT.format(name="kept", out="out"))
    return tmp_path


def write_json_mark(out):
    (out / ".lightstack").mkdir(parents=True)
    write_json(out / ".lightstack" / "stages.json", {})


@pytest.fixture
def quick(monkeypatch):
    """Builds that only say what a build would say."""
    monkeypatch.setattr(
        batch_job, "command_of", lambda path, options: [sys.executable, "-S", "-c", CHILD, str(path), "out"]
    )


def test_shots_are_found_in_the_order_of_people(folder):
    shots = [path.relative_to(folder).as_posix() for path in find_shots(folder)]
    assert shots == ["act/bad & 3/shot.toml", "act/shot_2/shot.toml", "act/shot_10/shot.toml"]
    (folder / "act" / "shot_2" / "broken.toml").write_text("[shot]\nname = \n")
    assert len(find_shots(folder)) == 4  # whoever wrote it wants to know
    with pytest.raises(MissingInput, match="no such folder"):
        find_shots(folder / "none")
    with pytest.raises(SettingError, match="holds no shot file"):
        find_shots(folder / "old")


@pytest.mark.parametrize("jobs", [1, 3])
def test_a_shot_that_fails_is_told_and_the_others_go_on(folder, quick, silence, jobs):
    result = build_batch(folder, options=BatchOptions(jobs=jobs), progress=silence)
    assert [(shot.name, shot.state) for shot in result.shots] == [
        ("bad_3", "failed"), ("shot_2", "built"), ("shot_10", "built"),
    ]  # fmt: skip
    assert result.shots[0].line == "act/bad & 3/shot.toml: <b>no</b> sweep"
    assert result.shots[1].verdicts[0].grade == "usable" and result.shots[1].report == "act/shot_2/out/report.html"
    page = (folder / "batch.html").read_text()
    assert "2 shots built, 1 not" in page and 'href="act/shot_2/out/report.html"' in page
    assert "&lt;b&gt;no&lt;/b&gt;" in page and "mind &lt;the&gt; lamp" in page and str(folder) not in page


def test_two_shots_into_one_folder_and_broken_ones_are_told_before_anything_is_built(folder, quick, silence):
    (folder / "act" / "shot_2" / "z.toml").write_text(SHOT.format(name="z", out="../shot_2/out"))
    (folder / "act" / "shot_2" / "broken.toml").write_text("[shot]\nnme = 'x'\n")
    result = build_batch(folder, options=BatchOptions(), progress=silence)
    lines = {shot.shot: shot.line for shot in result.shots}
    assert "builds into" in lines["act/shot_2/z.toml"] and "nme" in lines["act/shot_2/broken.toml"]
    assert sum(shot.state == "built" for shot in result.shots) == 2


def interrupt(seconds):
    raise KeyboardInterrupt


def test_stopping_stops_the_builds(folder, monkeypatch):
    wait = "import time, json; print(json.dumps({'state': 'running'}), flush=True); time.sleep(60)"
    monkeypatch.setattr(batch_job, "command_of", lambda path, options: [sys.executable, "-S", "-c", wait])
    planned = batch_job.plan_shots(find_shots(folder))
    started = []
    start = batch_job.BuildRun.start
    monkeypatch.setattr(batch_job.BuildRun, "start", lambda run: (start(run), started.append(run)))
    monkeypatch.setattr(batch_job, "time", SimpleNamespace(sleep=interrupt))
    with pytest.raises(KeyboardInterrupt):
        list(batch_job.run_builds(folder, planned, [0, 1, 2], BatchOptions(jobs=2)))
    assert len(started) == 2 and all(run._process.poll() is not None for run in started)


def test_builds_side_by_side_share_the_machine(tmp_path):
    words = command_of(tmp_path / "a.toml", BatchOptions(jobs=4, memory_bytes=2**30, cluster="tcp://a:1"))
    assert '"memory_bytes": 268435456' in words[-1] and '"cluster": "tcp://a:1"' in words[-1]
    assert '"memory_bytes": null' in command_of(tmp_path / "a.toml", BatchOptions(jobs=4))[-1]


def test_where_no_memory_is_named_builds_share_what_one_would_allow_itself(tmp_path, monkeypatch, silence):
    monkeypatch.setattr(memory, "own_budget", lambda: 8 * 2**30)
    monkeypatch.setattr(memory, "usable_processors", lambda: 64)
    size, given = (2160, 3840), []
    for jobs in (1, 2, 4):
        words = command_of(tmp_path / "a.toml", BatchOptions(jobs=jobs, threads=64))
        given.append(BuildOptions(**{**json.loads(words[-1]), "ocio": None}))
    assert [memory.run_budget(options) for options in given] == [2**33, 2**32, 2**31]
    assert memory.plan_workers(size, given[0]) == 64
    for plan, each in ((memory.plan_frame_workers, memory.FRAME_MIB_PER_MEGAPIXEL),
                       (memory.plan_workers, memory.WORKER_MIB_PER_MEGAPIXEL)):  # fmt: skip
        for options in given[1:]:
            workers = plan(size, options)
            used = memory.floor_bytes(size) + (workers - 1) * each * 2**20 * size[0] * size[1] / 1e6
            assert used <= memory.run_budget(options) and 1 <= workers < 64
    memory.check_memory(tmp_path, size, given[-1])  # a share that nobody named is none that can be too small


def test_fewer_shots_than_jobs_share_among_themselves(folder, monkeypatch, silence):
    told = []
    words = [sys.executable, "-c", ""]
    monkeypatch.setattr(batch_job, "command_of", lambda path, options: told.append(options.jobs) or words)
    build_batch(folder, options=BatchOptions(jobs=9), progress=silence)
    assert told == [3, 3, 3]


def test_the_page_is_the_same_for_the_same_shots_and_escapes_names():
    shots = (
        BatchShot("a:b/<i>.toml", "a", "built", "a:b/out", "a:b/out x/report.html", unchanged=True,
                  verdicts=(Verdict("sweep", "reshoot", ("Dark.",)),), flashes=True),
        BatchShot("c.toml", "c", "failed", line="c.toml: <script>"),
    )  # fmt: skip
    page = make_batch_page(shots)
    assert page == make_batch_page(shots)
    text = page.decode()
    assert "<script" not in text and "<i>" not in text and 'class="grade reshoot"' in text
    assert 'href="./a%3Ab/out%20x/report.html"' in text and "http" not in text.replace("http-equiv", "")


@pytest.mark.slow
def test_shots_are_built_and_passed_over_when_nothing_changed(tmp_path, silence):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_movie(make_room(1, size=(72, 128), frames=24, lead=6), tmp_path / name / "sweep.mkv")
        (tmp_path / name / "shot.toml").write_text(SHOT.format(name=name, out="out"))
    (tmp_path / "b" / "sweep.mkv").write_bytes(b"none")
    first = build_batch(tmp_path, options=BatchOptions(jobs=2), progress=silence)
    assert [(shot.state, shot.unchanged) for shot in first.shots] == [("built", False), ("failed", False)]
    page = first.page.read_bytes()
    again = build_batch(tmp_path, options=BatchOptions(), progress=silence)
    assert [(shot.state, shot.unchanged) for shot in again.shots] == [("built", True), ("failed", False)]
    assert again.page.read_bytes() == page
