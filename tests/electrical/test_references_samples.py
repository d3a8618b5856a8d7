"""Runs, gaps, changes and sections of real boards against overlays of the whole planes."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from quietcopper.electrical.view import View
from quietcopper.formats import read_board

SAMPLES = {
    "6 layers": "ipc2581-6layer-rev-a/testcase3.xml",
    "4 layers": "ipc2581-4layer-panel-rev-b/WiFi_panel.xml",
    "2 layers": "ipc2581-2layer-handwritten/led_power_board.xml",
    "outer layers only": "ipc2581-18layer-outer-only-rev-c/testcase10-RevC-Assembly.xml",
}


@pytest.fixture(params=sorted(SAMPLES), scope="module")
def view(request: pytest.FixtureRequest) -> View:
    root = Path(os.environ.get("QUIETCOPPER_BOARDS", request.config.rootpath.parent / "shared" / "boards"))
    path = root / SAMPLES[request.param]
    if not path.exists():
        pytest.skip(f"sample board {SAMPLES[request.param]} is not beside the checkout nor at QUIETCOPPER_BOARDS")
    return View(read_board(path))


def test_runs_add_up_and_their_references_are_there(view: View) -> None:
    board, runs = view.board, view.runs
    total = np.bincount(runs.trace, runs.length, minlength=len(board.traces))
    assert_allclose(total[board.traces.length > 1e-9], board.traces.length[board.traces.length > 1e-9], atol=1e-12)
    rng = np.random.default_rng(0)
    for row in rng.choice(len(runs), min(150, len(runs)), replace=False).tolist():
        if board.traces.turn[runs.trace[row]]:
            continue  # the flattened line is up to a micrometre off the arc that was cut
        for area, layer, step in (
            (int(runs.above[row]), int(runs.above_layer[row]), -1),
            (int(runs.below[row]), int(runs.below_layer[row]), 1),
        ):
            stop = layer if area >= 0 else (-1 if step < 0 else len(board.layers))
            if area >= 0:
                uncovered = shapely.difference(runs.line[row], board.areas.shape[area]).length
                assert uncovered == pytest.approx(0.0, abs=1e-9)
            for passed in range(int(runs.layer[row]) + step, stop, step):
                foreign = (board.areas.layer == passed) & (board.areas.net != runs.net[row])
                hidden = shapely.intersection(runs.line[row], board.areas.shape[foreign])
                assert shapely.length(hidden).sum() == pytest.approx(0.0, abs=1e-9)


def test_gaps_are_bare_from_outline_to_outline(view: View) -> None:
    board, gaps = view.board, view.gaps
    assert not np.isnan(gaps.slot).any()
    for row in range(len(gaps)):
        foreign = (board.areas.layer == gaps.reference[row]) & (board.areas.net != gaps.net[row])
        shapes = board.areas.shape[foreign]
        # arcs are cut on the true circle and drawn flattened, up to a micrometre aside
        assert shapely.length(shapely.intersection(gaps.line[row], shapes)).sum() < 5e-6
        for end, area in ((0, gaps.before[row]), (-1, gaps.after[row])):
            if area >= 0:
                point = shapely.get_point(gaps.line[row], end)
                assert shapely.distance(board.areas.shape[area], point) <= gaps.width[row] / 2 + 2e-6


def test_layer_changes_and_lines_are_plausible(view: View) -> None:
    board, changes, lines = view.board, view.layer_changes, view.line_table
    assert (changes.lower > changes.upper).all()
    for areas, refs in ((changes.upper_area, changes.upper_ref), (changes.lower_area, changes.lower_ref)):
        known = areas >= 0
        assert (board.areas.layer[areas[known]] == refs[known]).all()
        assert (board.areas.net[areas[known]] != changes.net[known]).all()
    solved = np.isfinite(lines.z0)
    assert solved.any()
    assert ((lines.z0[solved] > 5) & (lines.z0[solved] < 350)).all()
    # between air and the densest sheet, as every quasi-TEM line is
    highest = max(d.er for d in board.dielectrics)
    assert ((lines.er_effective[solved] >= 1) & (lines.er_effective[solved] <= highest * 1.002)).all()
    assert (lines.reason[~solved] != "").all()
