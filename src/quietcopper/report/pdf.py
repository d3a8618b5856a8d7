"""The letter as PDF: what the page says, in the order in which a designer needs it, the first page for itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from quietcopper.files import write_whole
from quietcopper.findings.model import Drawing
from quietcopper.report import words
from quietcopper.report.charts import DecibelScale, decibel_line
from quietcopper.report.emissions import emission_chart, emission_leads, emission_rows, emission_told
from quietcopper.report.html import page_title
from quietcopper.report.letter import CauseView, Letter, PlaceView, compose
from quietcopper.report.outlook import Outlook, cause_outlook, place_outlook, set_aside, share_of_places
from quietcopper.report.overview import overview_svg
from quietcopper.report.safe import Markup
from quietcopper.report.svg import BoardShapes
from quietcopper.report.typeset import Pictures, compile_pdf, fixed_time, palette

SUMMED_CAUSES = 6  # of the first page
FULL_CAUSES = 12  # told each in a section of its own; the others have a row
MOST_ROWS = 25  # places of one cause in its table; the page has the others
MOST_NUMBERS = 24  # of places named in a line
MOST_NEAR = 24  # causes within their allowance
MOST_PAIRS = 8  # plane pairs, of those that cover at least this share of the board
PAIR_SHARE = 0.005
MOST_ASSUMPTIONS = 40
MOST_NAMED = 6  # things not checked for one reason
MOST_PROBLEMS = 60
DRAWN_EVIDENCE = 2  # drawings of a cause's worst place
MEANINGS = {
    "change it": "6 dB and more over",
    "improve it": "up to 6 dB over",
    "watch it": "less than 6 dB under",
}
Data = dict[str, Any]


def _capital(text: str) -> str:
    """A clause as the beginning of a sentence, without its full stop."""
    return words.sentence(text).rstrip(".")


def left(outlook: Outlook) -> str:
    """'gone', '−1.4 dB', or an en dash where it was not worked out."""
    return "gone" if outlook.removed else words.decibels(outlook.after_db)


def found_good(checks: Sequence[str]) -> str:
    """How many checks found nothing over the allowance, a sentence; empty for none."""
    if not checks:
        return ""
    many = len(dict.fromkeys(checks))
    found = words.counted(many, "check", capital=True)
    return f"{found} found nothing over {'its' if many == 1 else 'their'} allowance; the last column shows which."


def _grouped(assumptions: Sequence[Mapping[str, Any]]) -> list[Data]:
    """Assumptions gathered by their reason, in the order of the first of each."""
    groups: dict[str, list[Data]] = {}
    for a in assumptions:
        row = {"what": a["what"], "value": words.assumed(a["value"], a["unit"]), "n": a["touches"]}
        groups.setdefault(a["why"], []).append(row)
    return [{"why": why, "rows": rows} for why, rows in groups.items()]


def _not_checked(rows: Sequence[Mapping[str, Any]]) -> list[Data]:
    """What was not checked, gathered by check and reason, in the order of the first of each."""
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["check"], row["why"]), []).append(row)
    return [
        {
            "check": check,
            "why": why,
            "what": words.listed(list(dict.fromkeys(r["what"] for r in group)), MOST_NAMED),
            "n": sum(r["count"] for r in group),
        }
        for (check, why), group in groups.items()
    ]


def _headed(heading: str, views: Sequence[CauseView]) -> list[tuple[str, CauseView]]:
    """Causes with the heading that stands before the first of them."""
    return [("" if i else heading, view) for i, view in enumerate(views)]


class _Composer:
    """Turns the page's views into the template's data."""

    def __init__(self, document: Mapping[str, Any], drawing: Drawing, letter: Letter | None = None) -> None:
        self.document = document
        self.letter = letter or compose(document, BoardShapes(drawing))
        self.shapes = self.letter.shapes
        self.pictures = Pictures()
        self.findings = {f["id"]: f for f in document["findings"]}
        self.outlooks: list[Outlook | None] = [
            cause_outlook(c, [self.findings[i] for i in c["findings"]]) for c in document["causes"]
        ]
        values = [f["excess_db"] for f in document["findings"]] + [o.after_db for o in self.outlooks if o]
        self.scale = DecibelScale.around([v for v in values if v is not None])
        self.told: dict[str, int] = {}  # mechanism -> number of the cause that explains it

    def line(self, number: int, *, bare: bool) -> Data | None:
        """The decibel line of a cause, before and after its outlook. bare : the figures stand beside it."""
        outlook = self.outlooks[number - 1] or Outlook("")
        before = self.document["causes"][number - 1]["excess_before_db"]
        line = decibel_line(self.scale, before, outlook.after_db, removed=outlook.removed, bare=bare)
        return self.pictures.add(line)

    def after(self, number: int) -> str:
        """What the outlook of a cause leaves, for a column of figures."""
        outlook = self.outlooks[number - 1]
        return left(outlook) if outlook else "–"

    def change(self, number: int) -> Data | None:
        """What is proposed for a cause, or advised: {label, text, effect, how, notes}."""
        outlook, cause = self.outlooks[number - 1], self.document["causes"][number - 1]
        if outlook is None:
            return None
        before = words.decibels(cause["excess_before_db"])
        effect, how = "", outlook.note
        if outlook.removed:
            effect = "nothing of it is left"
        elif outlook.after_db is not None:
            effect = f"worst excess from {before} to {words.decibels(outlook.after_db)}"
        own = words.is_advice(cause["change"]) and outlook.text.startswith(words.clause(cause["change"]["text"]))
        label = "Advice" if own and not outlook.known else "Proposed"
        notes = list(cause.get("notes", ()))
        return {"label": label, "text": _capital(outlook.text), "effect": effect, "how": how, "notes": notes}

    def tried(self, number: int) -> list[str]:
        """What was tried for a cause that has nothing to be proposed, and why; empty for others."""
        cause = self.document["causes"][number - 1]
        notes = list(cause.get("notes", ()))
        if self.outlooks[number - 1] is not None or not notes:
            return []
        return [*filter(None, [words.gain(cause)]), *notes]

    def plan(self) -> Data | None:
        """What would do most: {verdict, steps, rest}."""
        plan = self.letter.plan
        if plan is None:
            return None
        steps = [{"text": s.text, "causes": s.causes, "notes": s.notes} for s in plan.steps]
        return {"verdict": plan.verdict, "steps": steps, "rest": plan.rest}

    @property
    def summed(self) -> list[CauseView]:
        """The causes of the first page: the worst over the allowance, where there are none those that come close."""
        return ([*self.letter.causes, *self.letter.smaller_causes] or self.letter.near_causes)[:SUMMED_CAUSES]

    def decided(self, number: int) -> str:
        """'accepted' where that was decided of all places of a cause that are over; else empty."""
        found = [self.findings[i] for i in self.document["causes"][number - 1]["findings"]]
        found = [f for f in found if words.over(f["excess_db"])] or found
        states = {f["decision"]["state"] if f.get("decision") else "" for f in found}
        return states.pop() if len(states) == 1 else ""

    def summary(self) -> list[Data]:
        """The worst causes as the first page has them."""
        rows = []
        for view in self.summed:
            cause = self.document["causes"][view.number - 1]
            count = len(cause["findings"])
            decided = self.decided(view.number)
            rows.append(
                {
                    "number": view.number,
                    "level": view.level,
                    "title": view.title,
                    "places": words.counted(count, "place") + (f", {decided}" if decided else ""),
                    "worst": words.decibels(cause["excess_before_db"]),
                    "after": self.after(view.number),
                    "line": self.line(view.number, bare=True),
                    "change": self.change(view.number),
                }
            )
        return rows

    def first(self) -> Data | None:
        """What to change first, and how much of the trouble it is: the first cause that is not set aside. What holds
        only if an assumed cable is there comes behind all that the data show."""
        causes = self.document["causes"]
        views = [*self.letter.causes, *self.letter.smaller_causes]
        for view in sorted(views, key=lambda view: bool(causes[view.number - 1].get("supposed"))):
            cause = causes[view.number - 1]
            over = [f for i in cause["findings"] if words.over((f := self.findings[i])["excess_db"])]
            change = self.change(view.number)
            if change is not None and not all(set_aside(f) for f in over):
                return {**change, "number": view.number, "share": share_of_places(self.document, cause)}
        return None

    def overview(self) -> Data | None:
        """The picture of the first page with its caption."""
        causes = [view.number - 1 for view in self.summed]
        if not self.shapes.layers:
            return None
        layer = self.letter.causes[0].main_layer if self.letter.causes else self.letter.first_layer
        under = self.shapes.reference_of(layer, self.document["stackup"])
        name = f"Layer {layer + 1} ({self.shapes.layers[layer].layer.name})"
        over = f" over layer {under + 1}, hatched" if under is not None else ""
        caption = f"{name}{over}, seen from the side of layer 1."
        if causes:
            caption += " Numbers are the causes, each at its worst place; dots are their other places."
        picture = self.pictures.add(overview_svg(self.document, self.letter.marks, self.shapes, layer, causes))
        return picture and {**picture, "caption": caption}

    def row(self, place: PlaceView, common: str) -> Data:
        """One place in a cause's table. common : the change that the cause already names."""
        outlook = place_outlook(place.finding)
        change = _capital(outlook.text) if outlook and outlook.text != common else ""
        return {
            "number": place.number,
            "level": place.level,
            "title": place.finding["title"],
            "where": place.where,
            "predicted": place.predicted,
            "allowed": place.allowed,
            "excess": place.excess,
            "after": left(outlook) if outlook else "–",
            "change": change,
            "range": place.range_text,
            "decision": place.decision,
            "comments": place.comments,
        }

    def figures(self, view: CauseView) -> list[Data]:
        """The board picture of a cause and the evidence of its worst place."""
        worst = view.shown[0]
        out = []
        pictured = view.number <= FULL_CAUSES
        if pictured:
            text = (
                f"The places of this cause on layer {view.main_layer + 1}; the reference is hatched."
                if view.picture
                else f"Place {worst.number} on layer {view.layer + 1}; the reference is hatched."
            )
            out.append((view.picture or worst.close_up, text))
        drawn = [(picture.svg, picture.caption) for picture in worst.pictures[:DRAWN_EVIDENCE]]
        if not drawn and pictured and view.picture:
            drawn.append((worst.close_up, f"Place {worst.number}"))
        one = len(view.shown) == 1
        out += [(svg, caption if one else f"{caption} (place {worst.number})") for svg, caption in drawn]
        return [{**p, "caption": caption} for svg, caption in out if (p := self.pictures.add(Markup(svg))) is not None]

    def cause(self, view: CauseView) -> Data:
        places = [*view.shown, *view.rest]
        outlook = self.outlooks[view.number - 1]
        fresh = [text for name, text in view.mechanisms if name not in self.told]
        known = sorted({self.told[name] for name, _ in view.mechanisms if name in self.told})
        for name, _ in view.mechanisms:
            self.told.setdefault(name, view.number)
        sources = dict.fromkeys(p.finding["allowance_source"] for p in places)
        told = [p for p in places if words.over(p.finding["excess_db"])] or places
        told = told[:MOST_ROWS]
        rows = [self.row(p, outlook.text if outlook else "") for p in told]
        each = rows[0]["change"] if len(rows) > 1 and len({r["change"] for r in rows}) == 1 else ""
        facts = [list(pair) for pair in places[0].scalars] if len(places) == 1 else []
        return {
            "number": view.number,
            "level": view.level,
            "title": view.title,
            "line": self.line(view.number, bare=False),
            "summary": view.summary,
            "mechanisms": fresh,
            "known": f"How it comes about stands under cause {words.listed([str(n) for n in known])}." if known else "",
            "change": self.change(view.number),
            "tried": self.tried(view.number),
            "comments": view.comments,
            "along": words.also_cured(view.along) if view.along else "",
            "figures": self.figures(view),
            "each": each,
            "rows": [{**r, "change": ""} for r in rows] if each else rows,
            "others": self.others(places[len(told) :]),
            "sources": list(sources),
            "facts": facts,
        }

    def others(self, places: Sequence[PlaceView]) -> str:
        """What stands under a cause's table in place of further rows."""
        if not places:
            return ""
        numbers = ", ".join(str(p.number) for p in places[:MOST_NUMBERS]) + (" …" if len(places) > MOST_NUMBERS else "")
        what = words.counted(len(places), "more place", capital=True)
        state = "smaller, " if words.over(places[0].finding["excess_db"]) else "within the allowance, "
        span = places[0].excess if len(places) == 1 else f"{places[0].excess} to {places[-1].excess}"
        return f"{what} of this cause, {state}{span}: {numbers}."

    def briefly(self, views: Sequence[CauseView]) -> list[Data]:
        """Causes that have one row each."""
        return [
            {
                "number": view.number,
                "level": view.level,
                "title": view.title,
                "places": ", ".join(str(p.number) for p in (*view.shown, *view.rest)[:6])
                + (" …" if len(view.shown) + len(view.rest) > 6 else ""),
                "worst": words.decibels(self.document["causes"][view.number - 1]["excess_before_db"]),
                "change": self.change(view.number),
            }
            for view in views
        ]

    def stackup(self) -> Data:
        stackup = self.document["stackup"]
        lengths = {i: row["trace_mm"] for i, row in enumerate(stackup["layers"])}
        rows = [
            {
                "number": row.index + 1,
                "name": row.name,
                "carries": row.carries,
                "reference": row.reference,
                "between": row.between,
                "traces": f"{lengths[row.index]:.0f} mm" if lengths.get(row.index) else "",
                "worst": f"{row.worst} dB" if row.worst else "",
                "level": row.level,
            }
            for row in self.letter.rows
        ]
        thickness = stackup["thickness_mm"]
        board = self.document["board"]["outline_mm"]
        least = PAIR_SHARE * board[0] * board[1]
        told = zip(self.letter.pairs, self.document["plane_pairs"], strict=False)
        pairs = [list(row) for row, pair in told if pair.get("area_mm2", 0.0) >= least][:MOST_PAIRS]
        return {
            "picture": self.pictures.add(self.letter.stack),
            "cut": self.letter.cut,
            "thickness": words.figure(thickness, "mm") if thickness is not None else "",
            "rows": rows,
            "judgement": list(stackup["judgement"]),
            "pairs": pairs,
            "modes": any(row[-1] != "–" for row in pairs),
            "more_pairs": len(self.document["plane_pairs"]) - len(pairs),
        }

    def emission(self) -> Data | None:
        emission = self.document.get("emission")
        if not emission:
            return None
        return {
            "told": emission_told(emission),
            "picture": self.pictures.add(emission_chart(emission)),
            "leads": emission_leads(emission),
            "rows": emission_rows(emission),
        }

    def data(self) -> Data:
        document, letter = self.document, self.letter
        board, settings = document["board"], document["settings"]
        title = page_title(document)
        when = fixed_time()
        layers = words.counted(len(board["layers"]), "layer")
        width, height = (f"{v:.4g}" for v in board["outline_mm"])
        causes = [*letter.causes, *letter.more_causes]
        told = [("", view) for view in causes]
        told += _headed("Cured along with a cause above", [along for view in causes for along in view.along])
        told += _headed("Smaller things", letter.smaller_causes)
        assumptions = document["assumptions"]
        return {
            "palette": palette(),
            "title": title,
            "name": board["name"] if board["name"] != title else "",
            "facts": [layers, f"{width} × {height} mm", f"{board['nets']} nets", f"{board['parts']} parts"],
            "source": board["source"],
            "reviewer": settings.get("reviewer", ""),
            "recipient": settings.get("recipient", ""),
            "date": f"{when.day} {when:%B %Y}" if when else "",
            "headline": letter.headline,
            "standfirst": letter.standfirst,
            "counts": [{"n": n, "what": what, "meaning": MEANINGS[grade]} for grade, n, what in letter.grades],
            "decided": letter.decided,
            "commented": letter.commented,
            "first": self.first(),
            "summary": self.summary(),
            "asked": letter.asked,
            "further": max(0, len(told or letter.near_causes) - SUMMED_CAUSES),
            "over": bool(told),
            "overview": self.overview(),
            "one_scale": words.ONE_SCALE,
            "questions": [{"title": q["title"], "range": q["range"]} for q in letter.open_questions],
            "assumptions": _grouped(assumptions[:MOST_ASSUMPTIONS]),
            "assumed": len(assumptions),
            "more_assumptions": max(0, len(assumptions) - MOST_ASSUMPTIONS),
            "stackup": self.stackup(),
            "emission": self.emission(),
            "plan": self.plan(),
            "causes": [{**self.cause(view), "heading": heading} for heading, view in told[:FULL_CAUSES]],
            "lesser": self.briefly([view for _, view in told[FULL_CAUSES:]]),
            "near": self.briefly(letter.near_causes[:MOST_NEAR]),
            "more_near": max(0, len(letter.near_causes) - MOST_NEAR),
            "coverage": [
                {
                    "check": c["check"],
                    "question": c["question"],
                    "looked": f"{c['looked']} of {c['total']} {c['things']}",
                    "over": str(c["over"]) if c["over"] else "none" if c["looked"] else "–",
                }
                for c in letter.coverage
            ],
            "good": found_good(letter.good),
            "not_checked": _not_checked(document["not_checked"]),
            "unread": [
                {"what": u["what"], "n": u["count"], "where": u["where"], "why": u["why"]} for u in document["unread"]
            ],
            "problems": document["problems"][:MOST_PROBLEMS],
            "more_problems": max(0, len(document["problems"]) - MOST_PROBLEMS),
            "format": document["format"],
        }


def render_pdf(document: Mapping[str, Any], drawing: Drawing, letter: Letter | None = None) -> bytes:
    """The letter as PDF. The same document and drawing give the same bytes with the same version of typst.

    letter : what `compose` made of them, where that is there already. Raises CallError where it cannot be set.
    """
    composer = _Composer(document, drawing, letter)
    data = composer.data()
    return compile_pdf("letter.typ", data, composer.pictures.files)


def write_pdf(
    document: Mapping[str, Any], drawing: Drawing, path: Path | str, letter: Letter | None = None
) -> None:  # fmt: skip
    """Write `review.pdf`, whole or not at all."""
    write_whole(path, render_pdf(document, drawing, letter))
