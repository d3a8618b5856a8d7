"""Two revisions compared: matched by meaning, told in dB."""

from __future__ import annotations

import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.findings import Matched
from quietcopper.findings.document import comparison_document
from quietcopper.report.comparison import render_comparison
from quietcopper.review import review
from quietcopper.review.compare import board_changes, compare

FAST = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=50.0, rate=100e6)


@pytest.mark.parametrize(
    ("before", "after", "state"),
    [
        (8.0, None, "cured"),
        (8.0, -0.1, "cured"),
        (8.0, 3.0, "better"),
        (8.0, 7.5, "remaining"),
        (3.0, 8.0, "worse"),
        (-2.0, -5.0, "better"),
        (None, 3.0, "new"),
    ],
)
def test_states_follow_the_figures(before, after, state):
    assert Matched("i", "c", "t", before, after).state == state


def with_slot(slot_mm, x=25.0, net="CLK"):
    b = small_board()
    half = slot_mm / 2
    cut = [rectangle(x - 0.5, 15 - half, x + 0.5, 15 + half)] if slot_mm else []
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=cut)
    b.trace(net, 1, [(5, 15), (45, 15)])
    return b.build()


def compared(old, new):
    settings = Settings(nets={"CLK": FAST, "TICK": FAST})
    return compare(review(old, settings), review(new, settings), old, new)


def test_a_closed_slot_is_cured_and_a_longer_one_is_worse():
    closed = compared(with_slot(12), with_slot(0))
    assert [m.state for m in closed.findings if m.check == "trace-over-gap"] == ["cured"]
    longer = compared(with_slot(10), with_slot(24))
    assert [m.state for m in longer.findings if m.check == "trace-over-gap"] == ["worse"]


def test_the_same_board_remains():
    same = compared(with_slot(16), with_slot(16))
    assert {m.state for m in same.findings} == {"remaining"}
    assert same.board_changes == ()


def test_what_differs_in_the_data_is_named():
    assert board_changes(with_slot(12), with_slot(12, net="TICK")) == ["nets gone: CLK", "nets added: TICK"]


def test_the_page_escapes_names_and_needs_no_network():
    comparison = compared(with_slot(12), with_slot(0))
    document = comparison_document(comparison)
    document["old"] = "<img src=x onerror=alert(1)>"
    page = render_comparison(document)
    assert "<img" not in page
    assert "http://" not in page
    assert "https://" not in page
