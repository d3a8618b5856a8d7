"""Inductance of a loop of flat copper: conductors of any outline on parallel levels, with or without a plane below.

Formulation: the copper of each level on square cells; currents pass the faces between cells of one conductor, and
links join cells of different levels, or the plane. Partial inductances between faces (Hoer and Love, Journal of
Research NBS 69C(2), 1965; `return_sheet`), a solid plane as their mirror images. The currents are those of least
magnetic energy that keep Kirchhoff's law in every cell: the limit of high frequency, without losses. The loop must be
small against the wavelength. Levels and plane lie half a cell apart or more. A conductor's edge stands on the nearest
cell faces: 5 to 10 % where it is some three cells wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields.blas import one_thread
from quietcopper.fields.content import kept_by_content
from quietcopper.fields.ranges import Floats, checked
from quietcopper.fields.return_sheet import kernel_of_image, kernel_of_patches
from quietcopper.units import MU0

MOST_CELLS = 3000
PLANE = -1  # the far end of a link that leads to the plane


@dataclass(frozen=True)
class Link:
    """A short way of its own inductance (H) from a cell to another, or to the plane (PLANE). Cells by their number:
    level by level, in the order of `numpy.flatnonzero` of the level's copper."""

    a: int
    b: int
    inductance: float


@dataclass(frozen=True, eq=False)
class Loop:
    """inductance : H, seen by the source; links : current of each link for 1 A of the source"""

    inductance: float
    links: Floats


@kept_by_content(32)
def solve(
    levels: list[NDArray[np.intp]], heights: list[float], size: float, links: list[Link], source: Floats, *, plane: bool
) -> Loop:
    """Inductance that a source meets which takes 1 A out of some cells and puts it into others.

    levels : conductor numbers (nx, ny) of each level, -1 where there is no copper; heights : of the levels, m, over the
    plane where there is one; size : of a cell, m; source : (cells,) current into each cell, sum 0
    Raises OutOfRange where the copper does not close the loop or has too many cells, CallError for figures that do not
    fit each other.
    """
    checked("cell size", size)
    held = [np.flatnonzero(level.ravel() >= 0) for level in levels]
    first = np.concatenate([[0], np.cumsum([len(h) for h in held])]).astype(int)
    count = int(first[-1])
    if len(source) != count or len(heights) != len(levels):
        raise CallError("source, heights and levels do not fit each other")
    if count > MOST_CELLS:
        raise OutOfRange(f"{count} cells of copper in one loop, {MOST_CELLS} are the most")
    ends: list[NDArray[np.intp]] = []
    places: list[NDArray[np.intp]] = []
    blocks: list[int] = []
    for axis in (0, 1):
        pairs: list[NDArray[np.intp]] = []
        spots: list[NDArray[np.intp]] = []
        for k, level in enumerate(levels):
            flat = np.full(level.size, -1)
            flat[held[k]] = first[k] + np.arange(len(held[k]))
            number = flat.reshape(level.shape)
            one, two = (level[:-1], level[1:]) if axis == 0 else (level[:, :-1], level[:, 1:])
            i, j = np.nonzero((one >= 0) & (one == two))
            pairs.append(np.stack([number[i, j], number[i + (axis == 0), j + (axis == 1)]], axis=1))
            spots.append(np.stack([np.full(len(i), k), i, j], axis=1))
        ends.append(np.concatenate(pairs))
        places.append(np.concatenate(spots))
        blocks.append(len(ends[-1]))
    shape = (max(level.shape[0] for level in levels), max(level.shape[1] for level in levels))
    kernels = _kernels(shape, heights, size, plane)
    whole = np.concatenate([*ends, np.array([[k.a, k.b] for k in links], dtype=np.intp).reshape(-1, 2)])
    incidence = np.zeros((len(whole), count))
    rows = np.arange(len(whole))
    incidence[rows, whole[:, 0]] = -1.0
    to_cell = whole[:, 1] != PLANE
    incidence[rows[to_cell], whole[to_cell, 1]] = 1.0
    fixed = _fixed(whole, count, source)
    free = np.setdiff1d(np.arange(count), fixed)
    drive = incidence[:, free]
    with one_thread():
        answers = []
        start = 0
        for block, at in zip(blocks, places, strict=True):
            if block:
                matrix = _block(at, kernels, MU0 * size / (4 * np.pi))
                answers.append(cho_solve(cho_factor(matrix, overwrite_a=True), drive[start : start + block]))
            start += block
        own = np.array([max(k.inductance, 1e-15) for k in links])
        answers.append(drive[start:] / own[:, None] if len(links) else drive[start:])
        solved = np.concatenate(answers)
        potential = np.linalg.solve(drive.T @ solved, -source[free])
        current = solved @ potential
    return Loop(float(-source[free] @ potential), np.asarray(current[sum(blocks) :], dtype=float))


def _fixed(whole: NDArray[np.intp], count: int, source: Floats) -> NDArray[np.intp]:
    """One cell of every connected piece that no link ties to the plane, where the potential is held; raises OutOfRange
    where a source's current cannot come back."""
    ends = np.where(whole == PLANE, count, whole)
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(count + 1, count + 1))
    label = connected_components(graph, directed=False)[1]
    total = np.bincount(label[:count], weights=source, minlength=int(label.max()) + 1)
    grounded = label[count]
    if np.any(np.abs(np.delete(total, grounded)) > 1e-9):
        raise OutOfRange("the copper does not close the loop")
    _, head = np.unique(label[:count], return_index=True)
    return np.array([i for i in head if label[i] != grounded], dtype=np.intp)


def _kernels(shape: tuple[int, int], heights: list[float], size: float, plane: bool) -> Floats:
    """(levels, levels, nx, ny) mean of 1/r between unit squares, less that of the images."""
    count = len(heights)
    out = np.empty((count, count, *shape))
    for i in range(count):
        for j in range(i + 1):
            apart = abs(heights[i] - heights[j]) / size
            kernel = kernel_of_patches(*shape).copy() if apart == 0 else kernel_of_image(*shape, apart)
            if plane:
                kernel = kernel - kernel_of_image(*shape, (heights[i] + heights[j]) / size)
            out[i, j] = out[j, i] = kernel
    return out


def _block(at: NDArray[np.intp], kernels: Floats, scale: float) -> Floats:
    """(n, n) inductance between faces of one direction."""
    k, i, j = at.T
    apart = np.abs(i[:, None] - i[None]), np.abs(j[:, None] - j[None])
    matrix: Floats = scale * kernels[k[:, None], k[None], apart[0], apart[1]]
    return matrix
