"""The pupil's outline followed to its sub-pixel place."""

from __future__ import annotations

import math

import numpy as np

from capture.ellipse import Flags, Floats, kernel, robust_ellipse
from capture.pupil_around import AROUND, darkness, surround, within_iris
from capture.pupil_checks import (
    ASTRAY,
    BARE,
    BENT,
    BLUR,
    CLEAN,
    CONTRAST,
    DARK,
    DARKNESS,
    ENCLOSED,
    ERROR,
    ONWARD,
    QUALITY,
    SHAPE,
    SHARE,
    SUPPORT,
    SURROUND,
    UNREST,
    P,
    S,
    fits_better,
    look_inside,
    quality_of,
    read_rays,
    roughness,
)
from capture.pupil_chord import fit_without, next_arc, onward
from capture.pupil_edge import Image, blur_of, glint_level, inner_level, sample_normals, step_filter
from capture.pupil_rays import (
    average_rays,
    centre_error,
    dark_beside,
    judge_rays,
    keep_off,
    leave_out,
    move_outline,
    rays_averaged,
    usable_quantile,
    usable_spread,
    wander_of,
)
from capture.pupil_shape import error_of_shape

MOST_HALF = 12  # px, longest profile to each side
MOST_RAYS = 192
RAYS_A_RADIUS = 4.0  # a ray every 1.6 px of the outline: few pixels of the edge are left unread
MOST_STEPS = 30
TEXTURE_PX2 = 0.01  # variance of a shift without noise: texture at the edge makes 0.1 px
HALO_PX = 3.0  # how far a lens spreads the light of a glint, at least
FAR_PX = 1.5  # a first move above this: rays of 4 px to each side may have met something else
NEAR_PX = 0.2  # a move below this: near enough to read all rays
# Of the pupil's grey level: a lower edge is a pupil's only within an iris, which ends at something so many
# times as bright. Seen on eyes 8,000,000 to 8,001,499 and pictures without one, 8,400,000 to 8,404,999.
FAINT_SHARE, IRIS_GROUND = 0.2, 2.0
FEW_RAYS = 64  # at least are fitted anew from arcs: enough to find those that agree
SAME_PX = 1.0  # an outline so near (the first cut) is followed to the same place
NONE, AS_KNOWN_PX = np.empty(0), 0.3  # nothing known; this near a known outline, that is where it leads
WHOLE = 0.97  # of the rays are seen: no arc is hidden
FEW_ONWARD = 0.03  # share of the directions in which the dark goes on beyond the outline: a lash makes two
LONGEST_CHORD = 0.12  # of the rays that an outline without a chord loses; chosen on s07
MOST_CHORDS, LEAST_OTHER = 6, 0.35  # chords tried; quality of an outline without one, as of any pupil
# A move below this ends the iteration (texture makes ten times as much); after so many near steps one below
# the second, for a ray at its limit may come and go for ever.
SETTLED_PX, RESTLESS_PX, PATIENCE = 0.002, 0.01, 8


@kernel
def weigh(
    height: Floats, usable: Flags, trust: Floats, lit: float, variance: float, noise: float, weight: Floats
):
    """Weights of the rays, 1 for a usual one: the better its contrast the less noise has its shift.

    A ray lower than `lit` lies in the shadow of a lid or lash, which moves it more than texture does others;
    0: noise hides that.
    """
    for k in range(height.size):
        texture = TEXTURE_PX2 * max(lit / height[k], 1.0)
        own = texture + noise / (height[k] * height[k])
        weight[k] = trust[k] * variance / own if usable[k] else 0.0


@kernel
def ray_count(radius: float) -> int:
    """Rays for an outline of this radius: in steps of 16, so that hardly ever a hair decides over them."""
    return min(max(16 * int(RAYS_A_RADIUS * radius / 16 + 0.5), 64), MOST_RAYS)


@kernel
def follow(
    image: Image, out: Floats, half: int, near: bool, known: Floats, frame: Floats, shift: Floats, state:
    Floats,
) -> int:  # fmt: skip
    """Follow the outline in `out` to its fixed point; returns the number of rays, 0 when it is lost.

    half: px looked at to each side at first. near: the outline is that of the picture before, known but for
    a small move, and lost where that is above FAR_PX. known: an outline that was followed already, or none:
    what comes near it ends there, too, and is lost. A third of the rays brings the outline near, all of
    them settle it: what they measure, from the grey levels on, is taken near the fixed point, so that it does
    not matter where the outline came from. Leaves in frame, shift and state (MOST_RAYS, ...; COVERED, GLINT
    or SEEN) what each ray showed at the end.
    """
    ellipse = out[:5]
    radius = math.sqrt(max(ellipse[2] * ellipse[4] - ellipse[3] * ellipse[3], 1.0))
    store, filters = np.empty(shift.size * (2 * MOST_HALF + 1)), np.empty((2, 2 * MOST_HALF + 1))
    heights, weights, trusts = np.empty(shift.size), np.empty(shift.size), np.empty(shift.size)
    spare, levels = np.empty(shift.size), np.empty(shift.size)
    usables, reflect = np.empty(shift.size, np.bool_), np.empty(shift.size, np.bool_)
    smooth = np.empty((shift.size, 2 * MOST_HALF + 1))
    # the nearer the first steps come, the less does it matter from where
    contrast, blur = out[CONTRAST], out[BLUR] if near else half / 3.0
    dark, unrest, wander, cut, normals = 0.0, 0.0, -1.0, 1.0, np.empty((5, 5))
    rough, trail = 1 if near else 2, np.empty((2, 5))
    n, near_steps, variance = max(ray_count(radius) // 3, 36), 0, TEXTURE_PX2
    for step in range(MOST_STEPS):
        trail[step % 2] = ellipse
        if step > 0:
            half = min(max(int(3.0 * blur + 0.5), 4), MOST_HALF, max(int(0.5 * radius), 4))
        if step < rough + 1 or near_steps == 2:
            dark, unrest = inner_level(image, ellipse, contrast)
        size = 2 * half + 1
        profile, ray, level = store[: n * size].reshape(n, size), frame[:n], levels[:n]
        height, place, usable, reflects = heights[:n], shift[:n], usables[:n], reflect[:n]
        trust = trusts[:n]
        sample_normals(image, ellipse, half, profile, ray)
        ceiling = glint_level(dark, contrast, unrest)
        together = rays_averaged(unrest / contrast, n)
        average_rays(profile, together, dark, 0.25 * contrast + 2.0 * unrest, ceiling, usable, smooth)
        quiet = unrest / math.sqrt(1.0 + 2.0 * together)  # what noise the average leaves
        step_filter(blur, quiet / contrast, wander, half, filters)
        dark_beside(profile, dark, 0.25 * contrast + 2.0 * quiet, level)
        judge_rays(
            profile, filters, half, level, ceiling, contrast, quiet, height, place, usable, reflects, trust,
            spare,
        )  # fmt: skip
        keep_off(reflects, spare, max(1, int(HALO_PX * n / (2 * math.pi * radius) + 0.5)), usable, trust)
        seen = usable_quantile(height, usable, 0.5, spare)
        contrast = seen if step >= rough else 0.5 * (contrast + seen)
        if near_steps > 0:
            wander = wander_of(profile, level, height, usable, contrast, quiet / contrast, half / blur)
        spread = 4.685 * usable_spread(place, usable, spare)  # Tukey's cut for 95 % efficiency
        noise = quiet * quiet * blur / 0.28  # variance of a shift, times the height squared
        most = 0.6 * blur + 3.0 * math.sqrt(noise) / contrast + 2.0 * SHAPE * radius
        cut = max(spread, 1.0) if step < rough else min(max(spread, 0.3 * blur), most)
        variance = TEXTURE_PX2 + noise / (contrast * contrast)
        lit = contrast if wander >= 0.0 else 0.0
        weigh(height, usable, trust, lit, variance, noise, weights)
        moved = move_outline(ellipse, ray, place, weights, cut, variance, normals)
        change = blur_of(profile, usable, height, half) - blur  # near the end it shows a half of what is due
        blur = min(max(blur + (2.0 if near or step >= rough else 1.0) * change, 0.6), 4.0)
        if not (moved >= 0.0 and blur > 0.0 and contrast > 1.0) or (near and step == 0 and moved > FAR_PX):
            return 0
        before = trail[(step + 1) % 2]
        back = math.hypot(ellipse[0] - before[0], ellipse[1] - before[1])
        if near_steps >= 3 and back < 0.5 * SETTLED_PX <= 0.5 * moved:
            for i in range(5):  # to and fro for ever: a ray comes and goes, or the cut is wide and narrow
                ellipse[i] = 0.5 * (trail[0, i] + trail[1, i])
            break
        if near_steps >= 3 and moved < (RESTLESS_PX if near_steps > PATIENCE else SETTLED_PX):
            break
        if near_steps > 1 or (near_steps == 1 and moved >= NEAR_PX):
            near_steps += 1
        elif near_steps == 1 or (moved < NEAR_PX and (near or step >= 2)) or step > MOST_STEPS // 2:
            # again after a step with all rays: the radius is known better, and hardly ever near a limit
            radius = math.sqrt(max(ellipse[2] * ellipse[4] - ellipse[3] * ellipse[3], 1.0))
            n, near_steps = ray_count(radius), near_steps + 1
            if known.size > 0 and np.max(np.abs(ellipse - known)) < AS_KNOWN_PX:
                return 0
    out[ERROR] = centre_error(normals)
    out[DARK], out[CONTRAST], out[UNREST], out[BLUR] = dark, contrast, unrest, blur
    halo = max(1, int(HALO_PX * n / (2 * math.pi * radius) + 0.5))
    read_rays(image, out, frame[:n], shift[:n], usables[:n], reflect[:n], halo, cut, state[:n])
    out[BENT] = leave_out(ellipse, frame[:n], shift[:n], weights[:n], cut, variance, out[BARE])
    out[ASTRAY] = 0.0
    if out[SUPPORT] < WHOLE:
        out[ASTRAY] = error_of_shape(ellipse, frame[:n], shift[:n], weights[:n], cut, variance)
    return n


@kernel
def settle(image: Image, out: Floats, half: int, near: bool) -> float:
    """Bring the outline in `out` (ellipse and CONTRAST given) to its place and judge it; returns its quality.

    Where the outline is not clean, a chord along a lid may be in it: the sub-pixel points are then fitted
    anew from arcs, and where that leads elsewhere, the better of both outlines stays.
    """
    out[QUALITY] = 0.0
    frame, shift, state = np.empty((MOST_RAYS, 4)), np.empty(MOST_RAYS), np.empty(MOST_RAYS)
    n = follow(image, out, half, near, NONE, frame, shift, state)
    if n == 0:
        return 0.0
    if out[SHARE] < 0.97 or roughness(out) > CLEAN:
        other = out.copy()
        again = refit_arcs(other, frame[:n], shift[:n])
        again = again and np.max(np.abs(other[:5] - out[:5])) > SAME_PX
        again = again and follow(image, other, 4, False, out[:5], frame, shift, state) > 0
        if again and fits_better(other, out):
            out[:] = other
    return judge_for_chords(image, out)


@kernel
def judge_for_chords(image: Image, out: Floats) -> float:
    """Judge an outline; where a lid's chord may be in it, look for a better one; returns its quality."""
    judge(image, out)
    if out[ONWARD] > FEW_ONWARD:
        look_beside_chord(image, out)
    return out[QUALITY]


@kernel
def look_beside_chord(image: Image, out: Floats):
    """Take the outline without a lid's chord where the dark goes on beside one and that makes it better."""
    flags, start, before = np.empty(AROUND, np.bool_), 0, out.copy()
    best = LEAST_OTHER
    frame, shift, state = np.empty((MOST_RAYS, 4)), np.empty(MOST_RAYS), np.empty(MOST_RAYS)
    onward(image, out, flags)
    n = follow(image, before, 4, False, NONE, frame, shift, state)
    arc, frames, shifts, states = np.empty(n, np.bool_), frame.copy(), shift.copy(), state.copy()
    for _ in range(MOST_CHORDS if n > 0 else 0):
        start = next_arc(flags, state[:n], start, arc)
        if start > 2 * AROUND:
            break
        other = before.copy()
        found = fit_without(image, other, frame[:n], shift[:n], state[:n], arc, flags)
        found = found and follow(image, other, 4, False, before[:5], frames, shifts, states) > 0
        found = found and other[SUPPORT] > before[SUPPORT] - LONGEST_CHORD
        if found and judge(image, other) > best and other[ONWARD] < 0.5 * before[ONWARD]:
            best = other[QUALITY]
            out[:] = other


@kernel
def judge(image: Image, out: Floats) -> float:
    """Fill in what lies in and around an outline, and its quality, which is returned."""
    look_inside(image, out)
    out[DARKNESS], out[SURROUND] = darkness(image, out[DARK]), surround(image, out)
    is_faint = out[CONTRAST] < FAINT_SHARE * (out[DARK] + 1.0)
    # beyond a lower edge the dark may be the iris' texture; a whole outline has no chord
    may_be_chord = out[CONTRAST] > out[DARK] and out[SUPPORT] < WHOLE
    out[ONWARD] = onward(image, out, np.empty(AROUND, np.bool_)) if may_be_chord else 0.0
    out[ENCLOSED] = within_iris(image, out, IRIS_GROUND * (out[DARK] + out[UNREST])) if is_faint else 0.0
    out[QUALITY] = quality_of(out)
    return out[QUALITY]


@kernel
def refit_arcs(out: Floats, frame: Floats, shift: Floats) -> bool:
    """Fit the ellipse anew to the points that the rays found, from arcs and with a narrow cut."""
    stride = max(shift.size // FEW_RAYS, 1)
    n = shift.size // stride
    xs, ys, use = np.empty(n), np.empty(n), np.empty(n, np.bool_)
    for i in range(n):
        k = stride * i
        xs[i] = out[0] + out[2] * frame[k, 0] + out[3] * frame[k, 1] + shift[k] * frame[k, 2]
        ys[i] = out[1] + out[3] * frame[k, 0] + out[4] * frame[k, 1] + shift[k] * frame[k, 3]
        use[i] = shift[k] != 0.0
    radius = math.sqrt(out[P] * out[S])
    limits = np.array([0.5 * radius, 2.0 * radius, 0.4])
    return robust_ellipse(xs, ys, use, 0.35 * out[BLUR], limits, out[:5]) < 0.9
