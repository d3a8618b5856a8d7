"""Slots: an independent primal solution, rows of earlier solutions and of full wave, bounds and symmetries."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from scipy.sparse.linalg import LinearOperator, cg

from quietcopper.errors import OutOfRange
from quietcopper.fields import return_sheet, returns, slots
from quietcopper.units import MU0

MM = 1e-3


def _stream_function(length: float, width: float, height: float, trace: float, across: int, below: float) -> float:
    """The second formulation: current on the metal instead of flux in the slot.

    Extra sheet current K = z x grad psi on the plane; its flux is mu0 |k| psi/2 (or with a plane below mu0 |k| psi/(1 +
    coth |k| d)) in Fourier space, zero on the metal; psi cancels the undisturbed current in the slot. Periodic box of
    four slot lengths, grid cells `across` the slot; the edge's position errs by part of a cell, hence extrapolated.
    """
    dx = width / across
    n = int(2 * round(2 * length / dx))
    x = (np.arange(n) - n / 2 + 0.5) * dx
    k = np.hypot(*np.meshgrid(2 * np.pi * np.fft.fftfreq(n, dx), 2 * np.pi * np.fft.rfftfreq(n, dx), indexing="ij"))
    k[0, 0] = 1e-9 / dx
    kernel = MU0 * k / 2 if np.isinf(below) else MU0 * k / (1 + 1 / np.tanh(k * below))
    hole = (np.abs(x)[:, None] < width / 2) & (np.abs(x)[None] < length / 2)

    def flux(psi: np.ndarray) -> np.ndarray:
        return np.fft.irfft2(kernel * np.fft.rfft2(psi), s=(n, n))

    def spread(values: np.ndarray) -> np.ndarray:
        psi = np.zeros((n, n))
        psi[~hole] = values
        return psi

    size = int((~hole).sum())
    operator = LinearOperator((size, size), matvec=lambda v: flux(spread(v))[~hole])
    smoother = 1 / (k + 1 / (4 * length))
    precondition = LinearOperator(
        (size, size), matvec=lambda v: np.fft.irfft2(smoother * np.fft.rfft2(spread(v)), s=(n, n))[~hole]
    )

    def extended(inside: np.ndarray) -> np.ndarray:
        psi = np.where(hole, inside, 0.0)
        rest, failed = cg(operator, -flux(psi)[~hole], rtol=1e-6, M=precondition, maxiter=100)
        assert failed == 0
        return psi + spread(rest)

    forced = extended(-np.broadcast_to(returns.strip_potential(x, trace, height), (n, n)))
    free = extended(np.ones((n, n)))
    psi = forced - np.sum(forced * flux(free)) / np.sum(free * flux(free)) * free
    return float(np.sum(psi * flux(psi)) * dx * dx)


@pytest.mark.parametrize(
    ("length", "width", "height", "trace", "below"),
    [
        (5, 1, 0.5, 0.5, np.inf),
        (10, 1, 1, 2, np.inf),
        (3, 1, 0.2, 0.35, np.inf),
        (10, 1, 0.5, 0.5, 0.4),
        (5, 1, 0.2, 0.3, 1.0),
    ],
)
def test_equals_the_stream_function(length: float, width: float, height: float, trace: float, below: float) -> None:
    """2 %: the box repeats after four slot lengths and the extrapolation from 6 and 12 cells leaves about 1 %."""
    sizes = np.array([length, width, height, trace]) * MM
    coarse, fine = (_stream_function(*sizes, across, below * MM) for across in (6, 12))
    assert_allclose(slots.solve_slot(*sizes, below=below * MM), 2 * fine - coarse, rtol=0.02)


H, W, S, D = 0.2, 0.35, 0.25, 10
ROWS = [
    *((d, S, H, W, 0, v) for d, v in [(1, 0.097), (2, 0.234), (5, 0.606), (10, 1.153), (25, 2.58), (50, 4.68)]),
    *((D, s, H, W, 0, v) for s, v in [(0.1, 0.91), (1.0, 1.88)]),
    *((D, S, H, W, o, v) for o, v in [(2, 0.99), (4, 0.47), (4.5, 0.26), (4.8, 0.12)]),
    *((D, S, h, W, 0, v) for h, v in [(0.05, 1.35), (0.1, 1.27), (0.5, 0.92), (1.5, 0.53)]),
    (10, 0.5, 0.5, 0.5, 0, 1.144),
    (5, 1, 0.5, 0.5, 0, 0.751),
]


@pytest.mark.parametrize(("length", "width", "height", "trace", "offset", "expected"), ROWS)
def test_earlier_solutions(
    length: float, width: float, height: float, trace: float, offset: float, expected: float
) -> None:
    """Table of an earlier solution of the same aperture problem, nH, itself good to 0.3 to 0.9 %: hence 2 %."""
    got = slots.solve_slot(length * MM, width * MM, height * MM, trace * MM, offset * MM)
    assert_allclose(got * 1e9, expected, rtol=0.02)
    if length >= 4 * width:
        quick = returns.slot_inductance(length * MM, width * MM, height * MM, trace * MM, offset * MM)
        assert_allclose(quick, got, rtol=0.25 if offset else 0.07)


@pytest.mark.parametrize(("width", "height"), [(1, 0.2), (1, 0.1), (0.5, 0.2), (3, 0.2), (1, 1)])
def test_quick_estimate_of_a_short_slot(width: float, height: float) -> None:
    """The claim of `returns.slot_inductance` at its limit of three slot widths, and at eight."""
    for times, rtol in ((3, 0.135), (8, 0.10)):  # measured: 8.9 % low for a slot 15 heights wide
        figures = (times * width * MM, width * MM, height * MM, 1.5 * height * MM)
        assert_allclose(returns.slot_inductance(*figures), slots.solve_slot(*figures), rtol=rtol)


@pytest.mark.parametrize(
    ("length", "below", "expected"),
    [(10, 1.0, 0.93), (10, 0.4, 0.63), (10, 0.2, 0.40), (25, 1.0, 1.58), (25, 0.4, 0.93), (25, 0.2, 0.55)],
)
def test_solid_plane_below(length: float, below: float, expected: float) -> None:
    """The same table with a second plane, two printed digits; confirmed above by the stream function."""
    got = slots.solve_slot(length * MM, S * MM, H * MM, W * MM, below=below * MM)
    assert_allclose(got * 1e9, expected, rtol=0.02)


R9 = [(10, 1, 1, 2, 0.76), (20, 1, 1, 2, 1.80), (40, 1, 1, 2, 3.80)]
R10 = [(20, 0.5, 0.5, 1, 1.85), (20, 1, 0.5, 1, 2.42), (10, 0.5, 0.5, 1, 1.29)]


@pytest.mark.parametrize(("length", "width", "height", "trace", "expected"), [*R9, *R10])
def test_full_wave_rows(length: float, width: float, height: float, trace: float, expected: float) -> None:
    """Rows R9, R10 (openEMS at 0.2 GHz, one mesh each, from transmission): between 13 % below and 40 % above them.

    Those rows have no mesh study; the static solution is held to 2 % by the stream function above, one of whose cases
    is the first of these.
    """
    ratio = slots.solve_slot(length * MM, width * MM, height * MM, trace * MM) * 1e9 / expected
    assert 0.87 < ratio < 1.41


def test_stays_below_babinet_and_the_printed_rule() -> None:
    """Rows R11, R12: the thin-dipole bound holds for h much below the slot; the printed rule is 2 to 10 times high."""
    for length in (10 * MM, 25 * MM, 50 * MM):
        solved = slots.solve_slot(length, S * MM, H * MM, W * MM)
        assert solved < returns.babinet_slot(length, S * MM)
        assert 2 < returns.printed_slot_rule(length, W * MM) / solved < 11
    # A trace lying on the slotted plane is the thin dipole's own drive: its formula stops at the first logarithm.
    assert_allclose(
        slots.solve_slot(50 * MM, 0.1 * MM, 0.05 * MM, 0.1 * MM), returns.babinet_slot(0.05, 1e-4), rtol=0.07
    )


def test_traces_share_the_slot() -> None:
    """Coupling through the slot: symmetric, positive definite, and hardly falling with distance along the slot."""
    matrix = slots.slot_matrix(20 * MM, 0.5 * MM, [0.2 * MM] * 3, [0.3 * MM] * 3, [-4 * MM, 0.0, 5 * MM])
    assert_allclose(matrix, matrix.T)
    assert np.all(np.linalg.eigvalsh(matrix) > 0)
    assert_allclose(matrix[1, 1], slots.solve_slot(20 * MM, 0.5 * MM, 0.2 * MM, 0.3 * MM), rtol=5e-3)
    assert matrix[0, 1] > 0.4 * matrix[0, 0]  # 4 mm apart, 20 heights: a spacing rule would call this nothing
    reverse = slots.slot_matrix(20 * MM, 0.5 * MM, [0.2 * MM] * 3, [0.3 * MM] * 3, [4 * MM, 0.0, -5 * MM])
    assert_allclose(reverse, matrix, rtol=1e-9)


def test_opening_of_any_shape() -> None:
    """A rectangle as an opening is the slot (0.1 %: four cells across it instead of six); a circle lies between the
    squares within and around it."""
    box = shapely.box(-0.5 * MM, -5 * MM, 0.5 * MM, 5 * MM)
    got = slots.solve_opening(box, [H * MM], [W * MM], [1 * MM]).inductance[0, 0]
    assert_allclose(got, slots.solve_slot(10 * MM, 1 * MM, H * MM, W * MM, 1 * MM), rtol=1e-3)
    disc = slots.solve_opening(shapely.Point(0, 0).buffer(1 * MM), [H * MM], [W * MM], [0.0]).inductance[0, 0]
    inner = slots.solve_slot(np.sqrt(2) * MM, np.sqrt(2) * MM, H * MM, W * MM)
    assert inner < disc < slots.solve_slot(2 * MM, 2 * MM, H * MM, W * MM)
    moved = shapely.affinity.translate(box, 3 * MM, 2 * MM)
    assert_allclose(slots.solve_opening(moved, [H * MM], [W * MM], [3 * MM]).inductance[0, 0], got, rtol=1e-9)


def test_cells_are_fine_enough() -> None:
    """Convergence: doubling the cells across changes less than 0.2 % (slot) and 1 % (square)."""
    cases = [(10, 0.25), (5, 1), (1, 1)]
    default = [slots.solve_slot(d * MM, s * MM, H * MM, W * MM) for d, s in cases]
    across, slots.ACROSS = slots.ACROSS, 12
    try:
        finer = [slots.solve_slot(d * MM, s * MM, H * MM, W * MM) for d, s in cases]
    finally:
        slots.ACROSS = across
    assert_allclose(default, finer, rtol=2e-3)


def test_stripline_over_a_slot() -> None:
    """A far plane above changes nothing; a near one takes return current from the slotted plane, squared."""
    bare = slots.solve_slot(D * MM, S * MM, H * MM, W * MM)
    assert_allclose(slots.solve_slot(D * MM, S * MM, H * MM, W * MM, above=200 * MM), bare, rtol=5e-3)
    half = slots.solve_slot(D * MM, S * MM, H * MM, W * MM, above=2 * H * MM)
    assert half < 0.25 * bare


def test_trace_beside_the_slot_sees_little() -> None:
    inside, outside = (slots.solve_slot(D * MM, S * MM, H * MM, W * MM, o * MM) for o in (4.5, 6))
    assert 0 < outside < 0.05 * inside


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: slots.solve_slot(0.0, 1 * MM, 1 * MM, 1 * MM), "slot length is 0"),
        (lambda: slots.solve_slot(1 * MM, 1 * MM, 1 * MM, 0.0), "width is 0"),
        (lambda: slots.solve_slot(1 * MM, 1 * MM, 1 * MM, 1 * MM, above=0.5 * MM), "not above the trace"),
        (lambda: slots.solve_opening(shapely.Polygon(), [1 * MM], [1 * MM], [0.0]), "without area"),
    ],
)
def test_outside_the_range_is_refused(call, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange, match=text):
        call()


@pytest.mark.parametrize(
    ("depth", "gap", "edge", "height", "width"), [(5, 0.5, 10, 0.5, 0.5), (3, 0.25, 4, 0.2, 0.2), (2, 0.5, 1, 0.2, 0.2)]
)
def test_notch_by_a_second_formulation(depth: float, gap: float, edge: float, height: float, width: float) -> None:
    """A notch from the plane's edge to `depth` beyond the trace, against the current on the sheet (two grids,
    extrapolated). 7 %: the sheet ends 12 mm off on all sides, which adds some 4 % to the longest."""
    far, cut = 8 * depth, shapely.box(-gap / 2, -depth, gap / 2, edge + 1)
    plane, window = shapely.box(-far, -far, far, edge), shapely.box(-far, -far, far, far)
    around, closed = (
        shapely.transform(shape, lambda p: p * MM)
        for shape in (window.difference(plane.difference(cut)), window.difference(plane))
    )
    found = slots.solve_notch(around, closed, gap * MM, height * MM, width * MM)
    plane = shapely.box(-12, -10, 12, edge)
    trace = return_sheet.Trace(np.array([[-10, 0], [10, 0]]) * MM, height * MM, width * MM)
    each = []
    for cell in (gap / 2, gap / 4):
        one, other = (
            return_sheet.solve(
                return_sheet.cells(shapely.transform(shape, lambda p: p * MM), cell * MM), trace, *trace.way[[1, 0]]
            ).inductance
            for shape in (plane.difference(cut), plane)
        )
        each.append(one - other)
    assert_allclose(found.inductance[0, 0], 2 * each[1] - each[0], rtol=0.07)
    slot = slots.solve_slot(2 * depth * MM, gap * MM, height * MM, width * MM)
    assert slot < found.inductance[0, 0] < 3 * slot


def test_a_long_slot_dissipates_as_the_slender_formula_has_it() -> None:
    """Wheeler's rule on `returns.slot_inductance`, whose slope with gap and height is taken by differences (15 %: that
    formula is itself within 10 %)."""
    figures = np.array([30, 0.5, 0.2, 0.3]) * MM

    def slope(which: int, step: float) -> float:
        more, less = figures.copy(), figures.copy()
        more[which] += step
        less[which] -= step
        return float(returns.slot_inductance(*more) - returns.slot_inductance(*less)) / (2 * step)

    rim = 2 * slope(1, 1e-6) + 2 * slope(0, 1e-5)
    expected = (slope(2, 1e-6) + rim * (1 + np.log(4 * np.pi * 0.5e-3 / 35e-6) / np.pi)) / MU0
    box = shapely.box(-0.25 * MM, -15 * MM, 0.25 * MM, 15 * MM)
    found = slots.solve_opening(box, [0.2 * MM], [0.3 * MM], [0.0], thickness=35e-6)
    assert_allclose(found.squares, expected, rtol=0.15)
    thicker = slots.solve_opening(box, [0.2 * MM], [0.3 * MM], [0.0], thickness=70e-6)
    assert thicker.squares[0] < found.squares[0]


def test_the_loss_at_the_rim_is_that_beyond_the_stopping_distance() -> None:
    """A rim's field H = k/sqrt(d) dissipates 2 k^2 ln(w/D) a length beyond a distance D on both faces, by Wheeler
    2 k^2 (pi + ln(4 pi w/t)): equal for D = t/290, the stopping distance of a square edge (Holloway and Kuester, IEEE
    Trans. MTT 43(12), 1995, from memory). 1 %."""
    assert_allclose(np.exp(np.pi) * 4 * np.pi, 290, rtol=0.01)
