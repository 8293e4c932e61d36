"""The numbers that tell whether an outline is a pupil's, and how much of the pupil is in view.

An outline is an array of FIELDS numbers: the ellipse first, then what is known about it.
"""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Flags, Floats, kernel, semi_axes
from capture.pupil_edge import Image, glint_level, grey_at, quantile

# places of the numbers that describe an outline
X, Y, P, Q, S, SUPPORT, RESIDUAL, DARK, CONTRAST, UNREST, UNEVEN, SHARE, BLUR, ERROR, FILLED, QUALITY = range(
    16
)
RISE, INNER = 16, 17  # grey levels by which the inside rises outward, and where, as a share of the radius
DARKNESS = 18  # grey level of the inside over the mean of all that is brighter in the picture
SURROUND = 19  # share of the directions in which it is brighter a little farther out, too
SPREAD = 20  # half of the range of grey levels inside from the 0.15 to the 0.85 quantile: one SD
BENT = 21  # px that the centre goes where an arc is left out that does not agree with the others
ENCLOSED = 22  # how surely it is within an iris: something twice as bright as the inside lies all round
ASTRAY = 23  # px, standard error of the centre where arcs of a pupil that is no exact ellipse are hidden
ONWARD = 24  # share of the directions in which the dark goes on beyond the outline
BARE = 25  # share of the rays that no lid covers: those that show the edge and those that meet a glint
FIELDS = 26

# What the outline of a living pupil leaves its ellipse by, of the radius: on average 0.0166 from a circle, of
# which an ellipse explains about half: 0.0166 x sqrt(1 / 2) (Wyatt, Vision Res 1995;35:2021, abstract).
SHAPE = 0.012
# Some outlines are half as rough again as the average (of more, a lid's chord is likelier). In full view
# (support from, to) their harmonics leave the standard error of the centre (by blocks: read_rays) half of
# SHAPE radii, though the centre hardly goes. Chosen on eyes 8,000,000 to 8,001,499, 8,010,000 to 8,010,899
# (1.2 % off an ellipse); IN_VIEW also on s07. ROUGHEST was 2 first, which the test of honest quality denied.
ROUGHEST, SHAPES_ERROR = 1.5, 0.5
IN_VIEW = (0.6, 0.85)
# In an outline wholly in view what is brighter than the iris is a reflection, of a window or out of focus. In
# edge heights above the inside: less may be iris; and the edge's blur over the radius: more, and it may bend
# the outline. By thought; SHARP after two blurred eyes whose outline was bent by 0.6 and 1.5 px.
SOFT_GLINT, SHARP = 1.3, 0.1
# A camera's own compression (JPEG) takes the noise out of neighbouring pixels, but leaves and rounds what is
# as wide as its blocks: cells of a pupil then scatter by up to 0.75 grey levels, those of an iris by 1.0 and
# more (simulated eyes 7,710,000 to 7,710,399, qualities 85 and 70). Less noise of a pixel is not believed.
LEAST_NOISE = 2.0
CLEAN = 0.85  # roughness from which on a lid may have bent an outline: others are looked at
# What the shape may do to the centre under a lid, of the radius (10 px at least, 20 at most), and in how many
# of the directions, as a share, the dark may go on beyond the outline (in three of 48 hardly beyond a right
# one). With all of pupil_chord and pupil_shape chosen on eyes 9,000,000 to 9,002,699, exact and 1.2 % off an
# ellipse.
ASTRAY_PART, BEYOND = (0.025, 0.008), (0.07, 0.02)
BLOCKS = 12  # of an outline
COVERED, GLINT, SEEN = 0, 1, 2  # what a ray shows
_COS_32, _SIN_32 = np.cos(2 * np.pi * np.arange(32) / 32), np.sin(2 * np.pi * np.arange(32) / 32)


@kernel
def read_rays(
    image: Image, out: Floats, frame: Floats, shift: Floats, usable: Flags, reflects: Flags, halo: int, cut:
    float, state: Floats,
):  # fmt: skip
    """Say of each ray what it shows, and fill in support, what is bare, residual and visible share."""
    n = shift.size
    ceiling = glint_level(out[DARK], out[CONTRAST], out[UNREST])
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
    kept, bare, square = 0, 0, 0.0
    for k in range(n):
        bare += state[k] != COVERED
        if state[k] == SEEN:
            kept, square = kept + 1, square + shift[k] * shift[k]
    out[SUPPORT], out[BARE], out[RESIDUAL] = kept / n, bare / n, math.sqrt(square / max(kept, 1))
    out[ERROR] *= max(out[RESIDUAL], block_residual(shift, state), 0.1)
    out[SHARE] = visible_share(state)


@kernel
def block_residual(shift: Floats, state: Floats) -> float:
    """Residual a ray would need, were rays independent, to leave what runs of rays leave together.

    Texture and a lid's chord push neighbouring rays the same way. The mean over a twelfth of the outline
    keeps what is slow along it; its square times the block's rays is the variance of one ray where rays are
    independent, and the fit has taken five of the blocks' freedoms.
    """
    n, blocks, total = shift.size, 0, 0.0
    for b in range(BLOCKS):
        count, mean = 0, 0.0
        for k in range(b * n // BLOCKS, (b + 1) * n // BLOCKS):
            if state[k] == SEEN:
                count, mean = count + 1, mean + shift[k]
        if 2 * BLOCKS * count >= n:
            blocks, total = blocks + 1, total + mean * mean / count
    return math.sqrt(total / max(blocks - 5, 1))


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
def chance(out: Floats, minor: float, aspect: float) -> float:
    """How easily chance draws such an outline on skin, hair or print: below 0.62 hardly, above 0.8 often.

    A pupil is among the darkest of the picture, its outline is smooth and sharp for its size and nearly
    round, and it is brighter all round. The terms add up: what is very smooth may be less dark (stray light,
    a dark iris), and what is very dark may be rougher (few pixels).
    """
    smooth, sharp = max(out[RESIDUAL], 0.01) / minor, out[BLUR] / minor
    doubt = 0.18 * math.log(smooth / 0.02) + 0.8 * sharp + 0.6 * (1.0 - aspect)
    return out[DARKNESS] + doubt + 2.0 * (1.0 - out[SURROUND])


@kernel
def look_inside(image: Image, out: Floats):
    """Fill in how uneven the inside is (0 even, 1 a step as high as the edge) and how much of it is dark."""
    rings, around = 8, 32
    middle, values, grid = np.empty(rings), np.empty(around), np.full((rings + 4, around), math.nan)
    half_way = out[DARK] + 0.5 * out[CONTRAST]
    ceiling = glint_level(out[DARK], out[CONTRAST], out[UNREST])
    inner = max(1.0 - 2.0 * out[BLUR] / math.sqrt(out[P] * out[S]), 0.5)  # the edge's own blur stays out
    for ring in range(rings):
        rho = (ring + 0.5) / rings * inner
        for k in range(around):
            u, v = rho * _COS_32[k], rho * _SIN_32[k]
            column = int(out[X] + out[P] * u + out[Q] * v + 0.5)
            row = int(out[Y] + out[Q] * u + out[S] * v + 0.5)
            if 0 <= column < image.shape[1] and 0 <= row < image.shape[0]:
                grid[ring + 2, k] = image[row, column]
    dark_area, area = 0.0, 0.0
    inside, all_count = np.empty(rings * around), 0
    near = beside_glint(grid, ceiling)
    bright = near
    if out[BARE] >= IN_VIEW[1] and out[BLUR] < SHARP * math.sqrt(out[P] * out[S]):  # no lid reaches in
        bright = beside_glint(grid, out[DARK] + SOFT_GLINT * out[CONTRAST] + 3.0 * out[UNREST])
    for ring in range(rings):
        count = 0
        for k in range(around):
            value = grid[ring + 2, k]
            if value == value and not near[ring + 2, k]:
                values[count], inside[all_count] = value, value
                all_count += value < out[DARK] + max(0.3 * out[CONTRAST], 4.0 * out[UNREST])
                count += 1
            if value == value and not bright[ring + 2, k]:
                area += ring + 0.5
                dark_area += ring + 0.5 if value < half_way else 0.0
        middle[ring] = quantile(values, count, 0.25)
        if count < around:  # beside a glint a codec's ringing is darker than the pupil
            middle[ring] = max(middle[ring], out[DARK])
    out[FILLED] = dark_area / max(area, 1e-9)
    out[SPREAD] = (quantile(inside, all_count, 0.97) - quantile(inside, all_count, 0.5)) / 1.88
    rise, least, low, lowest, step = (
        0.0,
        1e9,
        1e9,
        0,
        0,
    )  # outward only: a glint's halo at the centre is no outline
    for ring in range(rings):
        if middle[ring] < least:
            least, lowest = middle[ring], ring
        if middle[ring] - least > rise:
            rise, low, step = middle[ring] - least, least, lowest
    out[UNEVEN], out[RISE] = max(rise - out[UNREST], 0.0) / out[CONTRAST], rise
    while step < rings - 1 and not middle[step] > low + 0.5 * rise:
        step += 1
    out[INNER] = step / rings * inner


@kernel
def beside_glint(grid: Floats, ceiling: float) -> Flags:
    """Which cells are brighter than `ceiling`, or within two, a quarter of the radius, of one that is."""
    rings, around = grid.shape
    near = np.zeros(grid.shape, np.bool_)
    for ring in range(2, rings - 2):
        for k in range(around):
            if grid[ring, k] > ceiling:
                for j in range(k - 2, k + 3):
                    near[ring - 2 : ring + 3, j % around] = True
    return near


@kernel
def ramp(value: float, zero: float, one: float) -> float:
    """0 at `zero`, 1 at `one`, straight between."""
    return min(max((value - zero) / (one - zero), 0.0), 1.0)


@kernel
def roughness(out: Floats, shapes: float = 1.0) -> float:
    """How far the outline is from an ellipse, over what is usual: texture, a fifth of the blur, and noise.

    The shape of a living pupil, `shapes` times the average, as well, where half of it is in view: less of an
    outline may be a lid's. The noise of a dark pupil speaks for the brighter iris only by half: light brings
    its own, and compression.
    """
    noise = 2.0 * out[UNREST] / out[CONTRAST] * math.sqrt(out[BLUR] / 0.28)
    shape = shapes * SHAPE * math.sqrt(out[P] * out[S]) * ramp(out[SUPPORT], 0.35, 0.6)
    return out[RESIDUAL] / math.sqrt(0.04 * out[BLUR] * out[BLUR] + noise * noise + shape * shape)


@kernel
def error_beyond_shape(out: Floats) -> float:
    """Standard error of the centre, px, beyond what the shape of a pupil wholly in view makes of it."""
    shape = SHAPES_ERROR * SHAPE * ramp(out[BARE], IN_VIEW[0], IN_VIEW[1])
    return math.sqrt(max(out[ERROR] * out[ERROR] - shape * shape * out[P] * out[S], 0.0))


@kernel
def edge_to_noise(out: Floats) -> float:
    """The edge's height over the noise of its mean along the pixels of the outline in view.

    A block that a codec has rounded to two grey levels less is no pupil.
    """
    pixels = 2 * math.pi * math.sqrt(out[P] * out[S]) * out[SUPPORT]
    return out[CONTRAST] / max(out[UNREST], LEAST_NOISE) * math.sqrt(pixels)


@kernel
def expected_dark(out: Floats) -> float:
    """Share of a pupil's pixels that noise leaves below half the edge's height."""
    return 0.5 * (1.0 + math.erf(0.5 * out[CONTRAST] / out[UNREST] / math.sqrt(2.0)))


@kernel
def quality_of(out: Floats) -> float:
    """0..1, the product of what a pupil must show: see the lines."""
    major, minor, _ = semi_axes(out[:5])
    aspect = minor / major
    return (
        # enough of the outline, and the more the flatter it is: what lids leave of a disc is flat, too
        ramp(out[SUPPORT] - 1.1 * (1.0 - aspect), 0.1, 0.4)
        * ramp(aspect, 0.4, 0.7)  # 0.7: a gaze 45 deg off the camera's axis
        * ramp(roughness(out, ROUGHEST), 1.5, 0.75)  # an outline that is an ellipse, but for life
        * surely_there(out, min(max(minor, 10.0), 20.0))
        * (0.36 + 0.64 * ramp(out[ONWARD], BEYOND[0], BEYOND[1]))  # no pupil beyond the outline
        * ramp(edge_to_noise(out), 6.0, 14.0)  # an edge above the noise
        # a hole returns less light than skin in a fold; half as much less where it is within an iris
        * ramp(out[CONTRAST] / (out[DARK] + 1.0) * (1.0 + out[ENCLOSED]), 0.1, 0.2)
        * ramp(out[UNEVEN], 0.6, 0.3)  # no outline inside the outline
        * ramp(out[FILLED] - expected_dark(out) * out[SHARE], -0.2, -0.07)  # dark wherever no lid is
        * ramp(chance(out, minor, aspect), 0.8, 0.62)
    )


@kernel
def surely_there(out: Floats, size: float) -> float:
    """How surely the centre is where the outline has it: by the worst of what may have moved it."""
    rough = 0.7 + 0.3 * ramp(roughness(out), 1.5, 0.75)  # rougher than pupils usually are
    error = ramp(error_beyond_shape(out) / size, 0.06, 0.02)  # a centre that the arc in view determines
    bent = 0.45 + 0.55 * ramp(out[BENT], 1.2, 0.3)  # arcs that agree
    # what the shape does under a lid
    astray = 0.45 + 0.55 * ramp(out[ASTRAY] / size, ASTRAY_PART[0], ASTRAY_PART[1])
    return min(min(rough, error), min(bent, astray))


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
