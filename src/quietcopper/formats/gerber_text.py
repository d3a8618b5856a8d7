"""Text of one Gerber layer file, as the set writer needs it: apertures, attributes, flashes, strokes, regions.

Source: Gerber Layer Format Specification 2024.05. Coordinates are whole nanometres (MOMM, FSLAX46Y46).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, LineString, Polygon, STRtree

from quietcopper.formats.ipc2581 import shapes
from quietcopper.units import MM

NANO = 1e-9  # m a step of a coordinate
_SAME = 1e-12  # m; corners nearer than this to those of a standard aperture are them
# where a cut ends (edge of a ring, share of it, point), the hole that it leads to, and the corner there
Cut = tuple[int, float, tuple[float, float], int, int]
_SPECIAL = re.compile(r"[,*%\\\x00-\x1f\x7f-\U0010ffff]")


def escaped(text: str) -> str:
    """A field of an attribute: what would end it, and what is no plain letter, as an escape."""
    return _SPECIAL.sub(lambda m: f"\\u{ord(m[0]):04X}" if ord(m[0]) < 0x10000 else f"\\U{ord(m[0]):08X}", text)


def nano(metres: float) -> int:
    return round(metres / NANO)


def mm(metres: float) -> str:
    """A size in millimetres with at most nine decimals."""
    return f"{metres / MM:.9f}".rstrip("0").rstrip(".")


class LayerText:
    """One layer file in the making. Attributes of objects stay until they change, as in the format."""

    def __init__(self, file_attributes: Mapping[str, tuple[str, ...]]) -> None:
        self._head = ["%FSLAX46Y46*%", "%MOMM*%"]
        for name, fields in file_attributes.items():
            self._head.append(f"%TF{name},{','.join(escaped(f) for f in fields)}*%")
        self._macros: list[str] = []
        self._apertures: list[str] = []
        self._body: list[str] = ["G01*", "G75*"]
        self._codes: dict[tuple[str, str], int] = {}
        self._macro_names: dict[bytes, str] = {}
        self._functions: dict[str, int] = {}
        self._current = 0
        self._object: dict[str, tuple[str, ...]] = {}
        self._region_function = ""

    def text(self) -> str:
        return "\n".join([*self._head, *self._macros, *self._apertures, *self._body, "M02*", ""])

    # ---- apertures and attributes ----------------------------------------------------------------

    def _aperture(self, definition: str, function: str) -> None:
        """Selects the aperture, defined at its first use. function : fields of TA.AperFunction, "" for none."""
        key = (definition, function)
        if key not in self._codes:
            code = self._codes[key] = len(self._codes) + 10
            lines = [f"%ADD{code}{definition}*%"]
            if function:
                lines = [f"%TA.AperFunction,{function}*%", *lines, "%TD.AperFunction*%"]
            self._apertures += lines
        if self._codes[key] != self._current:
            self._current = self._codes[key]
            self._body.append(f"D{self._current}*")

    def attributes(self, wanted: Mapping[str, tuple[str, ...]]) -> None:
        """Object attributes of what follows, name such as ".N" to fields."""
        if wanted == self._object:
            return
        gone = [name for name in self._object if name not in wanted]
        if gone:
            self._body += [f"%TD{name}*%" for name in gone]
        for name, fields in wanted.items():
            if self._object.get(name) != fields:
                self._body.append(f"%TO{name},{','.join(escaped(f) for f in fields)}*%")
        self._object = dict(wanted)

    # ---- objects ---------------------------------------------------------------------------------

    def flash_circle(self, x: float, y: float, diameter: float, function: str = "") -> None:
        self._aperture(f"C,{mm(diameter)}", function)
        self._body.append(f"X{nano(x)}Y{nano(y)}D03*")

    def flash(self, x: float, y: float, shape: Geometry, function: str = "") -> None:
        """A pad of any shape, given in place."""
        form = shapely.transform(shape, lambda xy: xy - np.array([x, y]))
        self._aperture(self._definition(form), function)
        self._body.append(f"X{nano(x)}Y{nano(y)}D03*")

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float, function: str = "") -> None:
        self._aperture(f"C,{mm(width)}", function)
        self._body += [f"X{nano(x0)}Y{nano(y0)}D02*", f"X{nano(x1)}Y{nano(y1)}D01*"]

    def arc(
        self, ends: tuple[float, float, float, float], centre: tuple[float, float], turn: int, width: float,
        function: str = "",
    ) -> None:  # fmt: skip
        """A stroke along an arc; turn : +1 counter-clockwise, -1 clockwise."""
        x0, y0, x1, y1 = (nano(v) for v in ends)
        i, j = nano(centre[0]) - x0, nano(centre[1]) - y0
        self._aperture(f"C,{mm(width)}", function)
        self._body += [f"X{x0}Y{y0}D02*", "G03*" if turn > 0 else "G02*", f"X{x1}Y{y1}I{i}J{j}D01*", "G01*"]

    def region(self, polygon: Polygon, function: str = "") -> None:
        """A filled contour; its holes become cut-ins."""
        if function != self._region_function:
            self._body.append(f"%TA.AperFunction,{function}*%" if function else "%TD.AperFunction*%")
            self._region_function = function
        ring = np.round(one_contour(polygon) / NANO).astype(np.int64)
        keep = np.concatenate([[True], (ring[1:] != ring[:-1]).any(axis=1)])
        points = ring[keep].tolist()
        self._body += ["G36*", f"X{points[0][0]}Y{points[0][1]}D02*"]
        self._body += [f"X{x}Y{y}D01*" for x, y in points[1:]]
        self._body.append("G37*")

    def end_regions(self) -> None:
        """Strokes and flashes have their functions from their apertures: that of the regions must not linger."""
        if self._region_function:
            self._body.append("%TD.AperFunction*%")
            self._region_function = ""

    # ---- forms -----------------------------------------------------------------------------------

    def _definition(self, form: Geometry) -> str:
        """The aperture of a pad's form: a standard one where the corners are exactly its, else a macro."""
        parts = shapely.get_parts(form)
        x0, y0, x1, y1 = form.bounds
        width, height = x1 - x0, y1 - y0
        centred = abs(x0 + x1) < _SAME and abs(y0 + y1) < _SAME
        if len(parts) == 1 and centred and not parts[0].interiors:
            if _same(form, shapes.circle(width)):
                return f"C,{mm(width)}"
            if _same(form, shapes.rectangle(width, height)):
                return f"R,{mm(width)}X{mm(height)}"
            if _same(form, shapes.oval(width, height)):
                return f"O,{mm(width)}X{mm(height)}"
        return self._macro(parts)

    def _macro(self, parts: NDArray[np.object_]) -> str:
        """The name of a macro of outlines: each polygon on, its holes off."""
        lines: list[str] = []
        for part in parts:
            for exposure, ring in ((1, part.exterior), *((0, hole) for hole in part.interiors)):
                coords = np.round(shapely.get_coordinates(ring) / NANO)
                values = ",".join(f"{mm(x * NANO)},{mm(y * NANO)}" for x, y in coords)
                lines.append(f"4,{exposure},{len(coords) - 1},{values},0*")
        key = "\n".join(lines).encode()
        if key not in self._macro_names:
            name = self._macro_names[key] = f"PAD{len(self._macro_names) + 1}"
            self._macros += [f"%AM{name}*", *lines, "%"]
        return self._macro_names[key]


def _same(form: Geometry, standard: Polygon) -> bool:
    """Whether two outlines have the same corners, wherever they begin and whichever way they run."""
    a = shapely.get_coordinates(shapely.normalize(form))
    b = shapely.get_coordinates(shapely.normalize(standard))
    return a.shape == b.shape and bool(np.abs(a - b).max() < _SAME)


def one_contour(polygon: Polygon) -> NDArray[np.float64]:
    """A polygon with holes as one closed contour: each hole hangs on a level cut to the copper edge on its left.

    Shape (n, 2). The cut of a hole starts at its leftmost corner, so that it meets an edge of another ring; those
    lead on to the left and so to the outside.
    """
    rings = [shapely.get_coordinates(ring)[:-1] for ring in (polygon.exterior, *polygon.interiors)]
    if len(rings) == 1:
        return np.concatenate([rings[0], rings[0][:1]])
    first = np.cumsum([0, *map(len, rings)])
    starts = np.concatenate(rings)
    stops = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    edges = STRtree(shapely.linestrings(np.stack([starts, stops], axis=1)))
    left = polygon.bounds[0] - 1e-3
    cuts: list[list[Cut]] = [[] for _ in rings]  # that end on each ring
    for hole in range(1, len(rings)):
        corner = int(np.lexsort((rings[hole][:, 1], rings[hole][:, 0]))[0])
        x, y = rings[hole][corner]
        met = edges.query(LineString([(left, y), (x, y)]))
        met = met[(met < first[hole]) | (met >= first[hole + 1])]
        at, share = _crossings(starts[met], stops[met], y)
        use = np.isfinite(at) & (at <= x)
        met, at, share = met[use], at[use], share[use]
        best = int(np.lexsort((met, -at))[0])
        ring = int(np.searchsorted(first, met[best], side="right")) - 1
        cuts[ring].append((int(met[best] - first[ring]), float(share[best]), (float(at[best]), float(y)), hole, corner))
    return _stitched(rings, cuts)


def _crossings(
    start: NDArray[np.float64], stop: NDArray[np.float64], y: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where edges meet a level line: x (nan where they do not) and the share of the edge up to there."""
    rise = stop[:, 1] - start[:, 1]
    level = rise == 0
    share = np.divide(y - start[:, 1], rise, out=np.zeros_like(rise), where=~level)
    # a level edge on the line is met at its right end
    share[level] = (stop[level, 0] > start[level, 0]).astype(float)
    meets = (share >= 0) & (share <= 1) & (~level | (start[:, 1] == y))
    at = start[:, 0] + share * (stop[:, 0] - start[:, 0])
    return np.where(meets, at, np.nan), share


def _stitched(rings: list[NDArray[np.float64]], cuts: list[list[Cut]]) -> NDArray[np.float64]:
    """The rings as one contour, each cut walked to its hole, round it and back."""
    out: list[tuple[float, float]] = []
    # walks begun, the innermost last; holes may hang on each other in long rows, too long for recursion
    stack = [_walk(rings[0], cuts[0], 0)]
    while stack:
        step = next(stack[-1], None)
        if step is None:
            stack.pop()
        elif isinstance(step, int):
            hole, corner = step >> 32, step & 0xFFFFFFFF
            stack.append(_walk(rings[hole], cuts[hole], corner))
        else:
            out.append(step)
    return np.array(out)


def _walk(ring: NDArray[np.float64], cuts: list[Cut], begin: int) -> Iterator[tuple[float, float] | int]:
    """Points of a ring from a corner round to it again; for a cut its point, the hole to walk, and the point again."""
    count = len(ring)
    ordered = sorted(cuts, key=lambda c: ((c[0] - begin) % count, c[1]))
    k = 0
    for i in range(count + 1):
        edge = (begin + i) % count
        yield (float(ring[edge][0]), float(ring[edge][1]))
        if i == count:
            break
        while k < len(ordered) and (ordered[k][0] - begin) % count == i:
            _, _, point, hole, corner = ordered[k]
            yield point
            yield (hole << 32) | corner
            yield point
            k += 1


def turn_degrees(radians: float) -> str:
    """An angle in degrees with at most nine decimals."""
    return f"{math.degrees(radians):.9f}".rstrip("0").rstrip(".") or "0"


def along(polygon: Polygon) -> list[tuple[float, float, float, float]]:
    """The sides of a polygon and of its holes."""
    out = []
    for ring in (polygon.exterior, *polygon.interiors):
        out += [(x0, y0, x1, y1) for (x0, y0), (x1, y1) in pairwise(shapely.get_coordinates(ring).tolist())]
    return out
