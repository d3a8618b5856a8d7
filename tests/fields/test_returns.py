"""Return currents: exact rows of the literature, second formulations, and the passage between regimes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from quietcopper.errors import OutOfRange
from quietcopper.fields import returns
from quietcopper.units import MU0


def test_share_under_a_line() -> None:
    """Row R1 (exact): +-1, 2, 3, 5, 10 heights."""
    x = np.array([1.0, 2, 3, 5, 10])
    assert_allclose(returns.microstrip_share(x, 1.0), [0.5, 0.70483, 0.79517, 0.87433, 0.93655], atol=6e-6)


def test_half_width_for_a_share() -> None:
    """Row R2 (exact): 80, 90, 95, 99 %."""
    got = returns.microstrip_half_width([0.8, 0.9, 0.95, 0.99], 1.0)
    assert_allclose(got, [3.078, 6.314, 12.706, 63.657], atol=6e-4)


def test_share_between_two_planes() -> None:
    """Rows R3, R4, R6 (exact): centred shares, half widths, and a quarter of the way up."""
    x = np.array([0.25, 0.5, 1.0, 1.5])
    both = sum(returns.stripline_share(x, 0.5, 1.0))
    assert_allclose(both, [0.455332, 0.739036, 0.945013, 0.988562], atol=6e-7)
    assert_allclose(returns.stripline_half_width([0.9, 0.99], 1.0), [0.8092, 1.5428], atol=6e-5)
    assert_allclose(returns.stripline_share(np.inf, 0.25, 1.0), (0.75, 0.25))
    tiny = 1e-6  # peak density of row R6 from the slope of the share at the middle
    slope = np.array(returns.stripline_share(tiny, 0.25, 1.0)) / (2 * tiny)
    assert_allclose(slope, [1.20711, 0.20711], atol=6e-6)


def test_strip_density_integrates_to_one_and_becomes_the_filament() -> None:
    x = np.linspace(-400, 400, 400_001)
    assert_allclose(np.trapezoid(returns.strip_density(x, 2.0, 1.0), x), returns.microstrip_share(400, 1.0), rtol=1e-5)
    assert_allclose(returns.strip_density(0.7, 1e-4, 1.0), 1 / np.pi / (1 + 0.49), rtol=1e-6)


def test_plane_inductance() -> None:
    """Row R7 (exact): h 0.2, W 100 mm at the centre, 10, 1, 0.2, 0 mm from the edge; row R8: h 1.6, W 50."""
    got = returns.plane_inductance(0.1, np.array([0, 40, 49, 49.8, 50]) * 1e-3, 0.2e-3)
    assert_allclose(got * 1e9, [0.80000, 1.33327, 4.00053, 8.15017, 12.6533], rtol=1e-5)
    assert_allclose(returns.plane_inductance(0.05, 0.0, 1.6e-3), 12.7913e-9, rtol=1e-5)
    assert_allclose(returns.plane_inductance(0.05, -0.02, 1e-3), returns.plane_inductance(0.05, 0.02, 1e-3))


def test_plane_inductance_by_an_integral_equation() -> None:
    """Second formulation: equal potential on 600 Chebyshev filaments of the plane, line at 15 mm from the centre."""
    n, w, x0, h = 600, 0.05, 0.015, 1e-3
    theta = (np.arange(n) + 0.5) * np.pi / n
    x = w / 2 * np.cos(theta)
    mode = np.arange(n)
    # A sheet J = sum a_k T_k/(pi sqrt(1-t^2)) has potential a_0 ln(w/4) ... : the log kernel is diagonal in T_k.
    line = np.log(np.hypot(x - x0, h))
    coefficient = 2 / n * (np.cos(np.outer(mode, theta)) @ line)
    coefficient[0] /= 2
    # Plane carries the return: its potential (constant) minus the potential of the net current in free space.
    constant = coefficient[0] - np.log(w / 4)
    assert_allclose(returns.plane_inductance(w, x0, h), MU0 / (2 * np.pi) * constant, rtol=1e-6)


@pytest.mark.parametrize("inside", [1.0, 0.2, 0.0, -0.5])
def test_edge_inductance_of_a_half_plane(inside: float) -> None:
    """A plane of 10 m is a half plane: (mu0/2pi) ln(1/cos(t/2)), tan t = height / distance to the edge (map of the half
    plane by the root). None is left in the middle of it."""
    expected = MU0 / (2 * np.pi) * np.log(1 / np.cos(np.arctan2(0.2, inside) / 2))
    assert_allclose(returns.edge_inductance(10.0, 5.0 - inside * 1e-3, 0.2e-3), expected, rtol=1e-3)
    assert returns.edge_inductance(10.0, 0.0, 0.2e-3) < 1e-15


def test_slot_follows_the_full_solutions() -> None:
    """Independent solutions of the aperture problem, h 0.2, w 0.35, slot 0.25 mm; the stated error is the claim."""
    length = np.array([1, 2, 5, 10, 25, 50]) * 1e-3
    full = np.array([0.097, 0.234, 0.606, 1.153, 2.58, 4.68]) * 1e-9
    assert_allclose(returns.slot_inductance(length, 0.25e-3, 0.2e-3, 0.35e-3), full, rtol=0.05)
    widths = returns.slot_inductance(10e-3, np.array([0.1, 1.0]) * 1e-3, 0.2e-3, 0.35e-3)
    assert_allclose(widths, [0.91e-9, 1.88e-9], rtol=0.05)
    heights = returns.slot_inductance(10e-3, 0.25e-3, np.array([0.05, 0.1, 0.5, 1.5]) * 1e-3, 0.35e-3)
    assert_allclose(heights, [1.35e-9, 1.27e-9, 0.92e-9, 0.53e-9], rtol=0.05)
    offsets = returns.slot_inductance(10e-3, 0.25e-3, 0.2e-3, 0.35e-3, np.array([2, 4, 4.5, 4.8]) * 1e-3)
    assert_allclose(offsets, [0.99e-9, 0.47e-9, 0.26e-9, 0.12e-9], rtol=0.25)
    assert_allclose(returns.slot_inductance(10e-3, 0.25e-3, 0.2e-3, 0.35e-3, -4e-3), offsets[1])


def test_slot_stays_below_its_bound_and_the_printed_rule_above() -> None:
    """Row R12: 2.47, 3.67, 5.84 nH for g 1 and D 10, 20, 40 mm (upper bound); row R11: the rule, full and half D."""
    d = np.array([10, 20, 40]) * 1e-3
    bound = returns.babinet_slot(d, 1e-3)
    assert_allclose(bound, [2.47e-9, 3.67e-9, 5.84e-9], rtol=2e-3)
    quick = returns.slot_inductance(d, 1e-3, 1e-3, 2e-3)
    assert np.all(quick < bound)
    assert_allclose(returns.printed_slot_rule(d, 2e-3) * 1e9, [3.17, 9.07, 23.6], rtol=2e-3)
    assert_allclose(returns.printed_slot_rule(d / 2, 2e-3) * 1e9, [0.90, 3.17, 9.07], rtol=5e-3)


def test_split_capacitance() -> None:
    """Row F1: two 22 x 40 mm halves as plates 1 mm over a plane, er 4.3, 16.6 pF (0.5 mm gap taken off)."""
    half = (22e-3 - 0.25e-3) * 40e-3
    assert_allclose(returns.split_capacitance(half, half, 1e-3, 4.3), 16.6e-12, rtol=3e-3)


def test_reflections_of_an_edge() -> None:
    """Second formulation: the convolution of the ramp with the exact step response, and the slow-edge limit."""
    lump, z0, tr = 1.5e-9, 50.0, 0.1e-9
    tau = lump / (2 * z0)
    expected = quad(lambda t: np.exp(-t / tau) / tr, 0, tr)[0]
    assert_allclose(returns.series_reflection(lump, z0, tr), expected, rtol=1e-9)
    assert_allclose(returns.series_reflection(lump, z0, 10e-9), lump / (2 * z0 * 10e-9), rtol=1e-6)
    assert_allclose(returns.shunt_reflection(0.6e-12, z0, tr), returns.series_reflection(0.6e-12 * z0**2, z0, tr))
    assert_allclose(returns.series_reflection(0.0, z0, tr), 0.0)


def test_imbalance() -> None:
    assert_allclose(returns.imbalance(0.8e-9, 300e-9), 0.8 / 300)
    with pytest.raises(OutOfRange, match="imbalance is 2"):
        returns.imbalance(2e-9, 1e-9)


def test_resonance() -> None:
    """Row F2: 1.67 nH with 20.9 pF rings at 0.852 GHz."""
    assert_allclose(returns.resonance(1.67e-9, 20.9e-12), 0.852e9, rtol=1e-3)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: returns.slot_inductance(1e-3, 1e-3, 1e-4, 1e-4), "slot length over slot width is 1"),
        (lambda: returns.slot_inductance(9e-3, 1e-3, 1e-4, 1e-4, 5e-3), "trace offset"),
        (lambda: returns.plane_inductance(0.0, 0.0, 1e-3), "plane width is 0"),
        (lambda: returns.printed_slot_rule(1e-3, 2e-3), "diversion over trace width is 0.5"),
        (lambda: returns.microstrip_share(-1.0, 1.0), "half width is -1"),
        (lambda: returns.stripline_share(1.0, 2.0, 1.0), "position over spacing is 2"),
    ],
)
def test_outside_the_range_is_refused(call, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange, match=text):
        call()
