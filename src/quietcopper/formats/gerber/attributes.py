"""The attribute dictionary (TF, TA, TO, TD): what is in force, and numbered sets for the objects drawn meanwhile.

Source: Gerber Layer Format Specification 2024.05, chapter 5.
"""

from __future__ import annotations

import re
from types import MappingProxyType

from quietcopper.formats.gerber.graphics import AttributeSet, Fields

MAX_NAMES = 64  # attributes in force at once; real files have about ten
MAX_STORED = 500_000  # attributes of all sets together

_ESCAPE = re.compile(r"\\u([0-9A-Fa-f]{4})|\\U([0-9A-Fa-f]{8})")

Held = dict[str, Fields]
Key = tuple[tuple[str, Fields], ...]


class TooManyAttributes(Exception):
    """More than any file needs; the message says what."""


def clean_text(text: str) -> str:
    """UTF-8 (or Latin-1 where it is none) from a text that was decoded byte by byte."""
    if text.isascii():
        return text
    try:
        return text.encode("latin-1").decode("utf-8")
    except (UnicodeDecodeError, UnicodeEncodeError):
        return text


def _unescaped(match: re.Match[str]) -> str:
    code = int(match[1] or match[2], 16)
    return chr(code) if code < 0xD800 or 0xDFFF < code <= 0x10FFFF else match[0]


def fields_of(text: str) -> list[str]:
    """The comma-separated fields of an attribute, trimmed, escapes resolved; the first is its name."""
    text = clean_text(text)
    fields = [field.strip() for field in text.split(",")]
    return [_ESCAPE.sub(_unescaped, field) for field in fields] if "\\" in text else fields


class Attributes:
    """Attributes in force. `sets` grows by one entry for each combination that an object was drawn with."""

    def __init__(self) -> None:
        self.file: Held = {}
        self.sets: list[AttributeSet] = [AttributeSet()]
        self._object: Held = {}
        self._aperture: Held = {}
        self._objects: list[Held] = [{}]
        self._apertures: list[Held] = [{}]
        self._object_numbers: dict[Key, int] = {(): 0}
        self._aperture_numbers: dict[Key, int] = {(): 0}
        self._set_numbers: dict[tuple[int, int], int] = {(0, 0): 0}
        self._object_now: int | None = 0
        self._aperture_now: int | None = 0
        self._stored = 0

    def set(self, kind: str, name: str, fields: Fields) -> bool:
        """kind : "F", "A" or "O". False for a file attribute that was given before with other fields."""
        if kind == "F":
            if len(self.file) < MAX_NAMES * 16:
                self.file.setdefault(name, fields)
            return self.file.get(name) == fields
        held = self._aperture if kind == "A" else self._object
        if name not in held and len(held) >= MAX_NAMES:
            raise TooManyAttributes(f"more than {MAX_NAMES} attributes in force at once")
        held[name] = fields
        self._changed(kind)
        return True

    def delete(self, name: str) -> None:
        """One attribute of apertures or objects, or all of them for an empty name."""
        if not name:
            self._object.clear()
            self._aperture.clear()
            self._changed("A")
            self._changed("O")
            return
        if self._object.pop(name, None) is not None:
            self._changed("O")
        if self._aperture.pop(name, None) is not None:
            self._changed("A")

    def _changed(self, kind: str) -> None:
        if kind == "A":
            self._aperture_now = None
        else:
            self._object_now = None

    @property
    def aperture_number(self) -> int:
        """Of the aperture attributes in force: what an aperture keeps that is defined now."""
        if self._aperture_now is None:
            self._aperture_now = self._number(self._aperture, self._aperture_numbers, self._apertures)
        return self._aperture_now

    def aperture_attributes(self, number: int) -> MappingProxyType[str, Fields]:
        return MappingProxyType(self._apertures[number])

    def number(self, aperture_number: int) -> int:
        """The set (index into `sets`) of an object drawn now, its aperture attributes being the numbered ones."""
        if self._object_now is None:
            self._object_now = self._number(self._object, self._object_numbers, self._objects)
        return self._set_number(self._object_now, aperture_number)

    def inherited(self, inner: int, outer: int) -> int:
        """The set of an object inside a block flashed with the set `outer`: its own attributes come first."""
        own, given = self.sets[inner], self.sets[outer].on_object
        if not given or all(own.on_object.get(name) == fields for name, fields in given.items()):
            return inner
        merged = {**given, **own.on_object}
        number = self._number(merged, self._object_numbers, self._objects)
        return self._set_number(number, self._number(dict(own.on_aperture), self._aperture_numbers, self._apertures))

    def _set_number(self, object_number: int, aperture_number: int) -> int:
        key = object_number, aperture_number
        found = self._set_numbers.get(key)
        if found is None:
            found = self._set_numbers[key] = len(self.sets)
            on_object = MappingProxyType(self._objects[object_number])
            self.sets.append(AttributeSet(on_object, self.aperture_attributes(aperture_number)))
        return found

    def _number(self, held: Held, numbers: dict[Key, int], kept: list[Held]) -> int:
        key = tuple(sorted(held.items()))
        found = numbers.get(key)
        if found is None:
            self._stored += len(held)
            if self._stored > MAX_STORED:
                raise TooManyAttributes(f"more than {MAX_STORED} attributes")
            found = numbers[key] = len(kept)
            kept.append(dict(held))
        return found
