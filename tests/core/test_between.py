import numpy as np
import pytest
from framing_helpers import NOISE, figure
from made import faults_framing
from made.camera import pose_matrix

from lightstack.core.check.between import check_between, compare_takes

SIZE = (200, 356)


def compare(seed, **changes):
    take = faults_framing.two_takes(seed, size=SIZE, **changes)
    return compare_takes(take.rgb[0], take.rgb[1], noise=NOISE, factor=3, averaged=(8, 8))


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_two_equal_takes_are_good(seed):
    finding = check_between(compare(seed))
    assert finding.grade == "good"
    assert finding.boxes == ()
    assert finding.remedy == ""


def test_another_framing_is_found_with_its_size_and_nothing_was_moved():
    between = compare(3, pose=pose_matrix(SIZE, (2.3, -1.1), 0.2))
    # TOLERANCE  0.15 px of the full picture, as registration promises
    assert between.shift_px == pytest.approx((6.9, -3.3), abs=0.15)
    assert between.turn_deg == pytest.approx(0.2, abs=0.01)
    finding = check_between(between, names=("hero", "sweep"))
    assert finding.grade == "usable"
    assert figure(finding, "things moved") == 0
    assert "takes it out" in finding.says
    assert "mark" in finding.remedy


def test_another_exposure_is_found_in_stops():
    finding = check_between(compare(4, gains=(2**0.3, 2**0.2, 1.0)))
    assert figure(finding, "ambient, red") == pytest.approx(0.3, abs=0.03)
    assert figure(finding, "ambient, green") == pytest.approx(0.2, abs=0.03)
    assert finding.grade == "usable"


def test_a_moved_thing_is_boxed_in_full_size_pixels():
    finding = check_between(compare(3, moved=("chair",), pose=pose_matrix(SIZE, (1.0, 0.5))))
    assert finding.grade == "usable"
    x0, y0, x1, y1 = finding.boxes[0]
    assert 3 * 75 < x0 < x1 < 3 * 170
    assert 3 * 125 < y0 < y1 < 3 * 192
    assert "something else" in finding.says


def test_two_different_rooms_cannot_be_matched():
    one, two = (faults_framing.two_takes(seed, size=SIZE).rgb[0] for seed in (2, 4))
    finding = check_between(compare_takes(one, two, noise=NOISE, factor=3))
    assert finding.grade == "reshoot"
    assert finding.boxes == ()


def test_a_knock_of_many_pixels_is_to_be_shot_again():
    finding = check_between(compare(3, pose=pose_matrix(SIZE, (12.0, 4.0))))
    assert finding.grade == "reshoot"
    assert np.isclose(figure(finding, "shift across"), 36, atol=0.3)
