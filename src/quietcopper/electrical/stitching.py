"""How well copper of one net on two layers is tied together: distance to the nearest tie, open stretches of edge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
import shapely.ops
from scipy.spatial import cKDTree

from quietcopper.board.model import Floats
from quietcopper.electrical.emission import carries_radio
from quietcopper.electrical.plane_pairs import PairModes, PlanePair, map_picture, pair_modes
from quietcopper.electrical.tables import GROUND
from quietcopper.electrical.view import View
from quietcopper.fields.spectra import knee
from quietcopper.units import MM

POINTS = 4000  # of a map of distances
AROUND = 4.0  # times the largest distance: so far round the place the patch is solved, its cut edges open
VIA = 0.15e-3  # m, radius of ties that do not exist yet
APART = 0.8e-3  # m; a new tie nearer to another than this adds nothing
BESIDE = 1e-3  # m; a line this near to copper, seen from above, excites it
BORDER = 2e-3  # m; copper whose edge lies this near to the board's edge ends there


def highest_beside(view: View, pair: PlanePair) -> tuple[float, int] | None:
    """Highest frequency of interest (Hz) of the lines within BESIDE of a pair, on its layers and those next to them,
    and the net: a line's knee frequency, of a wanted radio carrier the carrier itself. None where no line is there."""
    board, own = view.board, int(view.board.areas.net[pair.upper])
    rows = view.trace_tree.query(pair.whole, predicate="dwithin", distance=BESIDE)
    layers = board.traces.layer[rows]
    rows = rows[(layers >= pair.upper_layer - 1) & (layers <= pair.lower_layer + 1)]
    best: tuple[float, int] | None = None
    for net in np.unique(board.traces.net[rows]).tolist():
        driver = view.drivers[net]
        if net == own or driver.swing <= 0:
            continue
        radio = carries_radio(view, net) and driver.rate > 0
        top = driver.rate if radio else float(knee(driver.rise))
        if best is None or top > best[0]:
            best = top, net
    return best


@dataclass(frozen=True, eq=False)
class Distances:
    """Distance to the nearest tie over a pair. points : (n, 2) m, distance : (n,) m, inf without ties; step : m"""

    points: Floats
    distance: Floats
    step: float

    @property
    def largest(self) -> float:
        return float(self.distance.max(initial=0.0))

    @property
    def place(self) -> tuple[float, float]:
        """Where it is largest; the first such point from the lower left."""
        x, y = self.points[int(np.argmax(np.round(self.distance, 7)))]
        return float(x), float(y)

    def picture(self, allowed: float) -> dict[str, Any]:
        """As a map for drawing; allowed : m."""
        what = f"Distance to the nearest tie ({allowed / MM:.3g} mm is a twentieth of the wavelength)"
        return map_picture(self.points, self.distance / MM, self.step, {"what": what, "unit": "mm"})


def tied_pairs(view: View) -> list[PlanePair]:
    """Pairs of which both sides are the same ground net."""
    areas = view.board.areas
    return [
        pair
        for pair in view.plane_pairs
        if areas.net[pair.upper] == areas.net[pair.lower] and view.roles[areas.net[pair.upper]].kind == GROUND
    ]


def distances(view: View, pair: PlanePair) -> Distances:
    """Distance from the copper of a pair to its nearest tie, on a grid of some `POINTS` points.

    Ties beside the pair count too: where a layer between the two ends, its copper of the same net stands about a pocket
    of theirs, and the vias through all three layers stand in it.
    """
    west, south, east, north = pair.shape.bounds
    step = float(np.sqrt(pair.area / POINTS))
    x, y = (np.arange(lo + step / 2, hi, step) for lo, hi in ((west, east), (south, north)))
    points = np.stack(np.meshgrid(x, y, indexing="ij"), -1).reshape(-1, 2)
    shapely.prepare(pair.shape)
    points = points[shapely.contains_xy(pair.shape, points)]
    vias = np.intersect1d(view.vias_on(pair.upper), view.vias_on(pair.lower))
    places = np.stack([view.board.vias.x[vias], view.board.vias.y[vias]], axis=-1)
    ties = np.concatenate([pair.places(view.board)[:, :2], places])
    if not len(ties):
        return Distances(points, np.full(len(points), np.inf), step)
    return Distances(points, np.asarray(cKDTree(ties).query(points)[0]), step)


def patch_modes(view: View, pair: PlanePair, place: tuple[float, float], reach: float, highest: float) -> PairModes:
    """Modes up to `highest` Hz of a pair round a place, as far as AROUND times `reach` (m) where the pair is larger.

    The cut edges are open; where the lowest mode lies at one of them, the whole pair is solved instead.
    """
    size = AROUND * reach
    box = shapely.box(place[0] - size, place[1] - size, place[0] + size, place[1] + size) if np.isfinite(size) else None
    if box is None or box.covers(shapely.box(*pair.shape.bounds)):
        return pair_modes(view, pair, highest)
    parts = shapely.get_parts(shapely.intersection(pair.shape, box)).tolist()
    here = min((p for p in parts if p.area > 0), key=lambda p: float(p.distance(shapely.Point(place))))
    outer = shapely.Polygon(here.exterior)
    shapely.prepare(outer)
    vias = view.board.vias
    kept = pair.ties[shapely.intersects_xy(outer, vias.x[pair.ties], vias.y[pair.ties])]
    added = pair.added[shapely.intersects_xy(outer, pair.added[:, :2])]
    modes = pair_modes(view, replace(pair, shape=here, area=here.area, ties=kept, added=added), highest)
    if len(modes.frequency) and shapely.Point(modes.loudest(0)).distance(box.exterior) < reach:
        return pair_modes(view, pair, highest)
    return modes


def with_ties(view: View, pair: PlanePair, places: Floats) -> PlanePair:
    """The pair with more ties (n, 2), m, as far as they lie in its copper and apart from those there are."""
    there = pair.places(view.board)[:, :2]
    shapely.prepare(pair.shape)
    places = places[shapely.contains(pair.shape, shapely.buffer(shapely.points(places), VIA))]
    if len(there) and len(places):
        places = places[np.asarray(cKDTree(there).query(places)[0]) >= APART]
    kept = np.ones(len(places), dtype=np.bool_)
    pairs = cKDTree(places).query_pairs(APART * (1 - 1e-9)) if len(places) else ()
    for first, second in sorted(pairs):
        if kept[first]:
            kept[second] = False
    places = places[kept]
    new = np.column_stack([places, np.full(len(places), VIA)])
    return replace(pair, added=np.vstack([pair.added, new]))


def grid_places(box: tuple[float, float, float, float], pitch: float) -> Floats:
    """Places on a pitch over a box, its middle on the grid's, (n, 2) m."""
    out = []
    for lo, hi in ((box[0], box[2]), (box[1], box[3])):
        count = max(1, int(np.ceil((hi - lo) / pitch)))
        out.append((lo + hi) / 2 + (np.arange(count) - (count - 1) / 2) * pitch)
    return np.stack(np.meshgrid(*out, indexing="ij"), -1).reshape(-1, 2)


def places_beside(pair: PlanePair, places: Floats, reach: float) -> Floats:
    """Places (n, 2), each led into the pair's copper where it lies within `reach` (m) of room for a via there."""
    near = shapely.intersection(pair.shape, shapely.box(*places.min(axis=0), *places.max(axis=0)).buffer(reach))
    room = shapely.buffer(near, -1.01 * VIA)
    if room.is_empty:
        return places
    shapely.prepare(room)
    points = shapely.points(places)
    beside = np.flatnonzero(shapely.dwithin(points, room, reach) & ~shapely.intersects(room, points))
    out = places.copy()
    if len(beside):
        out[beside] = shapely.get_coordinates(shapely.shortest_line(points[beside], room))[1::2]
    return out


def border(view: View, pair: PlanePair) -> shapely.Geometry:
    """The part of a pair's outer edge that lies along the board's edge, as lines."""
    outline = view.board.outline
    if outline.is_empty:
        return shapely.LineString()
    inside = shapely.buffer(outline, -BORDER)
    along = shapely.difference(pair.shape.exterior, inside)
    return shapely.line_merge(along) if along.geom_type == "MultiLineString" else along


def _begun_at(ring: shapely.LineString, start: float) -> shapely.LineString:
    """A closed line that begins and ends `start` further along."""
    parts = [shapely.ops.substring(ring, *ends) for ends in ((start, ring.length), (0.0, start))]
    corners = np.concatenate([shapely.get_coordinates(part) for part in parts if part.length > 0])
    return shapely.LineString(corners[np.append(True, (np.diff(corners, axis=0) != 0).any(axis=1))])


def open_stretches(view: View, pair: PlanePair, reach: float) -> list[tuple[float, shapely.LineString]]:
    """Stretches of `border` between the ties within `reach` (m) of it, longest first: length along the edge, line."""
    ties = pair.places(view.board)
    out = []
    for line in shapely.get_parts(border(view, pair)).tolist():
        if line.length == 0:
            continue
        points = shapely.points(ties[:, :2])
        near = points[shapely.dwithin(points, line, reach)] if len(points) else points
        at = np.unique(shapely.line_locate_point(line, near))
        if not line.is_closed:
            at = np.unique(np.concatenate([[0.0, line.length], at]))
        elif len(at):  # from the first tie round to it; where the ring happens to begin is no end
            line = _begun_at(line, float(at[0]))
            at = np.append(at - at[0], line.length)
        else:
            at = np.array([0.0, line.length])
        for start, stop in zip(at[:-1].tolist(), at[1:].tolist(), strict=True):
            out.append((stop - start, shapely.ops.substring(line, start, stop)))
    return sorted(out, key=lambda s: (-round(s[0], 7), s[1].bounds))
