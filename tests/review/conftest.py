"""Proposals proven once more, by themselves: apply, review the changed board anew, compare with what was told."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from quietcopper.changes import apply_change
from quietcopper.checks import all_checks
from quietcopper.electrical.view import View
from quietcopper.findings import Result
from quietcopper.findings.model import PASSES
from quietcopper.review import review
from quietcopper.review.compare import match_findings
from quietcopper.review.prove import SOLVED, is_solved
from quietcopper.review.trial import GRADES, Bench

GONE = float("-inf")


@dataclass(frozen=True)
class Proof:
    """One proposal: what was told to be left and what is left, dB, and findings above the grade they had before.

    told is the worst of the cause's findings and of what the change makes; worse holds (title, dB)."""

    text: str
    told: float
    left: float
    worse: tuple[tuple[str, float], ...]


def every_proof(board, settings, result: Result) -> Iterator[Proof]:
    """Every change of a cause, and every remedy that was solved by itself, solved again from the board on."""
    bench = Bench.of(View(board, settings), all_checks())
    done = set()
    for cause in result.causes:
        if cause.change is not None and is_solved(cause.solved):
            told = GONE if cause.excess_after_db is None else cause.excess_after_db
            done.add(repr(cause.change))
            yield _proof(bench, result, cause.change, cause.findings, told, with_new=True)
    for finding in result.findings:
        for remedy in finding.remedies:
            if remedy.solved == SOLVED and repr(remedy.change) not in done:
                done.add(repr(remedy.change))
                told = GONE if remedy.excess_after_db is None else remedy.excess_after_db
                yield _proof(bench, result, remedy.change, (finding.id,), told, with_new=False)


def _proof(bench, result, change, ids, told, *, with_new) -> Proof:
    changed = apply_change(bench.board, change.kind, change.arguments, bench.rules)
    after = review(changed.board, bench.settings_after(changed))
    left, worse = GONE, []
    for old, now in match_findings(result, after):
        if now is None:
            continue
        if old is not None and old.id in ids:
            left = max(left, now.excess_db)
        before = old.grade if old is not None else PASSES
        if GRADES.index(now.grade) > GRADES.index(before) and now.excess_db > (old.excess_db + 1 if old else GONE):
            worse.append((now.title, now.excess_db))
    if with_new:
        left = max([left, *(db for _, db in worse)])
    return Proof(change.text, told, left, tuple(worse))


def as_told(proof: Proof) -> bool:
    """Whether what is left is what was told, within 1 dB, and nothing made is above what was told."""
    same = proof.left == proof.told or abs(proof.left - proof.told) <= 1.0
    return same and all(db <= max(proof.told, 0.0) + 1.0 for _, db in proof.worse)


@pytest.fixture(scope="session")
def broken():
    """broken(board, settings, result) -> proposals that do not do what was told of them; at least one was looked at."""

    def broken(board, settings, result):
        found = list(every_proof(board, settings, result))
        assert found
        return [proof for proof in found if not as_told(proof)]

    return broken
