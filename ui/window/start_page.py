"""Who is here and what is told: a code, and bedside facts that may all be left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any, get_args, get_type_hints

import msgspec
from pyqtgraph.Qt import QtCore, QtWidgets

from analysis.bedside import bedside_flags
from recordings.commands import GogglesPlan
from recordings.history import History
from recordings.known_codes import known_codes
from ui.known_goggles import take_up
from ui.visit.entering import (
    code_problem,
    hours_of,
    medicines_of,
    operator_problem,
    time_words,
    year_of,
)
from ui.visit.goggles import Goggles, listed
from ui.visit.similar_codes import similar_codes
from ui.visit.visit import Visit
from ui.window.fields import ChoiceField, TextField
from ui.window.page import Action, Page, text

GOGGLES_AT, LEFT_ROWS = 3, 10  # place of the goggles among the rows; rows of the left half
MOST_SIMILAR = 3  # codes that are named
BETWEEN_PX, ROW_PX = 32, 4  # the two halves of the form; its rows
CODE, YEAR, OPERATOR, GOGGLES = "Patient code", "Year of birth", "Operator", "Goggles"
ONSET, MEDICINES = "Began", "Medicines"
HINTS = {
    CODE: "a pseudonym such as HL-0007, never a name",
    YEAR: "1958",
    OPERATOR: "a code such as op-3",
    ONSET: "6 h, 3 d, 2 weeks ago",
    MEDICINES: "betahistine 16 mg, 8 h ago; next one, 1 d ago",
}
CHOICES = {  # field of `History`: what is asked; for the rest the name says it
    "course": "Vertigo",
    "attack_length": "An attack lasts",
    "hearing": "Hearing",
    "stance": "Standing",
    "falls_toward": "Falls toward",
    "head_impulse": "Head impulse, by a clinician",
    "skew": "Eyes level, by a clinician",
    "double_vision": "Double vision",
    "speech_or_swallowing": "Trouble with speech, swallowing",
    "weak_or_numb": "Face, arm or leg weak or numb",
    "clumsy_limbs": "Arm or leg clumsy",
    "drooping_lid_small_pupil": "Drooping lid, small pupil",
    "headache_or_neck_pain": "New headache, neck pain, injury",
    "fainting_or_chest_pain": "Fainting, chest pain",
    "fever_or_ear_discharge": "Fever, discharge from an ear",
    "ear_pressure_or_noise": "Ear pressure or noise",
    "migraine_with_attacks": "Migraine with the attacks",
}


class StartPage(Page):
    """A form; what is in it counts as soon as the page is left."""

    key, title = "start", "Start"

    def __init__(self, visit: Visit) -> None:
        super().__init__(visit)
        self._texts = {name: TextField(hint) for name, hint in HINTS.items()}
        hints = get_type_hints(History)
        self._choices = {name: ChoiceField(get_args(hints[name])) for name in CHOICES}
        self._goggles = ChoiceField(("",))
        self._filled = False
        self._known: frozenset[str] = frozenset()  # codes of earlier patients
        self._said, self._read = text("", "instruction attention"), text("", "soft")
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._said)
        forms = QtWidgets.QHBoxLayout()
        forms.setSpacing(BETWEEN_PX)
        typed = list(self._texts.items())
        asked = [(CHOICES[name], field) for name, field in self._choices.items()]
        rows = [*typed[:GOGGLES_AT], (GOGGLES, self._goggles), *typed[GOGGLES_AT:], *asked]
        self._fields: list[QtWidgets.QWidget] = [field for _, field in rows]
        forms.addLayout(_form(rows[:LEFT_ROWS]), 5)
        forms.addLayout(_form(rows[LEFT_ROWS:]), 4)
        layout.addLayout(forms)
        layout.addStretch(1)
        layout.addWidget(self._read)

    def key_actions(self) -> tuple[Action, ...]:
        """The same at every field; Left and Right change a choice."""
        return (
            Action("Store and go on", "Return", self._done),
            Action("Next", "Down", lambda: self._move(1)),
            Action("Previous", "Up", lambda: self._move(-1)),
        )

    def enter(self) -> None:
        """Show what is known, the code first."""
        patient, history = self.visit.patient, self.visit.patient.history
        shown = {
            CODE: patient.patient_code,
            YEAR: str(patient.birth_year or ""),
            OPERATOR: patient.operator,
            ONSET: "" if history.hours_since_onset is None else f"{history.hours_since_onset:g} h",
            MEDICINES: "; ".join(
                one.name + ("" if one.hours_since_dose is None else f", {one.hours_since_dose:g} h")
                for one in history.medicines
            ),
        }
        for name, words in shown.items():
            self._texts[name].setText(words)
        for name, field in self._choices.items():
            field.choose(getattr(history, name))
        self._offer_goggles()
        self._filled = True
        self._texts[CODE].setEnabled(not self.visit.training)
        data = self.visit.plan.data_folder
        self.visit.measuring.ask(lambda: known_codes(data), self._take_codes)
        first = self._texts[YEAR if self.visit.training else CODE]
        first.setFocus(QtCore.Qt.FocusReason.OtherFocusReason)

    def leave(self) -> None:
        """Take over what is in the form. `busy` has found nothing wrong with it."""
        for field in self._fields:
            field.clearFocus()
        if self._filled:
            self._take()

    def busy(self) -> str:
        """What is wrong with the form; an empty one may be left."""
        code = self._texts[CODE].text()
        return self._problem() if code.strip() or self._changed() else ""

    def tick(self, now_s: float) -> None:
        """Say what is wrong while it is being typed."""
        typed = bool(self._texts[CODE].text().strip())
        asked = "WHO IS HERE? The code is needed, the rest may be left out."
        self._said.setText((self._problem() or self._similar()) if typed else asked)
        self._read.setText(f"{self._understood()} Left and Right change a choice.")

    def _offer_goggles(self) -> None:
        """Those that can be chosen; in training and where there are none, what is in use."""
        known = {} if self.visit.training else listed(self.visit.goggles)
        used = next((name for name, one in known.items() if one.plan == self.visit.plan), "")
        names = list(known) or [self.visit.plan.profile.name]
        self._goggles.offer(names, used or names[0])
        self._goggles.setEnabled(len(names) > 1)

    def _chosen(self) -> Goggles:
        """The goggles that are chosen; those in use where none can be."""
        in_use = Goggles("", self.visit.plan)
        return in_use if self.visit.training else listed(self.visit.goggles).get(self._goggles.value, in_use)

    def _other_goggles(self) -> GogglesPlan | None:
        """What is chosen, where it is not in use."""
        plan = self._chosen().plan
        return None if plan == self.visit.plan else plan

    def _take_codes(self, codes: frozenset[str]) -> None:
        self._known = codes

    def _similar(self) -> str:
        """What the code may be a slip of."""
        code = self._texts[CODE].text().strip()
        found = () if self.visit.training else similar_codes(code, self._known)
        names = ", ".join(found[:MOST_SIMILAR])
        return (
            f"{code} is new, and similar to {names}: is it the same patient? Check the code." if found else ""
        )

    def _move(self, by: int) -> None:
        fields = [field for field in self._fields if field.isEnabled()]
        at = next((n for n, field in enumerate(fields) if field.hasFocus()), -by)
        fields[(at + by) % len(fields)].setFocus(QtCore.Qt.FocusReason.OtherFocusReason)

    def _done(self) -> None:
        if why := self._problem():
            self.visit.tell("page", why)
            return
        self.go("cameras")

    def _problem(self) -> str:
        """The first thing that is wrong, in words."""
        typed = {name: field.text() for name, field in self._texts.items()}
        checks: list[Callable[[], object]] = [
            lambda: _refuse("" if self.visit.training else code_problem(typed[CODE])),
            lambda: year_of(typed[YEAR], date.today().year),
            lambda: _refuse(operator_problem(typed[OPERATOR])),
            lambda: _refuse(self._chosen().problem),
            lambda: hours_of(typed[ONSET]),
            lambda: medicines_of(typed[MEDICINES]),
        ]
        for check in checks:
            try:
                check()
            except ValueError as error:
                return str(error)
        return ""

    def _history(self) -> History:
        stated: dict[str, Any] = {name: field.value for name, field in self._choices.items()}
        return History(
            hours_since_onset=hours_of(self._texts[ONSET].text()),
            medicines=medicines_of(self._texts[MEDICINES].text()),
            **stated,
        )

    def _changed(self) -> bool:
        others = [self._texts[name].text().strip() for name in (YEAR, ONSET, MEDICINES)]
        if self._other_goggles() or any(others):
            return True
        return any(field.value != "not stated" for field in self._choices.values())

    def _understood(self) -> str:
        """Times as they were read, so that a slip is seen."""
        if self._problem():
            return ""
        history = self._history()
        onset_h = history.hours_since_onset
        times = [] if onset_h is None else [f"began {time_words(onset_h)} ago"]
        for one in history.medicines:
            dose = "not told" if one.hours_since_dose is None else f"{time_words(one.hours_since_dose)} ago"
            times.append(f"{one.name}: last dose {dose}")
        return f"Read as: {'; '.join(times)}." if times else ""

    def _take(self) -> None:
        if self._problem():
            return
        if (plan := self._other_goggles()) is not None:
            for line in take_up(self._chosen()):
                self.visit.tell("profile", line)
            self.visit.use(plan)
        typed = {name: field.text().strip() for name, field in self._texts.items()}
        self.visit.receive(
            msgspec.structs.replace(
                self.visit.patient,
                patient_code=self.visit.patient.patient_code if self.visit.training else typed[CODE],
                birth_year=year_of(typed[YEAR], date.today().year),
                operator=typed[OPERATOR],
                history=self._history(),
            )
        )
        self.visit.tell("code", self._similar())
        flags = bedside_flags(self.visit.patient.history)
        self.visit.tell("bedside", f"Doctor now: {' '.join(flags)}" if flags else "")


def _form(rows: Sequence[tuple[str, QtWidgets.QWidget]]) -> QtWidgets.QGridLayout:
    grid = QtWidgets.QGridLayout()
    for row, (name, field) in enumerate(rows):
        label = text(name)
        label.setWordWrap(False)
        grid.addWidget(label, row, 0)
        grid.addWidget(field, row, 1)
    grid.setRowStretch(len(rows), 1)
    grid.setColumnStretch(1, 1)
    grid.setHorizontalSpacing(BETWEEN_PX // 2)
    grid.setVerticalSpacing(ROW_PX)
    return grid


def _refuse(why: str) -> None:
    if why:
        raise ValueError(why)
