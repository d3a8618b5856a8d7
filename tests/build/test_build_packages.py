"""Land patterns and how they come to lie on the board."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from quietcopper.build import (
    Package,
    castellated,
    chip,
    crystal,
    edge_coax,
    header,
    led,
    qfn,
    qfp,
    small_board,
    soic,
    sot23,
    tactile_switch,
    two_pads,
)
from quietcopper.errors import CallError

ALL = [
    *(chip(size) for size in ("0402", "0603", "0805", "1206")),
    led("0603"),
    two_pads("IND", pad_mm=(1, 3), distance_mm=3, body_mm=(4, 4)),
    *(sot23(n) for n in (3, 5, 6)),
    soic(8),
    soic(16, wide=True),
    qfp(64, pitch_mm=0.5, body_mm=10),
    qfn(32, pitch_mm=0.5, body_mm=5, thermal_mm=3.4),
    header(5, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7),
    header(10, pitch_mm=1.27, drill_mm=0.7, pad_mm=1.0, rows=2),
    crystal(),
    castellated(left=6, bottom=4, right=6, top=2, pitch_mm=1.27, body_mm=(16, 12)),
    tactile_switch(),
    edge_coax(),
]


@pytest.mark.parametrize("package", ALL, ids=lambda p: p.name)
def test_lands_are_apart_and_pins_are_unique(package: Package) -> None:
    assert len(set(package.pins)) == len(package.lands)
    for i, a in enumerate(package.lands):
        assert a.shape.covers(shapely.Point(a.x, a.y))
        for b in package.lands[:i]:
            if a.far_side == b.far_side:
                assert a.shape.distance(b.shape) > 0.15e-3, (a.pin, b.pin)


def test_counting_runs_counter_clockwise_from_the_upper_left() -> None:
    lands = qfp(64, pitch_mm=0.5, body_mm=10).lands
    angles = np.unwrap([math.atan2(land.y, land.x) for land in lands])
    assert (np.diff(angles) > 0).all()
    assert (lands[0].x, lands[0].y) == pytest.approx((-5.7e-3, 3.75e-3))
    eight = soic(8).lands
    assert [round(land.y * 1e3, 3) for land in eight] == [1.905, 0.635, -0.635, -1.905, -1.905, -0.635, 0.635, 1.905]
    assert [land.x < 0 for land in eight] == [True] * 4 + [False] * 4


@pytest.mark.parametrize(
    ("turn", "side", "expected"),
    [
        (0, "top", (9.5, 10)),
        (90, "top", (10, 9.5)),
        (180, "top", (10.5, 10)),
        (-90, "top", (10, 10.5)),
        (0, "bottom", (10.5, 10)),
        (90, "bottom", (10, 10.5)),
    ],
)
def test_a_part_is_mirrored_then_turned(turn: float, side: str, expected: tuple[float, float]) -> None:
    b = small_board(4)
    b.part("C1", chip("0402"), (10, 10), nets=("A", "B"), turn_deg=turn, side=side)
    assert b.pin("C1.1") == pytest.approx(expected)
    board = b.build()
    assert board.pads.layer.tolist() == ([0, 0] if side == "top" else [3, 3])
    assert board.parts.side.tolist() == [0 if side == "top" else 1]
    assert 0 <= board.parts.rotation[0] < 2 * math.pi


def test_through_pins_have_a_hole_and_a_pad_on_every_layer() -> None:
    b = small_board(4)
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (10, 10), nets=("A", ""))
    board = b.build()
    assert board.vias.pin.tolist() == [0, 1]
    assert board.vias.drill == pytest.approx([1e-3, 1e-3])
    assert sorted(board.pads.layer.tolist()) == [0, 0, 1, 1, 2, 2, 3, 3]
    assert (board.pads.via == board.pads.pin).all()
    assert board.pins.layer.tolist() == [-1, -1]
    assert board.pins.net.tolist() == [board.net_index["A"], 0]


def test_far_side_lands_lie_on_the_other_side() -> None:
    b = small_board(2)
    b.part("J1", edge_coax(), (40, 10), nets=("RF", "GND", "GND", "GND", "GND"))
    assert b.build().pads.layer.tolist() == [0, 0, 0, 1, 1]
    b = small_board(2)
    b.part("J1", edge_coax(), (40, 10), nets=("RF", "GND", "GND", "GND", "GND"), side="bottom")
    assert b.build().pads.layer.tolist() == [1, 1, 1, 0, 0]


def test_unknown_packages_are_refused() -> None:
    for make, words in (
        (lambda: chip("9999"), "0402, 0603"),
        (lambda: sot23(4), "3, 5 or 6"),
        (lambda: soic(7), "even number"),
        (lambda: qfp(63, pitch_mm=0.5, body_mm=10), "multiple of 4"),
        (lambda: header(5, pitch_mm=2, drill_mm=1, pad_mm=1.5, rows=2), "whole number a row"),
    ):
        with pytest.raises(CallError, match=words):
            make()
