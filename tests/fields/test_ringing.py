"""Ringing of a converter's loop, against a circuit simulator."""

from __future__ import annotations

import pytest

from quietcopper.fields.ringing import ring_amplitude, ring_frequency


def test_frequency():
    """Exact: 5 nH and 100 pF ring at 225.08 MHz."""
    assert ring_frequency(5e-9, 100e-12) == pytest.approx(225.079e6, rel=1e-5)


@pytest.mark.parametrize(("rise", "volt"), [(1e-12, 12.0), (6.6644e-9, 2.546)])
def test_amplitude_of_a_ramp(rise, volt):
    """ngspice 39.3, .tran with 5 ps steps: a 12 V ramp over 5 nH into 100 pF overshoots by 12.0 V in 1 ps and by
    2.546 V in 6.6644 ns (one and a half periods, where the sine is 1): 1 %."""
    assert ring_amplitude(5e-9, 100e-12, 12.0, 0.0, rise) == pytest.approx(volt, rel=0.01)


def test_a_current_alone():
    """Exact: energy L I2/2 into the capacitor: 1 A, sqrt(5 nH/100 pF) = 7.07 ohm."""
    assert ring_amplitude(5e-9, 100e-12, 0.0, 1.0, 1e-12) == pytest.approx(7.0711, rel=1e-4)
