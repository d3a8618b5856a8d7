"""Setting a document with typst: text that can be no markup, drawings that stand alone, the same bytes every time.

A template is fixed; everything else reaches it as strings of one JSON file, which typst shows as text and never reads
as markup, and as SVG files. No time is written, unless SOURCE_DATE_EPOCH names one.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from html import unescape
from importlib.resources import as_file, files
from typing import Any

from quietcopper.errors import CallError
from quietcopper.report.html import resource
from quietcopper.report.safe import Markup

LONG_WORD, PIECE = 22, 14  # characters; longer words may break at their joints, and where those are too far apart
HATCH_PX = 7.0
# What XML cannot carry, and what would hide text or turn the direction of the text around it.
_UNPRINTABLE = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]|[\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]"
)
# Scripts that neither the letter's fonts nor typst's own cover: the system's fonts are asked for them.
_FOREIGN = re.compile("[\u0590-\u1dff\u2c00-\ufffc\U00010000-\U0010ffff]")
_JOINT = re.compile(r"(?<=[_./:\\|+\-])(?=\w)")
_TAG = re.compile(r"<svg([^>]*)>")
_ATTRIBUTE = re.compile(r'([\w-]+)="([^"]*)"')
_KEPT = ("class", "viewBox", "width", "height", "preserveAspectRatio")


def printable(text: str) -> str:
    """Text without control characters, and with places where a very long word may break."""

    def broken(match: re.Match[str]) -> str:
        pieces = _JOINT.split(match[0])
        return "\u200b".join(p[i : i + PIECE] for p in pieces for i in range(0, len(p), PIECE))

    return re.sub(rf"\S{{{LONG_WORD},}}", broken, _UNPRINTABLE.sub("?", text))


def all_printable(value: Any) -> Any:
    """The same for every string of plain data; keys are ours and stay."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, Mapping):
        return {key: all_printable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [all_printable(item) for item in value]
    return value


@cache
def palette() -> dict[str, str]:
    """The letter's colours by name, from its style sheet."""
    return dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6});", resource("static", "letter.css").decode("utf-8")))


@cache
def drawing_style() -> str:
    """The rules for drawings with their colours; lengths in drawing units are still marked 'u'."""
    css = resource("static", "letter.css").decode("utf-8").partition("}\n")[2]
    css = re.sub(r"/\*.*?\*/", "", css, flags=re.DOTALL)
    return re.sub(r"\$([\w-]+)", lambda m: palette()[m[1]], css)


def _hatch(unit: float) -> str:
    pitch = f"{HATCH_PX * unit:.4g}"
    return (
        f'<defs><pattern id="hatch" width="{pitch}" height="{pitch}" patternUnits="userSpaceOnUse"'
        f' patternTransform="rotate(45)"><rect class="hatch-ground" width="{pitch}" height="{pitch}"/>'
        f'<path class="hatch-line" stroke-width="{unit:.4g}" d="M0 0V{pitch}"/></pattern></defs>'
    )


class Pictures:
    """Collects drawings as files for typst."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}

    def add(self, svg: Markup) -> dict[str, Any] | None:
        """One drawing of the page made to stand alone: {file, w, h (px), alt, framed}; None for an empty one."""
        tag = _TAG.match(svg)
        if tag is None:
            return None
        given = dict(_ATTRIBUTE.findall(tag[1]))
        width, height = float(given["width"]), float(given["height"])
        unit = float(given["viewBox"].split()[2]) / width
        style = re.sub(r"([\d.]+)u\b", lambda m: f"{float(m[1]) * unit:.4g}", drawing_style())
        attributes = "".join(f' {key}="{given[key]}"' for key in _KEPT if key in given)
        body = svg[tag.end() :]
        hatch = _hatch(unit) if 'class="under"' in body else ""
        text = f'<svg xmlns="http://www.w3.org/2000/svg"{attributes}><style>{style}</style>{hatch}{body}'
        name = f"drawing-{len(self.files) + 1}.svg"
        self.files[name] = _UNPRINTABLE.sub("?", text).encode("utf-8")
        alt = unescape(given.get("aria-label", "")) or "Drawing of the board"
        framed = "close-up" in given.get("class", "")
        return {"file": name, "w": width, "h": height, "alt": alt, "framed": framed}


def fixed_time() -> datetime | None:
    """The time that SOURCE_DATE_EPOCH names, else None. Raises CallError where it is no number of seconds."""
    text = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not text:
        return None
    try:
        return datetime.fromtimestamp(int(text), UTC)
    except (ValueError, OverflowError, OSError) as e:
        raise CallError(f"SOURCE_DATE_EPOCH is {text!r}, a whole number of seconds since 1970 was expected") from e


def compile_pdf(template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes]) -> bytes:
    """The PDF of a template of this package with its data (`letter.json`) and drawings.

    Raises CallError where typst cannot set it, with typst's own sentence.
    """
    import typst

    text = json.dumps(all_printable(data), ensure_ascii=False, allow_nan=False)
    sources = {"main.typ": resource("templates", template), "letter.json": text.encode("utf-8"), **pictures}
    foreign = bool(_FOREIGN.search(text)) or any(_FOREIGN.search(p.decode("utf-8")) for p in pictures.values())
    with as_file(files("quietcopper.report").joinpath("static/fonts")) as fonts:
        try:
            made = typst.compile(  # type: ignore[call-overload]  # its stubs leave out the files by name
                sources,
                font_paths=[fonts],
                ignore_system_fonts=not foreign,
                format="pdf",
                timestamp=fixed_time(),
            )
        except typst.TypstError as e:
            raise CallError(f"the letter could not be set: {e.message}") from e
    if not isinstance(made, bytes):
        raise TypeError(f"typst gave {type(made).__name__}, bytes were expected")
    return made
