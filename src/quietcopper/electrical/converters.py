"""Switching converters: their parts, and the loop that their switches make and break, solved on the real copper.

A converter is recognised by an inductor between a supply and a node that a part switches. Its fast loop runs from the
capacitor's supply side through the upper switch, the lower one and ground back to the capacitor; its current jumps from
nothing to that of the inductor within the switches' edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from quietcopper.board.model import Floats
from quietcopper.electrical import parts
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.ranges import checked
from quietcopper.fields.sheet_loop import PLANE, Link, Loop, solve
from quietcopper.fields.vias import pair_inductance, strip_inductance

REACH = 15e-3  # m; capacitors further from the switch are not part of its fast loop
MOST_CAPACITORS = 4
MARGIN = 2.5e-3  # m of copper round the loop's parts that is solved
CELLS = 900  # of copper in the solution
BODY = 0.35e-3  # m over the copper at which current passes through parts; common practice, no source
COVER = 0.7  # share of the loop that a layer's copper must cover to count as a plane
BESIDE = 1e-3  # m, from a ground via to the current beside it, where there is no plane
GOOD = 0.2e-3  # m, distance of the ground plane that is proposed
TINY = 1e-13  # H


@dataclass(frozen=True)
class Converter:
    """Parts (rows) and nets of a converter: controller, inductor, switched node, supply whose current jumps, ground.

    upper, lower : the parts that join node and supply, node and ground; one may be both, and the controller
    capacitors : from that supply to ground, nearest first
    """

    controller: int
    inductor: int
    node: int
    hot: int
    ground: int
    upper: int
    lower: int
    capacitors: tuple[int, ...]


@dataclass(frozen=True)
class FastLoop:
    """The loop's inductance (H) as it is, with a capacitor right at the switch, and over ground at 0.2 mm.

    plane : layer that carries the image, -1 for none; height : of the copper over it, m; box : the loop's parts
    main : the capacitor that carries most, and its share
    """

    inductance: float
    at_the_pins: float
    over_ground: float | None
    plane: int
    height: float
    box: Polygon
    main: int
    share: float


def find_converters(view: View) -> tuple[Converter, ...]:
    """Converters whose inductor, switches and capacitors were found, by controller and node."""
    board, kinds, roles = view.board, view.part_kinds, view.roles
    on: dict[int, list[int]] = {}
    for part in parts.by_reference(board):
        for net in kinds[part].nets:
            on.setdefault(net, []).append(part)
    found = []
    for node, members in sorted(on.items()):
        inductors = [p for p in members if kinds[p].kind == parts.INDUCTOR and len(kinds[p].nets) == 2]
        if roles[node].kind != SIGNAL or not inductors:
            continue
        end = next(n for n in kinds[inductors[0]].nets if n != node)
        if roles[end].kind != SUPPLY:
            continue
        active = [p for p in members if kinds[p].kind in (parts.IC, parts.MODULE, parts.TRANSISTOR, parts.DIODE)]
        active = [p for p in active if view.settings.loads.get(str(board.parts.ref[p]), {}).get("converter", True)]
        controllers = [p for p in active if kinds[p].kind != parts.DIODE]
        if not controllers:
            continue
        made = _with_supply(view, node, end, inductors[0], active, controllers)
        if made is not None:
            found.append(made)
    return tuple(found)


def _with_supply(
    view: View, node: int, end: int, inductor: int, active: list[int], controllers: list[int]
) -> Converter | None:
    """The supply whose current jumps: not the one behind the inductor."""
    kinds, roles = view.part_kinds, view.roles
    simple = {p for p in active if kinds[p].kind in (parts.DIODE, parts.TRANSISTOR)}

    def joining(net: int) -> list[int]:
        both = [p for p in active if net in kinds[p].nets]
        return sorted(both, key=lambda p: (p not in simple, controllers.index(p) if p in controllers else 0))

    grounds = sorted({n for p in active for n in kinds[p].nets if roles[n].kind == GROUND})
    hots = sorted({n for p in active for n in kinds[p].nets if roles[n].kind == SUPPLY and n != end})
    for hot in hots:
        for ground in grounds:
            upper, lower = joining(hot), joining(ground)
            if not upper or not lower:
                continue
            caps = _capacitors(view, hot, ground, upper[0])
            if caps:
                one = controllers[0]
                return Converter(one, inductor, node, hot, ground, upper[0], lower[0], tuple(caps))
    return None


def _capacitors(view: View, hot: int, ground: int, switch: int) -> list[int]:
    caps, board = view.capacitors, view.board
    rows = [int(r) for r in caps.between(hot, ground) if view.part_kinds[caps.part[r]].kind == parts.CAPACITOR]
    distance = {r: float(np.hypot(caps.x[r] - board.parts.x[switch], caps.y[r] - board.parts.y[switch])) for r in rows}
    rows = sorted((r for r in rows if distance[r] < REACH), key=lambda r: (round(distance[r], 7), str(caps.name[r])))
    return [int(caps.part[r]) for r in rows[:MOST_CAPACITORS]]


def fast_loop(view: View, converter: Converter) -> FastLoop:
    """The loop solved. Raises OutOfRange where its parts lie on two sides, or the copper does not close it."""
    return _Solution(view, converter).loop()


class _Solution:
    """The copper of a loop's nets on its parts' side, on cells."""

    def __init__(self, view: View, c: Converter) -> None:
        self.view, self.c, board = view, c, view.board
        self.side = int(board.parts.side[c.upper])
        members = [c.upper, c.lower, *c.capacitors]
        if any(int(board.parts.side[p]) != self.side for p in members):
            raise OutOfRange("the loop's parts lie on both sides of the board")
        self.layer = 0 if self.side == 0 else len(board.layers) - 1
        self.nets = [c.hot, c.node, c.ground]
        pins, pads = board.pins, board.pads
        self.pads: dict[tuple[int, int], list[Polygon]] = {}
        for row in np.flatnonzero((pads.pin >= 0) & (pads.layer == self.layer)).tolist():
            part, net = int(pins.part[pads.pin[row]]), int(pads.net[row])
            if part in members and net in self.nets:
                self.pads.setdefault((part, net), []).append(pads.shape[row])
        self.bodies = self._bodies()
        used = [shape for body in self.bodies for shape in body[2:4]]
        self.box = shapely.box(*shapely.union_all(used).bounds)
        self.window = self.box.buffer(MARGIN, join_style="mitre")
        self.plane, self.height = self._plane()

    def _pair(self, part: int, a: int, b: int) -> tuple[Polygon, Polygon]:
        """The pads of two nets of a part that lie nearest to each other."""
        ones, others = self.pads.get((part, a), []), self.pads.get((part, b), [])
        if not ones or not others:
            raise OutOfRange(f"{self.view.board.parts.ref[part]} has no pads for its loop on one layer")
        pairs = [(float(shapely.distance(p, q)), i, j) for i, p in enumerate(ones) for j, q in enumerate(others)]
        _, i, j = min((round(d, 9), i, j) for d, i, j in pairs)
        return ones[i], others[j]

    def _bodies(self) -> list[tuple[int, str, Polygon, Polygon]]:
        """(part, what, pad, pad) of the ways through parts; the switch that is cut by the source first."""
        c = self.c
        if c.upper == c.lower:
            out = [(c.upper, "switch", *self._pair(c.upper, c.hot, c.ground))]
        else:
            out = [
                (c.upper, "switch", *self._pair(c.upper, c.hot, c.node)),
                (c.lower, "lower", *self._pair(c.lower, c.node, c.ground)),
            ]
        return [*out, *((p, "capacitor", *self._pair(p, c.hot, c.ground)) for p in c.capacitors)]

    def _plane(self) -> tuple[int, float]:
        """Nearest layer whose copper covers most of the loop, and the distance to it; -1 where there is none."""
        board = self.view.board
        order = range(1, len(board.layers)) if self.layer == 0 else range(len(board.layers) - 2, -1, -1)
        for layer in order:
            here = board.areas.shape[board.areas.layer == layer]
            near = here[shapely.intersects(here, self.box)]
            if len(near) and shapely.union_all(shapely.intersection(near, self.box)).area >= COVER * self.box.area:
                return layer, board.distance(*sorted((self.layer, layer)))
        return -1, board.thickness

    def loop(self) -> FastLoop:
        solved, links = self._solve(self.plane >= 0, self.height, self.plane)
        grounded = None
        if self.plane < 0 or self.height > 1.5 * GOOD:
            grounded = self._solve(True, GOOD, -1)[0].inductance
        main = max(links, key=lambda p: (round(links[p], 6), -p))
        total = sum(links.values())
        share = links[main] / total if total > 0 else 1.0
        return FastLoop(
            solved.inductance,
            min(self._at_the_pins(), solved.inductance),
            grounded if grounded is not None and grounded < solved.inductance else None,
            self.plane,
            self.height,
            self.box,
            main,
            share,
        )

    def _at_the_pins(self) -> float:
        """A capacitor of 0402 size beside the switch's pads: the way through both and a millimetre of copper."""
        switch = self.bodies[0]
        length = shapely.distance(shapely.centroid(switch[2]), shapely.centroid(switch[3])) + 2e-3
        return float(length * strip_inductance(0.5e-3, max(min(self.height, 1e-3), 0.05e-3)))

    def _copper(self, net: int, size: float) -> shapely.Geometry:
        """A net's copper on the layer inside the window, traces at least a cell wide."""
        board = self.view.board
        areas = board.areas.shape[(board.areas.net == net) & (board.areas.layer == self.layer)]
        rows = np.flatnonzero((board.traces.net == net) & (board.traces.layer == self.layer))
        rows = rows[shapely.intersects(board.traces.lines[rows], self.window)]
        lines = shapely.buffer(board.traces.lines[rows], np.maximum(board.traces.width[rows] / 2, 0.55 * size))
        pads = board.pads.shape[(board.pads.net == net) & (board.pads.layer == self.layer)]
        pads = pads[shapely.intersects(pads, self.window)]
        near = areas[shapely.intersects(areas, self.window)]
        return shapely.intersection(shapely.union_all([*near, *lines, *pads]), self.window)

    def _solve(self, mirrored: bool, height: float, plane: int) -> tuple[Loop, dict[int, float]]:
        c = self.c
        copper = sum(self._copper(net, 0.0).area for net in self.nets)
        size = float(np.clip(np.sqrt(max(copper, 1e-6) / CELLS), 0.12e-3, 0.5e-3))
        size = min(size, 2 * height) if mirrored else size
        x0, y0, x1, y1 = self.window.bounds
        nx, ny = int(np.ceil((x1 - x0) / size)), int(np.ceil((y1 - y0) / size))
        xs, ys = x0 + (np.arange(nx) + 0.5) * size, y0 + (np.arange(ny) + 0.5) * size
        grid = list(np.meshgrid(xs, ys, indexing="ij"))
        surface = np.full((nx, ny), -1)
        for number, net in enumerate(self.nets):
            if net == c.node and c.upper == c.lower:
                continue
            surface[shapely.contains_xy(self._copper(net, size), *grid) & (surface < 0)] = number
        body, joints, cut = self._over(surface, grid, size)
        over = max(BODY, size / 2)
        base = height if mirrored else 0.0
        count = int(np.count_nonzero(surface >= 0))
        low, high = (_numbers(level, first) for level, first in ((surface, 0), (body, count)))
        links = [Link(int(low[i, j]), int(high[i, j]), TINY) for i, j in joints]
        links += self._down(low, (x0, y0), size, mirrored, height, plane)
        source = np.zeros(count + np.count_nonzero(body >= 0))
        for cells, sign in zip(cut, (1.0, -1.0), strict=True):
            for i, j in cells:
                source[high[i, j]] += sign / len(cells)
        solved = solve([surface, body], [base, base + over], size, links, source, plane=mirrored)
        carried: dict[int, float] = {}
        owner = {2 + k: part for k, (part, what, *_) in enumerate(self.bodies) if what == "capacitor"}
        for current, (i, j) in zip(solved.links, joints, strict=False):  # the links to the plane come after
            part = owner.get(int(body[i, j]))
            if part is not None:
                carried[part] = carried.get(part, 0.0) + abs(float(current)) / 2
        return solved, carried

    def _over(
        self, surface: NDArray[np.intp], grid: list[Floats], size: float
    ) -> tuple[NDArray[np.intp], list[tuple[int, int]], tuple[list[tuple[int, int]], list[tuple[int, int]]]]:
        """The level of the parts' bodies, the cells at which they meet their pads, and both sides of the switch's cut.

        Numbers: 0 and 1 the two halves of the switch, then one for each other body."""
        body: NDArray[np.intp] = np.full(surface.shape, -1)
        joints: list[tuple[int, int]] = []
        for k, (_, what, one, other) in enumerate(self.bodies):
            a, b = shapely.centroid(one), shapely.centroid(other)
            line = LineString([a, b])
            width = max(min(np.sqrt(one.area), np.sqrt(other.area), 1.2e-3), 2.1 * size)
            if what == "switch":
                middle = line.interpolate(0.5, normalized=True)
                strips = [
                    (n, LineString([p, middle]).buffer(width / 2, cap_style="flat")) for n, p in enumerate((a, b))
                ]
            else:
                strips = [(2 + k, line.buffer(width / 2, cap_style="flat"))]
            for number, strip in strips:
                body[shapely.contains_xy(strip.buffer(size * 0.05), *grid) & (body < 0)] = number
            for pad, number in ((one, strips[0][0]), (other, strips[-1][0])):
                joints += self._meet(surface, body, grid, pad, number)
        near: tuple[list[tuple[int, int]], list[tuple[int, int]]] = ([], [])
        for i, j in np.argwhere(body == 0).tolist():
            for u, v in ((i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)):
                if 0 <= u < body.shape[0] and 0 <= v < body.shape[1] and body[u, v] == 1:
                    near[0].append((i, j))
                    near[1].append((u, v))
        if not near[0]:
            raise OutOfRange("the switch is smaller than the cells of its loop")
        return body, joints, near

    def _meet(
        self, surface: NDArray[np.intp], body: NDArray[np.intp], grid: list[Floats], pad: Polygon, number: int
    ) -> list[tuple[int, int]]:
        inside = shapely.contains_xy(pad, *grid) & (surface >= 0) & (body == number)
        if inside.any():
            return [(int(i), int(j)) for i, j in zip(*np.nonzero(inside), strict=True)]
        both = (surface >= 0) & (body == number)
        at = shapely.centroid(pad)
        far = np.where(both, np.hypot(grid[0] - at.x, grid[1] - at.y), np.inf)
        if not np.isfinite(far).any():
            raise OutOfRange("a part of the loop does not meet its copper")
        i, j = np.unravel_index(int(np.argmin(far)), far.shape)
        return [(int(i), int(j))]

    def _down(
        self, low: NDArray[np.intp], corner: tuple[float, float], size: float, mirrored: bool, height: float, plane: int
    ) -> list[Link]:
        """Vias of the loop's nets to the plane: of the plane's net, or of ground where a plane is only proposed."""
        board, vias = self.view.board, self.view.board.vias
        if not mirrored:
            return []
        if plane >= 0:
            here = board.areas
            on = (here.layer == plane) & shapely.intersects(here.shape, self.box)
            nets = set(here.net[on].tolist()) & {self.c.hot, self.c.ground}
        else:
            nets = {self.c.ground}
        out = []
        for row in np.flatnonzero(np.isin(vias.net, sorted(nets)) & vias.plated).tolist():
            if plane >= 0 and not vias.first[row] <= plane <= vias.last[row]:
                continue
            i, j = (int((v - c) // size) for v, c in zip((vias.x[row], vias.y[row]), corner, strict=True))
            if 0 <= i < low.shape[0] and 0 <= j < low.shape[1] and low[i, j] >= 0:
                radius = float(np.clip(vias.drill[row] / 2, 0.03e-3, 0.45 * BESIDE))
                out.append(Link(int(low[i, j]), PLANE, float(pair_inductance(height, BESIDE, radius)) / 2))
        return out


def _numbers(level: NDArray[np.intp], first: int) -> NDArray[np.intp]:
    out = np.full(level.shape, -1)
    out[level >= 0] = first + np.arange(np.count_nonzero(level >= 0))
    return out


def node_copper(view: View, node: int) -> tuple[float, float]:
    """Area of a net's copper, m2, and its capacitance to the nearest planes, F, without fringes."""
    board = view.board
    area = capacitance = 0.0
    for layer in range(len(board.layers)):
        shapes = [
            *board.areas.shape[(board.areas.net == node) & (board.areas.layer == layer)],
            *board.traces.shapes[(board.traces.net == node) & (board.traces.layer == layer)],
            *board.pads.shape[(board.pads.net == node) & (board.pads.layer == layer)],
        ]
        if shapes:
            size = shapely.union_all(shapes).area
            area += size
            others = [k for k in view.ground_planes if k != layer]
            if others:
                height = min(board.distance(*sorted((layer, k))) for k in others)
                er = view.dielectric_beside(layer).er
                capacitance += 8.854e-12 * er * size / float(checked("height", height))
    return area, capacitance
