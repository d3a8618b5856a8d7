"""For Python and notebooks: read a board, review it, and have the result as tables and pictures.

Everything here is handed on by ``quietcopper`` itself (``import quietcopper as qc``); docs/python.md shows it at work.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietcopper.board import Board
from quietcopper.electrical.settings import Settings, load_settings
from quietcopper.electrical.view import View
from quietcopper.errors import CallError
from quietcopper.findings import Comparison, Result
from quietcopper.findings.document import to_document

if TYPE_CHECKING:
    import pandas

__all__ = ["Board", "Comparison", "Picture", "Review", "Settings", "compare", "read", "review_board", "settings"]

FINDING_COLUMNS = (
    *("number", "id", "check", "grade", "title", "excess_db", "predicted", "allowed", "unit", "x_mm", "y_mm"),
    *("layers", "nets", "parts", "cause", "allowance_source"),
)
CAUSE_COLUMNS = ("id", "title", "places", "excess_before_db", "excess_after_db", "change", "how")


def read(board: str | Path, settings: Settings | None = None) -> Board:
    """The board of an IPC-2581 file, or of a folder or archive of Gerber files.

    Raises ReadError, one sentence with the file and the place, for data that cannot be used.
    """
    from quietcopper.formats import read_board

    return read_board(Path(board), files=settings.files) if settings is not None else read_board(Path(board))


def settings(path: str | Path) -> Settings:
    """The settings of a file. Raises SettingsError, one sentence with the file and the key."""
    from quietcopper.checks import allowance_defaults

    return load_settings(Path(path), allowance_defaults())


def review_board(board: Board | str | Path, settings: Settings | None = None, *, prove: bool = False) -> Review:
    """Review a board, or the board of a file. prove : apply the proposed changes and review the changed boards.

    Raises ReadError and SettingsError.
    """
    from quietcopper.review import review as run

    given = board if isinstance(board, Board) else read(board, settings)
    return Review(given, run(given, settings, prove=prove), settings)


def compare(old: Review, new: Review) -> Comparison:
    """What became of the old board's findings on the new one."""
    from quietcopper.review.compare import compare as run

    return run(old.result, new.result, old.board, new.board)


def _frame(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> pandas.DataFrame:
    from quietcopper.optional import need

    frames = need("pandas", extra="notebook", purpose="Showing results as frames")
    made: pandas.DataFrame = frames.DataFrame([[row.get(c) for c in columns] for row in rows], columns=list(columns))
    return made


@dataclass(frozen=True)
class Picture:
    """A drawing that a notebook shows inline; `svg` is its text and stands for itself in a file."""

    svg: str

    def _repr_svg_(self) -> str:
        return self.svg

    def save(self, path: str | Path) -> Path:
        """Write it as a file."""
        from quietcopper.files import write_whole

        write_whole(path, self.svg.encode("utf-8", errors="replace"))
        return Path(path)


@dataclass(frozen=True, eq=False)
class Review:
    """A board and what the review says of it; a notebook shows its headline and worst causes."""

    board: Board
    result: Result
    settings: Settings | None = None

    @cached_property
    def document(self) -> dict[str, Any]:
        """The result as findings.json has it: plain data, lengths in mm."""
        return to_document(self.result)

    @property
    def headline(self) -> str:
        """The verdict in a sentence."""
        from quietcopper.report.words import headline

        return headline(self.document)

    @property
    def findings(self) -> pandas.DataFrame:
        """One row a finding, worst first. Needs pandas (extra 'notebook')."""
        return _frame(self._finding_rows, FINDING_COLUMNS)

    @property
    def causes(self) -> pandas.DataFrame:
        """One row a cause, worst first, with what its change would leave. Needs pandas."""
        rows = [
            {**cause, "places": len(cause["findings"]), "change": (cause["change"] or {}).get("text", "")}
            for cause in self.document["causes"]
        ]
        return _frame(rows, CAUSE_COLUMNS)

    @property
    def lines(self) -> pandas.DataFrame:
        """Signal lines by net, layer and width: length, impedance, delay. Needs pandas."""
        rows = self.document["lines"]
        return _frame(rows, list(rows[0]) if rows else ["net", "layer"])

    @property
    def assumptions(self) -> pandas.DataFrame:
        """Every figure that had to be filled in. Needs pandas."""
        return _frame(self.document["assumptions"], ("what", "value", "unit", "why", "touches"))

    @property
    def _finding_rows(self) -> list[dict[str, Any]]:
        return [
            {**f, "number": n, "x_mm": f["at_mm"][0], "y_mm": f["at_mm"][1]}
            for n, f in enumerate(self.document["findings"], start=1)
        ]

    def picture(self, finding: int | str | None = None) -> Picture:
        """The board with all places, or one place (number from 1, or id) with its surroundings.

        Raises CallError for a finding that this review does not have.
        """
        from quietcopper.report.inline import board_picture, place_picture

        if finding is None:
            return Picture(board_picture(self.document, self.result.drawing))
        ids = [f["id"] for f in self.document["findings"]]
        if isinstance(finding, str) and finding in ids:
            finding = ids.index(finding) + 1
        if not isinstance(finding, int) or not 1 <= finding <= len(ids):
            raise CallError(f"{finding!r}: no finding of this review; there are {len(ids)}")
        return Picture(place_picture(self.document, self.result.drawing, finding))

    def save(self, folder: str | Path) -> Path:
        """Write findings.json, review.html, review.pdf, findings.csv and markup/ into a folder."""
        from quietcopper.findings.document import write_document
        from quietcopper.report.html import write_html
        from quietcopper.report.markup import write_markup
        from quietcopper.report.pdf import write_pdf

        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        write_document(self.document, folder / "findings.json")
        write_html(self.document, self.result.drawing, folder / "review.html")
        write_pdf(self.document, self.result.drawing, folder / "review.pdf")
        write_markup(self.document, self.result.drawing, folder / "markup")
        self.to_csv(folder / "findings.csv")
        return folder

    def to_csv(self, path: str | Path) -> Path:
        """Write the findings as a CSV file, a row each, lists joined by spaces. Needs no pandas."""
        import csv
        import io

        from quietcopper.files import write_whole

        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(FINDING_COLUMNS)
        for row in self._finding_rows:
            cells = [row.get(c) for c in FINDING_COLUMNS]
            writer.writerow([" ".join(map(str, c)) if isinstance(c, list) else c for c in cells])
        write_whole(path, text.getvalue().encode("utf-8", errors="replace"))
        return Path(path)

    def touchstone(self, net: str, path: str | Path, *, to: str | None = None, points: int = 500) -> Path:
        """Write a net's way from its driving pin to the pin `to` (or its only other one) as a Touchstone file, 50 ohm,
        up to five times the edge's knee. Needs scikit-rf (extra 'networks').

        Raises CallError for a net without such a way, OutOfRange for one that cannot be solved.
        """
        import numpy as np

        from quietcopper.electrical.touchstone import two_port, write_touchstone
        from quietcopper.fields.spectra import knee

        view = View(self.board, self.settings)
        index = self.board.net_index.get(net, 0)
        ways = view.profiles.of(index) if index else ()
        ends = {self.board.pin_label(w.path.end_pin) if w.path.end_pin >= 0 else "": w for w in ways}
        if to is None and len(ends) == 1:
            to = next(iter(ends))
        if to not in ends:
            known = ", ".join(sorted(filter(None, ends))) or "none"
            raise CallError(f"{net}: no single way to {to!r}; there are ways to {known}")
        highest = 5 * float(knee(view.drivers[index].rise))
        port = two_port(view, ends[to], highest * np.arange(1, points + 1) / points, 50.0)
        write_touchstone(port, Path(path), f"{net} to {to}")
        return Path(path)

    def _repr_html_(self) -> str:
        from quietcopper.report.inline import summary_html

        return summary_html(self.document)
