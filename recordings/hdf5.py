"""How every HDF5 file of a recording is made: checksums, fixed-size types, a unit on each dataset."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import ArrayLike, NDArray

from recordings.layout import CHUNK_ROWS, TEXT_BYTES, Column

Attribute = str | int | float | bool


def group_of(parent: h5py.Group, name: str) -> h5py.Group:
    """A group inside another. Raises KeyError or TypeError where there is none."""
    found = parent[name]
    if not isinstance(found, h5py.Group):
        raise TypeError(f"{name} is not a group")
    return found


def dataset_of(parent: h5py.Group, name: str) -> h5py.Dataset:
    """A dataset inside a group. Raises KeyError or TypeError where there is none."""
    found = parent[name]
    if not isinstance(found, h5py.Dataset):
        raise TypeError(f"{name} is not a dataset")
    return found


def create(path: Path) -> h5py.File:
    """A new file; FileExistsError when there is one."""
    return h5py.File(path, "x", libver=("v110", "v110"))


def fixed_text(values: list[str] | tuple[str, ...]) -> NDArray[Any]:
    """Texts as fixed-length UTF-8, (n,)."""
    encoded = [value.encode() for value in values]
    length = max(map(len, encoded), default=1) or 1
    if length > TEXT_BYTES:
        raise ValueError(f"a text of {length} bytes is too long to be stored")
    return np.array(encoded, dtype=h5py.string_dtype("utf-8", length))


def set_attributes(thing: h5py.Group | h5py.Dataset, attributes: Mapping[str, Attribute | None]) -> None:
    """Write attributes of fixed size; None leaves one out."""
    for name, value in attributes.items():
        if value is None:
            continue
        if isinstance(value, str):
            thing.attrs.create(name, fixed_text([value])[0], dtype=fixed_text([value]).dtype)
        else:
            kind = np.uint8 if isinstance(value, bool) else np.int64 if isinstance(value, int) else np.float64
            thing.attrs.create(name, kind(value))


def get_attributes(thing: h5py.Group | h5py.Dataset, names: list[str]) -> dict[str, Attribute]:
    """Read those of the named attributes that are there."""
    found = {name: thing.attrs[name] for name in names if name in thing.attrs}
    return {name: _plain(value) for name, value in found.items()}


def _plain(value: Any) -> Attribute:
    plain = value.item() if isinstance(value, np.generic) else value
    return plain.decode() if isinstance(plain, bytes) else plain


def add_column(group: h5py.Group, name: str, values: ArrayLike, column: Column) -> h5py.Dataset:
    """Write one dataset (n,) in chunks with checksums."""
    array = np.asarray(values)
    rows = max(min(len(array), CHUNK_ROWS), 1)
    made = group.create_dataset(name, data=array, chunks=(rows,), maxshape=(None,), fletcher32=True)
    set_attributes(made, {"units": column.unit, "positive": column.positive})
    return made


def add_table(
    group: h5py.Group, values: Mapping[str, ArrayLike], columns: Mapping[str, Column], axis: str
) -> None:
    """Write columns of one length along a dimension scale, so that other programs see one table."""
    for name, column in columns.items():
        add_column(group, name, values[name], column)
    scale = dataset_of(group, axis)
    scale.make_scale(axis)
    for name in columns:
        if name != axis:
            dataset_of(group, name).dims[0].attach_scale(scale)


def add_text(group: h5py.Group, name: str, text: bytes) -> None:
    """Write a JSON text as a dataset (1,), its own dimension: netCDF readers want one for each dataset."""
    values = np.array([text], dtype=h5py.string_dtype("utf-8", max(len(text), 1)))
    add_column(group, name, values, Column("JSON", "none")).make_scale(name)


def sync(path: Path) -> None:
    """Put a closed file on the disk for good."""
    descriptor = os.open(path, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
