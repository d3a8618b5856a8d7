"""Pictures of the board: the large one that follows the reading, and close-ups that stand in the text and on paper."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup
from numpy.typing import NDArray

from quietcopper.report.svg import (
    UNITS_PER_MM,
    BoardShapes,
    Box,
    dots,
    geometry_box,
    geometry_path,
    joined,
    path,
    scale_bar_mm,
    shape_paths,
    units,
)

MARGIN = 0.04  # of the board's larger side, around the large picture
CLOSE_UP_PX = (460, 300)
CLOSE_UP_MIN_MM = (14.0, 9.0)  # a place is shown with its surroundings
CLOSE_UP_SHAPES = 4000  # a close-up of more than this many objects is left out; the large picture shows the place
NET_SHAPES = 2500  # nets of more pieces than this (planes and pours) are not drawn once more to be highlighted
CROWD_PX, CROWD_NAMED = 20.0, 3  # marks nearer than this share a label; up to so many are named in it
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
    anchor: str
    shape: str
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


def marks(document: Mapping[str, Any], shapes: BoardShapes, anchors: Mapping[str, str]) -> list[Mark]:
    """The findings as marks, numbered from 1 in the order of the document."""
    return [
        Mark(
            number=number,
            at=(finding["at_mm"][0], finding["at_mm"][1]),
            layers=tuple(shapes.layer_index[name] for name in finding["layers"] if name in shapes.layer_index),
            level=excess_level(finding["excess_db"]),
            label=finding["title"],
            anchor=anchors[finding["id"]],
            shape=geometry_path(finding["shape"]),
            overlay=_reach(finding["evidence"]),
        )
        for number, finding in enumerate(document["findings"], start=1)
    ]


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


def _mark_svg(mark: Mark, text: str, scale: str) -> Markup:
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
        scale=Markup(scale),
        label=mark.label,
        text=text,
    )


def _scale_bar(box: Box, px_per_mm: float) -> Markup:
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
    highlight: Mapping[str, int],
    cut_y: float,
) -> Markup:
    """The large picture: every layer (the style sheet shows the picked one), its reference hatched, all marks.

    highlight : nets to be emphasised when a place is chosen, with the number that their group carries
    cut_y : where the stackup beside it is cut, mm
    """
    whole = shapes.box
    box = whole.grown(MARGIN * max(whole.width, whole.height))
    px = box.width * UNITS_PER_MM / BOARD_PX
    defs, layers = [], []
    for i, layer in enumerate(shapes.layers):
        defs.append(Markup('<path id="areas-{}" d="{}"/>').format(i, shape_paths(layer.areas)))
        under = shapes.reference_of(i, document["stackup"])
        reference = Markup("") if under is None else Markup('<use href="#areas-{}" class="under"/>').format(under)
        layers.append(
            Markup('<g class="layer layer-{0}">{1}<use href="#areas-{0}" class="area"/>{2}{3}</g>').format(
                i, reference, layer.copper(), _net_groups(shapes, i, highlight)
            )
        )
    holes = np.asarray(shapes.drawing.holes, dtype=np.float64).reshape(-1, 3)
    labels = crowd_labels(places, BOARD_PX / box.width)
    parts = [
        Markup(
            '<text class="part s{}" transform="translate({} {})"><tspan class="still-text">{}</tspan></text>'
        ).format(side, *units([(x, y)])[0].tolist(), ref)
        for ref, x, y, side in shapes.drawing.parts
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
        found=Markup("").join(_shape_svg(mark) for mark in places),
        marks=Markup("").join(_mark_svg(mark, labels[mark.number], "") for mark in reversed(places)),
        cut=path([[(box.x0, cut_y), (whole.x0, cut_y)], [(whole.x1, cut_y), (box.x1, cut_y)]]),
        bar=_scale_bar(box, BOARD_PX / box.width),
    )


def _shape_svg(mark: Mark, *, overlay: bool = True) -> Markup:
    """What a chosen place shows: its shape and the ways drawn by its evidence."""
    ways = mark.overlay if overlay else Markup("")
    if not mark.shape and not ways:
        return Markup("")
    shape = Markup('<path class="found" d="{}"/>').format(mark.shape) if mark.shape else Markup("")
    return Markup('<g class="x{}" data-shape="{}">{}{}</g>').format(mark.level, mark.number, shape, ways)


def _net_groups(shapes: BoardShapes, layer: int, highlight: Mapping[str, int]) -> Markup:
    out = []
    for name, number in highlight.items():
        net = shapes.net_index.get(name)
        if net is None:
            continue
        rows = shapes.layers[layer].rows_of_net(net)
        if 0 < sum(map(len, rows)) <= NET_SHAPES:
            out.append(
                Markup('<g class="net" data-net="{}">{}</g>').format(
                    number, shapes.layers[layer].copper(chosen=rows, css=" chosen")
                )
            )
    return Markup("").join(out)


def _inside(bounds: NDArray[np.float64], box: Box) -> NDArray[np.intp]:
    """Rows whose box meets the window."""
    with np.errstate(invalid="ignore"):
        meets = (bounds[:, 0] < box.x1) & (bounds[:, 2] > box.x0) & (bounds[:, 1] < box.y1) & (bounds[:, 3] > box.y0)
    return np.flatnonzero(meets)


def _clipped(areas: NDArray[np.object_], box: Box, sag: float) -> str:
    cut = shapely.clip_by_rect(areas, box.x0, box.y0, box.x1, box.y1)
    return shape_paths(cut[~shapely.is_missing(cut)], sag)


def close_up(
    document: Mapping[str, Any],
    shapes: BoardShapes,
    places: Sequence[Mark],
    findings: Sequence[Mapping[str, Any]],
    *,
    layer: int,
    aspect: float = CLOSE_UP_PX[0] / CLOSE_UP_PX[1],
) -> Markup:
    """Picture of the surroundings of some findings on one layer, with their marks; empty where it would be too full."""
    near = joined([place_box(f) for f in findings])
    box = near.grown(0.15 * max(near.width, near.height) + 1.0).at_least(*CLOSE_UP_MIN_MM).shaped(aspect)
    drawn = shapes.layers[layer]
    area_bounds, trace_bounds, pad_bounds = drawn.bounds
    rows = (_inside(area_bounds, box), _inside(trace_bounds, box), _inside(pad_bounds, box))
    if sum(map(len, rows)) > CLOSE_UP_SHAPES:
        return Markup("")
    pixels = CLOSE_UP_PX[0] / box.width
    sag = 0.4 / pixels
    under = shapes.reference_of(layer, document["stackup"])
    reference = Markup("")
    if under is not None:
        below = shapes.layers[under]
        reference = Markup('<path class="under" d="{}"/>').format(
            _clipped(below.areas[_inside(below.bounds[0], box)], box, sag)
        )
    nets = sorted({n for f in findings for n in f["nets"]})
    chosen = []
    for name in nets:
        net = shapes.net_index.get(name)
        if net is None:
            continue
        mine = tuple(np.intersect1d(a, b) for a, b in zip(drawn.rows_of_net(net), rows, strict=True))
        chosen.append(drawn.copper(chosen=(mine[0][:0], mine[1], mine[2]), css=" chosen"))
    holes = np.asarray(shapes.drawing.holes, dtype=np.float64).reshape(-1, 3)
    around = np.stack([holes[:, 0], holes[:, 1], holes[:, 0], holes[:, 1]], -1)
    holes = holes[_inside(around, box)]
    label_parts = {ref for f in findings for ref in f["parts"]}
    grow = f"scale({UNITS_PER_MM / pixels:.4g})"
    parts = [
        Markup('<text class="part" transform="translate({} {}) {}">{}</text>').format(
            *units([(x, y)])[0].tolist(), Markup(grow), ref
        )
        for ref, x, y, _side in shapes.drawing.parts
        if ref in label_parts and box.x0 < x < box.x1 and box.y0 < y < box.y1
    ]
    still = f' transform="{grow}"'
    copper = drawn.copper(chosen=(rows[0][:0], rows[1], rows[2]))
    numbers = {f["number"] for f in findings}
    shown = [p for p in places if p.number in numbers]
    labels = crowd_labels(shown, pixels)
    return Markup(
        '<svg class="board close-up" viewBox="{view}" width="{w}" height="{h}" role="img" aria-label="{label}">'
        '<path class="laminate" d="{outline}"/>{reference}<path class="area" d="{areas}"/>{copper}{chosen}'
        '<g class="holes">{holes}</g><path class="edge" d="{outline}"/>{parts}{found}{marks}{bar}</svg>'
    ).format(
        view=box.view,
        w=CLOSE_UP_PX[0],
        h=round(CLOSE_UP_PX[0] / aspect),
        label="Close-up: " + "; ".join(f["title"] for f in findings[:3]),
        outline=shapes.outline,
        reference=reference,
        areas=_clipped(drawn.areas[rows[0]], box, sag),
        copper=copper,
        chosen=Markup("").join(chosen),
        holes=Markup("").join(dots(holes[:, :2], holes[:, 2], "hole")),
        parts=Markup("").join(parts),
        found=Markup("").join(_shape_svg(mark, overlay=len(shown) == 1) for mark in shown),
        marks=Markup("").join(_mark_svg(mark, labels[mark.number], still) for mark in reversed(shown)),
        bar=_scale_bar(box, pixels),
    )
