"""The command as a real process: what it imports, what it leaves with, how it stops."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

DOE = [sys.executable, "-m", "doe.cli"]
HEAVY = {"scipy", "pandas", "numpy", "sqlalchemy", "alembic", "openpyxl", "jinja2", "rich"}
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX terminal")


def run(*words, cwd, **env):
    settings = {
        **os.environ,
        "DOE_WHO": "ana",
        "DOE_BOOK": str(cwd / "b.sqlite"),
        "PYTHONIOENCODING": "utf-8",
        "XDG_STATE_HOME": str(cwd / "state"),
        "OMP_NUM_THREADS": "1",
        **env,
    }
    return subprocess.run(
        [*DOE, *words], cwd=cwd, env=settings, capture_output=True, encoding="utf-8", timeout=60, check=False
    )


def test_help_imports_nothing_heavy(tmp_path):
    code = (
        "import sys\nsys.argv = ['doe', '--help']\nfrom doe.cli import main\n"
        "try:\n    main()\nexcept SystemExit as left:\n    assert left.code == 0\n"
        f"sys.exit(', '.join({HEAVY} & set(sys.modules)) or 0)\n"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, encoding="utf-8", check=False
    )
    assert found.returncode == 0, found.stderr
    assert "demo" in found.stdout


def test_version_is_that_of_the_installed_package(tmp_path):
    from importlib.metadata import version

    assert run("--version", cwd=tmp_path).stdout.strip() == version("first-article-tuning")


@pytest.mark.parametrize("words", [(), ("stack",), ("book",)])
def test_a_group_without_a_command_shows_its_help(tmp_path, words):
    found = run(*words, cwd=tmp_path)
    assert (found.returncode, found.stderr) == (0, "")
    assert "Commands:" in found.stdout


def test_usage_and_input_errors_leave_with_2_and_one_line(tmp_path):
    for words in (("nonsense",), ("study", "show"), ("study", "show", "x"), ("--wrong",)):
        found = run(*words, cwd=tmp_path)
        assert (found.returncode, found.stdout) == (2, "")
        assert len(found.stderr.strip().splitlines()) == 1


def test_an_unexpected_error_shows_no_traceback_but_keeps_it(tmp_path):
    code = (
        "import sys\nsys.argv = ['doe', 'stack', 'list']\nimport doe.book.book\n"
        "def broken(*a, **k): raise ZeroDivisionError('far inside')\n"
        "doe.book.book.Book.open = broken\nfrom doe.cli import main\nmain()\n"
    )
    settings = {
        **os.environ,
        "XDG_STATE_HOME": str(tmp_path / "state"),
        "LOCALAPPDATA": str(tmp_path / "state"),
        "HOME": str(tmp_path),
    }
    found = subprocess.run(
        [sys.executable, "-c", code], env=settings, capture_output=True, encoding="utf-8", check=False
    )
    assert found.returncode == 3
    assert len(found.stderr.strip().splitlines()) == 1
    assert "far inside" in found.stderr
    assert "Traceback" not in found.stderr
    logs = list(tmp_path.rglob("doe.log"))
    assert len(logs) == 1
    assert "ZeroDivisionError: far inside" in logs[0].read_text(encoding="utf-8")


def test_the_log_is_turned_over_before_it_grows(tmp_path, monkeypatch):
    from doe.cli import log

    monkeypatch.setattr(log, "user_log_path", lambda *_, **__: tmp_path)
    (tmp_path / "doe.log").write_text("x" * 999_990)
    for number in range(3):
        assert log.keep_log(ZeroDivisionError(f"mistake {number}")) == tmp_path / "doe.log"
    assert (tmp_path / "doe.log.1").stat().st_size == 999_990
    assert "mistake 2" in (tmp_path / "doe.log").read_text()
    assert (tmp_path / "doe.log").stat().st_size < 10_000


def test_colour_is_never_sent_into_a_pipe(tmp_path):
    assert "\x1b" not in run("stack", "list", cwd=tmp_path).stderr


def test_a_console_that_knows_no_degree_sign_gets_a_replacement(tmp_path):
    run("line", "add", "l", cwd=tmp_path)
    found = run("line", "show", "l", cwd=tmp_path, PYTHONIOENCODING="ascii")
    assert found.returncode == 0
    assert "18 ?F" in found.stdout


@POSIX
def test_a_reader_that_leaves_early_is_no_error(tmp_path):
    run("line", "add", "l", cwd=tmp_path)
    settings = {**os.environ, "DOE_BOOK": str(tmp_path / "b.sqlite"), "DOE_WHO": "ana"}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen([*DOE, "book", "audit"], env=settings, **pipes) as process:
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(30) == 0


@POSIX
def test_ctrl_c_is_clean_and_colour_follows_no_color(tmp_path):
    plain = in_terminal(tmp_path, ["stack", "list"], NO_COLOR="1")
    coloured = in_terminal(tmp_path, ["stack", "list"])
    assert b"\x1b[31m" in coloured
    assert b"\x1b" not in plain
    for name in ("stack", "line"):
        words = ["--fabric", "f", "--film", "f", "--powder", "p"] if name == "stack" else []
        run(name, "add", "x", *words, cwd=tmp_path)
    stopped = in_terminal(tmp_path, ["study", "new"], until=b"What is being tuned")
    assert b"Stopped. Nothing of this command was stored." in stopped
    assert b"Traceback" not in stopped
    assert stopped.endswith(b"exit 130")


@pytest.mark.parametrize(
    ("stopped_in", "said"),
    [
        ("stack", "Stopped. Nothing of this command was stored."),
        ("lines", "Stopped. What was finished before is stored."),
    ],
)
def test_ctrl_c_while_working_says_in_one_line_what_was_stored(tmp_path, stopped_in, said):
    # `doe stack add` stores the stack, then looks for a line to suggest
    method = {"stack": "save_stack", "lines": "lines"}[stopped_in]
    words = ["stack", "add", "tee", "--fabric", "f", "--film", "f", "--powder", "p", "--book", "b.sqlite"]
    code = (
        f"import sys\nsys.argv = ['doe', *{words}]\nfrom doe.book.book import Book\n"
        f"def stop(*a, **k): raise KeyboardInterrupt\nBook.{method} = stop\n"
        "from doe.cli import main\nmain()\n"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, encoding="utf-8", check=False, timeout=60
    )
    assert (found.returncode, found.stdout) == (130, "")
    assert found.stderr.split("\n") == [said, ""] or found.stderr.strip() == said


def in_terminal(folder, words, until=b"", **env):
    """Everything a terminal shows; Ctrl-C is pressed once it shows ``until``."""
    import pty
    import select

    settings = {k: v for k, v in os.environ.items() if k != "NO_COLOR"}
    settings |= {"DOE_BOOK": str(folder / "b.sqlite"), "DOE_WHO": "ana", "TERM": "xterm", **env}
    ours, theirs = pty.openpty()
    pipes = {"stdin": theirs, "stdout": theirs, "stderr": theirs, "start_new_session": True}
    with subprocess.Popen([*DOE, *words], env=settings, **pipes) as process:
        os.close(theirs)
        seen, again, deadline = b"", 0.0, time.monotonic() + 90
        while time.monotonic() < deadline:
            if select.select([ours], [], [], 0.2)[0]:
                try:
                    part = os.read(ours, 4096)
                except OSError:  # the other end is closed: the process has left
                    break
                seen += part
            # pressed again after a while, as a person would: a key may fall between showing a question and reading
            if until and until in seen and time.monotonic() > again:
                process.send_signal(signal.SIGINT)
                again = time.monotonic() + 30
        else:
            process.kill()
        code = process.wait()
    os.close(ours)
    return seen + f"exit {code}".encode()
