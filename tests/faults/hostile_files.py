"""HDF5 files that nobody should read: each keeps a trap where a recording keeps its samples."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np

SECRET = "what the reader must never see"


def external_link(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right/x_px"] = h5py.ExternalLink(str(secret.with_suffix(".h5")), "/secret")


def soft_link(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right/x_px"] = h5py.SoftLink("/eyes/left/x_px")


def external_storage(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right"].create_dataset("x_px", (3,), "f8", external=[(str(secret), 0, 24)])


def virtual(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    layout = h5py.VirtualLayout((3,), "f8")
    layout[:] = h5py.VirtualSource(str(secret.with_suffix(".h5")), "secret", (3,))
    file["eyes/right"].create_virtual_dataset("x_px", layout)


def variable_length(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right"].create_dataset("x_px", (3,), h5py.vlen_dtype(np.float64))


def variable_length_text(file: h5py.File, secret: Path) -> None:
    del file["events/text"]
    file["events"].create_dataset("text", data=["a", "b"], dtype=h5py.string_dtype())


def variable_length_attribute(file: h5py.File, secret: Path) -> None:
    file.attrs["site"] = "a text of any length"


def reference(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right"].create_dataset("x_px", (1,), h5py.ref_dtype)[0] = file["eyes"].ref


def compound(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right/x_px"] = np.zeros(3, [("a", "f8"), ("b", "i4")])


def huge(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right"].create_dataset("x_px", (1 << 40, 6), "f8", chunks=(1024, 6))


def bomb(file: h5py.File, secret: Path) -> None:
    """A megabyte that unpacks to a thousand times as much, in chunks of the allowed size."""
    del file["eyes/right/x_px"]
    file["eyes/right"].create_dataset("x_px", data=np.zeros(1 << 22), chunks=(1 << 20,), compression="gzip")


def large_chunk(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right"].create_dataset("x_px", (1 << 22,), "f8", chunks=(1 << 22,))[:8] = 1.0


def strange_filter(file: h5py.File, secret: Path) -> None:
    del file["eyes/right/x_px"]
    file["eyes/right"].create_dataset("x_px", data=np.zeros(64), chunks=(64,), compression="lzf")


def cycle(file: h5py.File, secret: Path) -> None:
    file["eyes/right/again"] = file["eyes"]


def deep(file: h5py.File, secret: Path) -> None:
    file.create_group("/".join("a" * 12))


def crowd(file: h5py.File, secret: Path) -> None:
    for i in range(1100):
        file.create_group(f"crowd/{i}")


def named_type(file: h5py.File, secret: Path) -> None:
    file["a_type"] = np.dtype("f8")


def large_attribute(file: h5py.File, secret: Path) -> None:
    file.attrs.create("heavy", np.zeros(1 << 14))


HARMLESS = {cycle}  # each object is visited once, so a cycle leads nowhere
TRAPS: tuple[Callable[[h5py.File, Path], None], ...] = (
    external_link, soft_link, external_storage, virtual, variable_length, variable_length_text,
    variable_length_attribute, reference, compound, huge, bomb, large_chunk, strange_filter, cycle, deep,
    crowd, named_type, large_attribute,
)  # fmt: skip


def write_secret(path: Path) -> Path:
    """A file of the user's that has nothing to do with recordings; also as HDF5 beside it."""
    path.write_text(SECRET * 10)
    with h5py.File(path.with_suffix(".h5"), "x") as file:
        file["secret"] = np.array([1.25, 2.5, 5.0])
    return path
