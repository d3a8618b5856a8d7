"""NC drill files: XNC and older Excellon, into holes, slots and routed ways with their tools.

Sources: XNC Format Specification (2021) and the Excellon CNC-7 programming commands, both from memory. Where a file
leaves open how its numbers are to be read, the pads that the holes should meet decide (see `excellon_numbers`).
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from quietcopper.board.model import Assumption
from quietcopper.errors import ReadError
from quietcopper.formats.excellon_numbers import CLEAR_HIT, LEADING, TRAILING, NumberFormat, Stated, fit
from quietcopper.formats.excellon_statements import DrillFile, Hits, Interpreter, Tool
from quietcopper.units import INCH, MM

__all__ = ["DrillFile", "Hits", "Tool", "looks_like_drill", "read_drill"]

PROBE_LINES = 20_000  # as many lines or holes decide how numbers are read
COORDINATE = re.compile(r"[XYIJA]\s*([-+]?)(\d*)(\.?)")
PLACES = re.compile(r"FORMAT\s*[=:]\s*\{?\s*(\d)\s*[:.]\s*(\d)")
SUPPRESS = re.compile(r"SUPPRESS\w*\s+(LEADING|TRAILING)|(LEADING|TRAILING)\s+ZEROS?\s+(?:SUPPRESS|OMIT)")
PLAIN_UNIT = re.compile(r"/\s*(INCH|METRIC|MM)\b")


def looks_like_drill(head: bytes) -> bool:
    """Whether a file's first bytes are those of a drill file: a header, or tools and places without Gerber's signs."""
    text = head[:4000].decode("latin-1").upper()
    lines = [line.strip() for line in text.splitlines()]
    if any(line in ("M48", "M48*") for line in lines):
        return True
    if "%FS" in text or "%MO" in text or "%AD" in text or "*" in "".join(x for x in lines if not x.startswith(";")):
        return False
    tools = any(re.fullmatch(r"T\d{1,4}(?:[CFSHBZ][-+\d.]*)*", line) for line in lines)
    places = any(re.fullmatch(r"(?:G0?[0-3])?X[-+\d.]+(?:Y[-+\d.]+)?", line) for line in lines)
    return tools and (places or "M30" in lines)


def read_drill(data: bytes, path: str, pads: NDArray[np.float64] | None = None) -> DrillFile:
    """Reads one drill file.

    pads : middles of copper pads, m, shape (n, 2): what holes should meet where the file leaves open how its numbers
    are read. Raises ReadError for what is no drill file or is out of bounds.
    """
    lines = data.decode("latin-1").splitlines()
    stated, lengths, pointed = _survey(lines)
    chosen = stated.complete(pointed)
    assumption = None
    if chosen is None:
        chosen, assumption = _choose(lines, path, stated, lengths, pads)
    reader = Interpreter(path, chosen)
    reader.run(lines)
    if not reader.rows and not reader.tools and not reader.known:
        raise ReadError(path, found="no drill statement", expected="a drill file (M48, tools, places)")
    return reader.result(assumption)


def _survey(lines: list[str]) -> tuple[Stated, list[int], bool]:
    """What the file states of its numbers; digits of those without a point (a sample); whether all have one."""
    stated, lengths, pointed = Stated(), list[int](), True
    for line in lines:
        text = line.strip().upper()
        if text.startswith(";"):
            _stated_by_comment(text[1:], stated)
            continue
        if text.startswith(("METRIC", "INCH")):
            words = re.split(r"[,\s]+", text)
            stated.unit = MM if words[0] == "METRIC" else INCH
            for word in words[1:]:
                if word in ("LZ", "TZ"):
                    stated.zeros = LEADING if word == "LZ" else TRAILING
                elif m := re.fullmatch(r"(0+)\.(0+)", word):
                    stated.integers, stated.decimals = len(m[1]), len(m[2])
        elif text in ("M71", "M72", "G21", "G20"):
            stated.unit = stated.unit or (MM if text in ("M71", "G21") else INCH)
        elif text[:1] in "XYGRN" and len(lengths) < PROBE_LINES:
            for m in COORDINATE.finditer(text):
                if not m[3] and m[2]:
                    pointed = False
                    lengths.append(len(m[2]))
    return stated, lengths, pointed


def _stated_by_comment(text: str, stated: Stated) -> None:
    """Weaker than the header's own words, which come later or win by being exact."""
    if m := PLACES.search(text):
        stated.integers, stated.decimals = int(m[1]), int(m[2])
    if m := SUPPRESS.search(text):
        left_out = m[1] or m[2]
        stated.zeros = stated.zeros or (TRAILING if left_out == "LEADING" else LEADING)
    if "FORMAT" in text and (m := PLAIN_UNIT.search(text)):
        stated.unit = stated.unit or (INCH if m[1] == "INCH" else MM)


def _choose(
    lines: list[str], path: str, stated: Stated, lengths: list[int], pads: NDArray[np.float64] | None
) -> tuple[NumberFormat, Assumption]:
    """The format that puts the holes on pads; without pads the first that agrees with what is stated."""
    best, best_fit, tried = None, None, dict[NumberFormat, None]()
    for candidate in stated.candidates(lengths):
        tried.setdefault(candidate)
        if pads is None or not len(pads):
            break
        probe = Interpreter(path, candidate, enough=PROBE_LINES)
        try:
            probe.run(lines[:PROBE_LINES])
        except ReadError:
            continue
        if not probe.rows:
            break
        ends = np.array([row[:4] for row in probe.rows])
        places = (ends[:, :2] + ends[:, 2:]) / 2
        found = fit(places, pads)
        if best_fit is None or found.key > best_fit.key:
            best, best_fit = candidate, found
    if best is None or best_fit is None:
        best = next(iter(tried))
        why = "the file does not say it; the usual one"
    elif best_fit.on_pads >= CLEAR_HIT:
        why = f"the file does not say it; read so, {100 * best_fit.on_pads:.0f} % of its holes meet pads"
    else:
        why = (
            "the file does not say it; read so, the holes fit the copper best, but only "
            f"{100 * best_fit.on_pads:.0f} % of them meet pads: state the format in the file's header"
        )
    return best, Assumption(f"how numbers are written in {path}", best.words, "", why)
