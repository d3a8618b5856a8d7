"""Direct current of a supply on its copper: drop against resistors that are exact, and necks against IPC-2221."""

from __future__ import annotations

import pytest

from quietcopper.build import header, small_board, soic
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.supply_drop import solve_drop
from quietcopper.electrical.view import View
from quietcopper.findings import Proposal

DROP, NECK = "supply-drop", "neck-over-its-current"


def board(copper):
    """J1 at the left feeds 5V to U1 at the right, 1 A; copper(b) draws what joins J1.1 and U1.1."""
    b = small_board(ground=(2,))
    plug = header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7)
    b.part("J1", plug, (5, 15), nets=("5V", "GND"), value="supply connector")
    b.part("U1", soic(8), (42, 15), nets=("5V", *[""] * 6, "GND"), value="logic")
    copper(b)
    return b.build()


def amperes(value):
    return {"5V": {"role": "supply", "voltage": 5.0, "current": value}}


def trace(width):
    return lambda b: b.route("5V", "J1.1", "U1.1", layer=1, width=width)


def test_a_trace_takes_its_ohms(run):
    """Exact: length over width in squares of 1/(5.8e7 S/m x 35 um) = 0.4926 milliohm (row P8), 1 A; 0.1 %."""
    view = View(board(trace(0.5)), Settings(nets={"5V": NetSettings(**amperes(1.0)["5V"])}))
    drop = solve_drop(view, next(iter(view.supplies.values())))
    length = float(view.board.traces.length.sum())
    (lost,) = drop.drops.values()
    assert lost == pytest.approx(length / 0.5e-3 * 0.4926e-3, rel=1e-3)
    assert sum(drop.power) == pytest.approx(lost * 1.0, rel=1e-4)  # nothing else takes power


def test_a_thin_trace_is_found_and_a_wide_one_passes(run):
    thin, wide = (run(DROP, board(trace(w)), amperes(2.0)).only for w in (0.15, 1.5))
    assert thin.excess_db > 0 > wide.excess_db
    assert thin.predicted == pytest.approx(10 * wide.predicted, rel=0.02)
    assert thin.allowance.value == pytest.approx(0.1)
    assert thin.place.parts == ("J1", "U1")


def dumbbell(width):
    """A pour 8 mm high with a neck of the given width, 4 mm long, in its middle."""

    def draw(b):
        h = width / 2
        ring = [(3, 11), (22, 11), (22, 15 - h), (26, 15 - h), (26, 11), (40, 11), (40, 19), (26, 19), (26, 15 + h)]
        b.pour("5V", 1, [*ring, (22, 15 + h), (22, 19), (3, 19)], min_width=0.1)

    return draw


def test_a_neck_of_a_pour_is_solved():
    """The neck alone is 4 mm/0.4 mm = 10 squares; the pours, their spreading at both ends of the neck and at the
    contacts add some more: between 10 and 17 squares, and all power is that of the drop."""
    view = View(board(dumbbell(0.4)), Settings(nets={"5V": NetSettings(**amperes(1.0)["5V"])}))
    drop = solve_drop(view, next(iter(view.supplies.values())))
    (lost,) = drop.drops.values()
    assert 10 < lost / 0.4926e-3 < 17
    assert drop.power[2] == pytest.approx(sum(drop.power), rel=0.01)
    assert sum(drop.power) == pytest.approx(lost, rel=1e-4)


def test_a_neck_over_its_current_is_found_where_it_is(run):
    """IPC-2221, outer, 20 K: 0.5 mm (the width step over the neck's 0.4) of 35 um carry 1.97 A."""
    finding = run(NECK, board(dumbbell(0.4)), amperes(4.0)).only
    assert finding.excess_db > 0
    assert 22 < finding.place.at[0] * 1e3 < 26
    assert finding.predicted == pytest.approx(4.0, rel=1e-3)
    assert finding.allowance.value == pytest.approx(1.97, rel=0.02)
    wide = run(NECK, board(dumbbell(6.0)), amperes(1.0)).only
    assert wide.excess_db < 0


def test_a_narrow_trace_over_its_current(run):
    """IPC-2221 (row P11): 10 mil of 1 oz outside carry 0.8855 A with 10 K."""
    finding = run(NECK, board(trace(0.254)), amperes(2.0), allowances={f"{NECK}.rise_k": 10.0}).only
    assert finding.allowance.value == pytest.approx(0.8855, rel=1e-3)
    assert finding.predicted == pytest.approx(2.0, rel=1e-3)


def test_without_a_source_it_says_so(run):
    b = small_board(ground=(2,))
    b.part("U1", soic(8), (42, 15), nets=("5V", *[""] * 6, "GND"), value="logic")
    said = run(DROP, b.build(), amperes(1.0))
    assert not said.findings
    assert "feeds" in said.not_checked[0].why


def round_about(width):
    """A trace from J1 to U1 that keeps 3 mm from everything on its way."""

    def draw(b):
        (x0, y0), (x1, y1) = b.pin("J1.1"), b.pin("U1.1")
        b.trace("5V", 1, [(x0, y0), (x0, y0 + 6), (x1 - 5, y0 + 6), (x1 - 5, y1), (x1, y1)], width=width)

    return draw


@pytest.mark.parametrize("check", [DROP, NECK])
def test_wider_traces_cure(run, changed, check):
    figures = amperes(2.0)
    thin = board(round_about(0.15))
    found = run(check, thin, figures).only
    assert found.excess_db > 0
    after = changed(thin, found.remedies[0].change)
    assert after.traces.length.sum() == pytest.approx(thin.traces.length.sum())
    assert all(f.excess_db < 0 for f in run(check, after, figures).findings)


def test_a_wider_trace_stops_where_its_neighbour_is(changed):
    """By hand: 0.5 mm from the middle of another trace of 0.15 mm there is room for 2 x (0.5 - 0.075 - 0.1) mm."""

    def beside(b):
        round_about(0.15)(b)
        x, y = b.pin("J1.1")
        b.trace("A", 1, [(x + 10, y + 6.5), (x + 15, y + 6.5)], width=0.15)

    narrow = board(beside)
    change = Proposal("wider", "widen-traces", {"net": "5V", "layer": 0, "width": 2e-3})
    after = changed(narrow, change)
    traces, left = after.traces, after.pins.x[0]
    middle = left + 12.5e-3
    here = (traces.x0 < middle) & (traces.x1 > middle) & (traces.net == after.net_index["5V"])
    assert traces.width[here] == pytest.approx([0.65e-3], abs=1e-6)
    assert traces.width.max() == pytest.approx(2e-3)
