"""What a program wrote to a folder, traced call by call, and what a power cut would have left of it.

The model of the disk: data that was synced stays. Of what was written since, "ordered" keeps everything up to
the cut, "torn" cuts the last write at a 512-byte border, "drop" keeps or loses each 4-KiB page by chance.
Names made, changed or removed since the folder was last synced: all of them, or in "drop" by chance only the
first few.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
import pytest

from tests.conftest import REQUIRED, ROOT

Cut = Literal["ordered", "torn", "drop"]
PAGE, SECTOR = 4096, 512
CALLS = "openat,close,pwrite64,write,lseek,ftruncate,fsync,fdatasync,rename,unlink"
LINE = re.compile(r"^(\d+) +(.*)$")
CALL = re.compile(r"^(\w+)\((.*)\) += (-?\d+)", re.DOTALL)
TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?')


def needs_strace() -> None:
    """Skip, by name, where the tracer is not installed; fail in .ci/run."""
    if shutil.which("strace") is None:
        text = "strace is not installed: sudo apt-get install strace"
        pytest.fail(text) if REQUIRED else pytest.skip(text)


class Step(NamedTuple):
    """One call that changes the disk, or that told somebody something."""

    kind: Literal["make", "write", "cut", "sync", "sync names", "rename", "remove", "told"]
    name: str = ""  # of the file
    offset: int = 0
    data: bytes = b""
    target: str = ""


def trace(program: str, folder: Path, *arguments: str) -> list[Step]:
    """Run Python code under the tracer; the steps it took in `folder`, and what it told on its output."""
    log = folder.parent / "trace.txt"
    command = ["strace", "-f", "-e", f"trace={CALLS}", "-xx", "-s", "1000000", "-o", str(log)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    run = subprocess.run(
        [*command, "python", "-c", program, str(folder), *arguments],
        executable=shutil.which("strace"),
        env={**environment, "PATH": f"{Path(sys.executable).parent}:{environment['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert run.returncode == 0, run.stderr
    steps = _Reader(folder).read(log)
    log.unlink()
    return steps


@dataclass
class _Reader:
    folder: Path
    steps: list[Step] = field(default_factory=list)
    files: dict[int, str] = field(default_factory=dict)  # descriptor -> name, "" for the folder
    places: dict[int, int] = field(default_factory=dict)

    def read(self, log: Path) -> list[Step]:
        unfinished: dict[str, str] = {}
        with log.open(encoding="ascii") as lines:
            for line in lines:
                match = LINE.match(line.rstrip("\n"))
                assert match is not None
                process, call = match.groups()
                if call.endswith("<unfinished ...>"):
                    unfinished[process] = call.removesuffix("<unfinished ...>").rstrip()
                    continue
                if "resumed>" in call[:40]:
                    call = unfinished.pop(process) + call.partition("resumed>")[2]
                if (parts := CALL.match(call)) and int(parts[3]) >= 0:
                    self._call(parts[1], parts[2], int(parts[3]))
        return self.steps

    def _call(self, name: str, arguments: str, result: int) -> None:
        texts = [bytes.fromhex(text.replace("\\x", "")) for text, _ in TEXT.findall(arguments)]
        if name in ("openat", "rename", "unlink"):
            self._name_call(name, arguments, [os.fsdecode(text) for text in texts], result)
            return
        descriptor = int(arguments.partition(",")[0])
        if name == "write" and descriptor == 1 and texts[0].strip().isdigit():  # not of a child of its own
            self.steps.append(Step("told", data=texts[0]))
        if descriptor not in self.files:
            return
        file = self.files[descriptor]
        if name == "close":
            del self.files[descriptor]
        elif name == "pwrite64":
            self.steps.append(Step("write", file, int(arguments.rpartition(", ")[2]), texts[0][:result]))
        elif name == "write":
            self.steps.append(Step("write", file, self.places[descriptor], texts[0][:result]))
            self.places[descriptor] += result
        elif name == "lseek":
            self.places[descriptor] = result
        elif name == "ftruncate":
            self.steps.append(Step("cut", file, int(arguments.partition(", ")[2])))
        else:
            self.steps.append(Step("sync", file) if file else Step("sync names"))

    def _name_call(self, name: str, arguments: str, paths: Sequence[str], result: int) -> None:
        inside = [Path(path).name for path in paths if Path(path).parent == self.folder]
        if name == "rename" and len(inside) == 2:
            self.steps.append(Step("rename", inside[0], target=inside[1]))
        elif name == "unlink" and inside:
            self.steps.append(Step("remove", inside[0]))
        elif name == "openat":
            self.files.pop(result, None)
            if paths and Path(paths[0]) == self.folder:
                self.files[result] = ""
            elif inside:
                self.files[result], self.places[result] = inside[0], 0
                if "O_CREAT" in arguments:
                    self.steps.append(Step("make", inside[0]))


@dataclass
class _File:
    now: bytearray = field(default_factory=bytearray)
    safe: bytes = b""
    touched: set[int] = field(default_factory=set)  # pages written since the last sync

    def write(self, offset: int, data: bytes) -> None:
        if len(self.now) < offset:
            self.touched.update(range(len(self.now) // PAGE, offset // PAGE + 1))
            self.now.extend(bytes(offset - len(self.now)))
        self.now[offset : offset + len(data)] = data
        self.touched.update(range(offset // PAGE, (offset + max(len(data), 1) - 1) // PAGE + 1))

    def cut(self, size: int) -> None:
        self.now = self.now[:size] + bytes(max(size - len(self.now), 0))

    def sync(self) -> None:
        self.safe, self.touched = bytes(self.now), set()

    def after_drop(self, random: np.random.Generator) -> bytes:
        content = bytearray(self.safe)
        for page in sorted(self.touched):
            if random.random() < 0.5:
                start = page * PAGE
                piece = self.now[start : start + PAGE]
                content.extend(bytes(max(start - len(content), 0)))
                content[start : start + len(piece)] = piece
        return bytes(content)


def crash(
    steps: Sequence[Step],
    before: dict[str, bytes],
    at: int,
    cut: Cut,
    random: np.random.Generator,
    into: Path,
) -> bytes:
    """Make in `into` what a power cut behind step `at` leaves; all that had been told by then."""
    disk = {name: _File(bytearray(data), data) for name, data in before.items()}
    states, told = [dict(disk)], b""  # of the names, since the folder was last synced
    for i, step in enumerate(steps[:at]):
        if step.kind == "told":
            told += step.data
        elif step.kind == "sync names":
            states = states[-1:]
        elif step.kind in ("make", "rename", "remove"):
            _change_names(disk, step)
            states.append(dict(disk))
        elif step.kind == "write":
            data = step.data
            if cut == "torn" and i == at - 1:
                data = data[: int(random.integers(0, len(data) // SECTOR + 1)) * SECTOR]
            disk[step.name].write(step.offset, data)
        elif step.kind == "cut":
            disk[step.name].cut(step.offset)
        else:
            disk[step.name].sync()
    if cut == "drop":
        disk = states[int(random.integers(0, len(states)))]
    into.mkdir()
    for name, file in disk.items():
        (into / name).write_bytes(file.after_drop(random) if cut == "drop" else file.now)
    return told


def _change_names(disk: dict[str, _File], step: Step) -> None:
    if step.kind == "make":
        disk.setdefault(step.name, _File())
    elif step.kind == "rename":
        disk[step.target] = disk.pop(step.name)
    else:
        disk.pop(step.name, None)
