"""What a file left out of its stackup, filled in the same way for every format, each figure told as an assumption.

Defaults, all common practice without source: relative permittivity 4.3 and loss tangent 0.02 (glass-epoxy laminate
around 1 GHz is sold between 3.9 and 4.7 and between 0.01 and 0.025), copper 35 µm outside and 17.5 µm inside (one and
half an ounce a square foot), board 1.6 mm thick, solder mask 20 µm with 3.5 and 0.025, and where asked for, 0.2 mm
below the outer layers of a board of four or more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from quietcopper.board import Dielectric, Layer, Mask
from quietcopper.formats.counts import Counts
from quietcopper.units import COPPER_CONDUCTIVITY

ER, TAN_D = 4.3, 0.02
OUTER_COPPER, INNER_COPPER = 35e-6, 17.5e-6  # m
BOARD = 1.6e-3  # m
OUTER_SHEET = 0.2e-3  # m, between an outer layer and the next of a board of four or more: one or two plies of prepreg
MASK_THICKNESS, MASK_ER, MASK_TAN_D = 20e-6, 3.5, 0.025


@dataclass(frozen=True)
class Material:
    """What is stated of one sheet; None where nothing is."""

    material: str = ""
    er: float | None = None
    tan_d: float | None = None
    frequency: float | None = None  # Hz, that er and tan_d are for
    conductivity: float | None = None  # S/m


@dataclass(frozen=True)
class Sheet:
    """A sheet as stated. thickness in m, None where not stated."""

    name: str
    thickness: float | None
    material: Material = Material()


def copper_layers(sheets: Sequence[Sheet], functions: Sequence[str], counts: Counts) -> tuple[Layer, ...]:
    """Copper layers from the component side down. functions : the file's word for each, "" for none."""
    out, conductivity_assumed = [], 0
    for i, (sheet, function) in enumerate(zip(sheets, functions, strict=True)):
        outer = i in (0, len(sheets) - 1)
        thickness = sheet.thickness
        if thickness is None:
            thickness = OUTER_COPPER if outer else INNER_COPPER
            counts.assume(
                f"copper thickness of layer {sheet.name}",
                thickness * 1e6,
                "µm",
                f"the file gives none; {'one ounce outside' if outer else 'half an ounce inside'} is common practice",
            )
        conductivity = sheet.material.conductivity
        if conductivity is None or conductivity <= 0:
            conductivity, conductivity_assumed = COPPER_CONDUCTIVITY, conductivity_assumed + 1
        out.append(Layer(sheet.name, thickness, function, conductivity))
    if conductivity_assumed:
        counts.assume(
            "conductivity of copper layers",
            COPPER_CONDUCTIVITY,
            "S/m",
            "the file gives none; annealed copper at 20 °C",
            conductivity_assumed,
        )
    return tuple(out)


def dielectrics(
    stacks: Sequence[Sequence[Sheet]],
    layers: Sequence[Layer],
    overall: float | None,
    counts: Counts,
    *,
    thin_outside: bool = False,
) -> tuple[Dielectric, ...]:
    """One merged sheet a gap; thickness that is not stated is shared out of the board's.

    stacks : the sheets between each two copper layers; overall : the board's whole thickness where stated, m
    thin_outside : where nothing is stated of a board of four or more layers, its outer sheets are OUTER_SHEET or, if
    that is less, an equal share
    """
    known = [sum(sheet.thickness or 0.0 for sheet in stack) for stack in stacks]
    thin = thin_outside and len(stacks) >= 3 and not any(known)
    open_gaps = [i for i, thickness in enumerate(known) if thickness == 0.0]
    shared = 0.0
    if open_gaps:
        copper = sum(layer.thickness for layer in layers)
        rest = (overall if overall is not None else BOARD) - copper - sum(known)
        if rest <= 0:  # what is stated already fills the board: the default board's share, not a negative one
            rest = (BOARD - copper) * len(open_gaps) / len(stacks)
        shared = max(rest / len(open_gaps), 10e-6)
    outer = min(OUTER_SHEET, shared) if thin else shared
    inner = (shared * len(stacks) - 2 * outer) / (len(stacks) - 2) if thin else shared
    out = []
    for i, stack in enumerate(stacks):
        between = f"between {layers[i].name} and {layers[i + 1].name}"
        sheets = [_filled(sheet, between, counts) for sheet in stack if sheet.thickness]
        if not sheets:
            assumed = outer if i in (0, len(stacks) - 1) else inner
            why = (
                "its share of the board thickness that the file states" if overall else "its share of a board of 1.6 mm"
            )
            if thin and outer == OUTER_SHEET:
                why += f", outer sheets taken as {OUTER_SHEET * 1e3:g} mm (common practice)"
            counts.assume(
                f"dielectric thickness {between}", round(assumed * 1e3, 6), "mm", f"the file gives none; {why}"
            )
            material = stack[0].material if stack else Material()
            sheets = [_filled(Sheet("", assumed, material), between, counts)]
        out.append(_merged(sheets))
    return tuple(out)


def _filled(sheet: Sheet, between: str, counts: Counts) -> Sheet:
    """The same with permittivity and loss tangent, assumed where not stated or impossible."""
    material = sheet.material
    what = f"of {sheet.name}, {between}" if sheet.name else between
    if material.er is not None and material.er < 1.0:
        counts.problem(
            f"The file states a dielectric constant of {material.er:g} {what}; that cannot be, it is assumed."
        )
        material = replace(material, er=None)
    if material.tan_d is not None and not 0.0 <= material.tan_d < 1.0:
        counts.problem(f"The file states a loss tangent of {material.tan_d:g} {what}; that cannot be, it is assumed.")
        material = replace(material, tan_d=None)
    if material.er is None:
        counts.assume(f"dielectric constant {what}", ER, "", "the file gives none; glass-epoxy laminate around 1 GHz")
    if material.tan_d is None:
        counts.assume(f"loss tangent {what}", TAN_D, "", "the file gives none; glass-epoxy laminate around 1 GHz")
    er = ER if material.er is None else material.er
    tan_d = TAN_D if material.tan_d is None else material.tan_d
    return replace(sheet, material=replace(material, er=er, tan_d=tan_d))


def _merged(sheets: Sequence[Sheet]) -> Dielectric:
    """Sheets in series as one: thicknesses add, t/er add, losses weigh by t/er (capacitors in series)."""
    first = sheets[0].material
    frequency = first.frequency or Dielectric.frequency
    assert first.er is not None
    assert first.tan_d is not None
    if len(sheets) == 1:
        return Dielectric(sheets[0].thickness or 0.0, first.er, first.tan_d, first.material, frequency)
    thickness = [sheet.thickness or 0.0 for sheet in sheets]
    elastance = [t / (sheet.material.er or 1.0) for t, sheet in zip(thickness, sheets, strict=True)]
    lost = sum(e * (sheet.material.tan_d or 0.0) for e, sheet in zip(elastance, sheets, strict=True))
    materials = list(dict.fromkeys(sheet.material.material for sheet in sheets if sheet.material.material))
    return Dielectric(
        sum(thickness), sum(thickness) / sum(elastance), lost / sum(elastance), " + ".join(materials), frequency
    )


def mask(name: str, sheet: Sheet | None, counts: Counts) -> Mask:
    """Solder mask that the file has. name : as messages call it; sheet : what is stated of it."""
    material = sheet.material if sheet else Material()
    values = []
    for what, unit, scale, stated, default in (
        ("thickness", "µm", 1e6, sheet.thickness if sheet else None, MASK_THICKNESS),
        ("dielectric constant", "", 1.0, material.er, MASK_ER),
        ("loss tangent", "", 1.0, material.tan_d, MASK_TAN_D),
    ):
        impossible = stated is None or stated < 0 or (what == "dielectric constant" and stated < 1.0)
        if impossible:
            counts.assume(
                f"{what} of solder mask {name}", default * scale, unit, "the file gives none; common practice"
            )
        values.append(default if impossible or stated is None else stated)
    return Mask(*values)
