"""The plan of a review as it is read: the few changes that together do most, and what they leave."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from quietcopper.report import words


@dataclass(frozen=True)
class StepView:
    """One change in words, the numbers of its causes, and what it takes for granted."""

    text: str
    causes: str
    notes: list[str]


@dataclass(frozen=True)
class PlanView:
    """verdict : what all changes together do, a sentence or two;  rest : what they leave or could not do."""

    verdict: str
    steps: list[StepView]
    rest: list[str]


def plan_view(document: Mapping[str, Any]) -> PlanView | None:
    """The plan of a document; None where it has none."""
    plan = document.get("plan")
    if plan is None:
        return None
    number = {cause["id"]: n for n, cause in enumerate(document["causes"], start=1)}
    steps = [
        StepView(
            words.sentence(words.clause(step["change"]["text"])),
            words.listed([f"cause {number[c]}" for c in step["causes"] if c in number]),
            list(step["notes"]),
        )
        for step in plan["steps"]
    ]
    what = "This change brings" if len(steps) == 1 else f"These {words.count_word(len(steps))} changes bring"
    before = words.counted(plan["over_before"], "place")
    many = "none" if plan["over_after"] == 0 else words.count_word(plan["over_after"])
    verdict = f"{what} the {before} at or over the allowance down to {many}."
    if plan["worst_after_db"] is not None:
        worst = words.decibels(plan["worst_before_db"]), words.decibels(plan["worst_after_db"])
        verdict += f" The worst excess goes from {worst[0]} to {worst[1]}."
    rest = []
    if plan["left"]:
        rest.append(f"Still over: {words.listed(plan['left'])}.")
    if plan["new"]:
        rest.append(f"Brought about by the changes: {words.listed(plan['new'])}.")
    return PlanView(verdict, steps, rest + [words.sentence(note) for note in plan["notes"]])
