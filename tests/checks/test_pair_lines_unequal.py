"""Pairs with copper on one side only."""

from __future__ import annotations

import pytest
from shapely import box

from quietcopper.build import chip, small_board
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import solve

CHECK = "pair-lines-unequal"
LANE = {"role": "signal", "kind": "data", "swing": 0.4, "rise": 100e-12, "source": 50.0, "rate": 500e6}
NETS = {"LN_P": LANE, "LN_N": LANE}


def board(pour_mm=None, length_mm=40.0, *, both_sides=False):
    """A pair 50 mm long, with ground on the upper line's side, or on both, at a distance."""
    b = small_board(size_mm=(70.0, 30.0), ground=(2,))
    for ref, x in (("U1", 5), ("U2", 60)):
        b.part(ref, chip("0402"), (x, 15), nets=("LN_N", "LN_P"), turn_deg=90)
    for net, pin, y in (("LN_N", 1, 14.8), ("LN_P", 2, 15.2)):
        b.trace(net, 1, [b.pin(f"U1.{pin}"), (8, y), (57, y), b.pin(f"U2.{pin}")])
    if pour_mm is not None:
        b.area("GND", 1, box(12, 15.3 + pour_mm, 12 + length_mm, 20))
        if both_sides:
            b.area("GND", 1, box(12, 10, 12 + length_mm, 14.7 - pour_mm))
    return b.build()


def test_pour_on_one_side_turns_signal_into_common_mode(run):
    finding = run(CHECK, board(0.1), NETS).only
    strips = [Strip(x, 0.2e-3, 0.2e-3, 35e-6, 0.25) for x in (0.0, 0.4e-3)]
    pour = Strip(0.6e-3 + 2e-3, 0.2e-3, 4e-3, 35e-6)
    solved = solve(
        CrossSection(tuple(strips), (pour,), (Sheet(0.2e-3, 4.2, 0.02),), coat_above=Coat(20e-6, 20e-6, 3.5))
    )
    far, near = (
        ((solved.inductance[k, k] - solved.inductance[0, 1]) / (solved.capacitance[k, k] - solved.capacitance[0, 1]))
        ** 0.5
        for k in (0, 1)
    )
    assert finding.evidence["positive_ohm"] == pytest.approx(near, rel=0.01)
    assert finding.evidence["negative_ohm"] == pytest.approx(far, rel=0.01)
    # 40 mm are more than half the edge: the step reflects in full
    assert finding.predicted == pytest.approx((far - near) / (far + near), rel=0.03)
    assert finding.excess_db > 0
    assert finding.evidence["section"]["field_lines"]


def test_less_from_afar_and_over_a_short_stretch(run):
    near, far, short = (run(CHECK, b, NETS).only.predicted for b in (board(0.1), board(0.3), board(0.1, 3.0)))
    assert far < near / 2
    assert short < near


def test_pour_on_both_sides_and_none_leave_the_pair_in_balance(run):
    for b in (board(), board(0.1, both_sides=True)):
        said = run(CHECK, b, NETS)
        assert (said.coverage[0].looked, said.coverage[0].total) == (1, 1)
        assert all(f.grade == "passes" for f in said.findings)
