"""Text of an XML file, written so that equal boards give equal bytes and numbers survive exactly."""

from __future__ import annotations

import gzip
import io
import math
import os
import re
import tempfile
from decimal import Decimal, localcontext
from pathlib import Path
from typing import BinaryIO

from quietcopper.errors import CallError
from quietcopper.formats.ipc2581.values import PI, radians_of

_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_ESCAPES = str.maketrans(
    {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "\t": "&#9;", "\n": "&#10;", "\r": "&#13;"}
)


def quoted(text: str) -> str:
    """An attribute value. Raises CallError for characters that XML cannot hold."""
    if _NOT_XML.search(text):
        raise CallError(f"name {text!r}: found a character that an IPC-2581 file cannot hold")
    return text.translate(_ESCAPES)


def plain(value: float) -> str:
    """A number without exponent that reads back as the same float."""
    return format(Decimal(repr(float(value))), "f")


def mm(metres: float) -> str:
    """A length in millimetres that the reader takes back as the same float in metres."""
    metres = float(metres)  # numpy's floats print otherwise
    short = repr(round(metres * 1e3, 9))
    if "e" not in short and float(short + "e-3") == metres:
        return short
    return format(Decimal(repr(metres)).scaleb(3), "f")


def degrees(radians: float, *, mirrored: bool = False) -> tuple[str, int]:
    """An angle in [0°, 360°), turned for a mirror, and the whole turns to add: values.angle gives the same float.

    Angles below 1e-20 rad are no angle.
    """
    with localcontext(prec=60):
        exact = Decimal(radians) * 180 / PI
        turns = math.floor(exact / 360)
        exact -= 360 * turns
        if mirrored:
            exact = (360 - exact) % 360
        for digits in (6, 12, 16, 20, 40):
            text = format(exact.quantize(Decimal(1).scaleb(-digits)).normalize(), "f")
            if radians_of(text, mirrored, turns) == radians:
                break
    return text, turns


class Markup:
    """Elements into a binary stream, indented."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream, self._open = stream, list[str]()
        self._lines: list[str] = ['<?xml version="1.0" encoding="UTF-8"?>']

    def leaf(self, tag: str, **attributes: str) -> None:
        self._lines.append(f"{'  ' * len(self._open)}<{tag}{self._text(attributes)}/>")
        if len(self._lines) > 20_000:
            self.flush()

    def open(self, tag: str, **attributes: str) -> None:
        self._lines.append(f"{'  ' * len(self._open)}<{tag}{self._text(attributes)}>")
        self._open.append(tag)

    def close(self) -> None:
        tag = self._open.pop()
        self._lines.append(f"{'  ' * len(self._open)}</{tag}>")

    def flush(self) -> None:
        self._stream.write(("\n".join(self._lines) + "\n").encode())
        self._lines = []

    @staticmethod
    def _text(attributes: dict[str, str]) -> str:
        return "".join(f' {name}="{quoted(value)}"' for name, value in attributes.items())


class Replacing:
    """A file that appears under its name only when it is complete; .gz is packed, without a time in it."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> BinaryIO:
        handle, name = tempfile.mkstemp(prefix=f".{self._path.name}.", suffix=".part", dir=self._path.parent)
        self._part = Path(name)
        self._raw = os.fdopen(handle, "wb")
        self._packed: gzip.GzipFile | None = None
        if self._path.suffix.lower() == ".gz":
            self._packed = gzip.GzipFile(filename="", mode="wb", fileobj=self._raw, mtime=0)
            return io.BufferedWriter(self._packed, 1 << 20)
        return self._raw

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if self._packed is not None:
                self._packed.close()
            self._raw.close()
            if kind is None:
                self._part.chmod(0o644)
                self._part.replace(self._path)
        finally:
            self._part.unlink(missing_ok=True)
