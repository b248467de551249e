"""The progress display, with a clock of our own."""

import io

import pytest

from lightstack.cli.progress import TerminalProgress


class Clock:
    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


class Terminal(io.StringIO):
    def isatty(self):
        return True


def show(stream, clock, *, seconds, **options):
    watched = TerminalProgress(stream=stream, clock=clock, **options)
    with watched as progress, progress.step("read", 10) as step:
        for _ in range(10):
            clock.now += seconds / 10
            step.advance()
    return stream.getvalue()


def test_a_log_gets_a_line_every_ten_seconds_with_the_time_left():
    lines = show(io.StringIO(), Clock(), seconds=40).splitlines()
    # by construction: 4 s each, so the lines come at 12, 24 and 36 s; 7 of 10 are left at 12 s, 28 s of work
    assert lines == [
        "read: 3 of 10, about 28 s left",
        "read: 6 of 10, about 16 s left",
        "read: 9 of 10, about 4 s left",
    ]
    assert show(io.StringIO(), Clock(), seconds=5) == ""


def test_what_is_done_once_does_not_count_into_the_time_left():
    clock, stream = Clock(), io.StringIO()
    with TerminalProgress(stream=stream, clock=clock) as progress, progress.step("frames", 100) as step:
        for seconds in (30, 5, 5):  # everything is made ready before the first frame is done
            clock.now += seconds
            step.advance()
    # by construction: 5 s each, 97 are left
    assert stream.getvalue().splitlines() == ["frames: 1 of 100", "frames: 3 of 100, about 485 s left"]


def test_a_terminal_gets_a_bar_only_for_what_takes_over_a_second():
    assert "read" not in show(Terminal(), Clock(), seconds=0.5)
    assert "read" in show(Terminal(), Clock(), seconds=40)


def test_steps_of_unknown_size():
    clock, stream = Clock(), io.StringIO()
    with TerminalProgress(stream=stream, clock=clock) as progress, progress.step("read", None) as step:
        clock.now += 11
        step.advance(5)
    assert stream.getvalue() == "read: 5\n"


@pytest.mark.parametrize("make", [io.StringIO, Terminal])
def test_quiet_says_nothing(make):
    stream = make()
    with TerminalProgress(stream=stream, quiet=True, verbosity=2) as progress:
        progress.say("hello")
        with progress.step("read", 1) as step:
            step.advance()
    assert stream.getvalue() == ""


def test_verbosity():
    stream = io.StringIO()
    with TerminalProgress(stream=stream, verbosity=1) as progress:
        progress.say("always [1/2]")
        progress.say("with -v", level=1)
        progress.say("with -vv", level=2)
    assert stream.getvalue() == "always [1/2]\nwith -v\n"


def test_the_bar_is_taken_away_when_a_job_fails():
    stream, clock = Terminal(), Clock()
    with (
        pytest.raises(RuntimeError),
        TerminalProgress(stream=stream, clock=clock) as progress,
        progress.step("read", 2) as step,
    ):
        clock.now += 5
        step.advance()
        raise RuntimeError
    assert stream.getvalue().endswith("\x1b[?25h") or "\x1b[?25h" in stream.getvalue()  # the cursor is back
