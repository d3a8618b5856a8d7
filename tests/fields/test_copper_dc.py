"""Direct current: printed figures, four-point measurements that are exact, the plane pair's own low-frequency limit."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields import copper_dc, plane_pair
from quietcopper.fields.cavity import Pair, impedance
from quietcopper.units import MU0

MM, MIL = 1e-3, 25.4e-6


def test_sheet_resistance() -> None:
    """Row P8 (exact): 34.8 um at 1.724e-8 ohm m, 35 and 17.5 um at 5.8e7 S/m, in milliohm."""
    assert_allclose(copper_dc.sheet_resistance(34.8e-6, 1 / 1.724e-8), 0.4954e-3, rtol=1e-4)
    assert_allclose(copper_dc.sheet_resistance([35e-6, 17.5e-6]), [0.4926e-3, 0.9852e-3], rtol=1e-4)


def test_trace_resistance() -> None:
    """Row P9: 100 x 5 mm, 1 oz, 2 A: 9.908 mohm, 19.82 mV; 60 K warmer 12.24 mohm."""
    r = copper_dc.trace_resistance(0.1, 5 * MM, 34.8e-6, 1 / 1.724e-8)
    assert_allclose(r, 9.908e-3, rtol=1e-4)
    assert_allclose(2 * r, 19.82e-3, rtol=1e-3)
    assert_allclose(copper_dc.trace_resistance(0.1, 5 * MM, 34.8e-6, 1 / 1.724e-8, 60), 12.24e-3, rtol=5e-4)


def test_current_capacity() -> None:
    """Rows P11, P12 (IPC-2221): 10 mil 1 oz 10 K; 50 mil 1 oz 20 K outer; 100 mil 2 oz 20 K inner. 1 oz is 35 um."""
    assert_allclose(copper_dc.current_capacity(10 * MIL, 35e-6, 10, inner=False), 0.8855, rtol=3e-4)
    assert_allclose(copper_dc.current_capacity(10 * MIL, 35e-6, 10, inner=True), 0.4428, rtol=3e-4)
    assert_allclose(copper_dc.current_capacity(50 * MIL, 35e-6, 20, inner=False), 3.858, rtol=1e-3)
    assert_allclose(copper_dc.current_capacity(100 * MIL, 70e-6, 20, inner=True), 5.271, rtol=1e-3)
    assert_allclose(copper_dc.width_for_current(3.858, 35e-6, 20, inner=False), 50 * MIL, rtol=1e-3)


def test_four_points_on_a_strip() -> None:
    """Exact: between two sensing points in the even part of a strip lie distance/width squares; 0.1 %."""
    strip = shapely.box(0, 0, 60 * MM, 8 * MM)
    points = np.array([[2, 4], [20, 2.1], [41.3, 5.7], [58, 4]]) * MM
    sheet = copper_dc.conduct(strip, points, 0.3 * MM)
    drop = sheet.drop([-1.0, 0, 0, 1.0])
    assert_allclose(drop[2] - drop[1], (41.3 - 20) / 8, rtol=1e-3)
    density = sheet.density([-1.0, 0, 0, 1.0])
    middle = density[density.shape[0] // 2]
    assert_allclose(middle, 1 / (8 * MM), rtol=5e-3)


def test_van_der_pauw_on_any_shape() -> None:
    """exp(-pi R1) + exp(-pi R2) = 1 in sheet resistances for four contacts on the rim of a sheet of any shape without
    holes (van der Pauw, Philips Research Reports 13, 1958, 1-9): 1 %, contacts a little inside the rim."""
    outline = shapely.Polygon([(0, 0), (30, 2), (34, 14), (21, 16), (20, 25), (4, 20)])
    shape = shapely.transform(outline, lambda c: c * MM)
    rim = outline.buffer(-0.12).exterior
    points = np.array([rim.interpolate(t, normalized=True).coords[0] for t in (0.05, 0.32, 0.55, 0.8)]) * MM
    sheet = copper_dc.conduct(shape, points, 0.05 * MM, cell=0.15 * MM)
    one = sheet.drop([1.0, -1.0, 0, 0])
    two = sheet.drop([0, 1.0, -1.0, 0])
    total = np.exp(-np.pi * abs(one[3] - one[2])) + np.exp(-np.pi * abs(two[0] - two[3]))
    assert_allclose(total, 1, rtol=0.01)


def test_two_contacts_are_the_loop_of_two_vias() -> None:
    """The same potential problem: squares = loop inductance over mu0 d of a plane pair, by the rectangle's series."""
    points = np.array([[30, 20], [37, 22]]) * MM
    pair = Pair(0.1 * MM, 4.0, 0.0, np.inf)
    z = impedance(pair, plane_pair.expand(pair, 60 * MM, 50 * MM, 0.1e9, points, 0.3 * MM), 1e5, [0, 1])[0]
    squares = (z[0, 0] + z[1, 1] - 2 * z[0, 1]).imag / (2 * np.pi * 1e5 * MU0 * 0.1 * MM)
    sheet = copper_dc.conduct(shapely.box(0, 0, 60 * MM, 50 * MM), points, 0.3 * MM)
    assert_allclose(sheet.squares[1, 1], squares, rtol=2e-3)
    assert_allclose(sheet.squares[0], 0, atol=1e-12)


def test_hole_in_the_way_costs() -> None:
    """A slot across half the strip: more than without, less than with the narrow part all along."""
    strip = shapely.box(0, 0, 40 * MM, 8 * MM)
    points = np.array([[2, 4], [38, 4]]) * MM
    plain = copper_dc.conduct(strip, points, 0.5 * MM).squares[1, 1]
    cut = copper_dc.conduct(strip.difference(shapely.box(18 * MM, -1, 22 * MM, 4 * MM)), points, 0.5 * MM).squares[1, 1]
    assert plain + 4 / 8 < cut < plain + 4 / 4 + 2
    assert_allclose(copper_dc.conduct(strip, points[::-1], 0.5 * MM).squares[1, 1], plain, rtol=1e-6)


@pytest.mark.parametrize(
    ("call", "error", "text"),
    [
        (lambda: copper_dc.conduct(shapely.box(0, 0, 1, 1), [[0.5, 0.5]], 0.01), CallError, "two points"),
        (lambda: copper_dc.current_capacity(1e-3, 35e-6, 0.1, inner=True), OutOfRange, "temperature rise is 0.1"),
        (lambda: copper_dc.current_capacity(1.0, 35e-6, 10, inner=True), OutOfRange, "section in square mil"),
        (lambda: copper_dc.sheet_resistance(35e-6, warmer=300), OutOfRange, "temperature above 20"),
        (lambda: copper_dc.trace_resistance(1.0, 0.0, 35e-6), OutOfRange, "width is 0"),
    ],
)
def test_refusals(call, error, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(error, match=text):
        call()
