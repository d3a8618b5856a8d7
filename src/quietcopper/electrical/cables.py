"""Which connectors carry a cable: said in the settings, else assumed."""

from __future__ import annotations

import numpy as np
import shapely

from quietcopper.board import Assumption
from quietcopper.electrical.view import View

NEAR_EDGE = 12e-3  # m; a connector whose nearest pin lies within this of the outline is taken to lead outside


def cabled_connectors(view: View) -> tuple[tuple[str, ...], tuple[Assumption, ...]]:
    """References of connectors that carry a cable, in order, and what was assumed to say so.

    A connector named in the settings is as it says there. Any other connector with two pins or more counts as cabled
    when
    a pin lies near the board's outline (common practice, no source).
    """
    board = view.board
    out, assumed = [], []
    edge = board.outline.boundary
    for part, kind in enumerate(view.part_kinds):
        ref = str(board.parts.ref[part])
        said = view.settings.connectors.get(ref, {})
        if "cable" in said:
            if said["cable"]:
                out.append(ref)
            continue
        if kind.kind != "connector" or kind.pins < 2:
            continue
        mine = np.flatnonzero(board.pins.part == part)
        if edge.is_empty or not len(mine):
            continue
        points = shapely.points(board.pins.x[mine], board.pins.y[mine])
        if float(shapely.distance(points, edge).min()) <= NEAR_EDGE:
            out.append(ref)
            assumed.append(ref)
    notes: tuple[Assumption, ...] = ()
    if assumed:
        names = ", ".join(sorted(assumed)[:8]) + (" …" if len(assumed) > 8 else "")
        notes = (
            Assumption(
                f"connectors that carry a cable: {names}",
                "cable attached",
                "",
                f"connectors within {NEAR_EDGE * 1e3:.0f} mm of the board's edge; settings: connectors.REF.cable",
                len(assumed),
            ),
        )
    return tuple(sorted(out)), notes
