"""A long thin part of a pour, tied at one end only."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from shapely import Point

from quietcopper.electrical.choices import loose_pour
from quietcopper.electrical.pours import fingers
from quietcopper.electrical.signals import fastest_beside
from quietcopper.electrical.view import View
from quietcopper.fields.resonators import quarter_wave
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

NAME = "pour-finger"
QUESTION = "Does a pour end in a long thin part that is tied at one end only?"
MECHANISM = """A strip of pour tied at one end is a quarter-wave resonator: near that frequency it takes energy out of
the lines beside it and radiates it. A tie at its free end doubles the frequency, and removing the strip ends it."""
FORMULA = """Length from the last tie to the free end against the length whose quarter-wave resonance,
c / (4·L·sqrt(er)), stays above the highest frequency of interest by the stated factor; er is the laminate's, which puts
the resonance some 10 % low (a full-wave row for a 20 mm finger: 2.005 GHz, this formula 1.807 GHz)."""
ALLOWANCES: Mapping[str, Limit] = {
    "frequency_factor": Limit(
        3.0,
        "ratio",
        "common practice, no source",
        "How far above the highest frequency of interest the quarter-wave resonance must lie.",
    ),
    "smallest_mm": Limit(5.0, "mm", "common practice, no source", "Shorter fingers are not looked for."),
}
SOURCES = (
    "Quarter-wave resonance of a line open at one end: Pozar, Microwave Engineering, section 6.2 (from memory)",
    "Knee frequency 0.5 / rise time: Johnson and Graham, High-Speed Digital Design, chapter 1 (from memory)",
)


def _tie(net: str, layer: int, free: tuple[float, float], root: tuple[float, float], ties: int) -> Proposal:
    """The finger tied at its free end and, where one tie is too few, on the straight way from there to its root."""
    if not net:
        return Proposal("remove the strip of pour", "remove-area", {"layer": layer, "at": [free]})
    share = [i / ties for i in range(ties)]
    places = [(free[0] + s * (root[0] - free[0]), free[1] + s * (root[1] - free[1])) for s in share]
    words = f"tie the free end with a via to {net}"
    if ties > 1:
        distance = math.hypot(root[0] - free[0], root[1] - free[1]) / ties
        words = (
            f"tie the strip to {net} by {ties} vias, one at its free end and then every {engineering(distance, 'm')}"
        )
    return Proposal(words, "tie-fingers", {"net": net, "layer": layer, "at": places})


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board = view.board
    factor = view.settings.allowance(f"{NAME}.frequency_factor", ALLOWANCES["frequency_factor"].default)
    smallest = view.settings.allowance(f"{NAME}.smallest_mm", ALLOWANCES["smallest_mm"].default) * 1e-3
    found = fingers(board, view.copper, smallest)
    yield Coverage(NAME, len(board.areas), len(board.areas), "areas")
    for row in range(len(found)):
        layer, net = int(found.layer[row]), board.nets[found.net[row]]
        free = (float(found.free_x[row]), float(found.free_y[row]))
        shape = found.shape[row]
        fastest = fastest_beside(view, shape, layer, int(found.net[row]))
        if fastest is None:  # no line beside it that could excite it
            continue
        top, beside = fastest
        er = view.dielectric_beside(layer).er
        length = float(found.length[row])
        rings = float(quarter_wave(length, er))
        allowance = Allowance(
            C0 / (4 * factor * top * er**0.5), "m", ALLOWANCES["frequency_factor"].source, f"{NAME}.frequency_factor"
        )
        # Between two ties it is a half-wave resonator: as long as a finger of half that length.
        ties = max(1, math.ceil(length / (2 * allowance.value)))
        root = (float(found.root_x[row]), float(found.root_y[row]))
        tie = _tie(net, layer, free, root, ties)
        after = allowance.excess_db(length / (2 * ties)) if net else None
        near = view.near(*free)
        choice = loose_pour(view, layer)
        yield Finding(
            check=NAME,
            subject=(net, board.layers[layer].name, near),
            title=f"{net or 'Netless'} pour finger on {board.layer_label(layer)}{f' near {near}' if near else ''}",
            message=f"A strip of pour {engineering(length, 'm')} long is tied at one end only; it rings at "
            f"{engineering(rings, 'Hz')}, and {board.nets[beside]} beside it reaches {engineering(top, 'Hz')}.",
            place=Place(free, shape if not shape.is_empty else Point(free), (layer,), (net,) if net else ()),
            predicted=length,
            allowance=allowance,
            cause=CauseHint(choice.key, choice.title, Proposal(*choice.change, of_places=True)),
            remedies=(Remedy(tie, after),),
            evidence={
                "standing_wave": {"length_mm": length * 1e3, "frequency_hz": rings, "ends": "one tied"},
                "width_mm": float(found.width[row]) * 1e3,
                "er": er,
                "highest_frequency_hz": top,
            },
        )
