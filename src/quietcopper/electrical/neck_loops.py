"""The voltage that a line's return takes along a neck of its plane, solved on the copper's real shape round it."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely

from quietcopper.board.model import Ints
from quietcopper.electrical.crossings import shape_key, turned
from quietcopper.electrical.reference_necks import Narrow
from quietcopper.electrical.tiles import layer_copper
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields import return_sheet

CELLS = 8, 16  # across the neck: it errs by their size, so that it is extrapolated
AROUND = 1.5  # widths of the neck that are solved beyond it
STRAIGHT = 0.98  # least cosine between the line's directions along the neck and its mean one
MOST = 60_000  # cells


def neck_inductance(view: View, found: Narrow, index: Ints, area: int) -> float:
    """Voltage along the neck under some samples of one line over the line's current and angular frequency, H: the net
    inductance of the copper there, `returns.plane_inductance` times the length for a long one.

    Good to 7 %. Raises OutOfRange where the line bends over the neck, lies too high
    or low for cells as fine, or the copper does not lead through the neck.
    """
    board = view.board
    along = np.stack([found.along_x[index], found.along_y[index]], -1)
    along *= np.where(along @ along[0] < 0, -1.0, 1.0)[:, None]
    ahead = along.mean(axis=0) / np.hypot(*along.mean(axis=0))
    if np.min(along @ ahead) < STRAIGHT:
        raise OutOfRange("the line bends over the neck")
    at = np.array([found.x[index].mean(), found.y[index].mean()])
    places = (np.stack([found.x[index], found.y[index]], -1) - at) @ ahead
    low, high = float(places.min() - found.step[index][0] / 2), float(places.max() + found.step[index][0] / 2)
    width, height = float(found.width[index].min()), float(view.runs.reference_gap[found.run[index]].mean())
    cells = [min(width / count, 4 * height / count * min(CELLS)) for count in CELLS]
    beyond = AROUND * width + 4 * height
    x0, x1, side = low - beyond, high + beyond, float(found.width[index].max()) / 2 + beyond
    if (x1 - x0) * 2 * side > MOST * min(cells) ** 2:
        raise OutOfRange("the neck is too long for cells as fine as its width asks for")
    copper = layer_copper(board, int(board.areas.layer[area]))
    reach = float(np.hypot(max(-x0, x1), side))
    tiles = copper.tree.query(shapely.box(*(at - reach), *(at + reach)), predicate="intersects")
    tiles = tiles[copper.rows[copper.owner[tiles]] == area]
    whole = turned(shapely.union_all(copper.tiles[tiles]), float(np.arctan2(ahead[1], ahead[0])), at)
    shape = shapely.simplify(shapely.intersection(whole, shapely.box(x0, -side, x1, side)), 5e-6)
    if not shape.area > 0:
        raise OutOfRange("no copper lies under the line at the neck")
    trace = float(view.runs.width[found.run[index]].mean())
    key, figures = shape_key(shape), [round(v, 7) for v in (x0, x1, side, low, high, height, trace)]
    coarse, fine = (_kept(key, round(cell, 8), *figures) for cell in cells)
    return 2 * fine - coarse


@lru_cache(maxsize=1024)
def _kept(
    shape: bytes, cell: float, x0: float, x1: float, side: float, low: float, high: float, height: float, width: float
) -> float:
    """Net inductance from x = low to high under a line along x."""
    copper = shapely.make_valid(shapely.from_wkb(shape))
    grid = return_sheet.cells(copper, cell, (x0, -side, x1, side))
    piece = int(grid.piece[grid.nearest(((low + high) / 2, 0.0))])
    ends = [grid.nearest((x, 0.0), piece) for x in (x1 - cell, x0 + cell)]
    entry, leave = (np.array([grid.x[i], grid.y[j]]) for i, j in ends)
    if entry[0] < high or leave[0] > low:
        raise OutOfRange("the copper does not lead through the neck")
    flow = return_sheet.solve(grid, return_sheet.Trace(np.array([[x0, 0.0], [x1, 0.0]]), height, width), entry, leave)
    faces = grid.x[:-1] + cell / 2
    inside = (faces > low) & (faces < high)
    under = int(np.argmin(np.abs(grid.y)))
    if not grid.right[inside, under].all():
        raise OutOfRange("the copper does not go on right under the line")
    drop = -np.real(flow.drop_across[inside, under])  # the return flows against the line
    return float(drop.sum() * (high - low) / (inside.sum() * cell))
