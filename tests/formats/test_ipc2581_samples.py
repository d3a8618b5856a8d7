"""The sample boards, against counts taken from their XML by another parser."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely
from lxml import etree

from quietcopper.board import Board
from quietcopper.errors import ReadError
from quietcopper.formats import read_board

Sample = Callable[[str], Path]
SIX, FOUR = "ipc2581-6layer-rev-a", "ipc2581-4layer-panel-rev-b"
OUTER, HAND, LIST = "ipc2581-18layer-outer-only-rev-c", "ipc2581-2layer-handwritten", "ipc2581-parts-list-only"
NS = {"i": "http://webstds.ipc.org/2581"}


class Xml:
    """Counts by XPath; `i:` is the standard's namespace."""

    def __init__(self, path: Path) -> None:
        self.root = etree.parse(path).getroot()

    def count(self, xpath: str) -> int:
        return len(self.all(xpath))

    def all(self, xpath: str) -> list:
        return self.root.xpath(xpath, namespaces=NS)

    def package_pins(self, step: str = "") -> int:
        pins = {p.get("name"): len(p.findall("i:Pin", NS)) for p in self.all(f"//i:Step{step}/i:Package")}
        return sum(pins[c.get("packageRef")] for c in self.all(f"//i:Step{step}/i:Component"))


def on(*layers: str) -> str:
    return "[" + " or ".join(f"@layerRef='{name}'" for name in layers) + "]"


def dropped(board: Board) -> int:
    return sum(u.count for u in board.unread if u.what == "net-less copper off the board")


def counts(board: Board) -> dict[str, int]:
    tables = ("traces", "vias", "pads", "areas", "parts", "pins")
    return {"layers": len(board.layers), "nets": len(board.nets), **{t: len(getattr(board, t)) for t in tables}}


def test_six_layers_revision_a(sample: Sample) -> None:
    path = sample(SIX)
    board, xml = read_board(path), Xml(path)
    copper = on("TOP", "GND", "IS1", "IS2", "VCC", "BOTTOM")
    features = f"//i:LayerFeature{copper}/i:Set%s/i:Features"
    steps = f"{features}/i:Polyline[i:LineDesc/@lineWidth>0]/*[starts-with(name(), 'PolyStep')]"
    lines = f"{features}/i:Line"
    assert [layer.name for layer in board.layers] == ["TOP", "GND", "IS1", "IS2", "VCC", "BOTTOM"]
    assert len(board.nets) == xml.count("//i:LogicalNet") + 1 == 263
    assert len(board.parts) == xml.count("//i:Component") == 42
    assert len(board.pins) == xml.package_pins() == 495
    assert len(board.vias) == xml.count("//i:Hole") == 174
    assert (board.traces.net > 0).sum() == xml.count(steps % "[@net]") + xml.count(lines % "[@net]") == 1408
    assert (board.areas.net > 0).sum() == xml.count(f"{features}/i:Contour" % "[@net]") == 294
    assert (board.pads.net > 0).sum() == xml.count(f"//i:LayerFeature{copper}/i:Set[@net]/i:Pad") == 1410
    netless = "[not(@net)]"
    drawn = xml.count(steps % netless) + xml.count(lines % netless) + xml.count(f"{features}/i:Contour" % netless)
    drawn += xml.count(f"//i:LayerFeature{copper}/i:Set{netless}/i:Pad")
    free = sum(int((table.net == 0).sum()) for table in (board.traces, board.areas, board.pads))
    assert free + dropped(board) == drawn
    assert all(d.er == 4.5 and d.tan_d == 0.035 for d in board.dielectrics)
    assert board.dielectrics[0].thickness == pytest.approx(0.2032e-3, rel=1e-12)
    assert {layer.conductivity for layer in board.layers} == {59_590_000.0}
    holes = sorted((len(p.interiors) for p in board.areas.shape), reverse=True)
    cutouts = sorted(
        (len(c.findall("i:Cutout", NS)) for c in xml.all(f"{features}/i:Contour" % "[@net]")), reverse=True
    )
    assert holes[:4] == cutouts[:4]
    assert holes[:2] == [131, 131]
    assert len(board.outline.interiors) == xml.count("//i:Profile/i:Cutout") == 11


def test_six_layers_nets_of_holes_come_from_physical_points(sample: Sample) -> None:
    """The file's holes state no net; each has the net of the pads round it all the same."""
    path = sample(SIX)
    board, xml = read_board(path), Xml(path)
    linked = board.pads.take(board.pads.via >= 0)
    assert (board.vias.net[linked.via] == linked.net).all()
    netted = {
        (p.get("x"), p.get("y")) for p in xml.all("//i:LayerFeature[@layerRef='TOP']/i:Set[@net]/i:Pad/i:Location")
    }
    holes = [(h.get("x"), h.get("y")) for h in xml.all("//i:Hole")]
    assert (board.vias.net > 0).sum() == sum(hole in netted for hole in holes) == 163
    assert (~board.vias.plated).sum() == 3
    assert board.problems == ("Areas reaching more than 0.1 mm beyond the board's outline or over a cut-out in it: 2.",)


@pytest.mark.parametrize(("folder", "pins"), [(SIX, 495), (FOUR, 198), (OUTER, 1748)])
def test_pins_lie_on_pads_of_their_net(sample: Sample, folder: str, pins: int) -> None:
    """Turned and mirrored packages included: every pin that has a pad lies inside it, with its net, on its layer."""
    board = read_board(sample(folder))
    pads = board.pads.take(board.pads.pin >= 0)
    assert len(board.pins) == pins
    assert len(np.unique(pads.pin)) == pins
    inside = shapely.intersects(pads.shape, shapely.points(board.pins.x[pads.pin], board.pins.y[pads.pin]))
    assert len(np.unique(pads.pin[inside])) == pins
    assert (board.pins.net[pads.pin] == pads.net).all()
    surface = board.pins.layer[pads.pin] >= 0
    assert (board.pins.layer[pads.pin][surface] == pads.layer[surface]).all()


def test_mirrored_part_turned_by_an_odd_angle(sample: Sample) -> None:
    """U11 stands on the bottom, turned by 35.096° before it is mirrored: seen from the top it turns clockwise."""
    path = sample(SIX)
    board, xml = read_board(path), Xml(path)
    u11 = list(board.parts.ref).index("U11")
    stated = float(xml.all("//i:Component[@refDes='U11']/i:Xform/@rotation")[0])
    assert board.parts.side[u11] == 1
    assert board.parts.rotation[u11] == pytest.approx(math.radians(360 - stated), abs=1e-12)
    pads = board.pads.take(np.isin(board.pads.pin, np.flatnonzero(board.pins.part == u11)))
    assert len(pads) == 28


def test_four_layer_panel_revision_b(sample: Sample) -> None:
    path = sample(FOUR)
    board, xml = read_board(path), Xml(path)
    step, names = "[@name='WiFi']", ("TopLayer", "int1_power", "int2_gnd", "BottomLayer")
    features = f"//i:Step{step}/i:LayerFeature{on(*names)}/i:Set/i:Features"
    assert board.name == "WiFi"
    assert tuple(layer.name for layer in board.layers) == names
    assert {layer.function for layer in board.layers} == {"signal"}
    assert len(board.traces) == xml.count(f"{features}//i:Line") == 240
    assert len(board.areas) == xml.count(f"{features}/i:Contour") == 5
    assert len(board.vias) == xml.count(f"//i:Step{step}/i:PadStack/i:LayerHole") == 88
    assert len(board.pads) == xml.count(f"//i:Step{step}/i:PadStack/i:LayerPad{on(*names)}") == 550
    assert len(board.parts) == xml.count(f"//i:Step{step}/i:Component") == 28
    assert len(board.pins) == xml.package_pins(step) == 198
    nets = {n for n in xml.all(f"//i:Step{step}//@net") if n != "No Net"}
    assert set(board.nets) == {"", *nets}
    assert [d.er for d in board.dielectrics] == [4.3] * 3
    assert sum("dielectric constant of Dielectric" in a.what for a in board.assumptions) == 3
    assert board.thickness == pytest.approx(1.25e-3, rel=1e-5)
    panel = next(u for u in board.unread if u.what == "copies of WiFi on panel WiFi_panel")
    assert (panel.count, panel.where) == (6, "line 591")
    again = next(u for u in board.unread if u.what == "Hole that a PadStack gives as well")
    assert again.count == 88
    assert board.mask_top is not None
    assert board.mask_top.thickness == 0.025001e-3
    x0, y0, x1, y1 = board.outline.bounds
    assert (x1 - x0, y1 - y0) == pytest.approx((30e-3, 26.8e-3), abs=1e-6)


def test_eighteen_layers_of_which_two_are_there(sample: Sample) -> None:
    path = sample(OUTER)
    board, xml = read_board(path), Xml(path)
    features = f"//i:LayerFeature{on('TOP', 'BOTTOM')}/i:Set"
    assert len(board.traces) == xml.count(f"{features}/i:Features/i:Polyline/i:PolyStepSegment") == 3135
    assert len(board.pads) == xml.count(f"{features}/i:Pad") == 5366
    assert len(board.vias) == xml.count("//i:Hole") == 1859
    assert set(board.nets[1:]) == set(xml.all("//@net"))
    assert len(board.nets) == 515
    stated = {a.getparent().get("refDes"): a.get("value") for a in xml.all("//i:Component/i:NonstandardAttribute")}
    values = dict(zip(board.parts.ref, board.parts.value, strict=True))
    assert {ref: values[ref] for ref in stated} == stated
    assert len(stated) == 52
    assert "the file has 2 of them: it was written for assembly" in " ".join(board.problems)
    assert "no stackup" in board.problems[0]
    assert any(a.what == "dielectric thickness between TOP and BOTTOM" for a in board.assumptions)


def test_hand_written_file(sample: Sample) -> None:
    path = sample(HAND)
    board, xml = read_board(path), Xml(path)
    features = f"//i:LayerFeature{on('TOP_COPPER', 'BOTTOM_COPPER')}/i:Set"
    assert len(board.traces) == xml.count(f"{features}/i:Line") == 27
    assert len(board.areas) == xml.count(f"{features}/i:Polygon") == 1
    assert board.nets == ("", "VIN", "GND", "VOUT", "LED_A", "LED_K")
    # four vias with a drill in their dictionary entry, two pins of J1, two mounting holes
    assert len(board.vias) == 8
    assert (board.vias.plated.sum(), (board.vias.drill == 3.2e-3).sum()) == (6, 2)
    # pads: 5 + 6·2 + 2 (two layers each) of the parts, 4 vias on two layers
    assert len(board.pads) == 5 + 6 * 2 + 2 * 2 + 4 * 2
    assert dict(zip(board.parts.ref, board.parts.value, strict=True))["U1"] == "AP2112K-3.3"
    assert board.dielectrics[0].er == 4.5
    pins = {board.pin_label(i): (board.pins.x[i], board.pins.y[i]) for i in range(len(board.pins))}
    assert pins["R2.1"] == pytest.approx((36.8e-3, 18e-3))  # mirrored: pin 1 is to the right
    assert pins["R1.2"] == pytest.approx((33e-3, 13.3e-3))  # turned by 90°
    told = " ".join(board.problems)
    assert "U1.1, U1.2, U1.3" in told
    assert 'units="MM"; read as MILLIMETER' in told


def test_parts_list_is_refused(sample: Sample) -> None:
    with pytest.raises(
        ReadError, match=r"xml:166: found a file for parts lists only, without a layout; expected a <Step>"
    ):
        read_board(sample(LIST))


@pytest.mark.parametrize("folder", [SIX, FOUR, OUTER, HAND])
def test_every_sample_is_a_sound_board(sample: Sample, folder: str) -> None:
    """Shapes are valid single polygons, links point at rows that exist, the outline encloses the parts."""
    board = read_board(sample(folder))
    for table in (board.areas, board.pads):
        assert shapely.is_valid(table.shape).all()
        assert (shapely.get_type_id(table.shape) == 3).all()
    assert board.pads.via.max() < len(board.vias)
    assert board.pads.pin.max() < len(board.pins)
    assert board.vias.pin.max() < len(board.pins)
    assert (board.traces.width > 0).all()
    assert (board.vias.first <= board.vias.last).all()
    assert all(counts(board)[name] > 0 for name in ("layers", "nets", "traces", "vias", "pads", "parts", "pins"))
    assert shapely.contains_xy(shapely.buffer(board.outline, 1e-3), board.parts.x, board.parts.y).all()
