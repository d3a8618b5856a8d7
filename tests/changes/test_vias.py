"""Vias added: only where there is room, checked by geometry that the edit does not use."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietcopper.build import rectangle, small_board
from quietcopper.changes import ChangeError, Rules
from quietcopper.changes.room import HOLE_TO_HOLE
from quietcopper.changes.vias import add_via, stitch, tie_fingers


def two_grounds(*lines):
    """Ground on layers 2 and 3; lines: (net, layer, points) of traces."""
    b = small_board(ground=(2, 3))
    for net, layer, points in lines:
        b.trace(net, layer, points)
    b.via("GND", (2, 2))
    return b


def new_vias(before, after):
    return list(zip(after.vias.x[len(before.vias) :], after.vias.y[len(before.vias) :], strict=True))


def test_a_via_goes_where_it_was_wanted_and_is_as_large_as_the_others(rules, sound):
    before = two_grounds().build()
    board = add_via(before, rules, net="GND", at=(20e-3, 10e-3)).board
    sound(before, board)
    assert new_vias(before, board) == [pytest.approx((20e-3, 10e-3))]
    assert board.vias.drill[-1] == pytest.approx(0.3e-3)
    assert (board.vias.first[-1], board.vias.last[-1]) == (0, 3)
    assert (board.pads.via == len(before.vias)).sum() == 4


def test_beside_a_trace_it_stands_as_near_as_the_spacing_lets_it(rules, sound):
    before = two_grounds(("SIG", 1, [(5, 10), (45, 10)])).build()
    board = add_via(before, rules, net="GND", at=(20e-3, 10e-3)).board
    sound(before, board)
    ((x, y),) = new_vias(before, board)
    wanted = 0.1e-3 + rules.spacing + 0.3e-3  # half the trace, the space, half the pad
    assert abs(y - 10e-3) == pytest.approx(wanted, abs=0.1e-3)
    assert abs(y - 10e-3) >= wanted - 1e-9
    assert x == pytest.approx(20e-3, abs=0.2e-3)


def test_without_room_it_says_so(rules):
    lines = [(f"S{i}", 1, [(15, 9 + 0.3 * i), (25, 9 + 0.3 * i)]) for i in range(8)]
    with pytest.raises(ChangeError, match=r"no via of GND fits within 0\.5 mm of 20\.0, 10\.0 mm"):
        add_via(two_grounds(*lines).build(), rules, net="GND", at=(20e-3, 10e-3), within=0.5e-3)


def test_it_must_meet_its_net_on_two_layers(rules):
    b = small_board(ground=(2,))
    b.via("GND", (2, 2))
    with pytest.raises(ChangeError, match="two layers"):
        add_via(b.build(), rules, net="GND", at=(20e-3, 10e-3))
    with pytest.raises(ChangeError, match="layers 1 and 2"):
        add_via(two_grounds().build(), rules, net="GND", at=(20e-3, 10e-3), layers=[0, 1])


def test_a_board_without_vias_does_not_tell_their_size(rules):
    board = small_board(ground=(2, 3)).build()
    with pytest.raises(ChangeError, match="drill_mm"):
        add_via(board, rules, net="GND", at=(20e-3, 10e-3))
    given_size = add_via(board, rules, net="GND", at=(20e-3, 10e-3), drill=0.25e-3, pad=0.5e-3).board
    assert given_size.vias.drill.tolist() == [0.25e-3]
    with pytest.raises(ChangeError, match="no wider"):
        add_via(board, rules, net="GND", at=(20e-3, 10e-3), drill=0.5e-3, pad=0.5e-3)


def test_areas_of_other_nets_give_way(rules, sound):
    b = two_grounds()
    b.net("3V3", kind="power")
    b.area("3V3", 4, rectangle(10, 5, 30, 15))
    before = b.build()
    board = add_via(before, rules, net="GND", at=(20e-3, 10e-3)).board
    sound(before, board)
    supply = board.areas.shape[board.areas.net == board.net_index["3V3"]]
    assert shapely.Point(20e-3, 10e-3).distance(shapely.union_all(supply)) >= 0.3e-3 + rules.spacing - 1e-6


POINT = st.tuples(st.integers(12, 28), st.integers(4, 16))


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    lines=st.lists(st.tuples(POINT, POINT, st.sampled_from([1, 4])), min_size=1, max_size=6),
    holes=st.lists(POINT, max_size=4, unique=True),
    at=st.tuples(st.floats(14, 26), st.floats(6, 14)),
)
def test_wherever_it_lands_it_is_really_free(lines, holes, at):
    rules = Rules(spacing=0.2e-3, width=0.1e-3, barrier=3e-3)
    b = two_grounds()
    for i, (start, end, layer) in enumerate(lines):
        if start != end:
            b.trace(f"S{i}", layer, [start, end])
    for i, place in enumerate(holes):
        b.hole(place, 1.0) if i % 2 else b.via(f"V{i}", place)
    before = b.build()
    try:
        board = add_via(before, rules, net="GND", at=(at[0] * 1e-3, at[1] * 1e-3), within=4e-3).board
    except ChangeError:
        return
    ((x, y),) = new_vias(before, board)
    pad = shapely.Point(x, y).buffer(0.3e-3)
    assert np.hypot(x - at[0] * 1e-3, y - at[1] * 1e-3) <= 4e-3 + 1e-9
    signal = before.traces.net != before.net_index["GND"]
    for line, width in zip(before.traces.lines[signal], before.traces.width[signal], strict=True):
        assert pad.distance(line) - width / 2 >= rules.spacing - 2e-6
    for hx, hy, drill, plated in zip(before.vias.x, before.vias.y, before.vias.drill, before.vias.plated, strict=True):
        apart = np.hypot(x - hx, y - hy)
        assert apart >= 0.15e-3 + drill / 2 + HOLE_TO_HOLE - 1e-9
        if not plated:
            assert apart >= 0.3e-3 + drill / 2 + rules.spacing - 2e-6


def test_stitching_keeps_its_pitch_and_adds_nothing_twice(rules, sound):
    before = two_grounds(("SIG", 1, [(5, 10), (45, 10)])).build()
    board = stitch(before, rules, net="GND", pitch=5e-3).board
    sound(before, board)
    places = np.array(new_vias(before, board))
    assert 45 <= len(places) <= 60
    apart = np.hypot(*np.moveaxis(places[:, None] - places[None], -1, 0)) + np.eye(len(places))
    assert apart.min() >= 2.4e-3  # each may stand up to half the pitch beside its grid point, towards another
    with pytest.raises(ChangeError, match="already"):
        stitch(board, rules, net="GND", pitch=10e-3, box=(20e-3, 12e-3, 30e-3, 20e-3))
    with pytest.raises(ChangeError, match="take up"):
        stitch(before, rules, net="GND", pitch=0.3e-3)


def test_stitching_along_the_edge_stays_at_the_edge(rules, sound):
    before = two_grounds().build()
    board = stitch(before, rules, net="GND", pitch=4e-3, edge=True).board
    sound(before, board)
    inner = shapely.box(4e-3, 4e-3, 46e-3, 26e-3)
    places = new_vias(before, board)
    assert len(places) > 25
    assert not any(inner.contains(shapely.Point(p)) for p in places)


def test_a_finger_is_tied_in_its_own_copper(rules, sound):
    b = two_grounds()
    b.area("GND", 1, rectangle(10, 20, 30, 21))
    before = b.build()
    board = tie_fingers(before, rules, net="GND", layer=0, at=[(10e-3, 20.5e-3), (20e-3, 20.5e-3)]).board
    sound(before, board)
    finger = shapely.box(10e-3, 20e-3, 30e-3, 21e-3)
    assert len(new_vias(before, board)) == 2
    assert all(finger.contains(shapely.Point(p).buffer(0.15e-3)) for p in new_vias(before, board))
    with pytest.raises(ChangeError, match="no via of GND fits"):
        tie_fingers(before, rules, net="GND", layer=0, at=[(40e-3, 25e-3)])
