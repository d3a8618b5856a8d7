"""A capacitor added where two nets' areas need joining at high frequency: two pads, two vias, at a free place."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import affine_transform

from quietcopper.board import Board
from quietcopper.board.model import Bools, Floats, Shapes
from quietcopper.build.packages import Package, chip
from quietcopper.changes.base import Changed, ChangeError, Rules, named, nets_of, place_mm
from quietcopper.changes.habits import fill_clearance, via_size
from quietcopper.changes.room import Room, around, give_way
from quietcopper.changes.tables import ViaSize, added, with_vias
from quietcopper.units import engineering

USUAL = 100e-9  # F
SIZES = ((1e-6, "0402"), (10e-6, "0603"), (22e-6, "0805"), (100e-6, "1206"))  # F at most; common practice, no source
WITHIN = 5e-3  # m; further away a capacitor bridges little
STEP = 0.25e-3  # m between the places that are tried
TURNS = (0, 1, 2, 3)  # quarter turns
COURTYARD = 0.15e-3  # m round a part's body and pads; common practice, no source


def bridge_gap(
    board: Board,
    rules: Rules,
    *,
    nets: Sequence[str],
    at: tuple[float, float],
    within: float = WITHIN,
    drill: float | None = None,
    pad: float | None = None,
    farad: float = USUAL,
) -> Changed:
    """A chip capacitor (F) between two nets at the free place nearest to `at` (m), on either side of the board, each
    end with a via of its own beside the pad that lands in an area of its net.

    Raises ChangeError where there is no room within `within` (m).
    """
    rows = nets_of(board, nets)
    if len(rows) != 2:
        raise ChangeError(f"a capacitor joins two nets, found {named(list(nets)) or 'none'}")
    size = via_size(board, rows[0], drill, pad)
    package = next((name for most, name in SIZES if farad <= most), SIZES[-1][1])
    body = _Body.of(chip(package), size, rules)
    room = Room(board, rules)
    blocked = [_courtyards(board, side) for side in (0, 1)]
    best: tuple[float, int, int, Floats] | None = None
    for reach in (r for r in (within / 4, within / 2, within) if best is None):  # near places first: they are fewer
        places = around(*at, reach, STEP)
        for side, turn in product((0, 1), TURNS):
            found = _first(room, _Placed(body, side, turn), places, rows, size, blocked[side])
            if found is not None:
                distance = float(np.hypot(*(found - at)))
                if best is None or distance < best[0] - 1e-9:
                    best = (distance, side, turn, found)
    if best is None:
        raise ChangeError(
            f"no capacitor from {board.nets[rows[0]]} to {board.nets[rows[1]]} fits within {within * 1e3:g} mm of "
            f"{place_mm(*at)} with a via at each end in its area"
        )
    distance, side, turn, (x, y) = best
    value = engineering(farad, "F")
    changed, ref = _placed(board, rules, _Placed(body, side, turn), (float(x), float(y)), rows, size, value)
    where = f"{distance * 1e3:.1f} mm away, " if distance > 0 else ""
    note = f"{ref}, {value} in {package} size, {where}on {'top' if side == 0 else 'the bottom'} at {place_mm(x, y)}."
    return Changed(changed, (note,))


@dataclass(frozen=True, eq=False)
class _Body:
    """The part at (0, 0), metres: pads, short traces to the vias, via places and what the part takes up."""

    package: Package
    ways: tuple[tuple[float, float, float], ...]  # from x, to x, width
    vias: tuple[float, float]
    courtyard: shapely.Polygon

    @classmethod
    def of(cls, package: Package, size: ViaSize, rules: Rules) -> _Body:
        vias, ways = [], []
        for land in package.lands:
            x0, y0, x1, y1 = land.shape.bounds
            end, sign = (x0, -1.0) if land.x < 0 else (x1, 1.0)
            via = end + sign * (size.pad / 2 + rules.spacing)  # the space is for mask between pad and hole
            vias.append(via)
            ways.append((land.x, via, min(y1 - y0, size.pad)))
        whole = shapely.union_all([package.body, *(land.shape for land in package.lands)])
        return cls(package, tuple(ways), (vias[0], vias[1]), shapely.box(*whole.bounds).buffer(COURTYARD))


@dataclass(frozen=True)
class _Placed:
    """A body on a side of the board, turned by quarter turns."""

    body: _Body
    side: int
    turn: int

    def direction(self) -> tuple[float, float]:
        """Unit vector on the board from pin 1 to pin 2."""
        c, s = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[self.turn]
        return (-c if self.side else c), s

    def shape(self, shape: shapely.Geometry) -> shapely.Geometry:
        c, s = self.direction()
        return affine_transform(shape, [c, -s, s, c, 0.0, 0.0])

    def point(self, along: float) -> tuple[float, float]:
        c, s = self.direction()
        return c * along, s * along

    def copper(self, pin: int) -> shapely.Geometry:
        """Pad and short trace of one pin."""
        start, end, width = self.body.ways[pin]
        way = shapely.LineString([(start, 0.0), (end, 0.0)]).buffer(width / 2, quad_segs=8)
        return self.shape(shapely.union(self.body.package.lands[pin].shape, way))


def _shifted(shape: shapely.Geometry, places: Floats) -> Shapes:
    points, count = shapely.get_coordinates(shape), len(places)
    rings = points[None] + places[:, None]
    return np.asarray(shapely.polygons(rings)) if count else np.empty(0, dtype=object)


def _first(
    room: Room, tried: _Placed, places: Floats, nets: Sequence[int], size: ViaSize, blocked: shapely.STRtree
) -> Floats | None:
    """The first of the places where the part fits."""
    outer = 0 if tried.side == 0 else len(room.board.layers) - 1
    good: Bools = np.ones(len(places), dtype=bool)
    courtyards = _shifted(tried.shape(tried.body.courtyard), places)
    near, _ = blocked.query(courtyards, predicate="intersects")
    good[near] = False
    for pin, net in enumerate(nets):
        for check in (_copper_clear, _via_fits):
            rows = np.flatnonzero(good)
            good[rows] = check(room, tried, places[rows], pin, net, size, outer)
    return places[int(np.argmax(good))] if good.any() else None


def _copper_clear(room: Room, tried: _Placed, places: Floats, pin: int, net: int, size: ViaSize, outer: int) -> Bools:
    inside = room.board.outline.buffer(-room.rules.spacing)
    shapely.prepare(inside)
    shapes = _shifted(shapely.convex_hull(tried.copper(pin)), places)
    out: Bools = shapely.contains(inside, shapes)
    out[out] = room.clear(shapes[out], net, outer)
    return out


def _via_fits(room: Room, tried: _Placed, places: Floats, pin: int, net: int, size: ViaSize, outer: int) -> Bools:
    at = places + np.asarray(tried.point(tried.body.vias[pin]))
    out = room.fits_via(at, net, size)
    met = room.layers_met(at[out], net, size.drill / 2)
    met[:, outer] = False  # the plane that needs the bridge is not the pour that the part stands on
    out[out] = met.any(axis=1) if len(room.board.layers) > 2 else True
    return out


def _courtyards(board: Board, side: int) -> shapely.STRtree:
    """What the parts on a side take up: the hull of each part's pads there; through pins count on both sides."""
    outer = 0 if side == 0 else len(board.layers) - 1
    pads, pins = board.pads, board.pins
    rows = np.flatnonzero((pads.pin >= 0) & (pads.layer == outer))
    part = pins.part[pads.pin[rows]]
    hulls: list[shapely.Geometry] = []
    for one in np.unique(part).tolist():
        shapes = pads.shape[rows[part == one]]
        on_side = int(board.parts.side[one]) == side
        hulls += [shapely.convex_hull(shapely.union_all(shapes))] if on_side else shapes.tolist()
    return shapely.STRtree(hulls)


def place_between_parts(
    board: Board, size: tuple[float, float], at: tuple[float, float], within: float
) -> tuple[float, float, int] | None:
    """Where a rectangle (width, height, m), either way up, finds room between the parts within a distance of a place:
    x, y and the side, the nearest first; None where it does not. Traces are taken to give way."""
    places = around(*at, within, STEP)
    best: tuple[float, float, float, int] | None = None
    for side in (0, 1):
        parts = _courtyards(board, side)
        for width, height in (size, size[::-1]):
            boxes = _shifted(shapely.box(-width / 2, -height / 2, width / 2, height / 2), places)
            good = shapely.contains(board.outline, boxes)
            good[parts.query(boxes, predicate="intersects")[0]] = False
            if good.any():
                x, y = places[int(np.argmax(good))].tolist()
                found = (round(float(np.hypot(x - at[0], y - at[1])), 9), x, y, side)
                best = found if best is None else min(best, found, key=lambda b: (b[0], b[3]))
    return None if best is None else best[1:]


def _placed(
    board: Board, rules: Rules, tried: _Placed, at: tuple[float, float], nets: Sequence[int], size: ViaSize, value: str
) -> tuple[Board, str]:
    """The board with the part, and its reference."""
    outer = 0 if tried.side == 0 else len(board.layers) - 1
    ref, part, first = _free_reference(board), len(board.parts), len(board.pins)
    pins, pads, traces, places = [], [], [], []
    copper: list[list[shapely.Geometry]] = [[] for _ in board.layers]
    for pin, (net, land) in enumerate(zip(nets, tried.body.package.lands, strict=True)):
        move: NDArray[np.float64] = np.asarray(at)
        x, y = (move + tried.point(land.x)).tolist()
        shape = shapely.transform(tried.shape(land.shape), lambda p, m=move: p + m)
        via = tuple((move + tried.point(tried.body.vias[pin])).tolist())
        pins.append((part, land.pin, net, x, y, outer))
        pads.append((net, outer, x, y, shape, -1, first + pin))
        traces.append((net, outer, x, y, *via, np.nan, np.nan, 0, tried.body.ways[pin][2]))
        places.append((net, via))
        copper[outer].append(shapely.transform(tried.copper(pin), lambda p, m=move: p + m))
    row = (ref, value, tried.body.package.name, tried.side, *at, tried.turn * np.pi / 2)
    changed = dataclasses.replace(
        board,
        parts=added(board.parts, [row]),
        pins=added(board.pins, pins),
        pads=added(board.pads, pads),
        traces=added(board.traces, traces),
    )
    for pin, (net, via) in enumerate(places):
        changed = with_vias(changed, net, [via], size)
        disc = shapely.Point(via).buffer(size.pad / 2, quad_segs=8)
        here = [[disc] for _ in board.layers]
        here[outer].append(copper[outer][pin])
        changed = give_way(changed, net, here, fill_clearance(board, rules.spacing))
    return changed, ref


def _free_reference(board: Board) -> str:
    used = [int(m[1]) for ref in board.parts.ref if (m := re.fullmatch(r"C(\d{1,6})", str(ref)))]
    return f"C{max(used, default=0) + 1}"
