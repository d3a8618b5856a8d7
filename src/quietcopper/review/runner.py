"""One board, all checks: from a Board and Settings to a Result."""

from __future__ import annotations

import dataclasses
import logging
import time
from collections.abc import Mapping
from typing import Any

from quietcopper.board import Board
from quietcopper.checks import Check, all_checks
from quietcopper.electrical.cables import cabled_connectors
from quietcopper.electrical.drivers import driver_assumptions
from quietcopper.electrical.part_models import part_models
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.supplies import supply_assumptions
from quietcopper.electrical.supply_impedance import capacitor_assumptions
from quietcopper.electrical.view import View
from quietcopper.errors import SettingsError
from quietcopper.fields.section_solver import SectionCache
from quietcopper.findings import AssumptionNote, Drawing, NotChecked, Result
from quietcopper.review.causes import group_causes
from quietcopper.review.drawing import draw
from quietcopper.review.look import STAGES, Looked, Progress, look_and_tell
from quietcopper.review.prove import PLAN_ROUNDS, most_proofs, prove_result
from quietcopper.review.tables import board_summary, line_rows, settings_summary, stackup_summary
from quietcopper.review.walks import net_walks

log = logging.getLogger(__name__)


def _silent(stage: str, done: int, total: int) -> None: ...


def known_allowances(checks: tuple[Check, ...], settings: Settings) -> None:
    """Raises SettingsError for an allowance that no check has."""
    known = {f"{check.NAME}.{key}" for check in checks for key in check.ALLOWANCES}
    for key in settings.allowances:
        if key not in known:
            raise SettingsError(f"settings: no allowance is called {key!r}; there are {', '.join(sorted(known))}")


def review(
    board: Board,
    settings: Settings | None = None,
    *,
    prove: bool = False,
    sections: SectionCache | None = None,
    progress: Progress = _silent,
    timings: dict[str, float] | None = None,
) -> Result:
    """Review one board.

    sections : cross-sections solved before, of this board or a like one; those solved now are added
    prove : apply the changes that the causes propose and review the changed boards, see `review.prove`
    progress : told (stage, done, total) as the work goes on;  timings : filled with seconds per stage
    Raises SettingsError for settings that name unknown allowances.
    """
    view = View(board, settings, sections=sections)
    return review_view(view, prove=prove, progress=progress, timings=timings)


def review_view(
    view: View, *, prove: bool = False, progress: Progress = _silent, timings: dict[str, float] | None = None
) -> Result:
    """As `review`, of a board that may have been looked at already."""
    checks = all_checks()
    known_allowances(checks, view.settings)
    seconds = timings if timings is not None else {}
    stages = len(STAGES) + len(checks)
    proofs = most_proofs(view.board) + PLAN_ROUNDS if prove else 0
    total, done = stages + proofs, 0

    def on_stage(stage: str) -> None:
        nonlocal done
        progress(stage, min(done, total), total)
        done += 1

    looked, told = look_and_tell({"drawn": lambda: _drawn(view)}, view, checks, on_stage, seconds)
    began = time.perf_counter()
    drawing, undrawn = told.pop("drawn")
    looked = dataclasses.replace(looked, not_checked=(*looked.not_checked, *undrawn))
    result = _assemble(view, checks, looked, drawing, told)
    seconds["result"] = time.perf_counter() - began
    if prove:
        began = time.perf_counter()
        result = prove_result(result, view, checks, on_stage)
        seconds["proofs"] = time.perf_counter() - began
    progress("result", total, total)
    return result


def _drawn(view: View) -> tuple[Drawing, tuple[NotChecked, ...]]:
    """The drawing with the ways of the nets; where they fail, a line that says so: the page can do without."""
    drawing = draw(view.board)
    try:
        return dataclasses.replace(drawing, walks=net_walks(view)), ()
    except Exception as e:
        log.exception("walks failed")
        lost = NotChecked("the page", "ways of nets to walk along", f"it failed: {type(e).__name__}: {e}")
        return drawing, (lost,)


def _assemble(
    view: View, checks: tuple[Check, ...], looked: Looked, drawing: Drawing, told: Mapping[str, Any]
) -> Result:
    """told : fields of the result that the groups of checks know, see `review.look`"""
    board = view.board
    causes = group_causes(list(looked.findings))
    assumptions = [*board.assumptions, *driver_assumptions(board, view.drivers), *cabled_connectors(view)[1]]
    assumptions += [*supply_assumptions(view), *capacitor_assumptions(view)]
    return Result(
        board=board_summary(view),
        settings=settings_summary(view.settings),
        assumptions=tuple(AssumptionNote(a.what, a.value, a.unit, a.why, a.touches) for a in assumptions),
        causes=causes,
        findings=looked.findings,
        coverage=looked.coverage,
        not_checked=looked.not_checked,
        unread=tuple({"what": u.what, "count": u.count, "where": u.where, "why": u.why} for u in board.unread),
        problems=(
            *board.problems,
            *view.copper.problems,
            *view.settings.unused(board),
            *part_models(board, view.settings).problems,
        ),
        lines=line_rows(view),
        stackup=stackup_summary(view),
        checks={
            check.NAME: {"question": check.QUESTION, "mechanism": check.MECHANISM, "formula": check.FORMULA}
            for check in checks
        },
        drawing=drawing,
        passing=looked.passing,
        **told,
    )
