"""Order of names as people count: R2 before R10."""

from __future__ import annotations

import re


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A key that sorts R2 before R10."""
    return tuple(
        (0, int(piece), "") if piece.isdigit() else (1, 0, piece) for piece in re.findall(r"\d{1,15}|\D+|\d+", text)
    )
