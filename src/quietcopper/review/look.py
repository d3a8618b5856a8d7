"""All checks over one view: what they say, with findings identified and in order."""

from __future__ import annotations

import dataclasses
import logging
import os
import time
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any, cast

import numpy as np

from quietcopper.checks import Check, sections_ahead
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import FIRST_STAGES, View
from quietcopper.errors import OutOfRange
from quietcopper.fields.section_solver import Share
from quietcopper.findings import Coverage, Finding, NotChecked
from quietcopper.findings.model import PASSES
from quietcopper.review.causes import identify
from quietcopper.review.emission import emission_summary
from quietcopper.review.tables import pair_rows
from quietcopper.workers import spread

Progress = Callable[[str, int, int], None]  # stage, done, total
Said = list[Finding | Coverage | NotChecked]
log = logging.getLogger(__name__)


def _ways_and_planes(view: View) -> None:
    """What several checks, and the page, ask of every line and plane; gaps and layer changes along with it."""
    lines = [net for net in np.unique(view.runs.net).tolist() if view.roles[net].kind == SIGNAL]
    _, view.gaps, view.layer_changes = view.profiles.ready(
        lines, [lambda: view.plane_pairs, lambda: view.gaps, lambda: view.layer_changes]
    )


LATER_STAGES: tuple[tuple[str, Callable[[View, tuple[Check, ...]], object]], ...] = (
    ("cross-sections", lambda view, checks: view.line_table),
    ("ways of nets, plane pairs", lambda view, checks: _ways_and_planes(view)),
    ("coupled cross-sections", lambda view, checks: view.sections.solve_all(sections_ahead(view, checks))),
)
STAGES = (*(name for name, _ in FIRST_STAGES), *(name for name, _ in LATER_STAGES))


@dataclass(frozen=True)
class Group:
    """Checks, by name, that work from the same solved things, which one process should solve once; and what the result
    tells of these things, by its field there."""

    checks: tuple[str, ...]
    tells: Mapping[str, Callable[[View], Any]] = field(default_factory=dict)


GROUPS = (  # those that take longest first
    Group(
        (
            "plane-pair-rings",
            "layer-change-without-return",
            "edge-not-stitched",
            "stitching-too-sparse",
            "supply-impedance-over-target",
            "capacitor-too-far",
            "supply-drop",
            "neck-over-its-current",
            "trace-over-gap",
            "trace-off-plane",
        ),
        {"plane_pairs": pair_rows},
    ),
    Group(("traces-too-close", "pair-disturbed", "noise-on-cable-line")),
    Group(("line-drives-cables", "loop-radiates", "plane-edges-radiate"), {"emission": emission_summary}),
    Group(("impedance-step", "impedance-off-target", "long-line-unterminated", "branch-stub", "via-stub")),
    Group(("clock-beside-connector", "connector-without-ground", "line-leaves-unfiltered", "weak-protection")),
)


@dataclass(frozen=True)
class Looked:
    """findings : graded ones, worst first;  passing : what was priced and lies below the lowest grade."""

    findings: tuple[Finding, ...]
    passing: tuple[Finding, ...]
    coverage: tuple[Coverage, ...]
    not_checked: tuple[NotChecked, ...]


def run_check(check: Check, view: View) -> list[Finding | Coverage | NotChecked]:
    """Everything one check says; a check that fails becomes one line under 'not checked', never a lost review."""
    out: list[Finding | Coverage | NotChecked] = []
    try:
        out.extend(check.look(view))
    except OutOfRange as e:
        out.append(NotChecked(check.NAME, "the rest of this check", str(e)))
    except Exception as e:  # a fault of ours must not cost the user the other checks
        log.exception("check %s failed", check.NAME)
        out.append(NotChecked(check.NAME, "the rest of this check", f"it failed: {type(e).__name__}: {e}"))
    return out


def _grouped(checks: tuple[Check, ...]) -> list[tuple[tuple[Check, ...], Group]]:
    """The checks of each group with it, then the others one by one."""
    by_name = {check.NAME: check for check in checks}
    groups = [(tuple(by_name.pop(name) for name in group.checks if name in by_name), group) for group in GROUPS]
    return [*groups, *(((check,), Group((name,))) for name, check in by_name.items())]


@dataclass(frozen=True)
class _Share:
    """What a group of checks says, by check, with seconds; what is told of its things; what another process solved for
    it."""

    said: dict[str, Said]
    seconds: dict[str, float]
    told: dict[str, Any]
    solved: Share = field(default_factory=Share)


def _look(
    view: View, checks: tuple[Check, ...], tells: Mapping[str, Callable[[View], Any]], progress: Callable[[str], None],
    teller: int,
) -> _Share:  # fmt: skip
    """teller : number of the process that tells progress and keeps the solutions."""
    here = os.getpid() == teller
    mark = view.sections.now()
    share = _Share({}, {}, {})
    for check in checks:
        if here:
            progress(check.NAME)
        began = time.perf_counter()
        share.said[check.NAME] = run_check(check, view)
        share.seconds[f"check {check.NAME}"] = time.perf_counter() - began
    share.told.update((name, tell(view)) for name, tell in tells.items())
    if here:
        return share
    return dataclasses.replace(share, solved=view.sections.since(mark))


def look(view: View, checks: tuple[Check, ...], progress: Callable[[str], None] = lambda stage: None) -> Looked:
    """Run the stages of a view and all checks. progress : told each stage as it begins."""
    return _look_and({}, view, checks, progress, {}, tell=False)[0]


def look_and_tell(
    also: Mapping[str, Callable[[], Any]],
    view: View,
    checks: tuple[Check, ...],
    progress: Callable[[str], None],
    seconds: MutableMapping[str, float],
) -> tuple[Looked, dict[str, Any]]:
    """As `look`; also what the groups tell of the things that their checks work from, and what `also` gives, by name,
    which is done beside the checks. seconds : filled by stage."""
    return _look_and(also, view, checks, progress, seconds, tell=True)


def _look_and(
    also: Mapping[str, Callable[[], Any]],
    view: View,
    checks: tuple[Check, ...],
    progress: Callable[[str], None],
    seconds: MutableMapping[str, float],
    *,
    tell: bool,
) -> tuple[Looked, dict[str, Any]]:
    view.prepare(seconds, progress)
    for stage, work in LATER_STAGES:
        progress(stage)
        began = time.perf_counter()
        work(view, checks)
        seconds[stage] = time.perf_counter() - began
    groups = [
        partial(_look, view, some, group.tells if tell else {}, progress, os.getpid())
        for some, group in _grouped(checks)
    ]
    first = len(GROUPS)  # what takes long before the checks that go singly, which even out who ends last
    pieces: list[Callable[[], object]] = [*groups[:first], *also.values(), *groups[first:]]
    done = spread(pieces)
    told = dict(zip(also, done[first : first + len(also)], strict=True))
    shares = cast(list[_Share], [*done[:first], *done[first + len(also) :]])
    said: dict[str, Said] = {}
    for share in shares:
        said |= share.said
        told |= share.told
        seconds.update(share.seconds)
        view.sections.add(share.solved)
    every = [word for check in checks for word in said[check.NAME]]
    priced = identify(f for f in every if isinstance(f, Finding))
    looked = Looked(
        findings=tuple(f for f in priced if f.grade != PASSES),
        passing=tuple(f for f in priced if f.grade == PASSES),
        coverage=tuple(c for c in every if isinstance(c, Coverage)),
        not_checked=tuple(n for n in every if isinstance(n, NotChecked)),
    )
    return looked, told
