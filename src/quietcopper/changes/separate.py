"""Filled copper parted: a net's areas on a layer cut along a line."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import LineString

from quietcopper.board import Board
from quietcopper.changes.base import Changed, ChangeError, Rules, layer_of, net_of
from quietcopper.changes.room import SMALLEST
from quietcopper.changes.tables import with_areas


def separate_areas(
    board: Board, rules: Rules, *, layer: int, net: str, line: Sequence[tuple[float, float]], gap: float
) -> Changed:
    """A net's areas on a layer parted by a cut of width `gap` (m) along a line of places (m). All stays one net.

    Raises ChangeError where the line has no length, the gap is less than the spacing, no area lies under the line, or
    pads or holes of the net do.
    """
    layer_of(board, layer)
    row, areas = net_of(board, net), board.areas
    if gap < rules.spacing:
        raise ChangeError(f"a gap of {gap * 1e3:g} mm is less than the spacing of {rules.spacing * 1e3:g} mm")
    way = LineString(line) if len(line) > 1 else LineString()
    if way.length == 0:
        raise ChangeError("the line of the cut needs two places or more")
    cut = way.buffer(gap / 2, cap_style="square", join_style="mitre")
    mine = np.flatnonzero((areas.layer == layer) & (areas.net == row))
    hit = mine[shapely.intersects(areas.shape[mine], cut)]
    if not len(hit):
        raise ChangeError(f"{net} has no area on {board.layer_label(layer)} under that line")
    pads = (board.pads.layer == layer) & (board.pads.net == row)
    standing = int(shapely.intersects(board.pads.shape[pads], cut).sum())
    if standing:
        raise ChangeError(f"of {net} {standing} pad{'s stand' if standing > 1 else ' stands'} in the cut")
    new = shapely.difference(areas.shape[hit], cut)
    parts = [p for p in shapely.get_parts(new).tolist() if p.area > SMALLEST]
    changed = with_areas(board, hit, [(row, layer, p) for p in parts])
    more = len(parts) - len(hit)
    note = f"The cut makes {len(parts)} pieces of {len(hit)}."
    if not more:
        note = "The cut ends inside the copper and parts no piece from another."
    return Changed(changed, (note,))
