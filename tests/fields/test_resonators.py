"""Resonators: published rows, and the grid formula against its finite-element rows."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields import resonators


def test_fingers_and_islands() -> None:
    """Rows I1 and I2 (exact, four printed digits): quarter and half wave of 10, 20 mm at 4.4 and 50 mm at 4.0."""
    length, er = np.array([10e-3, 20e-3, 50e-3]), np.array([4.4, 4.4, 4.0])
    assert_allclose(resonators.quarter_wave(length, er), [3.573e9, 1.787e9, 0.749e9], rtol=1e-3)
    assert_allclose(resonators.half_wave(length, er), [7.146e9, 3.573e9, 1.499e9], rtol=5e-4)


def test_finger_against_full_wave() -> None:
    """Row F6: a finger of 20 mm, tied 0.3 mm from one end, notches at 2.005 GHz (+-0.5 %).

    A quarter wave of the 19.7 mm with the strip's own permittivity 3.56 gives 2.017 GHz, 1 % high for want of the open
    end's extension; with sqrt(4.3) of the laminate over 20 mm 1.807 GHz, 10 % low.
    """
    own = resonators.quarter_wave(19.7e-3, 3.56)
    assert_allclose(own, 2.017e9, rtol=1e-3)
    assert_allclose(own, 2.005e9, rtol=0.01)
    assert_allclose(resonators.quarter_wave(20e-3, 4.3), 1.807e9, rtol=1e-3)


def test_patches() -> None:
    """Row I3 (Balanis, example 14.1, from memory: 10 GHz) and row I4, extension and frequency, four printed digits."""
    assert_allclose(resonators.edge_extension(11.86e-3, 1.588e-3, 2.2), 0.811e-3, rtol=1e-3)
    assert_allclose(resonators.patch(9.06e-3, 11.86e-3, 1.588e-3, 2.2), 9.994e9, rtol=1e-3)
    assert_allclose(resonators.edge_extension(20e-3, 1.6e-3, 4.4), 0.729e-3, rtol=1e-3)
    assert_allclose(resonators.patch(20e-3, 20e-3, 1.6e-3, 4.4), 3.531e9, rtol=1e-3)


def test_stitching_pitch() -> None:
    """Rows I6 and I7: a twentieth of a wavelength at 0.5/rise and at 0.35/rise for 1, 0.5, 0.2 ns, er 4.4."""
    rise = np.array([1e-9, 0.5e-9, 0.2e-9])
    assert_allclose(resonators.stitching_pitch(0.5 / rise, 4.4), [14.29e-3, 7.15e-3, 2.86e-3], rtol=1e-3)
    assert_allclose(resonators.stitching_pitch(0.35 / rise, 4.4), [20.42e-3, 10.21e-3, 4.08e-3], rtol=1e-3)


def test_via_grid_cuts_off() -> None:
    """Row C16: formula 7.695, 3.354, 1.506 GHz (1e-3); finite elements 7.573, 3.323, 1.497 GHz within 2 %."""
    got = resonators.grid_cutoff(np.array([5e-3, 10e-3, 20e-3]), 0.15e-3, 4.4)
    assert_allclose(got, [7.695e9, 3.354e9, 1.506e9], rtol=1e-3)
    assert_allclose(got, [7.573e9, 3.323e9, 1.497e9], rtol=0.02)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: resonators.quarter_wave(0.0, 4.0), "length is 0"),
        (lambda: resonators.half_wave(1e-2, 0.5), "er is 0.5"),
        (lambda: resonators.edge_extension(0.1e-3, 1e-3, 4.0), "width/height is 0.1"),
        (lambda: resonators.grid_cutoff(1e-3, 0.2e-3, 4.0), "pitch over radius is 5"),
    ],
)
def test_outside_the_range_is_refused(call, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange, match=text):
        call()
