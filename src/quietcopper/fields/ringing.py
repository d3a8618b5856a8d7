"""What the fast loop of a switching converter rings with: its inductance and the capacitance of the switch."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.fields.ranges import Floats, checked


def ring_frequency(inductance: ArrayLike, capacitance: ArrayLike) -> Floats:
    """1/(2 pi sqrt(LC)), Hz. Exact for the lumped pair."""
    product = checked("loop inductance", inductance) * checked("switch capacitance", capacitance)
    return np.asarray(1 / (2 * np.pi * np.sqrt(product)), dtype=float)


def ring_amplitude(
    inductance: ArrayLike, capacitance: ArrayLike, voltage: ArrayLike, current: ArrayLike, rise: ArrayLike
) -> Floats:
    """Amplitude of the ringing at the switched node beyond its step, V.

    An undamped L-C that is driven by a ramp of `voltage` in `rise` (0 to 100 %) and whose inductor takes over `current`
    in the same time: hypot(V, I sqrt(L/C)) times |sin(pi f t)/(pi f t)|, of which the envelope min(1, 1/(pi f t)) is
    given, so that no single rise time looks better than its neighbours. Exact for the lumped pair; without losses, so
    an upper figure.
    """
    f = ring_frequency(inductance, capacitance)
    surge = np.sqrt(np.asarray(inductance, dtype=float) / np.asarray(capacitance, dtype=float))
    jump = np.hypot(checked("voltage", voltage, open_low=False), checked("current", current, open_low=False) * surge)
    return np.asarray(jump * np.minimum(1.0, 1 / (np.pi * f * checked("rise time", rise))), dtype=float)
