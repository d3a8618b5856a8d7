"""Routes, vias, errors, and what a call leaves open."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from quietcopper.build import BoardBuilder, Hop, chip, copper, header, laminate, mask, rectangle, small_board, stack
from quietcopper.errors import CallError
from quietcopper.units import MM


def test_everything_is_in_metres_and_of_the_declared_unit() -> None:
    mil = BoardBuilder(
        "mil", unit=25.4e-6, width=10, via=(12, 24), clearance=8, stack=stack(copper("top", thickness_um=35))
    )
    mil.outline(rectangle(0, 0, 1000, 500))
    mil.trace("A", 1, [(100, 100), (200, 100)])
    board = mil.build()
    assert board.outline.bounds == pytest.approx((0, 0, 25.4e-3, 12.7e-3))
    assert board.traces.width[0] == pytest.approx(0.254e-3)
    assert board.traces.x1[0] == pytest.approx(5.08e-3)


def test_a_route_hops_layers_with_a_via_and_goes_on() -> None:
    b = small_board(4)
    b.part("R1", chip("0603"), (5, 5), nets=("A", "B"))
    b.part("J1", header(1, pitch_mm=2.54, drill_mm=1, pad_mm=1.7), (30, 20), nets=("A",))
    b.route("A", "R1.1", (10, 10), Hop(4), (20, 10), Hop("L1"), (25, 10), "J1.1", width=0.3)
    board = b.build()
    vias = board.vias.take(board.vias.pin < 0)
    assert vias.x == pytest.approx([10e-3, 20e-3])
    assert (vias.first.tolist(), vias.last.tolist()) == ([0, 0], [3, 3])
    assert np.unique(board.traces.layer).tolist() == [0, 3]
    ends = (board.traces.x1[-1], board.traces.y1[-1])
    assert ends == pytest.approx((30e-3, 20e-3))
    assert (board.traces.net == board.net_index["A"]).all()


def test_blind_vias_and_antipads_are_kept() -> None:
    b = small_board(4)
    b.via("A", (5, 5), span=(2, 1), antipad=0.9)
    b.via("B", (8, 5), drill=0.2, pad=0.45, span=("L2", "L3"))
    vias = b.build().vias
    assert (vias.first.tolist(), vias.last.tolist()) == ([0, 1], [1, 2])
    assert vias.antipad[0] == pytest.approx(0.9e-3)
    assert math.isnan(vias.antipad[1])
    assert b.build().pads.layer.tolist() == [0, 1, 1, 2]


def test_arcs_and_rounded_corners_reach_the_board() -> None:
    b = small_board(2)
    b.trace("A", 1, [(5, 5), (15, 5), (15, 15)], radius=2)
    b.arc("A", 1, (20, 5), (22, 7), (20, 7), turn=1)
    b.arc("A", 1, (30, 5), (30, 5), (30, 8), turn=-1)
    traces = b.build().traces
    assert traces.turn.tolist() == [0, 1, 0, 1, -1]
    assert traces.length[1] == pytest.approx(math.pi / 2 * 2e-3)
    assert traces.length[4] == pytest.approx(2 * math.pi * 3e-3)


def test_what_the_file_shall_say_of_nets() -> None:
    b = small_board(2)
    b.net("CLK", kind="clock", target_ohm=50)
    b.net("GND", kind="ground")
    board = b.build()
    assert board.nets == ("", "CLK", "GND")
    assert board.net_classes == {"CLK": "clock", "GND": "ground"}
    assert board.impedances == {"CLK": 50}


def test_building_twice_gives_the_same_and_leaves_the_builder_usable() -> None:
    b = small_board(2, ground=(2,))
    b.stitch("GND", rectangle(0, 0, 50, 30), 5)
    first = b.build()
    b.trace("A", 1, [(1, 1), (2, 1)])
    second = b.build()
    assert len(first.traces) == 0
    assert len(second.traces) == 1
    assert len(first.vias) == len(second.vias) + 0


def test_cutouts_are_holes_in_the_outline() -> None:
    b = small_board(2)
    b.outline(rectangle(0, 0, 40, 20), cutouts=[rectangle(10, 5, 15, 10)])
    board = b.build()
    assert board.outline.area == pytest.approx(775e-6)
    with pytest.raises(CallError, match="one piece"):
        b.outline(rectangle(0, 0, 40, 20), cutouts=[rectangle(10, -1, 15, 30)])


@pytest.mark.parametrize("layers", [1, 2, 3, 4, 6])
def test_small_boards_of_any_number_of_layers(layers: int) -> None:
    board = small_board(layers, ground=(layers,)).build()
    assert len(board.layers) == layers
    assert board.areas.layer.tolist() == [layers - 1]
    if layers > 1:
        assert 1.5e-3 < board.thickness < 1.7e-3


def empty() -> BoardBuilder:
    return BoardBuilder("bare", unit=MM, stack=stack(copper("top", thickness_um=35)))


MISTAKES: list[tuple[Callable[[], object], str]] = [
    (lambda: BoardBuilder("x", unit=0, stack=stack(copper("a", thickness_um=35))), "metres a unit"),
    (lambda: empty().build(), "no outline"),
    (lambda: empty().trace("A", 1, [(0, 0), (1, 0)]), "width: give it"),
    (lambda: empty().via("A", (0, 0)), "drill: give it"),
    (lambda: empty().pour("A", 1, rectangle(0, 0, 1, 1)), "clearance: give it"),
    (lambda: empty().trace("A", 1, [(0, 0), (1, 0)], width=-1), "above 0"),
    (lambda: empty().trace("A", 2, [(0, 0), (1, 0)], width=1), "expected 1 to 1 or one of top"),
    (lambda: small_board(2).trace("A", 1, [(1, 1), (1, 1)]), "two or more"),
    (lambda: small_board(2).route("A", (1, 1), (2, 2)), "layer it starts on"),
    (lambda: small_board(2).route("A", Hop(2), (2, 2)), "hop needs a point"),
    (lambda: small_board(2).route("A", "U1.1", (2, 2)), "'U1.1' is not on the board"),
    (lambda: small_board(2).arc("A", 1, (0, 0), (1, 1), (0, 1), turn=0), "1 or -1"),
    (lambda: small_board(0), "1 or more"),
    (lambda: two_resistors().part("R1", chip("0402"), (1, 1), nets=("A", "B")), "placed twice"),
    (lambda: two_resistors().part("R9", chip("0402"), (1, 1), nets=("A",)), "found 1 nets; expected 2"),
    (lambda: two_resistors().part("R9", chip("0402"), (1, 1), nets={"3": "A"}), "no pin 3"),
    (lambda: two_resistors().part("R9", chip("0402"), (1, 1), nets=("A", "B"), side="left"), "'top' or 'bottom'"),
    (lambda: two_resistors().route("B", "R1.1", (9, 9)), "on another net"),
    (lambda: two_resistors().route("A", "R1.1", Hop(2), (8, 8), "R2.1"), "is on layer 1, the route on 2"),
    (lambda: stack(), "found nothing"),
    (lambda: stack(copper("a", thickness_um=35), copper("b", thickness_um=35)), "in turn"),
    (
        lambda: stack(copper("a", thickness_um=35), mask(thickness_um=20, er=3.5), copper("b", thickness_um=35)),
        "in turn",
    ),
    (lambda: copper("a", thickness_um=0), "copper thickness: found 0"),
    (lambda: laminate(thickness_um=100, er=-4, tan_d=0), "er: found -4"),
]


def two_resistors() -> BoardBuilder:
    b = small_board(2)
    b.part("R1", chip("0402"), (5, 5), nets=("A", "B"))
    b.part("R2", chip("0402"), (9, 5), nets=("A", "B"))
    return b


@pytest.mark.parametrize(("call", "words"), MISTAKES, ids=[words for _, words in MISTAKES])
def test_mistakes_are_named(call: Callable[[], object], words: str) -> None:
    with pytest.raises(CallError, match=words.replace("(", r"\(")):
        call()
