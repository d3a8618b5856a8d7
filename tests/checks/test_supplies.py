"""Supplies: the impedance that a part's pins see, the inductance to its capacitor, and what is assumed of currents."""

from __future__ import annotations

import numpy as np
import pytest

from quietcopper.build import chip, rectangle, small_board, soic
from quietcopper.electrical import supply_impedance
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.supplies import supply_assumptions
from quietcopper.electrical.view import View

TOO_FAR, OVER = "capacitor-too-far", "supply-impedance-over-target"
SUPPLY = {"3V3": {"role": "supply", "voltage": 3.3, "step": 0.2}}


def board(capacitor_mm, *, spacing_um=None, value="10 uF"):
    """U1 on a 3V3 plane over ground, one capacitor at a distance in x from its supply pin."""
    b = small_board(ground=(2,))
    b.pour("3V3", 3, rectangle(0, 0, 50, 30), edge=0.5)
    nets = ("3V3", "", "", "GND", "", "", "", "")
    b.part("U1", soic(8), (10, 15), nets=nets, value="logic")
    b.drop("U1.1", (-1.0, 0), width=0.3)
    b.drop("U1.4", (-1.0, 0), width=0.3)
    if capacitor_mm is not None:
        b.part("C1", chip("0402"), (10 + capacitor_mm, 22), nets=("3V3", "GND"), value=value, turn_deg=90)
        b.drop("C1.1", (0.8, 0), width=0.3)
        b.drop("C1.2", (0.8, 0), width=0.3)
    return b.build()


def test_a_capacitor_further_away_has_more_inductance(run):
    """Common practice, no source."""
    near, far = (run(TOO_FAR, board(d), SUPPLY).only for d in (0, 30))
    assert far.predicted > near.predicted
    assert far.evidence["distance_mm"] > 25
    assert far.place.parts == ("U1", "C1")
    assert far.cause.key.startswith(("spacing:", "supply capacitors:3V3"))


def test_the_way_is_made_of_known_parts(run):
    """Between the planes 1.13 mm apart: (mu0 d/pi) acosh(s/2r), two contacts of 0.15 mm, exact."""
    finding = run(TOO_FAR, board(30), SUPPLY).only
    parts = {row["what"]: row["value"] for row in finding.evidence["contributions"]}
    b = board(30)
    d = b.distance(1, 2)
    supply = b.net_index["3V3"]
    holes = np.flatnonzero(b.vias.net == supply)
    apart = np.hypot(*(np.diff(column[holes])[0] for column in (b.vias.x, b.vias.y)))
    assert parts["between the planes"] == pytest.approx(4e-7 * d * np.arccosh(apart / 0.3e-3), rel=1e-6)
    assert sum(parts.values()) == pytest.approx(finding.predicted)


def test_an_impedance_over_the_target_is_found_and_a_capacitor_helps(run):
    far = run(OVER, board(30), SUPPLY).only
    near = run(OVER, board(0), SUPPLY).only
    assert far.predicted > near.predicted
    assert far.excess_db > 0
    assert far.allowance.value == pytest.approx(3.3 * 0.05 / 0.2)
    assert far.remedies[0].excess_after_db < far.excess_db
    assert far.evidence["spectrum"]["limit_ohm"] == pytest.approx(0.825)


def test_a_small_capacitor_alone_rings_with_the_regulator(run):
    """Exact for the lumped pair: 1/(2 pi sqrt(LC)) of 100 nH and 100 nF lies at 1.59 MHz; the ways shift it by 3 %."""
    finding = run(OVER, board(0, value="100 nF"), SUPPLY).only
    assert finding.evidence["worst_frequency_hz"] == pytest.approx(1.59e6, rel=0.05)
    assert finding.cause.key == "supply peaks:3V3"


@pytest.mark.parametrize("capacitor_mm", [0, 30])
def test_the_solved_planes_agree_with_the_lumped_network(capacitor_mm, monkeypatch):
    """One capacitor on 50 x 30 mm, far below the planes' first mode (1.5 GHz): two contacts on endless planes, exact,
    against the real ones solved: 4 % up to 0.3 MHz and 15 % from 5 to 100 MHz, where edges crowd the current; between,
    the capacitor's own resonance leaves next to nothing to compare."""
    levels = []
    for screen in (0.0, 1e9):
        monkeypatch.setattr(supply_impedance, "SCREEN", screen)
        view = View(board(capacitor_mm), Settings(nets={"3V3": NetSettings(**SUPPLY["3V3"])}))
        (network,) = view.supply_networks.values()
        seen = network.see(network.supply.consumers[0])
        assert seen.solved is (screen == 0)
        levels.append(seen.level)
    for part, within in ((seen.frequency < 0.3e6, 0.04), (seen.frequency > 5e6, 0.15)):
        assert levels[0][part] == pytest.approx(levels[1][part], rel=within)


def test_a_finding_says_whether_the_planes_were_solved(run):
    assert run(OVER, board(30), SUPPLY).only.evidence["planes"] == "solved with the capacitors on them"
    quiet = {"3V3": {**SUPPLY["3V3"], "step": 0.001}}
    assert run(OVER, board(0), quiet).only.evidence["planes"] == "lumped"


def test_little_current_needs_little(run):
    said = run(OVER, board(0), {"3V3": {**SUPPLY["3V3"], "step": 0.02}})
    assert said.only.excess_db < 0


def test_without_capacitors_it_says_so(run):
    said = run(TOO_FAR, board(None), SUPPLY)
    assert not said.findings
    assert "capacitor" in said.not_checked[0].why


def test_without_a_voltage_it_says_so(run):
    said = run(OVER, board(0), {"3V3": {"role": "signal"}})
    assert not said.findings


def test_assumed_currents_are_listed_and_set_ones_are_not():
    view = View(board(0), Settings())
    (note,) = supply_assumptions(view)
    assert "3V3" in note.what
    assert note.touches == 1
    view = View(board(0), Settings(nets={"3V3": NetSettings(current=0.4)}))
    assert supply_assumptions(view) == []
    (supply,) = view.supplies.values()
    assert supply.current == pytest.approx(0.4)


def test_currents_add_up_through_regulators():
    b = small_board(ground=(2,))
    pins = ("5V", "GND", "3V3", "", "", "", "", "")
    b.part("U1", soic(8), (10, 15), nets=pins, value="linear regulator")
    b.part("U2", soic(8), (25, 15), nets=("3V3", "GND", *[""] * 6), value="logic")
    b.part("J1", chip("0805"), (40, 15), nets=("5V", "GND"), value="connector")
    settings = Settings(loads={"U2": {"current": 0.25}})
    view = View(b.build(), settings)
    by_name = {view.board.nets[net]: s for net, s in view.supplies.items()}
    assert by_name["3V3"].current == pytest.approx(0.25)
    assert by_name["5V"].current == pytest.approx(0.25)
    assert [s.kind for s in by_name["3V3"].sources] == ["regulator"]
    assert [s.kind for s in by_name["5V"].sources] == ["connector"]
