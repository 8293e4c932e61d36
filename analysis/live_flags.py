"""Red flags beside nystagmus that both eyes show while they are recorded: flutter, and eyes not level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.square_wave_jerks import flutter_bursts
from analysis.trace import Trace
from capture.samples import EYES, Eye

FLUTTER = "Bursts of saccades without a pause (flutter or opsoclonus). Doctor now."


@dataclass(frozen=True, slots=True)
class FlagSettings:
    """When the strip speaks."""

    recent_s: float = 3.0  # in which a burst is looked for (design choice)
    level_s: float = 4.0  # over which eyes must stay apart (design choice)
    least_seen: float = 0.5  # of that time, with both eyes (design choice)
    skew_deg: float = 3.3  # larger ones point to a central cause (clinical reference 19.2, R 102)
    steady_deg: float = 1.0  # middle half of the difference: more is no lasting deviation (design choice)


SETTINGS = FlagSettings()


def flutter_sign(traces: Mapping[Eye, Trace], now_s: float) -> str:
    """Words while every eye that is seen shows bursts at once; empty otherwise, and where frames are too few.

    A burst in one eye alone is more often a lid or a lost outline than flutter, which moves both.
    """
    found = [flutter_bursts(trace, now_s - SETTINGS.recent_s, now_s) for trace in traces.values()]
    bursts = [spans for spans in found if not isinstance(spans, str)]
    if not bursts or len(bursts) < len(found):
        return ""
    together = any(a[0] < b[1] and b[0] < a[1] for a in bursts[0] for b in bursts[-1])
    return FLUTTER if together else ""


def level_sign(traces: Mapping[Eye, Trace], now_s: float) -> str:
    """Words while one eye stands higher than the other than when both were calibrated; else empty.

    Only traces whose degrees are proven may be handed in. A skew that the patient had while looking at the
    crosses is part of the calibration and is not seen here; the alternate cover test measures it.
    """
    if set(traces) != set(EYES):
        return ""
    right, left = traces["right"], traces["left"]
    recent = right.time_s >= now_s - SETTINGS.level_s
    both_s = right.time_s[recent & right.valid]
    place = np.searchsorted(left.time_s, both_s).clip(0, max(len(left.time_s) - 1, 0))
    if len(both_s) < SETTINGS.least_seen * SETTINGS.level_s * right.rate_hz or not len(left.time_s):
        return ""
    apart = (right.position_deg[recent & right.valid, 1] - left.position_deg[place, 1])[left.valid[place]]
    if len(apart) < SETTINGS.least_seen * SETTINGS.level_s * right.rate_hz:
        return ""
    low, middle, high = np.percentile(apart, [25, 50, 75])
    if abs(middle) <= SETTINGS.skew_deg or high - low > SETTINGS.steady_deg:
        return ""
    higher = "RIGHT" if middle > 0 else "LEFT"
    return f"Eyes not level: {higher} eye higher. If the goggles have not moved: doctor now."
