"""Spec elements and what else states a material: permittivity, loss tangent, conductivity, impedance targets."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.stack_filling import Material

HERTZ = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
# powers of ten that turn a conductivity's text into S/m, as values.Unit does with lengths
PER_METRE = {"MHO/CM": "e2", "S/CM": "e2", "SIEMENS/CM": "e2", "MHO/M": "", "S/M": "", "SIEMENS/M": ""}
# words in the names of non-standard attributes, by what they state
LOOSE_NAMES = (
    ("er", re.compile(r"DIELECTRIC_?CONSTANT|PERMITTIVITY|EPSILON|(^|_)(ER|DK)$")),
    ("tan_d", re.compile(r"LOSS_?TANGENT|DISSIPATION|TAN_?D|(^|_)DF$")),
    ("conductivity", re.compile(r"ELECTRICAL_?CONDUCTIVITY|^CONDUCTIVITY$")),
    ("material", re.compile(r"^(LAYER_)?MATERIAL$")),
)
_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


def _number(text: str) -> tuple[float, str] | None:
    """A leading number and the unit after it, in S/m where that is a conductivity's; None where there is none."""
    match = _NUMBER.match(text)
    return _with_unit(match.group(1), match.group(2)) if match else None


def _with_unit(number: str, unit: str) -> tuple[float, str] | None:
    unit = unit.upper()
    suffix = PER_METRE.get(unit, "")
    value = float(number + suffix) if "e" not in number.lower() else float(number) * float("1" + (suffix or "e0"))
    return (value, unit) if math.isfinite(value) else None


def property_value(item: Node) -> tuple[float, str] | None:
    """The first Property's value (or number in its text) with its unit, a conductivity in S/m."""
    for prop in item.all("Property"):
        for name in ("value", "text"):
            match = _NUMBER.match(prop.attrib.get(name, ""))
            if match is not None:
                return _with_unit(match.group(1), prop.attrib.get("unit", match.group(2)))
    return None


def _frequency(item: Node) -> float | None:
    for prop in item.all("Property"):
        found = _number(prop.attrib.get("refValue", ""))
        unit = prop.attrib.get("refUnit", "").upper()
        if found is not None and found[0] > 0 and unit in HERTZ:
            return found[0] * HERTZ[unit]
    return None


def material_of(spec: Node, known: Material) -> Material:
    """`known`, with what a Spec element adds to it."""
    for item in spec.children:
        kind, found = item.attrib.get("type", "").upper(), property_value(item)
        if item.tag == "General" and kind == "MATERIAL":
            text = next((p.attrib["text"] for p in item.all("Property") if p.attrib.get("text")), "")
            known = replace(known, material=known.material or text)
        elif item.tag == "Dielectric" and kind == "DIELECTRIC_CONSTANT" and found is not None:
            known = replace(known, er=found[0], frequency=_frequency(item) or known.frequency)
        elif item.tag == "Dielectric" and kind == "LOSS_TANGENT" and found is not None:
            known = replace(known, tan_d=found[0], frequency=known.frequency or _frequency(item))
        elif item.tag == "Conductor" and kind == "CONDUCTIVITY" and found is not None and found[1] in PER_METRE:
            known = replace(known, conductivity=found[0])
    return known


def loose_material(node: Node, known: Material) -> Material:
    """`known`, with what a StackupLayer says outside the standard's own places."""
    if not known.material:
        known = replace(known, material=node.attrib.get("materialType", ""))
    for item in node.children:
        if item.tag == "NonstandardAttribute":
            name, value = item.attrib.get("name", "").upper(), item.attrib.get("value", "")
            known = _loose(name, value, known)
        elif item.tag == "Dielectric":  # seen in a hand-written file: <Dielectric epsilonR="4.5" material="FR-4"/>
            for key, column in (("epsilonR", "er"), ("lossTangent", "tan_d")):
                found = _number(item.attrib.get(key, ""))
                if found is not None and getattr(known, column) is None:
                    known = replace(known, **{column: found[0]})  # type: ignore[arg-type]
            known = replace(known, material=known.material or item.attrib.get("material", ""))
    return known


def _loose(name: str, value: str, known: Material) -> Material:
    for column, pattern in LOOSE_NAMES:
        if not pattern.search(name) or getattr(known, column) not in (None, ""):
            continue
        if column == "material":
            return replace(known, material=value)
        found = _number(value)
        if found is None:
            return known
        if column == "conductivity":
            return replace(known, conductivity=found[0] or None) if found[1] in PER_METRE else known
        return replace(known, **{column: found[0]})  # type: ignore[arg-type]
    return known


@dataclass(frozen=True)
class Target:
    """An impedance that a Spec asks for, ohm; coupled for a pair's differential impedance."""

    ohm: float
    coupled: bool


def impedance_target(spec: Node) -> Target | None:
    """A Spec's Impedance of type IMPEDANCE; None where it states none."""
    for item in spec.all("Impedance"):
        found = property_value(item)
        if item.attrib.get("type", "IMPEDANCE").upper() == "IMPEDANCE" and found is not None and found[0] > 0:
            transmission = item.attrib.get("transmission", "SINGLE_ENDED").upper()
            return Target(found[0], "COUPLED" in transmission or "DIFF" in transmission)
    return None
