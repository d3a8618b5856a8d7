"""The words of a Gerber file and the meaning of its numbers.

One regular expression cuts the file; every alternative takes what it looks at, so that no input makes it slow.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

# groups 1 to 6: an operation as nearly all are written; 7: a macro; 8: a comment; 9: any other word
SCAN = re.compile(
    r"(?:G0?([123]))?(?:X([+-]?\d{1,15}))?(?:Y([+-]?\d{1,15}))?(?:I([+-]?\d{1,15}))?(?:J([+-]?\d{1,15}))?D0?([123])\*"
    r"|(?:%\s*)?([Aa][Mm][^%]*)(?:%|\Z)"
    r"|[%\s]*[Gg]0*4(?!\d)([^*]*)(?:\*|\Z)"
    r"|([^*%\s][^*%]*)(?:\*|(?=%)|\Z)"
    r"|[*%\s\x1a\0]+"
)
OPERATION, MACRO, COMMENT, WORD = 6, 7, 8, 9

# one code and its number, in a word from which blanks were taken
CODE = re.compile(r"([GDMNXYIJ])([+-]?(?:\d+\.?\d*|\.\d+))", re.IGNORECASE)
FORMAT = re.compile(r"FS([LTD]?)([AI]?)(?:[NG]\d)*X(\d)(\d)Y(\d)(\d)(?:Z\d\d)?(?:[DM]\d)*", re.IGNORECASE)
MAX_DIGITS = 15


class Lines:
    """Line numbers of positions in the file, worked out when first asked for."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._breaks: np.ndarray | None = None

    @property
    def breaks(self) -> np.ndarray:
        if self._breaks is None:
            raw = np.frombuffer(self._text.encode("latin-1"), dtype=np.uint8)
            ends = np.flatnonzero(raw == 10)
            self._breaks = ends if len(ends) else np.flatnonzero(raw == 13)
        return self._breaks

    def of(self, position: int) -> int:
        return bisect_left(self.breaks, position) + 1

    def of_all(self, positions: np.ndarray) -> np.ndarray:
        return np.searchsorted(self.breaks, positions) + 1


class BadNumber(Exception):
    """A coordinate that cannot be read; the message says why."""


@dataclass(frozen=True)
class CoordinateFormat:
    """FS: whether trailing zeros are left out (else leading ones), increments, and the digits of x and y."""

    trailing: bool
    incremental: bool
    x: tuple[int, int]
    y: tuple[int, int]

    def reader(self, digits: tuple[int, int], unit: float) -> Callable[[str], float]:
        """A function from a coordinate's text to m."""
        whole, decimals = digits
        factor = unit / 10**decimals

        def leading(text: str) -> float:
            return int(text) * factor

        def trailing(text: str) -> float:
            missing = whole + decimals - len(text.lstrip("+-"))
            return int(text) * 10.0**missing * factor

        return trailing if self.trailing else leading


def parse_format(word: str) -> CoordinateFormat | None:
    """From an FS command without blanks; None for one that is none."""
    match = FORMAT.fullmatch(word)
    if match is None:
        return None
    zeros, notation, *digits = match.groups()
    xw, xd, yw, yd = (int(d) for d in digits)
    return CoordinateFormat(zeros.upper() == "T", notation.upper() == "I", (xw, xd), (yw, yd))
