"""Rows of graphical objects while a file is read: growing tables, blocks, and their copies.

A row is ROW doubles in one flat array, so that a million objects fit and copies of blocks are plain arithmetic.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietcopper.formats.gerber.graphics import Objects, Transform

KIND, DARK, X0, Y0, X1, Y1, XC, YC, TURN, APERTURE, TRANSFORM, WIDTH, CONTOUR, ATTRIBUTES, PLACE = range(15)
ROW = 15  # columns; PLACE is the position in the file, made a line number at the end
XS, YS = [X0, X1, XC], [Y0, Y1, YC]

MAX_OBJECTS = 1_000_000  # of one file, blocks and copies counted; large layers have 100 000
MAX_POINTS = 8_000_000  # of all contours; large layers have 200 000
CHUNK = 50_000  # rows copied in one go

Rows = NDArray[np.float64]


class TooMuch(Exception):
    """More objects than any layer has; the message says which."""


@dataclass(frozen=True, eq=False)
class Block:
    """Objects kept for copying. rows : shape (n, ROW), region numbers from 0; points, ends : their contours."""

    rows: Rows
    points: NDArray[np.float64]
    ends: NDArray[np.int64]


@dataclass
class Sink:
    """Where objects go: the image, or a block that is being defined. rows, points flat; ends : of the contours."""

    rows: array[float] = field(default_factory=lambda: array("d"))
    points: array[float] = field(default_factory=lambda: array("d"))
    ends: array[int] = field(default_factory=lambda: array("q", [0]))

    def block(self) -> Block:
        return Block(
            np.array(self.rows, dtype=np.float64).reshape(-1, ROW),
            np.array(self.points, dtype=np.float64).reshape(-1, 2),
            np.array(self.ends, dtype=np.int64),
        )

    def append(self, block: Block) -> None:
        rows = block.rows.copy()
        rows[rows[:, CONTOUR] >= 0, CONTOUR] += len(self.ends) - 1
        self.rows.frombytes(np.ascontiguousarray(rows).tobytes())
        self.ends.frombytes((block.ends[1:] + len(self.points) // 2).astype(np.int64).tobytes())
        self.points.frombytes(np.ascontiguousarray(block.points).tobytes())


class Budget:
    """Counts what was written out anywhere in the file. Raises TooMuch when it is more than any layer has."""

    def __init__(self) -> None:
        self.objects = 0
        self.points = 0

    def take(self, objects: int, points: int = 0) -> None:
        self.objects += objects
        self.points += points
        if self.objects > MAX_OBJECTS:
            raise TooMuch(f"more than {MAX_OBJECTS} graphical objects")
        if self.points > MAX_POINTS:
            raise TooMuch(f"contours of more than {MAX_POINTS} corners")


def repeat(block: Block, offsets: Iterable[tuple[float, float]], into: Sink) -> None:
    """Copies a block to each of the offsets (m), in their order."""
    shifts = np.array(list(offsets), dtype=np.float64).reshape(-1, 2)
    count, points, regions = len(block.rows), len(block.points), len(block.ends) - 1
    at_once = max(1, CHUNK // max(count, points, 1))
    for start in range(0, len(shifts), at_once):
        shift = shifts[start : start + at_once]
        copies = np.arange(len(shift))
        rows = np.tile(block.rows, (len(shift), 1)).reshape(len(shift), count, ROW)
        rows[:, :, XS] += shift[:, None, :1]
        rows[:, :, YS] += shift[:, None, 1:]
        number = rows[:, :, CONTOUR]
        rows[:, :, CONTOUR] = np.where(number >= 0, number + copies[:, None] * regions, number)
        ends = (block.ends[1:] + copies[:, None] * points).reshape(-1)
        into.append(
            Block(
                rows.reshape(-1, ROW),
                (block.points[None] + shift[:, None, :]).reshape(-1, 2),
                np.concatenate([[0], ends]).astype(np.int64),
            )
        )


def placed(block: Block, transform: Transform, x: float, y: float, *, toggle: bool) -> Block:
    """A block mirrored, turned, scaled and moved; the column of transforms is left to the caller.

    toggle : dark and clear change places, as when the block is flashed with clear polarity
    """
    rows = block.rows.copy()
    matrix = transform.matrix
    for xs, ys in zip(XS, YS, strict=True):
        moved = rows[:, [xs, ys]] @ matrix.T + [x, y]
        rows[:, xs], rows[:, ys] = moved[:, 0], moved[:, 1]
    rows[:, WIDTH] *= transform.scale
    if transform.mirror:
        rows[:, TURN] *= -1
    if toggle:
        rows[:, DARK] = 1 - rows[:, DARK]
    return Block(rows, block.points @ matrix.T + [x, y], block.ends)


def renumbered(column: NDArray[np.float64], numbers: dict[int, int]) -> NDArray[np.float64]:
    """A column of whole numbers with each exchanged for another."""
    found, where = np.unique(column, return_inverse=True)
    return np.array([numbers[int(each)] for each in found], dtype=np.float64)[where]


def objects_table(rows: Rows, lines: NDArray[np.int64]) -> Objects:
    """The table of objects. lines : line of the file of each row."""
    columns: dict[str, Any] = {
        "kind": rows[:, KIND],
        "dark": rows[:, DARK],
        "x0": rows[:, X0],
        "y0": rows[:, Y0],
        "x1": rows[:, X1],
        "y1": rows[:, Y1],
        "xc": rows[:, XC],
        "yc": rows[:, YC],
        "turn": rows[:, TURN],
        "aperture": rows[:, APERTURE],
        "transform": rows[:, TRANSFORM],
        "width": rows[:, WIDTH],
        "region": rows[:, CONTOUR],
        "attributes": rows[:, ATTRIBUTES],
        "line": lines,
    }
    return Objects(**columns)
