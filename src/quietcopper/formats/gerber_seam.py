"""Where the Gerber reader joins: `read_board` calls `read_gerber` for whatever `looks_like_gerber`."""

from __future__ import annotations

from collections.abc import Callable

from quietcopper.board import Board
from quietcopper.errors import ReadError
from quietcopper.formats.archive import Source

MARKS = (b"%FS", b"%MO", b"G04", b"%TF", b"M48")  # Gerber header statements, and the start of an NC drill file


def looks_like_gerber(head: bytes) -> bool:
    """Whether a file's first bytes are Gerber or NC drill."""
    return any(mark in head[:2000] for mark in MARKS)


def read_gerber(source: Source, progress: Callable[[str, int, int], None] | None = None) -> Board:
    """Raises ReadError: Gerber is not read yet."""
    raise ReadError(
        source.path,
        found="Gerber or drill files, which are not read yet",
        expected="an IPC-2581 file (plain, .gz or .zip)",
        remedy="export the layout as IPC-2581",
    )
