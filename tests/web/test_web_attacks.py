"""What an attacker on the same machine's network, in another tab, or in a file would try."""

from __future__ import annotations

import io
import json
import os
import socket
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from web_factory import Page, made_up_case, measured, page, small_case, wait_for

from mineralize.web import guard


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Page]:
    small_case(tmp_path / "one", "K-017")
    with page(tmp_path) as held:
        yield held


def key(held: Page) -> str:
    return held.shelf.cases()[0].key


def post(held: Page, path: str, value: object, **headers: str) -> int:
    sent = {"origin": held.origin, **headers}
    return held.client.post(path, json=value, headers=sent).status_code


def test_writes_from_another_origin_are_refused_and_change_nothing(opened: Page) -> None:
    case = opened.shelf.cases()[0]
    before = case.case_file.read_bytes()
    body = {"version": "none", "act": {"do": "alias", "alias": "X"}}
    for origin in ("http://example.org", "null", "http://127.0.0.1:1", f"https://127.0.0.1:{opened.keys.port}"):
        for path in (f"/api/cases/{case.key}/acts", "/api/drops", f"/api/cases/{case.key}/job"):
            assert post(opened, path, body, origin=origin) == 403, origin
        assert opened.client.put("/api/drops/0/0", content=b"x", headers={"origin": origin}).status_code == 403
        assert opened.client.delete(f"/api/cases/{case.key}/job", headers={"origin": origin}).status_code == 403
    assert post(opened, "/api/drops", {}, **{"sec-fetch-site": "cross-site"}) == 403
    assert case.case_file.read_bytes() == before


def test_foreign_hosts_are_refused_everywhere(opened: Page) -> None:
    for host in ("example.org", "127.0.0.1", "127.0.0.1:80", f"127.0.0.1.example.org:{opened.keys.port}", ""):
        for path in ("/health", "/", "/api/cases"):
            answer = opened.client.get(path, headers={"host": host}, params={"token": opened.keys.token})
            assert answer.status_code == 421, host
            assert "set-cookie" not in answer.headers


def test_a_simple_form_cannot_write(opened: Page) -> None:
    """A form of another site can send text/plain without asking first; JSON it cannot."""
    path = f"/api/cases/{key(opened)}/acts"
    body = json.dumps({"version": "x", "act": {}})
    assert opened.client.post(path, content=body, headers={"content-type": "text/plain"}).status_code == 400


def test_every_answer_carries_the_protective_headers(opened: Page) -> None:
    for path in ("/", "/api/cases", "/static/app.js", "/nothing", f"/api/cases/{key(opened)}/results/x"):
        headers = opened.client.get(path).headers
        policy = headers["content-security-policy"]
        assert "script-src 'self'" in policy or "default-src 'none'" in policy
        assert "unsafe-inline" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "access-control-allow-origin" not in headers


def test_the_page_holds_no_inline_script_or_style(opened: Page) -> None:
    text = opened.client.get("/").text
    assert "<script>" not in text
    assert "style=" not in text
    assert " onclick" not in text
    assert "http://" not in text.replace("http://www.w3.org/", "")
    assert "https://" not in text


def test_results_never_leave_their_folder(tmp_path: Path) -> None:
    (tmp_path / "root").mkdir()
    (tmp_path / "secret.txt").write_text("secret")
    case = measured(made_up_case(tmp_path / "root", "K-017"))
    (case.results / "secret.txt").symlink_to(tmp_path / "secret.txt")
    (case.kept / "near-9.i16").symlink_to(tmp_path / "secret.txt")
    marker = case.results / ".mineralize"
    listed = json.loads(marker.read_text())
    listed["files"] |= {"secret.txt": "", "../../../secret.txt": ""}
    marker.write_text(json.dumps(listed))
    climbs = ("../../secret.txt", "..%2F..%2Fsecret.txt", "%2e%2e/%2e%2e/secret.txt", "/etc/passwd", "%2Fetc%2Fpasswd")
    with page(tmp_path / "root") as held:
        at = f"/api/cases/{case.key}"
        assert held.client.get(f"{at}/results/history.json").status_code == 200
        assert held.client.get(f"{at}/kept/near-1.i16").status_code == 200
        for name in (*climbs, "history.json/../../x", ".mineralize", "secret.txt", "near-9.i16", "measured.json"):
            for path in (f"{at}/results/{name}", f"{at}/kept/{name}", f"/static/{name}"):
                answer = held.client.get(path)
                assert answer.status_code in (400, 404, 405), path
                assert answer.text != "secret"
        exported = held.client.get(f"{at}/export.zip").content
        names = zipfile.ZipFile(io.BytesIO(exported)).namelist()
        assert "history.json" in names
        assert "secret.txt" not in names


def test_of_a_covered_case_nothing_but_its_days_leaves_before_the_impression(tmp_path: Path) -> None:
    case = measured(made_up_case(tmp_path, "K-017"), sealed=True)
    case.remember("first", {"3": {"near": None, "outline": None, "why_not": "", "files": "x"}})
    at = f"/api/cases/{case.key}"
    with page(tmp_path) as held:
        for path in (
            "numbers",
            "rim/3",
            "kept/near-3.i16",
            "kept/whole-3.i16",
            "kept/outline-3.depth",
            "export.zip",
            "results/summary.html",
            "results/history.json",
            "results/sealed.zip",
        ):
            answer = held.client.get(f"{at}/{path}")
            assert answer.status_code == 403, path
            assert answer.json()["kind"] == "Covered"
        for value in (
            {"do": "look"},
            {"do": "candidates"},
            {"do": "measure"},
            {"do": "outline", "scan": 3, "at": [0, 0, 0]},
        ):
            assert post(held, f"{at}/job", value) == 403
        assert post(held, f"{at}/acts", {"version": "x", "act": {"do": "alias", "alias": "Y"}}) == 403
        told = held.client.get(at).json()
        assert told["state"] == "covered"
        assert set(told) <= {
            "key",
            "alias",
            "state",
            "words",
            "looked",
            "scans",
            "events",
            "job",
            "day_zero",
            "impressions",
            "impression_fault",
        }
        assert all(set(s) == {"number", "day"} for s in told["scans"])
        answers = {"reader": "pathologist 1", "remarks": "</script><script>alert(1)</script>"}
        assert post(held, f"{at}/impression", {"answers": answers}) == 200
        opened = held.client.get(at).json()
        assert opened["state"] == "measured"
        assert opened["impressions"][0]["seen"] == "before the findings were opened"
        assert held.client.get(f"{at}/numbers").status_code == 200
        assert post(held, f"{at}/impression", {"answers": answers}) == 400
        assert post(held, f"{at}/impression", {"answers": answers, "because": "more slides"}) == 200
        assert len(held.client.get(at).json()["impressions"]) == 2


def test_two_tabs_never_lose_each_others_edits(tmp_path: Path) -> None:
    case = made_up_case(tmp_path, "K-017")
    at = f"/api/cases/{case.key}"
    with page(tmp_path) as held:
        version = held.client.get(at).json()["given"]["version"]
        act = {"do": "margin", "scan": 3, "at": [1, 2, 3], "today": "2026-11-28"}
        assert post(held, f"{at}/acts", {"version": version, "act": act}) == 200
        answer = held.client.post(f"{at}/acts", json={"version": version, "act": act | {"at": [9, 9, 9]}})
        assert answer.status_code == 409
        assert "changed elsewhere" in answer.json()["text"]
        text = case.case_file.read_text()
        assert "# by hand" in text
        assert text.count("[[margin]]") == 1
        assert held.client.post(f"{at}/steps/undo", json={"version": version}).status_code == 409
        fresh = held.client.get(at).json()["given"]["version"]
        assert held.client.post(f"{at}/steps/undo", json={"version": fresh}).status_code == 200
        assert "[[margin]]" not in case.case_file.read_text()


def test_one_long_computation_blocks_nothing_and_is_cancelled_whole(tmp_path: Path) -> None:
    small_case(tmp_path / "one", "K-017")
    with page(tmp_path) as held:
        at = f"/api/cases/{key(held)}"
        assert post(held, f"{at}/job", {"do": "look"}) == 200
        assert post(held, f"{at}/job", {"do": "measure"}) == 409
        before = time.monotonic()
        assert held.client.get("/api/cases").status_code == 200
        assert time.monotonic() - before < 30
        assert held.client.delete(f"{at}/job").status_code == 200
        assert held.client.get(f"{at}/job").json()["job"]["state"] in ("cancelled", "done", "failed")
        assert not list(held.shelf.home.glob(".mineralize-new-*"))


def test_no_identifier_and_no_folder_name_leaves(tmp_path: Path) -> None:
    person = ("PID-77", "Invented^<script>alert(1)</script>", "19510203")
    small_case(tmp_path / "Invented^Person 19510203", patient=person)
    with page(tmp_path) as held:
        at = f"/api/cases/{key(held)}"
        post(held, f"{at}/job", {"do": "glance"})
        wait_for(held.client, key(held))
        for path in ("/", "/api/cases", at, f"{at}/job"):
            text = held.client.get(path).text
            for secret in ("Invented", "19510203", "PID-77", "2024-0", "alert(1)", str(tmp_path)):
                assert secret not in text, path
        assert held.client.get(at).json()["alias"] == "case-001"


def test_links_out_of_the_root_are_not_served(tmp_path: Path) -> None:
    root = tmp_path / "root"
    small_case(tmp_path / "elsewhere", "AWAY-1")
    small_case(root / "one", "K-017")
    (root / "link").symlink_to(tmp_path / "elsewhere")
    (root / "one" / "inner").symlink_to(tmp_path / "elsewhere")
    (root / "two").mkdir()
    (root / "two" / "case.toml").symlink_to(tmp_path / "elsewhere" / "case.toml")
    with page(root) as held:
        cases = {c.folder.name: c for c in held.shelf.cases()}
        assert set(cases) == {"one", "two"}
        asked = {"do": "glance"}
        assert post(held, f"/api/cases/{cases['one'].key}/job", asked) == 200
        job = wait_for(held.client, cases["one"].key)
        assert job["state"] == "failed"
        assert "link" in str(job["text"])
        told = held.client.get(f"/api/cases/{cases['two'].key}").json()
        assert "link" in told["case_fault"]


def test_a_declared_upload_of_5_gb_is_refused_before_it_comes(opened: Page) -> None:
    drop = opened.client.post("/api/drops", json={}).json()["drop"]
    cookie = f"{opened.keys.cookie}={opened.keys.session}"
    for line, length in ((f"PUT /api/drops/{drop}/0", 5 * 10**9), ("POST /api/drops", 2**21)):
        with socket.create_connection(("127.0.0.1", opened.keys.port), timeout=10) as plain:
            host = f"127.0.0.1:{opened.keys.port}"
            head = f"{line} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\nContent-Length: {length}\r\n\r\n"
            plain.sendall(head.encode())
            assert plain.recv(1000).startswith(b"HTTP/1.1 413")


def test_an_undeclared_body_is_counted(opened: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "LARGEST_WORDS", 1000)
    answer = opened.client.post("/api/drops", content=iter([b"[" + b" " * 600, b" " * 600]))
    assert answer.status_code in (200, 413)  # the route need not read it; what reads is cut off
    path = f"/api/cases/{key(opened)}/acts"
    answer = opened.client.post(
        path, content=iter([b"[" + b" " * 600, b" " * 600]), headers={"content-type": "application/json"}
    )
    assert answer.status_code == 413


def test_a_zip_bomb_is_refused_and_leaves_nothing(opened: Page) -> None:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as made, made.open("big", "w") as out:
        for _ in range(96):
            out.write(bytes(2**20))
    before = sorted(p.name for p in opened.shelf.root.iterdir())
    drop = opened.client.post("/api/drops", json={}).json()["drop"]
    assert opened.client.put(f"/api/drops/{drop}/0", content=held.getvalue()).status_code == 200
    answer = opened.client.post(f"/api/drops/{drop}/finish", json={"alias": "B-1"})
    assert answer.status_code == 400
    assert "times its size" in answer.json()["text"]
    assert sorted(p.name for p in opened.shelf.root.iterdir() if p.name != "mineralize-results") == [
        n for n in before if n != "mineralize-results"
    ]
    assert not list((opened.shelf.home / ".page").glob("drop-*"))


def test_names_in_an_archive_cannot_climb(opened: Page, tmp_path: Path) -> None:
    dicom = next(p for p in (tmp_path / "one").rglob("*") if p.is_file() and p.name != "case.toml").read_bytes()
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as made:
        made.writestr("../../../../climbed.dcm", dicom)
        made.writestr("/absolute.dcm", dicom)
        link = zipfile.ZipInfo("link")
        link.external_attr = 0o120777 << 16
        made.writestr(link, "/etc/passwd")
    drop = opened.client.post("/api/drops", json={}).json()["drop"]
    opened.client.put(f"/api/drops/{drop}/0", content=held.getvalue())
    answer = opened.client.post(f"/api/drops/{drop}/finish", json={"alias": "Z-1"}).json()
    case = opened.shelf.case(answer["key"])
    files = [p for p in case.folder.rglob("*") if p.is_file()]
    assert {p.name for p in files} == {"case.toml", "000000", "000001"}
    assert not any(p.is_symlink() for p in files)
    assert not list(tmp_path.parent.rglob("climbed*"))


def test_malformed_dicom_is_a_sentence(opened: Page) -> None:
    drop = opened.client.post("/api/drops", json={}).json()["drop"]
    for number in range(3):
        data = bytes(128) + b"DICM" + os.urandom(400)
        assert opened.client.put(f"/api/drops/{drop}/{number}", content=data).status_code == 200
    made = opened.client.post(f"/api/drops/{drop}/finish", json={"alias": "BAD-1"}).json()
    assert opened.client.post(f"/api/cases/{made['key']}/job", json={"do": "look"}).status_code == 200
    job = wait_for(opened.client, made["key"])
    assert job["state"] == "failed"
    assert job["kind"] != "fault"
    told = opened.client.get("/api/cases").json()["cases"]
    assert next(c["state"] for c in told if c["key"] == made["key"]) == "unusable"


def test_what_is_no_image_is_left_out_and_said(opened: Page, tmp_path: Path) -> None:
    drop = opened.client.post("/api/drops", json={}).json()["drop"]
    opened.client.put(f"/api/drops/{drop}/0", content=b"<script>alert(1)</script>")
    answer = opened.client.post(f"/api/drops/{drop}/finish", json={})
    assert answer.status_code == 400
    assert "nothing was kept" in answer.json()["text"]


def test_unknown_cases_drops_and_commands_are_sentences(opened: Page) -> None:
    assert opened.client.get("/api/cases/0123456789").status_code == 404
    assert opened.client.get("/api/cases/..").status_code in (404, 405)
    assert opened.client.put("/api/drops/0123456789abcdef/0", content=b"x").status_code == 400
    for value in ({"do": "format"}, {"do": "outline", "scan": 1}, {"do": "outline", "scan": "x", "at": [1, 2, 3]}):
        assert post(opened, f"/api/cases/{key(opened)}/job", value) == 400
    answer = opened.client.post(f"/api/cases/{key(opened)}/acts", json=[1])
    assert answer.status_code == 400


def test_two_keys_of_two_servers_do_not_open_each_other(tmp_path: Path) -> None:
    small_case(tmp_path / "one", "K-017")
    with page(tmp_path) as first, page(tmp_path) as second:
        name = first.keys.cookie
        stolen = first.client.cookies.get(name)
        second.client.cookies.clear()
        assert second.client.get("/api/cases", headers={"cookie": f"{name}={stolen}"}).status_code == 403
