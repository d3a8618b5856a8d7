"""Contracts of the electrical layer: what geometry means. All lengths in metres, indices into the Board's tables.

`quietcopper.electrical.view.View` computes these once, on demand; checks read them and nothing else of a board.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietcopper.board.model import Bools, Floats, Ints, Shapes, Table, column

GROUND, SUPPLY, SIGNAL, FREE = "ground", "supply", "signal", "free"


@dataclass(frozen=True)
class Role:
    """What a net is for. kind : ground, supply, signal, or free (copper tied to no net, net 0).

    voltage : V, of a supply where its name or the settings tell; reason : one short clause; given : set by the user
    """

    kind: str
    reason: str
    voltage: float | None = None
    given: bool = False


@dataclass(frozen=True)
class Driver:
    """What drives a net. swing V; rise 10-90 % s; source ohm; rate Hz: clock frequency or, for data, half the bit
    rate; kind : 'clock', 'data', 'slow' (indicators, straps, resets).

    given : some figure was set by the user;  assumed : names of the figures that are assumptions ("rise", "source",
    "swing", "rate");  span : (figure, quietest, loudest value) where a model of the part states them
    """

    kind: str
    swing: float
    rise: float
    source: float
    rate: float
    reason: str
    given: bool = False
    assumed: tuple[str, ...] = ()
    span: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class Pair:
    """Two nets that form a differential pair, and why."""

    positive: int
    negative: int
    reason: str


@dataclass(frozen=True, eq=False)
class Pieces(Table):
    """Connected copper on one layer: everything that touches (traces, pads, areas), one row a piece.

    net : as in the file (0 none); two nets in one piece are a data problem, reported in `problems`
    group : index of the electrically connected group of pieces, joined over layers through plated holes
    ties : number of plated holes that join this piece to a piece on another layer
    pins : number of part pins on it;  area : total of its filled areas (m2), 0 when it is traces and pads only
    """

    net: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    group: Ints = column(np.int32)
    ties: Ints = column(np.int32)
    pins: Ints = column(np.int32)
    area: Floats = column(np.float64)


@dataclass(frozen=True, eq=False)
class Runs(Table):
    """Trace pieces cut so that each has one reference above and one below along its whole length, in trace order.

    trace : row in board.traces; start, stop : distance along that segment, m; line : centre line of the piece
    above, below : row in board.areas of the first copper area met in that direction, -1 for none
    above_layer, below_layer : its layer, -1 for none; above_gap, below_gap : dielectric distance to it, m, inf for none
    A trace is over an area where its centre line lies over that area's copper. Openings around holes (antipads) that
    are narrower than the opening the trace's own via needs count like any other opening.
    """

    trace: Ints = column(np.int32)
    net: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    start: Floats = column(np.float64)
    stop: Floats = column(np.float64)
    width: Floats = column(np.float64)
    line: Shapes = column(object)
    above: Ints = column(np.int32)
    above_layer: Ints = column(np.int32)
    above_gap: Floats = column(np.float64)
    below: Ints = column(np.int32)
    below_layer: Ints = column(np.int32)
    below_gap: Floats = column(np.float64)

    @cached_property
    def length(self) -> Floats:
        return _read_only(self.stop - self.start)

    @cached_property
    def reference(self) -> Ints:
        """Row in board.areas of the nearer reference, -1 for none."""
        return _read_only(np.where(self.above_gap < self.below_gap, self.above, self.below).astype(np.int32))

    @cached_property
    def reference_gap(self) -> Floats:
        """Distance to the nearer reference, m, inf for none."""
        return _read_only(np.minimum(self.above_gap, self.below_gap))


def _read_only(values: NDArray[Any]) -> NDArray[Any]:
    values.flags.writeable = False
    return values


@dataclass(frozen=True, eq=False)
class Gaps(Table):
    """Places where a trace leaves its main reference layer's copper and meets it again, or meets another area.

    The main reference of a trace chain (connected segments of one net on one layer) is the neighbouring layer, above
    or below, that covers most of its length at the smaller distance.
    trace : row in board.traces where the gap begins; net, layer : of the trace; reference : layer index
    before, after : rows in board.areas on either side; equal where the trace comes back to the same area (slot,
    opening); after is -1 where the trace ends without coming back (end of plane)
    x, y : middle of the uncovered stretch; length : of the uncovered stretch along the trace, m
    line : the uncovered stretch; width : trace width
    slot : how far the return is forced aside, m: from the crossing to the nearer end of the opening (half the detour
           round it, or its reach across the trace where that is more); inf where the copper before and after is not
           joined on that layer; where after is -1, the distance of the trace's far end from that layer's copper
    """

    trace: Ints = column(np.int32)
    net: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    reference: Ints = column(np.int32)
    before: Ints = column(np.int32)
    after: Ints = column(np.int32)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    length: Floats = column(np.float64)
    slot: Floats = column(np.float64)
    width: Floats = column(np.float64)
    line: Shapes = column(object)


@dataclass(frozen=True, eq=False)
class LayerChanges(Table):
    """Vias (or pin holes) at which a net's traces pass from one layer to another.

    via : row in board.vias; net; upper, lower : the two outermost layers with traces of that net at this hole
    upper_area, lower_area : row in board.areas of the reference of the traces on that layer near the hole, -1 none
    upper_ref, lower_ref : layer index of that reference, -1 none
    """

    via: Ints = column(np.int32)
    net: Ints = column(np.int32)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    upper: Ints = column(np.int32)
    lower: Ints = column(np.int32)
    upper_area: Ints = column(np.int32)
    lower_area: Ints = column(np.int32)
    upper_ref: Ints = column(np.int32)
    lower_ref: Ints = column(np.int32)


@dataclass(frozen=True)
class Path:
    """A net's way from one pin to another: steps in order, each ('trace', row, reversed), ('via', row, False) or, where
    the way leads through a pour, ('area', row, False). length : m, along centre lines, pours and barrels.

    spans : of each step where it is entered and left: along a trace the places on it, m; down a hole the two layers;
    in a pour 0 and the way across, m
    """

    net: int
    start_pin: int
    end_pin: int
    steps: tuple[tuple[str, int, bool], ...]
    length: float
    spans: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class Neighbours(Table):
    """Stretches where two traces of different nets on one layer run side by side within reach.

    a, b : rows in board.traces; length : of the common stretch, m; spacing : edge to edge, m (0 where they touch)
    x, y : middle of the stretch; line : the stretch on a's centre line
    """

    a: Ints = column(np.int32)
    b: Ints = column(np.int32)
    length: Floats = column(np.float64)
    spacing: Floats = column(np.float64)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    line: Shapes = column(object)


__all__ = [
    "FREE",
    "GROUND",
    "SIGNAL",
    "SUPPLY",
    "Bools",
    "Driver",
    "Gaps",
    "LayerChanges",
    "Neighbours",
    "Pair",
    "Path",
    "Pieces",
    "Role",
    "Runs",
]
