"""What a reader of a layer file has to say: errors with their line, oddities and losses with count and first line."""

from __future__ import annotations

from quietcopper.errors import ReadError
from quietcopper.formats.counts import Counts
from quietcopper.formats.gerber.attributes import clean_text
from quietcopper.formats.gerber.tokens import Lines

MAX_ODD = 200  # kinds of oddity; a hostile file could otherwise name any number of apertures


class Messages:
    """Places are positions in the file's text. `counts` collects what goes into the image."""

    def __init__(self, text: str, path: str) -> None:
        self.path = path
        self.lines = Lines(text)
        self.counts = Counts()
        self._odd: dict[str, list[int]] = {}

    def odd(self, what: str, place: int) -> None:
        """Something that deserves a sentence: counted, with its first line."""
        found = self._odd.get(what)
        if found is not None:
            found[0] += 1
        elif len(self._odd) < MAX_ODD:
            self._odd[what] = [1, place]

    def lost(self, what: str, place: int, count: int = 1) -> None:
        """Something that was not taken over."""
        self.counts.unread(clean_text(what), self.lines.of(place), "", count)

    def error(self, place: int, found: str, expected: str = "", remedy: str = "") -> ReadError:
        return ReadError(self.path, self.lines.of(place), found=clean_text(found), expected=expected, remedy=remedy)

    def sentences(self) -> None:
        """Turns the oddities into problems, when the file is at its end."""
        for what, (count, place) in self._odd.items():
            self.counts.problem(f"{clean_text(what)}: {count} (the first at line {self.lines.of(place)}).")
