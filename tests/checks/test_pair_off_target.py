"""Pairs held to a differential impedance, and the width and gap that are proposed for it."""

from __future__ import annotations

import re

import pytest
from shapely import box, distance

from quietcopper.build import chip, small_board
from quietcopper.electrical.widths import resized, sizes_for_pair
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import solve

CHECK = "pair-off-target"
LANE = {"role": "signal", "kind": "data", "swing": 0.4, "rise": 100e-12, "source": 50.0, "rate": 500e6}


def nets(target):
    return {"LN_P": LANE | {"differential": target}, "LN_N": LANE}


def board(width_mm=0.2, gap_mm=0.2, pour_mm=None):
    """A pair 50 mm long over ground 0.2 mm below."""
    b = small_board(size_mm=(70.0, 30.0), ground=(2,))
    for ref, x in (("U1", 5), ("U2", 60)):
        b.part(ref, chip("0402"), (x, 15), nets=("LN_N", "LN_P"), turn_deg=90)
    off = (width_mm + gap_mm) / 2
    for net, pin, y in (("LN_N", 1, 15 - off), ("LN_P", 2, 15 + off)):
        b.trace(net, 1, [b.pin(f"U1.{pin}"), (6, y), (59, y), b.pin(f"U2.{pin}")], width=width_mm)
    if pour_mm is not None:
        edge = off + width_mm / 2 + pour_mm
        b.area("GND", 1, box(8, 15 + edge, 57, 20))
        b.area("GND", 1, box(8, 10, 57, 15 - edge))
    return b.build()


def section(width=0.2e-3, gap=0.2e-3):
    strips = [Strip(sign * (width + gap) / 2, 0.2e-3, width, 35e-6, 0.25) for sign in (1, -1)]
    return CrossSection(tuple(strips), (), (Sheet(0.2e-3, 4.2, 0.02),), coat_above=Coat(20e-6, 20e-6, 3.5))


def test_the_pairs_own_impedance_is_held_against_its_target(run):
    """Against the same section solved by itself; the reflection is the textbook's (Z - Z0)/(Z + Z0)."""
    z = solve(section()).pair().differential
    finding = run(CHECK, board(), nets(80.0)).only
    assert finding.evidence["impedance"]["found_ohm"] == pytest.approx(z, rel=0.02)
    assert finding.predicted == pytest.approx((z - 80) / (z + 80), rel=0.1)
    assert finding.excess_db > 0
    assert finding.evidence["section"]["field_lines"]
    assert f"instead of {80:g}" in finding.title


def test_a_pair_at_its_target_and_one_without_pass(run):
    z = solve(section()).pair().differential
    met = run(CHECK, board(), nets(round(z, 1)))
    assert all(f.excess_db < -6 for f in met.findings)
    none = run(CHECK, board(), {"LN_P": LANE, "LN_N": LANE})
    assert none.findings == []
    assert (none.coverage[0].looked, none.coverage[0].total) == (0, 0)


def test_the_width_and_gap_proposed_cure_the_board_built_with_them(run):
    finding = run(CHECK, board(), nets(90.0)).only
    assert len(finding.remedies) == 2  # another width, or another gap
    for remedy in finding.remedies:
        width, gap = (float(v) for v in re.findall(r"([\d.]+) mm", remedy.change.text)[:2])
        assert (width == pytest.approx(0.2, abs=1e-3)) != (gap == pytest.approx(0.2, abs=1e-3))
        assert remedy.excess_after_db < -6
        again = run(CHECK, board(width, gap), nets(90.0))
        assert all(f.excess_db < 0 for f in again.findings)
        assert solve(section(width * 1e-3, gap * 1e-3)).pair().differential == pytest.approx(90.0, rel=5e-3)


def test_pour_beside_the_pair_counts(run):
    z = solve(section()).pair().differential
    low = run(CHECK, board(pour_mm=0.12), nets(z)).only
    assert low.evidence["impedance"]["found_ohm"] < 0.95 * z


@pytest.mark.parametrize(("target", "both"), [(70.0, False), (150.0, True), (1000.0, None)])
def test_sizes_keep_the_least_width_and_space(target, both):
    """Where neither alone reaches the target, width and gap both change; where nothing does, nothing is proposed."""
    found = sizes_for_pair(section(), target, 0.1e-3, 0.1e-3)
    if both is None:
        assert found == ()
        return
    assert found
    for width, gap in found:
        assert width >= 0.1e-3 - 1e-9
        assert gap >= 0.1e-3 - 1e-9
        assert solve(resized(section(), width, gap)).pair().differential == pytest.approx(target, rel=2e-3)


def test_the_change_itself_cures(run, changed):
    before = board()
    for remedy in run(CHECK, before, nets(90.0)).only.remedies:
        after = changed(before, remedy.change)
        lines = [after.traces.lines[i] for i in range(len(after.traces)) if after.traces.length[i] > 40e-3]
        apart = distance(*lines) - remedy.change.arguments["width"]
        assert apart == pytest.approx(remedy.change.arguments["gap"], abs=1e-7)
        assert all(f.excess_db < 0 for f in run(CHECK, after, nets(90.0)).findings)
