"""The unused end of a via, long against the edge."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from shapely import Point

from quietcopper.electrical.profile import Profile
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.fields.line_network import stub_reflection
from quietcopper.fields.spectra import full_rise, knee
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

NAME = "via-stub"
QUESTION = "Does a via go on beyond the layers that its line uses, so far that the end reflects the edge?"
MECHANISM = """The unused end of a via is a branch that ends open: it loads the line with its capacitance, and at the
frequency where it is a quarter wave long it shorts the line. Links lose the harmonic that lies there."""
FORMULA = """Largest share of the net's edge that the open end reflects, as of any branch (see branch-stub). The end is
a short line of the barrel's inductance with the nearest ground hole as return and the capacitance of its pads in their
antipads (rules of Johnson and Graham, some 30 %); without planes near it, the line's own impedance and the speed in the
dielectric. Holes of pins are left out: the part's lead fills them."""
ALLOWANCES: Mapping[str, Limit] = {
    "reflection": Limit(
        0.10,
        "1",
        "as for branches: Bogatin, Signal and Power Integrity (from memory); one of a fifth of the rise time reflects "
        "a tenth",
        "Share of an edge that the unused end of a via may reflect.",
    ),
}
SOURCES = (
    "Johnson and Graham, High-Speed Digital Design, chapter 7: inductance and capacitance of vias (from memory)",
    "Fork of lines: Pozar, Microwave Engineering, section 7.2 (from memory)",
)


@dataclass(frozen=True)
class _End:
    """The unused end of a via: row in board.vias, layer where the line leaves it, its last layer, length (m), delay
    (s), impedance (ohm), share of the edge that it reflects."""

    via: int
    used: int
    last: int
    length: float
    delay: float
    z0: float
    share: float


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    passed, wayless = 0, 0
    for net in np.unique(view.runs.net).tolist():
        if view.roles[net].kind != SIGNAL or view.drivers[net].swing <= 0:
            continue
        profiles = view.profiles.of(net)
        solved = [p for p in profiles if p.solved]
        used = _used(view, profiles)
        if not solved and used:
            wayless += len(used)
            continue
        passed += len(used)
        ends = [end for via, layers in used.items() for end in _ends(view, solved[0], via, *layers)]
        if ends:
            worst = max(ends, key=lambda e: (round(e.share, 9), -e.last))
            yield _finding(view, net, solved[0], worst, len(ends))
    yield Coverage(NAME, passed, passed + wayless, "vias of driven lines")
    if wayless:
        yield NotChecked(NAME, "vias", "the impedance of their lines could not be solved", wayless)


def _used(view: View, profiles: tuple[Profile, ...]) -> dict[int, tuple[int, int]]:
    """Vias that a net's ways lead through, with the outermost layers that any way uses of each."""
    out: dict[int, tuple[int, int]] = {}
    for profile in profiles:
        for (kind, row, _), span in zip(profile.path.steps, profile.path.spans, strict=True):
            if kind == "via" and view.board.vias.pin[row] < 0:
                upper, lower = out.get(row, (int(span[0]), int(span[0])))
                out[row] = min(upper, int(min(span))), max(lower, int(max(span)))
    return out


def _ends(view: View, profile: Profile, via: int, upper: int, lower: int) -> list[_End]:
    """What of a via lies above and below the layers that are used."""
    vias = view.board.vias
    rise = full_rise(view.drivers[profile.path.net].rise)
    out = []
    for used, last in ((upper, int(vias.first[via])), (lower, int(vias.last[via]))):
        if used == last:
            continue
        length, z0, delay, _ = view.profiles.hole(via, used, last)
        z0 = z0 if np.isfinite(z0) else profile.typical
        share = float(stub_reflection(profile.typical, z0, delay, rise))
        out.append(_End(via, used, last, length, delay, z0, share))
    return out


def _finding(view: View, net: int, profile: Profile, end: _End, count: int) -> Finding:
    board = view.board
    name, driver = board.nets[net], view.drivers[net]
    limit = view.settings.allowance(f"{NAME}.reflection", ALLOWANCES["reflection"].default)
    allowance = Allowance(limit, "1", ALLOWANCES["reflection"].source, f"{NAME}.reflection")
    x, y = float(board.vias.x[end.via]), float(board.vias.y[end.via])
    used, last = board.layer_label(end.used), board.layer_label(end.last)
    quarter = 1 / (4 * end.delay)
    near = view.near(x, y)
    more = "" if count == 1 else f"; {count} vias of it do, this is the worst"
    below = end.last > end.used
    first, kept = (int(board.vias.first[end.via]), end.used) if below else (end.used, int(board.vias.last[end.via]))
    arguments = {"net": name, "at": (x, y), "first": first, "last": kept}
    change = Proposal(f"have the end of the via drilled out, from {last} up to {used}", "drill-out", arguments)
    other = Proposal(f"lead {name} on a layer next to {last} instead of {used}")
    return Finding(
        check=NAME,
        subject=(name, board.layers[end.used].name, board.layers[end.last].name),
        title=f"A via of {name} goes on for {engineering(end.length, 'm')}",
        message=f"{name} leaves a via{f' near {near}' if near else ''} on {used}, and the via goes on to {last}{more}: "
        f"its end of {engineering(end.length, 'm')} takes {engineering(end.delay, 's')}, reflects "
        f"{engineering(end.share, '1')} of each edge and shorts the line at {engineering(quarter, 'Hz')}.",
        place=Place((x, y), Point(x, y), (min(end.used, end.last), max(end.used, end.last)), (name,)),
        predicted=end.share,
        allowance=allowance,
        cause=CauseHint(
            f"via ends:{board.layers[end.used].name}:{board.layers[end.last].name}",
            f"Vias of lines on {used} go on to {last}",
        ),
        remedies=(Remedy(change, float("-inf")), Remedy(other, None, "not solved")),
        evidence={
            "length_mm": end.length * 1e3,
            "delay_ps": end.delay * 1e12,
            "rise_ps": driver.rise * 1e12,
            "quarter_wave_hz": quarter,
            "knee_hz": float(knee(driver.rise)),
            "end_ohm": end.z0,
            "line_ohm": profile.typical,
            "transition": {"upper": min(end.used, end.last), "lower": max(end.used, end.last)},
        },
    )
