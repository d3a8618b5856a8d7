"""What a net's driver sends into its line: edge current, and level by frequency as a measuring receiver sees it."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from shapely.geometry.base import BaseGeometry

from quietcopper.board.model import Floats
from quietcopper.electrical.tables import Driver
from quietcopper.electrical.view import View
from quietcopper.fields.returns import pulse_peak
from quietcopper.fields.spectra import data_amplitude, full_rise, harmonics, knee

LOWEST = 30e6  # Hz, where the radiated limits begin
EDGE_SHARE = 0.5  # of the time of a bit, that an edge may take (common practice, no source)


def slowest_edge(driver: Driver) -> float:
    """The longest 10-90 % edge (s) that a driver's rate bears, `EDGE_SHARE` of a bit or of half a clock's period; inf
    where no rate is known."""
    return EDGE_SHARE / (2 * driver.rate) if driver.rate > 0 else float("inf")


def edge_current(driver: Driver, z0: float) -> float:
    """Current step that the driver's edge launches into a line of impedance z0, A: swing / (source + z0).

    It holds until the first reflection returns, which is when an edge passes a gap or a via. Source: any
    transmission-line text, for instance Pozar, Microwave Engineering, chapter 2 (from memory).
    """
    return driver.swing / (driver.source + z0)


def edge_voltage(view: View, net: int, z0: float, inductance: float, capacitance: float) -> float:
    """Peak voltage that a net's edge takes across L and C in its return, V; either may be infinite or zero.

    The charging current of the line: it rises with the edge, lasts until the wave is back from the far end (twice the
    delay of the net's whole length: the receiver is taken as open), and the line's own 2·Z0 lies in parallel.
    See `fields.returns.pulse_peak`.
    """
    driver = view.drivers[net]
    duration = max(2 * view.delay_of(net), 1e-12)
    rise = float(full_rise(driver.rise))
    return pulse_peak(edge_current(driver, z0), rise, duration, inductance, capacitance, 2 * z0)


def level_by_frequency(driver: Driver, amplitude: float, highest: float) -> tuple[Floats, Floats]:
    """Frequencies (Hz) and peak amplitudes of what a receiver reads of a signal of the given peak-to-peak amplitude.

    A clock gives its harmonics at 50 % duty; data and slow lines are random two-level signals read in the receiver's
    bandwidth (120 kHz below 1 GHz, 1 MHz above: CISPR 16-1-1, from memory) on 40 frequencies a decade. From 30 MHz to
    `highest`; both arrays are empty for a net without a driver. See `fields.spectra` for the formulas.
    """
    frequency, level = _levels(driver.kind, driver.rate, driver.rise, amplitude, highest)
    return frequency.copy(), level.copy()


@lru_cache(maxsize=4096)
def _levels(kind: str, rate: float, rise: float, amplitude: float, highest: float) -> tuple[Floats, Floats]:
    """Many lines of a board have the same driver."""
    if amplitude <= 0 or rate <= 0 or highest <= LOWEST:
        return np.empty(0), np.empty(0)
    rise = float(full_rise(rise))
    if kind == "clock":
        if rate > highest:
            return np.empty(0), np.empty(0)
        frequency, level = harmonics(amplitude, rate, 0.5, min(rise, 0.5 / rate), highest)
        keep = frequency >= LOWEST
        return frequency[keep], level[keep]
    frequency = np.geomspace(LOWEST, highest, max(2, int(40 * np.log10(highest / LOWEST))))
    bit = 0.5 / rate
    rise = min(rise, bit)
    low, high = (data_amplitude(amplitude, bit, rise, frequency, bandwidth) for bandwidth in (120e3, 1e6))
    return frequency, np.where(frequency <= 1e9, low, high)


def fastest_beside(
    view: View, shape: BaseGeometry, layer: int, net: int, reach: float = 1e-3
) -> tuple[float, int] | None:
    """Highest knee frequency (Hz) of the lines that can excite a piece of copper of a net, and the net it belongs to.

    Lines count on the piece's own layer and on the layers next to it within `reach` (m) of the piece, seen from above.
    None when no driven line comes that near.
    """
    traces = view.board.traces
    rows = view.trace_tree.query(shape, predicate="dwithin", distance=reach)
    rows = rows[(np.abs(traces.layer[rows] - layer) <= 1) & ((traces.net[rows] != net) | (net == 0))]
    best: tuple[float, int] | None = None
    for other in np.unique(traces.net[rows]):
        driver = view.drivers[other]
        if driver.swing > 0 and (best is None or float(knee(driver.rise)) > best[0]):
            best = (float(knee(driver.rise)), int(other))
    return best
