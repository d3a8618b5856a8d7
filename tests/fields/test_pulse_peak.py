"""The voltage of a line's charging current across a gap, against limits that are exact and a direct integration."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from quietcopper.errors import OutOfRange
from quietcopper.fields.returns import pulse_peak


def test_a_long_line_is_a_ramp_that_stays():
    """While nothing comes back the current rises and stays. Exact: L·I/rise·(1 - e^(-rise·R/L)) into L and R, and R·I
    into R and C."""
    for bridge in (2e-9, 20e-9):
        exact = bridge * 0.03 / 1e-9 * -np.expm1(-1e-9 * 100.0 / bridge)
        assert_allclose(pulse_peak(0.03, 1e-9, 1e-6, bridge, 0.0, 100.0), exact, rtol=2e-3)  # 1000 times are looked at
    assert_allclose(pulse_peak(0.03, 1e-9, 1e-6, np.inf, 20e-12, 25.0), 0.03 * 25.0, rtol=2e-3)


def test_a_short_line_only_moves_its_own_charge():
    """Without a bridge and with a large C the voltage is current·duration / C: conservation of charge, exact."""
    peak = pulse_peak(0.03, 0.2e-9, 0.5e-9, np.inf, 400e-12, 1e6)
    assert_allclose(peak, 0.03 * 0.5e-9 / 400e-12, rtol=1e-3)  # R of a megohm takes away 1e-6


def test_without_anything_the_voltage_is_the_current_in_the_lines_own_impedance():
    assert_allclose(pulse_peak(0.03, 1e-9, 2e-9, np.inf, 0.0, 100.0), 3.0, rtol=1e-9)


@pytest.mark.parametrize(
    ("bridge", "c", "r"), [(5e-9, 20e-12, 100.0), (3e-9, 400e-12, 100.0), (50e-9, 2e-12, 90.0), (1e-9, 1e-12, 20.0)]
)
@pytest.mark.parametrize("last", [0.6e-9, 1e-6], ids=["short", "long"])
def test_against_a_direct_integration(bridge, c, r, last):
    """Runge-Kutta on the circuit's own equations (scipy.integrate.solve_ivp)."""
    i, rise = 0.033, 0.8e-9

    def current(t):
        return i / rise * (np.clip(t, 0, rise) - np.clip(t - last, 0, rise))

    def slope(t, y):
        v, il = y
        return [(current(t) - il - v / r) / c, v / bridge]

    times = np.linspace(0, 20e-9, 20001)
    found = solve_ivp(slope, (0, 20e-9), [0.0, 0.0], t_eval=times, rtol=1e-8, atol=1e-12, max_step=2e-11)
    assert_allclose(pulse_peak(i, rise, last, bridge, c, r), np.abs(found.y[0]).max(), rtol=3e-3)


def test_an_undamped_gap_is_refused():
    with pytest.raises(OutOfRange):
        pulse_peak(0.03, 1e-9, 1e-9, 1e-9, 1e-12, np.inf)
