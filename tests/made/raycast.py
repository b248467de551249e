"""Compiled ray casting of made rooms: analytic hits, procedural albedo, shadow rays, one mirror bounce.

A primitive is a row ``[kind, material, p0 ... p7]`` of float64: box (centre, half size, cos, sin of its yaw),
sphere (centre, radius), upright cylinder (foot, radius, height) or capsule (two ends, radius).
A material is a row ``[pattern, r1, g1, b1, r2, g2, b2, scale, gloss, exponent]``.
"""

import math

import numpy as np
from numba import njit

BOX, SPHERE, CYLINDER, CAPSULE = 0, 1, 2, 3
PLASTER, PLANKS, CHECKS, SPINES, BRICKS, STRIPES, GRAIN, MIRROR, PANE = 0, 1, 2, 3, 4, 5, 6, 7, 8
FAST = {"cache": True, "nogil": True, "fastmath": {"nsz", "arcp", "contract", "afn"}, "error_model": "numpy"}
EPS = 1e-4
GBUFFER = 31  # columns of one sample, see trace_samples


@njit(**FAST)
def _slab(o, d, lo, hi):
    if abs(d) < 1e-12:
        return (-1e30, 1e30) if lo <= o <= hi else (1e30, -1e30)
    a, b = (lo - o) / d, (hi - o) / d
    return (a, b) if a < b else (b, a)


@njit(**FAST)
def _hit_ball(ox, oy, oz, dx, dy, dz, cx, cy, cz, r):
    px, py, pz = ox - cx, oy - cy, oz - cz
    b = px * dx + py * dy + pz * dz
    disc = b * b - (px * px + py * py + pz * pz - r * r)
    if disc < 0:
        return -1.0
    s = math.sqrt(disc)
    if -b - s > EPS:
        return -b - s
    return -b + s if -b + s > EPS else -1.0


@njit(**FAST)
def _hit_capsule(prims, i, ox, oy, oz, dx, dy, dz):
    ax, ay, az, r = prims[i, 2], prims[i, 3], prims[i, 4], prims[i, 8]
    bx, by, bz = prims[i, 5] - ax, prims[i, 6] - ay, prims[i, 7] - az
    mx, my, mz = ox - ax, oy - ay, oz - az
    bb = bx * bx + by * by + bz * bz
    bd, bm = bx * dx + by * dy + bz * dz, bx * mx + by * my + bz * mz
    dm, mm = dx * mx + dy * my + dz * mz, mx * mx + my * my + mz * mz
    a, b, c = bb - bd * bd, bb * dm - bm * bd, bb * mm - bm * bm - r * r * bb
    disc = b * b - a * c
    if disc < 0:
        return -1.0
    if a > 1e-12:
        t = (-b - math.sqrt(disc)) / a
        y = bm + t * bd
        if 0 < y < bb and t > EPS:
            return t
    t = _hit_ball(ox, oy, oz, dx, dy, dz, ax, ay, az, r)
    u = _hit_ball(ox, oy, oz, dx, dy, dz, prims[i, 5], prims[i, 6], prims[i, 7], r)
    if t < 0 or (0 < u < t):
        t = u
    return t


@njit(**FAST)
def _hit_cylinder(prims, i, ox, oy, oz, dx, dy, dz):
    lo, hi = _slab(oy, dy, prims[i, 3], prims[i, 3] + prims[i, 6])
    px, pz = ox - prims[i, 2], oz - prims[i, 4]
    a, b, c = dx * dx + dz * dz, px * dx + pz * dz, px * px + pz * pz - prims[i, 5] * prims[i, 5]
    if a > 1e-12:
        disc = b * b - a * c
        if disc < 0:
            return -1.0
        s = math.sqrt(disc)
        lo, hi = max(lo, (-b - s) / a), min(hi, (-b + s) / a)
    elif c > 0:
        return -1.0
    if lo > hi or hi <= EPS:
        return -1.0
    return lo if lo > EPS else hi


@njit(**FAST)
def _hit_box(prims, i, ox, oy, oz, dx, dy, dz):
    c, s = prims[i, 8], prims[i, 9]
    qx, qy, qz = ox - prims[i, 2], oy - prims[i, 3], oz - prims[i, 4]
    lo, hi = _slab(qy, dy, -prims[i, 6], prims[i, 6])
    if lo > hi:
        return -1.0
    x0, x1 = _slab(c * qx - s * qz, c * dx - s * dz, -prims[i, 5], prims[i, 5])
    z0, z1 = _slab(s * qx + c * qz, s * dx + c * dz, -prims[i, 7], prims[i, 7])
    lo, hi = max(lo, x0, z0), min(hi, x1, z1)
    if lo > hi or hi <= EPS:
        return -1.0
    return lo if lo > EPS else hi


@njit(**FAST)
def hit_one(prims, i, ox, oy, oz, dx, dy, dz):
    if prims[i, 0] == BOX:
        return _hit_box(prims, i, ox, oy, oz, dx, dy, dz)
    if prims[i, 0] == SPHERE:
        return _hit_ball(ox, oy, oz, dx, dy, dz, prims[i, 2], prims[i, 3], prims[i, 4], prims[i, 5])
    if prims[i, 0] == CYLINDER:
        return _hit_cylinder(prims, i, ox, oy, oz, dx, dy, dz)
    return _hit_capsule(prims, i, ox, oy, oz, dx, dy, dz)


@njit(**FAST)
def is_hidden(prims, ox, oy, oz, tx, ty, tz):
    """True where something lies between o and the target t."""
    dx, dy, dz = tx - ox, ty - oy, tz - oz
    far = math.sqrt(dx * dx + dy * dy + dz * dz)
    dx, dy, dz = dx / far, dy / far, dz / far
    for i in range(prims.shape[0]):
        t = hit_one(prims, i, ox, oy, oz, dx, dy, dz)
        if EPS < t < far - EPS:
            return True
    return False


@njit(**FAST)
def nearest(prims, ox, oy, oz, dx, dy, dz, far):
    best, which = far, -1
    for i in range(prims.shape[0]):
        t = hit_one(prims, i, ox, oy, oz, dx, dy, dz)
        if EPS < t < best:
            best, which = t, i
    return best, which


@njit(**FAST)
def normal_at(p, x, y, z):
    if p[0] == BOX:
        c, s = p[8], p[9]
        qx, qy, qz = x - p[2], y - p[3], z - p[4]
        lx, lz = c * qx - s * qz, s * qx + c * qz
        u, v, w = abs(lx) / p[5], abs(qy) / p[6], abs(lz) / p[7]
        if v >= u and v >= w:
            return 0.0, math.copysign(1.0, qy), 0.0
        if u >= w:
            g = math.copysign(1.0, lx)
            return c * g, 0.0, -s * g
        g = math.copysign(1.0, lz)
        return s * g, 0.0, c * g
    if p[0] == SPHERE:
        return (x - p[2]) / p[5], (y - p[3]) / p[5], (z - p[4]) / p[5]
    if p[0] == CYLINDER:
        if y > p[3] + p[6] - 1e-3:
            return 0.0, 1.0, 0.0
        return (x - p[2]) / p[5], 0.0, (z - p[4]) / p[5]
    bx, by, bz = p[5] - p[2], p[6] - p[3], p[7] - p[4]
    h = ((x - p[2]) * bx + (y - p[3]) * by + (z - p[4]) * bz) / (bx * bx + by * by + bz * bz + 1e-12)
    h = min(1.0, max(0.0, h))
    return (x - p[2] - h * bx) / p[8], (y - p[3] - h * by) / p[8], (z - p[4] - h * bz) / p[8]


@njit(**FAST)
def _hash(i, j):
    n = (i * 374761393 + j * 668265263) & 0x7FFFFFFF
    n = ((n ^ (n >> 13)) * 1274126177) & 0x7FFFFFFF
    return ((n ^ (n >> 16)) & 0xFFFF) / 65535.0


@njit(**FAST)
def value_noise(u, v):
    i, j = math.floor(u), math.floor(v)
    f, g = u - i, v - j
    f, g = f * f * (3 - 2 * f), g * g * (3 - 2 * g)
    i, j = int(i), int(j)
    a = _hash(i, j) * (1 - f) + _hash(i + 1, j) * f
    b = _hash(i, j + 1) * (1 - f) + _hash(i + 1, j + 1) * f
    return a * (1 - g) + b * g


@njit(**FAST)
def pattern_at(m, u, v):
    """Share 0..1 of the second colour, and a brightness factor."""
    kind, s = m[0], m[7]
    a, b = u * s, v * s
    if kind == PLANKS:
        row = math.floor(b)
        tone = _hash(int(row) + 77, math.floor(a * 0.11 + row * 0.37))
        gap = 0.35 if b - row < 0.07 else 1.0
        return tone, gap * (0.85 + 0.3 * value_noise(a * 0.9, b * 9.0))
    if kind == CHECKS:
        q = (math.floor(a) + math.floor(b)) & 1
        return float(q), 0.9 + 0.2 * value_noise(a * 5, b * 5)
    if kind == SPINES:
        shelf = math.floor(b * 0.32)
        c = math.floor(a * 1.7 + 0.31 * shelf)
        f, g = a * 1.7 + 0.31 * shelf - c, b * 0.32 - shelf
        if g < 0.09:
            return 0.5, 0.35
        if g > 0.72 + 0.25 * _hash(int(c), int(shelf) + 3):
            return 0.5, 0.08
        band = 1.3 if 0.5 < g < 0.56 else 1.0
        return _hash(int(c) + 5, int(shelf)), band * (0.35 if f < 0.1 else 0.55 + 0.8 * _hash(int(c), int(shelf) + 9))
    if kind == BRICKS:
        row = math.floor(b)
        c = math.floor(a * 0.45 + 0.5 * row)
        if b - row < 0.13 or a * 0.45 + 0.5 * row - c < 0.06:
            return 1.0, 1.0
        return 0.35 * _hash(int(c), int(row)), 0.75 + 0.5 * value_noise(a * 3, b * 3)
    if kind == STRIPES:
        return (1.0 if a - math.floor(a) > 0.55 else 0.0), 0.85 + 0.3 * value_noise(a * 1.3, b * 1.3)
    if kind == GRAIN:
        return value_noise(a * 0.5, b * 7.0), 0.8 + 0.4 * value_noise(a * 2.0 + 31, b * 15.0)
    if kind == PANE:
        edge = min(a - math.floor(a), b - math.floor(b))
        return (1.0 if edge < 0.12 else 0.0), 1.0
    n = 0.6 * value_noise(a, b) + 0.4 * value_noise(a * 4.1 + 9, b * 4.1)
    return n, 0.85 + 0.3 * value_noise(a * 11 + 3, b * 11)


@njit(**FAST)
def albedo_at(m, x, y, z, nx, ny, nz):
    ax, ay, az = abs(nx), abs(ny), abs(nz)
    if ay >= ax and ay >= az:
        u, v = z, x
    elif ax >= az:
        u, v = z, y
    else:
        u, v = x, y
    mix, bright = pattern_at(m, u, v)
    return (
        min(0.92, (m[1] + (m[4] - m[1]) * mix) * bright),
        min(0.92, (m[2] + (m[5] - m[2]) * mix) * bright),
        min(0.92, (m[3] + (m[6] - m[3]) * mix) * bright),
    )


@njit(**FAST)
def _leave_room(room, ox, oy, oz, dx, dy, dz):
    """Distance to the wall from inside, and its face 0..5 (x-, x+, y-, y+, z-, z+)."""
    best, face = 1e30, 0
    for axis in range(3):
        o, d = (ox, dx) if axis == 0 else ((oy, dy) if axis == 1 else (oz, dz))
        if d < -1e-12 and (room[axis] - o) / d < best:
            best, face = (room[axis] - o) / d, 2 * axis
        if d > 1e-12 and (room[3 + axis] - o) / d < best:
            best, face = (room[3 + axis] - o) / d, 2 * axis + 1
    return best, face


@njit(**FAST)
def trace_samples(points, eye, basis, room, prims, materials, walls, lights):
    """First hits of camera samples and the light that is always there.

    ``points``: (S, 2) on the image plane (tangents). Columns of the result: 0-2 position, 3-5 normal,
    6-8 albedo, 9 gloss, 10 exponent, 11-13 towards the eye, 14 tint (a mirror's loss), 15-17 first
    direction, 18 first length, 19-21 second origin, 22-24 second direction, 25 second length (0: no
    mirror), 26 bulb irradiance, 27 moon irradiance, 28 emission, 29 fill share, 30 bulb gloss.
    ``lights``: bulb (3), moon direction (3), window rectangle on the x- wall (y0, y1, z0, z1), shade box (6).
    """
    out = np.zeros((points.shape[0], GBUFFER), np.float32)
    for k in range(points.shape[0]):
        dx = basis[0, 0] * points[k, 0] + basis[1, 0] * points[k, 1] + basis[2, 0]
        dy = basis[0, 1] * points[k, 0] + basis[1, 1] * points[k, 1] + basis[2, 1]
        dz = basis[0, 2] * points[k, 0] + basis[1, 2] * points[k, 1] + basis[2, 2]
        length = math.sqrt(dx * dx + dy * dy + dz * dz)
        dx, dy, dz = dx / length, dy / length, dz / length
        ox, oy, oz = eye[0], eye[1], eye[2]
        out[k, 15], out[k, 16], out[k, 17], out[k, 14] = dx, dy, dz, 1.0
        for bounce in range(2):
            far, face = _leave_room(room, ox, oy, oz, dx, dy, dz)
            t, which = nearest(prims, ox, oy, oz, dx, dy, dz, far)
            x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
            if which < 0:
                nx, ny, nz = 0.0, 0.0, 0.0
                side = 1.0 if face % 2 == 0 else -1.0
                if face < 2:
                    nx = side
                elif face < 4:
                    ny = side
                else:
                    nz = side
                m = materials[walls[face]]
                u, v, w = x, y, z
            else:
                p = prims[which]
                nx, ny, nz = normal_at(p, x, y, z)
                m = materials[int(p[1])]
                u, v, w = x - p[2], y - p[3], z - p[4]
                if p[0] == BOX:
                    u, w = p[8] * u - p[9] * w, p[9] * u + p[8] * w
            if bounce == 0:
                out[k, 18] = t
            else:
                out[k, 25] = t
            if m[0] == MIRROR and bounce == 0 and nx * dx + ny * dy + nz * dz < 0:
                dot = 2 * (nx * dx + ny * dy + nz * dz)
                dx, dy, dz = dx - dot * nx, dy - dot * ny, dz - dot * nz
                ox, oy, oz = x + EPS * nx, y + EPS * ny, z + EPS * nz
                out[k, 14] = 0.85
                out[k, 19], out[k, 20], out[k, 21] = ox, oy, oz
                out[k, 22], out[k, 23], out[k, 24] = dx, dy, dz
                continue
            break
        if which >= 0 and prims[which, 0] == BOX:
            p = prims[which]
            lx, lz = p[8] * nx - p[9] * nz, p[9] * nx + p[8] * nz
        else:
            lx, lz = nx, nz
        r, g, b = albedo_at(m, u, v, w, lx, ny, lz)
        out[k, 0], out[k, 1], out[k, 2] = x + EPS * nx, y + EPS * ny, z + EPS * nz
        out[k, 3], out[k, 4], out[k, 5] = nx, ny, nz
        out[k, 6], out[k, 7], out[k, 8], out[k, 9], out[k, 10] = r, g, b, m[8], m[9]
        out[k, 11], out[k, 12], out[k, 13] = -dx, -dy, -dz
        out[k, 28] = 1.0 if m[0] == PANE and pattern_at(m, v, w)[0] < 0.5 else 0.0
        _light_always(out, k, prims, room, lights)
    return out


@njit(**FAST)
def _light_always(out, k, prims, room, lights):
    x, y, z, nx, ny, nz = out[k, 0], out[k, 1], out[k, 2], out[k, 3], out[k, 4], out[k, 5]
    dx, dy, dz = lights[0] - x, lights[1] - y, lights[2] - z
    d2 = dx * dx + dy * dy + dz * dz
    cos = (nx * dx + ny * dy + nz * dz) / math.sqrt(d2)
    if cos > 0 and not is_hidden(prims, x, y, z, lights[0], lights[1], lights[2]):
        out[k, 26] = cos / max(d2, 0.05)
        out[k, 30] = glint(out[k], dx, dy, dz) / max(d2, 0.05)
    dx, dy, dz = lights[3], lights[4], lights[5]
    cos = nx * dx + ny * dy + nz * dz
    if cos > 0 and dx < 0:
        t = (room[0] - x) / dx
        wy, wz = y + t * dy, z + t * dz
        if lights[6] < wy < lights[7] and lights[8] < wz < lights[9]:
            bar = min(abs(wy - 0.5 * (lights[6] + lights[7])), abs(wz - 0.5 * (lights[8] + lights[9])))
            if bar > 0.025 and not is_hidden(prims, x, y, z, room[0], wy, wz):
                out[k, 27] = cos
    inside = lights[10] < x < lights[13] and lights[11] < y < lights[14] and lights[12] < z < lights[15]
    out[k, 29] = 0.0 if inside else 1.0


@njit(**FAST)
def glint(s, lx, ly, lz):
    """Blinn-Phong highlight of a sample for light from (lx, ly, lz)."""
    if s[9] <= 0:
        return 0.0
    length = math.sqrt(lx * lx + ly * ly + lz * lz)
    hx, hy, hz = lx / length + s[11], ly / length + s[12], lz / length + s[13]
    h = (hx * s[3] + hy * s[4] + hz * s[5]) / math.sqrt(hx * hx + hy * hy + hz * hz + 1e-12)
    return s[9] * h ** s[10] if h > 0 else 0.0
