"""What the edge of a plane pair radiates when the voltage along it is known."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from quietcopper.fields.content import kept_by_content
from quietcopper.fields.ranges import Complexes, Floats, checked
from quietcopper.units import C0

AZIMUTHS = 16  # directions round the board
ELEVATIONS = (0.0, np.pi / 4)  # above it, and straight up


@cache
def directions() -> Floats:
    """(d, 3) unit vectors in which the field is looked for."""
    azimuth = 2 * np.pi * np.arange(AZIMUTHS) / AZIMUTHS
    sets = [
        np.stack([np.cos(azimuth) * np.cos(e), np.sin(azimuth) * np.cos(e), np.full(AZIMUTHS, np.sin(e))], -1)
        for e in ELEVATIONS
    ]
    return np.vstack([*sets, [[0.0, 0.0, 1.0]]])


@kept_by_content(4096)
def edge_moment(middle: Floats, along: Floats, voltage: Complexes, frequency: float) -> Floats:
    """Volt-metres that an edge acts with in its strongest direction, shape (p,).

    middle : (s, 2) m, of the stretches of the edge; along : (s, 2) m, each stretch as a vector in the ring's sense;
    voltage : (s, p) between the planes at each, for p excitations
    The edge as a magnetic current: the largest transverse part of the sum of V dl exp(j k r.s) over `directions`. The
    field at distance r is moment/(2 lambda r), twice that over a reflecting floor, as a short stretch V l has it.
    A uniform voltage round a closed edge cancels but for the delay across the board. Textbook (Balanis, Antenna Theory,
    chapter 12, aperture fields, from memory); planes of equal size, in free space.
    """
    k = 2 * np.pi * float(checked("frequency", frequency)) / C0
    way = directions()
    phase = np.exp(1j * k * (way[:, :2] @ middle.T))
    moment = np.stack([(phase * along[:, i]) @ voltage for i in range(2)], axis=-1)  # (d, p, 2)
    radial = np.einsum("dpi,di->dp", moment, way[:, :2])
    square = (np.abs(moment) ** 2).sum(-1) - np.abs(radial) ** 2
    return np.sqrt(np.maximum(square.max(axis=0), 0.0))


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
