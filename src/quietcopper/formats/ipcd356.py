"""Netlists of the bare-board test: IPC-D-356 and 356A.

Source: IPC-D-356A, Bare Substrate Electrical Test Data Format (1998), from memory: fixed columns (net 4-17, part
21-26, pin 28-31, middle of a chain 32, hole 33-38, access 39-41, place 42-57, size 58-67, rotation 68-71, mask 73-74).
Writers keep the columns loosely from 32 on, so that part is read by its letters.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from quietcopper.board.model import Assumption, Bools, Floats, Ints, Names, Table, Unread, column
from quietcopper.errors import ReadError
from quietcopper.formats.counts import Counts

MAX_RECORDS = 1_000_000
MAX_COORDINATE = 10.0  # m
ALIAS = "NNAME"
NOT_CONNECTED = ("N/C", "")  # what stands for 'no net'
SAME = (
    20e-6  # m; a record this near to a hole or pad is that hole's or pad's: places are rounded to 2.5 µm in both files
)
SAMPLE = 200  # records that a shift is looked for with
MAX_DIFFERENCES = 2_000_000  # between them and the holes: a bound on memory
LAST_COLUMN = 160  # twice that of the standard's records; a place beyond is none
CLEAR_SHARE = 0.5  # of the records must meet holes before a shift is believed

# No blank is tried twice: lines of blanks alone would take the square of their length and more.
_BODY = re.compile(
    r"(M?)\s*+(?:D\s*+(\d{1,6})\s*+([PU]?))?\s*+(?:A\s*+(\d{1,2}))?"
    r"\s*+X\s*+([-+]?)\s*+(\d{1,9})\s*+Y\s*+([-+]?)\s*+(\d{1,9})"
    r"(?:\s*+X\s*+(\d{1,6}))?(?:\s*+Y\s*+(\d{1,6}))?(?:\s*+R\s*+(\d{1,3}))?"
)
_CORNER = re.compile(r"([XY])\s*([-+]?\d{1,9})")
_RECORD = re.compile(r"3[0-6]7")


@dataclass(frozen=True, eq=False)
class TestPoints(Table):
    """Records of the netlist, in order.

    net : index into Netlist.nets, 0 for none; ref, pin : "" for a via; via : it is one
    drill : hole diameter, m, nan for a surface pad; plated : False where the record says so
    access : layer from which it can be reached, numbered from 1; 0 from both sides
    width, height : of the pad, m, nan where not stated (height = width for a round one); rotation : rad
    """

    __test__ = False  # no test class

    net: Ints = column(np.int32)
    ref: Names = column(object)
    pin: Names = column(object)
    via: Bools = column(np.bool_)
    drill: Floats = column(np.float64)
    plated: Bools = column(np.bool_)
    access: Ints = column(np.int32)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    width: Floats = column(np.float64)
    height: Floats = column(np.float64)
    rotation: Floats = column(np.float64)
    line: Ints = column(np.int32)

    @property
    def places(self) -> NDArray[np.float64]:
        """Shape (n, 2)."""
        return np.stack([self.x, self.y], axis=-1)


@dataclass(frozen=True, eq=False)
class Netlist:
    """One netlist file. edge : corners of the board's edge where it has them, shape (n, 2), m."""

    path: str
    points: TestPoints
    nets: tuple[str, ...]
    edge: NDArray[np.float64]
    unread: tuple[Unread, ...] = ()
    problems: tuple[str, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


@dataclass(frozen=True)
class Shift:
    """What must be added to a netlist's places to meet the board, m; share : of its records that then do."""

    dx: float
    dy: float
    share: float


def looks_like_netlist(head: bytes) -> bool:
    """Whether a file's first bytes are those of an IPC-D-356 file."""
    lines = [line.rstrip() for line in head[:4000].decode("latin-1").splitlines()[:60]]
    stated = any(re.match(r"P\s\s?(?:UNITS|JOB|CODE|VER|DIM)\b", line) for line in lines)
    records = [line for line in lines if re.match(r"3[0-6]7.{14}", line) and _BODY.search(line, 20, LAST_COLUMN)]
    return bool(records) or (stated and not any("*" in line[:3] for line in lines))


def read_netlist(data: bytes, path: str) -> Netlist:
    """Reads one netlist. Raises ReadError for what has no record or is out of bounds."""
    reader = _Reader(path)
    for number, line in enumerate(data.decode("latin-1").splitlines(), 1):
        if not reader.line(line.rstrip(), number):
            break
    return reader.result()


class _Reader:
    def __init__(self, path: str) -> None:
        self.path, self.counts = path, Counts()
        self.unit: float | None = None  # m a step of a coordinate
        self.radians = False
        self.rows: list[tuple] = []
        self.nets: dict[str, int] = {"": 0}
        self.aliases: dict[str, str] = {}
        self.edge: list[tuple[float, float]] = []
        self._corner = [0.0, 0.0]
        self._last = ""

    def line(self, text: str, number: int) -> bool:
        """Takes one line; False at the end-of-file record."""
        code = text[:3]
        if code == "999":
            return False
        if text[:1] == "P":
            self._parameter(text[1:].strip())
        elif _RECORD.fullmatch(code):
            self._record(text, number)
        elif code in ("389", "089"):
            if code == "389" or self._last == "389":
                self._edge(text, number)
        elif code in ("378", "379", "078", "079"):
            what = "conductor records" if code[1:] == "78" else "adjacency records"
            self.counts.unread(what, number, "the copper layers say the same")
        elif code.isdigit():
            self.counts.unread(f"record {code}", number)
        if code.isdigit() and code[0] != "0":
            self._last = code
        return True

    def _parameter(self, text: str) -> None:
        words = text.split()
        if not words:
            return
        if words[0].startswith(ALIAS):
            name = text[len(words[0]) :].strip()
            if name:
                self.aliases.setdefault(words[0], name)
        elif words[0] == "UNITS":
            rest = "".join(words[1:]).upper()
            # CUST 0: 0.0001 inch and degrees, CUST 1 or SI: 0.001 mm and degrees, CUST 2: 0.0001 inch and radians
            unit = {"CUST0": 2.54e-6, "CUST": 2.54e-6, "CUST1": 1e-6, "SI": 1e-6, "CUST2": 2.54e-6}.get(rest)
            if unit is None:
                self.counts.problem(f"{self.path}: units {' '.join(words[1:])[:20]!r} are not known.")
            elif self.unit is not None and unit != self.unit:
                self.counts.problem(f"{self.path}: two different units are stated; the first holds.")
            else:
                self.unit, self.radians = unit, rest == "CUST2"

    @property
    def _step(self) -> float:
        return self.unit if self.unit is not None else 2.54e-6

    def _record(self, text: str, number: int) -> None:
        body = _BODY.match(text, 31, LAST_COLUMN) or _BODY.search(text, 20, LAST_COLUMN)
        if body is None:
            self.counts.unread("records without a place", number)
            return
        if len(self.rows) >= MAX_RECORDS:
            raise ReadError(self.path, number, found=f"more than {MAX_RECORDS} records", expected="those of one board")
        step = self._step
        x = int(body[5] + body[6]) * step
        y = int(body[7] + body[8]) * step
        if max(abs(x), abs(y)) > MAX_COORDINATE:
            raise ReadError(self.path, number, found=f"a place of {max(abs(x), abs(y)):g} m", expected="one below 10 m")
        ref, _, pin = text[20 : body.start()].partition("-")
        ref, pin = ref.strip(), pin.strip()
        via = ref.upper() == "VIA" or text[:3] == "307"
        width = int(body[9]) * step if body[9] else math.nan
        height = int(body[10]) * step if body[10] and int(body[10]) else width
        angle = int(body[11] or 0) / 1000 if self.radians else math.radians(int(body[11] or 0))
        name = text[3:17].strip()
        net = 0 if name.upper() in NOT_CONNECTED else self.nets.setdefault(name, len(self.nets))
        drill = int(body[2]) * step if body[2] else math.nan
        # a record names a part or is a via; one without either is a mechanical hole
        self.rows.append(
            (
                net, "" if via else ref, "" if via else pin, via, drill, body[3] != "U",
                int(body[4] or 0), x, y, width, height, angle, number,
            )
        )  # fmt: skip

    def _edge(self, text: str, number: int) -> None:
        for axis, value in _CORNER.findall(text[3:]):
            self._corner["XY".index(axis)] = int(value) * self._step
            if axis == "Y" or (self.edge and axis == "X"):
                self.edge.append((self._corner[0], self._corner[1]))
            if len(self.edge) > MAX_RECORDS:
                raise ReadError(self.path, number, found="an endless board edge", expected="a board's edge")

    def result(self) -> Netlist:
        if not self.rows:
            raise ReadError(self.path, found="no test record", expected="an IPC-D-356 netlist (records 317, 327)")
        if self.unit is None:
            why = "the file does not say it; the unit that the standard names first"
            self.counts.assume(f"unit of the netlist {self.path}", "0.0001 inch", "", why)
        edge = np.array(self.edge, dtype=np.float64).reshape(-1, 2)
        unread, problems = self.counts.rows(), self.counts.problems
        points = TestPoints.from_rows(self.rows)
        names, number = self._long_names()
        points = points.replace(net=number[points.net])
        return Netlist(self.path, points, names, edge, unread, problems, tuple(self.counts.assumptions))

    def _long_names(self) -> tuple[tuple[str, ...], Ints]:
        """Net names with aliases resolved, and the number among them of each name that stands in the records.

        An alias may stand with the word NNAME before it (as the standard has it) or without, in all records alike.
        """
        bare = not any(name in self.aliases for name in self.nets)
        known = {alias[len(ALIAS) :] if bare else alias: name for alias, name in self.aliases.items()}
        index: dict[str, int] = {"": 0}
        number = [index.setdefault(known.get(name, name), len(index)) for name in self.nets]
        return tuple(index), np.array(number, dtype=np.int32)


def find_shift(records: NDArray[np.float64], holes: NDArray[np.float64]) -> Shift:
    """The shift that makes most of the records meet holes; none where the records meet them as they stand.

    records : places of drilled records, m, shape (n, 2); holes : shape (k, 2). A shift of share below CLEAR_SHARE is
    chance and should not be used.
    """
    if not len(records) or not len(holes):
        return Shift(0.0, 0.0, 0.0)
    tree = cKDTree(holes)
    plain = Shift(0.0, 0.0, _share(tree, records))
    if plain.share >= 0.9:
        return plain
    size = max(min(SAMPLE, len(records), MAX_DIFFERENCES // len(holes)), 1)
    sample = records[np.unique(np.linspace(0, len(records) - 1, size).astype(np.int64))]
    differences = (holes[None, :, :] - sample[:, None, :]).reshape(-1, 2)
    cells, counts = np.unique(np.round(differences / SAME).astype(np.int64), axis=0, return_counts=True)
    best = plain
    # the true shift may lie on the border of two cells, so a few of the fullest are tried
    for cell in cells[np.lexsort((cells[:, 1], cells[:, 0], -counts))[:8]]:
        at = cell * SAME
        near = differences[np.abs(differences - at).max(axis=1) <= SAME]
        shift = np.round(np.median(near, axis=0), 8)
        share = _share(tree, records + shift)
        if share > best.share:
            best = Shift(float(shift[0]), float(shift[1]), share)
    return best


def _share(tree: cKDTree, places: NDArray[np.float64]) -> float:
    distance, _ = tree.query(places, distance_upper_bound=SAME)
    return float(np.isfinite(distance).mean())
