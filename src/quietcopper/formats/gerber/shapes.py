"""Polygons from a `GerberImage`: apertures, single objects, and the copper that the whole image leaves."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, MultiPolygon, Polygon

from quietcopper.board.geometry import arc_points
from quietcopper.board.model import ARC_SAG, Ints, Shapes
from quietcopper.errors import OutOfRange
from quietcopper.formats.gerber.contours import areas_only, sound
from quietcopper.formats.gerber.graphics import ARC, FLASH, LINE, REGION, Aperture, GerberImage, Transform
from quietcopper.formats.ipc2581.columns import Templates

MAX_PAIRS = 20_000_000  # of dark objects and later clear ones on top of them
MAX_CHAIN = 64  # strokes buffered as one polyline: buffering a long one that crosses itself is slow
FEW = 16  # shapes cut away first
CHUNK = 4096  # shapes united in one go
MIN_SEGMENTS, MAX_SEGMENTS = 4, 64  # chords of a quarter circle at the end of a stroke

Indices = NDArray[np.intp]


def shape_of(aperture: Aperture, transform: Transform = Transform()) -> Geometry:  # noqa: B008
    """The aperture as an object shows it, round its origin, m: a Polygon or MultiPolygon, empty for size zero."""
    shape = aperture.shape
    if transform == Transform() or shape.is_empty:
        return shape
    matrix = transform.matrix.T
    turned = shapely.transform(shape, lambda xy: xy @ matrix)
    return shapely.normalize(turned) if transform.mirror else turned


def regions(image: GerberImage, contours: Ints | None = None) -> Shapes:
    """Areas of the image's contours (or of those numbered), cut-ins taken apart, shape (contours,)."""
    chosen = slice(None) if contours is None else contours
    first, last = image.region_ends[:-1][chosen], image.region_ends[1:][chosen]
    out: Shapes = np.empty(len(first), dtype=np.object_)
    if not len(first):
        return out
    ends = np.concatenate([[0], np.cumsum(last - first)])
    points = image.region_points[np.arange(ends[-1]) + np.repeat(first - ends[:-1], last - first)]
    # contours are closed already; all at once, and the few with cut-ins then mended one by one
    rings = np.arange(len(first) + 1, dtype=ends.dtype)
    out[:] = shapely.from_ragged_array(shapely.GeometryType.POLYGON, points, (ends, rings))
    for index in np.flatnonzero(~shapely.is_valid(out)):
        out[index] = sound(points[ends[index] : ends[index + 1]])
    return out


def shapes(image: GerberImage, rows: Indices | None = None) -> Shapes:
    """What each object (or each of `rows`) paints or removes, in place; empty where it has no area."""
    o = image.objects
    rows = np.arange(len(o)) if rows is None else rows
    kind, width = o.kind[rows], o.width[rows]
    out = np.empty(len(rows), dtype=object)
    out[:] = Polygon()
    at = np.flatnonzero(kind == FLASH)
    out[at] = _flashes(image, rows[at])
    at = np.flatnonzero(kind == REGION)
    out[at] = regions(image, o.region[rows[at]])
    stroked = (kind == LINE) | (kind == ARC)
    at = np.flatnonzero(stroked & np.isfinite(width))
    lines = centre_lines(image, rows[at])
    for each, group in _by_width(width[at]):
        out[at[group]] = _buffered(lines[group], each)
    at = np.flatnonzero(stroked & ~np.isfinite(width))
    out[at] = _swept(image, rows[at])
    return out


def centre_lines(image: GerberImage, rows: Indices) -> Shapes:
    """Centre lines of strokes as LineStrings, arcs flattened to ARC_SAG, shape (rows,)."""
    o = image.objects
    ends = np.stack([np.stack([o.x0[rows], o.y0[rows]], -1), np.stack([o.x1[rows], o.y1[rows]], -1)], axis=1)
    out = np.empty(len(rows), dtype=object)
    out[:] = shapely.linestrings(ends) if len(rows) else []
    for place in np.flatnonzero(o.kind[rows] == ARC):
        out[place] = shapely.linestrings(_arc(image, int(rows[place])))
    return out


def _arc(image: GerberImage, row: int) -> NDArray[np.float64]:
    o = image.objects
    return arc_points(
        float(o.x0[row]), float(o.y0[row]), float(o.x1[row]), float(o.y1[row]), float(o.xc[row]), float(o.yc[row]),
        int(o.turn[row]),
    )  # fmt: skip


def _flashes(image: GerberImage, rows: Indices) -> Shapes:
    o = image.objects
    templates = Templates()
    key = o.aperture[rows].astype(np.int64) * len(image.transforms) + o.transform[rows]
    found, number = np.unique(key, return_inverse=True)
    for each in found.tolist():
        aperture, transform = divmod(each, len(image.transforms))
        templates.add(shape_of(image.apertures[aperture], image.transforms[transform]))
    return templates.place(number, o.x0[rows], o.y0[rows])


def _by_width(width: NDArray[np.float64]) -> Iterator[tuple[float, Indices]]:
    """Groups of equal positive width, finest first."""
    for each in np.unique(width):
        if each > 0:
            yield float(each), np.flatnonzero(width == each)


def _buffered(lines: Shapes, width: float) -> Shapes:
    """Strokes with round ends, chords no further than ARC_SAG from them."""
    quarter = np.pi / 2 / (2 * np.arccos(max(1 - ARC_SAG / (width / 2), 0.5)))
    segments = int(min(max(np.ceil(quarter), MIN_SEGMENTS), MAX_SEGMENTS))
    points = shapely.length(lines) == 0  # a stroke of no length is the aperture flashed
    out: Shapes = shapely.buffer(lines, width / 2, quad_segs=segments)
    if points.any():
        out[points] = shapely.buffer(shapely.get_point(lines[points], 0), width / 2, quad_segs=segments)
    return out


def _swept(image: GerberImage, rows: Indices) -> Shapes:
    """Strokes with apertures that are not round: the hull of the aperture at both ends of each straight piece."""
    o = image.objects
    out = np.empty(len(rows), dtype=object)
    out[:] = Polygon()
    for aperture, transform in sorted(set(zip(o.aperture[rows].tolist(), o.transform[rows].tolist(), strict=True))):
        shape = shape_of(image.apertures[aperture], image.transforms[transform])
        if shape.is_empty:
            continue
        corners = shapely.get_coordinates(shapely.convex_hull(shape))
        group = np.flatnonzero((o.aperture[rows] == aperture) & (o.transform[rows] == transform))
        straight = group[o.kind[rows[group]] == LINE]
        at = rows[straight]
        ends = np.stack([np.stack([o.x0[at], o.y0[at]], -1), np.stack([o.x1[at], o.y1[at]], -1)], axis=1)
        out[straight] = _hulls(ends, corners)
        for place in group[o.kind[rows[group]] == ARC]:
            points = _arc(image, int(rows[place]))
            out[place] = shapely.union_all(_hulls(np.stack([points[:-1], points[1:]], axis=1), corners))
    return out


def _hulls(ends: NDArray[np.float64], corners: NDArray[np.float64]) -> Shapes:
    """Hull of `corners` placed at both ends of each piece; ends : shape (n, 2, 2), corners : shape (k, 2)."""
    if not len(ends):
        return np.empty(0, dtype=object)
    points = ends[:, :, None, :] + corners[None, None, :, :]
    return np.asarray(shapely.convex_hull(shapely.multipoints(points.reshape(len(ends), -1, 2))), dtype=object)


def copper(image: GerberImage, frame: Geometry | None = None) -> Polygon | MultiPolygon:
    """What the image leaves painted, dark minus later clear, as one valid shape; empty where nothing is.

    frame : where an inverted image (IPNEG) is dark to begin with; the box round all objects where it is None.
    Raises OutOfRange for an image whose dark and clear objects lie on each other in more than MAX_PAIRS pairs.
    """
    dark, dark_run = _pieces(image, dark=True)
    clear, clear_run = _pieces(image, dark=False)
    painted = _union(_cut(*_merged(dark, dark_run), *_merged(clear, clear_run)) if len(clear) else dark)
    if image.inverted:
        if frame is None:
            everything = np.concatenate([dark, clear])
            frame = shapely.box(*shapely.total_bounds(everything)) if len(everything) else Polygon()
        painted = shapely.difference(frame, painted)
    return areas_only(painted)


def _pieces(image: GerberImage, *, dark: bool) -> tuple[Shapes, Indices]:
    """Shapes of one polarity, strokes in a row joined to polylines, and the run of equal polarity each is in."""
    o = image.objects
    run = np.cumsum(np.diff(o.dark.astype(np.int8), prepend=0) != 0)
    chosen = o.dark == dark
    stroked = np.flatnonzero(chosen & (o.width > 0) & (o.kind == LINE))
    rest = np.flatnonzero(chosen & ~((o.width > 0) & (o.kind == LINE)))
    lines, first = chains(image, stroked)
    strokes = np.empty(len(lines), dtype=object)
    for width, group in _by_width(o.width[first]):
        strokes[group] = _buffered(lines[group], width)
    others = shapes(image, rest)
    found, runs = np.concatenate([strokes, others]), np.concatenate([run[first], run[rest]])
    keep = ~shapely.is_empty(found)
    return found[keep], runs[keep]


def chains(image: GerberImage, rows: Indices) -> tuple[Shapes, Indices]:
    """Straight strokes joined to polylines where one begins at the end of the one before it, with the same width.

    rows : of the strokes, ascending. Gives the LineStrings, of at most MAX_CHAIN strokes each, and the row that each
    begins with.
    """
    o = image.objects
    if not len(rows):
        return np.empty(0, dtype=object), rows
    before, after = rows[:-1], rows[1:]
    joined = (o.x1[before] == o.x0[after]) & (o.y1[before] == o.y0[after]) & (o.width[before] == o.width[after])
    joined &= o.dark[before] == o.dark[after]
    # a stroke of the other polarity in between is a new layer of paint
    joined &= after - before == 1
    begins = np.concatenate([[True], ~joined])
    start = np.flatnonzero(begins)[np.cumsum(begins) - 1]
    begins |= (np.arange(len(rows)) - start) % MAX_CHAIN == 0
    first = np.flatnonzero(begins)
    number = np.cumsum(begins) - 1
    # the points of a chain are the start of its first stroke and the ends of all
    at = np.concatenate([number[first], number])
    x, y = np.concatenate([o.x0[rows[first]], o.x1[rows]]), np.concatenate([o.y0[rows[first]], o.y1[rows]])
    order = np.argsort(at, kind="stable")
    lines = shapely.linestrings(x[order], y[order], indices=at[order])
    return np.asarray(lines, dtype=object), rows[first]


def _merged(pieces: Shapes, runs: Indices) -> tuple[Shapes, Indices]:
    """The pieces of each run united, one connected piece each, and their runs: overlapping ones are cut once."""
    order = np.argsort(runs, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(runs[order])) + 1) if len(order) else []
    shapes_of_runs = [shapely.get_parts(_union(pieces[group])) if len(group) > 1 else pieces[group] for group in groups]
    counts = [len(found) for found in shapes_of_runs]
    numbers = np.repeat([runs[group[0]] for group in groups], counts).astype(np.intp)
    return np.concatenate([np.empty(0, dtype=object), *shapes_of_runs]), numbers


def _cut(dark: Shapes, dark_run: Indices, clear: Shapes, clear_run: Indices) -> Shapes:
    """Each dark shape without what is cleared after it."""
    if not len(clear) or not len(dark):
        return dark
    out = dark.copy()
    tree = shapely.STRtree(clear)
    at_once = max(1, CHUNK * 256 // len(clear))
    pairs = 0
    for start in range(0, len(dark), at_once):
        upper, lower = tree.query(dark[start : start + at_once], predicate="intersects")
        upper = upper + start
        later = clear_run[lower] > dark_run[upper]
        upper, lower = upper[later], lower[later]
        pairs += len(upper)
        if pairs > MAX_PAIRS:
            raise OutOfRange(f"an image with more than {MAX_PAIRS} pairs of dark and clear objects on each other")
        order = np.argsort(upper, kind="stable")
        for group in np.split(order, np.flatnonzero(np.diff(upper[order])) + 1) if len(order) else ():
            row = upper[group[0]]
            out[row] = _without(dark[row], clear[lower[group]])
    return out


def _without(shape: Geometry, knives: Shapes) -> Geometry:
    """A shape minus others, a few at first: of what is drawn over many times, soon nothing is left to cut."""
    done, count = 0, FEW
    while done < len(knives) and not shape.is_empty:
        shape = shapely.difference(shape, shapely.union_all(knives[done : done + count]))
        done, count = done + count, 2 * count
    return shape


def _union(pieces: Shapes) -> Geometry:
    """Union of any number of shapes, neighbours first, so that memory holds for a million of them."""
    while len(pieces) > CHUNK:
        x0, y0, x1, y1 = shapely.bounds(pieces).T
        order = _neighbours_first(x0 + x1, y0 + y1)
        pieces = np.array(
            [shapely.union_all(pieces[order[start : start + CHUNK]]) for start in range(0, len(order), CHUNK)],
            dtype=object,
        )
    return shapely.union_all(pieces)


def _neighbours_first(x: NDArray[np.float64], y: NDArray[np.float64]) -> Indices:
    """An order in which runs of CHUNK lie together: by columns of the board, upwards in each."""
    columns = max(1, round(np.sqrt(len(x) / CHUNK)))
    column = np.argsort(np.argsort(x, kind="stable"), kind="stable") * columns // len(x)
    return np.lexsort((y, column))
