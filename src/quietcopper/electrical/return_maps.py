"""Where a line's return current flows on its plane, as drawing data: round a gap, or along a whole stretch of a net."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from quietcopper.electrical.tiles import layer_copper
from quietcopper.errors import OutOfRange
from quietcopper.fields import return_sheet
from quietcopper.units import MM

if TYPE_CHECKING:
    from quietcopper.board.model import Floats
    from quietcopper.electrical.view import View

CELLS = 130  # along the longer side of a map
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
    """The solved return of a stretch. ways : lines that the current follows, m, in order from the
    line's end: one, or one on each piece of copper where it is handed over"""

    stretch: Stretch
    flow: return_sheet.ReturnFlow
    ways: tuple[Floats, ...]

    def drawing(self) -> dict[str, Any]:
        """Map of the sheet current, millimetres, as the page draws maps; A/m per ampere, cells together as drawn."""
        grid, density = self.flow.cells, self.flow.density()
        nx, ny = density.shape
        step = max(1, int(np.ceil(max(nx, ny) / DRAWN)))
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

    def way(self) -> dict[str, Any]:
        """The signal's way and that of its return, millimetres."""
        signal = shapely.get_coordinates(self.stretch.line)
        way = np.concatenate(self.ways)
        return {"signal_mm": _millimetres(signal), "return_mm": _millimetres(way[:: max(1, len(way) // 150)])}


def _millimetres(points: Floats) -> list[list[float]]:
    return [[round(float(x) / MM, 4), round(float(y) / MM, 4)] for x, y in points]


def stretches(view: View, net: int) -> list[Stretch]:
    """A net's ways over its planes, longest first: runs of one layer and one reference layer put together."""
    runs, board = view.runs, view.board
    above = runs.above_gap < runs.below_gap
    reference = np.where(above, runs.above_layer, runs.below_layer)
    mine = np.flatnonzero(runs.net == net)
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
    within 5 mm, else under the end. Raises OutOfRange where the plane leads from one to the other nowhere."""
    x0, y0, x1, y1 = stretch.line.bounds
    window = (x0 - MARGIN, y0 - MARGIN, x1 + MARGIN, y1 + MARGIN)
    ends = shapely.get_coordinates(stretch.line)[[-1, 0]]
    contacts = np.array([_contact(view, stretch, end) for end in ends])
    return _solved(view, stretch, frequency, window, contacts[:1], contacts[1:])


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
    entry, leave = end[None], start[None]
    if bridge is not None:
        entry, leave = np.array([end, bridge]), np.array([bridge, start])
    return _solved(view, stretch, frequency, box.bounds, entry, leave)


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
    entry: Floats,
    leave: Floats,
) -> ReturnMap:
    board = view.board
    copper = layer_copper(board, stretch.reference)
    tiles = copper.tree.query(shapely.box(*window), predicate="intersects")
    tiles = tiles[copper.nets[copper.owner[tiles]] != stretch.net]
    if not len(tiles):
        raise OutOfRange("no copper lies under or over the line there")
    whole = shapely.intersection(shapely.union_all(copper.tiles[tiles]), shapely.box(*window))
    size = max(window[2] - window[0], window[3] - window[1]) / CELLS
    grid = return_sheet.cells(whole, size, window)
    entry, leave = _joined(grid, entry, leave)
    trace = return_sheet.Trace(shapely.get_coordinates(stretch.line), stretch.height, stretch.width)
    layer = board.layers[stretch.reference]
    sheet = return_sheet.surface_impedance(frequency, layer.thickness, layer.conductivity)
    flow = return_sheet.solve(grid, trace, entry, leave, frequency, sheet)
    return ReturnMap(stretch, flow, _ways(flow, stretch, len(entry)))


def _joined(grid: return_sheet.Cells, entry: Floats, leave: Floats) -> tuple[Floats, Floats]:
    """Hand-over places moved on to the piece of copper that the line's end stands on, on either side."""
    if len(entry) == 1:
        return entry, leave
    out = [np.array(entry, dtype=float), np.array(leave, dtype=float)]
    for pair, fixed, moved in ((0, 0, 1), (1, 1, 0)):
        piece = int(grid.piece[grid.nearest(out[fixed][pair])])
        i, j = grid.nearest(out[moved][pair], piece)
        out[moved][pair] = grid.x[i], grid.y[j]
    return out[0], out[1]


def _ways(flow: return_sheet.ReturnFlow, stretch: Stretch, pieces: int) -> tuple[Floats, ...]:
    """Lines that the current follows from under the trace, forward and back; on either piece where there are two."""
    # in phase with the largest part of the current, which flows against the trace
    across, along = np.asarray(flow.across), np.asarray(flow.along)
    larger = across if np.abs(across).max() >= np.abs(along).max() else along
    lead = larger.ravel()[int(np.argmax(np.abs(larger)))]
    turn = np.conj(lead) / abs(lead) * (1.0 if np.real(lead) >= 0 else -1.0)
    # with a closed face on every edge of the grid: left and lower faces of each cell, and one more
    faces = np.pad(np.real(across * turn), ((1, 1), (0, 0))), np.pad(np.real(along * turn), ((0, 0), (1, 1)))
    starts = (0.15,) if pieces == 1 else (0.85, 0.15)
    out = []
    for share in starts:
        start = np.array(stretch.line.interpolate(share, normalized=True).coords[0])
        before, after = (_followed(flow.cells, faces, start, sense) for sense in (-1.0, 1.0))
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
