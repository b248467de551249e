"""What codecs leave behind: standing blocks, grids, noise that lasts."""

import numpy as np
import pytest
from core_helpers import make_proxies, pack_proxies, read_figures
from made import make_room
from made.faults import Faults, FaultyTake, quantise_blocks

from lightstack.core.check.compression import check_compression, gather_traces, measure_blockiness


def film(seed=0, *, frames=40, size=(64, 96), lasting=0.0):
    """A still room whose noise keeps a share of its variance from frame to frame."""
    rng = np.random.default_rng(seed)
    scene = rng.uniform(0.1, 0.5, (*size, 3))
    noise = np.zeros((frames, *size, 3))
    noise[0] = rng.standard_normal((*size, 3))
    for k in range(1, frames):
        noise[k] = lasting * noise[k - 1] + np.sqrt(1 - lasting**2) * rng.standard_normal((*size, 3))
    return scene + 0.01 * noise


def film_luma(seed, size=(144, 256), noise=3.0):
    """One luma plane of 8 bits: soft shapes and noise."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0 : size[0], 0 : size[1]]
    scene = 90 + 50 * np.sin(x / 31 + seed) * np.cos(y / 23) + 30 * (x > 140)
    return np.clip(np.rint(scene + noise * rng.standard_normal(size)), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("lasting", [0.0, 0.4, 0.8])
def test_noise_that_lasts_is_measured(lasting):
    # REFERENCE  a first-order process: frames 1 apart share rho of the variance, frames 8 apart rho^8.
    # TOLERANCE  0.05.
    traces = gather_traces(pack_proxies(film(1, lasting=lasting)))
    true = 1 - (1 - lasting) / (1 - lasting**8)
    assert traces.lasting == pytest.approx(true, abs=0.05)
    assert np.nanmean(traces.stale) == 0


def test_standing_tiles_and_their_refresh_are_measured():
    rgb = film(2, frames=60)
    for k in range(1, 60):
        if k % 10:
            rgb[k, :, :48] = rgb[k - 1, :, :48]
    finding = check_compression(gather_traces(pack_proxies(rgb)))
    figures = read_figures(finding)
    # REFERENCE  half of the picture stands in 9 of 10 frames; frame 0 has none before it.
    assert figures["standing blocks"] == pytest.approx(45, abs=1)
    assert figures["refresh"] == 10
    assert finding.grade == "usable"
    assert "stands still" in finding.says


def test_black_and_clipped_places_may_stand():
    rgb = film(3)
    rgb[:, :32] = 0.0
    rgb[:, 32:, :48] = 1.0
    clipped = np.zeros(rgb.shape[:3], np.uint8)
    clipped[:, 32:, :48] = 7
    traces = gather_traces(pack_proxies(rgb, clipped=clipped))
    assert np.nanmean(traces.stale) == 0


def test_repeated_frames_are_not_counted_as_standing():
    rgb = film(4)
    rgb[10] = rgb[9]
    assert np.isnan(gather_traces(pack_proxies(rgb)).stale[10])


def test_noise_that_a_camera_smooths_in_time_is_a_fault_though_nothing_stands():
    finding = check_compression(gather_traces(pack_proxies(film(5, lasting=0.8))))
    assert finding.grade == "usable"
    assert "of the noise stays" in finding.says
    assert "noise reduction off" in finding.remedy


def test_smoothed_noise_is_said_but_standing_blocks_in_it_are_no_fault():
    rgb = film(5, lasting=0.9)
    rgb[1:, :, 20:80] = rgb[:-1, :, 20:80]
    finding = check_compression(gather_traces(pack_proxies(rgb)))
    assert finding.grade == "good"
    assert "smoothed the noise" in finding.says


@pytest.mark.parametrize("offset", [(0, 0), (3, 5)])
def test_a_grid_shows_where_blocks_were_rounded_apart(offset):
    planes = []
    for seed in range(3):
        plane = quantise_blocks(film_luma(seed, (160, 272)), 40)
        planes.append(plane[offset[0] :, offset[1] :])
    block, error = measure_blockiness(planes)
    assert block > 0.6
    assert block > 5 * error
    finding = check_compression(gather_traces(pack_proxies(film(6))), planes)
    assert finding.grade != "good"
    assert read_figures(finding)["block size"] == 8


def test_faultless_planes_have_no_grid():
    for seed in range(6):
        for grid in (8, 16):
            block, error = measure_blockiness([film_luma(seed), film_luma(seed + 50)], grid=grid)
            assert block - 3 * error < 0.05


def test_coarser_rounding_shows_more_and_scale_does_not_matter():
    plane = film_luma(1)
    values = [measure_blockiness([quantise_blocks(plane, step)])[0] for step in (2, 16, 48)]
    assert values[0] < 0.1 < values[1] < values[2]
    ten_bits = quantise_blocks(plane, 48).astype(np.uint16) * 4
    assert measure_blockiness([ten_bits])[0] == pytest.approx(values[2], rel=0.1)


def test_the_grid_of_a_real_codec_shows():
    # REFERENCE  OpenCV's JPEG writer at quality 15 against 95: transform blocks of 8 pixels (ITU-T T.81).
    import cv2

    planes = {}
    for quality in (15, 95):
        coded = cv2.imencode(".jpg", film_luma(2), [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        planes[quality] = cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE)
    assert measure_blockiness([planes[15]])[0] > 0.45
    assert measure_blockiness([planes[95]])[0] < 0.1


@pytest.mark.parametrize(("times", "noise"), [(4, 0.0), (8, 0.0), (8, 1.0), (16, 1.0)])
def test_a_small_picture_that_was_enlarged_has_no_codecs_grid(times, noise):
    rng = np.random.default_rng(times)
    planes = []
    for _ in range(3):
        large = np.kron(90 + 6 * rng.standard_normal((176 // times, 320 // times)), np.ones((times, times)))
        planes.append(np.clip(np.rint(large + noise * rng.standard_normal(large.shape)), 0, 255).astype(np.uint8))
    assert measure_blockiness(planes, grid=max(times, 8))[0] > 0.45
    finding = check_compression(gather_traces(pack_proxies(film(6))), planes)
    assert finding.grade == "good" and "enlarged" in finding.says


@pytest.mark.parametrize("step", [24, 60, 100])
def test_blocks_that_a_codec_left_all_but_flat_are_still_a_grid(step):
    planes = [quantise_blocks(film_luma(seed, (160, 272)), step) for seed in range(3)]
    finding = check_compression(gather_traces(pack_proxies(film(6))), planes)
    assert finding.grade != "good" and "enlarged" not in finding.says


def test_a_grid_below_the_rounding_to_codes_is_not_seen():
    # REFERENCE  rounding to codes leaves a standard deviation of 1 / sqrt(12) code (EMVA 1288 4.0, 2.3): what a dark
    # picture holds of a grid hides in it, however even it is, and the same grid twenty times as strong does not.
    traces = gather_traces(pack_proxies(film(6)))
    bright = [quantise_blocks(film_luma(seed, (160, 272)), 40).astype(np.float64) * 256 for seed in range(3)]
    found = [check_compression(traces, [(p * dim).astype(np.uint16) for p in bright], bits=16) for dim in (1, 0.05)]
    figures = [read_figures(one) for one in found]
    assert min(one["blockiness"] for one in figures) > 150
    assert figures[1]["step across blocks"] == pytest.approx(figures[0]["step across blocks"] / 20, rel=0.05)
    assert figures[1]["step across blocks"] < 12**-0.5 < figures[0]["step across blocks"]
    assert found[0].grade != "good" and found[1].grade == "good"


def test_one_frame_is_not_judged():
    assert check_compression(gather_traces(pack_proxies(film()[:1]))).grade == "not checked"
    assert np.isnan(measure_blockiness([np.zeros((8, 8), np.uint8)])[0])


# --- made takes --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("share", "group"), [(0.5, 12), (0.3, 8), (0.8, 12)])
def test_standing_blocks_put_into_a_made_take_are_found_with_their_share(share, group):
    # TOLERANCE  4 % of the picture, 10 % of the share.
    take = FaultyTake(make_room(2, take="hero", size=(90, 160), frames=120), Faults(stale=share, group=group))
    finding = check_compression(gather_traces(make_proxies(take)))
    figures = read_figures(finding)
    assert figures["standing blocks"] == pytest.approx(100 * share * (group - 1) / group, abs=4)
    assert figures["refresh"] == group
    assert finding.grade == "usable"


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("kind", ["sweep", "hero"])
def test_faultless_takes_are_good(seed, kind):
    room = make_room(seed, **({} if kind == "sweep" else {"take": "hero", "size": (90, 160), "frames": 120}))
    planes = [room.planes(k)[0][..., 1] for k in (2, 50)]
    assert check_compression(gather_traces(make_proxies(room)), planes).grade == "good"
