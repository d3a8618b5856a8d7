"""A neck of pour under a line: the inductance of a plane as wide as the neck."""

from __future__ import annotations

import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.fields.returns import plane_inductance

CHECK = "pour-neck"


def board(width, *, length=10.0, holes=()):
    """CLK over ground on layer 2 that narrows to `width` mm over `length` mm in the middle of the board."""
    b = small_board()
    x0, x1 = 25 - length / 2, 25 + length / 2
    cut = [rectangle(x0, 15 + width / 2, x1, 31), rectangle(x0, -1, x1, 15 - width / 2), *holes]
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=cut)
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    return b.build()


def test_the_necks_inductance_is_that_of_a_plane_as_wide(run, fast):
    """3 mm wide over 10 mm, the line 0.2 mm over its middle: exact for a long plane (rows R7 and R8)."""
    finding = run(CHECK, board(3.0), {"CLK": fast}).only
    expected = float(plane_inductance(3e-3, 0.0, 0.2e-3)) * 10e-3
    assert finding.evidence["plane_inductance_formula_nh"] == pytest.approx(expected * 1e9, rel=0.02)
    # the wide parts take some of the field at its ends
    assert 0.8 < finding.evidence["plane_inductance_nh"] / (expected * 1e9) < 1
    assert finding.evidence["neck_width_mm"] == pytest.approx(3.0, rel=1e-6)
    assert finding.evidence["neck_length_mm"] == pytest.approx(10.0, abs=1.0)
    assert finding.remedies[0].excess_after_db < finding.excess_db
    assert "narrows to 3 mm" in finding.title


def test_a_narrower_neck_is_worse_and_a_wide_one_is_none(run, fast):
    """That a neck costs the more the narrower it is: common practice, no source."""
    narrow, wider = (run(CHECK, board(w), {"CLK": fast}).only for w in (2.2, 4.0))
    assert narrow.predicted > 1.5 * wider.predicted
    assert run(CHECK, board(8.0), {"CLK": fast}).findings == []


def test_between_two_openings_as_well_but_not_between_antipads(run, fast):
    large = [rectangle(20, 17, 30, 25), rectangle(20, 5, 30, 13)]
    small = [rectangle(x, y, x + 1, y + 1) for x in (20, 22, 24, 26, 28) for y in (16.2, 12.8)]

    def plane(cut):
        b = small_board()
        b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=cut)
        b.trace("CLK", 1, [(5, 15), (45, 15)])
        return b.build()

    assert run(CHECK, plane(large), {"CLK": fast}).only.evidence["neck_width_mm"] == pytest.approx(4.0, rel=1e-6)
    assert run(CHECK, plane(small), {"CLK": fast}).findings == []


@pytest.mark.parametrize("width", [2.2, 3.0])
def test_what_a_neck_has_more_when_longer_is_the_exact_figure(run, fast, width):
    """Solved on the shape, 30 mm less 10 mm, so that the ends drop out: the net inductance of a plane as wide, exact.
    7 %: extrapolated from cells of an eighth and a sixteenth of the width."""
    short, long = (run(CHECK, board(width, length=x), {"CLK": fast}).only.evidence for x in (10.0, 30.0))
    assert short["plane_inductance_from"] == long["plane_inductance_from"] == "the neck's shape"
    more = long["plane_inductance_nh"] - short["plane_inductance_nh"]
    assert more == pytest.approx(float(plane_inductance(width * 1e-3, 0.0, 0.2e-3)) * 20e-3 * 1e9, rel=0.07)


def test_a_slow_line_passes(run, fast):
    said = run(CHECK, board(3.0), {"CLK": fast | {"kind": "slow", "rise": 50e-9, "rate": 1e3}})
    assert all(f.excess_db < 0 for f in said.findings)
