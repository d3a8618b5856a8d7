"""Identity, order and causes of findings."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace

from quietcopper.findings import Cause, Finding


def slug(text: str) -> str:
    """Lower-case words joined by hyphens; signs that tell names apart (+ - . / _) are kept, other characters fold."""
    return re.sub(r"[^\w+./-]+", "-", text.strip(), flags=re.UNICODE).strip("-") or "none"


def identify(findings: Iterable[Finding]) -> list[Finding]:
    """Findings with ids made of check and subject, in order of excess (worst first, ties by id).

    The same subject twice on one board is told apart by a counter in order of place from the lower left corner, so
    a shuffle of the board's objects changes nothing.
    """
    by_subject: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        by_subject[":".join((finding.check, *(slug(word) for word in finding.subject)))].append(finding)
    named: list[Finding] = []
    for base, group in by_subject.items():
        group.sort(key=lambda f: (-round(f.excess_db, 6), round(f.place.at[0], 7), round(f.place.at[1], 7)))
        named += [replace(f, id=base if i == 0 else f"{base}:{i + 1}") for i, f in enumerate(group)]
    return sorted(named, key=lambda f: (-round(f.excess_db, 6), f.id))


def group_causes(findings: list[Finding]) -> tuple[Cause, ...]:
    """Causes of identified findings, the one that explains most excess first.

    Order: the sum over its findings of the positive excess in dB, then the worst excess, then the id: one choice
    behind many places ranks before one bad place.
    """
    groups: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        groups[finding.cause.key].append(finding)
    causes = []
    for key, group in groups.items():
        worst = group[0].excess_db
        change = next((f.cause.change for f in group if f.cause.change), None)
        after = None
        if change is not None:
            left = [
                [r.excess_after_db for r in f.remedies if r.change == change and r.excess_after_db is not None]
                for f in group
            ]
            if all(left):
                after = max(min(values) for values in left)
        causes.append(
            (
                -sum(max(f.excess_db, 0.0) for f in group),
                -worst,
                Cause(
                    id=slug(key),
                    title=group[0].cause.title,
                    findings=tuple(f.id for f in group),
                    change=change,
                    excess_before_db=worst,
                    excess_after_db=after,
                ),
            )
        )
    causes.sort(key=lambda c: (round(c[0], 6), round(c[1], 6), c[2].id))
    return tuple(cause for _, _, cause in causes)
