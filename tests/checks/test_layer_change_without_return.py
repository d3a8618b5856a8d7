"""Layer change without a return: the voltage put between two planes."""

from __future__ import annotations

import pytest

from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.changes.base import Rules
from quietcopper.changes.vias import add_via
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


def test_the_other_line_of_a_pair_carries_the_return(run, fast):
    """Two lines change layers 1 mm apart between the same planes, no ground via near. As a pair each is the other's way
    back: two equal conductors between planes 1.06 mm apart, (mu0·h/pi)·acosh(s/2r), exact. As single lines nothing
    joins the planes."""
    b = small_board(ground=(2, 3))
    for net, y in (("LN_P", 15), ("LN_N", 16)):
        b.route(net, (5, y), (25, y), Hop(4), (45, y), layer=1)
    lines = {"LN_P": fast | {"pair_with": "LN_N"}, "LN_N": fast}
    pair = run(CHECK, b.build(), lines).of("LN_P")
    single = run(CHECK, b.build(), {"LN_P": fast | {"pair_with": ""}, "LN_N": fast}).of("LN_P")
    expected = float(pair_inductance(1.06e-3, 1e-3, 0.15e-3))
    assert pair.evidence["return_inductance_nh"] == pytest.approx(expected * 1e9, rel=1e-3)
    assert "the pair's other line 1.0 mm away" in pair.message
    assert pair.remedies == ()  # a ground via at the same distance does no more
    assert pair.predicted < single.predicted
    assert single.remedies


def test_where_the_solved_planes_lack_a_way_the_lumped_figure_stands(run, fast, monkeypatch):
    """The quick figure rings without loss and is an upper one: a piece of supply held by a capacitor off its own pair
    came out at 2.4 V of 3.3 V as solved, 20 mV by what lies near."""
    board = change(1.0)
    usual = run(CHECK, board, {"CLK": fast}).only
    monkeypatch.setattr("quietcopper.checks.layer_change_without_return.SCREEN", 0.0)  # solve whatever its size
    monkeypatch.setattr("quietcopper.checks.layer_change_without_return.plane_voltage", lambda *_: 100.0)
    above = run(CHECK, board, {"CLK": fast}).only
    assert above.predicted < 100.0
    assert above.evidence["voltage_from"] == "what lies near, lumped"
    monkeypatch.setattr("quietcopper.checks.layer_change_without_return.plane_voltage", lambda *_: 1e-6)
    assert run(CHECK, board, {"CLK": fast}).only.predicted == 1e-6
    assert usual.predicted <= above.predicted


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


def test_the_via_is_proposed_where_it_really_fits(run, fast):
    """Traces of other nets close in on three sides of the signal via: the place lies on the fourth, and the change can
    be made there."""
    b = small_board(ground=(2, 3))
    b.route("CLK", (5, 15), (25, 15), Hop(4), (45, 15), layer=1)
    for i, y in enumerate((15.6, 16.2, 16.8, 17.4, 18.0)):
        b.trace(f"X{i}", 1, [(20, y), (30, y)])
    for i, x in enumerate((25.6, 26.2, 26.8, 27.4, 28.0)):
        b.trace(f"Y{i}", 1, [(x, 10), (x, 15.3)])
    said = run(CHECK, b.build(), {"CLK": fast | {"rise": 0.3e-9}})
    finding = said.only
    change = finding.remedies[0].change
    vias = [change.arguments] if change.kind == "add-via" else [c["arguments"] for c in change.arguments["changes"]]
    assert vias
    for via in vias:
        x, y = via["at"]
        assert x < 25.3e-3
        assert y < 15.3e-3
        add_via(b.build(), Rules(0.15e-3, 0.1e-3, 3e-3), **via)  # raises where there is no room
    assert finding.remedies[0].excess_after_db < finding.excess_db
    assert finding.evidence["plane_voltage_per_volt"] > 0
    assert len(finding.evidence["spectrum"]["frequency_hz"]) == len(finding.evidence["spectrum"]["level_ohm"])


@pytest.mark.parametrize("rise", [0.15e-9, 0.3e-9, 0.6e-9, 1.2e-9])
def test_what_is_shown_is_solved_and_the_quick_figure_lies_near(run, fast, rise):
    """From -12 dB of the quick figure on the planes are solved; where they are not, the quick one is far below what is
    shown (-6 dB)."""
    finding = run(CHECK, change(2.0), {"CLK": fast | {"rise": rise}}).only
    solved = finding.evidence["voltage_from"].startswith("the planes")
    assert solved or finding.excess_db < -9


def between_supplies(*held: str):  # type: ignore[no-untyped-def]
    """CLK goes from over VCC on layer 2 to over VDD on layer 5; ground on layer 4, and a capacitor from it to each
    supply of `held`."""
    b = small_board(layers=6, ground=(4,))
    for net, layer in (("VCC", 2), ("VDD", 5)):
        b.pour(net, layer, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True)
    b.route("CLK", (5, 15), (25, 15), Hop(6), (45, 15), layer=1)
    for i, net in enumerate(held):
        b.part(f"C{i + 1}", chip("0402"), (25, 18 + 4 * i), nets=(net, "GND"), value="100n")
        b.drop(f"C{i + 1}.1", (-0.8, 0))
        b.drop(f"C{i + 1}.2", (0.8, 0))
    return b.build()


def test_from_one_supply_to_another_the_return_goes_over_the_ground_that_both_are_held_to(run, fast):
    """Two capacitors in series by way of ground; with one of them alone nothing but the planes' capacitance is left."""
    both, one = (run(CHECK, between_supplies(*held), {"CLK": fast}).only for held in (("VCC", "VDD"), ("VCC",)))
    assert "capacitor C1 and capacitor C2 by way of GND" in both.message
    assert "pF between the planes" in one.message
    assert both.predicted < one.predicted


def test_nothing_is_proposed_between_grounds_that_keep_their_distance(run, fast):
    """Two grounds that share no layer may be the sides of a safety barrier; ones 0.5 mm apart on one layer are not."""
    for beside, proposed in ((False, False), (True, True)):
        b = small_board(ground=(2,))
        b.area("GND_ISO", 3, rectangle(1, 1, 49, 20))
        if beside:
            b.area("GND", 3, rectangle(1, 20.5, 49, 29))
            b.via("GND", (40, 25))
        b.route("CLK", (5, 15), (25, 15), Hop(4), (45, 15), layer=1)
        finding = run(CHECK, b.build(), {"CLK": fast}).only
        assert finding.place.layers == (0, 3)
        assert any("GND_ISO" in r.change.text for r in finding.remedies) is proposed
