"""What the shoot sheet says."""

from fractions import Fraction

from lightstack.core.check.plan_arithmetic import lamp_speed
from lightstack.report.plan_words import CHECKLIST, LOCKS, list_passes


def test_passes_carry_speed_and_spacing():
    passes = list_passes(Fraction(24000, 1001), lamp_speed(24, 172.8, 0.3), "none")
    sweep = next(one for one in passes if one.name.startswith("Sweep: the lamp"))
    assert any("0.3 m/s" in line and "3.3 s" in line for line in sweep.lines)
    assert any("0.5 m" in line for line in sweep.lines)
    assert sweep.frames == 480  # 20 s of 23.976


def test_the_lists_name_what_ruins_a_sweep():
    text = " ".join([*LOCKS, *CHECKLIST])
    for word in ("Tripod", "Focus", "white balance", "Stabilisation", "Frame rate", "batteries", "inspect"):
        assert word in text
