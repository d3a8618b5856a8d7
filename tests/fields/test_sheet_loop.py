"""Loops of flat copper: strips over a plane and two strips face to face against Hammerstad and Jensen, and limits."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields.sheet_loop import PLANE, Link, solve
from quietcopper.fields.vias import strip_inductance
from quietcopper.units import MU0

MM = 1e-3


def strip_over_plane(length, cells, size, height):
    """Inductance of a straight strip over a plane between links to the plane at both ends, source in its middle."""
    n = round(length / size)
    level = np.zeros((n, cells), dtype=int)
    level[n // 2 :] = 1  # cut in two: the source closes it
    number = np.arange(level.size).reshape(level.shape)
    links = [Link(int(i), PLANE, 1e-15) for i in [*number[0], *number[-1]]]
    source = np.zeros(level.size)
    source[number[n // 2]], source[number[n // 2 - 1]] = 1 / cells, -1 / cells
    return solve([level], [height], size, links, source, plane=True).inductance


@pytest.mark.parametrize(("width", "height"), [(1.0, 0.2), (2.0, 0.5), (0.6, 0.6)])
def test_strip_over_a_plane(width, height):
    """Per length, from two lengths so that the ends cancel, against Hammerstad and Jensen (0.03 %): 4 %, the strip
    being six cells wide or more and its edges on cell faces."""
    size = min(width / 6, height) * MM
    cells = round(width * MM / size)
    short, long = (strip_over_plane(x * MM, cells, size, height * MM) for x in (6, 12))
    exact = float(strip_inductance(width * MM, height * MM))
    step = size * (round(12 * MM / size) - round(6 * MM / size))
    assert_allclose((long - short) / step, exact, rtol=0.04)


def test_two_strips_face_to_face_are_twice_a_strip_over_a_plane():
    """By symmetry a pair of strips 2 h apart has twice the inductance of one strip over a plane at h; 3 %, the source
    cutting one of the two only."""
    size, cells, n, h = 0.2 * MM, 4, 40, 0.2 * MM
    upper = np.zeros((n, cells), dtype=int)
    upper[n // 2 :] = 1
    lower = np.zeros((n, cells), dtype=int)
    number = np.arange(2 * n * cells).reshape(2, n, cells)
    links = [Link(int(a), int(b), 2e-15) for e in (0, -1) for a, b in zip(number[0, e], number[1, e], strict=True)]
    source = np.zeros(2 * n * cells)
    source[number[0, n // 2]], source[number[0, n // 2 - 1]] = 1 / cells, -1 / cells
    pair = solve([upper, lower], [2 * h, 0.0], size, links, source, plane=False).inductance
    one = strip_over_plane(n * size, cells, size, h)
    assert_allclose(pair, 2 * one, rtol=0.03)


def test_square_ring_without_a_plane():
    """Square loop of thin tape, side 10 mm, width 1 mm, as a loop of round wire of a quarter of the width's radius:
    (2 mu0 a/pi)(ln(a/r) - 0.774), Grover, Inductance Calculations, 1946, chapter 8 (from memory): 5 %."""
    size, n, wide = 0.25 * MM, 44, 4
    ring = np.ones((n, n), dtype=int)
    ring[n // 2 :, :wide] = 0  # a second number, so that the source can cut the ring; links join it at its other end
    ring[wide:-wide, wide:-wide] = -1
    number = np.full((n, n), -1)
    number[ring >= 0] = np.arange(np.count_nonzero(ring >= 0))
    links = [Link(int(number[i, wide - 1]), int(number[i, wide]), 1e-15) for i in range(n - wide, n)]
    source = np.zeros(np.count_nonzero(ring >= 0))
    source[number[n // 2, :wide]], source[number[n // 2 - 1, :wide]] = 1 / wide, -1 / wide
    found = solve([ring], [0.0], size, links, source, plane=False).inductance
    side, radius = 10 * MM, 0.25 * MM
    assert_allclose(found, 2 * MU0 * side / np.pi * (np.log(side / radius) - 0.774), rtol=0.05)


def test_an_open_loop_is_refused():
    level = np.zeros((6, 2), dtype=int)
    level[3:] = 1
    source = np.zeros(12)
    source[6], source[0] = 1.0, -1.0
    with pytest.raises(OutOfRange, match="does not close"):
        solve([level], [0.0], 1e-3, [], source, plane=False)
