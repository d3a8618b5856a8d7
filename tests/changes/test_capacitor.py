"""A capacitor across a gap: a real part at a place that is really free."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from quietcopper.build import rectangle
from quietcopper.changes import ChangeError
from quietcopper.changes.capacitor import bridge_gap
from quietcopper.electrical.view import View


def test_it_stands_by_the_crossing_and_each_end_reaches_its_supply(split_board, rules, sound):
    changed = bridge_gap(split_board, rules, nets=["3V3", "5V"], at=(30e-3, 22e-3), within=3e-3)
    board = changed.board
    copper = sound(split_board, board)
    part = len(board.parts) - 1
    assert str(board.parts.ref[part]) == "C46"  # the next after C45
    assert np.hypot(board.parts.x[part] - 30e-3, board.parts.y[part] - 22e-3) <= 3e-3
    group = copper.pieces.group
    for net in ("3V3", "5V"):
        index = board.net_index[net]
        (pad,) = np.flatnonzero((board.pads.net == index) & (board.pads.pin >= len(split_board.pins)))
        areas = np.flatnonzero((board.areas.net == index) & (board.areas.layer == 2))
        assert group[copper.piece_of_pad[pad]] in group[copper.piece_of_area[areas]]
    assert "100 nF" in changed.notes[0]


def test_the_review_takes_it_for_a_capacitor_between_the_two(split_board, rules):
    board = bridge_gap(split_board, rules, nets=["3V3", "5V"], at=(30e-3, 22e-3)).board
    nets = board.net_index["3V3"], board.net_index["5V"]
    assert len(View(split_board).capacitors.between(*nets)) == 0
    assert len(View(board).capacitors.between(*nets)) == 1


def test_it_keeps_out_of_other_parts(split_board, rules):
    """Between the two pads of C15, and within a hull of pads, there is no room for another part."""
    board = bridge_gap(split_board, rules, nets=["3V3", "GND"], at=(15e-3, 32e-3)).board
    new = board.pads.shape[board.pads.pin >= len(split_board.pins)]
    side = int(board.parts.side[-1])
    on_side = np.flatnonzero((split_board.pads.layer == (0 if side == 0 else 3)) & (split_board.pads.pin >= 0))
    part = split_board.pins.part[split_board.pads.pin[on_side]]
    hulls = [shapely.union_all(split_board.pads.shape[on_side[part == p]]).convex_hull for p in np.unique(part)]
    assert shapely.distance(np.array(hulls)[:, None], new[None]).min() > 0.1e-3


def test_pour_on_its_side_gives_way(split_builder, rules, sound):
    b = split_builder
    b.pour("GND", 1, rectangle(20, 14, 40, 30), keep_islands=True)
    b.pour("GND", 4, rectangle(20, 14, 40, 30), keep_islands=True)
    before = b.build()
    board = bridge_gap(before, rules, nets=["3V3", "5V"], at=(30e-3, 22e-3)).board
    sound(before, board)


def test_without_room_or_copper_it_is_refused(split_board, rules):
    with pytest.raises(ChangeError, match=r"no capacitor from 3V3 to 5V fits within 2 mm of 10\.0, 30\.0 mm"):
        bridge_gap(split_board, rules, nets=["3V3", "5V"], at=(10e-3, 30e-3), within=2e-3)
    with pytest.raises(ChangeError, match="joins two nets"):
        bridge_gap(split_board, rules, nets=["3V3", "3V3"], at=(30e-3, 22e-3))
