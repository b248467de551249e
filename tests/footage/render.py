"""A small path tracer on Mitsuba: linear pictures without fireflies, and pictures of which shape is seen.

Differences from a plain path tracer, each for a picture that can be added, subtracted and put into a
maximum: light that reaches a matt surface by way of a mirror is left out (it would arrive as rare bright
dots), each sample's indirect light is limited, and what the camera sees directly is limited before the
pixel filter, so that a lamp has an even edge. The pixel filter is a Gaussian (0.45 px), sampled. In one
loaded scene the same seed gives the same paths wherever nothing moved, so the difference of two renders is exactly zero
where nothing changed.
"""

from __future__ import annotations

from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from footage.scene import CAMERA, TARGET, WIDE_DEGREES

FILTER_SIGMA = 0.45
DIRECT_LIMIT, INDIRECT_LIMIT = 3.0, 1.0
MAX_DEPTH = 5


def aim_rays(x: Any, y: Any, width: int) -> Any:
    """Camera rays through picture positions in pixels, x right and y down from the picture's middle."""
    forward = np.subtract(TARGET, CAMERA)
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, (0, 1, 0))
    right /= np.linalg.norm(right)
    up = np.cross(right, forward)
    scale = np.tan(np.radians(WIDE_DEGREES) / 2) / (width / 2)
    axes = [mi.Vector3f(*[float(part) for part in axis]) for axis in (right, up, forward)]
    direction = dr.normalize(axes[0] * (x * scale) - axes[1] * (y * scale) + axes[2])
    return mi.Ray3f(mi.Point3f(*CAMERA), direction)


@dr.syntax
def is_unseen(scene: Any, si: Any, target: Any, active: Any) -> Any:
    """Whether a shadow ray is stopped; and how much a see-through pane on the way takes."""
    ray = si.spawn_ray_to(target)
    hit = scene.ray_intersect(ray, active=active)
    pane = active & hit.is_valid() & mi.has_flag(hit.bsdf().flags(), mi.BSDFFlags.Null)
    behind = pane & scene.ray_test(hit.spawn_ray_to(target), pane)
    return (hit.is_valid() & ~pane) | behind


@dr.syntax
def trace(scene: Any, sampler: Any, ray: Any, max_depth: Any, active: Any) -> Any:
    """Radiance along camera rays."""
    ctx = mi.BSDFContext()
    ray = mi.Ray3f(ray)
    total, through = mi.Spectrum(0.0), mi.Spectrum(1.0)
    depth, scattered = mi.UInt32(0), mi.Bool(False)
    last = dr.zeros(mi.Interaction3f)
    last_pdf, last_sharp = mi.Float(1.0), mi.Bool(True)
    active = mi.Bool(active)
    while active:
        si = scene.ray_intersect(ray, active=active)
        emitter = si.emitter(scene, active)
        shines = active & (emitter != None) & ~(last_sharp & scattered)  # noqa: E711
        ds = mi.DirectionSample3f(scene, si, last)
        lamp_pdf = scene.pdf_emitter_direction(last, ds, shines & ~last_sharp)
        share = dr.select(last_sharp, 1.0, last_pdf / dr.maximum(last_pdf + lamp_pdf, 1e-20))
        limit = dr.select(scattered, INDIRECT_LIMIT, DIRECT_LIMIT)
        total += dr.select(shines, dr.minimum(through * share * emitter.eval(si, shines), limit), 0.0)

        going = active & si.is_valid() & (depth + 1 < max_depth)
        bsdf = si.bsdf(ray)
        asks = going & mi.has_flag(bsdf.flags(), mi.BSDFFlags.Smooth)
        ds, weight = scene.sample_emitter_direction(si, sampler.next_2d(asks), False, asks)
        asks &= ds.pdf != 0.0
        asks &= ~is_unseen(scene, si, ds.p, asks)
        value, pdf = bsdf.eval_pdf(ctx, si, si.to_local(ds.d), asks)
        share = dr.select(ds.delta, 1.0, ds.pdf / dr.maximum(ds.pdf + pdf, 1e-20))
        limit = dr.select(scattered, INDIRECT_LIMIT, DIRECT_LIMIT)
        total += dr.select(asks, dr.minimum(through * value * share * weight, limit), 0.0)

        bs, weight = bsdf.sample(ctx, si, sampler.next_1d(going), sampler.next_2d(going), going)
        passed = mi.has_flag(bs.sampled_type, mi.BSDFFlags.Null)
        sharp = mi.has_flag(bs.sampled_type, mi.BSDFFlags.Delta)
        ray = si.spawn_ray(si.to_world(bs.wo))
        through = dr.select(going, through * weight, through)
        last = dr.select(passed, last, mi.Interaction3f(si))
        last_pdf = dr.select(passed, last_pdf, bs.pdf)
        last_sharp = dr.select(passed, last_sharp, sharp)
        scattered |= ~passed & ~sharp
        depth += dr.select(passed, 0, 1)
        survive = dr.select(depth > 1, dr.minimum(dr.max(through) * 2, 1.0), 1.0)
        lives = sampler.next_1d(going) < survive
        through = dr.select(lives, through / dr.maximum(survive, 1e-8), through)
        active = going & lives & (dr.max(through) > 0)
    return total


def render(
    scene: Any,
    *,
    size: tuple[int, int],
    full_width: int,
    samples: int,
    seed: int,
    batch: int = 64,
    max_depth: int = MAX_DEPTH,
    box: tuple[int, int, int, int] | None = None,
) -> NDArray[np.float32]:
    """Render a picture ``(H, W, 3)``, linear.

    ``size``: (H, W), which may be wider than the field of view's ``full_width`` pixels (a margin all round).
    ``samples`` a pixel are taken in batches with seeds ``seed, seed + 1 ...``.
    ``box``: (top, left, height, width); only this part of the picture is rendered and given back.
    """
    top, left, height, width = box or (0, 0, *size)
    count = height * width
    total = mi.Float(0.0)
    batch = min(batch, samples)
    for turn in range(samples // batch):
        sampler = mi.load_dict({"type": "independent", "sample_count": batch})
        sampler.set_samples_per_wavefront(batch)
        sampler.seed(seed + turn, count * batch)
        inside = dr.arange(mi.UInt32, count * batch) // batch
        pixel = (inside // width + top) * size[1] + inside % width + left
        x, y = _filtered_position(sampler, pixel, size)
        light = trace(scene, sampler, aim_rays(x, y, full_width), mi.UInt32(max_depth), mi.Bool(True))
        light = dr.select(dr.isfinite(light), light, 0.0)
        summed = mi.TensorXf(dr.ravel(mi.Color3f(*[dr.block_sum(part, batch) for part in light])), (count, 3))
        total = summed.array + total
        dr.eval(total)
    return (np.array(total, dtype=np.float32) / (batch * (samples // batch))).reshape(height, width, 3)


def _filtered_position(sampler: Any, pixel: Any, size: tuple[int, int]) -> tuple[Any, Any]:
    height, width = size
    offset = mi.warp.square_to_std_normal(sampler.next_2d()) * FILTER_SIGMA
    offset = dr.clip(offset, -1.5, 1.5)
    x = mi.Float(pixel % width) + 0.5 - width / 2 + offset.x
    return x, mi.Float(pixel // width) + 0.5 - height / 2 + offset.y


def find_shapes(
    scene: Any, names: tuple[str, ...], *, size: tuple[int, int], full_width: int, samples: int = 16
) -> NDArray[np.float32]:
    """Share of each pixel ``(H, W, groups)`` in which the first thing seen (also by way of a mirror) belongs
    to a shape whose name starts with ``names[g]``."""
    height, width = size
    count = height * width
    sampler = mi.load_dict({"type": "independent", "sample_count": samples})
    sampler.set_samples_per_wavefront(samples)
    sampler.seed(5, count * samples)
    pixel = dr.arange(mi.UInt32, count * samples) // samples
    x, y = _filtered_position(sampler, pixel, size)
    ray = aim_rays(x, y, full_width)
    shapes = [[mi.ShapePtr(s) for s in scene.shapes() if s.id().startswith(name)] for name in names]
    direct, mirrored = _see(scene, ray)
    layers = []
    for group in shapes:
        for seen in (direct, mirrored):
            hit = mi.Bool(False)
            for shape in group:
                hit |= seen == shape
            layers.append(np.array(dr.block_sum(dr.select(hit, 1.0, 0.0), samples)) / samples)
    return np.stack(layers, axis=-1).reshape(height, width, -1).astype(np.float32)


def _see(scene: Any, ray: Any) -> tuple[Any, Any]:
    """The shape first seen, and the one seen in the mirror (or nothing); panes are looked through."""
    si = scene.ray_intersect(ray)
    flags = si.bsdf().flags()
    through = si.is_valid() & mi.has_flag(flags, mi.BSDFFlags.Null)
    sharp = si.is_valid() & ~through & mi.has_flag(flags, mi.BSDFFlags.DeltaReflection)
    direct = dr.select(through, scene.ray_intersect(si.spawn_ray(ray.d), active=through).shape, si.shape)
    away = si.spawn_ray(si.to_world(mi.reflect(si.wi)))
    mirrored = dr.select(sharp, scene.ray_intersect(away, active=sharp).shape, dr.zeros(mi.ShapePtr))
    return direct, mirrored
