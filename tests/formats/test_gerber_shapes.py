"""Polygons of Gerber images: painting order, chains of strokes, contours, blocks with attributes."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from shapely import Polygon

from quietcopper.errors import OutOfRange
from quietcopper.formats.gerber import shapes as module
from quietcopper.formats.gerber.graphics import GerberImage
from quietcopper.formats.gerber.parser import read_image
from quietcopper.formats.gerber.shapes import MAX_CHAIN, centre_lines, chains, copper, regions, shapes

HEAD = (
    "%FSLAX26Y26*%%MOMM*%%ADD10C,1*%%ADD11R,2X1*%%ADD12O,1X2*%%ADD13C,0.3*%%AMT*7,0,0,3,2,0.4,30*%%ADD14T*%G75*G01*D10*"
)


def read(text: str) -> GerberImage:
    return read_image((HEAD + text + "M02*").encode(), "test.gbr")


def painted_one_by_one(image: GerberImage) -> shapely.Geometry:
    """The painter's rule, object by object."""
    picture: shapely.Geometry = Polygon()
    for shape, dark in zip(shapes(image), image.objects.dark, strict=True):
        picture = picture.union(shape) if dark else picture.difference(shape)
    return picture


PLACE = st.tuples(st.integers(0, 8), st.integers(0, 8))
AT = PLACE.map(lambda p: f"X{p[0]}000000Y{p[1]}000000")
OBJECT = st.one_of(
    AT.map(lambda at: f"{at}D03*"),
    AT.map(lambda at: f"{at}D01*"),
    AT.map(lambda at: f"{at}D02*"),
    st.tuples(AT, st.integers(-3, 3), st.sampled_from(["G02*", "G03*"])).map(
        lambda a: f"{a[2]}{a[0]}I{a[1]}000000J1000000D01*G01*"
    ),
    AT.map(lambda at: f"G36*{at}D02*X9000000D01*Y9000000D01*{at}D01*G37*"),
    st.sampled_from(["%LPD*%", "%LPC*%", "D10*", "D11*", "D12*", "D13*", "D14*", "%LR45*%", "%LR0*%", "%LMX*%"]),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(OBJECT, max_size=25))
def test_copper_is_what_painting_one_by_one_leaves(words: list[str]) -> None:
    image = read("".join(words))
    quick, slow = copper(image), painted_one_by_one(image)
    assert quick.is_valid
    # polylines have round corners where single strokes have the corners of two flattened circles
    assert shapely.symmetric_difference(quick, slow).area <= 1e-3 * slow.area + 1e-12


def test_strokes_in_a_row_become_polylines() -> None:
    image = read("X0Y0D02*X1000000D01*Y1000000D01*D13*X0D01*D10*X0Y5000000D02*X1000000D01*%LPC*%X2000000D01*")
    lines, first = chains(image, np.arange(5))
    assert first.tolist() == [0, 2, 3, 4]
    assert [len(line.coords) for line in lines] == [3, 2, 2, 2]
    assert_allclose(np.array(lines[0].coords) * 1e3, [(0, 0), (1, 0), (1, 1)], atol=1e-12)


def test_long_chains_are_cut() -> None:
    image = read("X0Y0D02*" + "".join(f"X{i}000Y{i % 2}000D01*" for i in range(1, 2 * MAX_CHAIN + 4)))
    lines, first = chains(image, np.arange(len(image.objects)))
    assert first.tolist() == [0, MAX_CHAIN, 2 * MAX_CHAIN]
    assert sum(len(line.coords) - 1 for line in lines) == len(image.objects)
    assert lines[0].coords[-1] == lines[1].coords[0]


def test_a_stroke_of_no_length_is_a_flash() -> None:
    dot, flash = read("X0Y0D02*D01*"), read("X0Y0D03*")
    assert_allclose(copper(dot).area, copper(flash).area, rtol=5e-3)
    assert_allclose(copper(read("D11*X0Y0D02*D01*")).area * 1e6, 2)


def test_arcs_with_a_rectangle_sweep_it_along() -> None:
    """A quarter circle of radius 5: the rectangle stays upright."""
    image = read("D11*X5000000Y0D02*G03*X0Y5000000I-5000000J0D01*")
    shape = copper(image)
    # shape and way: area = box + width times the way in y + height times the way in x
    assert_allclose(shape.area * 1e6, 2 * 1 + 2 * 5 + 1 * 5, rtol=1e-3)
    assert_allclose(shapely.bounds(shape) * 1e3, [-1, -0.5, 6, 5.5], atol=1e-9)


def test_centre_lines_keep_their_ends() -> None:
    image = read("X1000000Y2000000D02*X3000000D01*G02*X5000000Y2000000I1000000J0D01*")
    straight, arc = centre_lines(image, np.arange(2))
    assert_allclose(np.array(straight.coords) * 1e3, [(1, 2), (3, 2)])
    assert_allclose(np.array(arc.coords)[[0, -1]] * 1e3, [(3, 2), (5, 2)])
    assert_allclose(arc.length * 1e3, math.pi, rtol=1e-3)


def test_contours_on_demand_and_of_all_kinds() -> None:
    image = read(
        "G36*X0Y0D02*X4000000D01*Y4000000D01*X0D01*Y0D01*X6000000Y0D02*X8000000Y2000000D01*X6000000Y2000000D01*"
        "X8000000Y0D01*X6000000D01*G37*"
    )
    assert_allclose([r.area * 1e6 for r in regions(image)], [16, 2])  # a bow tie keeps both its triangles
    assert_allclose([r.area * 1e6 for r in regions(image, np.array([1, 0, 1]))], [2, 16, 2])
    assert len(regions(read("X0Y0D03*"))) == 0
    assert all(r.is_valid for r in regions(image))


def test_a_plane_with_a_thousand_holes_by_cut_ins() -> None:
    """One contour that visits all its holes."""
    words = ["G36*X0Y0D02*"]
    for k in range(1000):
        x, y = 1_000_000 * (k % 40) + 500_000, 1_000_000 * (k // 40) + 500_000
        words.append(f"X0Y{y}D01*X{x}Y{y}D01*Y{y + 300_000}D01*X{x + 300_000}D01*Y{y}D01*X{x}D01*X0D01*")
    words.append("Y25000000D01*X40000000D01*Y0D01*X0D01*G37*")
    shape = regions(read("".join(words)))[0]
    assert shape.is_valid
    assert_allclose(shape.area * 1e6, 40 * 25 - 1000 * 0.09, rtol=1e-9)


def test_too_entangled_an_image_is_out_of_range(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_PAIRS", 10)
    image = read("%LPD*%X0Y0D03*%LPC*%X0Y0D03*" * 10)
    with pytest.raises(OutOfRange, match="more than 10 pairs of dark and clear objects on each other"):
        copper(image)


def test_flashes_of_blocks_give_their_attributes_to_what_has_none() -> None:
    image = read(
        "%ABD20*%X0Y0D03*%TO.N,IN*%X1000000D03*%TD*%%AB*%%TO.N,OUT*%%TO.P,U1,1*%D20*X5000000Y5000000D03*%TD*%X0Y0D03*"
    )
    assert [image.nets[i] for i in image.net] == ["OUT", "IN", "", "IN"]
    assert [image.pins[i] for i in image.pin] == [("U1", "1"), ("U1", "1"), (), ()]


def test_copies_keep_net_width_and_contour() -> None:
    image = read(
        "%SRX2Y1I10J0*%%TO.N,A*%X0Y0D02*X1000000D01*G36*X0Y0D02*X2000000D01*Y2000000D01*X0Y0D01*G37*%SR*%%TD*%X0Y9000000D03*"
    )
    o = image.objects
    assert [image.nets[i] for i in image.net] == ["A", "A", "A", "A", ""]
    assert o.region.tolist() == [-1, 0, -1, 1, -1]
    assert_allclose(shapely.bounds(regions(image)[1]) * 1e3, [10, 0, 12, 2])
    assert_allclose(o.width[[0, 2]] * 1e3, [1, 1])
    assert image.lines.tolist() == [True, False, True, False, False]


def test_many_pieces_are_united_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "D11*" + "".join(f"X{i % 30}000000Y{i // 30}000000D03*" for i in range(900))
    whole = copper(read(text))
    monkeypatch.setattr(module, "CHUNK", 50)
    parts = copper(read(text))
    assert_allclose(parts.area, whole.area, rtol=1e-12)
    assert shapely.symmetric_difference(parts, whole).area < 1e-15
