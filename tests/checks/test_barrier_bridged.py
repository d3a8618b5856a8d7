"""Barriers between ground regions: recognised, intrusions measured, and never proposed to be bridged."""

from __future__ import annotations

import pytest

from quietcopper.build import chip, rectangle, small_board, soic
from quietcopper.electrical.grounds import barriers, between_regions
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.view import View

CHECK = "barrier-bridged"


def board(extra=None, *, gap_mm=6.0, isolator=True):
    """GND and GND_ISO on layer 2 and 3, 6 mm apart, each with a connector's worth of pins; U1 isolates between them."""
    b = small_board()
    for layer in (2, 3):
        b.pour("GND", layer, rectangle(0.5, 0.5, 25 - gap_mm / 2, 29.5))
        b.pour("GND_ISO", layer, rectangle(25 + gap_mm / 2, 0.5, 49.5, 29.5))
    for x, net in ((8, "GND"), (42, "GND_ISO")):
        b.part(f"R{x}", chip("0402"), (x, 24), nets=(net, f"S{x}"))
        b.drop(f"R{x}.1", (-0.9, 0))
    if isolator:
        b.part("U1", soic(8, wide=True), (25, 15), nets=("GND", "", "", "", "GND_ISO", "", "", ""), value="isolator")
        b.drop("U1.1", (-1.2, 0))
        b.drop("U1.5", (1.2, 0))
    if extra:
        extra(b)
    return b.build()


def test_a_clear_barrier_is_recognised_and_passes(run):
    b = board()
    (found,) = barriers(View(b, Settings()), 3e-3)
    assert found.width == pytest.approx(6e-3, rel=1e-3)
    assert [str(b.parts.ref[p]) for p in found.isolating] == ["U1"]
    assert run(CHECK, b).findings == []


def test_a_trace_across_leaves_its_own_gaps(run):
    """Exact: a trace 5 mm long and 0.2 mm wide in the middle of 6 mm leaves 0.4 mm at either end."""

    def trace(b):
        b.trace("S8", 2, [(22.5, 5), (27.5, 5)])

    finding = run(CHECK, board(trace)).only
    assert finding.evidence["left_mm"] == pytest.approx(0.4 + 0.4, abs=0.01)
    assert finding.predicted == pytest.approx(1 - 0.8 / 6, rel=0.01)
    assert finding.excess_db > 0
    assert "S8" in finding.place.nets
    assert all(r.change.kind == "" for r in finding.remedies)
    assert "safety barrier" in finding.remedies[0].change.text


def test_a_capacitor_across_is_told(run):
    def capacitor(b):
        b.part("C1", chip("1206"), (25, 8), nets=("GND", "GND_ISO"), value="1 nF")
        b.route("GND", "C1.1", (20, 8), layer=1)
        b.via("GND", (20, 8))
        b.route("GND_ISO", "C1.2", (30, 8), layer=1)
        b.via("GND_ISO", (30, 8))

    finding = run(CHECK, board(capacitor)).only
    assert "C1" in finding.place.parts
    assert finding.evidence["left_mm"] < 2.5
    assert finding.evidence["parts_that_join_both_sides"] == ["C1"]


def test_grounds_tied_by_a_resistor_are_no_barrier(run):
    def resistor(b):
        b.part("R1", chip("0402"), (25, 8), nets=("GND", "GND_ISO"), value="0 ohm")
        b.route("GND", "R1.1", (20, 8), layer=1)
        b.via("GND", (20, 8))
        b.route("GND_ISO", "R1.2", (30, 8), layer=1)
        b.via("GND_ISO", (30, 8))

    b = board(resistor)
    v = View(b, Settings())
    assert barriers(v, 3e-3) == ()
    (pair,) = between_regions(v)
    assert [(j.kind, j.name) for j in pair.joints] == [("resistor", "R1")]


def test_a_narrow_gap_is_no_barrier(run):
    assert run(CHECK, board(gap_mm=1.0)).findings == []
