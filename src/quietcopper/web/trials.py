"""Changes tried on the board in a thread of their own: one at a time, and of those that wait only the latest."""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietcopper.errors import QuietCopperError

if TYPE_CHECKING:
    from quietcopper.review.look import Looked
    from quietcopper.review.trial import Bench

Change = tuple[str, str, Any]
NEW_TOLD = 12  # findings made by the changes that are told by name
log = logging.getLogger(__name__)


class _Superseded(Exception):
    """A newer set of changes was asked for."""


class Trials:
    """The board with its review before, and the trial that was asked for last.

    board : None where the review does not name one;  its file is read at the first need
    """

    def __init__(self, board: Path | None, settings: Path | None, stackup: Path | None = None) -> None:
        self._files = board, settings, stackup
        self._wake = threading.Condition()
        self._asked = 0
        self._changes: Sequence[Change] | None = None
        self._outcome: dict[str, Any] = {}
        self._stage: tuple[str, int, int] = ("waiting", 0, 1)
        self._thread: threading.Thread | None = None
        self._ready: tuple[Bench, Looked] | None = None
        self._problem = "" if board is not None and board.exists() else "the board's file is not where it was reviewed"

    def state(self) -> dict[str, Any]:
        """Whether changes can be tried: problem is a sentence where not."""
        return {"ready": self._ready is not None, "problem": self._problem}

    def ask(self, changes: Sequence[Change]) -> int:
        """Try these changes instead of any that are being tried; the number to ask for the outcome with."""
        with self._wake:
            self._asked += 1
            self._changes = list(changes)
            self._outcome = {}
            self._stage = ("waiting", 0, 1)
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="trials", daemon=True)
                self._thread.start()
            self._wake.notify_all()
            return self._asked

    def outcome(self, number: int) -> dict[str, Any]:
        """{'result': …}, {'problem': sentence}, {'superseded': True} or how far it is."""
        with self._wake:
            if number != self._asked:
                return {"superseded": True}
            if self._outcome:
                return self._outcome
            stage, done, total = self._stage
            return {"stage": stage, "done": done, "total": total}

    def _work(self) -> None:
        while True:
            with self._wake:
                while self._changes is None:
                    self._wake.wait()
                number, changes = self._asked, self._changes
                self._changes = None
            outcome: dict[str, Any]
            try:
                outcome = {"result": self._try(number, changes)}
            except _Superseded:
                continue
            except QuietCopperError as e:
                outcome = {"problem": str(e)}
            except Exception as e:  # a fault of ours must not end the service
                log.exception("trial failed")
                outcome = {"problem": f"it failed: {type(e).__name__}: {e}"}
            with self._wake:
                if number == self._asked:
                    self._outcome = outcome

    def _told(self, number: int, stage: str, done: int, total: int) -> None:
        with self._wake:
            if number != self._asked:
                raise _Superseded
            self._stage = (stage, done, total)

    def _bench(self, number: int) -> tuple[Bench, Looked]:
        """The board as it was reviewed, looked at once."""
        from quietcopper.checks import all_checks, allowance_defaults
        from quietcopper.electrical.settings import Settings, load_settings, load_stackup
        from quietcopper.electrical.view import View
        from quietcopper.formats import read_board
        from quietcopper.review.look import STAGES, look
        from quietcopper.review.trial import Bench

        if self._ready is None:
            board_path, settings_path, stackup_path = self._files
            if board_path is None or not board_path.exists():
                raise QuietCopperError(f"{self._problem}; changes cannot be tried")
            checks = all_checks()
            total = len(STAGES) + len(checks) + 1
            self._told(number, "reading the board", 0, total)
            settings = load_settings(settings_path, allowance_defaults()) if settings_path else Settings()
            board = read_board(board_path, files=settings.files)
            if stackup_path is not None:
                board = load_stackup(stackup_path).correct(board)
            view = View(board, settings)
            done = 0

            def progress(stage: str) -> None:
                nonlocal done
                done += 1
                self._told(number, f"the board as it is: {stage}", done, total)

            before = look(view, checks, progress)
            self._ready = Bench.of(view, checks), before
        return self._ready

    def _try(self, number: int, changes: Sequence[Change]) -> dict[str, Any]:
        from quietcopper.changes import Changed, ChangeError
        from quietcopper.changes.plan import parse_plan, plan_text
        from quietcopper.errors import CallError
        from quietcopper.findings import Proposal
        from quietcopper.review.look import STAGES
        from quietcopper.review.trial import try_change

        bench, before = self._bench(number)
        made = Changed(bench.board)
        if changes:
            for change in parse_plan(plan_text(changes).encode(), "the changes"):
                try:
                    made = bench.apply(made, Proposal(change.kind, change.kind, change.arguments))
                except ChangeError as e:
                    raise CallError(f"{change.place} ({change.kind}): {e}") from e
        done, total = 0, len(STAGES) + len(bench.checks)

        def progress(stage: str) -> None:
            nonlocal done
            done += 1
            self._told(number, stage, done, total)

        trial = try_change(bench, before, Proposal("as asked"), made, progress)
        excesses = [f.excess_db for f in trial.looked.findings]
        return {
            "after": {i: _after(db) for i, db in trial.after.items()},
            "over_before": sum(f.excess_db >= 0 for f in before.findings),
            "over_after": sum(db >= 0 for db in excesses),
            "worst_after_db": round(max(excesses), 2) if excesses else None,
            "new": [
                {"title": f.title, "message": f.message, "excess_db": round(f.excess_db, 2)}
                for f in trial.new[:NEW_TOLD]
            ],
            "more_new": max(0, len(trial.new) - NEW_TOLD),
            "notes": list(made.notes),
            "unseen": list(trial.unseen),
        }


def _after(excess: float | None) -> float | str:
    """dB, 'gone', or 'unseen' where its check could not look any more."""
    if excess is None:
        return "unseen"
    return "gone" if math.isinf(excess) else round(excess, 2)
