"""Pins that stand on a supply without drawing from it: told by name or by their copper."""

from __future__ import annotations

import dataclasses

import pytest

from quietcopper.build import header, rectangle, small_board, sot23
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.supplies import supply_assumptions
from quietcopper.electrical.view import View


def regulators(enable_mm=0.15, out_mm=0.8):
    """U1 makes +3V3 of +5V and is enabled by +1V2; pins as five-pin regulators have them: in, ground, enable, none,
    out. A line of 0.15 mm stands for the signals."""
    b = small_board(2, size_mm=(40, 30))
    b.part("U1", sot23(5), (20, 15), nets=("+5V", "GND", "+1V2", "", "+3V3"))
    for pin, net, width, to in (
        (1, "+5V", 0.8, (10, 17)),
        (3, "+1V2", enable_mm, (10, 13)),
        (5, "+3V3", out_mm, (30, 17)),
        (2, "GND", 0.5, (8, 15)),
    ):
        b.trace(net, 1, [b.pin(f"U1.{pin}"), to], width=width)
    b.trace("SIG", 1, [(5, 3), (35, 3)], width=0.15)
    return b


def idle(board):
    view = View(board, Settings())
    return view, [board.pin_label(p) for p in range(len(board.pins)) if view.idle_pins[p]]


def test_a_narrow_enable_beside_wide_supplies_draws_nothing_and_the_part_is_a_regulator():
    board = regulators().build()
    view, found = idle(board)
    assert found == ["U1.3"]
    made = view.supplies[board.net_index["+3V3"]]
    assert [(s.kind, board.nets[s.upstream]) for s in made.sources] == [("regulator", "+5V")]
    assert board.net_index["+1V2"] not in view.supplies
    assert any("U1.3 on +1V2" in a.what for a in supply_assumptions(view))


@pytest.mark.parametrize(
    "board",
    [regulators(enable_mm=0.5), regulators(out_mm=0.15)],
    ids=["as wide as a supply", "two narrow ones: nobody can tell which"],
)
def test_what_the_copper_does_not_tell_apart_draws(board):
    assert idle(board.build())[1] == []


def test_copper_all_round_the_pin_feeds_it():
    b = regulators()
    b.area("+1V2", 1, rectangle(5, 8, 20, 14.5))
    assert idle(b.build())[1] == []


def test_a_name_tells_more_than_the_copper():
    board = regulators(enable_mm=0.5).build()
    named = dataclasses.replace(board, pin_functions={("U1", "3"): "EN", ("U1", "5"): "VOUT"})
    view, found = idle(named)
    assert found == ["U1.3"]
    assert not any("enable or sense" in a.what for a in supply_assumptions(view))  # nothing is assumed


def test_the_same_pin_of_a_like_part_is_the_same():
    b = regulators()
    b.part("U2", sot23(5), (32, 22), nets=("+5V", "GND", "+3V3", "", "+2V5"), turn_deg=90)
    b.part("U3", sot23(6), (32, 8), nets=("+5V", "GND", "+3V3", "", "+2V5", "SIG"))
    for ref in ("U2", "U3"):
        for pin, net in ((1, "+5V"), (3, "+3V3"), (5, "+2V5")):
            x, y = b.pin(f"{ref}.{pin}")
            b.trace(net, 1, [(x, y), (x, y + 0.5)], width=0.5)
    assert idle(b.build())[1] == ["U1.3", "U2.3"]


def test_a_supply_of_unknown_voltage_is_made_of_the_one_that_enters_the_board():
    b = small_board(2, size_mm=(40, 30))
    b.net("PLLSUP", kind="power")
    b.part("U1", sot23(5), (20, 15), nets=("+5V", "GND", "+5V", "", "PLLSUP"))
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 15), nets=("+5V", "GND"))
    board = b.build()
    view = View(board, Settings(nets={"PLLSUP": NetSettings(role="supply")}))
    made = view.supplies[board.net_index["PLLSUP"]]
    assert [(s.kind, board.nets[s.upstream]) for s in made.sources] == [("regulator", "+5V")]
    assert [s.kind for s in view.supplies[board.net_index["+5V"]].sources] == ["connector"]
