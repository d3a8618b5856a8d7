"""Filled copper given away, joined, closed and removed: what is joined, what is kept clear, what is said."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from quietcopper.build import chip, rectangle, small_board
from quietcopper.changes import ChangeError
from quietcopper.changes.areas import (
    area_to_net,
    close_openings,
    join_areas,
    remove_copper,
    set_dielectric,
    set_pour_gap,
)
from quietcopper.changes.vias import stitch
from quietcopper.electrical.tables import GROUND
from quietcopper.electrical.view import View


def areas_of(board, net, layer):
    rows = (board.areas.net == board.net_index[net]) & (board.areas.layer == layer)
    return board.areas.shape[rows]


def holes_of(board, net):
    rows = board.vias.net == board.net_index[net]
    return shapely.points(board.vias.x[rows], board.vias.y[rows])


def test_supplies_become_one_ground_tied_in_and_the_rest_stays_clear(split_board, rules, sound):
    changed = area_to_net(split_board, rules, layer=2, net="GND", nets=["3V3", "5V"])
    copper = sound(split_board, changed.board)
    (ground,) = areas_of(changed.board, "GND", 2)
    assert len(areas_of(changed.board, "3V3", 2)) == len(areas_of(changed.board, "5V", 2)) == 0
    # the split is filled from edge to edge of what both were
    assert ground.contains(shapely.box(29.7e-3, 1e-3, 30.3e-3, 39e-3))
    # ground's own holes are tied in, every other hole keeps its opening
    assert all(ground.intersects(p.buffer(1e-6)) for p in holes_of(changed.board, "GND"))
    for net in ("3V3", "5V", "DATA"):
        assert all(not ground.intersects(p) for p in holes_of(changed.board, net))
    group = copper.pieces.group[copper.piece_of_area]
    grounds = changed.board.areas.net == changed.board.net_index["GND"]
    assert len(set(group[grounds].tolist())) == 1


def test_openings_that_were_there_keep_their_size(split_board, rules):
    before = shapely.union_all(areas_of(split_board, "3V3", 2))
    (after,) = areas_of(area_to_net(split_board, rules, layer=2, net="GND", nets=["3V3", "5V"]).board, "GND", 2)
    (hole,) = holes_of(split_board, "DATA")
    assert after.distance(hole) == pytest.approx(before.distance(hole), abs=2e-6)


def test_one_whole_plane_changes_its_net_and_keeps_its_shape(rules):
    """Nothing is split and nothing of ground passes it: there is nothing to fill."""
    b = small_board(size_mm=(60.0, 40.0), layers=4, ground=(2,))
    b.area("VEE", 3, [(9, 5), (51, 5), (51, 35), (9, 35)])
    before = b.build()
    (old,) = areas_of(before, "VEE", 2)
    (new,) = areas_of(area_to_net(before, rules, layer=2, net="GND", nets=["VEE"]).board, "GND", 2)
    assert new.symmetric_difference(old).area < 1e-9 * old.area


def test_what_the_supplies_fed_is_said(split_board, rules):
    notes = " ".join(area_to_net(split_board, rules, layer=2, net="GND", nets=["3V3", "5V"]).notes)
    assert "wide traces" in notes
    assert "3V3 (1 pin)" in notes
    assert "5V (1 pin)" in notes


def test_the_board_that_was_given_is_left_alone(split_board, rules):
    shapes = [shapely.to_wkb(s) for s in split_board.areas.shape]
    counts = len(split_board.vias), len(split_board.pads)
    area_to_net(split_board, rules, layer=2, net="GND", nets=["3V3", "5V"], pitch=5e-3)
    assert [shapely.to_wkb(s) for s in split_board.areas.shape] == shapes
    assert (len(split_board.vias), len(split_board.pads)) == counts


def test_stitching_follows_where_it_is_asked_for(split_board, rules, sound):
    changed = area_to_net(split_board, rules, layer=2, net="GND", nets=["3V3", "5V"], pitch=6e-3)
    sound(split_board, changed.board)
    added = len(changed.board.vias) - len(split_board.vias)
    assert 40 <= added <= 70  # 60 by 40 mm at 6 mm: at most 10 by 6 places and a few beside them
    assert any(f"{added} vias" in note for note in changed.notes)


def test_only_the_named_nets_are_taken(split_board, rules, sound):
    board = area_to_net(split_board, rules, layer=2, net="GND", nets=["5V"]).board
    sound(split_board, board)
    assert len(areas_of(board, "3V3", 2)) == 1
    assert areas_of(board, "GND", 2)[0].distance(areas_of(board, "3V3", 2)[0]) >= 0.49e-3


def test_an_area_that_is_not_there_is_refused(split_board, rules):
    with pytest.raises(ChangeError, match=r"layer 1.* has no area of 5V"):
        area_to_net(split_board, rules, layer=0, net="GND", nets=["5V"])
    with pytest.raises(ChangeError, match="'GROUND' is not on this board"):
        area_to_net(split_board, rules, layer=2, net="GROUND", nets=["5V"])
    with pytest.raises(ChangeError, match="layer 9 is not on this board"):
        area_to_net(split_board, rules, layer=8, net="GND")


def regions(gap_mm):
    """Two ground regions on layer 2, that far apart, joined by a resistor."""
    b = small_board()
    b.part("R9", chip("0603"), (25, 15), nets=("GND", "GNDF"), value="0 ohm")
    b.drop("R9.1", (-6, 0))
    b.drop("R9.2", (6, 0))
    b.pour("GND", 2, rectangle(0.5, 0.5, 25 - gap_mm / 2, 29.5))
    b.pour("GNDF", 2, rectangle(25 + gap_mm / 2, 0.5, 49.5, 29.5))
    return b.build()


def test_two_grounds_become_one_net_everywhere(rules, sound):
    before = regions(0.8)
    changed = join_areas(before, rules, layer=1, nets=["GND", "GNDF"])
    sound(before, changed.board)
    assert "GNDF" not in changed.board.nets
    (area,) = areas_of(changed.board, "GND", 1)
    assert area.contains(shapely.box(24.5e-3, 1e-3, 25.5e-3, 29e-3))
    assert set(changed.board.pins.net.tolist()) == {changed.board.net_index["GND"]}
    assert any("R9" in note and "no use" in note for note in changed.notes)
    assert View(changed.board).roles[changed.board.net_index["GND"]].kind == GROUND


def test_what_looks_like_a_safety_barrier_is_never_joined(rules):
    with pytest.raises(ChangeError, match="safety barrier"):
        join_areas(regions(4.0), rules, layer=1, nets=["GND", "GNDF"])


def test_pieces_of_one_net_are_joined(rules, sound):
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.area("3V3", 3, rectangle(1, 1, 20, 29))
    b.area("3V3", 3, rectangle(20.4, 1, 49, 29))
    before = b.build()
    board = join_areas(before, rules, layer=2, nets=["3V3"]).board
    sound(before, board)
    assert len(areas_of(board, "3V3", 2)) == 1
    with pytest.raises(ChangeError, match="nothing to join"):
        join_areas(board, rules, layer=2, nets=["3V3"])


def test_openings_close_up_to_what_stands_in_them(rules, sound):
    b = small_board()
    b.via("SIG", (20, 15))
    b.pour("GND", 2, rectangle(0.5, 0.5, 49.5, 29.5), keep_islands=True, cut=[rectangle(10, 14.5, 40, 15.5)])
    before = b.build()
    board = close_openings(before, rules, layer=1, net="GND").board
    sound(before, board)
    (area,) = areas_of(board, "GND", 1)
    assert area.distance(shapely.Point(20e-3, 15e-3)) == pytest.approx(0.3e-3 + rules.spacing, abs=5e-6)
    assert area.contains(shapely.box(22e-3, 14.4e-3, 39e-3, 15.6e-3))
    with pytest.raises(ChangeError, match="no opening"):
        close_openings(small_board(ground=(2,)).build(), rules, layer=1, net="GND")


def test_lone_copper_goes_with_its_vias_and_copper_with_pins_does_not(rules, sound):
    b = small_board(ground=(2,))
    b.area("", 1, rectangle(10, 10, 20, 12))
    b.part("R1", chip("0402"), (30, 20), nets=("SIG", "GND"))
    b.area("SIG", 1, rectangle(26, 19.5, 29.8, 20.5))
    before = b.build()
    board = remove_copper(before, rules, layer=0, at=[(15e-3, 11e-3)]).board
    sound(before, board)
    assert len(board.areas) == len(before.areas) - 1
    with pytest.raises(ChangeError, match="holds pins"):
        remove_copper(before, rules, layer=0, at=[(27e-3, 20e-3)])
    with pytest.raises(ChangeError, match=r"no area at 40\.0, 25\.0 mm"):
        remove_copper(before, rules, layer=0, at=[(40e-3, 25e-3)])


def test_pour_keeps_its_new_distance_and_loose_scraps_go(rules, sound):
    b = small_board(ground=(2,))
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    b.pour("GND", 1, rectangle(5, 15.3, 45, 15.9), keep_islands=True)  # all of it within the new gap
    b.pour("GND", 1, rectangle(5, 10, 45, 14.7), keep_islands=True)
    b.via("GND", (25, 12))
    before = b.build()
    changed = set_pour_gap(before, rules, net="CLK", layer=0, gap=1e-3)
    sound(before, changed.board)
    trace = shapely.LineString([(5e-3, 15e-3), (45e-3, 15e-3)]).buffer(0.1e-3)
    assert min(trace.distance(s) for s in areas_of(changed.board, "GND", 0)) == pytest.approx(1e-3, abs=5e-6)
    with pytest.raises(ChangeError, match="no area lies within"):
        set_pour_gap(changed.board, rules, net="CLK", layer=0, gap=1e-3)


def test_a_dielectric_changes_and_the_thickness_of_the_board_is_said(split_board, rules):
    changed = set_dielectric(split_board, rules, upper=1, lower=2, thickness=0.2e-3, er=3.5)
    assert changed.board.distance(1, 2) == pytest.approx(0.2e-3)
    assert changed.board.dielectrics[1].er == 3.5
    assert changed.board.dielectrics[0] == split_board.dielectrics[0]
    assert any("mm thick instead of" in note for note in changed.notes)


def test_between_layers_that_are_no_neighbours_the_sheets_scale_alike(split_board, rules):
    board = set_dielectric(split_board, rules, upper=0, lower=2, thickness=0.8e-3).board
    assert board.distance(0, 2) == pytest.approx(0.8e-3)
    ratio = [a.thickness / b.thickness for a, b in zip(board.dielectrics, split_board.dielectrics, strict=True)]
    assert ratio[0] == pytest.approx(ratio[1])
    assert ratio[2] == 1.0
    for wrong in ({"upper": 2, "lower": 1, "thickness": 1e-3}, {"upper": 0, "lower": 2, "thickness": 20e-6}):
        with pytest.raises(ChangeError):
            set_dielectric(split_board, rules, **wrong)


def test_edits_give_the_same_board_every_time(split_board, rules):
    def bytes_of(board):
        shapes = [shapely.to_wkb(s) for s in board.areas.shape]
        return shapes, np.round(board.vias.x, 12).tolist(), np.round(board.vias.y, 12).tolist()

    one, two = (
        stitch(area_to_net(split_board, rules, layer=2, net="GND").board, rules, net="GND", pitch=7e-3).board
        for _ in range(2)
    )
    assert bytes_of(one) == bytes_of(two)
