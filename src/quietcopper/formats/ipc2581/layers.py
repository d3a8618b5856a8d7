"""Layer elements: what a layer's function makes of it."""

from __future__ import annotations

from dataclasses import dataclass

from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.values import text

COPPER, DIELECTRIC, MASK, HOLES, OTHER = "copper", "dielectric", "mask", "holes", "other"

KINDS = {
    **dict.fromkeys(("CONDUCTOR", "SIGNAL", "PLANE", "MIXED", "CONDFILM", "CONDFOIL"), COPPER),
    **dict.fromkeys(("DIELBASE", "DIELCORE", "DIELPREG", "DIELADHV", "DIELBONDPLY", "DIELECTRIC"), DIELECTRIC),
    **dict.fromkeys(("SOLDERMASK", "COVERLAY", "DIELCOVERLAY"), MASK),
    **dict.fromkeys(("DRILL", "ROUT"), HOLES),
}


@dataclass(frozen=True)
class LayerInfo:
    """A Layer element. kind : one of the words above; span : first and last layer of a drill layer, if stated."""

    name: str
    function: str
    kind: str
    side: str
    negative: bool
    span: tuple[str, str] | None
    specs: tuple[str, ...]
    line: int


def layer_info(node: Node) -> LayerInfo:
    """Raises BadValue for a layer without a name."""
    function = node.attrib.get("layerFunction", "").strip().upper()
    span = node.find("Span")
    ends = (text(span, "fromLayer"), text(span, "toLayer")) if span is not None else None
    return LayerInfo(
        name=text(node, "name"),
        function=function,
        kind=KINDS.get(function, OTHER),
        side=node.attrib.get("side", "").strip().upper(),
        negative=node.attrib.get("polarity", "").strip().upper() == "NEGATIVE",
        span=ends,
        specs=tuple(child.attrib.get("id", "") for child in node.all("SpecRef")),
        line=node.line,
    )
