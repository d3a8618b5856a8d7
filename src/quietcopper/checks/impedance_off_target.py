"""A line whose solved impedance misses its target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely

from quietcopper.electrical.choices import led_at_edge
from quietcopper.electrical.pictures import driven_alone, section_picture
from quietcopper.electrical.profile import (
    Profile,
    Stretch,
    longest_piece,
    piece_lines,
    profile_picture,
    worst_part,
)
from quietcopper.electrical.steps import WIDTH, difference, nearest_piece, piece_places
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.electrical.widths import width_for
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
)
from quietcopper.units import engineering

NAME = "impedance-off-target"
QUESTION = "Does a line with a target impedance meet it, as the copper around it really lies?"
MECHANISM = """Where the impedance differs from what the ends are matched to, part of each edge is reflected. A piece
that is short against the edge reflects less, because its two ends cancel."""
FORMULA = """Along each way from pin to pin, on each layer: the mean of (Z - target) / (Z + target) over the half edge
that comes back together, at the place where it is largest; so a stretch counts in full from half the edge on, a shorter
one in proportion, and what is good elsewhere on the line does not make up for it. Z is solved on the cross-sections cut
from the board (boundary elements, error estimate 0.2 %); pieces that were not solved go on as next to them, holes are
taken as on target. Fabrication adds some 10 %: the allowance is that tolerance's reflection. The lines of a pair count
one by one."""
ALLOWANCES: Mapping[str, Limit] = {
    "tolerance": Limit(
        0.10,
        "1",
        "IPC-2141A (from memory): usual tolerance of a controlled impedance",
        "Deviation from the target that is accepted.",
    ),
    "long_share": Limit(
        1 / 6,
        "1",
        "Johnson and Graham, High-Speed Digital Design (from memory): a sixth of the edge's length",
        "A line counts as long from this share of its rise time in delay.",
    ),
}
MOST_OF_IT = 0.7  # share of a net's delay on a layer from which on another width for all of it is proposed
SOURCES = (
    "Reflection at a step: Pozar, Microwave Engineering, section 2.3 (from memory)",
    "Cross-section solver: fields.section_solver, tested against exact cases",
)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board = view.board
    tolerance = view.settings.allowance(f"{NAME}.tolerance", ALLOWANCES["tolerance"].default)
    share = view.settings.allowance(f"{NAME}.long_share", ALLOWANCES["long_share"].default)
    nets = [net for net in np.unique(view.runs.net).tolist() if view.roles[net].kind == SIGNAL]
    with_target = [net for net in nets if view.target_of(net) is not None]
    unsolved = []
    for net in with_target:
        profiles = [p for p in view.profiles.of(net) if p.solved]
        if not profiles:
            unsolved.append(board.nets[net])
            continue
        target = view.target_of(net)
        assert target is not None
        for layer in sorted({int(at) for p in profiles for at in p.layer[p.kind == "trace"]}):
            finding = _worst(view, profiles, layer, target, tolerance)
            if finding is not None:
                yield finding
    yield Coverage(NAME, len(with_target) - len(unsolved), len(with_target), "nets with a target")
    if unsolved:
        why = "too little of their way could be solved, or no way leads through their copper"
        yield NotChecked(NAME, ", ".join(sorted(unsolved)[:6]), why, len(unsolved))
    without = 0
    for net in nets:
        driver = view.drivers[net]
        without += view.target_of(net) is None and driver.swing > 0 and view.delay_of(net) > share * driver.rise
    if without:
        yield NotChecked(
            NAME,
            "long lines without a target",
            "neither the file nor the settings name a target impedance (settings: target_ohm)",
            without,
        )


def _worst(view: View, profiles: list[Profile], layer: int, target: float, tolerance: float) -> Finding | None:
    """The stretch of a net on a layer that reflects most, over all ways; None where nothing is solved there."""
    net = profiles[0].path.net
    rise = float(full_rise(view.drivers[net].rise))
    best: tuple[float, Profile, Stretch] | None = None
    for profile in profiles:
        stretch = worst_part(profile, rise, target, layer)
        if stretch is None or longest_piece(profile, stretch.pieces) < 0:
            continue
        if best is None or round(abs(stretch.share), 9) > best[0]:
            best = (round(abs(stretch.share), 9), profile, stretch)
    return None if best is None else _finding(view, layer, best[1], best[2], target, tolerance)


def _finding(view: View, layer: int, profile: Profile, stretch: Stretch, target: float, tolerance: float) -> Finding:
    board = view.board
    net = profile.path.net
    rise, name, label = view.drivers[net].rise, board.nets[net], board.layer_label(layer)
    z, reflection = stretch.z0, abs(stretch.share)
    allowance = Allowance(tolerance / (2 + tolerance), "1", ALLOWANCES["tolerance"].source, f"{NAME}.tolerance")
    longest = longest_piece(profile, stretch.pieces)
    lines = piece_lines(view, profile, stretch.pieces)
    at = shapely.line_interpolate_point(lines[np.flatnonzero(stretch.pieces == longest)[0]], 0.5, normalized=True)
    width = float(profile.width[longest])
    section = view.line_table.sections[int(profile.section[longest])]
    drive = driven_alone(section) if allowance.excess_db(reflection) > 0 else None
    remedies: list[Remedy] = []
    if allowance.excess_db(reflection) > -6:
        remedies = _remedies(view, profile, stretch, layer, target)
    change = remedies[0].change if remedies and remedies[0].change.kind else None
    key = f"impedance:{board.layers[layer].name}:{target:g}"
    own = CauseHint(f"{key}:{name}", f"{name} on {label} misses its {target:g} Ω", change)
    title = f"Lines of {engineering(width, 'm')} on {label} miss their {target:g} Ω"
    cause = CauseHint(f"{key}:{width * 1e6:.0f}", title, change, alone=own)
    return Finding(
        check=NAME,
        subject=(name, board.layers[layer].name),
        title=f"{name} is {z:.1f} Ω instead of {target:g} Ω",
        message=f"{name} on {label} is {z:.1f} Ω over {engineering(stretch.length, 'm')} against a target of "
        f"{target:g} Ω: {engineering(reflection, '1')} of each edge is reflected.",
        place=Place((at.x, at.y), shapely.union_all(lines), (layer,), (name,)),
        predicted=reflection,
        allowance=allowance,
        cause=_beyond_edge(view, profile, stretch, layer) or cause,
        remedies=tuple(remedies),
        evidence={
            "impedance": {
                "found_ohm": z,
                "target_ohm": target,
                "tolerance_percent": tolerance * 100,
                "name": f"{name} on {label}",
            },
            "width_mm": width * 1e3,
            "length_mm": stretch.length * 1e3,
            "delay_ps": stretch.delay * 1e12,
            "rise_ps": rise * 1e12,
            "impedance_profile": profile_picture(profile, target),
            "section": section_picture(section, (name,), drive),
        },
    )


def _beyond_edge(view: View, profile: Profile, stretch: Stretch, layer: int) -> CauseHint | None:
    """The choice of leading the line beyond the edge of its reference, where most of the stretch has none while other
    lines of its layer have; None for any other."""
    runs = view.runs
    length, bare = profile.length[stretch.pieces], profile.reference[stretch.pieces] < 0
    if length[bare].sum() <= length.sum() / 2 or not np.any((runs.layer == layer) & (runs.reference >= 0)):
        return None
    choice = led_at_edge(view, profile.path.net, layer)
    return CauseHint(choice.key, choice.title)


def _remedies(view: View, profile: Profile, stretch: Stretch, layer: int, target: float) -> list[Remedy]:
    """Another width for the whole layer, where the stretch is most of the line there; else what differs there."""
    board, lines = view.board, view.line_table
    name, label = board.nets[profile.path.net], board.layer_label(layer)
    longest = longest_piece(profile, stretch.pieces)
    there = (profile.kind == "trace") & (profile.layer == layer)
    if stretch.delay >= MOST_OF_IT * profile.delay[there].sum():
        width = float(profile.width[longest])
        wider = width_for(
            lines.sections[int(profile.section[longest])], target, view.settings.min_width, view.settings.min_spacing
        )
        if wider is None or (wider > width) != (stretch.z0 > target):  # else what lies elsewhere on the line decides
            return []
        change = Proposal(
            f"{'widen' if wider > width else 'narrow'} {name} on {label} to {engineering(wider, 'm')} for {target:g} Ω",
            "set-width",
            {"net": name, "layer": layer, "width": wider},
        )
        return [Remedy(change, float("-inf"), "solved again")]
    other = nearest_piece(profile, target, longest)
    if other < 0:
        return []
    why = difference(view, profile, longest, other)
    text = f"make the stretch of {name} on {label} as the rest of it: {why.words}"
    if why.kind != WIDTH:
        return [Remedy(Proposal(text), None, "not solved")]
    pieces = stretch.pieces[profile.layer[stretch.pieces] == layer]
    at = piece_places(view, profile, pieces)
    arguments = {"net": name, "layer": layer, "width": float(profile.width[other]), "at": at}
    return [Remedy(Proposal(text, "set-width", arguments), None, "not solved")]
