"""A disk whose power is cut: what is surely on it after every step of a program that writes files.

The steps that are logged are those a program can rely on: a file flushed, a folder flushed, a name moved. What was not
flushed is taken to be lost, and a name that was moved to be there at once or only with its folder, whichever is worse.
"""

from __future__ import annotations

import os
import random
import struct
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest


@dataclass
class Disk:
    """What has reached the disk: content of files by inode, and names with their inode by folder."""

    content: dict[int, bytes] = field(default_factory=dict)
    names: dict[Path, dict[str, int]] = field(default_factory=dict)
    states: list[dict[str, bytes | None]] = field(default_factory=list)

    def flush(self, handle: int) -> None:
        """Note a flush; the descriptor is that of a file or a folder."""
        path = Path(f"/proc/self/fd/{handle}").readlink()
        if path.is_dir():
            self.names[path] = {child.name: child.stat().st_ino for child in path.iterdir()}
        else:
            self.content[path.stat().st_ino] = path.read_bytes()

    def now(self, folder: Path) -> dict[str, bytes | None]:
        """What a power cut at this moment leaves in a folder; None for a file whose content is not sure."""
        return {name: self.content.get(inode) for name, inode in self.names.get(folder, {}).items()}

    def at_once(self, folder: Path) -> dict[str, bytes | None]:
        """The same on a disk that writes names before anybody asks for it."""
        return {child.name: self.content.get(child.stat().st_ino) for child in folder.iterdir()}


def watch(monkeypatch: pytest.MonkeyPatch, folder: Path) -> Disk:
    """Log what is flushed from now on, and after every step what a cut would leave in a folder."""
    disk, fsync, move = Disk(), os.fsync, os.replace

    def see() -> None:
        disk.states += [disk.now(folder), disk.at_once(folder)]

    def flush(handle: int) -> None:
        fsync(handle)
        disk.flush(handle)
        see()

    def replace(self: Path, target: Path) -> Path:
        move(self, target)
        see()
        return Path(target)

    monkeypatch.setattr(os, "fsync", flush)
    monkeypatch.setattr(Path, "replace", replace)
    return disk


# the same below a program's own files and SQLite's, logged by the system's calls (power.c)


@dataclass(frozen=True)
class Event:
    """One call of the system: its kind as power.c has it, the file, the place in it or its length, and the bytes."""

    kind: str
    file: int
    place: int
    data: bytes

    @property
    def paths(self) -> list[str]:
        """Names that the call was about."""
        return [os.fsdecode(name) for name in self.data.split(b"\0")]


def build(folder: Path) -> Path:
    """Compile the library that is put before the system's own by LD_PRELOAD."""
    made = folder / "power.so"
    source = Path(__file__).with_suffix(".c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", made, source, "-ldl"], check=True)
    return made


def events(log: Path) -> list[Event]:
    """What was logged, in order."""
    text, at, found = log.read_bytes(), 0, []
    while at < len(text):
        kind, file, place, length = struct.unpack_from("=QQQQ", text, at)
        found.append(Event(chr(kind), file, place, text[at + 32 : at + 32 + length]))
        at += 32 + length
    return found


class Cut:
    """A disk that holds some files, and what a power cut leaves of it.

    What was flushed is there. Of what was written since, all, nothing, or by chance: every write by itself, the first
    half-kilobytes of it, in any order; of names made, moved and taken away, the first ones.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.content: dict[int, bytearray] = {}
        self.names: dict[str, int] = {}
        self.writes: dict[int, list[Event]] = {}
        self.moves: list[Event] = []
        for path in folder.rglob("*"):
            if path.is_file():
                self.names[str(path)] = path.stat().st_ino
                self.content[path.stat().st_ino] = bytearray(path.read_bytes())

    def see(self, event: Event) -> None:
        """Let one call happen."""
        if event.kind in "WT":
            self.writes.setdefault(event.file, []).append(event)
        elif event.kind == "S":
            for write in self.writes.pop(event.file, []):
                self._write(write)
        elif event.kind in "CRU":
            self.moves.append(event)
        elif event.kind == "F":
            here = [move for move in self.moves if str(Path(move.paths[-1]).parent) == event.paths[0]]
            for move in here:
                self._move(move)
                self.moves.remove(move)

    def left(self, folder: Path, rng: random.Random, luck: float | None) -> None:
        """Write what is left into another folder; ``luck`` 0 and 1 are nothing and all of what was not flushed."""
        kept = len(self.moves) if luck == 1 else 0 if luck == 0 else rng.randint(0, len(self.moves))
        for move in self.moves[:kept]:
            self._move(move)
        for write in (write for writes in self.writes.values() for write in writes):
            if luck == 1 or (luck is None and rng.random() < 0.5):
                torn = 512 * rng.randint(0, 1 + len(write.data) // 512) if luck is None else len(write.data)
                self._write(Event(write.kind, write.file, write.place, write.data[: max(torn, 1)]))
        for name, file in self.names.items():
            place = folder / Path(name).relative_to(self.folder)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(bytes(self.content.get(file, b"")))

    def _write(self, event: Event) -> None:
        content = self.content.setdefault(event.file, bytearray())
        if event.kind == "T":
            del content[event.place :]
            content.extend(bytes(event.place - len(content)))
        else:
            content.extend(bytes(max(0, event.place - len(content))))
            content[event.place : event.place + len(event.data)] = event.data

    def _move(self, event: Event) -> None:
        if event.kind == "C":
            self.names[event.paths[0]] = event.file
        elif event.kind == "U":
            self.names.pop(event.paths[0], None)
        elif event.paths[0] in self.names:
            self.names[event.paths[1]] = self.names.pop(event.paths[0])
