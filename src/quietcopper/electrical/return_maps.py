"""Where a line's return current flows on its plane, as drawing data: round a gap, or along a whole stretch of a net."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from quietcopper.electrical.tiles import layer_copper
from quietcopper.electrical.ways import gap_inductance
from quietcopper.errors import OutOfRange
from quietcopper.fields import return_sheet
from quietcopper.units import MM

if TYPE_CHECKING:
    from collections.abc import Collection

    from quietcopper.board.model import Floats, Ints
    from quietcopper.electrical.view import View

    Point = Floats | tuple[float, float]

CELLS = 130  # along the longer side of a map in a finding
MOST = 40_000  # cells of a map that is asked for by itself
COARSE = 2.0  # heights; what cells wider than this tell is a picture, no figure
DRAWN = 90  # cells of the drawing along it
BESIDE = 5e-3  # m; a via that ties the plane this near to a stretch's end takes its return
MARGIN = 8e-3  # m of plane drawn beyond a stretch


@dataclass(frozen=True, eq=False)
class Stretch:
    """A net's way over one plane. line : centre line, m; layer, reference : layer indices; width, height : m"""

    net: int
    line: shapely.LineString
    layer: int
    reference: int
    width: float
    height: float


@dataclass(frozen=True, eq=False)
class ReturnMap:
    """The solved return of a stretch. copper : of the plane within the map

    ways : lines that the current follows, m, in order from the line's end: one, or one on each piece of copper where
    it is handed over
    inductance, resistance : what the plane as it is (openings, notches, edges; not what hands the current over between
    its pieces) adds to the loop over a plane without any, H and ohm; nan where not asked for, or the cells are
    too coarse for the height
    """

    stretch: Stretch
    copper: shapely.Geometry
    flow: return_sheet.ReturnFlow
    ways: tuple[Floats, ...]
    inductance: float
    resistance: float

    def drawing(self, cells: int = DRAWN) -> dict[str, Any]:
        """Map of the sheet current, millimetres, as the page draws maps; root of A/m per ampere, grid cells taken
        together so that no more than `cells` are drawn along the longer side."""
        grid, density = self.flow.cells, self.flow.density()
        nx, ny = density.shape
        step = max(1, int(np.ceil(max(nx, ny) / cells)))
        nx, ny = nx // step * step, ny // step * step
        blocks = density[:nx, :ny].reshape(nx // step, step, ny // step, step)
        known = np.isfinite(blocks)
        count = known.sum((1, 3))
        mean = np.where(known, blocks, 0.0).sum((1, 3)) / np.maximum(count, 1)
        # A few cells carry ten times the rest: the square root keeps the detour visible.
        level = [
            [None if count[i, j] == 0 else float(f"{np.sqrt(mean[i, j]):.4g}") for i in range(nx // step)]
            for j in range(ny // step)
        ]
        x = grid.x[:nx].reshape(-1, step).mean(axis=1) / MM
        y = grid.y[:ny].reshape(-1, step).mean(axis=1) / MM
        out: dict[str, Any] = {
            "x_mm": [round(float(v), 4) for v in x],
            "y_mm": [round(float(v), 4) for v in y],
            "level": level,
            "what": "Return current in the plane (tints by the root of its density)",
            "signal_mm": _millimetres(shapely.get_coordinates(self.stretch.line)),
            "return_mm": [_millimetres(way[:: max(1, len(way) // 150)]) for way in self.ways],
        }
        if np.isfinite(self.flow.frequency):
            out["frequency_hz"] = self.flow.frequency
        return out

    def edges(self) -> list[list[list[float]]]:
        """Outlines of the plane within the map, millimetres."""
        rings = shapely.get_rings(shapely.get_parts(shapely.simplify(self.copper, 20e-6)))
        return [_millimetres(shapely.get_coordinates(ring)) for ring in rings]

    def way(self) -> dict[str, Any]:
        """The signal's way and that of its return, millimetres."""
        signal = shapely.get_coordinates(self.stretch.line)
        way = np.concatenate(self.ways)
        return {"signal_mm": _millimetres(signal), "return_mm": _millimetres(way[:: max(1, len(way) // 150)])}


def _millimetres(points: Floats) -> list[list[float]]:
    return [[round(float(x) / MM, 4), round(float(y) / MM, 4)] for x, y in points]


def stretches(view: View, net: int, traces: Collection[int] | None = None) -> list[Stretch]:
    """A net's ways over its planes, longest first: runs of one layer and one reference layer put together.

    traces : only these rows of board.traces
    """
    runs, board = view.runs, view.board
    above = runs.above_gap < runs.below_gap
    reference = np.where(above, runs.above_layer, runs.below_layer)
    mine = np.flatnonzero(runs.net == net)
    if traces is not None:
        mine = mine[np.isin(runs.trace[mine], list(traces))]
    main: dict[int, dict[int, float]] = defaultdict(lambda: defaultdict(float))
    for row in mine[reference[mine] >= 0].tolist():
        main[int(runs.layer[row])][int(reference[row])] += float(runs.length[row])
    out = []
    for layer, lengths in main.items():
        plane = max(lengths, key=lambda k: (round(lengths[k], 9), -k))
        rows = mine[runs.layer[mine] == layer]
        merged = shapely.line_merge(shapely.union_all(runs.line[rows]))
        height = board.distance(*sorted((layer, plane)))
        width = float(np.average(runs.width[rows], weights=runs.length[rows]))
        out += [Stretch(net, part, layer, plane, width, height) for part in shapely.get_parts(merged)]
    return sorted(out, key=lambda s: (-round(s.line.length, 9), s.layer, s.line.bounds))


def map_of(view: View, stretch: Stretch, frequency: float) -> ReturnMap:
    """The return of a whole stretch at a frequency, Hz: it enters and leaves by the plane's via nearest to either end
    within 5 mm, else under the end. Where the plane falls into pieces under the line the return is handed over by what
    bridges them nearest to the crossing.

    Raises OutOfRange where nothing bridges them, or the plane leads from one end to the other nowhere.
    """
    gaps = view.gaps
    under = _gaps_under(view, stretch)
    reach = float(gaps.slot[under[np.isfinite(gaps.slot[under])]].max(initial=0.0))
    margin = max(MARGIN, min(2 * reach, 40e-3))
    x0, y0, x1, y1 = stretch.line.bounds
    window = (x0 - margin, y0 - margin, x1 + margin, y1 + margin)
    area = (window[2] - window[0]) * (window[3] - window[1])
    size = max(stretch.height, float(np.sqrt(area / MOST)))
    start, end = (_contact(view, stretch, point) for point in shapely.get_coordinates(stretch.line)[[0, -1]])
    splits = sorted(_splits(view, stretch, under), reverse=True)
    bridges = [bridge for _, bridge in splits]
    cuts = [stretch.line.length, *(along for along, _ in splits), 0.0]
    middles = [_point(stretch.line, (a + b) / 2) for a, b in pairwise(cuts)]
    return _solved(view, stretch, frequency, window, size, [end, *bridges], [*bridges, start], middles)


def map_along(view: View, stretch: Stretch, frequency: float) -> ReturnMap:
    """The return of a piece of a line at a frequency, Hz, which comes on to the plane and leaves it right under the
    piece's ends: for drawing, without figures. Raises OutOfRange as `map_of` does."""
    x0, y0, x1, y1 = stretch.line.bounds
    window = (x0 - MARGIN, y0 - MARGIN, x1 + MARGIN, y1 + MARGIN)
    size = max(window[2] - window[0], window[3] - window[1]) / CELLS
    start, end = shapely.get_coordinates(stretch.line)[[0, -1]]
    return _solved(view, stretch, frequency, window, size, [end], [start], [end], figures=False)


def _point(line: shapely.LineString, along: float) -> Floats:
    return np.asarray(line.interpolate(along).coords[0], dtype=float)


def _gaps_under(view: View, stretch: Stretch) -> Ints:
    """Rows of view.gaps under a stretch at which its plane goes on behind the gap."""
    gaps = view.gaps
    mine = (gaps.net == stretch.net) & (gaps.layer == stretch.layer) & (gaps.reference == stretch.reference)
    rows = np.flatnonzero(mine & (gaps.after >= 0))
    near = shapely.dwithin(stretch.line, shapely.points(gaps.x[rows], gaps.y[rows]), 1e-6)
    return rows[near].astype(np.int32)


def _splits(view: View, stretch: Stretch, under: Ints) -> list[tuple[float, tuple[float, float]]]:
    """Complete splits under a stretch: how far along it, m, and where the return is handed over."""
    gaps = view.gaps
    out = []
    for row in under[np.isinf(gaps.slot[under])].tolist():
        place = shapely.Point(gaps.x[row], gaps.y[row])
        ways = gap_inductance(view, row)[1]
        if ways is None or ways.nearest is None:
            raise OutOfRange(
                f"nothing joins the two pieces of the plane at {place.x / MM:.2f}, {place.y / MM:.2f} mm, so that its "
                "return has no way on copper"
            )
        out.append((float(stretch.line.project(place)), ways.nearest.at))
    return out


def map_at_gap(view: View, row: int, frequency: float, bridge: tuple[float, float] | None = None) -> ReturnMap:
    """The return round one gap (row of view.gaps), drawn as far as it is forced aside.

    bridge : where the return passes between two areas (a capacitor, a via); None for an opening in one.
    Raises OutOfRange where that cannot be solved.
    """
    gaps, board = view.gaps, view.board
    layer, reference = int(gaps.layer[row]), int(gaps.reference[row])
    place = np.array([gaps.x[row], gaps.y[row]])
    reach = float(gaps.slot[row]) if bridge is None else float(np.hypot(*(place - bridge)))
    height = board.distance(*sorted((layer, reference)))
    half = min(2.2 * reach + 2 * float(gaps.length[row]) + 8 * height, 40e-3)
    box = shapely.box(*(place - half), *(place + half))
    line = next(
        (
            part
            for s in stretches(view, int(gaps.net[row]))
            if s.layer == layer
            for part in shapely.get_parts(shapely.intersection(s.line, box))
            if shapely.distance(part, shapely.Point(place)) < 1e-6
        ),
        None,
    )
    if line is None or line.length == 0:
        raise OutOfRange("the line over the gap is not in one piece")
    stretch = Stretch(int(gaps.net[row]), line, layer, reference, float(gaps.width[row]), height)
    start, end = shapely.get_coordinates(line)[[0, -1]]
    size = 2 * half / CELLS
    if bridge is None:
        return _solved(view, stretch, frequency, box.bounds, size, [end], [start], [end])
    banks = [_point(line, share * line.length) for share in (0.85, 0.15)]
    return _solved(view, stretch, frequency, box.bounds, size, [end, bridge], [bridge, start], banks)


def _contact(view: View, stretch: Stretch, end: Floats) -> Floats:
    """Where the return of a stretch's end enters the plane."""
    areas = view.board.areas
    point = shapely.Point(end)
    rows = np.flatnonzero((areas.layer == stretch.reference) & (areas.net != stretch.net))
    near = [r for r in rows.tolist() if shapely.dwithin(areas.shape[r], point, BESIDE)]
    if not near:
        return end
    area = min(
        near, key=lambda r: (float(shapely.distance(areas.shape[r], point)), -float(shapely.area(areas.shape[r])))
    )
    ties = view.vias_on(area)
    distance = np.hypot(view.board.vias.x[ties] - end[0], view.board.vias.y[ties] - end[1])
    if not len(ties) or distance.min() > BESIDE:
        return end
    best = ties[int(np.argmin(np.round(distance, 9)))]
    return np.array([view.board.vias.x[best], view.board.vias.y[best]])


def _solved(
    view: View,
    stretch: Stretch,
    frequency: float,
    window: tuple[float, float, float, float],
    size: float,
    entry: Sequence[Point],
    leave: Sequence[Point],
    over: Sequence[Point],
    *,
    figures: bool = True,
) -> ReturnMap:
    """entry, leave : where the current comes on to each piece of copper and leaves it, from the line's end on; over :
    a place on the line above each piece"""
    board = view.board
    copper = layer_copper(board, stretch.reference)
    box = shapely.box(*window)
    tiles = copper.tree.query(box, predicate="intersects")
    tiles = tiles[copper.nets[copper.owner[tiles]] != stretch.net]
    if not len(tiles):
        raise OutOfRange("no copper lies under or over the line there")
    whole = shapely.intersection(shapely.union_all(copper.tiles[tiles]), box)
    trace = return_sheet.Trace(shapely.get_coordinates(stretch.line), stretch.height, stretch.width)
    layer = board.layers[stretch.reference]
    sheet = return_sheet.surface_impedance(frequency, layer.thickness, layer.conductivity)
    grid = return_sheet.cells(whole, size, window)
    places = [
        [_on_piece(grid, at, mark) for at, mark in zip(column, over, strict=True)] if len(over) > 1 else column
        for column in (entry, leave)
    ]
    flow = return_sheet.solve(grid, trace, np.array(places[0]), np.array(places[1]), frequency, sheet)
    more = float("nan"), float("nan")
    if figures and size <= COARSE * stretch.height:
        unbroken = return_sheet.cells(box, size, window)
        bare = return_sheet.solve(unbroken, trace, places[0][0], places[1][-1], frequency, sheet)
        more = flow.inductance - bare.inductance, flow.resistance - bare.resistance
    return ReturnMap(stretch, whole, flow, _ways(flow, stretch, over if len(over) > 1 else None), *more)


def _on_piece(grid: return_sheet.Cells, at: Point, mark: Point) -> Floats:
    """A hand-over place moved on to the piece of copper that lies under a mark."""
    i, j = grid.nearest(at, int(grid.piece[grid.nearest(mark)]))
    return np.array([grid.x[i], grid.y[j]])


def _ways(flow: return_sheet.ReturnFlow, stretch: Stretch, over: Sequence[Point] | None) -> tuple[Floats, ...]:
    """Lines that the current follows from under the trace, forward and back; one from each of the places `over`."""
    # in phase with the largest part of the current, which flows against the trace
    across, along = np.asarray(flow.across), np.asarray(flow.along)
    larger = across if np.abs(across).max() >= np.abs(along).max() else along
    lead = larger.ravel()[int(np.argmax(np.abs(larger)))]
    turn = np.conj(lead) / abs(lead) * (1.0 if np.real(lead) >= 0 else -1.0)
    # with a closed face on every edge of the grid: left and lower faces of each cell, and one more
    faces = np.pad(np.real(across * turn), ((1, 1), (0, 0))), np.pad(np.real(along * turn), ((0, 0), (1, 1)))
    starts = [_point(stretch.line, 0.15 * stretch.line.length)] if over is None else over
    out = []
    for start in starts:
        before, after = (_followed(flow.cells, faces, np.asarray(start, dtype=float), sense) for sense in (-1.0, 1.0))
        out.append(np.array([*before[::-1], *after[1:]]))
    return tuple(out)


def _followed(grid: return_sheet.Cells, faces: tuple[Floats, Floats], start: Floats, sense: float) -> list[Floats]:
    """Places along a line of current in steps of a third of a cell, until it ends in a contact.

    In a cell each part changes evenly from one face to the other, so that no line passes a closed face.
    """
    at, way = start, [start]
    corner = np.array([grid.x0, grid.y0])
    for _ in range(10 * max(grid.copper.shape)):
        u = (at - corner) / grid.size
        i, j = np.clip(np.floor(u).astype(int), 0, np.array(grid.copper.shape) - 1).tolist()
        s, t = np.clip(u - (i, j), 0.0, 1.0).tolist()
        v = np.array(
            [
                (1 - s) * faces[0][i, j] + s * faces[0][i + 1, j],
                (1 - t) * faces[1][i, j] + t * faces[1][i, j + 1],
            ]
        )
        speed = float(np.hypot(*v))
        if not grid.copper[i, j] or speed == 0:
            break
        if len(way) > 12 and float(np.hypot(*(at - way[-9]))) < 0.7 * grid.size:
            break  # it gathers in a contact
        step = sense * v / speed * grid.size / 3
        # not through a closed face
        for axis, place in enumerate((s, t)):
            ahead = place * grid.size + step[axis]
            beyond = 1 if ahead > grid.size else 0 if ahead < 0 else -1
            if beyond >= 0 and faces[axis][(i + beyond, j) if axis == 0 else (i, j + beyond)] == 0:
                step[axis] = (0.999 if beyond else 0.001) * grid.size - place * grid.size
        at = at + step
        way.append(at)
    return way
