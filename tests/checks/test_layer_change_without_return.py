"""Layer change without a return: the voltage put between two planes."""

from __future__ import annotations

import pytest

from quietcopper.build import Hop, small_board
from quietcopper.fields.vias import pair_inductance

CHECK = "layer-change-without-return"


def change(*returns_mm, layers=(2, 3)):
    """CLK goes from layer 1 to 4 at (25, 15) mm through ground planes on 2 and 3; ground vias at these offsets."""
    b = small_board(ground=layers)
    b.route("CLK", (5, 15), (25, 15), Hop(4), (45, 15), layer=1)
    for dx in returns_mm:
        b.via("GND", (25 + dx, 15))
    return b.build()


def test_one_return_via_is_the_two_wire_line(run, fast):
    finding = run(CHECK, change(3.0), {"CLK": fast}).only
    # Two equal vias between planes 1.06 mm apart: exact, (mu0·h/pi)·acosh(s/2r).
    expected = float(pair_inductance(1.06e-3, 3e-3, 0.15e-3))
    assert finding.evidence["plane_distance_mm"] == pytest.approx(1.06, abs=1e-6)
    assert finding.evidence["return_inductance_nh"] == pytest.approx(expected * 1e9, rel=1e-3)


def test_a_nearer_via_lowers_the_voltage_and_none_is_worst(run, fast):
    """Common practice, no source: a return via beside the signal via lowers the voltage."""
    near, far, none = (run(CHECK, change(*places), {"CLK": fast}).only for places in ((1.0,), (15.0,), ()))
    assert near.predicted < far.predicted
    assert none.predicted > 0
    assert "pF between the planes" in none.message
    assert none.remedies[0].excess_after_db < none.excess_db


def test_two_faces_of_one_plane_need_no_return(run, fast):
    b = small_board(ground=(2,))
    b.route("CLK", (5, 15), (25, 15), Hop(3), (45, 15), layer=1)
    assert run(CHECK, b.build(), {"CLK": fast}).findings == []


def test_a_change_without_second_reference_is_said(run, fast):
    b = small_board(layers=2)
    b.pour("GND", 2, [(0, 0), (20, 0), (20, 30), (0, 30)], keep_islands=True)
    b.route("CLK", (5, 15), (25, 15), Hop(2), (45, 15), layer=1)
    said = run(CHECK, b.build(), {"CLK": fast})
    assert said.findings == []
    assert said.not_checked[0].count == 1
