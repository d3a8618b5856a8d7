"""Trace over a gap: the voltage that the return's detour takes."""

from __future__ import annotations

import numpy as np
import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.fields.returns import slot_inductance

CHECK = "trace-over-gap"


def over_slot(slot_mm):
    """CLK over layer 2, which has a slot of that length (mm) across the trace, 1 mm wide, in its middle."""
    b = small_board()
    half = slot_mm / 2
    b.pour(
        "GND",
        2,
        rectangle(0, 0, 50, 30),
        edge=0.5,
        keep_islands=True,
        cut=[rectangle(24.5, 15 - half, 25.5, 15 + half)],
    )
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    return b.build()


def split(*bridges):
    """CLK over layer 3 cut in two supplies, solid ground on layer 2 above; CLK on layer 4."""
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75, 29.5))
    b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    b.trace("CLK", 4, [(5, 15), (45, 15)])
    return b.build()


def test_a_solid_plane_has_no_gap(run, fast):
    b = small_board(ground=(2,))
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    said = run(CHECK, b.build(), {"CLK": fast})
    assert said.findings == []
    assert (said.coverage[0].looked, said.coverage[0].total) == (1, 1)


def test_a_slot_takes_the_voltage_of_its_inductance(run, fast):
    finding = run(CHECK, over_slot(10.0), {"CLK": fast}).only
    # Against the slot formula, whose own checks are in tests/fields: V = L·I/rise, damped by the line's 2·Z0.
    z0 = finding.evidence["line_impedance_ohm"]
    inductance = float(slot_inductance(10e-3, 1e-3, 0.2e-3, 0.2e-3))
    current = 3.3 / (50 + z0)
    undamped = inductance * current / (0.5e-9 / 0.8)  # 10-90 % to the whole straight edge
    assert finding.evidence["excess_inductance_nh"] == pytest.approx(inductance * 1e9, rel=1e-3)
    assert 0.9 * undamped < finding.predicted <= undamped
    assert finding.evidence["gap_mm"] == pytest.approx(1.0, abs=1e-6)


def test_a_longer_slot_is_worse(run, fast):
    """Common practice, no source."""
    figures = [run(CHECK, over_slot(mm), {"CLK": fast}).only.predicted for mm in (6.0, 12.0, 20.0)]
    assert figures == sorted(figures)
    assert figures[0] < figures[-1]


def test_a_split_supply_is_one_cause_and_a_capacitor_would_help(run, fast):
    finding = run(CHECK, split(), {"CLK": fast}).only
    assert finding.cause.key == "split:L3"
    assert set(finding.subject) >= {"CLK", "L4", "L3"}
    assert "3V3" in finding.message
    assert "5V" in finding.message
    before = finding.excess_db
    capacitor = next(r for r in finding.remedies if r.change.kind == "bridge-gap")
    assert capacitor.excess_after_db < before


def test_halving_the_rise_time_doubles_the_voltage_over_a_slot(run, fast):
    """V = L·dI/dt as long as 2·Z0 damps little: 6 dB a halving, within 1 dB for L/(2·Z0·rise) below 0.1."""
    slow = run(CHECK, over_slot(6.0), {"CLK": fast | {"rise": 2e-9}}).only
    faster = run(CHECK, over_slot(6.0), {"CLK": fast | {"rise": 1e-9}}).only
    assert faster.excess_db - slow.excess_db == pytest.approx(6.02, abs=0.5)


def test_all_lines_over_one_gap_are_counted(run, fast):
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75, 29.5))
    b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    for i in range(4):
        b.trace(f"D{i}", 4, [(5, 10 + 2 * i), (45, 10 + 2 * i)])
    said = run(CHECK, b.build(), {f"D{i}": fast for i in range(4)})
    assert len(said.findings) == 4
    assert {f.evidence["lines_over_this_gap"] for f in said.findings} == {4}
    total = sum(f.predicted for f in said.findings)
    assert np.allclose([f.evidence["all_lines_together_v"] for f in said.findings], total, rtol=1e-9)


def test_a_board_without_planes_says_what_it_could_not_look_at(run, fast):
    b = small_board(layers=2)
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    said = run(CHECK, b.build(), {"CLK": fast})
    assert said.findings == []
    assert "no filled copper" in said.not_checked[0].why
