"""The rectangular plane pair with open edges: capacitance, modes, impedance at ports, with vias and capacitors.

Coordinates run from one corner, 0 <= x <= length, 0 <= y <= width, in m. `cavity` has what any shape has in common.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields.cavity import Expansion, Pair
from quietcopper.fields.compiled import kernel
from quietcopper.fields.ranges import Floats, checked

# A square of this many radii has the self-inductance of a round port: its mean logarithmic distance from itself is
# 0.44705 of its side (Grover, Inductance Calculations, 1946, geometric mean distances, from memory).
SQUARE = 1 / 0.44705

KEPT = 2.5  # modes are kept up to this many times the highest frequency

EDGES = ("open", "stitched", "one stitched")


@dataclass(frozen=True, eq=False)
class Modes:
    """Resonances in rising order. frequency : (n,) Hz; m, n : (n,) half waves along length and width."""

    frequency: Floats
    m: NDArray[np.int64]
    n: NDArray[np.int64]


def modes(pair: Pair, length: float, width: float, highest: float, edges: str = "open") -> Modes:
    """Lossless resonances up to `highest` Hz, without the capacitance mode at zero. Exact but for fringes.

    edges : 'open'; 'stitched', all four tied by a tight fence; 'one stitched', that at x = 0 (quarter-wave modes; m
    then counts from 0). c/(2 sqrt(er)) sqrt((m/a)^2 + (n/b)^2), textbook.
    """
    a, b = float(checked("length", length)), float(checked("width", width))
    top = float(pair.eigenvalue(checked("highest frequency", highest)))
    _bound(top * a * b / (4 * np.pi))
    m = np.arange(int(np.sqrt(top) * a / np.pi) + 2)
    n = np.arange(int(np.sqrt(top) * b / np.pi) + 2)
    if edges == "one stitched":
        kx, ky = (m + 0.5) * np.pi / a, n * np.pi / b
    elif edges in EDGES:
        kx, ky = m * np.pi / a, n * np.pi / b
    else:
        raise CallError(f"edges {edges!r}: allowed are {', '.join(EDGES)}")
    square = kx[:, None] ** 2 + ky[None, :] ** 2
    inside = (square <= top) & (square > 0)
    if edges == "stitched":
        inside &= (kx[:, None] > 0) & (ky[None, :] > 0)
    i, j = np.nonzero(inside)
    order = np.lexsort((j, i, square[i, j]))
    i, j = i[order], j[order]
    return Modes(pair.frequency(square[i, j]), m[i], n[j])


def expand(pair: Pair, length: float, width: float, highest: float, points: ArrayLike, radius: ArrayLike) -> Expansion:
    """Expansion of a rectangle over p points, for frequencies up to `highest` Hz.

    points : (p, 2) m; radius : (p,) or one figure, of the round vias that are ports, shorts or capacitors there
    Modes up to 2.5 times `highest` and at least 100 are kept; the sum over all others is closed in y (hyperbolic
    functions) and run in x until the ports' own size ends it. Round ports count as squares of equal self-inductance.
    Error below 0.3 % away from resonance flanks. Raises OutOfRange where a port reaches over the edge.
    """
    a, b = float(checked("length", length)), float(checked("width", width))
    xy = np.asarray(points, dtype=float).reshape(-1, 2)
    side = SQUARE * np.broadcast_to(checked("port radius", radius), len(xy)).astype(float)
    if np.any((xy - side[:, None] / 2 < 0) | (xy + side[:, None] / 2 > (a, b))):
        raise OutOfRange("a port reaches over the edge of the plane pair")
    limit = float(pair.eigenvalue(checked("highest frequency", highest)))
    top = max(KEPT**2 * limit, 100 * 4 * np.pi / (a * b))
    _bound(top * a * b / (4 * np.pi))
    m, n = np.arange(int(np.sqrt(top) * a / np.pi) + 2), np.arange(int(np.sqrt(top) * b / np.pi) + 2)
    square = (m[:, None] * np.pi / a) ** 2 + (n[None, :] * np.pi / b) ** 2
    i, j = np.nonzero(square <= top)
    order = np.lexsort((j, i, square[i, j]))
    i, j = i[order], j[order]
    eigenvalues = square[i, j]
    weight = np.sqrt(np.where(i == 0, 1, 2) * np.where(j == 0, 1, 2) / (a * b))
    kx, ky = (i * np.pi / a)[:, None], (j * np.pi / b)[:, None]
    shapes = weight[:, None] * np.cos(kx * xy[:, 0]) * np.cos(ky * xy[:, 1])
    shapes = shapes * np.sinc(kx * side / (2 * np.pi)) * np.sinc(ky * side / (2 * np.pi))
    # The rest of the sum at two negative k2, where it has no poles, gives its value and slope halfway.
    near, far = 0.01 * top, 0.03 * top
    terms = int(24 / side.min() * a / np.pi) + 2 if len(xy) else 0
    rest = np.empty((2, len(xy), len(xy)))
    for q, whole in zip((near, far), rest, strict=True):
        _whole_sum(xy, side, a, b, q, terms, whole)
        whole -= (shapes.T / (eigenvalues + q)) @ shapes
    static, slope = (rest[0] + rest[1]) / 2, (rest[0] - rest[1]) / (far - near)
    return Expansion.build(eigenvalues, shapes, static, slope, -(near + far) / 2, limit)


def _bound(count: float) -> None:
    """Refuse work without end: Weyl's count of the modes asked for."""
    if count > 5000:
        raise OutOfRange(f"about {count:.0f} modes lie below the highest frequency asked for; at most 5000 are summed")


@kernel()
def _second_integral(t: float, k: float) -> float:
    """Twice integrated exp(-k|t|), zero with zero slope at 0."""
    u = k * abs(t)
    return (np.expm1(-u) + u) / (k * k)


@kernel("f8[:,::1], f8[::1], f8, f8, f8, i8, f8[:,::1]")
def _whole_sum(
    xy: Floats, side: Floats, a: float, b: float, q: float, terms: int, out: Floats
) -> None:  # pragma: no cover - compiled
    """(p, p) sum over all modes of phi phi/(l + q), squares of the given sides as ports, closed in y for each m."""
    count = len(side)
    for i in range(count):
        for j in range(i + 1):
            wi, wj = side[i], side[j]
            apart = abs(xy[i, 1] - xy[j, 1])
            total = xy[i, 1] + xy[j, 1]
            half = 0.5 * (wi + wj)
            nearest = min(max(apart - half, 0.0), total - half, 2 * b - total - half)
            value = 0.0
            for m in range(terms):
                kx = m * np.pi / a
                k = np.sqrt(kx * kx + q)
                if k * nearest > 40.0:
                    break
                factor = (1.0 if m == 0 else 2.0) / a * np.cos(kx * xy[i, 0]) * np.cos(kx * xy[j, 0])
                if m > 0:
                    factor *= np.sin(kx * wi / 2) / (kx * wi / 2) * np.sin(kx * wj / 2) / (kx * wj / 2)
                direct = (
                    _second_integral(apart + half, k)
                    + _second_integral(apart - half, k)
                    - _second_integral(apart + 0.5 * (wi - wj), k)
                    - _second_integral(apart - 0.5 * (wi - wj), k)
                ) / (wi * wj)
                spread = np.expm1(-k * wi) * np.expm1(-k * wj) / (k * k * wi * wj)
                shut = -np.expm1(-2 * k * b)
                images = (
                    np.exp(-k * (total - half))
                    + np.exp(-k * (2 * b - total - half))
                    + np.exp(-k * (2 * b - apart - half))
                    + np.exp(-k * (2 * b + apart - half))
                )
                value += factor / (2 * k) * (direct + spread * images / shut)
            out[i, j] = value
            out[j, i] = value
