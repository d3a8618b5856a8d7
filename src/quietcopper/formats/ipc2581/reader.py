"""The elements of an IPC-2581 file, each handed to whoever understands it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import shapely
from shapely import MultiPolygon, Polygon

from quietcopper.errors import ReadError
from quietcopper.formats.archive import Member
from quietcopper.formats.ipc2581 import shapes
from quietcopper.formats.ipc2581.columns import Repeat, StepData
from quietcopper.formats.ipc2581.counts import OTHERS_OWN, Counts
from quietcopper.formats.ipc2581.dictionaries import Dictionaries
from quietcopper.formats.ipc2581.features import Features
from quietcopper.formats.ipc2581.layers import OTHER, LayerInfo, layer_info
from quietcopper.formats.ipc2581.nodes import LengthUnit, Node, Stream
from quietcopper.formats.ipc2581.shapes import NoShape
from quietcopper.formats.ipc2581.values import (
    MILLIMETER,
    UNIT_NICKNAMES,
    UNITS,
    BadValue,
    Unit,
    flag,
    length,
    text,
)

NAMESPACE = "http://webstds.ipc.org/2581"
# where each container may stand; anywhere else it is passed over and counted
PARENTS = {
    "Content": {"IPC-2581"},
    "DictionaryStandard": {"Content"},
    "DictionaryUser": {"Content"},
    "DictionaryLineDesc": {"Content"},
    "DictionaryFillDesc": {"Content"},
    "Bom": {"IPC-2581"},
    "Ecad": {"IPC-2581"},
    "CadHeader": {"Ecad"},
    "CadData": {"Ecad"},
    "Step": {"CadData"},
    "PhyNetGroup": {"Step"},
    "PhyNet": {"PhyNetGroup", "Step"},
    "LayerFeature": {"Step"},
    "Set": {"LayerFeature"},
    "Features": {"Set"},
    "UserSpecial": {"Features", "Set"},
}
# understood, and of no use to a review
UNUSED = {
    "HistoryRecord": "who wrote the file and when",
    "LogisticHeader": "who wrote the file and when",
    "Avl": "makers of parts",
    "DictionaryColor": "colours",
    "DictionaryFont": "fonts",
    "DictionaryFirmware": "firmware of parts",
    "ChangeRec": "who changed what",
    "BomHeader": "the parts list's own name",
}
SILENT = frozenset(("StepRef", "LayerRef", "BomRef", "AvlRef", "Datum"))  # repeat what is said elsewhere


class Reader:
    """Sink of the stream; afterwards holds everything that the assembly needs."""

    containers = frozenset(("IPC-2581", *PARENTS))

    def __init__(self, label: str) -> None:
        self.label = label
        self.counts = Counts()
        self.dictionaries = Dictionaries()
        self.features = Features(self.dictionaries, self.counts)
        self.unit: LengthUnit = MILLIMETER
        self.revision, self.mode = "", ""
        self.cad_unit: Unit | None = None
        self.layers: dict[str, LayerInfo] = {}
        self.specs: dict[str, Node] = {}
        self.stackups: list[Node] = []
        self.bom: dict[str, Node] = {}  # BomItem by part reference
        self.unpopulated: list[str] = []
        self.nets: list[tuple[Node, StepData | None]] = []  # LogicalNet elements and their step
        self.steps: list[StepData] = []
        self.step: StepData | None = None
        self._inside: list[str] = []
        self._dictionary_unit: Unit | None = None
        self._phy_net = 0
        self._takers: dict[str, Callable[[Node], None]] = {
            "CadHeader": self._header_item,
            "CadData": self._cad_item,
            "Step": self._step_item,
            "PhyNet": self._net_point,
            "Bom": self._bom_item,
            "Content": self._content_item,
            "IPC-2581": self._root_item,
        }

    # ---- containers ------------------------------------------------------------------------------

    def open(self, tag: str, attrib: dict[str, str], line: int) -> bool:
        parent = self._inside[-1] if self._inside else ""
        if tag == "IPC-2581" and not parent:
            self._root(attrib)
        elif not parent:
            raise ReadError(self.label, line, found=f"<{tag}> first", expected="<IPC-2581>")
        elif parent not in PARENTS.get(tag, ()):
            self.counts.unread(f"{tag} in {parent}", line, "out of place")
            return False
        elif not self._enter(tag, attrib, line):
            return False
        self._inside.append(tag)
        return True

    def _root(self, attrib: dict[str, str]) -> None:
        self.revision = attrib.get("revision", "").strip().upper()
        if self.revision not in ("A", "B", "B1", "C"):
            found = f"revision {self.revision}" if self.revision else "no revision"
            self.counts.problem(f"The file states {found} of IPC-2581; it was read as B and C are.")
        stated = [value for key, value in attrib.items() if key == "xmlns" or key.startswith("xmlns:")]
        if NAMESPACE not in stated:
            found = f"the namespace {attrib['xmlns']}" if "xmlns" in attrib else "no namespace"
            self.counts.problem(f"The file states {found} where IPC-2581 has {NAMESPACE}; it was read all the same.")

    def _enter(self, tag: str, attrib: dict[str, str], line: int) -> bool:
        """What beginning a container changes; False to pass over it."""
        if tag == "LayerFeature":
            return self._enter_layer(attrib, line)
        if tag == "Set":
            self.features.open_set(attrib)
        elif tag in ("Features", "UserSpecial"):
            self.features.open_group()
        elif tag == "PhyNet":
            self._phy_net = self.features.net(attrib.get("name", ""))
        elif tag.startswith("Dictionary"):
            self._dictionary_unit = self._stated_unit(attrib, tag, line)
            self.unit = self._dictionary_unit or MILLIMETER
        elif tag == "CadHeader":
            self._enter_header(attrib, line)
        elif tag == "Step":
            if self.cad_unit is None:
                raise ReadError(
                    self.label, line, found="<Step> before any units", expected='<CadHeader units="MILLIMETER"> or so'
                )
            self.step = StepData(
                attrib.get("name", ""), attrib.get("type", "").upper(), attrib.get("stackupRef", ""), line
            )
            self.steps.append(self.step)
            self.features.step = self.step
        return True

    def _enter_header(self, attrib: dict[str, str], line: int) -> None:
        unit = self._stated_unit(attrib, "CadHeader", line)
        if unit is None:
            raise ReadError(
                self.label,
                line,
                found="<CadHeader> without units",
                expected=" or ".join(UNITS),
                remedy="export it again",
            )
        if self.cad_unit is not None and unit is not self.cad_unit:
            raise ReadError(
                self.label, line, found=f"a second <CadHeader> in {unit.name}", expected=f"one, in {self.cad_unit.name}"
            )
        self.cad_unit = self.unit = self.features.unit = self.dictionaries.cad_unit = unit

    def _enter_layer(self, attrib: dict[str, str], line: int) -> bool:
        name = attrib.get("layerRef", "")
        info = self.layers.get(name)
        if info is None:
            self.counts.unread("LayerFeature of a layer that is not declared", line, "nothing says what it is")
            return False
        if info.kind not in ("copper", "holes"):
            return False
        self.features.open_layer(info)
        return True

    def _stated_unit(self, attrib: dict[str, str], tag: str, line: int) -> Unit | None:
        name = attrib.get("units", "").strip().upper()
        if not name:
            return None
        unit = UNITS.get(name) or UNIT_NICKNAMES.get(name)
        if unit is None:
            raise ReadError(self.label, line, found=f'units="{name[:40]}" in <{tag}>', expected=" or ".join(UNITS))
        if name not in UNITS:
            self.counts.problem(f'<{tag}> states units="{attrib["units"]}"; read as {unit.name}.')
        return unit

    def close(self, tag: str) -> None:
        self._inside.pop()
        if tag in ("Features", "UserSpecial"):
            self.features.close_group()
        elif tag.startswith("Dictionary"):
            self.unit = self.cad_unit or MILLIMETER
        elif tag == "Step":
            self.step = None

    def passed(self, tag: str, attrib: dict[str, str], line: int, drawn: Counter[str]) -> None:
        info = self.layers.get(attrib.get("layerRef", "")) if tag == "LayerFeature" else None
        if info is not None and info.kind == OTHER and not info.function:
            self.counts.unread(
                "drawings on layers without a function", line, "nothing says what they are", drawn.total()
            )
        elif info is not None:
            self.counts.passed(info.function, drawn, line)

    # ---- elements --------------------------------------------------------------------------------

    def take(self, node: Node, parent: str) -> None:
        if parent in ("Set", "Features", "UserSpecial"):
            self.features.take(node, parent)
        elif parent.startswith("Dictionary"):
            if not self.dictionaries.add(node, self._dictionary_unit):
                self.counts.unread(f"{node.tag} in {parent}", node.line, "of no known kind, or its id is taken")
        elif parent in self._takers:
            self._takers[parent](node)
        else:
            self._unread(node, parent)

    def _unread(self, node: Node, parent: str) -> None:
        if node.tag in SILENT:
            return
        if node.tag in UNUSED:
            self.counts.unread(node.tag, node.line, UNUSED[node.tag])
        else:
            self.counts.unread(f"{node.tag} in {parent}", node.line)

    def _content_item(self, node: Node) -> None:
        if node.tag == "FunctionMode":
            self.mode = node.attrib.get("mode", "").upper()
        else:
            self._unread(node, "Content")

    def _root_item(self, node: Node) -> None:
        if node.tag == "LogicalNet":
            self._logical_net(node, None)
        else:
            self._unread(node, "IPC-2581")

    def _header_item(self, node: Node) -> None:
        if node.tag != "Spec":
            self._unread(node, "CadHeader")
        elif "name" in node.attrib:
            self.specs.setdefault(node.attrib["name"], node)

    def _cad_item(self, node: Node) -> None:
        if node.tag == "Layer":
            info = layer_info(node)
            if info.name in self.layers:
                self.counts.problem(f"Layer {info.name} is declared twice; the first declaration holds.")
            self.layers.setdefault(info.name, info)
        elif node.tag == "Stackup":
            self.stackups.append(node)
        else:
            self._unread(node, "CadData")

    def _bom_item(self, node: Node) -> None:
        if node.tag != "BomItem":
            self._unread(node, "Bom")
            return
        for ref in node.all("RefDes"):
            name = ref.attrib.get("name", "")
            self.bom.setdefault(name, node)
            if ref.attrib.get("populate", "").lower() == "false":
                self.unpopulated.append(name)

    def _net_point(self, node: Node) -> None:
        if node.tag != "PhyNetPoint":
            self._unread(node, "PhyNet")
        elif flag(node, "via") and self.step is not None and self.cad_unit is not None:
            x, y = length(node, "x", self.cad_unit), length(node, "y", self.cad_unit)
            self.step.net_points.append((x, y, self._phy_net))

    def _step_item(self, node: Node) -> None:
        step = self.step
        assert step is not None
        match node.tag:
            case "Profile":
                self._profile(node, step)
            case "StepRepeat":
                step.repeats.append(_repeat(node))
            case "PadStackDef":
                step.stacks.setdefault(text(node, "name"), node)
            case "PadStack":
                self.features.pad_stack(node, self.layers)
            case "Package":
                step.packages.setdefault(text(node, "name"), node)
                for child in node.children:
                    if child.tag not in ("Pin", "LandPattern"):
                        self.counts.unread(f"{child.tag} of packages", child.line, "drawings of parts are no copper")
            case "Component":
                step.components.append(node)
            case "LogicalNet":
                self._logical_net(node, step)
            case "NonstandardAttribute":
                if node.attrib.get("name") == "board.links":
                    step.links_given = True
                else:
                    self.counts.unread("NonstandardAttribute in Step", node.line, OTHERS_OWN)
            case _:
                self._unread(node, "Step")

    def _logical_net(self, node: Node, step: StepData | None) -> None:
        self.features.net(text(node, "name"))
        self.nets.append((node, step))

    def _profile(self, node: Node, step: StepData) -> None:
        try:
            outline = shapes.contour(node)
        except NoShape as error:
            self.counts.problem(f"The board outline at line {node.line} is not usable: {error}.")
            return
        if outline.is_valid:
            step.outlines.append(outline)
            return
        mended = shapely.make_valid(outline)
        pieces = [p for p in shapely.get_parts(mended) if isinstance(p, Polygon)]
        self.counts.problem(f"The board outline at line {node.line} crosses itself; it was mended.")
        if pieces:
            step.outlines.append(pieces[0] if len(pieces) == 1 else MultiPolygon(pieces))


def _repeat(node: Node) -> Repeat:
    copies = 1
    for name in ("nx", "ny"):
        value = node.attrib.get(name, "1").strip()
        if not value.isdecimal() or len(value) > 18:
            raise BadValue(node.line, node.tag, f'{name}="{value[:40]}"', "a whole number")
        copies *= int(value)
    return Repeat(node.attrib.get("stepRef", ""), copies, node.line)


def read_elements(member: Member, progress: Callable[[str, int, int], None] | None = None) -> Reader:
    """Streams one file. Raises ReadError for what is damaged or makes no sense, with line and element."""
    reader = Reader(member.label)
    stream = Stream(member.label, reader)
    try:
        with member.open() as data:
            stream.run(data, member.size, progress)
    except BadValue as error:
        raise refused(member.label, error) from error
    return reader


def refused(label: str, error: BadValue) -> ReadError:
    """What the user is told of an attribute that makes no sense."""
    return ReadError(label, error.line, found=f"{error.found} in <{error.element}>", expected=error.expected)
