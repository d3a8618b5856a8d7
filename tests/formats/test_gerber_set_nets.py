"""Nets of a set: from attributes, from a netlist, rebuilt from copper; stable names; contradictions told."""

from __future__ import annotations

import importlib.util
import random
from pathlib import Path

import pytest

from quietcopper.board import Board
from quietcopper.electrical.names import says_nothing

_spec = importlib.util.spec_from_file_location("gerber_files", Path(__file__).with_name("gerber_files.py"))
assert _spec is not None
assert _spec.loader is not None
gerber = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(gerber)


def names(board: Board, table: str) -> list[str]:
    return [board.nets[n] for n in getattr(board, table).net]


def two_layers(tmp_path: Path, top: str, bottom: str = "", **files: str) -> Board:
    return gerber.read(tmp_path, {"top.gbr": gerber.top(top), "bot.gbr": gerber.bottom(bottom), **files})


# ---- attributes --------------------------------------------------------------------------------------


def test_nets_come_from_attributes_and_reach_copper_and_holes_without_any(tmp_path: Path) -> None:
    top = gerber.net("CLK", gerber.line(5, 5, 15, 5)) + gerber.flash(15, 5)
    bottom = gerber.line(15, 5, 15, 20)
    board = two_layers(tmp_path, top, bottom, **{"d.drl": gerber.drill((15, 5))})
    assert board.nets == ("", "CLK")
    assert names(board, "traces") == ["CLK", "CLK"]
    assert (names(board, "pads"), names(board, "vias")) == (["CLK"], ["CLK"])


def test_escapes_of_newer_and_older_files(tmp_path: Path) -> None:
    body = gerber.net("A\\u002CB", gerber.line(1, 1, 5, 1)) + gerber.net("C\\002CD", gerber.line(1, 3, 5, 3))
    assert two_layers(tmp_path, body).nets == ("", "A,B", "C,D")


def test_copper_said_to_be_tied_to_nothing_gets_no_name(tmp_path: Path) -> None:
    free = gerber.net("", gerber.flash(5, 5) + gerber.line(5, 5, 9, 5))
    single = gerber.net("N/C", gerber.flash(20, 5) + gerber.line(20, 5, 25, 5))
    board = two_layers(tmp_path, free + single + gerber.net("X", gerber.line(1, 20, 5, 20)))
    assert board.nets == ("", "X")


def test_two_names_on_one_piece_are_told_and_kept(tmp_path: Path) -> None:
    body = gerber.net("GND", gerber.line(1, 1, 9, 1) + gerber.line(1, 1, 1, 9)) + gerber.net(
        "AGND", gerber.line(9, 1, 20, 1)
    )
    board = two_layers(tmp_path, body + gerber.line(9, 1, 9, 9))
    assert names(board, "traces") == ["GND", "GND", "AGND", "GND"]  # what has none takes the commonest
    assert any("more than one net name: 1 (AGND and GND)" in p for p in board.problems)


# ---- rebuilt -----------------------------------------------------------------------------------------

TOP = [
    gerber.flash(5, 5) + gerber.line(5, 5, 15, 5),
    gerber.flash(20, 20),  # a lone pad
    gerber.line(30, 1, 35, 1),  # a lone stroke
    gerber.flash(10, 10) + gerber.line(10, 10, 12, 10) + gerber.flash(12, 10),
]
BOTTOM = [gerber.line(15, 5, 15, 20), gerber.flash(15, 20), gerber.box(25, 15, 35, 25)]


def rebuilt(tmp_path: Path, top: list[str], bottom: list[str], kind: str = "Plated,1,2,PTH") -> Board:
    return two_layers(tmp_path, "".join(top), "".join(bottom), **{"d.drl": gerber.drill((15, 5), kind=kind)})


def test_connected_copper_gets_a_name_after_its_place(tmp_path: Path) -> None:
    board = rebuilt(tmp_path, TOP, BOTTOM)
    assert board.nets == ("", "N00500050", "N01000100")
    assert names(board, "vias") == ["N00500050"]
    assert sorted(names(board, "traces")) == ["", "N00500050", "N00500050", "N01000100"]
    assert names(board, "areas") == [""]  # an island that nothing hangs on
    assert [a.value for a in board.assumptions if a.what == "net names"] == [2]


def test_names_say_nothing_to_whoever_reads_names() -> None:
    assert says_nothing("N00500050")


def test_unplated_holes_join_nothing(tmp_path: Path) -> None:
    board = rebuilt(tmp_path, TOP, BOTTOM, kind="NonPlated,1,2,NPTH")
    assert board.nets == ("", "N00500050", "N01000100", "N01500200")
    assert names(board, "vias") == [""]


@pytest.mark.parametrize("seed", range(4))
def test_names_do_not_hang_on_the_order_of_objects_or_files(tmp_path: Path, seed: int) -> None:
    shuffle = random.Random(seed)
    top, bottom = TOP[:], BOTTOM[:]
    shuffle.shuffle(top)
    shuffle.shuffle(bottom)
    assert rebuilt(tmp_path, top, bottom).nets == rebuilt(tmp_path / "plain", TOP, BOTTOM).nets


def test_names_stay_when_another_net_comes_and_when_the_whole_board_moves(tmp_path: Path) -> None:
    more = [*TOP, gerber.flash(2, 2) + gerber.line(2, 2, 4, 2)]
    assert rebuilt(tmp_path / "a", more, BOTTOM).nets == ("", "N00200020", "N00500050", "N01000100")
    edge = gerber.profile((7, 3, 47, 3), (47, 3, 47, 33), (47, 33, 7, 33), (7, 33, 7, 3))
    top = gerber.flash(12, 8) + gerber.line(12, 8, 22, 8)
    assert two_layers(tmp_path / "b", top, **{"edge.gbr": edge}).nets == ("", "N00500050")


def test_two_nets_in_one_tenth_of_a_millimetre_differ(tmp_path: Path) -> None:
    small = "%ADD20C,0.02*%\n"
    top = small + gerber.flash(5, 5, 20) + gerber.line(5, 5, 5, 9, 20)
    bottom = small + gerber.flash(5.01, 5, 20) + gerber.line(5.01, 5, 9, 5, 20)
    assert two_layers(tmp_path, top, bottom).nets == ("", "N00500050", "N005000502")


def test_where_pins_are_known_the_first_names_the_net(tmp_path: Path) -> None:
    body = (
        gerber.pin("R10", "1", gerber.flash(5, 5))
        + gerber.line(5, 5, 15, 5)
        + gerber.pin("R2", "2", gerber.flash(15, 5))
    )
    assert two_layers(tmp_path, body).nets == ("", "R2.2")


def test_blind_holes_join_only_their_layers(tmp_path: Path) -> None:
    via = gerber.flash(5, 5) + gerber.line(5, 5, 15, 5)
    files = {
        "l1.gbr": gerber.top(gerber.net("A", via)),
        "l2.gbr": gerber.inner(via),
        "l3.gbr": gerber.bottom(via, 3),
        "d.drl": gerber.drill((5, 5), kind="Plated,1,2,Blind"),
    }
    board = gerber.read(tmp_path, files)
    assert names(board, "traces") == ["A", "A", "N00500050"]
    assert (board.vias.first[0], board.vias.last[0]) == (0, 1)


# ---- a netlist ---------------------------------------------------------------------------------------


def record(net: str, ref: str, pin: str, x: float, y: float, *, drill: float = 0.0, access: int = 0) -> str:
    """A line of a netlist; places in mm."""
    head = f"3{'1' if drill else '2'}7{net:<14}   {ref:<6}{'-' if pin else ' '}{pin:<4} "
    hole = f"D{round(drill * 1000):04d}P" if drill else "      "
    return f"{head}{hole}A{access:02d}X{round(x * 1000):+07d}Y{round(y * 1000):+07d}X0600Y0600R000 S0"


def netlist(*records: str) -> str:
    return "\n".join(["P  UNITS CUST 1", *records, "999", ""])


NETLIST_TOP = (
    gerber.flash(5, 5)
    + gerber.line(5, 5, 15, 5)
    + gerber.flash(15, 5)
    + gerber.flash(30, 5, 12)
    + gerber.line(30, 5, 33, 5)
    + gerber.flash(20, 20)
)
HOLES = ((5, 5), (15, 5), (20, 20))


def listed(dx: float = 0.0, dy: float = 0.0, second: str = "CLK") -> str:
    return netlist(
        record("CLK", "VIA", "", 5 + dx, 5 + dy, drill=0.3),
        record(second, "J1", "1", 15 + dx, 5 + dy, drill=0.3),
        record("GND", "J1", "2", 20 + dx, 20 + dy, drill=0.3),
        record("RX", "U1", "7", 30.2 + dx, 5 + dy, access=1),
    )


@pytest.mark.parametrize("shift", [(0.0, 0.0), (17.05, -26.55)])
def test_a_netlist_gives_nets_parts_and_pins_wherever_its_origin_is(tmp_path: Path, shift: tuple[float, float]) -> None:
    files = {"d.drl": gerber.drill(*HOLES), "n.ipc": listed(-shift[0], -shift[1])}
    board = two_layers(tmp_path, NETLIST_TOP, **files)
    assert board.nets == ("", "CLK", "GND", "RX")
    assert names(board, "traces") == ["CLK", "RX"]
    assert [board.pin_label(i) for i in range(len(board.pins))] == ["J1.1", "J1.2", "U1.7"]
    assert [board.nets[n] for n in board.pins.net] == ["CLK", "GND", "RX"]
    assert board.pins.layer.tolist() == [-1, -1, 0]
    told = [a.value for a in board.assumptions if a.what == "origin of n.ipc"]
    assert told == ([f"{shift[0]:.3f}, {shift[1]:.3f}"] if shift[0] else [])


def test_a_netlist_with_two_names_on_one_piece_is_told(tmp_path: Path) -> None:
    files = {"d.drl": gerber.drill(*HOLES), "n.ipc": listed(second="DATA")}
    board = two_layers(tmp_path, NETLIST_TOP, **files)
    assert any("more than one net name: 1 (CLK and DATA)" in p for p in board.problems)


def test_a_netlist_of_another_board_is_not_used(tmp_path: Path) -> None:
    other = netlist(*(record("X", "VIA", "", 3 * k * k, 50 + 7 * k, drill=0.3) for k in range(8)))
    board = two_layers(tmp_path, NETLIST_TOP, **{"d.drl": gerber.drill(*HOLES), "n.ipc": other})
    assert any("n.ipc does not fit the holes" in p for p in board.problems)
    assert "X" not in board.nets


def test_attributes_go_over_the_netlist_and_a_different_division_is_told(tmp_path: Path) -> None:
    """Another spelling of a net is no matter; a net of the netlist on two nets of the layers is."""
    top = gerber.net("/clk", gerber.flash(5, 5) + gerber.line(5, 5, 9, 5)) + gerber.net("/data", gerber.flash(15, 5))
    files = {"d.drl": gerber.drill(*HOLES[:2])}
    same = netlist(record("CLK", "VIA", "", 5, 5, drill=0.3), record("DATA", "VIA", "", 15, 5, drill=0.3))
    board = two_layers(tmp_path / "a", top, **files, **{"n.ipc": same})
    assert (board.nets, board.problems) == (("", "/clk", "/data"), ())
    merged = netlist(record("CLK", "VIA", "", 5, 5, drill=0.3), record("CLK", "VIA", "", 15, 5, drill=0.3))
    told = two_layers(tmp_path / "b", top, **files, **{"n.ipc": merged}).problems
    assert any("CLK of the netlist is /clk, /data in the layers" in p for p in told)


def test_the_netlist_knows_the_size_of_a_slot_whose_tool_has_none(tmp_path: Path) -> None:
    rout = "M71\n%\nT01\nG00X15.0Y4.5\nM15\nG01X15.0Y5.5\nM16\nM30\n"
    files = {"d.drl": gerber.drill((5, 5), (20, 20)), "s.rou": rout, "n.ipc": listed()}
    board = two_layers(tmp_path, NETLIST_TOP, **files)
    slot = board.vias.y != board.vias.y1
    assert board.vias.drill[slot].tolist() == [pytest.approx(0.3e-3)]
