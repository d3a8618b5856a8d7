"""A line that drives the board against its cables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.radiating_lines import (
    cause_by_height,
    cause_by_voltage,
    cause_of_gap,
    lines_over,
    place_of,
    remedies_at_driver,
)
from quietcopper.electrical.radiators import BY_RETURN, BY_TRACE, IN_WORDS, radiators_of
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

NAME = "line-drives-cables"
QUESTION = "Does a line drive the board against its cables, by its return current or by its own voltage?"
MECHANISM = """The return current takes a voltage along planes of finite width and across gaps, and some of the
trace's field lines end beyond the board instead of on it. Either puts a common-mode current on every attached
cable, or on the board itself where there is none, and common mode decides most measurements."""
FORMULA = """Voltage along the planes: omega times their net inductance (exact for a thin line over an isolated thin
plane) times the largest current on the line, plus that across gaps that no other copper covers. Voltage against the
board: the line's voltage times C(trace past the board)/C(board). Both into a cable taken as resonant at every
frequency (37 ohm, 60·I/r), one with the board alone on its other side by sin(k·size) less. Lines between two planes
count as shielded. For lengths up to a quarter wave; an upper bound for ranking."""
ALLOWANCES: Mapping[str, Limit] = {}
SOURCES = (
    "Current-driven: Hockanson et al., IEEE Trans. EMC 38(4), 1996, 557-566 (from memory)",
    "Voltage-driven: Shim and Hubing, IEEE Trans. EMC 47(3), 2005 (from memory)",
    "Net inductance of a finite plane: Leone, IEEE Trans. EMC 43(4), 2001, 667-671 (solved again)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    radiators = radiators_of(view)
    yield from lines_over(NAME, radiators)
    for net, line in radiators.by_net.items():
        priced = radiators.estimate(net, BY_RETURN, BY_TRACE)
        if priced is None:
            continue
        estimate, parts = priced
        name = view.board.nets[net]
        open_gaps = [gap for gap in line.gaps if not (gap.covered or gap.regions)]
        cause = cause_by_height(view, net, line.height)
        if parts[0][0] == BY_TRACE:
            cause = cause_by_voltage(view, net, line.length)
        elif open_gaps:
            cause = cause_of_gap(view, open_gaps[0].row) or cause
        allowance = Allowance(estimate.limit, "V/m", estimate.source, "review.standard")
        shape, at, layers = place_of(view, net)
        yield Finding(
            check=NAME,
            subject=(name,),
            title=f"{name} drives the {'cables' if radiators.antenna.cables else 'board as an antenna'}",
            message=f"{IN_WORDS[parts[0][0]][0].upper()}{IN_WORDS[parts[0][0]][1:]} leads: {name} gives at most "
            f"{estimate.words} {radiators.antenna.words}, {CAUTION}.",
            place=Place(at, shape, layers, (name,), radiators.antenna.cables),
            predicted=estimate.field,
            allowance=allowance,
            cause=CauseHint(cause.key, cause.title, Proposal(*cause.change)),
            remedies=tuple(
                Remedy(Proposal(text), after)
                for text, after in remedies_at_driver(radiators, net, estimate.excess_db, BY_RETURN, BY_TRACE)
            ),
            evidence={
                "length_mm": line.length * 1e3,
                "height_mm": line.height * 1e3,
                "plane_inductance_nh": line.plane * 1e9,
                "past_the_board_ff": line.past_board * 1e15,
                "open_gaps": len(open_gaps),
                "rise": engineering(view.drivers[net].rise, "s"),
                "worst_frequency_hz": estimate.frequency,
                "contributions": [{"what": IN_WORDS[m], "value": v, "unit": "V/m"} for m, v in parts],
                "spectrum": estimate.spectrum,
            },
            range_db=estimate.range_db,
        )
