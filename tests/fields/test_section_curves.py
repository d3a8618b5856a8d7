"""Field lines and equipotentials of sections: where they begin and end, and what they enclose."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_curves import LEVELS, Window, contour, curves
from quietcopper.fields.section_field import FieldPicture
from quietcopper.fields.section_solver import solve
from quietcopper.units import EPS0

MM = 1e-3
LINE = Strip(0.0, 0.2 * MM, 0.35 * MM, 0.035 * MM, 0.25)
SURFACE = CrossSection((LINE,), (), (Sheet(0.2 * MM, 4.3),), coat_above=Coat(20e-6, 20e-6, 3.5))
BURIED = CrossSection((LINE,), (), (Sheet(0.2 * MM, 4.3), Sheet(0.3 * MM, 4.0)), True, True)
ABOVE = CrossSection((LINE,), (), (Sheet(0.2 * MM, 4.3), Sheet(0.3 * MM, 4.0)), False, True)


@pytest.mark.parametrize("section", [SURFACE, BURIED, ABOVE], ids=["surface", "buried", "plane above only"])
def test_field_lines_leave_the_line_and_end_on_planes_or_the_window(section: CrossSection) -> None:
    window = Window.around(section)
    top = sum(s.thickness for s in section.sheets)
    line = shapely.box(-LINE.width / 2, LINE.y, LINE.width / 2, LINE.y + LINE.thickness)
    found = curves(section, (1.0,)).field_lines
    assert 20 <= len(found) <= 32
    edge = 0.02 * (window.top - window.bottom)
    for way in found:
        assert shapely.Point(way[0]).distance(line) < edge
        x, y = way[-1]
        gaps = [abs(x - window.left), abs(x - window.right), abs(y - window.bottom), abs(y - window.top)]
        gaps += [y] if section.plane_below else []
        gaps += [top - y] if section.plane_above else []
        assert min(gaps) < edge


@pytest.mark.parametrize("section", [SURFACE, BURIED], ids=["surface", "buried"])
def test_potential_falls_along_field_lines_and_stays_along_equipotentials(section: CrossSection) -> None:
    picture, found = FieldPicture.of(section, (1.0,)), curves(section, (1.0,))
    for way in found.field_lines:
        potential, _ = picture.at(way[:, 0] + 1j * way[:, 1])
        assert (np.diff(potential) < 2e-3).all()
    for curve in found.equipotentials:
        potential, _ = picture.at(curve[:, 0] + 1j * curve[:, 1])
        level = LEVELS[int(np.argmin(np.abs(np.array(LEVELS) - np.median(potential))))]
        # straight pieces over the 60 x 45 points of the grid: a few hundredths of the voltage beside the line
        assert np.abs(potential - level).max() < 0.06


def test_a_wide_line_has_the_uniform_field_of_a_plate_capacitor() -> None:
    # Between plates the field is uniform and upright: any textbook on electrostatics.
    wide = CrossSection((Strip(0.0, 0.2 * MM, 8 * MM, 0.035 * MM),), (), (Sheet(0.2 * MM, 4.3),))
    inner = [w for w in curves(wide, (1.0,)).field_lines if abs(w[0, 0]) < 3 * MM and w[0, 1] < 0.2 * MM]
    assert len(inner) >= 6
    for way in inner:
        assert np.ptp(way[:, 0]) < 1e-3 * MM
    spacing = np.diff(sorted(w[0, 0] for w in inner))
    # Equal flux between lines: of 26 lines each carries C/26, and the plates have er·eps0/h per width. Places are
    # interpolated between the mesh's nodes, which single lines show.
    each = solve(wide).capacitance[0, 0] / len(curves(wide, (1.0,)).field_lines)
    assert_allclose(np.median(spacing), each * 0.2 * MM / (4.3 * EPS0), rtol=0.05)
    assert_allclose(spacing, spacing.mean(), rtol=0.2)


def test_a_line_at_rest_takes_field_lines_of_its_neighbour() -> None:
    pair = CrossSection((LINE, Strip(0.5 * MM, 0.2 * MM, 0.35 * MM, 0.035 * MM)), (), (Sheet(0.2 * MM, 4.3),))
    quiet = shapely.box(-0.175 * MM, 0.2 * MM, 0.175 * MM, 0.235 * MM)
    ends = [shapely.Point(w[-1]).distance(quiet) for w in curves(pair, (0.0, 1.0)).field_lines]
    assert min(ends) < 5e-6


def test_contours_of_a_cone_are_circles() -> None:
    x = np.linspace(-1.0, 1.0, 81)
    (found,) = contour(x, x, np.hypot(x[None, :], x[:, None]), 0.5)
    assert_allclose(np.hypot(*found.T), 0.5, atol=2e-3)  # chords of a circle on a grid of 0.025
    assert_allclose(shapely.LineString(found).length, np.pi, rtol=2e-3)
    assert contour(x, x, np.zeros((81, 81)), 0.5) == []
