"""Vias: exact two-wire rows, many vias against independent formulations, printed rules as printed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields import vias
from quietcopper.units import MU0


def test_one_return_via() -> None:
    """Row R13 (exact two-wire line): h 1.6, r 0.15, return at 0.5, 1, 2, 5, 10 mm."""
    distance = np.array([0.5, 1, 2, 5, 10]) * 1e-3
    expected = np.array([0.7031, 1.1992, 1.6541, 2.2436, 2.6877]) * 1e-9
    got = [vias.return_inductance(1.6e-3, 0.15e-3, [[0, s]], 0.15e-3) for s in distance]
    assert_allclose(got, expected, rtol=1e-4)
    assert_allclose(vias.pair_inductance(1.6e-3, distance, 0.15e-3), expected, rtol=1e-4)


def test_unequal_vias_follow_the_exact_two_cylinder_form() -> None:
    """(mu0 h/2pi) acosh((s^2 - a^2 - b^2)/2ab), from the bipolar map; close enough that crowding matters."""
    a, b, s, h = 0.3e-3, 0.1e-3, 0.45e-3, 1e-3
    expected = MU0 * h / (2 * np.pi) * np.arccosh((s**2 - a**2 - b**2) / (2 * a * b))
    assert_allclose(vias.return_inductance(h, a, [[s, 0]], b), expected, rtol=1e-5)


@pytest.mark.parametrize("count", [2, 3, 4, 8])
def test_returns_on_a_circle(count: int) -> None:
    """(mu0 h/2pi)(ln(s/r) + ln(s/(N r))/N) for thin wires; s/r = 200 leaves (r/s)^2."""
    s, r, h = 20e-3, 0.1e-3, 1.6e-3
    angle = 2 * np.pi * np.arange(count) / count
    path = vias.return_path(h, r, s * np.column_stack([np.cos(angle), np.sin(angle)]), r)
    expected = MU0 * h / (2 * np.pi) * (np.log(s / r) + np.log(s / (count * r)) / count)
    assert_allclose(path.inductance, expected, rtol=2e-4)
    assert_allclose(path.shares, 1 / count, rtol=1e-9)


def _collocated(height: float, z: np.ndarray, r: np.ndarray, rings: int = 40) -> float:
    """Loop inductance by filaments inside each surface and least squares on it: the second formulation."""
    angle = 2 * np.pi * (np.arange(rings) + 0.5) / rings
    sources = (z[:, None] + 0.7 * r[:, None] * np.exp(1j * angle)).ravel()
    fine = 2 * np.pi * np.arange(2 * rings) / (2 * rings)
    points = z[:, None] + r[:, None] * np.exp(1j * fine)
    k = len(z)
    matrix = np.zeros((k * 2 * rings + 2, k * rings + 2))
    matrix[:-2, :-2] = -np.log(np.abs(points.reshape(-1, 1) - sources[None, :]))
    matrix[: 2 * rings, -2] = -1  # level of the signal via
    matrix[2 * rings : -2, -1] = -1  # one level for all returns
    matrix[-2, :rings] = 1e3
    matrix[-1, rings:-2] = 1e3
    right = np.zeros(len(matrix))
    right[-2:] = 1e3, -1e3
    solution = np.linalg.lstsq(matrix, right, rcond=None)[0]
    return float(MU0 * height / (2 * np.pi) * (solution[-2] - solution[-1]))


def test_close_vias_equal_a_filament_solution() -> None:
    """Four returns at odd places, two of them nearly touching the signal via or each other: 1e-4."""
    z = np.array([0, 0.42 + 0.1j, -0.9 + 0.3j, -0.7 - 0.05j, 3 + 2j]) * 1e-3
    r = np.array([0.2, 0.15, 0.1, 0.15, 0.3]) * 1e-3
    got = vias.return_inductance(1e-3, r[0], np.column_stack([z.real, z.imag])[1:], r[1:])
    assert_allclose(got, _collocated(1e-3, z, r), rtol=1e-4)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(-6, 6), st.integers(-6, 6)), min_size=2, max_size=9, unique=True), st.floats(0, 6)
)
def test_more_returns_never_cost_and_turning_changes_nothing(places: list[tuple[int, int]], angle: float) -> None:
    """Provable: removing a return via cannot lower the inductance; rotation and order leave it alone."""
    grid = np.array([p for p in places if p != (0, 0)], dtype=float) * 0.8e-3
    if len(grid) < 2:
        return
    full = vias.return_inductance(1e-3, 0.15e-3, grid, 0.15e-3)
    assert vias.return_inductance(1e-3, 0.15e-3, grid[1:], 0.15e-3) >= full * (1 - 2e-5)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    assert_allclose(vias.return_inductance(1e-3, 0.15e-3, (grid @ turn.T)[::-1], 0.15e-3), full, rtol=1e-9)


def test_nearest_return_carries_most() -> None:
    path = vias.return_path(1e-3, 0.15e-3, [[1e-3, 0], [4e-3, 0], [0, 9e-3]], 0.15e-3)
    assert np.all(np.diff(path.shares) < 0)
    assert_allclose(path.shares.sum(), 1.0)


def test_spreading_rows() -> None:
    """Rows P4, P5, P6: 83.99, 167.99, 165.08 pH (exact; P5 is printed with the logarithm instead of acosh)."""
    assert_allclose(vias.spreading_inductance(0.1e-3, 0.15e-3, 10e-3), 83.99e-12, rtol=1e-4)
    assert_allclose(vias.pair_inductance(0.1e-3, 10e-3, 0.15e-3), 167.99e-12, rtol=2e-4)
    assert_allclose(vias.capacitor_mounting(1e-3, 0.125e-3, 0.2e-3), 165.08e-12, rtol=1e-4)


def test_square_of_plane_pair() -> None:
    """Row P3 (exact): 1 mil, 0.1 mm, 4 mil: 31.92, 125.66, 127.67 pH a square ("32 pH per mil")."""
    got = vias.square_inductance(np.array([25.4e-6, 0.1e-3, 4 * 25.4e-6]))
    assert_allclose(got, [31.92e-12, 125.66e-12, 127.67e-12], rtol=2e-4)


def test_mounting_adds_its_parts() -> None:
    """Row P4's spreading in a 0.1 mm pair from one via to the other, and a strip: row 24's air impedance over c."""
    bare = vias.capacitor_mounting(10e-3, 0.15e-3, 0.2e-3)
    assert_allclose(vias.capacitor_mounting(10e-3, 0.15e-3, 0.2e-3, 0.1e-3) - bare, 83.99e-12, rtol=1e-4)
    full = vias.capacitor_mounting(10e-3, 0.15e-3, 0.2e-3, pad_length=2e-3, pad_width=0.4e-3)
    assert_allclose(full - bare, 2e-3 * 89.028750 / 299_792_458, rtol=1e-4)


def test_strip_inductance() -> None:
    """Row 24 (exact): air microstrip, w/h 0.5, 1, 2, 5, 10; Hammerstad-Jensen claims 0.01 to 0.03 %."""
    z = np.array([166.699799, 126.423868, 89.028750, 49.365708, 29.020885])
    got = vias.strip_inductance(np.array([0.5, 1, 2, 5, 10]), 1.0) * 299_792_458
    assert_allclose(got, z, rtol=3e-4)


def test_printed_rules_as_printed() -> None:
    """Rows R15, R16 (Johnson & Graham, from memory) and R17 (Goldfarb & Pucel)."""
    assert_allclose(vias.printed_via_rule(0.063 * 25.4e-3, 0.016 * 25.4e-3), 1.2023e-9, rtol=1e-4)
    got = vias.printed_antipad_rule(4.7, 0.063 * 25.4e-3, 0.028 * 25.4e-3, 0.050 * 25.4e-3)
    assert_allclose(got, 0.531e-12, rtol=1e-3)
    assert_allclose(vias.ground_via_inductance(1.6e-3, 0.15e-3), 0.5429e-9, rtol=1e-4)


def test_radial_plane_pair() -> None:
    """Row R18 (exact for an infinite pair): d 0.2, er 4.3, r 0.15 at 0.1, 1, 5 GHz."""
    got = vias.radial_impedance(np.array([0.1e9, 1e9, 5e9]), 0.15e-3, 0.2e-3, 4.3)
    assert_allclose(got, [0.040 + 0.187j, 0.395 + 1.294j, 1.966 + 4.439j], atol=1e-3)


def test_stub_and_barrel() -> None:
    """Row R19: 1 mm at er 4, 37.47 GHz. Row P10: 1.6 mm, 0.3 mm hole, 25 um: 1.081 finished, 1.277 drilled (mohm)."""
    assert_allclose(vias.stub_resonance(1e-3, 4.0), 37.47e9, rtol=2e-4)
    figures = (1.6e-3, 0.3e-3, 25e-6, 1 / 1.724e-8)
    assert_allclose(vias.barrel_resistance(*figures, hole_is_finished=True), 1.081e-3, rtol=5e-4)
    assert_allclose(vias.barrel_resistance(*figures, hole_is_finished=False), 1.277e-3, rtol=5e-4)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: vias.return_inductance(1e-3, 1e-4, np.empty((0, 2)), 1e-4), "no return via"),
        (lambda: vias.return_inductance(1e-3, 1e-4, [[1.5e-4, 0]], 1e-4), "touch"),
        (lambda: vias.return_inductance(1e-3, 1e-4, [[1e-3, 0], [1e-3, 0]], 1e-4), "touch"),
        (lambda: vias.return_inductance(0.0, 1e-4, [[1e-3, 0]], 1e-4), "height is 0"),
        (lambda: vias.pair_inductance(1e-3, 1e-4, 1e-4), "via distance over diameter"),
        (lambda: vias.capacitor_mounting(1e-3, 1e-4, 2e-4, pad_length=1e-3), "without a pad width"),
        (lambda: vias.barrel_resistance(1e-3, 4e-5, 25e-6, hole_is_finished=False), "inside the plating"),
        (lambda: vias.ground_via_inductance(1e-5, 1e-3), "height over radius"),
    ],
)
def test_outside_the_range_is_refused(call, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange, match=text):
        call()
