"""What the review says, in the order in which it is read: the view that the templates fill in."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from quietcopper.findings.model import ADVICE, CANNOT, HARMS, MAIN, SMALLER, STANDINGS, WITHIN
from quietcopper.report import evidence, words
from quietcopper.report.charts import DecibelScale, decibel_line
from quietcopper.report.closeup import close_up
from quietcopper.report.pictures import Mark, excess_level, marks, place_box
from quietcopper.report.plans import PlanView, plan_view
from quietcopper.report.safe import Markup
from quietcopper.report.sections import best_cut, stack_svg
from quietcopper.report.svg import UNITS_PER_MM, BoardShapes, Box, joined, units

SHOWN_CAUSES = 8  # told in full, with pictures of the board; the others wait behind one line
SHOWN_PLACES = 5  # of a cause; the others wait behind one line
PICTURED_PLACES = 3  # of a cause, with a close-up
CUT_CANDIDATES = 12  # of the worst places; the stackup is cut through one of them
MOST_LINES = 300  # rows of the table of lines; findings.json has all of them
FOCUS_MM = 12.0  # least side of the window that the board moves to for one place
MOST_QUESTIONS = 3  # that the letter asks
ASKED = "These answers would change the review most."
HANGING = "The verdict on these places hangs on the figures that were assumed; which are right?"
LOOSE_FOCUS = 0.55  # of the board's larger side, for a place without a shape of its own (a pair of planes)


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
class LayerRow:
    """One row of the layer picker."""

    index: int
    name: str
    carries: str
    reference: str
    between: str
    worst: str
    level: int
    places: int


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


class _Teller:
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


def _layer_rows(document: Mapping[str, Any], shapes: BoardShapes) -> list[LayerRow]:
    stackup = document["stackup"]
    rows = []
    for i, name in enumerate(document["board"]["layers"]):
        here = [f for f in document["findings"] if name in f["layers"][:1]]
        excesses = [f["excess_db"] for f in here if f["excess_db"] is not None]
        entry = stackup["layers"][i] if i < len(stackup["layers"]) else None
        sheet = stackup["dielectrics"][i] if i < len(stackup["dielectrics"]) else None
        reference = ""
        if entry and entry["reference"]:
            r = entry["reference"]
            reference = (
                f"{words.figure(r['distance_mm'], 'mm')} from {r['net'] or r['kind'] + ' copper'} on {r['layer']}"
            )
        between = ""
        if sheet:
            er = f" · εr {words.number(sheet['er'])}" if sheet["er"] is not None else ""
            between = f"{words.figure(sheet['thickness_mm'], 'mm')}{er}"
        rows.append(
            LayerRow(
                index=i,
                name=name,
                carries=entry["carries"] if entry else "",
                reference=reference,
                between=between,
                worst=words.decibels(max(excesses), unit=False) if excesses else "",
                level=excess_level(max(excesses, default=None)),
                places=len(here),
            )
        )
    return rows


def _focus(box: Box, least: float = FOCUS_MM) -> list[int]:
    """The window that shows a place with its surroundings, in drawing units: x, y, width, height."""
    wide = box.grown(0.25 * max(box.width, box.height) + 1.5).at_least(least, least)
    return [int(v) for v in wide.view.split()]


def _net_windows(shapes: BoardShapes) -> list[list[Any]]:
    """[name, window, index] of every named net that has copper, by name."""
    nets = shapes.drawing.nets
    low, high = np.full((len(nets), 2), np.inf), np.full((len(nets), 2), -np.inf)
    for drawn in shapes.layers:
        layer = drawn.layer
        for bounds, owner in zip(drawn.bounds, (layer.area_nets, layer.trace_nets, layer.pad_nets), strict=True):
            solid = np.isfinite(bounds).all(axis=1)
            rows = np.asarray(owner, dtype=np.int64)[solid]
            np.minimum.at(low, rows, bounds[solid][:, :2])
            np.maximum.at(high, rows, bounds[solid][:, 2:])
    return [
        [name, _focus(Box(*low[i].tolist(), *high[i].tolist())), i]
        for i, name in sorted(enumerate(nets), key=lambda item: item[1])
        if name and np.isfinite(low[i]).all()
    ]


def _walks(shapes: BoardShapes) -> dict[str, list[Any]]:
    """By net its ways: [from, to, length in mm, stretches], a stretch as [kind, layer, length in mm, ohm, reference,
    its layer, lines]; lines in drawing units."""
    lines = [line for ways in shapes.drawing.walks.values() for way in ways for s in way.stretches for line in s.lines]
    values = units(np.concatenate(lines)).ravel().tolist() if lines else []
    ends = (2 * np.cumsum([len(line) for line in lines])).tolist()
    drawn = (values[begin:end] for begin, end in zip([0, *ends], ends, strict=False))
    return {
        net: [
            [
                way.start,
                way.end,
                round(way.length_mm, 3),
                [
                    [
                        *(s.kind, s.layer, round(s.length_mm, 3), None if s.z_ohm is None else round(s.z_ohm, 1)),
                        *(s.reference, s.reference_layer, [next(drawn) for _ in s.lines]),
                    ]
                    for s in way.stretches
                ],
            ]
            for way in ways
        ]
        for net, ways in shapes.drawing.walks.items()
    }


def _data(document: Mapping[str, Any], teller: _Teller) -> dict[str, Any]:
    """What the script needs to move the board, as short lists."""
    places = []
    whole = teller.shapes.box
    loose = max(FOCUS_MM, LOOSE_FOCUS * max(whole.width, whole.height))
    for number, finding in enumerate(document["findings"], start=1):
        places.append(
            {
                "n": number,
                "id": teller.anchors[finding["id"]],
                "title": finding["title"],
                "grade": finding["grade"],
                "at": units([finding["at_mm"]])[0].tolist(),
                "window": _focus(place_box(finding), FOCUS_MM if finding["shape"] else loose),
                "layer": teller.layer_of(finding),
                "nets": [teller.shapes.net_index[n] for n in finding["nets"] if n in teller.shapes.net_index],
                "layers": sorted(teller.layers_of(finding)),
                "check": finding["check"],
                "finding": finding["id"],
                "excess": finding["excess_db"],
                "words": " ".join([*finding["nets"], *finding["parts"], finding["check"]]).lower(),
            }
        )
    causes = []
    for number, cause in enumerate(document["causes"], start=1):
        findings = [teller.findings[i] for i in cause["findings"]]
        window = joined([place_box(f) for f in findings])
        causes.append(
            {
                "id": f"cause-{number}",
                "window": _focus(window),
                "layer": teller.layer_of(findings[0]),
                "places": [teller.numbers[i] for i in cause["findings"]],
                "cause": cause["id"],
            }
        )
    parts = [
        [
            ref,
            [round((x - 6) * UNITS_PER_MM), round((-y - 6) * UNITS_PER_MM), 12 * UNITS_PER_MM, 12 * UNITS_PER_MM],
            side,
        ]
        for ref, x, y, side in sorted(teller.shapes.drawing.parts)
    ]
    return {
        "places": places,
        "causes": causes,
        "nets": _net_windows(teller.shapes),
        "parts": parts,
        "walks": _walks(teller.shapes),
        "names": [row["name"] for row in document["stackup"]["layers"]] or list(document["board"]["layers"]),
        "sheets": [sheet["thickness_mm"] for sheet in document["stackup"]["dielectrics"]],
        "layers": len(teller.shapes.layers),
        "size": teller.shapes.size,
    }


def _coverage(document: Mapping[str, Any]) -> tuple[list[dict[str, Any]], list[str]]:
    """Rows of what was looked at, and the checks that found nothing over the allowance."""
    by_check: dict[str, list[Mapping[str, Any]]] = {}
    for finding in document["findings"]:
        by_check.setdefault(finding["check"], []).append(finding)
    rows, good = [], []
    for entry in document["coverage"]:
        found = by_check.get(entry["check"], [])
        over = sum(words.over(f["excess_db"]) for f in found)
        question = document["checks"].get(entry["check"], {}).get("question", "")
        rows.append({**entry, "question": " ".join(question.split()), "over": over})
        if over == 0 and entry["looked"]:
            good.append(entry["check"])
    return rows, good


def _open_questions(document: Mapping[str, Any], teller: _Teller) -> list[dict[str, str]]:
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


def _line_rows(document: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """(net, layer, width, length, impedance, delay) of the longest lines, in the document's order."""
    lengths = sorted((row["length_mm"] for row in document["lines"]), reverse=True)
    least = lengths[MOST_LINES - 1] if len(lengths) > MOST_LINES else 0.0
    rows: list[tuple[str, ...]] = [
        (
            row["net"],
            row["layer"],
            words.figure(row.get("width_mm"), "mm"),
            words.figure(row["length_mm"], "mm"),
            words.figure(row["z_ohm"], "ohm") if row["z_ohm"] is not None else "–",
            words.figure(row["delay_ps"] * 1e-12, "s") if row.get("delay_ps") is not None else "–",
        )
        for row in document["lines"]
        if row["length_mm"] >= least
    ]
    return rows[:MOST_LINES]


def _pair_rows(document: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """(upper, lower, distance, area, capacitance, modes) of the plane pairs."""
    rows: list[tuple[str, ...]] = []
    for pair in document["plane_pairs"][:MOST_LINES]:
        sides = [
            " ".join(filter(None, (pair.get(f"{side}_net", ""), f"on {pair[side]}"))) for side in ("upper", "lower")
        ]
        capacitance = pair.get("capacitance_f")
        rows.append(
            (
                *sides,
                words.figure(pair.get("distance_mm"), "mm"),
                f"{pair['area_mm2'] / 100:.3g} cm²" if "area_mm2" in pair else "–",
                words.figure(capacitance, "F") if capacitance is not None else "–",
                ", ".join(words.figure(f, "Hz") for f in pair.get("modes_hz", [])[:3]) or "–",
            )
        )
    return rows


def compose(document: Mapping[str, Any], shapes: BoardShapes) -> Letter:
    """The letter of a result document."""
    teller = _Teller(document, shapes)
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
    coverage, good = _coverage(document)
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
        rows=_layer_rows(document, shapes),
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
        lines=_line_rows(document),
        pairs=_pair_rows(document),
        anchors=teller.anchors,
        gather_data=lambda: _data(document, teller),
    )
