"""What the review could not know, as questions to the designer, each with what another answer would change.

Every question is priced by looking again at the same board with the other answer in the settings: the geometry is taken
over, only the checks that the answer touches are run. The most telling come first.
"""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from dataclasses import dataclass
from functools import partial

import numpy as np

from quietcopper.checks import Check
from quietcopper.electrical.cables import cabled_connectors, is_assumed
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.findings import Cause, Finding, Question, Result
from quietcopper.findings.model import PASSES, grade
from quietcopper.review.alike import like
from quietcopper.review.causes import identify
from quietcopper.review.compare import match_findings
from quietcopper.review.look import Looked, run_check
from quietcopper.units import listed
from quietcopper.workers import spread

WORK = 30_000  # objects that may be looked at again in all: bounds the time of larger boards
MOST_ASKED = 6  # questions that are priced on a small board
SLOWER = 2.0  # times the assumed rise time: what drive settings and series resistors usually leave open
TARGET = 50.0  # ohm; the usual one (common practice, no source)
NOTICED_DB = 0.5
BY_TARGET = ("impedance-off-target", "impedance-step", "pour-shifts-impedance")


@dataclass(frozen=True)
class _Asked:
    """A question, the settings of the other answer, and the names of the checks that it touches (all where empty)."""

    question: Question
    settings: Settings
    checks: tuple[str, ...] = ()


def ask(view: View, checks: tuple[Check, ...], result: Result) -> tuple[Question, ...]:
    """The questions that change anything: on what the file may have left out, then the most telling first, by findings
    that cross their allowance, then by the sum of the changes in dB."""
    board = view.board
    objects = len(board.traces) + len(board.pads) + len(board.vias) + len(board.areas)
    most = max(1, min(MOST_ASKED, WORK // max(objects, 1)))
    settings = dataclasses.replace(view.settings, layers={}, dielectrics={}, masks={})
    out = [*_regions(result), *_untied(view, result)]
    asked = [*_cables(view, settings, result), *_drivers(view, settings, result), *_targets(view, settings, result)]
    out += filter(None, spread([partial(_priced, view, checks, result, one) for one in asked[:most]]))
    # what only the layout can answer first: where the file leaves something out, all else rests on it
    return tuple(sorted(out, key=lambda q: (bool(q.key), -q.crossing, -round(q.swing_db, 6), q.text)))


def _priced(view: View, checks: tuple[Check, ...], result: Result, asked: _Asked) -> Question | None:
    """The question with what its answer changes; None where that is nothing."""
    touched = tuple(c for c in checks if not asked.checks or c.NAME in asked.checks)
    names = {c.NAME for c in touched}
    other = like(view, asked.settings)
    said = [s for check in touched for s in run_check(check, other) if isinstance(s, Finding)]
    now = Looked(tuple(identify(said)), (), (), ())
    before = Looked(tuple(f for f in (*result.findings, *result.passing) if f.check in names), (), (), ())
    changed = []
    for old, new in match_findings(before, now):
        a, b = (None if f is None else f.excess_db for f in (old, new))
        if a is not None and b is not None and abs(a - b) < NOTICED_DB:
            continue
        if all(x is None or grade(x) == PASSES for x in (a, b)):
            continue
        title = (old or new).title  # type: ignore[union-attr]
        changed.append((title, a, b))
    return _with(asked.question, changed)


def _with(question: Question, changed: list[tuple[str, float | None, float | None]]) -> Question | None:
    if not changed:
        return None

    def over(excess: float | None) -> float:
        return max(excess, 0.0) if excess is not None and np.isfinite(excess) else 0.0

    changed.sort(key=lambda c: (-abs(over(c[1]) - over(c[2])), c[0]))
    crossing = sum((a is not None and a >= 0) != (b is not None and b >= 0) for _, a, b in changed)
    swing = sum(abs(over(a) - over(b)) for _, a, b in changed)
    if not crossing and swing < NOTICED_DB:
        return None
    return dataclasses.replace(question, changes=tuple(changed), crossing=crossing, swing_db=swing)


def _regions(result: Result) -> list[Question]:
    """Grounds in regions: whether the gap is a barrier. What joining would leave was solved with the proposals."""
    out = []
    by_id = {f.id: f for f in result.findings}
    for cause in result.causes:
        mine = [by_id[i] for i in cause.findings]
        if not mine[0].cause.key.startswith("ground regions:"):
            continue
        names = mine[0].cause.key.split(":", 1)[1].split("|")
        between = " and ".join(names) if len(names) > 1 else f"the regions of {names[0]}"
        barrier = cause.change is None or not cause.change.kind
        asked = Question(
            text=f"Is the gap between {between} a safety barrier, and does anything need them apart?",
            at=mine[0].place.at,
            assumed="a barrier, because it is as wide as one"
            if barrier
            else "no barrier, because it is narrower than one",
            answer="they may be joined" if barrier else "it is a barrier and must stay",
            key='[allowances] "split-ground-at-cable.barrier_mm"',
        )
        changed = [(f.title, f.excess_db, _after(f, cause)) for f in mine]
        if all(after is not None for _, _, after in changed):
            priced = _with(asked, [(t, a, None if b == -np.inf else b) for t, a, b in changed])
            if priced is not None:
                out.append(priced)
        elif any(f.excess_db >= 0 for f in mine):  # what joining leaves was not solved
            out.append(dataclasses.replace(asked, crossing=0, swing_db=0.0, changes=()))
    return out


def _untied(view: View, result: Result) -> list[Question]:
    """Planes that nothing ties: which net they were meant for, or whether the file leaves their ties out."""
    out = []
    by_id = {f.id: f for f in result.findings}
    for cause in result.causes:
        mine = [by_id[i] for i in cause.findings]
        if not mine[0].cause.key.startswith("untied plane:") or cause.change is None or cause.change.kind:
            continue
        label = view.board.layer_label(mine[0].place.layers[0])
        names = sorted({name for finding in mine for name in finding.place.nets})
        text = f"Which net was the plane on {label} meant for?"
        if names:
            be = "Is the plane" if len(mine) == 1 else "Are the planes"
            text = f"{be} of {' and '.join(names)} on {label} meant to hang on no pin and no via, as the file has it?"
        asked = Question(text, mine[0].place.at, "tied to nothing, as in the file", "tied to its net", "")
        priced = _with(asked, [(f.title, f.excess_db, None) for f in mine])
        if priced is not None:
            out.append(priced)
    return out


def _after(finding: Finding, cause: Cause) -> float | None:
    return next(
        (r.excess_after_db for r in finding.remedies if r.change == cause.change and r.excess_after_db is not None),
        None,
    )


def _cables(view: View, settings: Settings, result: Result) -> list[_Asked]:
    """Connectors that were taken to carry a cable, those with the worst findings first: of those that only their place
    says it of whether they do, all in one question; of others whether its shield is tied."""
    board = view.board
    worst: dict[str, float] = defaultdict(lambda: -np.inf)
    touched: dict[str, set[str]] = defaultdict(set)
    assumed = [ref for ref in cabled_connectors(view)[0] if "cable" not in settings.connectors.get(ref, {})]
    for finding in result.findings:
        for ref in assumed:
            if ref in finding.place.parts or ref in finding.subject or f"{ref} " in f"{finding.message} ":
                worst[ref] = max(worst[ref], finding.excess_db)
                touched[ref].add(finding.check)
    order = sorted(worst, key=lambda ref: (-round(worst[ref], 6), ref))
    supposed = [ref for ref in order if is_assumed(view, ref)]
    out = []
    for refs in (supposed, *([ref] for ref in order if ref not in supposed)):
        if not refs:
            continue
        row = int(np.flatnonzero(board.parts.ref == refs[0])[0])
        if refs != supposed:
            text = f"Is the cable at {refs[0]} shielded, its shield tied all round, and how long is it?"
            assumed_as, answer, said = "an unshielded cable", "shielded", {"shielded": True}
        else:
            few = listed(sorted(refs), len(refs))
            who = f"Does {few}" if len(refs) == 1 else f"Which of {few}"
            text = f"{who} carry a cable in use, how long is it, and is it shielded?"
            where = "it stands" if len(refs) == 1 else "they stand"
            assumed_as = (
                f"an unshielded cable{'' if len(refs) == 1 else ' at each'}, because {where} at the board's edge"
            )
            answer, said = "no cable", {"cable": False}
        question = Question(
            text=text,
            at=(float(board.parts.x[row]), float(board.parts.y[row])),
            assumed=assumed_as,
            answer=answer,
            key=f'[connectors."{refs[0]}"] cable, length_m, shielded',
        )
        connectors = {**settings.connectors, **{r: {**settings.connectors.get(r, {}), **said} for r in refs}}
        checks = tuple(sorted(set().union(*(touched[ref] for ref in refs))))
        out.append(_Asked(question, dataclasses.replace(settings, connectors=connectors), checks))
    return out[:2]


def _drivers(view: View, settings: Settings, result: Result) -> list[_Asked]:
    """Lines whose edge was assumed, by how they are driven, those with the most excess first."""
    names = view.board.nets
    groups: dict[tuple[str, float], set[str]] = defaultdict(set)
    at: dict[tuple[str, float], tuple[float, float]] = {}
    weight: dict[tuple[str, float], float] = defaultdict(float)
    for finding in result.findings:
        for name in finding.place.nets[:1]:
            driver = view.drivers[view.board.net_index[name]] if name in view.board.net_index else None
            if driver is None or "rise" not in driver.assumed or driver.swing <= 0:
                continue
            key = driver.kind, round(driver.rise, 15)
            at.setdefault(key, finding.place.at)
            weight[key] += max(finding.excess_db, 0.0)
    for net, driver in enumerate(view.drivers):
        if "rise" in driver.assumed and driver.swing > 0:
            groups[driver.kind, round(driver.rise, 15)].add(names[net])
    out = []
    for key in sorted(weight, key=lambda k: (-round(weight[k], 6), k))[:2]:
        kind, rise = key
        lines = sorted(groups[key])
        few = ", ".join(lines[:3]) + (f" and {len(lines) - 3} more" if len(lines) > 3 else "")
        question = Question(
            text=f"How fast are the edges of the {kind} lines {few}?",
            at=at[key],
            assumed=f"{rise * 1e9:.3g} ns from 10 to 90 %",
            answer=f"{SLOWER * rise * 1e9:.3g} ns",
            key=f'[nets."{lines[0]}"] or [patterns."…"] rise_ps',
        )
        nets = dict(settings.nets)
        for name in lines:
            nets[name] = dataclasses.replace(nets.get(name, NetSettings()), rise=SLOWER * rise)
        out.append(_Asked(question, dataclasses.replace(settings, nets=nets)))
    return out


def _targets(view: View, settings: Settings, result: Result) -> list[_Asked]:
    """Long lines without a target impedance."""
    said = next((n for n in result.not_checked if n.check == BY_TARGET[0] and "target" in n.what), None)
    if said is None:
        return []
    nets: dict[str, NetSettings] = dict(settings.nets)
    at: tuple[float, float] | None = None
    for net, role in enumerate(view.roles):
        if role.kind == SIGNAL and view.target_of(net) is None:
            name = view.board.nets[net]
            nets[name] = dataclasses.replace(nets.get(name, NetSettings()), target=TARGET)
    question = Question(
        text=f"Which impedance was meant for the {said.count} long lines that name none?",
        at=at,
        assumed="none, so they were not held to one",
        answer=f"{TARGET:g} Ω",
        key='[nets."…"] or [patterns."…"] target_ohm',
    )
    return [_Asked(question, dataclasses.replace(settings, nets=nets), BY_TARGET)]
