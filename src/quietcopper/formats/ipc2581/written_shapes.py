"""Shapes as the writer puts them down: polygons point by point, pad forms once each in the dictionary."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, Polygon

from quietcopper.board import Pads
from quietcopper.formats.ipc2581 import shapes
from quietcopper.formats.ipc2581.markup import Markup, mm
from quietcopper.formats.ipc2581.placing import shifted

GRID_DIGITS = 13  # decimals of a metre that pad forms are compared and written with


def polygon_lines(out: Markup, polygon: Polygon) -> None:
    """A Polygon element and its Cutout elements, every corner as it stands."""
    for tag, ring in (("Polygon", polygon.exterior), *(("Cutout", hole) for hole in polygon.interiors)):
        out.open(tag)
        step = "PolyBegin"
        for x, y in shapely.get_coordinates(ring).tolist():
            out.leaf(step, x=mm(x), y=mm(y))
            step = "PolyStepSegment"
        out.close()


class PadShapes:
    """The forms of a board's pads. tag, name : for each pad, the element and id that refer to its form."""

    def __init__(self, pads: Pads) -> None:
        self.tag: list[str] = []
        self.name: list[str] = []
        self._forms: dict[tuple[object, ...], tuple[str, str, Geometry]] = {}
        for shape, x, y in zip(pads.shape, pads.x.tolist(), pads.y.tolist(), strict=True):
            # adding 0.0 turns -0.0 into 0.0, so that equal forms have equal bytes
            form = shapely.transform(shifted(shape, -x, -y), lambda xy: np.round(xy, GRID_DIGITS) + 0.0)
            parts = shapely.get_parts(form)
            rings = tuple(len(ring.coords) for part in parts for ring in (part.exterior, *part.interiors))
            key = (len(parts), rings, shapely.get_coordinates(form).tobytes())
            if key not in self._forms:
                kind = "Standard" if len(parts) == 1 else "User"
                self._forms[key] = (f"{kind}PrimitiveRef", f"PAD_{len(self._forms) + 1}", form)
            tag, name, _ = self._forms[key]
            self.tag.append(tag)
            self.name.append(name)

    def write(self, out: Markup) -> None:
        for kind in ("Standard", "User"):
            out.open(f"Dictionary{kind}", units="MILLIMETER")
            for tag, name, form in self._forms.values():
                if tag == f"{kind}PrimitiveRef":
                    out.open(f"Entry{kind}", id=name)
                    self._entry(out, form)
                    out.close()
            out.close()

    def _entry(self, out: Markup, form: Geometry) -> None:
        parts = shapely.get_parts(form)
        if len(parts) > 1:
            out.open("UserSpecial")
            for part in parts:
                out.open("Contour")
                polygon_lines(out, part)
                out.close()
            out.close()
            return
        x0, y0, x1, y1 = form.bounds
        width, height = round(x1 - x0, GRID_DIGITS), round(y1 - y0, GRID_DIGITS)
        if _same(form, shapes.circle(width)):
            out.leaf("Circle", diameter=mm(width))
        elif _same(form, shapes.rectangle(width, height)):
            out.leaf("RectCenter", width=mm(width), height=mm(height))
        elif _same(form, shapes.oval(width, height)):
            out.leaf("Oval", width=mm(width), height=mm(height))
        else:
            out.open("Contour")
            polygon_lines(out, parts[0])
            out.close()


def _same(form: Geometry, primitive: Polygon) -> bool:
    """Whether the reader's own primitive has the same corners in the same order."""
    a: NDArray[np.float64] = shapely.get_coordinates(form)
    b = shapely.get_coordinates(primitive)
    return a.shape == b.shape and not form.interiors and bool(np.abs(a - b).max() < 10.0**-GRID_DIGITS)
