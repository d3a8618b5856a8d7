"""What else makes a board of a set: holes and their pads, outline, stackup, masks, parts."""

from __future__ import annotations

import importlib.util
import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.board import Board

_spec = importlib.util.spec_from_file_location("gerber_files", Path(__file__).with_name("gerber_files.py"))
assert _spec is not None
assert _spec.loader is not None
gerber = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(gerber)
MM = 1e-3


def assumed(board: Board) -> dict[str, float | str]:
    return {a.what: a.value for a in board.assumptions}


def layers(count: int, body: str = "") -> dict[str, str]:
    body = body or gerber.line(1, 1, 9, 1)
    files = {"l1.gbr": gerber.top(body)}
    files |= {f"l{n}.gbr": gerber.inner(body, n) for n in range(2, count)}
    return files | {f"l{count}.gbr": gerber.bottom(body, count)}


# ---- holes -------------------------------------------------------------------------------------------


def test_pads_belong_to_the_hole_at_their_middle(tmp_path: Path) -> None:
    """Drill files round: 10 µm off is the same place. A surface pad with a via in it keeps to itself."""
    body = gerber.flash(5, 5) + "%TA.AperFunction,SMDPad,CuDef*%\n%ADD20R,3X3*%\n%TD*%\n" + gerber.flash(5, 5, 20)
    files = layers(2, body + gerber.flash(20, 5)) | {"d.drl": gerber.drill((5.01, 5))}
    board = gerber.read(tmp_path, files)
    held = {
        (round(board.pads.shape[i].area / MM**2, 1), int(board.pads.layer[i]))
        for i in np.flatnonzero(board.pads.via == 0)
    }
    assert held == {(0.3, 0), (0.3, 1)}


def test_a_hole_without_a_pad_at_its_middle_takes_the_pad_it_lies_in(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, layers(2, gerber.flash(5, 5, 12)) | {"d.drl": gerber.drill((5.3, 5.2))})
    assert board.pads.via.tolist() == [0, 0]


def test_holes_of_which_nothing_says_whether_they_are_plated(tmp_path: Path) -> None:
    """Copper round them says it: a pad, a wide stroke, a plane; bare holes are not."""
    body = gerber.flash(5, 5) + gerber.line(10, 5, 20, 5, 11) + gerber.box(25, 10, 35, 25)
    places = ((5, 5), (15, 5), (30, 20), (2, 25))
    board = gerber.read(tmp_path, layers(2, body) | {"d.drl": gerber.drill(*places, kind="")})
    found = dict(zip(board.vias.x.round(6).tolist(), board.vias.plated.tolist(), strict=True))
    assert found == {0.005: True, 0.015: True, 0.03: True, 0.002: False}
    assert assumed(board)["plated holes"] == "3 of 4"


def test_names_of_drill_files_say_what_attributes_do_not(tmp_path: Path) -> None:
    files = layers(3, gerber.flash(5, 5)) | {
        "x-front-in1.drl": gerber.drill((5, 5), kind=""),
        "x-NPTH.drl": gerber.drill((9, 9), diameter=3.0, kind=""),
    }
    vias = gerber.read(tmp_path, files).vias
    assert [*zip(vias.first.tolist(), vias.last.tolist(), vias.plated.tolist(), strict=True)] == [
        (0, 1, True),
        (0, 2, False),
    ]


def test_slots_keep_their_ends(tmp_path: Path) -> None:
    body = "M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC\nT1C0.6\n%\nT1\nX5.0Y5.0G85X7.0Y5.0\nM30\n"
    vias = gerber.read(tmp_path, layers(2) | {"d.drl": body}).vias
    assert_allclose([vias.x[0], vias.x1[0], vias.drill[0]], np.array([5, 7, 0.6]) * MM)


def test_a_routed_contour_that_nobody_plates_is_left_to_the_profile(tmp_path: Path) -> None:
    body = "M48\nMETRIC\nT1C2.0\n%\nT1\nG00X0.0Y0.0\nM15\nG01X40.0Y0.0\nX40.0Y30.0\nX0.0Y0.0\nM16\nM30\n"
    board = gerber.read(tmp_path, layers(2) | {"route.drl": body})
    assert len(board.vias) == 0
    assert any(u.what == "routed contours in route.drl" for u in board.unread)


def test_a_hole_in_two_files_is_one(tmp_path: Path) -> None:
    files = layers(2, gerber.flash(5, 5)) | {"a.drl": gerber.drill((5, 5)), "b.drl": gerber.drill((5, 5), kind="")}
    board = gerber.read(tmp_path, files)
    assert board.vias.plated.tolist() == [True]
    assert any("twice at the same place, each taken once: 1" in p for p in board.problems)


def test_a_gerber_file_may_be_the_drill_layer(tmp_path: Path) -> None:
    text = gerber.layer(gerber.flash(5, 5, 10) + gerber.line(9, 9, 11, 9, 10), function="Plated,1,2,PTH")
    vias = gerber.read(tmp_path, layers(2, gerber.flash(5, 5)) | {"holes.gbr": text}).vias
    assert_allclose(vias.drill, 0.2 * MM)
    assert (vias.x != vias.x1).tolist() == [False, True]


def test_a_span_beyond_the_board_is_told(tmp_path: Path) -> None:
    files = layers(2, gerber.flash(5, 5)) | {"d.drl": gerber.drill((5, 5), kind="Plated,1,6,PTH")}
    board = gerber.read(tmp_path, files)
    assert board.vias.last.tolist() == [1]
    assert "d.drl joins layers 1 to 6, and the set has 2." in board.problems


# ---- outline -----------------------------------------------------------------------------------------


def test_openings_inside_the_profile_are_cut_out(tmp_path: Path) -> None:
    corners = [(0, 0), (40, 0), (40, 30), (0, 30), (0, 0)]
    sides = [(*a, *b) for a, b in itertools.pairwise(corners)]
    hole = [(10, 10), (20, 10), (20, 20), (10, 20), (10, 10)]
    sides += [(*a, *b) for a, b in itertools.pairwise(hole)]
    outline = gerber.read(tmp_path, layers(2) | {"edge.gbr": gerber.profile(*sides)}).outline
    assert outline.area == pytest.approx((1200 - 100) * MM**2)
    assert len(outline.interiors) == 1


def test_arcs_of_the_profile(tmp_path: Path) -> None:
    body = gerber.line(0, 0, 40, 0) + "D10*\nX400000Y0D02*\nG03*\nX400000Y300000I0J150000D01*\nG01*\n"
    body += gerber.line(40, 30, 0, 30) + gerber.line(0, 30, 0, 0)
    board = gerber.read(tmp_path, layers(2) | {"edge.gbr": gerber.layer(body, function="Profile,NP")})
    assert board.outline.area == pytest.approx((1200 + np.pi * 15**2 / 2) * MM**2, rel=1e-4)


@pytest.mark.parametrize(("gap", "told"), [(0.0005, False), (0.05, True), (0.3, True)])
def test_gaps_in_the_profile_are_closed_and_wide_ones_told(tmp_path: Path, gap: float, told: bool) -> None:
    edge = gerber.profile((0, 0, 40, 0), (40, gap, 40, 30), (40, 30, 0, 30), (0, 30, 0, 0))
    board = gerber.read(tmp_path, layers(2) | {"edge.gbr": edge})
    assert board.outline.area == pytest.approx(1200 * MM**2, rel=0.02)
    assert any("has gaps" in p for p in board.problems) is told


def test_lines_in_the_profile_that_enclose_nothing_are_left_out(tmp_path: Path) -> None:
    sides = [(0, 0, 40, 0), (40, 0, 40, 30), (40, 30, 0, 30), (0, 30, 0, 0), (5, 5, 9, 9)]
    board = gerber.read(tmp_path, layers(2) | {"edge.gbr": gerber.profile(*sides)})
    assert board.outline.area == pytest.approx(1200 * MM**2)
    assert any(u.what == "lines of the profile" and u.count == 1 for u in board.unread)


def test_a_filled_profile_counts_as_well(tmp_path: Path) -> None:
    edge = gerber.layer(gerber.box(0, 0, 40, 30), function="Profile,NP")
    assert gerber.read(tmp_path, layers(2) | {"edge.gbr": edge}).outline.area == pytest.approx(1200 * MM**2)


def test_without_a_profile_a_box_round_the_copper_that_hangs_on_holes(tmp_path: Path) -> None:
    """A title far off, on which no hole or pin hangs, is no board."""
    body = gerber.flash(5, 5) + gerber.line(5, 5, 25, 15) + gerber.line(100, 100, 120, 100)
    files = layers(2, body) | {"d.drl": gerber.drill((5, 5)), "edge.gbr": gerber.layer("", function="Legend,Top")}
    board = gerber.read(tmp_path, files)
    assert_allclose(np.array(board.outline.bounds) / MM, (4.6, 4.6, 25.2, 15.2), atol=0.01)
    assert "board outline" in assumed(board)
    assert len(board.traces) == 2
    assert any(u.what == "net-less copper off the board" and u.count == 2 for u in board.unread)


def test_the_netlists_edge_where_no_profile_is(tmp_path: Path) -> None:
    text = (
        "P  UNITS CUST 1\n317GND              VIA        D0300PA00X+005000Y+005000\n"
        "317GND              VIA        D0300PA00X+025000Y+015000\n"
        "389BOARD_EDGE         X0Y0 X40000 Y30000 X0\n999\n"
    )
    body = gerber.flash(5, 5) + gerber.flash(25, 15)
    files = layers(2, body) | {"d.drl": gerber.drill((5, 5), (25, 15)), "n.ipc": text}
    files["edge.gbr"] = gerber.layer("", function="Legend,Top")
    assert gerber.read(tmp_path, files).outline.area == pytest.approx(1200 * MM**2)


# ---- stackup -----------------------------------------------------------------------------------------


def job(stackup: list[dict[str, object]], **specs: object) -> str:
    return json.dumps({"GeneralSpecs": specs, "MaterialStackup": stackup})


FULL = [
    {"Type": "SolderMask", "Thickness": 0.02, "DielectricConstant": 3.3, "LossTangent": 0.01},
    {"Type": "Copper", "Name": "TOP", "Thickness": 0.0432},
    {"Type": "Dielectric", "Thickness": 0.1, "DielectricConstant": 3.23, "LossTangent": 0.02, "Material": "P1"},
    {"Type": "Dielectric", "Thickness": 0.3, "DielectricConstant": 4.5, "LossTangent": 0.01, "Material": "P2"},
    {"Type": "Copper", "Name": "BOTTOM", "Thickness": 0.0432},
]


def test_the_job_files_stackup(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, layers(2) | {"x.gbrjob": job(FULL)})
    assert [layer.name for layer in board.layers] == ["TOP", "BOTTOM"]
    assert board.layers[0].thickness == pytest.approx(43.2e-6)
    (sheet,) = board.dielectrics
    assert sheet.thickness == pytest.approx(0.4 * MM)
    assert sheet.er == pytest.approx(0.4 / (0.1 / 3.23 + 0.3 / 4.5))
    assert sheet.material == "P1 + P2"
    assert board.mask_top is not None
    assert (board.mask_top.er, board.mask_bottom) == (3.3, None)
    assert list(assumed(board)) == ["conductivity of copper layers"]


def test_without_figures_they_are_assumed_by_layer_count_and_thickness(tmp_path: Path) -> None:
    sheets: list[dict[str, object]] = [{"Type": "Copper"}]
    for _ in range(3):
        sheets += [{"Type": "Dielectric", "Material": "FR4"}, {"Type": "Copper"}]
    board = gerber.read(tmp_path, layers(4) | {"x.gbrjob": job(sheets, BoardThickness=1.0)})
    copper = 2 * 0.035 + 2 * 0.0175
    assert_allclose([d.thickness / MM for d in board.dielectrics], [0.2, 1.0 - copper - 0.4, 0.2])
    told = assumed(board)
    assert told["dielectric constant between l1 and l2"] == 4.3
    assert told["dielectric thickness between l2 and l3"] == pytest.approx(1.0 - copper - 0.4)


def test_many_layers_share_the_thickness_equally(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, layers(10))
    assert np.ptp([d.thickness for d in board.dielectrics]) == 0
    assert board.thickness == pytest.approx(1.6 * MM)


def test_a_stackup_of_another_layer_count_is_not_used(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, layers(4) | {"x.gbrjob": job(FULL)})
    assert any("has 2 copper layers and the set has 4: it was not used" in p for p in board.problems)


def test_mask_files_make_masks(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, layers(2) | {"m.gbr": gerber.layer("", function="Soldermask,Bot")})
    assert (board.mask_top is None, board.mask_bottom is None) == (True, False)
    assert assumed(board)["thickness of solder mask bottom"] == 20.0


def test_layer_names_are_what_differs_between_the_files(tmp_path: Path) -> None:
    files = {
        "proj-F.Cu.gbr": gerber.top(gerber.line(1, 1, 9, 1)),
        "proj-B.Cu.gbr": gerber.bottom(gerber.line(1, 1, 9, 1)),
    }
    assert [layer.name for layer in gerber.read(tmp_path, files).layers] == ["F.Cu", "B.Cu"]


# ---- parts -------------------------------------------------------------------------------------------


def test_a_set_without_a_drill_file_says_so(tmp_path: Path) -> None:
    files = {
        "top.gbr": gerber.top(gerber.flash(5, 5)),
        "bottom.gbr": gerber.layer(gerber.flash(5, 5), function="Copper,L2,Bot"),
    }
    bare = gerber.read(tmp_path / "bare", files)
    assert any("No drill file" in p for p in bare.problems)
    drilled = gerber.read(tmp_path / "drilled", {**files, "d.drl": gerber.drill((5, 5))})
    assert not any("No drill file" in p for p in drilled.problems)


def test_parts_lie_at_the_mean_of_their_pins_on_the_side_of_their_pads(tmp_path: Path) -> None:
    bottom = gerber.pin("C1", "1", gerber.flash(10, 10)) + gerber.pin("C1", "2", gerber.flash(12, 10))
    board = gerber.read(tmp_path, {"t.gbr": gerber.top(gerber.line(1, 1, 2, 1)), "b.gbr": gerber.bottom(bottom)})
    assert board.parts.ref.tolist() == ["C1"]
    assert_allclose([board.parts.x[0], board.parts.y[0]], np.array([11, 10]) * MM)
    assert board.parts.side.tolist() == [1]
    assert assumed(board)["places of parts"] == "mean of their pins"


def test_a_part_of_which_no_pad_is_left_is_told(tmp_path: Path) -> None:
    body = "%TO.P,R1,1*%\n" + gerber.flash(5, 5) + "%TD*%\n%LPC*%\n" + gerber.flash(5, 5, 11) + "%LPD*%\n"
    board = gerber.read(tmp_path, layers(2, body + gerber.line(1, 1, 9, 1)))
    assert board.parts.ref.tolist() == []
    assert [u.what for u in board.unread] == ["part R1"]


def test_component_layers_place_parts_with_value_package_and_rotation(tmp_path: Path) -> None:
    said = "%TO.C,R1*%\n%TO.CRot,90*%\n%TO.CVal,33 ohm*%\n%TO.CPkg,0603*%\n"
    parts = gerber.layer(said + gerber.flash(11, 10.5, 10) + "%TD*%\n", function="Component,L1,Top")
    top = gerber.pin("R1", "1", gerber.flash(10, 10)) + gerber.pin("R1", "2", gerber.flash(12, 10))
    board = gerber.read(tmp_path, layers(2) | {"l1.gbr": gerber.top(top), "parts.gbr": parts})
    p = board.parts
    assert (p.ref[0], p.value[0], p.package[0], p.side[0]) == ("R1", "33 ohm", "0603", 0)
    assert_allclose([p.x[0], p.y[0], p.rotation[0]], [11 * MM, 10.5 * MM, np.pi / 2])
    assert "places of parts" not in assumed(board)


def test_one_pin_has_its_pads_on_all_layers_and_its_hole(tmp_path: Path) -> None:
    pad = gerber.pin("J1", "3", gerber.flash(5, 5))
    board = gerber.read(tmp_path, layers(2, pad) | {"d.drl": gerber.drill((5, 5), diameter=0.4)})
    assert len(board.pins) == 1
    assert board.pins.layer.tolist() == [-1]
    assert (board.vias.pin.tolist(), board.pads.pin.tolist()) == ([0], [0, 0])


def test_the_third_field_of_a_pin_attribute_says_what_the_pin_is_for(tmp_path: Path) -> None:
    """Gerber Layer Format Specification 2024.05 on .P (from memory): %TO.P,<refdes>,<number>[,<function>]*%."""
    pads = gerber.pin("U1", "A4,VBUS", gerber.flash(5, 5)) + gerber.pin("U1", "A5", gerber.flash(8, 5))
    board = gerber.read(tmp_path, layers(2, pads))
    assert set(board.pins.name.tolist()) == {"A4", "A5"}
    assert board.pin_functions == {("U1", "A4"): "VBUS"}


def test_pads_of_one_pin_name_apart_are_pins_apart_and_touching_ones_are_one(tmp_path: Path) -> None:
    apart = gerber.pin("J1", "S", gerber.flash(5, 5) + gerber.flash(15, 5))
    joined = gerber.pin("U1", "EP", gerber.flash(25, 5, 12) + gerber.flash(25.3, 5))
    board = gerber.read(tmp_path, layers(2) | {"l1.gbr": gerber.top(apart + joined)})
    assert [board.pin_label(i) for i in range(len(board.pins))] == ["J1.S", "J1.S", "U1.EP"]
