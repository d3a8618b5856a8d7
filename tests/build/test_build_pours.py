"""Pours keep clear of what is foreign, hold what is theirs, and drop or keep the rest."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon

from quietcopper.board import Board
from quietcopper.build import BoardBuilder, chip, header, rectangle, small_board, strip

CLEARANCE = 0.3e-3
place = st.tuples(st.integers(4, 96).map(lambda n: n / 2), st.integers(4, 56).map(lambda n: n / 2))


def foreign_copper(board: Board, layer: int, net: int) -> list[Polygon]:
    shapes = [s for s, n, at in zip(board.traces.shapes, board.traces.net, board.traces.layer, strict=True)
              if at == layer and n != net]  # fmt: skip
    shapes += [s for s, n, at in zip(board.pads.shape, board.pads.net, board.pads.layer, strict=True)
               if at == layer and n != net]  # fmt: skip
    vias = board.vias
    for i in range(len(vias)):
        if vias.first[i] <= layer <= vias.last[i] and (vias.net[i] != net or not vias.plated[i]):
            shapes.append(shapely.Point(vias.x[i], vias.y[i]).buffer(vias.drill[i] / 2, quad_segs=64))
    return shapes


@given(
    lines=st.lists(st.tuples(st.sampled_from(("GND", "A", "B")), place, place), max_size=8),
    vias=st.lists(st.tuples(st.sampled_from(("GND", "A", "B")), place), max_size=8),
    parts=st.lists(st.tuples(place, st.integers(0, 359)), max_size=4),
    holes=st.lists(place, max_size=2),
    min_width=st.sampled_from((0.0, 0.25)),
)
@settings(max_examples=60, deadline=None)
def test_clearance_is_never_undercut(lines, vias, parts, holes, min_width) -> None:  # type: ignore[no-untyped-def]
    b = small_board(2)
    for net, start, end in lines:
        if start != end:
            b.trace(net, 1, [start, end])
    for net, at in vias:
        b.via(net, at)
    for i, (at, turn) in enumerate(parts):
        b.part(f"R{i}", chip("0603"), at, nets=("A", "GND"), turn_deg=turn)
    for at in holes:
        b.hole(at, 2.0)
    b.pour("GND", 1, rectangle(0, 0, 50, 30), clearance=0.3, edge=0.5, min_width=min_width, keep_islands=True)
    board = b.build()
    net = board.net_index["GND"]
    rest = foreign_copper(board, 0, net)
    for area in board.areas.shape:
        assert area.is_valid
        assert board.outline.exterior.distance(area) > 0.5e-3 - 1e-9
        if rest:
            # 0.05 µm: the own net's round shapes are polygons themselves; nothing may come nearer than that
            assert shapely.distance(np.array(rest, dtype=object), area).min() > CLEARANCE - 5e-8


def island_board(**pour: object) -> Board:
    """A foreign trace across a pour; only the left half has a via of its own net."""
    b = small_board(2)
    b.trace("A", 1, [(25, -1), (25, 31)])
    b.via("GND", (10, 15))
    b.pour("GND", 1, rectangle(1, 1, 49, 29), **pour)  # type: ignore[arg-type]
    return b.build()


def test_islands_are_dropped_unless_kept() -> None:
    assert len(island_board().areas) == 1
    kept = island_board(keep_islands=True).areas
    assert len(kept) == 2
    assert [round(s.centroid.x * 1e3) for s in kept.shape] == [13, 37]


def test_of_two_overlapping_pours_the_first_keeps_the_place() -> None:
    b = small_board(2)
    b.pour("3V3", 1, rectangle(10, 10, 20, 20), keep_islands=True)
    b.pour("GND", 1, rectangle(0, 0, 50, 30), clearance=0.5, keep_islands=True)
    board = b.build()
    by_net = {board.nets[n]: s for n, s in zip(board.areas.net, board.areas.shape, strict=True)}
    assert by_net["3V3"].area == pytest.approx(100e-6)
    assert by_net["GND"].distance(by_net["3V3"]) == pytest.approx(0.5e-3, rel=0.01)
    assert len(by_net["GND"].interiors) == 1


def test_pours_of_one_net_that_touch_become_one_area() -> None:
    b = small_board(2)
    for x in (0, 9):
        b.pour("GND", 1, rectangle(x, 0, x + 10, 10), keep_islands=True)
    (area,) = b.build().areas.shape
    assert area.area == pytest.approx(190e-6)


def test_thermal_relief_leaves_four_spokes() -> None:
    def copper(thermal: tuple[float, float] | None) -> Polygon:
        b = small_board(2)
        b.part("J1", header(1, pitch_mm=2.54, drill_mm=1.0, pad_mm=2.0), (10, 10), nets=("GND",))
        b.pour("GND", 1, rectangle(5, 5, 15, 15), thermal=thermal)
        (area,) = b.build().areas.shape
        return area

    flooded, relieved = copper(None), copper((0.4, 0.5))
    assert flooded.area == pytest.approx(100e-6)
    ring = (2.8**2 - 2.0**2) - (4 - np.pi) * 0.4**2  # square pad, grown round its corners
    assert (flooded.area - relieved.area) * 1e6 == pytest.approx(ring - 4 * 0.4 * 0.5, rel=0.02)
    pad = rectangle(9, 9, 11, 11)
    outside = relieved.difference(shapely.transform(pad, lambda xy: xy * 1e-3))
    assert len(shapely.get_parts(outside)) == 1


def test_min_width_drops_slivers_and_cut_splits() -> None:
    b = small_board(2)
    b.via("GND", (10, 10))
    shape = [(5, 5), (15, 5), (15, 9.9), (25, 9.9), (25, 10.1), (15, 10.1), (15, 15), (5, 15)]
    b.pour("GND", 1, shape, min_width=0.4)
    (area,) = b.build().areas.shape
    assert area.bounds[2] < 15.1e-3
    b = small_board(2)
    b.pour("GND", 1, rectangle(0, 0, 50, 30), cut=[strip([(20, -1), (20, 31)], 0.8)], keep_islands=True)
    left, right = b.build().areas.shape
    assert left.distance(right) == pytest.approx(0.8e-3)


def test_a_pour_without_net_keeps_clear_of_open_pins_and_is_kept_only_on_request() -> None:
    def board(keep: bool) -> Board:
        b = small_board(2)
        b.part("R1", chip("0603"), (10, 10), nets=("", "A"))
        b.pour("", 1, rectangle(5, 5, 15, 15), keep_islands=keep)
        return b.build()

    assert len(board(False).areas) == 0
    (area,) = board(True).areas.shape
    assert area.distance(board(True).pads.shape[0]) == pytest.approx(0.2e-3, rel=0.02)


def stitched() -> BoardBuilder:
    b = small_board(4, ground=(2, 3))
    b.trace("A", 4, [(0, 15), (50, 15)], width=0.3)
    b.part("R1", chip("0805"), (10, 10), nets=("GND", "A"))
    b.hole((40, 20), 3.2)
    b.via("GND", (25, 25))
    b.stitch("GND", rectangle(0, 0, 50, 30), 2.5)
    return b


def test_stitching_fits_in_between() -> None:
    board = stitched().build()
    vias = board.vias
    mine = np.flatnonzero(vias.plated & (vias.pin < 0))
    assert 150 < len(mine) < 240
    points = shapely.points(vias.x[mine], vias.y[mine])
    (trace,) = board.traces.shapes
    reach = 0.3e-3 + 0.2e-3  # half a pad and the clearance
    assert shapely.distance(points, trace).min() >= reach - 1e-9
    assert shapely.distance(points[1:], shapely.union_all(board.pads.shape[:2])).min() >= reach - 1e-9
    assert shapely.distance(points, shapely.Point(40e-3, 20e-3)).min() >= reach + 1.6e-3 - 2e-5
    apart = shapely.distance(points[:, None], points[None, :]) + np.eye(len(points))
    assert apart.min() >= reach + 0.15e-3 - 1e-5  # from pad to the other's hole


def test_stitching_is_deterministic() -> None:
    one, two = stitched().build(), stitched().build()
    assert (one.vias.x == two.vias.x).all()
    assert all(a.equals_exact(b, 0) for a, b in zip(one.areas.shape, two.areas.shape, strict=True))
