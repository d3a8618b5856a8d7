"""Which two nets form a differential pair: by name, confirmed by shared parts and by running side by side.

Closeness alone never makes a pair: two neighbouring lines of a bus run as close as any pair.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely

from quietcopper.board import Board
from quietcopper.board.model import Ints
from quietcopper.electrical.names import named_by_pin, pair_names
from quietcopper.electrical.parts import CAPACITOR, FERRITE, INDUCTOR, RESISTOR, PartKind, part_kinds
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.tables import SIGNAL, Pair, Role

GOOD_SHARE = 0.3  # of the shorter line's length side by side; common practice, no source
SHORT = 3e-3  # m; below this there is not enough line to judge


def differential_pairs(board: Board, roles: tuple[Role, ...], settings: Settings) -> tuple[Pair, ...]:
    """Pairs of signal nets, ordered by the positive line's index; the settings' `pair_with` goes first.

    Of two lines paired in the settings, the one that says so is positive, unless the names say otherwise.
    """
    geometry = _Geometry(board)
    taken: set[int] = set()
    out: list[Pair] = []

    def add(positive: int, negative: int, reason: str) -> None:
        if positive != negative and not taken & {positive, negative}:
            taken.update((positive, negative))
            out.append(Pair(positive, negative, reason))

    named = pair_names(board.nets)
    order = {frozenset((p, n)): (p, n) for p, n, _ in named}
    alone: set[int] = set()
    for net, name in enumerate(board.nets):
        said = settings.for_net(name) if net else None
        if said is None or said.pair_with is None:
            continue
        other = board.net_index.get(said.pair_with)
        if said.pair_with == "":
            alone.add(net)
        elif other:
            inferred = order.get(frozenset((net, other)))
            why = geometry.confirmed(*inferred, "") if inferred and not settings.counts_as_given(said) else None
            if why is None:
                add(*(inferred or (net, other)), "set in the settings file")
    taken |= alone
    for positive, negative, clause in named:
        if roles[positive].kind == roles[negative].kind == SIGNAL:
            reason = geometry.confirmed(positive, negative, clause)
            if reason is not None:
                add(positive, negative, reason)
    for pair in list(out):
        for positive, negative, by in geometry.beyond(pair):
            if roles[positive].kind == roles[negative].kind == SIGNAL:
                add(positive, negative, f"beyond {by} of the pair {board.nets[pair.positive]}")
    return tuple(sorted(out, key=lambda p: (p.positive, p.negative)))


@dataclass(eq=False)
class _Geometry:
    """Parts and traces of nets, looked up when a pair is to be confirmed."""

    board: Board
    kinds: tuple[PartKind, ...] = ()
    parts_on: dict[int, set[int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.kinds = part_kinds(self.board)
        for part, kind in enumerate(self.kinds):
            for net in kind.nets:
                self.parts_on.setdefault(net, set()).add(part)
        self.order: Ints = np.argsort(self.board.traces.net, kind="stable").astype(np.int32)
        self.starts = np.searchsorted(self.board.traces.net[self.order], np.arange(len(self.board.nets) + 1))

    def rows(self, net: int) -> Ints:
        return self.order[self.starts[net] : self.starts[net + 1]]

    def confirmed(self, a: int, b: int, clause: str) -> str | None:
        """The reason why two nets with a pair's names are one, None when parts and traces speak against it."""
        both = self.parts_on.get(a, set()) & self.parts_on.get(b, set())
        known = a in self.parts_on or b in self.parts_on
        share, length = self.alongside(a, b)
        near = share >= GOOD_SHARE
        refs = " and ".join(sorted(str(self.board.parts.ref[p]) for p in both)[:2])
        side = f"side by side over {100 * share:.0f} % of the shorter line"
        if known and (not both or any(self._holds(part) for part in both)):
            return None
        if named_by_pin(self.board.nets[a]) and not (near and length >= SHORT):
            return None  # the inputs of one amplifier are no line
        if not known:
            return f"{clause}, {side}" if near and length >= SHORT else None
        if near or length < SHORT:
            return f"{clause}, both on {refs}" + (f", {side}" if length >= SHORT else "")
        # at both ends on the same parts, yet routed apart: a pair that its layout neglects
        return f"{clause}, both on {refs}, though {side} only" if len(both) >= 2 else None

    def _holds(self, part: int) -> bool:
        """A capacitor that lies straight across both lines, as that of a charge pump does: no pair has one."""
        kind = self.kinds[part]
        return kind.kind == CAPACITOR and kind.pins == 2 and (kind.value is None or kind.value >= 0.9e-9)

    def alongside(self, a: int, b: int) -> tuple[float, float]:
        """Share of the shorter net's trace length that runs beside the other, and that length (m).

        Beside: on the same layer, edge to edge no further than twice the wider trace or 0.3 mm (common practice).
        """
        traces = self.board.traces
        one, other = self.rows(a), self.rows(b)
        if traces.length[one].sum() > traces.length[other].sum():
            one, other = other, one
        total = float(traces.length[one].sum())
        beside = 0.0
        for layer in np.intersect1d(traces.layer[one], traces.layer[other]):
            mine, theirs = one[traces.layer[one] == layer], other[traces.layer[other] == layer]
            width = max(traces.width[mine].max(), traces.width[theirs].max())
            reach = width + max(2 * width, 0.3e-3)
            zone = shapely.union_all(shapely.buffer(traces.lines[theirs], reach, cap_style="flat", quad_segs=4))
            shapely.prepare(zone)
            beside += float(shapely.length(shapely.intersection(traces.lines[mine], zone)).sum())
        return (min(beside / total, 1.0) if total > 0 else 0.0), total

    def beyond(self, pair: Pair) -> list[tuple[int, int, str]]:
        """Nets behind equal series parts of a pair that meet again at a part: (positive, negative, by which parts)."""
        kinds = (CAPACITOR, RESISTOR, INDUCTOR, FERRITE)

        def series(net: int) -> list[tuple[int, int]]:
            rows = sorted(self.parts_on.get(net, ()))
            fit = [
                p for p in rows if self.kinds[p].kind in kinds and self.kinds[p].pins == len(self.kinds[p].nets) == 2
            ]
            return [(p, next(n for n in self.kinds[p].nets if n != net)) for p in fit]

        out = []
        parts = self.board.parts
        for part, far in series(pair.positive):
            for mate, other in series(pair.negative):
                alike = (self.kinds[part].kind, parts.value[part]) == (self.kinds[mate].kind, parts.value[mate])
                meet = self.parts_on.get(far, set()) & self.parts_on.get(other, set()) - {part, mate}
                if alike and part != mate and far != other and meet and self.alongside(far, other)[0] >= GOOD_SHARE:
                    out.append((far, other, f"{parts.ref[part]} and {parts.ref[mate]}"))
        return out
