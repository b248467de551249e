"""Commands that are killed, that find the disk full, or whose kept files are broken: a few moments of each.

`tests/bench/survive.py` tries many more, and says what it tries.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).parent / "bench" / "survive.py"


def can_mount(folder):
    """Tell whether a small disk can be made here."""
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=40k", "tmpfs", str(folder)], capture_output=True)
    if done.returncode == 0:
        subprocess.run(["umount", str(folder)], check=True)
    return done.returncode == 0


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="moments are children of one process, made by fork")
@pytest.mark.parametrize(
    "words",
    ["kill 6 plate clean grain inspect", "kill 3 build render handover", "full plate clean", "small plate",
     "broken 12 build", "alike plate build"],
)  # fmt: skip
def test_nothing_is_lost(words, tmp_path):
    if words.startswith("small") and not (sys.platform == "linux" and can_mount(tmp_path)):
        pytest.skip("a small disk cannot be mounted here")
    done = subprocess.run(
        [sys.executable, str(BENCH), *words.split()],
        env={**os.environ, "SURVIVE_IN": str(tmp_path)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
