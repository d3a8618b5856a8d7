"""Panels of a cross-section: every conductor face and dielectric boundary as straight pieces with Gauss nodes.

Edges are found in plain Python (a few dozen), panels are laid on them by compiled code. Panels grow in proportion to
their distance from the nearest corner; the panel at a corner carries the corner's own exponent (see section_kernels).
"""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numba import njit
from numpy.typing import NDArray

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection, Strip
from quietcopper.fields.section_kernels import FREE, ONE_PLANE, TWO_PLANES, Complexes, Floats, rule

Ints = NDArray[np.int64]
SNAP = 1e-9  # m; heights closer than this are the same
AIR = 1.0
_FAR_REACH = 6.0  # a boundary is panelled to this many extents, then by one panel to infinity
_PERIODIC_REACH = 6.0  # between two planes to this many plane distances: e^(−6π) of the field is left there
_INTERFACE = -1


@dataclass(frozen=True)
class Edge:
    """A straight boundary from a to b (complex, m). conductor : index (lines, then grounds) or -1 for a dielectric
    boundary; left, right : permittivity on either side looking from a to b (the outside of a conductor is left)."""

    a: complex
    b: complex
    conductor: int
    left: float
    right: float
    a_infinite: bool = False
    b_infinite: bool = False


@dataclass(frozen=True)
class Mesh:
    """Panels and nodes, conductor nodes first. Lengths in units of `unit` metres.

    Panels: start, step (complex), power, centre, radius, edge. Nodes: z, normal (left of the edge, times the length
    per u), weight, left, right (permittivity), conductor (-1 on dielectric boundaries), panel
    """

    kind: int
    plane_distance: float
    unit: float
    order: int
    conductors: int
    lines: int
    start: Complexes
    step: Complexes
    power: Floats
    centre: Complexes
    radius: Floats
    z: Complexes
    normal: Complexes
    weight: Floats
    left: Floats
    right: Floats
    conductor: Ints
    panel: Ints
    thin: NDArray[np.bool_]
    free_nodes: int  # number of nodes on conductors


def corners(strip: Strip) -> tuple[complex, complex, complex, complex]:
    """Lower left, upper left, upper right, lower right corner of a strip, m."""
    narrow = strip.width - 2 * strip.etch * strip.thickness
    low, high = (strip.width, narrow) if strip.narrow_top else (narrow, strip.width)
    y0, y1 = strip.y, strip.y + strip.thickness
    x = strip.x
    return complex(x - low / 2, y0), complex(x - high / 2, y1), complex(x + high / 2, y1), complex(x + low / 2, y0)


def _check(section: CrossSection) -> None:
    """Raises OutOfRange where the section is no possible one, naming the strip."""
    if not section.lines:
        raise OutOfRange("a cross-section needs at least one line")
    if not (section.plane_below or section.plane_above or section.grounds):
        raise OutOfRange("a cross-section without planes needs copper at reference potential in `grounds`")
    for k, sheet in enumerate(section.sheets):
        if not (sheet.thickness > 0 and math.isfinite(sheet.thickness) and 1 <= sheet.er < 1000):
            raise OutOfRange(f"sheet {k}: thickness {sheet.thickness} m and er {sheet.er} are not usable")
    top = sum(sheet.thickness for sheet in section.sheets)
    if section.plane_above and top <= 0:
        raise OutOfRange("a plane above needs at least one sheet below it")
    coat = section.coat_above
    if coat is not None:
        if section.plane_above:
            raise OutOfRange("solder mask needs an upper surface without a plane")
        if not (coat.over_laminate > 0 and coat.over_copper > 0 and 1 <= coat.er < 1000):
            raise OutOfRange("solder mask needs a thickness above 0 over laminate and over copper and er of 1 or more")
    strips = section.lines + section.grounds
    for k, strip in enumerate(strips):
        name = f"line {k}" if k < len(section.lines) else f"ground {k - len(section.lines)}"
        values = (strip.x, strip.y, strip.width, strip.thickness, strip.etch)
        if not all(map(math.isfinite, values)) or strip.width <= 0 or strip.thickness < 0 or strip.etch < 0:
            raise OutOfRange(f"{name}: its width must be above 0, its thickness and etch 0 or more")
        if strip.width - 2 * strip.etch * strip.thickness <= 0:
            raise OutOfRange(f"{name}: etched {strip.etch * strip.thickness:.3g} m on each side, nothing is left")
        if section.plane_below and strip.y <= SNAP:
            raise OutOfRange(f"{name} touches the plane below it")
        if section.plane_above and strip.y + strip.thickness >= top - SNAP:
            raise OutOfRange(f"{name} touches the plane above it")
    outlines = [corners(strip) for strip in strips]
    for i in range(len(strips)):
        for j in range(i):
            if _apart(outlines[i], outlines[j]):
                continue
            first, second = (
                shapely.LinearRing([(c.real, c.imag) for c in _ring(o)]) for o in (outlines[i], outlines[j])
            )
            if shapely.intersects(shapely.Polygon(first), shapely.Polygon(second)):
                raise OutOfRange(f"conductors {j} and {i} of the cross-section touch")


def _apart(one: Sequence[complex], two: Sequence[complex]) -> bool:
    return (
        max(c.real for c in one) < min(c.real for c in two) - SNAP
        or max(c.real for c in two) < min(c.real for c in one) - SNAP
        or max(c.imag for c in one) < min(c.imag for c in two) - SNAP
        or max(c.imag for c in two) < min(c.imag for c in one) - SNAP
    )


def _ring(outline: Sequence[complex]) -> list[complex]:
    """Corners as a ring that shapely takes, an ideal thin strip opened to a nanometre."""
    low_left, up_left, up_right, low_right = outline
    if up_left.imag - low_left.imag < SNAP:
        up_left, up_right = up_left + SNAP * 1j, up_right + SNAP * 1j
    return [low_left, up_left, up_right, low_right]


def upright(section: CrossSection) -> CrossSection:
    """The same section with a plane below if it has only one: turned upside down when that one is above."""
    if section.plane_below or not section.plane_above:
        return section
    top = sum(sheet.thickness for sheet in section.sheets)

    def turn(strip: Strip) -> Strip:
        return Strip(
            strip.x, top - strip.y - strip.thickness, strip.width, strip.thickness, strip.etch, not strip.narrow_top
        )

    return CrossSection(
        tuple(map(turn, section.lines)), tuple(map(turn, section.grounds)), section.sheets[::-1], True, False
    )


def _levels(section: CrossSection) -> tuple[list[float], list[float]]:
    """Heights at which the medium changes and the permittivities between: media[k] lies below heights[k]."""
    heights, media = [], [AIR]
    y = 0.0
    for sheet in section.sheets:
        heights.append(y)
        media.append(sheet.er)
        y += sheet.thickness
    heights.append(y)
    media.append(section.coat_above.er if section.coat_above is not None else AIR)
    if section.plane_below:
        heights, media = heights[1:], media[1:]
    if section.plane_above:
        heights, media = heights[:-1], media[:-1]
    return heights, media


def _mask_outline(section: CrossSection, strips: Sequence[Strip]) -> list[complex]:
    """Upper surface of the solder mask from left to right, m: parallel to copper and laminate, united where the mask
    of neighbours meets. A slot narrower than a tenth of the mask over copper is taken as filled."""
    coat = section.coat_above
    assert coat is not None
    surface = sum(sheet.thickness for sheet in section.sheets)
    floor = surface + coat.over_laminate
    bumps = []
    for strip in strips:
        if strip.y + strip.thickness < surface - SNAP:
            continue
        _low_left, up_left, up_right, low_right = corners(strip)
        side = coat.over_copper * math.hypot(1, strip.etch)
        wide = max(low_right.real - strip.x, up_right.real - strip.x) + side
        top = up_left.imag + coat.over_copper
        slope = strip.etch if strip.narrow_top else 0.0
        high = up_right.real - strip.x + side - slope * coat.over_copper if strip.narrow_top else wide
        if top > floor + SNAP:
            base = wide + slope * strip.y  # down to y = 0, below any surface
            bumps.append((strip.x, base, high, top))
    scale = 1e6  # shapely at micrometres, far from its tolerances
    edges = [abs(b[0]) + b[1] for b in bumps]
    reach = (max(edges) if edges else 0.0) + 10 * floor
    pieces = [shapely.box(-reach * scale, -floor * scale, reach * scale, floor * scale)]
    bumps.sort()
    for x, base, high, top in bumps:
        ring = [(x - base, 0.0), (x - high, top), (x + high, top), (x + base, 0.0)]
        pieces.append(shapely.Polygon([(px * scale, py * scale) for px, py in ring]))
    for (x0, base0, high0, top0), (x1, base1, high1, top1) in itertools.pairwise(bumps):
        low = min(top0, top1)
        left = x0 + high0 + (base0 - high0) * (top0 - low) / top0
        right = x1 - high1 - (base1 - high1) * (top1 - low) / top1
        if 0 < right - left < 0.1 * coat.over_copper:
            pieces.append(shapely.box(left * scale, 0.0, right * scale, low * scale))
    ring = shapely.get_coordinates(shapely.union_all(pieces).exterior)[:-1] / scale
    points = [complex(x, y) for x, y in ring if y > -floor / 2]
    # from the left end of the floor to its right end, whatever way the ring runs
    first = min(range(len(points)), key=lambda i: points[i].real)
    points = points[first:] + points[:first]
    if points[1].real >= reach - SNAP or (len(points) > 2 and points[-1].real < reach - SNAP):
        points = points[:1] + points[:0:-1]
    kept = [points[0]]
    for before, p in zip([points[0], *points], points[1:], strict=False):
        del before
        if abs(p - kept[-1]) < SNAP:
            continue
        if len(kept) > 1:
            old, new = kept[-1] - kept[-2], p - kept[-1]
            if abs((old.conjugate() * new).imag) < 1e-9 * abs(old) * abs(new):
                kept[-1] = p
                continue
        kept.append(p)
    return kept


def edges_of(section: CrossSection) -> tuple[list[Edge], list[complex]]:
    """All boundaries of an upright section, conductors first."""
    heights, media = _levels(section)

    def snapped(y: float) -> float:
        near = min(heights, key=lambda h: abs(h - y), default=y)
        return near if abs(near - y) < SNAP else y

    def medium(y: float) -> float:
        return media[sum(1 for h in heights if h < y)]

    jumps = [(h, media[k], media[k + 1]) for k, h in enumerate(heights) if media[k] != media[k + 1]]
    out: list[Edge] = []
    strips = section.lines + section.grounds
    shapes = []
    for index, strip in enumerate(strips):
        low_left, up_left, up_right, low_right = corners(strip)
        y0, y1 = snapped(strip.y), snapped(strip.y + strip.thickness)
        ll, ul, ur, lr = (
            complex(low_left.real, y0),
            complex(up_left.real, y1),
            complex(up_right.real, y1),
            complex(low_right.real, y0),
        )
        shapes.append((ll, ul, ur, lr))
        if y1 - y0 < SNAP:
            out.append(Edge(ll, lr, index, medium(y0 + 2 * SNAP), medium(y0 - 2 * SNAP)))
            continue
        out.append(Edge(lr, ll, index, medium(y0 - 2 * SNAP), AIR))
        out.append(Edge(ul, ur, index, medium(y1 + 2 * SNAP), AIR))
        cuts = [y0, *[h for h, _, _ in jumps if y0 < h < y1], y1]
        for bottom, top in itertools.pairwise(cuts):
            f0, f1 = (bottom - y0) / (y1 - y0), (top - y0) / (y1 - y0)
            er = medium((bottom + top) / 2)
            out.append(Edge(ll + f0 * (ul - ll), ll + f1 * (ul - ll), index, er, AIR))
            out.append(Edge(lr + f1 * (ur - lr), lr + f0 * (ur - lr), index, er, AIR))
    for h, below, above in jumps:
        blocked = []
        for ll, ul, ur, lr in shapes:
            y0, y1 = ll.imag, ul.imag
            if y0 <= h <= y1:
                f = (h - y0) / (y1 - y0) if y1 > y0 else 0.0
                blocked.append(((ll + f * (ul - ll)).real, (lr + f * (ur - lr)).real))
        blocked.sort()
        x = -math.inf
        for left, right in [*blocked, (math.inf, math.inf)]:
            out.append(
                Edge(
                    complex(x if x > -math.inf else 0.0, h),
                    complex(left if left < math.inf else 0.0, h),
                    _INTERFACE, above, below, x == -math.inf, left == math.inf,
                )
            )  # fmt: skip
            x = right
    if section.coat_above is not None and section.coat_above.er != AIR:
        points = _mask_outline(section, strips)
        er = section.coat_above.er
        for k, (p, q) in enumerate(itertools.pairwise(points)):
            out.append(Edge(p, q, _INTERFACE, AIR, er, k == 0, k == len(points) - 2))
    return out, [c for shape in shapes for c in shape]


@lru_cache(maxsize=4096)
def exponent(sectors: tuple[tuple[float, float], ...], closed: bool) -> float:
    """Smallest exponent λ > 0 of the potential r^λ at a corner.

    sectors : (angle, permittivity) in order around it; closed : no conductor, the last sector meets the first,
    otherwise both outer rays are conductors. 1.0 where nothing is singular.
    """

    def mismatch(lam: float) -> float:
        # potential and flux carried around the corner: a product of rotations scaled by the permittivity
        a, b, c, d = 1.0, 0.0, 0.0, 1.0
        for angle, er in sectors:
            co, si = math.cos(lam * angle), math.sin(lam * angle)
            a, b, c, d = co * a + si / er * c, co * b + si / er * d, -si * er * a + co * c, -si * er * b + co * d
        return 2 - a - d if closed else b

    low, step = 0.02, 0.02
    before = mismatch(low)
    while low < 3.0:
        high = low + step
        if closed and high > 0.999:
            return 1.0
        after = mismatch(high)
        if before * after <= 0:
            for _ in range(40):
                middle = (low + high) / 2
                if mismatch(middle) * before > 0:
                    low = middle
                else:
                    high = middle
            return (low + high) / 2
        low, before = high, after
    return 1.0


def _powers(edges: Sequence[Edge]) -> tuple[list[float], list[float]]:
    """Power of the panel at either end of each edge: 1/λ of the corner there, 0 for an end at infinity."""
    ends: dict[tuple[int, int], list[tuple[float, int, bool]]] = {}
    for k, e in enumerate(edges):
        if e.a_infinite and e.b_infinite:
            continue
        angle = cmath.phase(e.b - e.a) if not (e.a_infinite or e.b_infinite) else 0.0
        if not e.a_infinite:
            ends.setdefault(_key(e.a), []).append((angle % (2 * math.pi), k, True))
        if not e.b_infinite:
            ends.setdefault(_key(e.b), []).append(((angle + math.pi) % (2 * math.pi), k, False))
    at_a, at_b = [0.0] * len(edges), [0.0] * len(edges)
    for rays in ends.values():
        rays.sort()
        sectors = []
        metal = [edges[k].conductor >= 0 for _, k, _ in rays]
        for i, (angle, k, leaves) in enumerate(rays):
            span = (rays[(i + 1) % len(rays)][0] - angle) % (2 * math.pi) or 2 * math.pi
            e = edges[k]
            inside = e.conductor >= 0 and not leaves and not _is_thin(e, edges)
            sectors.append((round(span, 6), None if inside else round(e.left if leaves else e.right, 6)))
        if any(metal):
            start = next(i for i in range(len(rays)) if metal[i] and sectors[i][1] is not None)
            run = []
            for step in range(len(rays)):
                i = (start + step) % len(rays)
                if step and metal[i]:
                    break
                run.append(sectors[i])
            lam = exponent(tuple(run), False)
        else:
            lam = exponent(tuple(sectors), True)
        power = round(min(max(1 / lam, 1.0), 4.0), 3)
        for _, k, leaves in rays:
            if leaves:
                at_a[k] = power
            else:
                at_b[k] = power
    return at_a, at_b


def _key(z: complex) -> tuple[int, int]:
    return round(z.real / SNAP), round(z.imag / SNAP)


def _is_thin(edge: Edge, edges: Sequence[Edge]) -> bool:
    return sum(1 for e in edges if e.conductor == edge.conductor) == 1


_jit: Any = njit(cache=True, error_model="numpy")


@_jit
def _lay(
    a: Complexes, b: Complexes, at_a: Floats, at_b: Floats, corner: Complexes, growth: float, tip: float, cap: float,
    reach: float,
) -> tuple[Complexes, Complexes, Floats, Ints]:  # fmt: skip
    """Panels on edges. at_a, at_b : power of the end panels (0: the edge runs on to infinity, from |reach| on by one
    panel, or is cut there when reach < 0; then b − a is the unit direction). Returns start, step, power, edge."""
    starts, steps, powers, owner = [0j], [0j], [0.0], [0]
    for e in range(a.shape[0]):
        infinite = at_b[e] == 0.0
        direction = b[e] - a[e]
        length = abs(direction)
        direction /= length
        if infinite:
            length = abs(reach)
        ends = np.zeros(2)
        for side in range(2):
            power = at_a[e] if side == 0 else at_b[e]
            if power == 0.0:
                continue
            z = a[e] if side == 0 else b[e]
            if power < 0:  # a place where an edge was merely cut in two
                continue
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
            place, count = [low], [0.0]
            s = low
            while s < high:
                z = a[e] + direction * s
                nearest = cap
                for c in corner:
                    nearest = min(nearest, abs(c - z))
                h = max(0.2 * nearest, 1e-4 * length)
                if s + h > high:
                    count.append(count[-1] + (high - s) / nearest)
                    place.append(high)
                    break
                s += h
                count.append(count[-1] + h / nearest)
                place.append(s)
            pieces = max(1, math.ceil(count[-1] / math.log(growth) - 0.1))
            before = low
            k = 0
            for n in range(pieces):
                goal = count[-1] * (n + 1) / pieces
                while k < len(count) - 2 and count[k + 1] < goal:
                    k += 1
                part = (goal - count[k]) / (count[k + 1] - count[k])
                now = place[k] + part * (place[k + 1] - place[k]) if n < pieces - 1 else high
                starts.append(a[e] + direction * before)
                steps.append(direction * (now - before))
                powers.append(1.0)
                owner.append(e)
                before = now
        if infinite and reach > 0:
            starts.append(a[e] + direction * length)
            steps.append(direction * length)
            powers.append(0.0)
            owner.append(e)
    return np.array(starts[1:]), np.array(steps[1:]), np.array(powers[1:]), np.array(owner[1:])


def build(section: CrossSection, order: int, growth: float, tip: float) -> Mesh:
    """The panels of a section.

    order : Gauss nodes a panel; growth : how much longer each panel is than its neighbour nearer the corner;
    tip : length of a corner's panel as a share of the distance to the next corner
    Raises OutOfRange for an impossible section.
    """
    _check(section)
    section = upright(section)
    distance = sum(sheet.thickness for sheet in section.sheets) if section.plane_above else 0.0
    kind = TWO_PLANES if section.plane_above else ONE_PLANE if section.plane_below else FREE
    edges, copper = edges_of(section)
    at_a, at_b = _powers(edges)
    xs = [c.real for c in copper]
    middle = (min(xs) + max(xs)) / 2
    tops = [c.imag for c in copper] + [sum(sheet.thickness for sheet in section.sheets)]
    unit = max(max(tops), -min(tops), (max(xs) - min(xs)) / 20)
    reach = (
        (max(xs) - min(xs)) / 2 + _PERIODIC_REACH * distance
        if kind == TWO_PLANES
        else _FAR_REACH * ((max(xs) - min(xs)) / 2 + max(tops))
    )
    a, b, pa, pb, owner = [], [], [], [], []
    for k, e in enumerate(edges):
        if e.a_infinite and e.b_infinite:
            for sign in (-1, 1):
                a.append(complex(middle, e.a.imag))
                b.append(complex(middle + sign * unit, e.a.imag))
                pa.append(-1.0)
                pb.append(0.0)
                owner.append(k)
        elif e.a_infinite or e.b_infinite:
            end, power, sign = (e.b, at_b[k], -1) if e.a_infinite else (e.a, at_a[k], 1)
            a.append(end)
            b.append(end + sign * unit)
            pa.append(power)
            pb.append(0.0)
            owner.append(k)
        else:
            a.append(e.a)
            b.append(e.b)
            pa.append(at_a[k])
            pb.append(at_b[k])
            owner.append(k)
    points = [e.a for e in edges if not e.a_infinite] + [e.b for e in edges if not e.b_infinite]
    corner = np.unique(np.round((np.array(points) - middle) / unit, 9))
    if kind != FREE:
        near = corner[corner.imag < 2.0]
        corner = np.concatenate([corner, near.conj()])
    if kind == TWO_PLANES:
        corner = np.concatenate([corner, corner.conj() + 2j * distance / unit])
    cap = 0.5 * distance / unit if kind == TWO_PLANES else math.inf
    start, step, power, edge = _lay(
        (np.array(a) - middle) / unit, (np.array(b) - middle) / unit, np.array(pa), np.array(pb), corner, growth, tip,
        cap, (-1 if kind == TWO_PLANES else 1) * reach / unit,
    )  # fmt: skip
    edge = np.array(owner)[edge]
    conductor = np.array([e.conductor for e in edges])[edge]
    sequence = np.argsort(conductor < 0, kind="stable")
    start, step, power, edge, conductor = (v[sequence] for v in (start, step, power, edge, conductor))
    u, w, _, _ = rule(order)
    k = power[:, None]
    infinite = k == 0
    safe = np.where(infinite, 1.0, k)
    shape = np.where(infinite, 1 / u - 1, u**safe)
    slope = np.where(infinite, u**-2, safe * u ** (safe - 1))
    z = start[:, None] + step[:, None] * shape
    side = np.array([1j * (e.b - e.a) / abs(e.b - e.a) if not (e.a_infinite or e.b_infinite) else 1j for e in edges])
    normal = side[edge][:, None] * (np.abs(step)[:, None] * slope)
    spread = np.repeat
    return Mesh(
        kind=kind,
        plane_distance=distance / unit,
        unit=unit,
        order=order,
        conductors=len(section.lines) + len(section.grounds),
        lines=len(section.lines),
        start=start,
        step=step,
        power=power,
        centre=start + step / 2,
        radius=np.abs(step) / 2,
        z=z.ravel(),
        normal=normal.ravel(),
        weight=np.tile(w, len(start)),
        left=spread(np.array([e.left for e in edges])[edge], order),
        right=spread(np.array([e.right for e in edges])[edge], order),
        conductor=spread(conductor, order),
        panel=spread(np.arange(len(start)), order),
        thin=spread(np.array([e.conductor >= 0 and _is_thin(e, edges) for e in edges])[edge], order),
        free_nodes=order * int(np.sum(conductor >= 0)),
    )
