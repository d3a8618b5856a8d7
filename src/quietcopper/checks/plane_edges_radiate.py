"""A change of layers between planes that nothing ties: the planes' edges radiate."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.radiating_lines import cause_of_changes, lines_over, remedies_at_driver
from quietcopper.electrical.radiators import EDGES, radiators_of
from quietcopper.electrical.view import View
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
        allowance = Allowance(estimate.limit, "V/m", estimate.source, "review.standard")
        often = "once" if len(line.changes) == 1 else f"{len(line.changes)} times"
        yield Finding(
            check=NAME,
            subject=(name,),
            title=f"{name} makes the edges of {planes} radiate",
            message=f"{name} changes {often} between {planes}, which no via ties; their edges, "
            f"{engineering(max(side for *_, side in line.changes), 'm')} long, give at most {estimate.words}, "
            f"{CAUTION}.",
            place=Place(at, shape, layers, (name,)),
            predicted=estimate.field,
            allowance=allowance,
            cause=CauseHint(cause.key, cause.title, Proposal(*cause.change) if cause.change[0] else None),
            remedies=tuple(
                Remedy(Proposal(text), after)
                for text, after in remedies_at_driver(radiators, net, estimate.excess_db, EDGES)
            ),
            evidence={
                "changes": len(line.changes),
                "plane_capacitance_pf": min(c for _, c, _ in line.changes) * 1e12,
                "rise_ps": view.drivers[net].rise * 1e12,
                "worst_frequency_hz": estimate.frequency,
                "spectrum": estimate.spectrum,
            },
            range_db=estimate.range_db,
        )
