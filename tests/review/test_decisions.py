"""Decisions on disk: nothing that was written is ever lost, torn lines are told, files merge line by line."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcopper.cli import main
from quietcopper.errors import CallError
from quietcopper.findings.model import DECISION_STATES, Comment, Decision
from quietcopper.review.decisions import append_comment, append_decision, decisions_path, read_decisions

TIMES = st.sampled_from(["2025-11-25T09:00:00Z", "2025-11-25T09:00:01Z", "2026-01-02T00:00:00Z"])
decisions = st.builds(
    Decision,
    finding=st.sampled_from(["trace-over-gap:CLK:BOT", "lone-copper:TOP", "Ω:</script>", "\udc80"]),
    state=st.sampled_from(DECISION_STATES),
    reason=st.text(min_size=1).map(lambda text: f"because {text}"),
    author=st.text(),
    time=TIMES,
)
comments = st.builds(
    Comment,
    subject=st.sampled_from(["trace-over-gap:CLK:BOT", "gap:3V3|5V", "\udc80"]),
    text=st.text().map(lambda text: f"seen {text}"),
    author=st.text(),
    time=TIMES,
    on_cause=st.booleans(),
)
records_of_both = st.one_of(decisions, comments)


def written(path, records):
    """What the file says the records are, after each was appended."""
    return [(append_comment if isinstance(r, Comment) else append_decision)(path, r) for r in records]


def decided(records):
    """The decisions that hold."""
    return dict(sorted({r.finding: r for r in records if isinstance(r, Decision)}.items()))


def remarked(records):
    """The comments, as a set: their order by time is asserted where it matters."""
    return {r for r in records if isinstance(r, Comment)}


@given(st.lists(records_of_both, min_size=1, max_size=6), st.data())
def test_cut_off_at_any_byte_only_the_record_being_written_is_lost(records, data):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "board.decisions.jsonl"
        ends, kept = [0], []
        for record in records:
            kept += written(path, [record])
            ends.append(path.stat().st_size)
        cut = data.draw(st.integers(0, ends[-1]))
        whole = path.read_bytes()
        path.write_bytes(whole[:cut])
        found = read_decisions(path)
        # a record whose line feed alone is missing is complete
        survivors = [record for record, end in zip(kept, ends[1:], strict=True) if end - 1 <= cut]
        assert found.latest == decided(survivors)
        assert set(found.comments) == remarked(survivors)
        torn = cut not in {*ends, *(end - 1 for end in ends)}
        assert len(found.problems) == torn
        assert not torn or "cut off" in found.problems[0]
        # the next record stands on a line of its own and holds
        last = Decision("trace-over-gap:CLK:BOT", "accepted", "after the crash", "A. Weber", "2026-02-01T00:00:00Z")
        written(path, [last])
        again = read_decisions(path)
        assert again.latest == found.latest | {last.finding: last}
        assert again.comments == found.comments
        assert len(again.problems) == torn


@given(st.lists(records_of_both, max_size=6), st.lists(records_of_both, max_size=6))
def test_two_files_hold_the_same_in_whatever_way_they_are_merged(one, other):
    with tempfile.TemporaryDirectory() as folder:
        a, b, merged, backwards = (Path(folder) / f"{name}.jsonl" for name in "abcd")
        mine, theirs = written(a, one), written(b, other)
        lines = [p.read_bytes().splitlines(keepends=True) if p.exists() else [] for p in (a, b)]
        merged.write_bytes(b"".join(lines[0] + lines[1]))
        backwards.write_bytes(b"".join(lines[1] + lines[0]))
        both = read_decisions(merged)
        assert both == read_decisions(*(p for p in (a, b) if p.exists()))
        assert set(both.comments) == set(read_decisions(backwards).comments) == remarked((*mine, *theirs))
        assert len(both.comments) == len(set(both.comments))  # what both files have is one comment
        assert [c.time for c in both.comments] == sorted(c.time for c in both.comments)
        for finding, held in read_decisions(backwards).latest.items():
            times = {r.time for r in (*mine, *theirs) if isinstance(r, Decision) and r.finding == finding}
            assert held.time == both.latest[finding].time == max(times)


@given(st.lists(decisions, max_size=8))
def test_the_last_record_appended_holds_whatever_the_clocks_said(records):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "d.jsonl"
        kept = written(path, records)
        held = read_decisions(path).latest if records else {}
        assert held == dict(sorted({r.finding: r for r in kept}.items()))
        assert [(r.state, r.reason, r.author) for r in kept] == [(r.state, r.reason, r.author) for r in records]


@given(st.binary(max_size=200))
def test_any_bytes_are_read_and_what_is_no_record_is_told(data):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "d.jsonl"
        path.write_bytes(data)
        found = read_decisions(path)
        lines = [line for line in data.removeprefix(b"\xef\xbb\xbf").split(b"\n") if line.strip()]
        assert found.latest == {}
        assert found.comments == ()
        assert bool(found.problems) == bool(lines)


def test_a_process_killed_between_records_has_lost_none_that_it_reported(tmp_path):
    path = tmp_path / "board.decisions.jsonl"
    code = (
        "import sys, itertools; from pathlib import Path\n"
        "from quietcopper.findings.model import Decision; from quietcopper.review.decisions import append_decision\n"
        "for n in itertools.count():\n"
        "    append_decision(Path(sys.argv[1]), Decision(f'check:{n}', 'agreed', 'x' * 300, '', ''))\n"
        "    print(n, flush=True)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True)
    reported = [process.stdout.readline() for _ in range(12)]
    process.send_signal(signal.SIGKILL)
    reported += process.stdout.read().splitlines()
    process.stdout.close()
    process.wait()
    held = read_decisions(path).latest
    assert {f"check:{int(n)}" for n in reported if n.strip()} <= held.keys()
    assert len(held) >= 12


def test_records_are_readable_lines_that_depend_on_nothing(tmp_path):
    path = tmp_path / "d.jsonl"
    written(path, [Decision("lone-copper:TOP", "accepted", 'heat\nspreader "H1"', "Ä. Weber", "2025-11-25T09:00:00Z")])
    (line,) = path.read_text(encoding="utf-8").splitlines()
    assert json.loads(line) == {
        "finding": "lone-copper:TOP",
        "state": "accepted",
        "reason": 'heat\nspreader "H1"',
        "author": "Ä. Weber",
        "time": "2025-11-25T09:00:00Z",
    }
    assert "Ä. Weber" in line


def test_marks_of_an_unfinished_merge_are_told_and_both_sides_taken(tmp_path):
    path = tmp_path / "d.jsonl"
    row = '{{"finding": "{}", "state": "agreed"}}\r\n{{"cause": "c", "comment": "both"}}\r\n'.format
    path.write_text(
        "<<<<<<< HEAD\n" + row("a") + "||||||| base\n=======\n" + row("b") + ">>>>>>> other\n", encoding="utf-8"
    )
    found = read_decisions(path)
    assert list(found.latest) == ["a", "b"]
    assert found.comments == (Comment("c", "both", on_cause=True),)
    assert found.problems == ("d.jsonl: has marks of an unfinished merge; the records on both sides were taken",)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("[1]", "no JSON object"),
        ('{"state": "agreed"}', "a record without a finding"),
        ('{"finding": 7, "state": "agreed"}', "a record without a finding"),
        ('{"finding": "a", "state": "maybe"}', "state 'maybe', where agreed, accepted, not applicable are known"),
        ('{"finding": "a", "state": ["agreed"]}', "where agreed, accepted"),
        ('{"finding": "a", "state": "agreed", "reason": 3}', "a reason, author or time that is no text"),
        ('{"finding": "a", ', "no JSON record"),
        ('{"comment": "x"}', "a comment on no finding and no cause"),
        ('{"cause": 4, "comment": "x"}', "a comment on no finding and no cause"),
        ('{"cause": "c", "comment": " "}', "a comment without text"),
        ('{"cause": "c", "comment": "x", "author": []}', "an author or time that is no text"),
        ("[" * 5000, "no JSON record"),
    ],
)
def test_a_line_that_is_no_decision_is_named_and_the_others_hold(tmp_path, line, said):
    path = tmp_path / "d.jsonl"
    path.write_text(f'{line}\n{{"finding": "b", "state": "agreed"}}\n', encoding="utf-8")
    found = read_decisions(path)
    assert list(found.latest) == ["b"]
    assert len(found.problems) == 1
    assert found.problems[0].startswith("d.jsonl:1: ")
    assert said in found.problems[0]


@pytest.mark.parametrize(
    ("decision", "said"),
    [
        (Decision("a", "maybe"), "'maybe' is no decision; there are agreed, accepted, not applicable"),
        (Decision("a", "accepted", "  "), "'accepted' needs its reason"),
        (Decision("a", "not applicable"), "'not applicable' needs its reason"),
        (Decision("", "agreed"), "needs the id of its finding"),
    ],
)
def test_what_is_no_decision_is_not_written(tmp_path, decision, said):
    with pytest.raises(CallError, match=said):
        append_decision(tmp_path / "d.jsonl", decision)
    assert not (tmp_path / "d.jsonl").exists()


def test_a_file_that_cannot_be_read_or_written_is_one_sentence(tmp_path):
    with pytest.raises(CallError, match=r"none\.jsonl: the decisions cannot be read \(No such file"):
        read_decisions(tmp_path / "none.jsonl")
    with pytest.raises(CallError, match="the decision cannot be written"):
        append_decision(tmp_path / "no" / "folder.jsonl", Decision("a", "agreed"))


def test_the_file_stands_beside_the_board_under_its_name():
    assert decisions_path(Path("boards") / "logger.xml.gz") == Path("boards") / "logger.decisions.jsonl"


@pytest.mark.skipif(not hasattr(os, "O_DIRECTORY"), reason="folders cannot be synced here")
def test_every_record_is_synced_before_the_call_returns(tmp_path, monkeypatch):
    synced = []
    monkeypatch.setattr(os, "fsync", lambda handle: synced.append(os.fstat(handle).st_size))
    append_decision(tmp_path / "d.jsonl", Decision("a", "agreed"))
    assert synced[0] == (tmp_path / "d.jsonl").stat().st_size > 0
    assert len(synced) == 2  # the file, and the folder that has its name now
    append_decision(tmp_path / "d.jsonl", Decision("b", "agreed"))
    assert synced[2] == (tmp_path / "d.jsonl").stat().st_size


@pytest.mark.skipif(shutil.which("git") is None, reason="needs git")
def test_two_reviewers_files_merge_in_git_as_the_help_says(tmp_path):
    def git(*words):
        who = ["-c", "user.name=R", "-c", "user.email=r@invented.example", "-c", "init.defaultBranch=main"]
        subprocess.run(["git", *who, *words], cwd=tmp_path, check=True, capture_output=True)

    path = tmp_path / "board.decisions.jsonl"
    git("init")
    (tmp_path / ".gitattributes").write_text("*.decisions.jsonl merge=union\n", encoding="utf-8")
    written(path, [Decision("a", "agreed", "", "A. Weber", "2025-11-25T09:00:00Z")])
    git("add", ".")
    git("commit", "-m", "first")
    git("switch", "-c", "other")
    written(path, [Comment("a", "seen on the bench", "B. Okafor", "2025-11-26T09:00:00Z")])
    git("commit", "-am", "other")
    git("switch", "main")
    written(path, [Comment("gap:3V3", "one for both?", "A. Weber", "2025-11-25T10:00:00Z", on_cause=True)])
    git("commit", "-am", "mine")
    git("merge", "other")
    held = read_decisions(path)
    assert held.problems == ()
    assert list(held.latest) == ["a"]
    assert [c.text for c in held.comments] == ["one for both?", "seen on the bench"]


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    """A folder with a board whose clock crosses a split supply, reviewed."""
    from quietcopper.build import rectangle, small_board
    from quietcopper.formats.ipc2581.writer import write_ipc2581

    folder = tmp_path_factory.mktemp("decided")
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75, 29.5))
    b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    b.trace("SPI_CLK", 4, [(5, 15), (45, 15)])
    write_ipc2581(b.build(), folder / "board.xml")
    assert main(["review", str(folder / "board.xml"), "-o", str(folder / "out"), "-q"]) == 0
    return folder


def findings(folder):
    return json.loads((folder / "findings.json").read_text(encoding="utf-8"))["findings"]


def test_decided_shown_and_carried_over_to_a_new_revision(reviewed, capsys):
    first = findings(reviewed / "out")[0]
    assert first["decision"] is None
    assert first["excess_db"] > 0
    decide = ["decide", str(reviewed / "out")]
    assert main([*decide, "1", "agreed", "--author", "A. Weber"]) == 0
    again = ["review", str(reviewed / "board.xml"), "-o", str(reviewed / "out"), "--fail-above", "0"]
    assert main([*again, "-q"]) == 1  # the same board again takes the file beside it; what was agreed counts
    capsys.readouterr()
    over = [f["id"] for f in findings(reviewed / "out") if f["excess_db"] > 0]
    reason = "the clock is off in <operation>"
    for name in over:
        assert main([*decide, name, "not-applicable", "--author", "A. Weber", "--reason", reason]) == 0
    assert f"not applicable: {first['title']}" in capsys.readouterr().out
    file = reviewed / "board.decisions.jsonl"
    assert len(file.read_bytes().splitlines()) == 1 + len(over)
    assert main(again) == 0  # what does not apply stops no build
    assert f"decided: {len(over)} not applicable" in capsys.readouterr().out
    shown = findings(reviewed / "out")[0]
    assert shown["id"] == first["id"]
    assert (shown["decision"]["state"], shown["decision"]["reason"]) == ("not applicable", reason)
    page = (reviewed / "out" / "review.html").read_text(encoding="utf-8")
    assert "Not applicable: the clock is off in &lt;operation&gt; (A. Weber, 20" in page
    # a new revision of another name is given the file
    (reviewed / "next.xml").write_bytes((reviewed / "board.xml").read_bytes())
    new = ["review", str(reviewed / "next.xml"), "-o", str(reviewed / "next"), "-q", "--decisions", str(file)]
    assert main(new) == 0
    assert findings(reviewed / "next")[0]["decision"] == shown["decision"]
    compared = ["compare", str(reviewed / "board.xml"), str(reviewed / "next.xml"), "-o", str(reviewed / "both"), "-q"]
    assert main(compared) == 0
    rows = json.loads((reviewed / "both" / "compare.json").read_text(encoding="utf-8"))["findings"]
    assert next(r for r in rows if r["id"] == first["id"])["decision"] == shown["decision"]


def test_comments_on_findings_and_causes_stand_without_a_decision_and_are_exported(reviewed, capsys):
    document = json.loads((reviewed / "out" / "findings.json").read_text(encoding="utf-8"))
    finding, cause = document["findings"][0], document["causes"][0]
    file = reviewed / "remarks.jsonl"
    say = ["decide", str(reviewed / "out"), "--author", "B. Okafor", "--decisions", str(file)]
    assert main([*say, "1", "--comment", "ask the <maker> of the part"]) == 0
    assert main([*say, "cause-1", "--comment", "settled with the layout on the 3rd"]) == 0
    assert main([*say, finding["id"], "agreed", "--comment", "in revision C"]) == 0
    assert f"comment: {cause['title']}" in capsys.readouterr().out
    assert set(json.loads(file.read_text(encoding="utf-8").splitlines()[1])) == {"cause", "comment", "author", "time"}
    again = ["review", str(reviewed / "board.xml"), "-o", str(reviewed / "remarked"), "--decisions", str(file)]
    assert main(again) == 0
    out = capsys.readouterr().out
    assert "comments: 3" in out
    assert "decided: 1 agreed" in out
    shown = json.loads((reviewed / "remarked" / "findings.json").read_text(encoding="utf-8"))
    assert [c["text"] for c in shown["findings"][0]["comments"]] == ["ask the <maker> of the part", "in revision C"]
    assert [c["text"] for c in shown["causes"][0]["comments"]] == ["settled with the layout on the 3rd"]
    page = (reviewed / "remarked" / "review.html").read_text(encoding="utf-8")
    assert "Ask the &lt;maker&gt; of the part (B. Okafor, 20" in page
    assert "Settled with the layout on the 3rd (B. Okafor, 20" in page
    marked = (reviewed / "remarked" / "markup" / "places.csv").read_text(encoding="utf-8-sig")
    assert "ask the <maker> of the part (B. Okafor, 20" in marked


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["1"], "say what is decided of 1"),
        (["1", "--comment", " "], "say what is decided of 1"),
        (["cause-1", "agreed"], "cause-1 is a cause: decisions are taken on its findings"),
        (["cause-99", "--comment", "x"], "cause-99: no finding of this review"),
    ],
)
def test_a_comment_on_nothing_is_one_line_and_status_2(reviewed, capsys, words, said):
    assert main(["decide", str(reviewed / "out"), *words]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert len(err.strip().splitlines()) == 1


def test_a_decision_without_reason_or_finding_is_one_line_and_status_2(reviewed, capsys):
    for words, said in (
        (["1", "accepted"], "'accepted' needs its reason"),
        (["9999", "agreed"], "9999: no finding of this review"),
        ([findings(reviewed / "out")[0]["id"][:-1] + "x", "agreed"], "did you mean"),
    ):
        assert main(["decide", str(reviewed / "out"), *words]) == 2
        err = capsys.readouterr().err
        assert said in err
        assert len(err.strip().splitlines()) == 1
    assert main(["decide", str(reviewed / "none"), "1", "agreed"]) == 2
    assert "name the folder of a review" in capsys.readouterr().err


def test_a_torn_record_is_told_in_the_review(reviewed):
    file = reviewed / "torn.jsonl"
    file.write_bytes(b'{"finding": "a", "state": "agreed"}\n{"finding": "b", "sta')
    words = ["review", str(reviewed / "board.xml"), "-o", str(reviewed / "torn"), "-q", "--decisions", str(file)]
    assert main(words) == 0
    document = json.loads((reviewed / "torn" / "findings.json").read_text(encoding="utf-8"))
    assert document["problems"] == ["torn.jsonl:2: the last record was cut off while it was written; it is left out"]
