"""What was read from a file: stackup, layers, nets, copper, vias, parts.

Every length is in metres, x to the right and y up as seen from the component side (layer 1 on top). Tables are
columnar: one numpy array a column, one row an object. Arrays are read-only; a change makes a new Board
(``dataclasses.replace``). Layers are numbered 0..N-1 in the tables (`layer` columns) and shown as 1..N.
Net 0 is always the empty name: copper tied to no net in the file.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Self

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import MultiPolygon, Polygon

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Bools = NDArray[np.bool_]
Shapes = NDArray[np.object_]  # of shapely geometries
Names = NDArray[np.object_]  # of str

ARC_SAG = 1e-6  # m; arcs are flattened so that no chord is further than this from its arc


@dataclass(frozen=True)
class Assumption:
    """A figure that the file did not give and that was filled in.

    what : for instance "dielectric constant of layer D2"; value in `unit`; why it was chosen; touches: how many objects
    """

    what: str
    value: float | str
    unit: str
    why: str
    touches: int = 1


@dataclass(frozen=True)
class Unread:
    """Content of the file that was not taken over: what, how often, and where it stood first."""

    what: str
    count: int
    where: str = ""
    why: str = ""


@dataclass(frozen=True)
class Layer:
    """One copper layer. thickness in m, conductivity in S/m. `function` is the file's own word (lower case), or ""."""

    name: str
    thickness: float
    function: str = ""
    conductivity: float = 5.8e7


@dataclass(frozen=True)
class Dielectric:
    """What lies between two neighbouring copper layers, merged to one sheet.

    thickness : m, copper surface to copper surface
    er, tan_d : at `frequency` (Hz), for several sheets their thickness-weighted series value
    """

    thickness: float
    er: float
    tan_d: float
    material: str = ""
    frequency: float = 1e9


@dataclass(frozen=True)
class Mask:
    """Solder mask over an outer layer: thickness over laminate (m), relative permittivity, loss tangent."""

    thickness: float
    er: float
    tan_d: float = 0.025


@dataclass(frozen=True, eq=False)
class Table:
    """Base of the columnar tables: columns share one length, are converted to their dtype and made read-only."""

    def __post_init__(self) -> None:
        length: int | None = None
        for f in dataclasses.fields(self):
            dtype = f.metadata["dtype"]
            value = np.array(getattr(self, f.name), dtype=dtype, copy=True) if dtype is not object else None
            if value is None:
                raw = getattr(self, f.name)
                value = np.empty(len(raw), dtype=object)
                value[:] = list(raw)
            if value.ndim != 1:
                raise ValueError(f"{type(self).__name__}.{f.name}: one-dimensional column expected, got {value.ndim}-d")
            if length is None:
                length = len(value)
            elif len(value) != length:
                raise ValueError(f"{type(self).__name__}.{f.name}: {len(value)} rows, expected {length}")
            value.flags.writeable = False
            object.__setattr__(self, f.name, value)

    def __len__(self) -> int:
        return len(getattr(self, dataclasses.fields(self)[0].name))

    @classmethod
    def empty(cls) -> Self:
        return cls(**{f.name: [] for f in dataclasses.fields(cls)})

    @classmethod
    def from_rows(cls, rows: list[tuple[Any, ...]]) -> Self:
        """A table from row tuples in the order of the columns."""
        columns = zip(*rows, strict=True) if rows else ([] for _ in dataclasses.fields(cls))
        return cls(**{f.name: list(c) for f, c in zip(dataclasses.fields(cls), columns, strict=True)})

    def take(self, index: ArrayLike) -> Self:
        """The rows chosen by an index array or a mask."""
        index = np.asarray(index)
        return type(self)(**{f.name: getattr(self, f.name)[index] for f in dataclasses.fields(self)})

    def replace(self, **columns: ArrayLike) -> Self:
        """The same table with some columns exchanged."""
        return dataclasses.replace(self, **columns)


def column(dtype: Any) -> Any:
    return field(metadata={"dtype": dtype})


@dataclass(frozen=True, eq=False)
class Traces(Table):
    """Trace segments, one row each: a straight line or one circular arc.

    x0, y0, x1, y1 : end points; xc, yc : arc centre (nan for a straight line)
    turn : 0 straight, +1 arc counter-clockwise from start to end, -1 clockwise; start = end with turn ≠ 0 is a circle
    width : m; net, layer : indices
    """

    net: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    x0: Floats = column(np.float64)
    y0: Floats = column(np.float64)
    x1: Floats = column(np.float64)
    y1: Floats = column(np.float64)
    xc: Floats = column(np.float64)
    yc: Floats = column(np.float64)
    turn: Ints = column(np.int32)
    width: Floats = column(np.float64)

    @cached_property
    def lines(self) -> Shapes:
        """Centre lines as LineStrings, arcs flattened to ARC_SAG, shape (n,)."""
        from quietcopper.board.geometry import arc_points

        out = shapely.linestrings(
            np.stack([np.stack([self.x0, self.y0], -1), np.stack([self.x1, self.y1], -1)], axis=1)
        ).astype(object)
        for i in np.flatnonzero(self.turn):
            out[i] = shapely.LineString(
                arc_points(self.x0[i], self.y0[i], self.x1[i], self.y1[i], self.xc[i], self.yc[i], int(self.turn[i]))
            )
        return out

    @cached_property
    def length(self) -> Floats:
        """Length along the centre line, m, shape (n,)."""
        straight = np.hypot(self.x1 - self.x0, self.y1 - self.y0)
        radius = np.hypot(self.x0 - self.xc, self.y0 - self.yc)
        sweep = np.arctan2(self.y1 - self.yc, self.x1 - self.xc) - np.arctan2(self.y0 - self.yc, self.x0 - self.xc)
        sweep = np.where(self.turn > 0, sweep, -sweep) % (2 * np.pi)
        sweep = np.where((sweep == 0) & (self.turn != 0), 2 * np.pi, sweep)
        return np.where(self.turn == 0, straight, radius * sweep)

    @cached_property
    def shapes(self) -> Shapes:
        """Copper of each segment with round ends, shape (n,)."""
        return shapely.buffer(self.lines, self.width / 2, quad_segs=8)


@dataclass(frozen=True, eq=False)
class Vias(Table):
    """Drilled holes, one row each: vias, pin holes and unplated holes.

    drill : finished diameter, m; first, last : outermost layers joined (indices, first <= last)
    plated : False for mechanical holes; x1, y1 : other end of a drilled slot, equal to x, y for a round hole
    antipad : declared clear diameter in planes, nan where the file gives none (the openings themselves are the holes
              in areas)
    pin : index into pins, -1 for a via
    """

    net: Ints = column(np.int32)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    x1: Floats = column(np.float64)
    y1: Floats = column(np.float64)
    drill: Floats = column(np.float64)
    first: Ints = column(np.int32)
    last: Ints = column(np.int32)
    plated: Bools = column(np.bool_)
    antipad: Floats = column(np.float64)
    pin: Ints = column(np.int32)


@dataclass(frozen=True, eq=False)
class Pads(Table):
    """Pads, one row a pad and layer. shape in place; via, pin : indices, -1 where none."""

    net: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    shape: Shapes = column(object)
    via: Ints = column(np.int32)
    pin: Ints = column(np.int32)


@dataclass(frozen=True, eq=False)
class Areas(Table):
    """Filled copper shapes (planes, pours), one connected polygon with its holes a row."""

    net: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    shape: Shapes = column(object)


@dataclass(frozen=True, eq=False)
class Parts(Table):
    """Components. side : 0 mounted on layer 1, 1 on the last layer; rotation in radians counter-clockwise as seen
    from layer 1; value and package as the file says, "" when unknown."""

    ref: Names = column(object)
    value: Names = column(object)
    package: Names = column(object)
    side: Ints = column(np.int32)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    rotation: Floats = column(np.float64)


@dataclass(frozen=True, eq=False)
class Pins(Table):
    """Pins of parts. layer : the layer that the pin's pad is on, -1 for a through pin."""

    part: Ints = column(np.int32)
    name: Names = column(object)
    net: Ints = column(np.int32)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    layer: Ints = column(np.int32)


@dataclass(frozen=True, eq=False)
class Board:
    """A finished layout as read. `dielectrics` has one entry fewer than `layers`; masks are None where absent.

    net_classes : what the file itself says of a net ("power", "ground", "signal", …), by net name
    impedances : targets the file itself states, ohm, by net name
    pin_functions : what the file itself says a pin is for ("VBUS", "GND", "MISO", …), by part and pin
    """

    name: str
    source: str
    layers: tuple[Layer, ...]
    dielectrics: tuple[Dielectric, ...]
    nets: tuple[str, ...]
    outline: Polygon | MultiPolygon
    traces: Traces = field(default_factory=Traces.empty)
    vias: Vias = field(default_factory=Vias.empty)
    pads: Pads = field(default_factory=Pads.empty)
    areas: Areas = field(default_factory=Areas.empty)
    parts: Parts = field(default_factory=Parts.empty)
    pins: Pins = field(default_factory=Pins.empty)
    mask_top: Mask | None = None
    mask_bottom: Mask | None = None
    net_classes: Mapping[str, str] = field(default_factory=dict)
    impedances: Mapping[str, float] = field(default_factory=dict)
    pin_functions: Mapping[tuple[str, str], str] = field(default_factory=dict)
    assumptions: tuple[Assumption, ...] = ()
    unread: tuple[Unread, ...] = ()
    problems: tuple[str, ...] = ()  # contradictions inside the data, one sentence each

    def __post_init__(self) -> None:
        if not self.layers:
            raise ValueError("a board needs at least one copper layer")
        if len(self.dielectrics) != len(self.layers) - 1:
            raise ValueError(f"{len(self.layers)} layers need {len(self.layers) - 1} dielectrics")
        if not self.nets or self.nets[0] != "":
            raise ValueError("net 0 must be the empty name")
        if len(set(self.nets)) != len(self.nets):
            raise ValueError("net names must be unique")
        tables: tuple[Traces | Vias | Pads | Areas | Pins, ...] = (
            self.traces,
            self.vias,
            self.pads,
            self.areas,
            self.pins,
        )
        for table in tables:
            if len(table) and (table.net.min() < 0 or table.net.max() >= len(self.nets)):
                raise ValueError(f"{type(table).__name__}.net points outside the net list")
        for placed in (self.traces, self.pads, self.areas):
            if len(placed) and (placed.layer.min() < 0 or placed.layer.max() >= len(self.layers)):
                raise ValueError(f"{type(placed).__name__}.layer points outside the layers")

    @cached_property
    def net_index(self) -> dict[str, int]:
        return {name: i for i, name in enumerate(self.nets)}

    @cached_property
    def layer_index(self) -> dict[str, int]:
        return {layer.name: i for i, layer in enumerate(self.layers)}

    def layer_label(self, index: int) -> str:
        """'layer 3 (IS2)', or 'layer 3' where the file's name adds nothing."""
        name = self.layers[index].name
        plain = {str(index + 1), f"l{index + 1}", f"layer {index + 1}", f"layer{index + 1}"}
        return f"layer {index + 1}" if name.lower() in plain else f"layer {index + 1} ({name})"

    def pin_label(self, pin: int) -> str:
        """'U3.14'."""
        return f"{self.parts.ref[self.pins.part[pin]]}.{self.pins.name[pin]}"

    @cached_property
    def depths(self) -> Floats:
        """Depth of each copper layer's top surface below the top of layer 1, m, shape (layers,)."""
        out = [0.0]
        for layer, sheet in zip(self.layers[:-1], self.dielectrics, strict=True):
            out.append(out[-1] + layer.thickness + sheet.thickness)
        return np.array(out)

    @property
    def thickness(self) -> float:
        """Copper to copper through the whole board, m."""
        return float(self.depths[-1] + self.layers[-1].thickness)

    def distance(self, upper: int, lower: int) -> float:
        """Dielectric (and copper between) from the lower face of one layer to the upper face of a deeper one, m."""
        if upper >= lower:
            raise ValueError("upper must be above lower")
        return float(self.depths[lower] - self.depths[upper] - self.layers[upper].thickness)
