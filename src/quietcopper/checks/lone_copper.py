"""Copper that is tied to nothing and rings as a resonator."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from shapely import Point
from shapely.geometry.base import BaseGeometry

from quietcopper.electrical.choices import loose_pour, stitching_pitch
from quietcopper.electrical.pours import lone_copper
from quietcopper.electrical.signals import fastest_beside
from quietcopper.electrical.tables import GROUND
from quietcopper.electrical.view import View
from quietcopper.fields.resonators import half_wave
from quietcopper.findings import (
    Allowance,
    CauseHint,
    Coverage,
    Finding,
    Limit,
    NotChecked,
    Place,
    Proposal,
    Remedy,
)
from quietcopper.units import C0, engineering

NAME = "lone-copper"
QUESTION = "Is there copper that is tied to no net, by no via and by no pin?"
MECHANISM = """A lone piece couples capacitively to everything beside and below it, so it passes noise from one line to
another. Where its length reaches half a wavelength it is a resonator, and it radiates what the lines beside it feed
in."""
FORMULA = """Longest extent of the piece against the extent whose half-wave resonance, c / (2·L·sqrt(er)), stays above
the highest frequency of interest by the stated factor; er is the laminate's, which puts the resonance low (a bound)."""
ALLOWANCES: Mapping[str, Limit] = {
    "frequency_factor": Limit(
        3.0,
        "ratio",
        "common practice, no source",
        "How far above the highest frequency of interest the first resonance of lone copper must lie.",
    ),
    "smallest_mm": Limit(
        2.0, "mm", "common practice, no source", "Lone copper shorter than this is counted as looked at and passes."
    ),
}
SOURCES = (
    "Balanis, Antenna Theory, chapter on microstrip antennas: half-wave resonance of a patch (from memory)",
    "Knee frequency 0.5 / rise time: Johnson and Graham, High-Speed Digital Design, chapter 1 (from memory)",
)
PLANE = 0.1  # of the board from which on a piece is a plane; common practice, no source


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board = view.board
    factor = view.settings.allowance(f"{NAME}.frequency_factor", ALLOWANCES["frequency_factor"].default)
    smallest = view.settings.allowance(f"{NAME}.smallest_mm", ALLOWANCES["smallest_mm"].default) * 1e-3
    pieces = lone_copper(board, view.copper)
    yield Coverage(NAME, len(view.pieces), len(view.pieces), "pieces of copper")
    for layer, own, extent, shape in zip(pieces.layer, pieces.net, pieces.extent, pieces.shape, strict=True):
        if extent < smallest:
            continue
        at = shape.representative_point()
        fastest = fastest_beside(view, shape, int(layer), int(own))
        if fastest is None:  # no line beside it that could excite it
            continue
        top, net = fastest
        er = view.dielectric_beside(int(layer)).er
        allowed = C0 / (2 * factor * top * er**0.5)
        rings = float(half_wave(extent, er))
        near = view.near(shape.centroid.x, shape.centroid.y)
        plane = shape.area >= PLANE * board.outline.area
        cause, change = _untied_plane(view, int(layer), int(own), shape) if plane else _loose(view, int(layer), at)
        yield Finding(
            check=NAME,
            subject=(board.layers[layer].name, near),
            title=f"Lone copper on {board.layer_label(int(layer))}{f' near {near}' if near else ''}",
            message=f"A piece {engineering(extent, 'm')} long is tied to nothing; it rings at "
            f"{engineering(rings, 'Hz')}, and {board.nets[net]} beside it reaches {engineering(top, 'Hz')}.",
            place=Place((at.x, at.y), shape, (int(layer),), (board.nets[own],) if plane and own else ()),
            predicted=float(extent),
            allowance=Allowance(allowed, "m", ALLOWANCES["frequency_factor"].source, f"{NAME}.frequency_factor"),
            cause=cause,
            remedies=(Remedy(change, None if plane else float("-inf"), "not solved" if plane else "estimate"),),
            evidence={
                "standing_wave": {"length_mm": extent * 1e3, "frequency_hz": rings, "ends": "both open"},
                "area_mm2": shape.area * 1e6,
                "er": er,
                "highest_frequency_hz": top,
            },
        )


def _loose(view: View, layer: int, at: Point) -> tuple[CauseHint, Proposal]:
    """The choice behind a left-over piece, and its removal."""
    choice = loose_pour(view, layer)
    remove = Proposal("remove the piece", "remove-area", {"layer": layer, "at": [(at.x, at.y)]})
    return CauseHint(choice.key, choice.title, Proposal(*choice.change, of_places=True)), remove


def _untied_plane(view: View, layer: int, net: int, shape: BaseGeometry) -> tuple[CauseHint, Proposal]:
    """The choice behind a plane that nothing ties, which is never taken away: other lines return in it. Vias to the
    other copper of its net where that is ground; else the designer is asked."""
    board = view.board
    name, label = board.nets[net], board.layer_label(layer)
    others = np.flatnonzero((board.areas.net == net) & (board.areas.layer != layer))
    if name and view.roles[net].kind == GROUND and len(others):
        pitch = stitching_pitch(view, np.unique(view.runs.net).tolist(), layer)
        words = f"tie the plane on {label} to the other {name} by vias every {engineering(pitch, 'm')} where they fit"
        change = Proposal(words, "stitch", {"net": name, "pitch": pitch, "box": shape.bounds})
    elif name:
        change = Proposal(f"tie the planes on {label} to the nets that they are named after; lines may return in them")
    else:
        change = Proposal(f"ask which net the plane on {label} belongs to, and tie it to that; lines may return in it")
    hint = CauseHint(f"untied plane:{board.layers[layer].name}", f"A plane on {label} is tied to nothing", change)
    return hint, change
