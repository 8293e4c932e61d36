"""How one irrigation is led, and who may not have it.

Water of 44 and 30 deg C, 250 ml in 30 s; air of 50 and 24 deg C, 8 l a minute for 60 s (temperatures: Barros
& Caovilla, Braz J Otorhinolaryngol 2012;78:120-125, abstract; volumes from memory: British Society of
Audiology, recommended procedure, 2010). At least 5 minutes from the END of the last irrigation, and its
nystagmus gone.
"""

from __future__ import annotations

from analysis.battery.safety import ALWAYS_STOP, DRUM, EPILEPSY, FLAT, HEART
from analysis.procedure import Step
from capture.samples import Eye, Target

POSTURE = "lying on the back, head raised 30 degrees"
PREPARATION = (
    "Both ears looked into: wax out, drum seen. Look again afterwards.",
    "Say that it will spin for one to two minutes, and that it stops.",
    "At least 5 minutes from the end of the last irrigation, and no nystagmus left of it.",
    "Warm before cool, ears in turn. Read the outlet's temperature; confirm the ear twice.",
    "Water: the computer on battery or isolated, cables kept dry.",
    "Keep the patient talking or counting throughout.",
)
CONTRAINDICATIONS = (
    "perforated drum, grommet or mastoid cavity: no water; air is not comparable between the ears",
    "infection, discharge or recent operation of the ear: postpone",
    "atresia, exostoses, wax: unreliable",
    "ask the doctor: recent infarct or stroke, unstable angina, arrhythmia, severe hypertension, recent eye "
    "operation, uncontrolled epilepsy, third trimester, psychosis or severe panic",
    "acute vestibular attack: postpone, or warm irrigations only",
)
STOP = (*ALWAYS_STOP, "Pain in the ear.")
QUESTIONS = (DRUM, HEART, EPILEPSY, FLAT)
TEMPERATURES = {
    "warm": "water 44 deg C, 250 ml in 30 s; or air 50 deg C, 8 l a minute for 60 s",
    "cool": "water 30 deg C, 250 ml in 30 s; or air 24 deg C, 8 l a minute for 60 s",
    "ice": "water 0 to 4 deg C, 2 to 10 ml, left in for 20 to 30 s with the head turned, then drained",
}
PRONE = "prone"
OPEN = "Keep your eyes wide open and keep on talking with me."


def irrigation_key(ear: Eye, temperature: str) -> str:
    """Key of the step that begins with the irrigation."""
    return f"{ear} {temperature} irrigation"


def irrigation_steps(ear: Eye, temperature: str) -> tuple[Step, ...]:
    """Baseline, irrigation, response, light for 15 s after the peak, and the rest of the response.

    After ice water the patient is turned face down meanwhile: a response to it turns round.
    """
    stimulus = f"{ear} ear: {TEMPERATURES[temperature]}"
    return (
        _dark(
            "baseline", "Baseline", 10, 15, "none", "nystagmus before the irrigation",
            f"Cover the goggles. Check once more: {ear} ear, {temperature}. Go on by the key just as "
            "the irrigation starts.",
            confirm="Nothing is seen.",
        ),
        _dark(
            irrigation_key(ear, temperature), f"{ear.capitalize()} ear, {temperature}", 20, 60, stimulus,
            "start of the irrigation",
            f"Irrigate the {ear} ear, {temperature}: {TEMPERATURES[temperature]}.",
        ),
        _dark(
            "response", "Response", 30, 75, "none", "culmination of slow-phase velocity",
            "Stop irrigating. Keep the patient talking. Light on 10 to 15 s after the strongest nystagmus.",
        ),
        Step(
            key="fixation",
            title="Light on",
            instruction="Look at the light and keep looking at it.",
            light="fixation",
            posture=POSTURE,
            stimulus="one target straight ahead",
            targets=(Target(0.0, 15.0, 0.0, 0.0),),
            shortest_s=15.0,
            longest_s=15.0,
            measured="fixation index and absolute reduction against the dark before and after it",
            action="Switch the target on for 15 s.",
        ),
        *((_FACE_DOWN,) if temperature == "ice" else ()),
        _dark(
            "after", "Light off", 30, 90, "none", "end of the response, reversal",
            "Cover the goggles again until the eyes are quiet.", waits=True,
        ),
    )  # fmt: skip


_FACE_DOWN = Step(
    key=PRONE,
    title="Face down",
    instruction="I turn you onto your front. Keep your eyes wide open.",
    light="dark",
    posture="lying face down",
    stimulus="none: goggles covered, no visible light",
    targets=(),
    shortest_s=20.0,
    longest_s=30.0,
    measured="whether the nystagmus turns round",
    action="Cover the goggles. Turn the patient face down while the nystagmus runs. Press the key when the "
    "position is reached. Then turn back.",
    moves=True,
)


def _dark(
    key: str,
    title: str,
    shortest_s: float,
    longest_s: float,
    stimulus: str,
    measured: str,
    action: str,
    confirm: str = "",
    waits: bool = False,
) -> Step:
    return Step(
        key=key,
        title=title,
        instruction=OPEN,
        light="dark",
        posture=POSTURE,
        stimulus=stimulus,
        targets=(),
        shortest_s=shortest_s,
        longest_s=longest_s,
        measured=measured,
        action=action,
        confirm=confirm,
        waits_for_nystagmus=waits,
    )
