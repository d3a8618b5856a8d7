"""Components and their pins: packages placed on the board, with values from the parts list."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietcopper.formats.ipc2581.columns import StepData
from quietcopper.formats.ipc2581.counts import OTHERS_OWN
from quietcopper.formats.ipc2581.features import OWN, PAD_SHAPES
from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.placing import Placement, placement, turn
from quietcopper.formats.ipc2581.reader import Reader
from quietcopper.formats.ipc2581.values import Unit, angle, flag, length, number, text

VALUE_NAMES = ("VALUE", "COMP_VALUE", "PART_VALUE", "COMPONENT_VALUE")
ON_PAD = 10e-6  # m; a pin nearer than this to the middle of its pad lies on it


@dataclass(frozen=True)
class PackagePin:
    """A pin of a package round the package's origin. shape : the element that gives its pad, if any"""

    name: str
    x: float
    y: float
    through: bool
    shape: Node | None
    xform: Node | None
    stack: str


@dataclass
class PartRows:
    """Columns of board.Parts and board.Pins as lists, plus where a pin's pad shape would come from."""

    ref: list[str] = field(default_factory=list)
    value: list[str] = field(default_factory=list)
    package: list[str] = field(default_factory=list)
    side: list[int] = field(default_factory=list)
    x: list[float] = field(default_factory=list)
    y: list[float] = field(default_factory=list)
    rotation: list[float] = field(default_factory=list)
    pin_part: list[int] = field(default_factory=list)
    pin_name: list[str] = field(default_factory=list)
    pin_x: list[float] = field(default_factory=list)
    pin_y: list[float] = field(default_factory=list)
    pin_layer: list[int] = field(default_factory=list)
    pin_source: list[PackagePin] = field(default_factory=list)
    places: list[Placement] = field(default_factory=list)  # of each part
    pin_row: list[int] = field(default_factory=list)  # row that our own writer stated, or -1
    place_given: list[bool] = field(default_factory=list)  # our own writer stated where the pin is


def package_pins(node: Node, unit: Unit) -> list[PackagePin]:
    """The pins of a Package; of its LandPattern where it lists no pins."""
    pins = node.all("Pin")
    if pins:
        return [_pin(pin, text(pin, "number", pin.attrib.get("name", "")), unit) for pin in pins]
    out = []
    for pattern in node.all("LandPattern"):
        for pad in pattern.all("Pad"):
            ref = pad.find("PinRef")
            if ref is not None:
                out.append(_pin(pad, text(ref, "pin"), unit))
    return out


def _pin(node: Node, name: str, unit: Unit) -> PackagePin:
    location = node.find("Location") or node
    shape = next((child for child in node.children if child.tag in PAD_SHAPES), None)
    through = node.attrib.get("type", "").upper() in ("THRU", "BLIND")
    x, y = length(location, "x", unit, 0.0), length(location, "y", unit, 0.0)
    return PackagePin(name, x, y, through, shape, node.find("Xform"), node.attrib.get("padstackDefRef", ""))


def read_parts(reader: Reader, step: StepData, layer_of: dict[str, int], layer_count: int) -> PartRows:
    """The parts of a step. layer_of : copper layer index by name."""
    assert reader.cad_unit is not None
    unit, counts, rows = reader.cad_unit, reader.counts, PartRows()
    packages = {name: package_pins(node, unit) for name, node in step.packages.items()}
    mirror_first = _mirrors_first(reader, step, packages, unit)
    seen: dict[str, int] = {}
    for node in step.components:
        ref = text(node, "refDes", "")
        seen[ref] = seen.get(ref, 0) + 1
        extra = {a.attrib.get("name", ""): a.attrib.get("value", "") for a in node.all("NonstandardAttribute")}
        turns = _turns(extra.get("board.turns", "0"))
        place, rotation = _part_place(node, unit, mirror_first, turns)
        side = _side(node, reader, layer_of, layer_count)
        for child in node.children:
            word = child.attrib.get("name", "") if child.tag == "NonstandardAttribute" else None
            if word is None and child.tag not in ("Xform", "Location"):
                counts.unread(f"{child.tag} in Component", child.line)
            elif word is not None and word.upper() not in VALUE_NAMES and not word.startswith(OWN):
                counts.unread("NonstandardAttribute in Component", child.line, OTHERS_OWN)
        part = len(rows.ref)
        package = node.attrib.get("packageRef", "")
        if package not in packages:
            counts.unread("Component of a package that is not in the file", node.line, "its pins are missing")
        rows.ref.append(ref)
        rows.value.append(_value(node, reader.bom.get(ref), extra))
        rows.package.append(extra.get("board.package", package))
        rows.side.append(side)
        rows.x.append(place.e)
        rows.y.append(place.f)
        rows.rotation.append(rotation)
        rows.places.append(place)
        pins = packages.get(package, [])
        given = _Given(extra, len(pins), unit)
        for k, pin in enumerate(pins):
            x, y = given.places[k] if given.places else place.point(pin.x, pin.y)
            rows.pin_part.append(part)
            rows.pin_name.append(pin.name)
            rows.pin_x.append(x)
            rows.pin_y.append(y)
            outer = -1 if pin.through else (0, layer_count - 1)[side]
            rows.pin_layer.append(max(-1, min(given.layers[k], layer_count - 1)) if given.layers else outer)
            rows.place_given.append(bool(given.places))
            rows.pin_source.append(pin)
            rows.pin_row.append(given.rows[k] if given.rows else -1)
    twice = [ref or "(no reference)" for ref, count in seen.items() if count > 1]
    if twice:
        counts.problem(
            f"More than one part has the reference {', '.join(twice[:12])}{', …' if len(twice) > 12 else ''}."
        )
    if reader.unpopulated:
        names = ", ".join(sorted(reader.unpopulated)[:12]) + (" and others" if len(reader.unpopulated) > 12 else "")
        counts.problem(f"The parts list marks parts as not fitted; they are reviewed as if they were there: {names}.")
    return rows


class _Given:
    """What our own writer states of a component's pins where the package cannot: rows, layers, places; else empty."""

    def __init__(self, extra: dict[str, str], count: int, unit: Unit) -> None:
        self.rows = self._ints(extra.get("board.pin-rows"), count)
        self.layers = self._ints(extra.get("board.pin-layers"), count)
        self.places: list[tuple[float, float]] = []
        words = extra.get("board.pin-places", "").split()
        if words and len(words) == 2 * count:
            try:
                values = [unit.metres(word) for word in words]
                self.places = list(zip(values[0::2], values[1::2], strict=True))
            except ValueError:
                self.places = []

    @staticmethod
    def _ints(stated: str | None, count: int) -> list[int]:
        parts = (stated or "").split()
        good = len(parts) == count and all(p.removeprefix("-").isdecimal() and len(p) < 10 for p in parts)
        return [int(p) for p in parts] if good else []


def _turns(stated: str) -> int:
    """Whole turns that our own writer states beside a rotation."""
    return int(stated) if stated.removeprefix("-").isdecimal() and len(stated) < 6 else 0


def _part_place(node: Node, unit: Unit, mirror_first: bool, turns: int = 0) -> tuple[Placement, float]:
    """Where a component is, and its rotation counter-clockwise as seen from layer 1, rad in [0, 2π) and whole turns."""
    xform, location = node.find("Xform"), node.find("Location")
    mirrored = xform is not None and flag(xform, "mirror")
    if location is None and xform is not None and "x" in xform.attrib:
        location = xform  # seen in a hand-written file: <Xform x="5" y="12" rotation="90"/>
    place = placement(xform, location, unit)
    if place is None:
        place = Placement(1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    if mirrored and mirror_first:
        a, b, c, d = turn(angle(xform), True, number(xform, "scale", 1.0), mirror_first=True)  # type: ignore[arg-type]
        place = Placement(a, b, c, d, place.e, place.f)
    return place, angle(xform, mirrored=mirrored and not mirror_first, turns=turns)


def _side(node: Node, reader: Reader, layer_of: dict[str, int], layer_count: int) -> int:
    """0 for parts on the first copper layer, 1 on the last; the layer's own side decides where it is another one."""
    name = node.attrib.get("layerRef", "")
    info = reader.layers.get(name)
    index = layer_of.get(name)
    if index is not None and layer_count > 1:
        return int(index > (layer_count - 1) / 2)
    if info is None:
        reader.counts.unread("Component on a layer that is not declared", node.line, "taken as on the component side")
        return 0
    return int(info.side == "BOTTOM")


def _value(node: Node, item: Node | None, extra: dict[str, str]) -> str:
    """What a part is: its stated value, else its description, else its part number where that is not the package's."""
    for name, value in extra.items():
        if name.upper() in VALUE_NAMES and value:
            return value
    if node.attrib.get("value"):
        return node.attrib["value"]
    if item is not None:
        for group in item.all("Characteristics"):
            for entry in group.children:
                found = _characteristic(entry)
                if found:
                    return found
        if item.attrib.get("description"):
            return item.attrib["description"].strip()
    part = node.attrib.get("part", "")
    return "" if part == node.attrib.get("packageRef") else part


def _characteristic(entry: Node) -> str:
    if entry.tag == "Textual" and entry.attrib.get("textualCharacteristicName", "").upper() in VALUE_NAMES:
        return entry.attrib.get("textualCharacteristicValue", "")
    if entry.tag == "Measured" and entry.attrib.get("measuredCharacteristicName", "").upper() in VALUE_NAMES:
        value, unit = (
            entry.attrib.get("measuredCharacteristicValue", ""),
            entry.attrib.get("engineeringUnitOfMeasure", ""),
        )
        return f"{value} {unit}".strip()
    return ""


def _mirrors_first(reader: Reader, step: StepData, packages: dict[str, list[PackagePin]], unit: Unit) -> bool:
    """Whether this file's parts are mirrored before they are turned, against the usual order: the pads that name their
    pins decide, over the mirrored parts that are turned by anything but half turns."""
    pads = _pad_places(step)
    hits = [0, 0]
    for node in step.components:
        xform = node.find("Xform")
        if xform is None or not flag(xform, "mirror") or abs(math.sin(angle(xform))) < 1e-6:
            continue
        ref = node.attrib.get("refDes", "")
        for mode in (0, 1):
            place, _ = _part_place(node, unit, bool(mode))
            for pin in packages.get(node.attrib.get("packageRef", ""), ()):
                at = pads.get((ref, pin.name))
                if at is not None:
                    hits[mode] += bool(np.hypot(*(at - place.point(pin.x, pin.y)).T).min() < ON_PAD)
    if hits[1] > hits[0]:
        reader.counts.problem("Parts on the far side are mirrored before they are turned in this file; read that way.")
    return hits[1] > hits[0]


def _pad_places(step: StepData) -> dict[tuple[str, str], NDArray[np.float64]]:
    """Where the pads are that name a pin, shape (n, 2) each."""
    p = step.pads
    order: dict[int, list[int]] = {}
    for row, pin in enumerate(p.pin):
        if pin >= 0:
            order.setdefault(pin, []).append(row)
    keys = list(step.pins)
    return {keys[pin]: np.array([(p.x[row], p.y[row]) for row in rows]) for pin, rows in order.items()}
