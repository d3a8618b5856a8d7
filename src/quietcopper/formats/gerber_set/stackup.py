"""The stackup of a set: from its job file as far as that states one, the rest assumed and told."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from quietcopper.board import Dielectric, Layer, Mask
from quietcopper.formats.counts import Counts
from quietcopper.formats.gerber_job import Job, JobSheet
from quietcopper.formats.gerber_set.roles import BOTTOM, TOP
from quietcopper.formats.stack_filling import Material, Sheet, copper_layers, dielectrics, mask

MASK_WORDS = ("soldermask", "coverlay", "coverlayer")


@dataclass(frozen=True)
class Stackup:
    layers: tuple[Layer, ...]
    dielectrics: tuple[Dielectric, ...]
    mask_top: Mask | None
    mask_bottom: Mask | None


def set_stackup(
    job: Job | None, names: list[str], functions: list[str], mask_files: set[str], counts: Counts
) -> Stackup:
    """The stackup of copper layers 1..N. names : what the layers are called where the job file does not name them;
    functions : the file's word for each; mask_files : sides (TOP, BOTTOM) that have a mask layer file."""
    sheets = list(job.stackup) if job is not None else []
    copper = [i for i, sheet in enumerate(sheets) if sheet.kind == "copper"]
    if copper and len(copper) != len(names):
        counts.problem(
            f"The job file's stackup has {len(copper)} copper layers and the set has {len(names)}: it was not used."
        )
        sheets, copper = [], []
    if copper:
        stated = [sheets[i] for i in copper]
        given = [sheet.name for sheet in stated]
        called = given if all(given) and len(set(given)) == len(given) else names
        between = [sheets[a + 1 : b] for a, b in pairwise(copper)]
        above, below = sheets[: copper[0]], sheets[copper[-1] + 1 :]
    else:
        stated, called, between = [JobSheet("copper") for _ in names], names, [[] for _ in names[1:]]
        above, below = [], []
    layers = copper_layers([_sheet(s, n) for s, n in zip(stated, called, strict=True)], functions, counts)
    stacks = [[_sheet(s, "") for s in stack if s.kind == "dielectric"] for stack in between]
    overall = job.thickness if job is not None else None
    return Stackup(
        layers,
        dielectrics(stacks, layers, overall, counts, thin_outside=True) if len(layers) > 1 else (),
        _mask(above, TOP, mask_files, counts),
        _mask(below, BOTTOM, mask_files, counts),
    )


def _sheet(sheet: JobSheet, name: str) -> Sheet:
    return Sheet(name, sheet.thickness, Material(sheet.material, sheet.er, sheet.tan_d))


def _mask(sheets: list[JobSheet], side: str, files: set[str], counts: Counts) -> Mask | None:
    listed = next((sheet for sheet in sheets if sheet.kind in MASK_WORDS), None)
    if listed is None and side not in files:
        return None
    return mask(side, _sheet(listed, "") if listed is not None else None, counts)
