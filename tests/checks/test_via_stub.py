"""Ends of vias beyond the layers that a line uses."""

from __future__ import annotations

import pytest

from quietcopper.build import BoardBuilder, Hop, chip, copper, laminate, rectangle, stack
from quietcopper.fields.vias import stub_resonance
from quietcopper.units import MM

CHECK = "via-stub"


def thick(layer, *, core_um=2000.0):
    """Eight layers with grounds; a line goes down from layer 1 to an inner layer and comes up again."""
    sheets = [copper("L1", thickness_um=35)]
    for i in range(2, 9):
        sheets += [
            laminate(thickness_um=core_um if i == 6 else 150.0, er=4.0, tan_d=0.01),
            copper(f"L{i}", thickness_um=35),
        ]
    b = BoardBuilder("thick", unit=MM, stack=stack(*sheets), width=0.15, via=(0.25, 0.5), clearance=0.2)
    b.outline(rectangle(0, 0, 60, 30))
    for plane in (2, 4, 7):
        b.pour("GND", plane, rectangle(0.5, 0.5, 59.5, 29.5), keep_islands=True)
    b.part("U1", chip("0402"), (5, 15), nets=("D0", "GND"), turn_deg=180)
    b.part("U2", chip("0402"), (55, 15), nets=("D0", "GND"))
    b.route("D0", "U1.1", (10, 15), Hop(layer), (50, 15), Hop(1), "U2.1")
    for x in (10, 50):
        b.via("GND", (x, 16))
    return b.build()


SHARP = {"rise": 60e-12}


def test_a_long_unused_end_is_found(run, fast):
    finding = run(CHECK, thick(3), {"D0": fast | SHARP}).only
    assert finding.excess_db > 0
    assert finding.place.layers == (2, 7)
    depth = 35e-6 * 5 + 150e-6 * 4 + 2000e-6
    assert finding.evidence["length_mm"] == pytest.approx(depth * 1e3)
    # pads and antipads load the barrel: its quarter wave lies below that of the bare dielectric
    assert finding.evidence["quarter_wave_hz"] < float(stub_resonance(depth, 4.0))
    assert "2 vias of it do" in finding.message


def test_a_via_used_whole_has_no_end(run, fast):
    said = run(CHECK, thick(8), {"D0": fast | SHARP})
    assert said.findings == []
    assert (said.coverage[0].looked, said.coverage[0].total) == (2, 2)


def test_a_slow_edge_and_a_short_end_pass(run, fast):
    assert run(CHECK, thick(3), {"D0": fast}).only.grade == "passes"
    short = run(CHECK, thick(6, core_um=150.0), {"D0": fast | SHARP}).only
    long = run(CHECK, thick(3), {"D0": fast | SHARP}).only
    assert short.predicted < long.predicted / 3
    assert short.excess_db < 0


def test_the_end_drilled_out_is_gone(run, fast, changed):
    before = thick(3)
    found = run(CHECK, before, {"D0": fast | SHARP}).only
    after = changed(before, found.remedies[0].change)
    assert after.vias.last.tolist().count(2) == before.vias.last.tolist().count(2) + 1
    assert len(after.pads) == len(before.pads) - 5  # layers 4 to 8
    again = run(CHECK, after, {"D0": fast | SHARP}).findings  # the other via of the line has its end still
    assert sum(f.excess_db >= 0 for f in again) <= 1
    assert all(f.remedies[0].change.arguments["at"] != found.remedies[0].change.arguments["at"] for f in again)
