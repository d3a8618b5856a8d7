"""Rectangular plane pair: exact modes, the double series, published and full-wave rows, vias and capacitors."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields import cavity, plane_pair, resonators, returns
from quietcopper.fields.cavity import Loads, Pair, impedance, vias
from quietcopper.units import C0, EPS0, MU0

PAIR = Pair(spacing=0.2e-3, er=4.4, tan_d=0.02)
SQUARE_1_MM = 1e-3 / plane_pair.SQUARE
POINTS = np.array([[50, 40], [20, 20], [80, 60]]) * 1e-3


@pytest.fixture(scope="module")
def expansion() -> cavity.Expansion:
    return plane_pair.expand(PAIR, 0.1, 0.08, 1.2e9, POINTS, SQUARE_1_MM)


@pytest.mark.parametrize(
    ("length", "width", "er", "expected"),
    [
        (0.1, 0.08, 4.4, [714.602, 893.253, 1143.922, 1429.204, 1685.386, 1786.506]),  # row C1
        (0.16, 0.1, 4.2, [457.137, 731.419, 862.524]),  # row C2; between them (2,0)
        (8 * 25.4e-3, 6 * 25.4e-3, 4.0, [368.839, 491.786, 614.732]),  # row C3
    ],
)
def test_modes(length: float, width: float, er: float, expected: list[float]) -> None:
    """Rows C1 to C3 (exact, six digits)."""
    got = plane_pair.modes(Pair(1e-4, er), length, width, 2e9)
    for value in expected:
        assert np.min(np.abs(got.frequency / (value * 1e6) - 1)) < 2e-6
    assert np.all(np.diff(got.frequency) >= 0)
    assert_allclose(got.frequency[0], expected[0] * 1e6, rtol=2e-6)


def test_modes_with_stitched_edges() -> None:
    """Row C15 (exact): all edges 1143.92 MHz, one edge 357.30 MHz; the first is f11 of the open pair."""
    assert_allclose(plane_pair.modes(PAIR, 0.1, 0.08, 1.5e9, "stitched").frequency[0], 1143.92e6, rtol=1e-5)
    one = plane_pair.modes(PAIR, 0.1, 0.08, 1.5e9, "one stitched")
    assert_allclose(one.frequency[0], 357.30e6, rtol=1e-5)
    assert_allclose(one.frequency[0], resonators.quarter_wave(0.1, 4.4))
    with pytest.raises(CallError, match="allowed are open, stitched"):
        plane_pair.modes(PAIR, 0.1, 0.08, 1e9, "shut")


def test_capacitance() -> None:
    """Rows C6, C7 (exact without fringes): 1.5583 nF; 1 square inch, 4 mil, er 4: 224.9 pF."""
    assert_allclose(PAIR.capacitance(0.1 * 0.08), 1.5583e-9, rtol=5e-5)
    assert_allclose(Pair(4 * 25.4e-6, 4.0).capacitance(25.4e-3**2), 224.9e-12, rtol=3e-4)


def test_quality() -> None:
    """Row C14: 26.7, 32.8, 38.4 at 357, 1000, 3000 MHz."""
    assert_allclose(PAIR.quality([357e6, 1e9, 3e9]), [26.7, 32.8, 38.4], rtol=2e-3)
    assert_allclose(Pair(1e-4, 4, 0.02, np.inf).quality(1e9), 50)


C8 = [0.205 - 10.198j, 0.0238 - 0.917j, 0.0127 - 0.030j, 0.0123 + 0.320j, 0.0228 + 1.080j]
C9 = [0.206 - 10.194j, 0.0249 - 0.883j, 0.0277 + 0.645j, 5.115 - 1.102j]
C10 = [0.0194 - 1.051j, -5.093 + 1.678j, -0.0244 + 1.100j]


@pytest.mark.parametrize(
    ("one", "two", "frequency_mhz", "expected"),
    [
        (0, 0, [10, 100, 300, 500, 1000], C8),
        (1, 1, [10, 100, 500, 714.6], C9),
        (1, 2, [100, 714.6, 1000], C10),
    ],
)
def test_impedance_rows(
    expansion: cavity.Expansion, one: int, two: int, frequency_mhz: list[float], expected: list[complex]
) -> None:
    """Rows C8, C9, C10 (double series to 300 x 300): within the three printed decimals."""
    got = impedance(PAIR, expansion, np.array(frequency_mhz) * 1e6, [0, 1, 2])[:, one, two]
    assert_allclose(got, expected, rtol=1e-3, atol=8e-4)


def test_lossless_rows(expansion: cavity.Expansion) -> None:
    """Row C13: -j0.92059 and +j0.31259 at the centre; the row cut its series at 400 x 400, 3e-4 short."""
    got = impedance(Pair(0.2e-3, 4.4, 0.0, np.inf), expansion, [100e6, 500e6], [0])[:, 0, 0]
    assert_allclose(got, [-0.92059j, 0.31259j], rtol=5e-4)


def test_peak_and_minima(expansion: cavity.Expansion) -> None:
    """Row C11: peak 5.966 ohm at 708.75 MHz, below f10 by the copper's inductance; row C12: 268.3 and 314.0 MHz."""
    f = np.linspace(700e6, 720e6, 401)
    z = np.abs(impedance(PAIR, expansion, f, [1])[:, 0, 0])
    assert_allclose(f[np.argmax(z)], 708.75e6, rtol=5e-4)
    assert_allclose(z.max(), 5.966, rtol=5e-3)
    f = np.linspace(200e6, 400e6, 2001)
    z = np.abs(impedance(PAIR, expansion, f, [0, 1]))
    assert_allclose(f[np.argmin(z[:, 1, 1])], 268.3e6, rtol=1e-3)
    assert_allclose(f[np.argmin(z[:, 0, 0])], 314.0e6, rtol=1e-3)


def _double_series(pair: Pair, f: float, p: np.ndarray, q: np.ndarray, side: float, count: int = 1200) -> complex:
    """The printed double series, summed as it stands: the second formulation."""
    a, b = 0.1, 0.08
    n = np.arange(count + 1)
    eps = np.where(n == 0, 1, 2)

    def factor(u: float, v: float, size: float) -> np.ndarray:
        k = n * np.pi / size
        return eps * np.cos(k * u) * np.cos(k * v) * np.sinc(k * side / (2 * np.pi)) ** 2

    g = factor(p[0], q[0], a)[:, None] * factor(p[1], q[1], b)[None]
    zs, y = pair.series(f), pair.shunt(f)
    return complex((g * zs / ((n[:, None] * np.pi / a) ** 2 + (n[None] * np.pi / b) ** 2 + zs * y)).sum() / (a * b))


@pytest.mark.parametrize("frequency", [1e6, 30e6, 450e6, 1.1e9, 2.2e9])
def test_equals_the_double_series(frequency: float) -> None:
    """1e-3 of the self impedance, over seven octaves and at ports 1 mm and half a board apart."""
    points = np.array([[20, 20], [21.5, 20.2], [70, 66]]) * 1e-3
    side = 0.8e-3
    ex = plane_pair.expand(PAIR, 0.1, 0.08, 2.5e9, points, side / plane_pair.SQUARE)
    got = impedance(PAIR, ex, frequency, [0, 1, 2])[0]
    for one, two in [(0, 0), (0, 1), (0, 2)]:
        expected = _double_series(PAIR, frequency, points[one], points[two], side)
        assert abs(got[one, two] - expected) < 1e-3 * abs(got[one, one])


def test_loop_of_two_vias_is_the_two_wire_line() -> None:
    """Row P5: 167.99 pH between vias 10 mm apart, r 0.15, d 0.1; a board of 0.6 m, far above its capacitance."""
    pair = Pair(0.1e-3, 4.0, 0.0, np.inf)
    ex = plane_pair.expand(pair, 0.6, 0.6, 0.2e9, [[0.295, 0.3], [0.305, 0.3]], 0.15e-3)
    z = impedance(pair, ex, 1e5, [0, 1])[0]
    loop = (z[0, 0] + z[1, 1] - 2 * z[0, 1]).imag / (2 * np.pi * 1e5)
    assert_allclose(loop, 167.99e-12, rtol=1e-3)


def test_low_frequency_is_the_capacitance_with_its_own_loss(expansion: cavity.Expansion) -> None:
    """The trap of putting skin loss into k2: at 1 MHz Re Z is tan d/(omega C) = 2.04 ohm and not 31.9."""
    z = impedance(PAIR, expansion, 1e6, [0])[0, 0, 0]
    assert_allclose(z, (0.02 - 1j) / (2 * np.pi * 1e6 * 1.5583e-9) / (1 + 0.02**2), rtol=1e-3)
    assert_allclose(z.real, 2.04, rtol=5e-3)


def test_thin_planes_have_their_direct_current_resistance() -> None:
    """Exact limits of coth: 2/(sigma t) per square at low frequency, thick copper at high."""
    thin = Pair(0.1e-3, 4.0, thickness=17.5e-6)
    assert_allclose(thin.series(1.0).real, 2 / (5.8e7 * 17.5e-6), rtol=1e-6)
    assert_allclose(thin.series(10e9), Pair(0.1e-3, 4.0).series(10e9), rtol=1e-9)


def test_partial_stitching_lowers_the_first_mode() -> None:
    """Rows F4, F5 (full wave, converged): 40 x 30, h 0.2, er 4.3: 1.811, 2.406, 3.024 GHz bare; with six vias r 0.10
    over one half 1.270 and 2.727 GHz. 0.5 %: full wave has fringes and traces, the cavity has not."""
    pair = Pair(0.2e-3, 4.3, 0.0, np.inf)
    assert_allclose(plane_pair.modes(pair, 0.04, 0.03, 3.1e9).frequency, [1.811e9, 2.406e9, 3.024e9], rtol=5e-3)
    ties = np.array([(x, y) for x in (5, 15) for y in (5, 15, 25)]) * 1e-3
    ex = plane_pair.expand(pair, 0.04, 0.03, 4e9, ties, 0.1e-3)
    tied = ex.shorted(np.arange(6))
    got = pair.frequency(tied.eigenvalues[tied.resonances()])
    assert_allclose(got[:2], [1.270e9, 2.727e9], rtol=5e-3)


@pytest.mark.parametrize(("pitch", "expected"), [(10e-3, 3.323e9), (20e-3, 1.497e9)])
def test_via_grid_cuts_off(pitch: float, expected: float) -> None:
    """Row C16 (finite elements of one cell): vias at half pitch from the edges mirror into the endless grid."""
    pair = Pair(0.2e-3, 4.4)
    ties = np.array([(i + 0.5, j + 0.5) for i in range(5) for j in range(4)]) * pitch
    ex = plane_pair.expand(pair, 5 * pitch, 4 * pitch, 1.3 * expected, ties, 0.15e-3)
    tied = ex.shorted(np.arange(len(ties)))
    assert_allclose(pair.frequency(tied.eigenvalues[tied.resonances()][0]), expected, rtol=3e-3)


def test_two_ways_of_shorting_agree() -> None:
    """Vias folded into the modes against the low-rank update with a nano-ohm in each: 1e-5 of the impedance."""
    points = np.array([[12, 7], [20, 20], [33, 21], [5, 28], [36, 4]]) * 1e-3
    ex = plane_pair.expand(PAIR, 0.04, 0.03, 4e9, points, 0.15e-3)
    folded = vias([1, 2, 3])
    lumped = Loads(folded.index, folded.capacitance, folded.resistance + 1e-9, folded.inductance)
    f = np.array([0.1, 0.7, 1.3, 2.9]) * 1e9
    assert_allclose(impedance(PAIR, ex, f, [0, 4], folded), impedance(PAIR, ex, f, [0, 4], lumped), rtol=1e-5)
    mounted = Loads(folded.index, folded.capacitance, folded.resistance, folded.inductance + 0.3e-9)
    lumped = Loads(folded.index, folded.capacitance, folded.resistance + 1e-9, mounted.inductance)
    assert_allclose(impedance(PAIR, ex, f, [0, 4], mounted), impedance(PAIR, ex, f, [0, 4], lumped), rtol=1e-5)


def test_capacitor_at_low_frequency_is_in_parallel() -> None:
    """10 nF, 20 mohm, 0.5 nH a millimetre beside the port at 5 MHz, where the planes are lumped: circuit theory."""
    ex = plane_pair.expand(PAIR, 0.1, 0.08, 1e9, [[50e-3, 40e-3], [51e-3, 40e-3]], 0.15e-3)
    load = Loads(np.array([1]), np.array([10e-9]), np.array([20e-3]), np.array([0.5e-9]))
    omega = 2 * np.pi * 5e6
    plates = (0.02 - 1j) / (omega * PAIR.capacitance(0.008)) / (1 + 0.02**2)
    part = 20e-3 + 1j * (omega * 0.5e-9 - 1 / (omega * 10e-9))
    assert_allclose(impedance(PAIR, ex, 5e6, [0], load)[0, 0, 0], 1 / (1 / plates + 1 / part), rtol=5e-3)


def test_split_plane_over_a_solid_one() -> None:
    """Rows F1 to F3 (full wave): two halves 21.75 x 40 mm over a plane 1.0 mm below, each a cavity of its own.

    As plates 16.6 pF in series against 18.6 solved (fringes): the split's voltage per volt at 0.1 and 0.3 GHz within
    6 %. One via per half at 3 and 10 mm: resonance 0.852 and 0.79 GHz within 8 %, |S21| there 0.43 and 0.23 within
    0.03. Not covered: the low-frequency inductance, which two separate cavities put 60 to 75 % too high, since the
    fields of the halves reach through a gap narrower than the spacing.
    """
    a, b, d = 21.75e-3, 40e-3, 1e-3
    side = 0.6e-3  # the line's return spread over twice its height, against the edge
    bare = Pair(d, 4.3, 0.0, np.inf)

    def lossy(frequency: float) -> Pair:
        return Pair(d, 4.3, 0.0048 / (2 * np.pi * frequency * EPS0 * 4.3), np.inf)  # the solution's 0.0048 S/m

    series = bare.capacitance(a * b) / 2
    assert_allclose(series, 16.6e-12, rtol=3e-3)
    assert_allclose(series, returns.split_capacitance(a * b, a * b, d, 4.3))
    ex = plane_pair.expand(bare, a, b, 2e9, [[side / 2, b / 2]], side / plane_pair.SQUARE)
    for frequency, voltage in [(0.1e9, 1.17), (0.3e9, 0.49)]:
        z = 2 * impedance(lossy(frequency), ex, frequency, [0])[0, 0, 0]
        assert_allclose(abs(2 * z / (z + 100)), voltage, rtol=0.065)
    for beside, resonance, through in [(3e-3, 0.852e9, 0.43), (10e-3, 0.79e9, 0.23)]:
        points = [[side / 2, b / 2], [0.75e-3, b / 2 + beside]]
        ex = plane_pair.expand(bare, a, b, 2e9, points, [side / plane_pair.SQUARE, 0.23e-3])
        tied = ex.shorted([1])
        first = float(bare.frequency(tied.eigenvalues[tied.resonances()][0]))
        assert_allclose(first, resonance, rtol=0.08)
        peak = 2 * impedance(lossy(first), ex, first, [0], vias([1]))[0, 0, 0]
        assert_allclose(abs(100 / (100 + peak)), through, atol=0.03)


def test_trade_expectations() -> None:
    """Common practice, no source: thinner spacing means more capacitance and lower impedance; stitching a pair all
    over (not one half) raises its first mode."""
    near, far = Pair(0.1e-3, 4.3, 0.02), Pair(0.4e-3, 4.3, 0.02)
    assert near.capacitance(1e-3) > far.capacitance(1e-3)
    f = np.geomspace(1e6, 2e9, 60)
    ex = plane_pair.expand(near, 0.04, 0.03, 2e9, [[12e-3, 7e-3]], 0.15e-3)
    smaller, larger = np.abs(impedance(near, ex, f, [0])), np.abs(impedance(far, ex, f, [0]))
    assert np.max(smaller) < np.max(larger)
    assert np.mean(np.log(smaller)) < np.mean(np.log(larger))
    ties = np.array([(x, y) for x in (5, 15, 25, 35) for y in (5, 15, 25)]) * 1e-3
    tied = plane_pair.expand(near, 0.04, 0.03, 4e9, ties, 0.1e-3).shorted(np.arange(12))
    assert near.frequency(tied.eigenvalues[tied.resonances()][0]) > 1.5 * near.frequency((np.pi / 0.04) ** 2)


def test_target_impedance() -> None:
    """Rows P1, P2: 1.0 V, 5 %, 5 A: 10.0 mohm; 3.3 V, 5 %, 1 A: 165 mohm."""
    assert_allclose(cavity.target_impedance([1.0, 3.3], 0.05, [5, 1]), [10e-3, 165e-3])


def test_reciprocity_and_passivity(expansion: cavity.Expansion) -> None:
    z = impedance(PAIR, expansion, np.geomspace(1e6, 1.2e9, 50), [0, 1, 2])
    assert_allclose(z, np.swapaxes(z, 1, 2), rtol=1e-10, atol=1e-12)
    assert np.all(np.linalg.eigvalsh(z.real) > 0)


def test_short_wave_speed() -> None:
    """The pair's own figures are consistent: Zs Y = -(omega/c)^2 er for a lossless pair."""
    ideal = Pair(0.3e-3, 4.0, 0.0, np.inf)
    assert_allclose(ideal.series(1e9) * ideal.shunt(1e9), -((2 * np.pi * 1e9 / C0) ** 2) * 4.0, rtol=1e-9)
    assert_allclose(ideal.series(1e9).imag, 2 * np.pi * 1e9 * MU0 * 0.3e-3)


@pytest.mark.parametrize(
    ("call", "error", "text"),
    [
        (lambda: Pair(0.0, 4.0), OutOfRange, "plane spacing is 0"),
        (lambda: Pair(1e-4, 0.9), OutOfRange, "er is 0.9"),
        (lambda: Pair(1e-4, 4, thickness=-1), OutOfRange, "plane thickness is -1"),
        (lambda: plane_pair.expand(PAIR, 0.1, 0.08, 1e9, [[0, 0]], 1e-4), OutOfRange, "over the edge"),
        (lambda: vias([1, 1]), CallError, "two loads at one point"),
        (
            lambda: Loads(np.array([0]), np.array([1e-9]), np.array([]), np.array([0.0])),
            CallError,
            "differ in length",
        ),
        (
            lambda: impedance(PAIR, plane_pair.expand(PAIR, 0.1, 0.08, 1e9, [[0.05, 0.04]], 1e-4), 1e9, [0], vias([0])),
            CallError,
            "a port stands where a load is",
        ),
    ],
)
def test_refusals(call, error, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(error, match=text):
        call()
