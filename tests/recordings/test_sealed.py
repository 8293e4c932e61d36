from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray as xr

from capture.calibration import Calibration
from capture.samples import SAMPLE_DTYPE, SIGN_RULE
from recordings import gate
from recordings.errors import DamagedError, NewerFormatError, NotOursError, RecordingError, UnsealedError
from recordings.layout import SAMPLE_COLUMNS
from recordings.sealed import open_recording
from tests.recordings.making import ListSource, frames, recorder, reseal


@pytest.fixture
def unsealed(tmp_path: Path) -> Path:
    made = recorder(tmp_path, {"camera-right": ListSource(frames(10))})
    made.start()
    made.wait()
    assert made.folder is not None
    return made.folder


def datasets(path: Path) -> Iterator[tuple[str, h5py.Dataset]]:
    with h5py.File(path, "r") as file:
        found: list[str] = []
        file.visit(found.append)
        for name in found:
            if isinstance(thing := file[name], h5py.Dataset):
                yield name, thing


def test_samples_are_rows_with_degrees(sealed_once: Path) -> None:
    with open_recording(sealed_once) as recording:
        assert recording.verified
        for eye, rows in recording.samples.items():
            assert rows.dtype == SAMPLE_DTYPE
            assert isinstance(recording.calibrations[eye], Calibration)
            assert recording.calibrations[eye].eye == eye
            assert not recording.calibrations[eye].calibrated  # two targets are too few
            assert np.isfinite(rows["horizontal_deg"]).all()
            assert np.isfinite(rows["vertical_deg"]).all()


def test_nothing_in_it_can_be_changed(sealed_once: Path) -> None:
    with open_recording(sealed_once) as recording, pytest.raises(ValueError, match="read-only"):
        recording.samples["right"]["x_px"][0] = 1.0


def test_a_picture_beyond_the_samples_is_an_index_error(sealed_once: Path) -> None:
    with open_recording(sealed_once) as recording:
        for index in (-1, 120):
            with pytest.raises(IndexError):
                recording.image("left", index)


@pytest.mark.parametrize("name", ["measurement.h5", "images.h5"])
def test_every_dataset_has_unit_direction_and_checksum(sealed_once: Path, name: str) -> None:
    count = 0
    for path, dataset in datasets(sealed_once / name):
        assert dataset.attrs["units"], path
        assert dataset.attrs["positive"], path
        assert dataset.fletcher32, path
        assert dataset.id.get_create_plist().get_external_count() == 0
        assert np.prod(dataset.chunks) * dataset.dtype.itemsize <= 16 << 20
        count += 1
    assert count == {"measurement.h5": 1 + 2 * (len(SAMPLE_COLUMNS) + 1) + 4 + 4, "images.h5": 6}[name]


def test_root_attributes_say_how_to_read_it(sealed_once: Path) -> None:
    with h5py.File(sealed_once / "measurement.h5", "r") as file:
        told = {name: file.attrs[name] for name in file.attrs}
    expected = {
        "format", "format_version", "software", "profile_sha256", "clock", "utc_of_zero",
        "host_time_of_zero_s", "complete", "site", "room", "operator", "protocol_version", "limits_version",
        "language", "power", "head_position_source", "darkness_source", "patient_code", "training", "id",
        "made_utc", "ending", "images", "encryption", "sign_rule", "live", "bench",
        "eye_identity", "pair_ruled_out", "procedure", "history",
    }  # fmt: skip
    assert set(told) == expected
    assert told["sign_rule"].decode() == SIGN_RULE
    assert told["encryption"].decode() == "none"
    assert told["id"].decode() == sealed_once.name


@pytest.mark.parametrize("name", ["measurement.h5", "images.h5"])
def test_the_gate_lets_our_own_files_through(sealed_once: Path, name: str) -> None:
    gate.check(sealed_once / name, gate.IMAGES_LIMITS)


def test_h5dump_reads_it(sealed_once: Path) -> None:
    h5dump = shutil.which("h5dump")
    if h5dump is None:
        pytest.skip("h5dump is not installed (Debian: hdf5-tools)")
    done = subprocess.run(
        [h5dump, "-d", "/eyes/right/x_px", "-y", "-w", "1", str(sealed_once / "measurement.h5")],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    with open_recording(sealed_once) as recording:
        expected = recording.samples["right"]["x_px"]
    values = done.stdout.partition("DATA {")[2].partition("}")[0].replace(",", " ").split()
    assert [float(value) for value in values] == pytest.approx(expected, abs=1e-3)
    header = subprocess.run(
        [h5dump, "-H", str(sealed_once / "images.h5")], capture_output=True, text=True, check=True
    )
    assert header.returncode == 0
    assert "H5T_STD_U8LE" in header.stdout
    assert "VLEN" not in header.stdout


def test_xarray_sees_a_table_along_time(sealed_once: Path) -> None:
    with (
        open_recording(sealed_once) as recording,
        xr.open_dataset(sealed_once / "measurement.h5", engine="h5netcdf", group="eyes/right") as table,
    ):
        rows = recording.samples["right"]
        assert set(table.variables) == set(SAMPLE_COLUMNS)
        assert table.x_px.dims == ("time_s",)
        assert table.horizontal_deg.attrs["units"] == "deg"
        assert table.horizontal_deg.attrs["positive"] == "patient's right"
        for name in SAMPLE_COLUMNS:
            np.testing.assert_array_equal(table[name].values, rows[name])
        assert table.time_s.dtype == np.float64
        middle = table.sel(time_s=slice(0.2, 0.4))
        assert middle.time_s.size == np.count_nonzero((rows["time_s"] >= 0.2) & (rows["time_s"] <= 0.4))


def test_xarray_opens_every_other_group(sealed_once: Path) -> None:
    with xr.open_dataset(sealed_once / "measurement.h5", engine="h5netcdf", group="targets") as table:
        assert table.horizontal_deg.values.tolist() == [0.0, 10.0]
        assert table.horizontal_deg.dims == ("start_s",)
    with xr.open_dataset(sealed_once / "measurement.h5", engine="h5netcdf", group="events") as table:
        assert [text.decode() for text in table.text.values] == ["dark", "नेत्र β"]
    with xr.open_dataset(sealed_once / "measurement.h5", engine="h5netcdf") as root:
        assert root.attrs["format_version"] == "1.5"


def test_what_is_no_recording_is_not_ours(tmp_path: Path) -> None:
    with pytest.raises(NotOursError, match="not a recording"):
        open_recording(tmp_path)
    with h5py.File(tmp_path / "measurement.h5", "x") as file:
        file["x"] = [1.0]
    for foreign in (False, True):
        with pytest.raises(NotOursError, match="not a recording of Driftbeat"):
            open_recording(tmp_path, foreign=foreign)


def test_what_is_not_sealed_yet_is_safe(unsealed: Path) -> None:
    with pytest.raises(UnsealedError, match="safe"):
        open_recording(unsealed)


def test_a_newer_major_is_refused_and_says_whose(folder: Path) -> None:
    with h5py.File(folder / "measurement.h5", "r+") as file:
        file.attrs["format_version"] = np.bytes_("2.0")
        file.attrs["software"] = np.bytes_("driftbeat 9.1")
    reseal(folder)
    with pytest.raises(NewerFormatError, match=r"driftbeat 9\.1"):
        open_recording(folder)
    with pytest.raises(NewerFormatError, match=r"driftbeat 9\.1"):
        open_recording(folder, foreign=True)


def test_what_a_newer_minor_added_is_ignored(folder: Path, sealed_once: Path) -> None:
    with h5py.File(folder / "measurement.h5", "r+") as file:
        file.attrs["format_version"] = np.bytes_("1.7")
        file.attrs["phase_of_the_moon"] = 0.5
        file["eyes/right/heat_deg"] = np.zeros(120)
        file["something/new"] = np.zeros(3)
    reseal(folder)
    with open_recording(folder) as newer, open_recording(sealed_once) as recording:
        assert newer.info.format_version == "1.7"
        for eye in recording.samples:
            assert newer.samples[eye].tobytes() == recording.samples[eye].tobytes()
        assert newer.events == recording.events


@pytest.mark.parametrize("gone", ["eyes/left/x_px", "profile", "calibration/right", "events", "eyes"])
def test_what_lacks_a_part_is_damaged(folder: Path, gone: str) -> None:
    with h5py.File(folder / "measurement.h5", "r+") as file:
        del file[gone]
    reseal(folder)
    with pytest.raises(DamagedError, match=r"measurement\.h5"):
        open_recording(folder)


def test_a_lone_measurement_from_elsewhere_reads_without_pictures(folder: Path, sealed_once: Path) -> None:
    (folder / "seal.json").unlink()
    with open_recording(sealed_once) as recording:
        for path in (folder, folder / "measurement.h5"):
            with open_recording(path) as foreign:
                assert not foreign.verified
                assert foreign.info == recording.info
                assert foreign.targets == recording.targets
                assert foreign.calibrations == recording.calibrations
                for eye in recording.samples:
                    assert foreign.samples[eye].tobytes() == recording.samples[eye].tobytes()
                with pytest.raises(RecordingError):
                    foreign.image("right", 0)


def test_a_sealed_recording_that_is_opened_as_from_elsewhere_is_not_verified(folder: Path) -> None:
    with open_recording(folder, foreign=True) as recording:
        assert not recording.verified


def test_withdrawn_pictures_leave_the_measurement_valid(folder: Path) -> None:
    (folder / "images.h5").unlink()
    with open_recording(folder) as recording:
        assert len(recording.samples["right"]) == 120
        with pytest.raises(RecordingError, match="withdrawn"):
            recording.image("right", 0)


def test_a_given_calibration_is_used_instead_of_the_targets(tmp_path: Path, sealed_once: Path) -> None:
    with open_recording(sealed_once) as earlier:
        given = earlier.calibrations["right"]
    folder = recorder(
        tmp_path, {"camera-right": ListSource(frames(20))}, calibrations={"right": given}, targets=()
    ).run()
    with open_recording(folder) as recording:
        assert recording.calibrations["right"] == given
