from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Point, box

from quietcopper.board import Board
from quietcopper.build import BoardBuilder, Hop, Land, Package, chip, header, small_board, soic
from quietcopper.electrical.copper import connect
from quietcopper.electrical.net_graph import MOST_PINS
from quietcopper.electrical.paths import dead_ends, longest_way, net_paths, start_pin

DOT = Package("dot", (Land("1", 0.0, 0.0, Point(0, 0).buffer(0.2e-3)),), box(-3e-4, -3e-4, 3e-4, 3e-4))


def dots(b: BoardBuilder, *places: tuple[float, float], net: str = "A") -> None:
    """One-pin parts TP1, TP2, …: pins without anything round them."""
    for i, place in enumerate(places, 1):
        b.part(f"TP{i}", DOT, place, nets=(net,))


def ways(board: Board, net: str = "A", **options) -> dict[str, tuple[list[tuple[str, int, bool]], float]]:
    found = net_paths(board, connect(board), board.net_index[net], **options)
    return {board.pin_label(path.end_pin): (list(path.steps), path.length * 1e3) for path in found}


def test_steps_follow_the_traces_in_order_with_their_direction():
    b = small_board()
    dots(b, (5, 5), (15, 8))
    b.trace("A", 1, [(10, 8), (15, 8)])
    b.trace("A", 1, [(10, 5), (5, 5)])
    b.trace("A", 1, [(10, 5), (10, 8)])
    steps, length = ways(b.build())["TP2.1"]
    assert steps == [("trace", 1, True), ("trace", 2, False), ("trace", 0, False)]
    assert length == pytest.approx(13.0)


def test_path_goes_down_a_via_and_counts_its_depth():
    b = small_board()
    dots(b, (5, 5), (25, 5))
    b.route("A", "TP1.1", (10, 5), Hop(4), (20, 5), Hop(1), "TP2.1")
    board = b.build()
    steps, length = ways(board)["TP2.1"]
    assert [kind for kind, _, _ in steps] == ["trace", "via", "trace", "via", "trace"]
    assert [row for kind, row, _ in steps if kind == "via"] == [0, 1]
    assert length == pytest.approx(20 + 2 * board.depths[3] * 1e3)


def test_branch_that_lands_in_the_middle_of_a_trace_counts_only_what_is_travelled():
    b = small_board()
    dots(b, (5, 5), (25, 5), (12, 10))
    b.trace("A", 1, [(5, 5), (25, 5)])
    b.trace("A", 1, [(12, 10), (12, 5.08)])  # ends inside the other's width
    found = ways(b.build())
    assert found["TP2.1"][0] == [("trace", 0, False)]
    steps, length = found["TP3.1"]
    assert steps == [("trace", 0, False), ("trace", 1, True)]
    assert length == pytest.approx(12)


def test_of_two_ways_round_a_loop_the_shorter_one_is_taken():
    b = small_board()
    dots(b, (5, 5), (15, 5))
    b.trace("A", 1, [(5, 5), (5, 9), (15, 9), (15, 5)])
    b.trace("A", 1, [(5, 5), (5, 3), (15, 3), (15, 5)])
    steps, length = ways(b.build())["TP2.1"]
    assert [row for _, row, _ in steps] == [3, 4, 5]
    assert length == pytest.approx(14)


def test_wide_traces_are_followed_round_a_bend_instead_of_cut_short():
    b = small_board()
    dots(b, (5, 5), (12, 12))
    corner = [(10 + 2 * np.sin(t), 7 - 2 * np.cos(t)) for t in np.linspace(0, np.pi / 2, 9)]
    b.trace("A", 1, [(5, 5), *corner, (12, 12)], width=2.0)
    steps, length = ways(b.build())["TP2.1"]
    assert [row for _, row, _ in steps] == list(range(10))
    assert length == pytest.approx(10 + np.pi, rel=2e-3)


def test_arcs_count_with_their_length_and_closed_rings_are_travelled_the_short_way():
    b = small_board()
    dots(b, (5, 10), (13, 16))
    b.trace("A", 1, [(5, 10), (10, 10)])
    b.arc("A", 1, (10, 10), (10, 10), (13, 10), turn=1)  # ring of radius 3 mm, from its left end
    b.trace("A", 1, [(13, 13), (13, 16)])
    steps, length = ways(b.build())["TP2.1"]
    assert [row for _, row, _ in steps] == [0, 1, 2]
    assert length == pytest.approx(5 + 3 * np.pi / 2 + 3, rel=1e-3)


def test_pour_on_the_way_is_a_step_of_its_own():
    b = small_board()
    dots(b, (5, 5), (35, 5))
    b.trace("A", 1, [(5, 5), (12, 5)])
    b.area("A", 1, box(10, 2, 30, 8))
    b.trace("A", 1, [(35, 5), (28, 5)])
    steps, length = ways(b.build())["TP2.1"]
    assert steps == [("trace", 0, False), ("area", 0, False), ("trace", 1, True)]
    assert length == pytest.approx(30)


def test_trace_is_preferred_to_the_pour_it_lies_in():
    b = small_board()
    dots(b, (12, 5), (28, 5))
    b.trace("A", 1, [(12, 5), (28, 5)])
    b.area("A", 1, box(10, 2, 30, 8))
    assert ways(b.build())["TP2.1"][0] == [("trace", 0, False)]


def test_through_pins_join_layers():
    b = small_board()
    b.part("J1", header(1, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (10, 5), nets=("A",))
    dots(b, (5, 5), (20, 5))
    b.trace("A", 1, [(5, 5), (10, 5)])
    b.route("A", (10, 5), (18, 5), Hop(1), "TP2.1", layer=4)
    steps, _ = ways(b.build(), start=1)["TP2.1"]
    assert [kind for kind, _, _ in steps] == ["trace", "via", "trace", "via", "trace"]


def test_pins_on_one_pour_without_any_trace():
    b = small_board()
    dots(b, (12, 5), (28, 5))
    b.area("A", 1, box(10, 2, 30, 8))
    assert ways(b.build()) == {"TP2.1": ([("area", 0, False)], pytest.approx(16))}


def test_unconnected_pins_have_no_path():
    b = small_board()
    dots(b, (5, 5), (15, 5), (25, 5))
    b.trace("A", 1, [(5, 5), (15, 5)])
    assert list(ways(b.build())) == ["TP2.1"]


def test_net_less_copper_that_touches_may_be_travelled():
    b = small_board()
    dots(b, (5, 5), (15, 5))
    b.trace("A", 1, [(5, 5), (8, 5)])
    b.trace("", 1, [(8, 5), (12, 5)])
    b.trace("A", 1, [(12, 5), (15, 5)])
    assert [row for _, row, _ in ways(b.build())["TP2.1"][0]] == [0, 1, 2]


def test_start_is_a_chip_before_a_connector_before_the_rest():
    b = small_board()
    b.part("R1", chip("0603"), (5, 5), nets=("A", "B"))
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (10, 15), nets=("A", "B"))
    b.part("U1", soic(8), (30, 15), nets=("A", *["" for _ in range(7)]))
    board = b.build()
    assert board.pin_label(start_pin(board, board.net_index["A"])) == "U1.1"
    assert board.pin_label(start_pin(board, board.net_index["B"])) == "J1.2"
    assert start_pin(small_board().build(), 0) == -1


def test_nets_of_many_pins_and_of_one_have_no_paths():
    b = small_board(size_mm=(100, 30))
    dots(b, *((1 + i, 5) for i in range(MOST_PINS + 1)))
    b.trace("A", 1, [(1, 5), (70, 5)])
    b.part("R1", chip("0603"), (5, 15), nets=("ALONE", ""))
    board = b.build()
    copper = connect(board)
    assert net_paths(board, copper, board.net_index["A"]) == ()
    assert net_paths(board, copper, board.net_index["ALONE"]) == ()
    assert net_paths(board, copper, 0) == ()


@given(
    st.lists(st.tuples(st.integers(1, 8), st.integers(1, 8)), min_size=2, max_size=4, unique=True),
    st.lists(
        st.tuples(st.integers(1, 2), st.integers(1, 8), st.integers(1, 8), st.integers(1, 6), st.booleans()),
        min_size=1,
        max_size=16,
    ),
    st.lists(st.tuples(st.integers(1, 8), st.integers(1, 8)), max_size=5, unique=True),
    st.integers(0, 3),
    st.booleans(),
    st.integers(0, 99),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_lengths_survive_moves_and_every_path_is_a_chain_of_touching_copper(
    move, places, lines, vias, turns, mirror, seed
):
    b = small_board(2, size_mm=(20, 20))
    dots(b, *((2 * x, 2 * y) for x, y in places))
    for layer, x, y, size, flat in lines:
        end = (2 * x + (2 * size if flat else 0), 2 * y + (0 if flat else 2 * size))
        b.trace("A", layer, [(2 * x, 2 * y), end])
    for x, y in vias:
        b.via("A", (2 * x, 2 * y))
    board = b.build()
    copper = connect(board)
    before = net_paths(board, copper, board.net_index["A"])
    moved = move(board, shift=(0.07, -0.03), turns=turns, mirror=mirror, seed=seed)
    start = int(np.argsort(moved.rows["pins"])[before[0].start_pin]) if before else None
    after = net_paths(moved.board, connect(moved.board), board.net_index["A"], start=start)
    old = {board.pin_label(path.end_pin): path.length for path in before}
    new = {moved.board.pin_label(path.end_pin): path.length for path in after}
    assert new == pytest.approx(old, rel=1e-9)
    group = copper.pieces.group
    for path in before:
        rows = [row for kind, row, _ in path.steps if kind == "trace"]
        assert len({int(group[copper.piece_of_trace[row]]) for row in rows}) <= 1
        straight = np.hypot(
            board.pins.x[path.start_pin] - board.pins.x[path.end_pin],
            board.pins.y[path.start_pin] - board.pins.y[path.end_pin],
        )
        assert path.length >= straight - 1e-9
        cores = [copper.elements.core[row] for row in rows]
        for one, two, kinds in zip(cores, cores[1:], _between(path.steps), strict=False):
            if "via" not in kinds:
                assert shapely.distance(one, two) <= 0.2e-3 + 2e-6


def _between(steps):
    """Kinds of the steps between one trace step and the next."""
    out, now = [], None
    for kind, _, _ in steps:
        if kind == "trace":
            if now is not None:
                out.append(now)
            now = []
        elif now is not None:
            now.append(kind)
    return out


def test_spans_say_where_each_step_is_entered_and_left():
    b = small_board()
    dots(b, (5, 5), (25, 5), (12, 10))
    b.trace("A", 1, [(20, 5), (5, 5)])
    b.trace("A", 4, [(20, 5), (25, 5)])
    b.via("A", (20, 5))
    b.trace("A", 1, [(12, 10), (12, 5)])
    b.trace("A", 1, [(25, 5), (25, 4)])
    b.via("A", (25, 5))
    board = b.build()
    found = {board.pin_label(p.end_pin): p for p in net_paths(board, connect(board), board.net_index["A"])}
    by_step = dict(zip(found["TP2.1"].steps, found["TP2.1"].spans, strict=True))
    assert by_step["trace", 0, True] == pytest.approx((15e-3, 0.0))
    assert by_step["via", 0, False] == (0.0, 3.0)
    spans = found["TP3.1"].spans
    assert spans == (pytest.approx((15e-3, 8e-3)), pytest.approx((5e-3, 0.0)))


def test_the_longest_way_of_a_net_without_pins():
    b = small_board()
    b.trace("A", 1, [(5, 5), (15, 5), (15, 8)])
    b.trace("A", 1, [(10, 5), (10, 6)])
    b.via("A", (15, 8))
    b.trace("A", 4, [(15, 8), (30, 8)])
    board = b.build()
    way = longest_way(board, connect(board), board.net_index["A"])
    assert way is not None
    assert (way.start_pin, way.end_pin) == (-1, -1)
    assert way.length * 1e3 == pytest.approx(13 + 15 + board.depths[3] * 1e3)
    assert longest_way(board, connect(board), 0) is None


def test_dead_ends_are_followed_through_holes_and_pins_pours_and_loops_hold():
    b = small_board()
    dots(b, (5, 5), (25, 5))
    b.trace("A", 1, [(5, 5), (25, 5)])
    b.trace("A", 1, [(10, 5), (10, 8)])
    b.via("A", (10, 8))
    b.trace("A", 4, [(10, 8), (16, 8), (16, 10)])
    b.trace("A", 4, [(16, 8), (17, 8)])  # a shorter twig beside the longest
    b.trace("A", 1, [(20, 5), (20, 12), (23, 12), (23, 5)])  # a loop
    board = b.build()
    (end,) = dead_ends(board, connect(board), board.net_index["A"])
    assert end.at == pytest.approx((10e-3, 5e-3))
    assert end.trace_length * 1e3 == pytest.approx(3 + 6 + 2)
    assert end.length * 1e3 == pytest.approx(11 + board.depths[3] * 1e3)
    assert len(end.traces) == 3
    b.area("A", 4, box(15.5, 9.5, 18, 12))
    held = b.build()
    ends = dead_ends(held, connect(held), held.net_index["A"])
    assert [e.trace_length * 1e3 for e in ends] == [pytest.approx(1.0)]  # only the twig is left
