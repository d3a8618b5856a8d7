"""The server's safety: who may ask, what is handed out, what changes something. After RFC 9110 (status codes, Host) and
the OWASP cheat sheets on cross-site request forgery and DNS rebinding (from memory): Host and Origin are checked, a
token is needed, GET is safe."""

from __future__ import annotations

import functools
import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from quietcopper.cli import main
from quietcopper.errors import CallError
from quietcopper.review.decisions import read_decisions
from quietcopper.web.server import LARGEST_BODY, Server, is_loopback
from quietcopper.web.service import SAVED, Service

DECISION = {"finding": "?", "state": "agreed", "reason": "", "author": "R. Viewer"}


@pytest.fixture
def first(served):
    """The id of the worst finding."""
    return served.server.service.document["findings"][0]["id"]


def test_listens_on_loopback_only(served):
    assert served.server.server_address[0] == "127.0.0.1"
    outside = {a[4][0] for a in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    for address in outside - {"127.0.0.1"}:
        if address.startswith("127."):
            continue
        with pytest.raises(OSError), socket.create_connection((address, served.server.server_port), timeout=2):
            pass


@pytest.mark.parametrize(
    ("host", "alone"),
    [("127.0.0.1", True), ("127.8.8.8", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("::", False)],
)
def test_what_counts_as_loopback(host, alone):
    assert is_loopback(host) is alone


def test_the_address_with_its_key_opens_the_page_and_the_key_leaves_the_address(served):
    status, _, headers = served.ask("GET", f"/?key={served.server.key}", Cookie=None)
    assert (status, headers["Location"]) == (303, "/")
    assert "HttpOnly" in headers["Set-Cookie"]
    assert "SameSite=Strict" in headers["Set-Cookie"]
    status, text, headers = served.ask("GET", "/")
    assert status == 200
    assert served.server.token.encode() in text
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("cookie", [None, "", "review=1", "x" * 4000, 'a="; b'])
def test_without_the_key_nothing_is_handed_out(served, cookie):
    for path in ("/", "/?key=wrong", "/findings.json", "/api/state"):
        assert served.ask("GET", path, Cookie=cookie)[0] == 403


@pytest.mark.parametrize(
    "host", [None, "", "evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:80"]
)
def test_another_name_for_the_server_is_refused(served, host):
    assert served.ask("GET", "/", Host=host)[0] == 421


def test_a_request_from_another_page_is_refused(served, first):
    body = {**DECISION, "finding": first}
    for changed in (
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"http://127.0.0.1:{served.server.server_port + 1}"},
        {"Origin": f"https://127.0.0.1:{served.server.server_port}"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"X_Review_Token": None},
        {"X_Review_Token": "guess"},
        {"X_Review_Token": "\xff"},
        {"Cookie": None},
    ):
        assert served.ask("POST", "/api/decide", body, **changed)[0] == 403, changed
    assert not served.server.service.decisions.exists()


def test_a_form_of_another_page_is_no_request(served):
    for kind in ("application/x-www-form-urlencoded", "text/plain", "multipart/form-data; boundary=x", None):
        assert served.ask("POST", "/api/decide", {}, Content_Type=kind)[0] == 415


@pytest.mark.parametrize("method", ["GET", "HEAD"])
@pytest.mark.parametrize(
    "path", ["/api/decide", "/api/comment", "/api/plan", "/api/try", "/api/decide?finding=x&state=agreed"]
)
def test_asking_changes_nothing(served, method, path):
    before = sorted((p.name, p.stat().st_mtime_ns) for p in served.server.service.folder.rglob("*"))
    assert served.ask(method, path)[0] == 404
    assert sorted((p.name, p.stat().st_mtime_ns) for p in served.server.service.folder.rglob("*")) == before
    assert not served.server.service.decisions.exists()


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(served, method):
    assert served.ask(method, "/")[0] == 405


@pytest.mark.parametrize(
    "path",
    [
        "/../board.xml",
        "/markup/../../board.xml",
        "/%2e%2e/board.xml",
        "/markup/..%2f..%2fboard.xml",
        "/markup/%2e%2e",
        "/markup/.hidden",
        "//etc/passwd",
        "/etc/passwd",
        "/markup/\\..\\board.xml",
        "/findings.json%00.pdf",
        "/%ff",
        "/run.json",
        "/markup",
        "/markup/",
        "/review.html/../findings.json",
    ],
)
def test_no_path_leads_out_of_the_review(served, path):
    assert served.ask("GET", path)[0] in {400, 404}


def test_a_link_that_leads_out_of_the_folder_is_not_followed(served, tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("not yours", encoding="utf-8")
    link = served.server.service.folder / "markup" / "link.txt"
    os.symlink(secret, link)
    try:
        assert served.ask("GET", "/markup/link.txt")[0] == 404
    finally:
        link.unlink()


def test_the_reviews_own_files_are_handed_out(served):
    status, text, headers = served.ask("GET", "/findings.json")
    assert status == 200
    assert json.loads(text)["format"] == "quietcopper-review/1"
    assert headers["Content-Type"] == "application/json"
    assert served.ask("GET", "/review.pdf")[1].startswith(b"%PDF")
    some = next(p.name for p in (served.server.service.folder / "markup").iterdir())
    assert served.ask("GET", f"/markup/{some}")[0] == 200


def test_bodies_are_limited(served):
    assert served.ask("POST", "/api/decide", b"{" + b" " * LARGEST_BODY + b"}")[0] == 413
    assert served.ask("POST", "/api/decide", {}, Content_Length="9" * 12)[0] == 413
    assert served.ask("POST", "/api/decide", {}, Content_Length="-1")[0] == 411
    assert served.ask("POST", "/api/decide", {}, Transfer_Encoding="chunked")[0] == 411
    assert served.ask("POST", "/api/decide", b"[" * 60_000)[0] == 400
    assert served.ask("POST", "/api/decide", b"[]")[0] == 400
    assert served.ask("POST", "/api/decide", b"\xff{}")[0] == 400


def test_a_decision_goes_into_the_file_that_decide_writes(served, first):
    status, said = served.json("POST", "/api/decide", {**DECISION, "finding": first, "state": "accepted"})
    assert status == 400
    assert "needs its reason" in said["problem"]
    body = {**DECISION, "finding": first, "state": "accepted", "reason": "a socket, never populated"}
    status, said = served.json("POST", "/api/decide", body)
    assert status == 200
    held = read_decisions(served.server.service.decisions).latest[first]
    assert (held.state, held.reason, held.author) == ("accepted", "a socket, never populated", "R. Viewer")
    assert held.time == said["time"]
    assert served.json("GET", "/api/state")[1]["decisions"][first] == said


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"finding": "no such", "text": "x", "author": "x"},
        {"cause": "no such", "text": "x", "author": "x"},
        {"finding": ["x"], "text": "x", "author": "x"},
        {"finding": "?", "text": " ", "author": "x"},
        {"finding": "?", "text": "x", "author": ""},
        {"finding": "?", "text": "x" * 4001, "author": "x"},
        {"finding": "?", "text": ["x"], "author": "x"},
    ],
)
def test_what_is_no_comment_is_told(served, first, body):
    if body.get("finding") == "?":
        body = {**body, "finding": first}
    status, said = served.json("POST", "/api/comment", body)
    assert status == 400
    assert said["problem"]
    assert not served.server.service.decisions.exists()


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"finding": "no such", "state": "agreed", "author": "x"},
        {"finding": ["x"], "state": "agreed"},
        {"finding": "?", "state": "maybe", "author": "x"},
        {"finding": "?", "state": "agreed", "author": ""},
        {"finding": "?", "state": "agreed", "author": 5},
        {"finding": "?", "state": "agreed", "author": "x" * 201},
        {"finding": "?", "state": "agreed", "author": "x", "reason": "y" * 4001},
    ],
)
def test_what_is_no_decision_is_told(served, first, body):
    if body.get("finding") == "?":
        body = {**body, "finding": first}
    status, said = served.json("POST", "/api/decide", body)
    assert status == 400
    assert said["problem"]
    assert not served.server.service.decisions.exists()


@pytest.mark.parametrize(
    "changes",
    [
        "all",
        [5],
        [{}],
        [{"cause": "no such"}],
        [{"finding": "x", "remedy": 0}],
        [{"step": -1}],
        [{"step": True}],
        [{"kind": "set-dielectric", "arguments": {}}],
        [{"dielectric": 0, "thickness_mm": 1e9}],
        [{"dielectric": 0, "thickness_mm": "0.1"}],
        [{"dielectric": 99, "thickness_mm": 0.1}],
        [{"dielectric": 0, "thickness_mm": 0.1}] * 201,
    ],
)
def test_only_the_reviews_own_proposals_can_be_tried(served, changes):
    status, said = served.json("POST", "/api/try", {"changes": changes})
    assert status == 400
    assert said["problem"]


def outcome(served, changes):
    """What comes of trying these changes."""
    status, said = served.json("POST", "/api/try", {"changes": changes})
    assert status == 200
    end = time.monotonic() + 120
    while time.monotonic() < end:
        now = served.json("GET", f"/api/try/{said['number']}")[1]
        if "result" in now or "problem" in now:
            return now
        time.sleep(0.05)
    raise AssertionError("the trial did not end")


def test_a_proposal_tried_gives_what_the_review_proved_and_the_plan_what_if_reads(served, tmp_path, capsys):
    document = served.server.service.document
    cause = document["causes"][0]
    nothing = outcome(served, [])["result"]
    for finding in document["findings"]:
        assert nothing["after"][finding["id"]] == pytest.approx(finding["excess_db"], abs=0.01)
    tried = outcome(served, [{"cause": cause["id"]}])["result"]
    # the review proved the same change by the same edit: what is left of its findings, or newly made
    left = [db for db in map(tried["after"].get, cause["findings"]) if db != "gone"] + [
        n["excess_db"] for n in tried["new"]
    ]
    assert cause["how"].startswith("solved again")
    assert (max(left) if left else None) == pytest.approx(cause["excess_after_db"], abs=0.01)
    assert tried["over_after"] < tried["over_before"]
    status, saved = served.json("POST", "/api/plan", {"changes": [{"cause": cause["id"]}]})
    assert status == 200
    board = served.server.service.board
    plan = served.server.service.folder / SAVED
    assert plan.read_text(encoding="utf-8") == saved["text"]
    assert main(["what-if", str(board), str(plan), "-o", str(tmp_path / "again"), "-q"]) == 0
    compared = json.loads((tmp_path / "again" / "compare.json").read_text(encoding="utf-8"))
    for row in compared["findings"]:
        if row["id"] in tried["after"] and row["before_db"] is not None:
            after = tried["after"][row["id"]]
            assert row["after_db"] == (pytest.approx(after, abs=0.01) if after != "gone" else None)
    plan.unlink()


def test_a_thickness_moves_the_figures(served):
    worst = served.server.service.document["findings"][0]
    thick = outcome(served, [{"dielectric": 2, "thickness_mm": 0.8}])["result"]
    assert thick["after"][worst["id"]] != pytest.approx(worst["excess_db"], abs=0.1)


def test_a_newer_request_takes_the_place_of_an_older(served):
    one = served.json("POST", "/api/try", {"changes": []})[1]["number"]
    two = served.json("POST", "/api/try", {"changes": []})[1]["number"]
    assert served.json("GET", f"/api/try/{one}")[1] == {"superseded": True}
    assert two == one + 1


def test_a_board_that_is_gone_is_told_and_the_page_is_served_all_the_same(reviewed, tmp_path):
    import shutil

    shutil.copytree(reviewed, tmp_path / "moved")
    service = Service(tmp_path / "moved")
    assert "not where it was reviewed" in service.state()["trials"]["problem"]


def test_a_folder_without_a_page_of_ours_is_refused(tmp_path):
    (tmp_path / "findings.json").write_text("{}", encoding="utf-8")
    with pytest.raises(CallError, match="run the review again"):
        Server(Service(tmp_path))
    (tmp_path / "review.html").write_text("<p>something else", encoding="utf-8")
    with pytest.raises(CallError, match="another version"):
        Server(Service(tmp_path))
    with pytest.raises(CallError, match=r"findings\.json: cannot be read"):
        Service(tmp_path / "nothing")


def test_the_command_prints_its_address_and_stops_quietly(reviewed):
    command = [sys.executable, "-m", "quietcopper", "serve", str(reviewed)]
    # a runner in the background ignores the interrupt, and so would its children
    heeds = functools.partial(signal.signal, signal.SIGINT, signal.default_int_handler)
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, preexec_fn=heeds) as running:
        line = running.stdout.readline()
        assert line.startswith("http://127.0.0.1:")
        assert "/?key=" in line
        running.send_signal(2)
        assert running.wait(20) == 0


@pytest.mark.parametrize("words", [["--port", "99999"], ["--host", "192.0.2.1"], [str(Path("no") / "such.xml")]])
def test_calls_that_make_no_sense_end_with_one_line(reviewed, capsys, words):
    given = words if words[0].startswith("no") else [str(reviewed), *words]
    assert main(["serve", *given]) == 2
    assert capsys.readouterr().err.count("\n") == 1
