from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon, box

from quietcopper.board import Board
from quietcopper.board.geometry import tiles
from quietcopper.build import BoardBuilder, chip, header, rectangle, small_board
from quietcopper.electrical.copper import (
    AREA,
    PAD,
    TRACE,
    connect,
    distance_to_area_edge,
    nearest_vias,
    vias_on_area,
)

MM = 1e-3


def board_of(draw, layers: int = 4) -> Board:
    b = small_board(layers)
    draw(b)
    return b.build()


# --- what touches what ---------------------------------------------------------------------------------------------


def test_end_to_end_traces_are_one_piece_and_a_gap_makes_two():
    copper = connect(
        board_of(lambda b: (b.trace("A", 1, [(5, 5), (10, 5), (10, 9)]), b.trace("A", 1, [(10, 9.3), (10, 12)])))
    )
    assert copper.piece_of_trace.tolist() == [0, 0, 1]
    assert copper.pieces.group.tolist() == [0, 1]


@pytest.mark.parametrize(("gap_mm", "pieces"), [(0.001, 1), (0.004, 2)])
def test_touching_means_closer_than_two_micrometres_whatever_the_widths(gap_mm, pieces):
    # two parallel 0.2 mm traces: edge to edge gap
    draw = lambda b: (b.trace("A", 1, [(5, 5), (10, 5)]), b.trace("A", 1, [(5, 5.2 + gap_mm), (10, 5.2 + gap_mm)]))  # noqa: E731
    assert len(connect(board_of(draw)).pieces) == pieces


def test_trace_end_in_the_middle_of_another_and_within_a_pad_touch():
    def draw(b: BoardBuilder) -> None:
        b.part("C1", chip("0603"), (20, 10), nets=("A", ""))
        x, y = b.pin("C1.1")
        b.trace("A", 1, [(5, 5), (15, 5)])
        b.trace("A", 1, [(10, 5.05), (10, y), (x - 0.2, y)])

    copper = connect(board_of(draw))
    assert len(set(copper.piece_of_trace)) == 1
    assert copper.piece_of_pad[0] == copper.piece_of_trace[0]
    assert copper.piece_of_pad[1] != copper.piece_of_trace[0]
    assert copper.pieces.pins[copper.piece_of_pad].tolist() == [1, 1]


def test_layers_are_joined_by_plated_holes_within_their_span_only():
    def draw(b: BoardBuilder) -> None:
        for layer in (1, 2, 3, 4):
            b.trace("A", layer, [(5, 5), (10, 5)])
        b.via("A", (10, 5), span=(1, 3))
        b.hole((5, 5), 0.3)

    copper = connect(board_of(draw))
    group = copper.pieces.group[copper.piece_of_trace]
    assert group[0] == group[1] == group[2] != group[3]
    assert copper.pieces.ties.tolist() == [1, 1, 1, 0]
    assert copper.pieces_of_via(0).tolist() == copper.piece_of_trace[:3].tolist()
    assert copper.pieces_of_via(1).tolist() == []


def test_hole_in_an_antipad_does_not_touch_the_plane_and_one_beside_it_does():
    def draw(b: BoardBuilder) -> None:
        plane = box(1, 1, 40, 25).difference(Point(10, 10).buffer(0.6))
        b.area("GND", 2, plane)
        b.via("A", (10, 10))
        b.via("GND", (20, 10))
        for x, net in ((10, "A"), (20, "GND")):
            b.trace(net, 1, [(x, 10), (x, 15)])

    board = board_of(draw)
    copper = connect(board)
    plane = copper.piece_of_area[0]
    assert vias_on_area(copper, board, 0).tolist() == [1]
    assert plane not in copper.pieces_of_via(0).tolist()
    assert plane in copper.pieces_of_via(1).tolist()
    assert copper.problems == ()


def test_holes_tie_to_an_area_through_pads_and_short_spokes_but_not_through_traces():
    def draw(b: BoardBuilder) -> None:
        b.area("GND", 1, box(1, 1, 40, 25).difference(shapely.union_all([Point(x, 10).buffer(1.0) for x in (10, 20)])))
        b.via("GND", (10, 10))
        b.trace("GND", 1, [(10, 10), (11.2, 10)])  # thermal spoke
        b.via("GND", (20, 10))
        b.via("GND", (45, 10))
        b.trace("GND", 1, [(39, 10), (45, 10)])  # 6 mm of trace

    board = board_of(draw)
    assert vias_on_area(connect(board), board, 0).tolist() == [0]


def test_two_pads_on_one_hole_are_one_piece_even_where_they_do_not_touch_each_other():
    def draw(b: BoardBuilder) -> None:
        b.hole((1, 1), 0.3)
        b.via("A", (10, 10), drill=1.0, pad=1.4)
        b.area("A", 1, box(10.45, 9, 12, 11))  # reaches the barrel
        b.area("A", 1, box(8, 9, 9.55, 11))

    board = board_of(draw)
    copper = connect(board)
    first_layer = copper.piece_of_area.tolist()
    assert first_layer[0] == first_layer[1]
    assert len(copper.pieces) == 4  # one a layer


def test_hole_that_meets_one_piece_only_is_no_tie_of_it():
    def draw(b: BoardBuilder) -> None:
        b.trace("A", 1, [(5, 5), (10, 5)])
        b.via("A", (10, 5), span=(1, 1))

    assert connect(board_of(draw)).pieces.ties.tolist() == [0]


def test_pad_that_the_file_gives_to_a_hole_belongs_to_it_even_as_a_ring_clear_of_its_barrel():
    def draw(b: BoardBuilder) -> None:
        b.via("A", (10, 5), drill=0.3, pad=1.0)

    board = board_of(draw)
    ring = Point(10e-3, 5e-3).buffer(0.5e-3).difference(Point(10e-3, 5e-3).buffer(0.3e-3))
    board = dataclasses.replace(board, pads=board.pads.replace(shape=[ring] * len(board.pads)))
    assert connect(board).pieces.ties.tolist() == [1, 1, 1, 1]


def test_pieces_count_pins_through_pads_and_pin_holes_once():
    def draw(b: BoardBuilder) -> None:
        b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (10, 10), nets=("A", "B"), turn_deg=90)
        b.part("R1", chip("0603"), (20, 10), nets=("A", "B"))
        b.route("A", "J1.1", "R1.1", layer=1)

    board = board_of(draw)
    copper = connect(board)
    piece = copper.piece_of_trace[0]
    assert copper.pieces.pins[piece] == 2
    assert copper.pieces.net[piece] == board.net_index["A"]
    below = copper.pieces.layer == 3
    assert copper.pieces.pins[below].tolist() == [1, 1]  # the header's two holes
    assert copper.pieces.group[piece] in copper.pieces.group[below]


def test_area_of_a_piece_is_the_sum_of_its_areas():
    copper = connect(board_of(lambda b: (b.area("A", 1, box(0, 0, 2, 2)), b.area("A", 1, box(2, 0, 3, 2)))))
    assert copper.pieces.area.tolist() == pytest.approx([6e-6])


def test_board_without_copper_has_no_pieces():
    copper = connect(small_board().build())
    assert len(copper.pieces) == 0
    assert copper.problems == ()
    assert copper.floating.tolist() == []


def test_zero_length_traces_and_drilled_slots_take_part():
    def draw(b: BoardBuilder) -> None:
        b.trace("A", 1, [(5, 5), (10, 5)])

    board = board_of(draw)
    dot = board.traces.replace(x1=board.traces.x0)
    vias = board.vias.from_rows([(1, 5e-3, 4e-3, 5e-3, 6e-3, 1e-3, 0, 3, True, np.nan, -1)])
    copper = connect(dataclasses.replace(board, traces=dot, vias=vias))
    assert copper.pieces_of_via(0).tolist() == [0]


# --- names against copper ------------------------------------------------------------------------------------------


def test_touching_nets_are_a_problem_with_layer_and_place():
    copper = connect(board_of(lambda b: (b.trace("A", 1, [(5, 5), (15, 5)]), b.trace("B", 1, [(10, 5), (10, 12)]))))
    assert copper.problems == ("nets A and B touch on layer 1 at 10.00, 5.00 mm",)
    assert copper.group_nets == ((1, 2),)
    assert copper.pieces.net.tolist() == [1]  # equal votes: the first by name


def test_nets_joined_by_copper_without_a_name_are_named_as_such():
    def draw(b: BoardBuilder) -> None:
        b.trace("A", 1, [(5, 5), (10, 5)])
        b.trace("", 1, [(10, 5), (15, 5)])
        b.trace("B", 1, [(15, 5), (20, 5)])

    assert connect(board_of(draw)).problems == ("nets A and B are joined through copper that has no net in the file",)


def test_a_net_whose_pins_lie_on_separate_copper_is_reported_and_lone_copper_is_not():
    def draw(b: BoardBuilder) -> None:
        b.part("R1", chip("0603"), (10, 10), nets=("A", "B"))
        b.part("R2", chip("0603"), (20, 10), nets=("A", "B"))
        x = b.pin("R1.2")[0]
        b.route("B", "R1.2", (x, 14), (b.pin("R2.2")[0], 14), "R2.2")
        b.area("B", 3, box(1, 1, 4, 4))  # tied to nothing

    board = board_of(draw)
    copper = connect(board)
    assert copper.problems == ("net A is in 2 unconnected pieces",)
    assert copper.split_nets.tolist() == [board.net_index["A"]]
    assert copper.floating[copper.pieces.group[copper.piece_of_area]].tolist() == [True]


def test_many_problems_of_a_kind_are_counted_not_listed():
    def draw(b: BoardBuilder) -> None:
        for i in range(60):
            b.trace(f"N{i:02d}", 1, [(1 + 0.5 * i, 2), (1 + 0.5 * i, 10)])
        b.area("GND", 1, box(1, 2, 45, 4))

    problems = connect(board_of(draw)).problems
    assert len(problems) == 41
    assert problems[-1] == "20 more pairs of nets touch"


def test_contacts_can_be_asked_for_by_table_row():
    board = board_of(lambda b: (b.trace("A", 1, [(5, 5), (10, 5)]), b.area("A", 1, box(9, 1, 12, 9))))
    copper = connect(board)
    assert copper.touching(AREA, 0).tolist() == [0]
    assert copper.touching(TRACE, 0).tolist() == [copper.elements.first[AREA]]
    assert copper.elements.first[PAD] == 1


# --- queries ---------------------------------------------------------------------------------------------------------


def test_distance_to_an_edge_counts_openings_from_the_size_asked_for():
    plane = box(0, 0, 30, 20).difference(Point(10, 10).buffer(0.5)).difference(box(20, 5, 20.5, 15))
    board = board_of(lambda b: b.area("GND", 2, plane))
    points = shapely.points(np.array([[10, 8], [18, 10], [1, 10], [-2, 10]]) * MM)
    assert distance_to_area_edge(board, points, 0) == pytest.approx(np.array([1.5, 2.0, 1.0, 2.0]) * MM, rel=1e-3)
    assert distance_to_area_edge(board, points, 0, 2e-3) == pytest.approx(np.array([8, 2, 1, 2]) * MM)
    line = shapely.linestrings(np.array([[3, 3], [27, 3]]) * MM)
    assert distance_to_area_edge(board, line, 0) == pytest.approx([2 * MM])


def test_nearest_vias_by_rows():
    board = board_of(lambda b: [b.via("GND", (x, 5)) for x in (5, 15, 25)])
    rows, distance = nearest_vias(board, [6e-3, 24e-3], [5e-3, 5e-3], [0, 1])
    assert rows.tolist() == [0, 1]
    assert distance == pytest.approx([1e-3, 9e-3])
    rows, distance = nearest_vias(board, 6e-3, 5e-3, [0, 1], count=3)
    assert rows.tolist() == [[0, 1, -1]]
    rows, distance = nearest_vias(board, 6e-3, 5e-3, [])
    assert (rows.tolist(), distance.tolist()) == ([-1], [np.inf])


def test_tiles_of_a_plane_on_a_grid_can_be_overlaid():
    """Openings whose edges lie on the cuts, as in planes drawn on a coarse grid: every tile is a valid polygon, and
    their union is the plane (area, by hand from the cells)."""
    cells = np.random.default_rng(0).random((16, 16)) < 0.75
    plane = shapely.union_all([box(i, j, i + 1, j + 1) for i, j in zip(*np.nonzero(cells), strict=True)])
    plane = max(shapely.get_parts(plane), key=lambda part: part.area)
    cut = tiles(plane, 20)
    assert shapely.is_valid(cut).all()
    assert shapely.union_all(cut).area == pytest.approx(plane.area, rel=1e-12)
    assert sum(tile.area for tile in cut) == pytest.approx(plane.area, rel=1e-12)


@given(st.lists(st.tuples(st.floats(0.5, 29.5), st.floats(0.5, 19.5), st.floats(0.05, 4)), max_size=60))
@settings(max_examples=30, deadline=None)
def test_tiles_cover_exactly_the_polygon(holes):
    shape = box(0, 0, 30, 20).difference(shapely.union_all([Point(x, y).buffer(r) for x, y, r in holes]))
    cut = tiles(shape, 40, 0.05)
    assert sum(tile.area for tile in cut) == pytest.approx(shape.area, rel=1e-9)
    assert shapely.union_all(cut).symmetric_difference(shape).area < 1e-6
    assert all(
        shapely.get_num_coordinates(tile) <= 40 or max(np.diff(np.reshape(tile.bounds, (2, 2)), axis=0)[0]) <= 0.05
        for tile in cut
    )


def test_an_invalid_polygon_is_not_cut():
    bow = Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    assert tiles(bow, 3) == [bow]


# --- invariance ------------------------------------------------------------------------------------------------------

cell = st.integers(1, 18)
at = st.tuples(cell, cell)
straight = st.tuples(st.just("trace"), st.sampled_from("AB"), st.integers(1, 3), at, at, st.sampled_from([0.2, 0.5]))
hole = st.tuples(st.just("via"), st.sampled_from("AB"), at, st.sampled_from([(1, 3), (1, 2), (2, 3)]))
filled = st.tuples(st.just("area"), st.sampled_from("AB"), st.integers(1, 3), at, st.integers(1, 6), st.integers(1, 6))


def random_board(objects) -> Board:
    b = small_board(3, size_mm=(20, 20))
    for kind, net, *rest in objects:
        if kind == "trace" and rest[1] != rest[2]:
            b.trace(net, rest[0], [rest[1], rest[2]], width=rest[3])
        elif kind == "via":
            b.via(net, rest[0], span=rest[1])
        elif kind == "area":
            (x, y), w, h = rest[1:]
            b.area(net, rest[0], rectangle(x + 0.05, y + 0.05, x + w, y + h))
    return b.build()


@given(
    st.lists(st.one_of(straight, hole, filled), max_size=14),
    st.integers(0, 3),
    st.booleans(),
    st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)),
    st.integers(0, 99),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_moved_and_shuffled_boards_have_the_same_pieces_and_groups(move, objects, turns, mirror, shift, seed):
    board = random_board(objects)
    moved = move(board, turns=turns, mirror=mirror, shift=shift, seed=seed)
    before, after = connect(board), connect(moved.board)
    assert len(before.pieces) == len(after.pieces)
    names = {}
    for kind in ("trace", "pad", "area"):
        old = getattr(before, f"piece_of_{kind}")[moved.rows[f"{kind}s"]]
        new = getattr(after, f"piece_of_{kind}")
        for one, other in zip(old.tolist(), new.tolist(), strict=True):
            assert names.setdefault(one, other) == other
    assert len(set(names.values())) == len(names)
    old, new = np.array(list(names), dtype=int), np.array(list(names.values()), dtype=int)
    for column in ("net", "layer", "ties", "pins"):
        assert getattr(before.pieces, column)[old].tolist() == getattr(after.pieces, column)[new].tolist()
    assert before.pieces.area[old] == pytest.approx(after.pieces.area[new], rel=1e-9)
    pairs = set(zip(before.pieces.group[old].tolist(), after.pieces.group[new].tolist(), strict=True))
    assert len(pairs) == len(before.group_nets) == len(after.group_nets)
    words = [{p.split(" at ")[0] for p in copper.problems} for copper in (before, after)]
    assert words[0] == words[1]
