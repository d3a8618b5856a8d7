"""Radiation: worked examples of the literature, wire-antenna rows as bounds, and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields import radiation, returns


@pytest.mark.parametrize(
    ("frequency", "area", "current", "distance", "field", "level"),
    [
        (30e6, 10e-4, 25e-3, 3, 197.25e-6, 45.90),  # row E1, Ott-style example
        (100e6, 1e-4, 20e-3, 3, 175.33e-6, 44.88),  # row E2
        (50e6, 1e-4, 10e-3, 10, 6.575e-6, 16.36),  # row E3
    ],
)
def test_loops(frequency: float, area: float, current: float, distance: float, field: float, level: float) -> None:
    """Ott's 263e-16 f^2 A I/r (from memory); 2 eta0 pi/c^2 is 263.4e-16, hence 2e-3 and 0.02 dB."""
    got = radiation.loop_field(current, area, frequency, distance)
    assert_allclose(got, field, rtol=2e-3)
    assert_allclose(radiation.microvolt_db(got), level, atol=0.02)
    assert_allclose(radiation.loop_field(current, area, frequency, distance, floor=False), field / 2, rtol=2e-3)


@pytest.mark.parametrize(
    ("frequency", "current", "length", "field", "level"),
    [
        (50e6, 5e-6, 1.0, 105.00e-6, 40.42),  # row E4, printed with 12.6e-7
        (50e6, 8e-6, 0.5, 84.00e-6, 38.49),  # row E5
        (100e6, 3e-6, 1.0, 126.00e-6, 42.01),  # row E6
    ],
)
def test_cables(frequency: float, current: float, length: float, field: float, level: float) -> None:
    """Ott's 12.6e-7 f I L/r (from memory); 4 pi 1e-7 is 0.27 % less."""
    got = radiation.short_cable_field(current, length, frequency, 3.0)
    assert_allclose(got, field, rtol=3e-3)
    assert_allclose(radiation.microvolt_db(got), level, atol=0.03)


def test_allowed_cable_current() -> None:
    """Row E7: 7.937, 4.762, 2.706 uA for 100 uV/m at 3 m, 1 m of cable, 30, 50, 88 MHz; row E8: 8.36 uA at 10 m."""
    got = radiation.cable_current(100e-6, 1.0, np.array([30e6, 50e6, 88e6]), 3.0)
    assert_allclose(got, [7.937e-6, 4.762e-6, 2.706e-6], rtol=3e-3)
    field = 1e-6 * 10 ** (30 / 20)
    assert_allclose(radiation.cable_current(field, 1.0, 30e6, 10.0), 8.36e-6, rtol=4e-3)


def test_current_driven_example() -> None:
    """Row E11: 50 mm over a 100 mm plane at 0.2 mm, 10 mA at 100 MHz: 0.2513 mV, 6.79 uA, 135.9 uV/m at 3 m."""
    plane = returns.plane_inductance(0.1, 0.0, 0.2e-3)
    volts = radiation.current_driven_voltage(plane, 50e-3, 10e-3, 100e6)
    assert_allclose(volts, 0.2513e-3, rtol=3e-4)
    assert_allclose(volts / radiation.CABLE_IMPEDANCE, 6.79e-6, rtol=1e-3)
    assert_allclose(radiation.common_mode_field(volts, 100e6, 3.0), 135.9e-6, rtol=5e-4)


def test_bound_lies_above_solved_wires() -> None:
    """Rows E13, E14: E per base current at 3 m of a 1 m monopole on a floor; ratios of monopole and free dipole."""
    f = np.array([30e6, 50e6, 100e6])
    short = radiation.short_cable_field(1.0, 1.0, f, 3.0)
    assert_allclose(short, [12.57, 20.94, 41.89], rtol=1e-3)
    solved = np.array([6.59, 11.88, 38.0])
    assert_allclose(solved / short, [0.52, 0.57, 0.91], atol=0.006)
    bound = radiation.cable_field(1.0, 1.0, f, 3.0)
    assert np.all(solved < bound)
    assert np.all(np.array([0.251, 0.256, 0.283]) * short < bound)


def test_cable_saturates() -> None:
    """A half-wave wire on a floor makes 60 (1 - cos pi) I/r (textbook), and no longer cable more in this bound."""
    assert_allclose(radiation.cable_field([1.0, 2.0], 10.0, 100e6, 3.0), [40.0, 80.0])
    assert_allclose(
        radiation.cable_field(1.0, [0.2, 0.4], 100e6, 3.0), radiation.short_cable_field(1, [0.2, 0.4], 1e8, 3)
    )


def test_short_cable_scales_with_its_length() -> None:
    got = radiation.common_mode_field(1e-3, 30e6, 3.0, cable_length=np.array([0.1, 0.2, 50.0]))
    assert_allclose(got[1] / got[0], 2.0)
    assert_allclose(got[2], radiation.common_mode_field(1e-3, 30e6, 3.0))


def test_edge_is_the_dual_of_the_short_dipole() -> None:
    """Second formulation: electric dipole eta0 I l/(2 lambda r) becomes V l/(2 lambda r); doubled by the floor."""
    wave = 299_792_458 / 1e9
    assert_allclose(radiation.edge_field(1e-3, 20e-3, 1e9, 3.0), 2 * 1e-3 * 20e-3 / (2 * wave * 3.0))
    assert_allclose(radiation.edge_field(1e-3, 1.0, 1e9, 3.0), 1e-3 / 2 / 3.0)  # no more than half a wave


def test_effective_length() -> None:
    assert_allclose(radiation.effective_length([0.05, 0.5], 1e9), [0.05, 0.149896229])


def test_capacitive_drive() -> None:
    """Disc of 0.1 m2: 8 eps0 a. A trace with 0.3 % of its 1 pF past the board drives 0.003 pF over that."""
    board = radiation.board_self_capacitance(0.01)
    assert_allclose(board, 8 * 8.8541878128e-12 * np.sqrt(0.01 / np.pi))
    trace = radiation.trace_self_capacitance(0.003, 40e-12, 0.025)
    assert_allclose(trace, 3e-15)
    assert_allclose(radiation.voltage_driven_voltage(trace, board, -3.3), 3.3 * trace / board)


def test_imbalance_is_taken_by_its_size() -> None:
    assert_allclose(radiation.imbalance_voltage(0.01, 0.03, 1.0), 0.02)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: radiation.loop_field(1.0, 0.1, 1e9, 3.0), "loop side over a wavelength"),
        (lambda: radiation.loop_field(1.0, 1e-4, 1e6, 3.0), "near field"),
        (lambda: radiation.cable_field(1.0, 1.0, 30e6, 1.0), "near field"),
        (lambda: radiation.short_cable_field(1.0, 2.0, 100e6, 3.0), "cable length over a wavelength"),
        (lambda: radiation.current_driven_voltage(1e-9, 1.0, 1.0, 1e9), "length over a wavelength"),
        (lambda: radiation.imbalance_voltage(2.0, 0.0, 1.0), "imbalance before is 2"),
        (lambda: radiation.microvolt_db(-1.0), "field is -1"),
    ],
)
def test_outside_the_range_is_refused(call, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange, match=text):
        call()
