"""Two revisions on one page: what was cured, what remains, what is new."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from quietcopper.files import write_whole
from quietcopper.report.charts import DecibelScale, decibel_line
from quietcopper.report.html import environment, font_css, resource
from quietcopper.report.safe import Markup
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
    if counts["cured"] == 0 and before > 1:
        first = f"None of {before} places cured"
    if counts["new"]:
        return f"{first}, {counted(counts['new'], 'new one', 'new ones')}."
    return f"{first}, none new."


MOST_TOLD = 12  # names that the sentences tell; a list of more is given in full


def _changed(board: Mapping[str, Any]) -> dict[str, Any]:
    """Rows of the table of layers, and every list that the sentences tell only the beginning of."""

    def grown(pair: Mapping[str, float]) -> str:
        a, b = (f"{pair[key]:.0f}" for key in ("before", "after"))
        return b if a == b else f"{a} → {b}"

    def some(value: float) -> str:
        return "–" if not value else f"{value:.1f}" if value >= 0.05 else "< 0.1"

    layers = [
        (
            f"{row['after']}  {row['name']}",
            *(grown(row["trace_mm"]), some(row["trace_removed_mm"]), some(row["trace_added_mm"])),
            *(grown(row["area_mm2"]), some(row["area_removed_mm2"]), some(row["area_added_mm2"])),
            *(grown(row["pads"]), row["pads_removed"] or "–", row["pads_added"] or "–"),
        )
        for row in board["layers"]
    ]
    nets, parts = board["nets"], board["parts"]
    moved = [f"{m['ref']} by ({m['by_mm'][0]:g}, {m['by_mm'][1]:g}) mm" for m in parts["moved"]]
    routed = [f"{n['net']} {grown(n['trace_mm'])} mm" for n in nets["rerouted"]]
    lists = [
        ("parts gone", parts["removed"]),
        ("parts added", parts["added"]),
        ("parts moved", moved),
        ("nets gone", nets["removed"]),
        ("nets added", nets["added"]),
        ("nets with another name", [f"{pair['before']} → {pair['after']}" for pair in nets["renamed"]]),
        ("nets routed differently", routed),
    ]
    return {
        "layers": layers,
        "lists": [(f"All {len(names)} {title}", names) for title, names in lists if len(names) > MOST_TOLD],
    }


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
            changed=_changed(document["board"]),
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
