"""Where the copper under a line narrows: how far it reaches to either side, sampled along every line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from quietcopper.board.geometry import points_along
from quietcopper.board.model import Bools, Floats, Ints
from quietcopper.electrical.tiles import LayerCopper, layer_copper
from quietcopper.electrical.view import View

STEP = 1e-3  # m between samples along a line
SMALL = np.pi * (1.5e-3) ** 2  # m2; openings up to this size are antipads, which the current passes on all sides


@dataclass(frozen=True, eq=False)
class Narrow:
    """Places under lines where copper ends to both sides within reach. One row each.

    run : row in view.runs; area : row in board.areas of the reference; x, y : m; left, right : to where the copper ends
    across the line, m; step : length that the row stands for, m; along_x, along_y : direction of the line
    outer : whether the nearer end is the area's outer edge
    """

    run: Ints
    area: Ints
    x: Floats
    y: Floats
    left: Floats
    right: Floats
    step: Floats
    along_x: Floats
    along_y: Floats
    outer: Bools

    def __len__(self) -> int:
        return len(self.run)

    @property
    def width(self) -> Floats:
        return self.left + self.right


def narrow_places(view: View, runs: Ints, widest: float) -> Narrow:
    """Samples of some runs (rows in view.runs, each with a reference) where their reference is no wider than `widest`
    (m) across the line, small openings not counted."""
    table, areas = view.runs, view.board.areas
    parts = []
    on = areas.layer[table.reference[runs]]
    for layer in np.unique(on).tolist():
        parts.append(_of_layer(view, runs[on == layer], layer_copper(view.board, layer), widest))
    if not parts:
        parts = [tuple(np.empty(0) for _ in range(10))]
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    kinds = (np.int32, np.int32, *[np.float64] * 7, np.bool_)
    return Narrow(*(c.astype(k) for c, k in zip(columns, kinds, strict=True)))


def _of_layer(view: View, runs: Ints, copper: LayerCopper, widest: float) -> tuple[Floats, ...]:
    table = view.runs
    count = np.maximum(np.ceil(table.length[runs] / STEP).astype(int), 1)
    row = np.repeat(np.arange(len(runs)), count)
    number = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    share = (number + 0.5) / count[row]
    lines = table.line[runs]
    rings, of = shapely.get_rings(shapely.get_parts(copper.shapes), return_index=True)
    outer = np.diff(of, prepend=-1) > 0
    ends = np.flatnonzero((outer | (shapely.area(shapely.polygons(rings)) > SMALL))[copper.edge_ring])
    tree = shapely.STRtree(shapely.linestrings(copper.edges[ends].reshape(-1, 2, 2)))
    at = points_along(lines, row, share)
    near = tree.query_nearest(shapely.points(at), max_distance=widest, all_matches=False)[0]
    row, at, share = row[near], at[near], share[near]
    low, high = (points_along(lines, row, np.clip(share + d, 0, 1)) for d in (-0.01, 0.01))
    along = (high - low) / np.maximum(np.hypot(*(high - low).T), 1e-12)[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], -1)
    chords = shapely.linestrings(np.stack([at - widest * across, at + widest * across], axis=1))
    mine = copper.rows[copper.ring_area[copper.edge_ring]]
    chord, edge = tree.query(chords, predicate="intersects")
    edge = ends[edge]
    keep = mine[edge] == table.reference[runs][row[chord]]
    chord, edge = chord[keep], edge[keep]
    a, b = copper.edges[edge, :2] - at[chord], copper.edges[edge, 2:] - at[chord]
    n, t = across[chord], along[chord]
    u, v = (a * t).sum(1), (b * t).sum(1)
    cut = np.where(np.abs(v - u) > 1e-12, u / np.where(np.abs(v - u) > 1e-12, u - v, 1.0), 0.5)
    where = (n * (a + np.clip(cut, 0, 1)[:, None] * (b - a))).sum(1)
    left, right = np.full(len(at), np.inf), np.full(len(at), np.inf)
    np.minimum.at(left, chord[where > 0], where[where > 0])
    np.minimum.at(right, chord[where <= 0], -where[where <= 0])
    nearest = np.minimum(left, right)
    by_outer = np.zeros(len(at), dtype=bool)
    close = outer[copper.edge_ring[edge]] & (np.abs(where) <= nearest[chord] + 1e-9)
    by_outer[chord[close]] = True
    found = np.flatnonzero(left + right <= widest)
    rows = runs[row[found]]
    step = table.length[rows] / count[row[found]]
    area = table.reference[rows]
    return (rows, area, *at[found].T, left[found], right[found], step, *along[found].T, by_outer[found])
