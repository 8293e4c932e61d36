"""How nystagmus is provoked by shaking, vibration, breathing, pressure and sound: every step."""

from __future__ import annotations

from analysis.procedure import Step

SITTING = "sitting, head straight"
OPEN = "Keep your eyes wide open and look straight ahead."


def dark_step(
    key: str,
    title: str,
    seconds: tuple[float, float],
    stimulus: str,
    action: str,
    measured: str,
    *,
    instruction: str = OPEN,
    posture: str = SITTING,
    confirm: str = "",
    waits: bool = False,
) -> Step:
    """A step without targets, in the dark."""
    return Step(
        key=key,
        title=title,
        instruction=instruction,
        light="dark",
        posture=posture,
        stimulus=stimulus,
        targets=(),
        shortest_s=seconds[0],
        longest_s=seconds[1],
        measured=measured,
        action=action,
        confirm=confirm,
        waits_for_nystagmus=waits,
    )


def before(seconds: float) -> Step:
    """Rest in the dark before the stimulus."""
    return dark_step(
        "baseline", "Baseline", (seconds, seconds), "none", "Cover the goggles.", "nystagmus before the "
        "stimulus",
        confirm="Nothing is seen.",
    )  # fmt: skip


HEAD_SHAKE_STEPS = (
    before(20),
    dark_step(
        "head shaking", "Head shaking", (10, 15),
        "head pitched 30 degrees down, 15 to 20 degrees to each side, 2 a second, 20 to 30 cycles "
        "(metronome)",
        "Head 30 degrees down. Shake it 15 to 20 degrees to each side, two cycles a second, 20 to 30 times. "
        "Never more than 20 degrees.",
        "",
        instruction="I shake your head. Keep your eyes open and your neck loose.",
        posture="sitting, head 30 degrees down",
    ),
    dark_step(
        "after head shaking", "After shaking", (60, 90), "none", "Stop at once, head straight. Keep still.",
        "change of slow-phase velocity 2 to 5 s after the stop, its decline, a second phase", waits=True,
    ),
)  # fmt: skip


def _vibration(key: str, place: str) -> tuple[Step, Step]:
    return (
        dark_step(
            key, place, (10, 10), f"vibration of 100 Hz, {place.lower()}",
            f"Vibrator firmly (about 10 N) on the {place.lower()}, at the height of the ear canal. 10 "
            "seconds.",
            "change of slow-phase velocity during the vibration", instruction=f"It hums on your bone. {OPEN}",
        ),
        dark_step(
            f"rest after {key}", "Rest", (30, 40), "none", "Vibrator off. Wait.", "nystagmus gone with "
            "the stimulus"
        ),
    )  # fmt: skip


VIBRATION_STEPS = (
    before(15),
    *_vibration("vibration right", "Right mastoid"),
    *_vibration("vibration left", "Left mastoid"),
    *_vibration("vibration vertex", "Vertex"),
)

HYPERVENTILATION_STEPS = (
    before(20),
    dark_step(
        "deep breathing", "Deep breathing", (60, 70), "one deep breath each 2 to 3 s (20 to 30 a minute)",
        "Breathe with the patient: one deep breath each 2 to 3 seconds.",
        "change of slow-phase velocity in the last 10 s",
        instruction="Breathe deeply with me. Tell me of tingling or faintness. Eyes wide open.",
    ),
    dark_step(
        "after breathing", "After breathing", (90, 90), "none", "Breathe quietly again. Keep recording.",
        "change of slow-phase velocity in the first 10 s, and how long it lasts", waits=True,
        instruction="Breathe as usual. Eyes wide open.",
    ),
)  # fmt: skip

_EAR = "I press on your ear."
_PUMP = "You will feel your ear pulled. Say stop if it hurts."
_SUCTION = "-200 to -400 daPa by a tympanometer (skip without one)"
_NOISE = "A loud tone comes. Say stop if it hurts."
_TONE = "tone of 500 to 1000 Hz, at most 110 dB HL"
_PRESSES = (  # key, title, seconds, stimulus, what the patient is told
    ("valsalva nose", "Pinched nose", (10.0, 15.0), "pressing into the pinched nose", "Press."),
    ("valsalva glottis", "Closed glottis", (10.0, 15.0), "straining with closed glottis", "Hold and strain."),
    ("pressure right", "Right ear pressed", (15.0, 15.0), "pressure on the right tragus", _EAR),
    ("pressure left", "Left ear pressed", (15.0, 15.0), "pressure on the left tragus", _EAR),
    ("suction right", "Negative pressure, right ear", (15.0, 15.0), f"right ear: {_SUCTION}", _PUMP),
    ("suction left", "Negative pressure, left ear", (15.0, 15.0), f"left ear: {_SUCTION}", _PUMP),
    ("tone right", "Tone, right ear", (3.0, 5.0), f"{_TONE}, right ear", _NOISE),
    ("tone left", "Tone, left ear", (3.0, 5.0), f"{_TONE}, left ear", _NOISE),
)

PRESSURE_STEPS = (
    before(15),
    *(
        step
        for key, title, seconds, stimulus, told in _PRESSES
        for step in (
            dark_step(
                key, title, seconds, stimulus, f"{stimulus[0].upper()}{stimulus[1:]}.",
                "change of slow-phase velocity during the stimulus; beats are not needed",
                instruction=f"{told} Eyes wide open.",
            ),
            dark_step(f"rest after {key}", "Rest", (15, 20), "none", "Let go. Wait.", "back to rest"),
        )
    ),
)  # fmt: skip
