"""A small board is a poor counterpoise."""

from __future__ import annotations

import pytest

from quietcopper.fields.counterpoise import counterpoise_share


@pytest.mark.parametrize(
    ("length", "frequency", "share"),
    [(0.1, 100e6, 0.2081), (0.1, 749.48e6, 1.0), (0.1, 2e9, 1.0), (0.05, 30e6, 0.03144)],
)
def test_share(length, frequency, share):
    """sin(2 pi l f/c) up to a quarter wave, by hand calculation."""
    assert counterpoise_share(length, frequency) == pytest.approx(share, rel=1e-3)
