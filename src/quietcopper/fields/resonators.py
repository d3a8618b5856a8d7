"""Copper that rings: fingers, islands, patches, and how far apart ties may be. Lengths in m, frequencies in Hz.

`er` is the effective permittivity the field meets: for a finger, that of the strip's own cross-section (a solved
finger beside a trace rang at 2.005 GHz where sqrt(er) of the laminate gives 1.807 and the strip's own 2.017 GHz).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.fields.ranges import Floats, checked
from quietcopper.units import C0

STITCH_FRACTION = 20.0  # ties at most a twentieth of a wavelength apart: common practice, no source


def quarter_wave(length: ArrayLike, er: ArrayLike) -> Floats:
    """First resonance of copper tied at one end (open at the other), Hz: c/(4 L sqrt(er)).

    Without the open end's extension, so a few per cent high for a finger as wide as its height. Textbook, exact for
    a uniform line.
    """
    return C0 / (4 * checked("length", length) * np.sqrt(checked("er", er, 1.0, open_low=False)))


def half_wave(length: ArrayLike, er: ArrayLike) -> Floats:
    """First resonance of copper tied nowhere or at both ends, Hz: c/(2 L sqrt(er)). Exact for a uniform line."""
    return 2 * quarter_wave(length, er)


def wavelength(frequency: ArrayLike, er: ArrayLike) -> Floats:
    """Wavelength in the dielectric, m. Exact."""
    return C0 / (checked("frequency", frequency) * np.sqrt(checked("er", er, 1.0, open_low=False)))


def stitching_pitch(frequency: ArrayLike, er: ArrayLike, fraction: float = STITCH_FRACTION) -> Floats:
    """Largest distance between ties, m: wavelength/fraction at the highest frequency of interest.

    The default of a twentieth is common practice without a source, and on the safe side by four or more as far as
    resonance alone goes: a grid cuts off near a quarter wave (`grid_cutoff`), a piece tied at both ends at a half.
    """
    return wavelength(frequency, er) / checked("fraction", fraction)


def edge_extension(width: ArrayLike, height: ArrayLike, er: ArrayLike) -> Floats:
    """How much longer an open edge of length `width` over a plane acts, m (one edge).

    Hammerstad, Equations for microstrip circuit design, European Microwave Conference 1975, as in Balanis, Antenna
    Theory, eq. 14-2 (from memory). Range: width/height >= 1, er 1 to 16; about 2 %.
    """
    u = checked("width/height", np.asarray(width, dtype=float) / checked("height", height), 1.0, open_low=False)
    e = checked("er", er, 1.0, 16.0, open_low=False)
    effective = (e + 1) / 2 + (e - 1) / 2 / np.sqrt(1 + 12 / u)
    factor = (effective + 0.3) * (u + 0.264) / ((effective - 0.258) * (u + 0.8))
    return 0.412 * np.asarray(height, dtype=float) * factor


def patch(length: ArrayLike, width: ArrayLike, height: ArrayLike, er: ArrayLike) -> Floats:
    """First resonance along `length` of an untied rectangular patch over a plane, Hz, with the open edges' extension.

    Balanis, Antenna Theory, eqs. 14-1 to 14-6 (from memory). Range as `edge_extension`; about 1 %.
    """
    extra = edge_extension(width, height, er)
    u = np.asarray(width, dtype=float) / np.asarray(height, dtype=float)
    e = np.asarray(er, dtype=float)
    effective = (e + 1) / 2 + (e - 1) / 2 / np.sqrt(1 + 12 / u)
    return C0 / (2 * (checked("length", length) + 2 * extra) * np.sqrt(effective))


def grid_cutoff(pitch: ArrayLike, radius: ArrayLike, er: ArrayLike) -> Floats:
    """Frequency below which a plane pair tied by a square grid of vias carries no wave, Hz.

    kp^2 = (2 pi/p^2)/(ln(p/2 pi r) + 0.5275): Belov et al., Physical Review B 67, 113103 (2003), from memory; finite
    elements of one cell lie 1 to 2 % below it (p/r 33 to 133). Range: pitch at least 10 radii.
    """
    p, r = np.asarray(pitch, dtype=float), checked("via radius", radius)
    checked("pitch over radius", p / r, 10.0, open_low=False)
    k = np.sqrt(2 * np.pi / (np.log(p / (2 * np.pi * r)) + 0.5275)) / p
    return k * C0 / (2 * np.pi * np.sqrt(checked("er", er, 1.0, open_low=False)))
