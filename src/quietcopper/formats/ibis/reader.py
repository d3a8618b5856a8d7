"""Reads IBIS files of versions 1 to 7: pins, models, selectors, ramps, waveforms and the tables of the output stages.

Source: IBIS (I/O Buffer Information Specification), ANSI/EIA-656-B and its later versions, from memory. Everything that
does not say what an output drives with (clamps, packages, test data, submodels, algorithmic and external models) is
passed over and counted.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from quietcopper.board.model import Floats
from quietcopper.errors import ReadError
from quietcopper.formats.ibis.model import UNKNOWN, Component, Ibis, Model, Triple, Waveform

MAX_BYTES = 64 << 20
MAX_LINES = 1_000_000
MAX_LINE = 4096  # characters; the standard allows 80, later 1024
MAX_NAMES = 20_000  # pins, models, selectors
MAX_ROWS = 200_000  # of all tables together
LARGEST = 1e15  # of any figure; beyond it something is no number of a part

_KEYWORD = re.compile(r"\s*\[([^\]]*)\](.*)")
_NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)([TGMkKmunpf]?)")
_SCALE = {"T": 1e12, "G": 1e9, "M": 1e6, "k": 1e3, "K": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15}
_LEAVES_MODEL = {"submodel", "test data", "test load", "external circuit", "define package model", "interconnect model"}


def read_ibis(path: Path | str) -> Ibis:
    """Read an IBIS file. Raises ReadError, one sentence with file and line, for a file that cannot be used."""
    path = Path(path)
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise ReadError(path, found=f"{size} bytes", expected=f"an IBIS file of at most {MAX_BYTES}")
        data = path.read_bytes()
    except OSError as error:
        raise ReadError(path, found=f"a file that cannot be read ({error.strerror})") from error
    return parse_ibis(data, str(path))


def parse_ibis(data: bytes, name: str) -> Ibis:
    """The same from bytes; name : what errors call the file."""
    if len(data) > MAX_BYTES:
        raise ReadError(name, found=f"{len(data)} bytes", expected=f"an IBIS file of at most {MAX_BYTES}")
    lines = data.decode("latin-1").splitlines()
    if len(lines) > MAX_LINES:
        raise ReadError(name, found=f"{len(lines)} lines", expected=f"at most {MAX_LINES}")
    return _Reader(name).read(lines)


@dataclass
class _Table:
    """Rows of a table that is being read, and what is done with them at its end."""

    line: int
    store: Callable[[Floats], None]
    rows: list[tuple[float, ...]] = field(default_factory=list)


@dataclass
class _Reader:
    path: str
    comment: str = "|"
    version: str = ""
    components: dict[str, Component] = field(default_factory=dict)
    models: dict[str, Model] = field(default_factory=dict)
    selectors: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    skipped: Counter[str] = field(default_factory=Counter)
    section: str = ""
    pins: dict[str, tuple[str, str]] | None = None
    model: Model | None = None
    wave: Waveform | None = None
    table: _Table | None = None
    count: int = 0
    rows_read: int = 0
    ended: bool = False

    def fail(self, line: int, found: str, expected: str = "") -> ReadError:
        return ReadError(self.path, line, found=found, expected=expected)

    def read(self, lines: list[str]) -> Ibis:
        for number, raw in enumerate(lines, 1):
            if len(raw) > MAX_LINE:
                raise self.fail(number, f"a line of {len(raw)} characters", f"at most {MAX_LINE}")
            keyword = _KEYWORD.match(raw)
            if keyword and self._name(keyword[1]) == "comment char":
                self._comment_char(keyword[2], number)
                continue
            text = raw.split(self.comment, 1)[0]
            if not text.strip():
                continue
            keyword = _KEYWORD.match(text)
            if keyword:
                self._keyword(self._name(keyword[1]), keyword[2].strip(), number)
                if self.ended:
                    break
            elif not self.version:
                raise self.fail(number, _short(text), "[IBIS Ver] before anything else")
            else:
                self._content(text.strip(), number)
        if not self.version:
            raise ReadError(self.path, found="no [IBIS Ver]", expected="an IBIS file")
        self._close()
        return Ibis(
            self.path,
            self.version,
            self.components,
            self.models,
            {name: tuple(rows) for name, rows in self.selectors.items()},
            dict(sorted(self.skipped.items())),
        )

    @staticmethod
    def _name(text: str) -> str:
        """A keyword as it is compared: lower case, spaces for underscores."""
        return " ".join(text.replace("_", " ").lower().split())

    def _comment_char(self, text: str, line: int) -> None:
        text = text.strip()
        if not re.match(r"[!-~](_char)?", text):
            raise self.fail(line, f"comment character {_short(text)}", "a sign such as |_char")
        self.comment = text[0]

    def _keyword(self, name: str, rest: str, line: int) -> None:
        self._close_table()
        self.section = ""
        if name == "ibis ver":
            if not re.fullmatch(r"[1-9]\.\d{1,2}", rest.split()[0] if rest else ""):
                raise self.fail(line, f"version {_short(rest)}", "one such as 5.0")
            self.version = rest.split()[0]
        elif not self.version:
            raise self.fail(line, f"[{_short(name)}]", "[IBIS Ver] before anything else")
        elif name == "component":
            self._close()
            self.pins = {}
            self.components[self._new(rest, self.components, "component", line)] = Component(rest, line, self.pins)
        elif name == "pin" and self.pins is not None:
            self.section = "pin"  # what follows on this line is the head of the columns
        elif name == "model selector":
            self._close()
            self.selectors[self._new(rest, self.selectors, "model selector", line)] = []
            self.section = f"selector {rest}"
        elif name == "model":
            self._close()
            self.model = Model(self._new(rest, self.models, "model", line), line)
            self.models[rest] = self.model
            self.section = "model"
        elif name == "end":
            self.ended = True
        elif self.model is not None and self._in_model(name, rest, line):
            pass
        else:
            if name in _LEAVES_MODEL:
                self._close()
            self.skipped[f"[{_short(name)}]"] += 1
            if len(self.skipped) > MAX_NAMES:
                raise self.fail(line, f"more than {MAX_NAMES} kinds of keywords", "an IBIS file")

    def _new(self, name: str, known: object, what: str, line: int) -> str:
        self.count += 1
        if not name:
            raise self.fail(line, f"a {what} without a name", f"[{what.title()}] with a name behind it")
        if self.count > MAX_NAMES:
            raise self.fail(line, f"more than {MAX_NAMES} names", "the pins and models of some parts")
        if name in known:  # type: ignore[operator]
            raise self.fail(line, f"{what} {_short(name)} a second time", "each name once")
        return name

    def _in_model(self, name: str, rest: str, line: int) -> bool:
        """A keyword inside a [Model]; False for one that is passed over."""
        assert self.model is not None
        if name in ("pulldown", "pullup"):
            self.table = _Table(line, lambda rows, which=name: self._put(**{which: rows}))  # type: ignore[misc]
        elif name in ("rising waveform", "falling waveform"):
            self.wave = Waveform(np.empty(0), np.empty((0, 3)), math.nan, UNKNOWN)
            which = name.split()[0]
            self.table = _Table(line, lambda rows, which=which: self._put_wave(which, rows))  # type: ignore[misc]
        elif name in ("voltage range", "pullup reference", "pulldown reference"):
            key = "supply" if name == "voltage range" else name.replace(" ", "_")
            self._put(**{key: self._triple(rest, line)})
        elif name == "ramp":
            self.section = "ramp"
        elif name == "c comp corner":
            self.section = "model"
        else:
            return False
        return True

    def _put(self, **values: object) -> None:
        assert self.model is not None
        self.model = replace(self.model, **values)  # type: ignore[arg-type]
        self.models[self.model.name] = self.model

    def _put_wave(self, which: str, rows: Floats) -> None:
        assert self.model is not None
        assert self.wave is not None
        wave = replace(self.wave, time=rows[:, 0], volts=rows[:, 1:])
        self._put(**{which: (*getattr(self.model, which), wave)})
        self.wave = None

    def _close_table(self) -> None:
        """Ends the table that is being read. Raises ReadError for one whose first column does not rise or fall."""
        table, self.table = self.table, None
        if table is None:
            return
        rows = np.array(table.rows, dtype=float).reshape(-1, 4)
        steps = np.diff(rows[:, 0])
        if len(rows) < 2:
            self.skipped["tables of fewer than two rows"] += 1
            self.wave = None
            return
        if self.wave is not None and np.any(steps < 0):
            raise self.fail(table.line, "a waveform whose times do not rise", "times in rising order")
        if not (np.all(steps >= 0) or np.all(steps <= 0)):
            raise self.fail(table.line, "a table whose voltages go up and down", "voltages in rising or falling order")
        if steps.sum() < 0:
            rows = rows[::-1]
        rows = rows[np.r_[True, np.diff(rows[:, 0]) > 0]]
        table.store(np.ascontiguousarray(rows))

    def _close(self) -> None:
        self._close_table()
        self.model = self.wave = None
        self.section = ""

    def _content(self, text: str, line: int) -> None:
        """A line that is no keyword."""
        words = text.split()
        if self.table is not None:
            if self.wave is not None and re.match(r"[A-Za-z]", words[0]):
                self._fixture(text, line)
                return
            values = [self._number(word, line) for word in words[:4]]
            if len(values) < 2 or not math.isfinite(values[0]):
                raise self.fail(line, f"the row {_short(text)}", "a voltage or time with typ, min and max")
            self._count_rows(line)
            self.table.rows.append(tuple((values + [math.nan] * 4)[:4]))
        elif self.section == "pin" and self.pins is not None:
            if len(words) >= 3:
                self.pins[self._new(words[0], self.pins, "pin", line)] = (words[1], words[2])
        elif self.section.startswith("selector "):
            self._new(words[0], (), "model", line)
            self.selectors[self.section.removeprefix("selector ")].append((words[0], " ".join(words[1:])))
        elif self.section == "model":
            self._figure(words, line)
        elif self.section == "ramp":
            self._ramp(words, line)

    def _count_rows(self, line: int) -> None:
        self.rows_read += 1
        if self.rows_read > MAX_ROWS:
            raise self.fail(line, f"more than {MAX_ROWS} rows of tables", "the tables of some parts")

    def _fixture(self, text: str, line: int) -> None:
        """A parameter of a waveform's fixture: R_fixture = 50."""
        assert self.wave is not None
        name, _, value = text.partition("=")
        key = name.strip().lower()
        at = {"v_fixture": 0, "v_fixture_min": 1, "v_fixture_max": 2}.get(key)
        if key == "r_fixture":
            self.wave = replace(self.wave, resistance=self._number(value.strip(), line))
        elif at is not None:
            volts = list(self.wave.voltage)
            volts[at] = self._number(value.strip(), line)
            self.wave = replace(self.wave, voltage=(volts[0], volts[1], volts[2]))

    def _figure(self, words: list[str], line: int) -> None:
        """A parameter at the head of a model."""
        assert self.model is not None
        key = words[0].lower()
        if key == "model_type" and len(words) > 1:
            self._put(kind=words[1].lower())
        elif key == "c_comp" and len(words) > 1:
            self._put(c_comp=self._triple(" ".join(words[1:]), line))

    def _ramp(self, words: list[str], line: int) -> None:
        key = words[0].lower()
        if key in ("dv/dt_r", "dv/dt_f"):
            parts = [self._slope(word, line) for word in words[1:4]]
            if not parts:
                raise self.fail(line, f"{words[0]} without figures", "such as 1.2/0.5n")
            parts += [(math.nan, math.nan)] * (3 - len(parts))
            volts, times = zip(*parts, strict=True)
            self._put(**{"rise" if key.endswith("r") else "fall": (volts, times)})
        elif key.startswith("r_load"):
            value = self._number(" ".join(words).partition("=")[2].strip() or words[-1], line)
            if not value > 0:
                raise self.fail(line, f"R_load {_short(words[-1])}", "more than 0 ohm")
            self._put(load=value)

    def _slope(self, word: str, line: int) -> tuple[float, float]:
        if word.upper() == "NA":
            return math.nan, math.nan
        volts, slash, time = word.partition("/")
        if not slash:
            raise self.fail(line, f"the slope {_short(word)}", "volts over seconds, such as 1.2/0.5n")
        dv, dt = self._number(volts, line), self._number(time, line)
        if not (dt > 0 and dv > 0):
            raise self.fail(line, f"the slope {_short(word)}", "more than 0 V over more than 0 s")
        return dv, dt

    def _triple(self, text: str, line: int) -> Triple:
        values = [self._number(word, line) for word in text.replace("=", " ").split()[:3]]
        if not values:
            raise self.fail(line, "no figure", "typ, min and max")
        typ, low, high = (values + [math.nan] * 3)[:3]
        return typ, low, high

    def _number(self, word: str, line: int) -> float:
        """A figure with its scale ("3.44nH"), nan for NA. What follows the scale is a unit and says nothing."""
        if word.upper() == "NA":
            return math.nan
        match = _NUMBER.match(word)
        if match is None:
            raise self.fail(line, f"{_short(word)} where a figure should stand", "a number such as 3.3 or 1.2n, or NA")
        value = float(match[1]) * _SCALE.get(match[2], 1.0)
        if abs(value) > LARGEST:
            raise self.fail(line, f"the figure {_short(word)}", f"one below {LARGEST:g}")
        return value


def _short(text: str) -> str:
    text = " ".join(text.split())
    return repr(text if len(text) <= 40 else f"{text[:39]}…")
