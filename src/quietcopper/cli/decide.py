"""`quietcopper decide`: what the reviewer says of a finding."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from quietcopper.errors import CallError

EPILOG = """\
REVIEW's causes are named as cause-1, cause-2, as on its page. A comment is a remark without a decision; all of them are
kept and shown, on a finding beside what was decided.

The record is appended to one text file beside the board (BOARD.decisions.jsonl), or to --decisions FILE, and shown by
the next review. It names the finding, not its place, so it holds for the next revision too: give that review the same
file. The latest record of a finding holds; to take one back, delete its line. In git let the file merge line by line:
*.decisions.jsonl merge=union"""

STATES = ("agreed", "accepted", "not-applicable")


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "decide",
        help="record what the reviewer says of a finding or cause",
        description="Records a decision on a finding: agreed (will be changed), accepted as it is, or not applicable;"
        " or a comment on a finding or a cause.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("folder", metavar="REVIEW", type=Path, help="the folder of a review, or its findings.json")
    p.add_argument("finding", metavar="FINDING", help="its id, or its number in this review; a cause for a comment")
    p.add_argument("state", nargs="?", choices=STATES, metavar="DECISION", help="agreed, accepted or not-applicable")
    p.add_argument("--reason", metavar="TEXT", default="", help="why; must be given unless agreed")
    p.add_argument("--comment", metavar="TEXT", default="", help="a remark, with or without a decision")
    p.add_argument("--author", metavar="NAME", default="", help="who decides (default: the settings' reviewer)")
    p.add_argument("--decisions", metavar="FILE", type=Path, help="the file to append to")


def _read(path: Path) -> Mapping[str, Any]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise CallError(f"{path}: cannot be read ({e.strerror}); name the folder of a review") from e
    except ValueError as e:
        raise CallError(f"{path}: is no review ({e}); run the review again") from e
    if not isinstance(document, dict):
        raise CallError(f"{path}: is no review; name the folder of a review")
    return document


def chosen(document: Mapping[str, Any], wanted: str) -> Mapping[str, Any]:
    """The finding of that id, or of that number. Raises CallError where there is none."""
    import difflib

    findings = document.get("findings", [])
    by_id = {finding["id"]: finding for finding in findings}
    if wanted in by_id:
        return dict(by_id[wanted])
    if wanted.isdecimal() and 1 <= int(wanted) <= len(findings):
        return dict(findings[int(wanted) - 1])
    near = difflib.get_close_matches(wanted, by_id, 1, 0.6)
    hint = f"; did you mean {near[0]}?" if near else f"; it has {len(findings)}, listed in its findings.json"
    raise CallError(f"{wanted}: no finding of this review{hint}")


def chosen_cause(document: Mapping[str, Any], wanted: str) -> Mapping[str, Any] | None:
    """The cause of that id, or of that number as 'cause-2'."""
    causes = document.get("causes", [])
    number = wanted.removeprefix("cause-")
    if number != wanted and number.isdecimal() and 1 <= int(number) <= len(causes):
        return dict(causes[int(number) - 1])
    return next((dict(c) for c in causes if c["id"] == wanted), None)


def run(args: argparse.Namespace) -> int:
    import getpass
    from datetime import UTC, datetime

    from quietcopper.findings.model import Comment, Decision
    from quietcopper.review.decisions import append_comment, append_decision

    if not args.state and not args.comment.strip():
        raise CallError(f"say what is decided of {args.finding} ({', '.join(STATES)}), or give a --comment")
    folder = args.folder if args.folder.is_dir() else args.folder.parent
    document = _read(folder / "findings.json")
    cause = chosen_cause(document, args.finding)
    if cause and args.state:
        raise CallError(f"{args.finding} is a cause: decisions are taken on its findings, comments on both")
    subject = cause or chosen(document, args.finding)
    path = args.decisions
    if path is None:
        named = _read(folder / "run.json").get("decisions")
        if not isinstance(named, str) or not named:
            raise CallError(f"{folder / 'run.json'}: names no file for decisions; give one with --decisions")
        path = Path(os.path.normpath(folder / named))
    if not path.parent.is_dir():
        raise CallError(f"{path}: its folder is not there (the review was moved?); give a file with --decisions")
    author = args.author or document.get("settings", {}).get("reviewer") or getpass.getuser()
    time = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    if args.state:
        state = args.state.replace("-", " ")
        append_decision(path, Decision(subject["id"], state, args.reason, author, time))
        print(f"{state}: {subject['title']}")
    if args.comment.strip():
        append_comment(path, Comment(subject["id"], args.comment.strip(), author, time, on_cause=cause is not None))
        print(f"comment: {subject['title']}")
    print(f"written to {path}; the next review shows it")
    return 0
