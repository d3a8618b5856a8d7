"""Ground copper on two layers whose ties are so far apart that it rings between them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import shapely

from quietcopper.electrical.plane_pairs import PlanePair
from quietcopper.electrical.stitching import (
    Distances,
    distances,
    grid_places,
    highest_beside,
    patch_modes,
    places_beside,
    tied_pairs,
    with_ties,
)
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.resonators import stitching_pitch
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
from quietcopper.findings.model import LEAST_GAIN_DB
from quietcopper.units import C0, MM, engineering

NAME = "stitching-too-sparse"
QUESTION = "Is ground copper that faces ground copper tied to it so often that nothing rings between the ties?"
MECHANISM = """Two grounds that face each other are one ground only as far as vias tie them. Between the ties they
form a resonator like any plane pair; at its resonance the lines beside it put a voltage between the two grounds, which
couples to everything near and leaves the board by its edge."""
FORMULA = """Lowest mode f of the facing copper between its ties, solved by finite volumes round the place that is
furthest from a tie (up to four times that distance), given as the quarter wave c/(4 f sqrt(er)); allowed is the
quarter wave at the stated multiple of the highest knee frequency of the lines beside the copper (of a radio carrier
its own). Copper that lies nowhere further from a tie than the stated fraction of the wavelength at that frequency
passes unsolved: for resonance alone that rule is on the safe side by four or more (a grid of vias cuts off near a
quarter wave)."""
ALLOWANCES: Mapping[str, Limit] = {
    "frequency_factor": Limit(
        1.5,
        "ratio",
        "common practice, no source (ties a twentieth of a wavelength apart keep a factor of four)",
        "How far above the highest knee frequency beside it the first resonance between ties must lie.",
    ),
    "fraction": Limit(
        20.0,
        "ratio",
        "common practice, no source",
        "Ties nearer than this fraction of a wavelength are never looked at.",
    ),
    "smallest_mm2": Limit(50.0, "mm²", "common practice, no source", "Smaller facing areas are passed over."),
}
SOURCES = (
    "Belov et al., Physical Review B 67, 113103 (2003): cut-off of a grid of vias (from memory)",
    "Knee frequency 0.5 / rise time: Johnson and Graham, High-Speed Digital Design, chapter 1 (from memory)",
)
MARGIN = 2.1  # times the frequency that the first resonance must exceed: so far it is looked for (6 dB)
STEP = 0.5e-3  # m, of a proposed pitch


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    allow = {key: view.settings.allowance(f"{NAME}.{key}", limit.default) for key, limit in ALLOWANCES.items()}
    pairs = [pair for pair in tied_pairs(view) if pair.area >= allow["smallest_mm2"] * 1e-6]
    solved = 0
    for pair in pairs:
        fastest = highest_beside(view, pair)
        if fastest is None:  # no line beside it that could excite it
            solved += 1
            continue
        try:
            finding = _judge(view, pair, *fastest, allow)
        except OutOfRange as error:
            layers = f"layers {pair.upper_layer + 1} and {pair.lower_layer + 1}"
            yield NotChecked(NAME, f"{view.board.nets[view.board.areas.net[pair.upper]]} on {layers}", str(error))
            continue
        solved += 1
        if finding is not None:
            yield finding
    yield Coverage(NAME, solved, len(pairs), "facing ground areas")


def _judge(view: View, pair: PlanePair, top: float, beside: int, allow: Mapping[str, float]) -> Finding | None:
    board, er = view.board, pair.material.er
    found = distances(view, pair)
    pitch = float(stitching_pitch(top, er, allow["fraction"]))
    if not len(pair.ties) or found.largest <= pitch:  # untied copper is a plane pair or lone copper
        return None
    wanted = allow["frequency_factor"] * top
    modes = patch_modes(view, pair, found.place, found.largest, MARGIN * wanted)
    if not len(modes.frequency):
        return None
    first = float(modes.frequency[0])
    at = modes.loudest(0)
    allowance = Allowance(
        C0 / (4 * wanted * er**0.5), "m", ALLOWANCES["frequency_factor"].source, f"{NAME}.frequency_factor"
    )
    net, layers = board.nets[board.areas.net[pair.upper]], (pair.upper_layer, pair.lower_layer)
    names = [board.layers[layer].name for layer in layers]
    change, after = _stitch(view, pair, found, net, pitch, wanted)
    excess = allowance.excess_db(C0 / (4 * after * er**0.5)) if after else float("-inf")
    helps = excess < allowance.excess_db(C0 / (4 * first * er**0.5)) - LEAST_GAIN_DB
    near = view.near(*at)
    both = f"layers {layers[0] + 1} and {layers[1] + 1}"
    return Finding(
        check=NAME,
        subject=(net, *names, near),
        title=f"{net} on {both} is tied too sparsely{f' near {near}' if near else ''}",
        message=f"{net} on {both} lies up to {engineering(found.largest, 'm')} from its nearest tie and rings between "
        f"its ties at {engineering(first, 'Hz')}; {board.nets[beside]} beside it reaches {engineering(top, 'Hz')}.",
        place=Place(at, _sparse(found, pitch), layers, (net,) if net else ()),
        predicted=C0 / (4 * first * er**0.5),
        allowance=allowance,
        cause=CauseHint(
            f"untied:{names[0]}:{names[1]}", f"{net} on {both} is tied too sparsely", change if helps else None
        ),
        remedies=(Remedy(change, excess),) if helps else (),
        evidence={
            "resonance_hz": first,
            "highest_frequency_hz": top,
            "furthest_from_a_tie_mm": found.largest / MM,
            "twentieth_of_a_wave_mm": pitch / MM,
            "ties": len(pair.ties),
            "distance_mm": pair.material.spacing / MM,
            **({"mode": modes.picture(0), "tie_map": found.picture(pitch)} if view.pictures else {}),
        },
    )


def _sparse(found: Distances, pitch: float) -> shapely.Geometry:
    """Outline of what lies further than a pitch from every tie."""
    far = shapely.points(found.points[found.distance > pitch])
    return shapely.union_all(shapely.buffer(far, found.step * 0.71, cap_style="square")).simplify(found.step / 4)


def _stitch(
    view: View, pair: PlanePair, found: Distances, net: str, pitch: float, wanted: float
) -> tuple[Proposal, float | None]:
    """Vias on a pitch over what is too far from a tie, and the first mode after it, Hz; None where none is near."""
    x0, y0, x1, y1 = _sparse(found, pitch).bounds
    pitch = max(STEP, round(pitch / STEP) * STEP)
    box = [x0, y0, x1, y1]
    words = f"tie {net} on layers {pair.upper_layer + 1} and {pair.lower_layer + 1} by vias every "
    change = Proposal(
        f"{words}{engineering(pitch, 'm')} where they fit", "stitch", {"net": net, "pitch": pitch, "box": box}
    )
    # as `changes.vias.stitch` does: a place without room is tried up to half a pitch beside it
    tied = with_ties(view, pair, places_beside(pair, grid_places((x0, y0, x1, y1), pitch), pitch / 2))
    now = distances(view, tied)
    modes = patch_modes(view, tied, now.place, now.largest, MARGIN * wanted)
    return change, float(modes.frequency[0]) if len(modes.frequency) else None
