"""A reference that changes to another layer under a line: the voltage it puts between the two."""

from __future__ import annotations

import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.fields.returns import split_capacitance
from quietcopper.fields.vias import pair_inductance
from quietcopper.units import EPS0

CHECK = "reference-changes-along-run"


def board(*vias_mm, second="GND", over=30.0, end=45.0):
    """CLK on layer 1 over ground on layer 2, which ends at x = 25 mm; from x = `over` - 10 on copper on layer 3."""
    b = small_board()
    b.area("GND", 2, rectangle(1, 1, 25, 29))
    b.area(second, 3, rectangle(over - 10, 1, 49, 29))
    b.trace("CLK", 1, [(5, 15), (end, 15)])
    for at in vias_mm:
        b.via("GND", at)
    return b.build()


def test_without_a_joint_the_overlap_alone_carries_it(run, fast):
    """5 x 28 mm of overlap, 1.06 mm apart: a plate capacitor, exact. 3.3 V x 2 % are allowed."""
    finding = run(CHECK, board(), {"CLK": fast}).only
    expected = EPS0 * 4.2 * 5e-3 * 28e-3 / 1.06e-3
    assert finding.evidence["plane_capacitance_pf"] == pytest.approx(expected * 1e12, rel=1e-3)
    assert split_capacitance(2 * 5e-3 * 28e-3, 2 * 5e-3 * 28e-3, 1.06e-3, 4.2) == pytest.approx(expected, rel=1e-3)
    assert finding.allowance.value == pytest.approx(0.066)
    assert finding.excess_db > 0
    assert finding.place.at == pytest.approx((25e-3, 15e-3), abs=1e-6)
    assert "from over GND on layer 2 to GND on layer 3" in finding.message


def test_a_via_carries_it_and_the_nearer_the_better(run, fast):
    """One via: two conductors between planes with the radii of the spread return (h + w/4) and of the via, exact.
    That a nearer via takes less is common practice, no source."""
    far, near = (run(CHECK, board(place), {"CLK": fast}).only for place in ((22.0, 25.0), (23.5, 15.0)))
    assert near.predicted < far.predicted < run(CHECK, board(), {"CLK": fast}).only.predicted
    distance, source, via = (3.0**2 + 10.0**2) ** 0.5 * 1e-3, 0.25e-3, 0.15e-3
    equal = (source * via) ** 0.5  # acosh(s^2/2ab) is that of two equal ones for s >> a, b
    assert far.evidence["return_inductance_nh"] == pytest.approx(
        float(pair_inductance(1.06e-3, distance, equal)) * 1e9, rel=0.01
    )
    assert near.remedies[0].change.kind == "add-via"


def test_over_a_supply_the_supply_is_the_cause(run, fast):
    finding = run(CHECK, board(second="+3V3"), {"CLK": fast}).only
    assert finding.cause.key.startswith("supply as reference:L3")
    assert finding.remedies[-1].change.kind == "bridge-gap"
    assert finding.remedies[-1].excess_after_db < finding.excess_db


def test_nothing_is_proposed_between_two_grounds(run, fast):
    finding = run(CHECK, board(second="GND_ISO"), {"CLK": fast}).only
    assert finding.remedies == ()


def test_a_line_that_ends_over_its_reference_passes(run, fast):
    said = run(CHECK, board(end=24.0), {"CLK": fast})
    assert said.findings == []
    assert said.coverage[0].looked == said.coverage[0].total == 1


def test_the_pair_of_both_is_solved_with_its_ties(run, fast):
    """Where the two face each other the plane-pair engine tells the voltage. Overlap alone: that of its capacitance, as
    the formula has it (25 %). One via 3 mm off: L·I/rise, up to twice that as it rings with the overlap at 2 GHz, far
    above the knee (exact for L and C; 20 % for the pair's edge beside the port)."""
    alone, tied = (run(CHECK, board(*vias), {"CLK": fast}).only for vias in ((), ((22.0, 15.0),)))
    for finding in (alone, tied):
        assert finding.evidence["voltage_from"] == "the pair of both, solved"
        assert "by formula" not in finding.message
    assert alone.predicted == pytest.approx(alone.evidence["voltage_by_formula_v"], rel=0.25)
    quick = tied.evidence["return_inductance_nh"] * tied.evidence["edge_current_ma"] / tied.evidence["rise_ps"] * 0.8
    assert 0.8 < tied.predicted / quick < 2


def test_side_by_side_the_formula_stands_and_is_said_to(run, fast):
    """The second ground begins 1 mm beyond the end of the first: no pair, and nothing joins the two."""
    finding = run(CHECK, board(over=36.0), {"CLK": fast}).only
    assert finding.evidence["voltage_from"] == "the formula"
    assert "by formula" in finding.message
