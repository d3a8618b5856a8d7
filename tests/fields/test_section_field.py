"""Field pictures: potentials on the copper, Gauss's law around it, continuity across dielectrics, places outside."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_field import FieldPicture
from quietcopper.fields.section_solver import solve
from quietcopper.units import EPS0, MM

PAIR = CrossSection(
    tuple(Strip(x * MM, 0.2 * MM, 0.2 * MM, 0.035 * MM, 0.25) for x in (-0.2, 0.2)),
    (Strip(0.9 * MM, 0.2 * MM, 0.6 * MM, 0.035 * MM),),
    (Sheet(0.2 * MM, 4.3),),
    coat_above=Coat(25e-6, 15e-6, 3.5),
)
BURIED = CrossSection(
    (Strip(0.0, 0.1 * MM, 0.2 * MM, 0.02 * MM, 0.25),), (), (Sheet(0.1 * MM, 4.0), Sheet(0.2 * MM, 3.5)), True, True
)
NO_PLANE = replace(PAIR, plane_below=False, coat_above=None)


def around(strip: Strip, distance: float) -> tuple[np.ndarray, np.ndarray]:
    """Gauss points on a rectangle about a strip, with their outward normal times weight, m."""
    x0, x1 = strip.x - strip.width / 2 - distance, strip.x + strip.width / 2 + distance
    y0, y1 = strip.y - distance, strip.y + strip.thickness + distance
    ring = [complex(x0, y0), complex(x1, y0), complex(x1, y1), complex(x0, y1), complex(x0, y0)]
    t, w = np.polynomial.legendre.leggauss(12)
    points, normals = [], []
    for a, b in itertools.pairwise(ring):
        cuts = np.linspace(0, 1, 21)
        # a cut at the dielectric boundaries, where the displacement's density jumps along the ring
        heights = np.array([0.1e-3, 0.2e-3, 0.225e-3])
        if a.real == b.real:
            inside = (heights - a.imag) / (b.imag - a.imag)
            cuts = np.unique(np.concatenate([cuts, inside[(inside > 0) & (inside < 1)]]))
        for low, high in itertools.pairwise(cuts):
            s = low + (high - low) * (t + 1) / 2
            points.append(a + (b - a) * s)
            normals.append(-1j * (b - a) * (high - low) * w / 2)
    return np.concatenate(points), np.concatenate(normals)


def permittivity(section: CrossSection, points: np.ndarray) -> np.ndarray:
    er, bottom = np.ones(points.shape), 0.0
    for sheet in section.sheets:
        er[(points.imag > bottom) & (points.imag < bottom + sheet.thickness)] = sheet.er
        bottom += sheet.thickness
    if section.coat_above is not None:
        er[(points.imag > bottom) & (points.imag < bottom + section.coat_above.over_laminate)] = section.coat_above.er
    return er


@pytest.mark.parametrize("section", [PAIR, BURIED, NO_PLANE], ids=["under mask", "between planes", "no plane"])
def test_copper_is_at_its_voltage_all_through(section: CrossSection) -> None:
    volts = [1.0, -0.5][: len(section.lines)]
    picture = FieldPicture.of(section, volts)
    for strip, v in [*zip(section.lines, volts, strict=True), *((g, 0.0) for g in section.grounds)]:
        inner = strip.x + 1j * (strip.y + strip.thickness / 2) + np.array([-0.3, 0.0, 0.3]) * strip.width
        potential, field = picture.at(inner)
        assert_allclose(potential, v, atol=2e-4)
        assert np.abs(field).max() < 1e-2 / (0.2 * MM)  # V/m, of the field outside


@pytest.mark.parametrize("section", [replace(PAIR, coat_above=None), BURIED, NO_PLANE])
def test_gauss_law_gives_the_capacitance(section: CrossSection) -> None:
    volts = np.eye(len(section.lines))[0]
    picture = FieldPicture.of(section, volts)
    points, normal = around(section.lines[0], 0.04 * MM)
    _, field = picture.at(points)
    flux = np.sum(permittivity(section, points) * (field.real * normal.real + field.imag * normal.imag))
    assert_allclose(EPS0 * flux, solve(section, 2e-4).capacitance[0, 0], rtol=1e-3)


def test_displacement_passes_through_every_boundary() -> None:
    picture = FieldPicture.of(PAIR, [1.0, 1.0])
    for y, below, above in ((0.2e-3, 4.3, 3.5), (0.225e-3, 3.5, 1.0)):
        x = np.array([-0.42e-3, 0.0, 0.42e-3])
        (v0, e0), (v1, e1) = (picture.at(x + 1j * (y + side * 1e-9)) for side in (-1, 1))
        assert_allclose(v0, v1, rtol=1e-4)
        assert_allclose(e0.real, e1.real, rtol=2e-3, atol=1.0)
        assert_allclose(below * e0.imag, above * e1.imag, rtol=5e-3, atol=5.0)


def test_planes_are_at_zero_and_nothing_is_beyond_them() -> None:
    picture = FieldPicture.of(BURIED, 1.0)
    x = np.linspace(-1e-3, 1e-3, 9)
    for y in (0.0, 0.3e-3):
        assert_allclose(picture.at(x + 1j * y)[0], 0.0, atol=1e-5)
    potential, field = picture.at(np.array([-1e-6j, 0.301e-3j]))
    assert np.isnan(potential).all()
    assert np.isnan(field).all()
    below, _ = FieldPicture.of(NO_PLANE, [1.0, 0.0]).at(np.array([-1e-3j]))
    assert np.isfinite(below).all()


def test_plane_above_only_is_the_picture_turned_over() -> None:
    upright = replace(PAIR, coat_above=None)
    turned = CrossSection(
        tuple(replace(s, y=-s.thickness, narrow_top=False) for s in upright.lines),
        tuple(replace(s, y=-s.thickness, narrow_top=False) for s in upright.grounds),
        upright.sheets,
        False,
        True,
    )
    points = np.array([0.0 + 0.1e-3j, 0.25e-3 + 0.3e-3j, -0.5e-3 + 0.05e-3j])
    one = FieldPicture.of(upright, [1.0, 0.0]).at(points)
    two = FieldPicture.of(turned, [1.0, 0.0]).at(points.conj() + 0.2e-3j)
    assert_allclose(two[0], one[0], rtol=1e-6)
    assert_allclose(two[1], one[1].conj(), rtol=1e-5)


def test_field_is_the_slope_of_the_potential() -> None:
    picture = FieldPicture.of(PAIR, [1.0, -1.0])
    at = np.array([0.0 + 0.15e-3j, 0.05e-3 + 0.3e-3j, -0.5e-3 + 0.1e-3j, 0.35e-3 + 0.215e-3j])
    step = 1e-7
    slope = [(picture.at(at + d)[0] - picture.at(at - d)[0]) / (2 * step) for d in (step, 1j * step)]
    _, field = picture.at(at)
    assert_allclose(field.real, -slope[0], rtol=1e-4, atol=1.0)
    assert_allclose(field.imag, -slope[1], rtol=1e-4, atol=1.0)


def test_as_many_voltages_as_lines() -> None:
    with pytest.raises(OutOfRange, match="2 lines need as many voltages, got 1"):
        FieldPicture.of(PAIR, 1.0)
