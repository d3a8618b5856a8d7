"""Trace over a gap: the voltage that the return's detour takes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.special import ellipk

from quietcopper.build import BoardBuilder, chip, copper, laminate, rectangle, small_board, stack
from quietcopper.electrical.gap_capacitances import own_capacitance
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import Crossing, across_gap, crossing_at, plane_capacitance
from quietcopper.fields.slots import slot_matrix, solve_slot
from quietcopper.units import EPS0, MM

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
    # Against the slot's solution, whose own checks are in tests/fields: V = L·I/rise, damped by the line's 2·Z0.
    z0 = finding.evidence["line_impedance_ohm"]
    inductance = solve_slot(10e-3, 1e-3, 0.2e-3, 0.2e-3)
    current = 3.3 / (50 + z0)
    undamped = inductance * current / (0.5e-9 / 0.8)  # 10-90 % to the whole straight edge
    assert finding.evidence["excess_inductance_nh"] == pytest.approx(inductance * 1e9, rel=1e-3)
    assert 0.9 * undamped < finding.predicted <= undamped
    assert finding.evidence["gap_mm"] == pytest.approx(1.0, abs=1e-6)


def test_lines_over_one_slot_couple_by_its_solved_inductance(run, fast):
    """Against the matrix of the slot (tests/fields/test_slots): two equal lines 6 mm apart along a slot of 20 mm."""
    b = small_board()
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=[rectangle(24.5, 5, 25.5, 25)])
    for name, y in (("A", 12), ("B", 18)):
        b.trace(name, 1, [(5, y), (45, y)])
    said = run(CHECK, b.build(), {"A": fast, "B": fast})
    matrix = slot_matrix(20e-3, 1e-3, [0.2e-3] * 2, [0.2e-3] * 2, [-3e-3, 3e-3])
    for finding in said.findings:
        own, other = (part["value"] for part in finding.evidence["contributions"])
        assert other / own == pytest.approx(matrix[0, 1] / matrix[0, 0], rel=1e-3)
        assert finding.predicted == pytest.approx(own + other)
    assert len(said.findings) == 2


def test_the_worst_gap_shows_where_its_return_flows(run, fast):
    """The map's way goes round the slot's nearer end: it passes below its closed end and never through the slot."""
    b = small_board()
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=[rectangle(24.5, 9, 25.5, 25)])
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    finding = run(CHECK, b.build(), {"CLK": fast | {"rise": 0.2e-9}}).only
    way = shapely.LineString(finding.evidence["return_path"]["return_mm"])
    slot = shapely.box(24.5, 9, 25.5, 25)
    assert way.intersection(slot).length < 0.6  # a cell of the map
    assert 6.5 < shapely.get_coordinates(way)[:, 1].min() < 9.2
    assert finding.evidence["mode"]["frequency_hz"] == pytest.approx(0.5 / 0.2e-9, rel=0.3)
    assert any(level is None for row in finding.evidence["mode"]["level"] for level in row)
    assert 0 < finding.evidence["excess_resistance_ohm"] < 1


def _halves(er, *, plane):
    foil = [copper(name, thickness_um=35) for name in ("L1", "L2")]
    layers = stack(foil[0], laminate(thickness_um=1000, er=er, tan_d=0.02), foil[1])
    b = BoardBuilder("split", unit=MM, stack=layers, width=0.2, via=(0.3, 0.6), clearance=0.2)
    b.outline(rectangle(0, 0, 50, 50))
    for i, x in enumerate((2.0, 24.25)):
        b.net(f"V{i}", kind="power")
        b.area(f"V{i}", 1, rectangle(x, 5, x + 21.75, 45))
    if plane:
        b.area("GND", 2, rectangle(1, 1, 49, 49))
    view = View(b.build())
    return view, [i for i, layer in enumerate(view.board.areas.layer) if layer == 0]


def test_the_gap_itself_has_a_capacitance():
    """Beside that of the planes. Two halves of 21.75 x 40 mm, 0.5 mm apart and 1 mm over a plane, er 4.3: as plates
    16.6 pF, full wave (openEMS) 18.6 pF with the fringes all round; 5 %: the outer ones are not in it."""
    view, pair = _halves(4.3, plane=True)
    gap = own_capacitance(view, *pair)
    assert 0.8e-12 < gap < 2e-12
    assert plane_capacitance(view, *pair) + gap == pytest.approx(18.6e-12, rel=0.05)
    crossing = Crossing(0.5 * MM, 0.2 * MM, 0.35 * MM, (1.0, 0.0))
    ways = across_gap(view, *pair, 24.0 * MM, 25.0 * MM, crossing)
    assert ways.capacitance == pytest.approx(plane_capacitance(view, *pair) + gap)


def test_a_gap_without_a_plane_is_two_coplanar_strips():
    """In air eps0 K(k')/K(k), k = gap/(gap + 2 width): exact for thin strips. 5 %: 35 um of copper (2 % more) and the
    gap's length counted in steps of its width. The laminate adds less than half spaces of it would."""
    k = 0.5 / (0.5 + 2 * (21.75 * 40) ** 0.5)
    exact = EPS0 * ellipk(1 - k**2) / ellipk(k**2) * 40 * MM
    bare, laminated = (own_capacitance(view, *pair) for view, pair in (_halves(er, plane=False) for er in (1.0, 4.3)))
    assert bare == pytest.approx(exact, rel=0.05)
    assert bare < laminated < (1 + 4.3) / 2 * exact


def test_every_crossing_has_its_resistance(run, fast):
    """Not the worst three alone: slots, a notch and a split over ground with a via on either side."""
    b = small_board()
    cuts = [rectangle(5 * i + 9.75, 5, 5 * i + 10.25, 25) for i in range(4)]
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=[*cuts, rectangle(40, 12, 40.5, 31)])
    b.area("GND", 3, rectangle(1, 1, 49, 29))
    for i in range(6):
        b.trace(f"D{i}", 1, [(5, 13 + i), (45, 13 + i)])
    said = run(CHECK, b.build(), {f"D{i}": fast for i in range(6)})
    assert len(said.findings) >= 6
    assert all(0 < f.evidence["excess_resistance_ohm"] < 0.5 for f in said.findings)
    assert all(np.isfinite(f.evidence["excess_inductance_nh"]) for f in said.findings)


def test_a_notch_is_dearer_than_a_slot_with_its_detour(run, fast):
    """Open to the plane's edge, the slot lets flux through; a web at its end keeps that back (fields.return_sheet)."""
    figures = []
    for top in (24, 31):
        b = small_board()
        b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=[rectangle(24.5, 9, 25.5, top)])
        b.trace("CLK", 1, [(5, 15), (45, 15)])
        figures.append(run(CHECK, b.build(), {"CLK": fast}).only.evidence)
    slot, notch = figures
    assert slot["inductance_from"] == "the opening's shape"
    assert notch["inductance_from"] == "the shape round the notch"
    assert 1.1 < notch["excess_inductance_nh"] / slot["excess_inductance_nh"] < 2.5


def test_solid_copper_behind_an_opening_helps_though_tied_to_nothing(run, fast):
    """The flux that passes the slot must come back through it: 1.145 nH fall to 0.93, 0.63, 0.40 nH with a plane 1.0,
    0.4, 0.2 mm behind (aperture solution held to the stream function in tests/fields/test_slots)."""
    figures = []
    for layers in ((2,), (2, 3)):
        b = small_board()
        b.net("3V3", kind="power")
        b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=[rectangle(24.5, 9, 25.5, 25)])
        if 3 in layers:
            b.area("3V3", 3, rectangle(1, 1, 49, 29))
        b.trace("CLK", 1, [(5, 15), (45, 15)])
        figures.append(run(CHECK, b.build(), {"CLK": fast}).only.evidence)
    assert figures[1]["excess_inductance_nh"] < 0.95 * figures[0]["excess_inductance_nh"]
    assert "plane_behind_mm" in figures[1]


def test_a_longer_slot_is_worse(run, fast):
    """Common practice, no source."""
    figures = [run(CHECK, over_slot(mm), {"CLK": fast}).only.predicted for mm in (6.0, 12.0, 20.0)]
    assert figures == sorted(figures)
    assert figures[0] < figures[-1]


def test_a_split_supply_is_one_cause_and_a_capacitor_would_help(run, fast):
    finding = run(CHECK, split(), {"CLK": fast}).only
    assert finding.cause.key == "supply as reference:L3"
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


def test_lines_over_one_gap_add_and_the_middle_ones_have_it_worst(run, fast):
    """Lines that share a gap disturb each other through it, whatever their spacing (full-wave rows of a split
    plane)."""
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75, 29.5))
    b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    for net, x in (("3V3", 20), ("5V", 30)):
        b.part(f"C{x}", chip("0402"), (x, 27), nets=(net, "GND"), value="100n")
        b.drop(f"C{x}.1", (-0.9, 0))
        b.drop(f"C{x}.2", (0.9, 0))
    for i in range(5):
        b.trace(f"D{i}", 4, [(5, 10 + i), (45, 10 + i)])
    said = run(CHECK, b.build(), {f"D{i}": fast for i in range(5)})
    assert len(said.findings) == 5
    alone = {f.subject[0]: f.evidence["alone_v"] for f in said.findings}
    total = {f.subject[0]: f.predicted for f in said.findings}
    assert all(alone[net] < total[net] < sum(alone.values()) for net in alone)
    assert total["D2"] > total["D0"]
    assert len({f.cause.key for f in said.findings}) == 1


def bridged(lone):
    """The split under CLK, a capacitor from each supply to ground; lone : a piece named GND below, tied to nothing."""
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75, 29.5))
    b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    for net, x in (("3V3", 20), ("5V", 30)):
        b.part(f"C{x}", chip("0402"), (x, 20), nets=(net, "GND"), value="100n")
        b.drop(f"C{x}.1", (-0.9, 0))
        b.drop(f"C{x}.2", (0.9, 0))
    b.trace("CLK", 4, [(5, 15), (45, 15)])
    if lone:
        b.area("GND", 4, rectangle(15, 2, 35, 6))
    return b.build()


def test_copper_that_is_tied_to_nothing_is_no_bridge(run, fast):
    """It has the ground's name, but the capacitors do not stand on it: it adds the planes' capacitance at most."""
    plain, lone = (run(CHECK, bridged(lone), {"CLK": fast}).only for lone in (False, True))
    assert lone.evidence["excess_inductance_nh"] == pytest.approx(plain.evidence["excess_inductance_nh"], rel=1e-9)


def test_a_split_with_a_via_in_each_half_meets_the_full_wave_inductance():
    """Rows F2 and F3 of a full-wave study (openEMS, converged): trace .35 over .2 mm, er 4.3, plane split by .5 mm,
    solid plane 1 mm below, one via (equivalent radius .23) a half at .75 mm from the gap, 3 and 10 mm beside the trace:
    1.67 and 3.10 nH at low frequency. The model's log potentials for a source of radius h + w/4: within 25 %."""
    for aside, expected in ((3.0, 1.67e-9), (10.0, 3.10e-9)):
        b = BoardBuilder(
            "split",
            unit=MM,
            stack=stack(
                copper("L1", thickness_um=1),
                laminate(thickness_um=200, er=4.3, tan_d=0.0),
                copper("L2", thickness_um=1),
                laminate(thickness_um=1000, er=4.3, tan_d=0.0),
                copper("L3", thickness_um=1),
            ),
            width=0.35,
            via=(0.46, 0.5),
            clearance=0.1,
        )
        b.outline(rectangle(-22, -20, 22, 20))
        b.area("GND", 2, rectangle(-22, -20, -0.25, 20))
        b.area("GND", 2, rectangle(0.25, -20, 22, 20))
        b.area("GND", 3, rectangle(-22, -20, 22, 20))
        b.trace("CLK", 1, [(-20, 0), (20, 0)])
        for x in (-1.0, 1.0):
            b.via("GND", (x, aside))
        view = View(b.build())
        (row,) = range(len(view.gaps))
        gaps = view.gaps
        place = float(gaps.x[row]), float(gaps.y[row])
        ways = across_gap(view, int(gaps.before[row]), int(gaps.after[row]), *place, crossing_at(view, row))
        assert ways.inductance == pytest.approx(expected, rel=0.25)


def test_a_board_without_planes_says_what_it_could_not_look_at(run, fast):
    b = small_board(layers=2)
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    said = run(CHECK, b.build(), {"CLK": fast})
    assert said.findings == []
    assert "no filled copper" in said.not_checked[0].why
