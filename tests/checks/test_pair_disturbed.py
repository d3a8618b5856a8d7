"""Pairs with a line beside them: what is left between the pair's lines, and how far the neighbour must be."""

from __future__ import annotations

import pytest

from quietcopper.build import chip, small_board
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import solve

CHECK = "pair-disturbed"
LANE = {"role": "signal", "kind": "data", "swing": 0.4, "rise": 150e-12, "source": 50.0, "rate": 500e6}
LOUD = {"role": "signal", "kind": "clock", "swing": 3.3, "rise": 0.3e-9, "source": 25.0, "rate": 100e6}
NETS = {"LN_P": LANE, "LN_N": LANE, "CLK": LOUD}


def board(gap_mm, *, between_mm=0.2, both_sides=False):
    """A pair and a clock beside it without parts, 50 mm: lines whose ends nobody knows count as matched."""
    b = small_board(size_mm=(70.0, 30.0), ground=(2,))
    for ref, x in (("U1", 5), ("U2", 60)):
        b.part(ref, chip("0402"), (x, 15), nets=("LN_P", "LN_N"), turn_deg=90)
    low, high = 15 - (0.2 + between_mm) / 2, 15 + (0.2 + between_mm) / 2
    for net, pin, y in (("LN_P", 1, low), ("LN_N", 2, high)):
        b.trace(net, 1, [b.pin(f"U1.{pin}"), (8, y), (57, y), b.pin(f"U2.{pin}")])
    b.trace("CLK", 1, [(8, high + 0.2 + gap_mm), (57, high + 0.2 + gap_mm)])
    if both_sides:
        b.trace("CLK2", 1, [(8, low - 0.2 - gap_mm), (57, low - 0.2 - gap_mm)])
    return b.build()


def test_what_is_received_is_the_difference_of_the_two_couplings(run):
    finding = run(CHECK, board(0.3), NETS).only
    line = Strip(0.0, 0.2e-3, 0.2e-3, 35e-6, 0.25)
    lines = tuple(Strip(x, 0.2e-3, 0.2e-3, 35e-6, 0.25) for x in (0.5e-3, 0.9e-3))
    section = CrossSection((line, *lines), (), (Sheet(0.2e-3, 4.2, 0.02),), coat_above=Coat(20e-6, 20e-6, 3.5))
    solved = solve(section)
    difference = solved.near_end_coupling(1, 0) - solved.near_end_coupling(2, 0)
    assert finding.evidence["coupling_difference"] == pytest.approx(difference, rel=0.02)
    assert set(finding.place.nets) == {"LN_P", "LN_N", "CLK"}
    assert finding.excess_db > 0
    assert max(finding.evidence["waveform"]["level_mv"]) == pytest.approx(finding.predicted * 1e3, rel=0.02)
    assert finding.evidence["section"]["field_lines"]


def test_further_away_and_a_tighter_pair_receive_less(run):
    """Common practice, no source."""
    near, far = (run(CHECK, board(gap), NETS).only.predicted for gap in (0.3, 0.6))
    tight = run(CHECK, board(0.3, between_mm=0.12), NETS).only.predicted
    assert far < near
    assert tight < near


def test_the_proposed_distance_cures(run):
    remedy = run(CHECK, board(0.3), NETS).only.remedies[0]
    gap = float(remedy.change.text.split("keep ")[1].split(" mm")[0])
    said = run(CHECK, board(gap), NETS).findings
    assert not said or said[0].excess_db <= 0.5


def test_lines_on_both_sides_add(run):
    one = run(CHECK, board(0.3), NETS).only.predicted
    two = run(CHECK, board(0.3, both_sides=True), NETS | {"CLK2": LOUD}).only.predicted
    assert two == pytest.approx(2 * one, rel=0.03)


def test_a_pair_alone_passes_and_is_counted(run):
    said = run(CHECK, board(6.0), NETS)
    assert said.findings == []
    assert (said.coverage[0].looked, said.coverage[0].total) == (1, 1)


def test_lines_of_pairs_are_no_victims_of_their_own(run):
    victims = {f.subject[0] for f in run("traces-too-close", board(0.3), NETS).findings}
    assert victims <= {"CLK"}


def test_the_change_itself_cures(run, changed):
    before = board(0.3)
    after = changed(before, run(CHECK, before, NETS).only.remedies[0].change)
    said = run(CHECK, after, NETS).findings
    assert not said or said[0].excess_db <= 0.5
