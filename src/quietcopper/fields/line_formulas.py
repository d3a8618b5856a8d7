"""Closed forms for lines: the solver's test oracles, and the cross-check that the command line shows.

All lengths only as ratios. Impedances in ohm, permittivities relative.
"""

from __future__ import annotations

import math

from scipy.special import ellipk, ellipkm1

from quietcopper.fields.ranges import checked
from quietcopper.units import ETA0


def microstrip(width: float, height: float, thickness: float, er: float) -> tuple[float, float]:
    """Impedance and effective permittivity of a surface line over one plane.

    width, height, thickness : any common unit; width/height in 0.01..100, er up to 128. Hammerstad and Jensen, IEEE
    MTT-S Digest 1980 (from memory), with its width correction for a finite thickness: 0.2 % without thickness, within
    0.2 % of boundary elements for usual board shapes with it.
    """
    u = float(checked("width over height", width / height, 0.01, 100, open_low=False))
    t = float(checked("thickness over height", thickness / height, 0, 1, open_low=False))
    e = float(checked("er", er, 1, 128, open_low=False))
    wider = wider_air = 0.0
    if t > 0:
        wider_air = t / math.pi * math.log(1 + 4 * math.e / (t / math.tanh(math.sqrt(6.517 * u)) ** 2))
        wider = 0.5 * (1 + 1 / math.cosh(math.sqrt(e - 1))) * wider_air
    air, mixed = _in_air(u + wider_air), _in_air(u + wider)
    filling = _effective(u + wider, e)
    return mixed / math.sqrt(filling), filling * (air / mixed) ** 2


def _in_air(u: float) -> float:
    f = 6 + (2 * math.pi - 6) * math.exp(-((30.666 / u) ** 0.7528))
    return ETA0 / (2 * math.pi) * math.log(f / u + math.sqrt(1 + (2 / u) ** 2))


def _effective(u: float, er: float) -> float:
    a = (
        1
        + math.log((u**4 + (u / 52) ** 2) / (u**4 + 0.432)) / 49
        + math.log(1 + (u / 18.1) ** 3) / 18.7
    )  # fmt: skip
    b = 0.564 * ((er - 0.9) / (er + 3)) ** 0.053
    return (er + 1) / 2 + (er - 1) / 2 * (1 + 10 / u) ** (-a * b)


def stripline(width: float, plane_distance: float, er: float) -> float:
    """Impedance of an infinitely thin line midway between two planes; Cohn 1954 (from memory). Exact."""
    return _elliptic(math.tanh(math.pi * width / (2 * plane_distance)), er)


def coupled_stripline(width: float, gap: float, plane_distance: float, er: float) -> tuple[float, float]:
    """Even and odd impedance of two infinitely thin lines side by side midway between two planes; Cohn 1955. Exact."""
    own = math.tanh(math.pi * width / (2 * plane_distance))
    both = math.tanh(math.pi * (width + gap) / (2 * plane_distance))
    return _elliptic(own * both, er), _elliptic(own / both, er)


def _elliptic(k: float, er: float) -> float:
    """eta0 / (4 sqrt(er)) · K(k')/K(k)."""
    return ETA0 / (4 * math.sqrt(er)) * float(ellipkm1(k * k) / ellipk(k * k))
