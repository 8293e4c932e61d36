"""The gate before an HDF5 file is read: only what a recording of ours may hold passes, by its metadata.

A file from elsewhere is read in a process of its own with limits on memory and time
(`python -m recordings.gate FILE CLEAN`), which writes what it understood into a clean file.
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import h5py
from h5py import h5a, h5d, h5f, h5g, h5l, h5o, h5t, h5z  # pyright: ignore[reportAttributeAccessIssue]

from recordings.child import child_command, child_environment
from recordings.errors import HostileFileError, NewerFormatError, NotOursError, RecordingError
from recordings.measurement_file import read_measurement, write_measurement

SIGNATURE = b"\x89HDF\r\n\x1a\n"
DIMENSION_SCALES = {b"DIMENSION_LIST", b"REFERENCE_LIST"}  # references by standard; never read by us
TYPES = {h5t.INTEGER, h5t.FLOAT, h5t.STRING}
FILTERS = {h5z.FILTER_DEFLATE, h5z.FILTER_SHUFFLE, h5z.FILTER_FLETCHER32}


@dataclass(frozen=True, slots=True)
class GateLimits:
    """What a file may hold (reliability.md 0.4, from its corpus of hostile files)."""

    file_bytes: int = 1 << 30
    chunk_bytes: int = 16 << 20
    ratio: float = 200.0  # bytes unpacked for each byte stored
    depth: int = 8
    objects: int = 1000
    attribute_bytes: int = 1 << 16


@dataclass(frozen=True, slots=True)
class ChildLimits:
    """What the process that reads a file from elsewhere may use (reliability.md 0.4)."""

    memory_bytes: int = 1 << 30
    cpu_s: int = 30
    wall_s: float = 60.0


REFUSALS: dict[int, type[RecordingError]] = {2: NotOursError, 3: NewerFormatError}  # by the child's exit code
MEASUREMENT_LIMITS = GateLimits()
IMAGES_LIMITS = GateLimits(file_bytes=64 << 30)


def check(path: Path, limits: GateLimits = MEASUREMENT_LIMITS) -> None:
    """Let a file through or say why not; no value of it is read.

    Raises HostileFileError.
    """
    size = path.stat().st_size
    if size > limits.file_bytes:
        raise _refused(path, f"it has {size} bytes, more than {limits.file_bytes}")
    with path.open("rb") as file:
        if file.read(len(SIGNATURE)) != SIGNATURE:
            raise _refused(path, "it does not begin like an HDF5 file")
    try:
        file_id = h5f.open(os.fsencode(path), h5f.ACC_RDONLY)
    except OSError as error:
        raise _refused(path, f"it cannot be opened ({error})") from error
    try:
        _Walk(path, limits).group(h5g.open(file_id, b"/"), 0)
    except (RuntimeError, OSError, KeyError, ValueError, TypeError) as error:
        raise _refused(path, f"its structure cannot be read ({error})") from error
    finally:
        file_id.close()


def _refused(path: Path, why: str) -> HostileFileError:
    return HostileFileError(f"{path} was not read: {why}. No recording of ours looks like that.")


class _Walk:
    """Visits each object of a file once."""

    def __init__(self, path: Path, limits: GateLimits) -> None:
        self._path, self._limits = path, limits
        self._seen: set[bytes] = set()
        self._unpacked_bytes = 0

    def group(self, group: h5g.GroupID, depth: int) -> None:
        if depth > self._limits.depth:
            raise _refused(self._path, f"its groups are more than {self._limits.depth} deep")
        if not self._is_new(group):
            return
        self._attributes(group)
        for name in group:
            if group.links.get_info(name).type != h5l.TYPE_HARD:
                raise _refused(self._path, f"{_shown(name)} leads to another place or file")
            thing = h5o.open(group, name)
            if isinstance(thing, h5g.GroupID):
                self.group(thing, depth + 1)
            elif isinstance(thing, h5d.DatasetID):
                self._dataset(thing, name)
            else:
                raise _refused(self._path, f"{_shown(name)} is neither a group nor a dataset")

    def _is_new(self, thing: h5g.GroupID | h5d.DatasetID) -> bool:
        token = h5o.get_info(thing).addr
        new = token not in self._seen
        self._seen.add(token)
        if len(self._seen) > self._limits.objects:
            raise _refused(self._path, f"it holds more than {self._limits.objects} objects")
        return new

    def _dataset(self, dataset: h5d.DatasetID, name: bytes) -> None:
        if not self._is_new(dataset):
            return
        self._attributes(dataset)
        kind, how = dataset.get_type(), dataset.get_create_plist()
        if not _is_fixed(kind):
            raise _refused(self._path, f"{_shown(name)} is of a type that is not allowed")
        if how.get_external_count() or how.get_layout() == h5d.VIRTUAL:
            raise _refused(self._path, f"{_shown(name)} keeps its values in another file")
        if any(how.get_filter(i)[0] not in FILTERS for i in range(how.get_nfilters())):
            raise _refused(self._path, f"{_shown(name)} is packed in a way that is not allowed")
        self._sizes(dataset, kind, how, name)

    def _sizes(self, dataset: h5d.DatasetID, kind: h5t.TypeID, how: h5py.h5p.PropDCID, name: bytes) -> None:
        size = dataset.get_space().get_simple_extent_npoints() * kind.get_size()
        self._unpacked_bytes += size
        if self._unpacked_bytes > self._limits.file_bytes:
            raise _refused(self._path, f"{_shown(name)} unpacks to {size} bytes")
        chunk = kind.get_size()
        for length in how.get_chunk() if how.get_layout() == h5d.CHUNKED else ():
            chunk *= length
        if chunk > self._limits.chunk_bytes:
            raise _refused(self._path, f"{_shown(name)} has chunks of {chunk} bytes")
        if size > self._limits.ratio * max(dataset.get_storage_size(), 1):
            raise _refused(
                self._path, f"{_shown(name)} unpacks to more than {self._limits.ratio:.0f} times its size"
            )

    def _attributes(self, thing: h5g.GroupID | h5d.DatasetID) -> None:
        for i in range(h5a.get_num_attrs(thing)):
            attribute = h5a.open(thing, index=i)
            if attribute.name in DIMENSION_SCALES:
                continue
            if not _is_fixed(attribute.get_type()):
                raise _refused(
                    self._path, f"the attribute {_shown(attribute.name)} is of a type that is not allowed"
                )
            if attribute.get_storage_size() > self._limits.attribute_bytes:
                raise _refused(self._path, f"the attribute {_shown(attribute.name)} is too large")


def _is_fixed(kind: h5t.TypeID) -> bool:
    if kind.get_class() not in TYPES:
        return False
    return not (isinstance(kind, h5t.TypeStringID) and kind.is_variable_str())


def _shown(name: bytes) -> str:
    """A name from the file that is safe to print."""
    return ascii(name.decode("utf-8", "replace"))[:60]


def rewrite_clean(path: Path, clean: Path, limits: ChildLimits = ChildLimits()) -> None:
    """Read a measurement from elsewhere in a process with limits and write it anew to `clean`.

    Raises HostileFileError with the reason, also when the process was stopped by its limits. The network is
    not cut off from that process; nothing in it opens a connection.
    """
    try:
        done = subprocess.run(
            child_command("recordings.gate", str(path), str(clean)),
            env=child_environment(),
            capture_output=True,
            text=True,
            errors="replace",
            timeout=limits.wall_s,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise _refused(path, f"reading it took more than {limits.wall_s:.0f} s") from error
    if done.returncode != 0:
        clean.unlink(missing_ok=True)
        lines = done.stderr.strip().splitlines()
        text = lines[-1] if lines else str(_refused(path, "reading it broke its limits"))
        raise REFUSALS.get(done.returncode, HostileFileError)(text)


def _limit_this_process(limits: ChildLimits) -> None:
    """Where the system knows such limits; Windows does not, there only the clock of the parent holds."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (limits.memory_bytes, limits.memory_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (limits.cpu_s, limits.cpu_s))
    resource.setrlimit(resource.RLIMIT_FSIZE, (limits.memory_bytes, limits.memory_bytes))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main(arguments: list[str]) -> int:
    """Rewrite one file; the reason of a refusal goes to stderr."""
    source, clean = (Path(argument) for argument in arguments)
    _limit_this_process(ChildLimits())
    try:
        check(source)
        write_measurement(clean, read_measurement(source))
    except RecordingError as error:
        refusal = error
    except Exception as error:
        refusal = _refused(source, type(error).__name__)
    else:
        return 0
    sys.stderr.write(f"{refusal}\n")
    sys.stderr.flush()
    os._exit(next((code for code, kind in REFUSALS.items() if isinstance(refusal, kind)), 1))


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
