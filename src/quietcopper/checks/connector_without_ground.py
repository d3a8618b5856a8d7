"""A connector with a cable whose signals lack ground pins or reference where they enter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial

import numpy as np
from shapely import MultiPoint

from quietcopper.board.model import Floats
from quietcopper.electrical.border import CABLE_COMMON_MODE, BorderLine, CabledConnector, cabled, return_share
from quietcopper.electrical.border_currents import behind_filter, current_estimate, filter_for, sent, together
from quietcopper.electrical.cables import if_cabled, is_assumed, title_if_cabled
from quietcopper.electrical.emission import CAUTION, FieldEstimate
from quietcopper.electrical.spans import extreme
from quietcopper.electrical.tables import Driver
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
from quietcopper.units import MU0, engineering

NAME = "connector-without-ground"
QUESTION = (
    "Has each signal of a cable a ground pin near it in the connector, and a reference where it enters the board?"
)
MECHANISM = """The return currents of all signals in a cable share the connector's ground pins and the copper beside
their first millimetres. What inductance they find there takes a voltage that lifts the board against the cable's
ground."""
FORMULA = """For each line the inductance of its return: half the loop of its contact with the connector's ground
contacts (round wires 8 mm long, exact for two; several in parallel), plus the line's own inductance where it has no
copper beside it within 15 mm of the connector. Times the current into the cable that the line
sends through its filter, at each frequency: a common-mode voltage over 150 ohm; the lines of a connector as root of
the sum of squares."""
ALLOWANCES: Mapping[str, Limit] = {}
SOURCES = (
    "Two round wires: exact; Johnson and Graham, High-Speed Digital Design, chapter on connectors (from memory)",
    "Partial inductance of a strip: Grover, Inductance Calculations (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)
ENTRY = 15e-3  # m of a line from its connector pin that are looked at
LOAD = 100.0  # ohm, what a cable's line loads its driver with at high frequency; common practice, no source


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    found = cabled(view)
    yield Coverage(NAME, sum(bool(c.lines) for c in found), len(found), "connectors with a cable")
    paired = {net for pair in view.pairs for net in (pair.positive, pair.negative)}
    balanced = 0
    shielded = sum(bool(connector.shielded and connector.lines) for connector in found)
    for connector in found:
        if connector.shielded:
            continue
        lines = [line for line in connector.lines if view.drivers[line.nets[-1]].swing > 0]
        balanced += sum(line.net in paired for line in lines)
        lines = [line for line in lines if line.net not in paired]  # a pair's return is its other half
        if lines:
            finding = _price(view, connector, lines)
            if finding is not None:
                yield finding
    if shielded:
        yield NotChecked(NAME, "connectors of shielded cables", "the shield carries the return", shielded)
    if balanced:
        yield NotChecked(NAME, "differential pairs", "the return of each line is mostly the other", balanced)


def _bare(view: View, line: BorderLine) -> tuple[float, float]:
    """Length of a line without copper beside it near the connector, m, and its inductance, H."""
    runs, pins = view.runs, view.board.pins
    rows = np.flatnonzero((runs.net == line.net) & (runs.reference < 0))
    near = [
        r
        for r in rows.tolist()
        if np.hypot(*(np.array(runs.line[r].coords[0]) - (pins.x[line.pin], pins.y[line.pin]))) < ENTRY
    ]
    length = min(float(runs.length[near].sum()), ENTRY)
    if length < 1e-3:
        return 0.0, 0.0
    width = float(runs.width[near].mean())
    return length, float(MU0 / (2 * np.pi) * length * (np.log(2 * length / width) + 0.5))


def _price(view: View, connector: CabledConnector, lines: list[BorderLine]) -> Finding | None:
    board = view.board
    returns = {line.pin: return_share(view, connector, line.pin) for line in lines}
    bare = {line.pin: _bare(view, line) for line in lines}

    def one(line: BorderLine, driver: Driver) -> tuple[Floats, Floats]:
        frequency, level = sent(view, driver)
        volts, behind = behind_filter(line, level, driver.source, frequency, view)
        current = np.abs(volts / (behind + LOAD))
        voltage = 2 * np.pi * frequency * (returns[line.pin] + bare[line.pin][1]) * current
        return frequency, voltage / CABLE_COMMON_MODE

    def estimate(change: int | None) -> FieldEstimate | None:
        """change : None as assumed, else 0 quietest, 1 loudest."""
        drivers = [view.drivers[line.nets[-1]] for line in lines]
        drivers = drivers if change is None else [extreme(d, bool(change)) for d in drivers]
        rows = [one(line, d) for line, d in zip(lines, drivers, strict=True)]
        return current_estimate(view, connector.ref, drivers[0], lambda _: together(rows), with_range=False)

    found = estimate(None)
    if found is None:
        return None
    ends = [e.excess_db for change in (0, 1) if view.pictures and (e := estimate(change)) is not None]
    assumed = any(view.drivers[line.nets[-1]].assumed or view.drivers[line.nets[-1]].span for line in lines)
    loudest = max(lines, key=partial(_peak, one, view))
    name, ref = board.nets[loudest.net], connector.ref
    xs, ys = board.pins.x, board.pins.y
    places = [(float(xs[line.pin]), float(ys[line.pin])) for line in lines]
    allowance = Allowance(found.limit, "A", found.source, "review.standard")
    uncovered = sum(length for length, _ in bare.values())
    at = float(xs[loudest.pin]), float(ys[loudest.pin])
    grounds = len(connector.ground)
    # with a pin of ground for each signal it is the copper that is missing, where that has more of the inductance
    copper = grounds >= len(lines) and sum(nh for _, nh in bare.values()) > sum(returns.values())
    under = f"ground under the first {ENTRY * 1e3:.0f} mm of the lines of {ref}"
    pins = f"a ground pin beside each fast signal of {ref}, and ground under their first {ENTRY * 1e3:.0f} mm"
    ground_there = under if copper else pins
    title = f"{ref} has {_count(grounds, 'ground pin')} for {_count(len(lines), 'signal')}"
    lacking = f"{ref} has too little ground for its signals"
    if copper:
        title = f"{engineering(uncovered, 'm')} of the lines at {ref} have no copper beside them"
        lacking = f"lines at {ref} have no copper beside them"
    change = Proposal(if_cabled(view, ref, ground_there))
    remedies = [Remedy(change, None, "not solved")]
    if view.pictures:
        drivers = {line.pin: view.drivers[line.nets[-1]] for line in lines}
        rows = [one(replace(li, added=filter_for(drivers[li.pin])), drivers[li.pin]) for li in lines]
        then = current_estimate(view, ref, drivers[loudest.pin], lambda _: together(rows), with_range=False)
        if then is not None and then.excess_db < found.excess_db - 1:
            remedies.append(Remedy(_filters(view, ref, lines), then.excess_db))
    return Finding(
        check=NAME,
        subject=(ref,),
        title=title,
        message=f"{_count(len(lines), 'signal')} of {ref} share {_count(grounds, 'ground pin')}"
        + (
            f", and {engineering(uncovered, 'm')} of their traces there have no copper beside them"
            if uncovered > 0
            else ""
        )
        + f": at most {engineering(found.field, 'A')} of common mode at {found.frequency / 1e6:.0f} MHz, {name} most "
        f"(allowed {engineering(found.limit, 'A')}), {CAUTION}.",
        place=Place(at, MultiPoint(places), (), tuple(sorted({board.nets[line.net] for line in lines})), (ref,)),
        predicted=found.field,
        allowance=allowance,
        cause=CauseHint(
            f"border ground:{ref}",
            title_if_cabled(view, ref, lacking),
            change,
            supposed=is_assumed(view, ref),
        ),
        remedies=tuple(remedies),
        evidence={
            "ground_pins": grounds,
            "signals": len(lines),
            "return_inductance_nh": max(returns.values()) * 1e9,
            "uncovered_mm": uncovered * 1e3,
            "worst_frequency_hz": found.frequency,
            "spectrum": found.chart(),
        },
        range_db=(min(*ends, found.excess_db), max(*ends, found.excess_db)) if assumed and len(ends) == 2 else None,
    )


def _filters(view: View, ref: str, lines: list[BorderLine]) -> Proposal:
    """In each line of a connector the filter that its rate bears."""
    changes = []
    for line in {line.net: line for line in lines}.values():
        ohm, farad = filter_for(view.drivers[line.nets[-1]])
        arguments = {"connector": ref, "net": view.board.nets[line.net], "ohm": ohm, "farad": farad}
        changes.append({"kind": "filter-line", "arguments": arguments})
    text = if_cabled(view, ref, f"a filter in each line that leaves by {ref}, as strong as its rate bears")
    return Proposal(text, "several", {"changes": changes})


def _peak(one: object, view: View, line: BorderLine) -> float:
    _, current = one(line, view.drivers[line.nets[-1]])  # type: ignore[operator]
    return round(float(current.max()), 15) if len(current) else 0.0


def _count(number: int, thing: str) -> str:
    return f"{number or 'no'} {thing}{'' if number == 1 else 's'}"
