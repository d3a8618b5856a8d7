"""Pad stack definitions: the pad on a layer, the hole, the clear diameter in planes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from shapely import Geometry

from quietcopper.formats.ipc2581.dictionaries import DRAWN, STROKES, Dictionaries
from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.placing import placement
from quietcopper.formats.ipc2581.shapes import NoShape
from quietcopper.formats.ipc2581.values import Unit, size


@dataclass(frozen=True)
class StackHole:
    """A hole as a definition states it: diameter in m, plated or not, a via or not."""

    diameter: float
    plated: bool
    via: bool


def _usage(pad: Node) -> str:
    return pad.attrib.get("padUse", "REGULAR").upper()


def antipad_only(pad: Node) -> bool:
    """Whether a pad element is a clearance, not copper."""
    return _usage(pad) in ("ANTIPAD", "THERMAL")


def _primitive(node: Node) -> Node | None:
    return next((child for child in node.children if child.tag in DRAWN - STROKES), None)


def stack_pad(stacks: dict[str, Node], dictionaries: Dictionaries, unit: Unit, name: str, layer: str) -> Geometry:
    """The copper of a named pad stack on a layer: from its definition, or from a standard primitive of that name.

    Raises NoShape where neither gives one.
    """
    definition = stacks.get(name)
    if definition is not None:
        for pad in definition.all("PadstackPadDef"):
            child = _primitive(pad)
            if pad.attrib.get("layerRef") == layer and _usage(pad) == "REGULAR" and child is not None:
                shape = dictionaries.shape(child, unit)
                place = placement(pad.find("Xform"), pad.find("Location"), unit)
                return place.shape(shape) if place else shape
        raise NoShape("padstack without a pad on the layer")
    if dictionaries.entry(name) is not None:
        return dictionaries.named("Standard", name)
    raise NoShape("no shape and no known padstack" if name else "no shape")


def stack_hole(stacks: dict[str, Node], dictionaries: Dictionaries, unit: Unit, name: str) -> StackHole | None:
    """The hole of a named pad stack: a PadstackHoleDef, or a Drill written into a dictionary entry."""
    definition = stacks.get(name)
    if definition is not None:
        hole = definition.find("PadstackHoleDef")
        if hole is None:
            return None
        status = hole.attrib.get("platingStatus", "PLATED").upper()
        diameter = size(hole, "diameter", unit)
        return StackHole(diameter, status != "NONPLATED", status == "VIA") if diameter > 0 else None
    entry = dictionaries.entry(name)
    drill = entry[0].find("Drill") if entry else None
    if entry is None or drill is None:
        return None
    diameter = size(drill, "diameter", entry[1])
    plated = drill.attrib.get("plated", "true").lower() != "false"
    return StackHole(diameter, plated, plated) if diameter > 0 else None


def antipad(stacks: dict[str, Node], dictionaries: Dictionaries, unit: Unit, name: str) -> float:
    """The declared clear diameter of a pad stack, m: the largest width of its antipads; nan where none is declared."""
    definition = stacks.get(name)
    widths = [math.nan]
    for pad in definition.all("PadstackPadDef") if definition is not None else ():
        child = _primitive(pad)
        if _usage(pad) != "ANTIPAD" or child is None:
            continue
        if child.tag == "Circle":
            widths.append(size(child, "diameter", unit))
            continue
        try:
            x0, y0, x1, y1 = dictionaries.shape(child, unit).bounds
            widths.append(max(x1 - x0, y1 - y0))
        except NoShape:
            continue
    return max(widths[1:], default=math.nan)
