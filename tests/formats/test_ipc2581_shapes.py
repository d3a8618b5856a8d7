"""Units, primitives, strokes and areas of IPC-2581, one small file a case. Lengths in the files are millimetres."""

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


# ---- units ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("units", "scale", "written"), [("MILLIMETER", 1.0, "2.54"), ("INCH", 25.4, "0.1"), ("MICRON", 1e-3, "2540")]
)
def test_units_of_the_header(read: Read, units: str, scale: float, written: str) -> None:
    size = 30 / scale
    board = read(
        ipc.on_top(ipc.feature(f'<Line startX="{written}" startY="0" endX="0" endY="{written}">{ipc.ROUND}</Line>')),
        units=f'units="{units}"',
        profile=f"<Profile>{ipc.rectangle(0, 0, size, size)}</Profile>",
        stackup="",
    )
    assert board.traces.x0[0] == board.traces.y1[0] == pytest.approx(2.54 * MM, rel=1e-15)
    assert board.traces.width[0] == pytest.approx(0.2 * MM * scale, rel=1e-15)
    assert_allclose(board.outline.bounds, (0, 0, 30 * MM, 30 * MM), rtol=1e-12)


def test_a_decimal_millimetre_is_exact(read: Read) -> None:
    """0.1 mm becomes the float nearest to 1e-4, not ten roundings of it; exponents and blanks are understood."""
    step = ipc.on_top(ipc.feature(f'<Line startX="0.1" startY=" 0.3 " endX="7e-1" endY="+1.1">{ipc.ROUND}</Line>'))
    traces = read(step).traces
    assert (traces.x0[0], traces.y0[0], traces.x1[0], traces.y1[0]) == (0.1e-3, 0.3e-3, 0.7e-3, 1.1e-3)


def test_a_dictionary_has_its_own_units(read: Read) -> None:
    """In inches under a header in millimetres, points of polygons included."""
    content = f"""<DictionaryStandard units="INCH">
    <EntryStandard id="R"><RectCenter width="0.1" height="0.1"/></EntryStandard>
    <EntryStandard id="C"><Contour>{ipc.rectangle(0, 0, 0.1, 0.1)}</Contour></EntryStandard></DictionaryStandard>"""
    pads = '<Pad><Location x="5" y="5"/><StandardPrimitiveRef id="{}"/></Pad>'
    board = read(ipc.on_top(pads.format("R") + pads.format("C")), content=content)
    assert_allclose(shapely.area(board.pads.shape), (2.54 * MM) ** 2, rtol=1e-9)


def test_a_dictionary_without_units_takes_the_header_s(read: Read) -> None:
    content = f"""<DictionaryStandard><EntryStandard id="R"><RectCenter width="0.1" height="0.1"/></EntryStandard>
    <EntryStandard id="C"><Contour>{ipc.rectangle(0, 0, 0.1, 0.1)}</Contour></EntryStandard></DictionaryStandard>"""
    pads = '<Pad><Location x="0.2" y="0.2"/><StandardPrimitiveRef id="{}"/></Pad>'
    profile = f"<Profile>{ipc.rectangle(0, 0, 1, 1)}</Profile>"
    board = read(
        ipc.on_top(pads.format("R") + pads.format("C")), content=content, units='units="INCH"', profile=profile
    )
    assert_allclose(shapely.area(board.pads.shape), (2.54 * MM) ** 2, rtol=1e-9)


# ---- primitives ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("primitive", "area_mm2", "bounds_mm"),
    [
        ('<Circle diameter="2"/>', math.pi, (-1, -1, 1, 1)),
        ('<RectCenter width="3" height="1"/>', 3.0, (-1.5, -0.5, 1.5, 0.5)),
        ('<RectCorner lowerLeftX="-1" lowerLeftY="-2" upperRightX="3" upperRightY="1"/>', 12.0, (-1, -2, 3, 1)),
        ('<Oval width="3" height="1"/>', 2 + math.pi / 4, (-1.5, -0.5, 1.5, 0.5)),
        ('<Ellipse width="3" height="1"/>', math.pi * 3 / 4, (-1.5, -0.5, 1.5, 0.5)),
        ('<RectRound width="3" height="2" radius="0.5"/>', 6 - (4 - math.pi) * 0.25, (-1.5, -1, 1.5, 1)),
        (
            '<RectRound width="3" height="2" radius="0.5" upperRight="true"/>',
            6 - (4 - math.pi) / 16,
            (-1.5, -1, 1.5, 1),
        ),
        ('<RectCham width="3" height="2" chamfer="0.5"/>', 6 - 0.5, (-1.5, -1, 1.5, 1)),
        ('<RectCham width="3" height="2" chamfer="0.5" lowerLeft="true"/>', 6 - 0.125, (-1.5, -1, 1.5, 1)),
        ('<Diamond width="2" height="4"/>', 4.0, (-1, -2, 1, 2)),
        ('<Hexagon length="2"/>', 1.5 * math.sqrt(3), (-1, -math.sqrt(0.75), 1, math.sqrt(0.75))),
        ('<Octagon length="2"/>', 2 * math.sqrt(2), (-math.cos(math.pi / 8),) * 2 + (math.cos(math.pi / 8),) * 2),
        ('<Triangle base="2" height="2"/>', 2.0, (-1, -1, 1, 1)),
        ('<Donut shape="ROUND" outerDiameter="2" innerDiameter="1"/>', math.pi * 0.75, (-1, -1, 1, 1)),
        ('<Donut shape="SQUARE" outerDiameter="2" innerDiameter="1"/>', 3.0, (-1, -1, 1, 1)),
        (
            f"<Contour>{ipc.rectangle(-1, -1, 1, 1)}{ipc.rectangle(-0.5, -0.5, 0.5, 0.5, 'Cutout')}</Contour>",
            3.0,
            (-1, -1, 1, 1),
        ),
    ],
)
def test_primitives_in_the_dictionary(
    read: Read, primitive: str, area_mm2: float, bounds_mm: tuple[float, ...]
) -> None:
    """As a pad's shape; round ones are flattened to within 1 µm, which for 1 mm takes off 0.2 % at most."""
    content = (
        f'<DictionaryStandard units="MILLIMETER"><EntryStandard id="P">{primitive}</EntryStandard></DictionaryStandard>'
    )
    board = read(ipc.on_top('<Pad><Location x="10" y="10"/><StandardPrimitiveRef id="P"/></Pad>'), content=content)
    shape = board.pads.shape[0]
    assert shape.area == pytest.approx(area_mm2 * MM**2, rel=2e-3)
    assert_allclose(np.array(shape.bounds) / MM - 10, bounds_mm, atol=2e-3)
    assert shape.is_valid


def test_thermal_is_a_ring_cut_by_its_spokes(read: Read) -> None:
    spokes = 'spokeCount="4" spokeWidth="0.2" spokeStartAngle="45"'
    primitive = f'<Thermal shape="ROUND" outerDiameter="2" innerDiameter="1" {spokes}/>'
    board = read(ipc.on_top(ipc.feature(primitive, '<Location x="10" y="10"/>')))
    assert len(board.areas) == 4
    # four spokes 0.2 wide over a ring 0.5 deep
    assert shapely.area(board.areas.shape).sum() == pytest.approx((math.pi * 0.75 - 4 * 0.2 * 0.5) * MM**2, rel=1e-2)


@pytest.mark.parametrize("primitive", ['<Moire diameter="2"/>', '<Butterfly shape="ROUND" diameter="2"/>', "<Blob/>"])
def test_primitives_that_are_not_understood_are_counted(read: Read, primitive: str) -> None:
    content = (
        f'<DictionaryStandard units="MILLIMETER"><EntryStandard id="P">{primitive}</EntryStandard></DictionaryStandard>'
    )
    board = read(
        ipc.TRACE + ipc.on_top('<Pad><Location x="1" y="1"/><StandardPrimitiveRef id="P"/></Pad>'), content=content
    )
    assert len(board.pads) == 0
    assert ipc.unread(board, "Pad: ") == 1


def test_user_primitives_nest(read: Read) -> None:
    """A group of two contours side by side and a named one, moved by its Location; drawn as one pad and as areas."""
    content = f"""<DictionaryUser units="MILLIMETER">
    <EntryUser id="LEFT"><UserSpecial><Location x="-2" y="0"/>
    <Contour>{ipc.rectangle(0, 0, 1, 1)}</Contour></UserSpecial></EntryUser>
    <EntryUser id="BOTH"><UserSpecial><UserPrimitiveRef id="LEFT"/><Contour>{ipc.rectangle(1, 0, 2, 1)}</Contour>
    </UserSpecial></EntryUser></DictionaryUser>"""
    step = ipc.on_top(
        '<Pad><Location x="10" y="10"/><UserPrimitiveRef id="BOTH"/></Pad>'
        + ipc.feature('<UserPrimitiveRef id="BOTH"/>', '<Location x="20" y="10"/>')
    )
    board = read(step, content=content)
    assert_allclose(np.array(board.pads.shape[0].bounds) / MM, (8, 10, 12, 11), atol=1e-9)
    assert sorted(a.bounds[0] / MM for a in board.areas.shape) == pytest.approx([18, 21])


def test_hollow_and_void_fills(read: Read) -> None:
    hollow = f'<RectCenter width="4" height="4"><FillDesc fillProperty="HOLLOW"/>{ipc.ROUND}</RectCenter>'
    frame = ipc.feature(hollow, '<Location x="10" y="10"/>')
    solid = ipc.feature('<RectCenter width="4" height="4"/>', '<Location x="20" y="10"/>')
    void = ipc.feature('<Circle diameter="2"><FillDesc fillProperty="VOID"/></Circle>', '<Location x="20" y="10"/>')
    board = read(ipc.on_top(frame + solid + void))
    assert sorted(shapely.area(board.areas.shape) / MM**2) == pytest.approx(
        [16 * 0.2, 16 - math.pi], rel=5e-3
    )  # round corners, flattened disc
    mesh = read(ipc.on_top(ipc.feature('<Circle diameter="2"><FillDesc fillProperty="MESH"/></Circle>')))
    assert (len(mesh.areas), ipc.unread(mesh, "fillProperty MESH")) == (1, 1)
    empty = read(
        ipc.TRACE
        + ipc.on_top(ipc.feature('<RectCenter width="4" height="4"><FillDesc fillProperty="HOLLOW"/></RectCenter>'))
    )
    assert (len(empty.areas), ipc.unread(empty, "hollow RectCenter")) == (0, 1)


# ---- strokes -------------------------------------------------------------------------------------


def test_polyline_with_arc(read: Read) -> None:
    line = (
        '<Polyline><PolyBegin x="10" y="10"/><PolyStepSegment x="12" y="10"/>'
        '<PolyStepCurve x="13" y="11" centerX="12" centerY="11" clockwise="false"/><PolyStepSegment x="13" y="14"/>'
        f"{ipc.ROUND}</Polyline>"
    )
    traces = read(ipc.on_top(ipc.feature(line))).traces
    assert traces.turn.tolist() == [0, 1, 0]
    assert_allclose(traces.length / MM, [2, math.pi / 2, 3], rtol=1e-12)
    assert (traces.xc[1], traces.yc[1]) == (12e-3, 11e-3)
    assert np.isnan(traces.xc[[0, 2]]).all()


def test_arc_full_circle_and_clockwise(read: Read) -> None:
    arc = '<Arc startX="11" startY="10" endX="{}" endY="{}" centerX="10" centerY="10" clockwise="{}">'
    arc += ipc.ROUND + "</Arc>"
    ends = ((11, 10, "true"), (10, 11, "true"), (10, 11, "false"))
    arcs = "".join(ipc.feature(arc.format(*end)) for end in ends)
    traces = read(ipc.on_top(arcs)).traces
    assert traces.turn.tolist() == [-1, -1, 1]
    assert_allclose(traces.length / MM, [2 * math.pi, 1.5 * math.pi, 0.5 * math.pi], rtol=1e-12)


def test_features_are_placed_by_xform_and_location(read: Read) -> None:
    """Turned by 90°, mirrored, then shifted: the point (2, 0) goes to (0, 2), stays there, and lands at (10, 12)."""
    place = '<Xform rotation="90" mirror="true"/><Location x="10" y="10"/>'
    line = f'<Line startX="0" startY="0" endX="2" endY="0">{ipc.ROUND}</Line>'
    arc = f'<Arc startX="1" startY="0" endX="0" endY="1" centerX="0" centerY="0">{ipc.ROUND}</Arc>'
    traces = read(ipc.on_top(ipc.feature(line, place) + ipc.feature(arc, place))).traces
    assert_allclose([traces.x1[0], traces.y1[0]], [10e-3, 12e-3], rtol=1e-12)
    # (1, 0) to (0, 1), then (0, 1) to (-1, 0), which the mirror puts at (1, 0); the way round is mirrored too
    assert_allclose([traces.x0[1], traces.y0[1], traces.x1[1], traces.y1[1]], [10e-3, 11e-3, 11e-3, 10e-3], rtol=1e-12)
    assert traces.turn[1] == -1


def test_user_special_inside_features_is_placed_twice(read: Read) -> None:
    line = f'<Line startX="0" startY="0" endX="1" endY="0">{ipc.ROUND}</Line>'
    inner = f'<UserSpecial><Location x="1" y="2"/>{line}</UserSpecial>'
    traces = read(ipc.on_top(ipc.feature(inner, '<Xform rotation="180"/><Location x="10" y="10"/>'))).traces
    assert_allclose([traces.x0[0], traces.y0[0], traces.x1[0], traces.y1[0]], [9e-3, 8e-3, 8e-3, 8e-3], rtol=1e-12)


def test_a_placement_after_its_shape_is_told(read: Read) -> None:
    line = f'<Line startX="1" startY="1" endX="2" endY="1">{ipc.ROUND}</Line>'
    board = read(ipc.on_top(f'<Features>{line}<Location x="5" y="5"/></Features>'))
    assert board.traces.x0[0] == 1e-3
    assert ipc.unread(board, "Location after the shape it should move") == 1


def test_line_descriptions_by_name_and_ends(read: Read) -> None:
    content = """<DictionaryLineDesc units="MILLIMETER">
    <EntryLineDesc id="W"><LineDesc lineEnd="SQUARE" lineWidth="0.3"/>
    </EntryLineDesc></DictionaryLineDesc>"""
    line = '<Line startX="1" startY="1" endX="2" endY="1"><LineDescRef id="{}"/></Line>'
    board = read(ipc.on_top(ipc.feature(line.format("W")) + ipc.feature(line.format("missing"))), content=content)
    assert board.traces.width.tolist() == [0.3e-3]
    assert ipc.unread(board, "lineEnd SQUARE") == 1
    assert ipc.unread(board, "Line with a LineDescRef that no dictionary has") == 1


def test_strokes_of_no_width_and_no_length(read: Read) -> None:
    """No width: no copper, counted. No length: a dot of copper, an area. A point given twice adds nothing."""
    nothing = '<Line startX="1" startY="1" endX="2" endY="1"><LineDesc lineEnd="ROUND" lineWidth="0"/></Line>'
    dot = f'<Line startX="1" startY="1" endX="1" endY="1">{ipc.ROUND}</Line>'
    twice = f"""<Polyline><PolyBegin x="3" y="3"/><PolyStepSegment x="3" y="3"/><PolyStepSegment x="4" y="3"/>
    <PolyStepSegment x="4" y="3"/>{ipc.ROUND}</Polyline>"""
    board = read(ipc.on_top(ipc.feature(nothing) + ipc.feature(dot) + ipc.feature(twice)))
    assert ipc.unread(board, "Line of no width on copper") == 1
    assert board.areas.shape[0].area == pytest.approx(math.pi * 0.01 * MM**2, rel=2e-2)
    assert len(board.traces) == 1


def test_outline_is_a_closed_stroke(read: Read) -> None:
    traces = read(ipc.on_top(ipc.feature(f"<Outline>{ipc.rectangle(5, 5, 7, 6)}{ipc.ROUND}</Outline>"))).traces
    assert_allclose(sorted(traces.length / MM), [1, 1, 2, 2])


# ---- areas, polarity -----------------------------------------------------------------------------


def test_contour_with_arc_and_cutout(read: Read) -> None:
    contour = """<Contour><Polygon><PolyBegin x="12" y="10"/>
    <PolyStepCurve x="8" y="10" centerX="10" centerY="10" clockwise="false"/>
    <PolyStepCurve x="12" y="10" centerX="10" centerY="10" clockwise="false"/></Polygon>
    <Cutout><PolyBegin x="11" y="10"/><PolyStepCurve x="11" y="10" centerX="10" centerY="10" clockwise="true"/></Cutout>
    </Contour>"""
    board = read(ipc.on_top(ipc.feature(contour)))
    assert board.areas.shape[0].area == pytest.approx(3 * math.pi * MM**2, rel=2e-3)
    assert len(board.areas.shape[0].interiors) == 1


def test_self_crossing_contour_is_mended_into_connected_pieces(read: Read) -> None:
    bow = """<Contour><Polygon><PolyBegin x="5" y="5"/><PolyStepSegment x="9" y="9"/><PolyStepSegment x="9" y="5"/>
    <PolyStepSegment x="5" y="9"/><PolyStepSegment x="5" y="5"/></Polygon></Contour>"""
    board = read(ipc.on_top(ipc.feature(bow)))
    assert len(board.areas) == 2
    assert shapely.is_valid(board.areas.shape).all()
    assert "Contours that cross or touch themselves, mended: 1 (the first at line" in board.problems[0]


def test_a_clear_set_cuts_what_was_drawn_before_it(read: Read) -> None:
    """Through the middle: two pieces; an island drawn afterwards stays; other layers are not touched."""
    plane = ipc.feature(f"<Contour>{ipc.rectangle(5, 5, 25, 15)}</Contour>")
    slit = ipc.feature(f"<Contour>{ipc.rectangle(14, 0, 16, 20)}</Contour>")
    island = ipc.feature('<Circle diameter="1"/>', '<Location x="15" y="10"/>')
    step = f"""<LayerFeature layerRef="TOP"><Set net="A">{plane}</Set><Set polarity="NEGATIVE">{slit}</Set>
    <Set net="B">{island}</Set></LayerFeature><LayerFeature layerRef="BOT"><Set net="A">{plane}</Set></LayerFeature>"""
    board = read(step)
    top = board.areas.take(board.areas.layer == 0)
    assert sorted(shapely.area(top.shape) / MM**2) == pytest.approx([math.pi / 4, 90, 90], rel=2e-2)
    assert [board.nets[n] for n in top.net] == ["A", "A", "B"]
    assert shapely.area(board.areas.take(board.areas.layer == 1).shape[0]) == pytest.approx(200 * MM**2)


NEGATIVE_LAYERS = """
<Layer name="TOP" layerFunction="SIGNAL" side="TOP" polarity="POSITIVE"/>
<Layer name="GND" layerFunction="PLANE" side="INTERNAL" polarity="NEGATIVE"/>
<Layer name="BOT" layerFunction="SIGNAL" side="BOTTOM" polarity="POSITIVE"/>
<Layer name="DRILL" layerFunction="DRILL" side="ALL"/>
"""


def test_negative_plane_is_the_outline_less_what_is_drawn(read: Read) -> None:
    """A split across it, an antipad round one via; each half has the net of the vias that touch its copper."""
    split = ipc.feature(
        '<Line startX="25" startY="-1" endX="25" endY="31"><LineDesc lineEnd="ROUND" lineWidth="1"/></Line>'
    )
    antipad = '<Pad><Location x="10" y="10"/><Circle diameter="2"/></Pad>'
    step = ipc.on_top(split + antipad, "", "GND") + "".join(
        ipc.hole(x, y, net=net) for x, y, net in ((10, 10, "SIG"), (5, 5, "GND"), (8, 20, "GND"), (40, 10, "AGND"))
    )
    board = read(step, layers=NEGATIVE_LAYERS, stackup="")
    areas = board.areas
    assert areas.layer.tolist() == [1, 1]
    by_net = {board.nets[n]: a / MM**2 for n, a in zip(areas.net, shapely.area(areas.shape), strict=True)}
    assert by_net == pytest.approx({"GND": 24.5 * 30 - math.pi, "AGND": 24.5 * 30}, rel=1e-3)
    assert sum(a.what == "net of the plane on layer GND" for a in board.assumptions) == 2
    assert len(board.traces) == len(board.pads) == 0


def test_pads_of_a_stack_on_a_negative_plane_are_counted(read: Read) -> None:
    stack = """<PadStack net="A"><LayerHole name="H" diameter="0.3" platingStatus="VIA" x="5" y="5"/>
    <LayerPad layerRef="GND"><Location x="5" y="5"/><Circle diameter="1"/></LayerPad></PadStack>"""
    board = read(stack, layers=NEGATIVE_LAYERS, stackup="")
    assert ipc.unread(board, "LayerPad on a negative plane") == 1
    assert len(board.vias) == 1
