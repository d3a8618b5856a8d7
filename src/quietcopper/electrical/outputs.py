"""What an output drives with, from its IBIS model: swing, edge and source resistance, typical, weakest and strongest.

The standard's corners are weak and slow (min) and strong and fast (max); a figure that a corner lacks is taken from the
typical one. Source: IBIS, ANSI/EIA-656-B, sections on [Model], [Ramp] and the waveforms (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from quietcopper.board.model import Floats
from quietcopper.formats.ibis import Model, Waveform
from quietcopper.formats.ibis.model import Triple

LINE = 50.0  # ohm, load at which an output's resistance is read off its table: about what lines have
RAMP_SHARE = 0.6  # of the swing: [Ramp] gives the 20 to 80 % stretch
FEWEST = 5  # points of a waveform that shows an edge
TERMINATION = 2.0  # V below its supply, where ECL outputs are terminated; common practice, no source


@dataclass(frozen=True)
class Output:
    """swing (V, without load), rise (10 to 90 %, s), source (ohm), each (typ, min, max); nan where the model does not
    tell. how : which parts of the model they come from, in words."""

    swing: Triple
    rise: Triple
    source: Triple
    how: str


def output_of(model: Model) -> Output:
    """The figures of a model that drives."""
    source = tuple(_source(model, corner) for corner in range(3))
    waves = tuple(_wave_rise(model, corner) for corner in range(3))
    ramps = tuple(_ramp_rise(model, corner) for corner in range(3))
    rise = waves if math.isfinite(waves[0]) else ramps
    swing = tuple(_swing(model, corner, source[corner]) for corner in range(3))
    said = []
    if math.isfinite(rise[0]):
        said.append("edge from its waveforms" if rise is waves else "edge from its ramp")
    if math.isfinite(source[0]):
        said.append(f"source from its tables at {LINE:g} ohm")
    return Output(_filled(swing), _filled(rise), _filled(source), ", ".join(said))


def _filled(values: tuple[float, ...]) -> Triple:
    typ, low, high = values
    return typ, low if math.isfinite(low) else typ, high if math.isfinite(high) else typ


def _corner(value: Triple, corner: int) -> float:
    return value[corner] if math.isfinite(value[corner]) else value[0]


def is_ecl(model: Model) -> bool:
    """Whether both tables count from the supply, as emitter-coupled outputs have them."""
    return model.kind.endswith("ecl")


def _source(model: Model, corner: int) -> float:
    """Resistance that the stronger of the two stages shows to an edge into a line of `LINE` ohm, ohm.

    The line is at the other level when the edge begins, so its load line runs from there: V/I where the two cross. Of
    an ECL output, which never leaves its high state's curve far, the chord between `LINE` and twice that.
    """
    supply = _corner(model.supply, corner)
    if is_ecl(model):
        if model.pullup is None:
            return math.nan
        # the table counts from the supply down: x = Vcc - V, current into the pin; load to Vcc - TERMINATION
        (v1, i1), (v2, i2) = (_crossing(model.pullup, corner, TERMINATION, load) for load in (LINE, 2 * LINE))
        return abs((v1 - v2) / (i1 - i2)) if i1 != i2 else math.nan
    found = []
    for table, reference in ((model.pulldown, model.pulldown_reference), (model.pullup, model.pullup_reference)):
        if table is None:
            continue
        rail = _corner(reference, corner)
        other = supply if not math.isfinite(rail) or table is model.pullup else supply - rail
        if not math.isfinite(other) or other <= 0:
            continue
        rows = table if table is model.pulldown else np.column_stack([table[:, 0], -table[:, 1:]])
        volts, current = _crossing(rows, corner, other, LINE)
        if current > 0 and volts >= 0:
            found.append(max(volts / current, 1e-3))
    return min(found) if found else math.nan


def _crossing(rows: Floats, corner: int, open_volts: float, load: float) -> tuple[float, float]:
    """Where a table's curve meets the load line from (open_volts, 0 A), V and A; nan where it does not.

    rows : (n, 4) voltage and currents (typ, min, max), voltage rising
    """
    volts = rows[:, 0]
    current = rows[:, 1 + corner]
    current = current if np.isfinite(current).all() else rows[:, 1]
    known = np.isfinite(current)
    volts, current = volts[known], current[known]
    if len(volts) < 2:
        return math.nan, math.nan
    # an ECL table has the load's current with the sign of what leaves the pin: compare sizes
    apart = np.abs(current) * np.sign(volts) - (open_volts - volts) / load
    inside = np.flatnonzero((volts[1:] >= 0) & (apart[:-1] <= 0) & (apart[1:] >= 0))
    if not len(inside):
        return math.nan, math.nan
    k = int(inside[0])
    share = -apart[k] / (apart[k + 1] - apart[k]) if apart[k + 1] != apart[k] else 0.0
    v = volts[k] + share * (volts[k + 1] - volts[k])
    return float(v), float((open_volts - v) / load)


def _swing(model: Model, corner: int, source: float) -> float:
    """Swing without load, V: between the rails; of ECL outputs what the ramp or a waveform shows under its load."""
    if not is_ecl(model):
        high = _corner(model.pullup_reference, corner)
        low = _corner(model.pulldown_reference, corner)
        high = high if math.isfinite(high) else _corner(model.supply, corner)
        return high - (low if math.isfinite(low) else 0.0)
    seen = [dv[corner] / RAMP_SHARE for dv, _ in (model.rise, model.fall) if math.isfinite(dv[corner])]
    for wave in (*model.rising, *model.falling):
        volts = wave.volts[:, corner] if np.isfinite(wave.volts[:, corner]).all() else wave.volts[:, 0]
        if np.isfinite(volts).all():
            seen.append(abs(float(volts[-1] - volts[0])))
    if not seen:
        return math.nan
    return max(seen) * (model.load + (source if math.isfinite(source) else 0.0)) / model.load


def _ramp_rise(model: Model, corner: int) -> float:
    """Shorter of the two edges by [Ramp], 10 to 90 %, s: of a straight edge, 4/3 of its 20 to 80 %."""
    times = [dt[corner] for _, dt in _edges(model) if math.isfinite(dt[corner])]
    return min(times) * 0.8 / RAMP_SHARE if times else math.nan


def _edges(model: Model) -> tuple[tuple[Triple, Triple], ...]:
    """The edges that the output itself makes: an open drain only pulls."""
    if model.kind.endswith(("open_drain", "open_sink")) or model.kind in ("open_drain", "open_sink"):
        return (model.fall,)
    if model.kind.endswith("open_source"):
        return (model.rise,)
    return model.rise, model.fall


def _wave_rise(model: Model, corner: int) -> float:
    """Shortest 10 to 90 % time of the waveforms into fixtures nearest to `LINE` ohm, s.

    A line is at the other level when the edge begins: rising edges are taken from fixtures to the lower rail, falling
    ones from those to the supply, where the file has them.
    """
    own, half = _edges(model), _corner(model.supply, corner) / 2
    times = []
    for waves, edge, low in ((model.rising, model.rise, True), (model.falling, model.fall, False)):
        usable = [w for w in waves if edge in own and w.resistance > 0 and len(w.time) >= FEWEST]
        opposed = [w for w in usable if (_corner(w.voltage, corner) < half) == low] or usable
        nearest = min((abs(math.log(w.resistance / LINE)) for w in opposed), default=0.0)
        fit = [w for w in opposed if abs(math.log(w.resistance / LINE)) <= nearest + 1e-9]
        times += [time for w in fit if (time := edge_time(w, corner)) > 0]
    return min(times) if times else math.nan


def edge_time(wave: Waveform, corner: int) -> float:
    """10 to 90 % time of a waveform's swing, s: from the last time below 10 % to the first above 90 %; nan for none."""
    volts = wave.volts[:, corner]
    if not np.isfinite(volts).all():
        return math.nan
    swing = volts[-1] - volts[0]
    if swing == 0:
        return math.nan
    level = (volts - volts[0]) / swing
    above = np.flatnonzero(level >= 0.9)
    if not len(above) or above[0] == 0:
        return math.nan
    end = int(above[0])
    below = np.flatnonzero(level[:end] <= 0.1)
    start = int(below[-1])  # the first point is at 0 and always counts
    return _time_at(wave.time, level, end - 1, 0.9) - _time_at(wave.time, level, start, 0.1)


def _time_at(time: Floats, level: Floats, k: int, wanted: float) -> float:
    """Time at which the level passes `wanted` between points k and k + 1."""
    step = level[k + 1] - level[k]
    share = (wanted - level[k]) / step if step else 0.0
    return float(time[k] + share * (time[k + 1] - time[k]))
