"""A file is written whole or not at all."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from doe.domain.errors import InputError
from reports.files import write_whole
from tests.power import watch


@pytest.mark.parametrize("content", ["a\nb °C\r\n", b"\x00\xff", "", b""])
def test_what_was_written_is_there_and_nothing_else(tmp_path, content):
    target = write_whole(tmp_path / "new" / "sheet.txt", content)
    assert target.read_bytes() == (content.encode() if isinstance(content, str) else content)
    assert [p.name for p in target.parent.iterdir()] == ["sheet.txt"]


def test_older_file_is_replaced(tmp_path):
    target = tmp_path / "sheet.txt"
    target.write_text("old and longer")
    write_whole(str(target), "new")
    assert target.read_text() == "new"


def test_older_file_stays_when_the_disk_fails(tmp_path, monkeypatch):
    target = tmp_path / "sheet.txt"
    target.write_text("old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left") as caught:
        write_whole(target, "new")
    assert "\n" not in str(caught.value)
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.txt"]


@pytest.mark.skipif(sys.platform != "linux", reason="names of open files are read from /proc")
def test_a_power_cut_at_any_step_leaves_the_old_file_or_the_new_one(tmp_path, monkeypatch):
    target = write_whole(tmp_path / "sheet.txt", "old")
    disk = watch(monkeypatch, tmp_path)
    write_whole(target, "old")
    disk.states.clear()
    write_whole(target, "new and longer")
    left = [state["sheet.txt"] for state in disk.states]
    assert len(left) >= 6
    assert set(left) == {b"old", b"new and longer"}
    assert disk.now(tmp_path) == {"sheet.txt": b"new and longer"}  # said only now


def test_what_a_killed_program_left_is_taken_away_but_not_what_another_one_is_writing(tmp_path):
    old, young, other = (tmp_path / f".{name}.x1.part" for name in ("sheet.txt", "sheet.txt.y", "else.txt"))
    for left in (old, young, other):
        left.write_text("half")
    os.utime(old, (0, 0))
    os.utime(other, (0, 0))
    write_whole(tmp_path / "sheet.txt", "new")
    assert {path.name for path in tmp_path.iterdir()} == {"sheet.txt", young.name, other.name}


def test_read_only_folder_gives_one_line(tmp_path, monkeypatch):
    def refuse(*_args: object, **_more: object) -> None:
        # a real read-only folder does not stop the administrator, who may run the tests
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tempfile.mkstemp", refuse)
    with pytest.raises(InputError, match=r"sheet\.txt: found Permission denied") as caught:
        write_whole(tmp_path / "sheet.txt", "new")
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_folder_as_target_and_file_as_folder_are_refused(tmp_path):
    with pytest.raises(InputError, match="found a folder"):
        write_whole(tmp_path, "new")
    (tmp_path / "plain").write_text("x")
    with pytest.raises(InputError, match="allowed: a place that can be written"):
        write_whole(tmp_path / "plain" / "sheet.txt", "new")


@pytest.mark.skipif(sys.platform == "win32", reason="permission bits of POSIX")
def test_others_may_read_a_new_file_and_an_older_one_keeps_its_permissions(tmp_path):
    mask = os.umask(0o022)
    try:
        target = write_whole(tmp_path / "sheet.txt", "new")
    finally:
        os.umask(mask)
    assert target.stat().st_mode & 0o777 == 0o644
    target.chmod(0o600)
    write_whole(target, "newer")
    assert Path(target).stat().st_mode & 0o777 == 0o600
