"""The board's outline: lines and arcs of the profile closed into polygons, what lies inside another cut out.

Where there is no profile: the edge that a netlist states, else a box round the copper that holes and pins hang on.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import Geometry, MultiPolygon, Polygon, STRtree

from quietcopper.board.model import Floats
from quietcopper.formats.counts import Counts
from quietcopper.formats.gerber.graphics import FLASH, REGION, GerberImage
from quietcopper.formats.gerber.shapes import centre_lines, regions

GAPS = (1e-8, 1e-6, 10e-6, 100e-6, 500e-6)  # m; ends this near are joined, the least that closes a contour holds
TOLD_GAP = 2e-6  # m; a wider gap is told
MARGIN = 0.1e-3  # m; round the copper where the outline is assumed
SMALLEST = 1e-6  # m²; what is smaller is no board
DEEPEST = 64  # contours inside each other
MAX_CONTOURS = 10_000


def profile_outline(images: list[GerberImage], counts: Counts) -> Polygon | MultiPolygon | None:
    """The board inside the profile's contours; None where no contour closes."""
    lines: list[Geometry] = []
    filled: list[Geometry] = []
    for image in images:
        o = image.objects
        stroked = np.flatnonzero((o.kind != FLASH) & (o.kind != REGION) & o.dark)
        lines += centre_lines(image, stroked).tolist()
        filled += regions(image)[o.region[(o.kind == REGION) & o.dark]].tolist()
        flashes = int((o.kind == FLASH).sum())
        if flashes:
            counts.unread(f"flashes in {image.path}", 0, "a profile is drawn with lines", flashes)
    faces = [shape for whole in filled for shape in shapely.get_parts(whole) if isinstance(shape, Polygon)]
    faces += [Polygon(hole) for shape in faces for hole in shape.interiors]
    board = _by_depth([*faces, *_closed(lines, counts)])
    if board is None or board.area < SMALLEST:
        return None
    return board


def _closed(lines: list[Geometry], counts: Counts) -> list[Polygon]:
    """Polygons that the lines enclose, small gaps closed."""
    kept = [line for line in lines if line.length > 0]
    if not kept:
        return []
    left = 0
    for gap in GAPS:
        noded = shapely.union_all(_joined(kept, gap))
        polygons, cuts, dangles, invalid = shapely.polygonize_full([noded])
        left = sum(len(shapely.get_parts(part)) for part in (cuts, dangles, invalid))
        found = [p for p in shapely.get_parts(polygons) if p.area > SMALLEST / 100]
        if found and (not left or gap == GAPS[-1] or _holds_all(found, noded)):
            if gap > TOLD_GAP:
                counts.problem(f"The board's profile has gaps; ends up to {gap * 1e3:g} mm apart were joined.")
            if left:
                counts.unread("lines of the profile", 0, "they enclose nothing", left)
            return found
    counts.unread("lines of the profile", 0, "they enclose nothing", left)
    return []


def _holds_all(found: list[Polygon], lines: Geometry) -> bool:
    """Whether the outermost contour spans nearly everything drawn: then what does not close is not the edge."""
    x0, y0, x1, y1 = shapely.total_bounds(np.array(found, dtype=object))
    a0, b0, a1, b1 = lines.bounds
    return bool((x1 - x0) * (y1 - y0) > 0.98 * (a1 - a0) * (b1 - b0))


def _joined(lines: list[Geometry], gap: float) -> NDArray[np.object_]:
    """Lines whose ends within `gap` of each other are moved to one place."""
    coords = [shapely.get_coordinates(line).copy() for line in lines]
    ends = np.array([c[k] for c in coords for k in (0, -1)])
    pairs = cKDTree(ends).query_pairs(gap, output_type="ndarray")
    graph = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(ends),) * 2)
    count, label = connected_components(graph, directed=False)
    size = np.bincount(label, minlength=count)
    place = np.stack([np.bincount(label, weights=ends[:, k], minlength=count) / size for k in (0, 1)], axis=-1)
    # an end that stands alone keeps its exact place
    first = np.unique(label, return_index=True)[1]
    place[size == 1] = ends[first[size == 1]]
    for i, c in enumerate(coords):
        c[0], c[-1] = place[label[2 * i]], place[label[2 * i + 1]]
    out = np.empty(len(coords), dtype=object)
    out[:] = [shapely.linestrings(c) for c in coords]
    return out


def _by_depth(faces: list[Polygon]) -> Polygon | MultiPolygon | None:
    """Board where a place lies inside an odd number of contours; faces side by side (a scored panel) are one board."""
    if not faces:
        return None
    faces = sorted(faces, key=lambda face: -face.area)[:MAX_CONTOURS]
    filled = np.empty(len(faces), dtype=object)
    filled[:] = [Polygon(face.exterior) for face in faces]
    one, two = STRtree(filled).query(shapely.point_on_surface(faces), predicate="within")
    depth = np.bincount(one[one != two], minlength=len(faces))
    board: Geometry = Polygon()
    for row in np.argsort(depth, kind="stable"):
        if depth[row] <= DEEPEST:
            change = shapely.difference if depth[row] % 2 else shapely.union
            board = change(board, filled[row])
    parts = [p for p in shapely.get_parts(board) if isinstance(p, Polygon) and p.area > 0]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def edge_outline(corners: Floats, copper: Geometry) -> Polygon | MultiPolygon | None:
    """The edge that a netlist states, where it is a contour that holds the copper. corners : shape (n, 2), m."""
    if len(corners) < 3:
        return None
    edge = Polygon(corners)
    if not edge.is_valid or edge.area < SMALLEST or not edge.buffer(MARGIN).contains(copper):
        return None
    return edge


def box_outline(bounds: tuple[float, float, float, float], counts: Counts) -> Polygon:
    """A box round the copper, told as an assumption."""
    x0, y0, x1, y1 = bounds
    size = f"{(x1 - x0) * 1e3:.1f} x {(y1 - y0) * 1e3:.1f}"
    counts.assume("board outline", size, "mm", "no file is the profile; box round the copper")
    return shapely.box(x0 - MARGIN, y0 - MARGIN, x1 + MARGIN, y1 + MARGIN)
