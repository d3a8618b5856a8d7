"""From what a line sends to a field at the measuring distance, against the limit: the worst frequency, range, chart."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietcopper.board.model import Floats
from quietcopper.electrical.families import RADIO, name_family
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.signals import level_by_frequency
from quietcopper.electrical.spans import excess_range
from quietcopper.electrical.tables import Driver
from quietcopper.electrical.view import View
from quietcopper.fields.limits import limit, row_at, upper_frequency
from quietcopper.fields.open_line import largest_current, over_delays
from quietcopper.fields.radiation import common_mode_field, microvolt_db

CAUTION = "an upper bound for ranking, no compliance verdict"
CHART_POINTS = 60
FAR_BELOW = -12.0  # dB; how far an estimate's assumptions span is not worked out where it lies lower
Law = Callable[[Driver], tuple[Floats, Floats]]  # frequencies (n,), Hz, and fields (n,), V/m, of a driver


def carries_radio(view: View, net: int) -> bool:
    """Whether a net carries a wanted radio carrier, by its name."""
    return name_family(view.board.nets[net]) is RADIO


def allowed_field(settings: Settings, frequency: Floats) -> Floats:
    """The radiated limit at the settings' distance, less the margin that they keep to it, V/m."""
    return _limit(settings.standard, settings.distance, frequency.tobytes()) * 10 ** (-settings.margin / 20)


@lru_cache(maxsize=256)
def _limit(standard: str, distance: float, frequency: bytes) -> Floats:
    """Many lines of a board have the same frequencies."""
    return limit(standard, np.frombuffer(frequency), distance)


def limit_words(settings: Settings) -> str:
    """'CISPR 32 class B at 3 m', with the margin where one is kept."""
    kept = f", less {settings.margin:g} dB of margin by the settings" if settings.margin else ""
    return f"{settings.standard} at {settings.distance:g} m{kept}"


@dataclass(frozen=True)
class FieldEstimate:
    """The frequency at which an estimate comes nearest to the limit or exceeds it most. Fields in V/m.

    chart : makes the evidence `spectrum`, which only who reads a finding wants
    range_db : (best, worst) excess over the driver's assumed figures, None where none is assumed
    """

    frequency: float
    field: float
    limit: float
    source: str
    chart: Callable[[], dict[str, Any]]
    range_db: tuple[float, float] | None = None

    @property
    def excess_db(self) -> float:
        return float(20 * np.log10(max(self.field, 1e-15) / self.limit))

    @property
    def words(self) -> str:
        """'47 dBµV/m at 125 MHz (limit 40)'."""
        level, limit = (float(microvolt_db(v)) for v in (self.field, self.limit))
        return f"{level:.0f} dBµV/m at {self.frequency / 1e6:.0f} MHz (limit {limit:.0f})"


def estimate_of(view: View, driver: Driver, law: Law) -> FieldEstimate | None:
    """The worst frequency of what `law` makes of a driver, with its range; None where it makes nothing."""
    found = _estimate(view, *law(driver))
    if found is None or found.excess_db < FAR_BELOW or not view.pictures:
        return found

    def excess(other: Driver) -> float | None:
        at = _estimate(view, *law(other))
        return None if at is None else at.excess_db

    return replace(found, range_db=excess_range(driver, excess))


def _estimate(view: View, frequency: Floats, field: Floats) -> FieldEstimate | None:
    settings = view.settings
    if not len(frequency) or not np.any(field > 0):
        return None
    allowed = allowed_field(settings, frequency)
    worst = int(np.argmax(field / allowed))
    row = row_at(settings.standard, float(frequency[worst]), settings.distance)

    def chart() -> dict[str, Any]:
        keep = chart_points(len(frequency), worst)
        return {
            "frequency_hz": frequency[keep].tolist(),
            "level_dbuv_m": microvolt_db(np.maximum(field[keep], 1e-12)).tolist(),
            "limit_dbuv_m": microvolt_db(allowed[keep]).tolist(),
            "limit_name": limit_words(settings),
        }

    return FieldEstimate(
        float(frequency[worst]),
        float(field[worst]),
        float(allowed[worst]),
        f"{limit_words(settings)}: {row.clause}",
        chart,
    )


def chart_points(count: int, worst: int) -> NDArray[np.int64]:
    """Which of `count` points of a curve a chart shows, the worst one always."""
    return np.unique(np.r_[np.linspace(0, count - 1, min(count, CHART_POINTS)).astype(int), worst])


def worst_field(
    view: View, net: int, z0: float, impedance: Callable[[Floats], Floats]
) -> FieldEstimate | None:  # fmt: skip
    """Upper-bound field of a net's current across an impedance in the board's return, at its worst frequency.

    The current is the largest anywhere along the line with an open end (`fields.open_line`), the cable resonant.
    impedance : |Z| in ohm at frequencies in Hz;  None where the driver has nothing in the measured range.
    """
    settings = view.settings
    highest = upper_frequency(settings.standard, view.highest_rate)
    delay = max(view.delay_of(net), 1e-12)

    def law(driver: Driver) -> tuple[Floats, Floats]:
        frequency, level = level_by_frequency(driver, driver.swing, highest)
        if not len(frequency):
            return frequency, level
        current = over_delays(largest_current, level, driver.source, z0, delay, frequency)
        return frequency, common_mode_field(current * impedance(frequency), frequency, settings.distance)

    return estimate_of(view, view.drivers[net], law)


def shares_at(fields: Mapping[str, Floats], frequency: Floats, at: float) -> list[tuple[str, float]]:
    """The parts of a sum at one of its frequencies, largest first: (name, V/m)."""
    k = int(np.argmin(np.abs(frequency - at)))
    parts = [(name, float(values[k])) for name, values in fields.items() if values[k] > 0]
    return sorted(parts, key=lambda part: (-round(part[1], 12), part[0]))
