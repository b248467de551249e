"""Clipping and crushed blacks: the channel, the share, the place, the headroom."""

import numpy as np
import pytest
from core_helpers import make_encoding, make_proxies, pack_proxies, read_figures
from made import make_room
from made.faults import Faults, FaultyTake

from lightstack.core.check.clipping import check_clipping, find_floor, gather_levels
from lightstack.core.colour.light import CURVES

CODED = make_encoding(matrix="rgb", range="full", chroma="444")


def judge(proxies, *, floor=None, ceiling=1.0, **options):
    return check_clipping(gather_levels(proxies, floor=floor), ceiling=ceiling, **options)


def clip_corner(share, *, bits=1, frames=6, size=(60, 100)):
    """A grey take whose top left is clipped over a share of the picture."""
    h, w = size
    rgb, flags = np.full((frames, h, w, 3), 0.3), np.zeros((frames, h, w), np.uint8)
    rows, columns = round(h * share**0.5), round(w * share**0.5)
    flags[:, :rows, :columns] = bits
    for c in range(3):
        if bits >> c & 1:
            rgb[:, :rows, :columns, c] = 1.0
    return pack_proxies(rgb, clipped=flags, factor=3)


def test_share_channel_and_place_are_told():
    finding = judge(clip_corner(0.09, bits=1), gel=(1.0, 0.1, 0.05))
    figures = read_figures(finding)
    assert figures["clipped red"] == pytest.approx(9.0, abs=0.3)
    assert figures["clipped green"] == 0
    assert finding.grade == "usable"
    assert "red, the gel’s channel" in finding.says
    assert "top left" in finding.says
    assert "colour is lost" in finding.says
    (box,) = finding.boxes
    np.testing.assert_allclose(box, (0, 0, 90, 54), atol=3)  # full-size pixels
    assert finding.frames == ((1, 6),)
    assert finding.remedy.startswith("Expose 1 stop lower")


def test_a_lamp_or_window_clipped_in_all_channels_does_not_lose_its_colour():
    assert "colour is lost" not in judge(clip_corner(0.09, bits=7)).says


@pytest.mark.parametrize(("share", "grade"), [(0.005, "good"), (0.05, "usable"), (0.5, "reshoot")])
def test_the_grade_follows_the_share(share, grade):
    assert judge(clip_corner(share, bits=4)).grade == grade


def test_a_glint_counts_as_the_little_it_is():
    rng = np.random.default_rng(9)
    full = np.full((180, 300, 3), 0.1, np.float32)
    glints = rng.random((180, 300)) < 0.004
    full[glints] = 1.0
    boxes = full.reshape(60, 3, 100, 3, 3)
    flags = (7 * glints.reshape(60, 3, 100, 3).max(axis=(1, 3))).astype(np.uint8)
    proxies = pack_proxies(np.stack([boxes.mean(axis=(1, 3))] * 4), clipped=np.stack([flags] * 4), factor=3)
    assert (flags > 0).mean() > 0.025
    levels = gather_levels(proxies, floor=None, ceiling=1.0)
    # TOLERANCE  glints in neighbouring boxes hide behind each other: a tenth
    assert levels.clipped[0] == pytest.approx(glints.mean(), rel=0.1)
    assert check_clipping(levels, ceiling=1.0).grade == "good"


def test_a_clipped_window_counts_whole():
    full = np.full((180, 300, 3), 0.1, np.float32)
    full[30:90, 60:150] = 1.0
    flags = np.zeros((60, 100), np.uint8)
    flags[10:30, 20:50] = 7
    rgb = full.reshape(60, 3, 100, 3, 3).mean(axis=(1, 3))
    proxies = pack_proxies(np.stack([rgb] * 4), clipped=np.stack([flags] * 4), factor=3)
    levels = gather_levels(proxies, floor=None, ceiling=1.0)
    assert levels.clipped[0] == pytest.approx(0.1) and check_clipping(levels, ceiling=1.0).grade == "usable"


def test_what_is_blocked_does_not_count():
    proxies = clip_corner(0.25, bits=7)
    blocked = np.zeros((6, 30, 50), np.uint8)  # at half the survey's size
    blocked[:, :16, :26] = 1
    finding = check_clipping(gather_levels(proxies, floor=None, blocked=blocked), ceiling=1.0)
    assert finding.grade == "good"
    assert read_figures(finding)["clipped red"] == 0


def test_shares_equal_their_slow_twin():
    rng = np.random.default_rng(1)
    flags = rng.integers(0, 8, (5, 20, 30)).astype(np.uint8)
    levels = gather_levels(pack_proxies(rng.uniform(0, 1, (5, 20, 30, 3)), clipped=flags), floor=None)
    for c in range(3):
        own = (flags >> c & 1).astype(bool)
        np.testing.assert_allclose(levels.clipped[:, c], own.mean(axis=(1, 2)))
        np.testing.assert_allclose(levels.alone[c], (own & (flags != 7)).mean())
        np.testing.assert_allclose(levels.often_clipped[..., c], own.mean(axis=0), rtol=1e-6)


def test_headroom_is_counted_in_stops():
    rgb = np.full((4, 60, 100, 3), 0.05)
    rgb[:, 20:24, 20:40] = (0.25, 0.125, 0.0625)
    figures = read_figures(judge(pack_proxies(rgb)))
    np.testing.assert_allclose([figures[f"headroom {c}"] for c in ("red", "green", "blue")], [2, 3, 4], atol=0.01)


def test_headroom_counts_from_the_curves_own_ceiling():
    curve = CURVES["slog3"]
    rgb = np.full((4, 60, 100, 3), 0.9)
    finding = judge(pack_proxies(rgb), ceiling=float(curve.decode(np.array(1.0))))
    # REFERENCE  S-Log3 by its published formula: signal 1 is 38.421 times white, so log2(38.421 / 0.9) = 5.416 stops.
    # TOLERANCE  a half float of 0.9.
    assert read_figures(finding)["headroom green"] == pytest.approx(5.416, abs=0.01)


# REFERENCE  ITU-R BT.709-6: L = V / 4.5 near black; half a code of 10 bits limited range is 0.5 / 876.
def test_the_floor_is_half_a_code_above_black_of_video_and_none_of_log():
    assert find_floor(make_encoding()) == pytest.approx(0.5 / 876 / 4.5, rel=1e-6)
    assert find_floor(make_encoding(transfer="slog3")) is None
    assert find_floor(make_encoding(transfer="linear", is_float=True)) is None


def test_crushed_blacks_are_told_with_their_share():
    rng = np.random.default_rng(2)
    rgb = 0.2 + 0.004 * rng.standard_normal((12, 60, 100, 3))
    rgb[:, 36:] = 0.0
    finding = judge(pack_proxies(rgb), floor=1e-4)
    assert read_figures(finding)["crushed blacks"] == pytest.approx(40, abs=0.5)
    assert finding.grade == "usable"
    assert "bottom" in finding.says
    assert "higher" in finding.remedy
    assert judge(pack_proxies(rgb)).grade == "good"  # no floor known


def test_black_that_lives_is_not_crushed():
    rng = np.random.default_rng(3)
    rgb = 0.0004 * rng.standard_normal((12, 60, 100, 3))  # a camera that keeps codes below black
    rgb[:, :20] += 0.2
    finding = judge(pack_proxies(rgb), floor=1e-4)
    assert read_figures(finding)["crushed blacks"] < 3
    assert finding.grade == "good"


def test_no_frames_are_not_judged():
    proxies = clip_corner(0.1)
    empty = gather_levels(proxies, floor=None, frames=np.zeros(0, int))
    assert check_clipping(empty, ceiling=1.0).grade == "not checked"


# --- made takes --------------------------------------------------------------------------------------


def test_a_channel_clipped_in_a_made_sweep_is_named_with_its_share():
    # REFERENCE  the share of pixels at the ceiling in the made frames themselves, lamp included.
    # TOLERANCE  0.1 % of the picture.
    take = FaultyTake(make_room(2), Faults(stops=(3.0, 0.0, 0.0)))
    true = np.mean([(take.planes(k)[0][..., 0] >= 1023).mean() for k in range(0, len(take), 3)])
    proxies = make_proxies(take)
    finding = check_clipping(gather_levels(proxies, floor=find_floor(CODED)), ceiling=1.0, gel=(1.0, 0.2, 0.6))
    assert read_figures(finding)["clipped red"] == pytest.approx(100 * true, abs=0.1)
    assert finding.grade == "usable"
    assert "red, the gel’s channel" in finding.says


def test_crushed_blacks_of_a_made_take_are_found_with_their_share():
    # REFERENCE  the share of pixels at code 0 in all channels in half of the made frames and more.
    # TOLERANCE  3 % of the picture: the survey's box stands for its pixels, standing still is asked for too.
    take = FaultyTake(make_room(1, take="hero", size=(90, 160), frames=120), Faults(pedestal=0.02))
    black = [(take.planes(k)[0] == 0).all(axis=-1) for k in range(0, 120, 6)]
    pairs = [(take.planes(k)[0] == 0).all(axis=-1) & b for k, b in zip(range(1, 120, 6), black, strict=True)]
    true = (np.mean(pairs, axis=0) > 0.5).mean()
    finding = judge(make_proxies(take), floor=find_floor(CODED))
    assert read_figures(finding)["crushed blacks"] == pytest.approx(100 * true, abs=3)
    assert finding.grade != "good"


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("kind", ["sweep", "hero"])
def test_faultless_takes_are_good(seed, kind):
    room = make_room(seed, **({} if kind == "sweep" else {"take": "hero", "size": (90, 160), "frames": 120}))
    assert judge(make_proxies(room), floor=find_floor(CODED), gel=(0.6, 0.1, 1.0)).grade == "good"
