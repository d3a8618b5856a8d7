"""Streaming over the XML: small trees for small elements, nothing kept of the large ones.

The parser is expat: it gives exact line numbers, and everything that could reach outside the file (document types,
entities) is refused before it is looked at. Elements named in the sink's `containers` are only announced; any other
element that stands inside a container is delivered as one Node when it ends. Polygon points, the bulk of a board file,
go straight into one array of floats.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Callable
from typing import Any, Protocol
from xml.parsers import expat

from quietcopper.errors import ReadError
from quietcopper.formats.archive import Bounded

MAX_DEPTH = 64
NEAR, FAR = 10.0, 1e4  # m; limits of a coordinate and of an arc's centre (values.py has them for attributes)
CHUNK = 1 << 20
POINTS = ("PolyBegin", "PolyStepSegment", "PolyStepCurve")
# what counts as one drawn thing when a layer that is not copper is passed over
DRAWN = frozenset(
    [
        "Line",
        "Polyline",
        "Arc",
        "Contour",
        "Outline",
        "Polygon",
        "Pad",
        "LayerPad",
        "Hole",
        "SlotCavity",
        "Text",
        "Circle",
        "RectCenter",
        "RectRound",
        "RectCham",
        "RectCorner",
        "Oval",
        "Ellipse",
        "Diamond",
        "Hexagon",
        "Octagon",
        "Triangle",
        "Donut",
        "Thermal",
        "Moire",
        "Butterfly",
        "UserPrimitiveRef",
        "StandardPrimitiveRef",
    ]
)


class Node:
    """One element. points : x, y, x, y, … in metres; curves : (index of the end point, xc, yc, clockwise)."""

    __slots__ = ("attrib", "children", "curves", "line", "points", "tag")

    def __init__(self, tag: str, attrib: dict[str, str], line: int) -> None:
        self.tag, self.attrib, self.line = tag, attrib, line
        self.children: list[Node] = []
        self.points: array[float] | None = None
        self.curves: list[tuple[int, float, float, bool]] = []

    def find(self, tag: str) -> Node | None:
        """The first child of that name."""
        for child in self.children:
            if child.tag == tag:
                return child
        return None

    def all(self, tag: str) -> list[Node]:
        return [child for child in self.children if child.tag == tag]


_POINT = Node("a polygon point", {}, 0)  # stands for a point's own element while it is open


class LengthUnit(Protocol):
    """What the stream needs of a unit (values.Unit has it)."""

    @property
    def name(self) -> str: ...
    @property
    def suffix(self) -> str: ...
    @property
    def factor(self) -> float: ...

    def metres(self, text: str, limit: float = ...) -> float: ...


class Sink(Protocol):
    """Who takes the elements.

    unit : the unit that polygon points are in now
    open : a container begins; False passes over all that is inside
    take : an element inside a container is complete; `parent` is the container's name
    passed : what an element that was passed over held, as counts of drawn things
    """

    containers: frozenset[str]
    unit: LengthUnit

    def open(self, tag: str, attrib: dict[str, str], line: int) -> bool: ...
    def close(self, tag: str) -> None: ...
    def take(self, node: Node, parent: str) -> None: ...
    def passed(self, tag: str, attrib: dict[str, str], line: int, drawn: Counter[str]) -> None: ...


class Stream:
    """Feeds one file's bytes through expat into a sink."""

    def __init__(self, label: str, sink: Sink) -> None:
        self._label, self._sink = label, sink
        self._open: list[str] = []  # containers we are inside
        self._nodes: list[Node] = []  # elements under construction, outermost first
        self._local: dict[str, str] = {}  # name with prefix to name without
        self._skip_depth, self._skipped = 0, Counter[str]()
        self._skip_what: tuple[str, dict[str, str], int] = ("", {}, 0)
        parser = expat.ParserCreate()
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.StartDoctypeDeclHandler = self._doctype
        parser.EntityDeclHandler = self._doctype
        parser.SkippedEntityHandler = self._doctype
        parser.buffer_text = True
        self._parser = parser

    def line(self) -> int:
        return self._parser.CurrentLineNumber

    def inside(self) -> str:
        """The element we are in, for messages."""
        names = self._open + [node.tag for node in self._nodes]
        return f"<{names[-1]}>" if names else "the first element"

    def run(self, stream: Bounded, total: int, progress: Callable[[str, int, int], None] | None) -> None:
        """Reads to the end. Raises ReadError with line and element for what is not well-formed."""
        done = 0
        while True:
            data = stream.read(CHUNK)
            try:
                self._parser.Parse(data, not data)
            except expat.ExpatError as error:
                what = expat.ErrorString(error.code)
                raise ReadError(
                    self._label,
                    error.lineno,
                    found=f"XML that breaks off in {self.inside()} ({what})",
                    expected="well-formed XML",
                    remedy="copy or export the file again",
                ) from error
            except (LookupError, UnicodeError) as error:
                raise ReadError(self._label, self.line(), found=f"text in an unknown encoding ({error})") from error
            if not data:
                return
            done += len(data)
            if progress:
                progress("reading", min(done, total), max(total, 1))

    def _doctype(self, *_: Any) -> None:
        raise ReadError(
            self._label,
            self.line(),
            found="a document type or entity declaration",
            expected="plain XML without them, as the standard has it",
            remedy="export the file again",
        )

    def _start(self, name: str, attrib: dict[str, str]) -> None:
        tag = self._local.get(name)
        if tag is None:
            tag = self._local[name] = name.rpartition(":")[2]
        nodes = self._nodes
        if nodes:
            parent = nodes[-1]
            if tag in POINTS and parent is not _POINT:
                self._point(parent, tag, attrib)
                nodes.append(_POINT)
                return
            node = Node(tag, attrib, self._parser.CurrentLineNumber)
            if parent is not _POINT:
                parent.children.append(node)
            nodes.append(node)
            if len(nodes) > MAX_DEPTH:
                self._too_deep()
        elif tag in self._sink.containers:
            line = self._parser.CurrentLineNumber
            if len(self._open) > MAX_DEPTH:
                self._too_deep()
            if self._sink.open(tag, attrib, line):
                self._open.append(tag)
            else:
                self._skip_depth, self._skip_what = 1, (tag, attrib, line)
                self._parser.StartElementHandler, self._parser.EndElementHandler = self._skip_start, self._skip_end
        elif self._open:
            nodes.append(Node(tag, attrib, self._parser.CurrentLineNumber))
        else:
            raise ReadError(
                self._label, self._parser.CurrentLineNumber, found=f"<{tag[:60]}> first", expected="<IPC-2581>"
            )

    def _end(self, name: str) -> None:
        if self._nodes:
            node = self._nodes.pop()
            if not self._nodes:
                self._sink.take(node, self._open[-1])
        else:
            self._sink.close(self._open.pop())

    def _point(self, parent: Node, tag: str, attrib: dict[str, str]) -> None:
        unit = self._sink.unit
        points = parent.points
        if points is None:
            points = parent.points = array("d")
        try:
            x, y = float(attrib["x"] + unit.suffix) * unit.factor, float(attrib["y"] + unit.suffix) * unit.factor
            if not (-NEAR <= x <= NEAR and -NEAR <= y <= NEAR):
                raise ValueError
            points.append(x)
            points.append(y)
            if tag == "PolyStepCurve":
                clockwise = attrib.get("clockwise", "").lower() in ("true", "1")
                centre = unit.metres(attrib["centerX"], FAR), unit.metres(attrib["centerY"], FAR)
                parent.curves.append((len(points) // 2 - 1, *centre, clockwise))
        except (KeyError, ValueError):
            self._point_carefully(parent, points, tag, attrib)

    def _point_carefully(self, parent: Node, points: array[float], tag: str, attrib: dict[str, str]) -> None:
        """The slow way: numbers with exponents or blanks, or the message that says which number is wrong."""
        del points[len(points) // 2 * 2 :]
        names = ("x", "y", "centerX", "centerY") if tag == "PolyStepCurve" else ("x", "y")
        values = []
        for name in names:
            text = attrib.get(name)
            try:
                if text is None:
                    raise ValueError
                limit = FAR if name.startswith("center") else NEAR
                values.append(self._sink.unit.metres(text, limit))
            except ValueError:
                found = f"no {name} attribute" if text is None else f'{name}="{text[:60]}"'
                raise ReadError(
                    self._label,
                    self.line(),
                    found=f"{found} in <{tag}>",
                    expected=f"a coordinate in {self._sink.unit.name} below {NEAR:g} m",
                ) from None
        points.extend(values[:2])
        if tag == "PolyStepCurve":
            clockwise = attrib.get("clockwise", "").lower() in ("true", "1")
            parent.curves.append((len(points) // 2 - 1, values[2], values[3], clockwise))

    def _too_deep(self) -> None:
        raise ReadError(
            self._label, self.line(), found=f"elements nested more than {MAX_DEPTH} deep", expected="a board file"
        )

    def _skip_start(self, name: str, attrib: dict[str, str]) -> None:
        self._skip_depth += 1
        self._skipped[name.rpartition(":")[2]] += 1
        if self._skip_depth > MAX_DEPTH:
            self._too_deep()

    def _skip_end(self, name: str) -> None:
        self._skip_depth -= 1
        if self._skip_depth == 0:
            drawn = Counter({tag: n for tag, n in self._skipped.items() if tag in DRAWN})
            self._skipped = Counter()
            self._parser.StartElementHandler, self._parser.EndElementHandler = self._start, self._end
            self._sink.passed(*self._skip_what, drawn)
