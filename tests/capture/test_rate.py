from __future__ import annotations

import numpy as np
import pytest

from capture.rate import RateMeter, RateReport, ruled_out
from capture.samples import NAN, Frame

IMAGE = np.zeros((1, 1), np.uint8)


def reports(
    times_s: list[float], repeated: list[bool] | None = None, said_hz: float = NAN
) -> list[RateReport]:
    meter = RateMeter(said_hz)
    repeated = repeated or [False] * len(times_s)
    found = (
        meter.add(Frame(number, time_s, NAN, IMAGE, None, copy))
        for number, (time_s, copy) in enumerate(zip(times_s, repeated, strict=True))
    )
    return [report for report in found if report is not None]


@pytest.mark.parametrize("rate_hz", [25.0, 59.94, 119.88, 250.0])
def test_an_even_stream(rate_hz: float) -> None:
    found = reports([k / rate_hz for k in range(round(3.5 * rate_hz))], said_hz=rate_hz)
    assert len(found) == 3
    for report in found:
        assert report.true_hz == report.delivered_hz == pytest.approx(rate_hz)
        assert (report.copies, report.lost, report.stretched, report.cautions) == (0, 0, False, ())


def test_late_frames_matter_little() -> None:
    random = np.random.default_rng(3)
    times_s = np.arange(400) / 120 + random.exponential(0.003, 400)
    found = reports(sorted(times_s.tolist()), said_hz=120.0)
    assert [report.true_hz for report in found] == pytest.approx([120.0] * 3, rel=0.01)


def test_a_wrong_header_is_said() -> None:
    (first,) = reports([k / 60 for k in range(70)], said_hz=120.0)
    assert first.true_hz == pytest.approx(60)
    assert first.cautions[0] == "The camera promises 120 pictures/s and gives 60.0."


def test_copies_are_no_observations() -> None:
    """60 observations a second, sent as 100: of five pictures two are copies."""
    copies = [k % 5 in (1, 3) for k in range(120)]
    (first,) = reports([k / 100 for k in range(120)], copies, said_hz=100.0)
    assert first.true_hz == pytest.approx(60, rel=0.01)
    assert first.delivered_hz == pytest.approx(100)
    assert first.copies == sum(copies[4:105])
    assert not first.stretched


def test_automatic_exposure_that_stretches_frames_is_noticed() -> None:
    """The light goes out after 1.5 s, and the camera goes from 60 to 30."""
    times_s = [k / 60 for k in range(90)] + [1.5 + k / 30 for k in range(90)]
    found = reports(times_s, said_hz=60.0)
    assert [report.stretched for report in found] == [False, True, True, True]
    assert found[-1].true_hz == pytest.approx(30)
    assert found[-1].first_hz == pytest.approx(60)
    assert any("Lock the exposure" in line for line in found[-1].cautions)


def test_lost_frames_are_no_stretching() -> None:
    meter = RateMeter(100.0)
    kept = [k for k in range(110) if k % 4]
    found = [meter.add(Frame(k, k / 100, NAN, IMAGE)) for k in kept]
    report = next(report for report in found if report is not None)
    assert not report.stretched
    assert report.lost == 25
    assert report.true_hz == pytest.approx(75, rel=0.02)


def test_a_frozen_picture_gives_no_rate() -> None:
    (first,) = reports([k / 100 for k in range(120)], [k > 5 for k in range(120)])
    assert np.isnan(first.true_hz)
    assert first.ruled_out == ("The true rate is not known: velocities are held against no limit.",)


@pytest.mark.parametrize(
    ("rate_hz", "expected"),
    [
        (25.0, ("not assessed below 30", "latency", "Saccade velocity is not assessed")),
        (30.0, ("less certain below 60", "latency", "Saccade velocity is not assessed")),
        (29.97, ("less certain below 60", "latency", "Saccade velocity is not assessed")),
        (60.0, ("latency", "Saccade velocity is not assessed")),
        (90.0, ("Saccade velocity is not assessed",)),
        (99.9, ("15 deg and more only",)),
        (120.0, ("15 deg and more only",)),
        (200.0, ("15 deg and more only",)),
        (250.0, ()),
    ],
)
def test_what_a_rate_rules_out(rate_hz: float, expected: tuple[str, ...]) -> None:
    """Clinical reference 3.6 and 27.19."""
    lines = ruled_out(rate_hz)
    assert len(lines) == len(expected)
    assert all(part in line for part, line in zip(expected, lines, strict=True))


def test_a_long_exposure_rules_out_saccade_velocity() -> None:
    assert ruled_out(250.0, 5.0) == ()
    assert "smears" in ruled_out(250.0, 8.0)[0]
