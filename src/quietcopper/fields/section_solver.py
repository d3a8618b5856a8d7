"""Capacitance and inductance per unit length of a cross-section's lines, with an error estimate; solved once each.

The inductance follows from the capacitance without dielectrics, L = mu0 eps0 C0^-1 (quasi-TEM, current on the
surface). A section is solved twice or more on the same panels with ever more nodes, until two results in a row agree;
their difference is the error of the worse one and is stated for the better.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, field, replace
from functools import partial
from itertools import islice

import numpy as np

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_charges import Floats, solve_charges
from quietcopper.fields.section_edges import check
from quietcopper.fields.section_mesh import lay_panels, nodes
from quietcopper.units import C0, EPS0, MU0
from quietcopper.workers import spread

DEFAULT_ACCURACY = 2e-3
_COARSE = 1e-3  # from this accuracy on


@dataclass(frozen=True)
class Refinement:
    """How a section is solved. growth, tip : see section_mesh.lay_panels; orders : nodes on a panel, one after the
    other; safety : the stated error over the change by the last order, which is the error of the one before; least :
    that is stated, relative: what the exponents at dielectric corners leave, which more nodes do not show"""

    growth: float
    tip: float
    orders: tuple[int, ...]
    safety: float
    least: float


# With the first, sections as boards have them are off by 4e-4 at most and 3e-5 on the median (benchmarks/sections.py).
COARSE = Refinement(4.0, 0.7, (2, 3, 4, 5, 6, 8, 10), 1.5, 7e-4)
FINE = Refinement(3.0, 0.5, (3, 4, 5, 6, 8, 10, 12), 3.0, 0.0)
_MOST_NODES = 4000  # 130 MB and some seconds


@dataclass(frozen=True, eq=False)
class Solution:
    """Per-unit-length matrices of a section's lines, everything in `grounds` and the planes being the return.

    capacitance : (n, n) F/m, Maxwell form (off-diagonal negative, V against the return)
    inductance : (n, n) H/m, current on the conductors' surface
    error : estimated relative error, largest over the entries of both matrices, each against its diagonal
    """

    capacitance: Floats
    inductance: Floats
    error: float
    section: CrossSection

    def impedance(self, line: int = 0) -> float:
        """sqrt(L_ii / C_ii), ohm: what a wave on one line meets while the other lines are quiet (they carry no current
        and stay at the return's potential, as matched neighbours do to first order). Exact for a single line."""
        return float(np.sqrt(self.inductance[line, line] / self.capacitance[line, line]))

    def delay(self, line: int = 0) -> float:
        """sqrt(L_ii · C_ii), s/m, as the formulas of weak coupling take it; sqrt(er_effective)/c for a single line.
        Beside close neighbours it exceeds what the dielectrics allow: L_ii holds their currents at zero, C_ii their
        voltages."""
        return float(np.sqrt(self.inductance[line, line] * self.capacitance[line, line]))

    def er_effective(self, line: int = 0) -> float:
        """C_ii over the same without dielectrics, c²·C_ii/(L⁻¹)_ii: the other lines at the return's potential in both;
        between 1 and the densest dielectric's constant. L·C·c² for a single line."""
        return float(C0**2 * self.capacitance[line, line] / np.linalg.inv(self.inductance)[line, line])

    def pair(self, i: int = 0, j: int = 1) -> PairModes:
        """Odd and even (differential and common) mode of two lines, equal or not; any others quiet."""
        lines = np.ix_((i, j), (i, j))
        (l11, l12), (_, l22) = self.inductance[lines]
        (c11, c12), (_, c22) = self.capacitance[lines]
        loop = l11 + l22 - 2 * l12
        both = c11 + c22 + 2 * c12
        odd_l, odd_c = loop, (c11 * c22 - c12 * c12) / both
        even_l, even_c = (l11 * l22 - l12 * l12) / loop, both
        return PairModes(
            differential=float(np.sqrt(odd_l / odd_c)),
            common=float(np.sqrt(even_l / even_c)),
            delay_odd=float(np.sqrt(odd_l * odd_c)),
            delay_even=float(np.sqrt(even_l * even_c)),
        )

    def near_end_coupling(self, i: int = 0, j: int = 1) -> float:
        """Kb, the near-end noise on line i per volt of a wave on line j longer than the saturation length:
        (Cm/C + Lm/L)/4 with geometric means for unequal lines."""
        inductive, capacitive = self._coupling(i, j)
        return (inductive + capacitive) / 4

    def far_end_coupling(self, i: int = 0, j: int = 1) -> float:
        """Kf, s/m: far-end noise per volt and metre is Kf / rise time; 0 in a homogeneous dielectric, negative on a
        surface line: −sqrt(LC)/2 · (Lm/L − Cm/C)."""
        inductive, capacitive = self._coupling(i, j)
        delay = np.sqrt(self.delay(i) * self.delay(j))
        return float(-0.5 * delay * (inductive - capacitive))

    def _coupling(self, i: int, j: int) -> tuple[float, float]:
        c, m = self.capacitance, self.inductance
        return float(m[i, j] / np.sqrt(m[i, i] * m[j, j])), float(-c[i, j] / np.sqrt(c[i, i] * c[j, j]))

    def modes(self) -> tuple[Floats, Floats]:
        """Delays (n,) s/m, slowest first, and voltage patterns (n, n), one a column, of the lines' natural modes."""
        # C = F Fᵀ makes the product L C similar to the symmetric Fᵀ L F
        factor = np.linalg.cholesky(self.capacitance)
        square, vectors = np.linalg.eigh(factor.T @ self.inductance @ factor)
        patterns = np.linalg.solve(factor.T, vectors)[:, ::-1]
        patterns = patterns / np.abs(patterns).max(axis=0)
        return np.sqrt(square[::-1]), patterns


@dataclass(frozen=True)
class PairModes:
    """A pair driven in opposition and in common. Impedances in ohm, delays in s/m."""

    differential: float
    common: float
    delay_odd: float
    delay_even: float

    @property
    def odd(self) -> float:
        """Odd-mode impedance, half the differential one; exactly so for equal lines."""
        return self.differential / 2

    @property
    def even(self) -> float:
        """Even-mode impedance, twice the common one; exactly so for equal lines."""
        return self.common * 2


def solve(section: CrossSection, accuracy: float = DEFAULT_ACCURACY) -> Solution:
    """The matrices of a section with an estimated error of at most `accuracy`.

    Raises OutOfRange for an impossible section or where the accuracy is not reached.
    """
    if not 1e-6 <= accuracy <= 0.1:
        raise OutOfRange(f"accuracy {accuracy:g} asked of a cross-section, possible are 1e-6 to 0.1")
    check(section)
    how = COARSE if accuracy >= _COARSE else FINE
    panels = lay_panels(section, how.growth, how.tip)
    before = None
    error = np.inf
    for order in how.orders:
        if order * len(panels.start) > _MOST_NODES:
            break
        try:
            charges = solve_charges(nodes(panels, order))
        except (ZeroDivisionError, np.linalg.LinAlgError) as problem:
            raise OutOfRange("outlines of a cross-section touch in a point, which leaves no answer there") from problem
        loaded, bare = charges.capacitance, charges.bare_capacitance
        if before is not None:
            error = max(how.safety * max(_difference(loaded, before[0]), _difference(bare, before[1])), how.least)
            if error <= accuracy:
                return Solution(
                    capacitance=EPS0 * _symmetric(loaded),
                    inductance=MU0 * _symmetric(np.linalg.inv(bare).astype(np.float64)),
                    error=error,
                    section=section,
                )
        before = loaded, bare
    raise OutOfRange(f"a cross-section was solved to {error:.1e} only, {accuracy:g} was asked")


def _symmetric(matrix: Floats) -> Floats:
    return (matrix + matrix.T) / 2


def _difference(new: Floats, old: Floats) -> float:
    """Largest change of an entry against the geometric mean of its two diagonal entries."""
    size = np.sqrt(np.abs(np.diag(new)))
    change = np.abs(new - old) / np.outer(size, size)
    return float(change.max()) if np.isfinite(change).all() else np.inf


@dataclass
class Tally:
    """What a cache did: sections found solved, those of them that were `restored` from a file, and sections solved
    anew, with the seconds that took."""

    hits: int = 0
    restored: int = 0
    misses: int = 0
    seconds: float = 0.0

    def since(self, before: Tally) -> Tally:
        """What was counted after a copy of it was taken."""
        now, then = astuple(self), astuple(before)
        return Tally(*(a - b for a, b in zip(now, then, strict=True)))

    def add(self, other: Tally) -> None:
        """Count what was done elsewhere."""
        self.hits += other.hits
        self.restored += other.restored
        self.misses += other.misses
        self.seconds += other.seconds


@dataclass(frozen=True)
class Share:
    """Solutions that were solved in one stretch of work, as a cache keeps them, and their tally."""

    solved: Mapping[tuple[CrossSection, float], Solution | OutOfRange] = field(default_factory=dict)
    tally: Tally = field(default_factory=Tally)


@dataclass
class SectionCache:
    """Solutions by the content of their sections (CrossSection.canonical: rounded to 0.1 µm, place, handedness and
    order of lines taken away). The rounded section is what is solved, so the result does not depend on which of
    several like sections came first. `section_store` keeps one between runs.

    accuracy : what is asked of sections solved through it; restored : those that came from a file and were not used yet
    """

    solutions: dict[tuple[CrossSection, float], Solution | OutOfRange] = field(default_factory=dict)
    accuracy: float = DEFAULT_ACCURACY
    tally: Tally = field(default_factory=Tally)
    restored: set[tuple[CrossSection, float]] = field(default_factory=set)

    @property
    def hits(self) -> int:
        return self.tally.hits

    @property
    def misses(self) -> int:
        return self.tally.misses

    def now(self) -> tuple[int, Tally]:
        """How far the cache is, for `since`."""
        return len(self.solutions), replace(self.tally)

    def since(self, mark: tuple[int, Tally]) -> Share:
        """What was solved since then: what a forked copy of the process hands back."""
        known, before = mark
        return Share(dict(islice(self.solutions.items(), known, None)), self.tally.since(before))

    def add(self, share: Share) -> None:
        """Take over what was solved elsewhere, and its tally."""
        for key, found in share.solved.items():
            self.solutions.setdefault(key, found)
        self.tally.add(share.tally)

    def at(self, accuracy: float) -> SectionCache:
        """The same cache, asking another accuracy of what is solved through it."""
        return replace(self, accuracy=accuracy)

    def solve(self, section: CrossSection, accuracy: float | None = None) -> Solution:
        """As `solve`. Raises OutOfRange, also on every later request of the same."""
        (found,) = self.solve_all([section], accuracy)
        if isinstance(found, OutOfRange):
            raise found
        return found

    def solve_all(self, sections: Sequence[CrossSection], accuracy: float | None = None) -> list[Solution | OutOfRange]:
        """Solutions in order; where one has none, the OutOfRange that says why stands in its place."""
        accuracy = self.accuracy if accuracy is None else accuracy
        asked = [section.canonical() for section in sections]
        new = dict.fromkeys((plain, accuracy) for plain, _ in asked if (plain, accuracy) not in self.solutions)
        for key, (found, seconds) in zip(new, spread([partial(_attempt, *key) for key in new]), strict=True):
            self.tally.misses += 1
            self.tally.seconds += seconds
            self.solutions[key] = found
        out: list[Solution | OutOfRange] = []
        for section, (plain, lines) in zip(sections, asked, strict=True):
            key = plain, accuracy
            if key in new:
                del new[key]
            else:
                self.tally.hits += 1
                if key in self.restored:
                    self.restored.discard(key)
                    self.tally.restored += 1
            out.append(_as_asked(self.solutions[key], section, lines))
        return out


def _attempt(section: CrossSection, accuracy: float) -> tuple[Solution | OutOfRange, float]:
    """A solution, or why there is none, and the seconds that took."""
    began = time.process_time()
    try:
        found: Solution | OutOfRange = solve(section, accuracy)
    except OutOfRange as problem:
        found = problem
    return found, time.process_time() - began


def _as_asked(found: Solution | OutOfRange, section: CrossSection, lines: tuple[int, ...]) -> Solution | OutOfRange:
    """The solution of a canonical section for the one that was asked, in the order of its lines."""
    if isinstance(found, OutOfRange):
        return OutOfRange(str(found))
    place = np.argsort(lines)
    own = np.ix_(place, place)
    return Solution(found.capacitance[own], found.inductance[own], found.error, section)


def solve_many(
    sections: Sequence[CrossSection], accuracy: float | None = None, cache: SectionCache | None = None
) -> list[Solution | OutOfRange]:
    """Solutions in order; where one has none, the OutOfRange that says why stands in its place.

    accuracy : the cache's own where it is None
    """
    return (SectionCache() if cache is None else cache).solve_all(sections, accuracy)
