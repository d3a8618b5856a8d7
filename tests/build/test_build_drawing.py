"""Polylines with 45° knees and rounded corners, rectangles."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Polygon

from quietcopper.board.geometry import arc_points
from quietcopper.build import octilinear, rectangle, strip
from quietcopper.build.drawing import as_polygon, fillet, polygons
from quietcopper.errors import CallError

coordinate = st.integers(-400, 400).map(lambda n: n / 8)
point = st.tuples(coordinate, coordinate)


def without_repeats(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    return [p for i, p in enumerate(points) if i == 0 or p != points[i - 1]]


@given(st.lists(point, min_size=2, max_size=8), st.booleans())
def test_octilinear_legs_are_straight_or_diagonal_and_pass_every_point(
    points: list[tuple[float, float]], early: bool
) -> None:
    path = octilinear(points, early=early)
    for (x0, y0), (x1, y1) in pairwise(path):
        dx, dy = abs(x1 - x0), abs(y1 - y0)
        assert min(dx, dy) < 1e-9 or dx == pytest.approx(dy, rel=1e-9)
    rest = iter(path)
    assert all(p in rest for p in points)  # in order


@given(st.lists(point, min_size=2, max_size=7).map(without_repeats), st.floats(0.1, 20))
def test_fillet_is_one_smooth_chain_between_the_same_ends(points: list[tuple[float, float]], radius: float) -> None:
    segments = fillet(points, radius)
    if len(points) < 2:
        assert not segments
        return
    assert segments[0][:2] == points[0]
    assert math.dist(segments[-1][2:4], points[-1]) < 1e-9
    for before, after in pairwise(segments):
        assert math.dist(before[2:4], after[:2]) < 1e-9 * 100
    for x0, y0, x1, y1, xc, yc, turn in segments:
        if turn:
            r0, r1 = math.dist((x0, y0), (xc, yc)), math.dist((x1, y1), (xc, yc))
            assert r0 == pytest.approx(r1, rel=1e-6, abs=1e-9)
            assert r0 <= radius * (1 + 1e-9)
            arc = LineString(arc_points(x0, y0, x1, y1, xc, yc, turn, sag=1e-3))
            assert arc.length <= math.pi * r0 + 1e-9  # the short way round
            drawn = LineString(points)
            assert arc.hausdorff_distance(drawn) >= 0
            assert drawn.distance(arc) <= radius


def test_fillet_of_a_right_angle_is_a_quarter_circle() -> None:
    first, arc, last = fillet([(0, 0), (10, 0), (10, 10)], 3)
    assert first[:4] == (0, 0, 7, 0)
    assert arc == pytest.approx((7, 0, 10, 3, 7, 3, 1))
    assert last[:4] == pytest.approx((10, 3, 10, 10))


def test_rounded_rectangle_keeps_its_size_and_loses_only_its_corners() -> None:
    plain, rounded = rectangle(0, 0, 30, 20), rectangle(0, 0, 30, 20, corner=4)
    assert rounded.bounds == pytest.approx(plain.bounds)
    lost = (4 - math.pi) * 16
    assert plain.area - rounded.area == pytest.approx(lost, rel=0.02)  # 16 chords a quarter
    assert rectangle(0, 0, 8, 8, corner=4).area == pytest.approx(math.pi * 16, rel=0.005)  # a disc


def test_unusable_shapes_are_refused() -> None:
    with pytest.raises(CallError, match="at most half"):
        rectangle(0, 0, 10, 2, corner=1.5)
    with pytest.raises(CallError, match="Self-intersection"):
        as_polygon([(0, 0), (2, 2), (2, 0), (0, 2)])


def test_polygons_of_nothing_and_of_a_mixture() -> None:
    assert polygons(Polygon()) == []
    mixture = strip([(0, 0), (4, 0)], 1).union(LineString([(9, 9), (10, 9)])).union(rectangle(6, 0, 7, 1))
    assert [round(p.area, 9) for p in polygons(mixture)] == [4.0, 1.0]
