"""One frame of a made room: the carried lamp's light, its shadows, who carries it, and what both hide."""

import math

import numpy as np
from numba import njit

from made.raycast import EPS, FAST, glint, is_hidden, nearest, normal_at

LAMP_LIMIT = 4.0  # radiance at which the lamp itself is held before any filtering, so that it cannot ring


@njit(**FAST)
def _near_bound(bound, ox, oy, oz, dx, dy, dz, far):
    """Does a segment come near the ball (centre, radius) round the carrier?"""
    px, py, pz = bound[0] - ox, bound[1] - oy, bound[2] - oz
    t = min(far, max(0.0, px * dx + py * dy + pz * dz))
    qx, qy, qz = px - t * dx, py - t * dy, pz - t * dz
    return qx * qx + qy * qy + qz * qz < bound[3] * bound[3]


@njit(**FAST)
def _hidden_by(people, bound, x, y, z, tx, ty, tz):
    dx, dy, dz = tx - x, ty - y, tz - z
    far = math.sqrt(dx * dx + dy * dy + dz * dz)
    if not _near_bound(bound, x, y, z, dx / far, dy / far, dz / far, far):
        return False
    return is_hidden(people, x, y, z, tx, ty, tz)


@njit(**FAST)
def _fill_at(patches, x, y, z, nx, ny, nz):
    """Irradiance from wall patches (position, normal, area, radiosity), never hidden: a soft low-order fill."""
    total = 0.0
    for i in range(patches.shape[0]):
        dx, dy, dz = patches[i, 0] - x, patches[i, 1] - y, patches[i, 2] - z
        d2 = dx * dx + dy * dy + dz * dz + 1e-9
        a = (nx * dx + ny * dy + nz * dz) / math.sqrt(d2)
        b = -(patches[i, 3] * dx + patches[i, 4] * dy + patches[i, 5] * dz) / math.sqrt(d2)
        if a > 0 and b > 0:
            total += patches[i, 7] * patches[i, 6] * a * b / (math.pi * d2 + patches[i, 6])
    return total


@njit(**FAST)
def pick_blockers(prims, balls, tile, lamp):
    """The primitives that can come between a tile's ball of points (centre, radius) and the lamp."""
    chosen = np.empty(prims.shape, np.float64)
    count = 0
    dx, dy, dz = lamp[0] - tile[0], lamp[1] - tile[1], lamp[2] - tile[2]
    dd = dx * dx + dy * dy + dz * dz + 1e-12
    for i in range(prims.shape[0]):
        px, py, pz = balls[i, 0] - tile[0], balls[i, 1] - tile[1], balls[i, 2] - tile[2]
        t = min(1.0, max(0.0, (px * dx + py * dy + pz * dz) / dd))
        px, py, pz = px - t * dx, py - t * dy, pz - t * dz
        if px * px + py * py + pz * pz < (balls[i, 3] + tile[3] + 0.06) ** 2:
            for c in range(prims.shape[1]):
                chosen[count, c] = prims[i, c]
            count += 1
    return chosen[:count]


@njit(**FAST)
def bound_tiles(gbuf, width, side):
    """A ball (centre, radius) round the points of every ``side`` x ``side`` tile of samples, row by row."""
    height = gbuf.shape[0] // width
    across, down = (width + side - 1) // side, (height + side - 1) // side
    balls = np.zeros((down * across, 4))
    for n in range(down * across):
        y0, x0 = (n // across) * side, (n % across) * side
        low, high = np.full(3, 1e30), np.full(3, -1e30)
        for y in range(y0, min(height, y0 + side)):
            for x in range(x0, min(width, x0 + side)):
                for c in range(3):
                    low[c] = min(low[c], gbuf[y * width + x, c])
                    high[c] = max(high[c], gbuf[y * width + x, c])
        balls[n, :3] = 0.5 * (low + high)
        balls[n, 3] = 0.5 * math.sqrt(((high - low) ** 2).sum())
    return balls


@njit(**FAST)
def shade_frame(
    gbuf, width, side, tiles, prims, balls, people, skins, bound, lamp, lamp_at, patches, colours, lights, room
):
    """Radiance of every sample with the lamp and the carrier there.

    ``lamp``: strength, radius, lit 0/1, shown 0/1, fill share. ``lamp_at``: (5, 3) points on the lamp, centre
    first; each sample of a 2 x 2 block looks at another of the other four. ``colours``: gel, bulb, moon, sky,
    (4, 3). ``skins``: albedo of each of ``people``. ``tiles``: see ``bound_tiles``; ``balls``: round each
    primitive. Returns radiance (S, 3), lamp mask (S,), carrier mask (S,).
    """
    count = gbuf.shape[0]
    out = np.zeros((count, 3), np.float32)
    lamp_mask, person_mask = np.zeros(count, np.uint8), np.zeros(count, np.uint8)
    across, height = (width + side - 1) // side, count // width
    for n in range(tiles.shape[0]):
        near = pick_blockers(prims, balls, tiles[n], lamp_at[0])
        y0, x0 = (n // across) * side, (n % across) * side
        for y in range(y0, min(height, y0 + side)):
            for x in range(x0, min(width, x0 + side)):
                _shade_one(
                    out, lamp_mask, person_mask, gbuf, y * width + x, 1 + (x & 1) + 2 * (y & 1), near, prims,
                    people, skins, bound, lamp, lamp_at, patches, colours, lights, room,
                )  # fmt: skip
    return out, lamp_mask, person_mask


@njit(**FAST)
def _shade_one(
    out, lamp_mask, person_mask, gbuf, k, j, near, prims, people, skins, bound, lamp, lamp_at, patches, colours,
    lights, room,
):  # fmt: skip
    s = np.empty(31, np.float32)
    for c in range(31):
        s[c] = gbuf[k, c]
    s[:] = gbuf[k]
    person = False
    at_lamp = False
    ex, ey, ez = lights[16], lights[17], lights[18]
    far, dx, dy, dz, ox, oy, oz = s[18], s[15], s[16], s[17], ex, ey, ez
    for segment in range(2):
        if segment == 1:
            if s[25] <= 0 or person:
                break
            far, dx, dy, dz, ox, oy, oz = s[25], s[22], s[23], s[24], s[19], s[20], s[21]
        t, which = far, -1
        if people.shape[0] > 0 and _near_bound(bound, ox, oy, oz, dx, dy, dz, far):
            t, which = nearest(people, ox, oy, oz, dx, dy, dz, far)
        if lamp[3] > 0:
            px, py, pz = lamp_at[0, 0] - ox, lamp_at[0, 1] - oy, lamp_at[0, 2] - oz
            b = px * dx + py * dy + pz * dz
            gap = px * px + py * py + pz * pz - b * b
            if gap < lamp[1] * lamp[1] and 0 < b - lamp[1] < t:
                at_lamp = True
                if segment == 0:
                    lamp_mask[k] = 1
                break
        if which >= 0:
            person = True
            x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
            nx, ny, nz = normal_at(people[which], x, y, z)
            s[0], s[1], s[2] = x + EPS * nx, y + EPS * ny, z + EPS * nz
            s[3], s[4], s[5], s[6], s[7], s[8] = nx, ny, nz, skins[which, 0], skins[which, 1], skins[which, 2]
            s[9], s[26], s[27], s[28], s[29], s[30] = 0.0, 0.0, 0.0, 0.0, 1.0, 0.0
            bx, by, bz = lights[0] - x, lights[1] - y, lights[2] - z
            d2 = bx * bx + by * by + bz * bz
            cos = (nx * bx + ny * by + nz * bz) / math.sqrt(d2)
            if cos > 0 and not is_hidden(prims, s[0], s[1], s[2], lights[0], lights[1], lights[2]):
                s[26] = cos / max(d2, 0.05)
            break
    if at_lamp:
        for c in range(3):
            out[k, c] = min(LAMP_LIMIT, 60.0 * lamp[0] * colours[0, c]) * s[14]
        return
    person_mask[k] = 1 if person else 0
    # somebody who stands before the set is not at the tile's points: all primitives may shade them
    _shade_sample(
        out, k, s, prims if person else near, people, bound, lamp, lamp_at, j, patches, colours, lights, room
    )


@njit(**FAST)
def _shade_sample(out, k, s, prims, people, bound, lamp, lamp_at, j, patches, colours, lights, room):
    x, y, z, nx, ny, nz = s[0], s[1], s[2], s[3], s[4], s[5]
    crowd = people.shape[0] > 0
    bulb, moon, shine = s[26], s[27], s[30]
    if crowd and bulb > 0 and _hidden_by(people, bound, x, y, z, lights[0], lights[1], lights[2]):
        bulb, shine = 0.0, 0.0
    if crowd and moon > 0:
        t = (room[0] - x) / lights[3]
        if _hidden_by(people, bound, x, y, z, room[0], y + t * lights[4], z + t * lights[5]):
            moon = 0.0
    direct, spot, fill = 0.0, 0.0, 0.0
    if lamp[2] > 0:
        lx, ly, lz = lamp_at[j, 0] - x, lamp_at[j, 1] - y, lamp_at[j, 2] - z
        d2 = lx * lx + ly * ly + lz * lz
        cos = (nx * lx + ny * ly + nz * lz) / math.sqrt(d2)
        if cos > 0:
            hidden = is_hidden(prims, x, y, z, lamp_at[j, 0], lamp_at[j, 1], lamp_at[j, 2])
            if not hidden and crowd:
                hidden = _hidden_by(people, bound, x, y, z, lamp_at[j, 0], lamp_at[j, 1], lamp_at[j, 2])
            if not hidden:
                direct = lamp[0] * cos / max(d2, 1e-4)
                spot = lamp[0] * glint(s, lx, ly, lz) / max(d2, 0.02)
        fill = lamp[4] * s[29] * _fill_at(patches, x, y, z, nx, ny, nz)
    for c in range(3):
        diffuse = (direct + fill) * colours[0, c] + bulb * colours[1, c] + moon * colours[2, c]
        diffuse += (0.5 + 0.5 * ny) * colours[3, c]
        light = s[6 + c] * diffuse + spot * colours[0, c] + shine * colours[1, c] + s[28] * 6.0 * colours[2, c]
        out[k, c] = s[14] * min(light, LAMP_LIMIT * 4)
