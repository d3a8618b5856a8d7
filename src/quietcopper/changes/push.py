"""A straight stretch of a trace pushed sideways, with what hangs on its ends drawn along. Lengths in m."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.board.model import Floats
from quietcopper.changes.base import ChangeError, place_mm
from quietcopper.changes.tables import added

SAME = 1e-6  # m; ends that lie this close are one joint
SLANT = np.sin(np.radians(3.0))  # traces that differ in direction by less are one straight stretch
Index = NDArray[np.int64]


class Pushed:
    """A board's traces while some of them are being moved; `board()` gives the result."""

    def __init__(self, board: Board) -> None:
        self.original = board
        traces = board.traces
        self._ends: Floats = np.stack(
            [np.stack([traces.x0, traces.y0], -1), np.stack([traces.x1, traces.y1], -1)], axis=1
        )
        self._centres: Floats = np.stack([traces.xc, traces.yc], -1)
        self._new: list[tuple[Any, ...]] = []
        self._touched: set[int] = set()

    @property
    def touched(self) -> Index:
        """Rows of the result's traces that were moved, stretched or added."""
        count = len(self.original.traces)
        return np.array([*sorted(self._touched), *range(count, count + len(self._new))], dtype=np.int64)

    def board(self) -> Board:
        """The board with the moved traces."""
        (x0, y0), (x1, y1) = self._ends[:, 0].T, self._ends[:, 1].T
        xc, yc = self._centres.T
        moved = self.original.traces.replace(x0=x0, y0=y0, x1=x1, y1=y1, xc=xc, yc=yc)
        return dataclasses.replace(self.original, traces=added(moved, self._new))

    def push(self, row: int, by: Floats) -> None:
        """Move the stretch that a trace belongs to by the part of `by` across it. Raises ChangeError where it
        branches or is too short for what is put in at its ends."""
        stretch, ends = self._stretch(row)
        along = self._direction(row)
        normal = np.array([-along[1], along[0]])
        shift = float(np.dot(by, normal))
        if abs(shift) < 1e-9:
            return
        self._refuse_branches(stretch, ends)
        new = [self._follow(row, stretch, which, end, along, normal * shift) for which, end in enumerate(ends)]
        if np.dot(new[1] - new[0], along) <= 2e-5:
            raise ChangeError(
                f"{self._name(row)} at {place_mm(*ends[0])} is too short to be moved by {abs(shift) * 1e3:.3g} mm"
            )
        for member in stretch:
            for side in (0, 1):
                point = self._ends[member, side]
                if np.hypot(*(point - ends[0])) <= SAME:
                    self._ends[member, side] = new[0]
                elif np.hypot(*(point - ends[1])) <= SAME:
                    self._ends[member, side] = new[1]
                else:
                    self._ends[member, side] = point + normal * shift
            self._touched.add(member)

    def stretch_of(self, row: int) -> list[int]:
        """The traces that are pushed with one."""
        return self._stretch(row)[0]

    def _name(self, row: int) -> str:
        traces = self.original.traces
        return f"{self.original.nets[traces.net[row]]} on {self.original.layer_label(int(traces.layer[row]))}"

    def _direction(self, row: int) -> Floats:
        step = self._ends[row, 1] - self._ends[row, 0]
        return np.asarray(step / np.hypot(*step))

    def _at(self, point: Floats, row: int) -> list[tuple[int, int]]:
        """(trace, which end) of the net's traces on the layer that end at a point."""
        traces = self.original.traces
        mine = np.flatnonzero((traces.net == traces.net[row]) & (traces.layer == traces.layer[row]))
        near = np.hypot(*np.moveaxis(self._ends[mine] - point, -1, 0)) <= SAME
        return [(int(mine[i]), int(side)) for i, side in np.argwhere(near)]

    def _held(self, point: Floats, row: int) -> bool:
        """Whether a pad or hole of the net sits on a joint."""
        board, traces = self.original, self.original.traces
        pads = board.pads
        mine = np.flatnonzero((pads.net == traces.net[row]) & (pads.layer == traces.layer[row]))
        if shapely.dwithin(pads.shape[mine], shapely.Point(point), SAME).any():
            return True
        vias = board.vias
        on = (vias.net == traces.net[row]) & (vias.first <= traces.layer[row]) & (vias.last >= traces.layer[row])
        return bool((np.hypot(vias.x[on] - point[0], vias.y[on] - point[1]) <= vias.drill[on] / 2 + SAME).any())

    def _stretch(self, row: int) -> tuple[list[int], list[Floats]]:
        """The traces of one straight line that a trace belongs to, and the line's two ends in its direction."""
        traces = self.original.traces
        along = self._direction(row)
        members, ends = [row], []
        for side in (0, 1):
            point, last = self._ends[row, side], row
            while not self._held(point, row):
                others = [(t, s) for t, s in self._at(point, row) if t != last and t not in members]
                if len(others) != 1 or traces.turn[others[0][0]] != 0:
                    break
                other, near_side = others[0]
                step = self._ends[other, 1] - self._ends[other, 0]
                size = np.hypot(*step)
                if size > 0 and abs(step[0] * along[1] - step[1] * along[0]) > SLANT * size:
                    break
                members.append(other)
                point, last = self._ends[other, 1 - near_side], other
            ends.append(point.copy())
        return members, ends

    def _refuse_branches(self, stretch: list[int], ends: list[Floats]) -> None:
        """A pad, a hole or another trace of the net between the ends holds the stretch in place."""
        board, traces = self.original, self.original.traces
        row = stretch[0]
        line = shapely.LineString(ends)
        inner = shapely.LineString([line.interpolate(0.02, normalized=True), line.interpolate(0.98, normalized=True)])
        width = float(traces.width[row])
        mine = (traces.net == traces.net[row]) & (traces.layer == traces.layer[row])
        others = np.setdiff1d(np.flatnonzero(mine), stretch)
        points = shapely.points(self._ends[others].reshape(-1, 2))
        tips = shapely.dwithin(points, inner, width / 4) & ~shapely.dwithin(
            points, shapely.MultiPoint(ends), max(width / 2, 2e-5)
        )
        pads = board.pads
        on = (pads.net == traces.net[row]) & (pads.layer == traces.layer[row])
        far_ends = shapely.MultiPoint(ends)
        pinned = shapely.intersects(pads.shape[on], inner) & ~shapely.intersects(pads.shape[on], far_ends)
        if tips.any() or pinned.any():
            raise ChangeError(f"{self._name(row)} branches at {place_mm(*ends[0])}, so it cannot be moved as a whole")

    def _follow(self, row: int, stretch: list[int], which: int, end: Floats, along: Floats, shift: Floats) -> Floats:
        """Where the moved stretch ends: it slides along the next trace's own line, a rounded corner between them with
        it; where there is none, a 45° piece leads there."""
        traces = self.original.traces
        inward = along if which == 0 else -along
        others = [(t, s) for t, s in self._at(end, row) if t not in stretch]
        if len(others) > 1:
            raise ChangeError(f"{self._name(row)} branches at {place_mm(*end)}, so it cannot be moved as a whole")
        for corner, (other, side) in self._leads(end, row, others):
            step = self._ends[other, side] - self._ends[other, 1 - side]
            size = float(np.hypot(*step))
            cross = step[0] * along[1] - step[1] * along[0]
            if size == 0 or abs(cross) <= SLANT * size:
                continue
            # shift + t·along lies along `step`
            slide = shift + (shift[0] * step[1] - shift[1] * step[0]) / cross * along
            if np.dot(step + slide, step) <= 1e-5 * size:
                continue
            self._ends[other, side] += slide
            self._touched.add(other)
            if corner is not None:
                self._ends[corner] += slide
                self._centres[corner] += slide
                self._touched.add(corner)
            return np.asarray(end + slide)
        new = end + shift + inward * float(np.hypot(*shift))
        nan = np.nan
        self._new.append(
            (traces.net[row], traces.layer[row], *end.tolist(), *new.tolist(), nan, nan, 0, traces.width[row])
        )
        return np.asarray(new)

    def _leads(
        self, end: Floats, row: int, others: list[tuple[int, int]]
    ) -> Iterator[tuple[int | None, tuple[int, int]]]:
        """Straight traces along whose line an end may slide, as (corner between, (trace, its nearer end)): the next
        one, then the one beyond it, with the next one as the corner that moves along, rounded or cut."""
        traces = self.original.traces
        if not others or self._held(end, row):
            return
        near, side = others[0]
        if traces.turn[near] == 0:
            yield None, others[0]
        beyond = self._ends[near, 1 - side].copy()
        after = [(t, s) for t, s in self._at(beyond, row) if t != near]
        if len(after) == 1 and traces.turn[after[0][0]] == 0 and not self._held(beyond, row):
            yield near, after[0]
