"""The errors a user can meet. Each message is one sentence: place, what was found, what was expected, what to do."""

from __future__ import annotations

from functools import partial
from pathlib import Path


class QuietCopperError(Exception):
    """Base of all errors meant for the user; the command line prints the message and exits with status 2."""


class ReadError(QuietCopperError):
    """A board file cannot be used.

    path   : the file, or archive and member
    place  : line number, element or row; empty when the whole file is meant
    found  : what stands there
    expected : what would be accepted
    remedy : what the user can do
    """

    def __init__(
        self, path: Path | str, place: str | int = "", *, found: str, expected: str = "", remedy: str = ""
    ) -> None:
        where = f"{path}:{place}" if isinstance(place, int) else f"{path}: {place}" if place else str(path)
        parts = [f"{where}: found {found}"]
        if expected:
            parts.append(f"expected {expected}")
        if remedy:
            parts.append(remedy)
        super().__init__("; ".join(parts))
        self.path, self.place, self.found, self.expected, self.remedy = path, place, found, expected, remedy

    def __reduce__(self) -> tuple[object, ...]:  # else a copy for another process could not be made from the message
        again = partial(type(self), found=self.found, expected=self.expected, remedy=self.remedy)
        return again, (self.path, self.place)


class SettingsError(QuietCopperError):
    """A settings or changes file is not usable; the message names file, key and what is allowed."""


class CallError(QuietCopperError):
    """A command or function was called with values that make no sense."""


class OutOfRange(QuietCopperError):
    """A formula or solver was asked for a case outside its stated range; the caller reports it as not checked."""
