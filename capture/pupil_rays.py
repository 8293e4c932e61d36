"""What the rays across a pupil's outline measure, and the move of the outline that they ask for."""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Flags, Floats, add_roundness, add_row, kernel, semi_axes, solve5
from capture.pupil_checks import IN_VIEW, SHAPE, ramp
from capture.pupil_edge import quantile

BLOCKS = 24  # of an outline, where runs of rays are left out
TOO_HIGH = 1.7  # times the usual height: a bright lid beside the edge, which moves it
# Of the usual height: so far below that, and below a glint's level, a ray begins to count less. Were these
# limits sharp, one ray would decide by a hair where the outline ends. The first tried were kept; seen on s08.
NEAR_HIGH, NEAR_GLINT = 0.1, 0.25
LARGE = 8  # of an outline a glint covers at most this part; a longer run of bright rays is a lid's
NOISE_LEFT = 0.8  # of a pixel's variance: 0.25 to 0.8 on discs without texture
MOST_WANDER = 0.002  # twice that of an iris beside a wide pupil: more is a lid, or an outline astray
NOISY = (0.05, 0.03)  # noise (SD over the edge's height) from which on texture is not known, and in full
QUIET = 0.25  # noise (SD over the edge's height) above which neighbouring rays are averaged


@kernel
def rays_averaged(noise: float, n: int) -> int:
    """Neighbours to each side, of n rays, to average a ray with so that its noise (SD/height) is small."""
    return min(int(0.5 * ((noise / QUIET) ** 2 - 1.0) + 0.5), n // 16) if noise > QUIET else 0


@kernel
def average_rays(
    profile: Floats, together: int, dark: float, tolerance: float, ceiling: float, usable: Flags,
    smooth: Floats,
):  # fmt: skip
    """Average each ray with its neighbours along the outline, in place: less noise, an edge as sharp.

    Only rays that are dark inside, end in the picture and meet no glint take part; the others stay.
    usable, smooth: room to work in.
    """
    if together == 0:
        return
    n, size = profile.shape
    for k in range(n):
        top = 0.0
        for j in range(size):
            top = max(top, profile[k, j])
        inside = 0.5 * (profile[k, 0] + profile[k, 1])
        usable[k] = profile[k, 0] >= 0.0 and profile[k, size - 1] >= 0.0 and top < ceiling
        usable[k] = usable[k] and abs(inside - dark) < tolerance
    sums, count = np.zeros(size), 0
    for step in range(-together, n + together):
        if usable[step % n] and step < n + together:
            count += 1
            for j in range(size):
                sums[j] += profile[step % n, j]
        old = step - 2 * together - 1
        if old >= -together and usable[old % n]:
            count -= 1
            for j in range(size):
                sums[j] -= profile[old % n, j]
        k = step - together
        if k >= 0 and usable[k]:
            for j in range(size):
                smooth[k, j] = sums[j] / count
    for k in range(n):
        if usable[k]:
            for j in range(size):
                profile[k, j] = smooth[k, j]


@kernel
def dark_beside(profile: Floats, dark: float, tolerance: float, levels: Floats):
    """The pupil's grey level just inside the outline, for each ray: mean over the ray and two to each side.

    Stray light and a glint's halo are not even over a pupil, and a dark level off by a twentieth of the
    edge's height moves the edge by a tenth of a pixel. A ray whose inside is farther than `tolerance` from
    `dark` (a lid, a lash, a reflection) does not count; where none counts the level is NaN.
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
    profile: Floats, filters: Floats, half: int, levels: Floats, ceiling: float, contrast: float, unrest:
    float, height: Floats, shift: Floats, usable: Flags, reflects: Flags, trust: Floats, glow: Floats,
):  # fmt: skip
    """Step height and shift of each ray, whether it can show the pupil's edge, whether it meets a glint.

    trust: how much a usable ray counts, 0 to 1; glow: how nearly it meets a glint, 1 where it does.
    """
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
        glow[k] = ramp(top, ceiling - NEAR_GLINT * contrast, ceiling)
        trust[k] = ramp(h / contrast, TOO_HIGH, TOO_HIGH - NEAR_HIGH)
        inside = 0.5 * (profile[k, 0] + profile[k, 1]) - dark
        usable[k] = (
            profile[k, 0] >= 0.0
            and profile[k, size - 1] >= 0.0
            and 0.35 * contrast < h < TOO_HIGH * contrast
            and abs(inside) < 0.15 * contrast + 2.0 * unrest  # else a lid, a lash, a reflection's halo
        )


@kernel
def keep_off(reflects: Flags, glow: Floats, least: int, usable: Flags, trust: Floats):
    """Make rays beside each run of glint rays unusable: a quarter of the run to each side, at least `least`.

    A lens spreads light around a glint; the larger the glint, the farther its halo is worth noticing. A lid,
    however long its run, has no more of it than a large glint. Beside what is nearly a glint rays count less.
    """
    n = reflects.size
    for k in range(n):
        if 0.0 < glow[k] < 1.0:
            for step in range(-least, least + 1):
                trust[(k + step) % n] *= 1.0 - glow[k]
        if reflects[k] and not reflects[(k + 1) % n]:
            run = 1
            while run < n and reflects[(k - run) % n]:
                run += 1
            reach = max(least, min(run, n // LARGE) // 4)
            for step in range(1 - run - reach, reach + 1):
                usable[(k + step) % n] = False


@kernel
def usable_quantile(values: Floats, usable: Flags, share: float, spare: Floats) -> float:
    """Quantile over the usable rays; NaN when fewer than ten are usable."""
    count = 0
    for k in range(values.size):
        if usable[k]:
            spare[count] = values[k]
            count += 1
    return quantile(spare, count, share) if count >= 10 else math.nan


@kernel
def usable_spread(values: Floats, usable: Flags, spare: Floats) -> float:
    """SD of the usable rays from the mean of their least two fifths, 0.256 SD of a normal spread; or NaN.

    It stands a lid in half of the rays, and where a single quantile jumps it hardly changes.
    """
    count, total = 0, 0.0
    for k in range(values.size):
        if usable[k]:
            spare[count] = abs(values[k])
            count += 1
    if count < 10:
        return math.nan
    quantile(spare, count, 0.4)  # those before it are none above it
    few = int(0.4 * count)
    for k in range(few):
        total += spare[k]
    return total / few / 0.256


@kernel
def wander_of(
    profile: Floats, levels: Floats, height: Floats, usable: Flags, contrast: float, noise: float, reach:
    float,
) -> float:  # fmt: skip
    """How far the iris wanders from its level at the pupil's edge: variance, of the edge's height squared.

    For one blur outward, from the last sample of each ray, `reach` blurs out; the mean absolute deviation is
    0.8 SD of a normal spread. noise: SD over the edge's height, of which the means of pixels that make a
    height and a sample leave at most NOISE_LEFT; where it is much it hides the iris: -1, not known.
    """
    if noise >= NOISY[0]:
        return -1.0
    count, total, last = 0, 0.0, profile.shape[1] - 1
    for k in range(height.size):
        if usable[k]:
            count, total = count + 1, total + abs(profile[k, last] - levels[k] - height[k])
    spread = total / (0.8 * contrast * max(count, 1))
    wander = max(spread * spread - NOISE_LEFT * noise * noise, 0.0) / (reach * reach)
    return min(wander, MOST_WANDER) * ramp(noise, NOISY[0], NOISY[1])


@kernel
def move_outline(
    ellipse: Floats,
    frame: Floats,
    shift: Floats,
    weight: Floats,
    cut_px: float,
    variance: float,
    normals: Floats,
) -> float:
    """Move the outline by the measured shifts: weighted least squares, Tukey's weights on top.

    The weights are taken twice, by the shifts and by what the first move leaves of them: that costs less than
    to read the rays once more.
    Leaves the normal equations' matrix in `normals`; returns how far the centre went, px (NaN: lost).
    """
    normal, factor, move, right = np.empty((5, 5)), np.empty((5, 5)), np.zeros(5), np.empty(5)
    for _ in range(2):
        normal[:], right[:] = 0.0, 0.0
        for k in range(shift.size):
            ux, uy, nx, ny = frame[k, 0], frame[k, 1], frame[k, 2], frame[k, 3]
            along = nx * (move[0] + ux * move[2] + uy * move[3]) + ny * (
                move[1] + ux * move[3] + uy * move[4]
            )
            z = (shift[k] - along) / cut_px
            if weight[k] > 0.0 and z * z < 1.0:
                add_row(normal, right, ux, uy, nx, ny, shift[k], (1.0 - z * z) ** 2 * weight[k])
        # an outline is round to 0.15 of its radius, an edge good to `variance`: their ratio is the weight
        add_roundness(normal, right, ellipse, variance / (0.0225 * max(ellipse[2] * ellipse[4], 1.0)))
        factor[:] = normal
        if not solve5(normal, right):
            return math.nan
        move[:] = right
    for i in range(5):
        ellipse[i] += move[i]
    major, minor, _ = semi_axes(ellipse)
    if not (minor > 1.0 and minor > 0.25 * major):
        return math.nan
    normals[:] = factor
    return abs(move[0]) + abs(move[1])


@kernel
def centre_error(normals: Floats) -> float:
    """Standard error of the centre's worse axis, in units of a shift's, from the normal equations."""
    one, two = normals.copy(), normals.copy()
    unit_x, unit_y = np.array([1.0, 0.0, 0.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0, 0.0, 0.0])
    solve5(one, unit_x)
    solve5(two, unit_y)
    half = 0.5 * (unit_x[0] - unit_y[1])
    return math.sqrt(0.5 * (unit_x[0] + unit_y[1]) + math.sqrt(half * half + unit_x[1] * unit_x[1]))


@kernel
def leave_out(
    ellipse: Floats, frame: Floats, shift: Floats, weight: Floats, cut_px: float, variance: float, bare: float
) -> float:
    """How far the centre goes, px, where a quarter of the outline is left out and the rest then fits better.

    A lid's chord that lies on the outline has bent the whole ellipse: without it the rest asks for another.
    Better: by the F ratio of five freedoms against what blocks of a fifteenth of a turn scatter about the new
    ellipse, at least as the rays' noise lets expect, and the shape of a living pupil where no lid covers it
    (bare: of which share of the rays none does); from 1.5 on a move counts, from 3 on in full. A quarter
    without which less than half of what holds the outline is left is not left out.
    """
    n = shift.size
    normal, right, seen = np.zeros((BLOCKS, 5, 5)), np.zeros((BLOCKS, 5)), np.zeros(BLOCKS)
    mean = np.zeros(BLOCKS)
    for k in range(n):
        z, b = shift[k] / cut_px, k * BLOCKS // n
        if weight[k] > 0.0 and z * z < 1.0:
            w = (1.0 - z * z) ** 2 * weight[k] / variance
            add_row(normal[b], right[b], frame[k, 0], frame[k, 1], frame[k, 2], frame[k, 3], shift[k], w)
            seen[b], mean[b] = seen[b] + w, mean[b] + w * shift[k]
    whole, whole_right, scatter, blocks = np.zeros((5, 5)), np.zeros(5), 0.0, 0
    add_roundness(whole, whole_right, ellipse, 1.0 / (0.0225 * max(ellipse[2] * ellipse[4], 1.0)))
    for b in range(BLOCKS):
        whole += normal[b]
        whole_right += right[b]
        if seen[b] > 0.0:
            scatter, blocks = scatter + mean[b] * mean[b] / seen[b], blocks + 1
    most, everything = 0.0, seen.sum()
    shape = SHAPE * ramp(bare, IN_VIEW[0], IN_VIEW[1])
    expected = 1.0 + shape * shape * ellipse[2] * ellipse[4] * everything / max(blocks, 1)
    for b in range(0, BLOCKS, 2):
        some, move, left, rest, rest_blocks = whole.copy(), whole_right.copy(), everything, scatter, blocks
        for step in range(BLOCKS // 4):
            i = (b + step) % BLOCKS
            some -= normal[i]
            move -= right[i]
            left -= seen[i]
            if seen[i] > 0.0:
                rest, rest_blocks = rest - mean[i] * mean[i] / seen[i], rest_blocks - 1
        if left < 0.5 * everything or left > 0.99 * everything or rest_blocks < 8:
            continue
        asked = move.copy()
        if not solve5(some, move):
            continue
        gain = 0.0
        for i in range(5):
            gain += asked[i] * move[i]
        ratio = gain / 5.0 / max((rest - gain) / (rest_blocks - 5), expected)
        sure = min(max((ratio - 1.5) / 1.5, 0.0), 1.0)
        most = max(most, sure * math.hypot(move[0], move[1]))
    return most
