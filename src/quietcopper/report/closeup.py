"""Close-ups of the board that stand in the text and on paper: one place or the places of one cause, on one layer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.report.pictures import (
    Mark,
    crowd_labels,
    dot_svg,
    label_spots,
    label_svg,
    mark_svg,
    place_box,
    scale_bar,
    shape_svg,
)
from quietcopper.report.safe import Markup
from quietcopper.report.svg import UNITS_PER_MM, BoardShapes, Box, dots, joined, shape_paths, units

SIZE_PX = (460, 300)
BESIDE = 0.04  # of the window's width, that may show beside the board
LEAST_MM = (14.0, 9.0)  # a place is shown with its surroundings
MOST_SHAPES = (
    1200  # where more traces, pads or holes than this would show, only those of the places' own nets are drawn
)
MOST_RINGS = 14  # of the worst places; further ones are dots
FINEST_PX = 0.4  # detail below this is left out


def _inside(bounds: NDArray[np.float64], box: Box) -> NDArray[np.intp]:
    """Rows whose box meets the window."""
    with np.errstate(invalid="ignore"):
        meets = (bounds[:, 0] < box.x1) & (bounds[:, 2] > box.x0) & (bounds[:, 1] < box.y1) & (bounds[:, 3] > box.y0)
    return np.flatnonzero(meets)


def _clipped(areas: NDArray[np.object_], box: Box, sag: float) -> str:
    """Path data of the parts of areas inside the window; a rim beyond it hides the cut edges."""
    rim = box.grown(0.1 * box.width)
    cut = shapely.clip_by_rect(areas, rim.x0, rim.y0, rim.x1, rim.y1)
    return shape_paths(cut[shapely.area(cut) > sag**2], sag)


def window(findings: Sequence[Mapping[str, Any]], board: Box) -> Box:
    """The window that shows all of the findings with their surroundings, and no more beside the board than it must."""
    near = joined([place_box(f) for f in findings])
    roomy = near.grown(0.15 * max(near.width, near.height) + 1.0)
    shaped = roomy.at_least(*LEAST_MM).shaped(SIZE_PX[0] / SIZE_PX[1])
    kept = shaped.kept_on(board.grown(BESIDE * shaped.width))
    return kept if _holds(kept, near) else shaped


def _holds(box: Box, inner: Box) -> bool:
    return box.x0 <= inner.x0 and inner.x1 <= box.x1 and box.y0 <= inner.y0 and inner.y1 <= box.y1


def _own_copper(shapes: BoardShapes, layer: int, findings: Sequence[Mapping[str, Any]], box: Box) -> Markup:
    """Traces and pads of the findings' nets in the window, nets of very many pieces left out."""
    drawn = shapes.layers[layer]
    _, trace_bounds, pad_bounds = drawn.bounds
    near = (_inside(trace_bounds, box), _inside(pad_bounds, box))
    out = []
    for name in sorted({n for f in findings for n in f["nets"]}):
        if name not in shapes.net_index:
            continue
        rows = drawn.rows_of_net(shapes.net_index[name])
        traces, pads = (np.intersect1d(mine, here) for mine, here in zip(rows, near, strict=True))
        if len(traces) + len(pads) <= MOST_SHAPES:
            out.append(drawn.copper(traces, pads, css=" chosen"))
    return Markup("").join(out)


def _holes(shapes: BoardShapes, box: Box) -> Markup:
    holes = np.asarray(shapes.drawing.holes, dtype=np.float64).reshape(-1, 3)
    near = _inside(holes[:, [0, 1, 0, 1]], box)
    if len(near) > MOST_SHAPES:
        return Markup("")
    return Markup("").join(dots(holes[near, :2], holes[near, 2], "hole"))


def close_up(
    document: Mapping[str, Any],
    shapes: BoardShapes,
    places: Sequence[Mark],
    findings: Sequence[Mapping[str, Any]],
    layer: int,
) -> Markup:
    """Picture of the surroundings of some findings on one layer, with their marks and the reference hatched."""
    box = window(findings, shapes.box)
    pixels = SIZE_PX[0] / box.width
    sag = FINEST_PX / pixels
    drawn = shapes.layers[layer]
    area_bounds, trace_bounds, pad_bounds = drawn.bounds
    traces, pads = _inside(trace_bounds, box), _inside(pad_bounds, box)
    under = shapes.reference_of(layer, document["stackup"])
    reference = Markup("")
    if under is not None:
        below = shapes.layers[under]
        hatched = _clipped(below.areas[_inside(below.bounds[0], box)], box, sag)
        reference = Markup('<path class="under" d="{}"/>').format(hatched)
    still = f"scale({UNITS_PER_MM / pixels:.4g})"
    named = {ref for f in findings for ref in f["parts"]}
    parts = [
        Markup('<text class="part" transform="translate({} {}) {}">{}</text>').format(
            *units([(x, y)])[0].tolist(), still, ref
        )
        for ref, x, y, _side in shapes.drawing.parts
        if ref in named and box.x0 < x < box.x1 and box.y0 < y < box.y1
    ]
    shown = [places[n - 1] for n in sorted(f["number"] for f in findings)]
    ringed, dotted = shown[:MOST_RINGS], shown[MOST_RINGS:]
    labels = crowd_labels(ringed, pixels)
    spots = label_spots(ringed, labels, box, pixels)
    return Markup(
        '<svg class="board close-up" viewBox="{view}" width="{w}" height="{h}" role="img" aria-label="{label}">'
        '<path class="laminate" d="{outline}"/>{reference}<path class="area" d="{areas}"/>{copper}{chosen}'
        '<g class="holes">{holes}</g><path class="edge" d="{outline}"/>{parts}{found}{dots}{marks}{labels}{bar}</svg>'
    ).format(
        view=box.view,
        w=SIZE_PX[0],
        h=SIZE_PX[1],
        label="Close-up: " + "; ".join(f["title"] for f in findings[:3]),
        outline=_clipped(shapes.outline_polygons, box, sag),
        reference=reference,
        areas=_clipped(drawn.areas[_inside(area_bounds, box)], box, sag),
        copper=drawn.copper(traces, pads) if len(traces) + len(pads) <= MOST_SHAPES else "",
        chosen=_own_copper(shapes, layer, findings, box),
        holes=_holes(shapes, box),
        parts=Markup("").join(parts),
        found=Markup("").join(shape_svg(mark, overlay=len(shown) == 1) for mark in shown),
        dots=Markup("").join(dot_svg(mark, still) for mark in reversed(dotted)),
        marks=Markup("").join(mark_svg(mark, "", still) for mark in reversed(ringed)),
        labels=Markup("").join(
            label_svg(mark, labels[mark.number], still, spots[mark.number]) for mark in ringed if labels[mark.number]
        ),
        bar=scale_bar(box, pixels),
    )
