"""Layer changes and the ways that a return has there, on boards small enough to count by hand."""

from __future__ import annotations

from numpy.testing import assert_allclose
from shapely import box

from quietcopper.board import Board
from quietcopper.build import BoardBuilder, Hop, chip, circle, small_board
from quietcopper.electrical.references import cut_runs
from quietcopper.electrical.tables import LayerChanges
from quietcopper.electrical.transitions import layer_changes, one_piece
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import between_layers

MM = 1e-3


def changes_of(board: Board) -> LayerChanges:
    return layer_changes(board, cut_runs(board))


def crossing(layers: int = 4, lower: int = 4) -> BoardBuilder:
    """A line from layer 1 to another through a via at (20, 10)."""
    b = small_board(layers=layers)
    b.route("CLK", (5, 10), (20, 10), Hop(lower), (40, 10), layer=1)
    return b


def opened(*holes: tuple[float, float]) -> object:
    shape = box(0, 0, 50, 30)
    for x, y in holes:
        shape = shape.difference(circle(x, y, 1.0))
    return shape


def test_a_change_between_two_grounds_and_the_vias_that_join_them() -> None:
    b = crossing()
    b.area("GND", 2, opened((20, 10)))
    b.area("GND", 3, opened((20, 10)))
    b.via("GND", (23, 14))
    b.via("GND", (21, 10))
    b.via("GND", (48, 10))
    board = b.build()
    changes = changes_of(board)
    assert changes.net.tolist() == [board.net_index["CLK"]]
    assert (changes.upper.tolist(), changes.lower.tolist()) == ([0], [3])
    assert (changes.upper_area.tolist(), changes.lower_area.tolist()) == ([0], [1])
    assert (changes.upper_ref.tolist(), changes.lower_ref.tolist()) == ([1], [2])
    assert_allclose([changes.x[0], changes.y[0]], [20 * MM, 10 * MM])
    ways = between_layers(View(board), 0, 1, 20 * MM, 10 * MM, 0.15 * MM).ways
    assert_allclose([way.distance for way in ways], [1 * MM, 5 * MM, 28 * MM])


def test_the_reference_is_taken_beyond_the_own_antipad() -> None:
    # inside the antipads of layers 2 to 4 the trace looks through to layer 5
    b = crossing(layers=6, lower=6)
    for layer in (2, 5):
        b.area("GND" if layer == 2 else "3V3", layer, opened((20, 10)))
    b.area("AGND", 4, box(19.7, 9.7, 20.3, 10.3).difference(circle(20, 10, 0.5)))
    changes = changes_of(b.build())
    assert (changes.upper_ref.tolist(), changes.lower_ref.tolist()) == ([1], [4])


def test_different_nets_want_a_capacitor() -> None:
    b = crossing()
    grounds, supplies = ((22, 14), (28, 10)), ((18, 14), (32, 10))
    b.area("GND", 2, opened((20, 10), *supplies))
    b.area("3V3", 3, opened((20, 10), *grounds))
    for net, places, pins in (("GND", grounds, ((20.5, 14), (29.5, 10))), ("3V3", supplies, ((19.5, 14), (30.5, 10)))):
        for place, pin in zip(places, pins, strict=True):
            b.route(net, pin, place, Hop(4), layer=1)
    b.part("C1", chip("0402"), (20, 14), nets=("3V3", "GND"), value="100n")
    b.part("C2", chip("0402"), (30, 10), nets=("GND", "3V3"), value="100n")
    b.part("C3", chip("0402"), (20, 12), nets=("GND", "5V"), value="100n")
    b.part("R1", chip("0402"), (20, 8), nets=("GND", "3V3"), value="10k")
    ways = between_layers(View(b.build()), 0, 1, 20 * MM, 10 * MM, 0.15 * MM).ways
    assert [way.what for way in ways] == ["capacitor C1", "capacitor C2"]
    assert_allclose([way.distance for way in ways], [4 * MM, 10 * MM])


def test_two_faces_of_one_plane_need_no_way_but_two_pieces_do() -> None:
    b = crossing(layers=4, lower=3)
    b.area("GND", 2, opened((20, 10)))
    board = b.build()
    changes = changes_of(board)
    assert (changes.upper_ref.tolist(), changes.lower_ref.tolist()) == ([1], [1])
    assert one_piece(board, int(changes.upper_area[0]), int(changes.lower_area[0]))
    b = crossing(layers=4, lower=3)
    b.area("GND", 2, box(0, 0, 19.6, 30))
    b.area("GND", 2, box(20.4, 0, 50, 30))
    assert not one_piece(b.build(), 0, 1)


def test_no_second_reference() -> None:
    b = crossing(layers=2, lower=2)
    b.area("GND", 2, box(0, 0, 20, 9.5))
    b.area("GND", 2, box(0, 9.5, 19, 30))
    board = b.build()
    changes = changes_of(board)
    assert (changes.upper_ref.tolist(), changes.lower_ref.tolist()) == ([1], [-1])


def test_what_is_no_layer_change() -> None:
    b = small_board(layers=4, ground=(2,))
    b.trace("A", 1, [(5, 5), (10, 5)])
    b.via("A", (10, 5))  # nothing on another layer
    b.trace("B", 1, [(5, 8), (10, 8)])
    b.trace("B", 4, [(10.6, 8), (20, 8)])  # ends 0.3 mm short of the pad's rim plus half its width
    b.via("B", (10, 8), pad=0.4)
    b.trace("C", 1, [(5, 11), (10, 11)])
    b.trace("C", 4, [(10, 11), (20, 11)])
    b.via("C", (10, 11), span=(1, 2))  # does not reach layer 4
    b.hole((10, 14), 0.5)
    b.trace("", 1, [(5, 14), (10, 14)])
    b.trace("", 4, [(10, 14), (20, 14)])
    assert len(changes_of(b.build())) == 0
    assert len(changes_of(small_board(layers=1).build())) == 0


def test_a_trace_that_ends_on_the_pads_rim_is_at_the_hole() -> None:
    b = small_board(layers=4)
    b.via("A", (20, 10), pad=1.0)
    b.trace("A", 1, [(5, 10), (19.45, 10)])  # its round end reaches 0.05 mm on to the pad
    b.trace("A", 4, [(20.45, 10), (40, 10)])
    b.trace("A", 2, [(20, 10), (20, 20)])
    changes = changes_of(b.build())
    assert (changes.upper.tolist(), changes.lower.tolist()) == ([0], [3])
