"""One board with everything its geometry means, computed once and on demand: what a check looks at."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree
from shapely import STRtree

from quietcopper.board import Board, Dielectric
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.tables import Driver, Gaps, LayerChanges, Neighbours, Pair, Path, Pieces, Role, Runs
from quietcopper.errors import OutOfRange

if TYPE_CHECKING:
    from quietcopper.electrical.copper import Copper


class View:
    """A board under given settings. Every property is computed at its first use and kept."""

    def __init__(self, board: Board, settings: Settings | None = None) -> None:
        self.settings = settings if settings is not None else Settings()
        self.board = self.settings.correct(board)

    @cached_property
    def roles(self) -> tuple[Role, ...]:
        """Role of every net, by net index."""
        from quietcopper.electrical.roles import net_roles

        return net_roles(self.board, self.settings)

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        from quietcopper.electrical.roles import differential_pairs

        return differential_pairs(self.board, self.roles, self.settings)

    @cached_property
    def drivers(self) -> tuple[Driver, ...]:
        """Driver of every net, by net index (a supply or ground has kind 'none' and a swing of 0)."""
        from quietcopper.electrical.drivers import net_drivers

        return net_drivers(self.board, self.roles, self.settings)

    @cached_property
    def copper(self) -> Copper:
        """Connected copper: pieces, groups, which object belongs to which piece."""
        from quietcopper.electrical.copper import connect

        return connect(self.board)

    @property
    def pieces(self) -> Pieces:
        return self.copper.pieces

    @cached_property
    def runs(self) -> Runs:
        from quietcopper.electrical.references import cut_runs

        return cut_runs(self.board)

    @cached_property
    def gaps(self) -> Gaps:
        from quietcopper.electrical.references import find_gaps

        return find_gaps(self.board, self.runs)

    @cached_property
    def layer_changes(self) -> LayerChanges:
        from quietcopper.electrical.transitions import layer_changes

        return layer_changes(self.board, self.runs)

    @cached_property
    def neighbours(self) -> Neighbours:
        from quietcopper.electrical.neighbours import side_by_side

        return side_by_side(self.board)

    def paths(self, net: int) -> tuple[Path, ...]:
        """Ways from pin to pin of a net (from the likely driver, else the first pin, to each other pin)."""
        from quietcopper.electrical.paths import net_paths

        return net_paths(self.board, self.copper, net)

    def dielectric_beside(self, layer: int) -> Dielectric:
        """The thinner of the dielectrics that touch a copper layer: the one that carries most of its field.

        Raises OutOfRange on a board with one copper layer, whose laminate is not part of the model.
        """
        sheets = self.board.dielectrics[max(layer - 1, 0) : layer + 1]
        if not sheets:
            raise OutOfRange("the board has one copper layer, and its data name no laminate")
        return min(sheets, key=lambda sheet: sheet.thickness)

    @cached_property
    def trace_tree(self) -> STRtree:
        """Spatial index over the centre lines of board.traces."""
        return STRtree(self.board.traces.lines)

    @cached_property
    def _pin_tree(self) -> cKDTree | None:
        pins = self.board.pins
        return cKDTree(np.stack([pins.x, pins.y], -1)) if len(pins) else None

    def near(self, x: float, y: float) -> str:
        """Label of the pin nearest to a place ('U3.14'), or '' on a board without parts."""
        if self._pin_tree is None:
            return ""
        return self.board.pin_label(int(self._pin_tree.query((x, y))[1]))
