"""Ground copper on two layers that is open along the board's edge, and lines that put a voltage there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.board.model import Floats
from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.plane_noise import Excited, excited, exciters_of
from quietcopper.electrical.plane_pairs import PlanePair
from quietcopper.electrical.stitching import border, open_stretches, tied_pairs, with_ties
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.resonators import stitching_pitch
from quietcopper.fields.spectra import knee
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

NAME = "edge-not-stitched"
QUESTION = "Are facing ground areas tied along the board's edge where lines change layers between them?"
MECHANISM = """A line that changes layers between two grounds puts its return current across them; the ties carry it,
and what voltage they leave travels to the board's edge. An edge without ties is open: the voltage stands there and
radiates like a slot, while a row of ties along it shorts it."""
FORMULA = """Impedance from each layer change to the open edge, solved by finite volumes with all ties, times the line's
largest current; far field of the voltage round the edge as a magnetic current over a floor, from 30 MHz to the
standard's upper frequency. An upper bound. Only where the edge has a stretch without a tie that is longer than the
stated fraction of the wavelength at the highest knee frequency of those lines."""
ALLOWANCES: Mapping[str, Limit] = {
    "fraction": Limit(
        20.0,
        "ratio",
        "common practice, no source",
        "Ties along the edge this fraction of a wavelength apart pass unsolved.",
    ),
    "smallest_mm2": Limit(20.0, "mm²", "common practice, no source", "Smaller facing areas are passed over."),
}
SOURCES = (
    "Balanis, Antenna Theory, chapter 12: aperture fields (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)
LEAST, MOST = 1e-3, 20e-3  # m, of a proposed pitch
INSET = 0.7e-3  # m; how far inside the copper's edge the proposed ties stand
WORTH = -6.0  # dB; below it nothing need be mended


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    smallest = view.settings.allowance(f"{NAME}.smallest_mm2", ALLOWANCES["smallest_mm2"].default) * 1e-6
    fraction = view.settings.allowance(f"{NAME}.fraction", ALLOWANCES["fraction"].default)
    pairs = [pair for pair in tied_pairs(view) if pair.area >= smallest and border(view, pair).length > 0]
    solved = 0
    for pair in pairs:
        lines = {exciter.net for exciter in exciters_of(view, pair)}
        if not lines:
            solved += 1
            continue
        top = max(float(knee(view.drivers[net].rise)) for net in lines)
        pitch = float(stitching_pitch(top, pair.material.er, fraction))
        stretches = open_stretches(view, pair, pitch)
        try:
            source = excited(view, pair, resonant=False)[1] if stretches and stretches[0][0] > pitch else None
            if source is not None:
                yield _finding(view, pair, source, stretches, pitch, len(lines))
        except OutOfRange as error:
            yield NotChecked(NAME, f"layers {pair.upper_layer + 1} and {pair.lower_layer + 1}", str(error))
            continue
        solved += 1
    yield Coverage(NAME, solved, len(pairs), "facing ground areas at the board's edge")


def _finding(
    view: View,
    pair: PlanePair,
    source: Excited,
    stretches: list[tuple[float, shapely.LineString]],
    pitch: float,
    lines: int,
) -> Finding:
    board, estimate, exciter = view.board, source.estimate, source.exciter
    net, layers = board.nets[board.areas.net[pair.upper]], (pair.upper_layer, pair.lower_layer)
    names = [board.layers[layer].name for layer in layers]
    both = f"layers {layers[0] + 1} and {layers[1] + 1}"
    length, longest = stretches[0]
    open_ = [line for size, line in stretches if size > pitch]
    allowance = Allowance(estimate.limit, "V/m", estimate.source, "review.standard")
    middle = longest.interpolate(0.5, normalized=True)
    step = float(np.clip(round(pitch / 0.5e-3) * 0.5e-3, LEAST, MOST))
    change = Proposal(
        f"tie {net} on {both} along the board's edge by vias every {engineering(step, 'm')}",
        "stitch",
        {"net": net, "pitch": step, "edge": True},
    )
    return Finding(
        check=NAME,
        subject=(net, *names, view.near(middle.x, middle.y)),
        title=f"The edge of {net} on {both} is open",
        message=f"{net} on {both} has no tie along {engineering(length, 'm')} of the board's edge; {exciter.what}, "
        f"and {lines - 1} other lines put a voltage there: at most {estimate.words}, {CAUTION}."
        if lines > 1
        else f"{net} on {both} has no tie along {engineering(length, 'm')} of the board's edge; {exciter.what}, puts "
        f"a voltage there: at most {estimate.words}, {CAUTION}.",
        place=Place((middle.x, middle.y), shapely.MultiLineString(open_), layers, (net, board.nets[exciter.net])),
        predicted=estimate.field,
        allowance=allowance,
        cause=CauseHint(f"open edge:{names[0]}:{names[1]}", f"The edge of {net} on {both} is not tied", change),
        remedies=(_remedy(view, pair, change, open_, step, estimate.excess_db),),
        evidence={
            "longest_open_stretch_mm": length / MM,
            "twentieth_of_a_wave_mm": pitch / MM,
            "ties": len(pair.ties),
            "layer_changes_between_the_two": source.exciters,
            "distance_mm": pair.material.spacing / MM,
            "worst_frequency_hz": estimate.frequency,
            "spectrum": estimate.chart(),
        },
        range_db=estimate.range_db,
    )


def _remedy(
    view: View, pair: PlanePair, change: Proposal, open_: list[shapely.LineString], pitch: float, excess: float
) -> Remedy:
    if excess < WORTH:
        return Remedy(change, None, "not solved")
    inner = shapely.buffer(pair.whole, -INSET)
    places: list[Floats] = []
    for line in open_:
        at = shapely.line_interpolate_point(line, np.arange(pitch / 2, line.length, pitch))
        inside = shapely.get_point(shapely.shortest_line(inner, at), 0)
        places += list(shapely.get_coordinates(inside))
    fenced = with_ties(view, pair, np.array(places).reshape(-1, 2))
    after = excited(view, fenced, resonant=False)[1]
    return Remedy(change, float("-inf") if after is None else after.estimate.excess_db)
