"""Resistors in series, values of resistors, areas parted along a line, materials by name."""

from __future__ import annotations

import pytest
import shapely

from quietcopper.build import chip, small_board
from quietcopper.changes import ChangeError, apply_change, apply_changes
from quietcopper.changes.capacitor import place_between_parts
from quietcopper.electrical.border import cabled
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.review.trial import Bench


def test_a_series_resistor_is_part_of_the_source_and_of_no_table(split_board, rules):
    done = apply_change(split_board, "series-resistor", {"nets": ["CLK", "DATA"], "ohm": 33.0}, rules)
    assert done.board is split_board
    assert done.series == {"CLK": 33.0, "DATA": 33.0}
    settings = Settings(nets={"CLK": NetSettings(kind="clock", swing=3.3, source=20.0, rise=1e-9, rate=1e7)})
    bench = Bench.of(View(split_board, settings), ())
    mended = View(split_board, bench.settings_after(done))
    assert mended.drivers[split_board.net_index["CLK"]].source == pytest.approx(53.0)


def test_of_several_edits_the_series_resistors_are_kept(split_board, rules):
    changes = [
        ("series-resistor", {"nets": ["CLK"], "ohm": 22.0}),
        ("set-width", {"net": "CLK", "layer": 3, "width": 0.3e-3}),
    ]
    done = apply_changes(split_board, changes, rules)
    assert done.series == {"CLK": 22.0}
    assert done.board is not split_board


def test_a_resistor_gets_another_value(rules):
    b = small_board(ground=(2,))
    b.part("R1", chip("0402"), (20, 15), nets=("A", "B"), value="10R")
    board = b.build()
    done = apply_change(board, "set-resistor", {"part": "R1", "ohm": 33.0}, rules)
    assert View(done.board).part_kinds[0].value == pytest.approx(33.0)
    with pytest.raises(ChangeError, match="no part called R9"):
        apply_change(board, "set-resistor", {"part": "R9", "ohm": 33.0}, rules)


def test_areas_are_parted_along_a_line(split_board, rules, sound):
    before = split_board.areas.shape[(split_board.areas.layer == 1)]
    cut = {"layer": 1, "net": "GND", "line": [(30e-3, 0.0), (30e-3, 40e-3)], "gap": 0.5e-3}
    done = apply_change(split_board, "separate-areas", cut, rules)
    sound(split_board, done.board)
    after = done.board.areas.shape[(done.board.areas.layer == 1)]
    assert len(after) == len(before) + 1
    assert shapely.distance(*after[:2]) == pytest.approx(0.5e-3, rel=1e-6)
    lost = shapely.area(before).sum() - shapely.area(after).sum()
    assert lost == pytest.approx(0.5e-3 * 39e-3, rel=0.02)  # the pour keeps 0.5 mm from both edges


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"line": [(30e-3, 0.0)]}, "two places"),
        ({"gap": 0.05e-3}, "less than the spacing"),
        ({"line": [(90e-3, 0.0), (90e-3, 1e-3)]}, "no area"),
        ({"line": [(0.0, 32e-3), (60e-3, 32e-3)]}, "in the cut"),
    ],
)
def test_a_cut_that_cannot_be_made_says_why(split_board, rules, said, why):
    cut = {"layer": 1, "net": "GND", "line": [(30e-3, 0.0), (30e-3, 40e-3)], "gap": 0.5e-3} | said
    with pytest.raises(ChangeError, match=why):
        apply_change(split_board, "separate-areas", cut, rules)


def test_a_material_is_named_with_its_figures(split_board, rules):
    said = {"upper": 0, "lower": 1, "er": 3.9, "tan_d": 0.01, "material": "thin prepreg"}
    done = apply_change(split_board, "set-dielectric", said, rules)
    sheet = done.board.dielectrics[0]
    assert (sheet.material, sheet.er, sheet.tan_d) == ("thin prepreg", 3.9, 0.01)
    assert sheet.thickness == split_board.dielectrics[0].thickness


def port(far_part: bool = False):
    """A line from a connector, with a chip in the way where asked."""
    b = small_board(size_mm=(40, 30), ground=(2,))
    b.part("J1", chip("1206"), (4, 15), nets=("OUT", "GND"))
    if far_part:
        b.part("R1", chip("0402"), (6.9, 15), nets=("OUT", "B"))
    b.trace("OUT", 1, [b.pin("J1.1"), (35, 20)])
    return b.build()


def test_a_filter_stands_before_the_pin_of_its_connector_only(rules):
    board = port()
    done = apply_change(board, "filter-line", {"connector": "J1", "net": "OUT", "ohm": 100.0, "farad": 47e-12}, rules)
    assert done.board is board
    assert done.filters == {("J1", "OUT"): (100.0, 47e-12)}
    assert "leave such room on the bottom" in done.notes[0]
    settings = Bench.of(View(board, Settings(connectors={"J1": {"cable": True}})), ()).settings_after(done)
    lines = [line for connector in cabled(View(board, settings)) for line in connector.lines]
    assert [line.added for line in lines] == [(100.0, 47e-12)]


@pytest.mark.parametrize(
    ("said", "why"), [({"connector": "J9"}, "no part called J9"), ({"net": "GND2"}, "GND2"), ({}, "J1 has no pin on B")]
)
def test_a_filter_needs_a_pin_to_stand_before(rules, said, why):
    arguments = {"connector": "J1", "net": "B", "ohm": 100.0, "farad": 47e-12} | said
    with pytest.raises(ChangeError, match=why):
        apply_change(port(True), "filter-line", arguments, rules)


def test_room_between_parts_is_found_where_it_is():
    """On top the part itself is in the way, on the bottom nothing; a strip longer than the board fits nowhere."""
    board = port()
    x, y, side = place_between_parts(board, (2.2e-3, 2.0e-3), (4e-3, 15e-3), 8e-3)
    hull = shapely.box(*shapely.union_all(board.pads.shape[board.pads.pin >= 0]).bounds)
    assert side == 1  # nothing stands on the bottom
    assert shapely.distance(shapely.Point(x, y), shapely.Point(4e-3, 15e-3)) < 0.3e-3
    assert hull.contains(shapely.Point(x, y))
    assert place_between_parts(board, (60e-3, 2e-3), (4e-3, 15e-3), 8e-3) is None


def test_a_slower_edge_is_the_drivers(split_board, rules):
    done = apply_change(split_board, "slower-edge", {"nets": ["CLK"], "rise": 4e-9}, rules)
    bench = Bench.of(View(split_board, Settings()), ())
    row = split_board.net_index["CLK"]
    assert View(split_board, bench.settings_after(done)).drivers[row].rise == 4e-9
    assert bench.view.drivers[row].rise != 4e-9
