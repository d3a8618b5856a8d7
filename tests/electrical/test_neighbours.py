from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import box

from quietcopper.board import Board
from quietcopper.build import small_board
from quietcopper.electrical.neighbours import SPACINGS, bundle, default_reach, one_above_other, side_by_side

REACH = 1e-3


def lines(*traces, layers: int = 4, width: float = 0.2) -> Board:
    """A board of two-point traces: (net, layer, start, end)."""
    b = small_board(layers)
    for net, layer, start, end in traces:
        b.trace(net, layer, [start, end], width=width)
    return b.build()


def test_parallel_traces_share_the_overlap_of_their_projections():
    board = lines(("A", 1, (5, 5), (25, 5)), ("B", 1, (10, 5.5), (40, 5.5)))
    found = side_by_side(board, REACH)
    assert (found.a.tolist(), found.b.tolist()) == ([0], [1])
    assert found.length == pytest.approx([15e-3])
    assert found.spacing == pytest.approx([0.3e-3])
    assert (found.x[0], found.y[0]) == pytest.approx((17.5e-3, 5e-3))
    assert shapely.get_coordinates(found.line) == pytest.approx(np.array([[10e-3, 5e-3], [25e-3, 5e-3]]))


def test_opposite_directions_count_the_same():
    one = side_by_side(lines(("A", 1, (5, 5), (25, 5)), ("B", 1, (10, 5.5), (40, 5.5))), REACH)
    two = side_by_side(lines(("A", 1, (5, 5), (25, 5)), ("B", 1, (40, 5.5), (10, 5.5))), REACH)
    assert one.length == pytest.approx(two.length)
    assert one.spacing == pytest.approx(two.spacing)


@pytest.mark.parametrize(
    "other",
    [
        ("A", 1, (5, 5.5), (25, 5.5)),  # same net
        ("B", 2, (5, 5.5), (25, 5.5)),  # other layer
        ("B", 1, (5, 6.5), (25, 6.5)),  # too far
        ("B", 1, (25, 5.3), (45, 5.3)),  # one after the other
        ("B", 1, (10, 5.3), (10, 15)),  # across
        ("B", 1, (5, 5.5), (20, 9)),  # 13 degrees
    ],
)
def test_what_is_no_neighbour(other):
    assert len(side_by_side(lines(("A", 1, (5, 5), (25, 5)), other), REACH)) == 0


def test_reach_is_from_edge_to_edge_whichever_trace_is_the_wide_one():
    for width_a, width_b in ((0.2, 3.0), (3.0, 0.2)):
        b = small_board()
        b.trace("A", 1, [(5, 5), (25, 5)], width=width_a)
        b.trace("B", 1, [(5, 7.55), (25, 7.55)], width=width_b)
        board = b.build()
        assert side_by_side(board, 0.96e-3).spacing == pytest.approx([0.95e-3])
        assert len(side_by_side(board, 0.94e-3)) == 0


def test_spacing_of_exactly_the_reach_is_within_it_wherever_the_board_lies(move):
    board = lines(("A", 1, (5, 5), (25, 5)), ("B", 1, (5, 6.2), (25, 6.2)))
    for shift in ((0, 0), (0.0123, -0.0345), (0.1, 0.2)):
        assert len(side_by_side(move(board, shift=shift).board, REACH)) == 1


def test_touching_traces_of_two_nets_have_no_spacing():
    found = side_by_side(lines(("A", 1, (5, 5), (25, 5)), ("B", 1, (5, 5.1), (25, 5.1))), REACH)
    assert found.spacing == pytest.approx([0.0])


def test_tapering_stretch_is_cut_and_ends_where_the_reach_ends():
    rise = np.tan(np.radians(8))
    board = lines(("A", 1, (5, 5), (25, 5)), ("B", 1, (5, 5.4), (25, 5.4 + 20 * rise)))
    found = side_by_side(board, REACH)
    assert len(found) > 3
    assert (np.diff(found.x) > 0).all()
    assert (np.diff(found.spacing) > 0).all()
    assert found.spacing.min() < 0.28e-3
    assert found.spacing.max() < REACH
    # centre distance runs from 0.4 to 1.2 mm, seen across the bisector
    assert found.length.sum() == pytest.approx(0.8e-3 / (2 * np.tan(np.radians(4))), rel=0.03)


def test_concentric_arcs_run_side_by_side_over_their_whole_sweep():
    b = small_board()
    b.arc("A", 1, (15, 5), (5, 15), (5, 5), turn=1)
    b.arc("B", 1, (5, 15.5), (15.5, 5), (5, 5), turn=-1)
    found = side_by_side(b.build(), REACH)
    assert len(found) == 1
    assert found.spacing == pytest.approx([0.3e-3], rel=0.01)
    assert 0.99 * 10e-3 * np.pi / 2 < found.length[0] < 1.01 * 10.5e-3 * np.pi / 2
    assert found.line[0].length == pytest.approx(10e-3 * np.pi / 2, rel=0.02)
    middle = np.array([found.x[0], found.y[0]]) * 1e3 - 5
    assert middle == pytest.approx(np.array([1, 1]) * 10 / np.sqrt(2), rel=0.02)


def test_arc_beside_a_straight_trace_counts_only_near_its_tangent():
    b = small_board()
    b.arc("A", 1, (15, 5), (5, 15), (5, 5), turn=1)
    b.trace("B", 1, [(5, 15.5), (25, 15.5)])
    found = side_by_side(b.build(), REACH)
    assert len(found) == 1
    assert 1e-3 < found.length[0] < 10e-3 * np.sin(np.radians(16))


def test_default_reach_is_four_heights_over_the_nearest_plane_between_one_and_six_mm():
    b = small_board(4, ground=(2,))
    assert default_reach(b.build(), 0) == pytest.approx(1e-3)  # 4 · 0.2 mm is below the least
    far = small_board(4, ground=(4,)).build()
    assert default_reach(far, 3) == pytest.approx(6e-3)  # its own plane does not count
    assert default_reach(far, 2) == pytest.approx(1e-3)
    assert default_reach(far, 1) == pytest.approx(4 * far.distance(1, 3))
    single = small_board(1)
    single.trace("A", 1, [(5, 5), (25, 5)])
    single.trace("B", 1, [(5, 9), (25, 9)])
    assert default_reach(single.build(), 0) == pytest.approx(1e-3)


def test_bundle_adds_up_the_segments_of_two_nets():
    b = small_board()
    b.trace("A", 1, [(5, 5), (15, 5), (25, 15)])
    b.trace("B", 1, [(5, 5.5), (15 - 0.2071, 5.5), (25 - 0.3536, 15.3536)])
    b.trace("C", 1, [(5, 6.1), (14, 6.1)])
    board = b.build()
    found = side_by_side(board, REACH)
    bundles = bundle(board, found)
    names = [(board.nets[a], board.nets[b]) for a, b in zip(bundles.net_a, bundles.net_b, strict=True)]
    assert names == [("A", "B"), ("A", "C"), ("B", "C")]
    assert bundles.length[0] == pytest.approx(24e-3, rel=0.02)
    assert bundles.closest[0] == pytest.approx(0.3e-3, rel=1e-3)
    assert bundles.spacing[0] == pytest.approx(0.3e-3, rel=1e-3)
    assert (bundles.x[0], bundles.y[0]) == pytest.approx((20e-3, 10e-3), abs=0.3e-3)  # the longer of the two
    assert sorted(np.concatenate(list(bundles.rows)).tolist()) == list(range(len(found)))
    assert bundles.histogram[0].sum() == pytest.approx(bundles.length[0])
    assert bundles.histogram[2][SPACINGS[:-1].searchsorted(0.4e-3, side="right") - 1] == pytest.approx(9e-3)


def test_one_above_other_takes_layers_next_to_each_other_and_gives_offset_and_gap():
    board = lines(
        ("A", 1, (5, 5), (25, 5)),
        ("B", 2, (10, 5.1), (40, 5.1)),
        ("C", 3, (5, 5), (25, 5)),
        ("D", 2, (5, 5.5), (25, 5.5)),
    )
    found = one_above_other(board)
    pairs = [(int(a), int(b)) for a, b in zip(found.a, found.b, strict=True)]
    assert pairs == [(0, 1), (1, 2), (3, 2)]  # A above D: 0.3 mm aside, more than the 0.2 mm between the layers
    assert found.length[0] == pytest.approx(15e-3)
    assert found.offset[0] == pytest.approx(0.1e-3)
    assert found.gap == pytest.approx([board.distance(0, 1), board.distance(1, 2), board.distance(1, 2)])
    assert len(one_above_other(board, 0.31e-3)) == 4


def test_boards_without_traces_and_with_one_layer():
    for layers in (1, 4):
        board = small_board(layers).build()
        assert len(side_by_side(board)) == len(one_above_other(board)) == 0
        assert len(bundle(board, side_by_side(board))) == 0


segment = st.tuples(
    st.sampled_from("ABC"),
    st.integers(1, 2),
    st.tuples(st.integers(1, 19), st.integers(1, 19)),
    st.sampled_from([(7, 0), (-5, 0), (0, 6), (4, 4), (8, 1), (5, -5)]),
    st.sampled_from([0.2, 0.7]),
    st.booleans(),
)


@given(st.lists(segment, max_size=14), st.integers(0, 3), st.booleans(), st.integers(0, 99))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_moved_and_shuffled_boards_have_the_same_neighbours(move, segments, turns, mirror, seed):
    b = small_board(2, size_mm=(30, 30))
    for net, layer, (x, y), (dx, dy), width, bent in segments:
        if bent and not (dx and dy):
            b.arc(net, layer, (x, y), (x + dx, y + dy), (x + dx / 2, y + dy / 2), turn=1, width=width)
        else:
            b.trace(net, layer, [(x, y), (x + dx, y + dy)], width=width)
    board = b.build()
    moved = move(board, shift=(0.031, -0.017), turns=turns, mirror=mirror, seed=seed)
    for look in (lambda board: side_by_side(board, 1.234e-3), lambda board: one_above_other(board, 1.234e-3)):
        before, after = look(board), look(moved.board)
        old_row = moved.rows["traces"]
        assert len(before) == len(after)
        side = "spacing" if hasattr(before, "spacing") else "offset"
        rows = []
        for table, point, old in ((before, moved.point, np.arange(len(old_row))), (after, lambda p: p, old_row)):
            at = point(np.stack([table.x, table.y], axis=-1)) if len(table) else np.empty((0, 2))
            values = [old[table.a], old[table.b], *at.round(9).T, table.length, getattr(table, side)]
            order = np.lexsort(values[:4][::-1])
            rows.append(np.stack(values, axis=-1)[order])
        assert rows[0] == pytest.approx(rows[1], rel=1e-6, abs=1e-9)


def test_area_of_a_plane_below_a_quarter_of_the_board_is_no_return():
    b = small_board(2)
    b.area("GND", 2, box(0, 0, 10, 10))
    assert default_reach(b.build(), 0) == pytest.approx(6e-3)
