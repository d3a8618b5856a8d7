"""Unrelated lines that run side by side so closely that one disturbs the other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping

import shapely

from quietcopper.electrical.coupling import Asked, Coupling, at_spacing_for, coupled_sections, couplings
from quietcopper.electrical.disturbance import Disturbances, Disturbed, couplings_by_victim, drawn_wave, together
from quietcopper.electrical.pictures import section_picture
from quietcopper.electrical.signals import slowest_edge
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.travel import Course
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

NAME = "traces-too-close"
QUESTION = "Do unrelated lines run side by side so closely and so far that one puts noise on the other?"
MECHANISM = """Two lines side by side share electric and magnetic field: each edge on one puts a pulse on the other,
at the near end as long as the shared stretch, at the far end as sharp as the edge. A line with a slow task but a fast
edge disturbs as much as a clock."""
FORMULA = """Kb and Kf from the solved section of all lines within reach, up to eight together, with the pour between
them (boundary elements). Along every shared stretch the aggressor's edge sends Kb·(v(t) - v(t - 2τ)) backward and half
the difference of the even and the odd wave forward into the victim; edge and waves are followed between the ends of
their lines: drivers by their resistance, inputs as open, terminations as they are, anything else as matched. What
arrives at the victim's receiving end counts, or at the worse end where no driver is known to hold the other. Peaks of
all neighbours are added, as if their edges met. Bound: what is skipped cannot reach a fifth of the allowance by the
printed ceiling 1 / (1 + (D/H)²). Pairs are judged by pair-disturbed."""
ALLOWANCES: Mapping[str, Limit] = {
    "noise_share": Limit(
        0.05,
        "1",
        "Johnson and Graham, High-Speed Digital Design; Bogatin, Signal and Power Integrity (from "
        "memory): crosstalk takes "
        "some 5 % of the swing in a noise budget",
        "Share of the victim's swing that all its neighbours together may put on it.",
    ),
}
SOURCES = (
    "Paul, Analysis of Multiconductor Transmission Lines; backward and forward coupling of weakly "
    "coupled lines (from memory); with ends held to a circuit simulator in tests",
    "Johnson and Graham, High-Speed Digital Design: ceiling 1/(1 + (D/H)²), used to skip only (from memory)",
)


TRIES = 3  # spacings that are looked at for one
SPARE = 0.94  # half a dB below the allowance is aimed at, for what the spacing of one pair does not tell
MOST_SLOWER = 8.0  # times the edge; no driver's setting spans more (common practice, no source)
ROOM = 1e-3  # m; no bundle is proposed to be spread further than this: common practice, no source


def _share(view: View) -> float:
    return view.settings.allowance(f"{NAME}.noise_share", ALLOWANCES["noise_share"].default)


def _asked(view: View) -> Asked:
    driven = frozenset(
        net
        for net, (role, driver) in enumerate(zip(view.roles, view.drivers, strict=True))
        if role.kind == SIGNAL and driver.swing > 0
    )
    return Asked(driven, frozenset(frozenset((p.positive, p.negative)) for p in view.pairs), _share(view) / 5)


def sections(view: View) -> list[CrossSection]:
    """What `look` solves first."""
    return coupled_sections(view, _asked(view))


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    share, asked = _share(view), _asked(view)
    found, unsolved = couplings(view, asked)
    routed = set(view.runs.net.tolist()) & asked.driven
    yield Coverage(NAME, len(routed), len(routed), "driven signal nets")
    if unsolved:
        yield NotChecked(
            NAME, "stretches side by side", "their cross-section lies outside what the solver covers", unsolved
        )
    in_pairs = {net for pair in asked.paired for net in pair}
    work = Disturbances(view)
    noises = {
        victim: work.on(victim, others)
        for victim, others in couplings_by_victim(found).items()
        if victim not in in_pairs
    }
    bundles = _bundles(view, {victim: noise for victim, (_, noise) in noises.items()}, share)
    allowed = {victim: share * view.drivers[victim].swing for victim in noises}
    closest = {victim: min(c.spacing for n in noise for c in n.shared) for victim, (_, noise) in noises.items()}
    wider = {victim: _wider(work, victim, noise, allowed[victim]) for victim, (_, noise) in noises.items()}
    for victim, (way, noise) in sorted(noises.items()):
        bundle, layer = bundles[victim], _strongest(noise[0]).layer
        moved = [w[0] for n in bundle if (w := wider.get(n)) is not None]
        spacing = max((c.spacing for c in moved if c.layer == layer), default=0.0)
        apart = round(min(closest[n] for n in bundle), 5)
        yield _finding(view, victim, way, noise, allowed[victim], wider[victim], bundle, spacing, apart)


def _strongest(noise: Disturbed) -> Coupling:
    return max(noise.shared, key=lambda c: (round(c.kb * c.length, 12), c.x, c.y))


def _wider(
    work: Disturbances, victim: int, noise: list[Disturbed], allowed: float
) -> tuple[Coupling, float] | None:  # fmt: skip
    """The strongest stretch at the spacing that brings a victim's noise a little below what is allowed, as if all its
    neighbours moved as far, and the noise that is left then, V; None where it need not move."""
    peak, strongest = together(noise), _strongest(noise[0])
    if peak <= SPARE * allowed:
        return None
    factor = SPARE * allowed / peak
    best: tuple[Coupling, float] | None = None
    for _ in range(TRIES):
        moved = at_spacing_for(strongest, factor)
        if moved is None:
            return best
        near, far = moved.kb / strongest.kb, abs(moved.kf) / max(abs(strongest.kf), 1e-30)

        def weaker(c: Coupling, near: float = near, far: float = min(far, 1.0)) -> tuple[float, float]:
            return c.kb * near, c.kf * far

        _, after = work.on(victim, {n.aggressor: n.shared for n in noise}, weaker)
        left = together(after)
        best = moved, left
        if left <= allowed:
            return best
        factor *= SPARE * allowed / left
    return best


def _bundles(view: View, noises: dict[int, list[Disturbed]], share: float) -> dict[int, tuple[int, ...]]:
    """Nets that disturb each other noticeably, put together: by net, the members of its bundle ordered by name."""
    parent = {net: net for net in noises}

    def root(net: int) -> int:
        while parent[net] != net:
            net = parent[net]
        return net

    for victim, noise in noises.items():
        for n in noise:
            if n.peak > share * view.drivers[victim].swing / 5 and n.aggressor in parent:
                a, b = root(victim), root(n.aggressor)
                parent[max(a, b)] = min(a, b)
    members: dict[int, list[int]] = defaultdict(list)
    for net in noises:
        members[root(net)].append(net)
    names = view.board.nets
    return {net: tuple(sorted(group, key=lambda n: names[n])) for group in members.values() for net in group}


def _finding(
    view: View,
    victim: int,
    way: Course | None,
    noise: list[Disturbed],
    allowed: float,
    wider: tuple[Coupling, float] | None,
    bundle: tuple[int, ...],
    spacing: float,
    apart: float,
) -> Finding:
    """wider : the strongest stretch as it would have to be for this victim, and what is left;  spacing : what all of
    its bundle on the layer would have to keep, m, 0 for nothing more than now;  apart : least spacing of the bundle, m,
    which is the choice that bundles of a layer share."""
    board = view.board
    peak, worst = together(noise), noise[0]
    strongest = _strongest(worst)
    layer = strongest.layer
    name, other = board.nets[victim], board.nets[worst.aggressor]
    allowance = Allowance(allowed, "V", ALLOWANCES["noise_share"].source, f"{NAME}.noise_share")
    length = sum(c.length for c in worst.shared)
    closest = min(c.spacing for n in noise for c in n.shared)
    remedies = []
    if wider is not None:
        moved, left = wider
        change = Proposal(
            f"keep {engineering(moved.spacing, 'm')} between {name} and its neighbours",
            "set-spacing",
            {"net": name, "layer": layer, "spacing": moved.spacing},
        )
        remedies.append(Remedy(change, allowance.excess_db(left)))
    spread = Proposal(f"spread the bundle on {board.layer_label(layer)}")
    if spacing > 0:
        spread = Proposal(
            f"spread the bundle on {board.layer_label(layer)} to {engineering(spacing, 'm')} between its lines",
            "spread-bundle",
            {"nets": [board.nets[n] for n in bundle], "layer": layer, "spacing": spacing},
        )
    if spacing > ROOM:
        spread = Proposal(
            f"a plane nearer to the bundle on {board.layer_label(layer)} or slower edges in it; spacing alone "
            f"would take {engineering(spacing, 'm')} between its lines"
        )
    if spacing > 0 and len(bundle) > 1:  # first, as one edit for all of them
        remedies.insert(0, Remedy(spread, None, "not solved"))
    if (wider is None or spacing > ROOM) and (slower := _slower(view, noise, allowed)) is not None:
        remedies.append(Remedy(slower, None, "not solved"))
    others = "1 neighbour" if len(noise) == 1 else f"{len(noise)} neighbours"
    where = _where(way, worst.at_start)
    lines = shapely.union_all([c.line for n in noise for c in n.shared])
    evidence: dict[str, object] = {
        "noise_v": peak,
        "at": where,
        "near_end_coupling": strongest.kb,
        "shared_length_mm": length * 1e3,
        "spacing_mm": strongest.spacing * 1e3,
        "aggressor_rise_ps": view.drivers[worst.aggressor].rise * 1e12,
        "contributions": [{"what": board.nets[n.aggressor], "value": n.peak, "unit": "V"} for n in noise[:6]],
    }
    volts = None
    if allowance.excess_db(peak) > 0:
        evidence["waveform"] = drawn_wave(noise, allowed, f"Noise of {others} on {name}, at {where}")
        volts = tuple(float(i == strongest.other) for i in range(len(strongest.section.lines)))
        if strongest.net_a != victim:  # the section is described from the other line
            volts = tuple(float(i == 0) for i in range(len(strongest.section.lines)))
    names = tuple(board.nets[net] for net in strongest.nets)
    evidence["section"] = section_picture(strongest.section, names, volts)
    return Finding(
        check=NAME,
        subject=(name, board.layers[layer].name),
        title=f"{name} takes noise from {other}" + (f" and {len(noise) - 1} more" if len(noise) > 1 else ""),
        message=f"{others} put {engineering(peak, 'V')} on {name} at {where}; the strongest, {other}, runs "
        f"{engineering(length, 'm')} beside it at {engineering(closest, 'm')} edge to edge.",
        place=Place((strongest.x, strongest.y), lines, (layer,), (name, *(board.nets[n.aggressor] for n in noise))),
        predicted=peak,
        allowance=allowance,
        cause=CauseHint(
            f"spacing of lines:{board.layers[layer].name}:{apart * 1e6:.0f}",
            f"Lines on {board.layer_label(layer)} run {engineering(apart, 'm')} apart",
            remedies[0].change if remedies else None,
            alone=CauseHint(
                f"spacing of lines:{board.layers[layer].name}:{name}",
                f"{name} on {board.layer_label(layer)} runs {engineering(closest, 'm')} beside {other}",
                remedies[0].change if remedies else None,
            ),
        ),
        remedies=tuple(remedies),
        evidence=evidence,
    )


def _slower(view: View, noise: list[Disturbed], allowed: float) -> Proposal | None:
    """Slower edges in the strongest of those that disturb, as the noise falls with the edge; None where the bits would
    be too short for them, or no edge would be slow enough."""
    if together(noise) <= allowed:
        return None
    rest, strong = together(noise), list[int]()
    for n in noise:
        if rest <= SPARE * allowed / 2:
            break
        strong.append(n.aggressor)
        rest = together([m for m in noise if m.aggressor not in strong])
    room = SPARE * allowed - rest
    if room <= 0:
        return None
    factor = (together(noise) - rest) / room
    drivers = [view.drivers[net] for net in strong]
    rise = max(driver.rise for driver in drivers) * factor
    if not 1 < factor <= MOST_SLOWER or rise > min(slowest_edge(driver) for driver in drivers):
        return None
    names = [view.board.nets[net] for net in strong]
    who = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
    return Proposal(
        f"edges of {engineering(rise, 's')} in {who}, set at their drivers",
        "slower-edge",
        {"nets": names, "rise": rise},
    )


def _where(way: Course | None, at_start: bool) -> str:
    """The end of a victim's way in words: "U2.5", or the end where no pin is known."""
    if way is not None and not at_start and way.label:
        return way.label
    return "its start" if at_start and way is not None and way.label else "one end"
