"""Branches beside a line: open ones reflect, short ones, terminated ones and pins on the way do not."""

from __future__ import annotations

import pytest

from quietcopper.build import Hop, chip, small_board
from quietcopper.electrical.branches import branches
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View

CHECK = "branch-stub"


def fork(branch_mm, *, last="U3", value="", at=10.0):
    """A line from U1 to U2 80 mm away, with a branch upward to a third part."""
    b = small_board(size_mm=(120.0, 80.0), ground=(2,))
    b.part("U1", chip("0402"), (5, 15), nets=("D0", "GND"), turn_deg=180)
    x, y = b.pin("U1.1")
    b.part("U2", chip("0402"), (x + 80 + (x - 5), 15), nets=("D0", "GND"))
    b.route("D0", "U1.1", "U2.1")
    if branch_mm:
        b.part(last, chip("0402"), (x + at, y + branch_mm + x - 5), nets=("D0", "GND"), turn_deg=90, value=value)
        assert b.pin(f"{last}.1") == pytest.approx((x + at, y + branch_mm))
        b.trace("D0", 1, [(x + at, y), (x + at, y + branch_mm)])
    return b


def test_a_long_branch_reflects_a_third_and_names_its_end(run, fast):
    finding = run(CHECK, fork(60).build(), {"D0": fast}).only
    assert finding.predicted == pytest.approx(1 / 3, rel=1e-6)  # the branch is as wide as the line
    assert finding.excess_db > 6
    assert finding.place.parts == ("U3",)
    assert finding.evidence["length_mm"] == pytest.approx(60, abs=1e-6)
    assert finding.place.at == pytest.approx((15.5e-3, 15e-3), abs=0.2e-3)
    assert finding.evidence["quarter_wave_hz"] == pytest.approx(1 / (4 * finding.evidence["delay_ps"] * 1e-12))


def test_short_branches_reflect_in_proportion_and_pass(run, fast):
    long, short = (run(CHECK, fork(mm).build(), {"D0": fast}).only for mm in (12, 6))
    assert short.predicted == pytest.approx(long.predicted / 2, rel=0.02)
    assert short.grade in ("passes", "watch it")
    slow = run(CHECK, fork(6).build(), {"D0": fast | {"rise": 2e-9}})
    assert all(f.grade == "passes" for f in slow.findings)


def test_a_line_from_pin_to_pin_has_no_branch(run, fast):
    said = run(CHECK, fork(0).build(), {"D0": fast})
    assert said.findings == []
    assert (said.coverage[0].looked, said.coverage[0].total) == (1, 1)


def test_a_pin_on_the_way_is_no_branch(run, fast):
    b = fork(0)
    x, y = b.pin("U1.1")
    b.part("U3", chip("0402"), (x + 30, y + 0.48), nets=("D0", "GND"), turn_deg=90)
    assert run(CHECK, b.build(), {"D0": fast}).findings == []


def test_what_takes_up_the_wave_is_no_branch(run, fast):
    assert run(CHECK, fork(60, last="R1", value="68").build(), {"D0": fast}).findings == []
    assert run(CHECK, fork(60, last="C1", value="10p").build(), {"D0": fast}).findings == []
    pull_up = run(CHECK, fork(60, last="R1", value="10k").build(), {"D0": fast}).only
    assert pull_up.excess_db > 6


def test_a_trace_that_leads_nowhere_is_a_branch(run, fast):
    b = fork(0)
    x, y = b.pin("U1.1")
    b.route("D0", (x + 20, y), (x + 20, y + 10), Hop(4), (x + 20, y + 30), layer=1)
    finding = run(CHECK, b.build(), {"D0": fast}).only
    assert finding.evidence["length_mm"] == pytest.approx(30 + 1.565, abs=0.1)
    assert "nowhere" in finding.title
    assert finding.place.layers == (0, 3)
    assert finding.remedies[0].excess_after_db == float("-inf")


def test_a_loop_is_no_branch(run, fast):
    b = fork(0)
    x, y = b.pin("U1.1")
    b.trace("D0", 1, [(x + 20, y), (x + 20, y + 20), (x + 50, y + 20), (x + 50, y)])
    assert run(CHECK, b.build(), {"D0": fast}).findings == []


def test_of_two_ways_the_longer_is_the_line(fast):
    b = fork(20, at=70.0)
    view = View(b.build(), Settings(nets={"D0": NetSettings(**fast)}))
    net = view.board.net_index["D0"]
    (branch,) = branches(view, net, 1e-12)
    assert view.board.pin_label(branch.main.path.end_pin) == "U3.1"
    assert view.board.pin_label(branch.end_pin) == "U2.1"
    assert branch.length == pytest.approx(10e-3, abs=1e-6)


def test_the_end_taken_away_is_no_branch_any_more(run, fast, changed):
    b = fork(0)
    x, y = b.pin("U1.1")
    b.route("D0", (x + 20, y), (x + 20, y + 10), Hop(4), (x + 20, y + 30), layer=1)
    board = b.build()
    after = changed(board, run(CHECK, board, {"D0": fast}).only.remedies[0].change)
    assert run(CHECK, after, {"D0": fast}).findings == []
    assert board.traces.length.sum() - after.traces.length.sum() == pytest.approx(30e-3, abs=1e-6)
    assert len(after.vias) == len(board.vias) - 1
