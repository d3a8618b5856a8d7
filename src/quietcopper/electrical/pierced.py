"""What layer changes put between the planes they pierce: each plane pair solved with its own ties and capacitors.

Where several pairs lie on one another, what joins the outermost two planes (a via that the planes between let through)
carries its current across each of them: it is a port of every pair, and short over their sum. So a plane between that
hardly anything ties takes no voltage from a line whose return passes it by beside the line.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from quietcopper.electrical.plane_pairs import PlanePair, pair_impedance
from quietcopper.electrical.signals import edge_current
from quietcopper.electrical.ways import VIA, Way, between_layers
from quietcopper.errors import OutOfRange
from quietcopper.fields.spectra import full_rise, knee

if TYPE_CHECKING:
    from quietcopper.board.model import Floats
    from quietcopper.electrical.view import View

MOST = 24  # signal vias of one pair that are solved together
RETURNS = 4  # nearest of what joins the outermost planes of a change through several pairs
HIGHEST = 6e9  # Hz; above it the many modes are left to the lines' own losses
LONGEST = 400  # frequencies of one edge
SETTLING = 30e-9  # s; the planes' ringing has died away in their losses


@dataclass(frozen=True, eq=False)
class Pierced:
    """The way of one layer change through its planes. pairs : that it pierces, from above
    frequency : (f,) Hz, evenly spaced from the first; impedance : (f,) ohm between the outermost planes at the via
    joined : whether something that conducts joins them
    """

    pairs: tuple[PlanePair, ...]
    frequency: Floats
    impedance: NDArray[np.complex128]
    joined: bool = False

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
        joined = self.joined or all(len(pair.ties) for pair in self.pairs)
        own = np.concatenate([[self.impedance[0].real if joined else 1e12], self.impedance])
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
    unbroken row of pairs, stand on a tie, are beyond `MOST` of a pair, or their return passes beside one of the planes
    between."""
    ways: dict[int, tuple[PlanePair, ...]] = {}
    returns: dict[int, list[Way]] = {}
    by_pair: dict[int, list[int]] = defaultdict(list)
    pairs: dict[int, PlanePair] = {}
    for row in rows:
        through = pairs_through(view, row)
        back = _returns(view, row, through)
        if not through or back is None:
            continue
        ways[row], returns[row] = through, back
        for pair in through:
            pairs[id(pair)] = pair
            by_pair[id(pair)].append(row)
    solved: dict[tuple[int, int], NDArray[np.complex128]] = {}
    frequency = _frequencies(view, [int(view.layer_changes.net[row]) for row in ways])
    for key, members in by_pair.items():
        members = [row for row in members if not _on_tie(view, pairs[key], _own_port(view, row))][:MOST]
        try:
            found = _between(view, pairs[key], members, returns, frequency)
        except OutOfRange:
            continue
        solved |= {(key, row): z for row, z in found.items()}
    out = {}
    for row, through in ways.items():
        parts = [solved.get((id(pair), row)) for pair in through]
        known = [part for part in parts if part is not None]
        if len(known) == len(through):
            whole = np.sum(known, axis=0)
            back = returns[row]
            series = 2j * np.pi * frequency[:, None] * np.array([0.0, *(way.series for way in back)])
            whole = whole + series[:, :, None] * np.eye(len(back) + 1)
            joined = any(way.what == VIA for way in back)
            out[row] = Pierced(through, frequency, _shorted(whole), joined)
    return out


def between_areas(view: View, a: int, b: int, port: tuple[float, float, float], net: int) -> Pierced | None:
    """What a net's return meets that must pass from one area to another on a different layer at a port (x, y, radius;
    m): the pair that the two form, with its ties and capacitors. None where they form none there, or it is out of
    reach."""
    for pair in view.plane_pairs:
        if {pair.upper, pair.lower} != {a, b} or not pair.holds(port[0], port[1]) or _on_tie(view, pair, port):
            continue
        frequency = _frequencies(view, [net])
        try:
            z = pair_impedance(view, pair, [port], frequency)[:, 0, 0]
        except OutOfRange:
            return None
        return Pierced((pair,), frequency, z, bool(len(pair.ties)))
    return None


def _own_port(view: View, row: int) -> tuple[float, float, float]:
    """Place and radius of a layer change, m."""
    changes = view.layer_changes
    radius = float(view.board.vias.drill[changes.via[row]]) / 2
    return float(changes.x[row]), float(changes.y[row]), radius


def _on_tie(view: View, pair: PlanePair, port: tuple[float, float, float]) -> bool:
    x, y, radius = port
    vias = view.board.vias
    apart = np.hypot(vias.x[pair.ties] - x, vias.y[pair.ties] - y) > radius + vias.drill[pair.ties] / 2
    return not apart.all()


def _returns(view: View, row: int, through: tuple[PlanePair, ...]) -> list[Way] | None:
    """The nearest of what joins the outermost planes of a change through several pairs; those that tie each pair
    anyway are left out. None where the very nearest lies beyond the edge of a plane between, or the return goes by way
    of another plane."""
    changes = view.layer_changes
    areas = int(changes.upper_area[row]), int(changes.lower_area[row])
    found = between_layers(view, *areas, *_own_port(view, row)).ways
    if len(through) == 1:
        return [] if all(way.direct for way in found) else None
    inside = [way for way in found if all(pair.holds(*way.at) for pair in through)]
    if found and (not inside or inside[0] is not found[0] or not found[0].direct):
        return None
    ports = [(way, (*way.at, way.radius)) for way in inside]
    return [way for way, port in ports if not all(_on_tie(view, pair, port) for pair in through)][:RETURNS]


def _between(
    view: View, pair: PlanePair, rows: list[int], returns: dict[int, list[Way]], frequency: Floats
) -> dict[int, NDArray[np.complex128]]:
    """(f, 1 + n, 1 + n) ohm between one pair's planes at each layer change and at its n returns; what stands on a tie
    of the pair has none."""
    places = {row: [_own_port(view, row), *((*way.at, way.radius) for way in returns[row])] for row in rows}
    ports = list(dict.fromkeys(p for at in places.values() for p in at if not _on_tie(view, pair, p)))
    if not ports:
        return {}
    z = pair_impedance(view, pair, ports, frequency)
    index = {port: i for i, port in enumerate(ports)}
    out = {}
    for row, at in places.items():
        whole = np.zeros((len(frequency), len(at), len(at)), dtype=np.complex128)
        known = [k for k, port in enumerate(at) if port in index]
        rows_of = [index[at[k]] for k in known]
        whole[np.ix_(range(len(frequency)), known, known)] = z[np.ix_(range(len(frequency)), rows_of, rows_of)]
        out[row] = whole
    return out


def _shorted(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """(f,) impedance at the first of the ports of `z` (f, n, n) with the others short."""
    if z.shape[1] == 1:
        return z[:, 0, 0]
    passed = np.linalg.solve(z[:, 1:, 1:], z[:, 1:, :1])
    return np.asarray(z[:, 0, 0] - (z[:, :1, 1:] @ passed)[:, 0, 0])


def _frequencies(view: View, of: list[int]) -> Floats:
    """Evenly spaced, up to four knees of the fastest edge (what rings above its knee counts), fine enough for the
    slowest line's pulse."""
    nets = set(of)
    if not nets:
        return np.empty(0)
    highest = min(4 * max(float(knee(view.drivers[net].rise)) for net in nets), HIGHEST)
    window = 2 * max(2 * view.delay_of(net) for net in nets) + SETTLING
    count = int(np.clip(np.ceil(highest * window), 24, LONGEST))
    return highest * np.arange(1, count + 1) / count


def plane_voltage(view: View, net: int, way: Pierced, z0: float) -> float:
    """Peak voltage that a net's edge puts between the planes at a place where its return changes, V."""
    driver = view.drivers[net]
    window = 1 / float(way.frequency[1] - way.frequency[0])
    duration = min(max(2 * view.delay_of(net), 1e-12), window / 2)
    return way.peak(edge_current(driver, z0), float(full_rise(driver.rise)), duration, z0)
