"""Common-mode currents that lines put on cables, and what a cable may carry: the scale of the border checks.

A cable takes a current as `CABLE_COMMON_MODE` ohm, the mean of what cables show; a voltage on one of its N conductors
stands as 1/N of itself on the bundle (equal conductors). Allowed is the current with which the cable makes the limit's
field by `fields.radiation.cable_current`, of its whole length where that is known, else of a long one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from quietcopper.board.model import Floats
from quietcopper.electrical import parts
from quietcopper.electrical.border import CABLE_COMMON_MODE, CAPACITOR, BorderLine, CabledConnector
from quietcopper.electrical.emission import FAR_BELOW, FieldEstimate, allowed_field, chart_points, limit_words
from quietcopper.electrical.signals import level_by_frequency, slowest_edge
from quietcopper.electrical.spans import excess_range
from quietcopper.electrical.tables import Driver
from quietcopper.electrical.view import View
from quietcopper.fields.limits import row_at, upper_frequency
from quietcopper.fields.radiation import cable_current
from quietcopper.fields.ranges import Complexes

LONG = 30.0  # m; a cable of unknown length, longer than any wave that is measured
NEW_OHM, NEW_WAY = 100.0, 1e-9  # ohm; H of the capacitor's way to ground; of a filter: common practice, no source
LEAST_FARAD, MOST_FARAD, SLOW_FARAD = 10e-12, 1e-9, 10e-9  # of lines with a rate, and of those without
I2C_FARAD = 100e-12  # a quarter of what a bus may have in all, 400 pF: NXP UM10204, table 10 (from memory)
STEPS = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)  # of values in a decade: IEC 60063, E6
FERRITE_AT = 100e6  # Hz at which a ferrite's ohms are stated; below it they fall with frequency (common practice)


def allowed_current(view: View, ref: str, frequency: Floats) -> Floats:
    """Common-mode current that makes the limit's field, A, at each frequency."""
    settings = view.settings
    length = float(settings.connectors.get(ref, {}).get("length", LONG))
    return cable_current(allowed_field(settings, frequency), length, frequency, settings.distance)


def sent(view: View, driver: Driver) -> tuple[Floats, Floats]:
    """Frequencies and peak amplitudes (V) of what a driver sends up to the standard's upper frequency."""
    return level_by_frequency(driver, driver.swing, upper_frequency(view.settings.standard, view.highest_rate))


def conductors(connector: CabledConnector) -> int:
    """Conductors of the cable: the connector's pins with a net, at least two."""
    return max(2, len(connector.ground) + len(connector.supply) + len(connector.lines))


def on_cable(
    connector: CabledConnector, line: BorderLine, voltage: Floats, source: float, frequency: Floats, view: View
) -> Floats:
    """Common-mode current on the cable for a voltage behind `source` ohm at the inner end of a line, A."""
    volts, behind = behind_filter(line, voltage, source, frequency, view)
    current = volts / conductors(connector) / (CABLE_COMMON_MODE + behind / conductors(connector))
    return np.abs(current)


def behind_filter(
    line: BorderLine, voltage: Floats, source: float, frequency: Floats, view: View
) -> tuple[Complexes, Complexes]:
    """What a connector's pin shows of a voltage behind `source` ohm at the inner end of its line: V without a load, and
    the impedance behind it, ohm.

    Series parts and capacitors to ground are taken in their order from inside out, each capacitor with its inductance;
    ferrites by their stated ohms, protectors as nothing, since no data hold their capacitance.
    """
    w = 2 * np.pi * frequency
    volts, behind = voltage.astype(complex), np.full(len(frequency), source, dtype=complex)

    def shunt(farad: float, inductance: float) -> None:
        nonlocal volts, behind
        across = 1 / (1j * w * farad) + 1j * w * inductance
        volts, behind = volts * across / (behind + across), behind * across / (behind + across)

    for hop in range(len(line.nets) - 1, -1, -1):
        for own in [s for s in line.shunts if s.hop == hop and s.kind == CAPACITOR and s.value]:
            shunt(float(own.value or 0), own.inductance)
        for series in [s for s in line.series if s.hop == hop - 1]:
            behind = behind + _series(view, series.part, series.ohm, frequency)
    if line.added is not None:
        behind = behind + line.added[0]
        shunt(line.added[1], NEW_WAY)
    return volts, behind


def filter_for(driver: Driver) -> tuple[float, float]:
    """Resistor (ohm) and capacitor (F, the next smaller of E6) of the strongest filter that a driver's line bears: its
    10-90 % edge, 2.2·R·C, is the slowest that its rate bears. An open drain's edge is its pull-up's, so that an I2C
    line bears less.
    """
    wanted, most = SLOW_FARAD, SLOW_FARAD
    if driver.rate > 0 and driver.kind != "slow":
        wanted = slowest_edge(driver) / 2.2 / (driver.source + NEW_OHM)
        most = I2C_FARAD if "I2C" in driver.reason else MOST_FARAD
    wanted = float(np.clip(wanted, LEAST_FARAD, most))
    decade = 10.0 ** np.floor(np.log10(wanted * (1 + 1e-9)))
    step = max(s for s in STEPS if s * decade <= wanted * (1 + 1e-9))
    return NEW_OHM, float(f"{step * decade:.2g}")


def _series(view: View, part: int, ohm: float, frequency: Floats) -> Complexes:
    kind = view.part_kinds[part]
    real, reactive = np.full(len(frequency), ohm), np.zeros(len(frequency))
    if kind.kind == parts.FERRITE and kind.value:
        real = kind.value * np.minimum(1.0, frequency / FERRITE_AT)
    elif kind.kind == parts.INDUCTOR and kind.value:
        reactive = 2 * np.pi * frequency * kind.value
    return np.asarray(real + 1j * reactive, dtype=np.complex128)


def current_estimate(
    view: View, ref: str, driver: Driver, law: Callable[[Driver], tuple[Floats, Floats]], *, with_range: bool = True
) -> FieldEstimate | None:
    """The frequency at which a current comes nearest to what is allowed, as `emission.FieldEstimate` in A.

    law : of a driver, (frequencies, currents);  None where it gives nothing in the measured range
    """

    def at(other: Driver) -> FieldEstimate | None:
        frequency, current = law(other)
        return _worst(view, ref, frequency, current)

    found = at(driver)
    if found is None or not (with_range and view.pictures) or found.excess_db < FAR_BELOW:
        return found

    def excess(other: Driver) -> float | None:
        there = at(other)
        return None if there is None else there.excess_db

    return replace(found, range_db=excess_range(driver, excess))


def _worst(view: View, ref: str, frequency: Floats, current: Floats) -> FieldEstimate | None:
    if not len(frequency) or not np.any(current > 0):
        return None
    settings = view.settings
    allowed = allowed_current(view, ref, frequency)
    worst = int(np.argmax(current / allowed))
    row = row_at(settings.standard, float(frequency[worst]), settings.distance)
    length = settings.connectors.get(ref, {}).get("length")
    cable = f"{float(length):g} m of cable" if length is not None else "a long cable"

    def chart() -> dict[str, Any]:
        keep = chart_points(len(frequency), worst)
        return {
            "frequency_hz": frequency[keep].tolist(),
            "level_dbua": (20 * np.log10(np.maximum(current[keep], 1e-15) / 1e-6)).tolist(),
            "limit_dbua": (20 * np.log10(allowed[keep] / 1e-6)).tolist(),
            "limit_name": f"what {ref}'s cable may carry",
        }

    return FieldEstimate(
        float(frequency[worst]),
        float(current[worst]),
        float(allowed[worst]),
        f"current with which {cable} makes the limit of {limit_words(settings)} ({row.clause})",
        chart,
    )


def together(rows: Sequence[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """Currents of several lines on one axis: at the frequencies of all, the root of the sum of squares of those within
    a hundredth of each."""
    rows = [row for row in rows if len(row[0])]
    if not rows:
        return np.empty(0), np.empty(0)
    edges = np.geomspace(29e6, 41e9, 730)
    out = np.zeros(len(edges) - 1)
    for frequency, current in rows:
        most = np.zeros(len(out))
        np.maximum.at(most, np.searchsorted(edges, frequency) - 1, current)
        out += most**2
    middle = np.sqrt(edges[1:] * edges[:-1])
    lowest = min(float(f.min()) for f, _ in rows)
    highest = max(float(f.max()) for f, _ in rows)
    kept = out > 0
    return np.clip(middle[kept], lowest, highest), np.sqrt(out[kept])
