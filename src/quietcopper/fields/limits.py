"""Limits of radiated emission from the data file limits.toml: CISPR 32 and 47 CFR 15.109, classes A and B.

The file is data so that editions can be corrected without touching code; each row has its clause, distance, detector
and a mark saying whether its figure was read or is from memory.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields.ranges import Floats, checked


@dataclass(frozen=True)
class Limit:
    """One band of one standard. field : V/m at `distance` m with `detector`; mark : how the figure was confirmed."""

    standard: str
    clause: str
    mark: str
    detector: str
    distance: float
    low: float
    high: float
    field: float


@dataclass(frozen=True)
class Standard:
    """One standard and class. upper : (highest internal frequency, upper test frequency) pairs, Hz, rising;
    upper_clause : where it says so; upper_mark : how that was confirmed"""

    name: str
    title: str
    distance_note: str
    upper: tuple[tuple[float, float], ...]
    upper_multiple: float
    upper_max: float
    upper_clause: str
    upper_mark: str
    rows: tuple[Limit, ...]


@cache
def _load() -> tuple[str, dict[str, Standard]]:
    data = tomllib.loads(files("quietcopper.fields").joinpath("limits.toml").read_text(encoding="utf-8"))
    rows = [
        Limit(
            standard=row["standard"],
            clause=row["clause"],
            mark=row["mark"],
            detector=row["detector"],
            distance=float(row["distance_m"]),
            low=float(row["low_hz"]),
            high=float(row["high_hz"]),
            field=1e-6 * (row["field_uv"] if "field_uv" in row else 10 ** (row["level_dbuv"] / 20)),
        )
        for row in data["limit"]
    ]
    standards = {
        s["name"]: Standard(
            name=s["name"],
            title=s["title"],
            distance_note=s["distance_note"],
            upper=tuple((float(a), float(b)) for a, b in s["upper"]),
            upper_multiple=float(s["upper_multiple"]),
            upper_max=float(s["upper_max_hz"]),
            upper_clause=s["upper_clause"],
            upper_mark=s["upper_mark"],
            rows=tuple(row for row in rows if row.standard == s["name"]),
        )
        for s in data["standard"]
    }
    return data["version"], standards


VERSION = _load()[0]
STANDARDS: tuple[str, ...] = tuple(_load()[1])


def standard(name: str) -> Standard:
    """The standard of that name; CallError naming the known ones otherwise."""
    try:
        return _load()[1][name]
    except KeyError:
        raise CallError(f"unknown standard {name!r}; known are {', '.join(STANDARDS)}") from None


def limit(name: str, frequency: ArrayLike, distance: float, peak: bool = False) -> Floats:
    """The limit at each frequency, V/m at `distance` m, in the shape of `frequency`.

    Quasi-peak to 1 GHz and average above it; with `peak` the peak limits, which exist above 1 GHz in CISPR 32 only.
    Where two bands meet the lower figure holds (47 CFR 15.109(c)). A distance that the standard does not print for
    the band is reached from the nearest printed one by 20 dB a decade (47 CFR 15.31(f), from memory).
    Raises OutOfRange at frequencies without a limit (below 30 MHz, above 6 GHz in CISPR 32, 40 GHz in 15.109) and
    CallError for an unknown standard.
    """
    f = np.asarray(checked("frequency", frequency))
    r = float(checked("distance", distance))
    lowest = np.full(f.shape, np.inf)
    for row in _rows_at(name, r, peak):
        inside = (f >= row.low) & (f <= row.high)
        lowest = np.where(inside, np.minimum(lowest, row.field * row.distance / r), lowest)
    if not np.all(np.isfinite(lowest)):
        missing = float(f[~np.isfinite(lowest)].flat[0])
        raise OutOfRange(f"{name} has no {'peak ' if peak else ''}limit at {missing / 1e6:g} MHz")
    return lowest[()]


def row_at(name: str, frequency: float, distance: float, peak: bool = False) -> Limit:
    """The row that decides at one frequency, for citing its clause, detector and mark; errors as `limit`."""
    r = float(checked("distance", distance))
    rows = [row for row in _rows_at(name, r, peak) if row.low <= frequency <= row.high]
    if not rows:
        limit(name, frequency, distance, peak)  # says why
    return min(rows, key=lambda row: row.field * row.distance)


@cache
def _rows_at(name: str, distance: float, peak: bool) -> tuple[Limit, ...]:
    """Of each band and detector the row printed for the nearest distance (on a logarithmic scale)."""
    rows = [row for row in standard(name).rows if (row.detector == "peak") == peak]
    best: dict[tuple[float, float, str], Limit] = {}
    for row in rows:
        key = (row.low, row.high, row.detector)
        if key not in best or abs(np.log(row.distance / distance)) < abs(np.log(best[key].distance / distance)):
            best[key] = row
    return tuple(best.values())


def upper_frequency(name: str, highest_internal: float) -> float:
    """Frequency up to which the standard wants measurements, Hz, from the highest frequency the product makes or uses.

    47 CFR 15.33(b): below 1.705 MHz 30 MHz, to 108 MHz 1 GHz, to 500 MHz 2 GHz, to 1 GHz 5 GHz, above five times that
    frequency up to 40 GHz. CISPR 32 has the same steps up to 6 GHz (from memory).
    """
    s = standard(name)
    top = float(checked("highest internal frequency", highest_internal))
    for below, upper in s.upper:
        if top < below or (top == below and below > 1.705e6):
            return upper
    return min(s.upper_multiple * top, s.upper_max)
