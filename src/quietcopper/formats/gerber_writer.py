"""Writes a Board as a set of fabrication files: Gerber layers with nets and pins, drill files, job file, components.

What the formats have no place for is not written: net classes, impedance targets, antipads declared beside the copper,
conductivity, the frequency of material figures; and what a reader noted beside the tables (source, assumptions,
problems). Rows come back in another order; places are rounded to a nanometre.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from quietcopper.board import Board
from quietcopper.errors import CallError
from quietcopper.files import write_whole
from quietcopper.formats.gerber_text import LayerText, along, mm, turn_degrees
from quietcopper.units import MM

PROFILE_LINE = 50e-6  # m, width of the strokes of the profile
MARK = 0.3e-3  # m, diameter of the flash that stands for a part
PIN_MARK = 0.1e-3  # m, of one that stands for a pin
FUNCTION_WORDS = ("Plane", "Signal", "Mixed", "Hatched")  # that a copper layer's file function may end with


def write_gerber_set(board: Board, folder: Path | str) -> list[Path]:
    """Writes the files into a folder, made where it is not there; returns their paths.

    Raises CallError where the folder cannot be written, or for a board without an outline.
    """
    folder = Path(folder)
    if board.outline.is_empty:
        raise CallError(f"board {board.name}: it has no outline, which a set of Gerber files needs")
    files = dict(_files(board))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            write_whole(folder / name, text.encode("utf-8"))
    except OSError as error:
        raise CallError(f"{folder}: the files cannot be written ({error.strerror})") from error
    return [folder / name for name in files]


def _files(board: Board) -> Iterator[tuple[str, str]]:
    """Name and text of every file."""
    stem = re.sub(r"[^A-Za-z0-9_.-]+", "_", board.name).strip("._") or "board"
    listed: list[tuple[str, str, str]] = []  # name, function, polarity; for the job file
    count = len(board.layers)
    for number in range(1, count + 1):
        side = "Top" if number == 1 else "Bot" if number == count else "Inr"
        word = board.layers[number - 1].function.capitalize()
        fields = ("Copper", f"L{number}", side, *([word] if word in FUNCTION_WORDS else []))
        name = f"{stem}-copper-{number}.gbr"
        listed.append((name, ",".join(fields), "Positive"))
        yield name, _copper(board, number - 1, fields)
    for face, mask, layer in (("Top", board.mask_top, 0), ("Bot", board.mask_bottom, count - 1)):
        if mask is not None:
            name = f"{stem}-mask-{face.lower()}.gbr"
            listed.append((name, f"Soldermask,{face}", "Negative"))
            yield name, _mask(board, layer, face)
    name = f"{stem}-profile.gbr"
    listed.append((name, "Profile,NP", "Positive"))
    yield name, _profile(board)
    for bottom in (0, 1):
        if (board.parts.side == bottom).any():
            name = f"{stem}-parts-{'bottom' if bottom else 'top'}.gbr"
            fields = ("Component", f"L{count}", "Bot") if bottom else ("Component", "L1", "Top")
            listed.append((name, ",".join(fields), "Positive"))
            yield name, _components(board, bottom, fields)
    spans = sorted({*zip(board.vias.first.tolist(), board.vias.last.tolist(), board.vias.plated.tolist(), strict=True)})
    for first, last, plated in spans:
        name = f"{stem}-{'plated' if plated else 'unplated'}-{first + 1}-{last + 1}.drl"
        yield name, _drill(board, first, last, plated)
    yield f"{stem}.gbrjob", _job(board, listed)


def _net(board: Board, net: int) -> dict[str, tuple[str, ...]]:
    """The net attribute; copper that is tied to no net has an empty name, as the format has it."""
    return {".N": (board.nets[net],)}


def _copper(board: Board, layer: int, fields: tuple[str, ...]) -> str:
    out = LayerText({".FileFunction": fields, ".FilePolarity": ("Positive",), ".Part": ("Single",)})
    areas, traces, pads = board.areas, board.traces, board.pads
    for row in np.flatnonzero(areas.layer == layer).tolist():
        out.attributes(_net(board, int(areas.net[row])))
        out.region(areas.shape[row], "Conductor")
    out.end_regions()
    for row in np.flatnonzero(traces.layer == layer).tolist():
        out.attributes(_net(board, int(traces.net[row])))
        x0, y0, x1, y1 = (float(column[row]) for column in (traces.x0, traces.y0, traces.x1, traces.y1))
        width, turn = float(traces.width[row]), int(traces.turn[row])
        if turn:
            out.arc((x0, y0, x1, y1), (float(traces.xc[row]), float(traces.yc[row])), turn, width, "Conductor")
        else:
            out.line(x0, y0, x1, y1, width, "Conductor")
    for row in np.flatnonzero(pads.layer == layer).tolist():
        wanted, pin, via = _net(board, int(pads.net[row])), int(pads.pin[row]), int(pads.via[row])
        if pin >= 0:
            wanted[".P"] = (board.parts.ref[board.pins.part[pin]], board.pins.name[pin])
        function = "SMDPad,CuDef" if via < 0 else "ComponentPad" if pin >= 0 else "ViaPad"
        out.attributes(wanted)
        out.flash(float(pads.x[row]), float(pads.y[row]), pads.shape[row], function)
    return out.text()


def _mask(board: Board, layer: int, side: str) -> str:
    """Openings over the pads, as large as they are: the board's tables hold no others."""
    out = LayerText({".FileFunction": ("Soldermask", side), ".FilePolarity": ("Negative",), ".Part": ("Single",)})
    pads = board.pads
    for row in np.flatnonzero((pads.layer == layer) & ((pads.pin >= 0) | (pads.via < 0))).tolist():
        out.flash(float(pads.x[row]), float(pads.y[row]), pads.shape[row])
    return out.text()


def _profile(board: Board) -> str:
    out = LayerText({".FileFunction": ("Profile", "NP"), ".FilePolarity": ("Positive",), ".Part": ("Single",)})
    for polygon in getattr(board.outline, "geoms", [board.outline]):
        for side in along(polygon):
            out.line(*side, PROFILE_LINE, "Profile")
    return out.text()


def _components(board: Board, side: int, fields: tuple[str, ...]) -> str:
    out = LayerText({".FileFunction": fields, ".FilePolarity": ("Positive",), ".Part": ("Single",)})
    parts, pins = board.parts, board.pins
    for part in np.flatnonzero(parts.side == side).tolist():
        said = {".C": (parts.ref[part],), ".CRot": (turn_degrees(float(parts.rotation[part])),)}
        if parts.value[part]:
            said[".CVal"] = (parts.value[part],)
        if parts.package[part]:
            said[".CPkg"] = (parts.package[part],)
        out.attributes(said)
        out.flash_circle(float(parts.x[part]), float(parts.y[part]), MARK, "ComponentMain")
        for pin in np.flatnonzero(pins.part == part).tolist():
            out.attributes({**said, ".P": (parts.ref[part], pins.name[pin])})
            out.flash_circle(float(pins.x[pin]), float(pins.y[pin]), PIN_MARK, "ComponentPin")
    return out.text()


def _drill(board: Board, first: int, last: int, plated: bool) -> str:
    """An XNC file: the holes of one span, plated or not."""
    vias = board.vias
    rows = np.flatnonzero((vias.first == first) & (vias.last == last) & (vias.plated == plated))
    through = first == 0 and last == len(board.layers) - 1
    label = ("PTH" if plated else "NPTH") if through else "Blind" if first == 0 or last == len(board.layers) - 1 else (
        "Buried"
    )  # fmt: skip
    kind = "Plated" if plated else "NonPlated"
    lines = ["M48", f"; #@! TF.FileFunction,{kind},{first + 1},{last + 1},{label}", "; #@! TF.Part,Single", "METRIC"]
    tools: dict[tuple[str, str], list[int]] = {}
    for row in rows.tolist():
        use = "ViaDrill" if plated and vias.pin[row] < 0 else "ComponentDrill"
        tools.setdefault((mm(float(vias.drill[row])), use), []).append(row)
    for number, (diameter, use) in enumerate(tools, 1):
        lines += [f"; #@! TA.AperFunction,{kind},{'PTH' if plated else 'NPTH'},{use}", f"T{number}C{diameter}"]
    lines += ["%", "G90", "G05"]
    for number, members in enumerate(tools.values(), 1):
        lines.append(f"T{number}")
        for row in members:
            x, y, x1, y1 = (_place(float(column[row])) for column in (vias.x, vias.y, vias.x1, vias.y1))
            lines.append(f"X{x}Y{y}" if (x, y) == (x1, y1) else f"X{x}Y{y}G85X{x1}Y{y1}")
    return "\n".join([*lines, "M30", ""])


def _place(metres: float) -> str:
    """A coordinate in millimetres to a nanometre, always with its decimal point."""
    return f"{metres / MM:.6f}"


def _job(board: Board, listed: list[tuple[str, str, str]]) -> str:
    x0, y0, x1, y1 = board.outline.bounds
    sheets: list[dict[str, Any]] = []

    def mask(side: str, thickness: float, er: float, tan_d: float) -> None:
        sheets.append(
            {
                "Type": "SolderMask",
                "Name": side,
                "Thickness": _millimetres(thickness),
                "DielectricConstant": er,
                "LossTangent": tan_d,
            }
        )

    if board.mask_top is not None:
        mask("Top solder mask", board.mask_top.thickness, board.mask_top.er, board.mask_top.tan_d)
    for number, layer in enumerate(board.layers):
        sheets.append({"Type": "Copper", "Name": layer.name, "Thickness": _millimetres(layer.thickness)})
        if number < len(board.dielectrics):
            sheet = board.dielectrics[number]
            row: dict[str, Any] = {"Type": "Dielectric", "Thickness": _millimetres(sheet.thickness)}
            if sheet.material:
                row["Material"] = sheet.material
            sheets.append({**row, "DielectricConstant": sheet.er, "LossTangent": sheet.tan_d})
    if board.mask_bottom is not None:
        mask("Bottom solder mask", board.mask_bottom.thickness, board.mask_bottom.er, board.mask_bottom.tan_d)
    document = {
        "Header": {"GenerationSoftware": {"Vendor": "Quiet Copper", "Application": "Quiet Copper", "Version": "1"}},
        "GeneralSpecs": {
            "ProjectId": {"Name": board.name, "GUID": "", "Revision": ""},
            "Size": {"X": _millimetres(x1 - x0), "Y": _millimetres(y1 - y0)},
            "LayerNumber": len(board.layers),
            "BoardThickness": _millimetres(board.thickness),
        },
        "FilesAttributes": [
            {"Path": name, "FileFunction": function, "FilePolarity": polarity} for name, function, polarity in listed
        ],
        "MaterialStackup": sheets,
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def _millimetres(metres: float) -> float:
    return round(metres / MM, 9)
