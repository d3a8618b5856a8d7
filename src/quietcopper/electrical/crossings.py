"""Openings in a plane as the lines that cross them meet them: excess inductance and what couples the lines, solved.

An opening inside the copper is solved as an aperture with all lines that cross it (`fields.slots`). A notch, open to
the edge of its copper, is solved as an aperture together with all that lies beyond that edge, less the same without the
notch, for each line by itself. A layer whose copper lies behind the opening, or over the lines, where
they cross it counts as a solid plane: the flux that passes an opening must come back through it, so that plane need not
be tied to anything. Of an opening that a line crosses several times each crossing has the part about it. Results are
kept by content, for this board and the next.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import shapely

from quietcopper.electrical.tiles import layer_copper
from quietcopper.errors import OutOfRange
from quietcopper.fields import slots

if TYPE_CHECKING:
    from quietcopper.board.model import Floats
    from quietcopper.electrical.view import View

BEHIND = 0.9  # of an opening that a layer's copper must cover to count as a plane behind it
# times the distance of that layer: what lies further from the lines carries little of their return; own choice
NEAR_LINE = 4.0
MOST = 16  # lines solved together
ALIKE = np.pi / 6  # rad; lines that cross in directions further apart are not solved together
AGAIN = 1.25  # of a gap's own length that a straight line through it may lie over the opening in all
EXACT = 1e-7  # m; figures are rounded to this for keeping
AROUND = 8.0  # depths of a notch that are looked at to either side


@dataclass(frozen=True, eq=False)
class Solved:
    """Lines over one opening. rows : (n,) rows in view.gaps; inductance : (n, n) H, what couples them off the diagonal
    squares : (n,) what the detour dissipates, over that in a square of the copper's surface
    opening : its shape, m; behind, over : distance from the opened plane to a plane behind it and to one over the
    lines, m, inf for none
    """

    rows: tuple[int, ...]
    inductance: Floats
    squares: Floats
    opening: shapely.Geometry
    behind: float
    over: float

    def between(self, one: int, other: int) -> float:
        """Inductance that two rows share, H: a row's own for the same one twice."""
        return float(self.inductance[self.rows.index(one), self.rows.index(other)])


class Crossings:
    """The openings of a board that lines cross, solved at first use."""

    def __init__(self, view: View) -> None:
        self.view = view
        self._solved: dict[int, Solved | None] = {}
        self._holes: dict[int, tuple[shapely.STRtree, list[shapely.Polygon]]] = {}
        self._shapes: dict[tuple[int, int], shapely.Geometry] = {}
        self._members: dict[tuple[int, int], list[int]] | None = None

    def of(self, row: int) -> Solved | None:
        """The opening of a row of view.gaps with all lines that were solved with it; None where it lies between two
        areas, or outside what the solvers cover."""
        if row not in self._solved:
            self._solve(row)
        return self._solved[row]

    def hole(self, row: int) -> int:
        """Number of the hole of its area that a row of view.gaps crosses, -1 for none: a notch."""
        gaps = self.view.gaps
        area = int(gaps.before[row])
        if area not in self._holes:
            shapes = shapely.get_parts(self.view.board.areas.shape[area])
            rings = [shapely.Polygon(ring) for shape in shapes for ring in shape.interiors]
            self._holes[area] = shapely.STRtree(rings), rings
        found = self._holes[area][0].query(shapely.Point(gaps.x[row], gaps.y[row]), predicate="intersects")
        return int(found[0]) if len(found) else -1

    def _solve(self, row: int) -> None:
        gaps = self.view.gaps
        self._solved[row] = None
        if gaps.before[row] != gaps.after[row]:
            return
        hole = self.hole(row)
        try:
            if hole < 0:
                self._solved[row] = _notch(self.view, row)
                return
            shape = self._shape(int(gaps.before[row]), hole)
            if not _crossed_once(self.view, row, shape):
                local = _about(self.view, row, shape)
                self._solved[row] = _aperture(self.view, local, [row]) if local is not None else None
                return
            for group in self._groups(int(gaps.before[row]), hole, row):
                solved = _aperture(self.view, shape, group)
                for member in group:
                    self._solved[member] = solved
        except OutOfRange:
            return

    def _groups(self, area: int, hole: int, row: int) -> list[list[int]]:
        """Rows over one hole that can be solved together: one side of the plane, like directions, not too many. Left
        out are lines that would cross the hole again if they went straight on: the aperture is solved along the whole
        straight line, and would count every crossing for each of them."""
        gaps = self.view.gaps
        if self._members is None:
            self._members = defaultdict(list)
            for other in np.flatnonzero((gaps.before == gaps.after) & (gaps.after >= 0)).tolist():
                self._members[int(gaps.before[other]), self.hole(other)].append(other)
        shape = self._shape(area, hole)
        rows = [other for other in self._members[area, hole] if _crossed_once(self.view, other, shape)]
        kinds: dict[tuple[bool, int], list[int]] = defaultdict(list)
        for other in rows:
            turn = round(_direction(self.view, other) / ALIKE) % round(np.pi / ALIKE)
            kinds[int(gaps.layer[other]) < int(gaps.reference[other]), turn].append(other)
        out = []
        for members in kinds.values():
            members.sort(key=lambda r: (round(float(gaps.x[r]), 9), round(float(gaps.y[r]), 9)))
            out += [members[i : i + MOST] for i in range(0, len(members), MOST)]
        return [group for group in out if row in group]

    def _shape(self, area: int, hole: int) -> shapely.Geometry:
        """The hole without copper that stands in it: other areas, and traces led through it."""
        if (area, hole) not in self._shapes:
            self._shapes[area, hole] = self._open_part(area, hole)
        return self._shapes[area, hole]

    def _open_part(self, area: int, hole: int) -> shapely.Geometry:
        board = self.view.board
        shape, layer = self._holes[area][1][hole], int(board.areas.layer[area])
        copper = layer_copper(board, layer)
        inside = copper.tree.query(shape, predicate="intersects")
        inside = inside[copper.rows[copper.owner[inside]] != area]
        rows = self.view.trace_tree.query(shape, predicate="intersects")
        rows = rows[board.traces.layer[rows] == layer]
        led = shapely.buffer(board.traces.lines[rows], board.traces.width[rows] / 2)
        metal = np.concatenate([copper.tiles[inside], led])
        return shapely.difference(shape, shapely.union_all(metal)) if len(metal) else shape


def _direction(view: View, row: int) -> float:
    """Of the line over the opening, rad, 0 to pi."""
    points = shapely.get_coordinates(view.gaps.line[row])
    dx, dy = points[-1] - points[0]
    return float(np.arctan2(dy, dx) % np.pi)


def _chords(view: View, row: int, opening: shapely.Geometry) -> tuple[Floats, int]:
    """Where the straight line through a gap lies over the opening: from and to along it (n, 2), m, 0 in the middle of
    the gap; and which of them is the gap's own."""
    points = shapely.get_coordinates(view.gaps.line[row])[[0, -1]]
    middle, way = points.mean(axis=0), points[1] - points[0]
    ahead = way / max(float(np.hypot(*way)), 1e-12)
    bounds = np.array(opening.bounds)
    far = float(np.hypot(*(bounds[2:] - bounds[:2]))) + float(np.hypot(*way))
    parts = shapely.get_parts(
        shapely.intersection(shapely.LineString([middle - ahead * far, middle + ahead * far]), opening)
    )
    ends = np.array([(shapely.get_coordinates(part)[[0, -1]] - middle) @ ahead for part in parts if part.length > 0])
    ends = np.sort(ends.reshape(-1, 2), axis=1)
    ends = ends[np.argsort(ends[:, 0])]
    own = int(np.argmin(np.maximum(np.maximum(ends[:, 0], -ends[:, 1]), 0.0))) if len(ends) else -1
    return ends, own


def _crossed_once(view: View, row: int, opening: shapely.Geometry) -> bool:
    """Whether the straight line through a gap meets the opening nowhere else, to speak of."""
    length = float(view.gaps.length[row])
    ends, _ = _chords(view, row, opening)
    return float(np.ptp(ends, axis=1).sum()) <= AGAIN * length


def _about(view: View, row: int, opening: shapely.Geometry) -> shapely.Geometry | None:
    """The part of an opening that a line crosses at a gap, cut square to the line half way to where it would cross the
    opening again: what lies beyond takes the flux of those crossings. None where that leaves nothing."""
    ends, own = _chords(view, row, opening)
    if own < 0:
        return None
    low = (ends[own - 1, 1] + ends[own, 0]) / 2 if own > 0 else -np.inf
    high = (ends[own, 1] + ends[own + 1, 0]) / 2 if own + 1 < len(ends) else np.inf
    points = shapely.get_coordinates(view.gaps.line[row])[[0, -1]]
    angle, middle = _direction(view, row), points.mean(axis=0)
    sign = 1.0 if np.dot(points[1] - points[0], [np.cos(angle), np.sin(angle)]) >= 0 else -1.0
    low, high = (low, high) if sign > 0 else (-high, -low)
    shape = turned(opening, angle, middle)
    x0, y0, x1, y1 = shape.bounds
    strip = shapely.intersection(shape, shapely.box(max(low, x0), y0, min(high, x1), y1))
    chord = shapely.LineString([(v, 0.0) for v in sorted(sign * ends[own])])
    parts = shapely.get_parts(strip)
    kept = parts[shapely.length(shapely.intersection(parts, chord)) > chord.length / 2]
    return shapely.transform(turned(kept[0], -angle, np.zeros(2)), lambda p: p + middle) if len(kept) else None


def _heights(view: View, rows: list[int]) -> list[float]:
    gaps = view.gaps
    return [view.board.distance(*sorted((int(gaps.layer[r]), int(gaps.reference[r])))) for r in rows]


def _planes(view: View, rows: list[int], opening: shapely.Geometry) -> tuple[float, float]:
    """Distances from the opened layer to copper behind the opening and to copper over the lines, m, inf none.

    What counts is the opening within `NEAR_LINE` times that distance from the lines; holes of the other copper that are
    narrower than the distance let little flux pass, and count as copper.
    """
    board, gaps = view.board, view.gaps
    reference, layer = int(gaps.reference[rows[0]]), int(gaps.layer[rows[0]])
    away = 1 if reference > layer else -1
    lines = shapely.union_all(gaps.line[rows])
    found = []
    for start, step in ((reference + away, away), (layer - away, -away)):
        distance = np.inf
        other = start
        while 0 <= other < len(board.layers) and np.isinf(distance):
            apart = board.distance(*sorted((reference, other)))
            copper = layer_copper(board, other)
            near = shapely.intersection(opening, shapely.buffer(lines, NEAR_LINE * apart, quad_segs=4))
            if len(copper.rows) and near.area > 0:
                tiles = copper.tiles[copper.tree.query(shapely.buffer(near, apart), predicate="intersects")]
                closed = shapely.buffer(shapely.buffer(shapely.union_all(tiles), apart / 2), -apart / 2)
                if shapely.intersection(closed, near).area >= BEHIND * near.area:
                    distance = apart
            other += step
        found.append(distance)
    return found[0], found[1]


def turned(shape: shapely.Geometry, angle: float, at: Floats) -> shapely.Geometry:
    """The shape in coordinates round `at` whose x axis has that direction."""
    c, s = np.cos(angle), np.sin(angle)
    return shapely.transform(shape, lambda p: (p - at) @ np.array([[c, -s], [s, c]]))


def _aperture(view: View, opening: shapely.Geometry, rows: list[int]) -> Solved:
    gaps = view.gaps
    behind, over = _planes(view, rows, opening)
    angle = _direction(view, rows[0])
    at = np.array(opening.centroid.coords[0])
    shape = turned(shapely.simplify(opening, 5e-6), angle, at)
    heights = _heights(view, rows)
    over = over if over > max(heights) else np.inf
    offsets = [float(shapely.get_coordinates(turned(gaps.line[r], angle, at))[[0, -1], 1].mean()) for r in rows]
    figures = tuple(heights), tuple(_rounded(gaps.width[rows])), tuple(_rounded(offsets)), behind, over
    found = _kept_aperture(shape_key(shape), *figures, _thickness(view, rows[0]))
    return Solved(tuple(rows), found.inductance, found.squares, opening, behind, over)


def _thickness(view: View, row: int) -> float:
    return view.board.layers[int(view.gaps.reference[row])].thickness


def _rounded(values: object) -> list[float]:
    return [float(v) for v in np.round(np.asarray(values, dtype=float) / EXACT) * EXACT]


def shape_key(shape: shapely.Geometry) -> bytes:
    """What shapes equal to a tenth of a micrometre have in common."""
    return shapely.to_wkb(shapely.transform(shape, lambda p: np.round(p / EXACT) * EXACT))


@lru_cache(maxsize=4096)
def _kept_aperture(
    shape: bytes,
    heights: tuple[float, ...],
    widths: tuple[float, ...],
    offsets: tuple[float, ...],
    behind: float,
    over: float,
    thickness: float,
) -> slots.Excess:
    opening = shapely.make_valid(shapely.from_wkb(shape))
    return slots.solve_opening(opening, heights, widths, offsets, below=behind, above=over, thickness=thickness)


def _notch(view: View, row: int) -> Solved:
    """A line over an opening that reaches the edge of its copper."""
    board, gaps = view.board, view.gaps
    area, gap, reach = int(gaps.before[row]), float(gaps.length[row]), float(gaps.slot[row])
    height = _heights(view, [row])[0]
    at = np.array([gaps.x[row], gaps.y[row]])
    half = AROUND * reach + 4 * gap
    parts = [shapely.Polygon(part.exterior) for part in shapely.get_parts(board.areas.shape[area])]
    copper = shapely.union_all(shapely.clip_by_rect(parts, *(at - 1.5 * half), *(at + 1.5 * half)))
    window = shapely.box(-half, -half, half, half)
    shape = shapely.intersection(turned(copper, _direction(view, row), at), window)
    nearby = shapely.box(*(at - reach / 2 - gap), *(at + reach / 2 + gap))
    opening = shapely.difference(nearby, copper)
    behind, over = _planes(view, [row], opening) if opening.area > 0 else (np.inf, np.inf)
    over = over if over > height else np.inf
    width = float(gaps.width[row])
    figures = _rounded([half, gap, reach, height, width])
    found = _kept_notch(shape_key(shapely.simplify(shape, 5e-6)), *figures, behind, over, _thickness(view, row))
    return Solved((row,), found.inductance, found.squares, opening, behind, over)


@lru_cache(maxsize=4096)
def _kept_notch(
    shape: bytes,
    half: float,
    gap: float,
    reach: float,
    height: float,
    width: float,
    behind: float,
    over: float,
    thickness: float,
) -> slots.Excess:
    """Excess of a line along x over a notch at the origin: with the notch less with it closed up."""
    copper = shapely.make_valid(shapely.from_wkb(shape))
    filled = copper.buffer(0.55 * gap, join_style="mitre").buffer(-0.55 * gap, join_style="mitre")
    notch = shapely.intersection(filled, shapely.box(-gap, -1.5 * reach - gap, gap, 1.5 * reach + gap))
    # where the copper under the line ends, the line does: what lies beyond counts as copper
    under = shapely.intersection(shapely.union(copper, filled), shapely.LineString([(-half, 0), (half, 0)]))
    spans = [part.bounds for part in shapely.get_parts(under)]
    west, east = next(((x0, x1) for x0, _, x1, _ in spans if x0 <= 0 <= x1), (-half, half))
    around = shapely.difference(shapely.box(west, -half, east, half), copper)
    closed = shapely.difference(around, notch.buffer(1e-7, join_style="mitre"))
    if not around.area > closed.area:
        raise OutOfRange("the notch under the line is none in its copper's outline")
    return slots.solve_notch(around, closed, gap, height, width, below=behind, above=over, thickness=thickness)
