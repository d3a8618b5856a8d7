"""BoardBuilder: says a board line by line and builds the immutable Board."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import shapely
from shapely import Polygon
from shapely.affinity import affine_transform, scale

from quietcopper.board import Areas, Board, Pads, Parts, Pins, Traces, Vias
from quietcopper.build.drawing import Outline, Point, as_polygon, circle, fillet, octilinear
from quietcopper.build.packages import Package
from quietcopper.build.pours import Pour, Stitch, Thermal, grid_places, obstacles, pour_copper
from quietcopper.build.stack import Stack
from quietcopper.errors import CallError

LayerRef = int | str  # number 1..N from the component side, or name
Places = Sequence[Point]


@dataclass(frozen=True)
class Hop:
    """A step of a route: a via here, and on from there on another layer."""

    layer: LayerRef


Step = Point | str | Hop


_TraceRow = tuple[int, int, float, float, float, float, float, float, int, float]
_ViaRow = tuple[int, float, float, float, float, float, int, int, bool, float, int]
_PadRow = tuple[int, int, float, float, Polygon, int, int]


class BoardBuilder:
    """A board in the making.

    unit : metres a unit of every length given to the builder, stated once (MM from quietcopper.units); packages and
           stackups carry their own units
    width, via (drill, pad), clearance : used where a call does not give its own; none is assumed otherwise

    A net exists from its first mention. x to the right and y up as seen from layer 1; layers are named by their
    number from 1 or by their name.

    >>> from quietcopper.build import BoardBuilder, Hop, chip, copper, laminate, rectangle, stack
    >>> from quietcopper.units import MM
    >>> b = BoardBuilder("example", unit=MM, width=0.2, via=(0.3, 0.6), clearance=0.2, stack=stack(
    ...     copper("top", thickness_um=35), laminate(thickness_um=1500, er=4.3, tan_d=0.02),
    ...     copper("bottom", thickness_um=35)))
    >>> b.outline(rectangle(0, 0, 30, 20, corner=2))
    >>> b.part("R1", chip("0603"), (5, 10), nets=("SIGNAL", "GND"), value="33 ohm")
    >>> b.part("R2", chip("0603"), (25, 10), nets=("SIGNAL", "GND"), turn_deg=180)
    >>> b.route("SIGNAL", "R1.1", (4, 15), Hop("bottom"), (26, 15), Hop("top"), "R2.1")
    >>> b.pour("GND", "bottom", rectangle(0, 0, 30, 20), edge=0.3)
    >>> board = b.build()
    >>> len(board.parts), len(board.vias), len(board.areas)
    (2, 2, 0)

    The pour is gone, because nothing of its net reaches it: `keep_islands=True` would keep it, a via ties it.

    >>> b.route("GND", "R1.2", (7, 10), Hop("bottom"))
    >>> b.build().areas.net.tolist() == [b.build().net_index["GND"]]
    True
    """

    def __init__(
        self,
        name: str,
        *,
        unit: float,
        stack: Stack,
        width: float | None = None,
        via: tuple[float, float] | None = None,
        clearance: float | None = None,
    ) -> None:
        if not (math.isfinite(unit) and unit > 0):
            raise CallError(f"unit: found {unit}; expected metres a unit, such as MM")
        self.name, self._unit, self._stack = name, unit, stack
        self._width, self._via, self._clearance = width, via, clearance
        self._nets: dict[str, int] = {"": 0}
        self._classes: dict[str, str] = {}
        self._targets: dict[str, float] = {}
        self._outline: Polygon | None = None
        self._traces: list[_TraceRow] = []
        self._vias: list[_ViaRow] = []
        self._pads: list[_PadRow] = []
        self._areas: list[tuple[int, int, Polygon]] = []
        self._parts: list[tuple[str, str, str, int, float, float, float]] = []
        self._pins: list[tuple[int, str, int, float, float, int]] = []
        self._pin_index: dict[str, int] = {}
        self._bodies: list[Polygon] = []
        self._pours: list[Pour] = []
        self._stitches: list[Stitch] = []

    # --- what the board is -------------------------------------------------------------------------------------------

    def outline(self, shape: Outline, *, cutouts: Sequence[Outline] = ()) -> None:
        """The board's edge, and openings in the board."""
        outer = as_polygon(shape).difference(shapely.union_all([as_polygon(c) for c in cutouts]))
        if not isinstance(outer, Polygon) or outer.is_empty:
            raise CallError("outline: the cut-outs leave no board in one piece")
        self._outline = self._metres(outer)

    def net(self, name: str, *, kind: str = "", target_ohm: float | None = None) -> None:
        """What the file shall say of a net: its class (`power`, `ground`, `clock`, …) and its impedance target."""
        self._net(name)
        if kind:
            self._classes[name] = kind
        if target_ohm is not None:
            self._targets[name] = target_ohm

    # --- parts -------------------------------------------------------------------------------------------------------

    def part(
        self,
        ref: str,
        package: Package,
        at: Point,
        *,
        nets: Sequence[str] | Mapping[str, str],
        value: str = "",
        turn_deg: float = 0.0,
        side: str = "top",
    ) -> None:
        """A part with its pads. nets : one a pin in the package's order, or by pin name; "" leaves a pin open.

        side : "top" or "bottom"; a bottom part is mirrored left to right, then turned. turn_deg is counter-clockwise
        as seen from layer 1.
        """
        if side not in ("top", "bottom"):
            raise CallError(f"part {ref}: found side {side!r}; expected 'top' or 'bottom'")
        if any(ref == row[0] for row in self._parts):
            raise CallError(f"part {ref}: placed twice")
        pin_nets = self._pin_nets(ref, package, nets)
        x, y, turn = at[0] * self._unit, at[1] * self._unit, math.radians(turn_deg % 360)
        bottom, last = side == "bottom", len(self._stack.layers) - 1
        number = len(self._parts)
        self._parts.append((ref, value, package.name, int(bottom), x, y, turn))
        self._bodies.append(_placed(package.body, x, y, turn, bottom))
        for land in package.lands:
            net, pin = self._net(pin_nets[land.pin]), len(self._pins)
            shape = _placed(land.shape, x, y, turn, bottom)
            here = _placed(shapely.Point(land.x, land.y), x, y, turn, bottom)
            layer = -1 if land.drill else last if bottom != land.far_side else 0
            self._pin_index[f"{ref}.{land.pin}"] = pin
            self._pins.append((number, land.pin, net, here.x, here.y, layer))
            if land.drill:
                hole = len(self._vias)
                self._vias.append((net, here.x, here.y, here.x, here.y, land.drill, 0, last, True, math.nan, pin))
                self._pads += [(net, i, here.x, here.y, shape, hole, pin) for i in range(last + 1)]
            else:
                self._pads.append((net, layer, here.x, here.y, shape, -1, pin))

    def pin(self, pin: str) -> Point:
        """Where a pin ("U3.14") is, in the builder's unit."""
        row = self._pins[self._pin_row(pin)]
        return (row[3] / self._unit, row[4] / self._unit)

    # --- copper ------------------------------------------------------------------------------------------------------

    def trace(
        self, net: str, layer: LayerRef, points: Places, *, width: float | None = None, radius: float = 0.0
    ) -> None:
        """A trace along a polyline exactly as given; radius rounds its inner corners."""
        points = [p for i, p in enumerate(points) if i == 0 or p != points[i - 1]]
        if len(points) < 2:
            raise CallError(f"trace of {net!r}: found {len(points)} different points; expected two or more")
        row, at, u = self._net(net), self._layer(layer), self._unit
        wide = self._given("width", width, self._width) * u
        for x0, y0, x1, y1, xc, yc, turn in fillet(points, radius):
            self._traces.append((row, at, x0 * u, y0 * u, x1 * u, y1 * u, xc * u, yc * u, turn, wide))

    def arc(
        self,
        net: str,
        layer: LayerRef,
        start: Point,
        end: Point,
        centre: Point,
        *,
        turn: int,
        width: float | None = None,
    ) -> None:
        """One circular arc, turn +1 counter-clockwise or -1 clockwise; start = end is the full circle."""
        if turn not in (1, -1):
            raise CallError(f"arc of {net!r}: found turn {turn}; expected 1 or -1")
        u = self._unit
        ends = (start[0] * u, start[1] * u, end[0] * u, end[1] * u, centre[0] * u, centre[1] * u)
        wide = self._given("width", width, self._width) * u
        self._traces.append((self._net(net), self._layer(layer), *ends, turn, wide))

    def route(
        self,
        net: str,
        *steps: Step,
        layer: LayerRef | None = None,
        width: float | None = None,
        radius: float = 0.0,
        early: bool = False,
        via: tuple[float, float] | None = None,
    ) -> None:
        """A net's way over points, pins ("U3.14") and layer changes (Hop): straight and 45° legs.

        layer : where it starts; may be left out when the first step is a pin with a surface pad
        early : of each leg that needs a knee, the diagonal comes first
        """
        points: list[Point] = []
        now = None if layer is None else self._layer(layer)
        for step in steps:
            if isinstance(step, Hop):
                if not points or now is None:
                    raise CallError(f"route of {net!r}: a hop needs a point before it and the layer it comes from")
                self._finish(net, now, points, width, radius, early)
                target = self._layer(step.layer)
                self.via(net, points[-1], drill=via and via[0], pad=via and via[1])
                points, now = points[-1:], target
            elif isinstance(step, str):
                row = self._pins[self._pin_row(step)]
                if row[2] != self._nets.get(net):
                    raise CallError(f"route of {net!r}: pin {step} is on another net")
                if now is None and row[5] >= 0:
                    now = row[5]
                if now is not None and row[5] not in (-1, now):
                    raise CallError(f"route of {net!r}: pin {step} is on layer {row[5] + 1}, the route on {now + 1}")
                points.append((row[3] / self._unit, row[4] / self._unit))
            else:
                points.append(step)
        if now is None:
            raise CallError(f"route of {net!r}: the layer it starts on is not known")
        self._finish(net, now, points, width, radius, early)

    def via(
        self,
        net: str,
        at: Point,
        *,
        drill: float | None = None,
        pad: float | None = None,
        span: tuple[LayerRef, LayerRef] | None = None,
        antipad: float | None = None,
    ) -> None:
        """A plated hole with a round pad on each layer it joins. span : outermost layers, through when left out;
        antipad : clear diameter that the file shall declare (pours keep their own clearance)."""
        default = self._via or (None, None)
        drilled, wide = self._given("drill", drill, default[0]), self._given("pad", pad, default[1])
        first, last = (0, len(self._stack.layers) - 1) if span is None else sorted(self._layer(end) for end in span)
        clear = math.nan if antipad is None else antipad * self._unit
        u = self._unit
        hole = _Hole(self._net(net), at[0] * u, at[1] * u, drilled * u, wide * u, first, last, clear)
        _drill(hole, self._vias, self._pads)

    def drop(self, pin: str, by: Point, *, width: float | None = None, via: tuple[float, float] | None = None) -> None:
        """A short trace from a pin's pad to a through via, `by` away from it: how a part meets its plane.

        >>> from quietcopper.build import chip, small_board
        >>> b = small_board(ground=(2,))
        >>> b.part("C1", chip("0402"), (10, 10), nets=("3V3", "GND"))
        >>> b.drop("C1.2", (0.9, 0))
        >>> b.build().vias.x.round(6).tolist()
        [0.0114]
        """
        row, (x, y) = self._pins[self._pin_row(pin)], self.pin(pin)
        away = 1 if row[5] == len(self._stack.layers) - 1 else len(self._stack.layers)
        net = list(self._nets)[row[2]]
        self.route(net, pin, (x + by[0], y + by[1]), Hop(away), width=width, via=via)

    def hole(self, at: Point, drill: float, *, to: Point | None = None) -> None:
        """An unplated hole, or a slot to another point."""
        u, end = self._unit, to or at
        last = len(self._stack.layers) - 1
        self._vias.append((0, at[0] * u, at[1] * u, end[0] * u, end[1] * u, drill * u, 0, last, False, math.nan, -1))

    def area(self, net: str, layer: LayerRef, shape: Outline) -> None:
        """Filled copper exactly as given, cut by nothing."""
        self._areas.append((self._net(net), self._layer(layer), self._metres(as_polygon(shape))))

    def pour(
        self,
        net: str,
        layer: LayerRef,
        shape: Outline,
        *,
        clearance: float | None = None,
        edge: float | None = None,
        thermal: tuple[float, float] | None = None,
        min_width: float = 0.0,
        keep_islands: bool = False,
        cut: Sequence[Outline] = (),
    ) -> None:
        """Copper that fills the shape and keeps clear of foreign pads, traces, holes and earlier pours.

        edge : distance to the board's edge; None lets the pour run as drawn
        thermal : (gap, spoke width) of the relief round own-net pads of parts; None floods them
        min_width : narrower parts are left out; cut : shapes kept free (splits, moats)
        keep_islands : keep pieces that touch nothing of their own net

        >>> from quietcopper.build import small_board
        >>> b = small_board(layers=2)
        >>> b.pour("GND", 2, [(0, 0), (10, 0), (10, 10), (0, 10)], keep_islands=True)
        >>> b.route("CLK", (2, 5), (8, 5), layer=2)
        >>> copper, = b.build().areas.shape
        >>> len(copper.interiors)
        1
        """
        u = self._unit
        self._pours.append(
            Pour(
                self._net(net),
                self._layer(layer),
                self._metres(as_polygon(shape)),
                self._given("clearance", clearance, self._clearance) * u,
                None if edge is None else edge * u,
                min_width * u,
                None if thermal is None else Thermal(thermal[0] * u, thermal[1] * u),
                keep_islands,
                tuple(self._metres(as_polygon(c)) for c in cut),
            )
        )

    def stitch(
        self,
        net: str,
        shape: Outline,
        pitch: float,
        *,
        drill: float | None = None,
        pad: float | None = None,
        clearance: float | None = None,
    ) -> None:
        """Through vias of a net on a grid inside the shape, left out where foreign copper or another hole is nearer
        than the clearance on any layer. Pours of other nets give way to them."""
        default, u = self._via or (None, None), self._unit
        self._stitches.append(
            Stitch(
                self._net(net),
                self._metres(as_polygon(shape)),
                pitch * u,
                self._given("drill", drill, default[0]) * u,
                self._given("pad", pad, default[1]) * u,
                self._given("clearance", clearance, self._clearance) * u,
            )
        )

    # --- the result --------------------------------------------------------------------------------------------------

    @property
    def bodies(self) -> dict[str, tuple[Polygon, int]]:
        """Each part's outline (m) and side, by reference: for drawing and for checking that parts do not overlap."""
        return {row[0]: (body, row[3]) for row, body in zip(self._parts, self._bodies, strict=True)}

    def build(self) -> Board:
        """The board. Raises CallError when it has no outline."""
        if self._outline is None:
            raise CallError(f"board {self.name!r}: it has no outline")
        traces, last = Traces.from_rows(self._traces), len(self._stack.layers) - 1
        via_rows, pad_rows = list(self._vias), list(self._pads)
        for wish in self._stitches:
            taken = [
                obstacles(traces, Vias.from_rows(via_rows), Pads.from_rows(pad_rows), self._areas, layer)
                for layer in range(last + 1)
            ]
            for x, y in grid_places(wish, taken, self._outline):
                _drill(_Hole(wish.net, x, y, wish.drill, wish.pad, 0, last, math.nan), via_rows, pad_rows)
        vias, pads = Vias.from_rows(via_rows), Pads.from_rows(pad_rows)
        areas = list(self._areas)
        if self._pours:
            taken = [obstacles(traces, vias, pads, self._areas, layer) for layer in range(last + 1)]
            areas += pour_copper(self._pours, taken, self._outline)
        return Board(
            name=self.name,
            source="",
            layers=self._stack.layers,
            dielectrics=self._stack.dielectrics,
            nets=tuple(self._nets),
            outline=self._outline,
            traces=traces,
            vias=vias,
            pads=pads,
            areas=Areas.from_rows(areas),
            parts=Parts.from_rows(self._parts),
            pins=Pins.from_rows(self._pins),
            mask_top=self._stack.mask_top,
            mask_bottom=self._stack.mask_bottom,
            net_classes=dict(self._classes),
            impedances=dict(self._targets),
        )

    # --- helpers -----------------------------------------------------------------------------------------------------

    def _metres(self, shape: Polygon) -> Polygon:
        return scale(shape, self._unit, self._unit, origin=(0, 0))

    def _net(self, name: str) -> int:
        return self._nets.setdefault(name, len(self._nets))

    def _layer(self, layer: LayerRef) -> int:
        names = [sheet.name for sheet in self._stack.layers]
        if isinstance(layer, int) and 1 <= layer <= len(names):
            return layer - 1
        if layer in names:
            return names.index(str(layer))
        raise CallError(f"layer: found {layer!r}; expected 1 to {len(names)} or one of {', '.join(names)}")

    def _given(self, what: str, value: float | None, default: float | None) -> float:
        chosen = default if value is None else value
        if chosen is None:
            raise CallError(f"{what}: give it in the call or to the BoardBuilder")
        if not (math.isfinite(chosen) and chosen > 0):
            raise CallError(f"{what}: found {chosen}; expected a number above 0")
        return chosen

    def _pin_row(self, pin: str) -> int:
        if pin not in self._pin_index:
            raise CallError(f"pin {pin!r} is not on the board")
        return self._pin_index[pin]

    @staticmethod
    def _pin_nets(ref: str, package: Package, nets: Sequence[str] | Mapping[str, str]) -> dict[str, str]:
        if isinstance(nets, Mapping):
            unknown = sorted(set(nets) - set(package.pins))
            if unknown:
                raise CallError(f"part {ref}: {package.name} has no pin {', '.join(unknown)}")
            return {pin: nets.get(pin, "") for pin in package.pins}
        if len(nets) != len(package.pins):
            raise CallError(f"part {ref}: found {len(nets)} nets; expected {len(package.pins)}, one a pin")
        return dict(zip(package.pins, nets, strict=True))

    def _finish(
        self, net: str, layer: int, points: list[Point], width: float | None, radius: float, early: bool
    ) -> None:
        if len(set(points)) > 1:
            self.trace(net, layer + 1, octilinear(points, early=early), width=width, radius=radius)


@dataclass(frozen=True)
class _Hole:
    """A via to be drilled, lengths in metres."""

    net: int
    x: float
    y: float
    drill: float
    pad: float
    first: int
    last: int
    antipad: float


def _drill(hole: _Hole, vias: list[_ViaRow], pads: list[_PadRow]) -> None:
    """Add a via and its pads to the rows."""
    row, x, y = len(vias), hole.x, hole.y
    vias.append((hole.net, x, y, x, y, hole.drill, hole.first, hole.last, True, hole.antipad, -1))
    shape = circle(x, y, hole.pad)
    pads += [(hole.net, layer, x, y, shape, row, -1) for layer in range(hole.first, hole.last + 1)]


def _placed(shape: Any, x: float, y: float, turn: float, mirrored: bool) -> Any:
    """A package's shape on the board: mirrored left to right for the bottom side, turned counter-clockwise, moved."""
    c, s, flip = math.cos(turn), math.sin(turn), -1.0 if mirrored else 1.0
    return affine_transform(shape, [c * flip, -s, s * flip, c, x, y])
