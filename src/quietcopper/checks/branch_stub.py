"""A branch beside a line that is long against the edge and open at its end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.electrical.branches import Branch, branches
from quietcopper.electrical.profile import profile_picture
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

NAME = "branch-stub"
QUESTION = "Does a branch leave a line and end open, so long that it reflects the line's edge?"
MECHANISM = """At a fork the wave meets two lines side by side and sends part of itself back; what went into the branch
returns from its open end and comes on top later. At the frequency where the branch is a quarter wave long it shorts the
line."""
FORMULA = """Largest share of the net's edge that an open branch beside a line reflects, all reflections in the branch
followed: Z / (Z + 2 Zb) for a long one, that times 2·delay / rise for a short one (edge straight, 0-100 % in 1.25 times
its 10-90 % time). The net's longest way to an input is taken as the line, every other pin and every trace that leads
nowhere as the end of a branch; a terminating resistor, a capacitor or a series part at the end is none. Inputs'
capacitance is left out. The driver is taken to be where the net's family and parts say, and a bus has the branch for
each of its drivers."""
ALLOWANCES: Mapping[str, Limit] = {
    "reflection": Limit(
        0.10,
        "1",
        "Bogatin, Signal and Power Integrity (from memory): a branch below a fifth of the rise time does no harm; "
        "one of a fifth reflects a tenth",
        "Share of an edge that a branch may reflect.",
    ),
}
SOURCES = (
    "Fork of lines: Pozar, Microwave Engineering, section 7.2 (from memory)",
    "Bogatin, Signal and Power Integrity, chapter on reflections (from memory)",
)
LEAST = 0.02  # of the rise time in delay; a shorter branch reflects a fiftieth at most and is not followed


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    looked, total = 0, 0
    for net in np.unique(view.runs.net).tolist():
        if view.roles[net].kind != SIGNAL or view.drivers[net].swing <= 0:
            continue
        total += 1
        if not any(p.solved for p in view.profiles.of(net)):
            continue
        looked += 1
        rise = view.drivers[net].rise
        found = branches(view, net, LEAST * rise)
        if found:
            priced = [(_share(branch, rise), branch) for branch in found]
            share, worst = max(priced, key=lambda p: round(p[0], 9))
            yield _finding(view, net, worst, share, len(found))
    yield Coverage(NAME, looked, total, "driven lines")
    if total > looked:
        why = "no way from pin to pin with a solved cross-section leads through their copper"
        yield NotChecked(NAME, "lines", why, total - looked)


def _share(branch: Branch, rise: float) -> float:
    return float(stub_reflection(branch.main.typical, branch.z0, branch.delay, full_rise(rise)))


def _finding(view: View, net: int, branch: Branch, share: float, count: int) -> Finding:
    board = view.board
    name, driver = board.nets[net], view.drivers[net]
    limit = view.settings.allowance(f"{NAME}.reflection", ALLOWANCES["reflection"].default)
    allowance = Allowance(limit, "1", ALLOWANCES["reflection"].source, f"{NAME}.reflection")
    end = board.pin_label(branch.end_pin) if branch.end_pin >= 0 else "nowhere"
    quarter = 1 / (4 * branch.delay)
    more = "" if count == 1 else f", the worst of {count} branches,"
    evidence: dict[str, object] = {
        "length_mm": branch.length * 1e3,
        "delay_ps": branch.delay * 1e12,
        "rise_ps": driver.rise * 1e12,
        "quarter_wave_hz": quarter,
        "knee_hz": float(knee(driver.rise)),
        "branch_ohm": branch.z0,
        "line_ohm": branch.main.typical,
    }
    remedies: tuple[Remedy, ...] = ()
    if allowance.excess_db(share) > -6:
        evidence["impedance_profile"] = profile_picture(branch.main)
        evidence["standing_wave"] = {
            "length_mm": branch.length * 1e3,
            "frequency_hz": quarter,
            "ends": "one tied",
        }
        remedies = (_remedy(branch, name, end, limit, driver.rise),)
    return Finding(
        check=NAME,
        subject=(name,),
        title=f"{name} has a branch of {engineering(branch.length, 'm')} to {end}",
        message=f"A branch of {engineering(branch.length, 'm')} leaves {name} for {end}{more} and takes "
        f"{engineering(branch.delay, 's')} of an edge of {engineering(driver.rise, 's')}: it reflects "
        f"{engineering(share, '1')} of each edge and shorts the line at {engineering(quarter, 'Hz')}.",
        place=Place(
            (branch.x, branch.y),
            branch.line,
            branch.layers,
            (name,),
            (str(board.parts.ref[board.pins.part[branch.end_pin]]),) if branch.end_pin >= 0 else (),
        ),
        predicted=share,
        allowance=allowance,
        cause=CauseHint(f"branches:{name}", f"{name} forks on its way"),
        remedies=remedies,
        evidence=evidence,
    )


def _remedy(branch: Branch, name: str, end: str, limit: float, rise: float) -> Remedy:
    """No branch at all: the trace leads through the pin, or goes where it leads nowhere."""
    if branch.end_pin < 0:
        corners = shapely.get_coordinates(branch.line)
        end = corners[int(np.argmax(np.round(np.hypot(corners[:, 0] - branch.x, corners[:, 1] - branch.y), 9)))]
        arguments = {"net": name, "at": (float(end[0]), float(end[1]))}
        return Remedy(Proposal(f"take the end of {name} away that leads nowhere", "cut-end", arguments), float("-inf"))
    slope = branch.delay / branch.length
    # 2·delay / rise of the full share, see `fields.line_network.stub_reflection`
    full = branch.main.typical / (branch.main.typical + 2 * branch.z0)
    longest = min(limit / full, 1.0) * float(full_rise(rise)) / 2 / slope
    text = f"lead {name} through {end} on its way, or keep the branch below {engineering(longest, 'm')}"
    return Remedy(Proposal(text), 0.0)
