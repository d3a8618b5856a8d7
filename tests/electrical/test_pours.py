from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon, box
from shapely.affinity import rotate

from quietcopper.board import Board
from quietcopper.build import BoardBuilder, chip, small_board
from quietcopper.electrical.copper import connect
from quietcopper.electrical.pours import diameter, fingers, lone_copper
from quietcopper.electrical.spines import held_both_ways, spine_of

BODY = box(2, 2, 25, 38)
BODY_TIES = ((5, 5), (20, 20), (10, 30))


def pour(*shapes, ties=BODY_TIES, without=(), net: str = "GND", more=lambda b: None) -> Board:
    """One pour on layer 1, tied to a plane on layer 2 and to a part there."""
    b = small_board(4, size_mm=(60, 40))
    copper = shapely.union_all([*shapes]).difference(shapely.union_all([*without]))
    for part in shapely.get_parts(copper):
        b.area(net, 1, part)
    b.area(net, 2, box(1, 1, 59, 39))
    b.part("C1", chip("0603"), (50, 37), nets=(net, ""), side="bottom")
    for x, y in (*ties, b.pin("C1.1")):
        b.via(net, (x, y))
    more(b)
    return b.build()


def found_in(board: Board, *arguments):
    copper = connect(board)
    found = fingers(board, copper, *arguments)
    assert (found.net == board.net_index["GND"]).all()
    return found


# --- fingers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [0.3, 1.0, 2.0, 4.0])
def test_finger_is_measured_from_the_body_to_its_free_end(width):
    found = found_in(pour(BODY, box(20, 20, 45, 20 + width)))
    assert found.length == pytest.approx([20e-3], abs=0.11e-3)
    assert found.width == pytest.approx([width * 1e-3], rel=5e-3)
    assert found.free_x[0] == pytest.approx((45 - width / 2) * 1e-3, abs=0.1e-3)
    assert found.free_y[0] == pytest.approx((20 + width / 2) * 1e-3, abs=0.1e-3)
    assert found.root_x[0] == pytest.approx(25e-3, abs=0.15e-3)
    assert 0.9 < found.shape[0].area / (20 * width * 1e-6) <= 1.001  # the body's circle bulges into the mouth
    assert found.layer.tolist() == [0]
    assert found.area.tolist() == [0]


def test_finger_of_any_direction_measures_the_same():
    found = found_in(pour(BODY, rotate(box(20, 19.5, 45, 20.5), 23, origin=(20, 20))))
    reach = 25 - 5 / np.cos(np.radians(23))
    assert found.length == pytest.approx([reach * 1e-3], rel=0.01)
    assert found.width == pytest.approx([1e-3], rel=0.01)


def test_bent_finger_is_measured_along_its_middle():
    found = found_in(pour(BODY, box(20, 20, 35, 21), box(34, 20, 35, 35)))
    assert found.length == pytest.approx([(9.5 + 14.5) * 1e-3], rel=0.02)  # round the corner


def test_tie_at_the_end_cures_it_and_one_on_the_way_shortens_it():
    long = box(20, 20, 45, 21)
    assert len(found_in(pour(BODY, long, ties=(*BODY_TIES, (44, 20.5))))) == 0
    found = found_in(pour(BODY, long, ties=(*BODY_TIES, (35, 20.5))))
    assert found.length == pytest.approx([10e-3], abs=0.3e-3)
    assert found.root_x == pytest.approx([35e-3], abs=0.3e-3)
    pad_of_a_part = lambda b: b.part("R1", chip("0603"), (44.8, 20.5), nets=("GND", ""))  # noqa: E731
    assert len(found_in(pour(BODY, long, more=pad_of_a_part))) == 0
    trace_away = lambda b: (b.trace("GND", 1, [(44.5, 20.5), (55, 20.5)]), b.via("GND", (55, 20.5)))  # noqa: E731
    assert len(found_in(pour(BODY, long, more=trace_away))) == 0


def test_hole_that_joins_nothing_else_is_no_tie():
    def more(b: BoardBuilder) -> None:
        b.via("GND", (44, 20.5), span=(1, 1))

    assert len(found_in(pour(BODY, box(20, 20, 45, 21), more=more))) == 1


def test_web_that_joins_the_body_at_both_ends_is_no_finger():
    assert len(found_in(pour(BODY, box(20, 20, 40, 21), box(39, 10, 40, 21), box(20, 10, 40, 11)))) == 0


def test_spur_on_a_web_is_measured_from_the_web():
    web = (box(20, 30, 40, 31), box(39, 10, 40, 31), box(20, 10, 40, 11))
    found = found_in(pour(BODY, *web, box(39, 20, 52, 21)))
    assert found.length == pytest.approx([12e-3], abs=0.1e-3)
    assert found.root_x == pytest.approx([40e-3], abs=0.2e-3)


def test_ring_on_a_stem_hangs_on_one_end():
    ring = Point(40, 20).buffer(5).difference(Point(40, 20).buffer(4))
    found = found_in(pour(BODY, box(20, 19.5, 36, 20.5), ring))
    assert found.length == pytest.approx([(10.5 + 4.5 * np.pi) * 1e-3], rel=0.03)


def test_wide_end_without_a_tie_belongs_to_its_finger():
    stem, head = box(20, 20, 45, 21), box(45, 18, 49, 23)
    found = found_in(pour(BODY, stem, head))
    assert found.length == pytest.approx([24e-3], rel=0.05)
    assert len(found_in(pour(BODY, stem, head, ties=(*BODY_TIES, (47, 20.5))))) == 0


def test_end_wider_than_every_scale_is_no_body_unless_something_ties_it():
    stem, head = box(20, 20, 45, 21), box(45, 16, 54, 25)
    found = found_in(pour(BODY, stem, head))
    assert found.length == pytest.approx([29e-3], rel=0.05)
    assert len(found_in(pour(BODY, stem, head, ties=(*BODY_TIES, (52, 23))))) == 0


def test_short_stubby_and_jagged_edges_are_no_fingers():
    stubs = [box(24, 5 + 3 * i, 29, 7 + 3 * i) for i in range(5)]  # 4 mm long
    teeth = [Polygon([(25, 25 + i), (25.6, 25.5 + i), (25, 26 + i)]) for i in range(8)]
    stubby = box(24, 20.5, 31, 24)  # 6 long, 3.5 wide
    assert len(found_in(pour(BODY, *stubs, *teeth, stubby))) == 0


def test_antipads_and_thermal_spokes_leave_no_fingers():
    antipads = [Point(x, y).buffer(0.45) for x in np.arange(4, 24, 1.1) for y in (8, 9.1, 10.2)]
    spokes = shapely.union_all([box(14, 24.9, 16, 25.1), box(14.9, 24, 15.1, 26)])
    thermal = [Point(15, 25).buffer(1).difference(spokes)]
    cut_edge = [Point(25, y).buffer(0.6) for y in np.arange(4, 36, 1.5)]
    assert len(found_in(pour(BODY, without=[*antipads, *thermal, *cut_edge]))) == 0


def test_slot_from_the_edge_makes_a_finger_of_the_strip_beside_it():
    found = found_in(pour(BODY, without=[box(2, 3, 20, 3.3)], ties=((10, 30),)))
    assert found.length == pytest.approx([18e-3], abs=0.5e-3)
    assert found.free_x[0] == pytest.approx(2.5e-3, abs=0.2e-3)


def test_comb_without_ties_is_one_finger_to_its_furthest_tooth():
    teeth = [box(28 + 4 * i, 20, 29 + 4 * i, 26 + i) for i in range(4)]
    found = found_in(pour(BODY, box(20, 20, 42, 21), *teeth))
    assert len(found) == 1
    assert found.free_y[0] == pytest.approx(28.5e-3, abs=0.2e-3)


def test_lone_pour_has_no_fingers_and_one_that_is_all_thin_hangs_on_its_only_tie():
    strip = box(30, 5, 55, 6)
    copper = pour(BODY, strip)
    assert len(fingers(copper, connect(copper))) == 0
    found = found_in(pour(BODY, strip, ties=(*BODY_TIES, (31, 5.5))))
    assert found.length == pytest.approx([24e-3], abs=0.3e-3)


def test_min_length_is_the_callers():
    board = pour(BODY, box(24, 20, 32, 21))
    assert found_in(board, 6.8e-3).length == pytest.approx([7e-3], abs=0.11e-3)
    assert len(found_in(board, 7.3e-3)) == 0


def test_boards_without_areas():
    board = small_board().build()
    assert len(fingers(board, connect(board))) == len(lone_copper(board, connect(board))) == 0


arm = st.tuples(st.integers(0, 3), st.integers(4, 17), st.sampled_from([0.6, 1.2, 2.7]), st.booleans())


@given(st.lists(arm, min_size=1, max_size=5), st.integers(1, 3), st.booleans(), st.integers(0, 99))
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_moved_boards_have_the_same_fingers(move, arms, turns, mirror, seed):
    shapes = [box(24, 4 + 8 * row, 25 + size, 4 + 8 * row + width) for row, size, width, _ in arms]
    ties = [(24.5 + size, 4 + 8 * row + width / 2) for row, size, width, tie in arms if tie]
    board = pour(BODY, *shapes, ties=(*BODY_TIES, *dict.fromkeys(ties)))
    moved = move(board, shift=(0.123, -0.045), turns=turns, mirror=mirror, seed=seed)
    before, after = fingers(board, connect(board)), fingers(moved.board, connect(moved.board))
    assert len(before) == len(after)
    rows = []
    for table, point in ((before, moved.point), (after, lambda p: p)):
        free = point(np.stack([table.free_x, table.free_y], axis=-1)) if len(table) else np.empty((0, 2))
        values = np.stack([*free.T, table.length, table.width, shapely.area(table.shape)], axis=-1)
        rows.append(values[np.lexsort(free.round(4).T)])
    assert rows[0][:, 2:4] == pytest.approx(rows[1][:, 2:4], rel=1e-6)
    assert rows[0][:, :2] == pytest.approx(rows[1][:, :2], abs=1e-7)
    assert rows[0][:, 4] == pytest.approx(rows[1][:, 4], rel=1e-3)


# --- lone copper -----------------------------------------------------------------------------------------------------


def test_lone_areas_and_traces_are_listed_with_their_extent():
    def more(b: BoardBuilder) -> None:
        b.area("GND", 1, box(40, 20, 43, 24))
        b.trace("X", 4, [(30, 5), (40, 5), (40, 12)])

    board = pour(BODY, more=more)
    found = lone_copper(board, connect(board))
    assert found.layer.tolist() == [0, 3]
    assert found.extent == pytest.approx([5e-3, 17e-3])
    assert [board.nets[net] for net in found.net] == ["GND", "X"]
    assert found.area[0] == pytest.approx(12e-6)
    assert all(shape.covers(Point(x, y)) for shape, x, y in zip(found.shape, found.x, found.y, strict=True))


def test_pieces_that_holes_join_only_to_each_other_are_lone_too():
    def more(b: BoardBuilder) -> None:
        b.area("Y", 3, box(40, 20, 43, 24))
        b.area("Y", 4, box(40, 20, 43, 24))
        b.via("Y", (41, 22), span=(3, 4))

    board = pour(BODY, more=more)
    found = lone_copper(board, connect(board))
    assert found.layer.tolist() == [2, 3]
    assert len(set(found.group)) == 1


@pytest.mark.parametrize("tie", ["via", "pad", "trace", "screw"])
def test_one_tie_is_enough(tie):
    def more(b: BoardBuilder) -> None:
        b.area("GND", 1, box(40, 20, 43, 24))
        if tie == "via":
            b.via("GND", (41, 21))
        elif tie == "pad":
            b.part("R1", chip("0603"), (43.5, 22), nets=("GND", ""))
        elif tie == "trace":
            b.trace("GND", 1, [(41, 21), (30, 10), (20, 10)])
        else:
            b.via("GND", (50, 21), drill=3.0, pad=3.6, span=(1, 1))
            b.trace("GND", 1, [(42, 21), (50, 21)])

    board = pour(BODY, more=more)
    assert len(lone_copper(board, connect(board))) == 0


def test_pads_alone_are_marks_not_lone_copper():
    board = pour(BODY, more=lambda b: b.via("", (50, 10)))
    assert len(lone_copper(board, connect(board))) == 0


def test_marks_beyond_the_outline_are_not_listed():
    board = pour(BODY, more=lambda b: b.trace("", 1, [(-3, 5), (0.4, 5)], width=1.0))
    assert len(lone_copper(board, connect(board))) == 0


def test_where_no_pins_are_known_any_pad_outside_a_hole_may_be_a_parts():
    board = pour(BODY, more=lambda b: (b.area("Z", 1, box(40, 20, 43, 24)), b.via("Z", (41, 21), span=(1, 1))))
    bare = dataclasses.replace(
        board,
        pins=board.pins.empty(),
        parts=board.parts.empty(),
        pads=board.pads.replace(pin=np.full(len(board.pads), -1)),
    )
    found = lone_copper(bare, connect(bare))
    assert [bare.nets[net] for net in found.net] == ["Z"]


def test_diameter_is_the_furthest_distance():
    assert diameter(box(0, 0, 3, 4)) == pytest.approx(5)
    assert diameter(Point(0, 0)) == 0


# --- spines ----------------------------------------------------------------------------------------------------------


def test_spine_of_a_strip_runs_in_its_middle_with_half_its_width():
    spine = spine_of(box(0, 0, 10e-3, 1e-3), 0.1e-3)
    middle = (spine.at[:, 0] > 1e-3) & (spine.at[:, 0] < 9e-3)
    assert spine.radius[middle] == pytest.approx(0.5e-3)
    assert spine.at[middle, 1] == pytest.approx(0.5e-3)
    assert spine.length[spine.open].sum() == pytest.approx(9e-3, abs=0.2e-3)


def test_places_fall_to_their_own_side_of_a_slot():
    shape = box(0, 0, 10e-3, 8.2e-3).difference(box(1e-3, 6e-3, 10e-3, 6.2e-3))
    spine = spine_of(shape, 0.1e-3)
    wide, narrow = spine.nodes_at(np.array([[5e-3, 5.9e-3], [5e-3, 6.3e-3]]))
    assert spine.at[wide, 1] < 6e-3
    assert spine.at[narrow, 1] > 6.2e-3


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=50, deadline=None)
def test_what_is_held_both_ways_agrees_with_cutting_every_edge_in_turn(seed):
    rng = np.random.default_rng(seed)
    n, m = 14, int(rng.integers(8, 24))
    a, b = rng.integers(0, n, m), rng.integers(0, n, m)
    tied = rng.random(n) < 0.15
    spine = _graph(n, a, b)
    held, reached = held_both_ways(spine, tied)

    def from_ties(skip: int) -> set[int]:
        seen, todo = set(np.flatnonzero(tied)), list(np.flatnonzero(tied))
        while todo:
            at = todo.pop()
            for i in range(m):
                if i != skip and at in (a[i], b[i]):
                    other = b[i] if at == a[i] else a[i]
                    if other not in seen:
                        seen.add(other)
                        todo.append(other)
        return seen

    whole = from_ties(-1)
    assert set(np.flatnonzero(reached)) == whole
    assert set(np.flatnonzero(held)) == whole.intersection(*(from_ties(i) for i in range(m)))


def _graph(n: int, a, b):
    from quietcopper.electrical.spines import Spine

    none = np.zeros(n)
    no_pairs = np.empty((0, 2), dtype=int)
    return Spine(np.zeros((n, 2)), none, a, b, np.ones(len(a)), np.ones(len(a), dtype=bool), no_pairs, no_pairs)
