"""The spine of a copper shape: the middle line of all its parts, with the half width at every place.

The spine is the set of points with at least two nearest points on the shape's edge. It is taken from the Voronoi
diagram of points set along the edges (Brandt, Convergence and continuity criteria for discrete approximations of the
continuous planar skeleton, CVGIP: Image Understanding 59, 1994, from memory: the diagram's vertices inside the shape
converge to it). Copper narrower than about the distance of those points is not followed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components, dijkstra
from scipy.spatial import Delaunay, cKDTree
from shapely import Polygon

from quietcopper.board.model import Bools, Floats

Points = NDArray[np.float64]
Index = NDArray[np.integer[Any]]

STRAIGHT = 0.85  # an edge of the spine whose two edge points are seen under more than 116 degrees runs along a strip;
# less is the way into a corner


@dataclass(frozen=True, eq=False)
class Spine:
    """A graph of places in a shape. Lengths in metres.

    at : (n, 2); radius : distance to the shape's edge, (n,)
    a, b : ends of the graph's edges; length : (m,); open : edges that run along a strip, not into a corner
    sites : points on the shape's edge, (k, 2); site_node : pairs of a site and a node that it bounds, by site, (p, 2)
    """

    at: Points
    radius: Floats
    a: Index
    b: Index
    length: Floats
    open: Bools
    sites: Points
    site_node: Index

    def __len__(self) -> int:
        return len(self.at)

    @cached_property
    def along(self) -> Bools:
        """Which nodes lie on an edge that runs along a strip."""
        out = np.zeros(len(self), dtype=bool)
        out[self.a[self.open]] = True
        out[self.b[self.open]] = True
        return out

    def nodes_at(self, points: Points) -> Index:
        """Nodes that stand for places in the shape: for each, the nearest of those that the nearest point of the
        shape's edge bounds, so that no place falls to a part on the other side of a slot."""
        if not len(points):
            return np.empty(0, dtype=np.int64)
        _, site = cKDTree(self.sites).query(points)
        start, stop = np.searchsorted(self.site_node[:, 0], [site, site + 1])
        place = np.repeat(np.arange(len(points)), stop - start)
        first = np.cumsum(stop - start) - (stop - start)
        node = self.site_node[start[place] + np.arange(len(place)) - first[place], 1]
        order = np.lexsort((np.hypot(*(self.at[node] - points[place]).T), place))
        return node[order[np.flatnonzero(np.diff(place[order], prepend=-1))]]


@lru_cache(maxsize=256)
def spine_of(shape: Polygon, step: float) -> Spine:
    """The spine of a polygon, its edge sampled at most `step` (m) apart. Kept for shapes met again."""
    origin = np.array(shape.bounds[:2])
    points, following = _along_edges(shape, step)
    vertices, ridges, sites = _diagram((points - origin) / step)
    vertices = vertices * step + origin
    shapely.prepare(shape)
    inside = shapely.contains_xy(shape, vertices)
    keep = inside[ridges].all(axis=1)
    ridges, sites = ridges[keep], sites[keep]

    used, node = np.unique(ridges, return_inverse=True)
    node = node.reshape(-1, 2)
    at = vertices[used]
    radius = np.full(len(used), np.inf)
    edges = np.stack([points, points[following]], axis=1)
    before = np.argsort(following)
    for end in (0, 1):
        for site in sites.T:
            for edge in (edges[site], edges[before[site]]):
                np.minimum.at(radius, node[:, end], _to_segment(at[node[:, end]], edge))
    a, b = node.T
    apart = np.hypot(*(points[sites[:, 0]] - points[sites[:, 1]]).T)
    pairs = np.stack([np.repeat(sites, 2, axis=0).T.ravel(), np.tile(node.ravel(), 2)], axis=-1)
    return Spine(
        at=at,
        radius=radius,
        a=a,
        b=b,
        length=np.hypot(*(at[a] - at[b]).T),
        open=apart >= STRAIGHT * (radius[a] + radius[b]),
        sites=points,
        site_node=np.unique(pairs, axis=0),
    )


def _diagram(points: Points) -> tuple[Points, Index, Index]:
    """The Voronoi diagram of points: its vertices, (v, 2), and its finite ridges by vertices and by points, (r, 2).

    Taken from the Delaunay triangles, whose circumcentres are the vertices: that spares the lists of its cells.
    """
    triangles = Delaunay(points)
    corner, neighbour = triangles.simplices, triangles.neighbors
    a, b, c = (points[corner[:, i]] for i in range(3))
    u, v = b - a, c - a
    area = 2 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    flat = area == 0
    size_u, size_v = (u**2).sum(-1), (v**2).sum(-1)
    centre = np.stack([v[:, 1] * size_u - u[:, 1] * size_v, u[:, 0] * size_v - v[:, 0] * size_u], axis=-1)
    centre = a + centre / np.where(flat, 1.0, area)[:, None]
    centre[flat] = np.inf
    one, side = np.nonzero(neighbour > np.arange(len(corner))[:, None])  # every inner side once
    two = neighbour[one, side]
    return centre, np.stack([one, two], axis=-1), np.stack([corner[one, side - 1], corner[one, side - 2]], axis=-1)


def _along_edges(shape: Polygon, step: float) -> tuple[Points, Index]:
    """Points along all rings at most `step` apart, corners among them, and which point follows each on its ring."""
    corners, ring = shapely.get_coordinates(shapely.get_rings(shape), return_index=True)
    same = np.flatnonzero(ring[1:] == ring[:-1])
    start, way, ring = corners[same], corners[same + 1] - corners[same], ring[same]
    cuts = np.maximum(np.ceil(np.hypot(*way.T) / step - 1e-9), 1).astype(np.int64)
    row = np.repeat(np.arange(len(same)), cuts)
    share = (np.arange(len(row)) - np.repeat(np.cumsum(cuts) - cuts, cuts)) / cuts[row]
    following = np.arange(1, len(row) + 1)
    first = np.flatnonzero(np.diff(ring[row], prepend=-1))
    following[np.append(first[1:], len(row)) - 1] = first
    return start[row] + way[row] * share[:, None], following


def _to_segment(at: Points, edge: Points) -> Floats:
    """Distance from each place to its segment, (n, 2, 2)."""
    start, way = edge[:, 0], edge[:, 1] - edge[:, 0]
    size = np.maximum((way**2).sum(-1), 1e-30)
    share = np.clip(((at - start) * way).sum(-1) / size, 0.0, 1.0)
    return np.hypot(*(at - start - share[:, None] * way).T)


def held_both_ways(spine: Spine, tied: Bools) -> tuple[Bools, Bools]:
    """Which nodes hang together with tied ones by two separate ways or more, and which by any way at all.

    A part of the second kind that is not of the first hangs on one end: cutting a single edge of the spine parts it
    from every tie. Edges whose loss parts the graph are found by labelling every edge outside a spanning tree with a
    random number: a tree edge whose subtree's numbers cancel out is crossed by no other edge (the chance of an
    accidental cancellation is 2^-64).
    """
    number = np.where(tied, 0, np.cumsum(~tied))
    size = int(number.max(initial=0)) + 1
    a, b = number[spine.a], number[spine.b]
    use = a != b
    a, b = a[use], b[use]
    graph = coo_array((np.ones(len(a)), (a, b)), shape=(size, size)).tocsr()
    order, before = breadth_first_order(graph, 0, directed=False, return_predecessors=True)
    reached = np.zeros(size, dtype=bool)
    reached[order] = True
    child = np.where(before[a] == b, a, np.where(before[b] == a, b, -1))
    of_tree = np.zeros(len(a), dtype=bool)
    children, at = np.unique(child, return_index=True)
    of_tree[at[children >= 0]] = True
    label = np.zeros(size, dtype=np.uint64)
    other = np.flatnonzero(~of_tree)
    numbers = np.random.default_rng(0).integers(1, 2**63, len(other), dtype=np.uint64)
    np.bitwise_xor.at(label, a[other], numbers)
    np.bitwise_xor.at(label, b[other], numbers)
    depth = dijkstra(graph, directed=False, indices=[0], unweighted=True)[0]
    by_depth = order[np.argsort(depth[order], kind="stable")]
    starts = np.searchsorted(depth[by_depth], np.arange(int(depth[by_depth[-1]]) + 2))
    for level in range(len(starts) - 2, 0, -1):
        nodes = by_depth[starts[level] : starts[level + 1]]
        np.bitwise_xor.at(label, before[nodes], label[nodes])
    kept = ~of_tree | (label[np.maximum(child, 0)] != 0)
    _, part = connected_components(
        coo_array((np.ones(int(kept.sum())), (a[kept], b[kept])), shape=(size, size)), directed=False
    )
    return (part == part[0])[number], reached[number]
