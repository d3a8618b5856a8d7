"""Differential pairs into which a line beside them couples unlike parts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import shapely

from quietcopper.electrical.coupling import GRID, Asked, Coupling, couplings
from quietcopper.electrical.disturbance import Disturbances, Disturbed, couplings_by_victim, drawn_wave
from quietcopper.electrical.pictures import section_picture
from quietcopper.electrical.tables import SIGNAL, Pair
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import MM, engineering

NAME = "pair-disturbed"
QUESTION = "Does a line beside a differential pair put so much more on its near line that it is received?"
MECHANISM = """What a neighbour couples into both lines of a pair alike the receiver rejects. The nearer line takes
more, and the difference counts as signal; the wider the pair is spread against its distance from the neighbour, the
more of it."""
FORMULA = """Kb and Kf from the neighbour to each line of the pair, from the section of all lines within reach solved
together; their difference is followed along the pair as in traces-too-close, with what stands at the ends. Both sides
of the pair and all neighbours are added, as if their edges met. Where the other line of the pair is not within reach,
what the near one takes counts in full. Against the swing of one line, which is the amplitude that the receiver sees."""
ALLOWANCES: Mapping[str, Limit] = {
    "noise_share": Limit(
        0.05,
        "1",
        "Johnson and Graham, High-Speed Digital Design; Bogatin, Signal and Power Integrity (from memory): crosstalk "
        "takes some 5 % of the swing in a noise budget",
        "Share of the pair's amplitude that all its neighbours together may put on it.",
    ),
}
SOURCES = (
    "Paul, Analysis of Multiconductor Transmission Lines: coupling into each of two receptors (from memory)",
    "Bogatin, Signal and Power Integrity, chapter on differential pairs: differential noise of a pair (from memory)",
)
TRIES, WIDER = 12, 1.3  # spacings that are looked at for a remedy, each so much larger than the one before


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    share = view.settings.allowance(f"{NAME}.noise_share", ALLOWANCES["noise_share"].default)
    driven = {n for n, role in enumerate(view.roles) if role.kind == SIGNAL and view.drivers[n].swing > 0}
    pairs = [pair for pair in view.pairs if pair.positive in driven]
    members = {net for pair in pairs for net in (pair.positive, pair.negative)}
    yield Coverage(NAME, len(pairs), len(pairs), "differential pairs")
    if not pairs:
        return
    paired = frozenset(frozenset((p.positive, p.negative)) for p in view.pairs)
    found, unsolved = couplings(view, Asked(frozenset(driven), paired, share / 5, frozenset(members)))
    if unsolved:
        yield NotChecked(
            NAME, "stretches side by side", "their cross-section lies outside what the solver covers", unsolved
        )
    by_victim, work = couplings_by_victim(found), Disturbances(view)
    for pair in pairs:
        shared = {
            (line, mate): {a: s for a, s in by_victim.get(line, {}).items() if a != mate}
            for line, mate in ((pair.positive, pair.negative), (pair.negative, pair.positive))
        }
        noise = _noise(work, shared, 1.0)
        if noise:
            yield _finding(view, work, pair, shared, noise, share)


Lines = tuple[int, int]  # the line of a pair that takes noise, and the other one
Noises = list[tuple[Lines, Disturbed]]


def _noise(work: Disturbances, shared: dict[Lines, dict[int, list[Coupling]]], weaker: float) -> Noises:
    """What each neighbour puts between the lines of a pair, from each side, worst first."""
    out: Noises = []
    for lines, others in shared.items():

        def figures(c: Coupling, lines: Lines = lines) -> tuple[float, float]:
            near, far = _difference(c, *lines)
            return near * weaker, far * weaker

        counted = {a: kept for a, s in others.items() if (kept := [c for c in s if _difference(c, *lines)[0] > 0])}
        if counted:
            out += [(lines, d) for d in work.on(lines[0], counted, figures)[1]]
    return sorted(out, key=lambda n: -round(n[1].peak, 9))


def _difference(c: Coupling, line: int, mate: int) -> tuple[float, float]:
    """What the neighbour couples into the line more than into its mate: Kb and Kf, s/m; 0 where the mate is nearer."""
    near, other = (0, c.other) if c.net_a == line else (c.other, 0)
    kb, kf = c.solution.near_end_coupling(near, other), c.solution.far_end_coupling(near, other)
    mates = [i for i, net in enumerate(c.nets) if net == mate]
    if not mates:
        return kb, kf
    far = min(mates, key=lambda i: abs(c.section.lines[i].x - c.section.lines[near].x))
    less = c.solution.near_end_coupling(far, other)
    return (kb - less, kf - c.solution.far_end_coupling(far, other)) if kb > less else (0.0, 0.0)


def _finding(
    view: View,
    work: Disturbances,
    pair: Pair,
    shared: dict[Lines, dict[int, list[Coupling]]],
    noise: Noises,
    share: float,
) -> Finding:
    board = view.board
    one, mate = board.nets[pair.positive], board.nets[pair.negative]
    allowed = share * min(view.drivers[net].swing for net in (pair.positive, pair.negative))
    allowance = Allowance(allowed, "V", ALLOWANCES["noise_share"].source, f"{NAME}.noise_share")
    peak = sum(d.peak for _, d in noise)
    lines, worst = noise[0]
    other = board.nets[worst.aggressor]
    strongest = max(worst.shared, key=lambda c: (round(_difference(c, *lines)[0] * c.length, 12), c.x, c.y))
    length = sum(c.length for c in worst.shared)
    closest = min(c.spacing for _, d in noise for c in d.shared)
    aggressors = list(dict.fromkeys(d.aggressor for _, d in noise))
    near, _ = _difference(strongest, *lines)
    evidence: dict[str, object] = {
        "noise_v": peak,
        "coupling_difference": near,
        "shared_length_mm": length / MM,
        "spacing_mm": strongest.spacing / MM,
        "aggressor_rise_ps": view.drivers[worst.aggressor].rise * 1e12,
        "contributions": [{"what": board.nets[d.aggressor], "value": d.peak, "unit": "V"} for _, d in noise[:6]],
    }
    remedies: tuple[Remedy, ...] = ()
    volts = None
    if allowance.excess_db(peak) > 0:
        remedies = _remedies(view, strongest, lines, peak, allowance, (one, mate, other))
        evidence["waveform"] = drawn_wave([d for _, d in noise], allowed, f"Noise between {one} and {mate}")
        of = strongest.other if strongest.net_a == lines[0] else 0
        volts = tuple(float(i == of) for i in range(len(strongest.section.lines)))
    evidence["section"] = section_picture(strongest.section, tuple(board.nets[n] for n in strongest.nets), volts)
    named = "1 neighbour" if len(aggressors) == 1 else f"{len(aggressors)} neighbours"
    return Finding(
        check=NAME,
        subject=(one, mate),
        title=f"{one} and {mate} receive noise from {other}",
        message=f"{named} put {engineering(peak, 'V')} between {one} and {mate}; the strongest, {other}, runs "
        f"{engineering(length, 'm')} beside {board.nets[lines[0]]} at {engineering(closest, 'm')} edge to edge.",
        place=Place(
            (strongest.x, strongest.y),
            shapely.union_all([c.line for _, d in noise for c in d.shared]),
            (strongest.layer,),
            (one, mate, *(board.nets[a] for a in aggressors)),
        ),
        predicted=peak,
        allowance=allowance,
        cause=CauseHint(f"beside pair:{one}:{mate}", f"Other lines run close beside {one} and {mate}"),
        remedies=remedies,
        evidence=evidence,
    )


def _remedies(
    view: View, c: Coupling, lines: Lines, peak: float, allowance: Allowance, names: Sequence[str]
) -> tuple[Remedy, ...]:
    """The neighbour moved away until the difference that it couples is small enough, solved with the pair there."""
    near = _difference(c, *lines)[0]
    for step in range(1, TRIES + 1):
        spacing = round(max(c.spacing, view.settings.min_spacing) * WIDER**step / GRID) * GRID
        moved = _moved(view, c, lines, spacing - c.spacing)
        if moved is None:
            continue
        left = peak * max(_difference(moved, *lines)[0], 0.0) / near
        if left <= allowance.value:
            text = f"keep {engineering(spacing, 'm')} between {names[2]} and the pair {names[0]}, {names[1]}"
            arguments = {"net": names[2], "layer": c.layer, "spacing": spacing}
            return (Remedy(Proposal(text, "set-spacing", arguments), allowance.excess_db(left)),)
    return ()


def _moved(view: View, c: Coupling, lines: Lines, further: float) -> Coupling | None:
    """The stretch with its neighbour moved away from the pair, these alone and without the pour beside them."""
    near, other = (0, c.other) if c.net_a == lines[0] else (c.other, 0)
    section, own = c.section, c.section.lines[near]
    away = section.lines[other]
    mates = [i for i, net in enumerate(c.nets) if net == lines[1]]
    kept = [own, *(section.lines[i] for i in mates[:1])]
    kept.append(replace(away, x=away.x + (further if away.x > own.x else -further)))
    planes = tuple(g for g in section.grounds if abs(g.y - own.y) > 1e-7)
    moved = replace(section, lines=tuple(kept), grounds=planes)
    try:
        solution = view.sections.solve(moved)
    except OutOfRange:
        return None
    nets = (lines[0], *lines[1:][: len(mates[:1])], c.net_b if near == 0 else c.net_a)
    return replace(
        c, net_a=lines[0], net_b=nets[-1], section=moved, solution=solution, nets=nets, other=len(nets) - 1
    )  # fmt: skip
