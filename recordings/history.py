"""What the patient tells and what was found at the bedside, as values. All of it may be left out."""

from __future__ import annotations

from typing import Literal

import msgspec

Known = Literal["not stated", "no", "yes"]
LONGEST_NAME = 80
MOST_MEDICINES = 20


class Medicine(msgspec.Struct, frozen=True):
    """Taken lately. Driftbeat records it and never says what to stop."""

    name: str  # with its dose, as told
    hours_since_dose: float | None = None  # at the visit; None: not told

    def __post_init__(self) -> None:
        if not self.name or len(self.name) > LONGEST_NAME or not self.name.isprintable():
            raise ValueError(f"a medicine's name must be 1 to {LONGEST_NAME} printable characters")


class History(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Bedside facts by which a doctor reads a recording; which ones: clinical.md 19 to 21."""

    course: Literal["not stated", "continuous", "episodic"] = "not stated"
    hours_since_onset: float | None = None  # of this episode, or of the first attack; None: not told
    attack_length: Literal["not stated", "seconds", "minutes", "hours", "days"] = "not stated"
    medicines: tuple[Medicine, ...] = ()
    hearing: Literal["not stated", "unchanged", "new loss right", "new loss left", "new loss both"] = (
        "not stated"
    )
    stance: Literal["not stated", "steady", "unsteady, stands alone", "cannot sit or stand alone"] = (
        "not stated"
    )
    falls_toward: Literal["not stated", "no side", "right", "left"] = "not stated"
    head_impulse: Literal[  # as a clinician tested it: Driftbeat does not measure it
        "not stated", "not done", "normal", "abnormal right", "abnormal left", "abnormal both"
    ] = "not stated"
    skew: Literal["not stated", "not done", "none", "right eye higher", "left eye higher"] = "not stated"
    double_vision: Known = "not stated"
    speech_or_swallowing: Known = "not stated"
    weak_or_numb: Known = "not stated"  # face, arms or legs
    clumsy_limbs: Known = "not stated"
    drooping_lid_small_pupil: Known = "not stated"
    headache_or_neck_pain: Known = "not stated"  # new and severe, or after an injury
    fainting_or_chest_pain: Known = "not stated"
    fever_or_ear_discharge: Known = "not stated"
    ear_pressure_or_noise: Known = "not stated"
    migraine_with_attacks: Known = "not stated"

    def __post_init__(self) -> None:
        if len(self.medicines) > MOST_MEDICINES:
            raise ValueError(f"at most {MOST_MEDICINES} medicines can be stored")
