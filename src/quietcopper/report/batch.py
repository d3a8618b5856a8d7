"""Many reviews on one page: each board with its size, its worst cause, counts by grade, decisions, and links."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from quietcopper.files import write_whole
from quietcopper.report import words
from quietcopper.report.html import environment, font_css, resource
from quietcopper.report.pictures import excess_level
from quietcopper.report.safe import Markup

FORMAT = "quietcopper-batch/1"
REVIEWED, REFUSED, FAILED = "reviewed", "refused", "failed"


def board_row(document: Mapping[str, Any]) -> dict[str, Any]:
    """What the index says of one reviewed board, from its result document."""
    board, causes = document["board"], document["causes"]
    return {
        "title": str(document["settings"].get("title") or board["name"] or board["source"]),
        "outline_mm": board["outline_mm"],
        "layers": len(board["layers"]),
        "nets": board["nets"],
        "parts": board["parts"],
        "grades": dict(words.grade_counts(document)),
        "worst": {"title": causes[0]["title"], "excess_db": causes[0]["excess_before_db"]} if causes else None,
        "decided": ", ".join(filter(None, (words.decided_counts(document), words.comment_count(document)))),
        "not_checked": len(document["not_checked"]),
    }


def _order(row: Mapping[str, Any]) -> tuple[int, float, str]:
    """Reviewed boards first, the worst of them on top; then what could not be reviewed; then by name."""
    if row["status"] != REVIEWED:
        return (1, 0.0, row["board"])
    worst = row["worst"]["excess_db"] if row["worst"] else None
    return (0, math.inf if worst is None else -worst, row["board"])


def headline(rows: Sequence[Mapping[str, Any]]) -> str:
    """'Eleven boards reviewed, seven of them with places to change; one could not be reviewed.'"""
    done = [row for row in rows if row["status"] == REVIEWED]
    to_change = sum(row["grades"]["change it"] > 0 for row in done)
    text = words.counted(len(done), "board", capital=True) + " reviewed"
    if len(done) > 1:
        share = "none" if to_change == 0 else "all" if to_change == len(done) else words.count_word(to_change)
        text += f", {share} of them with places to change"
    missing = len(rows) - len(done)
    return text + (f"; {words.count_word(missing)} could not be reviewed." if missing else ".")


def render_index(rows: Sequence[Mapping[str, Any]]) -> str:
    """The index page. rows : `board_row` with "board", "status", "sentence" and "folder" (relative, of the review)."""
    shown = [
        {
            **row,
            "href": quote(row["folder"]),
            "level": excess_level(row["worst"]["excess_db"] if row["worst"] else None),
        }
        if row["status"] == REVIEWED
        else row
        for row in sorted(rows, key=_order)
    ]
    return (
        environment()
        .get_template("batch.html.jinja")
        .render(
            headline=headline(rows),
            done=[row for row in shown if row["status"] == REVIEWED],
            missing=[row for row in shown if row["status"] != REVIEWED],
            decibels=words.decibels,
            fonts=Markup(font_css()),  # our own file
            style=Markup(resource("static", "review.css").decode("utf-8")),  # our own file
        )
    )


def write_index(rows: Sequence[Mapping[str, Any]], folder: Path) -> None:
    """Write index.html and index.json. The same reviews give the same bytes."""
    document = {"format": FORMAT, "boards": sorted(rows, key=_order)}
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    write_whole(folder / "index.json", text.encode("utf-8", errors="backslashreplace"))
    write_whole(folder / "index.html", render_index(rows).encode("utf-8", errors="replace"))
