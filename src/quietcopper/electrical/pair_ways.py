"""The two lines of a differential pair side by side: which way belongs to which, how much later one is, and what the
pair's differential and common impedance are along the way."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np

from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.parts import series_links
from quietcopper.electrical.profile import Profile
from quietcopper.electrical.section_cuts import POUR_REACH, Cuts
from quietcopper.electrical.section_stack import cross_section
from quietcopper.electrical.tables import Pair
from quietcopper.electrical.view import TYPICAL_DELAY, View
from quietcopper.electrical.ways import gap_inductance
from quietcopper.errors import OutOfRange
from quietcopper.fields.line_network import worst_stretch
from quietcopper.fields.section import CrossSection

MOST_UNSOLVED = 0.3  # share of a line without impedance of its own up to which its delay is trusted
TOGETHER = 3e-3  # m; gaps that the two lines cross no further apart are one gap


@dataclass(frozen=True, eq=False)
class PairWay:
    """A pair's two ways between the same parts.

    skew : how much later the positive line's edge arrives, s, of traces, holes and one-sided gaps together
    gap_skew : the part of it that gaps crossed by one line only cause; open_gaps : those of them that nothing bridges,
    whose delay is not known
    by_length : the skew of the traces is that of their lengths, because too little of them is solved
    """

    pair: Pair
    positive: Profile
    negative: Profile
    skew: float
    gap_skew: float
    open_gaps: int
    by_length: bool


def pair_way(view: View, pair: Pair) -> PairWay | None:
    """The longest ways of a pair's lines that lead from one part to one other, or to series parts of one kind.

    None where the two have no such ways.
    """
    best: tuple[float, Profile, Profile] | None = None
    for positive in view.profiles.of(pair.positive):
        for negative in view.profiles.of(pair.negative):
            if _alike(view, pair, positive, negative):
                least = round(min(positive.total_delay, negative.total_delay), 15)
                if best is None or least > best[0]:
                    best = (least, positive, negative)
    if best is None:
        return None
    _, positive, negative = best
    by_length = any(p.unsolved() > MOST_UNSOLVED * p.path.length for p in (positive, negative))
    skew = positive.total_delay - negative.total_delay
    if by_length:
        slopes = [p.total_delay / p.path.length for p in (positive, negative) if p.solved]
        skew = (positive.path.length - negative.path.length) * (float(np.mean(slopes)) if slopes else TYPICAL_DELAY)
    gap_skew, open_gaps = _one_sided_gaps(view, positive, negative)
    return PairWay(pair, positive, negative, skew + gap_skew, gap_skew, open_gaps, by_length)


def _alike(view: View, pair: Pair, positive: Profile, negative: Profile) -> bool:
    pins = view.board.pins
    if min(positive.path.start_pin, negative.path.start_pin) < 0:
        return False
    ends = [[int(pins.part[getattr(p.path, end)]) for p in (positive, negative)] for end in ("start_pin", "end_pin")]

    def fits(one: int, other: int) -> bool:
        if one == other:
            return True
        kinds = view.part_kinds[one], view.part_kinds[other]
        both = {pair.positive, pair.negative}
        single = all(len(both & set(kind.nets)) == 1 for kind in kinds)
        return single and kinds[0].kind == kinds[1].kind and kinds[0].pins == kinds[1].pins == 2

    return all(fits(*end) for end in ends) and ends[0] != ends[1]


def _one_sided_gaps(view: View, positive: Profile, negative: Profile) -> tuple[float, int]:
    """Delay that gaps crossed by one line only add to the positive line less the negative, s, and gaps without figure.

    An inductance L in the return of a line of Z0 between matched ends delays its edge by L / (2 Z0).
    """
    gaps = view.gaps
    nets = (positive.path.net, negative.path.net)
    rows = [np.flatnonzero(gaps.net == net) for net in nets]
    skew, unknown = 0.0, 0
    for own, others, profile, sign in ((rows[0], rows[1], positive, 1), (rows[1], rows[0], negative, -1)):
        for row in own.tolist():
            near = np.hypot(gaps.x[others] - gaps.x[row], gaps.y[others] - gaps.y[row]) <= TOGETHER
            if (near & (gaps.reference[others] == gaps.reference[row])).any() or gaps.after[row] < 0:
                continue
            try:
                inductance, _ = gap_inductance(view, row)
            except OutOfRange:
                inductance = np.inf
            if np.isfinite(inductance) and profile.solved:
                skew += sign * inductance / (2 * profile.typical)
            else:
                unknown += 1
    return skew, unknown


def pair_chains(view: View, pairs: list[Pair]) -> list[list[tuple[Pair, int]]]:
    """Pairs put together that follow each other behind series parts, each with +1, or -1 where the lines change places.

    In the order of the pairs.
    """
    where = {net: (i, sign) for i, p in enumerate(pairs) for net, sign in ((p.positive, 1), (p.negative, -1))}
    beside: dict[int, dict[int, int]] = defaultdict(dict)
    for link in series_links(view.board, view.part_kinds):
        if link.a in where and link.b in where and where[link.a][0] != where[link.b][0]:
            (i, one), (j, other) = where[link.a], where[link.b]
            beside[i][j] = beside[j][i] = one * other
    out, done = [], set()
    for first in range(len(pairs)):
        if first in done:
            continue
        chain, waiting = [], [(first, 1)]
        done.add(first)
        while waiting:
            i, sign = waiting.pop()
            chain.append((pairs[i], sign))
            for j in sorted(beside[i].keys() - done):
                done.add(j)
                waiting.append((j, sign * beside[i][j]))
        out.append(chain)
    return out


@dataclass(frozen=True, eq=False)
class PairSections:
    """A pair along its positive line, piece by piece; columns of shape (pieces,).

    piece : row of that line's profile; differential, common : ohm, nan where not solved; where the other line is not
    beside it, those of two single lines
    positive, negative : ohm, what each line's wave meets while the two are driven in opposition
    spacing : edge to edge, m, inf where the other line is not beside it; section : index into `sections`, -1 for none
    sections : the different ones, the positive line first, then the negative one, any others quiet beside them
    """

    piece: Ints
    differential: Floats
    common: Floats
    positive: Floats
    negative: Floats
    spacing: Floats
    section: Ints
    sections: tuple[CrossSection, ...]


def pair_sections(view: View, way: PairWay) -> PairSections:
    """The cross-sections along a pair's positive line with the negative one in them, solved."""
    traces, profile, runs = view.board.traces, way.positive, view.runs
    pieces = np.flatnonzero((profile.run >= 0) & np.isfinite(profile.z0)).astype(np.int32)
    run = profile.run[pieces]
    share = np.clip((profile.at[pieces] - runs.start[run]) / runs.length[run], 0.0, 1.0)
    cuts = Cuts(view, runs, run, share, True, POUR_REACH)
    out = np.full((5, len(pieces)), np.nan)
    section_of = np.full(len(pieces), -1, dtype=np.int32)
    known: dict[CrossSection, int] = {}
    for i, piece in enumerate(pieces.tolist()):
        single = float(profile.z0[piece])
        out[:, i] = 2 * single, single / 2, single, single, np.inf
        content, _ = cuts.content(i)
        nets = [int(traces.net[row]) for row in cuts.beside(i)]
        if content is None or way.negative.path.net not in nets:
            continue
        try:
            section = cross_section(view.board, content, view.settings.etch)
            line = section.lines[0]
            mates = [k for k, net in enumerate(nets, start=1) if net == way.negative.path.net]
            mate = min(mates, key=lambda k: abs(section.lines[k].x - line.x))
            others = [s for k, s in enumerate(section.lines) if k not in (0, mate)]
            section = replace(section, lines=(line, section.lines[mate], *others))
            solution = view.sections.solve(section)
        except OutOfRange:
            out[:4, i] = np.nan
            continue
        other, modes = section.lines[1], solution.pair()
        inductance, capacitance = solution.inductance, solution.capacitance
        own = [
            float(np.sqrt((inductance[k, k] - inductance[0, 1]) / (capacitance[k, k] - capacitance[0, 1])))
            for k in (0, 1)
        ]
        gap = abs(other.x - line.x) - (other.width + line.width) / 2
        out[:, i] = modes.differential, modes.common, *own, gap
        section_of[i] = known.setdefault(section, len(known))
    differential, common, positive, negative, spacing = out
    return PairSections(pieces, differential, common, positive, negative, spacing, section_of, tuple(known))


@dataclass(frozen=True, eq=False)
class Conversion:
    """The stretch of a pair where most of an edge comes back as common mode because its lines are unequal.

    share : of each line's swing; pieces : rows of the PairSections; length : m; positive, negative : ohm, mean over it
    """

    share: float
    pieces: Ints
    length: float
    positive: float
    negative: float


def conversion(way: PairWay, found: PairSections, rise: float) -> Conversion | None:
    """Where a pair's lines are unequal, the sum of what both reflect of an edge of `rise` (s, its whole length).

    Each line reflects (Z - mean) / (2 mean) of its own edge, the two edges are opposite: (Zp - Zn) / (2 mean) of the
    swing is left in common, first order, over the half edge that returns together. None where they are equal.
    """
    known = np.isfinite(found.positive) & np.isfinite(found.spacing)
    rows = np.flatnonzero(known)
    if not len(rows):
        return None
    mean = (found.positive[rows] + found.negative[rows]) / 2
    reference = float(np.average(mean))
    off = (found.positive[rows] - found.negative[rows]) / (2 * mean)
    unlike = reference * (1 + off) / (1 - off)  # the impedance that reflects `off`
    delay = way.positive.delay[found.piece[rows]]
    share, start, stop = worst_stretch(unlike, delay, rise, reference)
    if share == 0:
        return None
    after = np.cumsum(delay)
    inside = (after > start) & (after - delay < stop) & (np.sign(unlike - reference) == np.sign(share))
    chosen = rows[inside]
    length = way.positive.length[found.piece[chosen]]
    one, other = (float(np.average(z[chosen], weights=length)) for z in (found.positive, found.negative))
    return Conversion(abs(share), chosen.astype(np.int32), float(length.sum()), one, other)
