"""Settings of the visual vertical: formulas and intervals by hand, and the test as a whole."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.battery import procedure_named
from analysis.battery.vertical_notes import head_roll_in, level_in, settings_in
from analysis.procedure import Window
from analysis.vertical_settings import vertical_estimates
from analysis.visual_vertical import against_gravity, static_vertical
from recordings.event import Event
from tests.analysis.stimulus_traces import Eyed, EyePath, recorded, result_of

# The clinical reference, 18.9; its figures were computed there by hand.
SETTINGS = (3.0, 2.2, 3.5, 2.9, 3.4, 1.0, 1.6, 0.8, 1.5, 1.1)
STARTED = (20.0,) * 5 + (-20.0,) * 5


class TestFormulas:
    def test_worked_example(self) -> None:
        found = static_vertical(SETTINGS, STARTED)
        assert not isinstance(found, str)
        assert found.mean_deg == pytest.approx(2.10, abs=0.005)
        assert found.standard_deviation_deg == pytest.approx(1.03, abs=0.005)
        assert found.start_side_effect_deg == pytest.approx(1.80, abs=0.005)
        assert found.mean_absolute_deg == pytest.approx(2.10, abs=0.005)
        assert found.outliers == ()

    def test_signed_and_absolute_means_differ(self) -> None:
        """Mirrored settings in turn: 0 on the whole, 2.5 by size; one of 30 deg is flagged and kept."""
        found = static_vertical((2, -2, 3, -3, 2.5, -2.5), (1, -1, 1, -1, 1, -1))
        assert not isinstance(found, str)
        assert (found.mean_deg, found.mean_absolute_deg) == (0.0, 2.5)
        stray = static_vertical((2, 2.2, 1.8, 2.1, 1.9, 30.0), (1, -1, 1, -1, 1, -1))
        assert not isinstance(stray, str)
        assert stray.outliers == (5,)
        assert stray.mean_deg == pytest.approx(40.0 / 6)

    def test_uneven_numbers_of_starts_do_not_lean_the_mean(self) -> None:
        """2.8 from the right seven times, 1.2 from the left three times: (2.8 + 1.2) / 2, not 2.32."""
        found = static_vertical((2.8,) * 7 + (1.2,) * 3, (20.0,) * 7 + (-20.0,) * 3)
        assert not isinstance(found, str)
        assert found.mean_deg == pytest.approx(2.0)
        assert found.mean_absolute_deg == pytest.approx(2.0)

    def test_the_error_of_uneven_sides(self) -> None:
        """Scatter 1 within each side of four and of sixteen: sqrt(1 / 4 + 1 / 16) / 2 = 0.2795."""
        ten = np.array([-1.0, 1.0]) * math.sqrt(18 / 20)
        found = vertical_estimates([*np.tile(ten, 2), *np.tile(ten, 8)], [1.0] * 4 + [-1.0] * 16)
        assert not isinstance(found, str)
        assert found.mean.standard_error == pytest.approx(0.2795, abs=0.0001)

    def test_mirrored_settings_mirror_the_tilt(self) -> None:
        plain = static_vertical(SETTINGS, STARTED)
        other = static_vertical([-v for v in SETTINGS], [-v for v in STARTED])
        assert not isinstance(plain, str)
        assert not isinstance(other, str)
        assert other.mean_deg == pytest.approx(-plain.mean_deg)
        assert other.start_side_effect_deg == pytest.approx(plain.start_side_effect_deg)

    def test_too_few_and_one_side_only(self) -> None:
        """A tilt from starts of one side alone would hold half of that side's effect."""
        few = "settings from the right and {} from the left, 3 of each needed"
        assert static_vertical(SETTINGS[:5], STARTED[:5]) == "5 " + few.format(0)
        assert static_vertical(SETTINGS[:6], (1.0,) * 6) == "6 " + few.format(0)
        assert static_vertical(SETTINGS[:8], (-1.0,) * 6 + (1.0,) * 2) == "2 " + few.format(6)
        assert not isinstance(static_vertical(SETTINGS[:6], (1.0, -1.0) * 3), str)

    def test_level_between_its_angles(self) -> None:
        """-0.8 at 0 deg and -1.2 at 10: -1.0 at 5."""
        assert against_gravity(5.0, [(0.0, -0.8), (10.0, -1.2)]) == pytest.approx(4.0)
        assert against_gravity(-5.0, [(0.0, -0.8), (10.0, -1.2)]) == pytest.approx(-5.8)

    @pytest.mark.parametrize(
        ("settings", "started", "name"),
        [
            ((1, 2), (1,), "started_deg"),
            ((1, math.nan), (1, -1), "settings_deg"),
            ((1, 2), (1, 0), "started_deg"),
        ],
    )
    def test_mistakes(self, settings: tuple[float, ...], started: tuple[float, ...], name: str) -> None:
        with pytest.raises(ValueError, match=name):
            static_vertical(settings, started)

    @pytest.mark.parametrize("level", [[], [(0.0, math.nan)], [(1.0, 0.0), (0.0, 0.0)]])
    def test_no_level_is_a_mistake(self, level: list[tuple[float, float]]) -> None:
        with pytest.raises(ValueError, match="level"):
            against_gravity(1.0, level)


class TestIntervals:
    def test_the_start_side_is_no_doubt_of_the_mean(self) -> None:
        """Squares about the two means of 3.0 and 1.2: 1.06 + 0.46 = 1.52; 1.52 / 8 = 0.19, SD 0.436.

        Standard error of the mean 0.436 / sqrt(10) = 0.138, of the effect 0.436 sqrt(2 / 5) = 0.276;
        t of 8 degrees of freedom is 2.306: 0.318 and 0.636.
        """
        found = vertical_estimates(SETTINGS, STARTED)
        assert not isinstance(found, str)
        assert found.mean.interval == pytest.approx((2.10 - 0.318, 2.10 + 0.318), abs=0.002)
        assert found.start_side_effect.interval == pytest.approx((1.80 - 0.636, 1.80 + 0.636), abs=0.002)

    def test_the_interval_of_the_spread(self) -> None:
        """9 x SD^2 over the quantiles 19.023 and 2.700 of chi-square: 0.688 and 1.826 times the SD."""
        found = vertical_estimates(SETTINGS, STARTED)
        assert not isinstance(found, str)
        value, (low, high) = found.standard_deviation.value, found.standard_deviation.interval
        assert (low / value, high / value) == pytest.approx((0.688, 1.826), abs=0.001)

    def test_the_interval_of_the_median(self) -> None:
        """Median 1.9; error of the mean 0.138 x sqrt(pi / 2) = 0.173, x 2.306 = 0.399."""
        found = vertical_estimates(SETTINGS, STARTED)
        assert not isinstance(found, str)
        assert found.median.interval == pytest.approx((1.90 - 0.399, 1.90 + 0.399), abs=0.002)

    def test_settings_that_are_all_alike_are_alike_to_a_step_of_the_line(self) -> None:
        """0.25 / sqrt(12) = 0.0722; t of 4 degrees of freedom 2.776: 0.200, the effect sqrt(2) of it."""
        found = vertical_estimates((1.0,) * 6, (10.0, -10.0) * 3)
        assert not isinstance(found, str)
        assert found.mean.interval == pytest.approx((0.8, 1.2), abs=0.001)
        assert found.start_side_effect.interval == pytest.approx((-0.283, 0.283), abs=0.001)
        assert found.standard_deviation.interval[0] == 0.0
        assert found.standard_deviation.interval[1] > 0.1

    def test_intervals_hold_the_truth(self) -> None:
        """2,000 patients with a tilt of 2 deg, effect of the side 1.5, SD 1."""
        rng, held = np.random.default_rng(12), {"mean": [], "effect": []}
        started = (15.0, -15.0) * 5
        for _ in range(2000):
            found = vertical_estimates([2 + 0.75 * np.sign(s) + rng.normal() for s in started], started)
            assert not isinstance(found, str)
            held["mean"].append(found.mean.interval[0] <= 2 <= found.mean.interval[1])
            low, high = found.start_side_effect.interval
            held["effect"].append(low <= 1.5 <= high)
        assert 0.92 <= np.mean(held["mean"]) <= 0.98
        assert 0.92 <= np.mean(held["effect"]) <= 0.98


class TestNotes:
    def test_what_is_read_from_them(self) -> None:
        window = Window("vertical static", "dark", 10.0, 60.0, 10.0)
        texts = [
            "line from +20.0 to +2.3", "line from -15.0 to -1.0", "line from +10.0 to +9.0 practice",
            "screen level at +10.0: -0.8", "screen level at -10.0: 0.5", "head roll -2.0", "a word",
        ]  # fmt: skip
        events = [Event(11.0 + k, 11.0 + k, "note", text) for k, text in enumerate(texts)]
        events.append(Event(70.0, 70.0, "note", "line from +5.0 to +5.0"))
        found, practice = settings_in(events, window)
        assert [(s.started_deg, s.reading_deg) for s in found] == [(20.0, 2.3), (-15.0, -1.0)]
        assert practice == 1
        assert level_in(events) == [(-10.0, 0.5), (10.0, -0.8)]
        assert head_roll_in(events) == -2.0
        assert head_roll_in(events[:3]) is None

    @pytest.mark.parametrize(
        ("notes", "key", "reason"),
        [
            ([], "vertical_mean", "0 settings from the right and 0 from the left"),
            (["line from +20.0 to +2.0", "line from -20.0 to +1.0"] * 3, "vertical_mean", "level of the"),
            (["line from +20.0 to +2.0"] * 6, "vertical_mean", "6 settings from the right and 0 from"),
            (["line from -20.0 to +2.0"] * 6, "vertical_spread", "0 settings from the right and 6 from the"),
            (["head roll +4.0"], "vertical_spread", "head tilted by 4 deg (at most 3)"),
        ],
    )
    def test_why_not(self, notes: list[str], key: str, reason: str) -> None:
        procedure = procedure_named("visual_vertical")
        made = recorded(procedure, {"right": EyePath()}, Eyed(30.0), np.random.default_rng(13), notes=notes)
        found = {f.key: f for f in result_of(made).findings}
        assert found[key].value is None
        assert found[key].reason.startswith(reason)

    def test_a_side_only_where_the_interval_tells_it(self) -> None:
        """Settings of +3, -2, +2, -1, +1, 0: a mean of 0.5 with a standard error of about 0.8."""
        readings = (3.0, -2.0, 2.0, -1.0, 1.0, 0.0)
        lines = [f"line from {-20.0 if k % 2 else 20.0:+.1f} to {r:+.1f}" for k, r in enumerate(readings)]
        notes = ["screen level at 0.0: 0.0", "head roll 0.0", *lines]
        procedure = procedure_named("visual_vertical")
        made = recorded(procedure, {"right": EyePath()}, Eyed(30.0), np.random.default_rng(13), notes=notes)
        (text,) = (t for t in result_of(made).conclusions if "mean setting" in t)
        assert text.endswith("mean setting +0.5 deg, no tilt beyond its uncertainty.")
