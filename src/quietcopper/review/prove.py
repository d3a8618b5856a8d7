"""Proposals proven: each is applied, the changed board reviewed, and its figure replaced by what is left.

First the change of each cause; where a cause proposes none, or it cannot be made, the changes of its places, all
together. Then what else is proposed at its places, together as well, and the best of both is told for the cause. A
figure after a change holds what it leaves and what it newly makes, so a change that only moves the trouble is no cure.

Only findings over their allowance are proven. How many boards are tried depends on the size of the board alone, so
that the same board gives the same review; what was left out for time says so, and no proposal keeps a figure that was
not solved.
"""

from __future__ import annotations

import dataclasses
import logging
import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from quietcopper.board import Board
from quietcopper.changes import Changed, ChangeError, is_change
from quietcopper.checks import Check
from quietcopper.electrical.view import View
from quietcopper.fields.section_solver import Share
from quietcopper.findings import Cause, Finding, Proposal, Remedy, Result
from quietcopper.findings.model import ADVICE, CANNOT, HARMS, HELPS_NOT, LEAST_GAIN_DB, MAIN, SMALLER
from quietcopper.review.causes import in_order
from quietcopper.review.plan import PLAN_ROUNDS, make_plan
from quietcopper.review.questions import ask
from quietcopper.review.trial import GONE, Bench, Trial, try_change
from quietcopper.workers import spread

__all__ = ["PLAN_ROUNDS", "is_solved", "most_proofs", "prove_result"]

MOST_TRIALS = 18  # changed boards that are reviewed for the causes of a small board, the plan's not counted
AT_ONCE = 6  # causes that are shared out at a time
MOST_PLACES, MOST_OTHERS = 32, 8  # changes of places that are made together, first and in the second place
WORK = 60_000  # objects that may be reviewed again in all, times a small board's: bounds the time of larger boards
TOLD = 3  # of the findings that a change makes or cures elsewhere, the others are counted
SOLVED, TOGETHER = "solved again", "solved again, all places together"
NO_TIME, UNSOLVED = "not proven for time", "not solved"
log = logging.getLogger(__name__)


def is_solved(how: str) -> bool:
    """Whether a figure comes from the review of the changed board."""
    return how.startswith(SOLVED)


def most_proofs(board: Board) -> int:
    """How many changed boards are reviewed for the causes: fewer of a board whose review takes long."""
    objects = len(board.traces) + len(board.pads) + len(board.vias) + len(board.areas)
    return max(1, min(MOST_TRIALS, WORK // max(objects, 1)))


@dataclass
class _Purse:
    """Trials that may still be made."""

    left: int

    def take(self) -> bool:
        self.left -= 1
        return self.left >= 0


def prove_result(
    result: Result, view: View, checks: tuple[Check, ...], progress: Callable[[str], None] = lambda stage: None
) -> Result:
    """The result with the figures of its causes and their findings' remedies solved, and a plan of changes."""
    bench = Bench.of(view, checks)
    purse = _Purse(most_proofs(view.board))
    proven: dict[str, _Proven] = {}
    by_id = {f.id: f for f in result.findings}
    for cause in result.causes:
        proven[cause.id] = _Proven(cause, [by_id[i] for i in cause.findings], None, [])
    over = [cause for cause in result.causes if cause.excess_before_db >= 0]

    def first(cause: Cause, own: _Purse) -> _Proven:
        return _prove(bench, result, cause, proven[cause.id].findings, own)

    def others(cause: Cause, own: _Purse) -> _Proven:
        return _others_tried(bench, result, cause, proven[cause.id], own)

    proposing = [cause for cause in over if _proposals(cause, proven[cause.id].findings)]
    proven |= _shared_out(bench, proposing, first, purse, progress)
    proven |= _shared_out(bench, over, others, purse, progress)
    findings = {f.id: _settled(f) for p in proven.values() for f in p.findings}
    plan = make_plan(bench, result, {i: p.trial for i, p in proven.items() if p.trial is not None}, progress)
    told = dataclasses.replace(
        result,
        causes=in_order(_cured_along([dataclasses.replace(p, cause=_settled_cause(p)) for p in proven.values()])),
        findings=tuple(findings[f.id] for f in result.findings),
        plan=plan,
    )
    progress("questions to the designer")
    return dataclasses.replace(told, questions=ask(view, checks, told))


def _shared_out(
    bench: Bench,
    causes: list[Cause],
    work: Callable[[Cause, _Purse], _Proven],
    purse: _Purse,
    progress: Callable[[str], None],
) -> dict[str, _Proven]:
    """What the work makes of each cause, as if they were taken one after another: a few at a time are each given all
    that is in the purse, and those that took more than was left by then are done once more with that."""
    here = os.getpid()

    def piece(cause: Cause, share: int) -> tuple[_Proven, int, Share]:
        mark = bench.sections.now()
        if os.getpid() == here:
            progress(f"proving: {cause.title}")
        own = _Purse(share)
        done = work(cause, own)
        if os.getpid() == here:
            return done, share - own.left, Share()
        return done, share - own.left, bench.sections.since(mark)

    out = {}
    for first in range(0, len(causes), AT_ONCE):
        some = causes[first : first + AT_ONCE]
        pieces = [partial(piece, cause, purse.left) for cause in some]
        for cause, (done, taken, solved) in zip(some, spread(pieces), strict=True):
            bench.sections.add(solved)
            if taken > max(purse.left, 0):
                done = work(cause, purse)
            else:
                purse.left -= taken
            out[cause.id] = done
    return out


def _cured_along(proven: list[_Proven]) -> list[Cause]:
    """The causes, worst first, each marked that a worse one's change cures as well: solved, that change brings all its
    findings under their allowance, and the worse cause's own."""
    causes = [p.cause for p in proven]
    for i, worse in enumerate(proven):
        trial = worse.trial
        if trial is None or causes[i].standing != MAIN or not is_solved(worse.cause.solved):
            continue  # not tried, or not proposed
        if not _cures(trial, worse.findings):
            continue
        for k in range(i + 1, len(proven)):
            if causes[k].standing in (MAIN, SMALLER) and _cures(trial, proven[k].findings):
                causes[k] = dataclasses.replace(causes[k], cured_by=worse.cause.id)
    return causes


def _cures(trial: Trial, findings: list[Finding]) -> bool:
    """Whether a change, solved, leaves no finding at or over its allowance."""
    left = [trial.after.get(f.id) for f in findings if f.excess_db >= 0]
    return all(after is not None and after < 0 for after in left)


@dataclass(frozen=True, eq=False)
class _Proven:
    """A cause and its findings with the figures of the trials; the best trial is None where none was made.

    refused : changes that cannot be made, and why
    """

    cause: Cause
    findings: list[Finding]
    trial: Trial | None
    refused: list[tuple[Proposal, str]]


def _proposals(cause: Cause, findings: list[Finding]) -> bool:
    changes = [cause.change, *(r.change for f in findings for r in f.remedies)]
    return any(change is not None and is_change(change.kind) for change in changes)


def _applied(bench: Bench, board: Changed, change: Proposal) -> Changed | str:
    """The changed board, or why the change cannot be made."""
    try:
        return bench.apply(board, change)
    except ChangeError as e:
        return str(e)
    except Exception as e:  # a fault of ours must not cost the user the review
        log.exception("change %s failed", change.kind)
        return f"it failed: {type(e).__name__}: {e}"


def _prove(bench: Bench, result: Result, cause: Cause, findings: list[Finding], purse: _Purse) -> _Proven:
    refused: list[tuple[Proposal, str]] = []
    if cause.change is not None and _is_for_all(cause.change, findings):
        changed = _applied(bench, Changed(bench.board), cause.change)
        if not isinstance(changed, str):
            if not purse.take():
                return _Proven(cause, findings, None, [])
            solved = try_change(bench, result, cause.change, changed)
            told = [_told(f, solved, [cause.change], own=True, harms=_harms(solved, cause, result)) for f in findings]
            return _Proven(_told_cause(cause, solved, refused, result), told, solved, refused)
        refused.append((cause.change, changed))
    told = findings
    trial, made = _places_tried(bench, result, cause, _of_places(cause, findings), refused, purse)
    if trial is not None:
        told = [_told(f, trial, made, harms=_harms(trial, cause, result)) for f in told]
        helping = [c for c in made if _helps(c, findings, trial)]
        if helping and len(helping) < len(made):  # once more without what does harm; its figure stays told
            again, made_again = _places_tried(bench, result, cause, helping, [], purse)
            if again is not None:
                trial = again
                told = [_told(f, trial, made_again, harms=_harms(trial, cause, result)) for f in told]
    told = [_refused(f, refused) for f in told]
    if trial is None:
        return _Proven(_unproven(cause, refused) if refused else cause, told, None, refused)
    return _Proven(_told_cause(cause, trial, refused, result), told, trial, refused)


def _others_tried(bench: Bench, result: Result, cause: Cause, known: _Proven, purse: _Purse) -> _Proven:
    """What else is proposed at the places of a cause, each kind of remedy at all of them together; the cause is told
    with the best."""
    refused = list(known.refused)
    told, best = known.findings, known.trial
    changes = _open(told, refused)
    trial, made = _places_tried(bench, result, cause, changes, refused, purse) if changes else (None, [])
    if trial is not None:
        told = [_told(f, trial, made, harms=_harms(trial, cause, result)) for f in told]
        if best is None or trial.excess < best.excess - LEAST_GAIN_DB:
            best = trial
    told = [_refused(f, refused) for f in told]
    cause = known.cause
    if best is not None and best is not known.trial:
        cause = _told_cause(cause, best, known.refused, result)
    return _Proven(cause, told, best, refused)


def _open(findings: list[Finding], refused: list[tuple[Proposal, str]]) -> list[Proposal]:
    """The first proposal of each place over its allowance that was neither solved nor refused nor found to do as much
    harm, each once."""
    out: list[Proposal] = []
    for finding in findings:
        if finding.excess_db < 0:
            continue
        for remedy in finding.remedies:
            change = remedy.change
            if remedy.solved == HARMS:
                continue
            if is_change(change.kind) and not is_solved(remedy.solved) and not any(change == c for c, _ in refused):
                if change not in out:
                    out.append(change)
                break
    return out[:MOST_OTHERS]


def _places_tried(
    bench: Bench,
    result: Result,
    cause: Cause,
    changes: list[Proposal],
    refused: list[tuple[Proposal, str]],
    purse: _Purse,
) -> tuple[Trial | None, list[Proposal]]:
    """The board with those of several changes that can be made, and which they are; what cannot goes to `refused`. No
    trial where none can be made, or none is left to make."""
    board, made = Changed(bench.board), list[Proposal]()
    if purse.left <= 0:
        return None, changes
    for change in changes:
        changed = _applied(bench, board, change)
        if isinstance(changed, str):
            refused.append((change, changed))
            continue
        board = changed
        made.append(change)
    if not made or not purse.take():
        return None, made
    return try_change(bench, result, _together(cause, made), board), made


def _harms(trial: Trial, cause: Cause, result: Result) -> bool:
    """Whether a change makes or worsens something as bad as what it is meant to mend, and leaves no less in all."""
    before = sum(max(f.excess_db, 0.0) for f in result.findings)
    return trial.worst_new >= cause.excess_before_db and trial.excess >= before - LEAST_GAIN_DB


def _helps(change: Proposal, findings: list[Finding], trial: Trial) -> bool:
    """Whether a change made for some findings leaves less at one of them."""
    mine = [f for f in findings if any(r.change == change for r in f.remedies)]
    return any((after := trial.after.get(f.id)) is not None and after < f.excess_db - LEAST_GAIN_DB for f in mine)


def _is_for_all(change: Proposal, findings: list[Finding]) -> bool:
    """Whether a change is a cause's own: one that can be applied, and not the change of some of its places only."""
    naming = [any(r.change == change for r in f.remedies) for f in findings]
    return is_change(change.kind) and (all(naming) or not any(naming))


def _of_places(cause: Cause, findings: list[Finding]) -> list[Proposal]:
    """The first change of each place that is not the cause's own, each once, worst places first; of places within
    their allowance only where all are."""
    own = cause.change if cause.change is not None and _is_for_all(cause.change, findings) else None
    over = [f for f in findings if f.excess_db >= 0] or findings
    out: list[Proposal] = []
    for finding in over:
        for remedy in finding.remedies:
            if is_change(remedy.change.kind) and (remedy.change != own or len(findings) == 1):
                if remedy.change not in out:
                    out.append(remedy.change)
                break
    return out[:MOST_PLACES]


def _together(cause: Cause, made: list[Proposal]) -> Proposal:
    """Several places' changes as one, in words: the only one's, the cause's own for all of them, else the first and how
    many more."""
    if len(made) == 1:
        return made[0]
    if cause.change is not None and cause.change.of_places:
        text = cause.change.text
    elif len({change.text for change in made}) <= 2:
        text = "; ".join(dict.fromkeys(change.text for change in made))
    else:
        text = f"{made[0].text}, and {len(made) - 1} more places each by its own change"
    return Proposal(text, "several", {"changes": [{"kind": c.kind, "arguments": c.arguments} for c in made]})


def _refused(finding: Finding, refused: list[tuple[Proposal, str]]) -> Finding:
    """The finding with the reason at each remedy that cannot be made on this board."""

    def marked(remedy: Remedy) -> Remedy:
        reason = next((reason for change, reason in refused if change == remedy.change), None)
        if reason is None or is_solved(remedy.solved):
            return remedy
        return dataclasses.replace(remedy, excess_after_db=None, solved=CANNOT, notes=(_sentence(reason),))

    return dataclasses.replace(finding, remedies=tuple(marked(r) for r in finding.remedies))


def _told(
    finding: Finding, trial: Trial, made: list[Proposal], *, own: bool = False, harms: bool = False
) -> Finding:  # fmt: skip
    """The finding with the figure of the trial at the remedies that were made; own : the cause's own change, which
    becomes a remedy of a finding that does not name it; harms : the change is none to propose, and has no figure."""
    if harms:
        spoilt = (dataclasses.replace(r, excess_after_db=None, solved=HARMS) for r in finding.remedies)
        marked = (s if r.change in made else r for r, s in zip(finding.remedies, spoilt, strict=True))
        return dataclasses.replace(finding, remedies=tuple(marked))
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


def _settled(finding: Finding) -> Finding:
    """The finding with its remedies as they may be told: solved ones first, the best before the others; no figure that
    was not solved, no unsolved change beside a solved one; none that does not help, where another one does."""
    over = finding.excess_db >= 0
    out: list[Remedy] = []
    solved = any(is_solved(r.solved) for r in finding.remedies)
    for remedy in finding.remedies:
        if is_solved(remedy.solved):
            out.append(remedy)
        elif is_change(remedy.change.kind):
            if over and not solved:
                how = remedy.solved if remedy.solved in (CANNOT, HARMS) else NO_TIME
                out.append(dataclasses.replace(remedy, excess_after_db=None, solved=how))
        else:
            out.append(remedy)

    def rank(remedy: Remedy) -> float:
        return math.inf if remedy.excess_after_db is None else remedy.excess_after_db

    out.sort(key=rank)
    helping = [r for r in out if rank(r) < finding.excess_db - LEAST_GAIN_DB]
    if helping:
        out = helping + [r for r in out if r.excess_after_db is None]
    return dataclasses.replace(finding, remedies=tuple(out))


def _settled_cause(proven: _Proven) -> Cause:
    """The cause without a figure that was not solved."""
    cause = proven.cause
    if is_solved(cause.solved) or cause.tried:
        return cause
    open_ = cause.excess_before_db >= 0 and proven.trial is None and _proposals(cause, proven.findings)
    if open_ and not proven.refused:
        how = NO_TIME
    else:
        how = ADVICE if cause.change is not None and not is_change(cause.change.kind) else UNSOLVED
    return dataclasses.replace(cause, excess_after_db=None, solved=how)


def _not_seen(trial: Trial) -> str:
    return f"On the changed board {', '.join(trial.unseen)} could not look at as much as before."


def _told_cause(cause: Cause, trial: Trial, refused: list[tuple[Proposal, str]], result: Result) -> Cause:
    """The cause with the change that was tried, and what it leaves. Where the tried one does not help, or makes
    something else as bad, it is a note, and the cause's own change in words stays, if it has one."""
    if _harms(trial, cause, result):
        made = _few([f"{f.title} ({_level(f.excess_db)} then)" for f in trial.new])
        note = f"Tried: {trial.change.text}; it makes or worsens: {made}."
        return _none_left(cause, HELPS_NOT, (note,))
    seen = all(trial.after.get(i) is not None for i in cause.findings)
    if cause.change is not None and not _lowers(cause, trial, result) and (seen or not is_change(cause.change.kind)):
        return _none_left(cause, HELPS_NOT, (f"Tried: {trial.change.text}; the worst place stays as it is.",))
    figures = [trial.after.get(i) for i in cause.findings]
    notes = list(trial.notes)
    after: float | None = None
    known = [f for f in figures if f is not None]
    if len(known) == len(figures):
        after = max(*known, trial.worst_new)
    else:
        notes.append(_not_seen(trial))
    notes += [f"Left out: {change.text}, because {reason}." for change, reason in refused[:TOLD]]
    if after is not None and after >= 0:
        notes += _advice(cause, result)
    notes += _side_effects(cause, trial, result)
    solved = SOLVED if after is not None else UNSOLVED
    return dataclasses.replace(cause, change=trial.change, excess_after_db=after, solved=solved, notes=tuple(notes))


def _advice(cause: Cause, result: Result) -> list[str]:
    """What else is proposed in words at the worst place of a cause, for what its change leaves."""
    worst = next(f for f in result.findings if f.id == cause.findings[0])
    words = [r.change.text for r in worst.remedies if not is_change(r.change.kind)]
    return [f"Advice for what is left, not tried: {text}." for text in dict.fromkeys(words)]


def _lowers(cause: Cause, trial: Trial, result: Result) -> bool:
    """Whether a change takes something away of the worst of a cause's findings, or cures most of them."""
    before = {f.id: f.excess_db for f in result.findings}
    left = {i: before[i] if (after := trial.after.get(i)) is None else after for i in cause.findings}
    over = [i for i in cause.findings if before[i] >= 0]
    cured = sum(left[i] < 0 for i in over)
    return max(left.values()) < cause.excess_before_db - LEAST_GAIN_DB or 2 * cured > len(over)


def _side_effects(cause: Cause, trial: Trial, result: Result) -> list[str]:
    """What the change makes, and what it cures of other causes, one sentence each."""
    out = []
    made = [f"{f.title} ({_level(f.excess_db)} then)" for f in trial.new]
    if made:
        out.append(f"It makes or worsens: {_few(made)}.")
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
    return _level(after) if after <= -0.05 else "just"


def _level(excess: float) -> str:
    return f"{excess:+.1f} dB".replace("-", "\N{MINUS SIGN}")


def _few(words: list[str]) -> str:
    rest = len(words) - TOLD
    return ", ".join(words[:TOLD]) + (f" and {rest} more" if rest > 0 else "")


def _unproven(cause: Cause, refused: list[tuple[Proposal, str]]) -> Cause:
    """A cause of which no change can be made on this board: what cannot be made is no proposal, it is told as tried."""
    once = list(dict.fromkeys((change.text, reason) for change, reason in refused))
    notes = tuple(_sentence(f"Tried: {text}; it {CANNOT}, {reason}") for text, reason in once[:TOLD])
    return _none_left(cause, CANNOT, notes)


def _none_left(cause: Cause, why: str, notes: tuple[str, ...]) -> Cause:
    """A cause for which nothing that was tried is left to propose: its advice stays, if it has one."""
    if cause.change is not None and not is_change(cause.change.kind) and not cause.change.of_places:
        return dataclasses.replace(cause, excess_after_db=None, solved=ADVICE, notes=notes)
    return dataclasses.replace(cause, change=None, excess_after_db=None, solved=UNSOLVED, notes=notes, tried=why)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
