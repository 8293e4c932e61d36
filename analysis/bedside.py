"""Which of the bedside facts a doctor should hear of at once.

List: clinical.md 21 (the list is from memory there). Never a diagnosis.
"""

from __future__ import annotations

from recordings.history import History

YES = {
    "double_vision": "Double vision.",
    "speech_or_swallowing": "Trouble with speech or swallowing.",
    "weak_or_numb": "Weakness or numbness of face, arm or leg.",
    "clumsy_limbs": "Clumsy arm or leg.",
    "drooping_lid_small_pupil": "Drooping lid with a small pupil.",
    "headache_or_neck_pain": "New severe headache or neck pain, or an injury of the neck.",
    "fainting_or_chest_pain": "Fainting, chest pain or palpitations.",
    "fever_or_ear_discharge": "Fever, or discharge from an ear.",
}


def bedside_flags(history: History) -> tuple[str, ...]:
    """One sentence for each fact of the list that was stated."""
    found = [text for name, text in YES.items() if getattr(history, name) == "yes"]
    if history.hearing.startswith("new loss"):
        found.append("New loss of hearing.")
    if history.stance == "cannot sit or stand alone":
        found.append("Cannot sit or stand without help.")
    if history.skew in ("right eye higher", "left eye higher"):
        found.append(f"The {history.skew}: the eyes are not level.")
    if history.head_impulse == "normal" and history.course == "continuous":
        found.append("A normal head impulse while the vertigo goes on.")
    return tuple(found)
