"""Antipads that have merged: a row of holes 1 mm apart in a plane, with and without copper between them."""

from __future__ import annotations

import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.fields.slots import solve_slot

CHECK = "antipads-merged"
MM = 1e-3


def row(clear, count=10, to=4):
    """CLK comes along layer 1 over ground on layer 2 and ends at the hole `to` of a row of holes 1 mm apart, which
    keep `clear` mm from their edge to the plane."""
    b = small_board()
    nets = [f"P{i}" for i in range(count)]
    nets[to] = "CLK"
    plane = rectangle(0.5, 0.5, 49.5, 29.5)
    for i, net in enumerate(nets):
        b.via(net, (20 + i, 15))
    b.pour("GND", 2, plane, clearance=clear, keep_islands=True)
    b.trace("CLK", 1, [(20 + to, 3), (20 + to, 15)])
    return b.build()


def test_a_merged_row_is_a_slot(run, fast):
    """Inductance against the full aperture solution of a slot of that size at that place: 15 %, as its quick form."""
    finding = run(CHECK, row(0.4), {"CLK": fast}).only
    slot = finding.evidence
    # 9 mm between the outer holes and 2 x (0.3 + 0.4) mm of the outer antipads; pads of 0.6 mm.
    assert slot["slot_mm"] == pytest.approx(9 + 2 * 0.7, rel=0.02)
    assert slot["slot_width_mm"] == pytest.approx(1.25, rel=0.1)
    assert slot["holes_in_it"] == 10
    solved = float(solve_slot(slot["slot_mm"] * MM, slot["slot_width_mm"] * MM, 0.2 * MM, 0.2 * MM, 0.5 * MM))
    assert slot["inductance_nh"] == pytest.approx(solved * 1e9, rel=0.15)
    assert finding.allowance.value == pytest.approx(0.02 * 3.3)
    assert finding.remedies[1].excess_after_db < finding.excess_db


def test_copper_between_the_holes_is_no_slot(run, fast):
    assert run(CHECK, row(0.15), {"CLK": fast}).findings == []


def test_a_slot_without_driven_lines_passes(run, fast):
    assert run(CHECK, row(0.4), {"CLK": dict(fast, kind="none", swing=0.0)}).findings == []


def test_at_the_end_of_the_row_the_way_round_is_short(run, fast):
    middle, end = (run(CHECK, row(0.4, to=to), {"CLK": fast}).only.predicted for to in (4, 9))
    assert end < 0.7 * middle


def test_smaller_openings_leave_copper_between_the_holes(run, fast, changed):
    board = row(0.4)
    after = changed(board, run(CHECK, board, {"CLK": fast}).only.remedies[0].change)
    assert run(CHECK, after, {"CLK": fast}).findings == []
