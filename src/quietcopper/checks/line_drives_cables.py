"""A line that drives the board against its cables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.radiating_lines import (
    cause_beyond_edge,
    cause_by_height,
    cause_by_way,
    cause_of_gap,
    hint_of,
    leading_gap,
    lines_over,
    place_of,
    radiation_finding,
)
from quietcopper.electrical.radiators import BY_RETURN, BY_TRACE, IN_WORDS, radiators_of
from quietcopper.electrical.view import View
from quietcopper.findings import Coverage, Finding, Limit, NotChecked, Place

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
        by = IN_WORDS[parts[0][0]]
        open_gaps = [gap for gap in line.gaps if not (gap.covered or gap.regions)]
        way = cause_by_way(view, net, line.length)
        leading = leading_gap(view, open_gaps, line.plane)
        at_gap = cause_of_gap(view, leading) if leading is not None else None
        cause = hint_of(at_gap) if at_gap else hint_of(cause_by_height(radiators, net), alone=way)
        if line.beyond > 0.5:
            cause = hint_of(cause_beyond_edge(view, net))
        elif parts[0][0] == BY_TRACE:
            cause = hint_of(way)
        shape, at, layers = place_of(radiators, net, estimate.excess_db)
        yield radiation_finding(
            radiators,
            net,
            estimate,
            (BY_RETURN, BY_TRACE),
            check=NAME,
            title=f"{name} drives the {'cables' if radiators.antenna.cables else 'board as an antenna'}",
            message=f"{by[0].upper()}{by[1:]} leads: {name} gives at most "
            f"{estimate.words} {radiators.antenna.words}, {CAUTION}.",
            place=Place(at, shape, layers, (name,), radiators.antenna.cables),
            cause=cause,
            evidence={
                "length_mm": line.length * 1e3,
                "height_mm": line.height * 1e3,
                "plane_inductance_nh": line.plane * 1e9,
                "past_the_board_ff": line.past_board * 1e15,
                "open_gaps": len(open_gaps),
                "contributions": [{"what": IN_WORDS[m], "value": v, "unit": "V/m"} for m, v in parts],
            },
        )
