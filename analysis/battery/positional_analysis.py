"""What a positional test shows: nystagmus in each position, its course, and the patterns that it fits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace

from analysis.battery.positional_words import Positions, red_flags, what_fits, what_was_found
from analysis.battery.stepwise import (
    Measured,
    StepSettings,
    measure_steps,
    settings_in_words,
    step_cautions,
)
from analysis.eye_window import VELOCITY
from analysis.finding import Finding
from analysis.limits import judge
from analysis.nystagmus import direction
from analysis.positional_findings import course_findings, fatigue_findings, side_findings
from analysis.positional_kinds import KindSettings
from analysis.positional_responses import QUARTILES_OF_A_NORMAL, Response, Triple, first_of, response
from analysis.positional_runs import CourseSettings
from analysis.procedure import Observed, Result, Step
from analysis.windows import step_of
from capture.samples import AXES, Eye


@dataclass(frozen=True, slots=True)
class PositionalSettings:
    """The one configuration for every recording."""

    steps: StepSettings = field(default_factory=StepSettings)
    course: CourseSettings = field(default_factory=CourseSettings)
    kinds: KindSettings = field(default_factory=KindSettings)


def analyse(
    observed: Observed,
    *,
    key: str,
    title: str,
    steps: Sequence[Step],
) -> Result:
    """Measure nystagmus in each position, its course in those that somebody was moved into, and its kind.

    Never raises for a poor recording: what cannot be assessed is a finding without a value, with its reason.
    """
    settings = PositionalSettings()
    measured = measure_steps(observed, steps, settings.steps)
    baselines: dict[Eye, Triple] = {eye: baseline_dps(measured.findings, eye) for eye in measured.marking}
    scatters: dict[Eye, Triple] = {eye: baseline_scatter_dps(measured.findings, eye) for eye in baselines}
    responses = tuple(
        response(part, step, baselines[part.trace.eye], settings.course, scatters[part.trace.eye])
        for part, step in ((part, step_of(part.window, steps)) for part in measured.parts.values())
        if step is not None and step.moves
    )
    courses = [f for r in responses for f in course_findings(r)]
    courses += (*side_findings(responses), *fatigue_findings(responses))
    measured = replace(measured, findings=tuple(_present(f, responses) for f in measured.findings))
    found = (*measured.findings, *(judge(f, "lying", observed.age) for f in courses))
    positions = Positions(responses, measured, observed.recording.samples, found, settings.kinds)
    return Result(
        procedure=key,
        title=title,
        windows=measured.windows,
        findings=found,
        conclusions=what_was_found(positions),
        red_flags=red_flags(positions),
        fits=what_fits(positions),
        not_concluded=NOT_CONCLUDED,
        cautions=step_cautions(observed, measured, settings.steps)
        + _cautions(measured, baselines, responses),
        choices=CHOICES,
        settings={
            **settings_in_words(settings.steps),
            **asdict(settings.course),
            **asdict(settings.kinds),
        },
    )


def _present(finding: Finding, responses: Sequence[Response]) -> Finding:
    """A median velocity is present where its course is: a paroxysm's scatter is its course, not its error."""
    response = first_of(responses, finding.step, finding.eye) if finding.eye else None
    if finding.key != VELOCITY or finding.value is None or response is None:
        return finding
    axis = AXES.index(finding.axis or "")
    if response.run(axis) is None:
        return finding
    word = direction(AXES[axis], finding.value) if response.part.marking.direction_proven else ""
    return replace(finding, present=True, direction=word)


def baseline_dps(findings: Sequence[Finding], eye: Eye) -> Triple:
    """Slow-phase velocity on each axis before anybody was moved; 0 where no nystagmus was present."""
    still = {axis: f.value for axis, f in _at_rest(findings, eye).items() if f.value is not None}
    return (still.get(AXES[0], 0.0), still.get(AXES[1], 0.0), still.get(AXES[2], 0.0))


def baseline_scatter_dps(findings: Sequence[Finding], eye: Eye) -> Triple:
    """Scatter of that velocity from beat to beat, as a standard deviation; 0 where none was present."""
    far = {
        axis: (f.quartiles[1] - f.quartiles[0]) / QUARTILES_OF_A_NORMAL
        for axis, f in _at_rest(findings, eye).items()
        if f.quartiles is not None
    }
    return (far.get(AXES[0], 0.0), far.get(AXES[1], 0.0), far.get(AXES[2], 0.0))


def _at_rest(findings: Sequence[Finding], eye: Eye) -> dict[str, Finding]:
    """What was present in the baseline, by axis."""
    return {
        f.axis or "": f
        for f in findings
        if (f.key, f.step, f.eye) == (VELOCITY, "baseline", eye) and f.present
    }


def _cautions(
    measured: Measured, baselines: Mapping[Eye, Triple], responses: Sequence[Response]
) -> tuple[str, ...]:
    texts = []
    if not any(w.key == "baseline" for w in measured.windows):
        texts.append("no baseline: nystagmus that was there before the movement is not told apart")
    if any(map(any, baselines.values())):
        texts.append("nystagmus of the baseline is taken off latency, duration, peaks and sides")
    unmarked = dict.fromkeys(r.key for r in responses if r.part.window.reached_s is None)
    texts += [f"{key}: when the position was reached is not marked, so no latency" for key in unmarked]
    return tuple(texts)


NOT_CONCLUDED = (
    "That positional vertigo is excluded: debris may have moved; one negative test is repeated another day.",
    "A benign cause from a short course or a latency: central lesions show both (Macdonald et al., Front "
    "Neurol 2017;8:141, abstract).",
    "A cause from the reversal of a nystagmus, in one position or on sitting up.",
)
CHOICES = (
    "Latency runs from when the position was marked as reached to the beginning of the first of 3 beats of "
    "one direction; the operator's own delay in marking is in it.",
    "Duration ends where the slow phase falls below 1 deg/s or no beat follows for 3 s.",
    "One minute divides the patterns of free debris from those of debris on the cupula (contested).",
    "The side of a horizontal canal is named only where the 99.9 % interval of the asymmetry excludes 0 "
    "and the sides differ by at least 5 %; not where alertness may have changed between them: one fades "
    "unevenly or far more slowly, or the lid hung lower on the slower side (common practice, no source).",
    "Above 4 deg/s horizontally or 2 deg/s vertically positional nystagmus counts as more than healthy "
    "people show (Nelson et al., J Am Acad Audiol 2019;30:883-895, abstract); older rule: 6 deg/s.",
)
