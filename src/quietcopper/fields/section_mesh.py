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

from quietcopper.fields.compiled import compiled
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_edges import DIELECTRIC_CORNER, boundaries, height, powers, upright
from quietcopper.fields.section_kernels import FREE, ONE_PLANE, TWO_PLANES, Complexes, Floats, rule

Ints = NDArray[np.int64]
_FAR_REACH = 6.0  # a boundary is panelled to this many extents, then by one panel to infinity
_PERIODIC_REACH = 6.0  # between two planes to this many plane distances: e^(−6π) of the field is left there
_UNLIKE = 0.3  # |difference| / sum of two permittivities
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


_jit = compiled(error_model="numpy")


@_jit
def _march(
    start: complex, direction: complex, span: float, corner: Complexes, cap: float, least: float
) -> tuple[list[float], list[float]]:
    """∫ ds / (distance to the nearest corner, at most cap) along a straight way, at places from 0 to span."""
    place, count = [0.0], [0.0]
    s = 0.0
    while s < span:
        z = start + direction * s
        nearest = cap
        for c in corner:
            nearest = min(nearest, abs(c - z))
        h = min(max(0.2 * nearest, least), span - s)
        count.append(count[-1] + h / max(nearest, least))
        s = s + h if s + h < span - 1e-12 * span else span
        place.append(s)
    return place, count


@_jit
def _lay(
    a: Complexes, b: Complexes, at_a: Floats, at_b: Floats, corner: Complexes, growth: Floats, tip: float, cap: float,
    reach: float, endless: bool,
) -> tuple[Complexes, Complexes, Floats, Ints]:  # fmt: skip
    """Panels on edges. at_a, at_b : power of the end panels (0: the edge runs on to infinity, from reach on by one
    panel if endless; then b − a is its direction only), −1 where an edge was merely cut in two. cap : longest distance
    from a corner that counts. Returns start, step, power, edge."""
    starts, steps, powers, owner = [0j], [0j], [0.0], [0]
    for e in range(a.shape[0]):
        infinite = at_b[e] == 0.0
        direction = b[e] - a[e]
        length = abs(direction)
        direction /= length
        if infinite:
            length = reach
        ends = np.zeros(2)
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
        if ends[0] + ends[1] > 0.8 * length:
            if ends[0] > 0 and ends[1] > 0:
                ends[0] = ends[1] = length / 2
            else:
                ends *= length / (ends[0] + ends[1])
        if ends[0] > 0:
            starts.append(a[e])
            steps.append(direction * ends[0])
            powers.append(at_a[e])
            owner.append(e)
        if ends[1] > 0:
            starts.append(b[e])
            steps.append(-direction * ends[1])
            powers.append(at_b[e])
            owner.append(e)
        low, high = ends[0], length - ends[1]
        if high - low > 1e-9 * length:
            # from both ends to the middle, so that mirror images get mirrored panels
            span = high - low if infinite else (high - low) / 2
            place, count = _march(a[e] + direction * low, direction, span, corner, cap, 1e-4 * length)
            if not infinite:
                back, left = _march(a[e] + direction * high, -direction, span, corner, cap, 1e-4 * length)
                total = count[-1] + left[-1]
                for n in range(len(back) - 2, -1, -1):
                    place.append(2 * span - back[n])
                    count.append(total - left[n])
            pieces = max(1, math.ceil(count[-1] / math.log(growth[e]) - 0.1))
            before = low
            k = 0
            for n in range(pieces):
                goal = count[-1] * (n + 1) / pieces
                while k < len(count) - 2 and count[k + 1] < goal:
                    k += 1
                part = (goal - count[k]) / (count[k + 1] - count[k])
                now = low + place[k] + part * (place[k + 1] - place[k]) if n < pieces - 1 else high
                starts.append(a[e] + direction * before)
                steps.append(direction * (now - before))
                powers.append(1.0)
                owner.append(e)
                before = now
        if infinite and endless:
            starts.append(a[e] + direction * length)
            steps.append(direction * length)
            powers.append(0.0)
            owner.append(e)
    return np.array(starts[1:]), np.array(steps[1:]), np.array(powers[1:]), np.array(owner[1:])


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
    owner, a, b, power_a, power_b = (np.array(column) for column in zip(*laid, strict=True))
    ends = [e.a for e in edges if not e.a_infinite] + [e.b for e in edges if not e.b_infinite]
    corner = np.unique(np.round((np.array(ends) - middle) / unit, 9))
    if kind != FREE:
        corner = np.concatenate([corner, corner.conj()])
    if kind == TWO_PLANES:
        corner = np.concatenate([corner, corner.conj() + 2j * distance / unit])
    start, step, power, laid_on = _lay(
        (a - middle) / unit, (b - middle) / unit, power_a, power_b, corner, np.array(growths)[owner], tip,
        0.5 * distance / unit if distance else np.inf, reach / unit, kind != TWO_PLANES,
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
