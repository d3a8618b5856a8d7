"""Fast lines beside lines that leave on a cable."""

from __future__ import annotations

from quietcopper.build import header, small_board

CABLE = {"connectors": {"J1": {"cable": True, "length": 1.0}}}
DATA = {"role": "signal", "kind": "data", "swing": 3.3, "rise": 1e-9, "source": 35.0, "rate": 5e6}
QUIET = DATA | {"rise": 200e-9, "rate": 50e3}


def beside(spacing_mm: float):
    """CLK beside OUT for 30 mm, edge to edge at a spacing."""
    b = small_board(4, size_mm=(60.0, 40.0), ground=(2,))
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 20), nets=("OUT", "GND"))
    y = b.pin("J1.1")[1]
    b.trace("OUT", 1, [b.pin("J1.1"), (50, y)])
    b.trace("CLK", 1, [(15, y + 0.2 + spacing_mm), (45, y + 0.2 + spacing_mm)])
    return b.build()


def test_a_clock_beside_a_cable_line_is_found_and_spacing_helps(run, fast) -> None:
    near, far = (run("noise-on-cable-line", beside(s), {"OUT": QUIET, "CLK": fast}, **CABLE) for s in (0.2, 1.5))
    finding = near.only
    assert finding.excess_db > 6
    assert finding.place.nets == ("OUT", "CLK")
    assert all(f.excess_db < finding.excess_db - 12 for f in far.findings)


def test_a_fast_line_that_leaves_itself_is_no_victim(run, fast) -> None:
    said = run("noise-on-cable-line", beside(0.2), {"OUT": fast, "CLK": QUIET | {"kind": "slow"}}, **CABLE)
    assert said.findings == []
