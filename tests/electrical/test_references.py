"""Runs and gaps against lengths worked out by hand, and against what must not change when a board is moved."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from shapely import Polygon, box

from quietcopper.board import Areas, Board, Traces
from quietcopper.build import BoardBuilder, circle, rectangle, small_board
from quietcopper.electrical.gaps import search_gaps
from quietcopper.electrical.references import cut_runs, find_gaps
from quietcopper.electrical.tables import Gaps, Runs
from quietcopper.electrical.view import View

MM = 1e-3
EXACT = 1e-9  # m, the promised exactness of a boundary


def gaps_of(builder: BoardBuilder) -> Gaps:
    board = builder.build()
    return find_gaps(board, cut_runs(board))


def lengths(runs: Runs) -> list[float]:
    return [round(v / MM, 9) for v in runs.length]


def rectangle_with_holes(bounds: tuple[float, float, float, float], *holes: Polygon) -> Polygon:
    return box(*bounds).difference(shapely.union_all(list(holes)))


# --- runs ------------------------------------------------------------------------------------------------------------


def test_plane_that_ends_under_the_trace_leaves_the_rest_uncovered() -> None:
    b = small_board(layers=2)
    b.area("GND", 2, box(0, 0, 9, 20))
    b.trace("CLK", 1, [(0, 10), (20, 10)])
    runs = cut_runs(b.build())
    assert_allclose(runs.length, [9 * MM, 11 * MM], atol=EXACT)
    assert runs.below.tolist() == [0, -1]
    assert runs.below_layer.tolist() == [1, -1]
    assert_allclose(runs.below_gap, [1.5 * MM, np.inf])
    assert runs.above.tolist() == [-1, -1]
    assert runs.reference_gap.tolist() == runs.below_gap.tolist()


def test_a_split_is_a_run_of_its_own_and_slanting_it_is_longer() -> None:
    b = small_board(layers=2)
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("3V3", 2, box(10.5, 0, 50, 30))
    b.trace("A", 1, [(5, 10), (15, 10)])
    b.trace("B", 1, [(5, 15), (15, 25)])
    runs = cut_runs(b.build())
    assert lengths(runs) == pytest.approx([5, 0.5, 4.5, 5 * 2**0.5, 0.5 * 2**0.5, 4.5 * 2**0.5], abs=1e-6)
    assert runs.below.tolist() == [0, -1, 1, 0, -1, 1]
    assert runs.trace.tolist() == [0, 0, 0, 1, 1, 1]
    assert_allclose(shapely.length(runs.line), runs.length, atol=EXACT)


def test_where_the_next_layer_has_no_copper_the_one_beyond_is_seen() -> None:
    b = small_board(layers=6)
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("3V3", 5, box(0, 0, 20, 30))
    b.trace("A", 1, [(5, 10), (25, 10)])
    b.trace("LAYER 3 TRACE", 3, [(5, 12), (25, 12)])
    board = b.build()
    runs = cut_runs(board)
    first = runs.take(runs.trace == 0)
    assert_allclose(first.length, [5 * MM, 10 * MM, 5 * MM], atol=EXACT)
    assert first.below_layer.tolist() == [1, 4, -1]
    assert_allclose(first.below_gap[:2], [board.distance(0, 1), board.distance(0, 4)])
    third = runs.take(runs.trace == 1)
    assert third.above_layer.tolist() == [1, -1, -1]
    assert third.below_layer.tolist() == [4, 4, -1]


def test_copper_of_the_traces_own_net_is_no_reference() -> None:
    b = small_board(layers=4)
    b.area("OUT", 2, box(5, 0, 10, 30))
    b.area("GND", 3, box(0, 0, 50, 30))
    b.trace("OUT", 1, [(0, 10), (20, 10)])
    b.trace("CLK", 1, [(0, 12), (20, 12)])
    runs = cut_runs(b.build())
    assert runs.below_layer[runs.trace == 0].tolist() == [2]
    assert runs.below_layer[runs.trace == 1].tolist() == [2, 1, 2]


def test_copper_without_a_net_counts_for_a_trace_without_a_net() -> None:
    b = small_board(layers=2)
    b.area("", 2, box(0, 0, 9, 20))
    b.trace("", 1, [(0, 10), (20, 10)])
    assert_allclose(cut_runs(b.build()).length, [9 * MM, 11 * MM], atol=EXACT)


def test_an_arc_is_cut_on_the_true_circle() -> None:
    b = small_board(layers=2)
    b.area("GND", 2, box(0, 0, 10 + 5 * math.cos(math.radians(30)), 30))
    b.arc("A", 1, (15, 10), (10, 15), (10, 10), turn=1)
    b.arc("B", 1, (15, 10), (10, 5), (10, 10), turn=-1)
    runs = cut_runs(b.build())
    quarter = 5 * MM * math.pi / 2
    for trace in (0, 1):
        mine = runs.take(runs.trace == trace)
        assert_allclose(mine.length, [quarter / 3, quarter * 2 / 3], atol=EXACT)
        assert mine.below.tolist() == [-1, 0]


def test_a_full_circle_meets_an_edge_twice() -> None:
    b = small_board(layers=2)
    b.area("GND", 2, box(0, 0, 12.5, 30))
    b.arc("A", 1, (15, 10), (15, 10), (10, 10), turn=1)
    runs = cut_runs(b.build())
    whole = 2 * math.pi * 5 * MM
    assert_allclose(runs.length, [whole / 6, whole * 2 / 3, whole / 6], atol=EXACT)
    assert runs.below.tolist() == [-1, 0, -1]


@pytest.mark.parametrize("shift_mm", [0.0, 0.1, 7.3, 1234.5678])
def test_a_trace_along_the_very_edge_of_a_plane_is_over_it(shift_mm: float) -> None:
    b = small_board(layers=2)
    s = shift_mm
    b.area("GND", 2, box(s, s, s + 9, s + 10))
    b.trace("A", 1, [(s, s + 10), (s + 20, s + 10)])
    assert_allclose(cut_runs(b.build()).length, [9 * MM, 11 * MM], atol=EXACT)


def test_boards_with_nothing_to_refer_to() -> None:
    two = small_board(layers=2)
    two.trace("A", 1, [(0, 10), (20, 10)])
    one = small_board(layers=1)
    one.area("GND", 1, box(0, 0, 50, 5))
    one.trace("A", 1, [(0, 10), (20, 10)])
    bare = small_board(layers=4, ground=(2,))
    for builder, count in ((two, 1), (one, 1), (bare, 0)):
        board = builder.build()
        runs = cut_runs(board)
        assert len(runs) == count
        assert (runs.reference == -1).all()
        assert len(find_gaps(board, runs)) == 0


# --- gaps ------------------------------------------------------------------------------------------------------------


def test_end_of_plane() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 9, 20))
    b.trace("CLK", 1, [(0, 10), (20, 10)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [11 * MM], atol=EXACT)
    assert (gaps.before.tolist(), gaps.after.tolist()) == ([0], [-1])
    assert_allclose(gaps.slot, [11 * MM], atol=EXACT)  # the far end is that far from the copper
    assert_allclose([gaps.x[0], gaps.y[0]], [14.5 * MM, 10 * MM], atol=EXACT)
    assert (gaps.layer[0], gaps.reference[0], gaps.net[0]) == (0, 1, 2)


def test_split_between_two_areas_has_no_way_round() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("3V3", 2, box(10.5, 0, 50, 30))
    b.trace("B", 1, [(5, 15), (15, 25)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [0.5 * 2**0.5 * MM], atol=EXACT)
    assert (gaps.before.tolist(), gaps.after.tolist(), gaps.slot.tolist()) == ([0], [1], [math.inf])


def test_slot_reaches_to_its_nearer_end() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, rectangle_with_holes((0, 0, 50, 30), box(20, 5, 20.4, 17)))
    b.trace("A", 1, [(10, 8), (30, 8)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [0.4 * MM], atol=EXACT)
    assert gaps.before.tolist() == gaps.after.tolist() == [0]
    assert_allclose(gaps.slot, [3 * MM], atol=EXACT)


def test_slanting_and_bent_slots_count_to_their_ends() -> None:
    slanting = shapely.affinity.rotate(box(20, 14.8, 30, 15.2), 45)
    bent = box(15, 22, 15.4, 28).union(box(7, 22, 15.4, 22.4))
    b = small_board(layers=4)
    b.area("GND", 2, rectangle_with_holes((0, 0, 50, 30), slanting, bent))
    b.trace("A", 1, [(10, 15), (40, 15)])
    b.trace("B", 1, [(2, 24), (40, 24)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [0.4 * 2**0.5 * MM, 0.4 * MM], atol=EXACT)
    # half of 4.8 mm there, 0.4 mm over and 5.2 mm back, less half the crossing itself
    slanting_reach = (4.8 + 0.4 + 5.2 - 0.4 * 2**0.5) / 2
    assert_allclose(gaps.slot, [slanting_reach * MM, 4 * MM], atol=EXACT)  # of the bent one the straight end is nearer


def test_a_bent_slot_is_not_taken_for_its_corner() -> None:
    # from the crossing 2 mm down to the bend and 8 mm on, against 12 mm up
    bent = box(15, 10, 15.4, 24).union(box(7, 10, 15.4, 10.4))
    b = small_board(layers=4)
    b.area("GND", 2, rectangle_with_holes((0, 0, 50, 30), bent))
    b.trace("A", 1, [(2, 12), (40, 12)])
    gaps = gaps_of(b)
    taut = np.hypot(8, 1.6) + 0.4 + 8.4 + 2  # straight to the far tip, over it, back along it and up
    assert_allclose(gaps.slot, [(taut - 0.4) / 2 * MM], atol=EXACT)


@pytest.mark.parametrize("mouth", ["left", "right"])
def test_notch_reaches_to_its_closed_end(mouth: str) -> None:
    notch = box(20, 12, 20.4, 30) if mouth == "left" else box(20, 0, 20.4, 18)
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 50, 30).difference(notch))
    b.trace("A", 1, [(10, 15), (30, 15)])
    gaps = gaps_of(b)
    assert gaps.before.tolist() == gaps.after.tolist() == [0]
    assert_allclose(gaps.slot, [3 * MM], atol=EXACT)


def test_merged_antipads_are_a_slot() -> None:
    # a row of foreign holes whose openings have run together, crossed between two of them
    openings = [shapely.Point(20 + i, 15).buffer(0.55) for i in range(6)]
    b = small_board(layers=4)
    for i in range(6):
        b.via(f"P{i}", (20 + i, 15))
    b.area("GND", 2, rectangle_with_holes((0, 0, 50, 30), *openings))
    b.trace("A", 1, [(22.5, 5), (22.5, 25)])
    gaps = gaps_of(b)
    assert gaps.before.tolist() == gaps.after.tolist() == [0]
    # three openings each way; the detour also has to widen from the neck to the openings' width
    assert 3.05 * MM <= gaps.slot[0] <= (3.05 + 0.55 - 0.23) * MM


def test_shapes_of_one_net_that_touch_are_one_copper() -> None:
    opening = box(19, 5, 21, 17)
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 20, 30).difference(opening))
    b.area("GND", 2, box(20, 0, 50, 30).difference(opening))
    b.trace("A", 1, [(10, 8), (30, 8)])
    b.trace("B", 1, [(10, 25), (30, 25)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [2 * MM], atol=EXACT)
    assert_allclose(gaps.slot, [3 * MM], atol=2e-6)  # joined shapes are closed up by a micrometre


def test_a_stretch_that_ends_in_another_traces_copper() -> None:
    # the first trace ends 0.04 mm inside an opening, within the copper of the second, which lies over the plane
    b = small_board(layers=4)
    b.area("GND", 2, rectangle_with_holes((0, 0, 50, 30), box(20, 5, 20.4, 17)))
    b.trace("A", 1, [(10, 8), (20.36, 8)])
    b.trace("A", 1, [(20.42, 8), (20.42, 12)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [0.36 * MM], atol=EXACT)
    assert gaps.after.tolist() == [0]
    assert_allclose(gaps.slot, [3 * MM], atol=EXACT)


def test_a_gap_under_a_corner_is_one_gap() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("GND", 2, box(12, 0, 50, 30))
    b.trace("A", 1, [(5, 10), (11, 10), (11, 15), (20, 15)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [7 * MM], atol=EXACT)
    assert_allclose(shapely.length(gaps.line), [7 * MM], atol=EXACT)
    assert gaps.slot.tolist() == [math.inf]


def test_a_gap_that_begins_where_two_segments_meet() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("3V3", 2, box(10.5, 0, 50, 30))
    for a, c in ((5, 10), (10, 10.5), (10.5, 20)):
        b.trace("A", 1, [(a, 10), (c, 10)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [0.5 * MM], atol=EXACT)
    assert {gaps.before[0], gaps.after[0]} == {0, 1}
    assert gaps.trace.tolist() == [1]


def test_a_branch_inside_a_gap_is_counted_once() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("3V3", 2, box(14, 0, 50, 30))
    b.trace("A", 1, [(5, 10), (20, 10)])
    b.trace("A", 1, [(12, 10), (12, 12), (20, 12)])  # joins in the middle of the first segment
    gaps = gaps_of(b)
    # the longest way from one area to the other, by the branch, and from the joint straight on
    assert_allclose(sorted(gaps.length), [2 * MM, 6 * MM], atol=EXACT)
    assert_allclose(gaps.slot, [np.inf, np.inf])


def test_segments_that_meet_in_a_pad_are_one_way() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("3V3", 2, box(14, 0, 50, 30))
    b.via("A", (12, 10), pad=1.0)
    b.trace("A", 1, [(5, 10), (11.8, 10)])
    b.trace("A", 1, [(12.2, 10), (20, 10)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [3.6 * MM], atol=EXACT)  # 1.8 mm each side of the pad's middle
    assert gaps.slot.tolist() == [math.inf]


def test_the_traces_own_antipad_is_no_gap() -> None:
    b = small_board(layers=4)
    b.via("A", (10, 10))
    b.area("GND", 2, rectangle_with_holes((0, 0, 50, 30), circle(10, 10, 1)))
    b.trace("A", 1, [(10, 10), (20, 10)])
    board = b.build()
    runs = cut_runs(board)
    assert_allclose(runs.length, [0.5 * MM, 9.5 * MM], atol=1e-6)  # kept among the runs
    search = search_gaps(board, runs)
    assert (len(search.gaps), search.antipads) == (0, 1)


def test_another_nets_antipad_is_a_gap_and_so_is_a_slot_that_begins_at_the_own_hole() -> None:
    b = small_board(layers=4)
    b.via("B", (15, 10))
    b.via("A", (10, 20))
    b.area("GND", 2, rectangle_with_holes((0, 0, 50, 30), circle(15, 10, 1), box(9.5, 19.5, 18, 20.5)))
    b.trace("A", 1, [(5, 10), (20, 10)])
    b.trace("A", 1, [(10, 20), (20, 20)])
    gaps = gaps_of(b)
    assert_allclose(gaps.length, [1 * MM, 8 * MM], atol=1e-6)
    assert gaps.after.tolist() == [0, -1]


def test_what_is_left_out_is_counted() -> None:
    b = small_board(layers=4)
    seam = box(10, 0, 10.005, 30)
    graze = box(19, 14.95, 21, 16)  # its rim lies 0.05 mm beyond the trace: the return steps aside by a quarter height
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("GND", 2, rectangle_with_holes((10.005, 0, 50, 30), graze))
    b.trace("A", 1, [(5, 15), (30, 15)])
    board = b.build()
    assert seam.area > 0
    search = search_gaps(board, cut_runs(board))
    assert (len(search.gaps), search.seams, search.small) == (0, 1, 1)


def test_the_nearer_of_two_references_is_the_main_one() -> None:
    # on layer 3 of 6 the ground above is split and nearer than the solid ground below
    b = small_board(layers=6)
    b.area("GND", 2, box(0, 0, 10, 30))
    b.area("GND", 2, box(11, 0, 50, 30))
    b.area("GND", 6, box(0, 0, 50, 30))
    b.trace("A", 3, [(5, 10), (30, 10)])
    gaps = gaps_of(b)
    assert gaps.reference.tolist() == [1]
    assert_allclose(gaps.length, [1 * MM], atol=EXACT)


# --- what must not matter --------------------------------------------------------------------------------------------


def sample_board(seed: int) -> Board:
    """Two planes with holes, a slot, a notch and a split, and traces in all directions over them."""
    rng = np.random.default_rng(seed)
    holes = shapely.buffer(shapely.points(rng.uniform(2, 28, (12, 2))), rng.uniform(0.2, 1, 12))
    b = small_board(layers=4)
    plane = box(0, 0, 30, 30).difference(shapely.union_all([*holes, box(9, 5, 9.4, 16), box(18, 20, 19, 30)]))
    b.area("GND", 2, max(shapely.get_parts(plane), key=lambda part: part.area))
    b.area("3V3", 2, box(30.3, 0, 50, 30))
    b.area("GND", 3, box(0, 0, 40, 25).difference(box(25, 3, 25.5, 20)))
    for i in range(12):
        points = rng.uniform(1, [45, 29], (4, 2))
        b.trace(f"N{i % 5}", int(rng.choice([1, 4])), [tuple(p) for p in points], radius=0.8)
    b.via("N0", tuple(rng.uniform(5, 25, 2)))
    return b.build()


def moved(board: Board, matrix: np.ndarray, shift: np.ndarray) -> Board:
    """The board's copper under x' = M x + shift, M orthogonal."""
    det = float(np.linalg.det(matrix))
    t = board.traces

    def place(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        out = np.stack([x, y], axis=-1) @ matrix.T + shift
        return out[:, 0], out[:, 1]

    x0, y0 = place(t.x0, t.y0)
    x1, y1 = place(t.x1, t.y1)
    xc, yc = place(t.xc, t.yc)
    traces = t.replace(x0=x0, y0=y0, x1=x1, y1=y1, xc=xc, yc=yc, turn=t.turn * round(det))
    shapes = shapely.transform(board.areas.shape, lambda p: p @ matrix.T + shift)
    vx, vy = place(board.vias.x, board.vias.y)
    pads = shapely.transform(board.pads.shape, lambda p: p @ matrix.T + shift)
    px, py = place(board.pads.x, board.pads.y)
    return Board(
        **{
            **{f: getattr(board, f) for f in ("name", "source", "layers", "dielectrics", "nets", "outline")},
            "traces": traces,
            "areas": Areas(net=board.areas.net, layer=board.areas.layer, shape=shapes),
            "vias": board.vias.replace(x=vx, y=vy, x1=vx, y1=vy),
            "pads": board.pads.replace(shape=pads, x=px, y=py),
        }
    )


def summary(board: Board) -> tuple[np.ndarray, np.ndarray]:
    """What a board's runs and gaps amount to, free of row numbers: sorted, in micrometres."""
    runs = cut_runs(board)
    net = lambda areas: np.where(areas < 0, -1, board.areas.net[areas])  # noqa: E731
    table = np.stack(
        [runs.net, runs.layer, runs.above_layer, runs.below_layer, net(runs.above), net(runs.below)], axis=1
    )
    keys, group = np.unique(table, axis=0, return_inverse=True)
    totals = np.bincount(group, runs.length)
    gaps = find_gaps(board, runs)
    ends = np.sort(np.stack([net(gaps.before), net(gaps.after)], axis=1), axis=1)
    rows = np.column_stack([gaps.net, gaps.layer, gaps.reference, ends, gaps.length, np.minimum(gaps.slot, 1.0)])
    rows = rows[np.lexsort(rows.round(9).T[::-1])]
    return np.column_stack([keys, totals]), rows


MOVES = {
    "shift": (np.eye(2), np.array([0.1234567, -0.0765432])),
    "turn by 90°": (np.array([[0.0, -1.0], [1.0, 0.0]]), np.zeros(2)),
    "turn by 30°": (np.array([[3**0.5 / 2, -0.5], [0.5, 3**0.5 / 2]]), np.array([0.02, 0.01])),
    "mirror": (np.diag([-1.0, 1.0]), np.zeros(2)),
}


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), move=st.sampled_from(sorted(MOVES)))
def test_moving_the_board_changes_nothing(seed: int, move: str) -> None:
    board = sample_board(seed)
    runs, gaps = summary(board)
    other_runs, other_gaps = summary(moved(board, *MOVES[move]))
    assert_allclose(other_runs, runs, atol=EXACT)
    assert other_gaps.shape == gaps.shape
    assert_allclose(other_gaps, gaps, atol=EXACT)


@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_objects_changes_nothing(seed: int) -> None:
    board = sample_board(seed)
    rng = np.random.default_rng(seed)
    t = board.traces.take(rng.permutation(len(board.traces)))
    flip = rng.random(len(t)) < 0.5
    turned = {
        "x0": np.where(flip, t.x1, t.x0),
        "y0": np.where(flip, t.y1, t.y0),
        "x1": np.where(flip, t.x0, t.x1),
        "y1": np.where(flip, t.y0, t.y1),
        "turn": np.where(flip, -t.turn, t.turn),
    }
    shuffled = Board(
        **{
            **{f: getattr(board, f) for f in ("name", "source", "layers", "dielectrics", "nets", "outline", "pads")},
            "traces": t.replace(**turned),
            "areas": board.areas.take(rng.permutation(len(board.areas))),
            "vias": board.vias,
        }
    )
    for one, other in zip(summary(board), summary(shuffled), strict=True):
        assert_allclose(other, one, atol=EXACT)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_runs_of_a_trace_add_up_and_agree_with_an_overlay(seed: int) -> None:
    board = sample_board(seed)
    runs = cut_runs(board)
    assert_allclose(np.bincount(runs.trace, runs.length, minlength=len(board.traces)), board.traces.length, atol=1e-15)
    same = runs.trace[1:] == runs.trace[:-1]
    assert (runs.start[1:][same] == runs.stop[:-1][same]).all()
    ground = shapely.union_all(board.areas.shape[board.areas.layer == 1])
    for row in np.flatnonzero((board.traces.layer == 0) & (board.traces.turn == 0)):
        mine = runs.take((runs.trace == row) & (runs.below_layer == 1))
        expected = shapely.intersection(board.traces.lines[row], ground).length
        assert mine.length.sum() == pytest.approx(expected, abs=EXACT)


def test_segments_of_no_length_have_no_run() -> None:
    b = small_board(layers=2, ground=(2,))
    b.trace("A", 1, [(5, 5), (10, 5)])
    board = b.build()
    t = board.traces
    dot = Traces(**{f: np.repeat(getattr(t, f), 2) for f in Traces.__dataclass_fields__})
    dot = dot.replace(x1=[10 * MM, 5 * MM])
    runs = cut_runs(
        Board(
            **{
                **{f: getattr(board, f) for f in ("name", "source", "layers", "dielectrics", "nets", "outline")},
                "traces": dot,
                "areas": board.areas,
            }
        )
    )
    assert runs.trace.tolist() == [0]


def test_a_signals_patch_carries_no_return_and_a_large_one_may_be_a_plane() -> None:
    """A touch pad between a line and its plane is looked through; what covers a sixth of the board is not."""
    for size, met in ((4.0, "GND"), (8.0, "TOUCH")):
        b = small_board(ground=(4,))
        b.trace("CLK", 1, [(5, 15), (45, 15)])
        b.area("TOUCH", 2, rectangle(20 - size, 15 - size, 20 + size, 15 + size))
        view = View(b.build())
        at = view.runs.reference[np.argmin([abs(line.centroid.x - 20e-3) for line in view.runs.line])]
        assert view.board.nets[view.board.areas.net[at]] == met
        assert len(view.patches) == (met == "GND")


def test_a_flake_that_nothing_ties_carries_no_return() -> None:
    """One square millimetre of ground copper left between holes, under a line: looked through, until a via ties it."""
    for tied in (False, True):
        b = small_board(ground=(4,))
        b.trace("CLK", 1, [(5, 15), (45, 15)])
        b.area("GND", 2, rectangle(19.5, 14.5, 20.5, 15.5))
        if tied:
            b.via("GND", (20.2, 14.8), drill=0.2)
        view = View(b.build())
        assert len(view.patches) == (not tied)
        assert (view.board.areas.layer[view.runs.reference] == 1).any() == tied
