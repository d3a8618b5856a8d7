"""Whatever the language builds survives IPC-2581: written and read back, the tables are the same."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietcopper.board import Board
from quietcopper.board.model import Table
from quietcopper.build import (
    BoardBuilder,
    castellated,
    chip,
    edge_coax,
    header,
    led,
    qfn,
    qfp,
    rectangle,
    small_board,
    soic,
    sot23,
)
from quietcopper.demo import revision_a, revision_b
from quietcopper.formats import read_board
from quietcopper.formats.ipc2581.writer import write_ipc2581

PACKAGES = (
    chip("0402"),
    led("0603"),
    sot23(5),
    soic(8),
    qfp(32, pitch_mm=0.8, body_mm=7),
    qfn(16, pitch_mm=0.5, body_mm=3, thermal_mm=1.6),
    header(4, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7),
    castellated(left=4, bottom=0, right=4, top=2, pitch_mm=1.27, body_mm=(10, 8)),
    edge_coax(),
)
NETS = ("GND", "3V3", "CLK<1>", "D&0", "A B")
place = st.tuples(st.floats(1, 49), st.floats(1, 29))
net = st.sampled_from(NETS)


@st.composite
def boards(draw: st.DrawFn) -> Board:
    layers = draw(st.sampled_from((1, 2, 4)))
    b: BoardBuilder = small_board(layers)
    layer = st.integers(1, layers)
    b.trace("GND", 1, [(2, 2), (3, 2)])  # a layout without copper is refused
    if draw(st.booleans()):
        b.outline(rectangle(0, 0, 50, 30, corner=3), cutouts=[rectangle(20, 12, 24, 15)])
    for _ in range(draw(st.integers(0, 5))):
        points = draw(st.lists(place, min_size=2, max_size=4, unique=True))
        b.trace(draw(net), draw(layer), points, width=draw(st.floats(0.1, 2)), radius=draw(st.sampled_from((0.0, 1.0))))
    for _ in range(draw(st.integers(0, 2))):
        (x, y), r = draw(place), draw(st.floats(0.5, 4))
        end = (x + r, y) if draw(st.booleans()) else (x, y - r)  # a full circle, or a quarter
        b.arc(draw(net), draw(layer), (x + r, y), end, (x, y), turn=draw(st.sampled_from((1, -1))))
    for _ in range(draw(st.integers(0, 5))):
        span = sorted((draw(layer), draw(layer)))
        antipad = draw(st.sampled_from((None, 0.9)))
        b.via(draw(net), draw(place), span=(span[0], span[1]) if draw(st.booleans()) else None, antipad=antipad)
    for i in range(draw(st.integers(0, 4))):
        package = draw(st.sampled_from(PACKAGES))
        nets = draw(st.lists(st.sampled_from(("", *NETS)), min_size=len(package.pins), max_size=len(package.pins)))
        turn = draw(st.sampled_from((0, 90, 180, 270, 45)) | st.floats(-360, 360))
        side = draw(st.sampled_from(("top", "bottom") if layers > 1 else ("top",)))
        b.part(f"U{i}", package, draw(place), nets=nets, value='a "b" & c', turn_deg=turn, side=side)
    for _ in range(draw(st.integers(0, 2))):
        b.hole(draw(place), draw(st.floats(1, 3)), to=draw(st.none() | place))
    for _ in range(draw(st.integers(0, 2))):
        x, y = draw(st.integers(1, 25)), draw(st.integers(1, 15))
        b.pour(draw(net), draw(layer), rectangle(x, y, x + 20, y + 12), keep_islands=draw(st.booleans()), edge=0.5)
    if draw(st.booleans()):
        b.net("CLK<1>", kind="clock", target_ohm=draw(st.floats(20, 120)))
    return b.build()


def assert_same(one: Table, other: Table) -> None:
    assert len(one) == len(other), type(one).__name__
    for f in dataclasses.fields(one):
        a, b = getattr(one, f.name), getattr(other, f.name)
        where = f"{type(one).__name__}.{f.name}"
        if f.name == "shape":
            # 1e-9 m2 would be 30 µm x 30 µm; shapes are written once per form, to far less than a nanometre
            lost = [p.symmetric_difference(q).area for p, q in zip(a, b, strict=True)]
            assert max(lost, default=0) < 1e-14, where
        elif a.dtype == object:
            assert list(a) == list(b), where
        else:
            np.testing.assert_allclose(a, b, rtol=0, atol=1e-12, err_msg=where)


def assert_survives(board: Board, path: Path) -> None:
    write_ipc2581(board, path)
    back = read_board(path)
    assert (back.name, back.nets, back.layers) == (board.name, board.nets, board.layers)
    assert (back.dielectrics, back.mask_top, back.mask_bottom) == (board.dielectrics, board.mask_top, board.mask_bottom)
    assert dict(back.net_classes) == dict(board.net_classes)
    assert dict(back.impedances) == pytest.approx(dict(board.impedances))
    assert shapely.symmetric_difference(back.outline, board.outline).area < 1e-14
    for name in ("traces", "vias", "pads", "areas", "parts", "pins"):
        assert_same(getattr(board, name), getattr(back, name))
    assert (back.unread, back.assumptions) == ((), ())


@given(boards())
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_board_survives(tmp_path: Path, board: Board) -> None:
    assert_survives(board, tmp_path / "board.xml")


@pytest.mark.parametrize("revision", [revision_a, revision_b])
def test_the_demo_survives(tmp_path: Path, revision) -> None:  # type: ignore[no-untyped-def]
    assert_survives(revision(), tmp_path / "board.xml")
