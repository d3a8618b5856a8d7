"""What a net's driver sends into its line: edge current, and level per frequency as a measuring receiver sees it."""

from __future__ import annotations

import numpy as np

from quietcopper.board.model import Floats
from quietcopper.electrical.tables import Driver
from quietcopper.fields.spectra import harmonics

RECEIVER_BANDWIDTH = ((1e9, 120e3), (np.inf, 1e6))  # Hz; CISPR 16-1-1: 120 kHz below 1 GHz, 1 MHz above (from memory)


def edge_current(driver: Driver, z0: float) -> float:
    """Current step that the driver's edge launches into a line of impedance z0, A: swing / (source + z0).

    It holds until the first reflection returns, which is when an edge passes a gap or a via. Source: any
    transmission-line text, for instance Pozar, Microwave Engineering, chapter 2 (from memory).
    """
    return driver.swing / (driver.source + z0)


def level_by_frequency(driver: Driver, amplitude: float, highest: float) -> tuple[Floats, Floats]:
    """Frequencies (Hz) and peak amplitudes of what a receiver reads of a signal of the given peak-to-peak amplitude.

    A clock gives its harmonics (`spectra.harmonics`, 50 % duty). Data and slow lines are random two-level signals:
    one-sided power density A²·T/2·sinc²(fT), shaped by the edge's sinc, times the receiver's bandwidth; the sine of equal power
    is returned on 40 frequencies a decade, with the sinc's envelope. Source: Proakis, Digital Communications, power
    spectra of linearly modulated signals (from memory). Both arrays are empty for a net without a driver.
    """
    if amplitude <= 0 or driver.rate <= 0 or highest <= 30e6:
        return np.empty(0), np.empty(0)
    if driver.kind == "clock":
        frequency, level = harmonics(amplitude, driver.rate, 0.5, driver.rise, highest)
        keep = frequency >= 30e6
        return frequency[keep], level[keep]
    frequency = np.geomspace(30e6, highest, max(2, int(40 * np.log10(highest / 30e6))))
    bandwidth = np.select([frequency <= f for f, _ in RECEIVER_BANDWIDTH], [b for _, b in RECEIVER_BANDWIDTH])
    bit = 0.5 / driver.rate
    shape = np.minimum(1.0, 1 / (np.pi * frequency * bit)) * np.minimum(1.0, 1 / (np.pi * frequency * driver.rise))
    return frequency, amplitude * np.sqrt(bit * bandwidth) * shape
