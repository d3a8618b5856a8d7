"""The review as one HTML file that needs no network: text, drawings, style, script and fonts inside.

The page is made from the result document and the drawing alone. Every name from a board file passes through the
templates' escaping; the data for the script are JSON in which no '<' stands.
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined

from quietcopper.files import write_whole
from quietcopper.findings.model import Drawing
from quietcopper.report import words
from quietcopper.report.emissions import emission_chart, emission_leads, emission_rows, emission_told
from quietcopper.report.letter import Letter, compose
from quietcopper.report.pictures import board_svg
from quietcopper.report.safe import Markup
from quietcopper.report.svg import BoardShapes

FONTS = (  # family, file, unicode range
    ("Literata", "literata-latin-400-700.woff2", "U+0000-00FF,U+2000-206F,U+2212"),
    ("Literata", "literata-greek-400-700.woff2", "U+0370-03FF"),
    ("Source Sans 3", "source-sans-3-latin-wght-normal.woff2", "U+0000-00FF,U+2000-206F,U+2191,U+2193,U+2212"),
    ("Source Sans 3", "source-sans-3-greek-wght-normal.woff2", "U+0370-03FF"),
)


def resource(folder: str, name: str) -> bytes:
    return files("quietcopper.report").joinpath(folder, name).read_bytes()


@cache
def font_css() -> str:
    """The @font-face rules with the fonts inside."""
    rules = []
    for family, name, characters in FONTS:
        data = base64.b64encode(resource("static/fonts", name)).decode("ascii")
        rules.append(
            f'@font-face{{font-family:"{family}";font-weight:400 700;font-display:swap;unicode-range:{characters};'
            f'src:url(data:font/woff2;base64,{data}) format("woff2")}}'
        )
    return "\n".join(rules)


@cache
def environment() -> Environment:
    """The templates, escaping on for every one of them whatever its name ends in."""
    env = Environment(
        loader=FunctionLoader(lambda name: resource("templates", name).decode("utf-8")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["counted"] = words.counted
    env.globals |= {"emission_chart": emission_chart, "emission_told": emission_told, "emission_rows": emission_rows}
    env.globals["emission_leads"] = emission_leads
    env.globals |= {"assumed": words.assumed, "also_cured": words.also_cured, "one_scale": words.ONE_SCALE}
    return env


def script_json(value: Any) -> Markup:
    """JSON that is safe inside a script element: '<', '>', '&' and line separators stand as escapes."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)  # no character that HTML could read is left


def layer_css(layers: int) -> str:
    """Which layer of the drawing is shown, by the picked row; works without script."""
    rules = []
    for i in range(layers):
        picked = f"body:has(#pick-{i}:checked)"
        rules.append(f"{picked} #board .layer-{i}{{display:inline}}")
        rules.append(f"{picked} #board .mark:not(.l{i},.all){{display:none}}")
        for side in [0] * (i == 0) + [1] * (i == layers - 1):
            rules.append(f"{picked} #board.near .part.s{side}{{display:inline}}")
        rules.append(f"{picked} .stack-layer[data-layer='{i}']{{--stack:var(--ink)}}")
    return "\n".join(rules)


def page_title(document: Mapping[str, Any]) -> str:
    """The user's title, else the board's name."""
    title = str(document["settings"].get("title") or document["board"]["name"] or document["board"]["source"])
    return re.sub(r"\s+", " ", title).strip() or "board"


def render(document: Mapping[str, Any], drawing: Drawing, letter: Letter | None = None) -> str:
    """The page as text. letter : what `compose` made of the two, where that is there already"""
    letter = letter or compose(document, BoardShapes(drawing))
    return (
        environment()
        .get_template("review.html.jinja")
        .render(
            title=page_title(document),
            document=document,
            letter=letter,
            board=board_svg(document, letter.shapes, letter.marks, letter.cut_y),
            fonts=Markup(font_css()),  # our own file
            style=Markup(resource("static", "review.css").decode("utf-8")),  # our own file
            layer_style=Markup(layer_css(len(drawing.layers))),  # made of numbers
            script=Markup(resource("static", "review.js").decode("utf-8")),  # our own file
            data=script_json(letter.data),
        )
    )


def write_html(
    document: Mapping[str, Any], drawing: Drawing, path: Path | str, letter: Letter | None = None
) -> None:  # fmt: skip
    """Write the review page. The same document and drawing give the same bytes."""
    # A half surrogate in a name from a file has no UTF-8; it is shown as a question mark.
    write_whole(path, render(document, drawing, letter).encode("utf-8", errors="replace"))
