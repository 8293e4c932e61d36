"""Rows of tests/data/check-values.json that state a formula, checked against the product's own functions."""

from __future__ import annotations

import math
from typing import Any, get_args

import numpy as np
import pytest

from analysis.analyse import analyse_recording
from analysis.battery.changes import Compared
from analysis.battery.dysconjugacy import (
    HEALTHY,
    HEALTHY_SPREAD,
    HIGHEST_HEALTHY,
    healthy_deviations,
    versional_index,
)
from analysis.battery.gaze_holding import ABNORMAL_DPS
from analysis.battery.positional_steps import dix_hallpike_steps
from analysis.battery.provoked_steps import VIBRATION_STEPS
from analysis.battery.provoked_words import VIBRATION_DPS
from analysis.battery.spontaneous_words import FLAGGED_REDUCTION_DPS
from analysis.battery.stimulus_steps import sine_targets
from analysis.fixation import fixation_index, suppression_percent
from analysis.gaze import (
    alexander_slope,
    degree_of_nystagmus,
    integrator_time_constant_s,
)
from analysis.limits import LIMITS
from analysis.live_flags import FlagSettings
from analysis.nystagmus import BEAT_NAMES, direction
from analysis.positional import asymmetry, decay
from analysis.positional_kinds import Seen, kind_of
from analysis.positional_patterns import horizontal_canal, vertical_canal
from analysis.procedure import Window
from analysis.slope import slope_and_error
from analysis.square_wave_jerks import JerkSettings
from analysis.visual_vertical import against_gravity, visual_dependence
from capture.calibration_fit import listing_torsion_rad
from capture.samples import Eye
from tests.analysis.check_values import ROWS, near
from tests.analysis.sawtooth import Made, Phase, make_recording


@pytest.mark.parametrize("row", [ROWS["NYS-02"], ROWS["NYS-03"]], ids=lambda row: row["id"])
def test_beat_direction(row: dict[str, Any]) -> None:
    assert BEAT_NAMES[direction("horizontal", row["inputs"]["spv_h"])] == row["expected"]


def test_fixation_index() -> None:
    row = ROWS["NYS-06"]
    index = fixation_index(row["inputs"]["spv_dark"], row["inputs"]["spv_fix"])
    assert index is not None
    assert index.value == near(row, row["expected"])


def test_fixation_suppression_percent() -> None:
    row = ROWS["NYS-07"]
    index = fixation_index(row["inputs"]["D"], row["inputs"]["F"])
    assert index is not None
    assert suppression_percent(index.value) == near(row, row["expected"])


def test_suppression_and_index_are_one_scale() -> None:
    expected = ROWS["NYS-09"]["expected"]
    assert suppression_percent(expected["fixation_index"]) == pytest.approx(expected["suppression_pct"])


def test_limit_in_the_dark_is_the_mean_and_2_sd_of_its_source() -> None:
    healthy = ROWS["NYS-16"]["expected"]
    row = next(limit for limit in LIMITS if limit.light == "dark")
    assert row.high == pytest.approx(healthy["mean"] + 2 * healthy["sd"])
    assert str(ROWS["NYS-16"]["inputs"]["n"]) in row.note
    assert str(healthy["max"]) in row.note
    assert str(healthy["prevalence_pct"]) in row.note


def test_reduction_that_is_flagged() -> None:
    assert ROWS["NYS-18"]["expected"]["reduction_lt"] == FLAGGED_REDUCTION_DPS


def test_slow_phase_velocity_from_end_points() -> None:
    """Samples on the straight line between the row's end points."""
    row = ROWS["NYS-01"]
    given = row["inputs"]
    time = np.linspace(0, given["duration_s"], 25)
    position = np.linspace(given["pos_start_deg"], given["pos_end_deg"], 25)
    assert slope_and_error(time, position, 0.0, 0.0)[0] == near(row, row["expected"])


def test_time_constant_from_two_points() -> None:
    row = ROWS["NYS-10"]
    given = row["inputs"]
    tau = decay(np.array([0.0, given["dt_s"]]), np.array([given["spv0"], given["spv1"]]))
    assert not isinstance(tau, str)
    assert tau.value == near(row, row["expected"])


def test_alexander_slope() -> None:
    row = ROWS["NYS-11"]
    slope = alexander_slope(row["inputs"]["spv_fast_side"], row["inputs"]["spv_slow_side"])
    assert slope == near(row, row["expected"])


@pytest.mark.parametrize("row", [ROWS["NYS-12"], ROWS["NYS-13"]], ids=lambda row: row["id"])
def test_degree_of_nystagmus(row: dict[str, Any]) -> None:
    assert degree_of_nystagmus(**row["inputs"]["present"]) == row["expected"]


def test_error_of_a_slope() -> None:
    """Over many slow phases of the row's noise, length and number of samples: the error that is stated."""
    row = ROWS["NYS-14"]
    given, rng = row["inputs"], np.random.default_rng(2)
    time = (np.arange(given["N"]) + 0.5) * given["T_s"] / given["N"]
    noise = rng.normal(0, given["sigma_deg"], (2000, given["N"]))
    errors = [slope_and_error(time, row, 0.0, 0.0)[1] for row in noise]
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(row["expected"], rel=0.1)


def test_time_constant_of_gaze_holding() -> None:
    row = ROWS["GAZ-04"]
    tau = integrator_time_constant_s(row["inputs"]["E_deg"], -row["inputs"]["v"])
    assert tau == near(row, row["expected"])


def test_what_is_called_abnormal_lies_beyond_healthy_drift_in_gaze() -> None:
    assert ROWS["GAZ-05"]["expected"] < ABNORMAL_DPS


def test_positional_limits_are_those_of_their_source() -> None:
    row = ROWS["BPP-05"]["expected"]
    across, up, places, _ = (limit for limit in LIMITS if limit.light == "lying")
    assert (across.high, up.high) == (row["max_spv"], row["vertical_max_spv"])
    assert f"most {row['max_positions']} positions" in across.note
    assert places.high == row["max_positions"]


def test_head_turn_and_neck_extension() -> None:
    row = ROWS["BPP-04"]["expected"]
    action = dix_hallpike_steps("right")[1].action
    assert f"{row['turn']} degrees" in action
    assert f"neck {row['extension']} degrees back" in action


def seen_in_roll(ear: Eye, speed: float, name: str, lasts_s: float) -> Seen:
    way: Eye = "right" if name == BEAT_NAMES["right"] else "left"
    return Seen(
        f"roll to the {ear}", "right", ear, "horizontal", way, None, False, speed, lasts_s, False, 1.0
    )


@pytest.mark.parametrize("row", [ROWS["BPP-06"], ROWS["BPP-07"]], ids=lambda row: row["id"])
def test_supine_roll(row: dict[str, Any]) -> None:
    given, expected = row["inputs"], row["expected"]
    right, left = (seen_in_roll(ear, *given[f"{ear}_down"]) for ear in get_args(Eye))
    uneven = asymmetry(right.speed_dps, left.speed_dps, 0.05)
    stronger: Eye = "right" if uneven.interval[0] > 0 else "left"
    (text,) = horizontal_canal(right, left, stronger)
    assert text.startswith(expected["type"].capitalize())
    assert f"fits {expected['affected']} horizontal canal" in text
    if "asym_pct" in expected:
        assert uneven.value == near(row, expected["asym_pct"])
    if "canal" in expected:
        assert expected["canal"].removeprefix("horizontal ") in text


def test_right_posterior_canal() -> None:
    row = ROWS["BPP-10"]
    given = row["inputs"]
    kind = kind_of((0.2, -0.7, -0.68), (0.02, 0.02, 0.02))  # beats up, upper pole to the right
    shown = Seen("right ear down", "right", given["side"], kind, None, "right", False, 40.0,
                 given["duration_s"], False, given["latency_s"])  # fmt: skip
    assert row["expected"] in vertical_canal(shown)


@pytest.mark.parametrize(
    ("row", "slow_phase", "kind"),
    [
        (ROWS["BPP-11"], (0.0, 0.7, 0.7), "down and torsional"),  # up, upper pole toward the right
        (ROWS["BPP-12"], (0.0, -0.7, -0.7), "up and torsional"),  # down, upper pole toward the left
    ],
    ids=lambda value: value["id"] if isinstance(value, dict) else "",
)
def test_directions_of_single_canals(
    row: dict[str, Any], slow_phase: tuple[float, float, float], kind: str
) -> None:
    beats, ear = row["expected"].split("; upper pole beats toward ")
    assert kind_of(slow_phase, (0.02, 0.02, 0.02)) == kind
    assert BEAT_NAMES[direction("vertical", slow_phase[1])] == beats
    assert direction("torsional", slow_phase[2]) == f"upper_pole_{ear.split()[0]}"


def test_change_after_head_shaking() -> None:
    row = ROWS["HSH-04"]
    given, expected = row["inputs"], row["expected"]
    corrected = [given[key] - given["pre"] for key in ("at3s", "at11s")]
    tau = decay(np.array([3.0, 11.0]), np.abs(corrected))
    assert not isinstance(tau, str)
    assert tau.value == near(row, expected["tau_s"])
    assert BEAT_NAMES[direction("horizontal", corrected[0])] == expected["direction"]
    window = Window("after head shaking", "dark", 100.0, 160.0, 100.0)
    assert Compared("baseline", "after head shaking", 2.0, 5.0).span(window) == (102.0, 105.0)


def test_vibration() -> None:
    assert ROWS["VIB-03"]["expected"] == VIBRATION_DPS
    assert f"{ROWS['VIB-01']['expected']} Hz" in VIBRATION_STEPS[1].stimulus


def test_visual_dependence() -> None:
    row = ROWS["SVV-07"]
    dependence, left = visual_dependence(row["inputs"]["bias_cw"], row["inputs"]["bias_ccw"])
    assert dependence == near(row, row["expected"]["VD"])
    assert left == near(row, row["expected"]["residual"])


def test_level_of_the_screen() -> None:
    row = ROWS["SVV-08"]
    angle = against_gravity(row["inputs"]["reading"], [(0.0, row["inputs"]["screen_angle"])])
    assert angle == near(row, row["expected"])


@pytest.mark.parametrize("row", [ROWS[f"ROT-0{n}"] for n in (1, 2, 3)], ids=lambda row: row["id"])
def test_false_torsion(row: dict[str, Any]) -> None:
    gaze = np.radians([[row["inputs"]["az"], row["inputs"]["el"]]])
    assert abs(np.degrees(listing_torsion_rad(gaze)[0])) == near(row, row["expected"])


def test_amplitude_times_frequency_is_less_than_the_slow_phase() -> None:
    """A sawtooth of the row: 4 deg twice a second, quick phases of 50 ms, through the whole measure."""
    row = ROWS["NYS-15"]
    given, expected = row["inputs"], row["expected"]
    slow_s = 1 / given["freq_hz"] - given["quick_ms"] / 1000
    phase = Phase("dark", 30, (-given["amp_deg"] / slow_s, 0.0, 0.0), slow_s, given["quick_ms"] / 1000)
    recording = make_recording(Made((phase,), eyes=("right",), rate_hz=250.0))
    found = {(f.key, f.axis): f.value for f in analyse_recording(recording, 1960).results[0].findings}  # type: ignore[arg-type]
    product = (found["quick_phase_amplitude", "horizontal"] or 0) * (found["nystagmus_frequency", None] or 0)
    assert product == pytest.approx(expected["amp_x_freq"], rel=0.015)
    assert found["slow_phase_velocity", "horizontal"] == near(row, -expected["true_spv"])


def test_dysconjugacy_index() -> None:
    row = ROWS["SAC-19"]
    index = versional_index(row["inputs"]["v_abducting"], row["inputs"]["v_adducting"])
    assert index == near(row, row["expected"]["VDI"])
    assert healthy_deviations(index) == near(row, row["expected"]["z"])
    highest = ROWS["SAC-20"]
    assert healthy_deviations(highest["inputs"]["VDI"]) == near(highest, highest["expected"])
    with pytest.raises(ValueError, match="adducting_dps"):
        versional_index(410.0, 0.0)
    with pytest.raises(ValueError, match="index"):
        healthy_deviations(math.nan)


def test_healthy_people_of_the_dysconjugacy_index() -> None:
    row = ROWS["SAC-18"]["expected"]
    assert (row["mean"], row["sd"], row["max"]) == (HEALTHY, HEALTHY_SPREAD, HIGHEST_HEALTHY)


def test_peak_velocity_of_a_target_on_a_sine() -> None:
    row = ROWS["PUR-02"]
    targets = sine_targets(row["inputs"]["A_deg"], row["inputs"]["f_hz"], 4, 240.0)
    places, times = [t.horizontal_deg for t in targets], [t.start_s for t in targets]
    assert max(np.diff(places) / np.diff(times)) == near(row, row["expected"])


def test_numbers_of_the_literature_that_are_used() -> None:
    assert (JerkSettings().smallest_deg, JerkSettings().largest_deg) == tuple(
        ROWS["NYS-20"]["expected"]["amp"]
    )
    assert ROWS["NYS-19"]["expected"] == FlagSettings().skew_deg


def test_every_row_that_is_used_names_its_source() -> None:
    assert all(row["source"] for row in ROWS.values())
