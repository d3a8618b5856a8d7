"""Pictures and a summary that stand by themselves in a notebook: SVG with its own style, HTML without script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from quietcopper.findings.model import Drawing
from quietcopper.report import words
from quietcopper.report.closeup import close_up
from quietcopper.report.evidence import drawn_map
from quietcopper.report.overview import overview_svg
from quietcopper.report.pictures import marks
from quietcopper.report.safe import Markup
from quietcopper.report.svg import BoardShapes, chart, scale_bar_mm
from quietcopper.report.typeset import Pictures

MOST_CAUSES = 8
MAP_PX, LINE_PX, SIDE_PX = 640, 18, 20  # width of a map, height of a line of text, margin


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
    causes = range(min(MOST_CAUSES, len(document["causes"])))
    return _alone(overview_svg(document, marks(document, shapes), shapes, layer, causes))


def maps_picture(maps: Sequence[tuple[str, Sequence[str], Mapping[str, Any]]]) -> str:
    """Maps one under the other: title, lines of text and data of each (as the `mode` evidence of a report)."""
    items: list[Markup] = []
    y = SIDE_PX
    for title, lines, data in maps:
        for i, line in enumerate((title, *lines)):
            y += LINE_PX
            css = "small" if i else "strong"
            items.append(Markup('<text class="{}" x="{}" y="{}">{}</text>').format(css, SIDE_PX, y, line))
        y += LINE_PX // 2
        svg, width_mm, shape = drawn_map(data, MAP_PX)
        items.append(Markup('<g transform="translate({} {})">{}</g>').format(SIDE_PX, y, svg))
        y += round(shape) + LINE_PX
        bar = scale_bar_mm(width_mm)
        items.append(
            Markup(
                '<path class="axis" d="M{0} {1}h{2:.1f}"/><text class="small" x="{3:.1f}" y="{4}">{5:g} mm</text>'
            ).format(SIDE_PX, y - 4, bar / width_mm * MAP_PX, SIDE_PX + bar / width_mm * MAP_PX + 8, y, bar)
        )
        y += LINE_PX
    return _alone(chart(MAP_PX + 2 * SIDE_PX, y + SIDE_PX, "; ".join(title for title, _, _ in maps), items))


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
