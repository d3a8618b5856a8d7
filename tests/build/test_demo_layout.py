"""Bogbean is really routed: every net one piece of copper, nothing touches, parts fit, supplies are decoupled."""

from __future__ import annotations

import time
from collections import Counter, defaultdict
from collections.abc import Callable
from functools import cache
from itertools import combinations

import numpy as np
import pytest
import shapely

from quietcopper.board import Board
from quietcopper.build import BoardBuilder
from quietcopper.demo import SINS, revision_a, revision_b
from quietcopper.demo.parts import HOLES, place_parts
from quietcopper.demo.revision_a import start

CLEARANCE = 0.1e-3
REVISIONS = (revision_a, revision_b)
revision = pytest.mark.parametrize("revision", REVISIONS)
built = cache(lambda make: make())
Make = Callable[[], Board]


@cache
def copper(make: Make) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(net, layer, shape, hole) of every piece of metal; hole : row in vias for a barrel, else -1; net -1 unplated."""
    board = built(make)
    rows = [
        (int(n), int(at), s, -1)
        for table, shapes in (
            (board.traces, board.traces.shapes),
            (board.pads, board.pads.shape),
            (board.areas, board.areas.shape),
        )
        for n, at, s in zip(table.net, table.layer, shapes, strict=True)
    ]
    vias = board.vias
    for i in range(len(vias)):
        barrel = shapely.Point(vias.x[i], vias.y[i]).buffer(vias.drill[i] / 2)
        net = int(vias.net[i]) if vias.plated[i] else -1
        rows += [(net, at, barrel, i) for at in range(vias.first[i], vias.last[i] + 1)]
    shapes = np.empty(len(rows), dtype=object)
    shapes[:] = [row[2] for row in rows]
    net, layer, hole = (np.array([row[k] for row in rows]) for k in (0, 1, 3))
    return net, layer, shapes, hole


def pairs(make: Make, distance: float) -> np.ndarray:
    """Index pairs (2, n) of metal on one layer that lies nearer than the distance."""
    _, layer, shapes, _ = copper(make)
    out = []
    for at in np.unique(layer):
        rows = np.flatnonzero(layer == at)
        if distance:
            a, b = shapely.STRtree(shapes[rows]).query(shapes[rows], predicate="dwithin", distance=distance)
        else:
            a, b = shapely.STRtree(shapes[rows]).query(shapes[rows], predicate="intersects")
        out.append(rows[np.stack([a[a < b], b[a < b]])])
    return np.concatenate(out, axis=1)


@revision
def test_no_two_nets_come_nearer_than_the_clearance(revision: Make) -> None:
    net, layer, shapes, _ = copper(revision)
    board = built(revision)
    a, b = pairs(revision, CLEARANCE - 1e-9)
    clash = net[a] != net[b]
    assert not [
        (board.nets[net[i]], board.nets[net[j]], int(layer[i]) + 1, shapely.shortest_line(shapes[i], shapes[j]).wkt)
        for i, j in zip(a[clash], b[clash], strict=True)
    ]
    open_pads = (net[a] == 0) & (net[b] == 0)
    assert not open_pads.any()


@revision
def test_holes_leave_material_between_them(revision: Make) -> None:
    vias = built(revision).vias
    gap = np.hypot(vias.x[:, None] - vias.x, vias.y[:, None] - vias.y) - (vias.drill[:, None] + vias.drill) / 2
    assert gap[np.triu_indices(len(vias), 1)].min() > 0.3e-3


def pieces(make: Make) -> dict[str, list[np.ndarray]]:
    """Connected copper by net: each piece as indices into copper(), largest first."""
    net, _, _, hole = copper(make)
    parent = np.arange(len(net))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    a, b = pairs(make, 0)
    for i, j in zip(a, b, strict=True):
        if net[i] == net[j] and net[i] > 0:
            parent[root(i)] = root(j)
    first: dict[int, int] = {}
    for i in np.flatnonzero(hole >= 0):
        parent[root(i)] = root(first.setdefault(int(hole[i]), int(i)))
    groups: dict[tuple[int, int], list[int]] = defaultdict(list)
    for i in np.flatnonzero(net > 0):
        groups[int(net[i]), root(int(i))].append(int(i))
    out: dict[str, list[np.ndarray]] = defaultdict(list)
    for (n, _), members in sorted(groups.items(), key=lambda item: -len(item[1])):
        out[built(make).nets[n]].append(np.array(members))
    return out


@revision
def test_every_net_is_one_piece_of_copper_but_for_the_planted_islands(revision: Make) -> None:
    _, layer, shapes, _ = copper(revision)
    loose = []
    for name, found in pieces(revision).items():
        for piece in found[1:]:
            assert len(piece) == 1, f"{name} falls apart at {shapes[piece[0]].representative_point()}"
            loose.append((int(layer[piece[0]]) + 1, shapes[piece[0]]))
    planted = [sin for sin in SINS if sin.check == "lone-copper"] if revision is revision_a else []
    assert len(loose) == len(planted)
    for sin in planted:
        at = shapely.Point(sin.at_mm[0] * 1e-3, sin.at_mm[1] * 1e-3)
        assert any(number in sin.layers and shape.covers(at) for number, shape in loose), sin.name


@revision
def test_every_net_joins_two_pins_or_more(revision: Make) -> None:
    board = built(revision)
    count = Counter(board.nets[n] for n in board.pins.net)
    assert [name for name in board.nets[1:] if count[name] < 2] == []


@revision
def test_everything_lies_on_the_board(revision: Make) -> None:
    board = built(revision)
    _, _, shapes, hole = copper(revision)
    coax = board.parts.ref.tolist().index("J3")  # its pads reach the edge on purpose
    at_edge = {p.wkb for p, pin in zip(board.pads.shape, board.pads.pin, strict=True) if board.pins.part[pin] == coax}
    inside = board.outline.buffer(-0.25e-3)
    outside = [s for s, h in zip(shapes, hole, strict=True) if h < 0 and not inside.covers(s) and s.wkb not in at_edge]
    assert not outside


def placed() -> BoardBuilder:
    b = start("parts", prepreg_um=200, core_um=1000)
    place_parts(b, "GND")
    return b


def test_parts_do_not_overlap() -> None:
    b = placed()
    board = b.build()
    pads: dict[str, list[shapely.Geometry]] = defaultdict(list)
    for shape, pin in zip(board.pads.shape, board.pads.pin, strict=True):
        pads[board.parts.ref[board.pins.part[pin]]].append(shape)
    solid = {ref: shapely.union_all([body, *pads[ref]]) for ref, (body, _) in b.bodies.items()}
    for (one, a), (other, c) in combinations(solid.items(), 2):
        assert a.distance(c) > 0.15e-3, (one, other)
    for hole in HOLES:
        head = shapely.Point(hole[0] * 1e-3, hole[1] * 1e-3).buffer(2.5e-3)
        assert not [ref for ref, shape in solid.items() if head.intersects(shape)]


@revision
def test_each_supply_pin_has_a_capacitor_and_a_ground_via_near(revision: Make) -> None:
    board = built(revision)
    pins, parts = board.pins, board.parts
    supplies = {board.net_index[name] for name in ("3V3", "3V3A", "1V8", "5V")}
    grounds = {board.net_index[name] for name in ("GND", "GND_IO") if name in board.net_index}
    nets_of: dict[int, set[int]] = defaultdict(set)
    for part, n in zip(pins.part, pins.net, strict=True):
        nets_of[int(part)].add(int(n))
    is_capacitor = np.array([str(parts.ref[p]).startswith("C") and bool(nets_of[p] & grounds) for p in pins.part])
    vias = board.vias
    for i in range(len(pins)):
        if board.pin_label(i) == "U7.6":
            continue  # an input strapped to its supply
        if int(pins.net[i]) in supplies and str(parts.ref[pins.part[i]]).startswith("U"):
            mates = np.flatnonzero(is_capacitor & (pins.net == pins.net[i]))
            away = np.hypot(pins.x[mates] - pins.x[i], pins.y[mates] - pins.y[i])
            assert away.min() < 4e-3, board.pin_label(i)
    tied = np.flatnonzero(vias.plated & np.isin(vias.net, list(grounds)))
    for i in np.flatnonzero(is_capacitor & np.isin(pins.net, list(grounds))):
        assert np.hypot(vias.x[tied] - pins.x[i], vias.y[tied] - pins.y[i]).min() < 1.5e-3, board.pin_label(i)


@revision
def test_it_is_built_in_less_than_three_seconds(revision: Make) -> None:
    began = time.perf_counter()
    revision()
    assert time.perf_counter() - began < 3


def test_both_revisions_are_the_same_product() -> None:
    a, b = built(revision_a), built(revision_b)
    assert set(a.nets) - set(b.nets) == {"GND_IO"}
    assert set(b.nets) <= set(a.nets)
    assert set(a.parts.ref) - set(b.parts.ref) == {"R19", "C32"}
    place_a = {r: (x, y) for r, x, y in zip(a.parts.ref, a.parts.x, a.parts.y, strict=True)}
    assert all(place_a[r] == (x, y) for r, x, y in zip(b.parts.ref, b.parts.x, b.parts.y, strict=True))
    assert len(a.layers) == len(b.layers) == 4
