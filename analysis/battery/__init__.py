"""The battery: every procedure, in the order in which it is usually done.

Adding one is one file here and one name in `BATTERY`, or in `DRIVEN` where a stimulus leads it.
"""

from __future__ import annotations

from analysis.battery.alternate_cover import ALTERNATE_COVER
from analysis.battery.calibration import CALIBRATION
from analysis.battery.caloric import CALORIC
from analysis.battery.fixation_stability import FIXATION
from analysis.battery.free import FREE
from analysis.battery.gaze_holding import GAZE_HOLDING, GAZE_HOLDING_DARK
from analysis.battery.optokinetic import OPTOKINETIC
from analysis.battery.periodic_alternation import PERIODIC_ALTERNATION
from analysis.battery.positional import (
    DIX_HALLPIKE_LEFT,
    DIX_HALLPIKE_RIGHT,
    SIDE_LYING_LEFT,
    SIDE_LYING_RIGHT,
    SUPINE_ROLL,
    SUPINE_ROLL_WHOLE_BODY,
)
from analysis.battery.positional_others import OTHER_POSITIONAL
from analysis.battery.provoked import PROVOKED
from analysis.battery.pursuit import PURSUIT
from analysis.battery.saccades import SACCADES
from analysis.battery.spontaneous import SPONTANEOUS
from analysis.battery.visual_vertical import VISUAL_VERTICAL, VISUAL_VERTICAL_TURNING
from analysis.procedure import Procedure, Recorded

BATTERY: tuple[Procedure, ...] = (
    SPONTANEOUS,
    PERIODIC_ALTERNATION,
    GAZE_HOLDING,
    GAZE_HOLDING_DARK,
    DIX_HALLPIKE_RIGHT,
    DIX_HALLPIKE_LEFT,
    SUPINE_ROLL,
    SIDE_LYING_RIGHT,  # for a neck that allows no Dix-Hallpike, as the next one is for one that does not turn
    SIDE_LYING_LEFT,
    SUPINE_ROLL_WHOLE_BODY,
    *OTHER_POSITIONAL,
    *PROVOKED,
    CALIBRATION,
    *CALORIC,
    FREE,
)

# Measured from a recording like all others, but led by a stimulus that the technician's window does not show.
DRIVEN: tuple[Procedure, ...] = (
    FIXATION,
    SACCADES,
    PURSUIT,
    OPTOKINETIC,
    VISUAL_VERTICAL,
    VISUAL_VERTICAL_TURNING,
    ALTERNATE_COVER,
)
EVERY: tuple[Procedure, ...] = (*BATTERY, *DRIVEN)


def procedure_named(key: str) -> Procedure:
    """The procedure of this key.

    Raises ValueError naming the key when the battery has none.
    """
    for procedure in EVERY:
        if procedure.key == key:
            return procedure
    raise ValueError(f"key must be one of {', '.join(p.key for p in EVERY)}, got {key!r}")


def procedure_of(recording: Recorded) -> Procedure:
    """What a recording is a recording of.

    It says so itself; an older one is told by its steps, and is spontaneous nystagmus where they do not tell.
    A test that this battery does not know is measured step by step, like a free recording.
    """
    if stated := recording.info.procedure:
        return next((p for p in EVERY if p.key == stated), FREE)
    led = {e.text for e in recording.events if e.kind == "step"}
    able = (p for p in EVERY if led and led <= {step.key for step in p.steps})
    return next(able, SPONTANEOUS)
