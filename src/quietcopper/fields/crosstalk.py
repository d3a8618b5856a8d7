"""Noise that an edge on one line puts on its neighbour, both matched: near end and far end.

Weak coupling: the aggressor's wave is not changed by what it gives away. Kb and Kf come from a solved cross-section
(section_solver.Solution.near_end_coupling, far_end_coupling). Edges are ramps; `rise` is their whole length from 0 to
100 % (a 10-90 % time divided by 0.8). Source of the forms: Feller, Kaupp and Digiacomo, AFIPS 1965, in the notation
of Johnson and Graham, High-Speed Digital Design, 1993 (both from memory); tested against coupled lines in a circuit
simulator.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.fields.ranges import Floats, checked


def saturation_length(rise: ArrayLike, delay: ArrayLike) -> Floats:
    """Coupled length from which on the near-end noise no longer grows, m: rise / (2·delay). delay : s/m."""
    return checked("rise time", rise, open_low=False) / (2 * checked("delay", delay))


def near_end_peak(
    coupling: ArrayLike, length: ArrayLike, delay: ArrayLike, rise: ArrayLike, swing: ArrayLike
) -> Floats:
    """Peak of the near-end noise, V: coupling·swing, less in proportion below the saturation length.

    coupling : Kb; length : m, side by side; delay : s/m; rise : s; swing : V
    """
    run = checked("length", length, open_low=False)
    round_trip = 2 * run * checked("delay", delay)
    edge = checked("rise time", rise, open_low=False)
    share = np.minimum(1.0, round_trip / np.where(edge > 0, edge, 1.0))
    full = np.where(edge > 0, share, np.where(round_trip > 0, 1.0, 0.0))
    return (np.asarray(coupling) * np.asarray(swing) * full)[()]


def far_end_peak(coupling: ArrayLike, length: ArrayLike, rise: ArrayLike, swing: ArrayLike) -> Floats:
    """Peak of the far-end noise with its sign, V: coupling·length/rise·swing, at most half the swing.

    coupling : Kf, s/m. The limit is where the even and odd waves have parted by a whole edge: each is half the swing.
    """
    parted = np.asarray(coupling) * checked("length", length, open_low=False)
    edge = checked("rise time", rise, open_low=False)
    share = np.where(edge > 0, parted / np.where(edge > 0, edge, 1.0), np.sign(parted))
    return (np.asarray(swing) * np.clip(share, -0.5, 0.5))[()]


def near_end_wave(
    time: ArrayLike, coupling: float, length: float, delay: float, rise: float, swing: float
) -> Floats:  # fmt: skip
    """Near-end noise (V) over time (s) from the edge's start at the near end: Kb·(v(t) − v(t − 2·delay·length))."""
    t = np.asarray(time, dtype=float)
    later = 2 * delay * length
    return coupling * (_ramp(t, rise, swing) - _ramp(t - later, rise, swing))


def far_end_wave(time: ArrayLike, coupling: float, length: float, delay: float, rise: float, swing: float) -> Floats:
    """Far-end noise (V) over time (s) from the edge's start at the near end: half the difference of the even and the
    odd wave, which arrive 2·Kf·length apart around delay·length."""
    t = np.asarray(time, dtype=float) - delay * length
    apart = coupling * length
    return (_ramp(t + apart, rise, swing) - _ramp(t - apart, rise, swing)) / 2


def short_line_noise(
    inductance: ArrayLike,
    capacitance: ArrayLike,
    length: ArrayLike,
    current_slope: ArrayLike,
    voltage_slope: ArrayLike,
    near: ArrayLike,
    far: ArrayLike,
) -> tuple[Floats, Floats]:
    """Noise on a victim short against the edge with any resistive ends: inductive and capacitive part, V at its near
    end. Paul, Introduction to Electromagnetic Compatibility, chapter on crosstalk (form from memory).

    inductance : mutual, H/m; capacitance : mutual, F/m; slopes : of the aggressor, A/s and V/s (j·omega times the
    amplitude for a sine); near, far : ohm at the victim's ends. At the far end the inductive part counts negative and
    with near/(near + far) become far/(near + far).
    """
    r_near = checked("near resistance", near, open_low=False)
    r_far = checked("far resistance", far)
    run = checked("length", length, open_low=False)
    inductive = r_near / (r_near + r_far) * np.asarray(inductance) * run * np.asarray(current_slope)
    capacitive = r_near * r_far / (r_near + r_far) * np.asarray(capacitance) * run * np.asarray(voltage_slope)
    return inductive, capacitive


def _ramp(t: Floats, rise: float, swing: float) -> Floats:
    if rise <= 0:
        return np.where(t > 0, swing, 0.0)
    return swing * np.clip(t / rise, 0.0, 1.0)
