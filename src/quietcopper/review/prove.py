"""Proposals proven: each cause's change is applied, the changed board reviewed, and the figures replaced by what is
left.

Where a cause proposes no change of its own, or that cannot be made, the changes of its places are made all together.
A figure after a change holds what it leaves and what it newly makes, so a change that only moves the trouble is no
cure. Only causes over their allowance are proven; how many depends on the size of the board alone, so that the same
board gives the same review.
"""

from __future__ import annotations

import dataclasses
import logging
from collections.abc import Callable
from dataclasses import dataclass

from quietcopper.board import Board
from quietcopper.changes import Changed, ChangeError, apply_change, is_change
from quietcopper.checks import Check
from quietcopper.electrical.view import View
from quietcopper.findings import Cause, Finding, Proposal, Remedy, Result
from quietcopper.review.plan import PLAN_ROUNDS, make_plan
from quietcopper.review.trial import GONE, Bench, Trial, try_change

__all__ = ["PLAN_ROUNDS", "is_solved", "most_proofs", "prove_result"]

MOST_CAUSES = 12  # causes that are proven on a small board
MOST_PLACES = 12  # changes of places that are made together for one cause
SMALL = 3_000  # objects of a small board; of larger ones fewer causes are proven
TOLD = 3  # of the findings that a change makes or cures elsewhere, the others are counted
LEAST_DB = 0.1  # a change that takes away no more does not help
SOLVED, TOGETHER = "solved again", "solved again, all places together"
log = logging.getLogger(__name__)


def is_solved(how: str) -> bool:
    """Whether a figure comes from the review of the changed board."""
    return how.startswith(SOLVED)


def most_proofs(board: Board) -> int:
    """How many causes are proven: fewer on a board whose review takes long."""
    objects = len(board.traces) + len(board.pads) + len(board.vias) + len(board.areas)
    return max(1, min(MOST_CAUSES, MOST_CAUSES * SMALL // max(objects, 1)))


def prove_result(
    result: Result, view: View, checks: tuple[Check, ...], progress: Callable[[str], None] = lambda stage: None
) -> Result:
    """The result with the figures of its worst causes and their findings' remedies solved, and a plan of changes."""
    bench = Bench.of(view, checks)
    by_id = {f.id: f for f in result.findings}
    causes: list[Cause] = []
    findings: dict[str, Finding] = dict(by_id)
    trials: dict[str, Trial] = {}
    left = most_proofs(view.board)
    for cause in result.causes:
        mine = [by_id[i] for i in cause.findings]
        if left and cause.excess_before_db >= 0 and _proposals(cause, mine):
            left -= 1
            progress(f"proving: {cause.title}")
            proven = _prove(bench, result, cause, mine)
            if proven.trial is not None:
                trials[cause.id] = proven.trial
            causes.append(proven.cause)
            findings |= {f.id: f for f in proven.findings}
        else:
            causes.append(cause)
    plan = make_plan(bench, result, trials, progress)
    return dataclasses.replace(
        result, causes=tuple(causes), findings=tuple(findings[f.id] for f in result.findings), plan=plan
    )


@dataclass(frozen=True, eq=False)
class _Proven:
    """A cause and its findings with the figures of the trial; the trial is None where no change could be made."""

    cause: Cause
    findings: list[Finding]
    trial: Trial | None


def _proposals(cause: Cause, findings: list[Finding]) -> bool:
    changes = [cause.change, *(r.change for f in findings for r in f.remedies)]
    return any(change is not None and is_change(change.kind) for change in changes)


def _applied(board: Board, change: Proposal, bench: Bench) -> Changed | str:
    """The changed board, or why the change cannot be made."""
    try:
        return apply_change(board, change.kind, change.arguments, bench.rules)
    except ChangeError as e:
        return str(e)
    except Exception as e:  # a fault of ours must not cost the user the review
        log.exception("change %s failed", change.kind)
        return f"it failed: {type(e).__name__}: {e}"


def _prove(bench: Bench, result: Result, cause: Cause, findings: list[Finding]) -> _Proven:
    refused: list[tuple[Proposal, str]] = []
    if cause.change is not None and _is_for_all(cause.change, findings):
        changed = _applied(bench.board, cause.change, bench)
        if not isinstance(changed, str):
            solved = try_change(bench, result, cause.change, changed)
            told = [_told(f, solved, [cause.change], own=True) for f in findings]
            return _Proven(_told_cause(cause, solved, refused, result), told, solved)
        refused.append((cause.change, changed))
    told = findings
    trial, made = _places_tried(bench, result, cause, findings, _of_places(cause, findings), refused)
    if trial is not None:
        told = [_told(f, trial, made) for f in told]
        helping = [c for c in made if _helps(c, findings, trial)]
        if helping and len(helping) < len(made):  # once more without what does harm; its figure stays told
            trial, made = _places_tried(bench, result, cause, findings, helping, [])
            if trial is not None:
                told = [_told(f, trial, made) for f in told]
    told = [_refused(f, refused) for f in told]
    if trial is None:
        return _Proven(_unproven(cause, refused), told, None)
    return _Proven(_told_cause(cause, trial, refused, result), told, trial)


def _places_tried(
    bench: Bench,
    result: Result,
    cause: Cause,
    findings: list[Finding],
    changes: list[Proposal],
    refused: list[tuple[Proposal, str]],
) -> tuple[Trial | None, list[Proposal]]:
    """The board with those of several changes that can be made, and which they are; what cannot goes to `refused`."""
    board, notes, made = bench.board, list[str](), list[Proposal]()
    for change in changes:
        changed = _applied(board, change, bench)
        if isinstance(changed, str):
            refused.append((change, changed))
            continue
        board = changed.board
        notes += [note for note in changed.notes if note not in notes]
        made.append(change)
    if not made:
        return None, made
    return try_change(bench, result, _together(cause, made), Changed(board, tuple(notes))), made


def _helps(change: Proposal, findings: list[Finding], trial: Trial) -> bool:
    """Whether a change made for some findings leaves less at one of them."""
    mine = [f for f in findings if any(r.change == change for r in f.remedies)]
    return any((after := trial.after.get(f.id)) is not None and after < f.excess_db - LEAST_DB for f in mine)


def _is_for_all(change: Proposal, findings: list[Finding]) -> bool:
    """Whether a change is a cause's own: one that can be applied, and not the change of some of its places only."""
    naming = [any(r.change == change for r in f.remedies) for f in findings]
    return is_change(change.kind) and (all(naming) or not any(naming))


def _of_places(cause: Cause, findings: list[Finding]) -> list[Proposal]:
    """The first change of each place that is not the cause's own, each once, worst places first."""
    own = cause.change if cause.change is not None and _is_for_all(cause.change, findings) else None
    out: list[Proposal] = []
    for finding in findings:
        for remedy in finding.remedies:
            if is_change(remedy.change.kind) and (remedy.change != own or len(findings) == 1):
                if remedy.change not in out:
                    out.append(remedy.change)
                break
    return out[:MOST_PLACES]


def _together(cause: Cause, made: list[Proposal]) -> Proposal:
    """Several places' changes as one, in words: the only one's, the cause's own, else the first and how many more."""
    if len(made) == 1:
        return made[0]
    if cause.change is not None and not is_change(cause.change.kind):
        text = cause.change.text
    elif len(made) <= 2:
        text = "; ".join(change.text for change in made)
    else:
        text = f"{made[0].text}, and {len(made) - 1} more places each by its own change"
    return Proposal(text, "several", {"changes": [{"kind": c.kind, "arguments": c.arguments} for c in made]})


def _refused(finding: Finding, refused: list[tuple[Proposal, str]]) -> Finding:
    """The finding with the reason at each remedy that cannot be made on this board."""
    why = [(change, reason) for change, reason in refused]

    def marked(remedy: Remedy) -> Remedy:
        reason = next((reason for change, reason in why if change == remedy.change), None)
        if reason is None:
            return remedy
        return dataclasses.replace(remedy, excess_after_db=None, solved="cannot be made", notes=(_sentence(reason),))

    return dataclasses.replace(finding, remedies=tuple(marked(r) for r in finding.remedies))


def _told(finding: Finding, trial: Trial, made: list[Proposal], *, own: bool = False) -> Finding:
    """The finding with the figure of the trial at the remedies that were made; own : the cause's own change, which
    becomes a remedy of a finding that does not name it."""
    how = SOLVED if len(made) == 1 else TOGETHER
    after = trial.after.get(finding.id)

    def solved(remedy: Remedy) -> Remedy:
        if remedy.change not in made:
            return remedy
        notes = () if after is not None else (_not_seen(trial),)
        return dataclasses.replace(remedy, excess_after_db=after, solved=how, notes=(*remedy.notes, *notes))

    remedies = tuple(solved(r) for r in finding.remedies)
    if own and not any(r.change in made for r in remedies):
        remedies = (Remedy(trial.change, after, SOLVED), *remedies)
    return dataclasses.replace(finding, remedies=remedies)


def _not_seen(trial: Trial) -> str:
    return f"On the changed board {', '.join(trial.unseen)} could not look at as much as before."


def _told_cause(cause: Cause, trial: Trial, refused: list[tuple[Proposal, str]], result: Result) -> Cause:
    figures = [trial.after.get(i) for i in cause.findings]
    notes = list(trial.notes)
    after: float | None = None
    known = [f for f in figures if f is not None]
    if len(known) == len(figures):
        after = max(*known, trial.worst_new)
    else:
        notes.append(_not_seen(trial))
    notes += [f"Left out: {change.text}, because {reason}." for change, reason in refused[:TOLD]]
    notes += _side_effects(cause, trial, result)
    solved = SOLVED if after is not None else "not solved"
    return dataclasses.replace(cause, change=trial.change, excess_after_db=after, solved=solved, notes=tuple(notes))


def _side_effects(cause: Cause, trial: Trial, result: Result) -> list[str]:
    """What the change makes, and what it cures of other causes, one sentence each."""
    out = []
    made = [f"{f.title} ({f.excess_db:+.1f} dB)" for f in trial.new]
    if made:
        out.append(f"It makes or worsens {_few(made)}.")
    own = set(cause.findings)
    cured = []
    for other in result.findings:
        after = trial.after.get(other.id)
        if other.id not in own and other.excess_db >= 0 and after is not None and after < 0:
            cured.append(f"{other.title} ({_left(after)})")
    if cured:
        out.append(f"It also brings under the allowance: {_few(cured)}.")
    return out


def _left(after: float) -> str:
    if after == GONE:
        return "gone"
    return f"{after:+.1f} dB" if after <= -0.05 else "just"


def _few(words: list[str]) -> str:
    rest = len(words) - TOLD
    return ", ".join(words[:TOLD]) + (f" and {rest} more" if rest > 0 else "")


def _unproven(cause: Cause, refused: list[tuple[Proposal, str]]) -> Cause:
    """A cause of which no change can be made on this board."""
    notes = tuple(_sentence(f"{change.text}: cannot be made, {reason}") for change, reason in refused[:TOLD])
    return dataclasses.replace(cause, excess_after_db=None, solved="cannot be made", notes=notes)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
