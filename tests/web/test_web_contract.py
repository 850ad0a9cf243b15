"""The server as outside checks know it: one line when ready, health, token, exit code."""

from __future__ import annotations

import contextlib
import signal
import socket
import time
from pathlib import Path

import httpx
import pytest
from web_factory import serving, small_case

from mineralize.cli import main


def free_port() -> int:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return int(held.getsockname()[1])


def test_one_line_when_ready_then_health_token_and_a_quiet_end(tmp_path: Path) -> None:
    small_case(tmp_path / "one", "K-017")
    small_case(tmp_path / "two", "K-018 <b>")
    port = free_port()
    with serving(tmp_path, "--port", str(port)) as server:
        assert server.base == f"http://127.0.0.1:{port}"
        with httpx.Client(base_url=server.base, trust_env=False, timeout=120) as bare:
            assert bare.get("/health").status_code == 200
            for path in ("/", "/case/0123456789", "/api/cases", "/static/app.js", "/nothing"):
                assert bare.get(path).status_code == 403, path
            assert bare.get("/", params={"token": "wrong"}).status_code == 403
            assert bare.get("/health", headers={"Host": "example.org"}).status_code == 421
            answer = bare.get(server.address)
            assert answer.status_code == 200
            assert "K-017" in answer.text
            assert "K-018 &lt;b&gt;" in answer.text
            cookie = answer.headers["set-cookie"]
            assert "HttpOnly" in cookie
            assert "SameSite=Strict" in cookie
            assert server.address.split("token=")[1] not in cookie
        with server.opened() as opened:
            assert [c["alias"] for c in opened.get("/api/cases").json()["cases"]] == ["K-017", "K-018 <b>"]
        server.process.send_signal(signal.SIGTERM)
        assert server.process.wait(120) == 0
        assert server.process.stdout is not None
        assert server.process.stdout.read() == ""


def test_a_taken_port_and_a_missing_folder_are_one_sentence_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        assert main(["serve", str(tmp_path), "--no-open", "--port", str(held.getsockname()[1])]) == 2
    assert main(["serve", str(tmp_path / "nowhere"), "--no-open"]) == 4
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2
    assert "port" in lines[0]
    assert "does not exist" in lines[1]


def test_only_the_loopback_is_listened_on(tmp_path: Path) -> None:
    with serving(tmp_path) as server:
        port = int(server.base.rsplit(":", 1)[1])
        own = [a[4][0] for a in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
        for address in {a for a in own if not a.startswith("127.")}:
            with socket.socket() as probe:
                probe.settimeout(2)
                assert probe.connect_ex((address, port)) != 0


def test_a_killed_server_loses_nothing_and_leaves_no_worker(tmp_path: Path) -> None:
    small_case(tmp_path / "one", "K-017")
    with serving(tmp_path) as server:
        with server.opened() as client:
            (case,) = client.get("/api/cases").json()["cases"]
            at = f"/api/cases/{case['key']}"
            version = client.get(at).json()["given"]["version"]
            act = {"do": "margin", "scan": 1, "at": [1.0, 2.0, 3.0], "today": "2026-11-28"}
            assert client.post(f"{at}/acts", json={"version": version, "act": act}).status_code == 200
            assert client.post(f"{at}/job", json={"do": "look"}).status_code == 200
        server.process.kill()
        server.process.wait(120)
    assert "at = [1.0, 2.0, 3.0]" in (tmp_path / "one" / "case.toml").read_text()
    for _ in range(1200):
        if not any(case["key"] in line for line in commands_running()):
            break
        time.sleep(0.1)
    else:
        raise AssertionError("a worker runs on without its server")
    with serving(tmp_path) as server:
        with server.opened() as client:
            told = client.get(at).json()
        assert told["given"]["undo"] == 1
        assert told["given"]["table"]["margin"][0]["at"] == [1.0, 2.0, 3.0]


def commands_running() -> list[str]:
    """Command lines of all processes, where the system shows them."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            found.append(path.read_bytes().replace(b"\0", b" ").decode("utf-8", "replace"))
    return found
