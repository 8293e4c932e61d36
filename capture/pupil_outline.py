"""The pupil's outline followed to its sub-pixel place, and the numbers that tell whether to believe it."""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import (
    Flags,
    Floats,
    add_roundness,
    add_row,
    distance_px,
    kernel,
    robust_ellipse,
    semi_axes,
    solve5,
)
from capture.pupil_edge import (
    Image,
    blur_of,
    grey_at,
    inner_level,
    quantile,
    sample_normals,
    step_filter,
)

# places of the numbers that describe an outline
X, Y, P, Q, S, SUPPORT, RESIDUAL, DARK, CONTRAST, UNREST, UNEVEN, SHARE, BLUR, ERROR, FILLED, QUALITY = range(
    16
)
FIELDS = 16

MOST_HALF = 12  # px, longest profile to each side
MOST_STEPS = 30
SETTLED_PX = 0.002  # a move below this ends the iteration: a tenth of the random error of a good picture

COVERED, GLINT, SEEN = 0, 1, 2  # what a ray shows


@kernel
def dark_beside(profile: Floats, dark: float, tolerance: float, levels: Floats):
    """The pupil's grey level just inside the outline, for each ray: mean over the ray and two to each side.

    Stray light and a glint's halo are not even over a pupil, and a dark level off by a twentieth of the edge's
    height moves the edge by a tenth of a pixel. A ray whose inside is farther than `tolerance` from `dark` (a lid,
    a lash, a reflection) does not count; where none counts the level is NaN.
    """
    n = levels.size
    for k in range(n):
        total, count = 0.0, 0
        for step in range(-2, 3):
            i = (k + step) % n
            inside = 0.5 * (profile[i, 0] + profile[i, 1])
            if abs(inside - dark) < tolerance:
                total, count = total + inside, count + 1
        levels[k] = total / count if count > 0 else math.nan


@kernel
def judge_rays(
    profile: Floats, filters: Floats, half: int, levels: Floats, ceiling: float, contrast: float, unrest: float,
    height: Floats, shift: Floats, usable: Flags, reflects: Flags,
):  # fmt: skip
    """Step height and shift of every ray, whether it can show the pupil's edge, and whether it meets a glint."""
    size = 2 * half + 1
    for k in range(levels.size):
        h, hs, top, dark = 0.0, 0.0, 0.0, levels[k]
        for j in range(size):
            value = profile[k, j]
            top = max(top, value)
            h += filters[0, j] * (value - dark)
            hs += filters[1, j] * (value - dark)
        height[k] = h
        shift[k] = min(max(hs / h, -0.7 * half), 0.7 * half) if h > 0.0 else 0.0
        reflects[k] = top > ceiling
        inside = 0.5 * (profile[k, 0] + profile[k, 1]) - dark
        usable[k] = (
            profile[k, 0] >= 0.0
            and profile[k, size - 1] >= 0.0
            and 0.35 * contrast < h < 2.5 * contrast
            and abs(inside) < 0.15 * contrast + 2.0 * unrest  # else a lid, a lash, a reflection's halo
        )


@kernel
def keep_off(reflects: Flags, least: int, usable: Flags):
    """Make the rays beside each run of glint rays unusable: a quarter of the run to each side, at least `least`.

    A lens spreads light around a glint; the larger the glint, the farther its halo is worth noticing.
    """
    n = reflects.size
    for k in range(n):
        if reflects[k] and not reflects[(k + 1) % n]:
            run = 1
            while run < n and reflects[(k - run) % n]:
                run += 1
            reach = max(least, run // 4)
            for step in range(1 - run - reach, reach + 1):
                usable[(k + step) % n] = False


@kernel
def usable_quantile(values: Floats, usable: Flags, share: float, absolute: bool, spare: Floats) -> float:
    """Quantile over the usable rays (of the absolute values where asked); NaN when fewer than ten are usable."""
    count = 0
    for k in range(values.size):
        if usable[k]:
            spare[count] = abs(values[k]) if absolute else values[k]
            count += 1
    return quantile(spare, count, share) if count >= 10 else math.nan


@kernel
def move_outline(
    ellipse: Floats, frame: Floats, shift: Floats, weight: Floats, cut_px: float, variance: float
) -> tuple[float, float]:
    """One weighted Gauss-Newton move of the outline by the measured shifts, Tukey's weights on top.

    Returns how far the centre went and the standard error of its worse axis for shifts of SD 1 px (NaN: lost).
    """
    normal, move = np.zeros((5, 5)), np.zeros(5)
    for k in range(shift.size):
        z = shift[k] / cut_px
        if weight[k] > 0.0 and z * z < 1.0:
            w = (1.0 - z * z) ** 2 * weight[k]
            add_row(normal, move, frame[k, 0], frame[k, 1], frame[k, 2], frame[k, 3], shift[k], w)
    # an outline is round to 0.15 of its radius, an edge good to `variance`: the ratio is the pull's weight
    add_roundness(normal, move, ellipse, variance / (0.0225 * max(ellipse[2] * ellipse[4], 1.0)))
    one, two = normal.copy(), normal.copy()
    if not solve5(normal, move):
        return math.nan, math.nan
    for i in range(5):
        ellipse[i] += move[i]
    major, minor, _ = semi_axes(ellipse)
    if not (minor > 1.0 and minor > 0.25 * major):
        return math.nan, math.nan
    unit_x, unit_y = np.array([1.0, 0.0, 0.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0, 0.0, 0.0])
    solve5(one, unit_x)
    solve5(two, unit_y)
    half = 0.5 * (unit_x[0] - unit_y[1])
    worst = 0.5 * (unit_x[0] + unit_y[1]) + math.sqrt(half * half + unit_x[1] * unit_x[1])
    return abs(move[0]) + abs(move[1]), math.sqrt(worst)


@kernel
def follow(image: Image, out: Floats, half: int, frame: Floats, shift: Floats, state: Floats) -> bool:
    """Follow the outline in `out` to its fixed point; False when it is lost.

    half: px looked at to each side at first. Leaves in frame, shift and state (n, COVERED, GLINT or SEEN) what
    each ray showed at the end.
    """
    ellipse = out[:5]
    n = shift.size
    radius = math.sqrt(max(ellipse[2] * ellipse[4] - ellipse[3] * ellipse[3], 1.0))
    store, filters = np.empty((n, 2 * MOST_HALF + 1)), np.empty((2, 2 * MOST_HALF + 1))
    height, weight, spare, levels = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    usable, reflects = np.empty(n, np.bool_), np.empty(n, np.bool_)
    contrast, blur = out[CONTRAST], half / 3.0
    halo = max(1, int(3.0 * n / (2 * math.pi * radius) + 0.5))  # rays in 3 px: how far a lens spreads a glint
    dark, unrest, cut = 0.0, 0.0, 1.0
    for step in range(MOST_STEPS):
        if step > 0:
            half = min(max(int(3.0 * blur + 0.5), 4), MOST_HALF, max(int(0.5 * radius), 4))
        if step < 3:
            dark, unrest = inner_level(image, ellipse)
        profile = store[:, : 2 * half + 1]
        sample_normals(image, ellipse, half, profile, frame)
        step_filter(blur, unrest / contrast, half, filters)
        dark_beside(profile, dark, 0.25 * contrast + 2.0 * unrest, levels)
        # farther above the iris than half as much again as the iris is above the pupil: a reflection
        ceiling = dark + 2.5 * contrast
        judge_rays(profile, filters, half, levels, ceiling, contrast, unrest, height, shift, usable, reflects)
        keep_off(reflects, halo, usable)
        contrast = 0.5 * (contrast + usable_quantile(height, usable, 0.5, False, spare))
        # Tukey's cut for 95 % efficiency; the 0.3 quantile is 0.385 SD, and stands a lid in half of the rays
        spread = 4.685 / 0.385 * usable_quantile(shift, usable, 0.3, True, spare)
        noise = unrest * unrest * blur / 0.28  # variance of a shift, times the height squared
        cut = (
            max(spread, 1.0)
            if step < 2
            else min(max(spread, 0.3 * blur), 0.6 * blur + 3.0 * math.sqrt(noise) / contrast)
        )
        typical = 0.01 + noise / (
            contrast * contrast
        )  # px^2: texture at the edge makes 0.1 px even without noise
        for k in range(n):
            weight[k] = typical / (0.01 + noise / (height[k] * height[k])) if usable[k] else 0.0
        moved, error = move_outline(ellipse, frame, shift, weight, cut, typical)
        blur = min(max(blur_of(profile, usable, height, half), 0.6), 4.0)
        if not (moved >= 0.0 and blur > 0.0 and contrast > 1.0):
            return False
        out[ERROR] = error
        if step >= 4 and moved < SETTLED_PX:
            break
    out[DARK], out[CONTRAST], out[UNREST], out[BLUR] = dark, contrast, unrest, blur
    read_rays(image, out, frame, shift, usable, reflects, halo, cut, state)
    return True


@kernel
def read_rays(
    image: Image, out: Floats, frame: Floats, shift: Floats, usable: Flags, reflects: Flags, halo: int, cut: float,
    state: Floats,
):  # fmt: skip
    """Say of each ray what it shows, and fill in support, residual and visible share."""
    n = shift.size
    ceiling = out[DARK] + 2.5 * out[CONTRAST]
    for k in range(n):
        state[k] = SEEN if usable[k] and abs(shift[k]) < cut else COVERED
    for k in range(n):
        if reflects[k]:
            x = out[0] + 1.5 * (out[2] * frame[k, 0] + out[3] * frame[k, 1])
            y = out[1] + 1.5 * (out[3] * frame[k, 0] + out[4] * frame[k, 1])
            if 0.0 <= grey_at(image, x, y) < ceiling:  # a spot that ends, not a bright lid
                for step in range(-2 * halo, 2 * halo + 1):
                    i = (k + step) % n
                    state[i] = max(state[i], GLINT)
    kept, square = 0, 0.0
    for k in range(n):
        if state[k] == SEEN:
            kept, square = kept + 1, square + shift[k] * shift[k]
    out[SUPPORT], out[RESIDUAL] = kept / n, math.sqrt(square / max(kept, 1))
    out[ERROR] *= max(out[RESIDUAL], 0.1)
    out[SHARE] = visible_share(state)


@kernel
def visible_share(state: Floats) -> float:
    """Share of the pupil's area left by the chords (lid margins, the picture's border) over its covered arcs.

    An arc of alpha rad, in the frame in which the pupil is a unit circle, hides a segment of
    (alpha - sin alpha) / 2 pi of the area. A glint between covered rays is taken as covered.
    """
    n = state.size
    start = -1
    for k in range(n):
        if state[k] == SEEN:
            start = k
            break
    if start < 0:
        return 0.0
    share, run, pending = 1.0, 0, 0
    for step in range(1, n + 1):
        ray = state[(start + step) % n]
        if ray == COVERED:
            run, pending = run + pending + 1, 0
        elif ray == GLINT:
            pending += 1 if run > 0 else 0
        else:
            alpha = 2 * math.pi * run / n
            share -= (alpha - math.sin(alpha)) / (2 * math.pi)
            run, pending = 0, 0
    return max(share, 0.0)


@kernel
def look_inside(image: Image, out: Floats):
    """Fill in how uneven the inside is (0: even, 1: a step as high as the edge) and how much of it is dark."""
    rings, around = 8, 32
    middle, values, grid = np.empty(rings), np.empty(around), np.full((rings + 4, around), math.nan)
    half_way, ceiling = out[DARK] + 0.5 * out[CONTRAST], out[DARK] + 2.5 * out[CONTRAST]
    inner = max(1.0 - 2.0 * out[BLUR] / math.sqrt(out[P] * out[S]), 0.5)  # the edge's own blur stays out
    for ring in range(rings):
        rho = (ring + 0.5) / rings * inner
        for k in range(around):
            phi = 2 * math.pi * k / around
            u, v = rho * math.cos(phi), rho * math.sin(phi)
            column = int(out[X] + out[P] * u + out[Q] * v + 0.5)
            row = int(out[Y] + out[Q] * u + out[S] * v + 0.5)
            if 0 <= column < image.shape[1] and 0 <= row < image.shape[0]:
                grid[ring + 2, k] = image[row, column]
    dark_area, area = 0.0, 0.0
    for ring in range(rings):
        count = 0
        for k in range(around):
            value = grid[ring + 2, k]
            if value == value and not beside_glint(grid, ring + 2, k, ceiling):
                values[count] = value
                area += ring + 0.5
                dark_area += ring + 0.5 if value < half_way else 0.0
                count += 1
        middle[ring] = quantile(values, count, 0.25)
    out[FILLED] = dark_area / max(area, 1e-9)
    out[UNEVEN] = max(np.nanmax(middle) - np.nanmin(middle) - out[UNREST], 0.0) / out[CONTRAST]


@kernel
def beside_glint(grid: Floats, ring: int, k: int, ceiling: float) -> bool:
    """Whether a cell or one within two of it, a quarter of the radius, is brighter than `ceiling`."""
    around = grid.shape[1]
    for i in range(ring - 2, ring + 3):
        for j in range(k - 2, k + 3):
            if grid[i, j % around] > ceiling:
                return True
    return False


@kernel
def ramp(value: float, zero: float, one: float) -> float:
    """0 at `zero`, 1 at `one`, straight between."""
    return min(max((value - zero) / (one - zero), 0.0), 1.0)


@kernel
def roughness(out: Floats) -> float:
    """How far the outline is from an ellipse, over what is usual: texture, a fifth of the blur, and noise.

    The noise of a dark pupil speaks for the brighter iris only by half: light brings its own, and compression.
    """
    noise = 2.0 * out[UNREST] / out[CONTRAST] * math.sqrt(out[BLUR] / 0.28)
    return out[RESIDUAL] / math.sqrt(0.04 * out[BLUR] * out[BLUR] + noise * noise)


@kernel
def quality_of(out: Floats) -> float:
    """0..1, the weakest of what a pupil must show: see the lines."""
    radius = math.sqrt(out[P] * out[S])
    major, minor, _ = semi_axes(out[:5])
    return min(
        # enough of the outline, and the more the flatter it is: what lids leave of a disc is flat, too
        ramp(out[SUPPORT] - 1.1 * (1.0 - minor / major), 0.1, 0.4),
        ramp(roughness(out), 1.5, 0.75),  # an outline that is an ellipse
        ramp(out[ERROR] / radius, 0.05, 0.015),  # a centre that the arc in view determines
        ramp(out[CONTRAST] / out[UNREST], 1.5, 4.0),  # an edge above the noise
        ramp(out[UNEVEN], 0.6, 0.25),  # no outline inside the outline
        ramp(out[FILLED] - out[SHARE], -0.4, -0.15),  # dark wherever no lid is
    )


@kernel
def fits_better(one: Floats, two: Floats) -> bool:
    """Whether outline `one` explains more rays than `two`, each ray counting by how exactly it fits.

    Exactly: within a fifth of the sharper edge's blur, which texture makes, besides the noise.
    """
    texture = 0.2 * min(one[BLUR], two[BLUR])
    noise = min(one[UNREST] / one[CONTRAST], two[UNREST] / two[CONTRAST]) * math.sqrt(one[BLUR] / 0.28)
    scale = texture * texture + 2.0 * noise * noise
    score_one = one[SUPPORT] * max(1.0 - one[RESIDUAL] ** 2 / scale, 0.0)
    return score_one > two[SUPPORT] * max(1.0 - two[RESIDUAL] ** 2 / scale, 0.0)


@kernel
def settle(image: Image, out: Floats, half: int) -> float:
    """Bring the outline in `out` (ellipse and CONTRAST given) to its place and judge it; returns its quality.

    Where the outline is not clean, a chord along a lid may be in it: the sub-pixel points are then fitted anew
    from arcs, and the better of both outlines stays.
    """
    n = min(max(int(2.1 * math.sqrt(abs(out[P] * out[S]))), 40), 128)
    frame, shift, state = np.empty((n, 4)), np.empty(n), np.empty(n)
    if not follow(image, out, half, frame, shift, state):
        return 0.0
    if out[SHARE] < 0.97 or roughness(out) > 0.85:
        other = out.copy()
        if refit_arcs(other, frame, shift) and follow(image, other, 4, frame, shift, state):
            if fits_better(other, out):
                out[:] = other
    look_inside(image, out)
    out[QUALITY] = quality_of(out)
    return out[QUALITY]


@kernel
def refit_arcs(out: Floats, frame: Floats, shift: Floats) -> bool:
    """Fit the ellipse anew to the points that the rays found, from arcs and with a narrow cut."""
    n = shift.size
    xs, ys, use = np.empty(n), np.empty(n), np.empty(n, np.bool_)
    for k in range(n):
        xs[k] = out[0] + out[2] * frame[k, 0] + out[3] * frame[k, 1] + shift[k] * frame[k, 2]
        ys[k] = out[1] + out[3] * frame[k, 0] + out[4] * frame[k, 1] + shift[k] * frame[k, 3]
        use[k] = shift[k] != 0.0
    radius = math.sqrt(out[P] * out[S])
    limits = np.array([0.5 * radius, 2.0 * radius, 0.4])
    return robust_ellipse(xs, ys, use, 0.35 * out[BLUR], limits, out[:5]) < 0.9
