"""What one Gerber layer file draws: columns of graphical objects in painting order, apertures, attributes.

Contract with the assembly of a set into a board:

- ``parser.read_image(data, path)`` gives a `GerberImage` or raises ReadError.
- ``image.objects`` has one row a graphical object, in painting order: a later clear object removes what was painted
  before it. Step-and-repeat copies and flashes of aperture blocks are already written out as rows of their own.
- A row's attributes stand in ``image.attribute_sets[objects.attributes[i]]``; what a board needs of them is ready as
  columns of the image: `net`, `pin`, `component`, `function` (each an index into the tuple of the same plural name,
  whose entry 0 means "not stated").
- ``shapes.shape_of(aperture, transform)``, ``shapes.shapes(image)`` and ``shapes.copper(image)`` turn rows into
  polygons. ``objects.width`` is there for strokes with a round aperture: these stay traces.
- Lengths in metres, angles in radians counter-clockwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from shapely import Geometry

from quietcopper.board.model import Assumption, Bools, Floats, Ints, Table, Unread, column
from quietcopper.formats.ipc2581.placing import turn

FLASH, LINE, ARC, REGION = range(4)  # Objects.kind

Fields = tuple[str, ...]  # an attribute's values, escapes resolved
Key = TypeVar("Key")


@dataclass(frozen=True)
class Transform:
    """How an aperture is placed: mirrored in x first, then turned, then scaled. Any combination of LM, LR and LS.

    mirror : x becomes -x; rotation : rad, counter-clockwise; scale : > 0
    """

    mirror: bool = False
    rotation: float = 0.0
    scale: float = 1.0

    def after(self, inner: Transform) -> Transform:
        """The transform that does `inner` first and then this one."""
        inner_rotation = -inner.rotation if self.mirror else inner.rotation
        rotation = (self.rotation + inner_rotation) % (2 * math.pi)
        return Transform(self.mirror != inner.mirror, rotation, self.scale * inner.scale)

    @property
    def matrix(self) -> Floats:
        """The linear map, shape (2, 2), for column vectors. Quarter turns are exact."""
        a, b, c, d = turn(self.rotation, self.mirror, self.scale, mirror_first=True)
        return np.array([[a, b], [c, d]])


@dataclass(frozen=True, eq=False)
class Aperture:
    """One aperture as defined.

    number   : its D code
    template : "C", "R", "O", "P", "block", or the macro's name
    sizes    : the definition's parameters: for C, R and O in m (holes last), for P diameter in m, number of corners,
               rotation in rad, hole in m; for a macro as they stand in the file
    width    : m, diameter of a C aperture; nan for all others: what strokes with it are wide
    convex   : whether a stroke with it is the hull of its two ends
    make     : builds `shape`
    attributes : aperture attributes (name without TA, such as ".AperFunction") at its definition
    line     : of the definition
    """

    number: int
    template: str
    sizes: tuple[float, ...]
    width: float
    convex: bool
    make: Callable[[], Geometry] = field(repr=False)
    attributes: Mapping[str, Fields] = field(default_factory=dict)
    line: int = 0

    @cached_property
    def shape(self) -> Geometry:
        """Polygon or MultiPolygon round its own origin, m; empty for one of size zero and for a block."""
        return self.make()


@dataclass(frozen=True, eq=False)
class Objects(Table):
    """Graphical objects in painting order.

    kind   : FLASH, LINE, ARC or REGION
    dark   : False for one that removes what was painted before
    x0, y0 : start; the place of a flash; the first point of a region
    x1, y1 : end (flash and region: as x0, y0); xc, yc : centre of an arc, else nan
    turn   : 0, or for an arc +1 counter-clockwise, -1 clockwise; start = end with turn ≠ 0 is a full circle
    aperture  : index into GerberImage.apertures, -1 for a region
    transform : index into GerberImage.transforms: how the aperture is placed
    width  : m, of a stroke with a round aperture, its scale included; else nan
    region : index of a region's contour, else -1
    attributes : index into GerberImage.attribute_sets
    line   : line of the file that drew it
    """

    kind: Ints = column(np.int8)
    dark: Bools = column(np.bool_)
    x0: Floats = column(np.float64)
    y0: Floats = column(np.float64)
    x1: Floats = column(np.float64)
    y1: Floats = column(np.float64)
    xc: Floats = column(np.float64)
    yc: Floats = column(np.float64)
    turn: Ints = column(np.int8)
    aperture: Ints = column(np.int32)
    transform: Ints = column(np.int32)
    width: Floats = column(np.float64)
    region: Ints = column(np.int32)
    attributes: Ints = column(np.int32)
    line: Ints = column(np.int32)


@dataclass(frozen=True)
class AttributeSet:
    """The attributes of objects. on_object : TO; on_aperture : TA of its aperture, or for a region those in force."""

    on_object: Mapping[str, Fields] = field(default_factory=dict)
    on_aperture: Mapping[str, Fields] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class GerberImage:
    """One layer file.

    path  : as given to the parser, for messages
    unit  : "mm" or "inch" as the file says; assumed ones are in `assumptions`
    attributes : file attributes (TF), name such as ".FileFunction" to fields
    inverted   : IPNEG: the image is what is not painted. It does not include `.FilePolarity`, which says what the
                 image means (for a copper layer "Negative": copper is where nothing is painted)
    region_points, region_ends : contours of the regions one after the other, closed, arcs flattened, shape (n, 2);
                 contour i is region_points[region_ends[i]:region_ends[i + 1]]
    name, layer_names : of the deprecated IN and LN commands, "" and () where absent
    comments : the first comments of the file (G04 without attributes), at most MAX_COMMENTS
    unread, problems, assumptions : as in board.Board
    """

    path: str
    unit: str
    attributes: Mapping[str, Fields]
    objects: Objects
    apertures: tuple[Aperture, ...] = ()
    transforms: tuple[Transform, ...] = (Transform(),)
    attribute_sets: tuple[AttributeSet, ...] = (AttributeSet(),)
    region_points: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    region_ends: NDArray[np.int64] = field(default_factory=lambda: np.zeros(1, dtype=np.int64))
    inverted: bool = False
    name: str = ""
    layer_names: tuple[str, ...] = ()
    comments: tuple[str, ...] = ()
    unread: tuple[Unread, ...] = ()
    problems: tuple[str, ...] = ()
    assumptions: tuple[Assumption, ...] = ()

    @cached_property
    def nets(self) -> tuple[str, ...]:
        """Net names (first field of TO.N) in order of first use; entry 0 is "". "N/C" is a name that the format
        reserves for pads with nothing connected."""
        return self._nets[0]

    @cached_property
    def net(self) -> Ints:
        """Index into `nets` of each object, shape (objects,)."""
        return self._nets[1]

    @cached_property
    def pins(self) -> tuple[Fields, ...]:
        """Pins named by TO.P: (part, pin) or (part, pin, the pin's function); entry 0 is ()."""
        return self._pins[0]

    @cached_property
    def pin(self) -> Ints:
        """Index into `pins` of each object, shape (objects,)."""
        return self._pins[1]

    @cached_property
    def components(self) -> tuple[str, ...]:
        """Parts named by TO.C, in order of first use; entry 0 is ""."""
        return self._components[0]

    @cached_property
    def component(self) -> Ints:
        """Index into `components` of each object, shape (objects,)."""
        return self._components[1]

    @cached_property
    def functions(self) -> tuple[Fields, ...]:
        """Aperture functions (TA.AperFunction, such as ("SMDPad", "CuDef")); entry 0 is ()."""
        return self._functions[0]

    @cached_property
    def function(self) -> Ints:
        """Index into `functions` of each object, shape (objects,)."""
        return self._functions[1]

    @cached_property
    def lines(self) -> Bools:
        """Rows that are strokes (straight or arc) with a round aperture: traces, shape (objects,)."""
        return np.isfinite(self.objects.width)

    @cached_property
    def _nets(self) -> tuple[tuple[str, ...], Ints]:
        return self._indexed("", lambda s: (s.on_object.get(".N") or ("",))[0])

    @cached_property
    def _pins(self) -> tuple[tuple[Fields, ...], Ints]:
        return self._indexed((), lambda s: s.on_object.get(".P", ()))

    @cached_property
    def _components(self) -> tuple[tuple[str, ...], Ints]:
        return self._indexed("", lambda s: (s.on_object.get(".C") or ("",))[0])

    @cached_property
    def _functions(self) -> tuple[tuple[Fields, ...], Ints]:
        return self._indexed((), lambda s: s.on_aperture.get(".AperFunction", ()))

    def _indexed(self, nothing: Key, key: Callable[[AttributeSet], Key]) -> tuple[tuple[Key, ...], Ints]:
        index = {nothing: 0}
        of_set = [index.setdefault(key(each), len(index)) for each in self.attribute_sets]
        return tuple(index), np.array(of_set, dtype=np.int32)[self.objects.attributes]
