"""The null of a nystagmus over the angle of the head: by hand and on a patient."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, nan

import pytest

from analysis.battery import procedure_named
from analysis.null_angle import null_angle
from capture.simulation.patterns import Course, Pattern
from capture.simulation.traces import Seeing
from tests.analysis.led_patient import lead


def surely(speeds: Sequence[float], error: float) -> list[tuple[float, float]]:
    """95 % intervals of velocities with one standard error."""
    return [(v - 1.96 * error, v + 1.96 * error) for v in speeds]


class TestNullPoint:
    @pytest.mark.parametrize(
        ("angles", "speeds", "expected"),
        [
            ((10, 20), (3, -3), 15.0),
            ((10, 20), (1, -3), 12.5),
            ((-20, -10, 0), (-6, 2, 5), -12.5),
            ((0, 10, 20), (4, 0.2, -4), 10.25),  # a line through three points: slope -0.4, mean 0.067 at 10
        ],
    )
    def test_by_hand(self, angles, speeds, expected: float) -> None:
        found = null_angle(angles, speeds, surely(speeds, 0.3))
        assert not isinstance(found, str)
        assert found.value == pytest.approx(expected, abs=0.1)
        assert found.interval[0] < found.value < found.interval[1]

    def test_the_error_by_hand(self) -> None:
        """Half way between: each end counts half, 0.3 / sqrt(2) deg/s over 0.6 deg/s a degree."""
        found = null_angle((10, 20), (3, -3), surely((3, -3), 0.3))
        assert not isinstance(found, str)
        assert found.standard_error == pytest.approx(0.3 / 2**0.5 / 0.6, abs=0.01)

    @pytest.mark.parametrize(("error", "widened"), [(0.1, 6.532), (0.3, 2.177)])
    def test_points_off_the_line_make_it_unsure(self, error: float, widened: float) -> None:
        """4, 0.8 and -4 deg/s at -10, 0 and 10 deg: slope -0.4, mean 0.8 / 3, so 0 at 2 / 3 deg.

        Off the line by -0.267, 0.533 and -0.267: squares 0.4267, so wider by the root of 42.67 with errors of
        0.1, of 4.741 with 0.3. Error of the mean e / sqrt(3), of the slope e / sqrt(200), which move the null
        by 1 / 0.4 and 0.2667 / 0.4^2: 1.4482 e, to first order.
        """
        found = null_angle((-10, 0, 10), (4, 0.8, -4), surely((4, 0.8, -4), error))
        assert not isinstance(found, str)
        assert found.value == pytest.approx(2 / 3, abs=0.02)
        assert found.standard_error == pytest.approx(1.4482 * error * widened, rel=0.07)

    def test_why_not(self) -> None:
        assert "fewer than two" in str(null_angle([0], [3], [(2, 4)]))
        assert "fewer than two" in str(null_angle([], [], []))
        assert "does not turn" in str(null_angle([0, 10], [3, 2], [(2, 4), (1, 3)]))
        assert "does not turn" in str(null_angle([0, 10], [3, -2], [(2, 4), (-5, 1)]))  # not certain
        assert "more than one" in str(null_angle([0, 10, 20], [3, -3, 3], surely([3, -3, 3], 0.1)))

    @pytest.mark.parametrize("sign", [1, -1])
    @pytest.mark.parametrize("way", [1, -1])
    def test_a_drift_that_may_be_too_slow_does_not_draw_the_null_to_it(self, way: int, sign: int) -> None:
        """6 and -2 deg/s at -10 and 10 deg: 0 at 5 deg, and 2 deg/s at 0.

        There only 0.2 deg/s were seen. If it may be 4, that is no evidence against the line. If it is surely
        from 0.1 to 0.3 deg/s, nine times the ends' 43 count there: (43 x 6 + 384 x 0.2 - 43 x 2) / 470 =
        0.53 deg/s at 0, slope -0.4, so 0 at 1.3 deg. So with the head to the other side (`way`) and for
        beats to the other (`sign`).
        """
        found = []
        for most in (4.0, 0.3):
            between = [sorted((sign * a, sign * b)) for a, b in ((5.7, 6.3), (0.1, most), (-2.3, -1.7))]
            speeds = [6.0 * sign, 0.2 * sign, -2.0 * sign]
            one = null_angle((-10, 0, 10), speeds[::way], [(a, b) for a, b in between[::way]])
            assert not isinstance(one, str)
            found.append(one)
        assert found[0].value == pytest.approx(5.0 * way, abs=0.1)
        assert found[1].value == pytest.approx(1.3 * way, abs=0.1)
        assert found[1].interval[1] - found[1].interval[0] > 5.0  # for the points do not fit

    @pytest.mark.parametrize(
        ("angles", "speeds", "between", "name"),
        [
            ([10, 0], [1, 2], [(0, 2), (1, 3)], "angle"),
            ([0, 1], [nan, 1], [(0, 2), (0, 2)], "vel"),
            ([0, 1], [1, 1], [(0, 2)], "interval"),
        ],
    )
    def test_mistakes(self, angles, speeds, between, name: str) -> None:
        with pytest.raises(ValueError, match=name):
            null_angle(angles, speeds, between)

    @pytest.mark.parametrize("side", [1, -1])
    def test_on_a_patient(self, side: int) -> None:
        """Right-beating at rest and to the left, left-beating from 30 deg right on: null at 20 to 30 deg.

        Mirrored: at 20 to 30 deg left.
        """
        speed = {-40: -9, -30: -8, -20: -7, -10: -6, 10: -4, 20: -2, 30: 2, 40: 4}
        places = {
            f"{abs(a)} degrees {'right' if side * a > 0 else 'left'}": (
                Course((float(side * v), 0.0, 0.0), latency_s=0.0, rise_s=0.1, tau_s=inf),
            )
            for a, v in speed.items()
        }
        patient = Pattern(provoked=places, in_light=1.0, wander_deg=0.0, variation=0.05)
        led = lead(procedure_named("null_point"), patient, 5, {"right": Seeing(rate_hz=60.0)})
        (found,) = [f for f in led.result().findings if f.key == "null_angle"]
        assert found.value == pytest.approx(25.0 * side, abs=2.0)
