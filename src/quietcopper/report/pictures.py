"""The large picture of the board that follows the reading, and the marks that it shares with the close-ups."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from quietcopper.report.copper import owned_copper, owned_shapes
from quietcopper.report.safe import Markup
from quietcopper.report.svg import (
    UNITS_PER_MM,
    BoardShapes,
    Box,
    dots,
    geometry_box,
    geometry_paths,
    joined,
    path,
    scale_bar_mm,
    units,
)

MARGIN = 0.04  # of the board's larger side, around the large picture
CROWD_PX, CROWD_NAMED = 20.0, 3  # marks nearer than this share a label; up to so many are named in it
DIGIT_PX, TEXT_PX = 7.2, 11.0  # of the labels' letters
_LABEL_SPOTS = (  # from a mark's middle to its label, px, the usual one first
    (12.0, -7.0, "start"), (12.0, 16.0, "start"), (-12.0, -7.0, "end"), (-12.0, 16.0, "end"),
    (0.0, -14.0, "middle"), (0.0, 24.0, "middle"), (26.0, -18.0, "start"), (-26.0, -18.0, "end"),
)  # fmt: skip
BOARD_PX = 640  # width that the large picture is expected at, before the page measures it


def excess_level(excess: float | None) -> int:
    """Step of the colour ramp: 0 passes, 1 to −0, 2 from 0 dB, 3 from 3, 4 from 6, 5 from 12 dB."""
    if excess is None or excess < -6:
        return 0
    return 1 + sum(excess >= step for step in (0, 3, 6, 12))


@dataclass(frozen=True)
class Mark:
    """One numbered place on the board. layers : indices, empty where it belongs to the whole board."""

    number: int
    at: tuple[float, float]
    layers: tuple[int, ...]
    level: int
    label: str
    surface: str
    line: str
    overlay: Markup


def _reach(evidence: Mapping[str, Any]) -> Markup:
    """Dimension line of evidence['reach'] and the ways of evidence['return_path'], as classed paths."""
    out = []
    reach = evidence.get("reach")
    if isinstance(reach, dict) and "from_mm" in reach and "to_mm" in reach:
        out.append(Markup('<path class="reach" d="{}"/>').format(path([[reach["from_mm"], reach["to_mm"]]])))
    way = evidence.get("return_path")
    if isinstance(way, dict):
        for key, css in (("opening_mm", "opening"), ("signal_mm", "signal"), ("return_mm", "return")):
            if way.get(key):
                out.append(Markup('<path class="{}" d="{}"/>').format(css, path([way[key]])))
    return Markup("").join(out)


def place_box(finding: Mapping[str, Any]) -> Box:
    """Window around a finding's shape, its point and the ways that its evidence draws."""
    points = [finding["at_mm"]]
    reach, way = finding["evidence"].get("reach"), finding["evidence"].get("return_path")
    if isinstance(reach, dict):
        points += [reach[key] for key in ("from_mm", "to_mm") if key in reach]
    if isinstance(way, dict):
        points += way.get("return_mm", [])
    ways = {"type": "MultiPoint", "coordinates": points}
    return joined([geometry_box(finding["shape"], finding["at_mm"]), geometry_box(ways, finding["at_mm"])])


def marks(document: Mapping[str, Any], shapes: BoardShapes) -> list[Mark]:
    """The findings as marks, numbered from 1 in the order of the document."""
    out = []
    for number, finding in enumerate(document["findings"], start=1):
        surface, line = geometry_paths(finding["shape"])
        mark = Mark(
            number=number,
            at=(finding["at_mm"][0], finding["at_mm"][1]),
            layers=tuple(shapes.layer_index[name] for name in finding["layers"] if name in shapes.layer_index),
            level=excess_level(finding["excess_db"]),
            label=finding["title"],
            surface=surface,
            line=line,
            overlay=_reach(finding["evidence"]),
        )
        out.append(mark)
    return out


def crowd_labels(places: Sequence[Mark], px_per_mm: float) -> dict[int, str]:
    """What is written at each mark so that no two labels lie on each other: a mark within CROWD_PX of a worse one on
    its layer is written there ('1, 2', '1 +5') and has no label of its own."""
    leaders: list[Mark] = []
    joined_to: dict[int, list[int]] = {}
    for mark in places:
        for leader in leaders:
            apart = math.hypot(mark.at[0] - leader.at[0], mark.at[1] - leader.at[1]) * px_per_mm
            if apart < CROWD_PX and (not mark.layers or not leader.layers or set(mark.layers) & set(leader.layers)):
                joined_to[leader.number].append(mark.number)
                break
        else:
            leaders.append(mark)
            joined_to[mark.number] = [mark.number]
    labels = {mark.number: "" for mark in places}
    for number, numbers in joined_to.items():
        few = len(numbers) <= CROWD_NAMED
        labels[number] = ", ".join(map(str, numbers)) if few else f"{number} +{len(numbers) - 1}"
    return labels


def label_spots(
    places: Sequence[Mark], labels: Mapping[int, str], window: Box, px_per_mm: float
) -> dict[int, tuple[float, float, str]]:
    """Where each label stands from its mark, px, and its text-anchor: where it lies on no other label and inside the
    window, and on as few rings as can be."""
    at = {m.number: ((m.at[0] - window.x0) * px_per_mm, (window.y1 - m.at[1]) * px_per_mm) for m in places}
    wide, tall = window.width * px_per_mm, window.height * px_per_mm
    taken: list[tuple[float, float, float, float]] = []
    spots = {}
    for mark in places:
        if not labels[mark.number]:
            continue
        x, y = at[mark.number]
        long = DIGIT_PX * len(labels[mark.number])
        choices = []
        for order, (dx, dy, anchor) in enumerate(_LABEL_SPOTS):
            left = x + dx - {"start": 0.0, "middle": long / 2, "end": long}[anchor]
            box = (left, y + dy - TEXT_PX, left + long, y + dy + 2)
            outside = box[0] < 0 or box[1] < 0 or box[2] > wide or box[3] > tall
            struck = sum(_apart(box, other) < 0 for other in taken)
            rings = sum(_apart(box, (a - 9, b - 9, a + 9, b + 9)) < 0 for n, (a, b) in at.items() if n != mark.number)
            choices.append((struck + outside, rings, order, box, (dx, dy, anchor)))
        best = min(choices)
        taken.append(best[3])
        spots[mark.number] = best[4]
    return spots


def _apart(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> float:
    """Distance of two upright boxes along the axis on which they are further apart; negative where they overlap."""
    return max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3])


def mark_svg(mark: Mark, text: str, scale: str) -> Markup:
    (x, y) = units([mark.at])[0].tolist()
    return Markup(
        '<g class="mark x{level} {layers}{crowded}" data-place="{number}" transform="translate({x} {y})">'
        '<g class="still"{scale}><title>{number}: {label}</title><circle class="halo" r="11"/>'
        '<circle class="ring" r="9"/><text x="12" y="-7">{text}</text></g></g>'
    ).format(
        level=mark.level,
        layers=" ".join(f"l{i}" for i in mark.layers) or "all",
        crowded="" if text else " crowded",
        number=mark.number,
        x=x,
        y=y,
        scale=Markup(' transform="{}"').format(scale) if scale else "",
        label=mark.label,
        text=text,
    )


def dot_svg(mark: Mark, scale: str) -> Markup:
    """A place as a dot without number, where rings would hide each other."""
    (x, y) = units([mark.at])[0].tolist()
    return Markup(
        '<g class="x{}" transform="translate({} {}) {}"><title>{}: {}</title><circle class="dotlet" r="4"/></g>'
    ).format(mark.level, x, y, scale, mark.number, mark.label)


def label_svg(mark: Mark, text: str, scale: str, spot: tuple[float, float, str]) -> Markup:
    """The label of a mark by itself, to lie above all rings. spot : as `label_spots` gives it"""
    (x, y) = units([mark.at])[0].tolist()
    dx, dy, anchor = spot
    return Markup(
        '<g class="mark" transform="translate({} {}) {}"><text x="{:g}" y="{:g}" text-anchor="{}">{}</text></g>'
    ).format(x, y, scale, dx, dy, anchor, text)


def scale_bar(box: Box, px_per_mm: float) -> Markup:
    """A bar of a round length in the lower left corner of a window."""
    length = scale_bar_mm(box.width)
    x, y = units([(box.x0, box.y0)])[0].tolist()
    grow = UNITS_PER_MM / px_per_mm
    text = f"{length:g} mm" if length >= 0.1 else f"{length * 1e3:g} µm"
    return Markup(
        '<g class="scale-bar" transform="translate({x} {y}) scale({grow:.4g})"><rect x="8" y="-27" width="{plate:.0f}"'
        ' height="20" rx="3"/><path d="M14 -13h{px:.1f}m0 -3v6m-{px:.1f} 0v-6"/><text x="{text_x:.1f}" y="-12">{text}'
        "</text></g>"
    ).format(
        x=x,
        y=y,
        grow=grow,
        px=length * px_per_mm,
        plate=length * px_per_mm + 62,
        text_x=length * px_per_mm + 20,
        text=text,
    )


def board_svg(
    document: Mapping[str, Any],
    shapes: BoardShapes,
    places: Sequence[Mark],
    cut_y: float,
) -> Markup:
    """The large picture: every layer (the style sheet shows the picked one), its reference hatched, all marks.

    cut_y : where the stackup beside it is cut, mm
    """
    whole = shapes.box
    box = whole.grown(MARGIN * max(whole.width, whole.height))
    px = box.width * UNITS_PER_MM / BOARD_PX
    defs, layers = [], []
    for i, layer in enumerate(shapes.layers):
        data, owners = owned_shapes(layer.areas, layer.layer.area_nets)
        defs.append(Markup('<path id="areas-{}" data-nets="{}" d="{}"/>').format(i, owners, data))
        under = shapes.reference_of(i, document["stackup"])
        reference = Markup("") if under is None else Markup('<use href="#areas-{}" class="under"/>').format(under)
        layers.append(
            Markup(
                '<g class="layer layer-{0}" data-under="{3}">{1}<use href="#areas-{0}" class="area"/>{2}</g>'
            ).format(i, reference, owned_copper(layer), "" if under is None else under)
        )
    holes = np.asarray(shapes.drawing.holes, dtype=np.float64).reshape(-1, 3)
    labels = crowd_labels(places, BOARD_PX / box.width)
    spots = units([(x, y) for _, x, y, _ in shapes.drawing.parts] or np.zeros((0, 2))).tolist()
    parts = [
        Markup(
            '<text class="part s{}" transform="translate({} {})"><tspan class="still-text">{}</tspan></text>'
        ).format(side, *spot, ref)
        for (ref, _, _, side), spot in zip(shapes.drawing.parts, spots, strict=True)
    ]
    spacing = max(whole.width, whole.height) * UNITS_PER_MM / 110
    return Markup(
        '<svg class="board" id="board" viewBox="{view}" style="--px:{px:.4g}" data-whole="{view}" role="img"'
        ' aria-label="Drawing of the board with the places numbered"><defs>{defs}'
        '<pattern id="hatch" width="{w:.0f}" height="{w:.0f}" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><rect class="hatch-ground" width="{w:.0f}" height="{w:.0f}"/>'
        '<path class="hatch-line" stroke-width="{line:.0f}" d="M0 0V{w:.0f}"/></pattern>'
        '</defs><path class="laminate" d="{outline}"/>{layers}<g class="holes">{holes}</g>'
        '<path class="edge" d="{outline}"/><path class="cut-line" d="{cut}"/><g class="parts">{parts}</g>'
        '<g class="shapes">{found}</g><g class="marks">{marks}</g>{bar}</svg>'
    ).format(
        view=box.view,
        px=px,
        defs=Markup("").join(defs),
        w=spacing,
        line=spacing / 6,
        outline=shapes.outline,
        layers=Markup("").join(layers),
        holes=Markup("").join(dots(holes[:, :2], holes[:, 2], "hole")),
        parts=Markup("").join(parts),
        found=Markup("").join(shape_svg(mark) for mark in places),
        marks=Markup("").join(mark_svg(mark, labels[mark.number], "") for mark in reversed(places)),
        cut=path([[(box.x0, cut_y), (whole.x0, cut_y)], [(whole.x1, cut_y), (box.x1, cut_y)]]),
        bar=scale_bar(box, BOARD_PX / box.width),
    )


def shape_svg(mark: Mark, *, overlay: bool = True) -> Markup:
    """What a chosen place shows: its shape and the ways drawn by its evidence."""
    ways = mark.overlay if overlay else Markup("")
    if not (mark.surface or mark.line or ways):
        return Markup("")
    surface = Markup('<path class="found" d="{}"/>').format(mark.surface) if mark.surface else Markup("")
    line = Markup('<path class="found-line" d="{}"/>').format(mark.line) if mark.line else Markup("")
    return Markup('<g class="x{}" data-shape="{}">{}{}{}</g>').format(mark.level, mark.number, surface, line, ways)
