"""A line that leaves the board through a cable with more of its own spectrum than the cable may carry."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from shapely import Point

from quietcopper.board.model import Floats
from quietcopper.electrical.border import BorderLine, CabledConnector, cabled
from quietcopper.electrical.border_currents import conductors, current_estimate, filter_for, on_cable, sent
from quietcopper.electrical.cables import if_cabled, is_assumed, title_if_cabled
from quietcopper.electrical.emission import CAUTION
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
from quietcopper.units import engineering

NAME = "line-leaves-unfiltered"
QUESTION = "Does a line leave the board on a cable with its fast edges unfiltered?"
MECHANISM = """A line's voltage on one of a cable's conductors is partly common-mode voltage of the whole cable.
Where nothing filters the edges before the connector, the cable carries and radiates them."""
FORMULA = """Spectrum of the driver through its source, the series parts and the capacitors to ground (each with the
inductance of its way to the plane) to the connector; 1/N of it, N the cable's conductors, over the cable's common-
mode impedance of 150 ohm. Allowed is the current with which the cable makes the limit's field. Pairs are left to
their balance, shielded cables to their shield."""
ALLOWANCES: Mapping[str, Limit] = {}
SOURCES = (
    "Common-mode impedance of cables: IEC 61000-4-6 (from memory)",
    "Ott, Electromagnetic Compatibility Engineering: field of a cable's common-mode current (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)
SHIELD = (
    "a shielded cable, its shield tied all round to ground at the connector: a filter that the line bears is too weak"
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    paired = {net for pair in view.pairs for net in (pair.positive, pair.negative)}
    lines = [(connector, line) for connector in cabled(view) for line in connector.lines]
    done: set[tuple[str, int]] = set()
    shielded = balanced = 0
    for connector, line in lines:
        if view.drivers[line.nets[-1]].swing <= 0:
            continue
        if connector.shielded:
            shielded += 1
        elif line.net in paired:
            balanced += 1
        elif (connector.ref, line.net) not in done:
            done.add((connector.ref, line.net))
            finding = _price(view, connector, line)
            if finding is not None:
                yield finding
    yield Coverage(NAME, len(done), len({(c.ref, line.net) for c, line in lines}), "lines to cables")
    if shielded:
        yield NotChecked(NAME, "lines in shielded cables", "their shield decides, and its data are not here", shielded)
    if balanced:
        yield NotChecked(NAME, "differential pairs to cables", "their balance decides, not their edges", balanced)


def _price(view: View, connector: CabledConnector, line: BorderLine) -> Finding | None:
    def law(driver: Driver) -> tuple[Floats, Floats]:
        frequency, level = sent(view, driver)
        return frequency, on_cable(connector, line, level, driver.source, frequency, view)

    driver = view.drivers[line.nets[-1]]
    ohm, farad = filter_for(driver)

    def filtered(driver: Driver) -> tuple[Floats, Floats]:
        frequency, level = sent(view, driver)
        with_filter = replace(line, added=(ohm, farad))
        return frequency, on_cable(connector, with_filter, level, driver.source, frequency, view)

    estimate = current_estimate(view, connector.ref, driver, law)
    if estimate is None:
        return None
    after = current_estimate(view, connector.ref, driver, filtered, with_range=False) if view.pictures else None
    board = view.board
    name, pin = board.nets[line.net], board.pin_label(line.pin)
    at = float(board.pins.x[line.pin]), float(board.pins.y[line.pin])
    allowance = Allowance(estimate.limit, "A", estimate.source, "review.standard")
    supposed = is_assumed(view, connector.ref)
    cable = "the cable that may be" if supposed else "the cable"
    met = [str(board.parts.ref[part]) for part in (*(s.part for s in line.series), *(s.part for s in line.shunts))]
    filter_there = f"{ohm:g} Ω in series in {name} and {engineering(farad, 'F')} to ground at {pin}"
    arguments = {"connector": connector.ref, "net": name, "ohm": ohm, "farad": farad}
    change = Proposal(if_cabled(view, connector.ref, filter_there), "filter-line", arguments)
    every = f"a filter in each line that leaves by {connector.ref}, as strong as its rate bears"
    evidence: dict[str, Any] = {
        "conductors": conductors(connector),
        "rise_ns": driver.rise * 1e9,
        "on_the_way": ", ".join(met) or "nothing",
        "worst_frequency_hz": estimate.frequency,
        "spectrum": estimate.chart(),
    }
    left = after.excess_db if after is not None else float("-inf")
    remedies = [Remedy(change, left)] if left < estimate.excess_db else []
    if left >= 0 and driver.rate > 0:
        remedies.append(Remedy(Proposal(if_cabled(view, connector.ref, SHIELD)), None, "not solved"))
    return Finding(
        check=NAME,
        subject=(connector.ref, name),
        title=f"{name} leaves by {connector.ref} {'past ' + met[0] if met else 'unfiltered'}",
        message=f"{name} reaches {cable} at {pin} with {' and '.join(met[:3]) or 'nothing'} on its way: at most "
        f"{engineering(estimate.field, 'A')} of common mode at {estimate.frequency / 1e6:.0f} MHz "
        f"(allowed {engineering(estimate.limit, 'A')}), {CAUTION}.",
        place=Place(at, Point(at), (), (name,), (connector.ref,)),
        predicted=estimate.field,
        allowance=allowance,
        cause=CauseHint(
            f"border filter:{connector.ref}",
            title_if_cabled(view, connector.ref, f"lines leave by {connector.ref} without enough of a filter"),
            Proposal(if_cabled(view, connector.ref, every), of_places=True),
            supposed=supposed,
        ),
        remedies=tuple(remedies),
        evidence=evidence,
        range_db=estimate.range_db,
    )
