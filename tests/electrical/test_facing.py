"""Facing areas against overlaps worked out by hand and against one overlay of the whole shapes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from shapely import box

from quietcopper.build import circle, small_board
from quietcopper.electrical.facing import facing_areas
from quietcopper.electrical.laminate import narrow_face_up, sheets_between
from quietcopper.units import EPS0

MM2 = 1e-6


def test_overlap_distance_and_capacitance() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 30, 30))
    b.area("3V3", 3, box(10, 0, 50, 20))
    b.area("5V", 3, box(0, 25, 50, 30))
    board = b.build()
    facing = facing_areas(board)
    assert facing.upper.tolist() == [0, 0]
    assert facing.lower.tolist() == [1, 2]
    assert_allclose(facing.area, [400 * MM2, 150 * MM2])
    distance = board.distance(1, 2)
    assert_allclose(facing.distance, distance)
    assert_allclose(facing.er, 4.2)
    assert_allclose(facing.capacitance, EPS0 * 4.2 * np.array([400, 150]) * MM2 / distance)
    assert facing.between.tolist() == [(), ()]
    assert facing.shape(0).equals(shapely.box(0.01, 0, 0.03, 0.02))


def test_through_layers_without_copper_and_through_an_opening() -> None:
    b = small_board(layers=6)
    b.area("GND", 1, box(0, 0, 20, 20))
    b.area("GND", 4, box(0, 0, 20, 20).difference(box(5, 5, 9, 10)))
    b.area("3V3", 6, box(0, 0, 20, 8))
    board = b.build()
    facing = facing_areas(board)
    pairs = list(zip(facing.upper.tolist(), facing.lower.tolist(), strict=True))
    assert pairs == [(0, 1), (0, 2), (1, 2)]
    assert_allclose(facing.area, [380 * MM2, 12 * MM2, 148 * MM2])
    assert facing.between.tolist() == [(1, 2), (1, 2, 3, 4), (4,)]
    assert_allclose(facing.distance, [board.distance(0, 3), board.distance(0, 5), board.distance(3, 5)])


def test_openings_do_not_count_and_rims_are_left_out() -> None:
    b = small_board(layers=2)
    b.area("GND", 1, box(0, 0, 10, 10).difference(box(2, 2, 4, 4)))
    b.area("3V3", 2, box(0, 0, 10, 10).difference(box(3, 3, 5, 5)))
    b.area("", 2, box(9.995, 10.0, 12, 12).union(box(9.995, 9.995, 10.0, 10.0)))  # meets layer 1 in 25 µm²
    facing = facing_areas(b.build())
    assert_allclose(facing.area, [(100 - 7) * MM2])


def test_boards_without_facing_areas() -> None:
    one = small_board(layers=1)
    one.area("GND", 1, box(0, 0, 10, 10))
    aside = small_board(layers=2)
    aside.area("GND", 1, box(0, 0, 10, 10))
    aside.area("GND", 2, box(20, 0, 30, 10))
    for b in (one, aside, small_board(layers=4)):
        assert len(facing_areas(b.build())) == 0


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000), shift=st.floats(-100, 100))
def test_agrees_with_an_overlay_of_the_whole_shapes(seed: int, shift: float) -> None:
    rng = np.random.default_rng(seed)

    def plane() -> shapely.Geometry:
        holes = [circle(*p, d) for p, d in zip(rng.uniform(0, 30, (60, 2)), rng.uniform(0.5, 3, 60), strict=True)]
        shape = box(0, 0, 30, 30).difference(shapely.union_all([shapely.Polygon(h) for h in holes]))
        largest = max(shapely.get_parts(shape), key=lambda p: p.area)
        return shapely.transform(largest, lambda p: p + np.array([shift, -shift]))

    shapes = [plane() for _ in range(3)]
    b = small_board(layers=3)
    for layer, shape in enumerate(shapes, 1):
        b.area("GND" if layer == 1 else "3V3", layer, shape)
    facing = facing_areas(b.build())
    top, middle, bottom = shapes
    expected = {
        (0, 1): top.intersection(middle).area,
        (0, 2): top.difference(middle).intersection(bottom).area,
        (1, 2): middle.intersection(bottom).area,
    }
    for row, pair in enumerate(zip(facing.upper.tolist(), facing.lower.tolist(), strict=True)):
        assert facing.area[row] == pytest.approx(expected.pop(pair) * MM2, rel=1e-9)
        assert facing.shape(row).area == pytest.approx(facing.area[row], rel=1e-9)
    assert all(area < 0.01 for area in expected.values())  # below the smallest that is listed


def test_sheets_between_layers_fill_the_whole_distance() -> None:
    board = small_board(layers=6).build()
    for upper in range(6):
        for lower in range(upper + 1, 6):
            sheets = sheets_between(board, upper, lower)
            assert sum(s.thickness for s in sheets) == pytest.approx(board.distance(upper, lower), abs=1e-15)
            assert len(sheets) == 1  # one material all through
    assert [narrow_face_up(board, layer) for layer in range(6)] == [True, True, False, True, False, False]
