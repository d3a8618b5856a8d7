"""Traces widened, moved and spread: what hangs on them follows, and nothing is run into."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.changes import ChangeError
from quietcopper.changes.traces import set_spacing, set_width, shift_trace, spread_bundle


def lines_of(board, net, layer=0):
    traces = board.traces
    rows = (traces.net == board.net_index[net]) & (traces.layer == layer)
    return traces.lines[rows]


def same_ends(before, after, net):
    """The copper of a net that holds no end of its own still reaches the same pads and holes."""
    whole = shapely.union_all(shapely.buffer(lines_of(after, net), 1e-6))
    pads = before.pads.shape[(before.pads.net == before.net_index[net]) & (before.pads.layer == 0)]
    return whole.geom_type == "Polygon" and all(whole.intersects(p) for p in pads)


def routed(*steps, radius=0.0):
    b = small_board(ground=(2,))
    for ref, x in (("R1", 5), ("R2", 45)):
        b.part(ref, chip("0402"), (x, 10), nets=("CLK", "GND"), turn_deg=-90)
    b.route("CLK", "R1.1", *steps, "R2.1", radius=radius)
    return b


def test_a_width_changes_on_its_layer_only(rules, sound):
    before = routed((15, 15), Hop(4), (25, 15), Hop(1), (35, 15)).build()
    board = set_width(before, rules, net="CLK", layer=0, width=0.3e-3).board
    sound(before, board)
    assert set(board.traces.width[board.traces.layer == 0]) == {0.3e-3}
    assert set(board.traces.width[board.traces.layer == 3]) == {0.2e-3}


def test_pour_gives_way_to_a_wider_trace_and_foreign_traces_do_not(rules, sound):
    b = routed((15, 15), (35, 15))
    b.area("GND", 1, rectangle(16, 15.25, 34, 17))
    before = b.build()
    board = set_width(before, rules, net="CLK", layer=0, width=0.4e-3).board
    sound(before, board)
    b.trace("D", 1, [(16, 14.6), (34, 14.6)])
    with pytest.raises(ChangeError, match=r"CLK would come closer than 0\.15 mm to D at"):
        set_width(b.build(), rules, net="CLK", layer=0, width=0.4e-3)
    with pytest.raises(ChangeError, match="narrower than the narrowest"):
        set_width(before, rules, net="CLK", layer=0, width=0.05e-3)
    with pytest.raises(ChangeError, match=r"no trace on layer 4"):
        set_width(before, rules, net="CLK", layer=3, width=0.2e-3)


@pytest.mark.parametrize("radius", [0.0, 0.8], ids=["45 degree corners", "rounded"])
def test_a_stretch_moves_and_its_neighbours_follow_on_their_own_lines(rules, sound, radius):
    before = routed((8, 20), (42, 20), radius=radius).build()
    changed = shift_trace(before, rules, net="CLK", layer=0, at=(25e-3, 20e-3), by=(0.0, 2e-3))
    sound(before, changed.board)
    assert same_ends(before, changed.board, "CLK")
    assert len(changed.board.traces) == len(before.traces)
    top = max(line.bounds[3] for line in lines_of(changed.board, "CLK"))
    assert top == pytest.approx(22e-3, abs=1e-9)
    directions = [
        np.degrees(np.arctan2(y1 - y0, x1 - x0)) % 180
        for x0, y0, x1, y1, turn in zip(
            changed.board.traces.x0, changed.board.traces.y0, changed.board.traces.x1, changed.board.traces.y1,
            changed.board.traces.turn, strict=True,
        )
        if turn == 0 and np.hypot(x1 - x0, y1 - y0) > 1e-6
    ]  # fmt: skip
    assert {round(d / 45) * 45 % 180 for d in directions} == {round(d, 3) % 180 for d in directions}


def test_the_part_along_the_trace_does_not_move_it(rules):
    before = routed((8, 20), (42, 20)).build()
    board = shift_trace(before, rules, net="CLK", layer=0, at=(25e-3, 20e-3), by=(5e-3, 0.0)).board
    assert board.traces.y0.tolist() == pytest.approx(before.traces.y0.tolist(), abs=1e-12)


def test_at_a_via_a_slanted_piece_leads_to_it(rules, sound):
    b = small_board(ground=(2,))
    b.route("CLK", (10, 10), Hop(4), (40, 10), Hop(1), (45, 10), layer=1)
    before = b.build()
    board = shift_trace(before, rules, net="CLK", layer=3, at=(25e-3, 10e-3), by=(0.0, 1e-3)).board
    copper = sound(before, board)
    assert len(lines_of(board, "CLK", 3)) == 3
    assert len(set(copper.pieces.group.tolist())) == len(set(copper.pieces.group[copper.pieces.net > 0].tolist()))
    clock = copper.pieces.group[copper.pieces.net == board.net_index["CLK"]]
    assert len(set(clock.tolist())) == 1


def test_what_branches_or_is_in_the_way_is_refused(rules):
    b = routed((8, 20), (42, 20))
    b.trace("CLK", 1, [(25, 20), (25, 24)])
    with pytest.raises(ChangeError, match="branches"):
        shift_trace(b.build(), rules, net="CLK", layer=0, at=(20e-3, 20e-3), by=(0.0, 1e-3))
    b = routed((8, 20), (42, 20))
    b.trace("D", 1, [(15, 21), (35, 21)])
    with pytest.raises(ChangeError, match="closer than"):
        shift_trace(b.build(), rules, net="CLK", layer=0, at=(20e-3, 20e-3), by=(0.0, 0.9e-3))


def spacings(board, count=5):
    """Space between neighbours in the middle of the bundle, m."""
    cut = shapely.LineString([(25e-3, 0), (25e-3, 30e-3)])
    y = sorted(
        line.intersection(cut).y for i in range(count) for line in lines_of(board, f"D{i}") if line.intersects(cut)
    )
    return np.diff(y) - 0.2e-3


def plain_bundle():
    b = small_board(ground=(2,))
    for i in range(5):
        left, right, y = 14 - 0.8 * i, 36 + 0.8 * i, 13 + 0.4 * i
        b.trace(
            f"D{i}", 1, [(left, 5), (left, y - 0.2), (left + 0.2, y), (right - 0.2, y), (right, y - 0.2), (right, 5)]
        )
    return b


def test_a_bundle_is_spread_about_its_middle(rules, sound):
    before = plain_bundle().build()
    board = spread_bundle(before, rules, nets=[f"D{i}" for i in range(5)], layer=0, spacing=0.35e-3).board
    sound(before, board)
    assert spacings(before) == pytest.approx(0.2e-3)
    assert spacings(board) == pytest.approx(0.35e-3, abs=1e-8)
    (middle,) = [line for line in lines_of(board, "D2") if abs(line.coords[0][1] - line.coords[1][1]) < 1e-9]
    assert middle.coords[0][1] == pytest.approx(13.8e-3)


def test_a_wall_on_one_side_sends_the_bundle_to_the_other(rules, sound):
    b = plain_bundle()
    b.trace("W", 1, [(14, 15.0), (34, 15.0)])  # 0.2 mm above the uppermost line
    before = b.build()
    board = spread_bundle(before, rules, nets=[f"D{i}" for i in range(5)], layer=0, spacing=0.35e-3).board
    sound(before, board)
    assert spacings(board) == pytest.approx(0.35e-3, abs=1e-8)
    b.trace("V", 1, [(14, 12.6), (34, 12.6)])
    with pytest.raises(ChangeError, match="closer than"):
        spread_bundle(b.build(), rules, nets=[f"D{i}" for i in range(5)], layer=0, spacing=0.35e-3)


def test_one_line_gets_its_space_and_the_others_keep_theirs(rules, sound):
    before = plain_bundle().build()
    board = set_spacing(before, rules, net="D2", layer=0, spacing=0.4e-3).board
    sound(before, board)
    assert spacings(board) == pytest.approx([0.2e-3, 0.4e-3, 0.4e-3, 0.2e-3], abs=1e-8)
    with pytest.raises(ChangeError, match="none of these lines runs closer"):
        set_spacing(board, rules, net="D2", layer=0, spacing=0.3e-3)
