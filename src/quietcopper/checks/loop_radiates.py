"""A trace whose loop with its return radiates by itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.radiating_lines import (
    cause_by_height,
    cause_by_way,
    hint_of,
    lines_over,
    place_of,
    radiation_finding,
)
from quietcopper.electrical.radiators import LOOP, radiators_of
from quietcopper.electrical.view import View
from quietcopper.findings import Coverage, Finding, Limit, NotChecked, Place
from quietcopper.units import engineering

NAME = "loop-radiates"
QUESTION = "Does the loop of a trace and its return radiate too much by itself?"
MECHANISM = """A trace and the return current in the copper beside it enclose a loop, which grows with their distance
and wherever the return must go round a gap. The loop radiates with the square of the frequency, cable or no cable."""
FORMULA = """Spectrum of the driver, as the largest current on a line with an open end, in a loop of the trace's
length (up to half a wave) times its distance to the reference, plus the openings that its return goes round:
263e-16 f² A I/r over a reflecting floor. Lines between two planes form no open loop. Loops up to a quarter wave a
side; an upper bound for ranking."""
ALLOWANCES: Mapping[str, Limit] = {}
SOURCES = (
    "Small loop over a floor: Ott, Electromagnetic Compatibility Engineering (from memory); eta0·pi/c² doubled",
    "Trapezoid spectrum: Paul, Introduction to Electromagnetic Compatibility, chapter 3 (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    radiators = radiators_of(view)
    yield from lines_over(NAME, radiators)
    for net, line in radiators.by_net.items():
        priced = radiators.estimate(net, LOOP) if line.length > 0 else None
        if priced is None:
            continue
        estimate, _ = priced
        name = view.board.nets[net]
        gaps = sum(gap.area for gap in line.gaps)
        aside = f", and {gaps * 1e6:.3g} mm² more round gaps" if gaps > 0 else ""
        shape, at, layers = place_of(radiators, net, estimate.excess_db)
        yield radiation_finding(
            radiators,
            net,
            estimate,
            (LOOP,),
            check=NAME,
            title=f"{name} and its return form a loop that radiates",
            message=f"{name} runs {engineering(line.length, 'm')} at {engineering(line.height, 'm')} from its "
            f"return{aside}: at most {estimate.words}, {CAUTION}.",
            place=Place(at, shape, layers, (name,)),
            cause=hint_of(cause_by_height(radiators, net), alone=cause_by_way(view, net, line.length)),
            evidence={
                "length_mm": line.length * 1e3,
                "height_mm": line.height * 1e3,
                "loop_mm2": (line.length * line.height + gaps) * 1e6,
            },
        )
