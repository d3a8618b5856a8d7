"""Places where a trace leaves the copper of its main reference layer."""

from __future__ import annotations

import heapq
import math
from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.board.model import Bools, Ints
from quietcopper.electrical.chains import Chains, find_chains, main_references
from quietcopper.electrical.cover import Stretches, cover, stretch_lines
from quietcopper.electrical.openings import in_own_antipad, slot_reach
from quietcopper.electrical.tables import Gaps, Runs
from quietcopper.electrical.tiles import NEAR, TOUCH, Index, LayerCopper, layer_copper

NO_PATCHES = np.empty(0, dtype=np.int32)
SEAM = 10e-6  # m; no process etches an opening this narrow: it is a seam between shapes in the data
SMALL = 0.5  # of the distance to the reference: a return forced aside by less than this hardly notices


@dataclass(frozen=True)
class GapSearch:
    """The gaps, and how many uncovered stretches were not counted as gaps and why.

    antipads : within the antipad of a hole of the trace's own net
    seams : shorter than SEAM along the trace, between shapes that touch no further than a seam in the data
    small : the return is forced aside by less than SMALL times the distance to the reference. The length of the
            stretch does not enter: a slot of 0.1 mm across a trace matters as soon as it is long (own solution of the
            slot as an aperture: 0.91 nH at 0.1 mm by 10 mm, 1.15 nH at 0.25 mm by 10 mm)
    """

    gaps: Gaps
    antipads: int
    seams: int
    small: int


@dataclass(frozen=True)
class _Edge:
    """A piece of an uncovered stretch between two corners of the network, from `start` to `stop` along its trace."""

    u: int
    v: int
    trace: int
    start: float
    stop: float


@dataclass(frozen=True)
class _Way:
    """One uncovered way: edges with their sense, and the areas (positions in the layer's copper) before and after."""

    edges: tuple[tuple[_Edge, bool], ...]
    before: int
    after: int


def find_gaps(board: Board, runs: Runs, patches: Ints = NO_PATCHES) -> Gaps:
    """Gaps under all traces, ordered by layer, reference and the trace row where they begin. patches : rows in
    board.areas that carry no return."""
    return search_gaps(board, runs, patches).gaps


def search_gaps(board: Board, runs: Runs, patches: Ints = NO_PATCHES) -> GapSearch:
    """Gaps under all traces and the count of what was left out.

    A way over several segments, through joints and pads, is one gap. Where an uncovered stretch branches, its longest
    way is one gap and each further branch, from where it leaves that way, another. Copper of the trace's own net does
    not cover it. A chain that its reference layer does not cover anywhere has no gap.
    """
    chains = find_chains(board)
    main = main_references(board, runs, chains)
    tables: list[Gaps] = []
    antipads = seams = small = 0
    keys = np.unique(np.stack([board.traces.layer, main], axis=1)[main >= 0], axis=0)
    for layer, reference in keys.tolist():
        members = np.flatnonzero((board.traces.layer == layer) & (main == reference))
        copper = layer_copper(board, reference).without(patches)
        ways = _uncovered_ways(board, copper, members, chains)
        lines = _lines(board, ways)
        nets = np.array([board.traces.net[way.edges[0][0].trace] for way in ways], dtype=np.int64)
        own = in_own_antipad(board, lines, nets, reference)
        own &= np.array([_rejoined(copper, way) for way in ways], dtype=np.bool_)
        rows = []
        for way, line in ((ways[i], lines[i]) for i in np.flatnonzero(~own)):
            length = sum(edge.stop - edge.start for edge, _ in way.edges)
            if length < SEAM:
                seams += 1
                continue
            slot = _slot(copper, way, line)
            if slot < SMALL * board.distance(min(layer, reference), max(layer, reference)):
                small += 1
                continue
            trace = way.edges[0][0].trace
            middle = line.interpolate(0.5, normalized=True)
            after = -1 if way.after < 0 else copper.rows[way.after]
            start = (trace, board.traces.net[trace], layer, reference, copper.rows[way.before], after)
            rows.append((*start, middle.x, middle.y, length, slot, board.traces.width[trace], line))
        antipads += int(own.sum())
        tables.append(Gaps.from_rows(sorted(rows, key=lambda row: (row[0], row[6], row[7]))))
    if not tables:
        return GapSearch(Gaps.empty(), 0, 0, 0)
    columns = {name: np.concatenate([getattr(t, name) for t in tables]) for name in Gaps.__dataclass_fields__}
    return GapSearch(Gaps(**columns), antipads, seams, small)


def runs_in_own_antipads(board: Board, runs: Runs, main: Index) -> Bools:
    """Which runs lie within the antipad of a hole of their own net, where their main reference has none of its copper.

    Such a run is part of the way down the hole, not of the line. main : layer by trace row, see `main_references`
    """
    reference = main[runs.trace]
    bare = (reference >= 0) & (runs.above_layer != reference) & (runs.below_layer != reference)
    out = np.zeros(len(runs), dtype=np.bool_)
    for layer in np.unique(reference[bare]).tolist():
        rows = np.flatnonzero(bare & (reference == layer))
        out[rows] = in_own_antipad(board, runs.line[rows], runs.net[rows].astype(np.int64), layer)
    return out


def _rejoined(copper: LayerCopper, way: _Way) -> bool:
    """Whether the copper before and after is one on its layer, or there is none after."""
    return way.after < 0 or copper.joined[way.before] == copper.joined[way.after]


def _slot(copper: LayerCopper, way: _Way, line: shapely.LineString) -> float:
    if way.after < 0:
        end = shapely.get_point(line, -1)
        _, distance = copper.tree.query_nearest(end, return_distance=True, all_matches=False)
        return float(distance[0])
    if way.before == way.after:
        return slot_reach(copper, way.before, line)
    if not _rejoined(copper, way):
        return float("inf")
    together = np.flatnonzero(copper.joined == copper.joined[way.before])
    # shapes that only touch but for rounding: closed up for the measure
    whole = shapely.union_all(shapely.buffer(copper.shapes[together], TOUCH))
    shape = np.empty(1, dtype=object)
    shape[0] = shapely.buffer(whole, -TOUCH)
    merged = LayerCopper(copper.rows[together[:1]], shape, copper.nets[together[:1]])
    return slot_reach(merged, 0, line)


def _lines(board: Board, ways: list[_Way]) -> NDArray[np.object_]:
    """Centre lines of ways, joined over their edges, in the sense from before to after."""
    edges = [edge for way in ways for edge, _ in way.edges]
    trace = np.array([edge.trace for edge in edges], dtype=np.int64)
    start = np.array([edge.start for edge in edges], dtype=np.float64)
    stop = np.array([edge.stop for edge in edges], dtype=np.float64)
    pieces = stretch_lines(board.traces, trace, start, stop)
    points: list[NDArray[np.float64]] = []
    rows = []
    at = 0
    corners, of_piece = shapely.get_coordinates(pieces, return_index=True)
    every = np.split(corners, np.flatnonzero(np.diff(of_piece)) + 1)
    for i, way in enumerate(ways):
        last = None
        for _, backwards in way.edges:
            one = every[at][::-1] if backwards else every[at]
            if last is not None and math.hypot(*(last - one[0])) <= TOUCH:
                one = one[1:]
            points.append(one)
            rows.append(np.full(len(one), i))
            last = one[-1] if len(one) else last
            at += 1
    if not ways:
        return np.empty(0, dtype=object)
    return np.asarray(shapely.linestrings(np.concatenate(points), indices=np.concatenate(rows)))


def _uncovered_ways(board: Board, copper: LayerCopper, members: Index, chains: Chains) -> list[_Way]:
    """All ways of the given traces that the copper does not cover."""
    traces = board.traces
    whole = Stretches.of(traces)
    cut = cover(copper, traces, whole.take(np.isin(whole.trace, members)), traces.net)
    bare = np.flatnonzero(cut.value < 0)
    if not len(bare):
        return []
    # which intervals each joint lies in: intervals of a trace stand together, in order
    low = np.searchsorted(cut.trace, chains.trace, side="left")
    count = np.searchsorted(cut.trace, chains.trace, side="right") - low
    joint = np.repeat(np.arange(len(chains.trace)), count)
    interval = np.repeat(low, count) + np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    along = chains.along[joint]
    inside = (along >= cut.start[interval] - NEAR) & (along <= cut.stop[interval] + NEAR)
    joint, interval, along = joint[inside], interval[inside], along[inside]
    node = chains.node[joint]
    area_of_node = np.full(int(chains.node.max(initial=0)) + 1, -1, dtype=np.int64)
    met = cut.value[interval] >= 0
    area_of_node[node[met]] = cut.value[interval[met]]

    places: dict[int, list[tuple[float, int]]] = defaultdict(list)
    on_bare = np.flatnonzero(~met)
    for i, n, s in zip(interval[on_bare].tolist(), node[on_bare].tolist(), along[on_bare].tolist(), strict=True):
        places[i].append((s, n))
    area: dict[int, int] = {}  # of corners where covered copper begins
    edges: list[_Edge] = []
    fresh = len(area_of_node)
    for i in bare.tolist():
        trace, start, stop = int(cut.trace[i]), float(cut.start[i]), float(cut.stop[i])
        corners = [(min(max(s, start), stop), n) for s, n in sorted(places[i])]
        if not corners or corners[0][0] > start + NEAR:
            corners.insert(0, (start, -1))
        if corners[-1][0] < stop - NEAR:
            corners.append((stop, -1))
        named = []
        for s, n in corners:
            known = -1 if n < 0 else int(area_of_node[n])
            if n < 0:
                beside = i - 1 if s <= start + NEAR else i + 1
                known = int(cut.value[beside])
            # covered corners end a way, so every stretch that meets one gets a corner of its own
            if n < 0 or known >= 0:
                n, fresh = fresh, fresh + 1
            if known >= 0:
                area[n] = known
            named.append((s, n))
        edges += [_Edge(u, v, trace, a, b) for (a, u), (b, v) in pairwise(named)]
    return _ways(edges, area)


def _ways(edges: list[_Edge], area: dict[int, int]) -> list[_Way]:
    """The uncovered network taken apart into ways, in the order of their first edges."""
    at: dict[int, list[int]] = defaultdict(list)
    for i, edge in enumerate(edges):
        at[edge.u].append(i)
        at[edge.v].append(i)
    out: list[_Way] = []
    seen: set[int] = set()
    for i, edge in enumerate(edges):
        if i in seen:
            continue
        patch, stack = [], [i]
        seen.add(i)
        while stack:
            j = stack.pop()
            patch.append(j)
            for k in at[edges[j].u] + at[edges[j].v]:
                if k not in seen:
                    seen.add(k)
                    stack.append(k)
        corners = sorted({c for j in patch for c in (edges[j].u, edges[j].v)})
        covered = [c for c in corners if c in area]
        loose = [c for c in corners if c not in area and len(at[c]) == 1]
        if len(patch) == 1 and covered:
            ends = (edge.u, edge.v) if edge.u in area else (edge.v, edge.u)
            out.append(_Way(((edge, ends[0] != edge.u),), area[ends[0]], area.get(ends[1], -1)))
        elif covered:
            out += _patch_ways(edges, at, area, covered, loose)
    return out


def _patch_ways(
    edges: list[_Edge], at: dict[int, list[int]], area: dict[int, int], covered: list[int], loose: list[int]
) -> list[_Way]:
    """The longest way through one uncovered network, then its branches."""

    def spread(sources: list[int]) -> tuple[dict[int, float], dict[int, tuple[int, int]]]:
        """Shortest distance of every corner from the sources, and the edge and corner it is reached from."""
        far = dict.fromkeys(sources, 0.0)
        back: dict[int, tuple[int, int]] = {}
        queue = [(0.0, c) for c in sources]
        while queue:
            distance, c = heapq.heappop(queue)
            if distance > far[c]:
                continue
            for j in at[c]:
                other = edges[j].v if edges[j].u == c else edges[j].u
                further = distance + edges[j].stop - edges[j].start
                if further < far.get(other, np.inf):
                    far[other], back[other] = further, (j, c)
                    heapq.heappush(queue, (further, other))
        return far, back

    def way(end: int, back: dict[int, tuple[int, int]], turned: bool) -> tuple[list[tuple[_Edge, bool]], list[int]]:
        """Edges from the source to `end` (turned: from `end` to the source), and the corners passed."""
        steps, corners = [], [end]
        while end in back:
            j, before = back[end]
            steps.append((edges[j], (edges[j].v == end) == turned))
            corners.append(before)
            end = before
        return (steps if turned else steps[::-1]), corners

    best: tuple[bool, float, int, int] | None = None  # a way from one area to another before one that comes back
    for c in covered:
        far, _ = spread([c])
        for other in covered if len(covered) > 1 else loose or list(far):
            one = (area.get(other) != area[c], far[other] - NEAR, c, other)
            if other != c and (best is None or one[:2] > best[:2]):
                best = (one[0], far[other], c, other)
    if best is None:
        return []
    first, last = best[2:]
    _, back = spread([first])
    steps, corners = way(last, back, turned=False)
    out = [_Way(tuple(steps), area[first], area.get(last, -1))]
    used = set(corners)
    for end in [c for c in (*covered, *loose) if c not in (first, last)]:
        _, back = spread(sorted(used))
        steps, corners = way(end, back, turned=end in area)
        used.update(corners)
        if steps and end in area:
            out.append(_Way(tuple(steps), area[end], area[first]))
        elif steps:
            out.append(_Way(tuple(steps), area[first], -1))
    return out
