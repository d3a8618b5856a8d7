"""What changed on the board between two revisions, whatever the findings say: stackup, parts, nets, copper, holes.

Both boards are laid on each other first (their files may have different origins). Nets that bear another name are
recognised by the places of their pads and holes, so that a revision whose files name no nets can be compared as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from quietcopper.board import Board
from quietcopper.board.model import Bools, Floats, Ints
from quietcopper.board.naming import natural
from quietcopper.units import MM

SAME_SPOT = 20e-6  # m; drill files round to 2.5 µm and more, layers to less
SAME_SIZE = 1e-3  # of a pad's area
MOVED = 50e-6  # m; a part that moved less has not been moved: its place may be the mean of its rounded pins
TURNED = math.radians(0.5)
ROUTED_ANEW = 0.1e-3  # m of trace on a layer, by which a net counts as routed differently
ALIKE = 0.3  # of a net's filled copper, or of its pads and holes, that must lie where the other net's do
GRID = 0.5e-3  # m; pitch of the points at which filled copper is compared, wider on large boards
MOST_POINTS = 40_000
LEAST_AREA = 1e-9  # m², 0.001 mm²: less is rounding

Indices = NDArray[np.integer[Any]]
Seen = tuple[
    Indices, Indices, Indices
]  # (2, n) old and new net of each witness; how many witnesses each old, each new net has


@dataclass(frozen=True)
class Laid:
    """How two boards lie on each other. shift : from old to new, m;  layers : pairs of layer indices, old and new;
    nets : of every old net the new one, -1 for none, by index;  nets[0] = 0
    """

    shift: tuple[float, float]
    layers: tuple[tuple[int, int], ...]
    nets: Ints


def lay(old: Board, new: Board) -> Laid:
    """Both boards laid on each other."""
    layers = _layer_pairs(old, new)
    shift = _shift(old, new, layers)
    return Laid(shift, layers, _same_nets(old, new, layers, shift))


def _layer_pairs(old: Board, new: Board) -> tuple[tuple[int, int], ...]:
    """By position where there are as many; else the outer ones, and inner ones of one name."""
    if len(old.layers) == len(new.layers):
        return tuple((i, i) for i in range(len(old.layers)))
    pairs = {0: 0, len(old.layers) - 1: len(new.layers) - 1}
    for i, layer in enumerate(old.layers[1:-1], start=1):
        j = new.layer_index.get(layer.name)
        if j is not None and 0 < j < len(new.layers) - 1:
            pairs[i] = j
    return tuple(sorted(pairs.items()))


def _spots(board: Board) -> Floats:
    """Middles of pads and holes as (n, 3): x, y, and the layer in metres (holes: -1), for nearest searches."""
    pads, vias = board.pads, board.vias
    return np.concatenate(
        [
            np.stack([pads.x, pads.y, pads.layer.astype(np.float64)], axis=-1),
            np.stack([(vias.x + vias.x1) / 2, (vias.y + vias.y1) / 2, np.full(len(vias), -1.0)], axis=-1),
        ]
    )


def _moved(spots: Floats, shift: Sequence[float], layers: tuple[tuple[int, int], ...]) -> Floats:
    """Spots of the old board where they lie on the new one; those on layers that it lacks far away."""
    to = np.full(int(spots[:, 2].max(initial=0.0)) + 2, -9.0)
    to[-1] = -1.0  # holes
    for i, j in layers:
        if i < len(to) - 1:
            to[i] = j
    return np.column_stack([spots[:, :2] + shift, to[spots[:, 2].astype(np.int64)]])


def _nearest(tree: cKDTree, points: Floats) -> Indices:
    """Row of the tree's point within SAME_SPOT of each point, -1 for none."""
    answer = tree.query(points, distance_upper_bound=SAME_SPOT)
    distance, row = (np.asarray(column) for column in answer)
    return np.where(np.isfinite(distance), row, -1)


def _shift(old: Board, new: Board, layers: tuple[tuple[int, int], ...]) -> tuple[float, float]:
    """None, or that between the outlines' corners, whichever lets more pads and holes meet."""
    shifts = [(0.0, 0.0)]
    if not (old.outline.is_empty or new.outline.is_empty):
        a, b = old.outline.bounds, new.outline.bounds
        shifts += [(b[i] - a[i], b[k] - a[k]) for i, k in ((0, 1), (2, 1), (0, 3), (2, 3))]
    before, now = _spots(old), _spots(new)
    if not len(before) or not len(now):
        return shifts[0]
    tree = cKDTree(now)
    met = [int((_nearest(tree, _moved(before, s, layers)) >= 0).sum()) for s in shifts]
    return shifts[int(np.argmax(met))]


def _same_nets(old: Board, new: Board, layers: tuple[tuple[int, int], ...], shift: tuple[float, float]) -> Ints:
    """Nets of one name, then those whose filled copper, and those whose pads and holes, lie on one
    another."""
    out = np.full(len(old.nets), -1, dtype=np.int32)
    out[0] = 0
    for i, name in enumerate(old.nets[1:], start=1):
        out[i] = new.net_index.get(name, -1)
    taken = np.zeros(len(new.nets), dtype=np.bool_)
    taken[out[out >= 0]] = True
    # the copper of a plane tells more than its pins, which move with the parts
    for seen in (_filled_alike(old, new, layers, shift), _met(old, new, layers, shift)):
        _take_over(out, taken, *seen)
    return out


def _met(old: Board, new: Board, layers: tuple[tuple[int, int], ...], shift: tuple[float, float]) -> Seen:
    """Pads and holes that lie on one spot."""
    a = np.concatenate([old.pads.net, old.vias.net])
    b = np.concatenate([new.pads.net, new.vias.net])
    sizes = np.bincount(a, minlength=len(old.nets)), np.bincount(b, minlength=len(new.nets))
    if not len(a) or not len(b):
        return np.zeros((2, 0), dtype=np.int32), *sizes
    hit = _nearest(cKDTree(_spots(new)), _moved(_spots(old), shift, layers))
    rows = np.flatnonzero(hit >= 0)
    return np.stack([a[rows], b[hit[rows]]]), *sizes


def _filled_alike(old: Board, new: Board, layers: tuple[tuple[int, int], ...], shift: tuple[float, float]) -> Seen:
    """Points of a grid over the board that lie in filled copper of both."""
    x0, y0, x1, y1 = new.outline.bounds if not new.outline.is_empty else (0.0, 0.0, 0.0, 0.0)
    pitch = max(GRID, math.sqrt((x1 - x0) * (y1 - y0) / MOST_POINTS))
    x, y = np.meshgrid(np.arange(x0 + pitch / 2, x1, pitch), np.arange(y0 + pitch / 2, y1, pitch))
    grid = np.stack([x.ravel(), y.ravel()], axis=-1)
    pairs = [np.zeros((2, 0), dtype=np.int32)]
    sizes = np.zeros(len(old.nets), dtype=np.int64), np.zeros(len(new.nets), dtype=np.int64)
    for i, j in layers:
        at = [_net_at(old, i, grid - shift), _net_at(new, j, grid)]
        for size, nets in zip(sizes, at, strict=True):
            size += np.bincount(nets, minlength=len(size))
        pairs.append(np.stack(at)[:, (at[0] > 0) & (at[1] > 0)])
    return np.concatenate(pairs, axis=1), *sizes


def _net_at(board: Board, layer: int, points: Floats) -> Ints:
    """Net of the area at each point, 0 for none."""
    out = np.zeros(len(points), dtype=np.int32)
    rows = np.flatnonzero(board.areas.layer == layer)
    point, area = shapely.STRtree(shapely.points(points)).query(board.areas.shape[rows], "contains_properly")[::-1]
    out[point] = board.areas.net[rows[area]]
    return out


def _take_over(out: Ints, taken: Bools, pairs: Indices, size_a: Indices, size_b: Indices) -> None:
    """Marks as one the nets whose witnesses point at each other, surest first; out and taken are filled."""
    open_ = (out[pairs[0]] < 0) & ~taken[pairs[1]]
    found, votes = np.unique(pairs[:, open_], axis=1, return_counts=True)
    for k in np.lexsort((found[1], found[0], -votes)):
        i, j = int(found[0, k]), int(found[1, k])
        if out[i] < 0 and not taken[j] and votes[k] >= ALIKE * min(size_a[i], size_b[j]):
            out[i], taken[j] = j, True


def board_changes(old: Board, new: Board, laid: Laid) -> dict[str, Any]:
    """What differs, as plain data; lengths in mm, areas in mm²."""
    return {
        "origin_moved_mm": [v / MM for v in laid.shift],
        "outline_mm": _both(_size(old), _size(new)),
        "layer_names": _both([layer.name for layer in old.layers], [layer.name for layer in new.layers]),
        "dielectrics": _dielectrics(old, new),
        "layers": [_layer(old, new, laid, pair) for pair in laid.layers],
        "holes": _holes(old, new, laid.shift),
        "nets": _nets(old, new, laid),
        "parts": _parts(old, new, laid.shift),
    }


def _both(before: Any, after: Any) -> dict[str, Any]:
    return {"before": before, "after": after}


def _size(board: Board) -> list[float]:
    if board.outline.is_empty:
        return [0.0, 0.0]
    x0, y0, x1, y1 = board.outline.bounds
    return [round((x1 - x0) / MM, 3), round((y1 - y0) / MM, 3)]


def _dielectrics(old: Board, new: Board) -> list[dict[str, Any]]:
    """Sheets that differ, where there are as many layers as before."""
    if len(old.layers) != len(new.layers):
        return []
    out = []
    for i, (a, b) in enumerate(zip(old.dielectrics, new.dielectrics, strict=True)):
        if abs(a.thickness - b.thickness) > 1e-7 or abs(a.er - b.er) > 1e-6:
            sheets = [{"thickness_mm": d.thickness / MM, "er": d.er} for d in (a, b)]
            out.append({"between": [i + 1, i + 2], **_both(*sheets)})
    return out


def _layer(old: Board, new: Board, laid: Laid, pair: tuple[int, int]) -> dict[str, Any]:
    """Traces, areas and pads of one layer: how much before and now, how much went and came."""
    before, now = (_Routed.of(board, layer) for board, layer in zip((old, new), pair, strict=True))
    before = before.moved(laid.shift)
    areas = [
        shapely.union_all(board.areas.shape[board.areas.layer == layer])
        for board, layer in zip((old, new), pair, strict=True)
    ]
    areas[0] = shapely.transform(areas[0], lambda xy: xy + laid.shift)
    gone, come = (shapely.area(shapely.difference(a, b)) for a, b in (areas, areas[::-1]))
    pads = _pads(old, new, laid.shift, pair)
    return {
        "before": pair[0] + 1,
        "after": pair[1] + 1,
        "name": new.layers[pair[1]].name,
        "trace_mm": _both(before.total / MM, now.total / MM),
        "trace_removed_mm": before.not_in(now) / MM,
        "trace_added_mm": now.not_in(before) / MM,
        "trace_rewidened_mm": now.other_width(before) / MM,
        "area_mm2": _both(areas[0].area / MM**2, areas[1].area / MM**2),
        "area_removed_mm2": gone / MM**2 if gone > LEAST_AREA else 0.0,
        "area_added_mm2": come / MM**2 if come > LEAST_AREA else 0.0,
        **pads,
    }


@dataclass(frozen=True, eq=False)
class _Routed:
    """Traces of one layer. lines : shape (n,);  ends : (n, 6) x, y of start, end and middle;  width, length : m"""

    lines: np.ndarray
    ends: Floats
    width: Floats
    length: Floats

    @classmethod
    def of(cls, board: Board, layer: int) -> _Routed:
        rows = np.flatnonzero((board.traces.layer == layer) & (board.traces.length > 0))
        t = board.traces
        lines = t.lines[rows]
        middle = shapely.get_coordinates(shapely.line_interpolate_point(lines, 0.5, normalized=True))
        ends = np.column_stack([t.x0[rows], t.y0[rows], t.x1[rows], t.y1[rows], middle.reshape(-1, 2)])
        return cls(lines, ends, t.width[rows], t.length[rows])

    def moved(self, shift: tuple[float, float]) -> _Routed:
        if shift == (0.0, 0.0):
            return self
        lines = shapely.transform(self.lines, lambda xy: xy + shift)
        return _Routed(lines, self.ends + np.tile(np.asarray(shift), 3), self.width, self.length)

    @property
    def total(self) -> float:
        return float(self.length.sum())

    def _partners(self, other: _Routed) -> Indices:
        """The like segment among the other traces, drawn in either direction, -1 for none."""
        if not len(self.lines) or not len(other.lines):
            return np.full(len(self.lines), -1)
        turned = other.ends[:, [2, 3, 0, 1, 4, 5]]
        hit = _nearest(cKDTree(np.concatenate([other.ends, turned])), self.ends)
        return np.where(hit >= 0, hit % len(other.lines), -1)

    def not_in(self, other: _Routed) -> float:
        """Length that runs where no trace of the other runs, m; how it is cut into segments plays no part."""
        rows = np.flatnonzero(self._partners(other) < 0)
        if not len(rows):
            return 0.0
        if not len(other.lines):
            return self.total
        near = np.unique(shapely.STRtree(other.lines).query(self.lines[rows], "dwithin", SAME_SPOT)[1])
        cover = shapely.buffer(shapely.union_all(other.lines[near]), SAME_SPOT)
        return float(shapely.length(shapely.difference(shapely.union_all(self.lines[rows]), cover)))

    def other_width(self, other: _Routed) -> float:
        """Length of segments that the other has with another width, m."""
        partner = self._partners(other)
        rows = np.flatnonzero(partner >= 0)
        differs = np.abs(self.width[rows] - other.width[partner[rows]]) > 1e-6
        return float(self.length[rows[differs]].sum())


def _pads(old: Board, new: Board, shift: tuple[float, float], pair: tuple[int, int]) -> dict[str, Any]:
    """Pads that went, came, or have another size at the same place."""
    (a, a_size), (b, b_size) = (
        (np.stack([board.pads.x[rows], board.pads.y[rows]], axis=-1), shapely.area(board.pads.shape[rows]))
        for board, rows in zip((old, new), (old.pads.layer == pair[0], new.pads.layer == pair[1]), strict=True)
    )
    gone, come, hit = _paired(a + shift, b)
    both = np.flatnonzero(hit >= 0)
    resized = np.abs(a_size[both] / b_size[hit[both]] - 1) > SAME_SIZE if len(both) else np.zeros(0)
    return {
        "pads": _both(len(a), len(b)),
        "pads_removed": gone,
        "pads_added": come,
        "pads_resized": int(resized.sum()),
    }


def _paired(a: Floats, b: Floats) -> tuple[int, int, Indices]:
    """Rows of a without one of b at the same spot, those of b without one of a, and the partner of each row of a."""
    if not len(a) or not len(b):
        return len(a), len(b), np.full(len(a), -1)
    hit, back = _nearest(cKDTree(b), a), _nearest(cKDTree(a), b)
    return int((hit < 0).sum()), int((back < 0).sum()), hit


def _holes(old: Board, new: Board, shift: tuple[float, float]) -> dict[str, Any]:
    a, b = (np.stack([(v.x + v.x1) / 2, (v.y + v.y1) / 2], axis=-1) for v in (old.vias, new.vias))
    gone, come, hit = _paired(a + shift, b)
    both = np.flatnonzero(hit >= 0)
    redrilled = np.abs(old.vias.drill[both] - new.vias.drill[hit[both]]) > SAME_SPOT
    return {**_both(len(a), len(b)), "removed": gone, "added": come, "redrilled": int(redrilled.sum())}


def _nets(old: Board, new: Board, laid: Laid) -> dict[str, Any]:
    kept = np.flatnonzero(laid.nets[1:] > 0) + 1
    added = np.ones(len(new.nets), dtype=np.bool_)
    added[0] = False
    added[laid.nets[kept]] = False
    renamed = [(old.nets[i], new.nets[laid.nets[i]]) for i in kept if old.nets[i] != new.nets[laid.nets[i]]]
    return {
        **_both(len(old.nets) - 1, len(new.nets) - 1),
        "unnamed": _both(_unnamed(old), _unnamed(new)),
        "removed": [old.nets[i] for i in np.flatnonzero(laid.nets < 0)],
        "added": [new.nets[i] for i in np.flatnonzero(added)],
        "renamed": [_both(*pair) for pair in renamed],
        "rerouted": _rerouted(old, new, laid),
    }


def _unnamed(board: Board) -> int:
    """How many nets have a name that was made for them because the files give none."""
    return sum(int(a.value) for a in board.assumptions if a.what == "net names")


def _rerouted(old: Board, new: Board, laid: Laid) -> list[dict[str, Any]]:
    """Nets of both boards whose trace length on a layer differs, most first."""
    before = np.zeros((len(new.nets), len(laid.layers)))
    now = np.zeros_like(before)
    for k, (i, j) in enumerate(laid.layers):
        mine = (old.traces.layer == i) & (laid.nets[old.traces.net] > 0)
        np.add.at(before[:, k], laid.nets[old.traces.net[mine]], old.traces.length[mine])
        theirs = new.traces.layer == j
        np.add.at(now[:, k], new.traces.net[theirs], new.traces.length[theirs])
    kept = np.unique(laid.nets[laid.nets > 0])
    change = np.abs(now - before)
    rows = [net for net in kept.tolist() if change[net].max(initial=0.0) > ROUTED_ANEW]
    rows.sort(key=lambda net: (-round(float(change[net].sum()), 6), new.nets[net]))
    return [
        {"net": new.nets[net], "trace_mm": _both(float(before[net].sum()) / MM, float(now[net].sum()) / MM)}
        for net in rows
    ]


def _parts(old: Board, new: Board, shift: tuple[float, float]) -> dict[str, Any]:
    a, b = ({str(ref): i for i, ref in enumerate(board.parts.ref)} for board in (old, new))
    gone, come = sorted(a.keys() - b.keys(), key=natural), sorted(b.keys() - a.keys(), key=natural)
    moved = list[dict[str, Any]]()
    exchanged = list[dict[str, Any]]()
    for ref in sorted(a.keys() & b.keys(), key=natural):
        i, j = a[ref], b[ref]
        by = np.array([new.parts.x[j] - old.parts.x[i], new.parts.y[j] - old.parts.y[i]]) - shift
        turn = float(new.parts.rotation[j] - old.parts.rotation[i])
        turn = abs((turn + math.pi) % (2 * math.pi) - math.pi) if math.isfinite(turn) else 0.0
        flipped = bool(old.parts.side[i] != new.parts.side[j])
        if float(np.hypot(*by)) > MOVED or turn > TURNED or flipped:
            moved.append(
                {
                    "ref": ref,
                    "by_mm": [round(float(v) / MM, 3) + 0.0 for v in by],
                    "turned_deg": round(math.degrees(turn), 1),
                    "flipped": flipped,
                }
            )
        was = (str(old.parts.value[i]), str(old.parts.package[i]))
        now = (str(new.parts.value[j]), str(new.parts.package[j]))
        if any(x and y and x != y for x, y in zip(was, now, strict=True)):
            exchanged.append({"ref": ref, **_both(" ".join(was).strip(), " ".join(now).strip())})
    moved.sort(key=lambda m: -round(math.hypot(m["by_mm"][0], m["by_mm"][1]), 3))
    return {**_both(len(a), len(b)), "removed": gone, "added": come, "moved": moved, "exchanged": exchanged}
