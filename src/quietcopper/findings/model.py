"""Finding, Place, Allowance, Remedy, Cause, Assumption: the words of the result document, SI units, metres.

A check yields Finding, Coverage and NotChecked objects; the review adds identity, causes and order and makes a Result;
`quietcopper.findings.document` turns a Result into the JSON document and back out of SI.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

CHANGE_IT, IMPROVE_IT, WATCH_IT, PASSES = "change it", "improve it", "watch it", "passes"
MAIN, WITH_ANOTHER, SMALLER, WITHIN = "main", "with another", "smaller", "within its allowance"
STANDINGS = (MAIN, WITH_ANOTHER, SMALLER, WITHIN)  # of causes, in the order in which they are told
ROUND = 0.985  # 4π·area / perimeter² from which a drawn pad is a disc; an octagon has 0.948, 24 sides 0.994
CANNOT = "cannot be made"  # how a remedy is known that was tried on the board and does not fit it
HARMS = "makes something else as bad"  # likewise, one that was solved and is no proposal
HELPS_NOT = "does not help"  # likewise, of all that was tried for a cause
LEAST_GAIN_DB = 0.5  # a change that takes away no more does not help: own choice, well below what estimates bear
ADVICE = "advice, not tried"  # how a remedy or a cause's change in words alone is known: it has no figure


def excess_db(predicted: float, allowed: float) -> float:
    """20·log10(predicted / allowed), dB; -inf for a predicted 0. Raises ValueError for allowed <= 0 or non-finite."""
    if not (math.isfinite(predicted) and math.isfinite(allowed) and allowed > 0 and predicted >= 0):
        raise ValueError(f"no excess for predicted {predicted} against allowed {allowed}")
    return 20 * math.log10(predicted / allowed) if predicted > 0 else -math.inf


def grade(excess: float) -> str:
    """'change it' from 6 dB, 'improve it' from 0, 'watch it' from -6, else 'passes'."""
    if excess >= 6:
        return CHANGE_IT
    if excess >= 0:
        return IMPROVE_IT
    return WATCH_IT if excess >= -6 else PASSES


@dataclass(frozen=True)
class Allowance:
    """The figure a quantity may reach. `key` is its name in the settings file ("trace-over-gap.noise_share")."""

    value: float
    unit: str
    source: str
    key: str = ""

    def excess_db(self, predicted: float) -> float:
        """Excess of a predicted figure over this allowance, dB."""
        return excess_db(predicted, self.value)


@dataclass(frozen=True)
class Limit:
    """An allowance as a check declares it: default value, unit, source and one sentence of help for the settings."""

    default: float
    unit: str
    source: str
    help: str


@dataclass(frozen=True)
class Place:
    """Where: a point (m), the shape to mark (metres) and the names that belong to it; layers as indices from 0."""

    at: tuple[float, float]
    shape: BaseGeometry | None = None
    layers: tuple[int, ...] = ()
    nets: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Proposal:
    """A change that the program could apply: `kind` names an edit of quietcopper.changes, `arguments` its values,
    `text` says it in words a designer can act on ('layer 3 becomes ground'). Without a kind it is advice.

    of_places : of a cause, it says in one what each of its places proposes by a change of its own
    """

    text: str
    kind: str = ""
    arguments: Mapping[str, Any] = field(default_factory=dict)
    of_places: bool = False


@dataclass(frozen=True)
class Remedy:
    """A proposal with the excess after it, dB. `solved` is how: 'estimate' (the check's own formula with the changed
    value), 'solved again' (the changed board was reviewed), or why it was not solved. None: not worked out.

    notes : what the change takes for granted, and what else it does to the board, one sentence each
    """

    change: Proposal
    excess_after_db: float | None = None
    solved: str = "estimate"
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class CauseHint:
    """The design choice behind a finding, as its check sees it. Findings with the same `key` share a cause.

    key : for instance "gap:layer 3:3V3|5V"; title : one sentence; weight is left to the review.
    alone : the choice where only one net shows this one: a dielectric under many lines is the stackup's, under one line
            it is how that line is led
    supposed : whether there is anything to find hangs on what nothing in the data says: a cable at a pin header
    """

    key: str
    title: str
    change: Proposal | None = None
    alone: CauseHint | None = None
    supposed: bool = False


@dataclass(frozen=True)
class Finding:
    """A prediction with a number, a place, a cause and remedies.

    subject : words that name the same thing in every revision (net, layer, nearest pin), never counters or coordinates
    message : one sentence with the number, no advice;   unit : of predicted and allowed, SI
    evidence : plain data (numbers, strings, lists, dicts) behind the number, keys with unit suffixes where not SI
    range_db : (best, worst) excess that the assumed inputs span, where inputs were assumed
    """

    check: str
    subject: tuple[str, ...]
    title: str
    message: str
    place: Place
    predicted: float
    allowance: Allowance
    cause: CauseHint
    remedies: tuple[Remedy, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)
    range_db: tuple[float, float] | None = None
    id: str = ""

    @property
    def excess_db(self) -> float:
        return self.allowance.excess_db(self.predicted)

    @property
    def grade(self) -> str:
        return grade(self.excess_db)


@dataclass(frozen=True)
class Coverage:
    """What a check looked at: 'looked' of 'total' things ('nets', 'layer changes')."""

    check: str
    looked: int
    total: int
    things: str


@dataclass(frozen=True)
class NotChecked:
    """What could not be checked, and why; `count` things of that kind."""

    check: str
    what: str
    why: str
    count: int = 1


@dataclass(frozen=True)
class AssumptionNote:
    what: str
    value: float | str
    unit: str
    why: str
    touches: int = 1


AGREED, ACCEPTED, NOT_APPLICABLE = "agreed", "accepted", "not applicable"
DECISION_STATES = (AGREED, ACCEPTED, NOT_APPLICABLE)


@dataclass(frozen=True)
class Decision:
    """What a reviewer said of a finding: agreed, accepted as it is, or not applicable. time : ISO 8601, UTC."""

    finding: str
    state: str
    reason: str = ""
    author: str = ""
    time: str = ""

    @property
    def set_aside(self) -> bool:
        """True where nothing is to be changed for this finding."""
        return self.state != AGREED


@dataclass(frozen=True)
class Comment:
    """A remark without a decision on a finding, or on a cause. subject : its id;  time : ISO 8601, UTC."""

    subject: str
    text: str
    author: str = ""
    time: str = ""
    on_cause: bool = False


@dataclass(frozen=True)
class Cause:
    """Findings that share one design choice, worst first.

    excess_after_db : worst excess that the change leaves of them or newly makes; None where it was not worked out
    solved, notes : as in a Remedy
    sum_db : excess of its findings over their allowances, added
    cured_by : id of the worse cause whose change, solved, brings all findings of this one under their allowance
    supposed : all its findings hang on what nothing in the data says, see `CauseHint`
    tried : where changes were tried and none is left to propose, why: HELPS_NOT or CANNOT; else ""
    """

    id: str
    title: str
    findings: tuple[str, ...]
    change: Proposal | None
    excess_before_db: float
    excess_after_db: float | None
    solved: str = "estimate"
    notes: tuple[str, ...] = ()
    sum_db: float = 0.0
    cured_by: str = ""
    supposed: bool = False
    tried: str = ""

    @property
    def standing(self) -> str:
        """What it counts for: MAIN; WITH_ANOTHER where a worse cause's change cures it as well; SMALLER where all of it
        together exceeds by less than one place to change; WITHIN where nothing of it is over its allowance."""
        if self.excess_before_db < 0:
            return WITHIN
        if self.cured_by:
            return WITH_ANOTHER
        return MAIN if grade(self.sum_db) == CHANGE_IT else SMALLER


@dataclass(frozen=True)
class Step:
    """One change of a plan, the causes (ids) that it is made for, and its notes.

    follow_up : proposed by the review of the board with the steps before it, which it needs
    """

    change: Proposal
    causes: tuple[str, ...]
    notes: tuple[str, ...] = ()
    follow_up: bool = False


@dataclass(frozen=True)
class Plan:
    """Few changes that together bring as much as can be under its allowance; the board with all of them was reviewed.

    over_before, over_after : how many findings lie at or over their allowance
    worst_after_db : worst excess left, None where no finding is left
    left : the titles of findings still over their allowance, worst first;  new : those of them that the changes made
    notes : one sentence for each change that was chosen and could not be made with the others
    """

    steps: tuple[Step, ...]
    over_before: int
    over_after: int
    worst_before_db: float
    worst_after_db: float | None
    left: tuple[str, ...] = ()
    new: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Question:
    """What the review could not know, and what another answer would change.

    at : place, m, None for none;  assumed : what was taken instead;  answer : the other one that was tried
    key : where the settings file takes the answer; "" where only the layout's data can
    changes : (title, excess as assumed, excess with the answer), dB, None where there is no such finding, largest first
    crossing : findings that get over or under their allowance;  swing_db : sum of the changes over the allowances
    """

    text: str
    at: tuple[float, float] | None
    assumed: str
    answer: str
    key: str
    changes: tuple[tuple[str, float | None, float | None], ...] = ()
    crossing: int = 0
    swing_db: float = 0.0


@dataclass(frozen=True)
class DrawnLayer:
    """One copper layer as it is drawn. Rings and lines are (n, 2) arrays in millimetres.

    areas : a list of polygons, each a list of rings (outer first); traces : (points, width in mm); pads : polygons
    nets of each, as indices into Drawing.nets
    """

    name: str
    areas: list[list[NDArray[np.float64]]]
    area_nets: list[int]
    traces: list[NDArray[np.float64]]
    trace_widths: list[float]
    trace_nets: list[int]
    pads: list[list[NDArray[np.float64]]]
    pad_nets: list[int]


@dataclass(frozen=True)
class Stretch:
    """A piece of a net's way: 'trace', 'via' or 'area', on one layer (of a hole the one it is left on) with one
    reference. reference : its net, '' for none, and reference_layer, -1 for none; lines : where it lies, mm."""

    kind: str
    layer: int
    length_mm: float
    z_ohm: float | None
    reference: str
    reference_layer: int
    lines: tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True)
class Way:
    """A net's way from one pin to another, in the order of travel."""

    start: str
    end: str
    length_mm: float
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True)
class Drawing:
    """What a page needs to draw the board, millimetres. holes : (n, 3) x, y, diameter. parts : (ref, x, y, side).

    walks : the ways of signal nets, by name
    """

    outline: list[list[NDArray[np.float64]]]
    layers: list[DrawnLayer]
    holes: NDArray[np.float64]
    parts: list[tuple[str, float, float, int]]
    nets: list[str]
    walks: Mapping[str, tuple[Way, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Matched:
    """The same finding in two revisions: excess before and after, dB; None where that revision does not have it."""

    id: str
    check: str
    title: str
    before_db: float | None
    after_db: float | None
    decision: Decision | None = None

    @property
    def state(self) -> str:
        """'cured' (gone, or under its allowance now), 'new', 'better' or 'worse' by over 1 dB, else 'remaining'."""
        if self.before_db is None:
            return "new"
        if self.after_db is None or self.after_db < 0 <= self.before_db:
            return "cured"
        if abs(self.after_db - self.before_db) <= 1.0:
            return "remaining"
        return "better" if self.after_db < self.before_db else "worse"

    @property
    def shown(self) -> bool:
        """False for what passes in both revisions."""
        return any(db is not None and grade(db) != PASSES for db in (self.before_db, self.after_db))


@dataclass(frozen=True)
class Comparison:
    """Two revisions of a board: findings matched by meaning and place, causes of the old one with what is left.

    places : how many findings each cause has in the revision that it is told of, by its id
    board : what differs in the data, as plain data (lengths in mm, areas in mm²);  board_changes : one sentence each
    """

    old_name: str
    new_name: str
    findings: tuple[Matched, ...]
    causes: tuple[Matched, ...]
    board_changes: tuple[str, ...]
    places: Mapping[str, int]
    board: Mapping[str, Any]


@dataclass(frozen=True)
class Result:
    """A whole review. board, settings, lines, plane_pairs, stackup are plain data as the JSON contract has them.

    findings : graded ones, worst first;  passing : what was priced and lies below the lowest grade (for comparisons)
    decisions : by the id of the finding, those of earlier revisions included;  comments : likewise, oldest first
    plan : None where nothing was proven, or nothing can be
    questions : for the designer, the most telling first; none where nothing was proven
    """

    board: Mapping[str, Any]
    settings: Mapping[str, Any]
    assumptions: tuple[AssumptionNote, ...]
    causes: tuple[Cause, ...]
    findings: tuple[Finding, ...]
    coverage: tuple[Coverage, ...]
    not_checked: tuple[NotChecked, ...]
    unread: tuple[Mapping[str, Any], ...]
    problems: tuple[str, ...]
    lines: tuple[Mapping[str, Any], ...]
    plane_pairs: tuple[Mapping[str, Any], ...]
    stackup: Mapping[str, Any]
    checks: Mapping[str, Mapping[str, str]]  # name -> question, mechanism, allowance text
    drawing: Drawing
    passing: tuple[Finding, ...] = ()
    decisions: Mapping[str, Decision] = field(default_factory=dict)
    comments: tuple[Comment, ...] = ()
    plan: Plan | None = None
    emission: Mapping[str, Any] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()


def discs(shapes: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Which polygons are discs, drawn with corners or not: an octagon is none, 24 sides are."""
    area, rim = shapely.area(shapes), shapely.length(shapes)
    return np.asarray((area > 0) & (4 * np.pi * area >= ROUND * rim**2))
