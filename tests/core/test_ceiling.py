"""Clip flags follow the code values: the last code of the range, or the plateau at which a camera clips."""

import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core.colour.ceiling import CeilingTally, flag_light, holds_highlights, last_signal, put_ceiling
from lightstack.core.colour.decoder import build_decoder, code_scales
from lightstack.core.colour.light import CURVES
from lightstack.core.colour.planes import decode_linear, find_clipped


def count(frames, **changes):
    tally = CeilingTally(make_encoding(**changes))
    for frame in frames:
        tally.add(np.asarray(frame, np.uint16))
    return tally.result()


def scene(*, lamp, ceiling, black=64, seed=1, overshoot=0, wall=None):
    """A luma plane whose scene thins out towards white, with a lamp limited to ``ceiling``."""
    rng = np.random.default_rng(seed)
    plane = black + rng.exponential(90, (200, 320))
    if wall is not None:
        plane[:, :100] = wall + rng.normal(0, 1, (200, 100))
    plane[60:140, 160:260] = lamp + rng.normal(0, 3, (80, 100))
    if overshoot:  # what a codec does beside an edge
        plane[56:60, 160:260] = lamp + overshoot * rng.random((4, 100)) ** 2
        return np.round(plane).clip(0, 1019)
    return np.round(plane).clip(0, ceiling)


@pytest.mark.parametrize(("depth", "white", "clipped"), [(8, 235, 254), (10, 940, 1019), (12, 3760, 4079)])
def test_white_of_legal_range_is_not_clipped_and_the_last_code_is(depth, white, clipped):
    # REFERENCE  ITU-R BT.709-6 item 5.6, BT.2020-2 table 5: video data 1-254, 4-1019, 16-4079.
    encoding = put_ceiling(make_encoding(bit_depth=depth, chroma="444"))
    kind = np.uint8 if depth == 8 else np.uint16
    luma = np.array([[white, clipped, 2**depth - 1, white - 9]], kind)
    planes = (luma, *(np.full((1, 4), 2 ** (depth - 1), kind),) * 2)
    assert find_clipped(build_decoder(encoding), planes).tolist() == [[0, 7, 7, 0]]
    black, codes = code_scales(encoding)[0]
    assert last_signal(encoding) * codes + black == pytest.approx(clipped)
    assert last_signal(make_encoding(range="full", bit_depth=depth)) == 1.0


def test_a_take_that_ends_at_white_clips_there():
    assert count([scene(lamp=1300, ceiling=940)]) == 1.0
    assert count([np.full((40, 40), 940)]) == 1.0


def test_overshoot_of_a_codec_is_no_light_beyond_white():
    assert count([scene(lamp=937, ceiling=940, overshoot=50, seed=k) for k in range(3)]) == 1.0


@pytest.mark.parametrize("wall", [None, 940])
def test_a_take_that_goes_beyond_white_clips_at_its_plateau(wall):
    found = count([scene(lamp=1300, ceiling=1019, wall=wall)])
    assert found == pytest.approx((1019 - 64) / 876, abs=0.002)  # whatever wall stands at white


def test_bright_light_that_never_clips_is_not_clipped():
    ramp = np.broadcast_to(np.linspace(64, 1015, 320), (200, 320)).round()
    assert count([ramp]) == pytest.approx(last_signal(make_encoding()))


def test_log_footage_clips_at_its_own_plateau():
    # Camera logarithms end below the last code: here at 92 % of the signal.
    codes = round(0.92 * 1023)
    lamp = count([scene(lamp=1200, ceiling=codes)], transfer="slog3", range="full")
    assert lamp == pytest.approx(codes / 1023, abs=0.002)
    dim = count([scene(lamp=520, ceiling=1023)], transfer="slog3", range="full")  # a lit wall is not a ceiling
    assert dim == 1.0
    assert holds_highlights(make_encoding(transfer="slog3")) and not holds_highlights(make_encoding())


@pytest.mark.parametrize("ceiling", [1.0, last_signal(make_encoding())])
@pytest.mark.parametrize("transfer", ["bt709", "slog3"])
def test_flags_of_light_are_those_of_the_codes(transfer, ceiling):
    encoding = make_encoding(chroma="444", transfer=transfer, ceiling=ceiling)
    rng = np.random.default_rng(3)
    planes = tuple(rng.integers(300, 1020, (30, 40)).astype(np.uint16) for _ in range(3))
    decoder = build_decoder(encoding)
    found = flag_light(decode_linear(decoder, planes), encoding, ceiling)
    # TOLERANCE  values within the table's own error of the ceiling may fall on either side.
    assert np.mean(found != find_clipped(decoder, planes)) < 0.002
    assert CURVES[transfer].decode(np.array(ceiling)) > 0 and 0 < np.mean(found > 0) < 1


def test_counting_in_parts_is_counting_at_once():
    frames = [scene(lamp=1300, ceiling=1019, seed=k) for k in range(4)]
    one, two = CeilingTally(make_encoding()), CeilingTally(make_encoding())
    for frame in frames:
        one.add(frame.astype(np.uint16))
    for frame in reversed(frames):
        two.add(frame.astype(np.uint16))
    assert one.result() == two.result()
