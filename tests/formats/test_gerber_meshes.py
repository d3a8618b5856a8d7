"""Pours in the squares of a grid of traces are one area with it. Expected shapes are plain geometry."""

from __future__ import annotations

import pytest
import shapely

from quietcopper.board import Board
from quietcopper.build import rectangle, small_board
from quietcopper.formats.gerber_set.meshes import with_meshes

MM = 1e-3


def grid(length_mm: float = 0.65, net: str = "GND") -> Board:
    """A pour, a small square 0.1 mm beside it, and a trace 0.1 mm wide that touches both."""
    b = small_board(size_mm=(20.0, 20.0))
    b.net("5V", kind="power")
    b.pour("GND", 1, rectangle(2, 2, 8, 8), keep_islands=True)
    b.pour("GND", 1, rectangle(8.1, 4, 8.5, 4.4), keep_islands=True)
    b.trace(net, 1, [(8.3 - length_mm, 4.2), (8.3, 4.2)], width=0.1)
    return b.build()


def on_top(board: Board) -> list[shapely.Polygon]:
    return [s for s, layer in zip(board.areas.shape, board.areas.layer, strict=True) if layer == 0]


def test_a_square_that_a_short_trace_ties_is_one_with_the_pour() -> None:
    board = grid()
    (whole,) = on_top(with_meshes(board))
    # the pour, the square, and the trace's way across the gap of 0.1 mm
    assert whole.area == pytest.approx((36 + 0.16 + 0.1 * 0.1) * MM**2, rel=1e-3)
    assert len(with_meshes(board).traces) == len(board.traces)


@pytest.mark.parametrize("board", [grid(length_mm=3.0), grid(net="5V")])
def test_longer_traces_and_other_nets_join_nothing(board: Board) -> None:
    assert len(on_top(with_meshes(board))) == len(on_top(board)) > 1
