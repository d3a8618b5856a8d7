"""What the page can ask for while it is served: decisions and comments, changes tried, a plan saved.

Changes are named by where the review proposes them (a cause, a finding's remedy, a step of the plan) or by a thickness
of the stackup; no other edit can be asked for. They are tried on the board by the way of a plan file's text, so that
what the page shows is what `what-if` says of the plan that it saves.
"""

from __future__ import annotations

import json
import math
import os
import threading
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from quietcopper.changes.kinds import MOST, is_change
from quietcopper.changes.plan import plan_text
from quietcopper.errors import CallError
from quietcopper.files import write_whole
from quietcopper.findings.document import comment_records
from quietcopper.findings.model import DECISION_STATES, Comment, Decision
from quietcopper.review.decisions import append_comment, append_decision, read_decisions
from quietcopper.review.plan import turn
from quietcopper.units import MM
from quietcopper.web.trials import Trials

SAVED = "page-plan.toml"  # in the review's folder; the plan of the review itself is plan.toml
LONGEST = 4000  # characters of a reason or a comment
NAME = 200  # characters of an author

Change = tuple[str, str, Mapping[str, Any]]  # words, kind, arguments in SI


def read_json(path: Path) -> dict[str, Any]:
    """A JSON object of the review's folder. Raises CallError for a file that is none."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise CallError(f"{path}: cannot be read ({e.strerror}); name the folder of a review") from e
    except (ValueError, RecursionError) as e:
        raise CallError(f"{path}: is no review ({e}); run the review again") from e
    if not isinstance(data, dict):
        raise CallError(f"{path}: is no review; name the folder of a review")
    return data


class Service:
    """One review folder and what may be done with it.

    decisions : the file to append to, else the one that run.json names
    Raises CallError for a folder that is no review.
    """

    def __init__(self, folder: Path, decisions: Path | None = None) -> None:
        self.folder = folder.resolve()
        self.document = read_json(self.folder / "findings.json")
        run = read_json(self.folder / "run.json") if (self.folder / "run.json").exists() else {}
        self.findings = {f["id"]: f for f in self.document.get("findings", [])}
        self.causes = {c["id"]: c for c in self.document.get("causes", [])}
        self.decisions = decisions or self._beside(run.get("decisions"))
        board, settings = self._beside(run.get("board")), self._beside(run.get("settings"))
        self.board = board
        self.trials = Trials(board, settings, self._beside(run.get("stackup")))
        self._writing = threading.Lock()

    def _beside(self, named: Any) -> Path | None:
        return Path(os.path.normpath(self.folder / named)) if isinstance(named, str) and named else None

    # ------------------------------------------------------------------------------------------- decisions
    def state(self) -> dict[str, Any]:
        """What the page shows of the service: decisions as they stand, and whether changes can be tried."""
        known = read_decisions(self.decisions) if self.decisions and self.decisions.exists() else None
        latest = known.latest if known else {}
        comments = known.comments if known else ()
        return {
            "decisions": {
                i: {"state": d.state, "reason": d.reason, "author": d.author, "time": d.time}
                for i, d in latest.items()
                if i in self.findings
            },
            "comments": {
                key: {
                    i: records for i in held if (records := comment_records(comments, i, on_cause=held is self.causes))
                }
                for key, held in (("findings", self.findings), ("causes", self.causes))
            },
            "problems": list(known.problems) if known else [],
            "decisions_file": self.decisions.name if self.decisions else "",
            "author": str(self.document.get("settings", {}).get("reviewer") or ""),
            "trials": self.trials.state(),
        }

    def decide(self, asked: Mapping[str, Any]) -> dict[str, str]:
        """Append one decision, as `quietcopper decide` does. Raises CallError for one that cannot be taken."""
        finding, state = asked.get("finding"), asked.get("state")
        reason, author = _text(asked, "reason", LONGEST), _text(asked, "author", NAME)
        if not isinstance(finding, str) or finding not in self.findings:
            raise CallError("this review has no such finding")
        if not isinstance(state, str) or state not in DECISION_STATES:
            raise CallError(f"there are {', '.join(DECISION_STATES)}")
        with self._writing:
            path, author, time = self._signed(author)
            done = append_decision(path, Decision(finding, state, reason, author, time))
        return {"state": done.state, "reason": done.reason, "author": done.author, "time": done.time}

    def comment(self, asked: Mapping[str, Any]) -> dict[str, str]:
        """Append one comment on a finding or a cause. Raises CallError for one that cannot be taken."""
        text, author = _text(asked, "text", LONGEST), _text(asked, "author", NAME)
        on_cause = "cause" in asked
        subject = asked.get("cause" if on_cause else "finding")
        if not isinstance(subject, str) or subject not in (self.causes if on_cause else self.findings):
            raise CallError(f"this review has no such {'cause' if on_cause else 'finding'}")
        with self._writing:
            path, author, time = self._signed(author)
            done = append_comment(path, Comment(subject, text, author, time, on_cause))
        return {"text": done.text, "author": done.author, "time": done.time}

    def _signed(self, author: str) -> tuple[Path, str, str]:
        """The file to append to, who writes and when. Raises CallError where one of the first two is not known."""
        if self.decisions is None or not self.decisions.parent.is_dir():
            raise CallError("the review names no file for decisions; serve it with --decisions FILE")
        author = author or str(self.document.get("settings", {}).get("reviewer") or "")
        if not author:
            raise CallError("say who writes")
        return self.decisions, author, datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

    # --------------------------------------------------------------------------------------------- changes
    def changes(self, asked: Any) -> list[Change]:
        """The changes that are asked for, in the order in which they are best made. Raises CallError."""
        if not isinstance(asked, list) or len(asked) > MOST:
            raise CallError(f"expected a list of at most {MOST} changes")
        changes = [(_late(item, self.document), *self._change(item)) for item in asked]
        changes.sort(key=lambda c: (c[0], turn(c[2], c[3])))
        return [(words, kind, arguments) for _, words, kind, arguments in changes]

    def _change(self, item: Any) -> Change:
        if not isinstance(item, Mapping):
            raise CallError("a change is named by a cause, a finding's remedy, a step or a dielectric")
        if "dielectric" in item:
            return self._thickness(item["dielectric"], item.get("thickness_mm"))
        found: Any = None
        if "cause" in item:
            found = self.causes.get(str(item["cause"]), {}).get("change")
        elif "finding" in item:
            found = _entry(
                self.findings.get(str(item["finding"]), {}).get("remedies", []), item.get("remedy"), "change"
            )
        elif "step" in item:
            found = _entry((self.document.get("plan") or {}).get("steps", []), item["step"], "change")
        if not isinstance(found, Mapping) or not is_change(str(found.get("kind"))):
            raise CallError("that proposal is not one that can be tried")
        return str(found["text"]), str(found["kind"]), dict(found["arguments"])

    def _thickness(self, index: Any, thickness: Any) -> Change:
        sheets = self.document.get("stackup", {}).get("dielectrics", [])
        if not isinstance(index, int) or isinstance(index, bool) or not 0 <= index < len(sheets):
            raise CallError("the stackup has no such dielectric")
        good = isinstance(thickness, int | float) and not isinstance(thickness, bool) and math.isfinite(thickness)
        if not good or not 0.01 <= thickness <= 20:
            raise CallError("a thickness lies between 0.01 and 20 mm")
        words = f"layers {index + 1} and {index + 2} are {thickness:g} mm apart"
        return words, "set-dielectric", {"upper": index, "lower": index + 1, "thickness": thickness * MM}

    def save(self, asked: Any) -> dict[str, str]:
        """Write the changes as a plan file into the review's folder; its name, text and the command that reads it."""
        changes = self.changes(asked)
        if not changes:
            raise CallError("there is no change to save")
        text = plan_text(changes)
        path = self.folder / SAVED
        with self._writing:
            write_whole(path, text.encode("utf-8", errors="backslashreplace"))
        board = self.board.name if self.board else "BOARD"
        return {"name": SAVED, "text": text, "command": f"quietcopper what-if {board} {SAVED}"}


def _late(item: Any, document: Mapping[str, Any]) -> bool:
    """Whether a change is a step of the plan that needs the steps before it."""
    steps = (document.get("plan") or {}).get("steps", [])
    return isinstance(item, Mapping) and bool(_entry(steps, item.get("step"), "follow_up"))


def _text(asked: Mapping[str, Any], key: str, most: int) -> str:
    value = asked.get(key, "")
    if not isinstance(value, str) or len(value) > most:
        raise CallError(f"{key}: expected a text of at most {most} characters")
    return value.strip()


def _entry(items: Sequence[Any], index: Any, key: str) -> Any:
    known = isinstance(index, int) and not isinstance(index, bool) and 0 <= index < len(items)
    return items[index].get(key) if known else None
