"""How loud a sound is, step by step."""

from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile

from lightstack.errors import MissingInput, UnreadableInput
from lightstack.files.read.sound import read_sound_power


def rms_by_step(samples, rate, per_second):
    """REFERENCE: numpy's mean over the samples of each step, channels' power averaged."""
    steps = np.arange(len(samples)) * per_second.numerator // (rate * per_second.denominator)
    square = (samples.reshape(len(samples), -1) ** 2).mean(1)
    return [square[steps == k].mean() for k in range(steps[-1] + 1)]


@pytest.mark.parametrize(
    ("name", "rate", "channels", "subtype"),
    [
        ("a.wav", 48_000, 1, "PCM_16"),
        ("a.wav", 44_100, 2, "PCM_24"),
        ("a.wav", 8_000, 2, "FLOAT"),
        ("a.wav", 22_050, 1, "PCM_U8"),
        ("a.flac", 44_100, 2, "PCM_16"),
    ],
)
def test_the_power_is_that_of_what_another_library_reads(tmp_path, name, rate, channels, subtype):
    # REFERENCE  soundfile (libsndfile) reads the samples, numpy squares them. TOLERANCE  single precision.
    rng = np.random.default_rng(4)
    drawn = 0.2 * rng.standard_normal((rate, channels)) * np.linspace(0, 1, rate)[:, None]
    soundfile.write(tmp_path / name, np.clip(drawn, -0.99, 0.99), rate, subtype=subtype)
    samples, found = soundfile.read(tmp_path / name, always_2d=True)
    per_second = Fraction(24000, 1001) * 8
    sound = read_sound_power(tmp_path / name, per_second)
    assert found == rate and sound.channels == channels and sound.counts.sum() == len(samples)
    judge = rms_by_step(samples, rate, per_second)
    np.testing.assert_allclose(sound.power / sound.counts, judge, rtol=1e-4, atol=1e-12)


def test_one_channel_of_two_is_half_the_power(tmp_path):
    tone = 0.5 * np.sin(2 * np.pi * 200 * np.arange(4800) / 48_000)
    soundfile.write(tmp_path / "left.wav", np.stack([tone, 0 * tone], 1), 48_000)
    soundfile.write(tmp_path / "both.wav", np.stack([tone, tone], 1), 48_000)
    left, both = (read_sound_power(tmp_path / n, Fraction(100)).power.sum() for n in ("left.wav", "both.wav"))
    assert left / both == pytest.approx(0.5, rel=1e-3)


def test_files_without_sound_are_refused_in_one_line(tmp_path):
    (tmp_path / "text.wav").write_text("no sound")
    with av.open(str(tmp_path / "mute.mkv"), "w") as container:
        stream = container.add_stream("ffv1", rate=24)
        stream.width, stream.height, stream.pix_fmt = 32, 32, "yuv420p"
        container.mux(stream.encode(av.VideoFrame(32, 32, "yuv420p")))
        container.mux(stream.encode(None))
    for name, error, said in (
        ("none.wav", MissingInput, "nothing is there"),
        ("text.wav", UnreadableInput, "cannot be read"),
        ("mute.mkv", UnreadableInput, "holds no sound"),
    ):
        with pytest.raises(error, match=said) as caught:
            read_sound_power(tmp_path / name, Fraction(24))
        assert "\n" not in str(caught.value)
