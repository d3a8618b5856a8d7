"""The inverse question: which width, or which gap, gives the impedance that is wanted."""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.optimize import brentq

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_solver import Solution, solve

_ACCURACY = 2e-4  # of each solution; the size found is good to a few times that


def find_width(
    target: float, section_of: Callable[[float], CrossSection], narrowest: float, widest: float, line: int = 0
) -> float:
    """Trace width (m) between two bounds at which `line` of section_of(width) has the impedance `target` (ohm).

    Raises OutOfRange when the target lies outside what the bounds reach, naming that range.
    """
    return _find(target, lambda size: solve(section_of(size), _ACCURACY), lambda s: s.impedance(line),
                 narrowest, widest, "width")  # fmt: skip


def find_gap(
    target: float, section_of: Callable[[float], CrossSection], closest: float, farthest: float,
    lines: tuple[int, int] = (0, 1),
) -> float:  # fmt: skip
    """Edge to edge gap (m) between two bounds at which the pair `lines` has the differential impedance `target` (ohm).

    Raises OutOfRange when the target lies outside what the bounds reach, naming that range.
    """
    return _find(target, lambda size: solve(section_of(size), _ACCURACY), lambda s: s.pair(*lines).differential,
                 closest, farthest, "gap")  # fmt: skip


def _find(
    target: float, solved: Callable[[float], Solution], quantity: Callable[[Solution], float], low: float, high: float,
    name: str,
) -> float:  # fmt: skip
    if not (0 < low < high and target > 0):
        raise OutOfRange(f"no {name} can be looked for between {low:g} m and {high:g} m for {target:g} ohm")

    def miss(log_size: float) -> float:
        return math.log(quantity(solved(math.exp(log_size))) / target)

    ends = math.log(low), math.log(high)
    first, last = miss(ends[0]), miss(ends[1])
    if first * last > 0:
        reached = sorted(target * math.exp(m) for m in (first, last))
        raise OutOfRange(
            f"no {name} between {low * 1e3:.3g} mm and {high * 1e3:.3g} mm gives {target:g} ohm: "
            f"{reached[0]:.1f} to {reached[1]:.1f} ohm are reached"
        )
    return math.exp(brentq(miss, *ends, xtol=1e-5))
