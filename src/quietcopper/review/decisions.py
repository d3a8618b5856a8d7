"""What reviewers said of findings, in one text file beside the board: a JSON record a line, keyed by the finding's id.

A record is a decision on a finding, or a comment on a finding or a cause.

A record is appended and synced before the call returns, so nothing that was decided is lost when the program is killed
while it writes; a last line that was cut off is left out and told. No line depends on another, so two files merge line
by line (in git: the attribute ``merge=union``; where its marks were left in, the records on both sides are taken). Of
several decisions on one finding the latest holds: the latest time, at equal times the later line. Comments all hold;
one that a merge left twice counts once.

The id names what is meant, not where it lies, so a decision is carried over to the next revision of the board.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from quietcopper.errors import CallError
from quietcopper.findings.model import AGREED, DECISION_STATES, Comment, Decision

SUFFIX = ".decisions.jsonl"
_MERGE_MARKS = (b"<<<<<<<", b"|||||||", b"=======", b">>>>>>>")
_TEXTS = ("reason", "author", "time")
_SIGNED = ("author", "time")


@dataclass(frozen=True)
class Decisions:
    """latest : the decision that holds, by finding, sorted by id;  comments : oldest first
    problems : one sentence for what was left out
    """

    latest: Mapping[str, Decision] = field(default_factory=dict)
    comments: tuple[Comment, ...] = ()
    problems: tuple[str, ...] = ()


def decisions_path(board: Path) -> Path:
    """The file beside a board: 'logger.decisions.jsonl' for 'logger.xml.gz'."""
    return board.with_name(board.name.split(".")[0] + SUFFIX)


def _record(line: bytes) -> Decision | Comment | str:
    """The decision or comment of one line, or what is wrong with it."""
    try:
        data: Any = json.loads(line)
    except (ValueError, RecursionError):
        return "no JSON record"
    if not isinstance(data, dict):
        return "no JSON object"
    if "comment" in data:
        return _comment(data)
    finding, state = data.get("finding"), data.get("state")
    if not isinstance(finding, str) or not finding:
        return "a record without a finding"
    if state not in DECISION_STATES:
        return f"state {state!r}, where {', '.join(DECISION_STATES)} are known"
    texts = {key: data.get(key, "") for key in _TEXTS}
    if not all(isinstance(text, str) for text in texts.values()):
        return "a reason, author or time that is no text"
    return Decision(finding, state, **texts)


def _comment(data: Mapping[str, Any]) -> Comment | str:
    key = "cause" if "cause" in data else "finding"
    subject, text = data.get(key), data["comment"]
    signed = {key: data.get(key, "") for key in _SIGNED}
    if not isinstance(subject, str) or not subject:
        return "a comment on no finding and no cause"
    if not isinstance(text, str) or not text.strip():
        return "a comment without text"
    if not all(isinstance(value, str) for value in signed.values()):
        return "an author or time that is no text"
    return Comment(subject, text, **signed, on_cause=key == "cause")


def _lines(path: Path) -> tuple[list[Decision | Comment], list[str]]:
    """The records of one file in its order, and what was left out."""
    try:
        data = path.read_bytes().removeprefix(b"\xef\xbb\xbf")
    except OSError as e:
        raise CallError(f"{path}: the decisions cannot be read ({e.strerror})") from e
    records: list[Decision | Comment] = []
    problems, marks = [], False
    lines = data.split(b"\n")
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        if line.startswith(_MERGE_MARKS):
            marks = True
            continue
        found = _record(line)
        if not isinstance(found, str):
            records.append(found)
        elif number == len(lines):
            problems.append(f"{path.name}:{number}: the last record was cut off while it was written; it is left out")
        else:
            problems.append(f"{path.name}:{number}: {found}; the line is left out")
    if marks:
        problems.append(f"{path.name}: has marks of an unfinished merge; the records on both sides were taken")
    return records, problems


def read_decisions(*paths: Path) -> Decisions:
    """The decisions of one or several files. Raises CallError for a file that cannot be read."""
    records: list[Decision | Comment] = []
    problems: list[str] = []
    for path in paths:
        found, wrong = _lines(path)
        records += found
        problems += wrong
    latest: dict[str, Decision] = {}
    comments: dict[Comment, None] = {}
    for record in sorted(records, key=lambda r: r.time):  # stable: at equal times the later line comes last
        if isinstance(record, Comment):
            comments[record] = None
        else:
            latest[record.finding] = record
    return Decisions(dict(sorted(latest.items())), tuple(comments), tuple(problems))


def append_decision(path: Path, decision: Decision) -> Decision:
    """Append one record and sync it to the disk; returns it as written.

    It holds from then on, whatever the clock says: where the file has a later record of the same finding, it takes that
    one's time. Raises CallError for an unknown state, a decision against a change without a reason, or a file that
    cannot be written.
    """
    if decision.state not in DECISION_STATES:
        raise CallError(f"{decision.state!r} is no decision; there are {', '.join(DECISION_STATES)}")
    if decision.state != AGREED and not decision.reason.strip():
        raise CallError(f"'{decision.state}' needs its reason, so that the next reader can weigh it")
    if not decision.finding:
        raise CallError("a decision needs the id of its finding")
    if path.exists():
        before = read_decisions(path).latest.get(decision.finding)
        if before is not None and before.time > decision.time:
            decision = replace(decision, time=before.time)
    record = {"finding": decision.finding, "state": decision.state} | {k: getattr(decision, k) for k in _TEXTS}
    _append(path, record, "decision")
    return decision


def append_comment(path: Path, comment: Comment) -> Comment:
    """Append one comment and sync it to the disk; returns it as written.

    Raises CallError for one without text or subject, or a file that cannot be written.
    """
    if not comment.text.strip():
        raise CallError("a comment needs its text")
    if not comment.subject:
        raise CallError("a comment needs the id of its finding or cause")
    record = {"cause" if comment.on_cause else "finding": comment.subject, "comment": comment.text}
    _append(path, record | {k: getattr(comment, k) for k in _SIGNED}, "comment")
    return comment


def _append(path: Path, record: Mapping[str, str], what: str) -> None:
    # A half surrogate in a name from a file has no UTF-8; its \\u escape is valid JSON.
    line = json.dumps(record, ensure_ascii=False).encode("utf-8", errors="backslashreplace") + b"\n"
    try:
        _write(path, line)
    except OSError as e:
        raise CallError(f"{path}: the {what} cannot be written ({e.strerror})") from e


def _write(path: Path, line: bytes) -> None:
    fresh = not path.exists()
    flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
    handle = os.open(path, flags, 0o666)
    try:
        size = os.lseek(handle, 0, os.SEEK_END)
        if size:
            os.lseek(handle, size - 1, os.SEEK_SET)
            if os.read(handle, 1) != b"\n":
                line = b"\n" + line  # what was cut off before keeps a line of its own
        while line:
            line = line[os.write(handle, line) :]
        os.fsync(handle)
    finally:
        os.close(handle)
    if fresh and hasattr(os, "O_DIRECTORY"):  # the name of a new file is synced with its folder
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
