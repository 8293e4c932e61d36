"""Who may not be moved as a test moves people, what ends a test, and what is asked before it.

Lists: Humphriss et al., Int J Audiol 2003;42:166-173 (abstract), the rest from memory and common practice
(British Society of Audiology, recommended procedure for positioning tests, 2016, from memory). A clinician of
the user's clinic must approve them.
"""

from __future__ import annotations

from analysis.procedure import Question

NECK_SOURCE = "Humphriss et al., Int J Audiol 2003;42:166-173 (abstract); list from memory"

NECK_ABSOLUTE = (
    "recent fracture or operation of the neck",
    "instability of the upper neck (rheumatoid arthritis, Down syndrome)",
    "cervical myelopathy or severe prolapse of a disc",
    "carotid sinus syncope",
    "Chiari malformation with symptoms",
    "known dissection of a neck artery, vascular dissection syndrome",
)
NECK_RELATIVE = (
    "ask the doctor: narrowed carotid artery, vertebrobasilar ischaemia, compressed nerve root",
    "ask the doctor: recent infarct, recent eye operation, detached retina",
    "ask the doctor: severe kyphosis, severe back pain, obesity, late pregnancy",
)
ALWAYS_STOP = (
    "The patient asks to stop.",
    "Chest pain, breathlessness, fainting (eyes roll up), seizure, severe vomiting.",
    "Double vision, slurred speech, weakness, numbness, a drop attack or another new neurological sign.",
)
POSITIONAL_STOP = (*ALWAYS_STOP, "Neck pain.")

STIFF_NECK = Question(
    "stiff_neck",
    "Is the neck or back stiff, painful or operated, or can the head not be bent back?",
    NECK_SOURCE,
    ("side_lying_right", "side_lying_left", "supine_roll_whole_body"),
)
UNSTABLE_NECK = Question(
    "unstable_neck",
    "Recent injury or operation of the neck, rheumatoid arthritis, Down syndrome, or pressure on the spinal "
    "cord?",
    NECK_SOURCE,
    ("supine_roll_whole_body",),
)
NECK_ARTERY = Question(
    "neck_artery",
    "A torn or narrowed artery of the neck, fainting when the neck is turned, or known poor blood supply to "
    "the back of the brain?",
    NECK_SOURCE,
    ("supine_roll_whole_body",),
)
TURN_TEST = Question(
    "turn_test",
    "Sitting, head turned 45 degrees and bent back, 10 s each side: dizziness, double vision, slurred "
    "speech, a drop, nausea or numbness?",
    "pre-test of common practice, no source",
    ("supine_roll_whole_body",),
)
RETINA = Question(
    "retina",
    "Detached retina, or an operation of the eye in the last weeks?",
    "common practice, no source",
)
HEART = Question(
    "heart",
    "Recent infarct or stroke, unstable angina, arrhythmia, or uncontrolled blood pressure?",
    "common practice, no source",
)
FLAT = Question(
    "flat",
    "Is it impossible to lie flat (breathing, back, late pregnancy)?",
    "common practice, no source",
)
DRUM = Question(
    "drum",
    "A hole in the eardrum, a grommet, an ear operation, discharge or infection?",
    "common practice; British Society of Audiology 2010, from memory",
)
EPILEPSY = Question("epilepsy", "Epilepsy that is not under control?", "common practice, no source")
DEEP_BREATHS = Question(
    "deep_breaths",
    "Pregnancy, sickle-cell disease, severe lung disease, panic disorder, or raised pressure in the head?",
    "common practice, no source",
)
SKULL = Question(
    "skull",
    "Recent operation of the ear, recent bleeding in the head or a high risk of bleeding, an implant or "
    "shunt, or debris put back today?",
    "common practice, no source",
)
