"""The picture of the letter's first page: one layer of the board and where each of the worst causes shows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from quietcopper.report.pictures import Mark, dot_svg, scale_bar
from quietcopper.report.safe import Markup
from quietcopper.report.svg import UNITS_PER_MM, BoardShapes, Box, Floats, dots, path, shape_paths, units

WIDTH_PX = 640
MARGIN_PX = 12.0
BAR_PX = 24.0  # room for the scale
DISC_PX = 10.0  # radius of a cause's number
APART_PX = 2 * DISC_PX + 3  # between the middles of two of them
MOST_SHAPES = 30_000  # of traces and pads; where there are more, areas alone are drawn
STEPS = 60  # of moving discs apart


def moved_apart(points: Floats, low: Floats, high: Floats) -> Floats:
    """Points (n, 2) pushed to APART_PX from each other inside a window, near to their own places; for a handful."""
    moved = np.clip(np.asarray(points, dtype=np.float64), low, high)
    for _ in range(STEPS):
        crowded = False
        for i in range(len(moved)):
            for k in range(i):
                step = moved[i] - moved[k]
                distance = math.hypot(*step)
                if distance >= APART_PX - 1e-6:
                    continue
                crowded = True
                # two on one spot part in a direction given by their order
                way = step / distance if distance > 1e-9 else np.array([math.cos(i), math.sin(i)])
                moved[i] += way * (APART_PX - distance) / 2
                moved[k] -= way * (APART_PX - distance) / 2
        moved = np.clip(moved, low, high)
        if not crowded:
            break
    return moved


def _discs(
    document: Mapping[str, Any], marks: Sequence[Mark], causes: Sequence[int], box: Box, px_per_mm: float
) -> list[Markup]:
    """Dots at the places of causes (rows of the document's list), and a numbered disc near the worst of each."""
    placed = {f["id"]: mark for f, mark in zip(document["findings"], marks, strict=True)}
    still = f"scale({UNITS_PER_MM / px_per_mm:.4g})"
    places = [[placed[i] for i in document["causes"][c]["findings"]] for c in causes]
    out = [dot_svg(mark, still) for group in reversed(places) for mark in reversed(group)]
    worst = [group[0] for group in places]
    at = np.array([mark.at for mark in worst]).reshape(-1, 2) * px_per_mm
    room = np.array([[box.x0, box.y0], [box.x1, box.y1]]) * px_per_mm
    moved = moved_apart(at, room[0] + DISC_PX, room[1] - DISC_PX)
    for (x, y), own, cause, mark in reversed(list(zip(moved, at, causes, worst, strict=True))):
        place = np.array([x, y]) / px_per_mm
        if math.hypot(*(own - (x, y))) > DISC_PX:
            out.append(Markup('<path class="tether" d="{}"/>').format(path([[own / px_per_mm, place]])))
        ux, uy = units([place])[0].tolist()
        out.append(
            Markup(
                '<g class="x{}" transform="translate({} {}) {}"><circle class="disc" r="{}"/>'
                '<text class="disc-number">{}</text></g>'
            ).format(mark.level, ux, uy, still, DISC_PX, cause + 1)
        )
    return out


def overview_svg(
    document: Mapping[str, Any], marks: Sequence[Mark], shapes: BoardShapes, layer: int, causes: Sequence[int]
) -> Markup:
    """One layer over its hatched reference; discs with the numbers of causes, dots at all their places."""
    whole = shapes.box
    px = (WIDTH_PX - 2 * MARGIN_PX) / max(whole.width, whole.height)
    box = whole.grown(MARGIN_PX / px)
    box = Box(box.x0, box.y0 - BAR_PX / px, box.x1, box.y1)  # the scale stands under the board
    drawn = shapes.layers[layer]
    under = shapes.reference_of(layer, document["stackup"])
    sag = 0.3 / px
    reference = Markup("")
    if under is not None:
        reference = Markup('<path class="under" d="{}"/>').format(shape_paths(shapes.layers[under].areas, sag))
    traces, pads = drawn.everything
    holes = np.asarray(shapes.drawing.holes, dtype=np.float64).reshape(-1, 3)
    copper = drawn.copper(traces, pads) if len(traces) + len(pads) <= MOST_SHAPES else Markup("")
    return Markup(
        '<svg class="board" viewBox="{view}" width="{w:.0f}" height="{h:.0f}">'
        '<path class="laminate" d="{outline}"/>{reference}<path class="area" d="{areas}"/>{copper}{holes}'
        '<path class="edge" d="{outline}"/>{discs}{bar}</svg>'
    ).format(
        view=box.view,
        w=box.width * px,
        h=box.height * px,
        outline=shapes.outline,
        reference=reference,
        areas=shape_paths(drawn.areas, sag),
        copper=copper,
        holes=Markup("").join(dots(holes[:, :2], holes[:, 2], "hole")) if len(holes) <= MOST_SHAPES else "",
        discs=Markup("").join(_discs(document, marks, causes, box, px)),
        bar=scale_bar(box, px),
    )
