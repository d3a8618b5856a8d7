"""One module a check. `CHECKS` lists them in the order they run and are documented."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from importlib import import_module
from typing import Protocol, cast

from quietcopper.electrical.view import View
from quietcopper.fields.section import CrossSection
from quietcopper.findings import Coverage, Finding, Limit, NotChecked


class Check(Protocol):
    """What a module in this package provides.

    NAME : kebab-case, says what is wrong;  QUESTION : what is looked at, one sentence
    MECHANISM : why it matters, two sentences;  FORMULA : how the quantity is predicted, with its range
    ALLOWANCES : figures the user may change, by their name in the settings;  SOURCES : where formulas and figures
    come from
    sections : where a module has it, the cross-sections that it solves first, so that they are solved for all together
    """

    NAME: str
    QUESTION: str
    MECHANISM: str
    FORMULA: str
    ALLOWANCES: Mapping[str, Limit]
    SOURCES: tuple[str, ...]

    def look(self, view: View) -> Iterator[Finding | Coverage | NotChecked]: ...


NAMES = (
    "trace-over-gap",
    "trace-off-plane",
    "antipads-merged",
    "layer-change-without-return",
    "reference-changes-along-run",
    "reference-not-ground",
    "planes-far-apart",
    "plane-pair-rings",
    "supply-impedance-over-target",
    "capacitor-too-far",
    "supply-drop",
    "neck-over-its-current",
    "switching-loop-too-large",
    "impedance-off-target",
    "impedance-step",
    "long-line-unterminated",
    "branch-stub",
    "via-stub",
    "pair-off-target",
    "pair-out-of-balance",
    "pair-lines-unequal",
    "pair-disturbed",
    "delays-differ-in-group",
    "pour-shifts-impedance",
    "traces-too-close",
    "lone-copper",
    "pour-finger",
    "pour-neck",
    "stitching-too-sparse",
    "edge-not-stitched",
    "split-ground-at-cable",
    "barrier-bridged",
    "line-drives-cables",
    "loop-radiates",
    "plane-edges-radiate",
    "connector-without-ground",
    "line-leaves-unfiltered",
    "weak-protection",
    "clock-beside-connector",
    "noise-on-cable-line",
)


def load(name: str) -> Check:
    """The check of that name."""
    return cast(Check, import_module(f"quietcopper.checks.{name.replace('-', '_')}"))


def all_checks() -> tuple[Check, ...]:
    return tuple(load(name) for name in NAMES)


def sections_ahead(view: View, checks: tuple[Check, ...]) -> list[CrossSection]:
    """The cross-sections that checks are known to solve, each check's own in a row; those of a check that fails at
    this are left to it."""
    out: list[CrossSection] = []
    for check in checks:
        with suppress(Exception):  # the check itself fails again, and that is told
            out += getattr(check, "sections", lambda view: [])(view)
    return out


def allowance_defaults() -> dict[str, Limit]:
    """Every allowance of every check, keyed 'check.name' as in the settings file."""
    return {f"{check.NAME}.{key}": limit for check in all_checks() for key, limit in check.ALLOWANCES.items()}
