"""Impedance against its target, pour beside a line, lines too close: all from solved sections."""

from __future__ import annotations

import numpy as np
import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.fields.section import CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import solve


def line(width_mm, target=50.0):
    b = small_board(ground=(2,))
    b.net("RF", target_ohm=target)
    b.trace("RF", 1, [(5, 15), (45, 15)], width=width_mm)
    return b.build()


def test_a_line_off_target_is_found_and_the_width_that_cures_it(run, fast):
    finding = run("impedance-off-target", line(0.2), {"RF": fast | {"rise": 0.3e-9}}).only
    z = finding.evidence["impedance"]["found_ohm"]
    # 40 mm are longer than half of a 0.3 ns edge, so the whole step is reflected.
    assert finding.predicted == pytest.approx((z - 50) / (z + 50), rel=1e-9)
    assert finding.excess_db > 0
    width_mm = finding.remedies[0].change.arguments["width"] * 1e3
    mended = run("impedance-off-target", line(round(width_mm, 4)), {"RF": fast}).only
    assert mended.evidence["impedance"]["found_ohm"] == pytest.approx(50.0, rel=2e-3)  # the solver's own accuracy
    assert mended.grade == "passes"


def test_a_long_line_without_target_is_said_not_guessed(run, fast):
    b = small_board(ground=(2,))
    b.trace("D0", 1, [(5, 15), (45, 15)])
    said = run("impedance-off-target", b.build(), {"D0": fast})
    assert said.findings == []
    assert "target" in said.not_checked[0].why


def test_a_narrow_and_a_wide_piece_do_not_make_up_for_each_other(run, fast):
    """Half of the line is too narrow and half too wide; over their mean it would be on target."""
    b = small_board(ground=(2,))
    b.net("RF", target_ohm=50.0)
    b.trace("RF", 1, [(5, 15), (25, 15)], width=0.2)
    b.trace("RF", 1, [(25, 15), (45, 15)], width=0.5)
    sharp = fast | {"rise": 0.15e-9}
    finding = run("impedance-off-target", b.build(), {"RF": sharp}).only
    assert finding.excess_db > 6
    assert finding.evidence["impedance"]["found_ohm"] > 60
    assert finding.evidence["length_mm"] == pytest.approx(20, abs=0.2)
    low, high = min(finding.evidence["impedance_profile"]["found_ohm"]), 50
    assert low < 45 < high
    assert "wide there instead of" in finding.remedies[0].change.text
    change = finding.remedies[0].change
    assert (change.kind, bool(change.arguments["at"])) == ("set-width", True)  # the whole layer's would not cure it


def test_a_short_piece_off_target_counts_in_proportion(run, fast):
    target = run("impedance-off-target", line(0.35, 52.0), {"RF": fast}).only.evidence["impedance"]["found_ohm"]

    def narrow(length_mm):
        b = small_board(ground=(2,))
        b.net("RF", target_ohm=target)
        b.trace("RF", 1, [(5, 15), (20, 15)], width=0.35)
        b.trace("RF", 1, [(20, 15), (20 + length_mm, 15)], width=0.15)
        b.trace("RF", 1, [(20 + length_mm, 15), (45, 15)], width=0.35)
        return run("impedance-off-target", b.build(), {"RF": fast}).only

    two, four = narrow(2.5), narrow(5.0)
    assert four.predicted == pytest.approx(2 * two.predicted, rel=0.05)
    z, rise = four.evidence["impedance"]["found_ohm"], 0.5e-9 / 0.8
    share = (z - target) / (z + target) * 2 * four.evidence["delay_ps"] * 1e-12 / rise
    assert four.predicted == pytest.approx(share, rel=1e-6)


def test_the_settings_can_name_the_target(run, fast):
    b = small_board(ground=(2,))
    b.trace("D0", 1, [(5, 15), (45, 15)])
    assert run("impedance-off-target", b.build(), {"D0": fast | {"target": 50.0}}).only.excess_db > 0


def beside_pour(gap_mm):
    b = small_board(ground=(2,))
    b.trace("CLK", 1, [(5, 15), (45, 15)])
    for y0, y1 in ((15.1 + gap_mm, 20), (10, 14.9 - gap_mm)):
        b.area("GND", 1, rectangle(4, min(y0, y1), 46, max(y0, y1)))
    return b.build()


def test_pour_beside_a_line_lowers_it_and_less_from_afar(run, fast):
    """Common practice, no source: pour beside a trace lowers its impedance."""
    close = run("pour-shifts-impedance", beside_pour(0.1), {"CLK": fast}).only
    far = run("pour-shifts-impedance", beside_pour(0.4), {"CLK": fast}).only
    assert close.evidence["impedance"]["found_ohm"] < close.evidence["impedance"]["target_ohm"]
    assert close.excess_db > 0
    assert far.excess_db < close.excess_db
    assert close.evidence["pour_gap_mm"] == pytest.approx(0.1, abs=2e-3)


def lines_beside(gap_mm, *, height_um=200, count=2, length=40):
    from quietcopper.build import BoardBuilder, copper, laminate, stack
    from quietcopper.units import MM

    b = BoardBuilder(
        "two lines",
        unit=MM,
        stack=stack(
            copper("L1", thickness_um=35),
            laminate(thickness_um=height_um, er=4.2, tan_d=0.02),
            copper("L2", thickness_um=35),
        ),
        width=0.2,
        clearance=0.1,
    )
    b.outline(rectangle(0, 0, 60, 30))
    b.pour("GND", 2, rectangle(0, 0, 60, 30), keep_islands=True)
    for i in range(count):
        b.trace(f"N{i}", 1, [(5, 10 + i * (0.2 + gap_mm)), (5 + length, 10 + i * (0.2 + gap_mm))])
    return b.build()


def test_near_end_noise_is_the_solved_coupling(run, fast):
    sharp = fast | {"rise": 0.3e-9}
    said = run("traces-too-close", lines_beside(0.2), {"N0": sharp, "N1": sharp})
    finding = said.of("N0")
    strip = Strip(x=0.0, y=0.2e-3, width=0.2e-3, thickness=35e-6, etch=0.25)
    section = CrossSection((strip, Strip(0.4e-3, 0.2e-3, 0.2e-3, 35e-6, 0.25)), sheets=(Sheet(0.2e-3, 4.2, 0.02),))
    kb = solve(section).near_end_coupling(0, 1)
    # 40 mm exceed the saturation length rise·v/2 of a 0.3 ns edge: the near end reaches Kb·swing.
    assert finding.evidence["near_end_coupling"] == pytest.approx(kb, rel=5e-3)
    assert finding.predicted == pytest.approx(kb * 3.3, rel=5e-3)


def test_more_spacing_and_a_thinner_dielectric_lower_the_noise(run, fast):
    """Common practice, no source."""
    nets = {"N0": fast, "N1": fast}
    close = run("traces-too-close", lines_beside(0.2), nets).of("N0")
    apart = run("traces-too-close", lines_beside(0.4), nets).of("N0")
    thinner = run("traces-too-close", lines_beside(0.2, height_um=120), nets).of("N0")
    assert apart.predicted < close.predicted
    assert thinner.predicted < close.predicted


def test_the_proposed_spacing_cures(run, fast):
    nets = {"N0": fast, "N1": fast}
    finding = run("traces-too-close", lines_beside(0.15), nets).of("N0")
    assert finding.excess_db > 0
    remedy = next(r for r in finding.remedies if r.change.kind == "set-spacing")
    mended = run("traces-too-close", lines_beside(remedy.change.arguments["spacing"] * 1e3), nets).of("N0")
    assert mended.excess_db == pytest.approx(remedy.excess_after_db, abs=1.0)


def test_no_bundle_is_told_to_spread_over_millimetres(run, fast):
    """Lines 1.5 mm over their plane: the spacing that would do is said, and a nearer plane proposed."""
    nets = {f"N{i}": fast for i in range(3)}
    high = run("traces-too-close", lines_beside(0.15, count=3, height_um=1500), nets).findings[0]
    assert high.remedies[0].change.kind == ""
    assert "plane nearer" in high.remedies[0].change.text
    near = run("traces-too-close", lines_beside(0.15, count=3), nets).findings[0]
    assert near.remedies[0].change.kind == "spread-bundle"


def test_neighbours_on_both_sides_add(run, fast):
    nets = {f"N{i}": fast for i in range(3)}
    said = run("traces-too-close", lines_beside(0.2, count=3), nets)
    assert said.of("N0").predicted > 0
    middle = next(f for f in said.findings if f.subject[0] == "N1")
    outer = next(f for f in said.findings if f.subject[0] == "N0")
    assert middle.predicted > 1.5 * outer.predicted
    assert len({f.cause.key for f in said.findings}) == 1  # one bundle


def test_a_true_pair_is_not_reported(run, fast):
    """Common practice, no source: two lines that belong together are no crosstalk."""
    nets = {"N0": fast | {"pair_with": "N1"}, "N1": fast | {"pair_with": "N0"}}
    assert run("traces-too-close", lines_beside(0.2), nets).findings == []


def test_far_apart_lines_are_skipped_without_a_solution(run, fast):
    said = run("traces-too-close", lines_beside(4.0), {"N0": fast, "N1": fast})
    assert said.findings == []
    assert np.isfinite(said.coverage[0].looked)
