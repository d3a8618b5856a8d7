"""How far the assumed figures of a driver may be off: the quietest and the loudest driver that it could be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from quietcopper.electrical.tables import Driver

# factors on an assumed figure, quietest and loudest; common practice, no source: edges of one kind of output differ two
# to four times between parts, outputs lie between 25 and 50 ohm, supplies of logic between 1.8 and 5 V
FACTORS = {"rise": (2.0, 0.5), "source": (1.43, 0.71), "swing": (0.55, 1.5), "rate": (0.5, 2.0)}


def extreme(driver: Driver, loudest: bool) -> Driver:
    """The driver with every assumed figure, and every one whose range its model states, at one end of its range."""
    figures = {figure: getattr(driver, figure) * FACTORS[figure][loudest] for figure in driver.assumed}
    figures |= {figure: (quiet, loud)[loudest] for figure, quiet, loud in driver.span}
    return replace(driver, **figures)


def excess_range(driver: Driver, excess: Callable[[Driver], float | None]) -> tuple[float, float] | None:
    """(best, worst) excess, dB, over the driver's range; None where nothing is assumed or an end cannot be priced.

    excess : of a driver, dB, None where it cannot be worked out. The likely figure is always inside.
    """
    if not (driver.assumed or driver.span):
        return None
    ends = [excess(extreme(driver, loud)) for loud in (False, True)]
    likely = excess(driver)
    if likely is None or any(end is None for end in ends):
        return None
    known = [likely, *(end for end in ends if end is not None)]
    return min(known), max(known)
