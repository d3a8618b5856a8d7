"""Ground regions with a cable on one: the field that the crossing lines drive, and barriers that nobody may bridge."""

from __future__ import annotations

import math

import pytest

from quietcopper.build import chip, header, rectangle, small_board

CHECK = "split-ground-at-cable"


def regions(gap_mm, *, bridge=None):
    """Two ground nets side by side on layer 2, a connector on the right one, CLK crossing on layer 1."""
    b = small_board()
    b.pour("GND", 2, rectangle(0.5, 0.5, 25 - gap_mm / 2, 29.5))
    b.pour("GND_IO", 2, rectangle(25 + gap_mm / 2, 0.5, 49.5, 29.5))
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (46, 15), nets=("GND_IO", "CLK"))
    b.part("R1", chip("0402"), (6, 14), nets=("CLK", "GND"))
    b.drop("R1.2", (0.9, 0))
    b.route("CLK", "R1.1", (10, 17), "J1.2")
    if bridge:
        b.part("C1", chip("1206"), (25, bridge), nets=("GND", "GND_IO"), value="10n")
        b.drop("C1.1", (-1.2, 0))
        b.drop("C1.2", (1.2, 0))
    return b.build()


CABLE = {"J1": {"cable": True, "length": 1.0, "shielded": False}}


def test_a_line_between_two_grounds_with_a_cable_is_found(run, fast):
    finding = run(CHECK, regions(0.8), {"CLK": fast}, connectors=CABLE).only
    assert finding.place.parts == ("J1",)
    assert finding.excess_db > 0
    assert finding.evidence["distance_mm"] == pytest.approx(0.8, abs=1e-6)
    assert finding.remedies[0].change.kind == "join-areas"


def test_a_capacitor_beside_the_crossing_lowers_it(run, fast):
    """Common practice, no source."""
    alone = run(CHECK, regions(0.8), {"CLK": fast}, connectors=CABLE).only
    bridged = run(CHECK, regions(0.8, bridge=12), {"CLK": fast}, connectors=CABLE).only
    assert bridged.predicted < alone.predicted


def test_a_region_without_a_cable_is_a_poor_counterpoise(run, fast):
    """Deng, Hubing, Beetner 2008 (formula from memory): the field goes with sin(2 pi l/wave) of the other region, whose
    diagonal is 24.1 by 29 mm here."""
    finding = run(CHECK, regions(0.8), {"CLK": fast}, connectors=CABLE).only
    assert finding.evidence["counterpoise"] == "37.7 mm of copper"
    share = math.sin(2 * math.pi * 37.7e-3 * finding.evidence["worst_frequency_hz"] / 299792458)
    expected = finding.evidence["voltage_between_mv"] * 1e-3 / 37 * 60 / 3 * min(share, 1)
    assert finding.predicted == pytest.approx(expected, rel=0.01)
    assert finding.evidence["joined_by"] == "nothing"


def test_without_a_cable_there_is_no_antenna(run, fast):
    said = run(CHECK, regions(0.8), {"CLK": fast}, connectors={"J1": {"cable": False}})
    assert said.findings == []


@pytest.mark.parametrize("check", [CHECK, "trace-over-gap"])
def test_what_looks_like_a_safety_barrier_is_asked_about_never_bridged(run, fast, check):
    said = run(check, regions(6.0), {"CLK": fast}, connectors=CABLE)
    kinds = {r.change.kind for f in said.findings for r in f.remedies} | {
        f.cause.change.kind for f in said.findings if f.cause.change
    }
    assert said.findings
    assert kinds == {""}
    assert all("safety barrier" in r.change.text for f in said.findings for r in f.remedies)


def test_one_ground_is_no_region(run, fast):
    b = small_board(ground=(2,))
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    assert run(CHECK, b.build(), {"CLK": fast}, connectors=CABLE).findings == []
