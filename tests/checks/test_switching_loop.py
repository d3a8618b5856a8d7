"""The fast loop of a converter: recognised from parts and nets, solved on the copper, ringing over its allowance."""

from __future__ import annotations

import pytest

from quietcopper.build import chip, small_board, sot23, two_pads
from quietcopper.electrical.converters import fast_loop, find_converters
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View

CHECK = "switching-loop-too-large"
NETS = {
    "12V": {"role": "supply", "voltage": 12.0},
    "5V": {"role": "supply", "voltage": 5.0, "current": 1.0},
    "SW": {"role": "signal", "kind": "clock", "rise": 3e-9, "swing": 12.0, "rate": 1e6, "source": 0.1},
}


def board(away_mm, *, ground=(2,), layers=4):
    """A step-down converter U1 with its input capacitor some millimetres above it."""
    b = small_board(layers, ground=ground)
    b.part("U1", sot23(6), (20, 10), nets=("12V", "GND", "SW", "", "", ""), value="step-down regulator")
    b.part("L1", two_pads("IND", pad_mm=(1.2, 3.6), distance_mm=3.0, body_mm=(4.2, 4.2)), (28, 9), nets=("SW", "5V"))
    b.part("C1", chip("0805"), (20, 12.5 + away_mm), nets=("12V", "GND"), value="10 uF")
    x1, x2 = b.pin("C1.1")[0], b.pin("C1.2")[0]
    b.route("12V", "U1.1", (x1, 11.8), "C1.1", layer=1, width=0.5)
    b.route("GND", "U1.2", (20, 10), (x2, 11), "C1.2", layer=1, width=0.5)
    b.route("SW", "U1.3", (19.4, 7.5), (25, 7.5), "L1.1", layer=1, width=0.8)
    b.part("C2", chip("0805"), (36, 12), nets=("5V", "GND"), value="22 uF")
    b.route("5V", "L1.2", "C2.1", layer=1, width=0.8)
    return b.build()


def view(b):
    return View(b, Settings(nets={name: NetSettings(**values) for name, values in NETS.items()}))


def test_a_converter_is_recognised():
    v = view(board(1))
    (found,) = find_converters(v)
    ref, nets = v.board.parts.ref, v.board.nets
    assert [ref[p] for p in (found.controller, found.inductor, found.upper, found.lower)] == ["U1", "L1", "U1", "U1"]
    assert [nets[n] for n in (found.node, found.hot, found.ground)] == ["SW", "12V", "GND"]
    assert [ref[p] for p in found.capacitors] == ["C1"]


def test_the_settings_may_say_it_is_none():
    v = View(board(1), Settings(loads={"U1": {"converter": False}}))
    assert find_converters(v) == ()


def test_a_capacitor_further_away_and_no_plane_make_more_inductance():
    """Common practice, no source. Two strips of 0.5 mm side by side over a plane at 0.2 mm have some 0.3 nH/mm each
    (Hammerstad and Jensen): 10 mm further away add 10 mm of both, 3 to 7 nH."""
    near, far = (fast_loop(v, find_converters(v)[0]) for v in (view(board(0)), view(board(10))))
    assert 3e-9 < far.inductance - near.inductance < 7e-9
    bare = view(board(10, ground=(), layers=2))
    open_loop = fast_loop(bare, find_converters(bare)[0])
    assert open_loop.plane == -1
    assert open_loop.inductance > far.inductance
    assert open_loop.over_ground < open_loop.inductance


def test_a_large_loop_is_found_and_a_small_one_passes(run):
    large, small = (run(CHECK, board(d), NETS).only for d in (12, 0))
    assert large.excess_db > 0 > small.excess_db
    assert large.remedies[0].excess_after_db < large.excess_db
    assert large.place.parts[0] == "U1"
    assert large.evidence["rings_at_hz"] < small.evidence["rings_at_hz"]


def test_without_a_voltage_it_says_so(run):
    said = run(CHECK, board(1), {**NETS, "12V": {"role": "supply"}, "5V": {"role": "supply"}})
    assert said.coverage[0].total == 1
    assert said.findings or "voltage" in said.not_checked[0].why


def test_node_copper_counts_pours(run):
    """eps0 er A/h: 4.2 and 0.2 mm make 0.186 pF/mm2 (exact)."""
    finding = run(CHECK, board(0), NETS).only
    ratio = finding.evidence["of_it_the_nodes_copper_pf"] / finding.evidence["node_copper_mm2"]
    assert ratio == pytest.approx(8.854e-3 * 4.2 / 0.2, rel=1e-3)
