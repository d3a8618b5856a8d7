"""What the edge of a plane pair radiates when the voltage along it is known."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcopper.fields.ranges import Complexes, Floats, checked
from quietcopper.units import C0

AZIMUTHS = 16  # directions round the board
ELEVATIONS = (0.0, np.pi / 4)  # above it, and straight up


@cache
def _directions() -> tuple[Floats, Floats]:
    """Half of the directions in which the field is looked for, the others being opposite in azimuth: (d, 2) horizontal
    part of each as a unit vector, and (2, d, 2) of the two that lie across it."""
    azimuth = 2 * np.pi * np.arange(AZIMUTHS // 2) / AZIMUTHS
    a = np.append(np.tile(azimuth, len(ELEVATIONS)), 0.0)
    e = np.append(np.repeat(ELEVATIONS, len(azimuth)), np.pi / 2)
    way = np.stack([np.cos(a), np.sin(a)], -1)
    return way * np.cos(e)[:, None], np.stack([way @ [[0.0, 1.0], [-1.0, 0.0]], way * np.sin(e)[:, None]])


def edge_moment(middle: Floats, along: Floats, voltage: Complexes, frequency: ArrayLike) -> Floats:
    """Volt-metres that an edge acts with in its strongest direction, shape (f, p).

    middle : (s, 2) m, of the stretches of the edge; along : (s, 2) m, each stretch as a vector in the ring's sense;
    voltage : (f, s, p) between the planes at each, for p excitations; frequency : (f,) Hz
    The edge as a magnetic current: the largest transverse part of the sum of V dl exp(j k r.s) over directions round
    the board, above it, and straight up. The field at distance r is moment/(2 lambda r), twice that over a reflecting
    floor, as a short stretch V l has it. A uniform voltage round a closed edge cancels but for the delay across the
    board. Textbook (Balanis, Antenna Theory, chapter 12, aperture fields, from memory); planes of equal size, in free
    space.
    """
    k = 2 * np.pi * checked("frequency", frequency) / C0
    way, across = _directions()
    angle = k[:, None, None] * (way @ middle.T)
    length = across @ along.T  # (2, d, s)
    parts = np.concatenate([voltage.real, voltage.imag], axis=-1)  # real by real takes half the work
    shape = len(k), 2, len(way), 2, -1
    even, odd = (
        ((turned[:, None] * length).reshape(len(k), -1, len(along)) @ parts).reshape(shape)
        for turned in (np.cos(angle), np.sin(angle))
    )
    # |even + j odd|^2 in one direction, |even - j odd|^2 in the opposite one
    own = (even**2 + odd**2).sum(axis=(1, 3))
    between = (even[:, :, :, 1] * odd[:, :, :, 0] - even[:, :, :, 0] * odd[:, :, :, 1]).sum(axis=1)
    return np.sqrt((own + 2 * np.abs(between)).max(axis=1))


def edge_field_of(moment: Floats, frequency: Floats, distance: float) -> Floats:
    """Field over a reflecting floor, V/m: moment/(lambda r)."""
    return np.abs(moment) * checked("frequency", frequency) / C0 / float(checked("distance", distance))


def stretches(ring: NDArray[np.float64], count: int) -> tuple[Floats, Floats]:
    """Each side of a closed ring (n, 2) cut into equal pieces, none longer than the ring's length / count: their
    middles and vectors, both (at least count, 2). The same whichever corner the ring begins at."""
    side = np.diff(ring, axis=0)
    length = np.hypot(*side.T)
    ring, side, length = ring[:-1][length > 0], side[length > 0], length[length > 0]
    pieces = np.ceil(length / length.sum() * count * (1 - 1e-9)).astype(np.intp)
    of = np.repeat(np.arange(len(side)), pieces)
    within = np.arange(len(of)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    along = (side / pieces[:, None])[of]
    return ring[of] + (within[:, None] + 0.5) * along, along
