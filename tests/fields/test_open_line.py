"""The open line: limits, and a ladder of lumped sections as an independent solution."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields.open_line import DELAY_RANGE, largest_current, largest_voltage, over_delays


@pytest.mark.parametrize("frequency", [30e6, 200e6, 450e6, 1.3e9])
def test_a_ladder_of_lumped_sections_agrees(frequency: float) -> None:
    """Second formulation: 4000 LC sections worked back from the open end; 1 V behind 35 ohm, 50 ohm, 0.6 ns; 2e-3."""
    count, z0, delay, source = 4000, 50.0, 0.6e-9, 35.0
    w = 2 * np.pi * frequency
    series, shunt = 1j * w * z0 * delay / count, 1j * w * delay / z0 / count
    voltage, current, largest = 1.0 + 0j, 0.0 + 0j, 0.0
    for _ in range(count):
        current += voltage * shunt
        voltage += current * series
        largest = max(largest, abs(current))
    scale = abs(voltage + source * current)  # volts behind the source for 1 V at the open end
    assert_allclose(largest_current(1.0, source, z0, delay, frequency), largest / scale, rtol=2e-3)
    assert_allclose(largest_voltage(1.0, source, z0, delay, frequency), 1 / scale, rtol=2e-3)


def test_short_lines_and_the_quarter_wave() -> None:
    """A short line is its capacitance, delay/z0; at a quarter wave the driver sees a short. Exact in the limit."""
    assert_allclose(largest_current(2.0, 35.0, 50.0, 1e-12, 1e8), 2 * 2 * np.pi * 1e8 * 1e-12 / 50, rtol=1e-5)
    assert_allclose(largest_current(2.0, 35.0, 50.0, 1e-9, 250e6), 2 / 35)
    assert_allclose(largest_voltage(2.0, 35.0, 50.0, 1e-9, 250e6), 2 * 50 / 35)


def test_over_delays_is_no_less_than_any_of_them() -> None:
    f = np.geomspace(30e6, 3e9, 50)
    bound = over_delays(largest_current, 1.0, 35.0, 50.0, 0.4e-9, f)
    for share in DELAY_RANGE:
        assert np.all(bound >= largest_current(1.0, 35.0, 50.0, 0.4e-9 * share, f) - 1e-15)


def test_outside_the_range_is_refused() -> None:
    with pytest.raises(OutOfRange, match="source resistance is 0"):
        largest_current(1.0, 0.0, 50.0, 1e-9, 1e8)
