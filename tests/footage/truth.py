"""The truth beside the demo takes: what a perfect camera would have seen, at half size unless said.

``room.npz``: ``ambient``, ``ambient_lit`` ``(h, w, 3)`` float16; ``lamp_places`` ``(92, 3)`` and
``fresh_lamps`` ``(6, 3)`` metres; ``plate`` ``(H, W, 3)`` full size: the largest lamp light of any lit frame,
lamp (3 px rim) and carrier masked, each channel limited to 0.95 first; ``plate_seen`` bits ``(H, W)``: in some
frame unmasked; ``sweep_pose`` and ``hero_pose`` ``(n, 3, 3)``: position in the hero's first frame -> position
in source frame i + 1, pixels; ``lit_frames`` first and last source frame of the sweep with the lamp on.
``masks.npz``: bits ``(92, h, w)`` of ``lamp``, ``carrier`` (its image in the mirror too), ``reflection`` (the
lamp in the mirror); ``matte`` ``(100, h, w)``, ``hat`` ``(72, h, w)`` uint8 coverage; ``stand`` ``(h, w)``.
``sweep_light.mkv``: each lit frame minus ambient, unmoved and without noise.
``figure_light.mkv``: one picture per lamp place of the sweep; side by side the boxes ``figure_boxes`` (top,
left, height, width) of the hero frames ``figure_frames``, lit by the lamp alone, nobody carrying it, unmoved;
zero beyond 3 pixels round the figure. Traced at full size with 2,048 samples a pixel, then halved: the noise
left is 0.8 % of the mean (from two traces with other seeds).
``fresh_light.mkv``: the empty room by the lamp alone at ``fresh_lamps`` (metres), where the sweep never was;
1,024 samples a pixel of the full size, then halved.

The movies are lossless FFV1 of asinh codes (``decode_light``): the light is rounded to 1.6 % steps, 0.5 %
root mean square, and held between -0.07 and 1.3.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footage import takes
from footage.pack import read_pictures

LIMIT, RIM, FIGURE_RIM = 0.95, 3, 3
KNEE, ZERO, SCALE, BRIGHTEST = 0.004, 230, 64.0, 1.3


def encode_light(light: NDArray) -> NDArray[np.uint16]:
    """Light -> 10-bit codes: even steps near zero, 1.6 % of the level where bright; zero is code 230."""
    return np.maximum(np.round(ZERO + SCALE * np.arcsinh(np.minimum(light, BRIGHTEST) / KNEE)), 0).astype(np.uint16)


def decode_light(codes: NDArray) -> NDArray[np.float32]:
    """Invert ``encode_light``."""
    return (KNEE * np.sinh((codes.astype(np.float32) - ZERO) / SCALE)).astype(np.float32)


def halve(picture: NDArray) -> NDArray[np.float32]:
    """Average 2 x 2 pixels of ``(H, W, ...)``."""
    height, width = picture.shape[:2]
    blocks = picture.reshape(height // 2, 2, width // 2, 2, *picture.shape[2:])
    return blocks.mean(axis=(1, 3)).astype(np.float32)


def crop(picture: NDArray) -> NDArray:
    """Take the margin off."""
    return picture[takes.MARGIN : -takes.MARGIN, takes.MARGIN : -takes.MARGIN]


def write_light(path: Path, pictures: Iterable[NDArray]) -> None:
    """Write pictures of light as 10-bit FFV1."""
    with av.open(str(path), "w", options={"fflags": "+bitexact"}) as container:
        stream = None
        for number, picture in enumerate(pictures):
            codes = encode_light(picture)
            if stream is None:
                stream = container.add_stream("ffv1", rate=takes.RATE)
                stream.height, stream.width = codes.shape[:2]
                stream.pix_fmt = "gbrp10le"
                stream.codec_context.thread_count = 1
                stream.codec_context.options = {
                    "level": "3",
                    "context": "1",
                    "coder": "1",
                    "flags": "+bitexact",
                }
            frame = av.VideoFrame(codes.shape[1], codes.shape[0], "gbrp10le")
            for plane, channel in zip(frame.planes, (1, 2, 0), strict=True):
                target = np.frombuffer(plane, np.uint16).reshape(plane.height, plane.line_size // 2)
                target[:, : plane.width] = codes[..., channel]
            frame.pts, frame.time_base = number, Fraction(1, takes.RATE)
            container.mux(stream.encode(frame))
        if stream is not None:
            container.mux(stream.encode(None))


def read_light(path: Path) -> Iterator[NDArray[np.float32]]:
    """Yield the pictures of light ``(h, w, 3)`` of ``sweep_light.mkv`` or ``figure_light.mkv``."""
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            planes = [
                np.frombuffer(plane, np.uint16).reshape(plane.height, -1)[:, : plane.width] for plane in frame.planes
            ]
            yield decode_light(np.stack([planes[2], planes[0], planes[1]], axis=-1))


def write_truth(pictures: Path, folder: Path) -> None:
    """Write all of the truth from what ``footage.paint_takes`` made."""
    folder.mkdir(parents=True, exist_ok=True)
    layers = np.stack([crop(layer) for layer in read_pictures(pictures, "lamp_masks")]) > 0
    masks = {"lamp": layers[..., 0], "carrier": layers[..., 2:].any(axis=-1), "reflection": layers[..., 1]}
    lights = [
        crop(lamp + cover)
        for lamp, cover in zip(read_pictures(pictures, "lamp"), read_pictures(pictures, "cover"), strict=True)
    ]
    write_light(folder / "sweep_light.mkv", map(halve, lights))
    plate, seen = make_plate(lights, masks["lamp"], masks["carrier"])
    _write_room(pictures, folder / "room.npz", plate, seen)
    mattes = np.stack([crop(layer) for layer in read_pictures(pictures, "hero_mattes")])
    hat = np.stack([crop(layer)[..., 0] for layer in read_pictures(pictures, "hat_mattes")])
    np.savez_compressed(
        folder / "masks.npz",
        **{name: np.packbits(_halve_any(mask), axis=-1) for name, mask in masks.items()},
        matte=_coverage(mattes[..., 0]),
        stand=_coverage(mattes[:1, ..., 2])[0],
        hat=_coverage(hat),
    )
    _write_figure(pictures, folder, mattes[..., 0])


def make_plate(lights: list[NDArray], lamp: NDArray, carrier: NDArray) -> tuple[NDArray, NDArray]:
    """Take the largest light of any frame, lamp (with its rim) and carrier masked; and where any was seen."""
    plate = np.full(lights[0].shape, -np.inf, np.float32)
    reach = np.hypot(*np.mgrid[-RIM : RIM + 1, -RIM : RIM + 1]) <= RIM
    for light, bright, body in zip(lights, lamp, carrier, strict=True):
        hidden = ndimage.binary_dilation(bright, reach) | body
        plate = np.where(hidden[..., None], plate, np.maximum(plate, np.minimum(light, LIMIT)))
    seen = np.isfinite(plate[..., 0])
    return np.where(seen[..., None], plate, 0), seen


def _write_room(pictures: Path, path: Path, plate: NDArray, seen: NDArray) -> None:
    from footage.people import pose_carrier

    still = [halve(crop(picture)) for picture in read_pictures(pictures, "still")]
    write_light(path.with_name("fresh_light.mkv"), still[2:])
    count = 2 * takes.SWEEP_DARK + takes.SWEEP_LIT
    np.savez_compressed(
        path,
        ambient=still[0].astype(np.float16),
        ambient_lit=still[1].astype(np.float16),
        fresh_lamps=np.array(takes.FRESH_LAMPS),
        lamp_places=np.stack([pose_carrier(takes.sweep_share(i))[1] for i in range(takes.SWEEP_LIT)]),
        plate=plate.astype(np.float16),
        plate_seen=np.packbits(seen, axis=-1),
        sweep_pose=np.stack([takes.bump_pose(takes.SWEEP_BUMP, i + 1) for i in range(count)]),
        hero_pose=np.stack([takes.bump_pose(takes.HERO_BUMP, i + 1) for i in range(takes.HERO_FRAMES)]),
        figure_frames=np.array(takes.TRUTH_HERO_FRAMES),
        figure_boxes=np.array(takes.FIGURE_BOXES),
        lit_frames=np.array([takes.SWEEP_DARK + 1, takes.SWEEP_DARK + takes.SWEEP_LIT]),
    )


def _write_figure(pictures: Path, folder: Path, mattes: NDArray) -> None:
    shots, near = list(read_pictures(pictures, "figure")), []
    for number, (top, left, height, width) in zip(takes.TRUTH_HERO_FRAMES, takes.FIGURE_BOXES, strict=True):
        outside = halve(mattes[number - 1]) > 0
        outside[top : top + height, left : left + width] = False
        if outside.any():
            raise ValueError(f"the box of hero frame {number} cuts the figure")
        body = ndimage.binary_dilation(halve(mattes[number - 1]) > 0, iterations=FIGURE_RIM)
        near.append(body[top : top + height, left : left + width, None])

    def tiles() -> Iterator[NDArray]:
        for index in range(takes.SWEEP_LIT):
            parts = []
            for turn in range(len(near)):
                shot = shots[turn * takes.SWEEP_LIT + index]
                parts.append(np.where(near[turn], halve(shot), 0))
            yield np.concatenate(parts, axis=1)

    write_light(folder / "figure_light.mkv", tiles())


def _halve_any(mask: NDArray) -> NDArray[np.bool_]:
    return mask.reshape(mask.shape[0], mask.shape[1] // 2, 2, mask.shape[2] // 2, 2).any(axis=(2, 4))


def _coverage(layers: NDArray) -> NDArray[np.uint8]:
    return np.stack([np.round(255 * halve(layer)).astype(np.uint8) for layer in layers])
