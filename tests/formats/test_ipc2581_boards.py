"""Pads, holes, parts and nets of IPC-2581, one small file a case. Lengths in the files are millimetres."""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from quietcopper.board import Board

_spec = importlib.util.spec_from_file_location("ipc2581_text", Path(__file__).with_name("ipc2581_text.py"))
assert _spec is not None
assert _spec.loader is not None
ipc = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(ipc)

Read = Callable[..., Board]
MM = 1e-3


# ---- pads, holes, stacks -------------------------------------------------------------------------


def test_pad_turned_and_mirrored(read: Read) -> None:
    """1.0 x 0.5 turned by 90° stands upright; by 30° and mirrored it leans the other way."""
    pad = '<Pad><Xform {}/><Location x="10" y="10"/><StandardPrimitiveRef id="RECT"/></Pad>'
    board = read(
        ipc.on_top(pad.format('rotation="90"') + pad.format('rotation="30" mirror="true"')), content=ipc.PAD_DICTIONARY
    )
    assert_allclose(np.ptp(np.array(board.pads.shape[0].bounds).reshape(2, 2), axis=0) / MM, (0.5, 1.0), rtol=1e-9)
    c, s = math.cos(math.pi / 6), math.sin(math.pi / 6)
    corners = [(-(c * x - s * y), s * x + c * y) for x, y in ((0.5, 0.25), (-0.5, 0.25), (-0.5, -0.25), (0.5, -0.25))]
    leaning = shapely.Polygon([(10 * MM + x * MM, 10 * MM + y * MM) for x, y in corners])
    assert shapely.equals_exact(shapely.normalize(board.pads.shape[1]), shapely.normalize(leaning), 1e-12)


def test_pad_stack_of_the_step(read: Read) -> None:
    """Hole with span, pads by layer with their own turn, mask pads passed over; the same hole listed again."""
    stack = """<PadStack net="A"><LayerHole name="V1" diameter="0.3" platingStatus="VIA" x="5" y="5">
    <Span fromLayer="TOP" toLayer="BOT"/></LayerHole>
    <LayerPad layerRef="TOP"><Xform rotation="90"/><Location x="5" y="5"/><StandardPrimitiveRef id="RECT"/></LayerPad>
    <LayerPad layerRef="BOT"><Location x="5" y="5"/><StandardPrimitiveRef id="DISC"/></LayerPad>
    <LayerPad layerRef="SILK"><Location x="5" y="5"/><StandardPrimitiveRef id="DISC"/></LayerPad>
    <LayerPad layerRef="NONE"><Location x="5" y="5"/><StandardPrimitiveRef id="DISC"/></LayerPad></PadStack>"""
    board = read(stack + ipc.hole(5, 5), content=ipc.PAD_DICTIONARY)
    assert (len(board.vias), board.vias.net[0], len(board.pads)) == (1, 1, 2)
    assert board.pads.via.tolist() == [0, 0]
    assert board.pads.shape[0].bounds[2] / MM == pytest.approx(5.25)
    assert ipc.unread(board, "drawings on SILKSCREEN layers") == 1
    assert ipc.unread(board, "LayerPad on a layer that is not declared") == 1
    assert ipc.unread(board, "Hole that a PadStack gives as well") == 1


SIX = "".join(
    f'<Layer name="L{i}" layerFunction="SIGNAL" side="{"TOP" if i == 1 else "BOTTOM" if i == 6 else "INTERNAL"}"/>'
    for i in range(1, 7)
)


def test_blind_buried_and_unknown_spans(read: Read) -> None:
    spans = {"D1": ("L1", "L2"), "D2": ("L5", "L3"), "D3": ("L1", "PAPER")}
    layers = SIX + "".join(
        f'<Layer name="{n}" layerFunction="DRILL"><Span fromLayer="{a}" toLayer="{b}"/></Layer>'
        for n, (a, b) in spans.items()
    )
    step = "".join(ipc.hole(x, 5, layer=name) for x, name in zip((5, 6, 7), spans, strict=True))
    board = read(step, layers=layers, stackup="")
    assert list(zip(board.vias.first.tolist(), board.vias.last.tolist(), strict=True)) == [(0, 1), (2, 4), (0, 5)]
    assert ipc.unread(board, "hole span between layers that are no copper") == 1


def test_hole_without_net_takes_it_from_physical_point_then_pad(read: Read) -> None:
    points = """<PhyNetGroup><PhyNet name="P"><PhyNetPoint x="5" y="5" layerRef="TOP" via="TRUE"/>
    <PhyNetPoint x="7" y="7" layerRef="TOP"/></PhyNet></PhyNetGroup>"""
    pads = "".join(f'<Pad><Location x="{x}" y="5"/><Circle diameter="0.6"/></Pad>' for x in (5, 6))
    step = (
        points
        + ipc.on_top(pads, 'net="A"')
        + "".join(ipc.hole(x, 5) for x in (5, 6, 7))
        + ipc.hole(6.5, 9, net="No Net")
    )
    board = read(step)
    assert [board.nets[n] for n in board.vias.net] == ["P", "A", "", ""]
    assert "Holes with another net than the pads on them, where the hole's statement holds: 1." in board.problems


def test_offset_pad_still_finds_its_hole(read: Read) -> None:
    pad = '<Pad><Location x="5.4" y="5"/><Oval width="2" height="0.8"/></Pad>'
    board = read(ipc.on_top(pad) + ipc.hole(5, 5))
    assert board.pads.via.tolist() == [0]
    assert board.vias.net[0] == board.pads.net[0]


def test_slots(read: Read) -> None:
    """A stroke, an oval turned by 90° and a rectangle outline, each as two ends and a width."""
    common = 'name="S" platingStatus="PLATED" plusTol="0" minusTol="0"'
    slots = f"""<SlotCavity {common}><Line startX="5" startY="5" endX="8" endY="5">
    <LineDesc lineEnd="ROUND" lineWidth="1"/>
    </Line></SlotCavity>
    <SlotCavity {common}><Xform rotation="90"/><Location x="20" y="10"/><Oval width="3" height="1"/></SlotCavity>
    <SlotCavity {common}><Location x="0" y="0"/>
    <Outline>{ipc.rectangle(30, 5, 34, 6)}{ipc.ROUND}</Outline></SlotCavity>"""
    vias = read(ipc.on_top(slots, "", "DRILL")).vias
    ends = [sorted([(v.x[0], v.y[0]), (v.x1[0], v.y1[0])]) for v in (vias.take([i]) for i in range(3))]
    expected = [[(5, 5), (8, 5)], [(20, 9), (20, 11)], [(30.5, 5.5), (33.5, 5.5)]]
    assert_allclose(np.array(ends) / MM, expected, rtol=1e-9)
    assert_allclose(vias.drill / MM, 1, rtol=1e-9)
    assert vias.plated.all()


STACK_DEFINITION = """<PadStackDef name="VIA">
<PadstackHoleDef name="VIA" diameter="0.3" platingStatus="VIA" x="0" y="0"/>
<PadstackPadDef layerRef="TOP" padUse="REGULAR"><Location x="0" y="0"/><Circle diameter="0.6"/></PadstackPadDef>
<PadstackPadDef layerRef="BOT" padUse="REGULAR"><Location x="0" y="0"/><Circle diameter="0.7"/></PadstackPadDef>
<PadstackPadDef layerRef="BOT" padUse="ANTIPAD"><Location x="0" y="0"/><Circle diameter="1.1"/></PadstackPadDef>
</PadStackDef>"""


def test_pad_by_its_stack_and_the_stack_s_antipad(read: Read) -> None:
    pad = '<Pad padstackDefRef="VIA"><Location x="5" y="5"/></Pad>'
    drilled = ipc.hole(5, 5).replace("<Set ", '<Set geometry="VIA" ')
    board = read(STACK_DEFINITION + ipc.on_top(pad) + drilled)
    assert board.pads.shape[0].area == pytest.approx(math.pi * 0.09 * MM**2, rel=1e-2)
    assert board.vias.antipad.tolist() == [1.1e-3]
    assert board.pads.via.tolist() == [0]


def test_holes_and_pads_that_only_the_stack_states(read: Read) -> None:
    """No drill layer in the file: the via of a pad is taken from its definition, with the pad of the other layer."""
    board = read(STACK_DEFINITION + ipc.on_top('<Pad padstackDefRef="VIA"><Location x="5" y="5"/></Pad>'))
    assert (len(board.vias), board.vias.drill[0], board.vias.net[0]) == (1, 0.3e-3, 1)
    assert board.pads.layer.tolist() == [0, 1]
    assert board.pads.via.tolist() == [0, 0]
    assert_allclose(np.sqrt(shapely.area(board.pads.shape) / math.pi), [0.3e-3, 0.35e-3], rtol=1e-2)
    assert "Holes that stand in no drill layer" in " ".join(board.problems)


def test_fiducials_are_pads_without_net(read: Read) -> None:
    board = read(ipc.on_top('<GlobalFiducial><Location x="5" y="5"/><Circle diameter="1"/></GlobalFiducial>', ""))
    assert board.pads.net.tolist() == [0]


def test_pad_without_shape_is_counted(read: Read) -> None:
    board = read(
        ipc.TRACE
        + ipc.on_top('<Pad padstackDefRef="GONE"><Location x="5" y="5"/></Pad><Pad><Location x="6" y="5"/></Pad>')
    )
    assert (len(board.pads), ipc.unread(board, "Pad: no shape")) == (0, 2)


# ---- parts ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("xform", "layer", "pin_2_mm", "degrees"),
    [
        ("", "TOP", (12, 11), 0),
        ('rotation="90"', "TOP", (9, 12), 90),
        ('rotation="360"', "TOP", (12, 11), 0),
        ('mirror="true"', "BOT", (8, 11), 0),
        ('rotation="90" mirror="true"', "BOT", (11, 12), 270),
        ('rotation="45" mirror="true"', "BOT", (10 - 1 / math.sqrt(2), 10 + 3 / math.sqrt(2)), 315),
    ],
)
def test_parts_turned_and_mirrored(
    read: Read, xform: str, layer: str, pin_2_mm: tuple[float, float], degrees: float
) -> None:
    board = read(ipc.PACKAGE + ipc.part("U1", 10, 10, xform, layer), content=ipc.PAD_DICTIONARY)
    assert_allclose([board.pins.x[1] / MM, board.pins.y[1] / MM], pin_2_mm, rtol=1e-12)
    assert board.parts.rotation[0] == pytest.approx(math.radians(degrees), abs=1e-12)
    assert board.parts.side[0] == (layer == "BOT")
    assert board.pins.layer.tolist() == [(layer == "BOT") * 1] * 2


def test_pads_of_packages_stand_in_for_missing_ones(read: Read) -> None:
    nets = '<LogicalNet name="A"><PinRef componentRef="U1" pin="1"/></LogicalNet>'
    board = read(nets + ipc.PACKAGE + ipc.part("U1", 10, 10, 'rotation="90"'), content=ipc.PAD_DICTIONARY)
    assert board.pads.pin.tolist() == [0, 1]
    assert [board.nets[n] for n in board.pads.net] == ["A", ""]
    # the pad turns with the part: 0.5 wide and 1.0 high at pin 1, which is at (10, 9)
    assert_allclose(np.array(board.pads.shape[0].bounds) / MM, (9.75, 8.5, 10.25, 9.5), rtol=1e-9)
    assert "Parts whose pins have no pads on any layer: 1" in board.problems[0]


def test_a_file_that_mirrors_before_it_turns(read: Read) -> None:
    """Against the usual order; the pads, which name their pins, show it, and it is said."""
    step = (
        ipc.PACKAGE
        + ipc.part("U1", 10, 10, 'rotation="90" mirror="true"', "BOT")
        + ipc.pads_of("U1", [(10, 11), (9, 8)], "BOT")
    )
    board = read(step, content=ipc.PAD_DICTIONARY)
    assert_allclose(np.stack([board.pins.x, board.pins.y], -1) / MM, [(10, 11), (9, 8)])
    assert board.problems == (
        "Parts on the far side are mirrored before they are turned in this file; read that way.",
    )  # fmt: skip
    assert board.parts.rotation[0] == pytest.approx(math.pi / 2)


def test_pins_off_their_pads_are_told_and_moved(read: Read) -> None:
    board = read(
        ipc.PACKAGE + ipc.part("U1", 10, 10) + ipc.pads_of("U1", [(9, 10), (12, 14)], "TOP"), content=ipc.PAD_DICTIONARY
    )
    assert board.problems == (
        "Pins that do not land on a pad of theirs by package, place and turn of their part, moved onto it: 1 of 2 "
        "(50 %); the farthest, U1.2, by 3.00 mm.",
    )
    assert (board.pins.x[1], board.pins.y[1]) == (12e-3, 14e-3)


def test_pads_that_name_no_pin_are_found_under_pins(read: Read) -> None:
    """Where their net agrees with the pin's; a pin's net comes from its pad where no logical net lists it."""
    nets = '<LogicalNet name="B"><PinRef componentRef="U1" pin="2"/></LogicalNet>'
    pads = "".join(f'<Pad><Location x="{x}" y="{y}"/><Circle diameter="0.5"/></Pad>' for x, y in ((9, 10), (12, 11)))
    board = read(nets + ipc.PACKAGE + ipc.part("U1", 10, 10) + ipc.on_top(pads, 'net="A"'), content=ipc.PAD_DICTIONARY)
    assert board.pads.pin.tolist() == [0, -1]
    assert [board.nets[n] for n in board.pins.net] == ["A", "B"]


def test_pins_that_no_package_has_stand_on_their_pads(read: Read) -> None:
    step = ipc.part("U1", 10, 10) + ipc.pads_of("U1", [(9, 10), (12, 14)], "TOP") + ipc.pads_of("U9", [(1, 1)], "TOP")
    board = read(step)
    assert [board.pin_label(i) for i in range(len(board.pins))] == ["U1.1", "U1.2"]
    assert ipc.unread(board, "Component of a package that is not in the file") == 1
    assert ipc.unread(board, "PinRef to a part that is not in the file") == 1
    assert "Pins standing on pads but in no package, placed on their pads: 2." in board.problems


def test_through_pin_has_pads_on_both_sides_and_a_hole(read: Read) -> None:
    package = ipc.PACKAGE.replace("SURFACE", "THRU")
    pads = ipc.pads_of("U1", [(9, 10)], "TOP") + ipc.pads_of("U1", [(9, 10)], "BOT")
    board = read(package + ipc.part("U1", 10, 10) + pads + ipc.hole(9, 10, status="PLATED"), content=ipc.PAD_DICTIONARY)
    assert board.pins.layer.tolist() == [-1, -1]
    assert board.vias.pin.tolist() == [0]
    assert board.pads.via.tolist() == [0, 0]


def test_values_from_the_parts_list(read: Read) -> None:
    """A stated value, an attribute, a description, a part number of its own; parts that are not fitted are told."""
    text = '<Textual textualCharacteristicName="{}" textualCharacteristicValue="{}"/>'
    items = [
        ("R1", "", text.format("COMP_CLASS", "DISCRETE") + text.format("COMP_VALUE", "10k")),
        ("R2", "", '<Measured measuredCharacteristicName="VALUE" measuredCharacteristicValue="4.7" '
                   'engineeringUnitOfMeasure="OHMS"/>'),
        ("U1", 'description="ARM core, 64 pins"', ""),
    ]  # fmt: skip
    bom = "<Bom>" + "".join(
        f'<BomItem {a}><RefDes name="{ref}" populate="{"false" if ref == "R2" else "true"}"/>'
        f"<Characteristics>{inner}</Characteristics></BomItem>"
        for ref, a, inner in items
    ) + "</Bom>"  # fmt: skip
    parts = "".join(ipc.part(ref, 5 * i, 10) for i, (ref, _, _) in enumerate(items, 1))
    parts += ipc.part("C1", 20, 10, more='<NonstandardAttribute name="VALUE" value="1uF" type="STRING"/>')
    parts += ipc.part("U2", 25, 10, attributes='part="LM6685"') + ipc.part("U3", 30, 10, attributes='part="P"')
    board = read(ipc.PACKAGE + parts, content=ipc.PAD_DICTIONARY, bom=bom)
    values = dict(zip(board.parts.ref, board.parts.value, strict=True))
    assert values == {"R1": "10k", "R2": "4.7 OHMS", "U1": "ARM core, 64 pins", "C1": "1uF", "U2": "LM6685", "U3": ""}
    assert any("not fitted" in p and "R2" in p for p in board.problems)


def test_pins_in_two_nets_and_parts_of_one_name(read: Read) -> None:
    nets = "".join(f'<LogicalNet name="{n}"><PinRef componentRef="U1" pin="1"/></LogicalNet>' for n in "AB")
    board = read(nets + ipc.PACKAGE + ipc.part("U1", 10, 10) + ipc.part("U1", 20, 10), content=ipc.PAD_DICTIONARY)
    assert "Pins listed in two nets, where the first one holds: 1." in board.problems
    assert "More than one part has the reference U1." in board.problems


# ---- nets ----------------------------------------------------------------------------------------


def test_words_for_no_net(read: Read) -> None:
    line = ipc.feature(f'<Line startX="1" startY="1" endX="2" endY="1">{ipc.ROUND}</Line>')
    step = "".join(ipc.on_top(line, f'net="{n}"') for n in ("No Net", "NO_NET", "$NONE$", "", "NONE"))
    board = read(step)
    assert board.nets == ("", "NONE")
    assert board.traces.net.tolist() == [0, 0, 0, 0, 1]


def test_net_classes_and_impedance_targets(read: Read) -> None:
    """Classes from the logical nets; targets where a Spec is named by a net or by a set of it; a pair's is counted."""
    specs = "".join(
        f'<Spec name="Z{ohm}"><Impedance type="IMPEDANCE" transmission="{kind}"><Property value="{ohm}" unit="OHMS"/>'
        "</Impedance></Spec>"
        for ohm, kind in ((50, "SINGLE_ENDED"), (75, "SINGLE_ENDED"), (100, "EDGE_COUPLED"))
    )
    nets = """<LogicalNet name="GND" netClass="GROUND"/>
    <LogicalNet name="CLK" netClass="CLK"><SpecRef id="Z75"/></LogicalNet>
    <LogicalNet name="P"><SpecRef id="Z100"/></LogicalNet>"""
    line = ipc.feature(f'<Line startX="1" startY="1" endX="2" endY="1">{ipc.ROUND}</Line>')
    board = read(nets + ipc.on_top('<SpecRef id="Z50"/>' + line, 'net="RF"'), specs=specs)
    assert board.net_classes == {"GND": "ground", "CLK": "clk"}
    assert board.impedances == {"CLK": 75.0, "RF": 50.0}
    assert ipc.unread(board, "differential impedance target") == 1


# ---- what is passed over -------------------------------------------------------------------------


def test_drawings_on_other_layers_are_counted_by_kind(read: Read) -> None:
    line = ipc.feature(f'<Line startX="1" startY="1" endX="2" endY="1">{ipc.ROUND}</Line>')
    board = read(
        ipc.TRACE + ipc.on_top(line * 3, "", "SILK") + ipc.on_top(line, "", "NOWHERE") + ipc.on_top(line, "", "DRILL")
    )
    assert ipc.unread(board, "drawings on SILKSCREEN layers") == 3
    assert ipc.unread(board, "LayerFeature of a layer that is not declared") == 1
    assert ipc.unread(board, "Line on a DRILL layer") == 1
    assert len(board.traces) == 1  # only the one on copper


def test_text_on_copper_is_counted(read: Read) -> None:
    line = ipc.feature(f'<Line startX="1" startY="1" endX="2" endY="1">{ipc.ROUND}</Line>')
    board = read(
        ipc.TRACE
        + ipc.on_top(line, 'geometryUsage="TEXT"')
        + ipc.on_top(ipc.feature('<Text textString="A" fontSize="1"/>'), "")
    )
    assert ipc.unread(board, "text drawn on copper") == 1
    assert ipc.unread(board, "Text on copper") == 1


def test_unknown_elements_are_counted_with_their_first_line(read: Read) -> None:
    board = read(ipc.TRACE + "\n<Wonder/>\n<Wonder/>" + ipc.on_top("<Marvel/>"), more_cad="<Miracle><Deep/></Miracle>")
    found = {u.what: (u.count, u.where) for u in board.unread}
    assert found["Wonder in Step"][0] == 2
    assert found["Marvel in Set"][0] == found["Miracle in CadData"][0] == 1
    assert all(where.startswith("line ") for _, where in found.values())


def test_elements_out_of_place_are_counted(read: Read) -> None:
    board = read(more_cad='<Set net="A"><Features/></Set>')
    assert ipc.unread(board, "Set in CadData") == 1


def test_free_copper_off_the_board_is_left_out(read: Read) -> None:
    """A title beside the board goes; a net's copper there stays and is told."""
    line = '<Line startX="60" startY="{0}" endX="70" endY="{0}">' + ipc.ROUND + "</Line>"
    board = read(ipc.on_top(ipc.feature(line.format(1)), "") + ipc.on_top(ipc.feature(line.format(2)), 'net="A"'))
    assert len(board.traces) == 1
    assert ipc.unread(board, "net-less copper off the board") == 1
    assert "Pieces of copper with a net that lie outside the board's outline: 1." in board.problems
