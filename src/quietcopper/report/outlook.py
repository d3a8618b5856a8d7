"""What is to be done about a cause and what is left then, told from its own change or from its places' remedies."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from quietcopper.findings.model import AGREED, CANNOT, HARMS
from quietcopper.report import words


@dataclass(frozen=True)
class Outlook:
    """text : the change, a clause; after_db : worst excess left, None if unknown or removed; note : how it is known."""

    text: str
    after_db: float | None = None
    removed: bool = False
    note: str = ""

    @property
    def known(self) -> bool:
        return self.removed or self.after_db is not None


def _left(after: float | None, removed: bool) -> float:
    """What a change leaves as a number to compare: minus infinity for nothing, infinity where not worked out."""
    return -math.inf if removed else math.inf if after is None else after


def _best(finding: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The remedy that leaves least, of those that leave less than there is."""
    before = -math.inf if finding["excess_db"] is None else finding["excess_db"]
    gaining = [r for r in finding["remedies"] if _left(r["excess_after_db"], r["removed"]) < before]
    return min(gaining, key=lambda r: _left(r["excess_after_db"], r["removed"]), default=None)


def _fits(remedy: Mapping[str, Any]) -> bool:
    """Whether a change was not found to be impossible on the board, or to do as much harm."""
    return remedy["how"] not in (CANNOT, HARMS)


def _left_of_place(finding: Mapping[str, Any]) -> float | None:
    """What its best remedy leaves of a place; its excess as it is where none helps or none is needed; None: unknown."""
    best = _best(finding)
    if best is not None:
        return _left(best["excess_after_db"], best["removed"])
    worked_out = any(r["removed"] or r["excess_after_db"] is not None for r in finding["remedies"])
    excess: float = -math.inf if finding["excess_db"] is None else finding["excess_db"]
    return excess if worked_out or not words.over(finding["excess_db"]) else None


def place_outlook(finding: Mapping[str, Any]) -> Outlook | None:
    """The best remedy of one place; where none was worked out the first such one; None where none would help."""
    chosen = _best(finding)
    if chosen is None:
        unknown = (r for r in finding["remedies"] if not r["removed"] and r["excess_after_db"] is None and _fits(r))
        chosen = next(unknown, None)
    if chosen is None:
        return None
    text = words.clause(chosen["change"]["text"])
    return Outlook(text, chosen["excess_after_db"], chosen["removed"], chosen["how"])


def _share(text: str, findings: Sequence[Mapping[str, Any]]) -> Outlook:
    """A change whose effect was worked out at some of its places only."""
    gone = sum(any(r["change"]["text"] == text and r["removed"] for r in f["remedies"]) for f in findings)
    if not gone:
        return Outlook(words.clause(text), note="what it would leave was not worked out")
    share = f"of its {len(findings)} places {words.count_word(gone)} {'goes' if gone == 1 else 'go'}"
    return Outlook(words.clause(text), note=f"{share}; what is left of the others was not worked out")


def cause_outlook(cause: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> Outlook | None:
    """What to change for a cause and what is left; None where nothing is proposed, or nothing that would help.

    findings : those of the cause, worst first
    The cause's own change where its effect is known. A change that all of its places name too, without a figure for
    each, is told with what is known. Else (a change in general words, or none) the places' own remedies say what is
    left, at the worst of them.
    """
    change, before = cause["change"], cause["excess_before_db"]
    text = words.clause(change["text"]) if change is not None else ""
    naming = [[r for r in f["remedies"] if words.clause(r["change"]["text"]) == text] for f in findings]
    if change is not None and (cause["removed"] or cause["excess_after_db"] is not None):
        if before is not None and _left(cause["excess_after_db"], cause["removed"]) >= before:
            return None
        how = sorted({r["how"] for remedies in naming for r in remedies})
        return Outlook(text, cause["excess_after_db"], cause["removed"], words.listed(how))
    if change is not None and len(findings) > 1 and all(naming):
        return _share(text, findings)
    own = place_outlook(findings[0])
    left = [left for f in findings if (left := _left_of_place(f)) is not None]
    if own is not None and (change is None or len(findings) == 1 or own.text == text):
        others = len(findings) - 1
        text = own.text
        if others:
            text += f"; the {'other place' if others == 1 else f'{others} other places each'} by its own change"
    if not text:
        return None
    if len(left) < len(findings):
        if not left:
            return None if own is None else Outlook(text, note=own.note)
        return Outlook(text, note=f"worked out at {words.count_word(len(left))} of {len(findings)} places")
    worst = max(left)
    if before is not None and worst >= before:
        return None
    how = sorted({r["how"] for f in findings if (r := _best(f)) is not None})
    return Outlook(text, None if worst == -math.inf else worst, worst == -math.inf, words.listed(how))


def set_aside(finding: Mapping[str, Any]) -> bool:
    """Whether a reviewer decided that nothing is to be changed for a finding."""
    decision = finding.get("decision")
    return decision is not None and decision["state"] != AGREED


def share_of_places(document: Mapping[str, Any], cause: Mapping[str, Any]) -> str:
    """How many of the places over their allowance belong to a cause, as a sentence."""
    ids = set(cause["findings"])
    over = [f for f in document["findings"] if words.over(f["excess_db"])]
    mine = sum(f["id"] in ids for f in over)
    if len(over) == 1:
        return "It is the one place over its allowance."
    if mine == len(over):
        return f"It concerns all {words.count_word(mine)} places that are over their allowance."
    what = words.counted(mine, "place") if mine == 1 else words.count_word(mine)
    return f"It concerns {what} of the {words.count_word(len(over))} places that are over their allowance."
