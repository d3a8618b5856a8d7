"""Far field of a plane pair's edge: exact moments of straight and round edges."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import j1

from quietcopper.fields.plane_edges import edge_field_of, edge_moment, stretches
from quietcopper.fields.radiation import edge_field
from quietcopper.units import C0

MM = 1e-3


def test_short_straight_edge_is_a_dipole() -> None:
    """V l, and the field of `radiation.edge_field`: exact for a stretch much shorter than a wave."""
    moment = edge_moment(np.zeros((1, 2)), np.array([[10 * MM, 0.0]]), np.array([[[2.0 + 0j]]]), [100e6])
    assert_allclose(moment, [[20 * MM]], rtol=1e-12)
    assert_allclose(edge_field_of(moment[0], np.array([100e6]), 3.0), edge_field(2.0, 10 * MM, 100e6, 3.0))


@pytest.mark.parametrize("ka", [0.05, 0.5, 1.5])
def test_uniform_voltage_round_a_disc_nearly_cancels(ka: float) -> None:
    """2 pi a V J1(k a sin(theta)), a loop of uniform current (Balanis, Antenna Theory, section 5.3, from memory): the
    largest over the directions looked at, 0.2 %."""
    a = 30 * MM
    angle = np.linspace(0, 2 * np.pi, 721)
    middle, along = stretches(a * np.stack([np.cos(angle), np.sin(angle)], -1), 160)
    frequency = ka * C0 / (2 * np.pi * a)
    expected = max(2 * np.pi * a * j1(ka * np.cos(e)) for e in (0, np.pi / 4))
    assert_allclose(edge_moment(middle, along, np.ones((1, len(middle), 1)), [frequency]), expected, rtol=2e-3)


def test_first_mode_of_a_square_adds_up() -> None:
    """cos(pi x/a) round a small square: the two edges with full voltage add, 2 a V, the others cancel; exact."""
    a = 10 * MM
    ring = np.array([[0, 0], [a, 0], [a, a], [0, a], [0, 0]])
    middle, along = stretches(ring, 400)
    voltage = np.cos(np.pi * middle[:, 0] / a)[None, :, None]
    assert_allclose(edge_moment(middle, along, voltage, [1e6]), 2 * a, rtol=1e-4)
