"""What the review says, in the order in which it is read: the view that the templates fill in."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from quietcopper.findings.model import ADVICE, CANNOT, HARMS, MAIN, SMALLER, STANDINGS, WITHIN
from quietcopper.report import evidence, words
from quietcopper.report.charts import DecibelScale, decibel_line
from quietcopper.report.closeup import close_up
from quietcopper.report.page_data import page_data
from quietcopper.report.pictures import Mark, excess_level, marks
from quietcopper.report.plans import PlanView, plan_view
from quietcopper.report.safe import Markup
from quietcopper.report.sections import best_cut, stack_svg
from quietcopper.report.svg import BoardShapes
from quietcopper.report.tables import LayerRow, coverage_rows, layer_rows, line_rows, pair_rows

SHOWN_CAUSES = 8  # told in full, with pictures of the board; the others wait behind one line
SHOWN_PLACES = 5  # of a cause; the others wait behind one line
PICTURED_PLACES = 3  # of a cause, with a close-up
CUT_CANDIDATES = 12  # of the worst places; the stackup is cut through one of them
MOST_QUESTIONS = 3  # that the letter asks
ASKED = "These answers would change the review most."
HANGING = "The verdict on these places hangs on the figures that were assumed; which are right?"


@dataclass(frozen=True)
class PlaceView:
    """One finding as it is told. `finding` is the document's own entry. Pictures are drawn when first asked for: the
    letter on paper shows few of those that the page has. pictured : the page has its close-up"""

    number: int
    anchor: str
    finding: Mapping[str, Any]
    level: int
    excess: str
    predicted: str
    allowed: str
    where: str
    line: Markup
    range_text: str
    decision: str
    comments: list[str]
    remedies: list[dict[str, str]]
    scalars: list[tuple[str, str]]
    pictured: bool
    draw_evidence: Callable[[], tuple[list[evidence.Picture], list[str]]] = field(repr=False)
    draw_close_up: Callable[[], Markup] = field(repr=False)

    @cached_property
    def _evidence(self) -> tuple[list[evidence.Picture], list[str]]:
        return self.draw_evidence()

    @property
    def pictures(self) -> list[evidence.Picture]:
        return self._evidence[0]

    @property
    def odd(self) -> list[str]:
        """Keys of the evidence that have a form nobody draws."""
        return self._evidence[1]

    @cached_property
    def close_up(self) -> Markup:
        return self.draw_close_up()


@dataclass(frozen=True)
class CauseView:
    """One cause with its places; `mechanisms` explains each of its checks once. pictured : the page has its picture

    along : lesser causes that the same change cures, solved
    """

    number: int
    anchor: str
    title: str
    level: int
    line: Markup
    summary: str
    gain: str
    how: str
    notes: list[str]
    comments: list[str]
    change_kind: str
    label: str  # what its gain is: a proposal, advice, or what was tried
    mechanisms: list[tuple[str, str]]
    pictured: bool
    draw_picture: Callable[[], Markup] = field(repr=False)
    layer: int
    main_layer: int
    shown: list[PlaceView]
    rest: list[PlaceView]
    along: list[CauseView] = field(default_factory=list)

    @cached_property
    def picture(self) -> Markup:
        return self.draw_picture()


@dataclass(frozen=True)
class Letter:
    """Everything that the page says, ready for the templates.

    shapes, marks : what its pictures are drawn from
    """

    shapes: BoardShapes
    marks: list[Mark]
    headline: str
    standfirst: str
    grades: list[tuple[str, int, str]]
    decided: str
    commented: str
    stack: Markup
    rows: list[LayerRow]
    first_layer: int
    hatched: bool
    cut: str
    cut_y: float
    aspect: str
    plan: PlanView | None
    causes: list[CauseView]
    more_causes: list[CauseView]
    smaller_causes: list[CauseView]
    near_causes: list[CauseView]
    places: list[PlaceView]
    coverage: list[dict[str, Any]]
    good: list[str]
    asked: str
    open_questions: list[dict[str, str]]
    lines: list[tuple[str, ...]]
    pairs: list[tuple[str, ...]]
    anchors: dict[str, str]
    gather_data: Callable[[], dict[str, Any]] = field(repr=False)

    @cached_property
    def data(self) -> dict[str, Any]:
        """What the page's script needs."""
        return self.gather_data()


def anchors(ids: Sequence[str]) -> dict[str, str]:
    """A fragment name for each finding's id, the same in every revision: letters, digits, hyphens; told apart."""
    used: Counter[str] = Counter()
    out = {}
    for name in ids:
        base = "f-" + (re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-").lower() or "place")
        used[base] += 1
        out[name] = base if used[base] == 1 else f"{base}--{used[base]}"
    return out


def _where(finding: Mapping[str, Any], numbers: Mapping[str, int]) -> str:
    """'layer 4 (BOT), at 52.1, 31.0 mm'."""
    layers = []
    for name in finding["layers"]:
        number = numbers.get(name)
        plain = number is not None and name.lower() in {str(number), f"l{number}", f"layer {number}"}
        layers.append(name if number is None else f"layer {number}" if plain else f"layer {number} ({name})")
    x, y = (f"{v:.1f}".replace("-", words.MINUS) for v in finding["at_mm"])
    return (f"{words.listed(layers)}, " if layers else "") + f"at {x}, {y} mm"


def _remedies(finding: Mapping[str, Any]) -> list[dict[str, str]]:
    return [
        {
            "text": words.sentence(words.clause(remedy["change"]["text"]))[:-1],
            "after": ""
            if remedy["how"] in (ADVICE, CANNOT, HARMS)
            else words.decibels(remedy["excess_after_db"], removed=remedy["removed"]),
            "how": remedy["how"]
            if remedy["removed"] or remedy["excess_after_db"] is not None or remedy["how"] in (ADVICE, CANNOT, HARMS)
            else "not worked out",
            "notes": " ".join(remedy.get("notes", ())),
            "kind": remedy["change"].get("kind", ""),
        }
        for remedy in finding["remedies"]
    ]


class Teller:
    """Builds the views; holds what they share."""

    def __init__(self, document: Mapping[str, Any], shapes: BoardShapes) -> None:
        self.document, self.shapes = document, shapes
        self.anchors = anchors([f["id"] for f in document["findings"]])
        self.numbers = {f["id"]: n for n, f in enumerate(document["findings"], start=1)}
        self.findings = {f["id"]: f for f in document["findings"]}
        self.layer_numbers = {name: i + 1 for i, name in reversed(list(enumerate(document["board"]["layers"])))}
        self.marks = marks(document, shapes)
        known = [c[key] for c in document["causes"] for key in ("excess_before_db", "excess_after_db")]
        known += [r["excess_after_db"] for f in document["findings"] for r in f["remedies"]]
        known += [f["excess_db"] for f in document["findings"]]
        self.scale = DecibelScale.around([v for v in known if v is not None])

    def layer_of(self, finding: Mapping[str, Any]) -> int:
        """The layer a finding is drawn on: its first one."""
        return next((self.shapes.layer_index[n] for n in finding["layers"] if n in self.shapes.layer_index), 0)

    def layers_of(self, finding: Mapping[str, Any]) -> set[int]:
        """All drawn layers of a finding."""
        known = {self.shapes.layer_index[n] for n in finding["layers"] if n in self.shapes.layer_index}
        return known or {self.layer_of(finding)}

    def main_layer(self, ids: Sequence[str]) -> int:
        """The layer to show some findings on: of their first ones that where most excess adds up, else most of them."""
        found = [self.findings[i] for i in ids]
        over: Counter[int] = Counter()
        count: Counter[int] = Counter()
        for f in found:
            for layer in self.layers_of(f):
                over[layer] += round(1e4 * max(f["excess_db"] or 0.0, 0.0))
                count[layer] += 1
        return min({self.layer_of(f) for f in found}, key=lambda i: (-over[i], -count[i], i))

    def picture(self, ids: Sequence[str]) -> Markup:
        """Close-up of some findings on the layer that tells most of them."""
        chosen = [{**self.findings[i], "number": self.numbers[i]} for i in ids]
        layer = self.main_layer(ids)
        here = [f for f in chosen if layer in self.layers_of(f)]
        return close_up(self.document, self.shapes, self.marks, here, layer)

    def place(self, name: str, *, pictured: bool) -> PlaceView:
        finding = self.findings[name]
        best = finding["remedies"][0] if finding["remedies"] else None
        span = finding["range_db"]
        range_text = ""
        if span is not None:
            low, high = (words.decibels(v) if v is not None else "nothing" for v in span)
            range_text = f"Between {low} and {high}, depending on what was assumed."
        return PlaceView(
            number=self.numbers[name],
            anchor=self.anchors[name],
            finding=finding,
            level=excess_level(finding["excess_db"]),
            excess=words.decibels(finding["excess_db"]) if finding["excess_db"] is not None else "nothing",
            predicted=words.figure(finding["predicted"], finding["unit"]),
            allowed=words.figure(finding["allowed"], finding["unit"]),
            where=_where(finding, self.layer_numbers),
            line=decibel_line(
                self.scale,
                finding["excess_db"],
                best["excess_after_db"] if best else None,
                removed=bool(best and best["removed"]),
                small=True,
            ),
            range_text=range_text,
            decision=words.sentence(words.decided(finding.get("decision"))),
            comments=words.comments_of(finding),
            remedies=_remedies(finding),
            scalars=evidence.scalars(finding["evidence"]),
            draw_evidence=lambda: evidence.pictures(finding["evidence"], self.document),
            pictured=pictured,
            draw_close_up=lambda: self.picture([name]),
        )

    def cause(self, number: int, cause: Mapping[str, Any], *, pictured: bool) -> CauseView:
        ids = cause["findings"]
        places = [self.place(i, pictured=pictured and k < PICTURED_PLACES) for k, i in enumerate(ids)]
        checks = list(dict.fromkeys(self.findings[i]["check"] for i in ids))
        known = self.document["checks"]
        return CauseView(
            number=number,
            anchor=f"cause-{number}",
            title=words.sentence(words.clause(cause["title"]))[:-1],
            level=excess_level(cause["excess_before_db"]),
            line=decibel_line(
                self.scale, cause["excess_before_db"], cause["excess_after_db"], removed=cause["removed"]
            ),
            summary=self.summary(places),
            gain=words.gain(cause),
            how=cause.get("how", "") if cause["removed"] or cause["excess_after_db"] is not None else "",
            notes=list(cause.get("notes", ())),
            comments=words.comments_of(cause),
            change_kind=(cause["change"] or {}).get("kind", ""),
            label="Tried" if cause["change"] is None else "Advice" if words.is_advice(cause["change"]) else "Proposed",
            mechanisms=[(name, " ".join(known[name]["mechanism"].split())) for name in checks if name in known],
            pictured=pictured,
            draw_picture=lambda: self.picture(ids) if len(ids) > 1 else Markup(""),
            layer=self.layer_of(self.findings[ids[0]]),
            main_layer=self.main_layer(ids),
            shown=places[:SHOWN_PLACES],
            rest=places[SHOWN_PLACES:],
        )

    def summary(self, places: Sequence[PlaceView]) -> str:
        """The worst place's sentence, and how many others there are."""
        worst = words.sentence(places[0].finding["message"])
        if len(places) == 1:
            return worst
        over = sum(words.over(p.finding["excess_db"]) for p in places)
        nets = sorted({net for p in places for net in p.finding["nets"] if net})
        count = words.counted(len(places), "place", capital=True)
        if over == len(places):
            share = "both over their allowance" if over == 2 else "all over their allowance"
        elif over:
            share = f"{words.count_word(over)} over the allowance"
        else:
            share = "none over its allowance"
        on = f" on {words.counted(len(nets), 'net')}" if len(nets) > 1 else ""
        return f"{count}{on}, {share}. The worst is place {places[0].number}. {worst}"


def _open_questions(document: Mapping[str, Any], teller: Teller) -> list[dict[str, str]]:
    """The questions whose answers change most, three at most; a review without any has the findings whose verdict hangs
    on what was assumed: the range of their excess spans the allowance."""
    out = [
        {"title": question["text"], "anchor": "assumed", "range": _at_stake(question)}
        for question in document.get("questions", ())[:MOST_QUESTIONS]
    ]
    if out:
        return out
    for finding in document["findings"]:
        span = finding["range_db"]
        if span is None or None in span or not span[0] < 0 <= span[1]:
            continue
        out.append(
            {
                "title": finding["title"],
                "anchor": teller.anchors[finding["id"]],
                "range": f"{words.decibels(span[0], unit=False)} to {words.decibels(span[1])}, as the figures are",
            }
        )
    return out[:6]


def _at_stake(question: Mapping[str, Any]) -> str:
    """What was assumed, what the other answer changes, and where it is given."""
    said = f"Taken as {question['assumed']}. With the answer '{question['answer']}' "
    changes = question["changes"]
    if not changes:
        said += "more could be proposed; what that would leave was not solved"
    else:
        many = len(changes) + question["more_changes"]
        crossing = question["crossing"]
        said += f"{words.counted(many, 'place')} change{'s' if many == 1 else ''}"
        if crossing:
            said += f", {words.count_word(crossing)} of them across the allowance"
        first = changes[0]
        before, after = (
            "none" if first[key] is None else words.decibels(first[key]) for key in ("as_assumed_db", "with_answer_db")
        )
        said += f"; most of all: {first['title']}, from {before} to {after}"
    return f"{said}. Settings: {question['key']}" if question["key"] else f"{said}. The layout's data have to say."


def compose(document: Mapping[str, Any], shapes: BoardShapes) -> Letter:
    """The letter of a result document."""
    teller = Teller(document, shapes)
    views = [teller.cause(n, c, pictured=n <= SHOWN_CAUSES) for n, c in enumerate(document["causes"], start=1)]
    by_id = {c["id"]: v for c, v in zip(document["causes"], views, strict=True)}
    by_standing: dict[str, list[CauseView]] = {standing: [] for standing in STANDINGS}
    for cause, view in zip(document["causes"], views, strict=True):
        if cause["cured_by"] in by_id:
            by_id[cause["cured_by"]].along.append(view)
        else:
            by_standing[cause["standing"]].append(view)
    main, smaller = by_standing[MAIN], by_standing[SMALLER]
    if not main:  # where all is small, the small things are what there is to do
        main, smaller = smaller, []
    told = {p.number: p for v in views for p in (*v.shown, *v.rest)}
    for finding in document["findings"]:
        number = teller.numbers[finding["id"]]
        if number not in told:
            told[number] = teller.place(finding["id"], pictured=False)
    first = document["findings"][0] if document["findings"] else None
    box = shapes.box
    cut_y = best_cut(shapes, [f["at_mm"][1] for f in document["findings"][:CUT_CANDIDATES]])
    coverage, good = coverage_rows(document)
    plural = {"change it": "to change", "improve it": "to improve", "watch it": "to watch"}
    return Letter(
        shapes=shapes,
        marks=teller.marks,
        headline=words.headline(document),
        standfirst=words.standfirst(document),
        grades=[(grade, n, plural[grade]) for grade, n in words.grade_counts(document)],
        decided=words.decided_counts(document),
        commented=words.comment_count(document),
        stack=stack_svg(document, shapes, cut_y),
        rows=layer_rows(document),
        first_layer=teller.layer_of(first) if first else 0,
        hatched=any(shapes.reference_of(i, document["stackup"]) is not None for i in range(len(shapes.layers))),
        cut=f"cut along y = {cut_y:.1f} mm, heights to scale".replace("-", words.MINUS),
        cut_y=cut_y,
        aspect=f"{min(max(box.width / box.height, 0.85), 1.3):.3f}",
        plan=plan_view(document),
        causes=main[:SHOWN_CAUSES],
        more_causes=main[SHOWN_CAUSES:],
        smaller_causes=smaller,
        near_causes=by_standing[WITHIN],
        places=[told[n] for n in sorted(told)],
        coverage=coverage,
        good=good,
        asked=ASKED if document.get("questions") else HANGING,
        open_questions=_open_questions(document, teller),
        lines=line_rows(document),
        pairs=pair_rows(document),
        anchors=teller.anchors,
        gather_data=lambda: page_data(document, teller),
    )
