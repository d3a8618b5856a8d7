"""Unrelated lines that run side by side so closely that one disturbs the other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from quietcopper.electrical.coupling import Coupling, at_spacing_for, couplings
from quietcopper.electrical.pictures import section_picture
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.fields.crosstalk import far_end_peak, near_end_peak
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
at the
near end as long as the shared stretch, at the far end as sharp as the edge. A line with a slow task but a fast edge
disturbs
as much as a clock."""
FORMULA = """Coupling coefficients Kb and Kf from the solved section of the two lines (boundary elements); near end
Kb·swing,
less in proportion where the stretch is shorter than rise / (2·delay); far end Kf·length / rise·swing; ends taken as
matched. All neighbours of a line are added, the larger of the two ends counts. Bound: what is skipped cannot reach a
fifth of the allowance by the printed ceiling 1 / (1 + (D/H)²)."""
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
    "coupled lines (from memory)",
    "Johnson and Graham, High-Speed Digital Design: ceiling 1/(1 + (D/H)²), used to skip only (from memory)",
)


SPARE = 0.94  # half a dB below the allowance is aimed at, for what the spacing of one pair does not tell


@dataclass(frozen=True)
class _Noise:
    """What one neighbour puts on a victim, V, with the stretches they share."""

    aggressor: int
    near: float
    far: float
    shared: tuple[Coupling, ...]

    @property
    def peak(self) -> float:
        return max(self.near, abs(self.far))


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    board = view.board
    share = view.settings.allowance(f"{NAME}.noise_share", ALLOWANCES["noise_share"].default)
    driven = {
        net
        for net, (role, driver) in enumerate(zip(view.roles, view.drivers, strict=True))
        if role.kind == SIGNAL and driver.swing > 0
    }
    paired = {frozenset((pair.positive, pair.negative)) for pair in view.pairs}
    found, unsolved = couplings(view, driven, paired, share / 5)
    routed = set(view.runs.net.tolist()) & driven
    yield Coverage(NAME, len(routed), len(routed), "driven signal nets")
    if unsolved:
        yield NotChecked(
            NAME, "stretches side by side", "their cross-section lies outside what the solver covers", unsolved
        )
    by_victim: dict[int, dict[int, list[Coupling]]] = defaultdict(lambda: defaultdict(list))
    for coupling in found:
        by_victim[coupling.net_a][coupling.net_b].append(coupling)
        by_victim[coupling.net_b][coupling.net_a].append(coupling)
    noises = {
        victim: sorted(
            (_noise(view, aggressor, shared) for aggressor, shared in others.items()),
            key=lambda n: (-round(n.peak, 9), board.nets[n.aggressor]),
        )
        for victim, others in by_victim.items()
    }
    bundles = _bundles(view, noises, share)
    allowed = {victim: share * view.drivers[victim].swing for victim in noises}
    wider = {victim: _wider(noise, allowed[victim]) for victim, noise in noises.items()}
    for victim, noise in sorted(noises.items()):
        bundle, layer = bundles[victim], _strongest(noise[0]).layer
        spacing = max((w.spacing for n in bundle if (w := wider[n]) is not None and w.layer == layer), default=0.0)
        yield _finding(view, victim, noise, allowed[victim], wider[victim], bundle, spacing)


def _noise(view: View, aggressor: int, shared: list[Coupling]) -> _Noise:
    driver = view.drivers[aggressor]
    # A stretch below saturation adds in proportion to its length; together they cannot exceed the strongest stretch.
    near = sum(float(near_end_peak(c.kb, c.length, c.delay, driver.rise, driver.swing)) for c in shared)
    near = min(near, max(c.kb for c in shared) * driver.swing)
    far = sum(float(far_end_peak(c.kf, c.length, driver.rise, driver.swing)) for c in shared)
    return _Noise(aggressor, near, float(np.clip(far, -driver.swing / 2, driver.swing / 2)), tuple(shared))


def _total(noise: list[_Noise]) -> tuple[float, float]:
    """Near and far end of all neighbours added, V: as if all switched at once."""
    return sum(n.near for n in noise), sum(abs(n.far) for n in noise)


def _strongest(noise: _Noise) -> Coupling:
    return max(noise.shared, key=lambda c: (round(c.kb * c.length, 12), c.x, c.y))


def _wider(noise: list[_Noise], allowed: float) -> Coupling | None:
    """The strongest stretch at the spacing that brings a victim's noise a little below what is allowed, as if all its
    neighbours moved as far; None where it need not move."""
    peak = max(_total(noise))
    return at_spacing_for(_strongest(noise[0]), SPARE * allowed / peak) if peak > SPARE * allowed else None


def _bundles(view: View, noises: dict[int, list[_Noise]], share: float) -> dict[int, tuple[int, ...]]:
    """Nets that disturb each other noticeably, put together: by net, the members of its bundle ordered by name."""
    parent = {net: net for net in noises}

    def root(net: int) -> int:
        while parent[net] != net:
            net = parent[net]
        return net

    for victim, noise in noises.items():
        for n in noise:
            if n.peak > share * view.drivers[victim].swing / 5:
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
    noise: list[_Noise],
    allowed: float,
    wider: Coupling | None,
    bundle: tuple[int, ...],
    spacing: float,
) -> Finding:
    """wider : the strongest stretch as it would have to be for this victim;  spacing : what all of its bundle on the
    layer would have to keep, m, 0 for nothing more than now."""
    board = view.board
    near, far = _total(noise)
    peak, end = (near, "near") if near >= far else (far, "far")
    worst = noise[0]
    strongest = _strongest(worst)
    layer = strongest.layer
    name, other = board.nets[victim], board.nets[worst.aggressor]
    allowance = Allowance(allowed, "V", ALLOWANCES["noise_share"].source, f"{NAME}.noise_share")
    length = sum(c.length for c in worst.shared)
    closest = min(c.spacing for n in noise for c in n.shared)
    remedies = []
    if wider is not None:
        change = Proposal(
            f"keep {engineering(wider.spacing, 'm')} between {name} and its neighbours",
            "set-spacing",
            {"net": name, "layer": layer, "spacing": wider.spacing},
        )
        factor = wider.kb / strongest.kb if end == "near" else abs(wider.kf) / max(abs(strongest.kf), 1e-30)
        remedies.append(Remedy(change, allowance.excess_db(peak * factor)))
    spread = Proposal(f"spread the bundle on {board.layer_label(layer)}")
    if spacing > 0:
        spread = Proposal(
            f"spread the bundle on {board.layer_label(layer)} to {engineering(spacing, 'm')} between its lines",
            "spread-bundle",
            {"nets": [board.nets[n] for n in bundle], "layer": layer, "spacing": spacing},
        )
    if spread.kind and len(bundle) > 1:
        remedies.append(Remedy(spread, None, "not solved"))
    others = "1 neighbour" if len(noise) == 1 else f"{len(noise)} neighbours"
    lines = shapely.union_all([c.line for n in noise for c in n.shared])
    return Finding(
        check=NAME,
        subject=(name, board.layers[layer].name),
        title=f"{name} takes noise from {other}" + (f" and {len(noise) - 1} more" if len(noise) > 1 else ""),
        message=f"{others} put {engineering(peak, 'V')} on the {end} end of {name}; the strongest, {other}, runs "
        f"{engineering(length, 'm')} beside it at {engineering(closest, 'm')} edge to edge.",
        place=Place((strongest.x, strongest.y), lines, (layer,), (name, *(board.nets[n.aggressor] for n in noise))),
        predicted=peak,
        allowance=allowance,
        cause=CauseHint(
            f"bundle:{board.layers[layer].name}:{board.nets[bundle[0]]}",
            (
                f"{len(bundle)} lines on {board.layer_label(layer)} run bundled"
                if len(bundle) > 1
                else f"{name} on {board.layer_label(layer)} runs {engineering(closest, 'm')} beside {other}"
            ),
            remedies[0].change if remedies and len(bundle) == 1 else spread,
        ),
        remedies=tuple(remedies),
        evidence={
            "near_end_v": near,
            "far_end_v": far,
            "near_end_coupling": strongest.kb,
            "shared_length_mm": length * 1e3,
            "spacing_mm": strongest.spacing * 1e3,
            "aggressor_rise_ps": view.drivers[worst.aggressor].rise * 1e12,
            "contributions": [
                {"what": board.nets[n.aggressor], "value": n.near if end == "near" else abs(n.far), "unit": "V"}
                for n in noise[:6]
            ],
            "section": section_picture(strongest.section, (name, other)),
        },
    )
