"""The battery: every procedure, in the order in which it is usually done.

Adding one is one file here and one name in `BATTERY`.
"""

from __future__ import annotations

from analysis.battery.spontaneous import SPONTANEOUS
from analysis.procedure import Procedure

BATTERY: tuple[Procedure, ...] = (SPONTANEOUS,)
