"""Accumulation: no noise lift, true light kept, seams and edges, and the rules that add."""

import cv2
import numpy as np
import pytest
from made import make_room, truth_plate, truth_reached

from lightstack.core.sweep.accumulate import (
    RULES,
    AccumulateSetting,
    Offered,
    accumulate_stills,
    dwell_weights,
    find_rule,
)
from lightstack.core.sweep.guide import make_guide, measure_guide_noise, plan_guide
from lightstack.errors import SettingError
from lightstack.records import LampStill, NoiseModel

SIGMA = 0.002
FLAT = NoiseModel(np.zeros(3), np.full(3, SIGMA**2))
REAL = NoiseModel(np.full(3, 4e-4), np.full(3, SIGMA**2))


def setting_for(noise=FLAT, width=200, by="brightest", **options):
    return AccumulateSetting(plan_guide(noise, width=width, by=by), **options)


def stack(lights, valids=None):
    ones = np.ones(lights[0].shape[:2], np.float32)
    return [
        LampStill(k + 1, np.asarray(light, np.float32), ones if valids is None else valids[k])
        for k, light in enumerate(lights)
    ]


def accumulate(lights, ambient, setting, rule="max", valids=None, shares=None):
    state = accumulate_stills(stack(lights, valids), ambient, setting, rule=rule, shares=shares)
    return RULES[rule].finish(state), state


def correlate(noise, blur):
    blurred = cv2.GaussianBlur(noise.astype(np.float32), (0, 0), blur)
    return blurred / blurred.std()


def subsample_chroma(noise):
    """Keep luma, average chroma over 2 x 2 and grow it back, as a 4:2:0 file does."""
    luma = noise @ np.float32([0.2126, 0.7152, 0.0722])
    chroma = (noise - luma[..., None]).astype(np.float32)
    small = cv2.resize(chroma, (noise.shape[1] // 2, noise.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return luma[..., None] + cv2.resize(small, noise.shape[1::-1], interpolation=cv2.INTER_LINEAR)


KINDS = {
    "white": lambda noise: noise,
    "4:2:0": subsample_chroma,
    "blotchy": lambda noise: correlate(noise, 0.9),
}


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("by", ["brightest", "channel"])
def test_noise_stays_at_zero_and_a_light_of_one_sigma_stays(kind, by):
    # REFERENCE  order statistics: the mean of the largest of 8, 64 normal readings is 1.42, 2.39 sigma, which
    #            is what a plain maximum shows (asserted for white noise below).
    # TOLERANCE  0.1 sigma on nothing; 10 % of a light of one sigma over a tenth of the picture, in one still.
    #            By channel, noise in blotches hides a little more: 15 % there.
    rng = np.random.default_rng(7)
    h, w = 216, 320
    ambient = np.full((h, w, 3), 0.01, np.float32)
    lit = np.zeros((h, w), bool)
    lit[60:129, 100:200] = True

    def still():
        return SIGMA * KINDS[kind](rng.standard_normal((h, w, 3)))

    recipe = measure_guide_noise(still(), ambient, plan_guide(FLAT, width=w, by=by))
    sigma = still().std(axis=(0, 1))
    for count in (8, 64):
        lights = [still() for _ in range(count)]
        lights[count // 2][lit] += sigma
        plate, _ = accumulate(lights, ambient, AccumulateSetting(recipe))
        in_sigma = plate / sigma
        assert np.abs(in_sigma[~lit].mean(axis=0)).max() <= 0.1
        loss = 0.15 if (kind, by) == ("blotchy", "channel") else 0.1
        np.testing.assert_allclose(in_sigma[lit].mean(axis=0), 1, atol=loss)
        assert in_sigma[~lit].std() < 1
        if kind == "white":
            naive = np.max(lights, axis=0) / sigma
            assert naive[~lit].mean() == pytest.approx({8: 1.424, 64: 2.386}[count], abs=0.05)


def test_sums_do_not_lift_noise_either():
    # TOLERANCE  the same 0.1 sigma on nothing; the gate may cost a light of one sigma a tenth.
    rng = np.random.default_rng(8)
    h, w, count = 216, 320, 32
    ambient = np.full((h, w, 3), 0.01, np.float32)
    lit = np.zeros((h, w), bool)
    lit[60:129, 100:200] = True
    lights = [SIGMA * rng.standard_normal((h, w, 3)) for _ in range(count)]
    lights[5][lit] += SIGMA
    for rule in ("sum", "screen", "softmax"):
        plate, _ = accumulate(lights, ambient, setting_for(width=w), rule)
        assert abs(plate[~lit].mean()) <= 0.1 * SIGMA
        assert plate[lit].mean() == pytest.approx(SIGMA, rel=0.1)


def test_evened_stills_do_not_lift_noise():
    # Stills brought up by as much as two stops carry noise to match.
    # TOLERANCE  0.1 sigma of the noisiest still.
    rng = np.random.default_rng(14)
    h, w = 120, 160
    ambient = np.full((h, w, 3), 0.01, np.float32)
    gains = 2.0 ** np.linspace(-2, 2, 24)
    stills = stack([SIGMA * rng.standard_normal((h, w, 3)) for _ in gains])
    for rule in RULES:
        state = accumulate_stills(stills, ambient, setting_for(width=w), rule=rule, gains=gains)
        plate = RULES[rule].finish(state)
        assert abs(plate.mean()) <= 0.1 * SIGMA * gains.max()
    lights = clean_stills()
    evened = accumulate_stills(
        stack(lights), np.zeros_like(lights[0]), setting_for(width=60), gains=np.full(5, 2.0)
    )
    plain, _ = accumulate([2 * light for light in lights], np.zeros_like(lights[0]), setting_for(width=60))
    np.testing.assert_allclose(RULES["max"].finish(evened), plain, atol=4 * SIGMA)


def clean_stills(n=5, h=40, w=60):
    """Lamp light far above the noise, no noise in it; spots at different places."""
    y, x = np.mgrid[:h, :w]
    spots = [np.exp(-((x - w * (k + 0.5) / n) ** 2 + (y - h / 2) ** 2) / 200) for k in range(n)]
    return [np.stack([0.5 * s, 0.1 * s, s], -1).astype(np.float32) for s in spots]


def test_max_of_clean_light_is_the_largest_of_it():
    # TOLERANCE  where two stills are within a blend of each other they share: 1 sigma, and the luck of noise
    #            that is not there: 1 sigma more.
    lights = clean_stills()
    plate, state = accumulate(lights, np.zeros_like(lights[0]), setting_for(width=60))
    truth = np.max(lights, axis=0)
    assert np.abs(plate - truth).max() < 2 * SIGMA
    alone = truth[..., 2] > 1.2 * np.sort([light[..., 2] for light in lights], axis=0)[-2]
    np.testing.assert_allclose(plate[alone], truth[alone], rtol=1e-5)
    winners = np.argmax([light[..., 2] for light in lights], axis=0)
    np.testing.assert_array_equal(state.winner[alone][:, 0], winners[alone])


@pytest.mark.parametrize("rule", sorted(RULES))
def test_order_hardly_matters_and_the_same_order_gives_the_same_bytes(rule):
    rng = np.random.default_rng(9)
    lights = [light + SIGMA * rng.standard_normal(light.shape) for light in clean_stills()]
    ambient = np.zeros_like(lights[0], np.float32)
    setting = setting_for(width=60)
    plate, _ = accumulate(lights, ambient, setting, rule)
    assert plate.tobytes() == accumulate(lights, ambient, setting, rule)[0].tobytes()
    assert plate.dtype == np.float32
    turned, _ = accumulate(lights[::-1], ambient, setting, rule)
    np.testing.assert_allclose(turned, plate, atol=1e-5)


@pytest.mark.parametrize("rule", sorted(RULES))
def test_bands_of_rows_give_the_picture(rule):
    rng = np.random.default_rng(10)
    lights = [
        (light + SIGMA * rng.standard_normal(light.shape)).astype(np.float32) for light in clean_stills()
    ]
    ambient = np.full_like(lights[0], 0.01)
    setting = setting_for(REAL, width=60)
    plate, _ = accumulate(lights, ambient, setting, rule)
    guides = [make_guide(light, ambient, setting.recipe) for light in lights]
    valid = np.ones(ambient.shape[:2], np.float32)
    bands = []
    for rows in (slice(0, 13), slice(13, 27), slice(27, 40)):
        state = RULES[rule].start(ambient[rows], setting)
        for k, light in enumerate(lights):
            RULES[rule].add(state, Offered(light[rows], guides[k][rows], valid[rows], k))
        bands.append(RULES[rule].finish(state))
    assert np.concatenate(bands).tobytes() == plate.tobytes()


def test_a_tie_goes_to_the_lowest_index():
    light = clean_stills()[2]
    _, state = accumulate([light, light, light], np.zeros_like(light), setting_for(width=60))
    assert (state.winner == 0).all()


@pytest.mark.parametrize("rule", sorted(RULES))
def test_what_is_not_valid_takes_no_part(rule):
    lights = clean_stills(3)
    blinding = [light.copy() for light in lights]
    valids = [np.ones((40, 60), np.float32) for _ in lights]
    blinding[0][10:20, 10:20] = 900
    blinding[1][12:14, 12:14] = np.nan
    valids[0][10:20, 10:20] = 0
    valids[1][12:14, 12:14] = 0
    for valid in valids:
        valid[30:, 50:] = 0
    ambient = np.zeros_like(lights[0])
    plate, state = accumulate(blinding, ambient, setting_for(width=60), rule, valids)
    assert np.isfinite(plate).all()
    assert plate.max() < 3
    assert not plate[30:, 50:].any()  # nothing valid: no light, no reach
    assert (state.winner[30:, 50:] == -1).all()
    assert not state.best_valid[30:, 50:].any()


def test_a_lone_half_valid_still_keeps_its_level():
    light = clean_stills(1)[0]
    plate, _ = accumulate(
        [light], np.zeros_like(light), setting_for(width=60), valids=[np.full((40, 60), 0.5, np.float32)]
    )
    np.testing.assert_allclose(plate, light, atol=1e-6)


def test_borders_between_winners_step_no_more_than_the_stills():
    # Two broad lights that cross; the border runs down the middle, far from any edge of the set.
    # TOLERANCE  0.5 sigma more than the steps of the stills, mean over the border's neighbourhood.
    rng = np.random.default_rng(11)
    h, w = 200, 300
    x = np.broadcast_to(np.linspace(0, 1, w)[None, :, None], (h, w, 3))
    for peak in (4, 40):
        clean = [SIGMA * peak * (1 - 0.8 * x), SIGMA * peak * (0.2 + 0.8 * x)]
        lights = [c + SIGMA * rng.standard_normal(c.shape) for c in clean]
        plate, _ = accumulate(lights, np.zeros((h, w, 3), np.float32), setting_for(width=w))

        def step(picture, clean=clean):
            detail = picture - np.max(clean, axis=0)
            return np.abs(np.diff(detail[:, w // 2 - 8 : w // 2 + 8], axis=1)).mean() / SIGMA

        assert step(plate) <= max(step(light) for light in lights) + 0.5
        smooth = cv2.blur(
            np.asarray(plate, np.float32), (1, 2 * 40 + 1)
        )  # a standing seam would survive this
        seam = np.abs(np.diff(smooth[100, w // 2 - 8 : w // 2 + 8], axis=0)).max() / SIGMA
        assert seam <= 0.5 + peak * 0.8 / w


def mtf50(edge):
    """Where the contrast of a slanted edge falls to half, cycles a pixel."""
    # REFERENCE  ISO 12233:2017, slanted edge: rows shifted onto the edge, 4 x oversampled, differentiated,
    #            windowed Fourier transform. The edge is a straight line through the rows' centroids.
    h, w = edge.shape
    slope = np.abs(np.diff(cv2.GaussianBlur(edge, (0, 0), 1.5), axis=1))
    slope = np.where(slope > 0.3 * slope.max(axis=1, keepdims=True), slope, 0)
    centre = (slope * (np.arange(w - 1) + 0.5)).sum(1) / slope.sum(1)
    line = np.polyval(np.polyfit(np.arange(h), centre, 1), np.arange(h))
    place = np.arange(w)[None] - line[:, None]
    bins = np.rint(place * 4).astype(int)
    inside = np.abs(bins) <= 48
    count = np.bincount(bins[inside] + 48, minlength=97)
    profile = np.bincount(bins[inside] + 48, weights=edge[inside], minlength=97) / np.maximum(count, 1)
    line_spread = np.diff(profile) * np.hanning(96)
    spectrum = np.abs(np.fft.rfft(line_spread, 8192))
    return np.fft.rfftfreq(8192, 0.25)[np.argmax(spectrum < 0.5 * spectrum[0])]


def test_edges_lit_by_several_keys_stay_sharp():
    # TOLERANCE  0.95 of one unprocessed still's MTF50 at a signal 40 times its noise.
    rng = np.random.default_rng(12)
    h, w = 240, 120
    y, x = np.mgrid[: h * 4, : w * 4] / 4
    big = np.where(x - w / 2 > (y - h / 2) * np.tan(np.radians(5)), 1.0, 0.25)
    wall = cv2.GaussianBlur(big, (0, 0), 0.6 * 4).reshape(h, 4, w, 4).mean((1, 3))
    levels = [1.0, 0.99, 0.985, 0.97, 0.9]
    lights = [(40 * SIGMA * k * wall)[..., None] + SIGMA * rng.standard_normal((h, w, 3)) for k in levels]
    for noise in (FLAT, REAL):
        for by in ("brightest", "channel"):
            plate, _ = accumulate(lights, np.zeros((h, w, 3), np.float32), setting_for(noise, w, by))
            assert mtf50(plate.mean(2)) >= 0.95 * mtf50(lights[0].mean(2))
    # REFERENCE  a Gaussian of 0.6 px and the pixel's own width: about 0.1874 / sqrt(0.36 + 1/12) = 0.28.
    assert mtf50(wall.astype(np.float64)) == pytest.approx(0.28, abs=0.02)


# --- the rules that add -------------------------------------------------------------------------------


def test_sum_and_screen_of_clean_light_are_what_they_say():
    # REFERENCE  W3C Compositing and Blending Level 1, screen: associative, 1 - (1 - a)(1 - b).
    # TOLERANCE  the gate's cost far above the noise: 2 (2 spread / guide)^2 < 1e-3 where all are bright.
    rng = np.random.default_rng(13)
    lights = [np.full((30, 30, 3), v, np.float32) for v in (0.2, 0.5, 0.9, 1.4)]
    ambient = np.zeros((30, 30, 3), np.float32)
    plate, _ = accumulate(lights, ambient, setting_for(width=30), "sum")
    np.testing.assert_allclose(plate, 3.0, rtol=1e-3)
    for white in (1.0, 2.0):
        plate, _ = accumulate(lights[:3], ambient, setting_for(width=30, white=white), "screen")
        unlit = np.prod([1 - v / white for v in (0.2, 0.5, 0.9)])
        np.testing.assert_allclose(plate, white * (1 - unlit), rtol=1e-3)
    plate, _ = accumulate(lights, ambient, setting_for(width=30), "screen")
    np.testing.assert_allclose(plate, 1, rtol=1e-6)  # 1.4 is beyond white: all that there is
    del rng


def test_softmax_is_the_p_norm():
    for exponent in (2.0, 4.0, 8.0):
        lights = [np.full((30, 30, 3), v, np.float32) for v in (0.2, 0.5, 0.6)]
        plate, _ = accumulate(
            lights, np.zeros((30, 30, 3), np.float32), setting_for(width=30, exponent=exponent), "softmax"
        )
        truth = np.sum(np.power([0.2, 0.5, 0.6], exponent)) ** (1 / exponent)
        np.testing.assert_allclose(plate, truth, rtol=3e-3)
    with pytest.raises(SettingError, match="exponent"):
        RULES["softmax"].start(np.zeros((2, 2, 3), np.float32), setting_for(exponent=1.5))


def test_a_pause_is_no_hot_spot():
    lights = clean_stills(4)
    paused = [lights[0], lights[1], lights[1], lights[1], lights[2], lights[3]]
    weights = dwell_weights(np.stack([light[..., 2].ravel() for light in paused]))
    np.testing.assert_allclose(weights, [1, 1 / 3, 1 / 3, 1 / 3, 1, 1], rtol=1e-6)
    ambient = np.zeros_like(lights[0])
    plain, _ = accumulate(lights, ambient, setting_for(width=60), "sum")
    evened, _ = accumulate(paused, ambient, setting_for(width=60), "sum", shares=weights)
    np.testing.assert_allclose(evened, plain, atol=1e-5)
    np.testing.assert_array_equal(dwell_weights(np.zeros((2, 5))), 1)


def test_unknown_rules_are_refused():
    with pytest.raises(SettingError, match="softmax"):
        find_rule("median")


# --- a made room --------------------------------------------------------------------------------------


@pytest.mark.parametrize("by", ["brightest", "channel"])
def test_a_swept_room_with_true_masks(by):
    # Truth: the maximum of every noise-free frame with lamp and carrier truly masked. Every lit frame is a
    # key frame here, so what is left is noise and wrong winners.
    # TOLERANCE  mean error 8 % of the truth's mean; darkest fifth 5 % low, 2 % high, or 0.1 sigma; 0.5 % of
    #            pixels grossly wrong. A plain maximum lifts the darkest fifth by more than that.
    room = make_room(1, size=(90, 160), frames=48, bump_px=0, turn_deg=0)
    frames = [k for k in range(len(room)) if room.lamp_on[k]]
    dark = [k for k in range(len(room)) if not room.lamp_on[k] and not room.blocked[k].any()]
    ambient = np.mean([room.filmed(k) for k in dark], axis=0).astype(np.float32)
    lights = [room.filmed(k) - ambient for k in frames]
    noise = NoiseModel(np.full(3, room.noise[0]), np.full(3, room.noise[1]))
    colour = np.mean([light.mean(axis=(0, 1)) for light in lights], axis=0)
    recipe = plan_guide(noise, width=160, colour=colour, by=by)
    recipe = measure_guide_noise(room.filmed(dark[0]) - ambient, ambient, recipe)
    valids = [(~room.blocked[k]).astype(np.float32) for k in frames]
    plate, _ = accumulate(lights, ambient, AccumulateSetting(recipe), valids=valids)
    naive = np.max(
        [np.where(v[..., None] > 0, light, -1) for v, light in zip(valids, lights, strict=True)], axis=0
    )
    truth, hole = truth_plate(room)
    seen = ~hole & truth_reached(room)
    truth = np.minimum(truth, 0.95)
    low = seen & (truth.mean(2) <= np.percentile(truth.mean(2)[seen], 20))

    def measure(picture):
        off = np.minimum(picture, 0.95) - truth
        gross = (np.abs(off) > 0.05) & (np.abs(off) > 0.5 * truth)
        return np.abs(off[~hole]).mean() / truth[~hole].mean(), off[low].mean(), gross.any(2)[~hole].mean()

    error, signed, gross = measure(plate)
    sigma = float(np.sqrt(noise.a[0] * (ambient + truth)[low].mean() + noise.b[0]))
    level = float(truth[low].mean())
    assert error <= 0.08
    assert min(-0.05 * level, -0.1 * sigma) <= signed <= max(0.02 * level, 0.1 * sigma)
    assert gross <= 0.005
    assert measure(naive)[1] > max(0.02 * level, 0.1 * sigma)
