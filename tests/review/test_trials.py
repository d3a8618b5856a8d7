"""A changed board that is looked at with what was kept of the board before gives what a review from nothing gives."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from quietcopper.build import chip, header, rectangle, small_board
from quietcopper.changes import Changed
from quietcopper.checks import all_checks
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.fields import content
from quietcopper.findings import Proposal
from quietcopper.review.look import look
from quietcopper.review.trial import Bench

FAST = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=20.0, rate=50e6)
CHANGES = [
    Proposal("resistor", "series-resistor", {"nets": ["D0", "D1"], "ohm": 33.0}),
    Proposal("thinner", "set-dielectric", {"upper": 1, "lower": 2, "thickness": 0.3e-3}),
    Proposal("narrower", "set-width", {"net": "S0", "layer": 0, "width": 0.1e-3}),
    Proposal("ground", "area-to-net", {"layer": 2, "net": "GND", "nets": ["3V3", "5V"], "pitch": 8e-3}),
    Proposal("slower", "slower-edge", {"nets": ["S0"], "rise": 1e-9}),
    Proposal("bridge", "bridge-gap", {"nets": ["3V3", "GND"], "at": (12e-3, 12e-3)}),
    Proposal("beside", "shift-trace", {"net": "S1", "layer": 0, "at": (20e-3, 18.45e-3), "by": (0.0, 0.5e-3)}),
    Proposal("filter", "filter-line", {"connector": "J1", "net": "D0", "ohm": 100.0, "farad": 100e-12}),
]


def board():
    """Ground on layer 2, two supplies on layer 3, two lines on layer 4 over the split, two side by side on layer 1."""
    b = small_board(size_mm=(40, 24), ground=(2,))
    for net, x in (("3V3", 0.5), ("5V", 20.2)):
        b.net(net, kind="power")
        b.pour(net, 3, rectangle(x, 0.5, x + 19.3, 23.5), keep_islands=True)
        b.part(f"C{net}", chip("0402"), (x + 3, 3), nets=(net, "GND"), value="100n")
        b.drop(f"C{net}.1", (-0.9, 0))
        b.drop(f"C{net}.2", (0.9, 0))
    for i in range(2):
        b.trace(f"D{i}", 4, [(6, 8 + 4 * i), (34, 8 + 4 * i)])
        b.trace(f"S{i}", 1, [(5, 18 + 0.45 * i), (36, 18 + 0.45 * i)])
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (37, 8), nets=("D0", "GND"))
    b.route("D0", (34, 8), "J1.1", layer=4)
    return b.build()


@pytest.fixture(scope="module")
def bench():
    view = View(board(), Settings(patterns={"D?": FAST, "S?": FAST}))
    look(view, all_checks())  # what a review has worked out before it tries anything
    return Bench.of(view, all_checks())


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.kind)
def test_what_is_kept_changes_no_figure(bench, change):
    changed = bench.apply(Changed(bench.board), change)
    quick = bench.look(changed)
    content.forget_all()
    whole = look(View(changed.board, bench.settings_after(changed)), bench.checks)
    told, expected = (
        [(f.id, f.excess_db, f.title, f.cause) for f in (*looked.findings, *looked.passing)]
        for looked in (quick, whole)
    )
    if changed.unrouted:  # supplies that are still to be routed are not judged
        ids = {i for i, *_ in told}
        expected = [row for row in expected if row[0] in ids]
    assert told == expected
    assert len(told) > 5


def test_equal_content_is_solved_once_and_other_content_anew():
    solved = []

    @content.kept_by_content(2)
    def area(shape, factor, values):
        solved.append(factor)
        return shape.area * factor + values.sum()

    box = shapely.box(0, 0, 2, 1)
    assert area(box, 1.0, np.ones(3)) == area(shapely.box(0, 0, 2, 1), 1.0, np.ones(3)) == 5.0
    assert area(box, 1.0, np.ones(4)) == 6.0
    assert len(solved) == 2
    assert area(box, 2.0, np.ones(3)) == 7.0  # the first is given up
    assert area(box, 1.0, np.ones(3)) == 5.0
    assert len(solved) == 4
    with pytest.raises(TypeError, match="no digest"):
        content.content_key(object())
