"""The border: what connectors' pins lead to, and each check on a board that fails and one that passes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from quietcopper.build import chip, header, rectangle, small_board, soic, sot23
from quietcopper.electrical.border import CABLE_COMMON_MODE, PIN_LENGTH, PIN_RADIUS, cabled, return_share
from quietcopper.electrical.border_currents import allowed_current, conductors, filter_for, together
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.tables import Driver
from quietcopper.electrical.view import View
from quietcopper.fields.vias import pair_inductance

CABLE = {"connectors": {"J1": {"cable": True, "length": 1.0}}}
DATA = {"role": "signal", "kind": "data", "swing": 3.3, "rise": 1e-9, "source": 35.0, "rate": 5e6}
QUIET = DATA | {"rise": 200e-9, "rate": 50e3}


def port(*, filters="", protector="", grounds=1, ohm="330", clock_mm=None):
    """U1 sends OUT to pin 1 of J1 on the left edge. filters: "RC" puts R1 and C1 on the way; protector: "before" or
    "behind" the chip; clock_mm: a clock's pour that far from the connector."""
    b = small_board(4, size_mm=(60.0, 40.0), ground=(2,))
    pins = ("OUT", *["GND"] * grounds, "SPARE")
    b.part("J1", header(len(pins), pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 20), nets=pins)
    inner = "OUT_I" if "R" in filters else "OUT"
    b.part("U1", soic(8), (40, 20), nets=(inner, "", "", "", "", "", "GND", "+3V3"))
    x, y = b.pin("J1.1")
    if "R" in filters:
        b.part("R1", chip("0402"), (14, y), nets=("OUT", "OUT_I"), value=f"{ohm} ohm")
        b.trace("OUT", 1, [(x, y), b.pin("R1.1")])
        b.trace("OUT_I", 1, [b.pin("R1.2"), b.pin("U1.1")])
    else:
        b.trace("OUT", 1, [(x, y), (30, y), b.pin("U1.1")])
    if "C" in filters:
        b.part("C1", chip("0402"), (9, y + 2), nets=("OUT", "GND"), value="1 nF", turn_deg=90)
        b.trace("OUT", 1, [(9, y), b.pin("C1.1")])
        b.drop("C1.2", (0, 0.8))
    if protector:
        at = 9 if protector == "before" else 50
        b.part("D1", sot23(3), (at, y + 3), nets=("OUT", "", "GND"), value="clamp")
        b.trace("OUT", 1, [(at, y), b.pin("D1.1")] if at == 9 else [b.pin("U1.1"), (48, y), b.pin("D1.1")])
        b.drop("D1.3", (0, 1))
    if clock_mm is not None:
        b.area("CLK", 1, rectangle(4 + clock_mm, 4, 12 + clock_mm, 12))
        b.part("U2", soic(8), (50, 8), nets=("CLK", "", "", "", "", "", "GND", "+3V3"))
        b.trace("CLK", 1, [(6 + clock_mm, 8), b.pin("U2.1")])
    return b.build()


def line_of(board, **settings):
    (connector,) = cabled(View(board, Settings(**CABLE, **settings)))
    return connector, next(line for line in connector.lines if board.nets[line.net] == "OUT")


def test_a_line_is_followed_through_its_filter_to_the_chip() -> None:
    board = port(filters="RC")
    connector, line = line_of(board)
    assert [board.nets[n] for n in line.nets] == ["OUT", "OUT_I"]
    assert [(str(board.parts.ref[s.part]), s.ohm) for s in line.series] == [("R1", 330.0)]
    assert [(str(board.parts.ref[s.part]), s.value, s.hop) for s in line.shunts] == [("C1", pytest.approx(1e-9), 0)]
    pin, _, hop = line.protected
    assert (board.pin_label(pin), hop) == ("U1.1", 1)
    assert (len(connector.ground), conductors(connector)) == (1, 3)


def test_distances_run_along_the_copper() -> None:
    board = port(protector="before")
    _, line = line_of(board)
    (shunt,) = line.shunts
    x, y = (float(v[line.pin]) for v in (board.pins.x, board.pins.y))
    corner = 9e-3 - x  # along the line, then at an angle to the protector
    way = corner + np.hypot(board.pins.x[shunt.pin] - 9e-3, board.pins.y[shunt.pin] - y)
    assert shunt.at == pytest.approx(way, rel=0.02)
    assert line.protected[1] > shunt.at


def test_what_is_not_fitted_filters_nothing() -> None:
    b = small_board(ground=(2,))
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 15), nets=("OUT", "GND"))
    b.part("U1", soic(8), (30, 15), nets=("OUT", "", "", "", "", "", "GND", "+3V3"))
    b.part("C1", chip("0402"), (12, 12), nets=("OUT", "GND"), value="1 nF not fitted")
    _, line = line_of(b.build())
    assert line.shunts == ()


# --- line-leaves-unfiltered ----------------------------------------------------------------------------------------


def test_an_unfiltered_line_puts_its_share_on_the_cable(run) -> None:
    """By hand: V/N over 150 ohm + source/N at the worst frequency; the allowance is E·r/(4 pi 1e-7 f l) (Ott)."""
    finding = run("line-leaves-unfiltered", port(), {"OUT": DATA}, **CABLE).only
    f = finding.evidence["worst_frequency_hz"]
    bit, rise = 0.5 / 5e6, 1e-9 / 0.8
    level = np.sqrt(3.3**2 * bit * 120e3) * abs(np.sinc(f * bit) * np.sinc(f * rise))
    assert finding.predicted == pytest.approx(level / 3 / (CABLE_COMMON_MODE + 35 / 3), rel=1e-6)
    reach = min(1.0, 120 / (4e-7 * np.pi * f))
    field = 1e-6 * 10 ** ((40 if f <= 230e6 else 47) / 20)
    assert finding.allowance.value == pytest.approx(field * 3 / (4e-7 * np.pi * f * reach), rel=1e-3)
    assert "with nothing on its way" in finding.message
    assert finding.remedies[0].excess_after_db < finding.excess_db - 3


def test_a_filter_and_a_slow_edge_pass(run) -> None:
    bare = run("line-leaves-unfiltered", port(), {"OUT": DATA}, **CABLE).only
    filtered = run("line-leaves-unfiltered", port(filters="RC"), {"OUT": DATA, "OUT_I": DATA}, **CABLE).only
    assert bare.excess_db > 0
    assert filtered.excess_db < bare.excess_db - 15
    assert "R1 and C1" in filtered.message
    assert run("line-leaves-unfiltered", port(), {"OUT": QUIET}, **CABLE).only.excess_db < -6


def test_shielded_cables_and_absent_ones_are_left_out(run) -> None:
    shielded = run(
        "line-leaves-unfiltered", port(), {"OUT": DATA}, connectors={"J1": {"cable": True, "shielded": True}}
    )
    assert shielded.findings == []
    assert "shield" in shielded.not_checked[0].why
    assert run("line-leaves-unfiltered", port(), {"OUT": DATA}, connectors={"J1": {"cable": False}}).findings == []


@pytest.mark.parametrize(
    ("value", "shielded"), [("BNC jack", True), ("SMA", True), ("U.FL", True), ("SMALL plug", False)]
)
def test_a_coaxial_connector_has_a_shield_unless_told(value: str, shielded: bool) -> None:
    b = small_board(ground=(2,))
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 15), nets=("OUT", "GND"), value=value)
    made = b.build()
    assert cabled(View(made, Settings(**CABLE)))[0].shielded is shielded
    told = {"J1": {"cable": True, "shielded": False}}
    assert cabled(View(made, Settings(connectors=told)))[0].shielded is False


def test_pins_called_signal_and_shield_make_a_connector_coaxial() -> None:
    b = small_board(ground=(2,))
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 15), nets=("OUT", "GND"))
    made = b.build()
    assert not cabled(View(made, Settings(**CABLE)))[0].shielded
    called = replace(made, pin_functions={("J1", "1"): "Signal", ("J1", "2"): "SHIELD"})
    assert cabled(View(called, Settings(**CABLE)))[0].shielded
    three = replace(made, pin_functions={("J1", "1"): "D+", ("J1", "2"): "D-"})
    assert not cabled(View(three, Settings(**CABLE)))[0].shielded


def test_a_longer_cable_may_carry_less() -> None:
    """E7 of the physics notes: 7.937, 4.762 µA for 100 µV/m, 1 m, 3 m distance at 30 and 50 MHz (4 pi 1e-7: 0.3 %)."""
    view = View(port(), Settings(**CABLE))
    assert allowed_current(view, "J1", np.array([30e6, 50e6])) == pytest.approx([7.937e-6, 4.762e-6], rel=4e-3)
    long = View(port(), Settings(connectors={"J1": {"cable": True}}))
    assert np.all(allowed_current(long, "J1", np.array([30e6])) < 7.9e-6)


def test_currents_of_several_lines_add_by_their_squares() -> None:
    f, i = together([(np.array([100e6]), np.array([3e-6])), (np.array([100e6]), np.array([4e-6]))])
    assert f == pytest.approx([100e6], rel=0.01)
    assert i == pytest.approx([5e-6])
    assert together([])[0].size == 0


# --- weak-protection -----------------------------------------------------------------------------------------------


def test_a_protector_behind_the_part_adds_the_line_to_it(run) -> None:
    """IEC 61000-4-2 (from memory): 30 A in 0.8 ns at 8 kV is 37.5 V for each nH."""
    before = run("weak-protection", port(protector="before"), {"OUT": DATA}, **CABLE).only
    behind = run("weak-protection", port(protector="behind"), {"OUT": DATA}, **CABLE).only
    for finding in (before, behind):
        nanohenry = finding.evidence["way_to_ground_nh"] + finding.evidence["line_to_it_nh"]
        assert finding.predicted == pytest.approx(37.5 * nanohenry)
    assert before.evidence["line_to_it_nh"] == 0
    assert before.excess_db < 0
    assert behind.excess_db > 6
    assert "D1 stands behind U1" in behind.title


def test_a_line_without_protector_is_told_not_priced(run) -> None:
    said = run("weak-protection", port(), {"OUT": DATA}, **CABLE)
    assert said.findings == []
    assert "no protector" in said.not_checked[0].why
    assert "J1.1" in said.not_checked[0].what


def test_the_test_level_scales_the_voltage(run) -> None:
    kinds = ({}, {"allowances": {"weak-protection.discharge_kv": 4.0}})
    one, half = (
        run("weak-protection", port(protector="before"), {"OUT": DATA}, **CABLE, **more).only for more in kinds
    )
    assert half.predicted == pytest.approx(one.predicted / 2)


# --- connector-without-ground --------------------------------------------------------------------------------------


def test_the_return_of_a_contact_is_half_of_two_round_wires() -> None:
    """Exact (row 56 of the physics notes): (mu0/pi) acosh(s/2r) a metre for the pair; half of it is the return's."""
    connector, line = line_of(port())
    view = View(port(), Settings(**CABLE))
    pair = float(pair_inductance(PIN_LENGTH, 2.54e-3, PIN_RADIUS))
    assert return_share(view, connector, line.pin) == pytest.approx(pair / 2, rel=1e-6)


def test_more_ground_pins_lower_it_and_none_is_worst(run) -> None:
    """Common practice, no source."""
    none, one, three = (
        run("connector-without-ground", port(grounds=count), {"OUT": DATA}, **CABLE).only for count in (0, 1, 3)
    )
    assert none.predicted > 2 * one.predicted
    assert one.predicted > 1.25 * three.predicted
    assert "no ground pins for 1 signal" in none.title


def test_a_trace_without_copper_at_the_connector_counts(run) -> None:
    """Partial inductance of a strip (Grover, from memory): some 0.8 nH a millimetre."""
    b = small_board(4, size_mm=(60.0, 40.0))
    b.pour("GND", 2, rectangle(20, 0, 60, 40), edge=0.5, keep_islands=True)
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 20), nets=("OUT", "GND"))
    b.part("U1", soic(8), (40, 20), nets=("OUT", "", "", "", "", "", "GND", "+3V3"))
    b.trace("OUT", 1, [b.pin("J1.1"), (19, b.pin("J1.1")[1]), b.pin("U1.1")])
    finding = run("connector-without-ground", b.build(), {"OUT": DATA}, **CABLE).only
    assert finding.evidence["uncovered_mm"] == pytest.approx(15.0, abs=1.0)
    whole = run("connector-without-ground", port(), {"OUT": DATA}, **CABLE).only
    assert finding.excess_db > whole.excess_db + 6
    assert "no copper beside them" in finding.message
    # one pin of ground for one line: what is missing is told as copper
    assert finding.title == "15 mm of the lines at J1 have no copper beside them"
    assert finding.cause.title == "Lines at J1 have no copper beside them"
    assert "ground pin" not in finding.remedies[0].change.text


# --- clock-beside-connector ----------------------------------------------------------------------------------------


def test_a_patch_is_a_dipole_over_its_plane(run, fast) -> None:
    """By hand from potential theory for one patch of 8 x 8 mm and the contacts at their distances; the trace that feeds
    it adds a little: 5 %."""
    board = port(clock_mm=16)
    finding = run("clock-beside-connector", board, {"OUT": QUIET, "CLK": fast}, **CABLE).only
    view = View(board, Settings(**CABLE))
    (connector,) = cabled(view)
    h = PIN_LENGTH
    wire = 2 * np.pi * 8.854e-12 * h / np.log(2 * h / PIN_RADIUS)
    pins = [line.pin for line in connector.lines]
    d = np.hypot(board.pins.x[pins] - 24e-3, board.pins.y[pins] - 8e-3)
    expected = wire * np.sum(64e-6 * h / (2 * np.pi * (d**2 + h**2) ** 1.5))
    assert finding.evidence["transfer_ff"] == pytest.approx(expected * 1e15, rel=0.05)


def test_a_clock_further_away_passes(run, fast) -> None:
    near, far = (
        run("clock-beside-connector", port(clock_mm=mm), {"OUT": QUIET, "CLK": fast}, **CABLE).only for mm in (6, 30)
    )
    assert near.excess_db > 0
    assert far.excess_db < near.excess_db - 12
    assert near.remedies[0].excess_after_db < near.excess_db
    assert run("clock-beside-connector", port(), {"OUT": QUIET}, **CABLE).findings == []


def test_the_filter_that_is_proposed_leaves_what_its_parts_leave(run) -> None:
    """By hand: V/N behind R and across C with its 1 nH, into 150 ohm of cable; and a change with it gives the same."""
    bare = run("line-leaves-unfiltered", port(), {"OUT": DATA}, **CABLE).only
    change = bare.remedies[0].change
    ohm, farad = change.arguments["ohm"], change.arguments["farad"]
    assert 2.2 * (35 + ohm) * farad <= 0.5 * 0.5 / 5e6  # its edge takes at most half a bit of 100 ns
    found = run("line-leaves-unfiltered", port(), {"OUT": DATA}, filters={("J1", "OUT"): (ohm, farad)}, **CABLE).only
    assert found.excess_db == pytest.approx(bare.remedies[0].excess_after_db, abs=1e-9)
    f = found.evidence["worst_frequency_hz"]
    bit, rise, w = 0.5 / 5e6, 1e-9 / 0.8, 2j * np.pi * f
    level = np.sqrt(3.3**2 * bit * 120e3) * abs(np.sinc(f * bit) * np.sinc(f * rise))
    across, behind = 1 / (w * farad) + w * 1e-9, 35 + ohm
    source = behind * across / (behind + across)
    by_hand = abs(level * across / (behind + across) / 3 / (CABLE_COMMON_MODE + source / 3))
    assert found.predicted == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize(
    ("said", "farad"),
    [
        ({"kind": "clock", "rate": 10e6}, 68e-12),  # 25 ns / 2.2 / 135 ohm = 84 pF, the next smaller of E6
        ({"kind": "data", "rate": 5e6}, 150e-12),  # bits of 100 ns: 168 pF
        ({"kind": "data", "rate": 200e6}, 10e-12),  # no less is made
        ({"kind": "slow", "rate": 1e3}, 10e-9),
    ],
)
def test_a_filter_is_as_strong_as_the_rate_bears(said, farad) -> None:
    driver = Driver(swing=3.3, rise=1e-9, source=35.0, reason="", **said)
    assert filter_for(driver) == (100.0, pytest.approx(farad))
