"""A line longer than its edge allows that nothing terminates."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from quietcopper.electrical.ends import (
    CONNECTOR,
    GOES_ON,
    OPEN,
    Termination,
    driven_from,
    terminations,
    to_receivers,
)
from quietcopper.electrical.profile import Profile, profile_picture
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.fields.line_network import Response, overshoot, respond
from quietcopper.fields.spectra import full_rise
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
    excess_db,
    grade,
)
from quietcopper.findings.model import PASSES
from quietcopper.units import engineering, listed

NAME = "long-line-unterminated"
QUESTION = "Does a line that is long against its edge end without a resistor that takes up the wave?"
MECHANISM = """The wave doubles at the open input and runs back; a driver of less than the line's impedance sends it on
its way again with its sign turned. The input sees an overshoot, then a dip, and so on at the line's own frequency,
which also lifts what the line radiates there."""
FORMULA = """Overshoot at the furthest open input, as a share of the final value: the net's own edge (straight, 0-100 %
in 1.25 times its 10-90 % time) behind the driver's resistance into the line as solved, piece by piece, all reflections
followed; a uniform line longer than half the edge gives (Z - R) / (Z + R). Only lines with more delay than a sixth of
the rise time. A series resistor at the driver counts into the driver's resistance; a resistor to a supply, ground,
capacitor or the pair's other line counts where it lies within a sixth of the rise time from the far end. The input's
capacitance and clamps are left out, branches are left to branch-stub. A line whose far end is a series part goes on and
is not judged here."""
ALLOWANCES: Mapping[str, Limit] = {
    "overshoot": Limit(
        0.15,
        "1",
        "Bogatin, Signal and Power Integrity (from memory): about 15 % of the swing is what a noise budget has in all",
        "Share of the swing by which a line's end may overshoot.",
    ),
    "long_share": Limit(
        1 / 6,
        "1",
        "Johnson and Graham, High-Speed Digital Design (from memory): a sixth of the edge's length",
        "A line counts as long from this share of its rise time in delay.",
    ),
}
SOURCES = (
    "Reflections between source and open end: Johnson and Graham, High-Speed Digital Design, chapter 4 (from memory)",
    "Travelling waves: Bergeron, as in Paul, Analysis of Multiconductor Transmission Lines (from memory)",
)
SPREAD = 1.4  # an assumed driver may have so many times the resistance, or less: 25 to 50 ohm for 35 ohm
VALUES = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82, 100)  # ohm, the E12 series of IEC 60063
MOST_DRIVERS = 3  # named in the title of a cause
POINTS = 240  # of a drawn waveform


@dataclass(frozen=True)
class _Line:
    """A long line with what ends it: source and load in ohm, the overshoot, where the edge comes from."""

    profile: Profile
    source: float
    load: float
    overshoot: float
    driver: str


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    share = view.settings.allowance(f"{NAME}.long_share", ALLOWANCES["long_share"].default)
    total = 0
    unknown: dict[str, int] = defaultdict(int)
    lines: list[_Line] = []
    for net in np.unique(view.runs.net).tolist():
        driver = view.drivers[net]
        if view.roles[net].kind != SIGNAL or driver.swing <= 0:
            continue
        ends = to_receivers(view, net)
        if not ends:
            if view.profiles.of(net) or view.delay_of(net) <= share * driver.rise:
                continue  # no input on it, or short whichever way it goes
            total += 1
            unknown["no way leads through their copper from pin to pin"] += 1
            continue
        if ends[0][0].total_delay <= share * driver.rise:
            continue
        total += 1
        profile, end = next((e for e in ends if e[1] == OPEN), ends[0])
        source = driven_from(view, profile)
        if end == CONNECTOR or not source:
            what = "end" if source else "begin"
            unknown[f"they {what} at a connector or nowhere known, and what lies beyond is not in the data"] += 1
        elif not profile.solved:
            unknown["too little of their way could be solved"] += 1
        elif end == GOES_ON:
            unknown["a series part hands them on to another net"] += 1
        elif profile.total_delay > share * driver.rise and end == OPEN:
            lines.append(_judged(view, profile, source, share))
    limit = view.settings.allowance(f"{NAME}.overshoot", ALLOWANCES["overshoot"].default)
    shared = _cause([line for line in lines if grade(excess_db(line.overshoot, limit)) != PASSES])
    for line in lines:
        yield _finding(view, line, limit, shared)
    yield Coverage(NAME, total - sum(unknown.values()), total, "long lines")
    for why, count in sorted(unknown.items()):
        yield NotChecked(NAME, "long lines", why, count)


def _cause(lines: list[_Line]) -> CauseHint:
    """One choice for all of a board's lines, whatever drives them: that its lines go without termination."""
    per = Counter(line.driver for line in lines)
    drivers = sorted(per, key=lambda ref: (-per[ref], ref))
    who = listed(drivers, MOST_DRIVERS + 1)
    where = f"next to {who}" if len(drivers) == 1 else "next to the part that drives it"
    change = Proposal(f"a resistor in series in each of these lines {where}", of_places=True)
    return CauseHint("no termination", f"{len(lines)} long lines from {who} are not terminated", change)


def _judged(view: View, profile: Profile, source: str, share: float) -> _Line:
    net = profile.path.net
    driver = view.drivers[net]
    near = [t for t in terminations(view, net) if _at_far_end(view, profile, t, share * driver.rise)]
    load = 1 / sum(1 / t.ohm for t in near) if near else np.inf
    line = _Line(profile, driver.source, load, 0.0, source)
    return replace(line, overshoot=overshoot(_response(view, line), load, driver.source)[0])


def _at_far_end(view: View, profile: Profile, resistor: Termination, within: float) -> bool:
    """Whether a resistor's pin is as far from the driver as the line's end, less some delay (s)."""
    own = next((p for p in view.profiles.of(profile.path.net) if p.path.end_pin == resistor.pin), None)
    return own is not None and own.total_delay >= profile.total_delay - within


def _response(view: View, line: _Line) -> Response:
    rise = float(full_rise(view.drivers[line.profile.path.net].rise))
    return respond(line.profile.met, line.profile.delay, rise, line.source, line.load)


def _at(view: View, line: _Line, source: float) -> float:
    """Overshoot with another source resistance."""
    other = replace(line, source=source)
    return overshoot(_response(view, other), line.load, source)[0]


def _finding(view: View, line: _Line, limit: float, shared: CauseHint) -> Finding:
    board, profile = view.board, line.profile
    net = profile.path.net
    name, driver = board.nets[net], view.drivers[net]
    allowance = Allowance(limit, "1", ALLOWANCES["overshoot"].source, f"{NAME}.overshoot")
    end = profile.path.end_pin
    at_end = board.pin_label(end) if end >= 0 else "its end"
    place = (float(board.pins.x[end]), float(board.pins.y[end])) if end >= 0 else (0.0, 0.0)
    runs = profile.run[profile.run >= 0]
    layers = tuple(sorted({int(layer) for layer in profile.layer[profile.kind == "trace"]}))
    evidence: dict[str, object] = {
        "delay_ps": profile.total_delay * 1e12,
        "rise_ps": driver.rise * 1e12,
        "length_mm": profile.path.length * 1e3,
        "line_impedance_ohm": profile.typical,
        "source_ohm": line.source,
        "load_ohm": line.load if np.isfinite(line.load) else "open",
    }
    remedies: tuple[Remedy, ...] = ()
    between = None
    if allowance.excess_db(line.overshoot) > -6:
        remedies = _remedies(view, line, allowance)
        evidence["waveform"] = _waveform(view, line, limit, at_end)
        evidence["impedance_profile"] = profile_picture(profile)
        if "source" in driver.assumed and view.pictures:
            resistor = view.profiles.resistance_before(net)
            chip = driver.source - resistor
            between = [allowance.excess_db(_at(view, line, r + resistor)) for r in (chip * SPREAD, chip / SPREAD)]
    own = CauseHint(f"no termination:{name}", f"{name}, a long line from {line.driver}, is not terminated")
    return Finding(
        check=NAME,
        subject=(name,),
        title=f"{name} overshoots at {at_end}",
        message=f"{name} takes {engineering(profile.total_delay, 's')} to {at_end} against an edge of "
        f"{engineering(driver.rise, 's')} and ends {'open' if not np.isfinite(line.load) else 'mismatched'}; from "
        f"{line.source:g} Ω into {profile.typical:.0f} Ω it overshoots by "
        f"{engineering(line.overshoot, '1')} of {driver.swing:g} V.",
        place=Place(place, shapely.union_all(view.runs.line[runs]), layers, (name,), (line.driver,)),
        predicted=line.overshoot,
        allowance=allowance,
        cause=replace(shared, alone=own),
        remedies=remedies,
        evidence=evidence,
        range_db=(min(between), max(between)) if between else None,
    )


def _remedies(view: View, line: _Line, allowance: Allowance) -> tuple[Remedy, ...]:
    """The series resistor at the driver that brings the source up to the line, or a larger one where it has one."""
    net = line.profile.path.net
    there = view.profiles.resistance_before(net)
    wanted = line.profile.typical - line.source + there
    value = min(VALUES, key=lambda v: (abs(v - wanted), v))
    left = _at(view, line, line.source - there + value) if view.pictures else np.nan
    name = view.board.nets[net]
    if there:
        change = Proposal(f"{line.driver} as {value} Ω", "set-resistor", {"part": line.driver, "ohm": float(value)})
    else:
        text = f"{value} Ω in series in {name} next to {line.driver}"
        change = Proposal(text, "series-resistor", {"nets": [name], "ohm": float(value)})
    if np.isnan(left):
        return (Remedy(change, None, "not solved"),)
    return (Remedy(change, allowance.excess_db(left) if left > 0 else float("-inf")),)


def _waveform(view: View, line: _Line, limit: float, at_end: str) -> dict[str, object]:
    swing = view.drivers[line.profile.path.net].swing
    wave = _response(view, line)
    until = min(len(wave.time), int(np.searchsorted(wave.time, 12 * line.profile.total_delay + wave.time[100] * 2)))
    every = max(1, until // POINTS)
    final = 1.0 if np.isinf(line.load) else line.load / (line.load + line.source)
    return {
        "time_ps": wave.time[:until:every] * 1e12,
        "level_mv": wave.far[:until:every] * swing * 1e3,
        "allowed_mv": (1 + limit) * final * swing * 1e3,
        "name": f"{view.board.nets[line.profile.path.net]} at {at_end}",
    }
