"""What is asked before a test, and what follows from a yes.

An answer holds for the whole visit. A yes means that the test is not done as it stands: others are proposed,
or a doctor who gives a code decides, in words that are stored.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from analysis.procedure import Procedure, Question


@dataclass(frozen=True, slots=True)
class Asked:
    """How things stand with the questions of one procedure."""

    next: Question | None  # to be answered now
    against: tuple[Question, ...]  # answered with yes, and no doctor has decided
    instead: tuple[str, ...]  # keys of procedures that a yes proposes and no yes speaks against

    @property
    def may_start(self) -> bool:
        """Whether the test may begin."""
        return self.next is None and not self.against


def asked(
    procedure: Procedure,
    answers: Mapping[str, bool],
    decisions: Mapping[str, str],
    named: Callable[[str], Procedure],
) -> Asked:
    """What is still to be asked before a procedure. `named`: finds a procedure by its key."""
    next_one = next((q for q in procedure.questions if q.key not in answers), None)
    yes = tuple(q for q in procedure.questions if answers.get(q.key) and q.key not in decisions)
    proposed = dict.fromkeys(key for question in yes for key in question.instead)
    able = tuple(key for key in proposed if not _speaks_against(named(key), answers, decisions))
    return Asked(next_one, yes, able)


def _speaks_against(procedure: Procedure, answers: Mapping[str, bool], decisions: Mapping[str, str]) -> bool:
    return any(answers.get(q.key) and q.key not in decisions for q in procedure.questions)


def in_words(procedure: Procedure, answers: Mapping[str, bool], decisions: Mapping[str, str]) -> list[str]:
    """The answers and decisions that a recording of this procedure stores."""
    lines = []
    for question in procedure.questions:
        if question.key in answers:
            lines.append(f"asked {question.key}: {'yes' if answers[question.key] else 'no'}")
        if question.key in decisions:
            lines.append(f"decided on {question.key}: {decisions[question.key]}")
    return lines
