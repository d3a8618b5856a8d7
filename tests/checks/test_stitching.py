"""Ground tied too sparsely to ground: distances and modes of small boards."""

from __future__ import annotations

import numpy as np
import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.stitching import distances, open_stretches, places_beside, tied_pairs, with_ties
from quietcopper.electrical.view import View
from quietcopper.units import C0

MM = 1e-3
CHECK = "stitching-too-sparse"


def board(pitch=None, vias=(), layers=(2, 3)):
    """CLK on layer 1 over two ground planes of 49 x 29 mm, tied on a pitch or at some places, mm."""
    b = small_board(ground=layers)
    b.trace("CLK", 1, [(4, 14), (46, 14)])
    for at in vias:
        b.via("GND", at)
    if pitch:
        b.stitch("GND", rectangle(1, 1, 49, 29), pitch)
    return b.build()


def test_two_ties_at_one_end_leave_a_quarter_wave(run, fast):
    """A row of vias 1 mm apart along the left edge: the planes ring like a line tied at one end, c/(4 L sqrt(er)) with
    L from the fence (a wall moved by p/2pi ln(p/2pi r)) to the open edge: 1 %."""
    at = [(1.5, y + 1.0) for y in range(29)]
    finding = run(CHECK, board(vias=at), {"CLK": fast}).only
    length = (49.5 - 1.5 + 1 / (2 * np.pi) * np.log(1 / (2 * np.pi * 0.15))) * MM
    assert finding.evidence["resonance_hz"] == pytest.approx(C0 / (4 * length * 4.2**0.5), rel=0.01)
    assert finding.predicted == pytest.approx(length, rel=0.01)
    # Quarter wave at 1.5 times the knee 0.5/0.5 ns = 1 GHz.
    assert finding.allowance.value == pytest.approx(C0 / (4 * 1.5e9 * 4.2**0.5))
    assert finding.evidence["furthest_from_a_tie_mm"] == pytest.approx(48, rel=0.02)
    assert finding.remedies[0].change.kind == "stitch"
    assert finding.remedies[0].excess_after_db < -6
    mode = finding.evidence["mode"]
    assert len(mode["level"]) == len(mode["y_mm"])
    last = [v for v in mode["level"][len(mode["level"]) // 2] if v is not None][-1]
    assert abs(last) > 0.99
    assert max(v for row in finding.evidence["tie_map"]["level"] for v in row if v is not None) == pytest.approx(
        48, 0.03
    )


def test_holes_that_overlap_are_one_tie(run, fast):
    """Two holes of a large lug drilled into each other, as data have them: solved like one of them, within 1 %."""
    one = run(CHECK, board(vias=[(3, 15)]), {"CLK": fast}).only
    both = run(CHECK, board(vias=[(3, 15), (3.1, 15)]), {"CLK": fast}).only
    assert both.predicted == pytest.approx(one.predicted, rel=0.01)


def test_ties_throughout_are_enough(run, fast):
    said = run(CHECK, board(pitch=5), {"CLK": fast})
    assert said.findings == []
    assert (said.coverage[0].looked, said.coverage[0].total) == (1, 1)


def test_what_nothing_excites_passes(run, fast):
    slow = dict(fast, rise=20e-9, rate=1e6)
    assert run(CHECK, board(vias=[(2, 2)]), {"CLK": slow}).findings == []


def test_distance_to_the_nearest_tie_by_hand():
    view = View(board(vias=[(10, 15), (40, 15)]), Settings())
    (pair,) = tied_pairs(view)
    found = distances(view, pair)
    assert found.largest == pytest.approx(np.hypot(15, 14.5) * MM, rel=0.02)  # the middle of the long edges
    assert found.place[0] == pytest.approx(25 * MM, abs=0.6 * MM)
    # The edge: nothing within 5 mm of it, so its four sides as one open stretch.
    assert open_stretches(view, pair, 5 * MM)[0][0] == pytest.approx(2 * (49 + 29) * MM, rel=1e-6)
    near = View(board(vias=[(1, 15), (25, 29)]), Settings())
    lengths = [length for length, _ in open_stretches(near, tied_pairs(near)[0], 2 * MM)]
    assert sum(lengths) == pytest.approx(156 * MM)
    assert len(lengths) in (2, 3)  # the ring's own start may cut one in two


def test_vias_round_a_pocket_tie_it() -> None:
    """Ground on layers 1 and 3 faces itself only where layer 2 is open, 20 x 20 mm; four vias stand in the ground of
    layer 2 about it, 1 mm from its corners: none lies in the pocket, and its middle is 11 mm times the square root of
    two from each."""
    b = small_board()
    for layer, cut in ((1, []), (2, [rectangle(15, 5, 35, 25)]), (3, [])):
        b.pour("GND", layer, rectangle(0.5, 0.5, 49.5, 29.5), keep_islands=True, cut=cut)
    for at in ((14, 4), (36, 4), (14, 26), (36, 26)):
        b.via("GND", at)
    view = View(b.build(), Settings())
    (pocket,) = [pair for pair in tied_pairs(view) if pair.lower_layer == 2 and pair.upper_layer == 0]
    assert not len(pocket.ties)
    assert distances(view, pocket).largest == pytest.approx(11 * 2**0.5 * MM, rel=0.02)


def test_a_strip_between_the_rows_of_a_grid_is_tied_beside_them() -> None:
    """A strip of ground 1.2 mm wide on layer 3 under a plane on layer 2: the rows of a grid of 2.5 mm pass 0.65 mm
    above it; the vias proposed stand in it with their whole barrel, moved by no more than half a pitch."""
    b = small_board(ground=(2,))
    b.pour("GND", 3, rectangle(5, 10, 45, 11.2), keep_islands=True)
    b.via("GND", (6, 10.6))
    view = View(b.build(), Settings())
    (pair,) = tied_pairs(view)
    rows = np.array([(x, y) for x in np.arange(7, 45, 2.5) for y in (9.35, 11.85)]) * MM
    places = places_beside(pair, rows, 1.25 * MM)
    assert np.hypot(*(places - rows).T).max() <= 1.25 * MM
    assert len(with_ties(view, pair, rows).added) == 0
    tied = with_ties(view, pair, places)
    assert len(tied.added) >= len(rows) / 2  # one of each two rows at least
    assert distances(view, tied).largest < 2 * MM
