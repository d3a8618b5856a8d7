"""Copper that is tied to nothing and rings as a resonator."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from quietcopper.electrical.pours import lone_copper
from quietcopper.electrical.signals import fastest_beside
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
        remove = Proposal("remove the piece", "remove-area", {"layer": int(layer), "at": [(at.x, at.y)]})
        yield Finding(
            check=NAME,
            subject=(board.layers[layer].name, near),
            title=f"Lone copper on {board.layer_label(int(layer))}{f' near {near}' if near else ''}",
            message=f"A piece {engineering(extent, 'm')} long is tied to nothing; it rings at "
            f"{engineering(rings, 'Hz')}, and {board.nets[net]} beside it reaches {engineering(top, 'Hz')}.",
            place=Place((at.x, at.y), shape, (int(layer),)),
            predicted=float(extent),
            allowance=Allowance(allowed, "m", ALLOWANCES["frequency_factor"].source, f"{NAME}.frequency_factor"),
            cause=CauseHint(
                f"lone copper:{board.layers[layer].name}",
                f"Pour pieces on {board.layer_label(int(layer))} are tied to nothing",
                Proposal(f"remove the lone pieces on {board.layer_label(int(layer))}"),
            ),
            remedies=(Remedy(remove, float("-inf"), "estimate"),),
            evidence={
                "standing_wave": {"length_mm": extent * 1e3, "frequency_hz": rings, "ends": "both open"},
                "area_mm2": shape.area * 1e6,
                "er": er,
                "highest_frequency_hz": top,
            },
        )
