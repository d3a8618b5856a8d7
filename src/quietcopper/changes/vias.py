"""Vias added: one where the return needs it, many on a pitch or along an edge, some along a finger of pour."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from quietcopper.board import Board
from quietcopper.board.model import Bools, Floats
from quietcopper.changes.base import Changed, ChangeError, Rules, named, net_of, place_mm
from quietcopper.changes.habits import fill_clearance, via_size
from quietcopper.changes.room import HOLE_TO_HOLE, Room, around, give_way
from quietcopper.changes.tables import ViaSize, with_vias

WITHIN = 1e-3  # m; how far from the wished place a via is looked for where nothing is said
FREE_STEP = 0.25e-3  # m between the places that are offered
SHIFTS = 4  # places tried each way beside a grid point of a stitching, a quarter of the pitch apart


def add_via(
    board: Board,
    rules: Rules,
    *,
    net: str,
    at: tuple[float, float],
    within: float = WITHIN,
    layers: Sequence[int] = (),
    drill: float | None = None,
    pad: float | None = None,
) -> Changed:
    """A through via of a net at the free place nearest to `at` (m) and no further than `within` from it.

    It must lie in areas of its net on `layers`, or on two layers where none are named. Areas of other nets give way.
    Raises ChangeError where there is no such place.
    """
    return add_vias(board, rules, net, [at], within, layers, via_size(board, net_of(board, net), drill, pad))


def add_vias(
    board: Board,
    rules: Rules,
    net: str,
    wished: Sequence[tuple[float, float]],
    within: float,
    layers: Sequence[int],
    size: ViaSize,
    *,
    all_of_them: bool = True,
) -> Changed:
    """A via near each wished place. all_of_them : an error where one has no room; else it is left out."""
    row, room = net_of(board, net), Room(board, rules)
    placed: list[tuple[float, float]] = []
    for at in wished:
        places = around(*at, within)
        good = room.fits_via(places, row, size)
        good[good] = _apart(places[good], placed, size, rules)
        good[good] = _joins(room, places[good], row, size, layers)
        if good.any():
            x, y = places[int(np.argmax(good))].tolist()
            placed.append((x, y))
        elif all_of_them:
            raise ChangeError(
                f"no via of {net} fits within {within * 1e3:g} mm of {place_mm(*at)}, in its copper on "
                + (f"layers {named([str(i + 1) for i in layers])}" if layers else "two layers")
                + f" and {rules.spacing * 1e3:g} mm from everything else"
            )
    return _drilled(board, rules, row, placed, size)


def free_via_places(
    board: Board, rules: Rules, net: str, at: tuple[float, float], within: float, layers: Sequence[int]
) -> tuple[list[tuple[float, float]], ViaSize]:
    """Where a through via of a net fits within `within` of a place and lies in its areas on `layers`, nearest first, a
    quarter of a millimetre apart, and the size it has. Raises ChangeError where no via size is known."""
    row, room = net_of(board, net), Room(board, rules)
    size = via_size(board, row)
    places = around(*at, within, FREE_STEP)
    good = room.fits_via(places, row, size)
    good[good] = _joins(room, places[good], row, size, layers)
    return [(float(x), float(y)) for x, y in places[good]], size


def _apart(places: Floats, placed: Sequence[tuple[float, float]], size: ViaSize, rules: Rules) -> Bools:
    """Which places keep clear of vias of the same net and size that this edit has put down."""
    least = max(size.drill + HOLE_TO_HOLE, size.pad + rules.spacing)
    out = np.ones(len(places), dtype=bool)
    for x, y in placed:
        out &= np.hypot(places[:, 0] - x, places[:, 1] - y) >= least
    return out


def _joins(room: Room, places: Floats, net: int, size: ViaSize, layers: Sequence[int]) -> Bools:
    met = room.layers_met(places, net, size.drill / 2)
    if layers:
        return np.asarray(met[:, list(layers)].all(axis=1))
    return np.asarray(met.sum(axis=1) >= min(2, len(room.board.layers)))


def _drilled(board: Board, rules: Rules, net: int, places: Sequence[tuple[float, float]], size: ViaSize) -> Changed:
    new = with_vias(board, net, places, size)
    pads = [shapely.buffer(shapely.points(x, y), size.pad / 2, quad_segs=8) for x, y in places]
    return Changed(give_way(new, net, [pads] * len(board.layers), fill_clearance(board, rules.spacing)))


def stitch(
    board: Board,
    rules: Rules,
    *,
    net: str,
    pitch: float,
    box: tuple[float, float, float, float] | None = None,
    edge: bool = False,
    drill: float | None = None,
    pad: float | None = None,
) -> Changed:
    """Through vias that tie a net's areas together on a pitch (m), where they really fit.

    box : only there (x0, y0, x1, y1; m), else all over the board; edge : along the edge of the net's copper instead of
    all over it. A grid point without room is tried at places up to half a pitch beside it. Where a via of the net
    that joins the areas is already within half a pitch, none is added. Raises ChangeError where not one fits.
    """
    row = net_of(board, net)
    size = via_size(board, row, drill, pad)
    if pitch < size.pad + rules.spacing:
        raise ChangeError(f"a pitch of {pitch * 1e3:g} mm is less than a via pad and its spacing take up")
    room = Room(board, rules)
    grid = _along_edge(board, row, pitch, size, rules) if edge else _grid(board, pitch)
    if box is not None:
        x0, y0, x1, y1 = box
        grid = grid[(grid[:, 0] >= x0) & (grid[:, 0] <= x1) & (grid[:, 1] >= y0) & (grid[:, 1] <= y1)]
    shifts = around(0.0, 0.0, pitch / 2, pitch / (2 * SHIFTS))
    places = (grid[:, None] + shifts[None]).reshape(-1, 2)
    good = room.fits_via(places, row, size)
    good[good] = _joins(room, places[good], row, size, ())
    fitted = bool(good.any())
    good &= _far_from_own(room, places, row, pitch / 2)
    placed: list[tuple[float, float]] = []
    for tried, fits in zip(places.reshape(len(grid), -1, 2), good.reshape(len(grid), -1), strict=True):
        fitting = tried[fits]
        fitting = fitting[_apart(fitting, _near(placed, tried[0], 2 * pitch), size, rules)]
        if len(fitting):
            placed.append((float(fitting[0, 0]), float(fitting[0, 1])))
    if not placed and fitted:
        raise ChangeError(f"vias of {net} stand at least as close as every {pitch * 1e3:g} mm already")
    if not placed:
        raise ChangeError(f"not one via of {net} fits at {pitch * 1e3:g} mm pitch where its areas lie over each other")
    changed = _drilled(board, rules, row, placed, size)
    many = "1 via" if len(placed) == 1 else f"{len(placed)} vias"
    note = f"{many} of {net} added, {size.drill * 1e3:g} mm holes in {size.pad * 1e3:g} mm pads."
    return Changed(changed.board, (note,))


def _grid(board: Board, pitch: float) -> Floats:
    x0, y0, x1, y1 = board.outline.bounds
    nx, ny = (max(1, int((high - low) / pitch)) for low, high in ((x0, x1), (y0, y1)))
    x = (x0 + x1) / 2 + pitch * (np.arange(nx) - (nx - 1) / 2)
    y = (y0 + y1) / 2 + pitch * (np.arange(ny) - (ny - 1) / 2)
    return np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)


def _along_edge(board: Board, net: int, pitch: float, size: ViaSize, rules: Rules) -> Floats:
    """Places along the outer edge of a net's largest area, a via and its spacing inside it."""
    shapes = board.areas.shape[board.areas.net == net]
    if not len(shapes):
        return np.empty((0, 2))
    largest = max(shapes.tolist(), key=lambda s: (round(s.area, 12), s.bounds))
    inset = shapely.Polygon(largest.exterior).buffer(-(size.pad / 2 + rules.spacing), join_style="mitre")
    out = [np.empty((0, 2))]
    for part in shapely.get_parts(inset).tolist():
        ring = part.exterior
        count = max(1, int(ring.length / pitch))
        points = shapely.line_interpolate_point(ring, np.arange(count) / count, normalized=True)
        out.append(shapely.get_coordinates(points))
    return np.concatenate(out)


def _far_from_own(room: Room, places: Floats, net: int, distance: float) -> Bools:
    """Whether no plated hole of the net that joins its areas on two layers lies within a distance of the places."""
    vias = room.board.vias
    own = np.flatnonzero((vias.net == net) & vias.plated)
    if not len(own):
        return np.ones(len(places), dtype=bool)
    at = np.stack([vias.x[own], vias.y[own]], -1)
    # half the drill: antipads and thermal spokes leave no full ring round a pin's hole
    joining = room.layers_met(at, net, 1e-6).sum(axis=1) >= 2
    out = np.ones(len(places), dtype=bool)
    if joining.any():
        tree = shapely.STRtree(shapely.points(at[joining]))
        near, _ = tree.query(shapely.points(places), predicate="dwithin", distance=distance)
        out[near] = False
    return out


def _near(placed: Sequence[tuple[float, float]], at: Floats, distance: float) -> list[tuple[float, float]]:
    return [p for p in placed if abs(p[0] - at[0]) < distance and abs(p[1] - at[1]) < distance]


def tie_fingers(
    board: Board,
    rules: Rules,
    *,
    net: str,
    layer: int,
    at: Sequence[tuple[float, float]],
    within: float = 2e-3,
    drill: float | None = None,
    pad: float | None = None,
) -> Changed:
    """Vias that tie strips of pour to their net: one near each place (m), in the net's copper on `layer` and on one
    more layer.

    Raises ChangeError where one of them has no room.
    """
    row = net_of(board, net)
    size = via_size(board, row, drill, pad)
    others = sorted({int(i) for i in board.areas.layer[board.areas.net == row]} - {layer})
    if not others:
        raise ChangeError(f"{net} has copper on layer {layer + 1} only, so there is nothing to tie it to")
    nearest = min(others, key=lambda i: (abs(i - layer), i))
    return add_vias(board, rules, net, list(at), within, [layer, nearest], size)
