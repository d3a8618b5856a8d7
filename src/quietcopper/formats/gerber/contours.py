"""Closed contours made into polygons."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, Polygon


def sound(points: NDArray[np.float64]) -> Geometry:
    """The area inside one contour, cut-ins taken apart: a Polygon or MultiPolygon, empty where it has none.

    points : shape (n, 2). A contour that crosses itself has no meaning in the format; each part that it encloses an
    odd number of times is kept then.
    """
    if len(points) < 3:
        return Polygon()
    polygon = Polygon(points)
    return polygon if polygon.is_valid else areas_only(shapely.make_valid(polygon))


def areas_only(shape: Geometry) -> Geometry:
    """What has an area in a geometry of any kind: lines and points that mending leaves behind are dropped."""
    parts = [part for part in _flat(shape) if isinstance(part, Polygon) and part.area > 0]
    if len(parts) == 1:
        return parts[0]
    return shapely.multipolygons(parts) if parts else Polygon()


def _flat(shape: Geometry) -> list[Geometry]:
    parts: list[Geometry] = list(shapely.get_parts(shape).tolist())
    while any(shapely.get_type_id(part) > 3 for part in parts):
        parts = [inner for part in parts for inner in shapely.get_parts(part).tolist()]
    return parts
