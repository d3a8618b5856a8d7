"""All checks over one view: what they say, with findings identified and in order."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, MutableMapping
from dataclasses import dataclass

from quietcopper.checks import Check
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.findings import Coverage, Finding, NotChecked
from quietcopper.findings.model import PASSES
from quietcopper.review.causes import identify

Progress = Callable[[str, int, int], None]  # stage, done, total
log = logging.getLogger(__name__)
STAGES: tuple[tuple[str, Callable[[View], object]], ...] = (
    ("net roles", lambda view: (view.roles, view.pairs, view.drivers)),
    ("connected copper", lambda view: view.copper),
    ("references", lambda view: (view.runs, view.gaps, view.layer_changes)),
    ("neighbours", lambda view: view.neighbours),
    ("cross-sections", lambda view: view.line_table),
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


def look(
    view: View,
    checks: tuple[Check, ...],
    progress: Callable[[str], None] = lambda stage: None,
    seconds: MutableMapping[str, float] | None = None,
) -> Looked:
    """Run the stages of a view and all checks. progress : told each stage as it begins;  seconds : filled by stage."""
    times = seconds if seconds is not None else {}

    def timed(stage: str, name: str, work: Callable[[], object]) -> None:
        progress(stage)
        began = time.perf_counter()
        work()
        times[name] = time.perf_counter() - began

    said: list[Finding | Coverage | NotChecked] = []
    for stage, work in STAGES:
        timed(stage, stage, lambda work=work: work(view))  # type: ignore[misc]
    for check in checks:
        timed(check.NAME, f"check {check.NAME}", lambda check=check: said.extend(run_check(check, view)))  # type: ignore[misc]
    priced = identify(f for f in said if isinstance(f, Finding))
    return Looked(
        findings=tuple(f for f in priced if f.grade != PASSES),
        passing=tuple(f for f in priced if f.grade == PASSES),
        coverage=tuple(c for c in said if isinstance(c, Coverage)),
        not_checked=tuple(n for n in said if isinstance(n, NotChecked)),
    )
