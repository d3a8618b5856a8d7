"""IPC-2581 text for tests: whole small files, and pieces to put into them. Lengths are millimetres."""

from __future__ import annotations

from quietcopper.board import Board

NAMESPACE = "http://webstds.ipc.org/2581"
TWO_LAYERS = """
<Layer name="TOP" layerFunction="SIGNAL" side="TOP" polarity="POSITIVE"/>
<Layer name="CORE" layerFunction="DIELCORE" side="NONE" polarity="POSITIVE"/>
<Layer name="BOT" layerFunction="SIGNAL" side="BOTTOM" polarity="POSITIVE"/>
<Layer name="SILK" layerFunction="SILKSCREEN" side="TOP" polarity="POSITIVE"/>
<Layer name="DRILL" layerFunction="DRILL" side="ALL" polarity="POSITIVE"><Span fromLayer="TOP" toLayer="BOT"/></Layer>
"""
STACKUP = """
<Stackup overallThickness="1.6"><StackupGroup name="G">
<StackupLayer layerOrGroupRef="TOP" thickness="0.035"/>
<StackupLayer layerOrGroupRef="CORE" thickness="1.53"><SpecRef id="FR4"/></StackupLayer>
<StackupLayer layerOrGroupRef="BOT" thickness="0.035"/>
</StackupGroup></Stackup>
"""
SPECS = """
<Spec name="FR4"><Dielectric type="DIELECTRIC_CONSTANT"><Property value="4.2"/></Dielectric>
<Dielectric type="LOSS_TANGENT"><Property value="0.015"/></Dielectric></Spec>
"""
PROFILE = """
<Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="50" y="0"/><PolyStepSegment x="50" y="30"/>
<PolyStepSegment x="0" y="30"/><PolyStepSegment x="0" y="0"/></Polygon></Profile>
"""
TRACE = """
<LayerFeature layerRef="TOP"><Set net="A"><Features><Location x="0" y="0"/>
<Line startX="5" startY="5" endX="15" endY="5"><LineDesc lineEnd="ROUND" lineWidth="0.2"/></Line>
</Features></Set></LayerFeature>
"""


def ipc2581(
    step: str = TRACE,
    *,
    layers: str = TWO_LAYERS,
    stackup: str = STACKUP,
    specs: str = SPECS,
    content: str = "",
    profile: str = PROFILE,
    units: str = 'units="MILLIMETER"',
    revision: str = 'revision="C"',
    namespace: str = f'xmlns="{NAMESPACE}"',
    before: str = "",
    more_cad: str = "",
    bom: str = "",
) -> str:
    """A whole file round the contents of one step."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{before}<IPC-2581 {revision} {namespace}>'
        f"<Content>{content}</Content>{bom}<Ecad><CadHeader {units}>{specs}</CadHeader>"
        f'<CadData>{layers}{stackup}{more_cad}<Step name="board">{profile}{step}</Step></CadData></Ecad></IPC-2581>'
    )


def unread(board: Board, what: str) -> int:
    """How often something was counted as not read."""
    return sum(u.count for u in board.unread if what in u.what)


def on_top(inner: str, attributes: str = 'net="A"', layer: str = "TOP") -> str:
    return f'<LayerFeature layerRef="{layer}"><Set {attributes}>{inner}</Set></LayerFeature>'


def feature(inner: str, place: str = '<Location x="0" y="0"/>') -> str:
    return f"<Features>{place}{inner}</Features>"


def rectangle(x0: float, y0: float, x1: float, y1: float, tag: str = "Polygon") -> str:
    return (
        f'<{tag}><PolyBegin x="{x0}" y="{y0}"/><PolyStepSegment x="{x1}" y="{y0}"/>'
        f'<PolyStepSegment x="{x1}" y="{y1}"/><PolyStepSegment x="{x0}" y="{y1}"/>'
        f'<PolyStepSegment x="{x0}" y="{y0}"/></{tag}>'
    )


def hole(x: float, y: float, *, net: str = "", diameter: float = 0.3, status: str = "VIA", layer: str = "DRILL") -> str:
    named = f'net="{net}"' if net else ""
    return (
        f'<LayerFeature layerRef="{layer}"><Set {named}><Hole name="H" diameter="{diameter}" platingStatus="{status}" '
        f'plusTol="0" minusTol="0" x="{x}" y="{y}"/></Set></LayerFeature>'
    )


ROUND = '<LineDesc lineEnd="ROUND" lineWidth="0.2"/>'
PAD_DICTIONARY = """<DictionaryStandard units="MILLIMETER">
<EntryStandard id="RECT"><RectCenter width="1.0" height="0.5"/></EntryStandard>
<EntryStandard id="DISC"><Circle diameter="0.8"/></EntryStandard></DictionaryStandard>"""


PACKAGE = """<Package name="P">
<Pin number="1" type="SURFACE"><Location x="-1" y="0"/><StandardPrimitiveRef id="RECT"/></Pin>
<Pin number="2" type="SURFACE"><Location x="2" y="1"/><StandardPrimitiveRef id="RECT"/></Pin></Package>"""


def part(
    ref: str, x: float, y: float, xform: str = "", layer: str = "TOP", more: str = "", attributes: str = ""
) -> str:
    turned = f"<Xform {xform}/>" if xform else ""
    return (
        f'<Component refDes="{ref}" packageRef="P" layerRef="{layer}" {attributes}>{more}{turned}'
        f'<Location x="{x}" y="{y}"/></Component>'
    )


def pads_of(ref: str, places: list[tuple[float, float]], layer: str) -> str:
    return on_top(
        "".join(
            f'<Pad><Location x="{x}" y="{y}"/><Circle diameter="0.5"/><PinRef componentRef="{ref}" pin="{i}"/></Pad>'
            for i, (x, y) in enumerate(places, 1)
        ),
        'net="A"',
        layer,
    )
