"""Cross-sections cut from boards against what the board was drawn with, and solved lines against reference values."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.special import ellipk
from shapely import box

from quietcopper.build import BoardBuilder, circle, copper, laminate, mask, rectangle, small_board, stack
from quietcopper.electrical.section_cuts import EDGE_REACH, POUR_REACH
from quietcopper.electrical.sections import cut_section, line_table
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.electrical.widths import width_for
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import solve

MM = 1e-3
T = 35e-6
UPRIGHT = Settings(etch=0.0)


def two_layers(height_um: float = 200, er: float = 4.3, with_mask: bool = False, copper_um: float = 35) -> BoardBuilder:
    sheets = [copper("top", thickness_um=copper_um), laminate(thickness_um=height_um, er=er, tan_d=0.02)]
    sheets.append(copper("bottom", thickness_um=copper_um))
    cover = [mask(thickness_um=20, er=3.5)] if with_mask else []
    b = BoardBuilder("two layers", unit=MM, stack=stack(*cover, *sheets, *cover), width=0.3, via=(0.3, 0.6))
    b.outline(rectangle(0, 0, 50, 30))
    return b


def close(one: CrossSection, other: CrossSection) -> bool:
    """Equal to rounding in a double."""
    return one.canonical() == other.canonical()


# --- the sections themselves -----------------------------------------------------------------------------------------


def test_a_line_over_a_plane() -> None:
    b = two_layers(with_mask=True)
    b.area("GND", 2, box(0, 0, 50, 30))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    cut = cut_section(View(b.build()), 0)
    expected = CrossSection(
        lines=(Strip(0.0, 0.2 * MM, 0.3 * MM, T, 0.25),),
        sheets=(Sheet(0.2 * MM, 4.3, 0.02),),
        coat_above=Coat(20e-6, 20e-6, 3.5, 0.025),
    )
    assert cut.section is not None
    assert close(cut.section, expected)
    assert (cut.below, cut.above, cut.flipped, cut.areas, cut.traces) == (1, -1, False, (0,), (0,))
    assert_allclose([cut.x, cut.y], [25 * MM, 10 * MM])


def test_pour_beside_a_line_at_its_own_distance_on_each_side() -> None:
    b = two_layers()
    b.area("GND", 2, box(0, 0, 50, 30))
    b.area("GND", 1, box(0, 10.15 + 0.2, 50, 30))
    b.area("", 1, box(0, 9.4, 50, 9.85 - 0.4))  # a strip 0.05 mm wide, 0.4 mm below the trace
    b.trace("CLK", 1, [(45, 10), (5, 10)])
    view = View(b.build())
    cut = cut_section(view, 0)
    assert cut.section is not None
    places = sorted((abs(g.x) - g.width / 2, g.width) for g in cut.section.grounds)
    # at 1 and 2 heights from the edge places are rounded to 3 and 12 % of the height
    assert_allclose([p[0] for p in places], [0.15 * MM + 0.2 * MM, 0.15 * MM + 0.4 * MM], atol=0.06 * 0.2 * MM)
    assert places[0][1] > 1 * MM  # goes on beyond the cut
    assert places[1][1] == pytest.approx(0.05 * MM, abs=0.12 * 0.2 * MM)
    assert all(g.y == cut.section.lines[0].y and g.thickness == T for g in cut.section.grounds)
    bare = cut_section(view, 0, with_pour=False)
    assert bare.section is not None
    assert bare.section.grounds == ()
    assert solve(cut.section).impedance() < solve(bare.section).impedance() - 2.0


def test_pour_out_of_reach_is_left_out() -> None:
    b = two_layers()
    b.area("GND", 2, box(0, 0, 50, 30))
    reach = POUR_REACH * 0.2
    b.area("GND", 1, box(0, 10.15 + reach + 0.01, 50, 30))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    cut = cut_section(View(b.build()), 0)
    assert cut.section is not None
    assert cut.section.grounds == ()


def test_a_plane_that_ends_within_reach_is_a_finite_piece_over_the_next_plane() -> None:
    def board(edge_mm: float) -> View:
        b = small_board(layers=4)
        b.area("GND", 2, box(0, 0, 50, edge_mm))
        b.area("GND", 3, box(0, 0, 50, 30))
        b.trace("CLK", 1, [(5, 10), (45, 10)])
        return View(b.build())

    near = cut_section(board(10.1 + 0.2), 0)
    assert near.section is not None
    (piece,) = near.section.grounds
    assert near.below == 2
    assert near.areas == (0, 1)
    assert_allclose(abs(abs(piece.x) - piece.width / 2), 0.1 * MM + 0.2 * MM, rtol=0.01)
    assert sum(s.thickness for s in near.section.sheets) == pytest.approx(0.2 * MM + T + 1.06 * MM)
    assert near.section.lines[0].y - piece.y - T == pytest.approx(0.2 * MM)
    far = cut_section(board(10.1 + EDGE_REACH * 0.2 + 0.01), 0)
    assert far.below == 1
    assert far.section is not None
    assert far.section.grounds == ()
    # the end of the plane raises the impedance, by less the further it is
    assert solve(near.section).impedance() > solve(far.section).impedance() * 1.002


def test_a_gap_under_the_line_leaves_two_pieces() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, box(0, 0, 50, 9.8))
    b.area("3V3", 2, box(0, 10.2, 50, 30))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    cut = cut_section(View(b.build()), 0)
    assert cut.section is not None
    assert sorted(np.sign(g.x) for g in cut.section.grounds) == [-1, 1]
    assert_allclose([abs(g.x) - g.width / 2 for g in cut.section.grounds], 0.2 * MM, rtol=0.01)
    assert (cut.below, cut.section.plane_below, cut.section.plane_above) == (-1, False, False)
    assert cut.areas == (0, 1)


def test_a_line_between_two_planes_lies_in_the_sheet_that_flowed_round_it() -> None:
    sheets = [copper("1", thickness_um=35), laminate(thickness_um=100, er=3.5, tan_d=0.01)]
    for name, thickness, er in (("2", 500, 4.5), ("3", 100, 3.5)):
        sheets += [copper(name, thickness_um=18), laminate(thickness_um=thickness, er=er, tan_d=0.02)]
    sheets.append(copper("4", thickness_um=35))
    b = BoardBuilder("four", unit=MM, stack=stack(*sheets), width=0.12, via=(0.3, 0.6))
    b.outline(rectangle(0, 0, 50, 30))
    for layer in (1, 4):
        b.area("GND", layer, box(0, 0, 50, 30))
    b.trace("A", 2, [(5, 10), (45, 10)])
    b.trace("B", 3, [(5, 20), (45, 20)])
    view = View(b.build())
    one, other = (cut_section(view, row) for row in (0, 1))
    assert one.section is not None
    assert one.section.plane_below
    assert one.section.plane_above
    # layers 2 and 3 are taken as one core: its copper is pressed into the sheets outside
    assert_allclose([s.thickness for s in one.section.sheets], [118e-6, 500e-6, 118e-6])
    assert [s.er for s in one.section.sheets] == [3.5, 4.5, 3.5]
    line = one.section.lines[0]
    assert line.y == pytest.approx(618e-6)
    assert line.narrow_top
    assert other.section is not None
    assert other.section.lines[0].y == pytest.approx(100e-6)
    assert not other.section.lines[0].narrow_top
    assert solve(one.section).impedance() == pytest.approx(solve(other.section).impedance(), rel=2e-3)


def test_the_bottom_layer_is_described_as_the_top_layer_would_be() -> None:
    b = small_board(layers=4, ground=(2, 3))
    b.area("GND", 1, box(0, 0, 50, 9.7))
    b.area("GND", 4, box(0, 0, 50, 9.7))
    for layer in (1, 4):
        b.trace(f"L{layer}", layer, [(5, 10), (45, 10)])
    view = View(b.build())
    top, bottom = (cut_section(view, row) for row in (0, 1))
    assert top.section == bottom.section
    assert (top.flipped, bottom.flipped) == (False, True)
    assert (bottom.above, bottom.below) == (2, -1)
    table = view.line_table
    assert len(table.sections) == 1
    assert table.section.tolist() == [0, 0]


def test_traces_that_run_along() -> None:
    b = two_layers()
    b.area("GND", 2, box(0, 0, 50, 30))
    b.trace("P", 1, [(5, 10), (45, 10)])
    b.trace("N", 1, [(5, 10.5), (45, 10.5)])
    b.trace("GND", 1, [(5, 9.4), (45, 9.45)])
    b.trace("ACROSS", 1, [(25, 10.9), (26, 14)])
    b.trace("P", 1, [(5, 9.1), (45, 9.1)])
    view = View(b.build())
    cut = cut_section(view, 0, with_neighbours=True)
    assert cut.section is not None
    assert cut.traces == (0, 1)
    # across grows to the left of the way of the trace, up to the mirror image
    assert abs(cut.section.lines[1].x) == pytest.approx(0.5 * MM, rel=0.01)
    (guard,) = cut.section.grounds
    assert np.sign(guard.x) == -np.sign(cut.section.lines[1].x)
    assert guard.width == pytest.approx(0.3 * MM, abs=0.01 * MM)
    alone = cut_section(view, 0)
    assert alone.section is not None
    assert len(alone.section.lines) == 1
    assert len(alone.section.grounds) == 1  # a ground trace counts as pour does


# --- why there is none -----------------------------------------------------------------------------------------------


def test_reasons_for_no_section() -> None:
    nothing = two_layers()
    nothing.trace("A", 1, [(5, 10), (45, 10)])
    one_layer = small_board(layers=1)
    one_layer.area("GND", 1, box(0, 0, 50, 9.5))
    one_layer.trace("A", 1, [(5, 10), (45, 10)])
    touching = two_layers()
    touching.area("GND", 2, box(0, 0, 50, 30))
    touching.area("B", 1, box(20, 9.9, 30, 12))
    touching.trace("A", 1, [(5, 10), (45, 10)])
    for builder, words in (
        (nothing, "no copper within reach carries the return"),
        (one_layer, "one copper layer"),
        (touching, "copper of another net touches the trace"),
    ):
        view = View(builder.build())
        cut = cut_section(view, 0)
        assert cut.section is None
        assert words in cut.reason
    table = line_table(View(one_layer.build()))
    assert "one copper layer" in table.reason[0]
    assert np.isnan(table.z0[0])
    assert table.section[0] == -1


def test_a_trace_inside_its_own_pour_is_no_thin_line() -> None:
    """A touch pad's or a wide line's pour is the conductor where a thin trace of its net lies in it."""
    b = two_layers()
    b.area("GND", 2, box(0, 0, 50, 30))
    b.area("A", 1, box(20, 7, 30, 13))  # 6 mm wide about a trace of 0.3 mm
    b.area("B", 1, box(20, 19.85, 30, 20.15))  # as wide as its trace
    for name, y in (("A", 10), ("B", 20)):
        for x in (5, 20, 30):
            b.trace(name, 1, [(x, y), (x + (15 if x != 20 else 10), y)])
    view = View(b.build())
    runs, table = view.runs, view.line_table
    in_pour = {net: np.flatnonzero((runs.net == view.board.net_index[net])
               & (np.abs(view.board.traces.x0[runs.trace] - 20 * MM) < 1e-9)) for net in ("A", "B")}  # fmt: skip
    assert np.isnan(table.z0[in_pour["A"]]).all()
    assert set(table.reason[in_pour["A"]]) == {"within wider filled copper of its own net"}
    assert np.isfinite(table.z0[in_pour["B"]]).all()
    elsewhere = np.setdiff1d(np.arange(len(runs)), np.concatenate(list(in_pour.values())))
    assert np.isfinite(table.z0[elsewhere]).all()


def test_a_board_without_planes_is_solved_with_the_copper_beside_the_line() -> None:
    b = two_layers(height_um=1500, copper_um=1)
    b.area("GND", 1, box(0, 0, 50, 9.85 - 0.2))
    b.area("GND", 1, box(0, 10.35, 50, 30))
    b.trace("A", 1, [(5, 10), (45, 10)])
    view = View(b.build())
    cut = cut_section(view, 0)
    assert cut.section is not None
    assert (cut.section.plane_below, cut.section.plane_above) == (False, False)
    # coplanar line of no thickness between wide grounds on a half space, exact (physics check row 51 is another case);
    # copper of 1 µm, 1.5 mm of laminate for 0.7 mm between the grounds and 6 mm of them leave 2 %
    k = 0.3 / (0.3 + 2 * 0.2)
    exact = 376.7303134 / 4 / np.sqrt((4.3 + 1) / 2) * ellipk(1 - k**2) / ellipk(k**2)
    assert view.line_table.z0[0] == pytest.approx(exact, rel=0.02)


def test_what_is_not_solved_says_so() -> None:
    b = small_board(layers=4, ground=(2,))
    b.trace("A", 1, [(5, 10), (45, 10)])
    b.trace("A", 1, [(45, 10), (45.1, 10)])
    b.trace("GND", 1, [(5, 20), (45, 20)])
    b.area("GND", 3, box(0, 0, 50, 30).difference(shapely.Polygon(circle(10, 25, 1.2))))
    b.via("B", (10, 25))
    b.trace("B", 4, [(10, 25), (45, 25)])
    b.trace("C", 1, [(5, 5), (45, 5)])
    b.trace("C", 1, [(45, 5), (46, 5)])  # 1 mm of an edge of 180 mm
    view = View(b.build())
    runs, table = view.runs, view.line_table
    assert table.reason[runs.trace < 3].tolist() == [
        "",
        "shorter than the distance to its reference",
        "not a signal net",
    ]
    assert table.reason[runs.trace > 3].tolist() == ["", "too short against its net's edge to matter"]
    last = np.flatnonzero(runs.trace == 3)
    assert set(table.reason[last[:-1]]) == {"within the antipad of its own hole"}
    solved = np.flatnonzero(np.isfinite(table.z0))
    assert solved.tolist() == [0, last[-1], np.flatnonzero(runs.trace == 4)[0]]
    assert runs.length[last[-1]] == pytest.approx(34.4 * MM, abs=1e-6)


# --- numbers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "height", "er", "z0", "er_effective"),
    [  # boundary elements to 1e-4 of other make (physics check rows 34 to 39)
        (0.3, 200, 4.3, 55.0986, 3.0709),
        (0.2, 200, 4.3, 66.9111, 2.9504),
        (0.15, 100, 4.3, 53.2857, 2.9945),
        (2.9, 1600, 4.4, 51.1702, 3.2926),
    ],
)
def test_line_table_against_independent_solutions(
    width: float, height: float, er: float, z0: float, er_effective: float
) -> None:
    b = two_layers(height, er)
    b.area("GND", 2, box(0, 0, 50, 30))
    b.trace("CLK", 1, [(12, 15), (38, 15)], width=width)
    table = line_table(View(b.build(), UPRIGHT))
    assert table.z0[0] == pytest.approx(z0, rel=2e-3)  # the solver's promise
    assert table.er_effective[0] == pytest.approx(er_effective, rel=4e-3)  # C and L each to 0.2 %
    assert table.delay[0] == pytest.approx(np.sqrt(table.er_effective[0]) / 299_792_458.0)


def test_like_runs_share_a_section_and_one_odd_place_does_not_count() -> None:
    b = two_layers()
    b.area("GND", 2, box(0, 0, 50, 30).difference(shapely.Polygon(circle(25, 2.2, 0.5))))
    for k in range(8):
        b.trace(f"N{k}", 1, [(5, 2 + 3 * k), (45, 2 + 3 * k)])  # the first passes an opening in its middle
        b.area("GND", 1, box(5, 2.5 + 3 * k, 45, 3.2 + 3 * k) if k % 2 else box(5, 0.8 + 3 * k, 45, 1.5 + 3 * k))
    view = View(b.build())
    table = view.line_table
    solved = view.runs.length > 1 * MM
    # the pour lies above every other trace and below the rest: mirror images
    assert solved.sum() == 9
    assert len(set(table.section[solved].tolist())) == 1


@settings(max_examples=6, deadline=None)
@given(turns=st.integers(0, 3), mirror=st.booleans(), dx=st.floats(-1, 1), seed=st.integers(0, 100))
def test_where_the_board_lies_does_not_matter(turns: int, mirror: bool, dx: float, seed: int) -> None:
    view, other = (View(board) for board in _either(turns, mirror, dx, seed))
    keys = [
        sorted(zip(v.runs.net.tolist(), v.runs.length.round(9).tolist(), v.line_table.z0.tolist(), strict=True))
        for v in (view, other)
    ]
    assert_allclose(np.array(keys[0])[:, 2], np.array(keys[1])[:, 2], rtol=1e-6)


def _either(turns: int, mirror: bool, dx: float, seed: int) -> tuple[object, object]:
    rng = np.random.default_rng(seed)
    b = small_board(layers=4, ground=(3,))
    b.area("GND", 2, box(0, 0, 50, 12.13).difference(box(20, 3, 20.5, 9)))
    b.area("GND", 1, box(0, 20, 50, 30))
    for k in range(4):
        y = float(rng.uniform(2, 19))
        b.trace(f"N{k}", 1, [(5, y), (25, y), (45, y + 3)])
    board = b.build()
    return board, _MOVE[0](board, turns=turns, mirror=mirror, shift=(dx, -dx), seed=seed).board


_MOVE: list[Callable[..., object]] = []


@pytest.fixture(autouse=True)
def _keep_move(move: Callable[..., object]) -> None:
    _MOVE[:] = [move]


def test_the_whole_section_is_settled_by_the_etch_setting() -> None:
    b = two_layers()
    b.area("GND", 2, box(0, 0, 50, 30))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    board = b.build()
    upright, etched = (cut_section(View(board, dataclasses.replace(UPRIGHT, etch=e)), 0).section for e in (0.0, 0.36))
    assert upright is not None
    assert etched is not None
    # physics check rows 34 and 41: a top 25 µm narrower adds 1.1 %
    assert solve(etched).impedance() / solve(upright).impedance() == pytest.approx(55.7034 / 55.0986, rel=1e-3)


@pytest.mark.parametrize("gap_mm", [0.031, 0.0514, 0.0766, 0.118, 0.153, 0.207, 0.286, 0.374, 0.52])
def test_rounding_of_places_costs_less_than_the_solvers_promise(gap_mm: float) -> None:
    b = small_board(layers=4)
    b.area("GND", 3, box(0, 0, 50, 30))
    b.area("GND", 2, box(0, 0, 50, 10.1 + gap_mm))  # the plane's end
    b.area("GND", 1, box(0, 0, 50, 9.9 - gap_mm))  # pour
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    section = cut_section(View(b.build()), 0).section
    assert section is not None
    exact = []
    for ground in section.grounds:
        left, right = ground.x - ground.width / 2, ground.x + ground.width / 2
        # the plane reaches past the trace to its end; the pour's nearer edge is the one that was rounded
        far = max((left, right), key=abs)
        near = np.sign(far) * (0.1 + gap_mm) * MM * (-1 if ground.y < section.lines[0].y else 1)
        exact.append(dataclasses.replace(ground, x=(near + far) / 2, width=abs(near - far)))
    rounded, true = (solve(s, 2e-4).impedance() for s in (section, dataclasses.replace(section, grounds=tuple(exact))))
    assert rounded == pytest.approx(true, rel=2e-3)


# --- runs cut where their section changes ----------------------------------------------------------------------------

FAST = Settings(patterns={"*": NetSettings(rise=0.2e-9)}, etch=0.0)  # 36 mm of edge: 0.72 mm count as a stretch


def parts_of(view: View, name: str) -> list[tuple[float, float, float]]:
    """(from, to, z0) of a one-trace net's stretches, mm along the trace."""
    parts = view.line_table.parts
    rows = np.flatnonzero(view.runs.net[parts.run] == view.board.net_index[name])
    return [(parts.start[i] / MM, parts.stop[i] / MM, float(parts.z0[i])) for i in rows]


def test_a_line_is_cut_where_pour_begins_and_ends_beside_it() -> None:
    b = small_board(layers=4, ground=(2,))
    b.area("GND", 1, box(15, 10.2, 30, 14))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    view = View(b.build(), FAST)
    assert len(np.flatnonzero(view.runs.net == view.board.net_index["CLK"])) == 1
    (a0, a1, bare), (b0, b1, beside), (c0, c1, again) = parts_of(view, "CLK")
    assert (a0, c1) == pytest.approx((0, 40))
    assert (a1, b1) == pytest.approx((10, 25), abs=0.1)  # an eighth of the 0.72 mm that count
    assert (a1, b1) == (b0, c0)
    assert bare == again
    assert beside < bare * 0.97  # pour beside a trace lowers its impedance (common practice, no source)
    profile = view.profiles.of(view.board.net_index["CLK"])[0]
    assert profile.z0.tolist() == [bare, beside, again]
    assert profile.length.sum() == pytest.approx(40 * MM)


def test_a_line_is_cut_where_a_neighbour_comes_beside_it() -> None:
    b = small_board(layers=4, ground=(2,))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    b.trace("D", 1, [(20, 10.35), (45, 10.35)])
    view = View(b.build(), FAST)
    (_, end, alone), (_, _, beside) = parts_of(view, "CLK")
    assert end == pytest.approx(15, abs=0.2)
    line = Strip(0.0, 0.2 * MM, 0.2 * MM, 35e-6)
    coat = Coat(20e-6, 20e-6, 3.5)
    by_hand = [
        solve(CrossSection(lines, (), (Sheet(0.2 * MM, 4.2, 0.02),), coat_above=coat)).impedance()
        for lines in ((line,), (line, dataclasses.replace(line, x=0.35 * MM)))
    ]
    assert (alone, beside) == pytest.approx(by_hand, rel=2e-3)
    both = [s for s in view.line_table.sections if len(s.lines) == 2]
    assert len(both) == 1  # the neighbour meets the mirror image


def test_a_line_is_cut_where_the_end_of_its_plane_nears() -> None:
    b = small_board(layers=4)
    b.area("GND", 2, shapely.Polygon([(0, 0), (50, 0), (50, 10.15), (26, 10.15), (24, 14), (0, 14)]))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    view = View(b.build(), FAST)
    z = [part[2] for part in parts_of(view, "CLK")]
    assert len(z) >= 2
    assert z[-1] > z[0] * 1.02


def test_what_is_short_against_the_edge_is_no_stretch_of_its_own() -> None:
    b = small_board(layers=4, ground=(2,))
    b.area("GND", 1, box(15, 10.2, 16, 14))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    fast, slow = (View(b.build(), Settings(patterns={"*": NetSettings(rise=r)})) for r in (0.2e-9, 2e-9))
    assert len(parts_of(fast, "CLK")) == 3
    assert len(parts_of(slow, "CLK")) == 1


def test_up_to_eight_conductors_are_solved_together_the_nearest_ones() -> None:
    b = small_board(layers=4, ground=(3,))  # 0.2 + 1.06 mm to the plane: many lines within two heights
    for k in range(13):
        b.trace(f"D{k:02}", 1, [(5, 10 + 0.4 * k), (45, 10 + 0.4 * k)])
    view = View(b.build(), FAST)
    table = view.line_table
    sizes = {name: len(table.sections[table.section[view.runs.net == net][0]].lines)
             for name, net in view.board.net_index.items() if name.startswith("D")}  # fmt: skip
    assert max(sizes.values()) == 8
    assert sizes["D06"] == 8
    z = {name: table.z0[view.runs.net == view.board.net_index[name]][0] for name in sizes}
    assert z["D06"] < z["D00"]  # neighbours on both sides take more of the field than on one
    assert z["D06"] == pytest.approx(z["D05"], rel=2e-3)


def test_pieces_of_one_neighbour_and_neighbours_in_pour_do_not_spoil_a_section() -> None:
    b = small_board(layers=4, ground=(2,))
    b.trace("CLK", 1, [(5, 10), (45, 10)])
    b.trace("D", 1, [(5, 10.4), (25, 10.4), (25.5, 10.45), (45, 10.45)])
    b.area("E", 1, box(5, 9.2, 45, 9.65))
    b.trace("E", 1, [(5, 9.5), (45, 9.5)])
    view = View(b.build(), FAST)
    assert all(np.isfinite(z) for *_, z in parts_of(view, "CLK"))


def test_a_proposed_width_keeps_to_the_least_width_and_spacing() -> None:
    line, beside = Strip(0.0, 0.2 * MM, 0.15 * MM, 35e-6), Strip(0.45 * MM, 0.2 * MM, 0.15 * MM, 35e-6)
    section = CrossSection((line, beside), (), (Sheet(0.2 * MM, 4.3),))
    width = width_for(section, 60.0, 0.1 * MM, 0.1 * MM)
    assert width is not None
    assert 0.1 * MM <= width <= 2 * (0.375 - 0.1) * MM  # the neighbour's near edge lies at 0.375 mm
    assert width_for(section, 35.0, 0.1 * MM, 0.1 * MM) is None  # would come nearer than 0.1 mm
    assert width_for(section, 95.0, 0.15 * MM, 0.1 * MM) is None  # would be narrower than 0.15 mm
    assert width_for(section, 60.0, 0.1 * MM, 0.37 * MM) is None  # no room at all
