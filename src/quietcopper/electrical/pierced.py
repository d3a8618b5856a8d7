"""What layer changes put between the planes they pierce: each plane pair solved with its own ties and capacitors."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from quietcopper.electrical.plane_pairs import PlanePair, pair_impedance
from quietcopper.electrical.signals import edge_current
from quietcopper.errors import OutOfRange
from quietcopper.fields.spectra import full_rise, knee

if TYPE_CHECKING:
    from quietcopper.board.model import Floats
    from quietcopper.electrical.view import View

MOST = 24  # signal vias of one pair that are solved together
HIGHEST = 6e9  # Hz; above it the many modes are left to the lines' own losses
LONGEST = 400  # frequencies of one edge
SETTLING = 30e-9  # s; the planes' ringing has died away in their losses


@dataclass(frozen=True, eq=False)
class Pierced:
    """The way of one layer change through its planes. pairs : that it pierces, from above
    frequency : (f,) Hz, evenly spaced from the first; impedance : (f,) ohm between the outermost planes at the via
    """

    pairs: tuple[PlanePair, ...]
    frequency: Floats
    impedance: NDArray[np.complex128]

    def per_volt(self, z0: float, highest: float) -> tuple[float, float]:
        """Largest voltage between the planes per volt of the line's wave up to `highest` Hz, and at which (Hz)."""
        level = np.abs(2 * self.impedance / (2 * z0 + self.impedance))
        level = np.where(self.frequency <= max(highest, self.frequency[0]), level, 0.0)
        at = int(np.argmax(level))
        return float(level[at]), float(self.frequency[at])

    def first_peak(self) -> float | None:
        """Lowest frequency at which the impedance has a peak, Hz: ties with the pair's capacitance, or a mode."""
        z = np.abs(self.impedance)
        peaks = np.flatnonzero((z[1:-1] > z[:-2]) & (z[1:-1] >= z[2:])) + 1
        return float(self.frequency[peaks[0]]) if len(peaks) else None

    def peak(self, current: float, rise: float, duration: float, z0: float) -> float:
        """Largest voltage between the planes, V, as a current pulse with straight edges passes: rise to its full
        height in `rise`, `duration` from edge to edge. The line's own 2·Z0 lies in parallel."""
        step = float(self.frequency[1] - self.frequency[0])
        f = np.concatenate([[0.0], self.frequency])
        own = np.concatenate([[self.impedance[0].real if len(self.pairs[0].ties) else 1e12], self.impedance])
        whole = own * 2 * z0 / (own + 2 * z0)
        edge = np.sinc(f * rise) * np.exp(-1j * np.pi * f * rise)
        pulse = duration * np.sinc(f * duration) * np.exp(-1j * np.pi * f * duration)
        n = 16 * len(f)
        return float(np.abs(np.fft.irfft(current * edge * pulse * whole, n) * n * step).max())


def pairs_through(view: View, row: int) -> tuple[PlanePair, ...]:
    """The plane pairs between the two references of a layer change, from above; empty where they do not follow on each
    other without a hole in the stack."""
    changes = view.layer_changes
    top, bottom = sorted((int(changes.upper_ref[row]), int(changes.lower_ref[row])))
    x, y = float(changes.x[row]), float(changes.y[row])
    found: list[PlanePair] = []
    at = top
    while at < bottom:
        here = [p for p in view.plane_pairs if p.upper_layer == at and p.lower_layer <= bottom and p.holds(x, y)]
        if not here:
            return ()
        found.append(min(here, key=lambda p: (p.lower_layer, p.area)))
        at = found[-1].lower_layer
    return tuple(found)


def pierced(view: View, rows: list[int]) -> dict[int, Pierced]:
    """Layer changes (rows of view.layer_changes, dearest first) with what they pierce solved; those left out have no
    unbroken row of pairs, stand on a tie, or are beyond `MOST` of their pair."""
    changes, vias = view.layer_changes, view.board.vias
    ways = {row: through for row in rows if (through := pairs_through(view, row))}
    by_pair: dict[int, list[int]] = defaultdict(list)
    pairs: dict[int, PlanePair] = {}
    for row, through in ways.items():
        for pair in through:
            pairs[id(pair)] = pair
            by_pair[id(pair)].append(row)
    solved: dict[tuple[int, int], NDArray[np.complex128]] = {}
    grids: dict[int, Floats] = {}
    frequency = _frequencies(view, list(ways))
    for key, members in by_pair.items():
        pair, ports, kept = pairs[key], [], []
        for row in members[:MOST]:
            x, y = float(changes.x[row]), float(changes.y[row])
            radius = float(vias.drill[changes.via[row]]) / 2
            apart = np.hypot(vias.x[pair.ties] - x, vias.y[pair.ties] - y) > radius + vias.drill[pair.ties] / 2
            if apart.all():
                ports.append((x, y, radius))
                kept.append(row)
        if not kept:
            continue
        try:
            z = pair_impedance(view, pair, ports, frequency)
        except OutOfRange:
            continue
        grids[key] = frequency
        for i, row in enumerate(kept):
            solved[key, row] = z[:, i, i]
    out = {}
    for row, through in ways.items():
        parts = [solved.get((id(pair), row)) for pair in through]
        known = [part for part in parts if part is not None]
        if len(known) == len(through):
            out[row] = Pierced(through, frequency, np.sum(known, axis=0))
    return out


def _frequencies(view: View, rows: list[int]) -> Floats:
    """Evenly spaced, up to four knees of the fastest edge (what rings above its knee counts), fine enough for the
    slowest line's pulse."""
    nets = {int(view.layer_changes.net[row]) for row in rows}
    if not nets:
        return np.empty(0)
    highest = min(4 * max(float(knee(view.drivers[net].rise)) for net in nets), HIGHEST)
    window = 2 * max(2 * view.delay_of(net) for net in nets) + SETTLING
    count = int(np.clip(np.ceil(highest * window), 24, LONGEST))
    return highest * np.arange(1, count + 1) / count


def plane_voltage(view: View, row: int, way: Pierced, z0: float) -> float:
    """Peak voltage that the net's edge puts between the planes at a layer change, V."""
    driver = view.drivers[int(view.layer_changes.net[row])]
    window = 1 / float(way.frequency[1] - way.frequency[0])
    duration = min(max(2 * view.delay_of(int(view.layer_changes.net[row])), 1e-12), window / 2)
    return way.peak(edge_current(driver, z0), float(full_rise(driver.rise)), duration, z0)
