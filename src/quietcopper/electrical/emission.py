"""From a voltage along the board's return to a field at the measuring distance, against the limit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from quietcopper.board.model import Floats
from quietcopper.electrical.signals import level_by_frequency
from quietcopper.electrical.tables import Driver
from quietcopper.electrical.view import View
from quietcopper.fields.limits import limit, row_at, upper_frequency
from quietcopper.fields.radiation import common_mode_field, microvolt_db


@dataclass(frozen=True)
class FieldEstimate:
    """The frequency at which an estimate comes nearest to the limit or exceeds it most. Fields in V/m."""

    frequency: float
    field: float
    limit: float
    source: str
    spectrum: dict[str, Any]

    @property
    def words(self) -> str:
        """'47 dBµV/m at 125 MHz (limit 40)'."""
        level, limit = (float(microvolt_db(v)) for v in (self.field, self.limit))
        return f"{level:.0f} dBµV/m at {self.frequency / 1e6:.0f} MHz (limit {limit:.0f})"


def worst_field(
    view: View, driver: Driver, current: float, impedance: Callable[[Floats], Floats]
) -> FieldEstimate | None:
    """Upper-bound field of a current's spectrum across an impedance in the board's return, at its worst frequency.

    current : peak to peak, A;  impedance : |Z| in ohm at frequencies in Hz
    None where the driver has nothing in the measured range.
    """
    settings = view.settings
    highest = upper_frequency(settings.standard, view.highest_rate)
    frequency, level = level_by_frequency(driver, current, highest)
    if not len(frequency):
        return None
    field = common_mode_field(level * impedance(frequency), frequency, settings.distance)
    allowed = limit(settings.standard, frequency, settings.distance)
    worst = int(np.argmax(field / allowed))
    row = row_at(settings.standard, float(frequency[worst]), settings.distance)
    keep = np.unique(np.r_[np.linspace(0, len(frequency) - 1, min(len(frequency), 60)).astype(int), worst])
    return FieldEstimate(
        float(frequency[worst]),
        float(field[worst]),
        float(allowed[worst]),
        f"{settings.standard} at {settings.distance:g} m: {row.clause}",
        {
            "frequency_hz": frequency[keep].tolist(),
            "level_dbuv_m": microvolt_db(np.maximum(field[keep], 1e-12)).tolist(),
            "limit_dbuv_m": microvolt_db(allowed[keep]).tolist(),
            "limit_name": f"{settings.standard}, {settings.distance:g} m",
        },
    )
