"""Flashing pictures for the tests of the flash check."""

from fractions import Fraction

import numpy as np

from lightstack.core.flash.flash import FlashWatch
from lightstack.core.flash.rules import window_cells

SHAPE = (72, 128)


def show(rgb, shape=SHAPE):
    """Cells of one colour, linear RGB; the screen's luminance is taken to be the relative one."""
    rgb = np.asarray(rgb, np.float64)
    return np.broadcast_to([*rgb, rgb @ [0.2126, 0.7152, 0.0722]], (*shape, 4)).astype(np.float32)


def part(share, *, of_screen=False, shape=SHAPE):
    """A compact area of ``share`` of a 10-degree field, or of the screen, (h, w) bool, to the pixel."""
    inside = np.zeros(shape, bool)
    height, width = shape if of_screen else window_cells(shape)
    top, left = (0, 0) if of_screen else (9, 20)
    count = round(share * height * width)
    rows = np.arange(height * width).reshape(height, width) < count
    inside[top : top + height, left : left + width] = rows
    return inside


def flash(low, high, *, hertz, where, rate=Fraction(25), seconds=2):
    """Frames (seconds, cells) of ``where`` swinging between two colours ``hertz`` times a second."""
    dark, bright = show(low), np.where(where[..., None], show(high), show(low))
    for k in range(int(rate * seconds)):
        yield Fraction(k) / rate, bright if int(Fraction(k) / rate * 2 * hertz) % 2 else dark


def watch(frames, **options):
    """Check frames and return the watch."""
    checking = FlashWatch(**options)
    for k, (seconds, cells) in enumerate(frames):
        checking.add(k, seconds, cells)
    return checking


def broken(frames, **options):
    """The names of the rules that frames break."""
    return {span.rule for span in watch(frames, **options).spans}
