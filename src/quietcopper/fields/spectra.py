"""Spectra of trapezoidal clocks and of random data. Amplitudes are peak values of each line's sine, in the unit of
the waveform (V or A); frequencies in Hz, times in s.

`rise` is always the full 0-100 % time of a straight edge; `full_rise` converts the 10-90 % figure of data sheets.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.errors import OutOfRange
from quietcopper.fields.ranges import Floats, checked


def full_rise(rise_10_90: ArrayLike) -> Floats:
    """0-100 % time of a straight edge from its 10-90 % time, s: 1/0.8 of it. Exact for a straight edge."""
    return checked("10-90 % rise time", rise_10_90) / 0.8


def knee(rise: ArrayLike) -> Floats:
    """Knee frequency 0.5/rise, Hz: most of an edge's energy lies below it.

    Johnson & Graham, High-Speed Digital Design, chapter 1 (from memory), with the 10-90 % time. Two other figures
    are in use: 0.35/rise, the -3 dB bandwidth of a single-pole edge with that 10-90 % time, and 1/(pi rise), the
    second corner of the trapezoid's envelope with the 0-100 % time.
    """
    return 0.5 / checked("rise time", rise)


def corners(frequency: ArrayLike, duty: ArrayLike, rise: ArrayLike) -> tuple[Floats, Floats]:
    """Corners of the trapezoid's envelope, Hz: 1/(pi tau), -20 dB a decade above it, and 1/(pi rise), -40 dB.

    tau = duty/frequency is the width at half height. Paul, Introduction to EMC, chapter 3 (from memory). Exact.
    """
    f, d, tr = _trapezoid(frequency, duty, rise)
    return f / (np.pi * d), 1.0 / (np.pi * tr)


def harmonics(amplitude: float, frequency: float, duty: float, rise: float, highest: float) -> tuple[Floats, Floats]:
    """Lines of a trapezoidal clock up to `highest`: frequencies (n,) in Hz and peak amplitudes (n,).

    amplitude : peak to peak; duty : width at half height over the period; rise : equal rise and fall, 0-100 %
    |c_n| = 2 A d |sinc(n d) sinc(n rise/T)| with sinc(x) = sin(pi x)/(pi x); Paul, Introduction to EMC, chapter 3
    (from memory). Exact for equal edges. At duty 0.5 the even lines vanish; a real clock's do not, see `envelope`.
    Raises OutOfRange where the edges do not fit into the period or `highest` lies below the first line.
    """
    f, d, tr = _trapezoid(frequency, duty, rise)
    count = int(np.floor(checked("highest frequency", highest) / f * (1 + 1e-12)))
    if count < 1:
        raise OutOfRange(f"highest frequency {highest:g} Hz lies below the first line at {frequency:g} Hz")
    n = np.arange(1, count + 1, dtype=float)
    return n * f, 2 * abs(amplitude) * d * np.abs(np.sinc(n * d) * np.sinc(n * tr * f))


def envelope(amplitude: float, frequency: float, duty: float, rise: float, at: ArrayLike) -> Floats:
    """Upper envelope of the lines of `harmonics` at any frequencies `at` (n,), peak amplitude.

    2 A d, falling 20 dB a decade from 1/(pi tau) and 40 dB from 1/(pi rise). Never below a line, and
    touched by lines wherever the sines reach one. Paul, Introduction to EMC, chapter 3 (from memory).
    """
    f, d, tr = _trapezoid(frequency, duty, rise)
    where = checked("frequency", at, open_low=False)
    with np.errstate(divide="ignore"):
        first = np.minimum(1.0, f / (np.pi * d * where))
        second = np.minimum(1.0, 1.0 / (np.pi * tr * where))
    return 2 * abs(amplitude) * d * first * second


def data_amplitude(amplitude: float, bit_time: float, rise: float, at: ArrayLike, bandwidth: float) -> Floats:
    """Peak amplitude of the sine that has the power of random two-level data within `bandwidth` around `at` (n,).

    Density of random non-return-to-zero data of peak-to-peak `amplitude` A: A^2/2 T sinc^2(f T) sinc^2(f rise) per Hz
    (one-sided; Proakis, Digital Communications, from memory). Independent equally likely bits; a receiver of the
    stated bandwidth (120 kHz below 1 GHz and 1 MHz above in CISPR 16-1-1) then reads this level on average; its
    quasi-peak reading lies a few dB higher. Raises OutOfRange for an edge longer than the bit.
    """
    t, tr = checked("bit time", bit_time), checked("rise time", rise)
    if tr > t:
        raise OutOfRange(f"edge of {rise:g} s is longer than the bit of {bit_time:g} s")
    where = checked("frequency", at, open_low=False)
    density = 0.5 * amplitude**2 * t * (np.sinc(where * t) * np.sinc(where * tr)) ** 2
    return np.sqrt(2 * density * checked("bandwidth", bandwidth))


def _trapezoid(frequency: ArrayLike, duty: ArrayLike, rise: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """The three figures of a trapezoid, checked: both edges must fit into their half of the period."""
    f = checked("frequency", frequency)
    d = checked("duty", duty, high=1.0)
    tr = checked("rise time", rise)
    if np.any(tr * f > np.minimum(d, 1 - d) * (1 + 1e-9)):
        raise OutOfRange(
            f"edges of {np.max(tr):g} s do not fit into a period of {np.min(1 / f):g} s at duty {np.min(d):g}: "
            "the waveform is no trapezoid"
        )
    return f, d, tr
