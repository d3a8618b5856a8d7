"""What the file names once and uses often: primitives, line descriptions, fills; and shapes made of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import shapely
from shapely import Geometry, LineString, MultiPolygon, Polygon

from quietcopper.board.geometry import arc_points
from quietcopper.formats.ipc2581 import shapes
from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.placing import Placement, placement
from quietcopper.formats.ipc2581.shapes import NoShape
from quietcopper.formats.ipc2581.values import MAX_RADIUS, MILLIMETER, BadValue, Unit, flag, length, size, text

STANDARD = frozenset(
    [
        "Circle",
        "RectCenter",
        "RectCorner",
        "RectRound",
        "RectCham",
        "Oval",
        "Ellipse",
        "Diamond",
        "Hexagon",
        "Octagon",
        "Triangle",
        "Donut",
        "Thermal",
        "Moire",
        "Butterfly",
        "Contour",
        "Polygon",
    ]
)
STROKES = frozenset(("Line", "Arc", "Polyline", "Outline"))
REFERENCES = frozenset(("StandardPrimitiveRef", "UserPrimitiveRef"))
DRAWN = STANDARD | STROKES | REFERENCES | {"UserSpecial"}
MAX_NESTING = 8  # of a user primitive in a user primitive
MAX_PIECES = 10_000  # of a user primitive, with those that it names


@dataclass(frozen=True)
class LineStyle:
    """Width in m, and the word for the line's end in the file."""

    width: float
    end: str


class Dictionaries:
    """The dictionaries of the Content section. cad_unit : the CadHeader's, for a dictionary that states none."""

    def __init__(self) -> None:
        self._entries: dict[tuple[str, str], tuple[Node, Unit | None]] = {}
        self._lines: dict[str, tuple[Node, Unit | None]] = {}
        self._fills: dict[str, str] = {}
        self._shapes: dict[tuple[str, str], Geometry | NoShape] = {}
        self.cad_unit: Unit | None = None
        self.without_unit = 0  # entries of dictionaries that state no unit

    def add(self, entry: Node, unit: Unit | None) -> bool:
        """Takes an Entry element; False when it is of no kind known here or repeats an id."""
        key = text(entry, "id")
        if entry.tag in ("EntryLineDesc", "EntryFillDesc"):
            child = entry.find(entry.tag.removeprefix("Entry"))
            if child is None or key in self._lines or key in self._fills:
                return False
            if entry.tag == "EntryLineDesc":
                self._lines[key] = (child, unit)
            else:
                self._fills[key] = child.attrib.get("fillProperty", "FILL").upper()
        elif entry.tag in ("EntryStandard", "EntryUser"):
            kind = entry.tag.removeprefix("Entry")
            if (kind, key) in self._entries:
                return False
            self._entries[kind, key] = (entry, unit)
        else:
            return False
        self.without_unit += unit is None
        return True

    def entry(self, key: str) -> tuple[Node, Unit] | None:
        """A standard primitive's whole entry, for pads that name it as their padstack."""
        found = self._entries.get(("Standard", key))
        return (found[0], self._unit(found[1])) if found else None

    def _unit(self, unit: Unit | None) -> Unit:
        if unit is None:
            unit = self.cad_unit
        if unit is None:
            raise NoShape("primitive in a dictionary without units, used before any units are stated")
        return unit

    def fill(self, node: Node) -> str:
        """FILL, HOLLOW, VOID, HATCH or MESH, as said inside a primitive or its Polygon."""
        for child in node.children:
            if child.tag == "Polygon" and node.tag == "Contour":
                return self.fill(child)
            if child.tag == "FillDesc":
                return child.attrib.get("fillProperty", "FILL").upper()
            if child.tag == "FillDescRef":
                return self._fills.get(child.attrib.get("id", ""), "FILL")
        return "FILL"

    def line(self, node: Node, unit: Unit) -> LineStyle | None:
        """The line description inside an element (or written into it); None where there is none."""
        for child in node.children:
            if child.tag == "LineDesc":
                return _style(child, unit)
            if child.tag == "LineDescRef":
                found = self._lines.get(text(child, "id"))
                if found is None:
                    raise NoShape(f"{node.tag} with a LineDescRef that no dictionary has")
                return _style(found[0], self._unit(found[1]))
        if "lineWidth" in node.attrib:
            return _style(node, unit)
        return None

    def referred(self, node: Node) -> Geometry:
        """The shape that a StandardPrimitiveRef or UserPrimitiveRef names. Raises NoShape where there is none."""
        kind = "Standard" if node.tag == "StandardPrimitiveRef" else "User"
        return self.named(kind, text(node, "id"))

    def named(self, kind: str, key: str, depth: int = 0) -> Geometry:
        found = self._shapes.get((kind, key))
        if found is None:
            entry = self._entries.get((kind, key))
            if entry is None:
                found = NoShape(f"{kind}PrimitiveRef that no dictionary has")
            else:
                found = self._entry_shape(*entry, depth)
            self._shapes[kind, key] = found
        if isinstance(found, NoShape):
            raise found
        return found

    def _entry_shape(self, entry: Node, stated: Unit | None, depth: int) -> Geometry | NoShape:
        try:
            unit = self._unit(stated)
            for child in entry.children:
                if child.tag in DRAWN:
                    shape = self.shape(child, unit, depth + 1)
                    return shape if stated is not None else _rescaled(shape, child, unit)
            return NoShape(f"{entry.tag} without a primitive")
        except NoShape as error:
            return error

    def shape(self, node: Node, unit: Unit, depth: int = 0) -> Geometry:
        """The filled shape of a primitive, stroke, reference or group of them. Raises NoShape."""
        if depth > MAX_NESTING:
            raise BadValue(node.line, node.tag, f"primitives nested more than {MAX_NESTING} deep")
        if node.tag in REFERENCES:
            return self.named("Standard" if node.tag == "StandardPrimitiveRef" else "User", text(node, "id"), depth)
        if node.tag in STROKES:
            return self._stroke(node, unit)
        if node.tag == "UserSpecial":
            return self._group(node, unit, depth)
        shape = shapes.standard(node, unit)
        inner = node.find("Polygon") if node.tag == "Contour" else None
        if inner is not None and inner.find("Xform") is not None:
            raise NoShape("Polygon with an Xform of its own")
        fill = self.fill(node)
        style = self.line(node, unit) or (self.line(inner, unit) if inner is not None else None)
        width = style.width if style else 0.0
        if fill == "HOLLOW":
            if width <= 0:
                raise NoShape(f"hollow {node.tag} drawn with no width")
            shape = shape.boundary.buffer(width / 2)
        elif width > 0:
            shape = shape.buffer(width / 2)
        place = placement(node.find("Xform"), node.find("Location"), unit)
        return place.shape(shape) if place else shape

    def _group(self, node: Node, unit: Unit, depth: int) -> Geometry:
        """A UserSpecial: Xform and Location, then any shapes."""
        parts, reason = [], "UserSpecial without shapes"
        for child in node.children:
            if child.tag in DRAWN:
                try:
                    parts.append(self.shape(child, unit, depth + 1))
                except NoShape as error:
                    reason = f"UserSpecial with {error}"
        if not parts:
            raise NoShape(reason)
        shape = parts[0] if len(parts) == 1 else _together(parts)
        place = placement(node.find("Xform"), node.find("Location"), unit)
        return place.shape(shape) if place else shape

    def _stroke(self, node: Node, unit: Unit) -> Geometry:
        style = self.line(node, unit)
        if style is None or style.width <= 0:
            raise NoShape(f"{node.tag} drawn with no width")
        cap = "square" if style.end == "SQUARE" else "flat" if style.end == "NONE" else "round"
        return stroke_path(node, unit).buffer(style.width / 2, cap_style=cap)


def _rescaled(shape: Geometry, child: Node, unit: Unit) -> Geometry:
    """Polygon points of a dictionary without units were read as millimetres; lengths in attributes were not."""
    ratio = unit.factor * float("1" + unit.suffix) / (MILLIMETER.factor * float("1" + MILLIMETER.suffix))
    if ratio == 1.0 or child.tag not in ("Contour", "Polygon", "UserSpecial"):
        return shape
    return Placement(ratio, 0.0, 0.0, ratio, 0.0, 0.0).shape(shape)


def _style(node: Node, unit: Unit) -> LineStyle:
    return LineStyle(size(node, "lineWidth", unit), node.attrib.get("lineEnd", "ROUND").upper())


def _together(parts: list[Geometry]) -> Geometry:
    """Disjoint polygons side by side, else their union."""
    flat = [piece for part in parts for piece in shapely.get_parts(part)]
    if len(flat) > MAX_PIECES:
        raise NoShape(f"user primitive of more than {MAX_PIECES} pieces")
    group = MultiPolygon([piece for piece in flat if isinstance(piece, Polygon)])
    return group if group.is_valid else shapely.union_all(parts)


def stroke_path(node: Node, unit: Unit) -> LineString:
    """The centre line of a Line, Arc, Polyline or Outline. Raises NoShape for one without length."""
    if node.tag == "Polyline":
        return shapes.path_of(node)
    if node.tag == "Outline":
        polygon = node.find("Polygon")
        ring = shapes.ring_of(polygon) if polygon is not None else None
        if ring is None or len(ring) < 2:
            raise NoShape("Outline without a polygon")
        return LineString(ring)
    x0, y0, x1, y1, xc, yc, turn = line_or_arc(node, unit)
    if turn == 0:
        return LineString([(x0, y0), (x1, y1)])
    return LineString(arc_points(x0, y0, x1, y1, xc, yc, turn))


def line_or_arc(node: Node, unit: Unit) -> tuple[float, float, float, float, float, float, int]:
    """x0, y0, x1, y1, xc, yc, turn of a Line or Arc element, as in board.Traces."""
    x0, y0 = length(node, "startX", unit), length(node, "startY", unit)
    x1, y1 = length(node, "endX", unit), length(node, "endY", unit)
    if node.tag == "Line":
        return x0, y0, x1, y1, math.nan, math.nan, 0
    xc, yc = (length(node, name, unit, limit=MAX_RADIUS) for name in ("centerX", "centerY"))
    return x0, y0, x1, y1, xc, yc, -1 if flag(node, "clockwise") else 1
