"""A disk whose power is cut: what is surely on it after every step of a program that writes files.

The steps that are logged are those a program can rely on: a file flushed, a folder flushed, a name moved. What was not
flushed is taken to be lost, and a name that was moved to be there at once or only with its folder, whichever is worse.
"""

from __future__ import annotations

import os
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
