from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from capture.errors import ProfileError
from capture.live import CameraSettings
from capture.profile import CameraProfile, EyeView, GoggleProfile, read_profile

PLAIN = """
name = "clinic goggles"
[[cameras]]
identity = "0042A7"
views = [{ eye = "right" }]
"""
# As it was stored and hashed before a profile could ask a camera for anything.
EARLIER = (
    b'{"name":"clinic goggles","cameras":[{"identity":"0042A7","views":[{"eye":"right","region_px":null,'
    b'"mirrored":false,"rotation_deg":0}],"geometry":{"azimuth_temporal_deg":null,"elevation_deg":null,'
    b'"distance_mm":null,"mm_per_px":null},"nominal_rate_hz":null}],"irradiance_w_m2":null,"made_on":null,'
    b'"expires_on":null}'
)


def read(folder: Path, text: str) -> GoggleProfile:
    (folder / "goggles.toml").write_text(text)
    return read_profile(folder / "goggles.toml")


def test_what_a_camera_is_asked_for_stands_in_the_profile(tmp_path: Path) -> None:
    asked = (
        "[cameras.settings]\nwidth_px = 320\nheight_px = 240\nrate_hz = 250\nexposure_ms = 2.5\ngain = 0\n"
    )
    profile = read(tmp_path, PLAIN + asked + 'pixel_format = "GREY"\n')
    assert profile.cameras[0].settings == CameraSettings(320, 240, 250.0, 2.5, 0.0, "GREY")
    assert b'"exposure_ms":2.5' in profile.to_json()


def test_a_profile_that_asks_for_nothing_keeps_its_hash(tmp_path: Path) -> None:
    profile = read(tmp_path, PLAIN)
    assert profile.to_json() == EARLIER
    assert profile.sha256() == hashlib.sha256(EARLIER).hexdigest()
    assert read(tmp_path, PLAIN + "[cameras.settings]\ngain = 1.0\n").sha256() != profile.sha256()


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("rate_hz = 0", "rate_hz must be above 0"),
        ("exposure_ms = -1.0", "exposure_ms must be above 0"),
        ("rate_hz = nan", "rate_hz must be above 0"),
        ("width_px = 320", "belong together"),
        ('pixel_format = "GRAY8"', "four letters"),
        ("exposre_ms = 2.0", "exposre_ms"),
        ('gain = "high"', "gain"),
    ],
)
def test_what_cannot_be_asked_is_refused_by_name(tmp_path: Path, line: str, says: str) -> None:
    with pytest.raises(ProfileError, match=says):
        read(tmp_path, f"{PLAIN}[cameras.settings]\n{line}\n")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ("irradiance_w_m2 = -5.0", "", "irradiance_w_m2 must be above 0, got -5"),
        ("irradiance_w_m2 = nan", "", "irradiance_w_m2 must be above 0, got nan"),
        ("irradiance_w_m2 = 1e400", "", "irradiance_w_m2 must be above 0, got inf"),
        ('expires_on = "30.11.2026"', "", "expires_on must be a date"),
        ("", "nominal_rate_hz = 0.0", "nominal_rate_hz must be above 0"),
        ("", "geometry = { mm_per_px = -0.05 }", "mm_per_px must be above 0"),
        ("", "geometry = { elevation_deg = inf }", "elevation_deg must be a number"),
        ("", "settings = { gain = nan }", "gain must be a number"),
        ("", '[[cameras]]\nidentity = "0042A7"\nviews = [{ eye = "left" }]', "same identity"),
        ("", '[[cameras]]\nidentity = " "\nviews = [{ eye = "left" }]', "an identity is empty"),
        ("", '[[cameras]]\nidentity = "B"\nviews = []', "has no views"),
    ],
)
def test_slips_of_the_hand_are_refused_by_name(tmp_path: Path, before: str, after: str, says: str) -> None:
    with pytest.raises(ProfileError, match=says):
        read(tmp_path, f"{before}{PLAIN}{after}\n")


def test_angles_of_either_sign_and_dates_are_taken(tmp_path: Path) -> None:
    told = 'made_on = "2026-01-31"\nirradiance_w_m2 = 8.0'
    profile = read(tmp_path, f"{told}{PLAIN}geometry = {{ elevation_deg = -20.0, distance_mm = 60 }}\n")
    assert (profile.irradiance_w_m2, profile.cameras[0].geometry.elevation_deg) == (8.0, -20.0)


def test_what_is_asked_now_stands_over_what_the_profile_asks() -> None:
    profile = CameraProfile("0042A7", (EyeView("right"),), settings=CameraSettings(rate_hz=250, gain=2.0))
    asked = CameraSettings(rate_hz=100.0, exposure_ms=3.0).asked_over(profile.settings)
    assert asked == CameraSettings(rate_hz=100.0, exposure_ms=3.0, gain=2.0)
    assert CameraSettings().asked_over(profile.settings) == profile.settings
