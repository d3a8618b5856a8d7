"""The statements of a drill file, run one after the other: see `excellon`."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from quietcopper.board.geometry import arc_points
from quietcopper.board.model import Assumption, Floats, Ints, Table, Unread, column
from quietcopper.errors import ReadError
from quietcopper.formats.counts import Counts
from quietcopper.formats.excellon_numbers import BadNumber, NumberFormat
from quietcopper.units import INCH, MIL, MM

MAX_HITS = 500_000  # holes and pieces of routed ways; ten times what a large board has
MAX_TOOLS = 10_000
ROUTE_SAG = 5e-6  # m; how far a chord of a routed arc may lie from it
COLUMN = re.compile(r"([A-Z])\s*([-+]?[0-9.]*)")
ATTRIBUTE = re.compile(r"#@!\s*(T[FAOD])([^,*]*),?([^*]*)")
LOOSE_FUNCTION = re.compile(r"(?:TF)?\.?FileFunction\s*[,=]\s*([^*]*)", re.IGNORECASE)
TYPE = re.compile(r"TYPE\s*=\s*(NON[-_ ]?PLATED|PLATED)", re.IGNORECASE)
# ";T01 Holesize 1. = 8.000000 Tolerance = +3.0/-3.0 PLATED MILS Quantity = 1873"
HOLE_SIZE = re.compile(
    r"(?:T(\d{1,6})\s+)?HOLESIZE\s+(\d{1,6})\.?\s*=\s*(\d{1,9}(?:\.\d{1,9})?)(.*?)(MILS?|MM|MILLIMET\w*|INCH\w*|MICRONS?)?\b"
    r"(?=\s+QUANTITY|\s*$)"
)
COMMENT_UNITS = {"MIL": MIL, "MILS": MIL, "MM": MM, "INCH": INCH, "INCHES": INCH, "MICRON": 1e-6, "MICRONS": 1e-6}
# statements that change no hole
SILENT = re.compile(
    r"M48|M95|M00|M06|M09|M30|M60|M61|M62|FMAT,?[12]|ICI(?:,\w*)?|VER,\S*|ATC(?:,\w*)?|DETECT(?:,\w*)?|TCST(?:,\w*)?|"
    r"BLKD(?:,\w*)?|SBK(?:,\w*)?|OM48(?:,\w*)?|OSTOP(?:,\w*)?|OTCLMP(?:,\w*)?|AFS(?:,\w*)?|ATC,\w+|G40|G41|G42|G17|G29|"
    r"PCKPARAM(?:,\w*)?|LOGON|RSB|F\d*\.?\d*|S\d*\.?\d*|M47.*|M45.*|Z[-+,\d.A-Z]*|B[-+,\d.]+|H\d+"
)


@dataclass(frozen=True)
class Tool:
    """A tool as defined. diameter : m, nan where the file states none; plated : None where the file does not say."""

    number: int
    diameter: float
    plated: bool | None = None
    attributes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    line: int = 0

    @property
    def function(self) -> tuple[str, ...]:
        """Its TA.AperFunction, such as ("Plated", "PTH", "ViaDrill")."""
        return self.attributes.get(".AperFunction", ())


@dataclass(frozen=True, eq=False)
class Hits(Table):
    """What is drilled, in order: round holes (both ends equal), slots, and straight pieces of routed ways.

    tool : index into DrillFile.tools; way : number of the routed way that a piece belongs to, -1 for a drilled hole or
    slot; line : of the file
    """

    x0: Floats = column(np.float64)
    y0: Floats = column(np.float64)
    x1: Floats = column(np.float64)
    y1: Floats = column(np.float64)
    tool: Ints = column(np.int32)
    way: Ints = column(np.int32)
    line: Ints = column(np.int32)


@dataclass(frozen=True, eq=False)
class DrillFile:
    """One drill file.

    attributes : file attributes (TF), name such as ".FileFunction" to fields
    plated     : what the file's attributes or comments say of all its holes; None where they say nothing
    span       : copper layers that it joins, numbered from 1, where it says so
    comments   : the first comments, for what only they tell
    """

    path: str
    hits: Hits
    tools: tuple[Tool, ...]
    format: NumberFormat
    attributes: Mapping[str, tuple[str, ...]]
    plated: bool | None = None
    span: tuple[int, int] | None = None
    comments: tuple[str, ...] = ()
    unread: tuple[Unread, ...] = ()
    problems: tuple[str, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


class Interpreter:
    """Runs the statements of one file. rows : x0, y0, x1, y1, tool, way, line of every hit.

    enough : hits after which it may stop, for a first look
    """

    def __init__(self, path: str, numbers: NumberFormat, enough: int | None = None) -> None:
        self._enough = enough
        self.path, self.numbers, self.counts = path, numbers, Counts()
        self.rows: list[tuple[float, float, float, float, int, int, int]] = []
        self.tools: list[Tool] = []
        self.known = 0  # statements understood
        self._index: dict[int, int] = {}  # tool number to its latest definition
        self._tool = -1
        self._x = self._y = self._x0 = self._y0 = 0.0  # place, and the zero that G92 and G93 set
        self._incremental = self._routing = self._down = self._header = False
        self._motion = 0
        self._no_depth = False  # a file without M15 and M16 cuts on every G01
        self._way, self._ways = -1, 0  # the way being cut, and how many there were
        self._line = 0
        self._plated: bool | None = None
        self._file: dict[str, tuple[str, ...]] = {}
        self._for_tools: dict[str, tuple[str, ...]] = {}
        self._comments: list[str] = []

    def fail(self, found: str, expected: str = "", remedy: str = "") -> ReadError:
        return ReadError(self.path, self._line, found=found, expected=expected, remedy=remedy)

    def run(self, lines: list[str]) -> None:
        """Raises ReadError for bounds and for numbers that make no sense."""
        self._no_depth = not any(line.strip().upper().startswith("M15") for line in lines)
        for number, line in enumerate(lines, 1):
            self._line = number
            text = line.strip()
            if text.startswith(";"):
                self._comment(text[1:].strip())
                continue
            text = re.sub(r"\s+|\([^)]*\)|;.*", "", text).upper().rstrip("*")
            text = re.sub(r"^(?:/|N\d{1,9}(?=[A-Z]))+", "", text)
            if not text:
                continue
            if self._enough is not None and len(self.rows) >= self._enough:
                break
            try:
                if text == "M30":
                    self.known += 1
                    break
                self._statement(text)
            except BadNumber as error:
                raise self.fail(f"{str(error)!r} where a number belongs", "a coordinate below 10 m") from error

    # ---- comments --------------------------------------------------------------------------------

    def _comment(self, text: str) -> None:
        if len(self._comments) < 40:
            self._comments.append(text[:200])
        if m := ATTRIBUTE.search(text):
            self._attribute(m[1].upper(), m[2].strip(), tuple(f.strip() for f in m[3].split(",")))
            return
        upper = text.upper()
        if m := TYPE.search(text):
            self._plated = m[1].upper() == "PLATED"
        elif (m := LOOSE_FUNCTION.search(text)) is not None:
            self._file.setdefault(".FileFunction", tuple(f.strip() for f in m[1].split(",")))
        elif m := HOLE_SIZE.search(upper):
            unit = COMMENT_UNITS.get(m[5] or "", self.numbers.unit)
            plated = None if "PLATED" not in m[4] else not re.search(r"NON[-_ ]?PLATED", m[4])
            self._define(int(m[1] or m[2]), float(m[3]) * unit, plated)
        elif m := re.search(r"CONTENTS\s*:.*\b(NON[-_ ]?PLATED|UNPLATED|PLATED)\b", upper):
            self._plated = m[1] == "PLATED"

    def _attribute(self, kind: str, name: str, fields: tuple[str, ...]) -> None:
        if kind == "TF":
            self._file[name] = fields
        elif kind == "TA":
            self._for_tools[name] = fields
        elif kind == "TD":
            if name:
                self._for_tools.pop(name, None)
            else:
                self._for_tools.clear()
        else:
            self.counts.unread("object attributes", self._line, "of holes; pads say the same")

    # ---- statements ------------------------------------------------------------------------------

    def _statement(self, text: str) -> None:
        if text.startswith("T") and len(text) > 1 and text[1].isdigit():
            self._tool_statement(text)
        elif text in ("%", "M95", "M48"):
            self._header = text == "M48"
            self.known += text == "M48"
        elif text.startswith(("METRIC", "INCH")) or text in ("M71", "M72", "G20", "G21"):
            self.known += 1  # taken in by the survey before
        elif SILENT.fullmatch(text):
            self.known += 1
        elif text[0] in "XYGMR":
            self._motion_statement(text)
        else:
            self.counts.unread(f"statement {text[:12]}", self._line)

    def _tool_statement(self, text: str) -> None:
        m = re.fullmatch(r"T(\d{1,6})((?:[A-SU-WZ][-+]?[\d.]*)*)((?:X|Y).*)?", text)
        if not m:
            self.counts.unread(f"tool statement {text[:12]}", self._line)
            return
        self.known += 1
        number = int(m[1])
        size = re.search(r"C([\d.]+)", m[2])
        if size:
            try:
                diameter = float(size[1])
            except ValueError as error:
                raise BadNumber(size[1][:30]) from error
            self._define(number, diameter * self.numbers.unit, self._plated)
        if number == 0 and 0 not in self._index:
            self._tool = -1  # T0 puts the tool away
        elif not self._header:
            if number not in self._index:
                self._define(number, math.nan, self._plated)
            self._tool = self._index[number]
        if m[3]:
            self._motion_statement(m[3])

    def _define(self, number: int, diameter: float, plated: bool | None) -> None:
        if not diameter <= 0.1:  # nan as well
            if diameter > 0.1:
                raise self.fail(f"a tool of {diameter * 1e3:g} mm", "at most 100 mm")
            diameter = math.nan
        function = self._for_tools.get(".AperFunction", ())
        if function and function[0].lower() in ("plated", "nonplated"):
            plated = function[0].lower() == "plated"
        known = self._index.get(number)
        if known is not None:
            old = self.tools[known]
            if math.isnan(diameter) or (old.diameter, old.plated, old.attributes) == (
                diameter, plated, self._for_tools
            ):  # fmt: skip
                return
            if plated is None:
                plated = old.plated
        if len(self.tools) >= MAX_TOOLS:
            raise self.fail(f"more than {MAX_TOOLS} tool definitions")
        self._index[number] = len(self.tools)
        self.tools.append(Tool(number, diameter, plated, dict(self._for_tools), self._line))

    def _motion_statement(self, text: str) -> None:
        words = COLUMN.findall(text)
        if "".join(a + b for a, b in words) != text:
            self.counts.unread(f"statement {text[:12]}", self._line)
            return
        self.known += 1
        slot = next((i for i, (a, b) in enumerate(words) if a == "G" and b.lstrip("0") == "85"), None)
        if slot is not None:
            self._slot(words[:slot], words[slot + 1 :])
            return
        target: dict[str, str] = {}
        repeats = 0
        for letter, value in words:
            if letter == "G":
                if not self._g(value):
                    return
            elif letter == "M":
                if not self._m(value):
                    return
            elif letter == "R":
                repeats = int(value) if value.isdigit() and len(value) < 10 else 0
            elif letter in "XYIJA":
                target[letter] = value
            elif letter not in "FSZ":
                self.counts.unread(f"statement {text[:12]}", self._line)
                return
        if repeats:
            self._repeat(repeats, target)
        elif "X" in target or "Y" in target:
            self._go(target)

    def _g(self, value: str) -> bool:
        """Takes a G code; False where the rest of its line has another meaning."""
        code = value.lstrip("0") or "0"
        if code in ("0", "1", "2", "3"):
            self._routing, self._motion = True, int(code)
            if code == "0":
                self._way = -1
        elif code in ("5", "81"):
            self._routing, self._way = False, -1
        elif code in ("90", "91"):
            self._incremental = code == "91"
        elif code in ("92", "93"):
            self._motion = 92
        elif code in ("40", "41", "42"):
            pass
        else:
            self.counts.unread(f"statement G{code}", self._line, "its holes are missing")
            self.counts.problem(f"{self.path}:{self._line}: statement G{code} is not understood; holes may be missing.")
            return False
        return True

    def _m(self, value: str) -> bool:
        code = value.lstrip("0") or "0"
        if code == "15":
            self._down, self._way = True, -1
        elif code in ("16", "17"):
            self._down, self._way = False, -1
        elif code in ("1", "2", "8", "25", "70", "80", "90"):
            self.counts.unread(f"statement M{code.zfill(2)}", self._line, "repeated patterns are not written out")
            self.counts.problem(f"{self.path}:{self._line}: a pattern of holes is repeated; its copies are missing.")
            return False
        elif not SILENT.fullmatch(f"M{code.zfill(2)}"):
            self.counts.unread(f"statement M{code.zfill(2)}", self._line)
        return True

    def _place(self, target: Mapping[str, str]) -> tuple[float, float]:
        """The place that a statement leads to."""
        x, y = (self.numbers.metres(target[c]) if target.get(c) else None for c in "XY")
        if self._incremental:
            return self._x + (x or 0.0), self._y + (y or 0.0)
        return self._x if x is None else x + self._x0, self._y if y is None else y + self._y0

    def _go(self, target: Mapping[str, str]) -> None:
        if self._motion == 92:  # this line sets the zero
            self._x0, self._y0 = (self.numbers.metres(target[c]) if target.get(c) else 0.0 for c in "XY")
            self._motion = 0
            return
        x, y = self._place(target)
        if not self._routing:
            self._hit(x, y, x, y, -1)
        elif self._motion and (self._down or self._no_depth):
            self._cut(x, y, target)
        self._x, self._y = x, y

    def _cut(self, x: float, y: float, target: Mapping[str, str]) -> None:
        if self._way < 0:
            self._way, self._ways = self._ways, self._ways + 1
        if self._motion == 1:
            self._hit(self._x, self._y, x, y, self._way)
            return
        turn = -1 if self._motion == 2 else 1
        if target.get("A"):
            centre = _centre(self._x, self._y, x, y, self.numbers.metres(target["A"]), turn)
        else:
            i, j = (self.numbers.metres(target[c]) if target.get(c) else 0.0 for c in "IJ")
            centre = (self._x + i, self._y + j)
        points = arc_points(self._x, self._y, x, y, *centre, turn, sag=ROUTE_SAG)
        for (xa, ya), (xb, yb) in zip(points[:-1].tolist(), points[1:].tolist(), strict=True):
            self._hit(xa, ya, xb, yb, self._way)

    def _slot(self, start: list[tuple[str, str]], end: list[tuple[str, str]]) -> None:
        first = {letter: value for letter, value in start if letter in "XY"}
        self._x, self._y = self._place(first)
        x, y = self._place({letter: value for letter, value in end if letter in "XY"})
        self._hit(self._x, self._y, x, y, -1)
        self._x, self._y = x, y

    def _repeat(self, count: int, target: Mapping[str, str]) -> None:
        """R: the last hole again, `count` times, each at an offset from the one before."""
        dx, dy = (self.numbers.metres(target[c]) if target.get(c) else 0.0 for c in "XY")
        if self._enough is not None:
            count = min(count, self._enough)
        if len(self.rows) + count > MAX_HITS:
            raise self.fail(f"{count} repeats of a hole", f"at most {MAX_HITS} holes in a file")
        for _ in range(count):
            self._x, self._y = self._x + dx, self._y + dy
            self._hit(self._x, self._y, self._x, self._y, -1)

    def _hit(self, x0: float, y0: float, x1: float, y1: float, way: int) -> None:
        if self._tool < 0:
            if not self.tools:
                self._define(0, math.nan, None)
                self._tool = 0
            else:
                self.counts.unread("holes without a tool", self._line, "no tool was selected before them")
                return
        if len(self.rows) >= MAX_HITS:
            raise self.fail(f"more than {MAX_HITS} holes and routed pieces", "the holes of one board")
        self.rows.append((x0, y0, x1, y1, self._tool, way, self._line))

    # ---- outcome ---------------------------------------------------------------------------------

    def result(self, assumption: Assumption | None) -> DrillFile:
        plated, span = self._plated, None
        function = self._file.get(".FileFunction", ())
        if function and function[0].lower() in ("plated", "nonplated"):
            plated = function[0].lower() == "plated"
            if len(function) > 2 and function[1].isdigit() and function[2].isdigit():
                first, last = (int(f[:6]) for f in function[1:3])
                span = (min(first, last), max(first, last))
        self._tell_missing_sizes()
        return DrillFile(
            self.path,
            Hits.from_rows(self.rows),
            tuple(self.tools),
            self.numbers,
            self._file,
            plated,
            span,
            tuple(self._comments),
            self.counts.rows(),
            self.counts.problems,
            (assumption,) if assumption is not None else (),
        )

    def _tell_missing_sizes(self) -> None:
        used = {row[4] for row in self.rows}
        nameless = [self.tools[i].number for i in sorted(used) if math.isnan(self.tools[i].diameter)]
        if nameless:
            names = ", ".join(f"T{number}" for number in nameless[:6]) + (" and others" if len(nameless) > 6 else "")
            self.counts.problem(f"{self.path}: no diameter is stated for {names}.")


def _centre(x0: float, y0: float, x1: float, y1: float, radius: float, turn: int) -> tuple[float, float]:
    """Centre of the arc of at most half a turn; a radius that is too small for the chord counts as half the chord."""
    dx, dy = x1 - x0, y1 - y0
    half = math.hypot(dx, dy) / 2
    if half == 0:
        return x0, y0
    rise = math.sqrt(max(radius * radius - half * half, 0.0))
    return (x0 + x1) / 2 - turn * rise * dy / (2 * half), (y0 + y1) / 2 + turn * rise * dx / (2 * half)
