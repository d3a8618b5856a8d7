"""A plane pair with a resonance in the measured band, and something that excites it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from quietcopper.electrical.choices import supply_as_reference
from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.plane_noise import Excited, excited
from quietcopper.electrical.plane_pairs import PairModes, PlanePair, as_ground, can_ring, highest_frequency
from quietcopper.electrical.stitching import grid_places, with_ties
from quietcopper.electrical.tables import SUPPLY
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
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
from quietcopper.units import MM, engineering

NAME = "plane-pair-rings"
QUESTION = "Has a plane pair a resonance within the measured band, and does anything on the board excite it?"
MECHANISM = """Two facing planes with open edges resonate where half a wave fits between the edges, or where their
capacitance meets the inductance of the capacitors on them. At a resonance a small current through the pair, from a line
that changes layers or from a part's supply pin, makes a large voltage at its edge, which radiates."""
FORMULA = """Modes of the facing copper as it is, with its openings, vias and capacitors, by finite volumes; impedance
from each place that excites it to the edge; the line's largest current, of what falls within 3 % of a resonance (its
uncertainty); far field of the voltage round the edge as a magnetic current over a floor. An upper bound: the edge
counts as open to the outside. The excess is that of the strongest single source."""
ALLOWANCES: Mapping[str, Limit] = {}
SOURCES = (
    "Lei, Techentin and Gilbert, IEEE Trans. MTT 47(5), 1999: modes of power planes (from memory)",
    "Balanis, Antenna Theory, chapter 12: aperture fields (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)
WORTH = -6.0  # dB; below it nothing need be mended
OUTLINE = 0.1e-3  # m; to what the drawn outline of the pair is simplified


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    highest = highest_frequency(view)
    solved = ringing = quiet = 0
    for pair in view.plane_pairs:
        if not can_ring(pair, highest):
            solved += 1
            continue
        try:
            modes, source = excited(view, pair)
        except OutOfRange as error:
            yield NotChecked(NAME, _name(view, pair), str(error))
            continue
        solved += 1
        ringing += bool(len(modes.frequency))
        if source is not None:
            yield _finding(view, pair, modes, source)
        elif len(modes.frequency):
            quiet += 1
    yield Coverage(NAME, solved, len(view.plane_pairs), "plane pairs")
    if ringing:
        yield Coverage(NAME, ringing - quiet, ringing, "plane pairs that ring, excited by something on the board")


def _name(view: View, pair: PlanePair) -> str:
    board = view.board
    nets = [board.nets[board.areas.net[a]] or "netless copper" for a in (pair.upper, pair.lower)]
    return f"{nets[0]} on layer {pair.upper_layer + 1} and {nets[1]} on layer {pair.lower_layer + 1}"


def _finding(view: View, pair: PlanePair, modes: PairModes, source: Excited) -> Finding:
    board, estimate, exciter = view.board, source.estimate, source.exciter
    modes, mode = source.modes, source.mode
    allowance = Allowance(estimate.limit, "V/m", estimate.source, "review.standard")
    nets = tuple(dict.fromkeys(board.nets[board.areas.net[a]] for a in (pair.upper, pair.lower)))
    at = (exciter.x, exciter.y)
    inside = pair.shape.representative_point()
    count = len(modes.frequency)
    resonance = float(modes.frequency[mode])
    many = (
        f"the {_ordinal(mode)} of {count} up to {engineering(highest_frequency(view), 'Hz')}"
        if count > 1
        else "its only"
    )
    hint, changed = _choice(view, pair, source)
    return Finding(
        check=NAME,
        subject=(
            board.layers[pair.upper_layer].name,
            board.layers[pair.lower_layer].name,
            *nets,
            view.near(inside.x, inside.y),
        ),
        title=f"{_name(view, pair)} ring at {engineering(resonance, 'Hz')}",
        message=f"{_name(view, pair)[0].upper()}{_name(view, pair)[1:]} form a plane pair of "
        f"{engineering(pair.capacitance, 'F')} with a resonance at {engineering(resonance, 'Hz')}, {many}; "
        f"{exciter.what}, excites it: at most {estimate.words}, {CAUTION}.",
        place=Place(
            at,
            pair.whole.simplify(OUTLINE),
            (pair.upper_layer, pair.lower_layer),
            (board.nets[exciter.net], *(net for net in nets if net)),
        ),
        predicted=estimate.field,
        allowance=allowance,
        cause=hint,
        remedies=_remedies(view, hint, changed, estimate.excess_db),
        evidence={
            "resonance_hz": resonance,
            "quality_factor": float(modes.quality[mode]),
            "resonances_mhz": [float(f) / 1e6 for f in modes.frequency[:5]],
            "distance_mm": pair.material.spacing / MM,
            "capacitance_pf": pair.capacitance * 1e12,
            "vias_that_tie_it": len(pair.ties),
            "capacitors_on_it": len(pair.capacitors),
            "sources_that_excite_it": source.exciters,
            **({"mode": modes.picture(mode)} if view.pictures else {}),
            "spectrum": estimate.chart(),
        },
        range_db=estimate.range_db,
    )


def _ordinal(index: int) -> str:
    return ("first", "second", "third", "fourth", "fifth")[index] if index < 5 else f"{index + 1}th"


def _choice(view: View, pair: PlanePair, source: Excited) -> tuple[CauseHint, PlanePair | None]:
    """The choice behind it with its change, and the pair as it then is; None where that is not solved."""
    board, ends = view.board, (pair.upper_layer, pair.lower_layer)
    supply = [
        layer
        for area, layer in ((pair.lower, pair.lower_layer), (pair.upper, pair.upper_layer))
        if view.roles[board.areas.net[area]].kind == SUPPLY
    ]
    names = [board.layers[layer].name for layer in ends]
    layers = f"layers {ends[0] + 1} and {ends[1] + 1}"
    if supply and not source.exciter.pin:
        choice = supply_as_reference(view, supply[0])
        pitch = choice.change[2].get("pitch")  # none where the layer is no plane that could be ground
        grounded = pair if pitch is None or not view.pictures else as_ground(view, pair)
        if pitch is not None and grounded is not pair:
            grounded = with_ties(view, grounded, grid_places(pair.shape.bounds, pitch))
        hint = CauseHint(choice.key, choice.title, Proposal(*choice.change))
        return hint, None if grounded is pair else grounded
    if supply:
        thinner = replace(pair, material=replace(pair.material, spacing=pair.material.spacing / 2))
        words = f"bring {layers} to {engineering(thinner.material.spacing, 'm')} apart"
        arguments = {"upper": ends[0], "lower": ends[1], "thickness": thinner.material.spacing}
        change = Proposal(words, "set-dielectric", arguments)
        title = f"Ground and supply on {layers} are {engineering(pair.material.spacing, 'm')} apart"
        return CauseHint(f"spacing:{names[0]}:{names[1]}", title, change), thinner
    return CauseHint(f"untied:{names[0]}:{names[1]}", f"Copper on {layers} is tied too loosely"), None


def _remedies(view: View, hint: CauseHint, changed: PlanePair | None, excess: float) -> tuple[Remedy, ...]:
    """The change with the excess after it, solved for what is over or near the limit (-inf: nothing rings)."""
    if hint.change is None:
        return ()
    if changed is None or excess < WORTH or not view.pictures:
        return (Remedy(hint.change, None, "not solved"),)
    try:
        after = excited(view, changed)[1]
    except OutOfRange:
        return (Remedy(hint.change, None, "not solved"),)
    return (Remedy(hint.change, float("-inf") if after is None else after.estimate.excess_db),)
