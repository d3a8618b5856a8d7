"""A fast line that couples into a line which leaves on a cable."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np
import shapely

from quietcopper.board.model import Floats
from quietcopper.electrical.border import BorderLine, CabledConnector, cabled
from quietcopper.electrical.border_currents import current_estimate, filter_for, on_cable, sent
from quietcopper.electrical.cables import if_cabled, is_assumed, title_if_cabled
from quietcopper.electrical.coupling import Asked, Coupling, at_spacing_for, coupled_sections, couplings
from quietcopper.electrical.emission import CAUTION
from quietcopper.electrical.pictures import section_picture
from quietcopper.electrical.tables import Driver
from quietcopper.electrical.view import View
from quietcopper.fields.section import CrossSection
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

NAME = "noise-on-cable-line"
QUESTION = "Does a fast line run beside a line that leaves on a cable?"
MECHANISM = """What a fast line couples into a neighbour that goes to a connector, the cable carries outside: a slow
or quiet line becomes the clock's antenna."""
FORMULA = """Near-end coupling of the two lines, solved on their common section, times 2·sin(omega·delay) of the
shared length, times the fast line's spectrum, as a source of the line's own impedance; through the filter parts on
the way to the connector, 1/N over the cable's common-mode impedance of 150 ohm. Both lines matched; pour between
them is left out."""
ALLOWANCES: Mapping[str, Limit] = {}
SOURCES = (
    "Near-end coupling over frequency: Feller, Kaupp and Digiacomo, AFIPS 1965 (from memory)",
    "Hubing: lines to connectors as unintended antennas (from memory)",
    "CISPR 32 and 47 CFR 15.109: the limits",
)
LEAST = 3e-3  # of the swing: stretches that cannot couple as much are passed over
ROOM = 2e-3  # m; more between two lines is no spacing but another way (common practice, no source)
SPARE = 0.9  # of what is allowed, that a spacing is proposed for
SOURCE = 50.0  # ohm, of the disturbed line where its own was not solved


def _lines(view: View) -> dict[int, tuple[CabledConnector, BorderLine]]:
    """Lines that leave by unshielded cables, by their net, with their connector."""
    return {line.net: (c, line) for c in cabled(view) if not c.shielded for line in c.lines}


def _asked(view: View, nets: Mapping[int, int]) -> Asked | None:
    """nets : that belong to lines to cables. None where there is nothing to ask for."""
    fast = {n for n, d in enumerate(view.drivers) if d.swing > 0 and d.kind in ("clock", "data")} - set(nets)
    if not nets or not fast:
        return None
    paired = frozenset(frozenset((pair.positive, pair.negative)) for pair in view.pairs)
    return Asked(frozenset({*nets, *fast}), paired, LEAST, frozenset(nets), mixed=True)


def sections(view: View) -> list[CrossSection]:
    """What `look` solves first."""
    asked = _asked(view, {net: line.net for _, line in _lines(view).values() for net in line.nets})
    return coupled_sections(view, asked) if asked is not None else []


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    ways = _lines(view)
    nets = {net: line.net for _, line in ways.values() for net in line.nets}
    yield Coverage(NAME, len(ways), len(ways), "lines to cables")
    asked = _asked(view, nets)
    if asked is None:
        return
    shared, unsolved = couplings(view, asked)
    if unsolved:
        yield NotChecked(NAME, "shared stretches", "their section lies outside what the solver covers", unsolved)
    groups: dict[tuple[int, int], list[Coupling]] = defaultdict(list)
    for coupling in shared:
        a, b = coupling.net_a, coupling.net_b
        victim, aggressor = (a, b) if a in nets else (b, a)
        groups[victim, aggressor].append(coupling)
    for (victim, aggressor), stretches in groups.items():
        finding = _price(view, *ways[nets[victim]], victim, aggressor, stretches)
        if finding is not None:
            yield finding


def _price(
    view: View, connector: CabledConnector, line: BorderLine, victim: int, aggressor: int, stretches: list[Coupling]
) -> Finding | None:
    source = view.impedance_of(victim, stretches[0].layer) or SOURCE

    def of(line: BorderLine, weaker: float = 1.0) -> Callable[[Driver], tuple[Floats, Floats]]:
        def law(driver: Driver) -> tuple[Floats, Floats]:
            frequency, level = sent(view, driver)
            w = 2 * np.pi * frequency
            volts = sum(
                2 * c.kb * weaker * np.abs(np.sin(np.minimum(w * c.delay * c.length, np.pi / 2))) * level
                for c in stretches
            ) + np.zeros(len(frequency))
            return frequency, on_cable(connector, line, volts, source, frequency, view)

        return law

    law = of(line)
    estimate = current_estimate(view, connector.ref, view.drivers[aggressor], law)
    if estimate is None:
        return None
    board = view.board
    name, other, ref = board.nets[victim], board.nets[aggressor], connector.ref
    strongest = max(stretches, key=lambda c: (round(c.kb * c.length, 12), c.x, c.y))
    length = sum(c.length for c in stretches)
    allowance = Allowance(estimate.limit, "A", estimate.source, "review.standard")
    change = Proposal(if_cabled(view, ref, f"keep {other} away from {name}, which leaves by {ref}"))
    remedies: list[Remedy] = []

    def add(proposal: Proposal, changed: Callable[[Driver], tuple[Floats, Floats]]) -> None:
        after = current_estimate(view, ref, view.drivers[aggressor], changed, with_range=False)
        left = after.excess_db if after is not None else float("-inf")
        if left < estimate.excess_db - 1:
            remedies.append(Remedy(proposal, left))

    if estimate.excess_db > -6 and view.pictures:
        moved = at_spacing_for(strongest, min(SPARE * estimate.limit / estimate.field, 1.0))
        if moved is not None and moved.spacing <= ROOM:
            text = f"keep {engineering(moved.spacing, 'm')} between {other} and its neighbours"
            arguments = {"net": other, "layer": strongest.layer, "spacing": moved.spacing}
            add(Proposal(if_cabled(view, ref, text), "set-spacing", arguments), of(line, moved.kb / strongest.kb))
        ohm, farad = filter_for(view.drivers[line.nets[-1]])
        text = f"{ohm:g} Ω in series in {board.nets[line.net]} and {engineering(farad, 'F')} to ground at {ref}"
        arguments = {"connector": ref, "net": board.nets[line.net], "ohm": ohm, "farad": farad}
        proposal = Proposal(if_cabled(view, ref, text), "filter-line", arguments)
        add(proposal, of(replace(line, added=(ohm, farad))))
    return Finding(
        check=NAME,
        subject=(ref, name, other),
        title=f"{other} couples into {name}, which leaves by {ref}",
        message=f"{other} runs {engineering(length, 'm')} beside {name} at {engineering(strongest.spacing, 'm')}: "
        f"at most {engineering(estimate.field, 'A')} of common mode at {estimate.frequency / 1e6:.0f} MHz "
        f"(allowed {engineering(estimate.limit, 'A')}), {CAUTION}.",
        place=Place(
            (strongest.x, strongest.y),
            shapely.union_all([c.line for c in stretches]),
            (strongest.layer,),
            (name, other),
            (ref,),
        ),
        predicted=estimate.field,
        allowance=allowance,
        cause=CauseHint(
            f"beside cable line:{name}",
            title_if_cabled(view, ref, f"fast lines run beside {name}, which leaves by {ref}"),
            change,
            supposed=is_assumed(view, ref),
        ),
        remedies=tuple(remedies),
        evidence={
            "near_end_coupling": strongest.kb,
            "shared_length_mm": length * 1e3,
            "spacing_mm": strongest.spacing * 1e3,
            "worst_frequency_hz": estimate.frequency,
            "spectrum": estimate.chart(),
            "section": section_picture(strongest.section, (name, other)),
        },
        range_db=estimate.range_db,
    )
