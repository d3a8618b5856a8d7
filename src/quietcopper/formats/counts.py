"""What a reader did not take over, counted by kind with the line of its first occurrence; and what it has to tell."""

from __future__ import annotations

from collections.abc import Mapping

from quietcopper.board import Assumption, Unread

# layer functions whose drawings say nothing about copper
MAX_KINDS = 200  # of what was not read, listed one by one
OTHERS_OWN = "a word of the program that wrote the file"
PASSED_WHY = "drawings on this kind of layer are no copper"


class Counts:
    """Collects Unread rows, assumptions and problems of one file in the order of their first occurrence."""

    def __init__(self) -> None:
        self._unread: dict[tuple[str, str], list[int]] = {}  # (what, why): count, first line
        self.assumptions: list[Assumption] = []
        self._problems: dict[str, None] = {}

    def unread(self, what: str, line: int, why: str = "", count: int = 1) -> None:
        """line 0 : no place in the file."""
        if len(self._unread) >= MAX_KINDS and (what, why) not in self._unread:
            what, why = "other elements", f"more than {MAX_KINDS} kinds are not understood"
        found = self._unread.setdefault((what, why), [0, line])
        found[0] += count

    def passed(self, function: str, drawn: Mapping[str, int], line: int) -> None:
        """A layer whose drawings were passed over."""
        count = sum(drawn.values())
        if count:
            self.unread(f"drawings on {function or 'nameless'} layers", line, PASSED_WHY, count)

    def assume(self, what: str, value: float | str, unit: str, why: str, touches: int = 1) -> None:
        self.assumptions.append(Assumption(what, value, unit, why, touches))

    def problem(self, sentence: str) -> None:
        self._problems.setdefault(sentence)

    @property
    def problems(self) -> tuple[str, ...]:
        return tuple(self._problems)

    def rows(self) -> tuple[Unread, ...]:
        return tuple(
            Unread(what, count, f"line {line}" if line else "", why or "not understood")
            for (what, why), (count, line) in self._unread.items()
        )
