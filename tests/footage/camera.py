"""The camera: pose, exposure limit, noise, BT.709 coding to 10-bit 4:2:2, H.264. Nothing of the package.

A picture goes lens -> sensor -> code values: it is moved by the tripod's pose, limited where the sensor is
full, given Poisson-Gaussian noise (variance = NOISE_A x level + NOISE_B in linear light), and coded.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

NOISE_A, NOISE_B = 1.0e-4, 4e-7
LENS_LIMIT, SENSOR_FULL = 2.0, 1.0  # in reference white
KR, KB = 0.2126, 0.0722  # Rec. ITU-R BT.709-6, item 3.2


def move_picture(picture: NDArray, matrix: NDArray, *, margin: int) -> NDArray[np.float32]:
    """Crop the margin off a picture ``(H + 2m, W + 2m, 3)``, seen by a camera moved by ``matrix``.

    ``matrix`` maps unmoved to filmed positions (pixels of the cropped picture, centres at .5). What is
    brighter than the lens limit is limited first, so that the interpolation cannot ring with it.
    """
    limited = np.minimum(picture, LENS_LIMIT).astype(np.float32)
    height, width = picture.shape[0] - 2 * margin, picture.shape[1] - 2 * margin
    if np.array_equal(matrix, np.eye(3)):
        return limited[margin : margin + height, margin : margin + width]
    into_corner = np.array([[1, 0, 0.5 - margin], [0, 1, 0.5 - margin], [0, 0, 1]])  # array index -> position
    from_index = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    back = np.linalg.inv(into_corner) @ np.linalg.inv(matrix) @ from_index
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    moved = cv2.warpPerspective(limited, back, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return moved.astype(np.float32)


def expose(light: NDArray, rng: np.random.Generator) -> NDArray[np.float64]:
    """Add sensor noise to linear light and limit it to what the sensor holds."""
    electrons = rng.poisson(np.maximum(light, 0) / NOISE_A)
    noisy = electrons * NOISE_A + np.minimum(light, 0) + rng.normal(0, np.sqrt(NOISE_B), light.shape)
    return np.minimum(noisy, SENSOR_FULL)


def code_frame(light: NDArray) -> list[NDArray[np.uint16]]:
    """Code linear BT.709 light ``(H, W, 3)`` as 10-bit Y, Cb, Cr planes, limited range, 4:2:2, chroma left.

    References: Rec. ITU-R BT.709-6, items 1.2 (curve), 3.2-3.3 (Y'CbCr), 4.6 (10-bit levels).
    """
    signal = np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 0.018) ** 0.45 - 0.099)
    red, green, blue = np.moveaxis(signal, -1, 0)
    luma = KR * red + (1 - KR - KB) * green + KB * blue
    chroma = [(blue - luma) / (2 * (1 - KB)), (red - luma) / (2 * (1 - KR))]
    planes = [64 + 876 * luma] + [512 + 896 * _halve_columns(plane) for plane in chroma]
    return [np.clip(np.round(plane), 4, 1019).astype(np.uint16) for plane in planes]


def _halve_columns(plane: NDArray) -> NDArray:
    padded = np.pad(plane, ((0, 0), (1, 1)), mode="edge")
    return (padded[:, :-2:2] + 2 * padded[:, 1:-1:2] + padded[:, 2::2]) / 4


def write_movie(
    path: Path,
    frames: Iterable[list[NDArray[np.uint16]]],
    *,
    size: tuple[int, int],
    rate: int,
    quality: float,
    timecode: str,
) -> None:
    """Write coded frames as H.264 High 4:2:2 Intra, tagged BT.709 limited range; the same bytes every time.

    Every frame stands alone, as in cameras' 10-bit 4:2:2 modes: at this size noise predicted from frame to
    frame would lose half its variance and hang together in time.
    """
    with av.open(str(path), "w", options={"fflags": "+bitexact"}) as container:
        stream = container.add_stream("libx264", rate=Fraction(rate))
        stream.height, stream.width = size
        stream.pix_fmt = "yuv422p10le"
        stream.metadata["timecode"] = timecode
        context = stream.codec_context
        context.thread_count = 1
        context.color_range, context.colorspace = 1, 1
        context.color_primaries, context.color_trc = 1, 1
        context.options = {
            "preset": "slow",
            "crf": str(quality),
            "tune": "grain",
            "x264-params": "threads=1:keyint=1:chromaloc=0:aq-mode=0:no-psy=1:trellis=0",
            "flags": "+bitexact",
        }
        for number, planes in enumerate(frames):
            frame = av.VideoFrame(size[1], size[0], "yuv422p10le")
            for plane, values in zip(frame.planes, planes, strict=True):
                target = np.frombuffer(plane, np.uint16).reshape(plane.height, plane.line_size // 2)
                target[:, : plane.width] = values
            frame.pts, frame.time_base = number, Fraction(1, rate)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
