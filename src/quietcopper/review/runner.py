"""One board, all checks: from a Board and Settings to a Result."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from quietcopper.board import Board
from quietcopper.checks import Check, all_checks
from quietcopper.electrical.cables import cabled_connectors
from quietcopper.electrical.drivers import driver_assumptions
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange, SettingsError
from quietcopper.findings import AssumptionNote, Coverage, Finding, NotChecked, Result
from quietcopper.findings.model import PASSES
from quietcopper.review.causes import group_causes, identify
from quietcopper.review.drawing import draw
from quietcopper.review.tables import board_summary, line_rows, pair_rows, settings_summary, stackup_summary

Progress = Callable[[str, int, int], None]  # stage, done, total
log = logging.getLogger(__name__)


def _silent(stage: str, done: int, total: int) -> None: ...


def known_allowances(checks: tuple[Check, ...], settings: Settings) -> None:
    """Raises SettingsError for an allowance that no check has."""
    known = {f"{check.NAME}.{key}" for check in checks for key in check.ALLOWANCES}
    for key in settings.allowances:
        if key not in known:
            raise SettingsError(f"settings: no allowance is called {key!r}; there are {', '.join(sorted(known))}")


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


def review(
    board: Board,
    settings: Settings | None = None,
    *,
    progress: Progress = _silent,
    timings: dict[str, float] | None = None,
) -> Result:
    """Review one board.

    progress : told (stage, done, total) as the work goes on;  timings : filled with seconds per stage
    Raises SettingsError for settings that name unknown allowances.
    """
    checks = all_checks()
    view = View(board, settings)
    known_allowances(checks, view.settings)
    seconds = timings if timings is not None else {}
    stages: list[tuple[str, Callable[[], object]]] = [
        ("net roles", lambda: (view.roles, view.pairs, view.drivers)),
        ("connected copper", lambda: view.copper),
        ("references", lambda: (view.runs, view.gaps, view.layer_changes)),
        ("neighbours", lambda: view.neighbours),
        ("cross-sections", lambda: view.line_table),
    ]
    total = len(stages) + len(checks)
    for done, (stage, work) in enumerate(stages):
        progress(stage, done, total)
        began = time.perf_counter()
        work()
        seconds[stage] = time.perf_counter() - began
    said: list[Finding | Coverage | NotChecked] = []
    for done, check in enumerate(checks, start=len(stages)):
        progress(check.NAME, done, total)
        began = time.perf_counter()
        said += run_check(check, view)
        seconds[f"check {check.NAME}"] = time.perf_counter() - began
    progress("result", total, total)
    began = time.perf_counter()
    result = _assemble(view, checks, said)
    seconds["result"] = time.perf_counter() - began
    return result


def _assemble(view: View, checks: tuple[Check, ...], said: list[Finding | Coverage | NotChecked]) -> Result:
    board = view.board
    priced = identify(f for f in said if isinstance(f, Finding))
    findings = [f for f in priced if f.grade != PASSES]
    causes = group_causes(findings)
    assumptions = [*board.assumptions, *driver_assumptions(board, view.drivers), *cabled_connectors(view)[1]]
    return Result(
        board=board_summary(view),
        settings=settings_summary(view.settings),
        assumptions=tuple(AssumptionNote(a.what, a.value, a.unit, a.why, a.touches) for a in assumptions),
        causes=causes,
        findings=tuple(findings),
        coverage=tuple(c for c in said if isinstance(c, Coverage)),
        not_checked=tuple(n for n in said if isinstance(n, NotChecked)),
        unread=tuple({"what": u.what, "count": u.count, "where": u.where, "why": u.why} for u in board.unread),
        problems=(*board.problems, *view.copper.problems, *view.settings.unused(board)),
        lines=line_rows(view),
        plane_pairs=pair_rows(view),
        stackup=stackup_summary(view),
        checks={
            check.NAME: {"question": check.QUESTION, "mechanism": check.MECHANISM, "formula": check.FORMULA}
            for check in checks
        },
        drawing=draw(board),
        passing=tuple(f for f in priced if f.grade == PASSES),
    )
