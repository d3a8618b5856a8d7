"""Sine current and voltage along a line with an open end, driven through a resistance: what a CMOS line carries.

A lossless line whose receiver takes no current; the largest value anywhere along it, so that a field made from it is an
upper bound. Exact for the lossless line; textbook (Pozar, Microwave Engineering, chapter 2, from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.fields.ranges import Floats, checked

DELAY_RANGE = np.linspace(0.95, 1.3, 8)  # of the delay: what inputs add makes lines longer; common practice, no source


def largest_current(
    voltage: ArrayLike, source: ArrayLike, z0: ArrayLike, delay: ArrayLike, frequency: ArrayLike
) -> Floats:
    """Largest current anywhere on the line, A: V |sin| / |z0 cos t + j source sin t|, t = 2 pi f delay.

    The current is largest a quarter wave before the open end, or at the driver on shorter lines. Short lines: V omega
    C, with C the line's capacitance; at a quarter wave V/source.
    """
    t = _phase(frequency, delay)
    r, z = checked("source resistance", source), checked("impedance", z0)
    return np.abs(voltage) * np.where(t < np.pi / 2, np.sin(t), 1.0) / np.hypot(z * np.cos(t), r * np.sin(t))


def largest_voltage(
    voltage: ArrayLike, source: ArrayLike, z0: ArrayLike, delay: ArrayLike, frequency: ArrayLike
) -> Floats:
    """Voltage at the open end, the largest on the line, V: V / |cos t + j source/z0 sin t|."""
    t = _phase(frequency, delay)
    r, z = checked("source resistance", source), checked("impedance", z0)
    return np.abs(voltage) / np.hypot(np.cos(t), r / z * np.sin(t))


def over_delays(
    law: Callable[..., Floats],
    voltage: ArrayLike,
    source: ArrayLike,
    z0: ArrayLike,
    delay: ArrayLike,
    frequency: ArrayLike,
) -> Floats:
    """The largest of `largest_current` or `largest_voltage` over DELAY_RANGE, of the shape that all figures have
    together.

    What the receiver's input adds is not known, and no harmonic should look harmless because it falls beside a
    resonance by a hair.
    """
    f, delay = np.asarray(frequency, dtype=float), np.asarray(delay, dtype=float)
    delays = delay * np.reshape(DELAY_RANGE, (-1, *[1] * max(f.ndim, delay.ndim)))
    return np.asarray(law(voltage, source, z0, delays, f).max(axis=0))


def _phase(frequency: ArrayLike, delay: ArrayLike) -> Floats:
    return 2 * np.pi * checked("frequency", frequency) * checked("delay", delay, open_low=False)
