"""Return current on a sheet of any shape: exact shares and inductances, slots by another formulation."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields import return_sheet, returns, slots
from quietcopper.fields.copper_dc import conduct
from quietcopper.units import COPPER_CONDUCTIVITY

MM = 1e-3


def _flow(shape, cell, height=0.5, width=0.5, reach=15.0, frequency=np.inf, sheet=0j, y=0.0, **more):  # type: ignore[no-untyped-def]
    """A straight trace along x from -reach to reach; sizes in mm."""
    trace = return_sheet.Trace(np.array([[-reach, y], [reach, y]]) * MM, height * MM, width * MM)
    grid = return_sheet.cells(shapely.transform(shape, lambda p: p * MM), cell * MM)
    ends = np.array([[reach, y], [-reach, y]]) * MM
    return return_sheet.solve(grid, trace, *ends, frequency, sheet, **more)


@pytest.mark.parametrize("mirror", [np.inf, 2.0])
def test_share_under_a_line(mirror: float) -> None:
    """Rows R1 and R3 (exact, thin line): shares within +-1, 2, 3, 5 heights, between two planes +-.25, .5, 1 b.

    2 %: the density is spread over cells of half a height and less. The plane ends after 20 heights, and what would
    flow beyond is taken as spread evenly.
    """
    share = 1.0 if np.isinf(mirror) else 0.5
    plane, cell = (shapely.box(-40, -20, 40, 20), 0.5) if np.isinf(mirror) else (shapely.box(-15, -8, 15, 8), 0.2)
    flow = _flow(plane, cell, 1.0, 0.01, plane.bounds[2] - 2, mirror=mirror * MM, share=share)
    x = np.flatnonzero(np.abs(flow.cells.x) < 4 * MM)
    profile = np.real(flow.flow()[0])[x].mean(axis=0) * flow.cells.size * -1
    assert_allclose(profile.sum(), share, rtol=1e-9)
    below = np.cumsum(profile)
    borders = flow.cells.y + flow.cells.size / 2

    def within(half: float) -> float:
        return float(np.interp(half * MM, borders, below) - np.interp(-half * MM, borders, below))

    if np.isinf(mirror):
        got = (
            np.array([within(h) for h in (1, 2, 3, 5)])
            - (1 - returns.microstrip_share(20, 1)) * np.array([1, 2, 3, 5]) / 20
        )
        assert_allclose(got, [0.5, 0.70483, 0.79517, 0.87433], rtol=0.02)
    else:
        assert_allclose([2 * within(h) for h in (0.5, 1, 2)], [0.455332, 0.739036, 0.945013], rtol=0.02)


def test_voltage_along_a_finite_plane() -> None:
    """Row R8 and its neighbours (exact, conformal map): net inductance of a plane 50 mm wide under a line at 1.6 mm,
    in its middle and 5 mm from its edge. 3 %: the line is 200 mm, not endless, hence the mean over the
    width; cells of 1 mm blur the edge."""
    for y in (0.0, 20.0):
        flow = _flow(shapely.box(-100, -25, 100, 25), 1.0, 1.6, 0.01, 99, y=y)
        x = np.abs(flow.cells.x[:-1] + flow.cells.size / 2) < 30 * MM
        y_in = np.abs(flow.cells.y) < 25 * MM
        found = -flow.drop_across[x][:, y_in].mean() / flow.cells.size  # the return flows towards -x
        assert_allclose(found, returns.plane_inductance(50 * MM, y * MM, 1.6 * MM), rtol=0.03)


@pytest.mark.parametrize("inside", [1.0, 0.5, -0.5])
def test_a_line_along_the_edge(inside: float) -> None:
    """Excess loop inductance of a line 0.5 mm over a plane of 8 mm, `inside` its edge, against one over its middle:
    5.7, 17.2 and 205 nH/m (exact). 3 %: extrapolated from cells of 0.25 and 0.125 mm; two lengths subtracted, so that
    what stands at the ends drops out."""
    found = []
    for cell in (0.25, 0.125):
        each = []
        for reach in (12.0, 24.0):
            edge, middle = shapely.box(-28, inside - 8, 28, inside), shapely.box(-28, -4, 28, 4)
            one, other = (_flow(s, cell, 0.5, 0.01, reach).inductance for s in (edge, middle))
            each.append(one - other)
        found.append((each[1] - each[0]) / (24 * MM))
    edge, middle = (returns.edge_inductance(8 * MM, x * MM, 0.5 * MM) for x in (4 - inside, 0.0))
    expected = edge - middle
    assert_allclose(2 * found[1] - found[0], expected, rtol=0.03)


CLOSED = [
    (10, 0.5, 0.5, 0.5, 0.0, np.inf),
    (5, 1, 0.5, 0.5, 1.0, np.inf),
    (5, 0.5, 0.5, 0.5, 1.0, -0.4),
    (6, 1, 0.5, 0.8, 0.0, 1.5),
]


@pytest.mark.parametrize(("length", "gap", "height", "width", "offset", "mirror"), CLOSED)
def test_slot_by_a_second_formulation(
    length: float, gap: float, height: float, width: float, offset: float, mirror: float
) -> None:
    """Excess inductance against the aperture solution, in an unbroken plane, with a plane behind and with one above.

    3 %: extrapolated from 2 and 4 cells across the slot, whose edges err by part of a cell; plane 40 x 40 mm.
    """
    plane, slot = shapely.box(-16, -16, 16, 16), shapely.box(-gap / 2, -length / 2, gap / 2, length / 2)
    slot = shapely.affinity.translate(slot, 0, -offset)
    found = []
    for cell in (gap / 2, gap / 4):
        more = {"mirror": mirror * MM, "share": 1.0 if mirror < 0 or np.isinf(mirror) else 1 - height / mirror}
        both = [_flow(s, cell, height, width, 12, **more).inductance for s in (plane, plane.difference(slot))]
        found.append(both[1] - both[0])
    below, above = (-mirror * MM, np.inf) if mirror < 0 else (np.inf, mirror * MM)
    expected = slots.solve_slot(length * MM, gap * MM, height * MM, width * MM, offset * MM, below=below, above=above)
    assert_allclose(2 * found[1] - found[0], expected, rtol=0.03)


def test_passage_from_a_slot_to_one_open_at_the_edge() -> None:
    """A slot whose end comes ever nearer to the plane's edge: the excess inductance rises to that of the
    open slot (1.23, 1.53, 1.61, 1.65, 1.68 nH with a web of 5 to 0.25 mm, 2.60 nH
    without). No static figure exists for a complete split: refused."""
    plane = shapely.box(-12, -10, 12, 10)
    whole = _flow(plane, 0.25, reach=10).inductance
    found = []
    for end in (5.0, 8.0, 9.0, 9.5, 9.75, 11.0):
        cut = plane.difference(shapely.box(-0.25, -5, 0.25, end))
        found.append(_flow(cut, 0.25, reach=10).inductance - whole)
    assert np.all(np.diff(found) > 0)
    assert found[5] < 1.6 * found[4] < 2.2 * found[0]
    with pytest.raises(OutOfRange, match="two pieces"):
        _flow(plane.difference(shapely.box(-0.25, -11, 0.25, 11)), 0.25, reach=10)


def test_direct_current_is_that_of_the_sheet() -> None:
    """At no frequency the trace's place does not count: resistance against the conduction solver's on the same cells
    (its contacts are round with radius 0.1985 cells, what one cell stands for), 1 %."""
    shape = shapely.box(-20, -10, 20, 10).difference(shapely.box(-0.5, -8, 0.5, 10))
    square = return_sheet.surface_impedance(0.0, 35e-6)
    assert_allclose(square.real, 1 / (COPPER_CONDUCTIVITY * 35e-6))
    flow = _flow(shape, 0.5, reach=14.75, frequency=0.0, sheet=square, y=0.25)
    metal = shapely.transform(shape, lambda p: p * MM)
    points = np.array([[14.75, 0.25], [-14.75, 0.25]]) * MM
    expected = conduct(metal, points, 0.1985 * 0.5 * MM, cell=0.5 * MM)
    assert_allclose(flow.resistance, expected.squares[1, 1] * square.real, rtol=0.01)


def test_from_spreading_to_the_trace() -> None:
    """The current gathers under the trace where omega mu0 h passes the resistance per square (200 kHz here): a quarter
    within three heights at 1 kHz, the 80 % of row R1 at last. That it does is common practice, no source."""
    plane = shapely.box(-15, -10, 15, 10)
    band = shapely.box(-15 * MM, -1.5 * MM, 15 * MM, 1.5 * MM)
    shares, resistances = [], []
    for f in (1e3, 1e5, 1e6, 1e7, 1e9):
        flow = _flow(plane, 0.25, reach=13, frequency=f, sheet=return_sheet.surface_impedance(f, 35e-6))
        shares.append(flow.share_within(band))
        resistances.append(flow.resistance)
    assert np.all(np.diff(shares) > -1e-3)
    assert shares[0] < 0.3
    assert_allclose(shares[-1], 0.795, rtol=0.02)
    assert np.all(np.diff(resistances) > 0)
    still = _flow(plane, 0.25, reach=13, frequency=1e9, sheet=return_sheet.surface_impedance(1e9, 35e-6))
    assert_allclose(still.inductance, _flow(plane, 0.25, reach=13).inductance, rtol=0.02)


def test_skin_effect_limits() -> None:
    """1/(sigma t) at low frequency, (1+j)/(sigma delta) at high, exact."""
    thin, thick = (return_sheet.surface_impedance(f, 35e-6) for f in (1e3, 1e9))
    delta = 1 / np.sqrt(np.pi * 1e9 * 4e-7 * np.pi * COPPER_CONDUCTIVITY)
    assert_allclose(thin.real, 1 / (COPPER_CONDUCTIVITY * 35e-6), rtol=1e-3)
    assert_allclose(thick, (1 + 1j) / (COPPER_CONDUCTIVITY * delta), rtol=1e-6)


def test_a_slot_narrower_than_a_cell_parts_the_sheet() -> None:
    shape = shapely.box(-5, -5, 5, 5).difference(shapely.box(0.1, -6, 0.15, 6))
    grid = return_sheet.cells(shapely.transform(shape, lambda p: p * MM), 0.5 * MM)
    assert len(np.unique(grid.piece[grid.piece >= 0])) == 2


@pytest.mark.parametrize(
    ("call", "error", "text"),
    [
        (lambda: return_sheet.cells(shapely.Polygon(), 1e-3), CallError, "no area"),
        (lambda: return_sheet.cells(shapely.box(0, 0, 1, 1), 1e-4), OutOfRange, "out of reach"),
        (lambda: _flow(shapely.box(-9, -9, 9, 9), 1.0, reach=5, mirror=0.2 * MM), OutOfRange, "between the sheet"),
        (lambda: _flow(shapely.box(-9, -9, 9, 9), 1.0, reach=5, frequency=1e6), OutOfRange, "resistance per square"),
    ],
)
def test_what_cannot_be_solved_is_said(call, error, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(error, match=text):
        call()
