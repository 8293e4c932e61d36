"""What is said of a spontaneous nystagmus, and of one eye beside the other."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.battery.spontaneous_words import Reading
from analysis.procedure import Result
from capture.samples import Eye
from tests.analysis.sawtooth import Made, Phase, make_recording, unseen
from tests.analysis.test_spontaneous import HORIZONTAL, WORKED, analysed, found, result, velocity, words


@pytest.fixture(scope="module")
def worked() -> Result:
    return result(*WORKED)


class TestWords:
    def test_no_side_is_named_from_direction_alone(self, worked: Result) -> None:
        (pattern,) = worked.fits
        assert "reduced function of the left" in pattern
        assert "irritation of the right" in pattern
        assert "does not name the side" in pattern

    @pytest.mark.parametrize("vertical_dps", [9.0, -9.0])
    @pytest.mark.parametrize(("way", "named"), [(1.0, "Left-beating"), (-1.0, "Right-beating")])
    def test_what_is_mainly_vertical_is_not_read_as_horizontal(
        self, way: float, named: str, vertical_dps: float
    ) -> None:
        """A whole labyrinth's vertical canals cancel (clinical 5.3); 3 of 9 deg/s are no cross-talk."""
        (pattern,) = result(Phase("dark", 25, (way * 3.0, vertical_dps, 0))).fits
        assert pattern.startswith("Mainly vertical")
        assert "central" in pattern
        (level,) = result(Phase("dark", 25, (way * 9.0, vertical_dps / 3, 0))).fits
        assert level.startswith(named)

    @pytest.mark.parametrize(("error_dps", "own"), [(0.1, False), (0.02, True)])
    def test_what_a_rolled_camera_may_bring_onto_an_axis_is_no_part_of_the_pattern(
        self, error_dps: float, own: bool
    ) -> None:
        """1.1 of 10 deg/s: more than a tenth by 5 standard errors of 0.02, not by one of 0.1."""
        shown = result(Phase("dark", 25, (3.0, 9.0, 0)))
        speeds = {"horizontal": (1.1, error_dps), "vertical": (10.0, 0.1), "torsional": (0.0, 0.1)}
        found = tuple(
            replace(f, value=speeds[str(f.axis)][0], standard_error=speeds[str(f.axis)][1], present=True)
            for f in shown.findings
            if f.key == "slow_phase_velocity" and f.eye == "right"
        )
        reading = Reading(shown.windows, found, {})
        assert bool(reading.present("dark", "horizontal")) is own

    @pytest.mark.parametrize("still", ["right", "left"])
    def test_one_eye_alone_fits_no_labyrinth(self, still: Eye) -> None:
        """8 deg/s in one eye; the other, as well seen, rests: right minus left is -8 or +8."""
        beating = make_recording(Made((Phase("dark", 25, (-8.0, 0, 0)),)))
        resting = make_recording(Made((Phase("dark", 25),)))
        shown = analysed(replace(beating, samples=beating.samples | {still: resting.samples[still]}))
        difference = found(shown, "eye_difference", "dark", None, HORIZONTAL)
        assert difference.value == pytest.approx(8.0 if still == "right" else -8.0, abs=0.2)
        other = "left" if still == "right" else "right"
        assert shown.fits[0].startswith(f"{other} eye alone, which no labyrinth gives (horizontal)")
        assert "labyrinth or nerve" not in words(shown)

    @pytest.mark.parametrize("eye", ["right", "left"])
    def test_an_eye_whose_noise_hides_beats_is_not_still(self, eye: Eye) -> None:
        """8 deg/s for 0.45 s are quick phases of 3.6 deg, less than five times a noise of 1 deg."""
        beating = make_recording(Made((Phase("dark", 25, (-8.0, 0, 0)),)))
        noisy = make_recording(Made((Phase("dark", 25),), noise_deg=1.0))
        shown = analysed(replace(beating, samples=beating.samples | {eye: noisy.samples[eye]}))
        difference = found(shown, "eye_difference", "dark", None, HORIZONTAL)
        assert difference.value is None
        assert difference.reason.startswith(f"{eye} eye: noise of ")
        assert difference.reason.endswith(" deg hides beats as small as the other eye's")
        assert float(difference.reason.split()[4]) == pytest.approx(1.0, abs=0.15)
        assert "eye alone" not in words(shown)

    def test_an_eye_that_was_not_seen_is_not_still(self) -> None:
        made = make_recording(Made((Phase("dark", 25, (-8.0, 0, 0)),)))
        hidden = unseen(make_recording(Made((Phase("dark", 25),))), 3.0, 30.0)
        shown = analysed(replace(made, samples=made.samples | {"left": hidden.samples["left"]}))
        assert found(shown, "eye_difference", "dark", None, HORIZONTAL).value is None
        assert "labyrinth or nerve" in shown.fits[0]

    def test_suppression_is_never_called_peripheral(self, worked: Result) -> None:
        assert "peripheral" not in words(worked)
        assert any("peripheral origin" in text.lower() for text in worked.not_concluded)

    def test_complete_suppression_is_read_from_the_drift(self) -> None:
        shown = result(Phase("dark", 25, (-8.0, 0, 0)), Phase("fixation", 12))
        index = found(shown, "fixation_index", axis=HORIZONTAL)
        assert index.value == pytest.approx(0.0, abs=0.02)
        assert found(shown, "fixation_reduction", axis=HORIZONTAL).value == pytest.approx(8.0, abs=0.2)

    def test_direction_that_changes_is_never_averaged_away(self) -> None:
        phases = (Phase("a", 20, (-6.0, 0, 0)), Phase("b", 20, (6.0, 0, 0)))
        shown = result(*phases, steps_stated=False)
        finding = velocity(shown, "light not stated")
        assert finding.value is None
        assert finding.present
        assert finding.reason.startswith("direction changes: right-beating 6.0 deg/s")
        assert any("periodic alternating" in text for text in shown.fits)

    def test_healthy_velocity_says_so(self) -> None:
        shown = result(Phase("dark", 25, (-3.0, 0, 0)))
        assert velocity(shown, "dark").verdict == "inside"
        assert "healthy people show it in the dark" in shown.fits[0]
