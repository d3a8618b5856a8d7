"""Two revisions on one page: what was cured, what remains, what is new."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from markupsafe import Markup

from quietcopper.files import write_whole
from quietcopper.report.charts import DecibelScale, decibel_line
from quietcopper.report.html import environment, font_css, resource
from quietcopper.report.words import counted, decibels, decided

WORDS = {
    "cured": "cured",
    "better": "better",
    "remaining": "as before",
    "worse": "worse",
    "new": "new",
}


def headline(document: Mapping[str, Any]) -> str:
    """What the new revision did, in one sentence."""
    counts = document["counts"]
    before = sum(counts.values()) - counts["new"]
    if before == 0 and counts["new"] == 0:
        return "Neither revision has a place to change."
    if before == 0:
        return f"The new revision brings {counted(counts['new'], 'place', 'places')} that the old one did not have."
    first = f"{counted(counts['cured'], 'place', 'places', capital=True)} of {before} cured"
    if counts["new"]:
        return f"{first}, {counted(counts['new'], 'new one', 'new ones')}."
    return f"{first}, none new."


def render_comparison(document: Mapping[str, Any]) -> str:
    """The page as text, from a comparison document."""
    shown = [v for row in document["causes"] for v in (row["before_db"], row["after_db"]) if v is not None]
    scale = DecibelScale.around(shown)

    def line(row: Mapping[str, Any]) -> Markup:
        if row["before_db"] is None:
            return decibel_line(scale, row["after_db"], small=True)
        gone = row["after_db"] is None
        return decibel_line(scale, row["before_db"], row["after_db"], removed=gone, small=True)

    return (
        environment()
        .get_template("comparison.html.jinja")
        .render(
            document=document,
            headline=headline(document),
            line=line,
            words=WORDS,
            decibels=decibels,
            decided=decided,
            fonts=Markup(font_css()),  # our own file
            style=Markup(resource("static", "review.css").decode("utf-8")),  # our own file
        )
    )


def write_comparison_html(document: Mapping[str, Any], path: Path | str) -> None:
    """Write `compare.html`: one file, no network, no script."""
    write_whole(path, render_comparison(document).encode("utf-8", errors="replace"))
