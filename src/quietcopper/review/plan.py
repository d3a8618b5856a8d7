"""A short plan: few changes that together bring as much as can be under its allowance, tried as a whole.

First a greedy choice among the changes that were tried one by one; the board with all of them is reviewed, and what
still helps is added. Then what is left on that board is followed up by what the review of it proposes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from quietcopper.changes import Changed, ChangeError, is_change
from quietcopper.changes.kinds import SEVERAL
from quietcopper.findings import Plan, Proposal, Result, Step
from quietcopper.review.causes import group_causes
from quietcopper.review.trial import Bench, Trial, try_change

PLAN_ROUNDS = 2  # boards with all chosen changes that are tried, the second with what still helps
FOLLOW_UPS = 4  # changes that are tried for what is left then
ORDER = (
    "series-resistor",
    "set-resistor",
    "slower-edge",
    "filter-line",
    "set-dielectric",
    "cut-end",
    "drill-out",
    "set-width",
    "widen-traces",
    "set-pair",
    "shift-trace",
    "set-spacing",
    "spread-bundle",
    "set-pour-gap",
    "remove-area",
    "close-openings",
    "join-areas",
    "separate-areas",
    "area-to-net",
    "tie-fingers",
    "bridge-gap",
    "add-via",
    "stitch",
)
LISTED = 12  # findings that are named
NEEDLESS_DB = 0.1  # a change that takes away no more beyond the others is left out


@dataclass(frozen=True, eq=False)
class _Choice:
    cause: str
    trial: Trial


def make_plan(
    bench: Bench, result: Result, trials: Mapping[str, Trial], progress: Callable[[str], None] = lambda stage: None
) -> Plan | None:
    """The plan of a result; a step is judged by the excess over the allowances that it takes away beyond what the
    others do, less what it makes.

    trials : by the id of the cause;  None where there is nothing over its allowance, or no change helps
    """
    over = {f.id: f.excess_db for f in result.findings if f.excess_db >= 0}
    chosen = _choose(over, trials)
    if not chosen:
        return None
    whole = None
    for _ in range(PLAN_ROUNDS):
        progress("proving: the plan as a whole")
        whole = _tried(bench, result, chosen)
        if whole is None:
            return None
        more = _more(chosen, whole.trial, trials)
        if not more:
            break
        chosen += more
    assert whole is not None
    steps = [step for choice in chosen if (step := whole.steps.get(choice.cause)) is not None]
    trial, further = _followed_up(bench, result, whole.trial, progress)
    left = [f for f in trial.looked.findings if f.excess_db >= 0]
    new = {f.id for f in trial.new}
    return Plan(
        steps=(*steps, *further),
        over_before=len(over),
        over_after=len(left),
        worst_before_db=max(over.values()),
        worst_after_db=max((f.excess_db for f in trial.looked.findings), default=None),
        left=tuple(f.title for f in left[:LISTED]),
        new=tuple(f.title for f in left if f.id in new)[:LISTED],
        notes=tuple(whole.refused),
    )


def _more(chosen: list[_Choice], trial: Trial, trials: Mapping[str, Trial]) -> list[_Choice]:
    """Changes not chosen yet that still would help on the board with all the chosen ones, and did no harm alone."""
    over = {i: after for i, after in trial.after.items() if after is not None and after >= 0}
    names = {c.cause for c in chosen}
    return [c for c in _choose(over, {k: t for k, t in trials.items() if k not in names}) if not _harms(c.trial)]


def _followed_up(
    bench: Bench, result: Result, trial: Trial, progress: Callable[[str], None]
) -> tuple[Trial, list[Step]]:
    """What the review of the changed board proposes for what is left there, the worst causes first, each kept where it
    takes away more than it makes."""
    steps: list[Step] = []
    tried: list[Proposal] = []
    for _ in range(FOLLOW_UPS):
        causes = group_causes([f for f in trial.looked.findings if f.excess_db >= 0])
        cause = next((c for c in causes if c.change and is_change(c.change.kind) and c.change not in tried), None)
        if cause is None or cause.change is None:
            break
        progress(f"proving: {cause.title}")
        tried.append(cause.change)
        try:
            changed = bench.apply(trial.changed, cause.change)
        except ChangeError:
            continue
        after = try_change(bench, result, cause.change, changed)
        if after.excess < trial.excess:
            notes = tuple(note for note in changed.notes if note not in trial.changed.notes)
            trial = after
            steps.append(Step(cause.change, (cause.id,), notes, follow_up=True))
    return trial, steps


def _harms(trial: Trial) -> bool:
    return any(f.excess_db >= 0 for f in trial.new)


def _choose(over: Mapping[str, float], trials: Mapping[str, Trial]) -> list[_Choice]:
    """The changes in the order of what each still gains, none that gains nothing, and none that the later ones make
    needless."""
    now = dict(over)
    chosen: list[_Choice] = []
    rest = dict(trials)
    while rest:
        gains = {cause: _gain(now, trial) for cause, trial in rest.items()}
        best = max(gains, key=lambda cause: (round(gains[cause], 6), cause))
        if gains[best] <= 0:
            break
        trial = rest.pop(best)
        chosen.append(_Choice(best, trial))
        for finding in now:
            after = trial.after.get(finding)
            if after is not None:
                now[finding] = min(now[finding], after)
    for choice in list(chosen):
        others = [c for c in chosen if c is not choice]
        if others and _together_left(over, others) <= _together_left(over, chosen) + NEEDLESS_DB:
            chosen = others
    return chosen


def _together_left(over: Mapping[str, float], chosen: list[_Choice]) -> float:
    """Excess over the allowances where each finding has what the best of some changes leaves of it, with what the
    changes make, dB."""
    left = 0.0
    for finding, excess in over.items():
        known = [after for c in chosen if (after := c.trial.after.get(finding)) is not None]
        left += max(min([excess, *known]), 0.0)
    return left + sum(max(f.excess_db, 0.0) for c in chosen for f in c.trial.new)


def _gain(now: Mapping[str, float], trial: Trial) -> float:
    """Excess over the allowances that a change takes away beyond what is taken already, less what it makes, dB."""
    taken = 0.0
    for finding, excess in now.items():
        after = trial.after.get(finding)
        if after is not None:
            taken += max(excess, 0.0) - max(min(after, excess), 0.0)
    return taken - sum(max(f.excess_db, 0.0) for f in trial.new)


@dataclass(frozen=True, eq=False)
class _Whole:
    """Steps made, by cause; one sentence for each that could not be; what the board with all of them is like."""

    steps: Mapping[str, Step]
    refused: list[str]
    trial: Trial


def _tried(bench: Bench, result: Result, chosen: list[_Choice]) -> _Whole | None:
    """All chosen changes made one after the other, and the board reviewed; None where not one can be made.

    Traces come first and added vias last, because vias find another place more easily than traces.
    """
    board = Changed(bench.board)
    steps: dict[str, Step] = {}
    refused: list[str] = []
    for choice in sorted(chosen, key=lambda c: turn(c.trial.change.kind, c.trial.change.arguments)):
        change = choice.trial.change
        try:
            changed = bench.apply(board, change)
        except ChangeError as e:
            refused.append(f"{change.text}: no longer possible after the other changes, {e}.")
            continue
        notes = tuple(note for note in changed.notes if note not in board.notes)
        steps[choice.cause] = Step(change, (choice.cause,), notes)
        board = changed
    if not steps:
        return None
    return _Whole(steps, refused, try_change(bench, result, Proposal("the whole plan"), board))


def in_order(plan: Plan) -> list[Step]:
    """The steps of a plan in the order in which they were made, for a file that makes them again."""
    first = [step for step in plan.steps if not step.follow_up]
    return [
        *sorted(first, key=lambda step: turn(step.change.kind, step.change.arguments)),
        *(step for step in plan.steps if step.follow_up),
    ]


def turn(kind: str, arguments: Mapping[str, Any]) -> int:
    """When a change is best made among others: stackup first, vias last."""
    return ORDER.index(arguments["changes"][0]["kind"] if kind == SEVERAL else kind)
