"""The examples of the Gerber Layer Format Specification 2024.05, section by section, and its deprecated parts."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from shapely import Point, Polygon, box

from quietcopper.errors import ReadError
from quietcopper.formats.gerber.graphics import ARC, FLASH, LINE, REGION, GerberImage, Transform
from quietcopper.formats.gerber.parser import read_image
from quietcopper.formats.gerber.shapes import copper, shape_of, shapes

MM = 1e-3
HEAD = "%FSLAX26Y26*%%MOMM*%"
DISC = HEAD + "%ADD10C,1*%D10*"
# circles are inscribed polygons whose chords are at most 1 µm off: 1 mm across, they miss up to 0.27 % of the area
CIRCLE = 3e-3


def read(text: str) -> GerberImage:
    return read_image(text.encode(), "test.gbr")


def area_mm2(text: str) -> float:
    return copper(read(text)).area * 1e6


def same_area(first: shapely.Geometry, second: shapely.Geometry) -> bool:
    return bool(shapely.symmetric_difference(first, second).area < 1e-6 * second.area)


def in_mm(*corners: tuple[float, float]) -> Polygon:
    return Polygon([(x * MM, y * MM) for x, y in corners])


def test_4_1_comments_are_kept_and_draw_nothing() -> None:
    image = read(
        "G04 This is a comment*G04 The space characters as well as ',' and ';' are allowed here.*" + HEAD + "M02*"
    )
    assert image.comments[1].endswith("are allowed here.")
    assert len(image.objects) == 0
    assert not image.unread


def test_4_2_coordinates() -> None:
    """X123123456 means 123.123456 mm, Y23456 means 0.023456 mm."""
    image = read("%MOMM*%%FSLAX36Y36*%%ADD10C,1*%D10*X123123456Y23456D03*X+1000000Y-1000000D03*M02*")
    assert_allclose(image.objects.x0, [0.123123456, 1e-3], rtol=1e-12)
    assert_allclose(image.objects.y0, [0.023456e-3, -1e-3], rtol=1e-12)
    assert image.unit == "mm"


def test_4_3_aperture_definitions() -> None:
    image = read(
        "%FSLAX26Y26*%%MOIN*%%AMCIRC*1,1,1,0,0*%%ADD10C,0.025*%%ADD22R,0.050X0.050X0.027*%"
        "%ADD57O,0.030X0.040X0.015*%%ADD30P,0.016X6*%%ADD15CIRC*%M02*"
    )
    disc, square, oval, hexagon, macro = image.apertures
    inch2 = 0.0254**2
    assert [a.number for a in image.apertures] == [10, 22, 57, 30, 15]
    assert disc.width == pytest.approx(0.025 * 0.0254)
    assert math.isnan(square.width)
    assert_allclose(square.shape.area, (0.05**2 - math.pi * 0.0135**2) * inch2, rtol=CIRCLE)
    assert_allclose(oval.shape.area, (0.03 * 0.01 + math.pi * 0.015**2 - math.pi * 0.0075**2) * inch2, rtol=CIRCLE)
    assert_allclose(hexagon.shape.area, 1.5 * math.sqrt(3) * 0.008**2 * inch2, rtol=1e-9)
    assert_allclose(macro.shape.area, math.pi * 0.5**2 * inch2, rtol=CIRCLE)


def test_4_3_3_zero_size_apertures_carry_attributes_and_no_area() -> None:
    image = read(HEAD + "%TA.AperFunction,Profile*%%ADD10C,0*%D10*X0Y0D02*X1000000D01*M02*")
    assert image.functions[image.function[0]] == ("Profile",)
    assert image.objects.width[0] == 0
    assert copper(image).is_empty


def test_4_4_5_polygon_has_a_corner_on_the_x_axis() -> None:
    image = read(HEAD + "%ADD17P,4X6*%%ADD18P,4X4X45*%M02*")
    assert_allclose(shapely.bounds(image.apertures[0].shape), np.array([-2, -math.sqrt(3), 2, math.sqrt(3)]) * MM)
    assert_allclose(shapely.bounds(image.apertures[1].shape), np.array([-1, -1, 1, 1]) * math.sqrt(2) * MM)


def test_4_4_6_holes_are_transparent() -> None:
    """A draw under the hole of a flash stays visible."""
    text = HEAD + (
        "%ADD10C,10X5*%%ADD11C,1*%G01*%LPD*%D11*X-25000000Y-1000000D02*X25000000Y1000000D01*D10*X0Y0D03*M02*"
    )
    ring = math.pi * (5**2 - 2.5**2)
    stroke = math.hypot(50, 2) + math.pi / 4
    both = area_mm2(text)
    assert ring < both < ring + stroke
    # of the stroke about 5 mm lie over the ring, twice 2.5 mm
    assert_allclose(both, ring + stroke - 5, rtol=2e-3)


@pytest.mark.parametrize(
    ("macro", "call", "area"),
    [
        ("1,1,1.5,0,0,0", "", math.pi * 0.75**2),
        ("20,1,0.9,0,0.45,12,0.45,0", "", 0.9 * 12),
        ("2,1,0.9,0,0.45,12,0.45,0", "", 0.9 * 12),
        ("21,1,6.8,1.2,3.4,0.6,30", "", 6.8 * 1.2),
        ("22,1,6.8,1.2,0,0,0", "", 6.8 * 1.2),
        ("4,1,3,1,-1,1,1,2,1,1,-1,30", "", 1.0),
        ("5,1,8,0,0,8,0", "", 8 / 2 * 4**2 * math.sin(math.pi / 4)),
        ("1,1,0.100,0,0*1,0,0.080,0,0", "", math.pi * (0.05**2 - 0.04**2)),
        ("1,1,$1,$2,$3*1,0,$4,$2,$3", ",0.100X0X0X0.080", math.pi * (0.05**2 - 0.04**2)),
        ("1,1,$1,$2,$3*$4=$1x0.75*1,0,$4,$2,$3", ",0.020X0X0", math.pi * (0.01**2 - 0.0075**2)),
        ("21,1,10,10,0,0,0*1,0,5,0,0", "", 100 - math.pi * 2.5**2),
        # a rectangle of the numbers in the expression example of section 4.5.4.2
        ("21,1,$1,$2-2x$3,-$4,-$5+$2,0", ",0.0807087X0.1023622X0.0118110X0.5X0.3", 0.0807087 * 0.0787402),
    ],
)  # fmt: skip
def test_4_5_macro_primitives(macro: str, call: str, area: float) -> None:
    """Sizes in inches, as in the examples; area in square inches."""
    image = read(f"%FSLAX26Y26*%%MOIN*%%AMNAME*{macro}*%%ADD10NAME{call}*%D10*X0Y0D03*M02*")
    assert not image.unread
    # the circles of the smallest ring are 0.5 mm across, where chords 1 µm off take 1/190 of the area
    assert_allclose(copper(image).area / 0.0254**2, area, rtol=1e-2 if area < 1e-3 else CIRCLE)


def test_4_5_1_5_rotation_is_round_the_origin() -> None:
    image = read(HEAD + "%AMRECTANGLE*21,1,6.8,1.2,3.4,0.6,30*%%ADD10RECTANGLE*%M02*")
    turned = shapely.affinity.rotate(box(0, 0, 6.8 * MM, 1.2 * MM), 30, origin=(0, 0))
    assert same_area(image.apertures[0].shape, turned)


def test_4_5_1_6_rotated_triangle() -> None:
    image = read(HEAD + "%AMTriangle_30*\n4,1,3,\n1,-1,\n1,1,\n2,1,\n1,-1,\n30*\n%\n%ADD10Triangle_30*%M02*")
    triangle = shapely.affinity.rotate(in_mm((1, -1), (1, 1), (2, 1)), 30, origin=(0, 0))
    assert same_area(image.apertures[0].shape, triangle)


def test_4_5_1_8_thermal() -> None:
    """A ring of 0.95 and 0.75 with gaps of 0.175 on the axes."""
    image = read(
        HEAD + "%AMThermal*\n7,0,0,0.95,0.75,0.175,0.0*%%AMT45*7,0,0,0.95,0.75,0.175,45*%%ADD10Thermal*%%ADD11T45*%M02*"
    )
    outer, inner, half = 0.475, 0.375, 0.0875

    def strip(radius: float) -> float:  # of a disc, on one side of the centre, |y| < half
        return half * math.sqrt(radius**2 - half**2) + radius**2 * math.asin(half / radius)

    area = math.pi * (outer**2 - inner**2) - 4 * (strip(outer) - strip(inner))
    straight, turned = image.apertures[0].shape, image.apertures[1].shape
    assert_allclose(straight.area * 1e6, area, rtol=CIRCLE)
    assert len(shapely.get_parts(straight)) == 4
    assert straight.distance(Point(0.425e-3, 0)) > 0.05e-3
    assert turned.distance(Point(0.425e-3, 0)) == 0


def test_4_5_5_4_box_with_rounded_corners() -> None:
    macro = (
        "%AMBox*\n0 Rectangle with rounded corners, with rotation*\n0 $1 X-size*\n0 $4 Rotation angle*\n"
        "21,1,$1,$2-$3-$3,0,0,$4*\n21,1,$1-$3-$3,$2,0,0,$4*\n$5=$1/2*\n$6=$2/2*\n$7=2x$3*\n"
        "1,1,$7,$5-$3,$6-$3,$4*\n1,1,$7,-$5+$3,$6-$3,$4*\n1,1,$7,-$5+$3,-$6+$3,$4*\n1,1,$7,$5-$3,-$6+$3,$4*\n%\n"
    )
    image = read(HEAD + macro + "%ADD10Box,4X2X0.5X30*%M02*")
    expected = shapely.affinity.rotate(box(-1.5e-3, -0.5e-3, 1.5e-3, 0.5e-3).buffer(0.5e-3), 30, origin=(0, 0))
    assert shapely.symmetric_difference(image.apertures[0].shape, expected).area < 5e-3 * expected.area


def test_4_7_2_arc_counter_clockwise() -> None:
    """From (3, -2) round (0, 2) to (-3, -2)."""
    image = read(DISC + "X3000000Y-2000000D02*G75*G03*X-3000000Y-2000000I-3000000J4000000D01*M02*")
    o = image.objects
    assert o.kind.tolist() == [ARC]
    assert o.turn.tolist() == [1]
    assert_allclose([o.xc[0], o.yc[0]], [0, 2e-3], atol=1e-15)
    assert shapely.bounds(copper(image))[3] == pytest.approx(7.5e-3, abs=2e-6)  # over the top


def test_4_7_2_full_circle_and_g74_dot() -> None:
    """The same words are a full circle under G75 and one dot under G74 (section 8.1.10)."""
    draw = "%FSLAX24Y24*%%MOMM*%%ADD10C,1*%D10*G01*X0Y60000D02*{}*G02*X0Y60000I50000J0D01*M02*"
    ring, dot = read(draw.format("G75")), read(draw.format("G74"))
    assert ring.objects.kind.tolist() == [ARC]
    assert_allclose(copper(ring).area * 1e6, math.pi * (5.5**2 - 4.5**2), rtol=1e-3)
    assert dot.objects.kind.tolist() == [LINE]
    assert_allclose(copper(dot).area * 1e6, math.pi / 4, rtol=CIRCLE)


def test_4_8_operations_are_modal_in_coordinates() -> None:
    image = read(
        "%FSLAX26Y26*%%MOMM*%%ADD10C,0.1*%D10*G75*X200Y200D02*Y-300D03*G03*I300J100D01*G01*Y200D01*X+100D01*D03*M02*"
    )
    o = image.objects
    assert o.kind.tolist() == [FLASH, ARC, LINE, LINE, FLASH]
    assert_allclose(np.stack([o.x1, o.y1], 1)[[0, 2, 4]] * 1e9, [[200, -300], [200, 200], [100, 200]], atol=1e-6)
    assert_allclose([o.xc[1] * 1e9, o.yc[1] * 1e9], [500, -200], atol=1e-6)


def test_4_9_1_transformations_follow_the_command() -> None:
    image = read(
        HEAD
        + "%ADD123R,2X1*%%ADD124R,4X1*%D123*X0Y0D03*%LR90.0*%X10000000D03*D124*X20000000D03*%LR0.0*%X30000000D03*M02*"
    )
    sizes = [(b[2] - b[0], b[3] - b[1]) for b in shapely.bounds(shapes(image)) * 1e3]
    assert_allclose(sizes, [(2, 1), (1, 2), (1, 4), (4, 1)])


def test_4_9_1_scale_widens_strokes() -> None:
    image = read(DISC + "G01*X0Y0D02*X01000000D01*%LS1.5*%Y02000000D01*M02*")
    assert_allclose(image.objects.width * 1e3, [1, 1.5])


def test_4_9_6_block_flashed_mirrored_turned_and_scaled() -> None:
    text = HEAD + (
        "%ADD10C,1*%%LPD*%%ABD12*%%ADD11C,0.5*%D10*G01*X-2500000Y-1000000D03*Y1000000D03*%LPC*%D11*"
        "X-2500000Y-1000000D03*%LPD*%X-500000Y-1000000D02*X2500000D01*G75*G03*X500000Y1000000I-2000000J0D01*G01*%AB*%"
        "D12*X0Y0D03*%LMX*%X10000000D03*%LMY*%%LR30.0*%X0Y8000000D03*%LMXY*%%LR45.0*%%LS0.8*%X10000000D03*"
        "%LPD*%%LMN*%%LR0.0*%%LS1.0*%M02*"
    )
    image = read(text)
    o = image.objects
    assert len(o) == 4 * 5
    assert o.dark.tolist() == [True, True, False, True, True] * 4
    # D11 is in force when the draw and the arc are made
    assert_allclose(o.width.reshape(4, 5)[:, 3:] * 1e3, [[0.5, 0.5]] * 3 + [[0.4, 0.4]])
    assert o.turn.reshape(4, 5)[:, 4].tolist() == [1, -1, -1, 1]  # mirrored once: clockwise
    single = copper(
        read(text.replace("%LMX*%X10000000D03*%LMY*%%LR30.0*%X0Y8000000D03*%LMXY*%%LR45.0*%%LS0.8*%X10000000D03*", ""))
    )
    move, turn, flip = shapely.affinity.translate, shapely.affinity.rotate, shapely.affinity.scale
    mirrored_x = move(flip(single, -1, 1, origin=(0, 0)), 10e-3, 0)
    mirrored_y = move(turn(flip(single, 1, -1, origin=(0, 0)), 30, origin=(0, 0)), 0, 8e-3)
    both = move(flip(turn(single, 180 + 45, origin=(0, 0)), 0.8, 0.8, origin=(0, 0)), 10e-3, 8e-3)
    expected = shapely.union_all([single, mirrored_x, mirrored_y, both])
    # flattened circles are not turned with their polygon
    assert shapely.symmetric_difference(copper(image), expected).area < 2e-3 * expected.area


CONTOUR_4_10_4_2 = "X0Y5000000D02*Y10000000D01*X10000000D01*Y0D01*X0D01*Y5000000D01*"


def test_4_10_4_1_simple_contour() -> None:
    text = HEAD + (
        "G36*X200000Y300000D02*G01*X700000D01*Y100000D01*X1100000Y500000D01*X700000Y900000D01*Y700000D01*X200000D01*"
        "Y300000D01*G37*M02*"
    )
    expected = in_mm((0.2, 0.3), (0.7, 0.3), (0.7, 0.1), (1.1, 0.5), (0.7, 0.9), (0.7, 0.7), (0.2, 0.7))
    assert same_area(copper(read(text)), expected)


@pytest.mark.parametrize(
    ("second", "area"),
    [
        ("X-1000000D02*X-5000000Y1000000D01*X-9000000Y5000000D01*X-5000000Y9000000D01*X-1000000Y5000000D01*", 132),
        ("X1000000D02*X5000000Y1000000D01*X9000000Y5000000D01*X5000000Y9000000D01*X1000000Y5000000D01*", 100),
        # a rhombus with one corner pulled onto the square: 4.5 x 4 x 2
        ("D02*X-5000000Y1000000D01*X-9000000Y5000000D01*X-5000000Y9000000D01*X0Y5000000D01*", 136),
        ("D02*X5000000Y1000000D01*X9000000Y5000000D01*X5000000Y9000000D01*X0Y5000000D01*", 100),
    ],
    ids=["apart", "overlapping", "touching", "overlapping and touching"],
)
def test_4_10_4_2_to_5_two_contours(second: str, area: float) -> None:
    image = read(HEAD + f"G01*%LPD*%G36*{CONTOUR_4_10_4_2}{second}G37*M02*")
    assert image.objects.kind.tolist() == [REGION, REGION]
    assert_allclose(copper(image).area * 1e6, area, rtol=1e-9)


def test_4_10_4_6_polarity_makes_holes() -> None:
    text = HEAD + (
        "G01*%LPD*%G75*G36*X25000000Y25000000D02*X175000000D01*Y175000000D01*X25000000D01*Y25000000D01*G37*"
        "%LPC*%G36*X50000000Y100000000D02*G03*X50000000Y100000000I50000000J0D01*G37*"
        "%LPD*%G01*G36*X75000000Y75000000D02*X125000000D01*Y125000000D01*X75000000D01*Y75000000D01*G37*"
        "%LPC*%G36*X115000000Y100000000D02*G03*X115000000Y100000000I25000000J0D01*G37*M02*"
    )
    square = box(75, 75, 125, 125)
    small = Point(140, 100).buffer(25, 256)
    expected = box(25, 25, 175, 175) - Point(100, 100).buffer(50, 256)
    expected = (expected | square) - small
    assert_allclose(area_mm2(text), expected.area, rtol=1e-4)


def test_4_10_4_7_cut_in() -> None:
    text = "%FSLAX24Y24*%%MOMM*%" + (
        "G75*G36*X20000Y100000D02*G01*X120000D01*Y20000D01*X20000D01*Y60000D01*X50000D01*G03*X50000Y60000I30000J0D01*"
        "G01*X20000D01*Y100000D01*G37*M02*"
    )
    shape = copper(read(text))
    assert isinstance(shape, Polygon)
    assert len(shape.interiors) == 1
    assert_allclose(shape.area * 1e6, 80 - math.pi * 9, rtol=1e-3)


def test_4_10_4_8_fully_coincident_segments() -> None:
    first = (
        "G36*X0Y5000000D02*G01*Y10000000D01*X10000000D01*Y0D01*X0D01*Y5000000D01*"
        "X-1000000D01*X-5000000Y1000000D01*X-9000000Y5000000D01*X-5000000Y9000000D01*X-1000000Y5000000D01*X0D01*G37*M02*"
    )
    apart = copper(read(HEAD + first))
    hole = copper(read(HEAD + first.replace("X-", "X")))
    assert_allclose([apart.area * 1e6, hole.area * 1e6], [132, 68], rtol=1e-9)
    assert len(shapely.get_parts(apart)) == 2
    assert len(shapely.get_parts(hole)) == 1


def test_4_10_4_9_two_holes_on_one_cut_in_and_the_invalid_one() -> None:
    """The invalid contour with partly overlapping segments comes out as was meant, too."""
    good = HEAD + (
        "G36*X122000000Y257000000D02*G01*Y272000000D01*X131000000D01*Y257000000D01*X125000000D01*Y260000000D01*"
        "X129000000D01*Y264000000D01*X125000000D01*Y267000000D01*X129000000D01*Y270000000D01*X125000000D01*"
        "Y267000000D01*Y264000000D01*Y260000000D01*Y257000000D01*X122000000D01*G37*M02*"
    )
    bad = HEAD + (
        "G36*X111000000Y257000000D02*G01*Y260000000D01*X114000000D01*Y264000000D01*X111000000D01*Y267000000D01*"
        "X114000000D01*Y270000000D01*X111000000D01*Y257000000D01*X109000000D01*Y272000000D01*X117000000D01*"
        "Y257000000D01*X111000000D01*G37*M02*"
    )
    assert_allclose(area_mm2(good), 9 * 15 - 4 * 4 - 4 * 3, rtol=1e-9)
    assert_allclose(area_mm2(bad), 8 * 15 - 3 * 4 - 3 * 3, rtol=1e-9)


def test_4_11_clear_block_toggles_its_polarity() -> None:
    text = HEAD + (
        "%ADD10R,10X10*%%ADD11R,4X4*%%ABD12*%D10*X0Y0D03*%LPC*%D11*X0Y0D03*%AB*%"
        "%LPD*%G36*X-10000000Y-10000000D02*X10000000D01*Y10000000D01*X-10000000D01*Y-10000000D01*G37*"
        "%LPC*%D12*X0Y0D03*M02*"
    )
    assert read(text).objects.dark.tolist() == [True, False, True]
    assert_allclose(area_mm2(text), 400 - 100 + 16, rtol=1e-9)


def test_4_11_4_nested_blocks() -> None:
    text = (
        "%FSLAX46Y46*%%MOMM*%%ADD10C,7.500000*%%ADD11C,15*%%ADD12R,20X10*%%ADD13R,10X20*%%ABD100*%D10*"
        "X65532000Y17605375D02*Y65865375D01*X-3556000D01*D11*X-3556000Y17605375D03*%AB*%%ABD102*%%ABD101*%D100*"
        "X0Y0D03*X0Y70000000D03*X100000000Y0D03*X100000000Y70000000D03*%AB*%D101*X0Y0D03*X0Y160000000D03*"
        "X0Y320000000D03*X230000000Y0D03*X230000000Y160000000D03*X230000000Y320000000D03*D12*X19500000Y-10000000D03*%AB*%"
        "D13*X-30000000Y10000000D03*X143000000Y-30000000D03*D102*X0Y0D03*X0Y520000000D03*X500000000Y0D03*"
        "X500000000Y520000000D03*X1000000000Y0D03*X1000000000Y520000000D03*M02*"
    )
    image = read(text)
    assert len(image.objects) == 2 + 6 * (6 * 4 * 3 + 1)
    corner = [0.0 + 1 + 0.23 + 0.1 + 0.065532, 0.52 + 0.32 + 0.07 + 0.06586537]  # farthest stroke
    last = image.objects
    assert_allclose([last.x1[last.kind == LINE].max(), last.y1[last.kind == LINE].max()], corner, atol=1e-8)


def test_4_12_step_and_repeat_goes_up_first() -> None:
    image = read(HEAD + "%ADD13C,0.1*%%SRX3Y2I5.0J4.0*%D13*X123456Y789012D03*X456789Y12345D03*%SR*%M02*")
    o = image.objects
    assert_allclose(o.x0[::2] * 1e3, 0.123456 + np.array([0, 0, 5, 5, 10, 10]), rtol=1e-12)
    assert_allclose(o.y0[::2] * 1e3, 0.789012 + np.array([0, 4, 0, 4, 0, 4]), rtol=1e-12)


def test_4_12_clear_objects_of_a_block_clear_what_lies_beneath() -> None:
    text = HEAD + (
        "%ADD10R,20X20*%%ADD11R,2X2*%%ADD12R,1X1*%D10*X0Y0D03*%SRX2Y1I1.5J0*%D11*X0Y0D03*%LPC*%D12*X0Y0D03*%SR*%M02*"
    )
    # the second copy's dark square covers half of the first one's hole: x from 0.5 to 1 is outside, 0.5 .. 0.5
    first = box(-10, -10, 10, 10) - box(-0.5, -0.5, 0.5, 0.5)
    expected = (first | box(0.5, -1, 2.5, 1)) - box(1, -0.5, 2, 0.5)
    assert_allclose(area_mm2(text), expected.area, rtol=1e-9)


def test_4_13_end_of_file() -> None:
    image = read(DISC + "X0Y0D03*M02*\nX1000000D03*\n")
    assert len(image.objects) == 1
    assert image.unread[0].what == "characters after the end of the file"
    assert "M02" in read(DISC + "X0Y0D03*").problems[0]


def test_5_1_attributes_and_their_comment_form_say_the_same() -> None:
    plain = (
        "%TF.FileFunction,Copper,L1,Top*%" + HEAD + "%TA.AperFunction,SMDPad,CuDef*%%ADD10C,1*%%TD*%D10*"
        "%TO.N,Net\\u002C1*%%TO.P,IC3,7,CLK*%%TO.C,IC3*%X0Y0D03*%TD.P*%X1000000D03*%TD*%X2000000D03*M02*"
    )
    comments = plain.replace("%T", "G04 #@! T").replace("*%", "*").replace("FSL", "%FSL", 1)
    comments = (
        comments.replace("%%FSL", "%FSL")
        .replace("%FSLAX26Y26*%MOMM*", "%FSLAX26Y26*%%MOMM*%")
        .replace("%ADD10C,1*", "%ADD10C,1*%")
    )
    for image in (read(plain), read(comments)):
        assert image.attributes[".FileFunction"] == ("Copper", "L1", "Top")
        assert image.nets == ("", "Net,1")
        assert image.net.tolist() == [1, 1, 0]
        assert image.pins == ((), ("IC3", "7", "CLK"))
        assert image.pin.tolist() == [1, 0, 0]
        assert image.components == ("", "IC3")
        assert image.component.tolist() == [1, 1, 0]
        assert [image.functions[i] for i in image.function] == [("SMDPad", "CuDef")] * 3


def test_5_3_1_regions_take_attributes_from_the_dictionary() -> None:
    image = read(
        HEAD + "%TA.AperFunction,ViaPad*%%ADD10C,1*%D10*%TA.AperFunction,Conductor*%%TO.N,GND*%G36*" + CONTOUR_4_10_4_2
        + "G37*X0Y0D03*M02*"
    )  # fmt: skip
    assert [image.functions[i] for i in image.function] == [("Conductor",), ("ViaPad",)]
    assert [image.nets[i] for i in image.net] == ["GND", "GND"]


def test_5_6_16_component_layer() -> None:
    image = read(
        "%TF.FileFunction,Component,L1,Top*%" + HEAD + "%TA.AperFunction,ComponentMain*%%ADD10C,0.3*%"
        "%TA.AperFunction,ComponentPin*%%ADD11C,0*%%TD*%D10*%TO.C,R1*%%TO.CRot,-90*%%TO.CMfr,Maker*%%TO.CMPN,X-1*%"
        "%TO.CVal,10k*%%TO.CPgN,0402*%X5000000Y5000000D03*D11*%TO.P,R1,1*%X4500000D03*M02*"
    )
    main = image.attribute_sets[image.objects.attributes[0]]
    assert main.on_object[".CRot"] == ("-90",)
    assert {name: main.on_object[name][0] for name in (".CMfr", ".CMPN", ".CVal", ".CPgN")} == {
        ".CMfr": "Maker", ".CMPN": "X-1", ".CVal": "10k", ".CPgN": "0402"
    }  # fmt: skip
    assert [image.functions[i][0] for i in image.function] == ["ComponentMain", "ComponentPin"]
    assert image.pins[image.pin[1]] == ("R1", "1")


# chapter 8, deprecated


def test_8_1_g_codes_for_units_and_notation() -> None:
    image = read("%FSLAX24Y24*%G70*%ADD10C,0.01*%G54D10*G91*X10000Y0D02*X10000D01*X0Y5000D01*G55D03*G90*X0D03*M00*")
    assert image.unit == "inch"
    assert_allclose(image.objects.x1 / 0.0254, [2, 2, 2, 0], atol=1e-12)
    assert read("%FSLAX24Y24*%G71*%ADD10C,0.1*%D10*X0Y0D03*M02*").unit == "mm"


def test_8_1_image_commands() -> None:
    """MI and SF act on coordinates alone, OF moves the image, IR turns it, apertures with it."""
    body = "%ADD10R,2X1*%D10*X3000000Y1000000D03*M02*"
    plain = read(HEAD + body)
    assert_allclose(shapely.bounds(copper(plain)) * 1e3, [2, 0.5, 4, 1.5])
    moved = read(HEAD + "%MIA1B0*%%SFA2B3*%%OFA1.0B-1.5*%%IR90*%" + body)
    # mirrored to -3, scaled to (-6, 3), moved to (-5, 1.5), turned to (-1.5, -5)
    assert_allclose(shapely.bounds(copper(moved)) * 1e3, [-2, -6, -1, -4])
    assert_allclose(moved.objects.x0 * 1e3, [-1.5])
    swapped = read(HEAD + "%ASAYBX*%" + body)
    assert "axes" in swapped.problems[0]


def test_8_1_mirrored_arcs_turn_the_other_way() -> None:
    body = "%ADD10C,0.1*%D10*G75*X1000000Y0D02*G03*X0Y1000000I-1000000J0D01*M02*"
    plain, mirrored = copper(read(HEAD + body)), copper(read(HEAD + "%MIA1*%" + body))
    assert_allclose(
        shapely.bounds(mirrored), shapely.bounds(shapely.affinity.scale(plain, -1, 1, origin=(0, 0))), atol=1e-9
    )


def test_8_1_4_negative_image() -> None:
    image = read(HEAD + "%IPNEG*%%LPD*%%ADD10R,2X2*%D10*X0Y0D03*M02*")
    assert image.inverted
    frame = box(-5e-3, -5e-3, 5e-3, 5e-3)
    assert_allclose(copper(image, frame).area * 1e6, 100 - 4)


def test_8_1_names() -> None:
    image = read("%INPANEL_1*%" + HEAD + "%LNVia_anti-pads*%M02*")
    assert image.name == "PANEL_1"
    assert image.layer_names == ("Via_anti-pads",)


def test_8_1_10_single_quadrant_example() -> None:
    """Four quarters make a circle of radius 4 round (7, 6); signs of the offsets are left out."""
    image = read(
        "%FSLAX24Y24*%%MOMM*%%ADD10C,1*%G74*D10*X110000Y60000D02*G03*X70000Y100000I40000J0D01*X30000Y60000I0J40000D01*"
        "X70000Y20000I40000J0D01*X110000Y60000I0J40000D01*X30000D02*G01*X110000D01*X70000Y20000D02*Y100000D01*M02*"
    )
    o = image.objects
    assert o.kind.tolist() == [ARC] * 4 + [LINE] * 2
    assert_allclose(np.stack([o.xc, o.yc], 1)[:4] * 1e3, [[7, 6]] * 4)
    assert not image.problems


def test_8_2_1_trailing_zeros_left_out_and_increments() -> None:
    image = read("%FSTAX23Y23*%%MOMM*%%ADD10C,1*%D10*X15Y-015D03*M02*")
    assert_allclose([image.objects.x0[0] * 1e3, image.objects.y0[0] * 1e3], [15, -1.5])
    image = read("%FSLIX26Y26*%%MOMM*%%ADD10C,1*%D10*X1000000Y0D03*X1000000Y500000D03*M02*")
    assert_allclose(image.objects.x0 * 1e3, [1, 2])


def test_8_2_2_rectangular_holes_do_not_turn_with_the_polygon() -> None:
    image = read(HEAD + "%ADD10C,10X5X5*%%ADD11P,10X4X30X2X1*%M02*")
    assert_allclose(image.apertures[0].shape.area * 1e6, math.pi * 25 - 25, rtol=CIRCLE)
    hole = shapely.bounds(Polygon(image.apertures[1].shape.interiors[0])) * 1e3
    assert_allclose(hole, [-1, -0.5, 1, 0.5])


def test_8_2_3_rectangles_stroke_their_hull() -> None:
    """2 x 1 drawn from (0, 0) to (6, 3): the box of the sweep less two corners."""
    text = HEAD + "%ADD10R,2X1*%D10*X0Y0D02*X6000000Y3000000D01*M02*"
    # a sweep has the area of the shape and of its shadow times the way: |w dy| + |h dx|
    assert_allclose(area_mm2(text), 2 * 1 + 2 * 3 + 1 * 6, rtol=1e-9)
    turned = read(HEAD + "%ADD10R,2X1*%D10*%LR90*%X0Y0D02*X6000000D01*M02*")
    assert_allclose(copper(turned).area * 1e6, (6 + 1) * 2, rtol=1e-9)


def test_8_2_6_moire() -> None:
    image = read(HEAD + "%AMMOIRE* 6,0,0,5,0.5,0.5,2,0.1,6,0*%%ADD10MOIRE*%M02*")
    rings = math.pi * (2.5**2 - 2**2 + 1.5**2 - 1**2)
    cross = 2 * 6 * 0.1 - 0.01
    # of each bar the parts over the two rings, 1 mm on either side, are there already
    assert_allclose(image.apertures[0].shape.area * 1e6, rings + cross - 4 * 1 * 0.1, rtol=CIRCLE)


def test_8_3_old_forms() -> None:
    """G01 in the word of an operation, D01 left out, more than one command between percent signs, an open SR."""
    image = read(
        "%FSLAX26Y26*MOMM*ADD10C,1*ADD11C,0.5*%N10D10*G01X0Y0D02*N20G1X1000000Y0D1*X2000000*Y1000000*D11*X0Y0D02*X1000000D01*"
        "%SRX1Y1I0J0*%%SRX2Y1I5J0*%X0Y0D03*%SRX1Y2I0J5*%X0Y0D03*M02*"
    )
    assert image.objects.kind.tolist() == [LINE] * 4 + [FLASH] * 4
    assert image.objects.x1[:3].tolist() == pytest.approx([1e-3, 2e-3, 2e-3])
    assert image.objects.x0[4:].tolist() == pytest.approx([0, 5e-3, 0, 0])
    assert image.objects.y0[4:].tolist() == pytest.approx([0, 0, 0, 5e-3])


def test_8_5_standard_gerber_is_refused() -> None:
    with pytest.raises(ReadError, match=r"test.gbr:1: found coordinates before any format statement; expected %FS"):
        read("G54D10*X0Y0D02*X1000Y0D01*M02*")


def test_transforms_combine() -> None:
    mirror, quarter = Transform(mirror=True), Transform(rotation=math.pi / 2, scale=2)
    point = np.array([3.0, 1.0])
    for outer, inner in ((mirror, quarter), (quarter, mirror), (quarter, quarter), (mirror, mirror)):
        assert_allclose(outer.after(inner).matrix @ point, outer.matrix @ (inner.matrix @ point), atol=1e-12)


def test_shape_of_a_mirrored_aperture_is_a_sound_polygon() -> None:
    image = read(HEAD + "%AML*4,1,6,0,0,3,0,3,1,1,1,1,2,0,2,0,0,0*%%ADD10L*%M02*")
    shape = shape_of(image.apertures[0], Transform(mirror=True, rotation=math.pi / 2))
    assert shape.is_valid
    assert_allclose(shapely.bounds(shape) * 1e3, [-2, -3, 0, 0], atol=1e-12)
