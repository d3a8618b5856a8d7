"""Openings that lines cross, on boards: shapes, planes behind, coupling; and where the return flows."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from quietcopper.build import rectangle, small_board
from quietcopper.electrical import return_maps
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import gap_inductance
from quietcopper.fields import return_sheet
from quietcopper.fields.copper_dc import conduct
from quietcopper.fields.slots import solve_opening, solve_slot
from quietcopper.units import COPPER_CONDUCTIVITY

MM = 1e-3


def _board(cut, *ways, layer=1, behind=False):  # type: ignore[no-untyped-def]
    b = small_board()
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=[cut])
    if behind:
        b.area("GND", 3, rectangle(1, 1, 49, 29))
    for i, way in enumerate(ways):
        b.trace(f"N{i}", layer, way)
    return View(b.build())


def test_a_slanted_slot_is_solved_across_the_line() -> None:
    """A line at 30 degrees through the middle of a slot square to it: the slot's own figure (0.5 %)."""
    turned = shapely.affinity.rotate(rectangle(24.5, 10, 25.5, 20), 30, origin=(25, 15))
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    view = _board(turned, [(25 - 10 * c, 15 - 10 * s), (25 + 10 * c, 15 + 10 * s)])
    assert_allclose(gap_inductance(view, 0)[0], solve_slot(10 * MM, 1 * MM, 0.2 * MM, 0.2 * MM), rtol=0.005)


def test_a_round_opening_counts_with_its_shape() -> None:
    """Against the same opening put to the solver directly (1 %: the outline's corners are rounded off to 5 um)."""
    disc = shapely.Point(25, 15).buffer(2, quad_segs=24)
    view = _board(disc, [(5, 15.5), (45, 15.5)])
    shape = shapely.transform(disc, lambda p: (p - (25, 15)) * MM)
    expected = solve_opening(shape, [0.2 * MM], [0.2 * MM], [0.5 * MM]).inductance[0, 0]
    assert_allclose(gap_inductance(view, 0)[0], expected, rtol=0.01)


def test_a_trace_led_through_the_opening_shields_it() -> None:
    """A moat of 20 x 2 mm round a strip of 1.2 mm: no flux passes the strip. Against the return current on a sheet with
    the strip as an island (10 %: cells of 0.1 mm, four to a slot); the empty moat has a tenth more."""
    moat, strip = rectangle(24, 5, 26, 25), [(25, 6), (25, 24)]
    b = small_board()
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=[moat])
    b.trace("N0", 1, [(5, 15), (45, 15)])
    b.trace("VCC", 2, strip, width=1.2)
    view = View(b.build())
    found = gap_inductance(view, 0)[0]
    window = shapely.box(10, 1, 40, 29)
    island = shapely.LineString(strip).buffer(0.6)
    trace = return_sheet.Trace(np.array([[12, 15], [38, 15]]) * MM, 0.2 * MM, 0.2 * MM)
    sheet = []
    for shape in (window, window.difference(moat.difference(island))):
        grid = return_sheet.cells(shapely.transform(shape, lambda p: p * MM), 0.1 * MM)
        sheet.append(return_sheet.solve(grid, trace, trace.way[1], trace.way[0]).inductance)
    assert_allclose(found, sheet[1] - sheet[0], rtol=0.1)
    assert gap_inductance(_board(moat, [(5, 15), (45, 15)]), 0)[0] > 1.05 * found


def test_a_line_that_crosses_one_opening_three_times() -> None:
    """A comb: three slots of 4.5 x 0.5 mm, 1 mm to the near end, that a channel beside the line joins. Each crossing
    takes a third of what the aperture solver finds for a straight line over all of it (15 %: the channel between the
    slots is cut), not the whole."""
    tines = [rectangle(24, y, 28.5, y + 0.5) for y in (8, 14, 20)]
    comb = shapely.union_all([*tines, rectangle(28, 8, 28.5, 20.5)])
    view = _board(comb, [(25, 3), (25, 27)])
    shape = shapely.transform(comb, lambda p: (p - (25, 15))[:, ::-1] * MM)  # the line along x
    together = solve_opening(shape, [0.2 * MM], [0.2 * MM], [0.0]).inductance[0, 0]
    assert len(view.gaps) == 3
    for row in range(3):
        assert_allclose(gap_inductance(view, row)[0], together / 3, rtol=0.15)


def test_a_plane_behind_and_lines_of_two_directions() -> None:
    view = _board(rectangle(20, 10, 30, 20), [(5, 15), (45, 15)], [(25, 2), (25, 28)], behind=True)
    solved = [view.crossings.of(row) for row in range(2)]
    assert all(s is not None and len(s.rows) == 1 for s in solved)
    assert solved[0] is not None
    assert_allclose(solved[0].behind, view.board.distance(1, 2))
    assert np.isinf(solved[0].over)


def test_results_are_kept_by_content() -> None:
    """The same opening elsewhere on another board is not solved again: equal to the last bit."""
    one = _board(rectangle(24.5, 10, 25.5, 20), [(5, 15), (45, 15)])
    other = _board(rectangle(14.5, 11, 15.5, 21), [(5, 16), (45, 16)])
    assert gap_inductance(one, 0)[0] == gap_inductance(other, 0)[0]


def test_a_split_that_comes_to_an_end_passes_from_one_regime_to_the_other() -> None:
    """A notch across the board that leaves ever less: its inductance rises steadily; as a complete split it has none of
    its own, and what joins the halves takes over (nothing here)."""
    figures = []
    for low in (9.0, 6.0, 3.0, 1.5):
        view = _board(rectangle(24.75, low, 25.25, 31), [(5, 15), (45, 15)])
        figures.append(gap_inductance(view, 0)[0])
    assert np.all(np.diff(figures) > 0)
    assert np.all(np.isfinite(figures))
    split, ways = gap_inductance(_board(rectangle(24.75, -1, 25.25, 31), [(5, 15), (45, 15)]), 0)
    assert np.isinf(split)
    assert ways is not None


def test_the_return_of_a_net_runs_under_it_and_spreads_at_low_frequency() -> None:
    view = _board(rectangle(40, 25, 41, 26), [(5, 15), (20, 15), (30, 20), (45, 20)])
    stretch = return_maps.stretches(view, view.board.net_index["N0"])[0]
    assert (stretch.layer, stretch.reference) == (0, 1)
    assert_allclose(stretch.line.length, (15 + 125**0.5 + 15) * MM)
    band = stretch.line.buffer(1.5 * MM)
    slow, fast = (return_maps.map_of(view, stretch, f) for f in (1e3, 1e9))
    assert slow.flow.share_within(band) < 0.25 < 0.75 < fast.flow.share_within(band)
    way = shapely.LineString(np.concatenate(fast.ways))
    assert stretch.line.hausdorff_distance(way) < 1.5 * MM
    assert fast.flow.resistance > 3 * slow.flow.resistance


def test_what_a_slot_adds_to_the_loop() -> None:
    """At 10 Hz the resistance of the detour is the conduction solver's, on cells of its own (4 %); at 1 GHz the
    inductance is the aperture's (10 %: cells of half the slot's width), and resistance has risen with the skin."""
    view = _board(rectangle(24.5, 10, 25.5, 20), [(5, 15), (45, 15)])
    slow, fast = (return_maps.map_at_gap(view, 0, f) for f in (10.0, 1e9))
    metal, line = slow.copper, shapely.get_coordinates(slow.stretch.line)
    with_slot, whole = (
        conduct(shape, line[[0, -1]] * 0.999 + line.mean(axis=0) * 0.001, 0.1 * MM, cell=0.2 * MM).squares[1, 1]
        for shape in (metal, shapely.box(*metal.bounds))
    )
    square = 1 / (COPPER_CONDUCTIVITY * view.board.layers[1].thickness)
    assert_allclose(slow.resistance, (with_slot - whole) * square, rtol=0.04)
    assert_allclose(fast.inductance, gap_inductance(view, 0)[0], rtol=0.1)
    assert fast.resistance > 3 * slow.resistance


def test_a_split_is_bridged_where_something_bridges_it() -> None:
    view = _board(rectangle(24.75, -1, 25.25, 31), [(5, 15), (45, 15)])
    drawn = return_maps.map_at_gap(view, 0, 1e9, (25 * MM, 19 * MM))
    first, second = drawn.ways
    for way in (first, second):
        assert np.hypot(*(way - (25 * MM, 19 * MM)).T).min() < 1 * MM
    assert first[:, 0].min() > 25 * MM > second[:, 0].max()  # each on its bank
    assert {"x_mm", "level", "signal_mm", "return_mm"} <= set(drawn.drawing())


@pytest.mark.parametrize("frequency", [1e6, 1e9])
def test_a_map_is_the_same_on_a_mirrored_board(frequency: float) -> None:
    one = _board(rectangle(24.5, 9, 25.5, 25), [(5, 15), (45, 15)])
    other = _board(rectangle(24.5, 5, 25.5, 21), [(5, 15), (45, 15)])
    a, b = (return_maps.map_at_gap(v, 0, frequency).flow.density() for v in (one, other))
    assert_allclose(a, b[:, ::-1], rtol=1e-3, atol=1e-3 * np.nanmax(a))
