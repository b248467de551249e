"""The camera of made rooms: poses, lens blur, noise, curve, chroma, quantiser, by hand from the standards."""

import cv2
import numpy as np

KR, KB = 0.2126, 0.0722  # ITU-R BT.709-6, item 3.2


def encode_bt709(light):
    """ITU-R BT.709-6 item 1.2, odd below zero."""
    x = np.abs(light)
    v = np.where(x < 0.018, 4.5 * x, 1.099 * np.power(np.maximum(x, 1e-9), 0.45) - 0.099)
    return np.copysign(v, light)


def decode_bt709(signal):
    v = np.abs(signal)
    x = np.where(v < 0.081, v / 4.5, np.power((np.maximum(v, 0) + 0.099) / 1.099, 1 / 0.45))
    return np.copysign(x, signal)


def encode_slog3(light):
    """S-Log3 as published by its maker (technical summary, 2014; from memory)."""
    high = (420.0 + np.log10(np.maximum(light + 0.01, 1e-6) / 0.19) * 261.5) / 1023.0
    low = (light * (171.2102946929 - 95.0) / 0.01125 + 95.0) / 1023.0
    return np.where(light >= 0.01125, high, low)


def decode_slog3(signal):
    high = 10.0 ** ((signal * 1023.0 - 420.0) / 261.5) * 0.19 - 0.01
    low = (signal * 1023.0 - 95.0) * 0.01125 / (171.2102946929 - 95.0)
    return np.where(signal >= 171.2102946929 / 1023.0, high, low)


CURVES = {"bt709": (encode_bt709, decode_bt709), "slog3": (encode_slog3, decode_slog3),
          "linear": (lambda x: x, lambda x: x)}  # fmt: skip


def pose_matrix(size, shift, turn_deg=0.0):
    """Turn about the picture's centre, then shift; pixel coordinates, pixel centres at .5."""
    h, w = size
    a = np.radians(turn_deg)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    to_centre = np.array([[1, 0, -w / 2], [0, 1, -h / 2], [0, 0, 1.0]])
    move = np.array([[1, 0, w / 2 + shift[0]], [0, 1, h / 2 + shift[1]], [0, 0, 1.0]])
    return move @ turn @ to_centre


def sample_points(size, over, matrix, tangent):
    """(S, 2) image-plane tangents of every sample of a picture whose content is moved by ``matrix``."""
    h, w = size
    y, x = np.mgrid[0 : h * over, 0 : w * over]
    p = np.stack([(x.ravel() + 0.5) / over, (y.ravel() + 0.5) / over, np.ones(x.size)])
    q = np.linalg.inv(matrix) @ p
    q = q[:2] / q[2]
    return np.ascontiguousarray(np.stack([(q[0] - w / 2), (q[1] - h / 2)], -1) * (2 * tangent / w))


def gather(samples, size, over, *, blur_px=0.45):
    """Samples (S, C) to pixels (H, W, C): lens blur, then the pixel's own area."""
    h, w = size
    picture = samples.reshape(h * over, w * over, -1).astype(np.float32)
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px * over, borderType=cv2.BORDER_REPLICATE)
    return picture.reshape(h, over, w, over, -1).mean((1, 3))


def expose(light, rng, *, noise=(4e-4, 4e-6), bits=10, curve="bt709", chroma="444"):
    """Film one frame: noise, limit at the ceiling, encode, subsample, quantise.

    ``light``: (H, W, 3) linear; variance = a * light + b. Returns Y'CbCr or R'G'B' planes as full-range code
    values: for "rgb" one (H, W, 3) array, otherwise three planes Y', Cb, Cr in limited range.
    """
    noisy = light + rng.standard_normal(light.shape) * np.sqrt(noise[0] * np.maximum(light, 0) + noise[1])
    signal = np.minimum(CURVES[curve][0](noisy), 1.0)
    dtype = np.uint8 if bits == 8 else np.uint16
    if chroma == "rgb":
        return (np.clip(np.rint(signal * (2**bits - 1)), 0, 2**bits - 1).astype(dtype),)
    luma = signal @ np.array([KR, 1 - KR - KB, KB])
    cb, cr = (signal[..., 2] - luma) / (2 * (1 - KB)), (signal[..., 0] - luma) / (2 * (1 - KR))
    if chroma in ("422", "420"):
        cb, cr = _halve_across(cb), _halve_across(cr)
    if chroma == "420":
        cb, cr = 0.5 * (cb[0::2] + cb[1::2]), 0.5 * (cr[0::2] + cr[1::2])
    k = 2 ** (bits - 8)
    top = 2**bits - 1
    return (
        np.clip(np.rint((16 + 219 * luma) * k), 0, top).astype(dtype),
        *(np.clip(np.rint((128 + 224 * c) * k), 0, top).astype(dtype) for c in (cb, cr)),
    )


def develop(planes, *, bits=10, curve="bt709"):
    """The linear light that a perfect reader gets from the planes of ``expose``, float32 (H, W, 3)."""
    if len(planes) == 1:
        return CURVES[curve][1](planes[0] / (2.0**bits - 1)).astype(np.float32)
    luma, cb, cr = (p.astype(np.float64) for p in planes)
    h, w = luma.shape
    if cb.shape[0] < h:
        cb, cr = (cv2.resize(c, (c.shape[1], h), interpolation=cv2.INTER_LINEAR) for c in (cb, cr))
    if cb.shape[1] < w:
        cb, cr = _double_across(cb, w), _double_across(cr, w)
    k = 2 ** (bits - 8)
    y, cb, cr = (luma / k - 16) / 219, (cb / k - 128) / 224, (cr / k - 128) / 224
    red, blue = y + 2 * (1 - KR) * cr, y + 2 * (1 - KB) * cb
    green = (y - KR * red - KB * blue) / (1 - KR - KB)
    return CURVES[curve][1](np.stack([red, green, blue], -1)).astype(np.float32)


def _halve_across(c):
    """Horizontal 1-2-1 on even columns: chroma sited with the left luma sample."""
    p = np.pad(c, ((0, 0), (1, 1)), mode="edge")
    return (0.25 * p[:, :-2] + 0.5 * p[:, 1:-1] + 0.25 * p[:, 2:])[:, ::2]


def _double_across(c, width):
    x = np.minimum(np.arange(width) / 2, c.shape[1] - 1)
    i = np.minimum(x.astype(int), c.shape[1] - 2)
    return c[:, i] * (1 - (x - i)) + c[:, i + 1] * (x - i)
