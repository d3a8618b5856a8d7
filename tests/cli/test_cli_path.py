"""`quietcopper path`: the table, JSON and Touchstone of one net."""

from __future__ import annotations

import json
from xml.etree import ElementTree

import pytest

from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.cli import main
from quietcopper.fields import slots
from quietcopper.formats.ipc2581.writer import write_ipc2581


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    b = small_board(size_mm=(80.0, 40.0), ground=(2, 3))
    b.part("U1", chip("0402"), (5, 15), nets=("CLK", "GND"), turn_deg=180)
    b.part("U2", chip("0402"), (70, 15), nets=("CLK", "GND"))
    b.part("U3", chip("0402"), (30, 25), nets=("CLK", "GND"), turn_deg=90)
    b.route("CLK", "U1.1", (20, 15), Hop(4), (50, 15), Hop(1), "U2.1")
    b.trace("CLK", 1, [b.pin("U3.1"), (10, 15)])
    for ref, at in (("U5", 5), ("U6", 60)):
        b.part(ref, chip("0402"), (at, 35), nets=("LN_N", "LN_P"), turn_deg=90)
    for net, pin, y in (("LN_N", 1, 34.8), ("LN_P", 2, 35.2)):
        b.trace(net, 1, [b.pin(f"U5.{pin}"), (8, y), (57, y), b.pin(f"U6.{pin}")])
    path = tmp_path_factory.mktemp("path") / "board.xml"
    write_ipc2581(b.build(), path)
    return path


def call(capsys, *args):
    status = main(["path", *map(str, args)])
    out, err = capsys.readouterr()
    return status, out, err


def test_the_table_of_a_net(board, capsys):
    status, out, err = call(capsys, board, "CLK", "--to", "U2.1")
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].startswith("CLK: taken for a clock")
    assert any(line.startswith("U1.1 to U2.1: 6") for line in lines)
    assert sum(" via " in line for line in lines) == 2
    assert all(layer in out for layer in ("L1", "L4", "L2 GND", "L3 GND"))
    assert "U3.1" not in out


def test_json_holds_every_way_and_adds_up(board, capsys):
    status, out, _ = call(capsys, board, "CLK", "--json")
    assert status == 0
    ways = json.loads(out)["ways"]
    assert {way["to"] for way in ways} == {"U2.1", "U3.1"}
    for way in ways:
        assert sum(p["length_mm"] for p in way["pieces"]) == pytest.approx(way["length_mm"], rel=1e-6)
        assert way["pieces"][-1]["delay_ps"] == pytest.approx(way["delay_ps"])
        assert 40 < way["typical_ohm"] < 90


def test_a_pair_shows_its_differential_impedance(board, capsys):
    status, out, _ = call(capsys, board, "LN_P", "--json")
    assert status == 0
    pair = json.loads(out)["pair"]
    assert pair["negative"] == "LN_N"
    assert abs(pair["skew_ps"]) < 0.5
    beside = max((p for p in pair["pieces"] if p["spacing_mm"] is not None), key=lambda p: p["length_mm"])
    assert beside["spacing_mm"] == pytest.approx(0.2, rel=0.015)  # a cut rounds places to a per cent
    # a pair's differential impedance lies below twice that of one line, its common one above half
    single = json.loads(out)["ways"][0]["typical_ohm"]
    assert beside["differential_ohm"] < 2 * single
    assert beside["common_ohm"] > single / 2
    assert "Z diff" in call(capsys, board, "LN_P")[1]


def test_a_touchstone_file(board, capsys, tmp_path):
    skrf = pytest.importorskip("skrf")
    target = tmp_path / "clk.s2p"
    status, out, _ = call(capsys, board, "CLK", "--to", "U2.1", "-o", target, "--highest-hz", 5e9, "--points", 50)
    assert status == 0
    assert "clk.s2p" in out
    network = skrf.Network(str(target))
    assert network.nports == 2
    assert network.f[[0, -1]] == pytest.approx([1e8, 5e9])
    assert network.is_passive()
    assert "CLK from U1.1 (port 1) to U2.1 (port 2)" in network.comments


@pytest.fixture(scope="module")
def slotted(tmp_path_factory):
    """A line over a slot of 20 mm, and one over a split that nothing bridges."""
    b = small_board(size_mm=(80.0, 40.0))
    cut = [rectangle(34, 10, 34.5, 30), rectangle(60, -1, 60.4, 41)]
    b.pour("GND", 2, rectangle(0, 0, 80, 40), edge=0.5, keep_islands=True, cut=cut)
    for net, ends in (("OVER", (10, 55)), ("SPLIT", (50, 75))):
        for ref, x in zip(("U1", "U2") if net == "OVER" else ("U3", "U4"), ends, strict=True):
            b.part(ref, chip("0402"), (x, 20), nets=(net, "GND"), turn_deg=180)
        first, last = ("U1", "U2") if net == "OVER" else ("U3", "U4")
        b.trace(net, 1, [b.pin(f"{first}.1"), b.pin(f"{last}.1")])
    path = tmp_path_factory.mktemp("slotted") / "board.xml"
    write_ipc2581(b.build(), path)
    return path


def test_a_drawing_of_the_return_current(slotted, capsys, tmp_path):
    """At low frequency it spreads, at high it runs under the line and round the slot, whose excess inductance is that
    of the aperture solution (12 %: cells of half the slot's width). That it does so is common practice, no source."""
    target = tmp_path / "over.svg"
    found = {}
    for hertz in (1e4, 1e9):
        status, out, _ = call(capsys, slotted, "OVER", "--return-map", target, "--return-hz", hertz, "--json")
        assert status == 0
        (found[hertz],) = json.loads(out)["returns"]
    assert (found[1e9]["layer"], found[1e9]["reference"]) == ("L1", "L2")
    assert found[1e4]["share_within_3_heights"] < 0.2 < 0.5 < found[1e9]["share_within_3_heights"]
    assert found[1e4]["resistance_mohm"] < 0.1 * found[1e9]["resistance_mohm"]
    expected = slots.solve_slot(20e-3, 0.5e-3, 0.2e-3, 0.2e-3) * 1e9
    assert found[1e9]["excess_inductance_nh"] == pytest.approx(expected, rel=0.12)
    assert found[1e9]["excess_resistance_mohm"] > 0
    drawing = ElementTree.parse(target).getroot()
    text = "".join(drawing.itertext())
    assert "OVER at 1 GHz: its return current" in text
    assert "return on L2" in text
    assert sum(e.get("class") == "return" for e in drawing.iter("{http://www.w3.org/2000/svg}path")) == 1
    assert "over.svg: the return current at" in call(capsys, slotted, "OVER", "--return-map", target)[1]


def test_a_return_without_a_way_on_copper_is_said(slotted, capsys, tmp_path):
    status, _, err = call(capsys, slotted, "SPLIT", "--return-map", tmp_path / "x.svg")
    assert status == 2
    assert "nothing joins the two pieces of the plane at 60.20, 20.00 mm" in err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("CLX",), "no net 'CLX'; did you mean 'CLK'?"),
        (("CLK", "--to", "U9.1"), "there are ways to U2.1, U3.1"),
        (("CLK", "-o", "x.s2p"), "choose with --to one of U2.1, U3.1"),
        (("CLK", "--to", "U2.1", "-o", "x.csv"), "ends in .s2p"),
        (("CLK", "--points", "1"), "2 or more"),
        (("GND",), "no way leads"),
        (("CLK", "--return-map", "x.png"), "ends in .svg"),
        (("CLK", "--return-hz", "1e6"), "needs --return-map"),
    ],
)
def test_calls_that_cannot_be_answered_say_why(board, capsys, args, says):
    status, out, err = call(capsys, board, *args)
    assert status == 2
    assert out == ""
    assert says in err
    assert err.count("\n") == 1
