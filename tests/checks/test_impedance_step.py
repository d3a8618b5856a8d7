"""Impedance that changes along a line without a target."""

from __future__ import annotations

import pytest

from quietcopper.build import chip, rectangle, small_board

CHECK = "impedance-step"


def line(*pieces, target=None):
    """A line of pieces (length mm, width mm) between two resistors."""
    b = small_board(size_mm=(80.0, 30.0), ground=(2,))
    if target:
        b.net("D0", target_ohm=target)
    x, y = at_both_ends(b, 5.0, 5.0 + sum(length for length, _ in pieces))
    for length, width in pieces:
        b.trace("D0", 1, [(x, y), (x + length, y)], width=width)
        x += length
    return b.build()


def at_both_ends(b, first, last):
    """Resistors whose pads of D0 face each other; the place of the first pad."""
    b.part("R1", chip("0402"), (first, 15), nets=("D0", "GND"), turn_deg=180)
    x, y = b.pin("R1.1")
    b.part("R2", chip("0402"), (last + 2 * (x - first), 15), nets=("D0", "GND"))
    return x, y


def test_a_narrow_stretch_is_found_and_said_why(run, fast):
    finding = run(CHECK, line((20, 0.5), (25, 0.12), (20, 0.5)), {"D0": fast | {"rise": 0.2e-9}}).only
    assert finding.excess_db > 6
    high, own = finding.evidence["found_ohm"], finding.evidence["elsewhere_ohm"]
    # the stretch is longer than half an edge: its whole step comes back
    assert finding.predicted == pytest.approx((high - own) / (high + own), rel=1e-6)
    assert finding.evidence["length_mm"] == pytest.approx(25, abs=0.3)
    assert "0.12 mm wide there instead of 0.5 mm" in finding.message
    assert finding.remedies


def test_the_drawn_wave_is_the_predicted_one(run, fast):
    finding = run(CHECK, line((20, 0.5), (25, 0.12), (20, 0.5)), {"D0": fast | {"rise": 0.2e-9}}).only
    wave = finding.evidence["waveform"]
    # All reflections followed against first order: they differ by the square of a step of a quarter.
    assert max(wave["level_mv"]) == pytest.approx(finding.predicted * 3.3e3 / 2, rel=0.08)
    profile = finding.evidence["impedance_profile"]
    assert len(profile["distance_mm"]) == len(profile["found_ohm"])
    assert max(profile["found_ohm"]) == pytest.approx(finding.evidence["found_ohm"], rel=1e-6)


def test_a_line_of_one_width_passes(run, fast):
    said = run(CHECK, line((65, 0.2)), {"D0": fast})
    assert all(f.grade == "passes" for f in said.findings)
    assert (said.coverage[0].looked, said.coverage[0].total) == (1, 1)


def test_a_slower_edge_and_a_shorter_stretch_reflect_less(run, fast):
    long = run(CHECK, line((20, 0.5), (20, 0.12), (20, 0.5)), {"D0": fast}).only
    short = run(CHECK, line((25, 0.5), (10, 0.12), (25, 0.5)), {"D0": fast}).only
    slow = run(CHECK, line((20, 0.5), (20, 0.12), (20, 0.5)), {"D0": fast | {"rise": 2e-9}}).only
    assert short.predicted < long.predicted
    assert slow.predicted == pytest.approx(long.predicted / 4, rel=0.15)
    assert slow.grade == "passes"


def test_a_missing_reference_is_named(run, fast):
    b = small_board(size_mm=(80.0, 30.0))
    b.pour("GND", 2, rectangle(0.5, 0.5, 45, 29.5), keep_islands=True)
    b.pour("GND", 4, rectangle(0.5, 0.5, 79.5, 29.5), keep_islands=True)
    at_both_ends(b, 5.0, 75.0)
    b.route("D0", "R1.1", "R2.1")
    finding = run(CHECK, b.build(), {"D0": fast}).only
    assert finding.excess_db > 0
    assert "its reference is" in finding.message
    assert "mm away there instead of 0.2 mm" in finding.message
    assert finding.cause.key == "impedance step:reference:L1"


def test_lines_with_a_target_are_left_to_the_other_check(run, fast):
    said = run(CHECK, line((20, 0.5), (25, 0.12), (20, 0.5), target=50.0), {"D0": fast})
    assert said.findings == []
    assert said.coverage[0].total == 0
    sharp = fast | {"rise": 0.2e-9}
    judged = run("impedance-off-target", line((20, 0.5), (25, 0.12), (20, 0.5), target=50.0), {"D0": sharp})
    assert judged.findings[0].excess_db > 6


def test_the_stretch_gets_the_width_of_the_rest(run, fast, changed):
    figures = {"D0": fast | {"rise": 0.2e-9}}
    board = line((20, 0.5), (25, 0.12), (20, 0.5))
    after = changed(board, run(CHECK, board, figures).only.remedies[0].change)
    assert after.traces.width == pytest.approx([0.5e-3] * 3)
    assert all(f.grade == "passes" for f in run(CHECK, after, figures).findings)
