"""Boards whose files list no parts: what capacitors would decide is not checked. Nets are never joined to others."""

from __future__ import annotations

import dataclasses

import pytest
import shapely

from quietcopper.board import Pads
from quietcopper.build import Hop, rectangle, small_board

SIGNAL = {"role": "signal"}


def split(left, right, *, pads=0):
    """CLK on layer 1 crosses from one area of layer 2 to the other at x = 25 mm; so many pads without a hole."""
    b = small_board()
    b.area(left, 2, rectangle(1, 1, 24.9, 29))
    b.area(right, 2, rectangle(25.1, 1, 49, 29))
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    board = b.build()
    places = [(5e-3 + 1e-3 * i, 25e-3) for i in range(pads)]
    rows = [(board.net_index[left], 0, x, y, shapely.Point(x, y).buffer(0.4e-3), -1, -1) for x, y in places]
    return dataclasses.replace(board, pads=Pads.from_rows(rows))


@pytest.mark.parametrize("pads", [0, 2])
def test_pads_without_parts_leave_a_crossing_of_two_supplies_open(run, fast, pads):
    said = run("trace-over-gap", split("3V3", "5V", pads=pads), {"CLK": fast})
    assert len(said.findings) == (0 if pads else 1)
    told = [n for n in said.not_checked if "capacitors" in n.why]
    assert [n.count for n in told] == ([1] if pads else [])


def test_two_pieces_of_one_net_need_no_capacitor_to_be_priced(run, fast):
    board = split("GND", "GND", pads=2)
    said = run("trace-over-gap", board, {"CLK": fast})
    assert len(said.findings) == 1


def test_a_change_from_ground_to_supply_is_left_open(run, fast):
    b = small_board(ground=(2,))
    b.area("3V3", 3, rectangle(1, 1, 49, 29))
    b.route("CLK", (5, 15), (25, 15), Hop(4), (45, 15), layer=1)
    board = b.build()
    assert len(run("layer-change-without-return", board, {"CLK": fast}).findings) == 1
    net = board.net_index["3V3"]
    rows = [(net, 0, x, 25e-3, shapely.Point(x, 25e-3).buffer(0.4e-3), -1, -1) for x in (5e-3, 7e-3)]
    bare = dataclasses.replace(board, pads=Pads.from_rows(rows))
    said = run("layer-change-without-return", bare, {"CLK": fast})
    assert said.findings == []
    assert said.coverage[0].looked == 0
    assert [n.count for n in said.not_checked] == [1]
    over = run("reference-not-ground", bare, {"CLK": fast})
    assert over.findings == []
    assert "capacitors" in over.not_checked[0].why


def test_copper_of_two_signals_is_neither_joined_nor_bridged(run, fast):
    """Electrodes of a touch key over the lines of another layer: a short between them is no remedy."""
    board = split("TOUCH_1", "TOUCH_2")
    finding = run("trace-over-gap", board, {"CLK": fast, "TOUCH_1": SIGNAL, "TOUCH_2": SIGNAL}).only
    assert finding.cause.change is None
    assert finding.remedies == ()


def test_ground_and_a_signals_copper_are_not_joined(run, fast):
    finding = run("trace-over-gap", split("GND", "TOUCH_2"), {"CLK": fast, "TOUCH_2": SIGNAL}).only
    assert finding.cause.change is None
    assert finding.remedies == ()
