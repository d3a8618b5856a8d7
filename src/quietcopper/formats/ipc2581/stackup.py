"""The stackup: which layers are copper, in what order, what lies between them. What the file left out is filled in
by `formats.stack_filling`, each figure recorded as an assumption.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

from quietcopper.board import Dielectric, Layer, Mask
from quietcopper.errors import ReadError
from quietcopper.formats import stack_filling
from quietcopper.formats.ipc2581.columns import StepData
from quietcopper.formats.ipc2581.counts import Counts
from quietcopper.formats.ipc2581.layers import COPPER, DIELECTRIC, MASK, OTHER, LayerInfo
from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.reader import Reader
from quietcopper.formats.ipc2581.specs import loose_material, material_of
from quietcopper.formats.ipc2581.values import BadValue, Unit, number, size, text
from quietcopper.formats.stack_filling import Material, copper_layers, dielectrics, mask

MAX_SHEETS, MAX_NESTING = 1000, 8  # of one stackup
NO_SHEET = frozenset(  # layer functions that are no sheet of the stack even when listed in it with a thickness
    [
        "DRILL",
        "ROUT",
        "SILKSCREEN",
        "LEGEND",
        "PASTEMASK",
        "SOLDERPASTE",
        "DOCUMENT",
        "GRAPHIC",
        "ASSEMBLY",
        "COURTYARD",
        "BOARD_OUTLINE",
        "BOARDFAB",
        "V_CUT",
        "GLUE",
        "PROBE",
        "REWORK",
        "COMPONENT_TOP",
        "COMPONENT_BOTTOM",
        "FIXTURE",
        "PIN",
        "LANDPATTERN",
        "THIEVING_KEEP_INOUT",
    ]
)


@dataclass(frozen=True)
class Sheet:
    """One StackupLayer. thickness in m, None where not stated or zero; kind as in layers.py, by all that is known."""

    name: str
    kind: str
    thickness: float | None
    material: Material
    word: str | None = None  # the layer's function as our own writer noted it
    line: int = 0

    @property
    def stated(self) -> stack_filling.Sheet:
        """What is stated of it, for filling in the rest."""
        return stack_filling.Sheet(self.name, self.thickness, self.material)


@dataclass(frozen=True)
class Stackup:
    """Copper layers in order with what lies between and outside. names : the file's names of the copper layers."""

    layers: tuple[Layer, ...]
    dielectrics: tuple[Dielectric, ...]
    mask_top: Mask | None
    mask_bottom: Mask | None
    names: tuple[str, ...]


def read_stackup(reader: Reader, step: StepData) -> Stackup:
    """The stackup for one step. Raises ReadError when the file has no copper layer at all."""
    counts = reader.counts
    assert reader.cad_unit is not None
    drawn = {name for i, name in enumerate(reader.features.layers.list()) if i in step.features_on}
    sheets, overall = _listed(reader, step)
    if not step.links_given:  # our own writer means what it says
        sheets = [_judged(sheet, reader.layers.get(sheet.name), drawn, counts) for sheet in sheets]
    sheets = _with_unlisted(sheets, reader, drawn)
    copper = [i for i, sheet in enumerate(sheets) if sheet.kind == COPPER]
    if not copper:
        raise ReadError(
            reader.label,
            found="a file that declares no copper layer" if reader.layers else "a file without layers",
            expected="a board's layout (Ecad, CadData, Layer of function CONDUCTOR, SIGNAL, PLANE or MIXED)",
            remedy="export the layout, not only the parts list",
        )
    stated = [sheets[i] for i in copper]
    layers = copper_layers([sheet.stated for sheet in stated], [_function(sheet, reader) for sheet in stated], counts)
    stacks = [[s.stated for s in sheets[a + 1 : b] if s.kind in (DIELECTRIC, MASK)] for a, b in pairwise(copper)]
    return Stackup(
        layers,
        dielectrics(stacks, layers, overall, counts),
        _mask(sheets[: copper[0]], "TOP", reader),
        _mask(sheets[copper[-1] + 1 :], "BOTTOM", reader),
        tuple(sheets[i].name for i in copper),
    )


# ---- which list of layers -----------------------------------------------------------------------


def _listed(reader: Reader, step: StepData) -> tuple[list[Sheet], float | None]:
    """The sheets that the file lists for this step from top to bottom, and the whole thickness it states, m."""
    assert reader.cad_unit is not None
    if not reader.stackups:
        reader.counts.problem("The file has no stackup: thicknesses and materials are assumed.")
        return [], None
    chosen = next((s for s in reader.stackups if s.attrib.get("name") == step.stackup and step.stackup), None)
    if chosen is None:
        chosen = max(reader.stackups, key=lambda s: _copper_count(s.children, reader.layers))
    if len(reader.stackups) > 1:
        reader.counts.unread("Stackup", chosen.line, "one stackup a board is reviewed", len(reader.stackups) - 1)
    groups = {group.attrib.get("name", f"#{i}"): group for i, group in enumerate(chosen.all("StackupGroup"))}
    overall = size(chosen, "overallThickness", reader.cad_unit, 0.0) or None
    order = _expanded(groups, reader.counts)
    per_group = [_sheets(members, reader, reader.cad_unit) for members in order.values()]
    names = [sheet.name for sheets in per_group for sheet in sheets]
    if len(set(names)) == len(names):
        return [sheet for sheets in per_group for sheet in sheets], overall
    # the same layers in several groups: alternatives, not parts of one stack
    owners = [max((s.name for s in reader.steps if s.name in name), key=len, default="") for name in order]
    scored = [
        (owner == step.name, sum(s.kind == COPPER for s in sheets))
        for owner, sheets in zip(owners, per_group, strict=True)
    ]
    best = max(range(len(scored)), key=lambda i: (scored[i], -i))
    name = list(order)[best]
    reader.counts.problem(f"The stackup lists layers more than once; the list {name} was used.")
    return per_group[best], size(groups[name], "thickness", reader.cad_unit, 0.0) or None


def _copper_count(groups: list[Node], layers: dict[str, LayerInfo]) -> int:
    refs = {item.attrib.get("layerOrGroupRef", "") for group in groups for item in group.all("StackupLayer")}
    return sum(name in layers and layers[name].kind == COPPER for name in refs)


def _expanded(groups: dict[str, Node], counts: Counts) -> dict[str, list[Node]]:
    """The StackupLayer elements of each outermost group, groups named inside groups put in place."""
    mentions: list[str] = []
    inner = {item.attrib.get("layerOrGroupRef") for group in groups.values() for item in group.all("StackupLayer")}

    def members(name: str, above: tuple[str, ...]) -> list[Node]:
        out: list[Node] = []
        items = groups[name].all("StackupLayer")
        if items and all("sequence" in item.attrib for item in items):
            items = sorted(items, key=lambda item: number(item, "sequence"))
        for item in items:
            ref = item.attrib.get("layerOrGroupRef", "")
            if ref not in groups:
                out.append(item)
            elif ref in above or len(above) > MAX_NESTING:
                counts.problem(f"Stackup group {ref} contains itself or too many others; a mention was left out.")
            else:
                out += members(ref, (*above, ref))
            mentions.append(ref)
            if len(mentions) > MAX_SHEETS:
                raise BadValue(item.line, item.tag, f"more than {MAX_SHEETS} sheets", "the stackup of a board")
        return out

    outermost = [name for name in groups if name not in inner] or list(groups)
    return {name: members(name, (name,)) for name in outermost}


def _sheets(items: list[Node], reader: Reader, unit: Unit) -> list[Sheet]:
    out = []
    for item in items:
        name = text(item, "layerOrGroupRef")
        info = reader.layers.get(name)
        material = Material()
        for spec in (*(ref.attrib.get("id", "") for ref in item.all("SpecRef")), *(info.specs if info else ())):
            if spec in reader.specs:
                material = material_of(reader.specs[spec], material)
        material = loose_material(item, material)
        words = [a.attrib for a in item.all("NonstandardAttribute") if a.attrib.get("name") == "board.function"]
        word = words[0].get("value", "") if words else None
        kind = info.kind if info else _kind_by_words(name, material)
        if info is not None and info.function in NO_SHEET:
            kind = OTHER
        elif kind == OTHER:
            kind = DIELECTRIC if info is not None else _kind_by_words(name, material)
        out.append(Sheet(name, kind, size(item, "thickness", unit, 0.0) or None, material, word, item.line))
    return out


def _kind_by_words(name: str, material: Material) -> str:
    """What a StackupLayer without a Layer element is; copper only where a Layer element says so."""
    words = f"{name} {material.material}".upper()
    if "MASK" in words or "RESIST" in words:
        return MASK
    return OTHER if material.material.upper() == "AIR" else DIELECTRIC


def _judged(sheet: Sheet, info: LayerInfo | None, drawn: set[str], counts: Counts) -> Sheet:
    """A layer called dielectric by name or material but copper by function, with nothing drawn on it, is dielectric."""
    if sheet.kind != COPPER or sheet.name in drawn or info is None:
        return sheet
    named = sheet.name.upper().startswith(("DIEL", "PREPREG", "CORE"))
    stated = (sheet.material.er or 0.0) > 1.0 and not sheet.material.conductivity
    if named or stated:
        counts.problem(
            f"Layer {sheet.name} is {info.function} by function but a dielectric by its "
            f"{'name' if named else 'material'}, and nothing is drawn on it: taken as a dielectric."
        )
        return replace(sheet, kind=DIELECTRIC)
    return sheet


def _with_unlisted(sheets: list[Sheet], reader: Reader, drawn: set[str]) -> list[Sheet]:
    """Adds copper layers that the file declares and draws on but does not list in the stackup."""
    listed = {sheet.name for sheet in sheets}
    missing = [info for info in reader.layers.values() if info.kind == COPPER and info.name not in listed]
    if any(sheet.kind == COPPER for sheet in sheets):
        missing = [info for info in missing if info.name in drawn]
        if missing:
            names = ", ".join(info.name for info in missing)
            reader.counts.problem(
                f"Copper layers that the stackup does not list: {names}. They were put by their side."
            )
    rank = {"TOP": 0, "BOTTOM": 2}
    top = [Sheet(i.name, COPPER, None, Material()) for i in missing if i.side == "TOP"]
    rest = [i for i in missing if i.side != "TOP"]
    rest.sort(key=lambda info: rank.get(info.side, 1))
    return [*top, *sheets, *(Sheet(i.name, COPPER, None, Material()) for i in rest)]


def _function(sheet: Sheet, reader: Reader) -> str:
    """What a copper layer is for: as our own writer noted it, else in the file's word."""
    if sheet.word is not None:
        return sheet.word
    info = reader.layers.get(sheet.name)
    return info.function.lower() if info else ""


def _mask(sheets: list[Sheet], side: str, reader: Reader) -> Mask | None:
    """Solder mask outside the outermost copper; None where the file has no mask layer on that side."""
    listed = next((sheet for sheet in sheets if sheet.kind == MASK), None)
    declared = next((i.name for i in reader.layers.values() if i.kind == MASK and i.side == side), None)
    if listed is None and declared is None:
        return None
    name = listed.name if listed is not None else declared or ""
    return mask(name, listed.stated if listed is not None else None, reader.counts)
