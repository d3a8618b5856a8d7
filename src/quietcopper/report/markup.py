"""The places to change, to be laid over the layout: Gerber X2, DXF and CSV on the board's own origin, millimetres.

Every place over its allowance that was not set aside has a ring at its point and its number, as in the letter, beside
the ring, with a thin line between them where rings crowd. Numbers are drawn as strokes, so nothing hangs on a font; no
name from the board's file gets into Gerber or DXF.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from quietcopper.files import write_whole
from quietcopper.findings.model import CHANGE_IT, Drawing
from quietcopper.report import words
from quietcopper.report.dxf import Dxf
from quietcopper.report.outlook import place_outlook, set_aside
from quietcopper.report.strokes import size, strokes
from quietcopper.report.svg import SAG_MM, BoardShapes, Floats
from quietcopper.report.typeset import fixed_time

RING_SHARE, RING_MM = 0.011, (0.5, 2.0)  # radius, of the board's larger side, and its bounds
TEXT_SHARE, TEXT_MM = 0.016, (0.7, 2.5)  # height of numbers
LINE_SHARE, LINE_MM = 0.0016, (0.08, 0.25)  # width of strokes
REACHES = (0.35, 1.2, 2.5, 4.5, 7.5, 12.0, 18.0, 26.0)  # ring radii between a ring and its number, tried in turn
TURNS = tuple(math.radians(a) for a in (45, 135, -45, -135, 0, 180, 90, -90, 22, 158, -22, -158, 68, 112, -68, -112))
_AWAY = np.round([(math.cos(turn), math.sin(turn)) for turn in TURNS], 6)
FAR = 1.6  # ring radii from which a number has a line to its place
INK, GREY = 7, 8  # colours of the DXF layers
UNDONE = "=+-@\t\r"  # a cell that begins with one of these would be run as a formula by a spreadsheet
COLUMNS = (
    "number", "grade", "excess_db", "title", "what", "layers", "nets", "parts", "x_mm", "y_mm", "predicted",
    "allowed", "unit", "proposal", "excess_after_db", "decision", "comments", "check", "id",
)  # fmt: skip


@dataclass(frozen=True)
class Sign:
    """One place as it is marked, mm. layer : number from 1 of the copper layer it is drawn for, 0 for none.

    number_lines : strokes of its number;  lead : from the place to the number, None where that plainly belongs to it
    """

    number: int
    at: tuple[float, float]
    layer: int
    heavy: bool
    number_lines: list[Floats]
    lead: Floats | None


@dataclass(frozen=True)
class Markup:
    """All signs of a review with their common sizes, mm."""

    signs: list[Sign]
    radius: float
    stroke: float


def places_to_change(document: Mapping[str, Any]) -> list[tuple[int, Mapping[str, Any]]]:
    """(number, finding) of the places over their allowance, those left out of which that was decided."""
    return [
        (number, finding)
        for number, finding in enumerate(document["findings"], start=1)
        if words.over(finding["excess_db"]) and not set_aside(finding)
    ]


def _sized(share: float, bounds: tuple[float, float], side: float) -> float:
    return round(min(max(share * side, bounds[0]), bounds[1]), 3)


def _free_spot(at: Floats, extent: Floats, radius: float, taken: Floats) -> Floats:
    """Box (x0, y0, x1, y1) of that extent near a ring where it meets nothing that stands there already."""
    # outward from the ring's rim, and then by what the box itself extends that way
    own = np.sign(_AWAY) * np.abs(_AWAY).clip(0.35) * extent / 2
    farthest = radius * (1 + max(REACHES)) + extent
    taken = taken[((taken[:, :2] < at + farthest) & (taken[:, 2:] > at - farthest)).all(axis=1)]
    for reach in REACHES:
        middle = at + _AWAY * radius * (1 + reach) + own
        boxes = np.concatenate([middle - extent / 2, middle + extent / 2], axis=1)
        x0, y0, x1, y1 = boxes.T[:, :, None]
        apart = (taken[:, 0] >= x1) | (taken[:, 1] >= y1) | (taken[:, 2] <= x0) | (taken[:, 3] <= y0)
        free = np.flatnonzero(apart.all(axis=1))
        if len(free):
            return boxes[free[0]]
    return boxes[-1]


def mark_up(document: Mapping[str, Any], drawing: Drawing) -> Markup:
    """The signs of a review, worst first; no number lies on another or on a ring as far as there is room."""
    board = BoardShapes(drawing).box
    side = max(board.width, board.height)
    radius, height = _sized(RING_SHARE, RING_MM, side), _sized(TEXT_SHARE, TEXT_MM, side)
    stroke = _sized(LINE_SHARE, LINE_MM, side)
    layers = {name: i for i, name in reversed(list(enumerate(document["board"]["layers"], start=1)))}
    chosen = places_to_change(document)
    points = np.array([f["at_mm"] for _, f in chosen], dtype=np.float64).reshape(-1, 2)
    taken = np.concatenate([points - radius - stroke, points + radius + stroke], axis=1)
    signs = []
    for (number, finding), at in zip(chosen, points, strict=True):
        text = str(number)
        box = _free_spot(at, np.array(size(text, height)) + 4 * stroke, radius, taken)
        taken = np.vstack([taken, box])
        near = np.clip(at, box[:2], box[2:])
        far = float(np.hypot(*(near - at))) > FAR * radius
        crowded = np.count_nonzero(np.hypot(*(points - at).T) < 2 * radius) > 1
        lead = np.array([at, near]) if far or crowded else None
        signs.append(
            Sign(
                number=number,
                at=(float(at[0]), float(at[1])),
                layer=next((layers[n] for n in finding["layers"] if n in layers), 0),
                heavy=finding["grade"] == CHANGE_IT,
                number_lines=strokes(text, float(box[0]) + 2 * stroke, float(box[1]) + 2 * stroke, height),
                lead=lead,
            )
        )
    return Markup(signs, radius, stroke)


def _lines(sign: Sign) -> list[Floats]:
    return sign.number_lines + ([] if sign.lead is None else [sign.lead])


def gerber(markup: Markup) -> str:
    """A Gerber X2 layer. Places to change have a thick ring, the others a thin one; each object names its place."""
    when = fixed_time()
    reach = max((abs(v) for s in markup.signs for v in s.at), default=0.0) + 1000
    digits = 4 if reach < 9999 else 6  # integer digits; six are the most that the format has

    def nm(value: float) -> int:
        return round(value * 1e6)

    out = [
        "G04 Places to change, numbered as in the letter of the review; the board's own origin*",
        f"%TF.GenerationSoftware,Quiet Copper,Quiet Copper,{version('quietcopper')}*%",
        *([f"%TF.CreationDate,{when.isoformat()}*%"] if when else []),
        "%TF.FileFunction,Other,Places_to_change*%",
        "%TF.FilePolarity,Positive*%",
        f"%FSLAX{digits}6Y{digits}6*%",
        "%MOMM*%",
        "%LPD*%",
        "%TA.AperFunction,Other,Sign*%",
        f"%ADD10C,{markup.stroke:.3f}*%",
        f"%ADD11C,{2 * markup.stroke:.3f}*%",
        "%TD*%",
        "G75*",
        "G01*",
    ]
    if not markup.signs:
        out.append("G04 No place is left to change*")
    for sign in markup.signs:
        x, y, r = nm(sign.at[0]), nm(sign.at[1]), nm(markup.radius)
        out += [f"%TOPlace,{sign.number}*%", "D11*" if sign.heavy else "D10*"]
        out += [f"X{x + r}Y{y}D02*", "G03*", f"X{x + r}Y{y}I{-r}J0D01*", "G01*", "D10*"]
        for line in _lines(sign):
            for i, (px, py) in enumerate(line):
                out.append(f"X{nm(px)}Y{nm(py)}D0{1 if i else 2}*")
    return "\n".join([*out, "%TD*%", "M02*", ""])


def _shape_lines(shape: Mapping[str, Any] | None) -> Iterator[tuple[Floats, bool]]:
    """(points, closed) of the lines of a document's shape, pieces that meet put together, and of its surfaces' outer
    rims: every antipad of a plane would hide the layout."""
    if shape is None:
        return
    kind, coordinates = shape["type"], shape.get("coordinates", [])
    if kind == "GeometryCollection":
        for part in shape["geometries"]:
            yield from _shape_lines(part)
    elif kind in {"LineString", "LinearRing", "MultiLineString"}:
        lines = coordinates if kind == "MultiLineString" else [coordinates]
        pieces = [shapely.linestrings(line) for line in lines if len(line) > 1]
        merged = shapely.line_merge(shapely.multilinestrings(pieces))
        for line in shapely.get_parts(shapely.simplify(merged, SAG_MM)):
            yield shapely.get_coordinates(line), False
    elif kind in {"Polygon", "MultiPolygon"}:
        for outer, *_ in coordinates if kind == "MultiPolygon" else [coordinates]:
            yield shapely.get_coordinates(shapely.simplify(shapely.linearrings(outer), SAG_MM))[:-1], True


def dxf(document: Mapping[str, Any], drawing: Drawing, markup: Markup) -> bytes:
    """A DXF drawing (R2000, mm). Rings, numbers and the marked stretches lie on a layer of their own for each copper
    layer, the board's outline on another, to check that it lies on the layout's."""
    made = Dxf()
    for rings in drawing.outline:
        for ring in rings:
            made.line(ring, made.layer("REVIEW_OUTLINE", GREY), closed=True)
    findings = document["findings"]
    for sign in markup.signs:
        where = f"LAYER_{sign.layer}" if sign.layer else "BOARD"
        layer = made.layer(f"REVIEW_PLACES_{where}", INK)
        made.circle(sign.at, markup.radius, layer, weight=50 if sign.heavy else 25)
        for line in _lines(sign):
            made.line(line, layer)
        for points, closed in _shape_lines(findings[sign.number - 1]["shape"]):
            made.line(points, made.layer(f"REVIEW_SHAPES_{where}", GREY), closed=closed)
    return made.written()


def _cell(value: Any) -> str:
    """A cell that no spreadsheet runs: an apostrophe before what it would take for a formula."""
    if value is None:
        return ""
    if isinstance(value, int | float):
        return f"{value:.10g}"
    text = "; ".join(value) if isinstance(value, list) else str(value)
    text = " ".join(text.split())
    return f"'{text}" if text.startswith(tuple(UNDONE)) else text


def table(document: Mapping[str, Any]) -> bytes:
    """The same places as CSV, UTF-8 with its mark, one row each, lists joined by semicolons."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for number, finding in places_to_change(document):
        outlook = place_outlook(finding)
        decision = finding.get("decision")
        row = {
            **finding,
            "number": number,
            "what": finding["message"],
            "x_mm": finding["at_mm"][0],
            "y_mm": finding["at_mm"][1],
            "proposal": outlook.text if outlook else "",
            "excess_after_db": "nothing left" if outlook and outlook.removed else outlook.after_db if outlook else None,
            "decision": words.decided(decision),
            "comments": [words.commented(c) for c in finding.get("comments", ())],
        }
        writer.writerow([_cell(row[column]) for column in COLUMNS])
    return text.getvalue().encode("utf-8-sig", errors="replace")


def write_markup(document: Mapping[str, Any], drawing: Drawing, folder: Path) -> None:
    """Write places.gbr, places.dxf and places.csv into a folder, made where missing. Same review, same bytes."""
    markup = mark_up(document, drawing)
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / "places.gbr", gerber(markup).encode("ascii"))
    write_whole(folder / "places.dxf", dxf(document, drawing, markup))
    write_whole(folder / "places.csv", table(document))
