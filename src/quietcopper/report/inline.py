"""Pictures and a summary that stand by themselves in a notebook: SVG with its own style, HTML without script."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from quietcopper.findings.model import Drawing
from quietcopper.report import words
from quietcopper.report.closeup import close_up
from quietcopper.report.overview import overview_svg
from quietcopper.report.pictures import marks
from quietcopper.report.svg import BoardShapes
from quietcopper.report.typeset import Pictures

MOST_CAUSES = 8


def _alone(svg: Markup) -> str:
    """The drawing as a file of its own, in the letter's colours."""
    pictures = Pictures()
    made = pictures.add(svg)
    return pictures.files[made["file"]].decode("utf-8") if made else ""


def _layer(shapes: BoardShapes, finding: Mapping[str, Any]) -> int:
    return next((shapes.layer_index[name] for name in finding["layers"] if name in shapes.layer_index), 0)


def place_picture(document: Mapping[str, Any], drawing: Drawing, number: int) -> str:
    """One place (from 1) with its surroundings, on its first layer."""
    shapes = BoardShapes(drawing)
    finding = document["findings"][number - 1]
    places = marks(document, shapes)
    return _alone(close_up(document, shapes, places, [{**finding, "number": number}], _layer(shapes, finding)))


def board_picture(document: Mapping[str, Any], drawing: Drawing) -> str:
    """The whole board on the layer of the worst place, with the worst causes numbered."""
    shapes = BoardShapes(drawing)
    layer = _layer(shapes, document["findings"][0]) if document["findings"] else 0
    return _alone(overview_svg(document, shapes, layer, range(min(MOST_CAUSES, len(document["causes"])))))


def summary_html(document: Mapping[str, Any]) -> str:
    """Headline, what stands under it, and the worst causes as a table."""
    rows = [
        Markup("<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>").format(
            n, words.decibels(cause["excess_before_db"]), words.counted(len(cause["findings"]), "place"), cause["title"]
        )
        for n, cause in enumerate(document["causes"][:MOST_CAUSES], start=1)
    ]
    more = len(document["causes"]) - len(rows)
    return str(
        Markup(
            "<h3>{}</h3><p>{}</p><table><thead><tr><th></th><th>worst</th><th></th><th>cause</th></tr></thead>"
            "<tbody>{}</tbody></table>{}"
        ).format(
            words.headline(document),
            words.standfirst(document),
            Markup("").join(rows),
            Markup("<p>{} more.</p>").format(words.counted(more, "cause", capital=True)) if more > 0 else "",
        )
    )
