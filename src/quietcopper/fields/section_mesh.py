"""Panels of a cross-section: its boundaries as straight pieces, and the Gauss nodes on them.

Panels grow in proportion to their distance from the nearest corner; the panel at a corner carries the corner's own
exponent (see section_kernels), so that two or three nodes a panel do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietcopper.errors import OutOfRange
from quietcopper.fields.compiled import kernel
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_edges import DIELECTRIC_CORNER, boundaries, height, powers, upright
from quietcopper.fields.section_kernels import FREE, ONE_PLANE, TWO_PLANES, Complexes, Floats, rule

Ints = NDArray[np.int64]
_FAR_REACH = 6.0  # a boundary is panelled to this many extents, then by one panel to infinity
_PERIODIC_REACH = 6.0  # between two planes to this many plane distances: e^(−6π) of the field is left there
_UNLIKE = 0.3  # |difference| / sum of two permittivities
MOST_PANELS = 1_000_000
_CUT = -1.0  # in place of a power: an edge's end where it was merely cut in two


@dataclass(frozen=True)
class Panels:
    """A section cut into panels, conductors' panels first. Lengths in units of `unit` metres, around the middle.

    kind : FREE, ONE_PLANE or TWO_PLANES, these `plane_distance` apart; lines, conductors : how many
    start, step (complex), power : as in section_kernels; left (complex): unit normal to the left of the panel's edge
    er_left, er_right : permittivity on either side (nan inside a conductor); conductor : -1 on dielectric boundaries
    """

    kind: int
    plane_distance: float
    unit: float
    middle: float
    lines: int
    conductors: int
    start: Complexes
    step: Complexes
    power: Floats
    left: Complexes
    er_left: Floats
    er_right: Floats
    conductor: Ints


@dataclass(frozen=True)
class Mesh:
    """Panels with `order` Gauss nodes each.

    z : places; normal : the edge's left normal times the length per u; weight : Gauss weight; panel : of each node
    free_nodes : number of nodes on conductors, which come first
    """

    panels: Panels
    order: int
    z: Complexes
    normal: Complexes
    weight: Floats
    panel: Ints
    free_nodes: int

    def per_node(self, of_panel: NDArray[Any]) -> NDArray[Any]:
        """A quantity of the panels, for each node."""
        return np.repeat(of_panel, self.order)


@kernel()
def _march(
    start: complex, direction: complex, span: float, corner: Complexes, cap: float, least: float, place: Floats,
    count: Floats,
) -> int:  # fmt: skip
    """∫ ds / (distance to the nearest corner, at most cap) along a straight way, at places from 0 to span. Returns how
    many places there are, 0 if there is no room for them."""
    n = 1
    place[0] = count[0] = s = 0.0
    while s < span:
        if n == place.shape[0]:
            return 0
        z = start + direction * s
        nearest = cap
        for c in corner:
            nearest = min(nearest, abs(c - z))
        h = min(max(0.2 * nearest, least), span - s)
        count[n] = count[n - 1] + h / max(nearest, least)
        s = s + h if s + h < span - 1e-12 * span else span
        place[n] = s
        n += 1
    return n


_LAY = "c16[::1], c16[::1], f8[::1], f8[::1], c16[::1], f8[::1]"


@kernel(f"{_LAY}, f8, f8, f8, i8, f8[:,::1], c16[::1], c16[::1], f8[::1], i8[::1]")
def _lay(
    a: Complexes, b: Complexes, at_a: Floats, at_b: Floats, corner: Complexes, growth: Floats, tip: float, cap: float,
    reach: float, endless: int, room: Floats, starts: Complexes, steps: Complexes, powers: Floats, owner: Ints,
) -> None:  # fmt: skip
    """Panels on edges. at_a, at_b : power of the end panels (0: the edge runs on to infinity, from reach on by one
    panel if endless; then b − a is its direction only), −1 where an edge was merely cut in two. cap : longest distance
    from a corner that counts. room : (5, n), n > 2.

    Written are starts, steps, powers and owner (edge) of the panels from row 1 on, and how many they are to owner[0]:
    −1 if there is no room."""
    places, counts, back, left, ends = room[0], room[1], room[2], room[3], room[4]
    top = owner.shape[0] - 3
    owner[0] = -1
    n = 0
    for e in range(a.shape[0]):
        infinite = at_b[e] == 0.0
        direction = b[e] - a[e]
        length = abs(direction)
        direction /= length
        if infinite:
            length = reach
        ends[0] = ends[1] = 0.0
        for side in range(2):
            power = at_a[e] if side == 0 else at_b[e]
            if power <= 0.0:
                continue
            z = a[e] if side == 0 else b[e]
            nearest = length
            for c in corner:
                d = abs(c - z)
                if d > 1e-6 * length and d < nearest:
                    nearest = d
            ends[side] = tip * nearest
        both = ends[0] + ends[1]
        if both > 0.8 * length:
            if ends[0] > 0 and ends[1] > 0:
                ends[0] = ends[1] = length / 2
            else:
                ends[0] *= length / both
                ends[1] *= length / both
        if n > top:
            return
        if ends[0] > 0:
            n += 1
            starts[n], steps[n], powers[n], owner[n] = a[e], direction * ends[0], at_a[e], e
        if ends[1] > 0:
            n += 1
            starts[n], steps[n], powers[n], owner[n] = b[e], -direction * ends[1], at_b[e], e
        low, high = ends[0], length - ends[1]
        if high - low > 1e-9 * length:
            # from both ends to the middle, so that mirror images get mirrored panels
            span = high - low if infinite else (high - low) / 2
            count = _march(a[e] + direction * low, direction, span, corner, cap, 1e-4 * length, places, counts)
            if count == 0:
                return
            if not infinite:
                other = _march(a[e] + direction * high, -direction, span, corner, cap, 1e-4 * length, back, left)
                if other == 0 or count + other - 1 > places.shape[0]:
                    return
                total = counts[count - 1] + left[other - 1]
                for k in range(other - 2, -1, -1):
                    places[count], counts[count] = 2 * span - back[k], total - left[k]
                    count += 1
            pieces = max(1, math.ceil(counts[count - 1] / math.log(growth[e]) - 0.1))
            if n + pieces > top:
                return
            before = low
            k = 0
            for piece in range(pieces):
                goal = counts[count - 1] * (piece + 1) / pieces
                while k < count - 2 and counts[k + 1] < goal:
                    k += 1
                part = (goal - counts[k]) / (counts[k + 1] - counts[k])
                now = low + places[k] + part * (places[k + 1] - places[k]) if piece < pieces - 1 else high
                n += 1
                starts[n], steps[n], powers[n], owner[n] = a[e] + direction * before, direction * (now - before), 1.0, e
                before = now
        if infinite and endless:
            n += 1
            starts[n], steps[n], powers[n], owner[n] = a[e] + direction * length, direction * length, 0.0, e
    owner[0] = n


def _laid(
    a: Complexes, b: Complexes, at_a: Floats, at_b: Floats, corner: Complexes, growth: Floats, tip: float, cap: float,
    reach: float, endless: bool,
) -> tuple[Complexes, Complexes, Floats, Ints]:  # fmt: skip
    """Start, step, power and edge of the panels on edges, see _lay."""
    size = 256
    while True:
        start, step = np.empty(size, dtype=complex), np.empty(size, dtype=complex)
        power, edge = np.empty(size), np.empty(size, dtype=np.int64)
        room = np.empty((5, size))
        _lay(a, b, at_a, at_b, corner, growth, tip, cap, reach, endless, room, start, step, power, edge)
        if edge[0] >= 0:
            rows = slice(1, int(edge[0]) + 1)
            return start[rows], step[rows], power[rows], edge[rows]
        size *= 4
        if size > MOST_PANELS:
            raise OutOfRange(f"a cross-section would need more than {MOST_PANELS} panels")


def lay_panels(section: CrossSection, growth: float, tip: float) -> Panels:
    """The panels of a section that has passed section_edges.check.

    growth : how much longer each panel is than its neighbour nearer the corner, on copper and where dielectrics of
             unlike permittivity meet at copper; elsewhere one more
    tip : length of a corner's panel as a share of the distance to the next corner
    """
    section = upright(section)
    distance = height(section) if section.plane_above else 0.0
    kind = TWO_PLANES if section.plane_above else ONE_PLANE if section.plane_below else FREE
    edges = boundaries(section)
    at_a, at_b = powers(edges)
    strips = section.lines + section.grounds
    left = min(s.x - s.width / 2 for s in strips)
    right = max(s.x + s.width / 2 for s in strips)
    levels = [height(section), *[s.y for s in strips], *[s.y + s.thickness for s in strips]]
    middle, tall = (left + right) / 2, max(levels) - min(0.0, min(levels))
    unit = max(tall, (right - left) / 20)
    reach = (right - left) / 2 + _PERIODIC_REACH * distance if distance else _FAR_REACH * ((right - left) / 2 + tall)
    laid = []  # edge, from, to, power at either end; an endless edge in two halves
    growths = []
    for k, e in enumerate(edges):
        smooth = {at_a[k], at_b[k]} <= {0.0, DIELECTRIC_CORNER} or abs(e.left - e.right) < _UNLIKE * (e.left + e.right)
        growths.append(growth + 1 if e.conductor < 0 and smooth else growth)
        if e.a_infinite or e.b_infinite:
            whole = e.a_infinite and e.b_infinite
            if e.a_infinite:
                end = complex(middle, e.b.imag) if whole else e.b
                laid.append((k, end, end - unit, _CUT if whole else at_b[k], 0.0))
            if e.b_infinite:
                end = complex(middle, e.a.imag) if whole else e.a
                laid.append((k, end, end + unit, _CUT if whole else at_a[k], 0.0))
        else:
            laid.append((k, e.a, e.b, at_a[k], at_b[k]))
    of_edge, a, b, at_begin, at_end = np.array(laid, dtype=complex).T
    owner = of_edge.real.astype(np.int64)
    ends = [e.a for e in edges if not e.a_infinite] + [e.b for e in edges if not e.b_infinite]
    corner: Complexes = np.unique(np.round((np.array(ends, dtype=complex) - middle) / unit, 9))
    if kind != FREE:
        corner = np.concatenate([corner, corner.conj()])
    if kind == TWO_PLANES:
        corner = np.concatenate([corner, corner.conj() + 2j * distance / unit])
    start, step, power, laid_on = _laid(
        (a - middle) / unit, (b - middle) / unit, at_begin.real.copy(), at_end.real.copy(), corner,
        np.array(growths)[owner], tip, 0.5 * distance / unit if distance else np.inf, reach / unit, kind != TWO_PLANES,
    )  # fmt: skip
    edge = owner[laid_on]
    conductor = np.array([e.conductor for e in edges])
    edge_of = np.argsort(conductor[edge] < 0, kind="stable")
    start, step, power, edge = start[edge_of], step[edge_of], power[edge_of], edge[edge_of]
    normal = [1j if e.a_infinite or e.b_infinite else 1j * (e.b - e.a) / abs(e.b - e.a) for e in edges]
    return Panels(
        kind=kind,
        plane_distance=distance / unit,
        unit=unit,
        middle=middle,
        lines=len(section.lines),
        conductors=len(strips),
        start=start,
        step=step,
        power=power,
        left=np.array(normal)[edge],
        er_left=np.array([e.left for e in edges])[edge],
        er_right=np.array([e.right for e in edges])[edge],
        conductor=conductor[edge],
    )


def nodes(panels: Panels, order: int) -> Mesh:
    """Gauss nodes on panels, `order` on each."""
    u, w, _, _ = rule(order)
    k = panels.power[:, None]
    endless = k == 0
    k = np.where(endless, 1.0, k)
    along = np.where(endless, 1 / u - 1, u**k)
    slope = np.where(endless, u**-2, k * u ** (k - 1))
    count = len(panels.start)
    return Mesh(
        panels=panels,
        order=order,
        z=(panels.start[:, None] + panels.step[:, None] * along).ravel(),
        normal=(panels.left[:, None] * (np.abs(panels.step)[:, None] * slope)).ravel(),
        weight=np.tile(w, count),
        panel=np.repeat(np.arange(count), order),
        free_nodes=order * int(np.count_nonzero(panels.conductor >= 0)),
    )
