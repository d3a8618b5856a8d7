"""Identity, order and causes of findings."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace

from quietcopper.findings import Cause, CauseHint, Finding, Remedy
from quietcopper.findings.model import ADVICE, STANDINGS


def slug(text: str) -> str:
    """Lower-case words joined by hyphens; signs that tell names apart (+ - . / _) are kept, other characters fold."""
    return re.sub(r"[^\w+./-]+", "-", text.strip(), flags=re.UNICODE).strip("-") or "none"


def identify(findings: Iterable[Finding]) -> list[Finding]:
    """Findings with ids made of check and subject, in order of excess (worst first, ties by id), what they propose in
    words alone as advice.

    The same subject twice on one board is told apart by a counter in order of place from the lower left corner, so
    a shuffle of the board's objects changes nothing.
    """
    by_subject: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        by_subject[":".join((finding.check, *(slug(word) for word in finding.subject)))].append(finding)
    named: list[Finding] = []
    for base, group in by_subject.items():
        group.sort(key=lambda f: (-round(f.excess_db, 6), round(f.place.at[0], 7), round(f.place.at[1], 7)))
        named += [replace(advised(f), id=base if i == 0 else f"{base}:{i + 1}") for i, f in enumerate(group)]
    return sorted(named, key=lambda f: (-round(f.excess_db, 6), f.id))


def advised(finding: Finding) -> Finding:
    """The finding with what is proposed in words alone as advice, which has no figure: nobody can solve it again."""

    def told(remedy: Remedy) -> Remedy:
        if remedy.change.kind:
            return remedy
        return replace(remedy, excess_after_db=None, solved=ADVICE)

    return replace(finding, remedies=tuple(told(r) for r in finding.remedies))


def group_causes(findings: list[Finding]) -> tuple[Cause, ...]:
    """Causes of identified findings, the one that explains most excess first.

    Findings with the same choice behind them make one cause. A choice that only one net shows is told as that net's own
    (`CauseHint.alone`), where the check knows one.
    Order: the sum over its findings of the positive excess in dB, then the worst excess, then the id: one choice
    behind many places ranks before one bad place. What counts as a cause comes first, see `Cause.standing`; of
    those, what rests on the data comes before what holds only if an assumed cable is there.
    """
    groups: dict[str, list[tuple[CauseHint, Finding]]] = defaultdict(list)
    for hint, finding in zip(_choices(findings), findings, strict=True):
        groups[hint.key].append((hint, finding))
    causes = []
    for key, group in groups.items():
        worst = group[0][1].excess_db
        change = next((hint.change for hint, _ in group if hint.change), None)
        after = None
        if change is not None:
            left = [
                [r.excess_after_db for r in f.remedies if r.change == change and r.excess_after_db is not None]
                for _, f in group
            ]
            if all(left):
                after = max(min(values) for values in left)
        causes.append(
            Cause(
                id=slug(key),
                title=group[0][0].title,
                findings=tuple(f.id for _, f in group),
                change=change,
                excess_before_db=worst,
                excess_after_db=after,
                solved=ADVICE if change is not None and not change.kind else "estimate",
                sum_db=sum(max(f.excess_db, 0.0) for _, f in group),
                supposed=all(hint.supposed for hint, _ in group),
            )
        )
    return in_order(causes)


def in_order(causes: Iterable[Cause]) -> tuple[Cause, ...]:
    """By what they count for, what is only supposed last, then by the excess that they explain, see `group_causes`."""

    def rank(cause: Cause) -> tuple[int, bool, float, float, str]:
        standing = STANDINGS.index(cause.standing)
        return standing, cause.supposed, -round(cause.sum_db, 6), -round(cause.excess_before_db, 6), cause.id

    return tuple(sorted(causes, key=rank))


def _choices(findings: list[Finding]) -> list[CauseHint]:
    """The choice behind each finding: what its check saw, or the net's own where no other net shares it."""
    nets: dict[str, set[str]] = defaultdict(set)
    for finding in findings:
        nets[finding.cause.key].update(finding.place.nets[:1])
    return [f.cause.alone if f.cause.alone is not None and len(nets[f.cause.key]) < 2 else f.cause for f in findings]
