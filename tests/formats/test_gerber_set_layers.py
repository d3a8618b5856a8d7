"""Copper of one layer: what becomes a trace, a pad, an area; what is cut, painted, or drawn as its negative."""

from __future__ import annotations

import importlib.util
import itertools
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from quietcopper.board import Board, Traces
from quietcopper.formats.gerber.parser import read_image
from quietcopper.formats.gerber.shapes import copper
from quietcopper.formats.gerber_set.layers import layer_copper

_spec = importlib.util.spec_from_file_location("gerber_files", Path(__file__).with_name("gerber_files.py"))
assert _spec is not None
assert _spec.loader is not None
gerber = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(gerber)

MM = 1e-3


def one_layer(tmp_path: Path, body: str) -> Board:
    return gerber.read(tmp_path, {"top.gbr": gerber.top(body)})


def area_mm2(board: Board) -> list[float]:
    return sorted((shapely.area(board.areas.shape) / MM**2).round(6).tolist())


def test_a_stroke_is_a_trace_and_a_flash_is_a_pad(tmp_path: Path) -> None:
    board = one_layer(tmp_path, gerber.line(1, 2, 5, 2) + gerber.flash(5, 2))
    t = board.traces
    assert_allclose([t.x0[0], t.y0[0], t.x1[0], t.y1[0], t.width[0]], np.array([1, 2, 5, 2, 0.2]) * MM)
    assert_allclose([board.pads.x[0], board.pads.y[0]], np.array([5, 2]) * MM)
    assert board.pads.shape[0].area == pytest.approx(np.pi * 0.09 * MM**2, rel=0.01)
    assert len(board.areas) == 0


def test_an_arc_keeps_its_centre_and_sense(tmp_path: Path) -> None:
    body = "D10*\nX100000Y100000D02*\nG03*\nX120000Y120000I0J20000D01*\nG02*\nX140000Y140000I20000J0D01*\nG01*"
    t = one_layer(tmp_path, body).traces
    assert t.turn.tolist() == [1, -1]
    assert_allclose(np.stack([t.xc, t.yc], axis=-1) / MM, [(10, 12), (14, 12)])


def test_strokes_with_other_apertures_are_areas(tmp_path: Path) -> None:
    board = one_layer(tmp_path, gerber.line(2, 2, 6, 2, code=12))
    assert (len(board.traces), area_mm2(board)) == (0, [5.0])


def test_a_stroke_drawn_twice_is_one_trace(tmp_path: Path) -> None:
    board = one_layer(tmp_path, gerber.line(1, 2, 5, 2) + gerber.line(1, 2, 5, 2))
    assert len(board.traces) == 1
    assert any(u.why == "drawn twice, taken once" and u.count == 1 for u in board.unread)


def test_a_stroke_of_no_length_is_a_pad(tmp_path: Path) -> None:
    board = one_layer(tmp_path, gerber.line(3, 3, 3, 3, code=11))
    assert (len(board.traces), len(board.pads)) == (0, 1)


def test_regions_that_touch_are_one_area(tmp_path: Path) -> None:
    board = one_layer(tmp_path, gerber.box(0, 0, 10, 10) + gerber.box(10, 0, 20, 10) + gerber.box(30, 0, 39, 10))
    assert area_mm2(board) == [90.0, 200.0]


def test_regions_of_two_nets_stay_two_areas_even_where_they_touch(tmp_path: Path) -> None:
    body = gerber.net("A", gerber.box(0, 0, 10, 10)) + gerber.net("B", gerber.box(10, 0, 20, 10))
    board = one_layer(tmp_path, body)
    assert sorted(board.nets[n] for n in board.areas.net) == ["A", "B"]


# ---- clear -----------------------------------------------------------------------------------------


def test_clear_objects_cut_what_was_drawn_before_and_not_what_comes_after(tmp_path: Path) -> None:
    body = gerber.box(0, 0, 20, 20) + "%LPC*%\n" + gerber.box(2, 2, 12, 12) + "%LPD*%\n" + gerber.box(4, 4, 10, 10)
    assert area_mm2(one_layer(tmp_path, body)) == [36.0, 300.0]


def test_a_trace_that_is_cut_becomes_area_and_one_that_is_wiped_out_goes(tmp_path: Path) -> None:
    body = gerber.line(1, 1, 11, 1) + gerber.line(20, 20, 21, 20)
    body += "%LPC*%\n" + gerber.box(5, 0, 6, 2) + gerber.box(18, 18, 23, 23) + "%LPD*%\n" + gerber.line(1, 5, 11, 5)
    board = one_layer(tmp_path, body)
    assert len(board.traces) == 1
    assert len(board.areas) == 2
    assert sum(area_mm2(board)) == pytest.approx(9 * 0.2 + np.pi * 0.01, abs=1e-3)


def test_a_pad_that_is_cut_stays_a_pad(tmp_path: Path) -> None:
    board = one_layer(tmp_path, gerber.flash(5, 5, 12) + "%LPC*%\n" + gerber.box(5, 0, 9, 9) + "%LPD*%\n")
    assert len(board.pads) == 1
    assert board.pads.shape[0].area == pytest.approx(0.5 * MM**2)


# ---- painted -----------------------------------------------------------------------------------------


def edges(x0: float, y0: float, x1: float, y1: float, code: int = 10) -> str:
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
    return "".join(gerber.line(*a, *b, code) for a, b in itertools.pairwise(corners))


def test_strokes_along_a_regions_edge_belong_to_it(tmp_path: Path) -> None:
    board = one_layer(tmp_path, gerber.box(1, 1, 11, 6) + edges(1, 1, 11, 6))
    assert len(board.traces) == 0
    assert area_mm2(board) == [pytest.approx(10.2 * 5.2 - 0.04 + np.pi * 0.01, abs=1e-3)]


def test_a_frame_with_some_edges_missing_is_united_stroke_by_stroke(tmp_path: Path) -> None:
    body = gerber.box(1, 1, 11, 6) + gerber.line(1, 1, 11, 1) + gerber.line(11, 1, 11, 6, 11)
    board = one_layer(tmp_path, body)
    assert len(board.traces) == 0
    assert area_mm2(board) == [pytest.approx(50 + 10 * 0.1 + 5 * 0.3 + 0.2, abs=0.15)]


def test_edges_of_another_net_stay_traces(tmp_path: Path) -> None:
    body = gerber.net("A", gerber.box(1, 1, 11, 6)) + gerber.net("B", edges(1, 1, 11, 6))
    assert len(one_layer(tmp_path, body).traces) == 4


def hatched(x0: float, x1: float, y0: float, y1: float, pitch: float) -> str:
    return "".join(gerber.line(x0, y, x1, y) for y in np.arange(y0, y1 + pitch / 2, pitch))


@pytest.mark.parametrize("pitch", [0.1, 0.15, 0.2])
def test_hatching_closer_than_its_width_is_one_area_with_its_border(tmp_path: Path, pitch: float) -> None:
    board = one_layer(tmp_path, edges(2, 2, 12, 8) + hatched(2, 12, 2, 8, pitch))
    assert len(board.traces) == 0
    assert area_mm2(board) == [pytest.approx(10.2 * 6.2, abs=0.05)]


def test_traces_that_keep_a_clearance_are_no_hatching(tmp_path: Path) -> None:
    board = one_layer(tmp_path, hatched(2, 12, 2, 4, 0.25))
    assert (len(board.traces), len(board.areas)) == (9, 0)


def test_a_trace_that_leaves_hatching_stays_and_its_stub_inside_goes(tmp_path: Path) -> None:
    board = one_layer(tmp_path, hatched(2, 12, 2, 8, 0.15) + gerber.line(10, 5, 30, 5) + gerber.line(4, 3, 4, 7))
    assert len(board.traces) == 1
    assert board.traces.x1[0] == pytest.approx(30 * MM)


def test_crossed_and_chained_strokes_are_no_hatching(tmp_path: Path) -> None:
    """A trace of many short pieces round a bend, and one that crosses others at right angles."""
    angle = np.linspace(0, np.pi / 2, 40)
    bend = np.stack([10 + 0.5 * np.cos(angle), 10 + 0.5 * np.sin(angle)], axis=-1)
    chain = "".join(gerber.line(*a, *b) for a, b in itertools.pairwise(bend))
    grid = "".join(gerber.line(20, y, 30, y) for y in (5, 6)) + "".join(gerber.line(x, 4, x, 7) for x in (22, 24, 26))
    board = one_layer(tmp_path, chain + grid)
    assert (len(board.traces), len(board.areas)) == (39 + 5, 0)


# ---- pads by what the file says ------------------------------------------------------------------


def test_a_region_with_a_pin_is_a_pad(tmp_path: Path) -> None:
    board = one_layer(tmp_path, gerber.pin("U1", "7", gerber.region((1, 1), (3, 1), (2, 2))))
    assert len(board.areas) == 0
    assert board.pin_label(board.pads.pin[0]) == "U1.7"
    assert_allclose([board.pads.x[0], board.pads.y[0]], [2 * MM, 4 / 3 * MM])


def test_a_region_round_a_flash_has_the_pin_of_the_flash(tmp_path: Path) -> None:
    """A writer that draws rounded pads as regions leaves the pin of the pad before in force while it does so."""
    stale = "%TO.P,R1,2*%\n%TO.N,B*%\n%TO.C,R2*%\n" + gerber.box(10, 10, 11, 11)
    body = (
        "%TO.N,A*%\n%TO.P,R1,2*%\n"
        + gerber.flash(5, 5)
        + stale
        + "%TD*%\n%TO.P,R2,1*%\n%TO.N,B*%\n"
        + gerber.flash(10.5, 10.5)
    )
    board = one_layer(tmp_path, body)
    pins = {board.pin_label(p): board.nets[net] for p, net in enumerate(board.pins.net)}
    assert pins == {"R1.2": "A", "R2.1": "B"}


def test_a_pads_function_makes_pads_of_regions_and_strokes(tmp_path: Path) -> None:
    body = "%TA.AperFunction,SMDPad,CuDef*%\n%ADD20C,1*%\n" + gerber.box(1, 1, 8, 8) + gerber.line(20, 5, 22, 5, 20)
    board = one_layer(tmp_path, body)
    assert (len(board.areas), len(board.traces), len(board.pads)) == (0, 0, 2)


def test_in_a_file_without_functions_a_small_region_in_the_form_of_its_hull_is_a_pad(tmp_path: Path) -> None:
    shape_l = gerber.region((20, 5), (22, 5), (22, 6), (21, 6), (21, 7), (20, 7))
    board = one_layer(tmp_path, gerber.box(1, 1, 4, 3) + gerber.box(10, 10, 20, 20) + shape_l)
    assert (len(board.pads), area_mm2(board)) == (1, [3.0, 100.0])


def test_a_short_stroke_round_a_hole_is_an_oblong_pad(tmp_path: Path) -> None:
    body = gerber.line(5, 4.5, 5, 5.5, 11) + gerber.line(10, 1, 10, 9, 11)
    board = gerber.read(tmp_path, {"top.gbr": gerber.top(body), "d.drl": gerber.drill((5, 5), (10, 5))})
    assert (len(board.pads), len(board.traces)) == (1, 1)


# ---- negative -----------------------------------------------------------------------------------------


def test_a_negative_layer_is_the_board_without_what_is_drawn(tmp_path: Path) -> None:
    text = gerber.layer(gerber.box(10, 10, 15, 15) + gerber.flash(30, 20), function="Copper,L1,Top", negative=True)
    board = gerber.read(tmp_path, {"top.gbr": text})
    assert area_mm2(board) == [pytest.approx(1200 - 25 - np.pi * 0.09, abs=2e-3)]
    assert (len(board.traces), len(board.pads)) == (0, 0)


def test_an_inverted_image_likewise_and_twice_negative_is_positive(tmp_path: Path) -> None:
    body = "%IPNEG*%\n" + gerber.box(0, 0, 40, 20)
    assert area_mm2(gerber.read(tmp_path / "a", {"top.gbr": gerber.top(body)})) == [pytest.approx(400.0)]
    both = gerber.layer(body, function="Copper,L1,Top", negative=True)
    assert area_mm2(gerber.read(tmp_path / "b", {"top.gbr": both})) == [pytest.approx(800.0)]


# ---- nothing is lost ---------------------------------------------------------------------------------

NUMBER = st.integers(0, 40).map(lambda n: n / 2)
OBJECT = st.one_of(
    st.tuples(NUMBER, NUMBER, NUMBER, NUMBER, st.sampled_from([10, 11, 12])).map(lambda v: gerber.line(*v)),
    st.tuples(NUMBER, NUMBER, st.sampled_from([10, 11, 12])).map(lambda v: gerber.flash(*v)),
    st.tuples(NUMBER, NUMBER).map(lambda v: gerber.box(v[0], v[1], v[0] + 3, v[1] + 2)),
    st.tuples(NUMBER, NUMBER).map(
        lambda v: gerber.box(v[0], v[1], v[0] + 3, v[1] + 2) + edges(v[0], v[1], v[0] + 3, v[1] + 2)
    ),
    st.tuples(NUMBER, NUMBER).map(lambda v: hatched(v[0], v[0] + 2, v[1], v[1] + 1, 0.15)),
    st.sampled_from(["%LPC*%\n", "%LPD*%\n"]),
)


@given(st.lists(OBJECT, min_size=1, max_size=15).map("".join))
@settings(max_examples=150, deadline=None)
def test_the_tables_hold_the_copper_that_the_image_shows(body: str) -> None:
    image = read_image(gerber.layer(body).encode(), "x.gbr")
    found = layer_copper(image, False, None)
    s = found.strokes
    layer = np.zeros(len(s.net), dtype=np.int32)
    traces = Traces(s.net, layer, s.x0, s.y0, s.x1, s.y1, s.xc, s.yc, s.turn, s.width)
    parts = np.concatenate([traces.shapes, found.flashes.shape, found.filled.shape])
    shown = copper(image)
    assert shapely.is_valid(found.filled.shape).all()
    assert shapely.symmetric_difference(shapely.union_all(parts), shown).area <= 2e-3 * shown.area + 1e-10
