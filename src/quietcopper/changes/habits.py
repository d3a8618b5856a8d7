"""What a board shows of its own making: the size of its vias and how far its areas keep from foreign holes."""

from __future__ import annotations

from collections import Counter
from functools import lru_cache

import numpy as np
import shapely

from quietcopper.board import Board
from quietcopper.board.geometry import edge_pieces
from quietcopper.changes.base import ChangeError
from quietcopper.changes.tables import ViaSize

WIDEST_OPENING = 1e-3  # m; copper further from a hole's pad than this is not kept away by it


def via_size(board: Board, net: int, drill: float | None = None, pad: float | None = None) -> ViaSize:
    """Drill and pad of a new via: as given, else those of most through vias of the net, else of most on the board.

    Raises ChangeError where neither is known, or the pad would be no wider than the hole.
    """
    if drill is None or pad is None:
        usual = _usual(board, net)
        if usual is None:
            raise ChangeError("the board has no via whose size a new one could have; give drill_mm and pad_mm")
        drill, pad = usual.drill if drill is None else drill, usual.pad if pad is None else pad
    if pad <= drill:
        raise ChangeError(f"a via pad of {pad * 1e3:g} mm is no wider than its hole of {drill * 1e3:g} mm")
    return ViaSize(drill, pad)


def _usual(board: Board, net: int) -> ViaSize | None:
    """The commonest size of the through vias of a net, else of all; of equals the smaller one."""
    vias, pads = board.vias, board.pads
    through = (vias.pin < 0) & vias.plated & (vias.first == 0) & (vias.last == len(board.layers) - 1)
    x0, y0, x1, y1 = shapely.bounds(pads.shape).reshape(-1, 4).T
    size = np.minimum(x1 - x0, y1 - y0)
    mine = np.flatnonzero(pads.via >= 0)
    mine = mine[through[pads.via[mine]]]
    wide = np.zeros(len(vias))
    np.maximum.at(wide, pads.via[mine], size[mine])
    good = np.flatnonzero(through & (wide > vias.drill))
    for rows in (good[vias.net[good] == net], good):
        if len(rows):
            sizes = Counter(zip(np.round(vias.drill[rows], 7).tolist(), np.round(wide[rows], 7).tolist(), strict=True))
            drill, pad = min(sizes, key=lambda s: (-sizes[s], s))
            return ViaSize(drill, pad)
    return None


@lru_cache(maxsize=8)
def fill_clearance(board: Board, least: float) -> float:
    """How far areas keep from foreign via pads on this board (median, m), at least `least`."""
    pads, areas = board.pads, board.areas
    found: list[float] = []
    for layer in range(len(board.layers)):
        rows = np.flatnonzero((pads.layer == layer) & (pads.via >= 0))
        here = np.flatnonzero(areas.layer == layer)
        if not len(rows) or not len(here):
            continue
        segments, of_segment = edge_pieces(areas.shape[here])
        (pad, near), distance = shapely.STRtree(segments).query_nearest(
            pads.shape[rows], max_distance=WIDEST_OPENING, return_distance=True, all_matches=False
        )
        foreign = areas.net[here[of_segment[near]]] != pads.net[rows[pad]]
        found += distance[foreign & (distance > 0)].tolist()
    return max(least, float(np.median(found))) if found else least
