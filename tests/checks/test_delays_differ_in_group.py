"""Buses and named groups whose lines are not equally long."""

from __future__ import annotations

import pytest

from quietcopper.build import chip, header, small_board
from quietcopper.electrical.settings import NetSettings

CHECK = "delays-differ-in-group"
BIT = {"role": "signal", "kind": "data", "swing": 1.5, "rise": 200e-12, "source": 40.0, "rate": 400e6}  # 1.25 ns


def bus(extra_mm, names=("D0", "D1", "D2", "D3")):
    """Lines between two parts 2 mm apart; the last makes a bulge that is `extra_mm` longer."""
    b = small_board(size_mm=(70.0, 40.0), ground=(2,))
    for i in range(0, len(names), 2):
        for ref, x in ((f"U{i}", 5), (f"V{i}", 60)):
            b.part(ref, chip("0402"), (x, 10 + 4 * i), nets=(names[i], names[i + 1]), turn_deg=90)
    for i, net in enumerate(names):
        pin, group = 1 + i % 2, i - i % 2
        start, end = b.pin(f"U{group}.{pin}"), b.pin(f"V{group}.{pin}")
        way = [start, end]
        if i == len(names) - 1 and extra_mm:
            high = start[1] + extra_mm / 2
            way[1:1] = [(20, start[1]), (20, high), (23, high), (23, start[1])]
        b.trace(net, 1, way)
    return b.build()


def one_part_bus(extra_mm, names=("D0", "D1", "D2", "D3")):
    """The same between two four-pin parts."""
    b = small_board(size_mm=(70.0, 40.0), ground=(2,))
    for ref, x in (("J1", 5), ("J2", 60)):
        b.part(ref, header(len(names), pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (x, 10), nets=names, turn_deg=90)
    for i, net in enumerate(names):
        start, end = b.pin(f"J1.{i + 1}"), b.pin(f"J2.{i + 1}")
        way = [start, end]
        if i == len(names) - 1 and extra_mm:
            high = start[1] + extra_mm / 2
            way[1:1] = [(20, start[1]), (20, high), (23, high), (23, start[1])]
        b.trace(net, 1, way)
    return b.build()


def test_a_longer_line_of_a_bus_arrives_later_by_its_delay(run):
    names = ("D0", "D1", "D2", "D3")
    finding = run(CHECK, one_part_bus(30.0), dict.fromkeys(names, BIT)).only
    assert finding.subject == ("D#",)
    spread = finding.evidence["spread_ps"]
    assert 30 * 5.4 < spread < 30 * 6.6  # surface lines in this laminate: 5.4 to 6.6 ps/mm
    assert finding.predicted == pytest.approx(spread / 1250, rel=1e-6)
    assert finding.excess_db > 0
    assert finding.title.startswith("D#: D3 arrives")
    lengthen = finding.remedies[0].change.text
    assert lengthen.count(" by ") == 3
    assert float(lengthen.split("D0 by ")[1].split()[0]) == pytest.approx(30.0, rel=0.02)
    within = run(CHECK, one_part_bus(18.0), dict.fromkeys(names, BIT)).only
    assert -6 < within.excess_db < 0
    assert within.remedies == ()  # no line is too short


def test_equal_lines_pass(run):
    finding = run(CHECK, one_part_bus(0.0), dict.fromkeys(("D0", "D1", "D2", "D3"), BIT)).only
    assert finding.grade == "passes"


def test_a_group_is_named_in_the_settings_or_denied_there(run):
    names = ("A", "B", "STROBE", "C")
    board = one_part_bus(30.0, names)
    assert run(CHECK, board, dict.fromkeys(names, BIT)).findings == []
    given = run(CHECK, board, dict.fromkeys(names, BIT), patterns={"*": NetSettings(group="lane 0")}).only
    assert given.subject == ("lane 0",)
    assert "named in the settings" in given.message
    bits = dict.fromkeys(("D0", "D1", "D2", "D3"), BIT | {"group": ""})
    assert run(CHECK, one_part_bus(30.0), bits).findings == []


def test_lines_that_do_not_lead_between_the_same_parts_are_told(run):
    names = ("D0", "D1", "D2", "D3")
    said = run(CHECK, bus(30.0), dict.fromkeys(names, BIT | {"group": "lane"}))
    assert said.only.subject == ("lane",)
    assert said.not_checked[0].count == 2
    told_by_names = run(CHECK, bus(30.0), dict.fromkeys(names, BIT))
    assert told_by_names.findings == []
    assert told_by_names.not_checked
