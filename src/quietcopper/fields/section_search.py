"""The inverse question: which width, or which gap, gives the impedance that is wanted."""

from __future__ import annotations

import math
from collections.abc import Callable

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_solver import Solution, solve

_ACCURACY = 2e-4  # of each solution; the size found is good to a few times that


def find_width(
    target: float, section_of: Callable[[float], CrossSection], narrowest: float, widest: float,
    lines: tuple[int] | tuple[int, int] = (0,),
) -> float:  # fmt: skip
    """Trace width (m) between two bounds that gives the impedance `target` (ohm): of one line of section_of(width),
    the others quiet, or the differential one of two.

    Raises OutOfRange when the target lies outside what the bounds reach, naming that range.
    """

    def impedance(solution: Solution) -> float:
        return solution.impedance(*lines) if len(lines) == 1 else solution.pair(*lines).differential

    return _find(target, section_of, impedance, narrowest, widest, "width", "ohm")


def find_gap(
    target: float, section_of: Callable[[float], CrossSection], closest: float, farthest: float,
    lines: tuple[int, int] = (0, 1),
) -> float:  # fmt: skip
    """Edge to edge gap (m) between two bounds at which the pair `lines` has the differential impedance `target` (ohm).

    Raises OutOfRange when the target lies outside what the bounds reach, naming that range.
    """
    return _find(target, section_of, lambda s: s.pair(*lines).differential, closest, farthest, "gap", "ohm")


def find_spacing(
    coupling: float, section_of: Callable[[float], CrossSection], closest: float, farthest: float,
    lines: tuple[int, int] = (0, 1),
) -> float:  # fmt: skip
    """Edge to edge spacing (m) between two bounds at which two lines couple by `coupling` (Kb) at their near end.

    Raises OutOfRange when the coupling lies outside what the bounds reach, naming that range.
    """
    return _find(coupling, section_of, lambda s: s.near_end_coupling(*lines), closest, farthest, "spacing", "coupling")


def _find(
    target: float, section_of: Callable[[float], CrossSection], quantity: Callable[[Solution], float], low: float,
    high: float, name: str, unit: str,
) -> float:  # fmt: skip
    from scipy.optimize import brentq  # slow to load, and most reviews ask for no width

    if not (0 < low < high < math.inf and 0 < target < math.inf):
        raise OutOfRange(f"no {name} can be looked for between {low:g} m and {high:g} m for {target:g} {unit}")

    def miss(log_size: float) -> float:
        return math.log(quantity(solve(section_of(math.exp(log_size)), _ACCURACY)) / target)

    ends = math.log(low), math.log(high)
    first, last = miss(ends[0]), miss(ends[1])
    if first * last > 0:
        reached = sorted(target * math.exp(m) for m in (first, last))
        raise OutOfRange(
            f"no {name} between {low * 1e3:.3g} mm and {high * 1e3:.3g} mm gives {target:g} {unit}; "
            f"{reached[0]:.3g} to {reached[1]:.3g} {unit} can be reached"
        )
    return math.exp(brentq(miss, *ends, xtol=1e-5))
