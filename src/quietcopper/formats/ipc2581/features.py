"""What is drawn on the layers of a Step: sets, features, pads, holes, pad stacks, into columns."""

from __future__ import annotations

import math
from array import array

import numpy as np
import shapely
from shapely import Geometry

from quietcopper.formats.ipc2581 import shapes
from quietcopper.formats.ipc2581.columns import NO_ROW, Names, StepData
from quietcopper.formats.ipc2581.counts import OTHERS_OWN, Counts
from quietcopper.formats.ipc2581.dictionaries import DRAWN, STROKES, Dictionaries, LineStyle, line_or_arc
from quietcopper.formats.ipc2581.layers import COPPER, HOLES, LayerInfo
from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.padstacks import antipad_only, stack_pad
from quietcopper.formats.ipc2581.placing import Placement, placement, shifted
from quietcopper.formats.ipc2581.shapes import NoShape
from quietcopper.formats.ipc2581.values import Unit, length, size, text

NO_NET = {"", "no net", "no_net", "no-net", "nonet", "$none$"}
FIDUCIALS = frozenset(("GlobalFiducial", "LocalFiducial", "GoodPanelMark", "BadBoardMark", "Fiducial"))
STYLING = frozenset(("ColorRef", "FillDescRef", "FillDesc", "LineDesc", "LineDescRef"))  # say nothing about copper
PAD_SHAPES = DRAWN - STROKES
PAD_CHILDREN = PAD_SHAPES | STYLING | {"Location", "Xform", "PinRef", "NonstandardAttribute"}
OWN = "board."  # begins the names of the attributes that our own writer adds


class Features:
    """Takes the contents of LayerFeature and PadStack elements of one step after the other.

    nets, layers, holes, stacks : numbers for names, shared by the whole file
    """

    def __init__(self, dictionaries: Dictionaries, counts: Counts) -> None:
        self.dictionaries, self.counts = dictionaries, counts
        self.nets, self.layers, self.holes, self.stacks = Names(""), Names(), Names(), Names()
        self.step: StepData
        self.unit: Unit
        self._layer = -1
        self._info: LayerInfo
        self._net, self._clear, self._text, self._geometry = 0, False, False, ""
        self._own: dict[str, str] = {}
        self._places: list[tuple[Node | None, Node | None, Placement | None]] = []
        self._drawn_since_open = False
        self._no_nets = dict.fromkeys(NO_NET, 0)

    # ---- where we are ----------------------------------------------------------------------------

    def net(self, name: str) -> int:
        """The number of a net; the words for 'no net' are the empty name."""
        known = self._no_nets.get(name)
        if known is None:
            known = self._no_nets[name] = 0 if name.strip().lower() in NO_NET else self.nets.index(name)
        return known

    def open_layer(self, info: LayerInfo) -> None:
        self._layer, self._info = self.layers.index(info.name), info

    def open_set(self, attrib: dict[str, str]) -> None:
        self._net = self.net(attrib.get("net", ""))
        negative = attrib.get("polarity", "").upper() == "NEGATIVE"
        self._clear = negative != self._info.negative
        self._text = attrib.get("geometryUsage", "").upper() == "TEXT"
        self._geometry = attrib.get("geometry", "")
        self._own = {}
        self._places = []

    def open_group(self) -> None:
        """A Features or UserSpecial element begins: what it places, it says first."""
        outer = self._places[-1][2] if self._places else None
        self._places.append((None, None, outer))
        self._drawn_since_open = False

    def close_group(self) -> None:
        self._places.pop()

    def take(self, node: Node, parent: str) -> None:
        """An element inside Set, Features or UserSpecial."""
        tag = node.tag
        if tag in DRAWN:
            self._draw(node)
        elif tag in ("Location", "Xform") and parent != "Set":
            self._move(node)
        elif tag == "Pad" or tag in FIDUCIALS:
            self._pad(node)
        elif tag == "Hole":
            self._hole(node)
        elif tag == "SlotCavity":
            self._slot(node)
        elif tag == "SpecRef":
            self.step.spec_nets.append((text(node, "id"), self._net))
        elif tag == "NonstandardAttribute":
            name = node.attrib.get("name", "")
            if name.startswith(OWN):
                self._own[name] = node.attrib.get("value", "")
            else:
                self.counts.unread(f"NonstandardAttribute in {parent}", node.line, OTHERS_OWN)
        elif tag == "Text":
            self.counts.unread("Text on copper", node.line, "letters are not followed as copper")
        elif tag not in STYLING:
            self.counts.unread(f"{tag} in {parent}", node.line)

    def _move(self, node: Node) -> None:
        if self._drawn_since_open:
            self.counts.unread(f"{node.tag} after the shape it should move", node.line, "out of the standard's order")
            return
        xform, location, _ = self._places[-1]
        xform, location = (node, location) if node.tag == "Xform" else (xform, node)
        own = placement(xform, location, self.unit)
        outer = self._places[-2][2] if len(self._places) > 1 else None
        self._places[-1] = (xform, location, outer.after(own) if outer and own else own or outer)

    def _row(self) -> int:
        """The row that our own writer gave this object, or NO_ROW."""
        stated = self._own.get("board.row")
        if stated is None or not stated.isdecimal():
            return NO_ROW
        self._own["board.row"] = str(int(stated) + 1)
        return int(stated)

    # ---- copper ----------------------------------------------------------------------------------

    def _draw(self, node: Node) -> None:
        self._drawn_since_open = True
        if self._info.kind != COPPER:
            self.counts.unread(f"{node.tag} on a {self._info.function or 'nameless'} layer", node.line)
            return
        if self._text:
            self.counts.unread("text drawn on copper", node.line, "letters are not followed as copper")
            return
        place = self._places[-1][2] if self._places else None
        try:
            if node.tag in STROKES and not self._clear:
                self._trace(node, place)
            elif node.tag == "Contour" and not node.children[1:] and place is None:
                self._plain_contour(node)
            else:
                shape = self.dictionaries.shape(node, self.unit)
                fill = self.dictionaries.fill(node)
                if fill in ("HATCH", "MESH"):
                    self.counts.unread(f"fillProperty {fill}", node.line, "taken as solid copper")
                self._area(place.shape(shape) if place else shape, node, (fill == "VOID") != self._clear)
        except NoShape as error:
            self.counts.unread(f"{error}", node.line, "has no copper that can be known")

    def _plain_contour(self, node: Node) -> None:
        """The common case without a detour: one polygon without cut-outs, border or placement."""
        polygon = node.children[0]
        if polygon.children or polygon.tag != "Polygon":
            self._area(self.dictionaries.shape(node, self.unit), node, self._clear)
            return
        ring = shapes.ring_of(polygon)
        if len(ring) < 4:
            raise NoShape("Contour with fewer than three corners")
        self._add_rings([ring], node.line, self._clear)

    def _area(self, shape: Geometry, node: Node, clear: bool) -> None:
        for part in shapely.get_parts(shape):
            if part.geom_type == "Polygon" and not part.is_empty:
                rings = [part.exterior, *part.interiors]
                self._add_rings([shapely.get_coordinates(ring) for ring in rings], node.line, clear)

    def _add_rings(self, rings: list[np.ndarray], line: int, clear: bool) -> None:
        self.step.features_on.add(self._layer)
        self.step.areas.add(rings, net=self._net, layer=self._layer, row=self._row(), clear=clear, line=line)

    def _trace(self, node: Node, place: Placement | None) -> None:
        style = self.dictionaries.line(node, self.unit)
        if style is None or style.width <= 0:
            self.counts.unread(f"{node.tag} of no width on copper", node.line, "has no copper")
            return
        if style.end not in ("ROUND", ""):
            self.counts.unread(f"lineEnd {style.end}", node.line, "drawn with round ends")
        self.step.features_on.add(self._layer)
        if node.tag in ("Line", "Arc"):
            self._one_segment(node, style, place)
        else:
            source = node.find("Polygon") if node.tag == "Outline" else node
            if source is None or source.points is None or len(source.points) < 4:
                raise NoShape(f"{node.tag} with fewer than two points")
            self._segments(source, style, place, closed=node.tag == "Outline")

    def _one_segment(self, node: Node, style: LineStyle, place: Placement | None) -> None:
        x0, y0, x1, y1, xc, yc, turn = line_or_arc(node, self.unit)
        width = style.width
        if place is not None:
            (x0, y0), (x1, y1), (xc, yc) = place.point(x0, y0), place.point(x1, y1), place.point(xc, yc)
            turn, width = -turn if place.mirrors else turn, width * place.scale
        if turn == 0 and x0 == x1 and y0 == y1:
            self._dot(x0, y0, width, node.line)
            return
        t = self.step.traces
        t.x0.append(x0)
        t.y0.append(y0)
        t.x1.append(x1)
        t.y1.append(y1)
        t.xc.append(xc)
        t.yc.append(yc)
        t.turn.append(turn)
        t.width.append(width)
        t.net.append(self._net)
        t.layer.append(self._layer)
        t.row.append(self._row())

    def _dot(self, x: float, y: float, width: float, line: int) -> None:
        """A stroke without length is a dot of copper."""
        ring = shapely.get_coordinates(shapes.circle(width)) + np.array([x, y])
        self._add_rings([ring], line, clear=False)

    def _segments(self, source: Node, style: LineStyle, place: Placement | None, closed: bool) -> None:
        assert source.points is not None
        xs, ys = source.points[0::2], source.points[1::2]
        width, mirrored = style.width, False
        if place is not None:
            moved = place.points(np.stack([np.array(xs), np.array(ys)], axis=-1))
            xs, ys = array("d", moved[:, 0]), array("d", moved[:, 1])
            width, mirrored = width * place.scale, place.mirrors
        if closed and (xs[0] != xs[-1] or ys[0] != ys[-1]):
            xs.append(xs[0])
            ys.append(ys[0])
        count = len(xs) - 1
        nan = [math.nan] * count
        xc, yc, turn = array("d", nan), array("d", nan), array("q", [0] * count)
        for index, cx, cy, clockwise in source.curves:
            if index > 0:
                xc[index - 1], yc[index - 1] = place.point(cx, cy) if place is not None else (cx, cy)
                turn[index - 1] = -1 if clockwise != mirrored else 1
        keep = [k for k in range(count) if turn[k] or xs[k] != xs[k + 1] or ys[k] != ys[k + 1]]
        if not keep:
            self._dot(xs[0], ys[0], width, source.line)
            return
        x0, y0, x1, y1 = xs[:-1], ys[:-1], xs[1:], ys[1:]
        if len(keep) < count:  # a point given twice adds nothing
            x0, y0, x1, y1, xc, yc = (array("d", [c[k] for k in keep]) for c in (x0, y0, x1, y1, xc, yc))
            turn, count = array("q", [turn[k] for k in keep]), len(keep)
        t = self.step.traces
        t.x0.extend(x0)
        t.y0.extend(y0)
        t.x1.extend(x1)
        t.y1.extend(y1)
        t.xc.extend(xc)
        t.yc.extend(yc)
        t.turn.extend(turn)
        t.width.extend([width] * count)
        t.net.extend([self._net] * count)
        t.layer.extend([self._layer] * count)
        if "board.row" in self._own:
            t.row.extend([self._row() for _ in range(count)])
        else:
            t.row.extend([NO_ROW] * count)

    # ---- pads and holes --------------------------------------------------------------------------

    def _at(self, node: Node) -> tuple[float, float]:
        """Where a pad or hole is: its Location, or x and y of its own."""
        source = node.find("Location") or node
        return length(source, "x", self.unit), length(source, "y", self.unit)

    def _template(self, node: Node, layer: str) -> int:
        """The number of a pad's shape. Raises NoShape."""
        xform = node.find("Xform")
        place = placement(xform, None, self.unit) if xform is not None else None
        child = next((child for child in node.children if child.tag in PAD_SHAPES), None)
        dictionaries, unit, step = self.dictionaries, self.unit, self.step

        def placed(shape: Geometry) -> Geometry:
            return place.shape(shape) if place else shape

        if child is None:
            stack = node.attrib.get("padstackDefRef", "")
            return step.templates.index(
                ("stack", stack, layer, place), lambda: placed(stack_pad(step.stacks, dictionaries, unit, stack, layer))
            )
        if child.tag in ("StandardPrimitiveRef", "UserPrimitiveRef"):
            return step.templates.index(
                (child.tag, text(child, "id"), place), lambda: placed(dictionaries.referred(child))
            )
        if child.children or child.points is not None:
            return step.templates.add(placed(dictionaries.shape(child, unit)))
        return step.templates.index(
            (child.tag, tuple(sorted(child.attrib.items())), place), lambda: placed(dictionaries.shape(child, unit))
        )

    def _pad(self, node: Node) -> None:
        if self._info.kind != COPPER:
            self.counts.unread(f"{node.tag} on a {self._info.function or 'nameless'} layer", node.line)
            return
        try:
            shape = self._template(node, self._info.name)
        except NoShape as error:
            self.counts.unread(f"{node.tag}: {error}", node.line, "its copper is missing")
            return
        for child in node.children:
            if child.tag not in PAD_CHILDREN:
                self.counts.unread(f"{child.tag} in {node.tag}", child.line)
        x, y = self._at(node)
        if self._clear:
            self._area(shifted(self.step.templates.shapes[shape], x, y), node, clear=True)
            return
        stack = node.attrib.get("padstackDefRef", "")
        self._add_pad(node, shape, self._net, self._layer, x, y, stack, self._own.get("board.hole"))

    def _add_pad(
        self, node: Node, shape: int, net: int, layer: int, x: float, y: float, stack: str, hole: str | None
    ) -> None:
        step, p = self.step, self.step.pads
        step.features_on.add(layer)
        ref = node.find("PinRef")
        pin = -1
        if ref is not None:
            key = (ref.attrib.get("componentRef", ""), text(ref, "pin"))
            pin = step.pins.setdefault(key, len(step.pins))
        p.net.append(net)
        p.layer.append(layer)
        p.row.append(self._row())
        p.shape.append(shape)
        p.pin.append(pin)
        p.stack.append(self.stacks.index(stack) if stack else -1)
        p.hole.append(self.holes.index(hole) if hole is not None else -1)
        p.line.append(node.line)
        p.x.append(x)
        p.y.append(y)

    def _hole(self, node: Node) -> None:
        drill = size(node, "diameter", self.unit)
        if drill <= 0:
            self.counts.unread("Hole of no diameter", node.line)
            return
        x, y = self._at(node)
        if self._info.kind not in (COPPER, HOLES):
            self.counts.unread(f"Hole on a {self._info.function or 'nameless'} layer", node.line)
            return
        net = -1 if self._net == 0 else self._net
        self._add_hole(node, net, (x, y, x, y), drill, self._info.span, self._geometry)

    def _slot(self, node: Node) -> None:
        """A milled slot: a stroke or oval gives its two ends and width; another outline is enclosed by one."""
        for child in node.children:
            if child.tag not in DRAWN:
                continue
            try:
                x0, y0, x1, y1, width = self._slot_ends(child)
            except NoShape as error:
                self.counts.unread(f"SlotCavity: {error}", node.line)
                return
            place = placement(node.find("Xform"), node.find("Location"), self.unit)
            if place is not None:
                (x0, y0), (x1, y1) = place.point(x0, y0), place.point(x1, y1)
            net = -1 if self._net == 0 else self._net
            self._add_hole(node, net, (x0, y0, x1, y1), width, self._info.span, self._geometry)
            return
        self.counts.unread("SlotCavity without a shape that is understood", node.line)

    def _slot_ends(self, child: Node) -> tuple[float, float, float, float, float]:
        style = self.dictionaries.line(child, self.unit) if child.tag in STROKES else None
        if child.tag == "Line" and style is not None and style.width > 0:
            x0, y0, x1, y1, *_ = line_or_arc(child, self.unit)
            return x0, y0, x1, y1, style.width
        if child.tag == "Outline":
            child = child.find("Polygon") or child
        box = shapely.minimum_rotated_rectangle(self.dictionaries.shape(child, self.unit))
        corners = shapely.get_coordinates(box)
        if len(corners) < 4:
            raise NoShape(f"{child.tag} without area")
        sides = np.hypot(*np.diff(corners[:3], axis=0).T)
        long = int(sides[1] > sides[0])
        middle, width = corners[:4].mean(axis=0), float(sides[1 - long])
        half = (corners[long + 1] - corners[long]) / 2 * max(1 - width / sides[long], 0.0)
        return (*(middle - half), *(middle + half), width)

    def _add_hole(
        self, node: Node, net: int, ends: tuple[float, ...], drill: float, span: tuple[str, str] | None, stack: str
    ) -> None:
        """ends : x, y, x1, y1"""
        x, y, x1, y1 = ends
        h = self.step.holes
        status = node.attrib.get("platingStatus", "PLATED").upper()
        h.net.append(net)
        h.layer.append(self._layer)
        h.first.append(self.layers.index(span[0]) if span else -1)
        h.last.append(self.layers.index(span[1]) if span else -1)
        h.kind.append({"NONPLATED": 0, "PLATED": 1}.get(status, 2))
        h.name.append(self.holes.index(node.attrib.get("name", "")))
        h.stack.append(self.stacks.index(stack) if stack else -1)
        h.row.append(self._row())
        pin = self._own.get("board.pin", "")
        h.pin.append(int(pin) if pin.isdecimal() else -1)
        h.line.append(node.line)
        h.x.append(x)
        h.y.append(y)
        h.x1.append(x1)
        h.y1.append(y1)
        h.drill.append(drill)

    def pad_stack(self, node: Node, layers: dict[str, LayerInfo]) -> None:
        """A PadStack of the step: one hole, one pad a layer, all with the same net."""
        self._own, self._clear, self._geometry = {}, False, ""
        net = self.net(node.attrib.get("net", ""))
        for child in node.children:
            if child.tag == "LayerHole":
                self._stack_hole(child, net)
            elif child.tag == "LayerPad":
                self._stack_pad(child, net, layers)
            else:
                why = OTHERS_OWN if child.tag == "NonstandardAttribute" else ""
                self.counts.unread(f"{child.tag} in PadStack", child.line, why)

    def _stack_hole(self, node: Node, net: int) -> None:
        drill = size(node, "diameter", self.unit)
        if drill <= 0:
            self.counts.unread("LayerHole of no diameter", node.line)
            return
        x, y = self._at(node)
        span = node.find("Span")
        ends = (text(span, "fromLayer"), text(span, "toLayer")) if span is not None else None
        self._layer = -1
        self._add_hole(node, net, (x, y, x, y), drill, ends, "")

    def _stack_pad(self, node: Node, net: int, layers: dict[str, LayerInfo]) -> None:
        name = text(node, "layerRef")
        info = layers.get(name)
        if info is None:
            self.counts.unread("LayerPad on a layer that is not declared", node.line)
        elif info.kind != COPPER:
            self.counts.passed(info.function, {"LayerPad": 1}, node.line)
        elif info.negative or antipad_only(node):
            self.counts.unread("LayerPad on a negative plane", node.line, "its clearance is not taken from pad stacks")
        else:
            try:
                shape = self._template(node, name)
            except NoShape as error:
                self.counts.unread(f"LayerPad: {error}", node.line, "its copper is missing")
                return
            self._add_pad(node, shape, net, self.layers.index(name), *self._at(node), "", None)
