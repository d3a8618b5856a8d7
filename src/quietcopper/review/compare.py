"""Two revisions of one board: what was cured, what remains, what is new, in dB."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np

from quietcopper.board import Board
from quietcopper.findings import Comparison, Finding, Matched, Result
from quietcopper.review.look import Looked

SAME_PLACE = 3e-3  # m; a finding that moved less than this and means the same is the same


def match_findings(old: Result | Looked, new: Result | Looked) -> list[tuple[Finding | None, Finding | None]]:
    """Pairs of findings that mean the same thing: by id first, then by check, nets and nearest place."""
    left = {f.id: f for f in (*new.findings, *new.passing)}
    pairs: list[tuple[Finding | None, Finding | None]] = []
    open_old: list[Finding] = []
    for finding in (*old.findings, *old.passing):
        other = left.pop(finding.id, None)
        if other is not None:
            pairs.append((finding, other))
        else:
            open_old.append(finding)
    by_meaning: dict[tuple[str, tuple[str, ...]], list[Finding]] = defaultdict(list)
    for finding in left.values():
        by_meaning[finding.check, tuple(sorted(finding.place.nets))].append(finding)
    for finding in open_old:
        candidates = by_meaning[finding.check, tuple(sorted(finding.place.nets))]
        near = [(float(np.hypot(*np.subtract(c.place.at, finding.place.at))), c.id, c) for c in candidates]
        near = [n for n in near if n[0] <= SAME_PLACE]
        if near:
            other = min(near)[2]
            candidates.remove(other)
            del left[other.id]
            pairs.append((finding, other))
        else:
            pairs.append((finding, None))
    return pairs + [(None, f) for f in left.values()]


def compare(old: Result, new: Result, old_board: Board, new_board: Board) -> Comparison:
    """What a new revision did to the findings and causes of the old one.

    A cause of the old revision is followed through its findings: its figure afterwards is the worst that is left of
    them, None when all are gone. Causes that only the new revision has come last.
    """
    pairs = match_findings(old, new)
    findings = [
        Matched(
            id=(a or b).id,  # type: ignore[union-attr]
            check=(a or b).check,  # type: ignore[union-attr]
            title=(a or b).title,  # type: ignore[union-attr]
            before_db=a.excess_db if a else None,
            after_db=b.excess_db if b else None,
            decision=(new.decisions.get(b.id) if b else None) or (old.decisions.get(a.id) if a else None),
        )
        for a, b in pairs
    ]
    findings.sort(key=lambda m: (-(m.before_db if m.before_db is not None else m.after_db or 0.0), m.id))
    after = {m.id: m.after_db for m in findings}
    causes = []
    for cause in old.causes:
        left = [db for i in cause.findings if (db := after[i]) is not None]
        causes.append(Matched(cause.id, "", cause.title, cause.excess_before_db, max(left, default=None)))
    new_ids = {b.id for a, b in pairs if a is None and b is not None}
    for cause in new.causes:
        if new_ids.issuperset(cause.findings):
            causes.append(Matched(cause.id, "", cause.title, None, cause.excess_before_db))
    return Comparison(
        str(old.board["name"]),
        str(new.board["name"]),
        tuple(findings),
        tuple(causes),
        tuple(board_changes(old_board, new_board)),
        {c.id: len(c.findings) for c in (*new.causes, *old.causes)},
    )


def board_changes(old: Board, new: Board) -> list[str]:
    """What differs in the data of two boards, one sentence each; empty when nothing was found to differ."""
    out = []
    if len(old.layers) != len(new.layers):
        out.append(f"{len(old.layers)} copper layers before, {len(new.layers)} now")
    for index, (a, b) in enumerate(zip(old.dielectrics, new.dielectrics, strict=False)):
        if abs(a.thickness - b.thickness) > 1e-7 or abs(a.er - b.er) > 1e-6:
            out.append(
                f"between layers {index + 1} and {index + 2}: {a.thickness * 1e3:.3g} mm of εr {a.er:.3g} before, "
                f"{b.thickness * 1e3:.3g} mm of εr {b.er:.3g} now"
            )
    gone, come = sorted(set(old.nets) - set(new.nets)), sorted(set(new.nets) - set(old.nets))
    out += [f"{what}: {_few(names)}" for what, names in (("nets gone", gone), ("nets added", come)) if names]
    a_parts, b_parts = set(old.parts.ref), set(new.parts.ref)
    for what, refs in (("parts gone", a_parts - b_parts), ("parts added", b_parts - a_parts)):
        if refs:
            out.append(f"{what}: {_few(sorted(refs))}")
    for what, before, now in (
        ("vias and holes", len(old.vias), len(new.vias)),
        ("trace segments", len(old.traces), len(new.traces)),
        ("areas", len(old.areas), len(new.areas)),
    ):
        if before != now:
            out.append(f"{what}: {before} before, {now} now")
    rerouted = _rerouted(old, new)
    if rerouted:
        out.append(f"routed differently: {_few(rerouted)}")
    return out


def _rerouted(old: Board, new: Board) -> list[str]:
    """Names of nets in both boards whose total trace length per layer differs by more than 0.1 mm."""

    def lengths(board: Board) -> Counter[tuple[str, int]]:
        out: Counter[tuple[str, int]] = Counter()
        for net, layer, length in zip(board.traces.net, board.traces.layer, board.traces.length, strict=True):
            out[board.nets[net], int(layer)] += length
        return out

    a, b = lengths(old), lengths(new)
    both = set(old.nets) & set(new.nets) - {""}
    return sorted(
        {net for net, layer in a.keys() | b.keys() if net in both and abs(a[net, layer] - b[net, layer]) > 1e-4}
    )


def _few(names: list[str]) -> str:
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
