"""The file for the desktop that opens the whole job: its text on each system, and what a shell makes of it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from doe.cli.shortcut import shortcut_text, write_shortcut
from doe.domain.errors import InputError

ODD = ('/opt/my shop/it\'s "the" $book` 100% \\ ü.sqlite', "plain", "a;b & c|d >e", "*?[x]~#")
WORDS = ("/usr/bin/python3", "-m", "doe.cli", "open", "--book", *ODD)


def unescaped(line: str) -> list[str]:
    """The words of an Exec line, read back as the specification says: the string's escapes first, then the quotes."""
    line = line.replace("\\\\", "\\")
    found = re.findall(r'"((?:[^"\\]|\\.)*)"', line)
    return [re.sub(r'\\(["`$\\])', r"\1", word).replace("%%", "%") for word in found]


def test_a_desktop_entry_holds_the_very_words():
    name, text = shortcut_text("linux", WORDS)
    assert name == "transfer-settings.desktop"
    lines = text.splitlines()
    assert lines[0] == "[Desktop Entry]"
    assert {"Type=Application", "Name=Transfer settings", "Terminal=true"} <= set(lines)
    exec_line = next(line.removeprefix("Exec=") for line in lines if line.startswith("Exec="))
    assert unescaped(exec_line) == list(WORDS)


def test_a_command_file_passes_the_very_words_on(tmp_path: Path):
    show = tmp_path / "show"
    show.write_text(f'#!{sys.executable}\nimport sys\nprint("\\n".join(sys.argv[1:]))\n')
    show.chmod(0o755)
    name, text = shortcut_text("darwin", (str(show), *WORDS[1:]))
    assert name == "Transfer settings.command"
    made = tmp_path / "made.command"
    made.write_text(text, encoding="utf-8")
    made.chmod(0o755)
    told = subprocess.run([str(made)], capture_output=True, text=True, check=True, encoding="utf-8")
    assert told.stdout.splitlines() == list(WORDS[1:])


def test_a_windows_file_quotes_every_word_and_keeps_its_window_on_an_error():
    name, text = shortcut_text(
        "win32", ("C:\\Program Files\\py.exe", "-m", "doe.cli", "--book", "C:\\100% & more.sqlite")
    )
    assert name == "Transfer settings.cmd"
    assert text.splitlines()[2] == '"C:\\Program Files\\py.exe" "-m" "doe.cli" "--book" "C:\\100%% & more.sqlite"'
    assert text.endswith("if errorlevel 1 pause\r\n")
    with pytest.raises(InputError, match="plain name"):
        shortcut_text("win32", ('a"b',))


@pytest.mark.parametrize("platform", ["linux", "darwin", "win32"])
def test_a_name_of_two_lines_is_refused(platform):
    with pytest.raises(InputError, match="on one line"):
        shortcut_text(platform, ("python", "a\nb"))


def test_the_command_writes_it_for_this_book_and_opens_nothing(empty_shop):
    made = empty_shop.good("open", "--shortcut", ".", "--json").json
    place = Path(made["shortcut"])
    text = place.read_text(encoding="utf-8")
    assert sys.executable in text
    with empty_shop.open() as book:
        assert book.label in text
    assert "cret" not in text.partition("Exec=")[2], "a file that anybody may read holds no password"
    assert os.access(place, os.X_OK)
    refused = empty_shop.run("open", "--shortcut", "nowhere")
    assert refused.code == 2
    assert "a folder, such as the desktop" in refused.err


def test_a_server_keeps_its_address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(sys, "platform", "darwin")
    text = write_shortcut(tmp_path, "postgresql://press@host/shop").read_text()
    assert text.endswith("open --book postgresql://press@host/shop\n")
