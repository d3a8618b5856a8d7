"""A change of layers between planes that nothing ties: the planes' edges radiate."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.radiating_lines import cause_of_changes, hint_of, lines_over, radiation_finding
from quietcopper.electrical.radiators import EDGES, radiators_of
from quietcopper.electrical.view import View
from quietcopper.findings import Coverage, Finding, Limit, NotChecked, Place
from quietcopper.units import engineering

NAME = "plane-edges-radiate"
QUESTION = "Does a line put a voltage between two planes that no via ties, which their edges then radiate?"
MECHANISM = """Where a line changes layers and its reference changes to a plane that no via ties to the first, the
return current charges the two against each other. The voltage stands along the planes' edges, which radiate like a
slot."""
FORMULA = """Largest current on the line times the impedance between the two planes (their capacitance, the
capacitors that join them with their mounting, and the line's own 2·Z0 in parallel) as a uniform voltage along the
longer side of the smaller plane, up to half a wave: V·l/(lambda·r) over a floor. Above the planes' first resonance
the true voltage has peaks, which 2·Z0 bounds. An upper bound for ranking."""
ALLOWANCES: Mapping[str, Limit] = {}
SOURCES = (
    "Edge as a magnetic current, the dual of the short dipole: textbook",
    "Leone, IEEE Trans. EMC 45(3), 2003: plane edges as radiators (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    radiators = radiators_of(view)
    yield from lines_over(NAME, radiators)
    for net, line in radiators.by_net.items():
        priced = radiators.estimate(net, EDGES) if line.changes else None
        if priced is None:
            continue
        estimate, _ = priced
        name = view.board.nets[net]
        cause, at, shape, layers, planes = cause_of_changes(view, radiators, net)
        often = "once" if len(line.changes) == 1 else f"{len(line.changes)} times"
        yield radiation_finding(
            radiators,
            net,
            estimate,
            (EDGES,),
            check=NAME,
            title=f"{name} makes the edges of {planes} radiate",
            message=f"{name} changes {often} between {planes}, which no via ties; their edges, "
            f"{engineering(max(side for *_, side in line.changes), 'm')} long, give at most {estimate.words}, "
            f"{CAUTION}.",
            place=Place(at, shape, layers, (name,)),
            cause=hint_of(cause),
            evidence={
                "changes": len(line.changes),
                "plane_capacitance_pf": min(c for _, c, _ in line.changes) * 1e12,
            },
        )
