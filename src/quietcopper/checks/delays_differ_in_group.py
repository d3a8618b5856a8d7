"""Lines of one group whose edges arrive too far apart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.electrical.groups import Arrivals, Group, arrivals, find_groups
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
from quietcopper.units import MM, engineering

NAME = "delays-differ-in-group"
QUESTION = "Do lines that are sampled together arrive too far apart?"
MECHANISM = """A receiver takes all bits of a group at one moment. What the lines differ in delay is taken from the time
in which every bit must stand still before and after that moment."""
FORMULA = """Largest less smallest delay of the group's lines between the same two parts, over the time of one bit (half
a period of a clock). Delays along the ways as solved: traces on their cross-sections, holes by their model. Where more
than three tenths of a line are not solved, lengths at the mean speed count. Groups: the settings' `group`, else four or
more data lines whose names differ in a number only. Delays inside the parts are not in the data."""
ALLOWANCES: Mapping[str, Limit] = {
    "bit_share": Limit(
        0.1,
        "1",
        "common practice, no source: a tenth of the bit is left to the board's lines; memory interfaces ask for less",
        "Share of a bit's time by which the lines of a group may differ in delay.",
    ),
}
SOURCES = (
    "Difference of delays: exact for the delays given",
    "Johnson and Graham, High-Speed Digital Design, on timing margin (from memory)",
)
CLOSE = 0.05  # of the spread: lines that near to the slowest need no more length


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    groups = find_groups(view)
    looked, missing = 0, 0
    for group in groups:
        found = arrivals(view, group)
        if found is None:
            continue
        looked += 1
        missing += len(found.missing) if group.given else 0
        yield _finding(view, group, found)
    yield Coverage(NAME, looked, len(groups), "groups of lines")
    if looked < len(groups):
        why = "their lines do not lead between the same two parts, or no way leads through their copper"
        yield NotChecked(NAME, "groups", why, len(groups) - looked)
    if missing:
        yield NotChecked(NAME, "lines of groups", "they do not lead between the parts that the others join", missing)


def _finding(view: View, group: Group, found: Arrivals) -> Finding:
    board = view.board
    delay = np.array(found.delay)
    nets = [p.path.net for p in found.profiles]
    names = [board.nets[net] for net in nets]
    late, early = int(np.argmax(np.round(delay, 15))), int(np.argmin(np.round(delay, 15)))
    spread = float(delay[late] - delay[early])
    bit = min(1 / (2 * view.drivers[net].rate) for net in nets if view.drivers[net].rate > 0)
    limit = view.settings.allowance(f"{NAME}.bit_share", ALLOWANCES["bit_share"].default)
    allowance = Allowance(limit, "1", ALLOWANCES["bit_share"].source, f"{NAME}.bit_share")
    share = spread / bit
    profile = found.profiles[late]
    pin = profile.path.end_pin
    layers = {int(layer) for p in found.profiles for layer in p.layer[p.kind == "trace"]}
    lines = [view.runs.line[p.run[p.run >= 0]] for p in found.profiles]
    remedies: tuple[Remedy, ...] = ()
    if allowance.excess_db(share) > 0:
        remedies = (_longer(view, found, delay, limit * bit),)
    how = "named in the settings" if group.given else "told by their names"
    return Finding(
        check=NAME,
        subject=(group.name,),
        title=f"{group.name}: {names[late]} arrives {engineering(spread, 's')} after {names[early]}",
        message=f"The {len(names)} lines of {group.name} ({how}) between {found.ends[0]} and {found.ends[1]} differ by "
        f"{engineering(spread, 's')} of a bit of {engineering(bit, 's')}; {names[late]} is the slowest, {names[early]} "
        "the fastest.",
        place=Place(
            (float(board.pins.x[pin]), float(board.pins.y[pin])),
            shapely.union_all(np.concatenate(lines)),
            tuple(sorted(layers)),
            tuple(names),
        ),
        predicted=share,
        allowance=allowance,
        cause=CauseHint(f"group:{group.name}", f"The lines of {group.name} are not equally long"),
        remedies=remedies,
        evidence={
            "spread_ps": spread * 1e12,
            "bit_ps": bit * 1e12,
            "slowest_mm": profile.path.length / MM,
            "fastest_mm": found.profiles[early].path.length / MM,
            "by": "lengths, too little is solved" if found.by_length else "delays as solved",
            "contributions": [
                {"what": names[i], "value": float(delay[i]), "unit": "s"} for i in np.argsort(-np.round(delay, 15))[:12]
            ],
        },
    )


def _longer(view: View, found: Arrivals, delay: np.ndarray, allowed: float) -> Remedy:
    """The early lines made longer up to what is allowed, the three earliest named."""
    short = [i for i in np.argsort(np.round(delay, 15)) if delay.max() - delay[i] > allowed * (1 - CLOSE)]
    texts = []
    for i in short[:3]:
        profile = found.profiles[i]
        more = (delay.max() - delay[i]) * profile.path.length / profile.total_delay
        texts.append(f"{view.board.nets[profile.path.net]} by {engineering(float(more), 'm')}")
    rest = f" and {len(short) - 3} more lines" if len(short) > 3 else ""
    change = Proposal(f"lengthen {', '.join(texts)}{rest}, or shorten the slowest")
    return Remedy(change, None, "not solved: how the lines are led is the designer's")
