"""Slots and openings inside an unbroken plane under a trace: the excess inductance, solved; several traces together.

Formulation (aperture dual): without the opening the plane carries the return current of trace and image, whose field
along the plane is the gradient of a magnetic potential Phi0. The opening lets a normal flux density b through such
that the potential on both sides meets again:

    (1/2 pi mu0) integral b (S_above + S_below) / 2 dS + Phi0 = constant in the opening, integral b dS = 0,

(both for each of several openings that copper parts),

S = 1/r, or the sum over images where another plane lies on that side. The excess inductance is -integral b Phi0 per
ampere squared. It is the electrostatics of a neutral conducting plate the shape of the opening, in the potential Phi0.
Discretised by rectangles with constant b, collocated at their middles, graded to the edges and to the trace.

What the detour dissipates follows from Wheeler's rule, R = (Rs/mu0) dL/dn with every wall drawn back by dn (Proc. IRE
30(9), 1942, from memory): the upper face by the height's share, the opening's rim by solving a wider opening,
1 + ln(4 pi w/t)/pi times for copper of thickness t, as the handbooks' effective width of a strip has it,
(t/pi)(1 + ln(4 pi w/t)). That is the loss beyond a stopping distance of t/290 from the rim (Holloway and Kuester, IEEE
Trans. MTT 43(12), 1995, from memory).

Holds where opening and height are small against the wavelength, for a straight trace across the opening, an opening
that does not reach the plane's edge, and copper thick against the skin depth. A slot open to the edge or a complete
split has no static excess inductance: see `returns.split_capacitance`, `cavity` and `returns.pulse_peak`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.special import binom, k0, zeta

from quietcopper.errors import OutOfRange
from quietcopper.fields.ranges import Floats, checked
from quietcopper.fields.returns import strip_potential, stripline_share
from quietcopper.units import MU0

ACROSS = 6  # cells across a slot, along the trace; four to eight give the same to 0.1 %
QUICK = 4  # across an opening of any shape
MOST_CELLS = 2500
GROWTH = 0.6  # of cells round a notch, a cell over its distance to the nearest corner
WIDER = 0.04  # of an opening's width, on either side: the step in which its rim is drawn back
FAR = 3.0  # diagonals of a cell; beyond, its moments stand for it


@dataclass(frozen=True, eq=False)
class Excess:
    """What an opening adds to the loops of t lines over it. inductance : (t, t) H; squares : (t,) resistance over that
    of a square of the copper's surface"""

    inductance: Floats
    squares: Floats


def solve_slot(
    length: float,
    slot_width: float,
    height: float,
    trace_width: float,
    offset: float = 0.0,
    *,
    below: float = np.inf,
    above: float = np.inf,
) -> float:
    """Excess inductance of a trace that crosses a rectangular slot at right angles, H.

    length, slot_width : of the slot, across and along the trace; height, trace_width : of the trace, above the plane
    offset : of the trace from the slot's middle; below : distance to a solid plane on the far side, joined to the
    slotted one all round; above : distance from the slotted plane to one over the trace (stripline)
    Error below 0.3 % for slots longer than 5 widths, 1.2 % down to a square; 2 to 30 ms.
    """
    matrix = slot_matrix(length, slot_width, [height], [trace_width], [offset], below=below, above=above)
    return float(matrix[0, 0])


def slot_matrix(
    length: float,
    slot_width: float,
    heights: ArrayLike,
    trace_widths: ArrayLike,
    offsets: ArrayLike,
    *,
    below: float = np.inf,
    above: float = np.inf,
) -> Floats:
    """Excess inductances (t, t) in H of t traces that cross one rectangular slot at right angles, as `solve_slot`.

    Off the diagonal stands what couples the traces through the slot, whatever their distance from each other.
    """
    d, s = float(checked("slot length", length)), float(checked("slot width", slot_width))
    offset = np.asarray(offsets, dtype=float)
    scale = np.hypot(checked("height", heights), np.asarray(trace_widths, dtype=float) / 2)
    inside = np.abs(offset) < d / 2
    y = _graded(d, [float(o) for o in offset[inside]], float(np.min(scale)), s)
    rows = [(-s / 2, s / 2, y0, y1) for y0, y1 in pairwise(y)]
    return _solve(
        _Cells.of(np.array(rows), np.zeros(len(rows), dtype=np.intp), ACROSS),
        heights,
        trace_widths,
        offset,
        below,
        above,
    )[0]


def solve_opening(
    opening: shapely.Geometry,
    heights: ArrayLike,
    trace_widths: ArrayLike,
    offsets: ArrayLike,
    *,
    below: float = np.inf,
    above: float = np.inf,
    thickness: float = 35e-6,
) -> Excess:
    """What an opening of any shape in a plane adds to t parallel traces over it.

    opening : in coordinates where the traces run along x; offsets : (t,) y of each; thickness : of the plane, m, which
    only the resistance feels; the rest as `slot_matrix`
    Cut into strips along x, finer at the traces, each strip into four graded cells. Error of the inductance 2 % for
    openings with smooth or straight edges, of the resistance 20 %; 10 to 50 ms. Raises OutOfRange for an empty opening.
    """
    offset = np.asarray(offsets, dtype=float)
    scale = np.hypot(checked("height", heights), np.asarray(trace_widths, dtype=float) / 2)
    if opening.is_empty or not opening.area > 0:
        raise OutOfRange("an opening without area")
    gap = float(opening.area / np.ptp(opening.bounds[1::2]))

    def solved(shape: shapely.Geometry) -> tuple[Floats, Floats]:
        _, low, _, high = shape.bounds
        middle = (low + high) / 2
        near = [float(o - middle) for o in offset if low < o < high]
        y = middle + _graded(high - low, near, float(np.min(scale)), shape.area / (high - low))
        return _solve(_Cells.of(*_strips(shape, y), QUICK), heights, trace_widths, offset, below, above)

    matrix, slope = solved(opening)
    wider = solved(opening.buffer(WIDER * gap, join_style="mitre"))[0]
    return Excess(matrix, _squares(slope, np.diag(wider - matrix), gap, float(checked("thickness", thickness))))


def _squares(slope: Floats, more: Floats, gap: float, thickness: float) -> Floats:
    """Squares of loss from the inductance's slope with the height and what an opening wider by WIDER gaps has more."""
    return np.asarray((slope + more / (WIDER * gap) * (1 + np.log(4 * np.pi * gap / thickness) / np.pi)) / MU0)


def solve_notch(
    around: shapely.Geometry,
    closed: shapely.Geometry,
    gap: float,
    height: float,
    trace_width: float,
    *,
    below: float = np.inf,
    above: float = np.inf,
    thickness: float = 35e-6,
) -> Excess:
    """What a notch, an opening that reaches the edge of its plane, adds to a trace along y = 0 that crosses it at 0.

    around : all that is not copper within a window some ten times the notch's depth, which is taken as copper beyond;
    closed : the same without the notch; gap : width of the notch under the trace; the rest as `solve_opening`
    The excess of the one over that of the other, both over an endless plane. Error 6 %, with a plane behind up to 20 %
    low; 0.1 s.
    """
    scale = float(np.hypot(height, trace_width / 2))
    step = WIDER * gap

    def solved(shape: shapely.Geometry) -> tuple[Floats, Floats]:
        if shape.is_empty or not shape.area > 0:
            return np.zeros((1, 1)), np.zeros(1)
        corners = _corners(shape, gap)
        _, low, _, high = shape.bounds
        middle = (low + high) / 2
        marks = [0.0, *(float(v) for v in corners[:, 1])]
        marks = [v for i, v in enumerate(marks) if low < v < high and all(abs(v - w) > gap / 2 for w in marks[:i])]
        y = middle + _graded(high - low, [v - middle for v in marks], min(scale, gap), gap, GROWTH)
        cells = _Cells.spread(*_strips(shape, y), gap, corners)
        return _solve(cells, height, trace_width, np.zeros(1), below, above)

    (one, slope), (other, less) = solved(around), solved(closed)
    more = solved(around.buffer(step, join_style="mitre"))[0] - one
    more = more - (solved(closed.buffer(step, join_style="mitre"))[0] - other)
    loss = _squares(slope - less, np.diag(more), gap, float(checked("thickness", thickness)))
    return Excess(np.maximum(one - other, 0.0), loss)


def _corners(shape: shapely.Geometry, gap: float) -> Floats:
    """(k, 2) corners of an outline nearest to the origin, half a gap apart at least."""
    outline = shapely.get_coordinates(shapely.simplify(shape, gap / 8))
    far = np.hypot(*outline.T)
    outline = outline[np.argsort(np.round(far, 9), kind="stable")][: int((far < far.max() / 2).sum())]
    kept: list[Floats] = []
    for point in outline:
        if all(np.hypot(*(point - k)) > gap / 2 for k in kept):
            kept.append(point)
        if len(kept) == 6:
            break
    return np.array(kept).reshape(-1, 2)


def _strips(opening: shapely.Geometry, y: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """(m, 4) x0, x1, y0, y1 of an opening cut at these heights, each strip as wide as its middle line, and (m,) which
    part of the opening each lies in."""
    west, _, east, _ = opening.bounds
    middle = (y[1:] + y[:-1]) / 2
    ends = np.stack([np.column_stack([np.full_like(middle, x), middle]) for x in (west - 1, east + 1)], axis=1)
    parts = shapely.get_parts(opening)
    parts = parts[shapely.area(parts) > 1e-4 * opening.area]
    met = shapely.intersection(parts[:, None], shapely.linestrings(ends)[None])
    cuts, index = shapely.get_parts(met.ravel(), return_index=True)
    part, index = np.divmod(index, len(middle))
    x0, _, x1, _ = shapely.bounds(cuts).T
    rows = np.column_stack([x0, x1, y[index], y[index + 1]])
    kept = x1 > x0
    part = np.unique(part[kept], return_inverse=True)[1]
    return np.asarray(rows[kept]), part.astype(np.intp)


def _graded(length: float, marks: list[float], scale: float, width: float, growth: float = 0.25) -> Floats:
    """Cell borders along a slot of that length round zero: fine at both ends and at the marks, growing between.

    The same from either end, so that a mirrored board gives the same figures.
    """
    half = length / 2
    spots = [-half, *sorted(set(marks)), half]
    finest = [width / 16, *(min(scale, width) / 4 for _ in spots[1:-1]), width / 16]
    borders = [np.array([-half])]
    for (a, b), (left, right) in zip(pairwise(spots), pairwise(finest), strict=True):
        span = b - a
        if span < 1e-9 * length:
            continue
        t = span / (1 + np.exp(-np.linspace(-14, 14, 1401)))
        t[0], t[-1] = 0.0, span
        size = np.minimum(min(left, span / 6) + growth * t, min(right, span / 6) + growth * (span - t))
        density = 1 / np.minimum(size, length / 16)
        cells = np.append(0.0, np.cumsum(np.diff(t) * (density[1:] + density[:-1]) / 2))
        count = int(np.ceil(cells[-1]))
        borders.append(a + np.interp(np.arange(1, count + 1) / count * cells[-1], cells, t))
    return np.concatenate(borders)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Rectangles with constant b. bounds : (n, 4) x0, x1, y0, y1; x : (n,) where each is collocated
    part : (n,) number of the opening that each lies in"""

    bounds: Floats
    x: Floats
    part: NDArray[np.intp]

    @classmethod
    def of(cls, strips: Floats, part: NDArray[np.intp], across: int) -> _Cells:
        """Borders and collocation points are those of Chebyshev's density, which is how b rises towards the edges."""
        return cls._joined(strips, part, [np.arange(across + 1) * np.pi / across] * len(strips))

    @classmethod
    def spread(cls, strips: Floats, part: NDArray[np.intp], gap: float, corners: Floats) -> _Cells:
        """The same, with more cells in strips that are wide against their distance to a corner of the outline."""
        angles = []
        for x0, x1, y0, y1 in strips:
            half, middle = (x1 - x0) / 2, (x1 + x0) / 2
            t = np.linspace(0, np.pi, 161)
            x = middle - half * np.cos(t)
            far = np.hypot(x[:, None] - corners[:, 0], (y0 + y1) / 2 - corners[:, 1]).min(axis=1, initial=np.inf)
            size = np.minimum(half * np.pi / QUICK * np.maximum(np.sin(t), 0.15), gap / 4 + GROWTH * far)
            density = half * np.maximum(np.sin(t), 0.15) / size
            count = np.append(0.0, np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(t)))
            n = max(int(np.ceil(count[-1] - 0.01)), 2)
            angles.append(np.interp(np.arange(n + 1) / n * count[-1], count, t))
        return cls._joined(strips, part, angles)

    @classmethod
    def _joined(cls, strips: Floats, part: NDArray[np.intp], angles: list[Floats]) -> _Cells:
        count = np.array([len(t) - 1 for t in angles])
        if count.sum() > MOST_CELLS:
            raise OutOfRange(f"{count.sum()} cells for one opening are out of reach")
        row = np.repeat(np.arange(len(strips)), count)
        low, high = (np.concatenate([t[part] for t in angles]) for part in (slice(None, -1), slice(1, None)))
        half, middle = (strips[row, 1] - strips[row, 0]) / 2, (strips[row, 1] + strips[row, 0]) / 2
        bounds = np.column_stack([middle - half * np.cos(low), middle - half * np.cos(high), strips[row, 2:]])
        return cls(bounds, middle - half * np.cos((low + high) / 2), part[row])


def _solve(
    cells: _Cells, heights: ArrayLike, widths: ArrayLike, offsets: Floats, below: float, above: float
) -> tuple[Floats, Floats]:
    """Excess inductance matrix (t, t), H, and its diagonal's slope with the heights (t,), H/m."""
    checked("distance to the plane below", below, infinite=True)
    bounds = cells.bounds
    center = np.column_stack([cells.x, (bounds[:, 2] + bounds[:, 3]) / 2])
    area = (bounds[:, 1] - bounds[:, 0]) * (bounds[:, 3] - bounds[:, 2])
    kernel = _inverse_distance(center, bounds)
    sides = [side for side in (below, above) if np.isfinite(side)]
    if sides:
        distance = np.hypot(center[:, None, 0] - center[None, :, 0], center[:, None, 1] - center[None, :, 1])
        for side in sides:
            kernel += _image_sum(distance, side) * area / 2
    n = len(bounds)
    mine = (cells.part[:, None] == np.arange(int(cells.part.max()) + 1)).astype(float)
    system = np.zeros((n + mine.shape[1], n + mine.shape[1]))
    system[:n, :n] = kernel / (np.pi * MU0)
    system[:n, n:] = -mine
    system[n:, :n] = mine.T * area
    h, w = np.broadcast_arrays(np.asarray(heights, dtype=float), np.asarray(widths, dtype=float))
    h, w = np.broadcast_to(h, len(offsets)), np.broadcast_to(w, len(offsets))

    def potentials(factor: float) -> Floats:
        return np.column_stack(
            [
                _potential(center[:, 1] - o, float(b), float(a) * factor, above)
                for o, a, b in zip(offsets, h, w, strict=True)
            ]
        )

    potential = potentials(1.0)
    right = np.vstack([-potential, np.zeros((mine.shape[1], potential.shape[1]))])
    flux = np.linalg.solve(system, right)[:n] * area[:, None]
    matrix = -potential.T @ flux
    matrix = (matrix + matrix.T) / 2
    # the system is symmetric: a change of the potential changes the inductance by -2 dPhi0 flux
    slope = -2 * np.sum((potentials(1.01) - potentials(0.99)) / (0.02 * h) * flux, axis=0)
    return matrix, slope


def _potential(y: Floats, width: float, height: float, above: float) -> Floats:
    """Phi0 per ampere along y: the strip's return on this plane, counted from under the strip."""
    if np.isinf(above):
        return strip_potential(y, width, height)
    if not height < above:
        raise OutOfRange(f"the plane above at {above:g} m is not above the trace at {height:g} m")
    nodes, weights = np.polynomial.legendre.leggauss(12)
    t = y[:, None] - nodes * width / 2
    share = np.sign(t) * stripline_share(np.abs(t), height, above)[0] / 2
    return share @ weights / 2


def _inverse_distance(points: Floats, cells: Floats) -> Floats:
    """(p, n) integral of 1/r over each rectangle, seen from each point: exact within `FAR` of a rectangle's diagonals,
    further off by the rectangle's moments up to the second, 2e-4 of the figure at most."""
    a, b = cells[:, 1] - cells[:, 0], cells[:, 3] - cells[:, 2]
    x = (cells[:, 0] + cells[:, 1]) / 2 - points[:, None, 0]
    y = (cells[:, 2] + cells[:, 3]) / 2 - points[:, None, 1]
    x2, y2 = x * x, y * y
    r2 = x2 + y2
    near = r2 < (FAR**2) * (a * a + b * b)
    r2[near] = 1.0
    out = ((3 * x2 - r2) * (a * a) + (3 * y2 - r2) * (b * b)) / (24 * r2 * r2)
    out = (out + 1) * (a * b) / np.sqrt(r2)
    p, n = np.nonzero(near)
    out[p, n] = _exact_inverse_distance(points[p], cells[n])
    return np.asarray(out)


def _exact_inverse_distance(points: Floats, cells: Floats) -> Floats:
    """(n,) integral of 1/r over each rectangle (n, 4), seen from the point of the same row."""
    out = np.zeros(len(points))
    for column_x, sign_x in ((1, 1.0), (0, -1.0)):
        x = cells[:, column_x] - points[:, 0]
        for column_y, sign_y in ((3, 1.0), (2, -1.0)):
            y = cells[:, column_y] - points[:, 1]
            with np.errstate(divide="ignore", invalid="ignore"):
                part = np.where(x == 0, 0.0, x * np.arcsinh(y / np.abs(x)))
                part += np.where(y == 0, 0.0, y * np.arcsinh(x / np.abs(y)))
            out += sign_x * sign_y * part
    return out


def _image_sum(r: Floats, distance: float) -> Floats:
    """What images behind a plane at `distance` add to 1/r: sum over n != 0 of 1/sqrt(r^2 + (2 n d)^2) - 1/(2 |n| d).

    The constant that makes the sum converge does not count, since the flux through the opening sums to zero. From a
    table, to 1e-7 of 1/2d.
    """
    a = 2 * distance
    table, slope = _image_table()
    place = np.log1p(r / a) * (len(slope) / _TABLE_REACH)
    index = np.minimum(place.astype(np.intp), len(slope) - 1)
    place -= index
    return np.asarray((table[index] + place * slope[index]) / a)


_TABLE_REACH = 7.0  # ln(1 + r/2d) up to which the table goes: r of a thousand plane distances


@cache
def _image_table() -> tuple[Floats, Floats]:
    """The sum over even steps of ln(1 + r/2d), and its differences."""
    values = _image_series(np.expm1(np.linspace(0, _TABLE_REACH, 16385)))
    return values[:-1], np.diff(values)


def _image_series(u: Floats) -> Floats:
    """Power series near, logarithm and Bessel functions (Poisson's sum) far."""
    j = np.arange(1, 14)
    out = np.empty_like(u)
    near = u < 0.5
    powers = (u[near] ** 2)[:, None] ** j
    out[near] = powers @ (2 * binom(-0.5, j) * zeta(2 * j + 1))
    v = u[~near]
    far = np.log(2 / v) - np.euler_gamma
    for n in range(1, 5):
        far += 2 * k0(2 * np.pi * n * v)
    out[~near] = 2 * far - 1 / v
    return out
