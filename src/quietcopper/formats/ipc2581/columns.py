"""What is collected of one Step while the file streams by: growing columns, one row an object.

Arrays of machine numbers, not lists of objects: a file of 200 MB has millions of rows. Layers, nets and pins are held
as numbers given out by the reader (`Names`), because their final order is known only at the end.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, MultiPolygon, Polygon

from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.placing import shifted
from quietcopper.formats.ipc2581.shapes import NoShape

NO_ROW = -1


class Names:
    """Numbers for names in the order of their first use."""

    def __init__(self, *first: str) -> None:
        self._index = {name: i for i, name in enumerate(first)}

    def index(self, name: str) -> int:
        return self._index.setdefault(name, len(self._index))

    def __len__(self) -> int:
        return len(self._index)

    def __contains__(self, name: str) -> bool:
        return name in self._index

    def list(self) -> list[str]:
        return list(self._index)


def _ints() -> array[int]:
    return array("q")


def _floats() -> array[float]:
    return array("d")


class Columns:
    """Base: one array a column."""

    ints: tuple[str, ...] = ()
    floats: tuple[str, ...] = ()

    def __init__(self) -> None:
        for name in self.ints:
            setattr(self, name, _ints())
        for name in self.floats:
            setattr(self, name, _floats())

    def __len__(self) -> int:
        return len(getattr(self, self.ints[0]))

    def ints_of(self, name: str) -> NDArray[np.int64]:
        """A column of whole numbers as a numpy array (a copy, so that the column may grow on)."""
        return np.array(getattr(self, name), dtype=np.int64)

    def floats_of(self, name: str) -> NDArray[np.float64]:
        """The same for a column of floats."""
        return np.array(getattr(self, name), dtype=np.float64)


class TraceRows(Columns):
    ints = ("net", "layer", "turn", "row")
    floats = ("x0", "y0", "x1", "y1", "xc", "yc", "width")
    net: array[int]
    layer: array[int]
    turn: array[int]
    row: array[int]
    x0: array[float]
    y0: array[float]
    x1: array[float]
    y1: array[float]
    xc: array[float]
    yc: array[float]
    width: array[float]


class AreaRows(Columns):
    """Filled shapes in drawing order. clear : 1 for one that removes what was drawn on its layer before.

    points : number of points of each ring; rings : number of rings of each row, the outer one first
    """

    ints = ("net", "layer", "row", "clear", "rings", "line")
    floats = ("coords",)
    net: array[int]
    layer: array[int]
    row: array[int]
    clear: array[int]
    rings: array[int]
    line: array[int]
    coords: array[float]

    def __init__(self) -> None:
        super().__init__()
        self.points = _ints()

    def add(self, rings: list[NDArray[np.float64]], *, net: int, layer: int, row: int, clear: bool, line: int) -> None:
        for ring in rings:
            self.coords.frombytes(np.ascontiguousarray(ring, dtype=np.float64).tobytes())
            self.points.append(len(ring))
        self.rings.append(len(rings))
        self.net.append(net)
        self.layer.append(layer)
        self.row.append(row)
        self.clear.append(clear)
        self.line.append(line)

    def polygons(self) -> NDArray[np.object_]:
        """All rows as shapely polygons, made in one go, shape (n,)."""
        if not len(self):
            return np.empty(0, dtype=object)
        coords = self.floats_of("coords").reshape(-1, 2)
        ring_ends = np.concatenate([[0], np.cumsum(np.array(self.points, dtype=np.int64))])
        row_ends = np.concatenate([[0], np.cumsum(self.ints_of("rings"))]).astype(np.int64)
        return np.asarray(
            shapely.from_ragged_array(shapely.GeometryType.POLYGON, coords, (ring_ends, row_ends)), dtype=object
        )


class PadRows(Columns):
    """Pads. shape : number of the Templates entry; pin, stack, hole : numbers of names, -1 for none."""

    ints = ("net", "layer", "row", "shape", "pin", "stack", "hole", "line")
    floats = ("x", "y")
    net: array[int]
    layer: array[int]
    row: array[int]
    shape: array[int]
    pin: array[int]
    stack: array[int]
    hole: array[int]
    line: array[int]
    x: array[float]
    y: array[float]


class HoleRows(Columns):
    """Holes. net : -1 where the file states none here; first, last : numbers of layer names, -1 where not stated;
    layer : number of the drill layer's name; kind : 0 unplated, 1 plated, 2 via; name, stack : numbers of names;
    pin : row of the pin table as our own writer states it, else -1"""

    ints = ("net", "layer", "first", "last", "kind", "name", "stack", "row", "pin", "line")
    floats = ("x", "y", "x1", "y1", "drill")
    net: array[int]
    layer: array[int]
    first: array[int]
    last: array[int]
    kind: array[int]
    name: array[int]
    stack: array[int]
    row: array[int]
    pin: array[int]
    line: array[int]
    x: array[float]
    y: array[float]
    x1: array[float]
    y1: array[float]
    drill: array[float]


class Templates:
    """Pad shapes round their own origin, each kept once."""

    def __init__(self) -> None:
        self._index: dict[Hashable, int | NoShape] = {}
        self.shapes: list[Geometry] = []

    def index(self, key: Hashable, make: Callable[[], Geometry]) -> int:
        """The number of a shape, made when it is first asked for. Raises NoShape (each time) where it cannot be."""
        found = self._index.get(key)
        if found is None:
            try:
                shape = make()
                found = len(self.shapes)
                self.shapes.append(shape)
            except NoShape as error:
                found = error
            self._index[key] = found
        if isinstance(found, NoShape):
            raise found
        return found

    def add(self, shape: Geometry) -> int:
        self.shapes.append(shape)
        return len(self.shapes) - 1

    def place(self, index: NDArray[np.int64], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.object_]:
        """The shapes at their places, shape (n,), one vectorised step a template."""
        out = np.empty(len(index), dtype=object)
        order = np.argsort(index, kind="stable")
        for group in np.split(order, np.flatnonzero(np.diff(index[order])) + 1) if len(index) else ():
            shape, at = self.shapes[index[group[0]]], np.stack([x[group], y[group]], axis=-1)
            if isinstance(shape, Polygon) and not shape.interiors:
                ring = shapely.get_coordinates(shape)
                out[group] = shapely.polygons(ring[None, :, :] + at[:, None, :])
            else:
                for row, (px, py) in zip(group, at, strict=True):
                    out[row] = shifted(shape, px, py)
        return out


@dataclass
class Repeat:
    """A StepRepeat: which step, how many copies."""

    step: str
    copies: int
    line: int


@dataclass
class StepData:
    """One Step of the file as collected."""

    name: str
    kind: str  # the Step's type attribute: BOARD, PALLET, … or ""
    stackup: str  # its stackupRef
    line: int
    outlines: list[Polygon | MultiPolygon] = field(default_factory=list)
    repeats: list[Repeat] = field(default_factory=list)
    traces: TraceRows = field(default_factory=TraceRows)
    areas: AreaRows = field(default_factory=AreaRows)
    pads: PadRows = field(default_factory=PadRows)
    holes: HoleRows = field(default_factory=HoleRows)
    templates: Templates = field(default_factory=Templates)
    pins: dict[tuple[str, str], int] = field(default_factory=dict)  # (part, pin) named by pads: their number
    stacks: dict[str, Node] = field(default_factory=dict)  # PadStackDef by name
    packages: dict[str, Node] = field(default_factory=dict)
    components: list[Node] = field(default_factory=list)
    net_points: list[tuple[float, float, int]] = field(default_factory=list)  # via points of physical nets
    spec_nets: list[tuple[str, int]] = field(default_factory=list)  # Spec named in a set of that net
    features_on: set[int] = field(default_factory=set)  # layers that anything was drawn on
    links_given: bool = False  # our own writer states which pad belongs to which hole

    @property
    def weight(self) -> int:
        """How much copper there is, to tell the board from an empty panel."""
        return len(self.traces) + len(self.areas) + len(self.pads)
