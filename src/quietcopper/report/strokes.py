"""Figures drawn as strokes, for files that carry no text: a small single-line alphabet of digits."""

from __future__ import annotations

import numpy as np

from quietcopper.report.svg import Floats

# On a grid 4 wide and 6 high, each figure as its strokes.
WIDTH, HEIGHT, ADVANCE = 4.0, 6.0, 5.6
_SIX = ((3.5, 6), (2, 6), (0.8, 4.8), (0, 3), (0, 1), (1, 0), (3, 0), (4, 1), (4, 2.3), (3, 3.3), (1, 3.3), (0, 2.3))
FIGURES: dict[str, tuple[tuple[tuple[float, float], ...], ...]] = {
    "0": (((1, 0), (3, 0), (4, 1), (4, 5), (3, 6), (1, 6), (0, 5), (0, 1), (1, 0)),),
    "1": (((0.8, 4.8), (2, 6), (2, 0)), ((0.8, 0), (3.2, 0))),
    "2": (((0, 5), (1, 6), (3, 6), (4, 5), (4, 4), (0, 0), (4, 0)),),
    "3": (((0, 6), (4, 6), (2, 3.6), (3, 3.6), (4, 2.6), (4, 1), (3, 0), (1, 0), (0, 1)),),
    "4": (((3, 0), (3, 6), (0, 2), (4, 2)),),
    "5": (((4, 6), (0.5, 6), (0.2, 3.4), (1.2, 3.9), (3, 3.9), (4, 2.9), (4, 1), (3, 0), (1, 0), (0, 1)),),
    "6": (_SIX,),
    "7": (((0, 6), (4, 6), (1.5, 0)),),
    "8": (
        ((1, 3.3), (0, 4.2), (0, 5.2), (1, 6), (3, 6), (4, 5.2), (4, 4.2), (3, 3.3), (1, 3.3)),
        ((1, 3.3), (0, 2.4), (0, 1), (1, 0), (3, 0), (4, 1), (4, 2.4), (3, 3.3)),
    ),
    "9": (tuple((4 - x, 6 - y) for x, y in _SIX),),
}


def size(text: str, height: float) -> tuple[float, float]:
    """Width and height of digits of that height, in its unit."""
    return ((len(text) - 1) * ADVANCE + WIDTH) * height / HEIGHT, height


def strokes(text: str, x: float, y: float, height: float) -> list[Floats]:
    """The digits of a text as lines (n, 2), their lower left corner at x, y. Raises KeyError for other characters."""
    scale = height / HEIGHT
    return [
        np.array([(x + (px + i * ADVANCE) * scale, y + py * scale) for px, py in stroke])
        for i, digit in enumerate(text)
        for stroke in FIGURES[digit]
    ]
