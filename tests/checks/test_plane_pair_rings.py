"""Plane pairs that ring in the measured band: which mode, what excites it, what ground in place of supply would do."""

from __future__ import annotations

import pytest

from quietcopper.build import Hop, chip, rectangle, small_board, soic
from quietcopper.electrical.choices import supply_as_reference
from quietcopper.electrical.plane_noise import exciters_of
from quietcopper.electrical.plane_pairs import as_ground, impedance_at_pins, pair_modes
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.review.tables import pair_rows
from quietcopper.units import C0, EPS0

CHECK = "plane-pair-rings"
MM = 1e-3


def board(*, supply="3V3", hop=True, capacitors=0, stitch=None, high=59.5):
    """Ground on layer 2 and a supply on layer 3, 105.5 x 60 mm; CLK goes from layer 1 to 4 near a corner."""
    b = small_board(size_mm=(105.5, 60), ground=(2,))
    b.net("3V3", kind="power")
    b.pour(supply, 3, rectangle(0.5, 0.5, 105, high), keep_islands=True)
    way = ((5, 5), (12, 8), Hop(4), (60, 8)) if hop else ((5, 5), (60, 5))
    b.route("CLK", *way, layer=1)
    for i in range(capacitors):
        b.part(f"C{i + 1}", chip("0402"), (15 + 18 * i, 40), nets=("3V3", "GND"), value="100nF")
        b.drop(f"C{i + 1}.1", (-1.0, 0))
        b.drop(f"C{i + 1}.2", (1.0, 0))
    if stitch:
        b.stitch("GND", rectangle(1, 1, 104, 59), stitch)
    return b.build()


def test_the_modes_of_a_bare_rectangle(run, fast):
    """Exact, c/(2 sqrt(er)) sqrt((m/a)^2 + (n/b)^2) for 104.5 x 59 mm, er 4.2 (the via's opening counts for little):
    the first lies below 1 GHz, the limit of a 100 MHz clock, at one of the clock's harmonics: 0.5 %."""
    finding = run(CHECK, board(), {"CLK": fast}).only
    first = C0 / (2 * 4.2**0.5) / 104.5e-3
    assert finding.evidence["resonance_hz"] == pytest.approx(first, rel=5e-3)
    assert finding.evidence["resonances_mhz"] == pytest.approx([first / 1e6], rel=5e-3)
    assert finding.evidence["capacitance_pf"] == pytest.approx(EPS0 * 4.2 * 104.5e-3 * 59e-3 / 1.06e-3 * 1e12, rel=5e-3)
    # tan d 0.02 and delta/d of copper 35 um thick: the figure of a formula, 2 %.
    assert finding.evidence["quality_factor"] == pytest.approx(1 / (0.02 + 2.42e-6 / 1.06e-3), rel=0.02)
    assert "CLK where it changes layers" in finding.message
    assert finding.excess_db > 0
    assert finding.cause.key == "supply as reference:L3"


def test_a_piece_of_supply_that_rings_is_not_told_to_become_ground(run, fast):
    """A strip over a fifth of the board rings along its length, c/(2 L sqrt(er)): 1 %."""
    finding = run(CHECK, board(high=13.5), {"CLK": fast}).only
    assert finding.evidence["resonance_hz"] == pytest.approx(C0 / (2 * 4.2**0.5) / 104.5e-3, rel=0.01)
    assert finding.cause.title.startswith("Pieces of supply 3V3 lie on layer 3")
    assert [(r.change.kind, r.solved) for r in finding.remedies] == [("", "not solved")]


def test_a_supply_in_which_no_line_returns_is_not_said_to_carry_returns():
    """CLK stays on layer 1 over ground: what it could have to do with the supply below is a change of layers."""
    title = supply_as_reference(View(board(hop=False), Settings()), 2).title
    assert title.endswith("is supply 3V3, and lines change layers through it")
    assert supply_as_reference(View(board(), Settings()), 2).title.endswith("and signals of layer 4 return in it")


def test_the_table_of_pairs_tells_modes_and_what_excites_them(fast):
    view = View(board(), Settings(nets={"CLK": NetSettings(**fast)}))
    row = next(r for r in pair_rows(view) if r["upper_net"] == "GND" and r["lower_net"] == "3V3")
    assert row["modes_hz"] == pytest.approx([C0 / (2 * 4.2**0.5) / 104.5e-3], rel=5e-3)
    assert len(row["quality"]) == 1
    assert row["excited_by"] == "CLK where it changes layers"


def test_nothing_that_excites_it_is_no_finding(run, fast):
    said = run(CHECK, board(hop=False), {"CLK": fast})
    assert said.findings == []
    ringing = said.coverage[1]
    assert (ringing.looked, ringing.total) == (0, 1)


def test_ground_in_place_of_the_supply_stitched_throughout_ends_it(run, fast):
    """Common practice, no source; on the board itself, and as the check's own remedy foresees it."""
    before = run(CHECK, board(), {"CLK": fast}).only
    after = run(CHECK, board(supply="GND", stitch=8), {"CLK": fast})
    assert after.findings == []
    stitched = run(CHECK, board(stitch=8), {"CLK": fast}).only
    assert stitched.remedies[0].excess_after_db == float("-inf")
    assert stitched.excess_db == pytest.approx(before.excess_db, abs=6)  # its openings move the mode a little


def test_capacitors_move_the_first_mode_and_ground_ties_replace_them(fast):
    nets = {"CLK": NetSettings(**fast)}
    bare, loaded = (View(board(capacitors=n), Settings(nets=nets)) for n in (0, 4))
    one, four = (pair_modes(v, v.plane_pairs[0], 2e9) for v in (bare, loaded))
    capacitor = loaded.plane_pairs[0].capacitors[0]
    assert capacitor.capacitance == pytest.approx(100e-9)
    assert 0.3e-9 < capacitor.inductance < 1.5e-9  # two vias 3 mm apart, 0.2 mm deep, and 3 mm of surface
    assert len(loaded.plane_pairs[0].capacitors) == 4
    # A new first mode: the whole capacitance with the capacitors' inductance; the half wave moves up.
    assert len(four.frequency) > len(one.frequency)
    assert four.frequency[0] < one.frequency[0] < four.frequency[1]
    grounded = as_ground(loaded, loaded.plane_pairs[0])
    assert len(grounded.ties) == 4
    assert grounded.capacitors == ()


def test_impedance_at_a_pin_below_resonance_is_the_capacitors_and_the_planes(fast):
    """At 1 MHz 200 nF and 0.2 nF of planes, 2 %; taking a capacitor away leaves 100 nF."""
    view = View(board(capacitors=2), Settings(nets={"CLK": NetSettings(**fast)}))
    pin = next(i for i in range(len(view.board.pins)) if view.board.pin_label(i) == "C1.1")
    seen = impedance_at_pins(view, [pin], [1e6])
    assert seen.alone[0, 0].imag == pytest.approx(-1 / (2e6 * 3.14159265 * 200.2e-9), rel=0.02)
    assert seen.together[0] == pytest.approx(seen.alone[0, 0])
    part = int(view.board.pins.part[pin])
    less = impedance_at_pins(view, [pin], [1e6], without=[part])
    assert less.alone[0, 0].imag == pytest.approx(-1 / (2e6 * 3.14159265 * 100.2e-9), rel=0.02)
    assert [c.part for c in less.capacitors] == [c.part for c in seen.capacitors if c.part != part]


def test_a_rail_does_not_feed_a_line_that_swings_further(fast):
    """CLK swings 3.3 V: the pin of a supply of 3.3 V carries its current across the planes, that of 1.0 V does not."""
    b = small_board(size_mm=(60, 40), ground=(2,))
    b.net("VDD", kind="power")
    b.pour("VDD", 3, rectangle(0.5, 0.5, 59.5, 39.5), keep_islands=True)
    for ref, x in (("U1", 15), ("U2", 45)):
        b.part(ref, soic(8), (x, 20), nets=("CLK", "", "", "GND", "", "", "", "VDD"))
        b.drop(f"{ref}.4", (-1.5, 0))
        b.drop(f"{ref}.8", (1.5, 0))
    b.route("CLK", "U1.1", "U2.1", layer=1)
    board = b.build()

    def feeding(voltage):
        view = View(board, Settings(nets={"CLK": NetSettings(**fast), "VDD": NetSettings(voltage=voltage)}))
        (pair,) = [p for p in view.plane_pairs if len({int(view.board.areas.net[a]) for a in (p.upper, p.lower)}) == 2]
        return [e.what for e in exciters_of(view, pair) if e.pin]

    assert feeding(1.0) == []
    assert [what.split(",")[1] for what in feeding(3.3)] == [" which feeds CLK"]


def test_a_capacitor_to_a_supply_feeds_no_line(fast):
    """A line between a resistor and a capacitor to the supply has no driver that draws from it."""
    b = small_board(size_mm=(60, 40), ground=(2,))
    b.net("VDD", kind="power")
    b.pour("VDD", 3, rectangle(0.5, 0.5, 59.5, 39.5), keep_islands=True)
    b.part("C1", chip("0402"), (15, 20), nets=("CLK", "VDD"), value="1nF")
    b.part("R1", chip("0402"), (45, 20), nets=("CLK", "GND"), value="100")
    for pin in ("C1.2", "R1.2"):
        b.drop(pin, (1.0, 0))
    b.route("CLK", "C1.1", "R1.1", layer=1)
    view = View(b.build(), Settings(nets={"CLK": NetSettings(**fast)}))
    assert [e.what for pair in view.plane_pairs for e in exciters_of(view, pair) if e.pin] == []
