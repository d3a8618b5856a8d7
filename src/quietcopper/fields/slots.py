"""Slots and openings inside an unbroken plane under a trace: the excess inductance, solved; several traces together.

Formulation (aperture dual): without the opening the plane carries the return current of trace and image, whose field
along the plane is the gradient of a magnetic potential Phi0. The opening lets a normal flux density b through such
that the potential on both sides meets again:

    (1/2 pi mu0) integral b (S_above + S_below) / 2 dS + Phi0 = constant in the opening, integral b dS = 0,

S = 1/r, or the sum over images where another plane lies on that side. The excess inductance is -integral b Phi0 per
ampere squared. It is the electrostatics of a neutral conducting plate the shape of the opening, in the potential Phi0.
Discretised by rectangles with constant b, collocated at their middles, graded to the edges and to the trace.

Holds where opening and height are small against the wavelength, for a straight trace across the opening, an opening
that does not reach the plane's edge, and copper thick against the skin depth. A slot open to the edge or a complete
split has no static excess inductance: see `returns.split_capacitance`, `cavity` and `returns.pulse_peak`.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import ArrayLike
from scipy.special import binom, k0, zeta

from quietcopper.errors import OutOfRange
from quietcopper.fields.ranges import Floats, checked
from quietcopper.fields.returns import strip_potential, stripline_share
from quietcopper.units import MU0

ACROSS = 6  # cells across the opening, along the trace; four to eight give the same to 0.1 %
FAR = 3.0  # diagonals of a cell; beyond, its moments stand for it


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
    return _solve(np.array(rows), heights, trace_widths, offset, below, above)


def solve_opening(
    opening: shapely.Polygon,
    heights: ArrayLike,
    trace_widths: ArrayLike,
    offsets: ArrayLike,
    *,
    below: float = np.inf,
    above: float = np.inf,
) -> Floats:
    """Excess inductances (t, t) in H of t parallel traces over an opening of any shape in a plane.

    opening : in coordinates where the traces run along x; offsets : (t,) y of each; the rest as `slot_matrix`
    Cut into strips along x, finer at the traces, each strip into six graded cells. Error 2 % for openings with
    smooth or straight edges; about 50 ms. Raises OutOfRange for an empty opening.
    """
    if opening.is_empty or not opening.area > 0:
        raise OutOfRange("an opening without area")
    _, low, _, high = opening.bounds
    middle = (low + high) / 2
    scale = np.hypot(checked("height", heights), np.asarray(trace_widths, dtype=float) / 2)
    offset = np.asarray(offsets, dtype=float)
    near = [float(o - middle) for o in offset if low < o < high]
    y = middle + _graded(high - low, near, float(np.min(scale)), opening.area / (high - low))
    shapely.prepare(opening)
    rows = []
    west, _, east, _ = opening.bounds
    for y0, y1 in pairwise(y):
        cut = shapely.intersection(opening, shapely.LineString([(west - 1, (y0 + y1) / 2), (east + 1, (y0 + y1) / 2)]))
        spans = (piece.bounds for piece in shapely.get_parts(cut))
        rows += [(x0, x1, y0, y1) for x0, _, x1, _ in spans if x1 > x0]
    return _solve(np.array(rows), heights, trace_widths, offset, below, above)


def _graded(length: float, marks: list[float], scale: float, width: float) -> Floats:
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
        size = np.minimum(min(left, span / 6) + 0.25 * t, min(right, span / 6) + 0.25 * (span - t))
        density = 1 / np.minimum(size, length / 16)
        cells = np.append(0.0, np.cumsum(np.diff(t) * (density[1:] + density[:-1]) / 2))
        count = int(np.ceil(cells[-1]))
        borders.append(a + np.interp(np.arange(1, count + 1) / count * cells[-1], cells, t))
    return np.concatenate(borders)


def _solve(rows: Floats, heights: ArrayLike, widths: ArrayLike, offsets: Floats, below: float, above: float) -> Floats:
    """Excess inductance matrix for strips (m, 4) as x0, x1, y0, y1, each cut into cells across.

    Borders and collocation points are those of Chebyshev's density, which is how b rises towards the edges.
    """
    checked("distance to the plane below", below, infinite=True)
    half, middle = (rows[:, 1] - rows[:, 0]) / 2, (rows[:, 1] + rows[:, 0]) / 2
    border = middle[:, None] - half[:, None] * np.cos(np.pi * np.arange(ACROSS + 1) / ACROSS)
    y0, y1 = (np.repeat(rows[:, c], ACROSS) for c in (2, 3))
    cells = np.column_stack([border[:, :-1].ravel(), border[:, 1:].ravel(), y0, y1])
    points = middle[:, None] - half[:, None] * np.cos(np.pi * (np.arange(ACROSS) + 0.5) / ACROSS)
    center = np.column_stack([points.ravel(), (y0 + y1) / 2])
    area = (cells[:, 1] - cells[:, 0]) * (y1 - y0)
    kernel = _inverse_distance(center, cells)
    distance = np.hypot(center[:, None, 0] - center[None, :, 0], center[:, None, 1] - center[None, :, 1])
    for side in (below, above):
        if np.isfinite(side):
            kernel += _image_sum(distance, side) * area / 2
    n = len(cells)
    system = np.zeros((n + 1, n + 1))
    system[:n, :n] = kernel / (np.pi * MU0)
    system[:n, n] = -1.0
    system[n, :n] = area
    h, w = np.broadcast_arrays(np.asarray(heights, dtype=float), np.asarray(widths, dtype=float))
    potential = np.column_stack(
        [_potential(center[:, 1] - o, float(a), float(b), above) for o, a, b in zip(offsets, w, h, strict=True)]
    )
    right = np.vstack([-potential, np.zeros(potential.shape[1])])
    flux = np.linalg.solve(system, right)[:n] * area[:, None]
    matrix = -potential.T @ flux
    return (matrix + matrix.T) / 2


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

    The constant that makes the sum converge does not count, since the flux through the opening sums to zero. Power
    series near, logarithm and Bessel functions (Poisson's sum) far.
    """
    a = 2 * distance
    u = r / a
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
    return out / a
