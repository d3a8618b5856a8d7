"""Stackups of IPC-2581: materials by any road, what is merged, what is assumed and said. Lengths are millimetres."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from quietcopper.board import Board, Mask
from quietcopper.formats.ipc2581.counts import MAX_KINDS

_spec = importlib.util.spec_from_file_location("ipc2581_text", Path(__file__).with_name("ipc2581_text.py"))
assert _spec is not None
assert _spec.loader is not None
ipc = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(ipc)

Read = Callable[..., Board]
MM = 1e-3


def assumed(board: Board) -> dict[str, float | str]:
    return {a.what: a.value for a in board.assumptions}


def listed(*sheets: tuple[str, float, str], attributes: str = 'overallThickness="1.6"') -> str:
    """A Stackup of (name, thickness, what is inside)."""
    rows = "".join(
        f'<StackupLayer layerOrGroupRef="{name}" thickness="{thickness}">{inner}</StackupLayer>'
        for name, thickness, inner in sheets
    )
    return f'<Stackup {attributes}><StackupGroup name="G">{rows}</StackupGroup></Stackup>'


def layers(**functions: str) -> str:
    names = list(functions)
    sides = {names[0]: "TOP", names[-1]: "BOTTOM"}
    return "".join(
        f'<Layer name="{name}" layerFunction="{functions[name]}" side="{sides.get(name, "INTERNAL")}"/>'
        for name in names
    )


def test_materials_through_specs(read: Read) -> None:
    """Permittivity with its frequency, loss, name of the material, conductivity in siemens a centimetre."""
    specs = """<Spec name="LAM"><General type="MATERIAL"><Property text="R-5775"/></General>
    <Dielectric type="DIELECTRIC_CONSTANT"><Property value="3.61" refUnit="GHZ" refValue="10"/></Dielectric>
    <Dielectric type="LOSS_TANGENT"><Property text="0.004"/></Dielectric></Spec>
    <Spec name="CU"><Conductor type="CONDUCTIVITY"><Property value="595900" unit="MHO/CM"/></Conductor></Spec>"""
    copper = '<SpecRef id="CU"/>'
    board = read(
        stackup=listed(("TOP", 0.035, copper), ("CORE", 1.5, '<SpecRef id="LAM"/>'), ("BOT", 0.035, copper)),
        specs=specs,
    )
    sheet = board.dielectrics[0]
    assert (sheet.er, sheet.tan_d, sheet.material, sheet.frequency) == (3.61, 0.004, "R-5775", 10e9)
    assert [layer.conductivity for layer in board.layers] == [59_590_000.0] * 2
    assert board.assumptions == ()


def test_materials_through_other_attributes(read: Read) -> None:
    """As some files of revision A have them, and as a hand-written one has."""
    loose = """<NonstandardAttribute name="LAYER_DIELECTRIC_CONSTANT" value="4.5" type="DOUBLE"/>
    <NonstandardAttribute name="LAYER_LOSS_TANGENT" value="0.035" type="DOUBLE"/>"""
    copper = '<NonstandardAttribute name="ELECTRICAL_CONDUCTIVITY" value="580000 mho/cm" type="STRING"/>'
    board = read(stackup=listed(("TOP", 0.035, copper), ("CORE", 1.5, loose), ("BOT", 0.035, copper)))
    assert (board.dielectrics[0].er, board.dielectrics[0].tan_d) == (4.5, 0.035)
    assert board.layers[0].conductivity == 5.8e7
    inner = '<Dielectric epsilonR="4.4" lossTangent="0.01" material="FR-4"/>'
    board = read(stackup=listed(("TOP", 0.035, ""), ("CORE", 1.5, inner), ("BOT", 0.035, "")))
    assert (board.dielectrics[0].er, board.dielectrics[0].tan_d, board.dielectrics[0].material) == (4.4, 0.01, "FR-4")


def test_sheets_in_series_are_merged(read: Read) -> None:
    """Core and prepreg as capacitors in series: t/er adds, loss weighs by it."""
    specs = "".join(
        f'<Spec name="{n}"><Dielectric type="DIELECTRIC_CONSTANT"><Property value="{er}"/></Dielectric>'
        f'<Dielectric type="LOSS_TANGENT"><Property value="{loss}"/></Dielectric></Spec>'
        for n, er, loss in (("A", 4.0, 0.02), ("B", 3.0, 0.01))
    )
    named = layers(TOP="SIGNAL", PP="DIELPREG", CORE="DIELCORE", BOT="SIGNAL")
    stackup = listed(
        ("TOP", 0.035, ""), ("PP", 0.2, '<SpecRef id="A"/>'), ("CORE", 0.6, '<SpecRef id="B"/>'), ("BOT", 0.035, "")
    )
    sheet = read(layers=named, stackup=stackup, specs=specs).dielectrics[0]
    elastance = 0.2 / 4 + 0.6 / 3
    assert_allclose(
        [sheet.thickness, sheet.er, sheet.tan_d],
        [0.8 * MM, 0.8 / elastance, (0.2 / 4 * 0.02 + 0.6 / 3 * 0.01) / elastance],
        rtol=1e-12,
    )


def test_what_is_missing_is_assumed_and_said(read: Read) -> None:
    """Copper by its place, the dielectrics' share of the stated thickness, permittivity and loss."""
    named = layers(TOP="SIGNAL", IN1="PLANE", IN2="PLANE", BOT="SIGNAL")
    board = read(layers=named, stackup=listed(("TOP", 0, ""), ("IN1", 0, ""), ("IN2", 0, ""), ("BOT", 0, "")))
    assert [layer.thickness for layer in board.layers] == [35e-6, 17.5e-6, 17.5e-6, 35e-6]
    assert_allclose([d.thickness for d in board.dielectrics], (1.6 - 0.105) / 3 * MM)
    assert {d.er for d in board.dielectrics} == {4.3}
    said = assumed(board)
    assert said["copper thickness of layer IN1"] == 17.5
    assert said["dielectric thickness between IN1 and IN2"] == pytest.approx(0.49833, abs=1e-4)
    assert len([w for w in said if w.startswith("dielectric constant")]) == 3
    assert len([w for w in said if w.startswith("loss tangent")]) == 3


def test_one_gap_without_thickness_gets_the_rest(read: Read) -> None:
    named = layers(TOP="SIGNAL", D1="DIELCORE", IN1="PLANE", D2="DIELCORE", BOT="SIGNAL")
    stackup = listed(("TOP", 0.035, ""), ("D1", 0.2, ""), ("IN1", 0.035, ""), ("D2", 0, ""), ("BOT", 0.035, ""))
    board = read(layers=named, stackup=stackup)
    assert_allclose([d.thickness / MM for d in board.dielectrics], [0.2, 1.6 - 0.2 - 0.105])
    assert "dielectric constant between IN1 and BOT" in assumed(board)


def test_no_stackup_at_all(read: Read) -> None:
    """Copper layers in the order of the file, top first and bottom last, on a board of 1.6 mm."""
    named = '<Layer name="B" layerFunction="SIGNAL" side="BOTTOM"/><Layer name="M" layerFunction="MIXED"/>'
    named += '<Layer name="TOP" layerFunction="CONDUCTOR" side="TOP"/>'
    board = read(layers=named, stackup="")
    assert [layer.name for layer in board.layers] == ["TOP", "M", "B"]
    assert board.thickness == pytest.approx(1.6 * MM)
    assert board.problems[0] == "The file has no stackup: thicknesses and materials are assumed."


def test_one_copper_layer(read: Read) -> None:
    board = read(layers='<Layer name="TOP" layerFunction="SIGNAL" side="TOP"/>', stackup="")
    assert (len(board.layers), board.dielectrics) == (1, ())


def test_a_dielectric_that_calls_itself_conductor(read: Read) -> None:
    """By name or by its material, with nothing drawn on it: a dielectric. With copper drawn on it, copper."""
    named = layers(TOP="CONDUCTOR", DIEL_1="CONDUCTOR", BOT="CONDUCTOR")
    stackup = listed(("TOP", 0.035, ""), ("DIEL_1", 1.5, ""), ("BOT", 0.035, ""))
    board = read(layers=named, stackup=stackup)
    assert [layer.name for layer in board.layers] == ["TOP", "BOT"]
    assert board.dielectrics[0].thickness == 1.5e-3
    assert board.problems == (
        "Layer DIEL_1 is CONDUCTOR by function but a dielectric by its name, and nothing is drawn on it: taken as a "
        "dielectric.",
    )
    board = read(ipc.TRACE + ipc.TRACE.replace("TOP", "DIEL_1"), layers=named, stackup=stackup)
    assert [layer.name for layer in board.layers] == ["TOP", "DIEL_1", "BOT"]


def test_layers_without_thickness_that_are_no_sheet_are_no_gap(read: Read) -> None:
    named = ipc.TWO_LAYERS + '<Layer name="PASTE" layerFunction="PASTEMASK" side="TOP"/>'
    stackup = listed(("PASTE", 0, ""), ("TOP", 0.035, ""), ("SILK", 0.02, ""), ("CORE", 1.5, ""), ("BOT", 0.035, ""))
    board = read(layers=named, stackup=stackup)
    assert board.dielectrics[0].thickness == 1.5e-3


def test_solder_mask_stated_listed_or_only_declared(read: Read) -> None:
    mask = '<Layer name="SM_{0}" layerFunction="SOLDERMASK" side="{0}"/>'
    named = ipc.TWO_LAYERS + mask.format("TOP") + mask.format("BOTTOM")
    specs = """<Spec name="SM"><Dielectric type="DIELECTRIC_CONSTANT"><Property value="3.8"/></Dielectric>
    <Dielectric type="LOSS_TANGENT"><Property value="0.03"/></Dielectric></Spec>"""
    sheets = (("SM_TOP", 0.025, '<SpecRef id="SM"/>'), ("TOP", 0.035, ""), ("CORE", 1.5, ""), ("BOT", 0.035, ""))
    board = read(layers=named, stackup=listed(*sheets), specs=specs)
    assert board.mask_top == Mask(0.025e-3, 3.8, 0.03)
    assert board.mask_bottom == Mask(20e-6, 3.5, 0.025)
    assert assumed(board)["thickness of solder mask SM_BOTTOM"] == pytest.approx(20)
    assert read().mask_top is None


def test_groups_in_groups_and_sequence(read: Read) -> None:
    stackup = """<Stackup><StackupGroup name="ALL"><StackupLayer layerOrGroupRef="BOT" thickness="0.03" sequence="3"/>
    <StackupLayer layerOrGroupRef="TOP" thickness="0.04" sequence="1"/>
    <StackupLayer layerOrGroupRef="INNER" thickness="0" sequence="2"/></StackupGroup>
    <StackupGroup name="INNER"><StackupLayer layerOrGroupRef="CORE" thickness="1.2"/></StackupGroup></Stackup>"""
    board = read(stackup=stackup)
    assert [layer.thickness for layer in board.layers] == [0.04e-3, 0.03e-3]
    assert board.dielectrics[0].thickness == 1.2e-3


def test_groups_one_after_the_other_are_one_stack(read: Read) -> None:
    rows = '<StackupGroup name="{}"><StackupLayer layerOrGroupRef="{}" thickness="{}"/></StackupGroup>'
    groups = "".join(rows.format(f"G{n}", n, t) for n, t in (("TOP", 0.035), ("CORE", 1.1), ("BOT", 0.035)))
    assert read(stackup=f"<Stackup>{groups}</Stackup>").dielectrics[0].thickness == 1.1e-3


def test_alternative_lists_the_one_of_the_step_holds(read: Read) -> None:
    rows = """<StackupGroup name="{}"><StackupLayer layerOrGroupRef="TOP" thickness="0.035"/>
    <StackupLayer layerOrGroupRef="CORE" thickness="{}"/><StackupLayer layerOrGroupRef="BOT" thickness="0.035"/>
    </StackupGroup>"""
    board = read(stackup=f"<Stackup>{rows.format('panel_list', 2)}{rows.format('board_list', 1)}</Stackup>")
    assert board.dielectrics[0].thickness == 1e-3
    assert "The stackup lists layers more than once; the list board_list was used." in board.problems


def test_one_of_several_stackups(read: Read) -> None:
    small = '<Stackup name="FLEX"><StackupGroup name="F"><StackupLayer layerOrGroupRef="TOP"/></StackupGroup></Stackup>'
    board = read(stackup=small + ipc.STACKUP)
    assert board.dielectrics[0].thickness == 1.53e-3
    assert [u.count for u in board.unread if u.what == "Stackup"] == [1]


def test_impossible_materials_are_told_and_assumed(read: Read) -> None:
    specs = """<Spec name="FR4"><Dielectric type="DIELECTRIC_CONSTANT"><Property value="0.2"/></Dielectric>
    <Dielectric type="LOSS_TANGENT"><Property value="-1"/></Dielectric></Spec>"""
    board = read(specs=specs)
    assert (board.dielectrics[0].er, board.dielectrics[0].tan_d) == (4.3, 0.02)
    assert [p for p in board.problems if "that cannot be, it is assumed" in p] == list(board.problems[:2])


def test_copper_that_the_stackup_does_not_list(read: Read) -> None:
    """Drawn on: it is put by its side and said. Not drawn on: it is no layer of the board."""
    extra = '<Layer name="{}" layerFunction="SIGNAL" side="BOTTOM"/>'
    named = ipc.TWO_LAYERS + extra.format("MORE") + extra.format("EMPTY")
    board = read(ipc.TRACE + ipc.TRACE.replace("TOP", "MORE"), layers=named)
    assert [layer.name for layer in board.layers] == ["TOP", "BOT", "MORE"]
    assert board.problems == (
        "Copper layers that the stackup does not list: MORE. They were put by their side.",
    )  # fmt: skip


def test_drill_layer_that_tells_of_missing_layers(read: Read) -> None:
    named = ipc.TWO_LAYERS + '<Layer name="DRILL_1-8" layerFunction="DRILL"/>'
    board = read(layers=named, content='<FunctionMode mode="ASSEMBLY"/>')
    assert (
        "Drill layer DRILL_1-8 goes through 8 layers, and the file has 2 of them: it was written for assembly."
        in (board.problems[0])
    )


def test_kinds_that_are_not_understood_have_an_end(read: Read) -> None:
    """A file of ten thousand different unknown elements does not give ten thousand lines."""
    board = read("".join(f"<X{i}/>" for i in range(1000)) + ipc.TRACE)
    assert len(board.unread) == MAX_KINDS + 1
    assert sum(u.count for u in board.unread) == 1000
