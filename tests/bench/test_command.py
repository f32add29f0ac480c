"""`doe bench` as a person starts and stops it."""

from __future__ import annotations

import contextlib
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.parse
import urllib.request

import pytest
import uvicorn
from typer.testing import CliRunner

from doe.bench.guard import Hosts, own_addresses, split_host
from doe.bench.serve import listen, settings_of
from doe.book.book import Book
from doe.cli.app import app
from doe.cli.bench import terminal_code
from doe.domain.errors import InputError
from tests.bench.process import command, environment, running
from tests.bench.shop import hidden_fields, make_desk


def run(*words: str) -> tuple[int, str, str]:
    found = CliRunner().invoke(app, ["bench", *words], env={"DOE_WHO": "ana", "COLUMNS": "80", "NO_COLOR": "1"})
    return found.exit_code, found.stdout, found.stderr


def test_a_port_in_use_is_one_line_with_what_to_do(book_with):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        code, out, err = run("--book", str(book_with(0)), "--port", str(port))
    assert code == 2
    assert out == ""
    (line,) = err.strip().splitlines()
    assert f"--port: found {port}, which another program uses; allowed: a free port." in line
    assert f"add --port {port + 1}." in line


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--host", "203.0.113.7"), "--host"),
        (("--host", "no such name"), "--host"),
        (("--port", "70000"), "1 to 65535"),
        (("--port", "-1"), "1 to 65535"),
    ],
)
def test_addresses_that_cannot_be_used_are_one_line(book_with, words, said):
    code, _, err = run("--book", str(book_with(0)), *words)
    assert code == 2
    assert len(err.strip().splitlines()) == 1
    assert said in err


def test_a_missing_book_is_said_before_a_port_is_taken(tmp_path):
    code, _, err = run("--book", str(tmp_path / "none.sqlite"))
    assert code == 2
    assert "none.sqlite" in err
    assert not (tmp_path / "none.sqlite").exists()


def test_help_imports_no_web_server():
    code = (
        "import sys\nfrom doe.cli.app import app\n"
        "try:\n    app(['bench', '--help'])\nexcept SystemExit:\n    pass\n"
        "print(sorted({'starlette', 'uvicorn', 'PIL', 'multipart', 'pandas'} & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.strip().splitlines()[-1] == "[]"
    assert "doe bench --host 0.0.0.0" in out


@pytest.mark.in_file("about the page's processes, whatever its book")
def test_ctrl_c_ends_it_with_a_sentence_and_no_traceback(book_with):
    book = book_with(0)
    process = subprocess.Popen(
        command(book), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment()
    )
    try:
        assert process.stdout is not None
        said = ""
        while "Ctrl-C" not in said:
            line = process.stdout.readline()
            assert line, process.communicate()[1]
            said += line
        address = re.search(r"http://127\.0\.0\.1:\d+", said)
        assert address is not None
        assert "Pairing code" not in said
        assert "Only this machine reaches it." in said
        for _ in range(50):
            try:
                with urllib.request.urlopen(f"{address[0]}/alive", timeout=5) as answer:
                    assert answer.status == 204
                break
            except urllib.error.URLError:
                time.sleep(0.1)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    finally:
        process.kill()
    assert process.returncode == 0
    assert "The bench page has stopped. Every score that was confirmed is in the book." in out
    assert err == ""
    lines = [line for line in (said + out).splitlines() if str(book) not in line]  # a path is as long as it is
    assert max(map(len, lines)) <= 80


@pytest.mark.in_file("about the page's socket, whatever its book")
def test_on_a_network_it_shows_addresses_and_a_code_that_pairs(book_with):
    with running(book_with(0), "--host", "0.0.0.0", anew=True) as page:
        assert re.fullmatch(r"\d{8}", page.facts["pairing_code"])
        assert all(re.fullmatch(r"http://[\w.:\[\]-]+:\d+", link) for link in page.facts["links"])
        port = page.address.rpartition(":")[2]
        # nothing is shown to a device that is not let in, not even on this machine
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/s/1") as answer:
            assert answer.url.endswith("/pair?next=%2Fs%2F1")
        code, out, err = page.stop()
        assert (code, out) == (0, "")
        assert "Pairing code: " in err
        assert "Traceback" not in err


def test_a_confirmed_score_survives_a_kill(book_with):
    import httpx2

    path = book_with(0)
    with running(path) as page, httpx2.Client(base_url=page.address, follow_redirects=True) as client:
        headers = {"Origin": page.address}
        form = client.get("/")
        client.post("/name", data={**hidden_fields(form.text, "/name"), "typed": "ana"}, headers=headers)
        form = client.get("/c/1/R1-05")
        fields = {**hidden_fields(form.text, "/score/1/R1-05"), "hand": "4", "note": "just before"}
        answer = client.post("/score/1/R1-05", data=fields, headers=headers, follow_redirects=False)
        page.process.kill()
        page.process.wait()
    assert answer.status_code == 303
    with Book.open(path, who="test") as book:
        assert {h.field: h.value for h in book.history(1, "R1-05")} == {"hand:ana": 4.0, "note": "just before"}
        assert book.check() == []


def test_only_the_first_free_port_is_chosen_by_itself():
    place = listen("127.0.0.1", 0)
    with place.socket:
        assert place.is_local
        assert place.links[0] == f"http://127.0.0.1:{place.port}"
        with pytest.raises(InputError, match="another program"):
            listen("127.0.0.1", place.port)


def test_addresses_of_this_machine_are_never_loopback():
    assert not any(a.startswith("127.") for a in own_addresses())
    assert split_host("192.168.1.2:99999999999") == (None, 0)
    assert not Hosts(True, 80).takes("")


def test_the_code_in_the_terminal_is_read_by_another_program():
    import numpy as np
    from zxingcpp import read_barcodes

    lines = terminal_code("http://192.168.178.123:8765")
    assert max(map(len, lines)) <= 80
    upper = [[c in "█▀" for c in line] for line in lines]
    lower = [[c in "█▄" for c in line] for line in lines]
    rows = np.array([row for pair in zip(upper, lower, strict=True) for row in pair], dtype=np.uint8) * 255
    (found,) = read_barcodes(np.kron(rows, np.ones((6, 6), dtype=np.uint8)))
    assert found.text == "http://192.168.178.123:8765"


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_several_processes_answer_as_one_page_and_end_together(book_with):
    with running(book_with(0), "--workers", "2", anew=True) as page:
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        form = hidden_fields(opener.open(f"{page.address}/name").read().decode(), "/name")
        data = urllib.parse.urlencode({**form, "typed": "ana"}).encode()
        opener.open(urllib.request.Request(f"{page.address}/name", data, {"Origin": page.address}))
        for _ in range(30):  # whichever process answers knows the device
            assert "R1-01" in opener.open(f"{page.address}/list/1").read().decode()
        code, _, _ = page.stop()
        assert code == 0
        with pytest.raises(urllib.error.URLError):
            opener.open(f"{page.address}/alive", timeout=2)


@pytest.mark.in_file("about the page's socket, whatever its book")
def test_who_connects_and_says_nothing_or_half_a_request_is_shown_out(book_with, monkeypatch):
    monkeypatch.setattr("doe.bench.door.HEADER_SECONDS", 0.3)
    desk = make_desk(book_with(0), is_local=True)
    place = listen("127.0.0.1", 0)
    server = uvicorn.Server(settings_of(desk.bench, place))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [place.socket]})
    thread.start()
    try:
        for said in (b"", b"GET / HTTP/1.1\r\nHost: x"):
            with socket.create_connection(("127.0.0.1", place.port), timeout=20) as stranger:
                stranger.sendall(said)
                started = time.monotonic()
                with contextlib.suppress(ConnectionResetError):
                    assert stranger.recv(100) == b""
                assert time.monotonic() - started < 15
        with socket.create_connection(("127.0.0.1", place.port), timeout=20) as guest:  # a whole request is answered
            guest.sendall(f"GET /alive HTTP/1.1\r\nHost: 127.0.0.1:{place.port}\r\n\r\n".encode())
            assert b"204" in guest.recv(100)
    finally:
        server.should_exit = True
        thread.join()
        desk.bench.hints.close()
        desk.bench.shop.close()
    assert desk.errors == []


@pytest.mark.in_file("about the page's socket, whatever its book")
def test_an_encrypted_page_is_reached_by_who_trusts_its_certificate(book_with, tmp_path):
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("no openssl to make a certificate with")
    pem = tmp_path / "press.pem"
    words = ["req", "-x509", "-newkey", "rsa:2048", "-noenc", "-days", "2", "-subj", "/CN=press page"]
    words += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(pem), "-out", str(pem)]
    subprocess.run([openssl, *words], check=True, capture_output=True)
    with running(book_with(0), "--tls", str(pem)) as page:
        assert page.address.startswith("https://127.0.0.1:")
        trusting = ssl.create_default_context(cafile=str(pem))
        opener = urllib.request.build_opener(
            urllib.request.HTTPSHandler(context=trusting), urllib.request.HTTPCookieProcessor()
        )
        form = hidden_fields(opener.open(f"{page.address}/name").read().decode(), "/name")
        data = urllib.parse.urlencode({**form, "typed": "ana"}).encode()
        opener.open(urllib.request.Request(f"{page.address}/name", data, {"Origin": page.address}))
        assert "R1-01" in opener.open(f"{page.address}/list/1").read().decode()
        with pytest.raises(urllib.error.URLError):
            urllib.request.urlopen(f"{page.address}/name")  # who does not trust it gets nothing


def test_a_file_that_is_no_certificate_is_one_line(book_with, tmp_path):
    (tmp_path / "no.pem").write_text("nothing")
    for name, found in (("no.pem", "no certificate with its key"), ("missing.pem", "No such file")):
        code, _, err = run("--book", str(book_with(0)), "--tls", str(tmp_path / name))
        assert code == 2
        assert found in err
        assert len(err.strip().splitlines()) == 1
