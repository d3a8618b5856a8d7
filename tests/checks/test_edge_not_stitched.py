"""The open edge of two ground planes: what a layer change beside it makes it radiate, and what a fence does."""

from __future__ import annotations

from quietcopper.build import Hop, rectangle, small_board


def changes(pitch=None, edge=False):
    """CLK goes from layer 1 to 4 beside the right edge; one ground via far to the left, or many."""
    b = small_board(ground=(2, 3))
    b.route("CLK", (5, 15), (45, 15), Hop(4), (47, 5), layer=1)
    b.via("GND", (5, 10))
    if edge:
        for y in range(2, 30, 2):
            b.via("GND", (49, y))
    if pitch:
        b.stitch("GND", rectangle(1, 1, 49, 29), pitch)
    return b.build()


def test_an_open_edge_beside_a_layer_change_radiates(run, fast):
    """Common practice, no source: ties along the edge lower what it radiates, ties all over more so."""
    open_, fenced, stitched = (
        run("edge-not-stitched", b, {"CLK": fast}) for b in (changes(), changes(edge=True), changes(pitch=4))
    )
    finding = open_.only
    assert finding.excess_db > 0
    assert "no tie along" in finding.message
    assert finding.evidence["longest_open_stretch_mm"] > 90
    assert finding.remedies[0].change.arguments["edge"]
    assert finding.remedies[0].excess_after_db < finding.excess_db - 6
    assert all(f.excess_db < finding.excess_db - 6 for f in fenced.findings)
    assert all(f.excess_db < 0 for f in stitched.findings)
    assert stitched.coverage[0].looked == 1


def test_an_edge_between_planes_no_line_crosses_passes(run, fast):
    b = small_board(ground=(2, 3))
    b.trace("CLK", 1, [(4, 14), (46, 14)])
    b.via("GND", (2, 2))
    said = run("edge-not-stitched", b.build(), {"CLK": fast})
    assert said.findings == []
    assert said.coverage[0].looked == 1
