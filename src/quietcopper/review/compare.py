"""Two revisions of one board: what was cured, what remains, what is new, in dB."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

import numpy as np

from quietcopper.board import Board
from quietcopper.findings import Comparison, Finding, Matched, Result
from quietcopper.review.board_changes import board_changes, lay
from quietcopper.review.causes import slug
from quietcopper.review.change_words import sentences
from quietcopper.review.look import Looked

SAME_PLACE = 3e-3  # m; a finding that moved less than this and means the same is the same


def match_findings(
    old: Result | Looked,
    new: Result | Looked,
    names: Mapping[str, str] | None = None,
    shift: tuple[float, float] = (0.0, 0.0),
) -> list[tuple[Finding | None, Finding | None]]:
    """Pairs of findings that mean the same thing: by id first, as it is and with the new names in it, then by check,
    nets and nearest place, then by check, first net and nearest place.

    names : the new name of each old net and layer that has another one;  shift : from the old board's origin to the
    new one's, m
    """
    names = names or {}
    left = {f.id: f for f in (*new.findings, *new.passing)}
    pairs: list[tuple[Finding | None, Finding | None]] = []
    open_old: list[Finding] = []
    for finding in (*old.findings, *old.passing):
        other = left.pop(finding.id, None)
        if other is not None:
            pairs.append((finding, other))
        else:
            open_old.append(finding)
    if names:
        todo, open_old = open_old, []
        for finding in todo:
            words = (finding.check, *(slug(names.get(word, word)) for word in finding.subject))
            other = left.pop(":".join(words), None)
            if other is not None:
                pairs.append((finding, other))
            else:
                open_old.append(finding)
    # then what is said of the same nets, at last what is said of the same first one, whose neighbours may be others
    for meant in (_all_nets, _first_net):
        candidates: dict[tuple[str, ...], list[Finding]] = defaultdict(list)
        for finding in left.values():
            candidates[meant(finding, {})].append(finding)
        todo, open_old = open_old, []
        for finding in todo:
            likely = candidates[meant(finding, names)]
            at = np.add(finding.place.at, shift)
            near = [(float(np.hypot(*np.subtract(c.place.at, at))), c.id, c) for c in likely]
            near = [n for n in near if n[0] <= SAME_PLACE]
            if near:
                other = min(near)[2]
                likely.remove(other)
                del left[other.id]
                pairs.append((finding, other))
            else:
                open_old.append(finding)
    pairs += [(finding, None) for finding in open_old]
    return pairs + [(None, f) for f in left.values()]


def _all_nets(finding: Finding, names: Mapping[str, str]) -> tuple[str, ...]:
    return finding.check, *sorted(names.get(net, net) for net in finding.place.nets)


def _first_net(finding: Finding, names: Mapping[str, str]) -> tuple[str, ...]:
    first = finding.place.nets[0] if finding.place.nets else finding.id
    return finding.check, names.get(first, first)


def compare(old: Result, new: Result, old_board: Board, new_board: Board) -> Comparison:
    """What a new revision did to the findings and causes of the old one.

    A cause of the old revision is followed through its findings and by its name: its figure afterwards is the worst of
    what is left of them and of what has come to the cause of that name, None when there is none. Causes that only the
    new revision has come last. What only one revision's files let a
    check look at is neither cured nor new: it is left out, and counted in a sentence.
    """
    laid = lay(old_board, new_board)
    changes = board_changes(old_board, new_board, laid)
    names = {old_board.layers[i].name: new_board.layers[j].name for i, j in laid.layers}
    names |= {pair["before"]: pair["after"] for pair in changes["nets"]["renamed"]}
    matched = match_findings(old, new, names, laid.shift)
    blind = _blind(old, old_board, new_board), _blind(new, new_board, old_board)
    pairs: list[tuple[Finding | None, Finding | None]] = []
    left_out: list[tuple[Finding | None, Finding | None]] = []
    for a, b in matched:
        unseen = (b is None and _check(a) in blind[1]) or (a is None and _check(b) in blind[0])
        (left_out if unseen else pairs).append((a, b))
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
    new_ids = {b.id for a, b in pairs if a is None and b is not None}
    come = {cause.id: [after[i] for i in cause.findings if i in new_ids] for cause in new.causes}
    causes = []
    for cause in old.causes:
        if not any(i in after for i in cause.findings):
            continue
        left = [db for i in cause.findings if (db := after.get(i)) is not None]
        left += [db for db in come.pop(cause.id, ()) if db is not None]
        causes.append(Matched(cause.id, "", cause.title, cause.excess_before_db, max(left, default=None)))
    for cause in new.causes:
        if cause.id in come and new_ids.issuperset(cause.findings):
            causes.append(Matched(cause.id, "", cause.title, None, cause.excess_before_db))
    return Comparison(
        *_labels(old, new),
        tuple(findings),
        tuple(causes),
        (*sentences(changes), *_left_out(left_out, bool(blind[0]))),
        {c.id: len(c.findings) for c in (*new.causes, *old.causes)},
        changes,
    )


def _labels(old: Result, new: Result) -> tuple[str, str]:
    """What the revisions are called: by their files as well where both have one name."""
    names = str(old.board["name"]), str(new.board["name"])
    files = str(old.board.get("source", "")), str(new.board.get("source", ""))
    if names[0] != names[1] or files[0] == files[1] or not all(files):
        return names
    return f"{names[0]} ({files[0]})", f"{names[1]} ({files[1]})"


def _blind(result: Result, board: Board, other: Board) -> set[str]:
    """Checks that found nothing to look at on a board whose files list no parts, while those of the other do."""
    if len(board.parts) or not len(other.parts):
        return set()
    looked: dict[str, int] = defaultdict(int)
    for coverage in result.coverage:
        looked[coverage.check] += coverage.looked
    return {check for check, count in looked.items() if count == 0}


def _check(finding: Finding | None) -> str:
    return finding.check if finding is not None else ""


def _left_out(pairs: list[tuple[Finding | None, Finding | None]], earlier: bool) -> tuple[str, ...]:
    """One sentence on what only one revision could show. earlier : whether that is the later one"""
    if not pairs:
        return ()
    which, there = ("earlier", "later") if earlier else ("later", "earlier")
    places = "1 place" if len(pairs) == 1 else f"{len(pairs)} places"
    checks = ", ".join(sorted({_check(a or b) for a, b in pairs}))
    return (
        f"not compared: {places} of the {there} revision; the files of the {which} one list no parts, so that there is "
        f"nothing to look at for {checks}",
    )
