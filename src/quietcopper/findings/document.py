"""The result as a JSON document (`findings.json`), format quietcopper-review/1.

`schema/review-1.schema.json` is the contract, with every key described; `to_document` is where SI ends: lengths are
millimetres and the key or the unit beside a number says so. Layers, nets and parts are named as in the file. A figure
that JSON cannot carry (the excess of a predicted zero is minus infinity) is null.

The plain tables of a Result (`board`, `stackup`, `lines`, `plane_pairs`) arrive with the keys of the schema and are
only rounded here. The same result gives the same bytes: keys stand in a fixed order and numbers have six digits.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from importlib.resources import files
from itertools import chain, islice
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from quietcopper.files import write_whole
from quietcopper.findings.model import (
    Cause,
    Comment,
    Comparison,
    Decision,
    Finding,
    Matched,
    Plan,
    Proposal,
    Question,
    Result,
)
from quietcopper.units import MM

FORMAT = "quietcopper-review/1"
COMPARISON_FORMAT = "quietcopper-comparison/1"
STATES = ("cured", "better", "remaining", "worse", "new")
DECIBEL_DECIMALS = 4
MOST_CHANGES = 12  # of what an answer changes
DIGITS = 6  # significant; lengths up to a metre keep their micrometres
FEW = 24  # figures that are rounded one by one
BESIDE_HALF = 1e-6  # of the last digit; what lies nearer to the middle of two figures is rounded by itself
_POWERS = np.array([float(f"1e{n}") for n in range(23)])  # those that a float holds exactly
GRID_DECIMALS = 4  # of coordinates in mm: 0.1 µm, below what any board is made to
SHAPE_SAG = 1e-6  # m; marked shapes lose the points of flattened arcs that are closer to their chords than this
_BORDER_UNITS = {"m": ("mm", 1e3), "m2": ("mm2", 1e6)}  # unit inside -> unit and factor in the document


def rounded(value: float) -> float | int | None:
    """Six significant digits; whole numbers as int, infinities and nan as None."""
    value = float(value)
    if not math.isfinite(value):
        return None
    short = float(f"{value:.{DIGITS}g}")
    return int(short) if short.is_integer() and abs(short) < 2**53 else short


def rounded_all(values: Sequence[float]) -> list[float | int | None]:
    """As `rounded`, of each."""
    if len(values) < FEW:
        return [rounded(value) for value in values]
    given = np.array(values)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        digits = np.where(given != 0, DIGITS - 1 - np.floor(np.log10(np.abs(given))), 0.0)
        plainly = np.abs(digits) < len(_POWERS)
        shift = np.where(plainly, digits, 0.0).astype(np.intp)
        power = _POWERS[np.abs(shift)]
        scaled = np.where(shift >= 0, given * power, given / power)
        # a whole number and a power of ten that are exact give what is nearest to the decimal figure
        short = np.where(shift >= 0, np.rint(scaled) / power, np.rint(scaled) * power)
        plainly &= np.abs(scaled - np.floor(scaled) - 0.5) > BESIDE_HALF
    out: list[float | int | None] = short.tolist()
    for i in np.flatnonzero(plainly & (short == np.floor(short)) & (np.abs(short) < 2**53)).tolist():
        out[i] = int(short[i])
    for i in np.flatnonzero(~plainly).tolist():
        out[i] = rounded(values[i])
    return out


def decibels(value: float | None) -> float | int | None:
    """An excess: four decimals, so that what is zero but for rounding is zero; None where there is none."""
    if value is None or not math.isfinite(float(value)):
        return None
    short = round(float(value), DECIBEL_DECIMALS) + 0.0
    return int(short) if short.is_integer() else short


def _finite(value: float, what: str) -> float | int:
    short = rounded(value)
    if short is None:
        raise ValueError(f"{what} is {value}, a finite number was expected")
    return short


def plain(value: Any) -> Any:
    """Any evidence or table as JSON types: numbers rounded, numpy and tuples as lists, order of keys kept.

    Raises TypeError for objects that are no plain data.
    """
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return rounded(float(value))
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, Sequence):
        kinds = set(map(type, value))
        if kinds == {float}:
            return rounded_all(value)
        if kinds == {list} and set(map(type, chain.from_iterable(value))) == {float}:
            figures = iter(rounded_all(list(chain.from_iterable(value))))
            return [list(islice(figures, len(item))) for item in value]
        return [plain(item) for item in value]
    raise TypeError(f"plain data expected, found {type(value).__name__}")


def _coordinate_mm(value: float) -> float | int:
    """Metres as millimetres on the 0.1 µm grid."""
    short = round(float(value) / MM, GRID_DECIMALS) + 0.0  # + 0.0: no minus zero
    if not math.isfinite(short):
        raise ValueError(f"a coordinate is {value}, a finite number was expected")
    return int(short) if short.is_integer() else short


def shape_mm(shape: BaseGeometry | None) -> dict[str, Any] | None:
    """A shape in metres as a GeoJSON-like geometry in millimetres, None for none or an empty one."""
    if shape is None or shape.is_empty:
        return None

    simple = shapely.simplify(shapely.force_2d(shape), SHAPE_SAG)
    if simple.geom_type == "GeometryCollection":
        return {"type": "GeometryCollection", "geometries": [shape_mm(part) for part in shapely.get_parts(shape)]}
    values = np.round(shapely.get_coordinates(simple) / MM, GRID_DECIMALS) + 0.0  # + 0.0: no minus zero
    if not np.isfinite(values).all():
        raise ValueError("a coordinate of a shape is none; a finite number was expected")
    points = values.tolist()
    for i, axis in np.argwhere(values == np.floor(values)).tolist():
        points[i][axis] = int(points[i][axis])
    return {"type": simple.geom_type, "coordinates": _nested(simple, iter(points))}


def _nested(shape: BaseGeometry, points: Iterator[list[float | int]]) -> list[Any]:
    """The points of a plain geometry, nested as in GeoJSON."""
    if shape.geom_type.startswith("Multi"):
        return [_nested(part, points) for part in shapely.get_parts(shape)]
    if shape.geom_type == "Polygon":
        lengths = shapely.get_num_coordinates(shapely.get_rings(shape)).tolist()
        return [list(islice(points, length)) for length in lengths]
    return next(points) if shape.geom_type == "Point" else list(islice(points, shapely.get_num_coordinates(shape)))


def _change(change: Proposal | None) -> dict[str, Any] | None:
    if change is None:
        return None
    return {"text": change.text, "kind": change.kind, "arguments": plain(change.arguments)}


def _nothing_left(excess_after: float | None) -> bool:
    return excess_after is not None and float(excess_after) == -math.inf


def _border(value: float, unit: str) -> tuple[float | int, str]:
    name, factor = _BORDER_UNITS.get(unit, (unit, 1.0))
    return _finite(value * factor, "a predicted or allowed figure"), name


def decision_record(decision: Decision | None) -> dict[str, str] | None:
    """What was decided of a finding, as it stands in the document; None for nothing."""
    if decision is None:
        return None
    return {
        "state": decision.state,
        "reason": decision.reason,
        "author": decision.author,
        "time": decision.time,
    }


def comment_records(comments: Sequence[Comment], subject: str, *, on_cause: bool) -> list[dict[str, str]]:
    """What was remarked on one finding or cause, as it stands in the document, oldest first."""
    return [
        {"text": c.text, "author": c.author, "time": c.time}
        for c in comments
        if c.subject == subject and c.on_cause == on_cause
    ]


def _finding(
    finding: Finding,
    cause: str | None,
    layers: Sequence[Any],
    decision: Decision | None,
    comments: Sequence[Comment],
) -> dict[str, Any]:
    place = finding.place
    predicted, unit = _border(finding.predicted, finding.allowance.unit)
    allowed, _ = _border(finding.allowance.value, finding.allowance.unit)
    return {
        "id": finding.id,
        "check": finding.check,
        "grade": finding.grade,
        "title": finding.title,
        "message": finding.message,
        "subject": list(finding.subject),
        "layers": [layers[i] for i in place.layers],
        "nets": list(place.nets),
        "parts": list(place.parts),
        "at_mm": [_coordinate_mm(place.at[0]), _coordinate_mm(place.at[1])],
        "shape": shape_mm(place.shape),
        "predicted": predicted,
        "allowed": allowed,
        "unit": unit,
        "excess_db": decibels(finding.excess_db),
        "range_db": None if finding.range_db is None else [decibels(x) for x in finding.range_db],
        "allowance_source": finding.allowance.source,
        "allowance_key": finding.allowance.key,
        "cause": cause,
        "decision": decision_record(decision),
        "comments": comment_records(comments, finding.id, on_cause=False),
        "remedies": [
            {
                "change": _change(remedy.change),
                "excess_after_db": decibels(remedy.excess_after_db),
                "removed": _nothing_left(remedy.excess_after_db),
                "how": remedy.solved,
                "notes": list(remedy.notes),
            }
            for remedy in finding.remedies
        ],
        "evidence": plain(finding.evidence),
    }


def _cause(cause: Cause, comments: Sequence[Comment]) -> dict[str, Any]:
    return {
        "id": cause.id,
        "title": cause.title,
        "findings": list(cause.findings),
        "comments": comment_records(comments, cause.id, on_cause=True),
        "change": _change(cause.change),
        "excess_before_db": decibels(cause.excess_before_db),
        "excess_after_db": decibels(cause.excess_after_db),
        "removed": _nothing_left(cause.excess_after_db),
        "how": cause.solved,
        "notes": list(cause.notes),
        "sum_db": decibels(cause.sum_db),
        "standing": cause.standing,
        "cured_by": cause.cured_by or None,
        "supposed": cause.supposed,
        "tried": cause.tried or None,
    }


def _plan(plan: Plan | None) -> dict[str, Any] | None:
    if plan is None:
        return None
    return {
        "steps": [
            {"change": _change(step.change), "causes": list(step.causes), "notes": list(step.notes)}
            for step in plan.steps
        ],
        "over_before": plan.over_before,
        "over_after": plan.over_after,
        "worst_before_db": decibels(plan.worst_before_db),
        "worst_after_db": decibels(plan.worst_after_db),
        "left": list(plan.left),
        "new": list(plan.new),
        "notes": list(plan.notes),
    }


def _question(question: Question) -> dict[str, Any]:
    return {
        "text": question.text,
        "at_mm": None if question.at is None else [_coordinate_mm(x) for x in question.at],
        "assumed": question.assumed,
        "answer": question.answer,
        "key": question.key,
        "crossing": question.crossing,
        "swing_db": decibels(question.swing_db),
        "changes": [
            {"title": title, "as_assumed_db": decibels(before), "with_answer_db": decibels(after)}
            for title, before, after in question.changes[:MOST_CHANGES]
        ],
        "more_changes": max(0, len(question.changes) - MOST_CHANGES),
    }


def to_document(result: Result) -> dict[str, Any]:
    """The whole review as JSON types, by the schema. Raises ValueError for a finding without finite figures."""
    cause_of = {finding: cause.id for cause in result.causes for finding in cause.findings}
    layers = [layer.name for layer in result.drawing.layers]
    return {
        "format": FORMAT,
        "board": plain(result.board),
        "settings": plain(result.settings),
        "assumptions": [
            {"what": a.what, "value": plain(a.value), "unit": a.unit, "why": a.why, "touches": int(a.touches)}
            for a in result.assumptions
        ],
        "stackup": plain(result.stackup),
        "emission": plain(result.emission) or None,
        "causes": [_cause(c, result.comments) for c in result.causes],
        "plan": _plan(result.plan),
        "questions": [_question(q) for q in result.questions],
        "findings": [
            _finding(f, cause_of.get(f.id), layers, result.decisions.get(f.id), result.comments)
            for f in result.findings
        ],
        "coverage": [
            {"check": c.check, "looked": int(c.looked), "total": int(c.total), "things": c.things}
            for c in result.coverage
        ],
        "not_checked": [
            {"check": n.check, "what": n.what, "why": n.why, "count": int(n.count)} for n in result.not_checked
        ],
        "unread": plain(result.unread),
        "problems": list(result.problems),
        "lines": plain(result.lines),
        "plane_pairs": plain(result.plane_pairs),
        "checks": plain(result.checks),
    }


@cache
def schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of the document."""
    text = files("quietcopper.findings").joinpath("schema/review-1.schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def dumps(document: Mapping[str, Any]) -> str:
    """The document as text: one line an entry of each list, so that two reviews can be compared line by line."""

    def compact(value: Any) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))

    sections = []
    for key, value in document.items():
        if isinstance(value, list) and value:
            body = "[\n  " + ",\n  ".join(compact(item) for item in value) + "\n ]"
        else:
            body = compact(value)
        sections.append(f" {compact(key)}: {body}")
    return "{\n" + ",\n".join(sections) + "\n}\n"


def write_document(document: Mapping[str, Any], path: Path | str) -> None:
    """Write `findings.json`. The same result gives the same bytes on every machine."""
    # A half surrogate in a name from a file has no UTF-8; its \\u escape is valid JSON.
    write_whole(path, dumps(document).encode("utf-8", errors="backslashreplace"))


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """`compare.json` (quietcopper-comparison/1); what passes in both is left out."""

    def row(match: Matched) -> dict[str, Any]:
        return {
            "id": match.id,
            "check": match.check,
            "title": match.title,
            "state": match.state,
            "before_db": None if match.before_db is None else rounded(match.before_db),
            "after_db": None if match.after_db is None else rounded(match.after_db),
            "decision": decision_record(match.decision),
        }

    shown = [m for m in comparison.findings if m.shown]
    return {
        "format": COMPARISON_FORMAT,
        "old": comparison.old_name,
        "new": comparison.new_name,
        "counts": {state: sum(m.state == state for m in shown) for state in STATES},
        "causes": [row(m) for m in comparison.causes if m.shown],
        "findings": [row(m) for m in shown],
        "board_changes": list(comparison.board_changes),
        "board": plain(comparison.board),
    }


def write_comparison(comparison: Comparison, path: Path | str) -> None:
    """Write `compare.json`."""
    write_whole(path, dumps(comparison_document(comparison)).encode("utf-8", errors="backslashreplace"))
