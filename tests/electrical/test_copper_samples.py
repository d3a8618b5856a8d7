"""Connectivity on real boards, where they are at hand."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from quietcopper.board import Board
from quietcopper.electrical.copper import connect
from quietcopper.electrical.net_graph import MOST_PINS
from quietcopper.electrical.paths import net_paths
from quietcopper.electrical.pours import fingers, lone_copper
from quietcopper.formats import read_board


def sample(request: pytest.FixtureRequest, name: str) -> Board:
    root = Path(os.environ.get("QUIETCOPPER_BOARDS", request.config.rootpath.parent / "shared" / "boards"))
    file = root / name
    if not file.exists():
        pytest.skip(f"sample board {name} is not beside the checkout nor at QUIETCOPPER_BOARDS")
    return read_board(file)


def test_finished_board_has_every_pin_of_a_net_in_reach_and_no_clash(request):
    board = sample(request, "ipc2581-4layer-panel-rev-b/WiFi_panel.xml")
    copper = connect(board)
    assert copper.problems == ()
    pins = np.bincount(board.pins.net, minlength=len(board.nets))
    for net in range(1, len(board.nets)):
        if 2 <= pins[net] <= MOST_PINS:
            assert len(net_paths(board, copper, net)) == pins[net] - 1
    assert len(lone_copper(board, copper)) == 0
    # looked at by eye: a tongue between two traces, and the strip beside the edge contacts on both outer layers
    assert np.sort(fingers(board, copper).length) == pytest.approx([5.19e-3, 5.39e-3, 6.0e-3], abs=0.2e-3)


def test_planes_that_no_hole_reaches_are_found_and_marks_outside_the_board_are_not(request):
    board = sample(request, "ipc2581-6layer-rev-a/testcase3.xml")
    copper = connect(board)
    lone = lone_copper(board, copper)
    assert [(int(layer) + 1, board.nets[net]) for layer, net in zip(lone.layer, lone.net, strict=True)] == [
        (2, "GND"),
        (5, "VCC"),
        (5, "VEE"),
    ]
    # the larger ground area hangs on two connector pins, each by four spokes drawn as traces
    ground = int(np.argmax(copper.pieces.area * (copper.pieces.layer == 1)))
    labels = [board.pin_label(board.vias.pin[via]) for via in copper.vias_of_piece(ground)]
    assert sorted(labels) == ["J1.10", "J1.9"]
