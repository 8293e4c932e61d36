"""One invented patient of every pattern before simulated cameras, through the whole chain to the words.

What must be said follows from what the patient was given.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from analysis.analyse import analyse_recording
from analysis.battery import procedure_named
from analysis.battery.caloric_summary import summarise
from analysis.limits import Age
from analysis.procedure import Result
from capture.simulation.patterns import PATTERNS, Pattern
from tests.end_to_end.painted import lead_painted

CENTRAL = "central positional nystagmus"
SHORT = {"baseline": 12.0, "sitting up": 12.0}


@dataclass(frozen=True)
class Case:
    """A patient in a test; what the words that fit must say (all of it), and must not say."""

    procedure: str
    pattern: Pattern
    said: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    seconds: Mapping[str, float] = field(default_factory=dict)
    rate_hz: float = 50.0
    gaze_deg: float | None = None
    steps: int | None = None  # only the first so many
    seed: int = 3
    exchanged: bool = False
    mirrored: bool = False
    flagged: bool | None = None  # whether a red flag must be shown; None: either


NO_OTHER_CANAL = ("anterior canal", "horizontal canal,", "no single canal")
CASES: dict[str, Case] = {
    "right posterior canal": Case(
        "dix_hallpike_right",
        PATTERNS["right posterior canal"],
        ("Right ear down: fits right posterior canal canalolithiasis pattern", CENTRAL),
        ("left posterior", *NO_OTHER_CANAL),
        {**SHORT, "right ear down": 32.0},
    ),
    "mirrored pictures": Case(
        "dix_hallpike_right",
        PATTERNS["right posterior canal"],
        ("direction not proven: no pattern is named",),
        ("canal",),
        {**SHORT, "right ear down": 15.0},
        mirrored=True,
        flagged=False,
    ),
    "left posterior canal, drowsy": Case(
        "dix_hallpike_left",
        replace(PATTERNS["left posterior canal"], sleepiness=0.5),
        ("Left ear down: fits left posterior canal",),
        ("right posterior", *NO_OTHER_CANAL),
        {**SHORT, "left ear down": 32.0},
    ),
    "left posterior canal, blinking": Case(
        "dix_hallpike_left",
        replace(PATTERNS["left posterior canal"], blink_every_s=1.6),
        ("Left ear down: fits left posterior canal",),
        ("right posterior", *NO_OTHER_CANAL),
        {**SHORT, "left ear down": 32.0},
    ),
    "right posterior canal, the left ear down": Case(
        "dix_hallpike_left",
        PATTERNS["right posterior canal"],
        (),
        ("fits",),
        {**SHORT, "left ear down": 20.0},
        flagged=False,
    ),
    "geotropic": Case(
        "supine_roll",
        PATTERNS["left horizontal canal, geotropic"],
        ("Geotropic on both sides: fits left horizontal canal",),
        ("fits right horizontal canal", "posterior", "anterior"),
        {"baseline": 12.0, "roll to the right": 50.0, "roll to the left": 50.0},
    ),
    "apogeotropic": Case(
        "supine_roll_whole_body",
        PATTERNS["right horizontal canal, apogeotropic"],
        ("Apogeotropic on both sides: fits right horizontal canal",),
        ("fits left horizontal canal", "posterior", "anterior"),
        {"baseline": 12.0, "roll to the right": 75.0, "roll to the left": 75.0},
    ),
    "anterior canal": Case(
        "head_hanging",
        PATTERNS["left anterior canal"],
        (f"fits {CENTRAL}, and left anterior canal pattern",),
        ("right anterior", "posterior canal canalolithiasis"),
        {**SHORT, "head hanging": 32.0},
    ),
    "acute loss": Case(
        "spontaneous",
        PATTERNS["acute loss on the right"],
        ("Left-beating: fits reduced function of the right labyrinth or nerve, or irritation of the left",),
        ("on one axis",),
    ),
    "down-beat": Case(
        "spontaneous",
        PATTERNS["down-beat"],
        ("Nystagmus on one axis that no single canal gives: fits a central cause",),
        ("reduced function of the",),
        flagged=True,
    ),
    "gaze-evoked with rebound": Case(
        "gaze_holding",
        # 25 deg / 5 s x 0.9 = 4.5 deg/s at first, 70 % of it once the resting place has followed
        replace(PATTERNS["gaze-evoked with rebound"], integrator_tau_s=5.0, rebound=0.3, in_light=0.9),
        ("Gaze-evoked nystagmus in both directions",),
        ("reduced function of the",),
    ),
    "internuclear ophthalmoplegia": Case(
        "saccades",
        PATTERNS["slow adduction of the left eye"],
        ("Versional disconjugacy to the right: adduction of the left eye is slow", "also fit"),
        ("right eye is slow",),
        rate_hz=200.0,
        steps=1,
        flagged=True,
    ),
    "internuclear ophthalmoplegia, cameras exchanged": Case(
        "saccades",
        PATTERNS["slow adduction of the left eye"],
        ("abduction of the right eye is slow", "exchanged cameras also fit"),
        ("internuclear", "adduction of the"),
        rate_hz=200.0,
        steps=1,
        exchanged=True,
        flagged=False,
    ),
    "periodic alternation": Case(
        "spontaneous",
        PATTERNS["periodic alternation"],
        ("fits periodic alternating nystagmus",),
        ("reduced function of the (right|left) labyrinth",),
        {"dark": 240.0},
        rate_hz=40.0,
    ),
    "perverted head-shake": Case(
        "head_shake",
        PATTERNS["perverted head-shake"],
        ("Vertical nystagmus after horizontal shaking",),
        ("-beating after shaking",),
    ),
    "healthy, dark nystagmus": Case(
        "spontaneous", PATTERNS["dark nystagmus of a healthy person"], (), ("reduced",), flagged=False
    ),
    "healthy, end-point at 30 deg": Case(
        "gaze_holding",
        PATTERNS["end-point nystagmus of a healthy person"],
        (),
        ("Gaze-evoked nystagmus in both directions", "reduced"),
        gaze_deg=30.0,
        flagged=False,
    ),
}
EVERY_TIME = ("right posterior canal", "mirrored pictures")  # cheap


def measured(case: Case, data: Path) -> Result:
    procedure = procedure_named(case.procedure)
    with lead_painted(
        replace(procedure, steps=procedure.steps[: case.steps]),
        case.pattern,
        case.seed,
        data,
        rate_hz=case.rate_hz,
        seconds=case.seconds,
        gaze_deg=case.gaze_deg,
        exchanged=case.exchanged,
        mirrored=case.mirrored,
    ) as recording:
        return analyse_recording(recording).results[0]


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=pytest.mark.long if n in EVERY_TIME else pytest.mark.release) for n in CASES],
)
@pytest.mark.timeout(600)
def test_words_follow_from_what_the_patient_was_given(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    result = measured(case, tmp_path)
    said = " ".join(result.fits)
    assert all(text in said for text in case.said), result.fits
    assert not [text for text in case.never if re.search(text, said)], result.fits
    if case.flagged is not None:
        assert bool(result.red_flags) == case.flagged


@pytest.mark.release
@pytest.mark.timeout(1200)
@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("loss on both sides", "criterion for bilateral vestibulopathy is met"),
        ("acute loss on the right", "Fits reduced function of the right horizontal canal"),
    ],
)
def test_four_irrigations(pattern: str, said: str, tmp_path: Path) -> None:
    results = [
        measured(Case(f"caloric_{ear}_{kind}", PATTERNS[pattern], rate_hz=40.0), tmp_path)
        for kind in ("warm", "cool")
        for ear in ("right", "left")
    ]
    whole = summarise(results, Age(65, 66))  # born in 1960
    assert said in " ".join((*whole.conclusions, *whole.fits))
    assert "reduced function of the left" not in " ".join(whole.fits)
