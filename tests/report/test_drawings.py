"""The drawings say where things are: paths, windows, marks, the cut through the stackup, charts."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup
from shapely import Point, box

from quietcopper.findings import Drawing, DrawnLayer
from quietcopper.report.charts import Curve, DecibelScale, decibel_line, nice_ticks, plot
from quietcopper.report.closeup import close_up
from quietcopper.report.evidence import pictures
from quietcopper.report.pictures import Mark, crowd_labels, excess_level, label_spots, marks
from quietcopper.report.sections import best_cut, copper_along, layer_heights, spread
from quietcopper.report.svg import BoardShapes, Box, LayerShapes, geometry_paths, path, scale_bar_mm

COORDINATE = st.floats(-500, 500)
LINE = st.lists(st.tuples(COORDINATE, COORDINATE), min_size=1, max_size=8)


def follow(data):
    """The points (drawing units) that path data visit, one list for each subpath."""
    lines = []
    for command, numbers in re.findall(r"([Mlz])([^Mlz]*)", data):
        values = [int(v) for v in numbers.split()]
        pairs = list(zip(values[::2], values[1::2], strict=True))
        if command == "M":
            lines.append([pairs[0]])
        for dx, dy in pairs if command == "l" else ():
            lines[-1].append((lines[-1][-1][0] + dx, lines[-1][-1][1] + dy))
    return lines


@given(st.lists(LINE, min_size=1, max_size=5))
def test_paths_pass_through_their_points_to_the_micrometre(lines):
    visited = {point for line in follow(path(lines)) for point in line}
    wanted = {(round(x * 1000), round(-y * 1000)) for line in lines for x, y in line}
    assert visited == wanted


@given(LINE)
def test_closed_paths_end_where_they_began(line):
    data = path([[*line, line[0]]], closed=True)
    assert data.endswith("z")
    assert len(follow(data)) == 1


def test_segments_in_a_row_become_one_line():
    data = path([[(0, 0), (1, 0)], [(1, 0), (1, 2)], [(5, 5), (6, 5)]])
    assert data == "M0 0l1000 0l0 -2000M5000 -5000l1000 0"


def layer(areas=(), traces=(), pads=()):
    def rings(shape):
        return [np.asarray(shape.exterior.coords), *(np.asarray(r.coords) for r in shape.interiors)]

    return DrawnLayer(
        name="L",
        areas=[rings(a) for a in areas],
        area_nets=[1] * len(areas),
        traces=[np.asarray(t, dtype=float) for t, _ in traces],
        trace_widths=[w for _, w in traces],
        trace_nets=[1] * len(traces),
        pads=[rings(p) for p in pads],
        pad_nets=[1] * len(pads),
    )


def test_round_pads_are_drawn_as_spots_of_their_diameter_and_others_as_shapes():
    pads = [Point(1, 1).buffer(0.3, quad_segs=16), box(3, 3, 4, 4), Point(5, 5).buffer(0.5, quad_segs=2)]
    drawn = LayerShapes(layer(pads=pads))
    disc, centre, diameter = drawn.round_pads
    assert disc.tolist() == [True, False, False]  # the last is an octagon
    assert centre[0] == pytest.approx((1, 1), abs=1e-9)
    assert diameter[0] == pytest.approx(0.6, rel=0.01)  # a polygon of 64 sides inside the circle has 0.16 % less area
    svg = str(drawn.copper(*drawn.everything))
    assert '<path class="pad dot" stroke-width="600" d="M1000 -1000h0"/>' in svg
    assert svg.count('<path class="pad"') == 1


def test_a_scale_bar_is_a_round_length_of_about_a_fifth():
    for width in (0.7, 3.0, 14.0, 88.0, 300.0):
        length = scale_bar_mm(width)
        assert width / 13 < length <= width / 5 * 1.001
        assert length / 10 ** math.floor(math.log10(length)) == pytest.approx(1, abs=1e-9) or length > 0
        assert f"{length:e}"[0] in "125"


def test_windows_turn_the_board_s_axis_downward():
    window = Box(10, 20, 14, 22)
    assert window.view == "10000 -22000 4000 2000"
    assert window.shaped(4.0) == Box(8, 20, 16, 22)


def test_shapes_of_findings_are_split_into_surfaces_and_lines():
    ring = [[0, 0], [1, 0], [1, 1], [0, 0]]
    shape = {
        "type": "GeometryCollection",
        "geometries": [
            {"type": "Polygon", "coordinates": [ring]},
            {"type": "MultiLineString", "coordinates": [[[0, 0], [2, 0]]]},
            {"type": "Point", "coordinates": [3, 3]},
        ],
    }
    assert geometry_paths(shape) == ("M0 0l1000 0 0 -1000z", "M0 0l2000 0")
    assert geometry_paths(None) == ("", "")


@pytest.mark.parametrize(
    ("excess", "level"),
    [(None, 0), (-7.0, 0), (-6.0, 1), (-0.1, 1), (0.0, 2), (3.0, 3), (6.0, 4), (11.9, 4), (12.0, 5)],
)
def test_colour_steps_follow_the_excess(excess, level):
    assert excess_level(excess) == level


def mark(number, x, layers=(0,)):
    return Mark(number, (x, 0.0), layers, 1, "t", "", "", "")


def test_marks_on_each_other_share_the_label_of_the_worst():
    near = [mark(1, 0.0), mark(2, 0.1), mark(3, 50.0), mark(4, 0.2, layers=(3,)), mark(5, 0.3, layers=())]
    assert crowd_labels(near, px_per_mm=10) == {1: "1, 2, 5", 2: "", 3: "3", 4: "4", 5: ""}
    assert crowd_labels(near, px_per_mm=1000) == {n: str(n) for n in range(1, 6)}
    assert crowd_labels([mark(n, 0.0) for n in range(1, 9)], px_per_mm=1)[1] == "1 +7"


def test_the_cut_meets_the_copper_that_lies_on_it():
    plane = box(0, 0, 40, 30).difference(box(10, 10, 12, 20))
    drawn = layer(areas=[plane], traces=[([(50, 0), (50, 30)], 0.4)], pads=[box(60, 14, 61, 16)])
    shapes = BoardShapes(
        Drawing([[np.array([(0, 0), (80, 0), (80, 30), (0, 30)])]], [drawn], np.zeros((0, 3)), [], [""])
    )
    spans = copper_along(shapes, 0, 15.0)
    assert np.allclose(spans, [(0, 10), (12, 40), (49.8, 50.2), (60, 61)], atol=1e-9)
    assert np.allclose(copper_along(shapes, 0, 25.0), [(0, 40), (49.8, 50.2)], atol=1e-9)


def test_the_stackup_is_cut_where_most_layers_have_copper():
    upper, lower = layer(areas=[box(0, 0, 40, 30)]), layer(areas=[box(0, 0, 40, 12)])
    outline = [[np.array([(0, 0), (40, 0), (40, 30), (0, 30)])]]
    shapes = BoardShapes(Drawing(outline, [upper, lower], np.zeros((0, 3)), [], [""]))
    assert best_cut(shapes, [25.0, 20.0, 8.0, 5.0, 99.0]) == 8.0
    assert best_cut(shapes, [25.0]) == 25.0
    assert best_cut(shapes, []) == 15.0


def test_layers_lie_at_their_height_in_the_stackup():
    stackup = {
        "layers": [{"thickness_um": 35.0}] * 4,
        "dielectrics": [{"thickness_mm": t} for t in (0.2, 1.06, 0.2)],
    }
    tops = [y for y, _ in layer_heights(stackup, 4, 160.0)]
    scale = 158.0 / 1.6  # the drawn height less the least thickness of a layer, over 1.6 mm
    assert tops == pytest.approx([0, 0.235 * scale, 1.33 * scale, 1.565 * scale])
    unknown = {"layers": [], "dielectrics": []}
    assert len(layer_heights(unknown, 3, 100.0)) == 3


def test_labels_move_apart_about_their_middle():
    assert spread([0.0, 1.0, 50.0], 10.0) == pytest.approx([-3.0, 7.0, 47.0])
    assert spread([0.0, 20.0], 10.0) == [0.0, 20.0]
    assert spread([], 10.0) == []


def test_a_layer_change_without_its_own_distance_takes_that_of_the_reach(invented):
    _, document = invented
    bare = {"transition": {"upper": 0, "lower": 3, "upper_reference": 1, "lower_reference": 2}}
    (alone,), odd = pictures(bare, document)
    assert odd == []
    assert 'class="return"' not in alone.svg
    (with_reach,), _ = pictures({**bare, "reach": {"distance_mm": 4.2, "what": "GND via"}}, document)
    assert "GND via: 4.2 mm" in with_reach.svg
    (none,), _ = pictures({"transition": {**bare["transition"], "upper_reference": -1}}, document)
    assert none.svg.count('class="plane"') == 1


def test_a_close_up_shows_its_place_and_stays_small(invented):
    result, document = invented
    shapes = BoardShapes(result.drawing)
    places = marks(document, shapes)
    finding = {**document["findings"][0], "number": 1}
    svg = str(close_up(document, shapes, places, [finding], 3))
    x, y, w, h = (int(v) for v in re.search(r'viewBox="([^"]+)"', svg)[1].split())
    assert x < 38_000 < x + w
    assert y < -23_000 < y + h
    assert 'class="under"' in svg
    assert "chosen" in svg
    assert len(svg) < 60_000


def test_a_decibel_line_puts_zero_and_both_figures_in_proportion():
    scale = DecibelScale.around([12.8, -1.4, -20.0])
    assert (scale.low, scale.high) == (-24.0, 18.0)
    svg = str(decibel_line(scale, 12.8, -1.4))
    xs = [float(v) for v in re.findall(r'cx="([\d.]+)"', svg)]
    zero = float(re.search(r'class="zero" d="M([\d.]+)', svg)[1])
    after, now = sorted(xs)
    # one dB is one length on the line; positions are printed to 0.1 px
    assert (now - zero) / 12.8 == pytest.approx((zero - after) / 1.4, abs=0.1)
    assert "after the change −1.4 dB" in svg
    assert "nothing left" in str(decibel_line(scale, 12.8, None, removed=True))


def test_ticks_are_round_and_inside():
    assert nice_ticks(0.0, 100.0) == [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
    assert nice_ticks(-7.0, 9.0, 4) == [-5.0, 0.0, 5.0]
    assert nice_ticks(3.0, 3.0) == [3.0]


def test_a_plot_runs_over_a_logarithmic_axis_and_refuses_a_single_point():
    svg = str(plot([Curve([1e7, 1e8, 1e9], [0, 10, 20], "level")], label="l", x_text=str, y_unit="dB", log_x=True))
    points = [float(v) for v in re.findall(r"[ML]([\d.]+) [\d.]+(?=[L\"])", svg.split('class="curve level"')[1])]
    assert points[1] - points[0] == pytest.approx(points[2] - points[1], abs=0.15)  # printed to 0.1 px
    with pytest.raises(ValueError, match="a curve needs two points"):
        plot([Curve([1.0], [1.0], "level")], label="l", x_text=str, y_unit="V")


def test_labels_of_crowded_places_lie_on_no_other_label_and_inside_the_window():
    rng = np.random.default_rng(3)
    window = Box(0.0, 0.0, 46.0, 30.0)
    places = [
        Mark(n, (float(x), float(y)), (0,), 3, "", "", "", Markup(""))
        for n, (x, y) in enumerate(rng.uniform((0.5, 0.5), (45.5, 29.5), (9, 2)), start=1)
    ]
    labels = {m.number: "12, 13, 14" for m in places}
    boxes = []
    for number, (dx, dy, anchor) in label_spots(places, labels, window, 10.0).items():
        x, y = places[number - 1].at[0] * 10 + dx, (30.0 - places[number - 1].at[1]) * 10 + dy
        x -= {"start": 0, "middle": 36, "end": 72}[anchor]
        assert x >= 0
        assert x + 72 <= 460
        boxes.append((x, y - 11, x + 72, y + 2))
    assert len(boxes) == 9
    for i, a in enumerate(boxes):
        assert all(a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3] for b in boxes[:i])


@pytest.mark.parametrize(
    ("place", "seen"),
    [
        ((40.0, 10.0, 42.0, 12.0), (36.0, 8.0, 46.0, 14.0)),  # inside: as it is
        ((98.0, 50.0, 100.0, 52.0), (91.2, 48.0, 101.2, 54.0)),  # at the edge: moved onto the board
    ],
)
def test_a_window_looks_past_the_board_no_more_than_it_must(place, seen):
    near = Box(*place).at_least(10.0, 6.0)
    kept = near.kept_on(Box(0.0, 0.0, 100.0, 60.0).grown(1.2))
    assert (kept.x0, kept.y0, kept.x1, kept.y1) == pytest.approx(seen)
    small = Box(0.0, 0.0, 4.0, 4.0)
    assert near.kept_on(small) == Box(-3.0, -1.0, 7.0, 5.0)  # larger than the board: the board in its middle
