"""Plane pairs of real boards, where they are at hand."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.electrical.plane_pairs import CELLS
from quietcopper.electrical.view import View
from quietcopper.fields import plane_pair_solver
from quietcopper.formats import read_board


def sample(request: pytest.FixtureRequest, name: str) -> View:
    root = Path(os.environ.get("QUIETCOPPER_BOARDS", request.config.rootpath.parent / "shared" / "boards"))
    if not (root / name).exists():
        pytest.skip(f"sample board {name} is not beside the checkout nor at QUIETCOPPER_BOARDS")
    return View(read_board(root / name))


def test_modes_of_a_real_pair_with_its_antipads(request):
    """Ground and supply of a six-layer board, 6158 mm2 with 132 openings in an outline with arms and recesses: ten
    modes against second-order triangles (scikit-fem) that follow every opening, of 0.8 mm (with 0.5 mm they move by
    0.05 %). 0.5 % with a review's cells, 0.1 % with four times as many."""
    pair = sample(request, "ipc2581-6layer-rev-a/testcase3.xml").plane_pairs[0]
    assert_allclose(pair.area, 6158e-6, rtol=1e-3)
    assert len(pair.shape.interiors) == 132
    assert not len(pair.ties)
    pytest.importorskip("skfem")
    spec = importlib.util.spec_from_file_location("plane_fem", Path(__file__).parents[1] / "fields/plane_fem.py")
    assert spec is not None
    assert spec.loader is not None
    fem = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(fem)
    expected = pair.material.frequency(fem.eigenvalues(pair.shape.simplify(20e-6), 0.8e-3, 10))
    for cells, rtol in ((CELLS, 5e-3), (4 * CELLS, 1e-3)):
        found = plane_pair_solver.solve(pair.material, pair.shape, 3e9, np.empty((0, 2)), 1e-4, cells=cells).expansion
        assert_allclose(pair.material.frequency(found.eigenvalues[found.resonances()][:10]), expected, rtol=rtol)
