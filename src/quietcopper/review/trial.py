"""One change tried: the changed board looked at with the same settings, and each finding's figure before and after."""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from quietcopper.board import Board
from quietcopper.changes import Changed, ChangeError, Rules, after, apply_change
from quietcopper.checks import Check
from quietcopper.electrical.choices import barrier_width
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.fields.section_solver import SectionCache
from quietcopper.findings import Finding, NotChecked, Proposal, Result
from quietcopper.findings.model import CHANGE_IT, IMPROVE_IT, PASSES, WATCH_IT
from quietcopper.review.alike import driven_otherwise
from quietcopper.review.compare import match_findings
from quietcopper.review.look import Looked, look

GRADES = (PASSES, WATCH_IT, IMPROVE_IT, CHANGE_IT)  # from good to bad
NOTICED_DB = 1.0  # dB; a figure that rises by less is the same
GONE = -math.inf
# Checks of how a supply reaches its parts: of a net that is still to be routed they would judge missing copper.
OF_SUPPLIES = ("supply-impedance-over-target", "capacitor-too-far", "supply-drop", "neck-over-its-current")
MOST_KEPT = 64  # changed boards that a bench keeps


@dataclass(frozen=True, eq=False)
class Bench:
    """What every trial needs: the board as reviewed, its view's settings without what is already in the board, the
    rules of edits, the checks, and the sections solved so far.

    A changed board is looked at by every check, but solved only where it changed: cross-sections, modes of planes,
    areas of supplies and loops of converters are kept by content (`fields.content`), a change of drivers keeps all the
    geometry, and what only pictures show is left out.

    sources : resistance of the driver of each driven net, ohm by name
    made, seen : boards after changes and what was seen of them, so that each is worked out once
    """

    view: View
    settings: Settings
    rules: Rules
    checks: tuple[Check, ...]
    sources: Mapping[str, float]
    made: dict[Any, tuple[Board, Changed | ChangeError]] = field(default_factory=dict)
    seen: dict[Any, tuple[Board, Looked]] = field(default_factory=dict)

    @classmethod
    def of(cls, view: View, checks: tuple[Check, ...]) -> Bench:
        # The stackup that the settings gave is in the view's board; given again it would undo a change of it.
        settings = dataclasses.replace(view.settings, layers={}, dielectrics={}, masks={})
        sources = {name: d.source for name, d in zip(view.board.nets, view.drivers, strict=True) if d.swing > 0}
        return cls(view, settings, rules_of(view), checks, sources)

    @property
    def board(self) -> Board:
        return self.view.board

    @property
    def sections(self) -> SectionCache:
        return self.view.sections

    def settings_after(self, changed: Changed) -> Settings:
        """The settings with what changes add that no table of the board holds."""
        nets = dict(self.settings.nets)
        for name, ohm in changed.series.items():
            if name in self.sources:
                nets[name] = dataclasses.replace(nets.get(name, NetSettings()), source=self.sources[name] + ohm)
        for name, rise in changed.edges.items():
            nets[name] = dataclasses.replace(nets.get(name, NetSettings()), rise=rise)
        return dataclasses.replace(self.settings, nets=nets, filters={**self.settings.filters, **changed.filters})

    def look(self, changed: Changed, progress: Callable[[str], None] = lambda stage: None) -> Looked:
        """What the checks say of a changed board; nothing of the supply of nets that are still to be routed."""
        added = (tuple(sorted(added.items())) for added in (changed.series, changed.edges, changed.filters))
        key = (id(changed.board), *added, changed.unrouted)
        if key not in self.seen:
            settings = self.settings_after(changed)
            if changed.board is self.board:
                view = driven_otherwise(self.view, settings)
            else:
                view = View(changed.board, settings, sections=self.sections, pictures=False)
            looked = _without_supply_of(changed.unrouted, look(view, self.checks, progress))
            _keep(self.seen, key, (changed.board, looked))
        return self.seen[key][1]

    def apply(self, changed: Changed, change: Proposal) -> Changed:
        """The board after one more change. Raises ChangeError where it cannot be made."""
        key = (id(changed.board), change.kind, repr(change.arguments))
        if key not in self.made:
            try:
                done: Changed | ChangeError = apply_change(changed.board, change.kind, change.arguments, self.rules)
            except ChangeError as error:
                done = error
            _keep(self.made, key, (changed.board, done))  # with the board, so that nothing else takes its id
        done = self.made[key][1]
        if isinstance(done, ChangeError):
            raise ChangeError(str(done))
        return after(changed, done)


def _without_supply_of(unrouted: tuple[str, ...], looked: Looked) -> Looked:
    def judged(finding: Finding) -> bool:
        return finding.check not in OF_SUPPLIES or finding.subject[0] not in unrouted

    if not unrouted:
        return looked
    why = "these supplies are still to be routed after the change"
    unseen = [NotChecked(check, ", ".join(unrouted), why, len(unrouted)) for check in OF_SUPPLIES]
    return dataclasses.replace(
        looked,
        findings=tuple(filter(judged, looked.findings)),
        passing=tuple(filter(judged, looked.passing)),
        not_checked=(*looked.not_checked, *unseen),
    )


def _keep(known: dict[Any, Any], key: Any, value: Any) -> None:
    """Add to what is known, of which the oldest is given up."""
    known[key] = value
    if len(known) > MOST_KEPT:
        del known[next(iter(known))]


def rules_of(view: View) -> Rules:
    """The rules that edits keep to, from the settings."""
    return Rules(view.settings.min_spacing, view.settings.min_width, barrier_width(view))


@dataclass(frozen=True, eq=False)
class Trial:
    """A changed board and what the review says of it against the board before.

    after : by the id of each finding before, its excess now, dB: -inf where it is gone, None where the check could not
            look at it any more
    new : findings that the change made, or made worse by a grade;  unseen : checks that see less than before
    """

    change: Proposal
    changed: Changed
    looked: Looked
    notes: tuple[str, ...]
    after: Mapping[str, float | None]
    new: tuple[Finding, ...]
    unseen: tuple[str, ...]

    @property
    def excess(self) -> float:
        """All excess over the allowances that is left on the board, dB."""
        return round(sum(max(f.excess_db, 0.0) for f in self.looked.findings), 6)

    @property
    def worst_new(self) -> float:
        """Excess of the worst finding that the change made, dB, -inf for none."""
        return max((f.excess_db for f in self.new), default=GONE)


def try_change(
    bench: Bench,
    before: Result | Looked,
    change: Proposal,
    changed: Changed,
    progress: Callable[[str], None] = lambda stage: None,
) -> Trial:
    """Look at a changed board and hold it against the findings before. progress : told each stage as it begins."""
    looked = bench.look(changed, progress)
    unseen = _unseen(before, looked)
    left: dict[str, float | None] = {}
    new: list[Finding] = []
    for old, now in match_findings(before, looked):
        if old is not None:
            left[old.id] = now.excess_db if now is not None else None if old.check in unseen else GONE
        if now is not None and _worse(old, now):
            new.append(now)
    new.sort(key=lambda f: (-round(f.excess_db, 6), f.id))
    return Trial(change, changed, looked, changed.notes, left, tuple(new), unseen)


def _worse(old: Finding | None, now: Finding) -> bool:
    if old is None:
        return now.grade != PASSES
    return GRADES.index(now.grade) > GRADES.index(old.grade) and now.excess_db > old.excess_db + NOTICED_DB


def _unseen(before: Result | Looked, after: Looked) -> tuple[str, ...]:
    """Checks that could not look at more things than before: a finding of theirs that is gone may only be unseen."""
    missing: list[dict[str, int]] = []
    for looked in (before, after):
        counts: dict[str, int] = defaultdict(int)
        for c in looked.coverage:
            counts[c.check] += c.total - c.looked
        for n in looked.not_checked:
            counts[n.check] += n.count
        missing.append(counts)
    return tuple(sorted(name for name, count in missing[1].items() if count > missing[0].get(name, 0)))
