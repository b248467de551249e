"""A check for flashes as lines for people and as plain values."""

from __future__ import annotations

from typing import Any

from lightstack.jobs.flash.flash import FlashResult
from lightstack.jobs.stage.finish import describe_flash
from lightstack.report.flash_words import FLASH_CAUTION, say_flash, say_span

__all__ = ["describe_result", "say_result"]


def say_result(found: FlashResult) -> list[str]:
    """Return what a check found, line by line."""
    report = found.report
    lines = [f"{found.subject}: {say_flash(report)}"]
    lines += [say_span(span, report.frame_word) for span in report.spans]
    lines += [f"would pass: {line}" for line in report.remedies]
    lines += [f"note: {line}" for line in report.notes]
    lines.append(f"shown {report.screen}")
    lines.append(f"caution: {FLASH_CAUTION}")
    return lines + [f"written: {found.out / name}" for name in found.files if found.out is not None]


def describe_result(found: FlashResult) -> dict[str, Any]:
    """Return what a check found as plain values."""
    report = found.report
    frames = report.table.frames
    return {
        "subject": found.subject,
        "frames": [int(frames[0]), int(frames[-1])],
        **describe_flash(report),
        "notes": list(report.notes),
        "caution": FLASH_CAUTION,
        "out": found.out,
        "files": list(found.files),
    }
