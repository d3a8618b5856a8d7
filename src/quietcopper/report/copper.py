"""A layer's copper for the large picture: drawn by the browser as it is, and read by the page's script, which draws it
faster and by net.

Beside the path data of each element ``data-nets`` says whose it is. An element of traces or dots: runs of subpaths,
``net`` or ``net*subpaths``, in order. An element of areas or pads: one such entry for each shape, with its number of
rings. Nets are indices into the drawing's list.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.report.safe import Markup
from quietcopper.report.svg import SAG_MM, UNITS_PER_MM, LayerShapes, ring_path, subpaths, units


def _runs(entries: Sequence[tuple[int, int]]) -> str:
    return " ".join(str(net) if count == 1 else f"{net}*{count}" for net, count in entries)


def _merged(nets: Sequence[int]) -> list[tuple[int, int]]:
    """(net, how often) of equal neighbours."""
    owners = np.asarray(nets, dtype=np.int64)
    starts = np.flatnonzero(np.diff(owners, prepend=owners[0] - 1)) if len(owners) else np.zeros(0, np.intp)
    return list(zip(owners[starts].tolist(), np.diff(starts, append=len(owners)).tolist(), strict=True))


def owned_shapes(shapes: NDArray[np.object_], nets: Sequence[int], sag_mm: float = SAG_MM) -> tuple[str, str]:
    """Path data and owners of polygons, thinned to `sag_mm`."""
    parts, owner = shapely.get_parts(
        shapely.simplify(np.asarray(shapes, dtype=object), sag_mm, preserve_topology=False), return_index=True
    )
    solid = (shapely.get_type_id(parts) == 3) & ~shapely.is_empty(parts)
    parts, owner = parts[solid], owner[solid]
    count = shapely.get_num_interior_rings(parts) + 1
    return ring_path(parts), _runs([(int(nets[i]), n) for i, n in zip(owner.tolist(), count.tolist(), strict=True)])


def _traces(layer: LayerShapes) -> list[Markup]:
    drawn, out = layer.layer, []
    nets = np.asarray(drawn.trace_nets, dtype=np.int64)
    widths = np.rint(np.asarray(drawn.trace_widths, dtype=np.float64) * UNITS_PER_MM).astype(np.int64)
    for width in np.unique(widths).tolist():
        rows = np.flatnonzero(widths == width)
        rows = rows[np.argsort(nets[rows], kind="stable")]
        lines = [drawn.traces[i] for i in rows.tolist()]
        changes = np.flatnonzero(np.diff(nets[rows])) + 1
        data = subpaths(np.concatenate(lines), [len(line) for line in lines], apart=frozenset(changes.tolist()))
        begun = nets[rows[[piece[0] == "M" for piece in data]]].tolist()
        out.append(
            Markup('<path class="trace" stroke-width="{}" data-nets="{}" d="{}"/>').format(
                width, _runs(_merged(begun)), "".join(data)
            )
        )
    return out


def _dots(centres: NDArray[np.float64], diameters: NDArray[np.float64], nets: NDArray[np.int64]) -> list[Markup]:
    places = units(centres) if len(centres) else np.zeros((0, 2), np.int64)
    sizes, out = np.rint(diameters * UNITS_PER_MM).astype(np.int64), []
    for size in np.unique(sizes).tolist():
        rows = np.flatnonzero(sizes == size)
        rows = rows[np.argsort(nets[rows], kind="stable")]
        marks = "".join(f"M{x} {y}h0" for x, y in places[rows].tolist())
        out.append(
            Markup('<path class="pad dot" stroke-width="{}" data-nets="{}" d="{}"/>').format(
                size, _runs(_merged(nets[rows].tolist())), marks
            )
        )
    return out


def owned_copper(layer: LayerShapes) -> Markup:
    """All traces and pads of a layer with their owners."""
    nets = np.asarray(layer.layer.pad_nets, dtype=np.int64)
    disc, centre, diameter = layer.round_pads
    out = _traces(layer)
    odd = np.flatnonzero(~disc)
    if len(odd):
        data, owners = owned_shapes(layer.pads[odd], nets[odd].tolist())
        out.append(Markup('<path class="pad" data-nets="{}" d="{}"/>').format(owners, data))
    return Markup("").join(out + _dots(centre[disc], diameter[disc], nets[disc]))
