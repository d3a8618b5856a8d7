"""Independent check: the same sections by finite elements, to the digits that these reach in a second."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import solve
from quietcopper.units import EPS0, MM, MU0

_spec = importlib.util.spec_from_file_location("section_fem", Path(__file__).with_name("section_fem.py"))
assert _spec is not None
assert _spec.loader is not None
fem = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(fem)

PAIR = CrossSection(
    tuple(Strip(x * MM, 0.1 * MM, 0.15 * MM, 0.035 * MM, 0.25) for x in (-0.15, 0.15)), (), (Sheet(0.1 * MM, 4.3),)
)
TIGHT_MASKED_PAIR = CrossSection(
    tuple(Strip(x * MM, 0.1 * MM, 0.15 * MM, 0.035 * MM) for x in (-0.095, 0.095)),
    (),
    (Sheet(0.1 * MM, 4.3),),
    coat_above=Coat(25e-6, 25e-6, 3.5),  # 2 x 25 µm of mask in a gap of 40 µm: one outline
)
MASKED = CrossSection(
    (Strip(0.0, 0.2 * MM, 0.3 * MM, 0.035 * MM),), (), (Sheet(0.2 * MM, 4.3),), coat_above=Coat(25e-6, 25e-6, 3.5)
)


@pytest.mark.parametrize("section", [PAIR, MASKED], ids=["trapezoid pair", "mask"])
def test_finite_elements_come_down_to_the_solution(section: CrossSection) -> None:
    """Energy bounds: the finite elements' own capacitance is above the true one, and falls as the mesh is refined."""
    ours = solve(section, 2e-5)
    excess = []
    for finest, ratio in ((2e-6, 2.0), (1e-6, 1.6)):
        loaded, bare, _ = fem.capacitance(section, finest=finest, ratio=ratio)
        inductance = MU0 * EPS0 * np.linalg.inv(bare)
        excess.append(np.diag(loaded) / np.diag(ours.capacitance) - 1)
        assert_allclose(np.diag(inductance), np.diag(ours.inductance), rtol=1e-3)
    # 5e-4 is what the finer mesh is off by its own convergence (halving again gives 2e-4, then 1e-4)
    assert np.all(excess[1] > 0)
    assert np.all(excess[1] < 5e-4)
    assert np.all(excess[1] < 0.6 * excess[0])


def test_masks_that_merge_between_tight_traces() -> None:
    ours = solve(TIGHT_MASKED_PAIR, 2e-4)
    section = TIGHT_MASKED_PAIR
    loaded, _, _ = fem.capacitance(section, finest=1e-6, ratio=1.6)
    assert_allclose(loaded, ours.capacitance, rtol=1e-3)
