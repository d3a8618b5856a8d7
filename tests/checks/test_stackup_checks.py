"""Planes far apart, supply as a reference, lines at a plane's edge."""

from __future__ import annotations

import numpy as np
import pytest

from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.fields.returns import plane_inductance
from quietcopper.fields.vias import pair_inductance


def pair(*, upper, lower):
    b = small_board()
    b.net("3V3", kind="power")
    b.pour("GND", upper, rectangle(0, 0, 50, 30), keep_islands=True)
    b.pour("3V3", lower, rectangle(0, 0, 50, 30), keep_islands=True)
    return b


def test_spacing_is_priced_as_inductance(run):
    finding = run("planes-far-apart", pair(upper=2, lower=3).build()).only
    assert finding.predicted == pytest.approx(float(pair_inductance(1.06e-3, 10e-3, 0.15e-3)), rel=1e-6)
    assert finding.grade == "change it"
    # The proposal is the widest spacing in steps of 10 µm that meets the allowance; inductance is proportional to it.
    (remedy,) = finding.remedies
    thickness = remedy.change.arguments["thickness"]
    assert remedy.excess_after_db <= 0
    assert finding.predicted * (thickness + 10e-6) / 1.06e-3 > finding.allowance.value


def test_thinner_spacing_passes(run):
    """Common practice, no source: a thinner ground-supply spacing gives lower impedance."""
    finding = run("planes-far-apart", pair(upper=1, lower=2).build()).only
    assert finding.excess_db < 0
    assert finding.remedies == ()  # nothing is proposed that would move them apart


def test_a_supply_without_ground_facing_it_is_said(run):
    b = small_board()
    b.net("3V3", kind="power")
    b.pour("3V3", 3, rectangle(0, 0, 50, 30), keep_islands=True)
    said = run("planes-far-apart", b.build())
    assert said.findings == []
    assert "no ground area" in said.not_checked[0].why


def test_signals_over_supply_are_found_and_capacitors_help(run, fast):
    b = pair(upper=2, lower=3)
    b.trace("CLK", 4, [(5, 15), (45, 15)])
    alone = run("reference-not-ground", b.build(), {"CLK": fast}).only
    assert alone.subject == ("L4", "L3", "3V3")
    for i, x in enumerate((6, 8)):
        b.part(f"C{i + 1}", chip("0402"), (x, 18), nets=("3V3", "GND"), value="100n", side="bottom")
        b.drop(f"C{i + 1}.1", (-0.7, 0))
        b.drop(f"C{i + 1}.2", (0.7, 0))
    helped = run("reference-not-ground", b.build(), {"CLK": fast}).only
    assert helped.predicted < alone.predicted


def test_a_layer_with_pieces_of_supply_is_not_told_to_become_ground(run, fast):
    """16 by 10 mm of 3V3 on a routed layer of a board of 50 by 30 mm: the lines are to go, not the layer."""
    b = small_board(ground=(4,))
    b.net("3V3", kind="power")
    b.area("3V3", 2, rectangle(10, 10, 26, 20))
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    finding = run("reference-not-ground", b.build(), {"CLK": fast}).only
    assert finding.cause.title.startswith("Pieces of supply 3V3 lie on layer 2")
    assert finding.cause.change.kind == ""
    assert "becomes ground" not in finding.cause.change.text


def test_signals_over_ground_are_fine(run, fast):
    b = small_board(ground=(2, 3))
    b.route("CLK", (5, 15), (20, 15), Hop(4), (45, 15), layer=1)
    assert run("reference-not-ground", b.build(), {"CLK": fast}).findings == []


@pytest.mark.parametrize(("y", "found"), [(15.0, False), (1.0, True)])
def test_only_a_line_near_the_edge_is_priced(run, fast, y, found):
    b = small_board(ground=(2,))
    b.trace("CLK", 1, [(5, y), (45, y)])
    assert bool(run("trace-off-plane", b.build(), {"CLK": fast}).findings) is found


def test_over_an_opening_far_inside_is_not_beyond_the_edge(run, fast):
    """A line in the middle of the board passes a hole of its plane: what lies over the hole has no reference, but the
    plane's edge is 10 mm away."""
    b = small_board()
    b.pour("GND", 2, rectangle(0, 0, 50, 30), cut=[rectangle(20, 10, 30, 20)], keep_islands=True)
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    assert run("trace-off-plane", b.build(), {"CLK": fast}).findings == []


def test_every_line_at_an_edge_has_its_excess_figures(run, fast):
    """Not the worst ones alone, and the more the nearer to the edge and beyond (common practice, no source)."""
    b = small_board(ground=(2,))
    for i, y in enumerate((1.3, 1.1, 0.9, 0.7, 0.5, 0.3)):
        b.trace(f"CLK{i}", 1, [(5, y), (45, y)], width=0.1)
    found = run("trace-off-plane", b.build(), {f"CLK{i}": fast for i in range(6)}).findings
    figures = {f.subject[0]: f.evidence for f in found}
    nh = [figures[f"CLK{i}"]["excess_inductance_nh"] for i in range(6)]
    assert nh == sorted(nh)
    assert nh[5] > 20 * nh[0] > 0
    assert sum("mode" in e for e in figures.values()) <= 3


def test_the_edge_figure_is_the_planes_net_inductance(run, fast):
    b = small_board(ground=(2,))  # the plane ends 0.5 mm inside the board: 29 mm wide
    b.trace("CLK", 1, [(5, 1.0), (45, 1.0)])
    finding = run("trace-off-plane", b.build(), {"CLK": fast}).only
    # 0.5 mm inside the edge of a plane 29 mm wide, 0.2 mm up, 40 mm long; formula tested against physics rows R7, R8.
    expected = float(plane_inductance(29e-3, 14.5e-3 - 0.5e-3, 0.2e-3)) * 40e-3
    assert finding.evidence["plane_inductance_nh"] == pytest.approx(expected * 1e9, rel=1e-3)
    assert finding.remedies[0].excess_after_db < finding.excess_db
    # What the edge adds to the loop, over a half plane: exact for thin line and plane, (mu0/2pi)·ln(1/cos(t/2)), tan t
    # = height / distance, with the height of the line's middle (it is 35 um thick). 5 %: its current runs more in its
    # lower face, and the plane is 35 um thick and 29 mm wide.
    exact = 2e-7 * np.log(1 / np.cos(np.arctan2(0.2175, 0.5) / 2)) * 40e-3
    assert finding.evidence["stretch_solved_mm"] == pytest.approx(40.0)
    assert finding.evidence["excess_inductance_nh"] == pytest.approx(exact * 1e9, rel=0.05)
    assert finding.evidence["excess_inductance_error_nh"] < 0.05 * finding.evidence["excess_inductance_nh"]
    assert finding.evidence["excess_resistance_ohm"] > 0
    assert {"mode", "return_path"} <= set(finding.evidence)
