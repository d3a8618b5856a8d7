"""What a supply's pins see: the network of planes, capacitors and regulator, with the ways between them.

First lumped: the supply's filled copper is one node, each way to it an inductance. Where that comes near the target the
planes that face ground are solved with all the capacitors on them (`supply_planes`) and stand in the network for that
node's capacitors; what they lack stays lumped, right below the first mode of the planes. A capacitor is its value with
a resistance and an inductance by its size, both assumed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from quietcopper.board import Assumption
from quietcopper.board.model import Floats
from quietcopper.electrical import parts
from quietcopper.electrical.supplies import Consumer, Supply
from quietcopper.electrical.supply_planes import Planes, planes_seen
from quietcopper.electrical.supply_ways import Entry, NetWays, across, plane_height
from quietcopper.electrical.tables import GROUND
from quietcopper.electrical.view import View
from quietcopper.fields.supply_network import Network, anti_resonances, see

LOWEST, HIGHEST = (
    1e5,
    1e8,
)  # Hz; below, the regulator's own loop holds the supply; above, the chip's package and its own
# capacitance decide (Smith, Anderson and others, IEEE Trans. Advanced Packaging 22(3), 1999, from memory)
POINTS = 181
UNKNOWN, UNKNOWN_LARGE = 100e-9, 10e-6  # F, of capacitors without a value, small and large; common practice, no source
LARGE_SPAN = 1.75e-3  # m; pads further apart than this (0805 and more) are taken for the large ones
UNSURE = 10e6  # Hz; with unknown capacitances nothing is said below
# Inductance of a multilayer ceramic capacitor's body over its pads, H, by its size code; from makers' tables, from
# memory. Size codes in inches.
ESL = {"01005": 0.2e-9, "0201": 0.3e-9, "0402": 0.4e-9, "0603": 0.6e-9, "0805": 0.8e-9, "1206": 1.0e-9, "1210": 1.0e-9}
ESL_ELSE, ESL_LARGE = 0.6e-9, 3e-9  # unknown sizes; electrolytic and tantalum types
LARGE = 47e-6  # F; from here on taken for an electrolytic or tantalum type
REGULATOR = (50e-3, 100e-9)  # ohm and H of a regulator's output above its bandwidth; common practice, no source
BEAD = 300.0  # ohm at 100 MHz of a bead without a value
BEAD_RESISTANCE = 0.3  # ohm, for direct current; common practice, no source
PLANE_LOSS, PLANE_LOSS_AT = 0.02, 50e6  # loss tangent of laminate; Hz, at which a resistor stands for it
SCREEN = 0.25  # of the target (-12 dB) by the lumped figure, from which on the planes are solved
PLANES = "the planes"
ADDED = 100e-9  # F, of a capacitor that is proposed


@dataclass(frozen=True)
class Model:
    """A capacitor's equivalent: F, ohm, H; assumed : whether its value was."""

    capacitance: float
    esr: float
    esl: float
    assumed: bool = False


def model_of(value: float | None, package: str, span: float = 0.0) -> Model:
    """Capacitance, series resistance and series inductance of a capacitor by its value and package; by the distance of
    its pads, m, where these say nothing.

    Resistance of ceramic types near their resonance: 10 milliohm at 1 uF and above, rising to 100 milliohm at 1 nF;
    100 milliohm for electrolytic and tantalum types. Common practice, no source.
    """
    guess = UNKNOWN_LARGE if span > LARGE_SPAN else UNKNOWN
    c = guess if value is None or value <= 0 else value
    if c >= LARGE or re.search(r"tant|elko|electrolyt|CASE|CP_", package, re.IGNORECASE):
        return Model(c, 0.1, ESL_LARGE, value is None)
    other = float(np.clip(0.4e-6 * span, 0.3e-9, 1e-9)) if span > 0 else ESL_ELSE  # 0402: 1 mm and 0.4 nH
    size = next((esl for code, esl in ESL.items() if re.search(rf"(?<!\d){code}(?!\d)", package)), other)
    esr = float(np.clip(10e-3 * (1e-6 / c) ** (1 / 3), 10e-3, 0.1))
    return Model(c, esr, size, value is None)


@dataclass(frozen=True)
class Reach:
    """How a consumer's pins reach one capacitor. inductance : of the loop without the capacitor's body, H

    drop : from the pins to the planes; spread : between the planes; mounting : of the capacitor with its way; direct :
    whether the shorter way is along traces
    """

    part: int
    inductance: float
    drop: float
    spread: float
    mounting: float
    direct: bool
    distance: float


@dataclass(frozen=True, eq=False)
class Seen:
    """Impedance at a consumer's pins: |Z| (f,) ohm at `frequency`, target ohm, and what decides it.

    solved : whether the planes were; worst : row where |Z|/target is largest; peaks : rows of anti-resonances
    matters : reference of what carries most of the current at the worst frequency (lumped); reaches : nearest
    capacitor first
    """

    supply: Supply
    consumer: Consumer
    frequency: Floats
    level: Floats
    target: float
    worst: int
    peaks: tuple[int, ...]
    matters: str
    share: float
    reaches: tuple[Reach, ...]
    spacing: float
    plane_capacitance: float
    added: float
    solved: bool = False

    @property
    def ratio(self) -> float:
        return float(self.level[self.worst]) / self.target


class SupplyNetwork:
    """One supply net with its capacitors to ground, ready to be seen from its consumers."""

    def __init__(self, view: View, supply: Supply) -> None:
        self.view, self.supply = view, supply
        board = view.board
        caps = view.capacitors
        rows = np.flatnonzero((caps.net_a == supply.net) | (caps.net_b == supply.net))
        other = np.where(caps.net_a[rows] == supply.net, caps.net_b[rows], caps.net_a[rows])
        ground = np.array([view.roles[n].kind == GROUND for n in other], dtype=bool)
        capacitor = np.array([view.part_kinds[p].kind == parts.CAPACITOR for p in caps.part[rows]], dtype=bool)
        keep = ground & capacitor
        self.caps = caps.part[rows][keep].tolist()
        self.span = dict(zip(self.caps, caps.span[rows][keep].tolist(), strict=True))
        self._solved: dict[tuple[float, float], dict[int, Planes]] = {}
        self._drops: dict[tuple[int, tuple[float, float]], float] = {}
        self._pin: dict[tuple[int, int], list[int]] = {}
        for part in [*self.caps, *(c.part for c in supply.consumers)]:
            for row in np.flatnonzero(board.pins.part == part).tolist():
                self._pin.setdefault((part, int(board.pins.net[row])), []).append(row)

    def model(self, part: int) -> Model:
        """A capacitor's equivalent."""
        board, kinds = self.view.board, self.view.part_kinds
        return model_of(kinds[part].value, str(board.parts.package[part]), self.span[part])

    @property
    def lowest(self) -> float:
        """Frequency from which on the network says something, Hz: higher where capacitances are unknown."""
        return UNSURE if any(self.view.part_kinds[p].value is None for p in self.caps) else LOWEST

    @cached_property
    def ways(self) -> NetWays:
        pins = [p for c in self.supply.consumers for p in c.pins]
        pins += [p for part in self.caps for p in self._pin[part, self.supply.net]]
        pins += [p for s in self.supply.sources for p in s.pins]
        return NetWays(self.view, self.supply.net, sorted(set(pins)))

    def ground_drop(self, part: int, near: tuple[float, float]) -> float:
        """Inductance from a part's nearest ground pin to a ground area, H; 0 for a part without ground pins."""
        if (part, near) not in self._drops:
            self._drops[part, near] = self._ground_drop(part, near)
        return self._drops[part, near]

    def _ground_drop(self, part: int, near: tuple[float, float]) -> float:
        grounds = [
            (row, net)
            for (p, net), rows in self._pin.items()
            if p == part and self.view.roles[net].kind == GROUND
            for row in rows
        ]
        pins = self.view.board.pins
        grounds.sort(key=lambda g: (np.hypot(pins.x[g[0]] - near[0], pins.y[g[0]] - near[1]).round(6), g[0]))
        found = []
        for row, net in grounds[:4]:
            entries = ground_ways(self.view, net).entries(row)
            if entries:
                found.append(entries[0].inductance)
        return min(found) if found else (0.0 if not grounds else plane_height(self.view, 0) * 0.8e-6)

    @cached_property
    def mountings(self) -> dict[int, tuple[list[Entry], float]]:
        """By capacitor: where its supply pin enters the filled copper, and the inductance of its ground pin's way."""
        out = {}
        pins = self.view.board.pins
        for part in self.caps:
            row = self._pin[part, self.supply.net][0]
            out[part] = self.ways.entries(row), self.ground_drop(part, (float(pins.x[row]), float(pins.y[row])))
        return out

    @cached_property
    def planes(self) -> tuple[dict[int, float], float, float]:
        """By area of the net the distance to the ground that it faces most, m; the smallest of them for all others; and
        the capacitance to ground of all areas, F."""
        facing, roles, areas = self.view.facing, self.view.roles, self.view.board.areas
        best: dict[int, tuple[float, float]] = {}
        total = 0.0
        for upper, lower, size, distance, c in zip(
            facing.upper, facing.lower, facing.area, facing.distance, facing.capacitance, strict=True
        ):
            for mine, other in ((int(upper), int(lower)), (int(lower), int(upper))):
                if areas.net[mine] == self.supply.net and roles[areas.net[other]].kind == GROUND:
                    total += float(c)
                    if size > best.get(mine, (0.0, 0.0))[0]:
                        best[mine] = (float(size), float(distance))
        spacing = {area: d for area, (_, d) in best.items()}
        return spacing, min(spacing.values(), default=self.view.board.thickness), total

    def spacing(self, area: int) -> float:
        known, other, _ = self.planes
        return known.get(area, other)

    def reaches(self, consumer: Consumer) -> list[Reach]:
        """How the consumer's pins reach each capacitor, least inductance first."""
        pins, group = self.view.board.pins, self.view.pieces.group[self.view.copper.piece_of_area]
        out = []
        for part in self.caps:
            cap_pin = self._pin[part, self.supply.net][0]
            entries, ground = self.mountings[part]
            best: Reach | None = None
            for pin in consumer.pins:
                at = (float(pins.x[pin]), float(pins.y[pin]))
                own_ground = self.ground_drop(consumer.part, at)
                far = float(np.hypot(at[0] - pins.x[cap_pin], at[1] - pins.y[cap_pin]))
                direct = self.ways.between(pin, cap_pin)
                found = []
                if np.isfinite(direct):
                    found.append(Reach(part, direct + own_ground + ground, direct, 0.0, own_ground + ground, True, far))
                for one in self.ways.entries(pin)[:2]:
                    for two in entries[:3]:
                        if group[one.area] != group[two.area]:
                            continue
                        apart = float(np.hypot(one.x - two.x, one.y - two.y))
                        radius = min(one.radius, two.radius)
                        spread = across(apart, self.spacing(one.area), radius)
                        drop, mount = one.inductance + own_ground, two.inductance + ground
                        found.append(Reach(part, drop + spread + mount, drop, spread, mount, False, far))
                for reach in found:
                    if best is None or reach.inductance < best.inductance - 1e-15:
                        best = reach
            if best is not None:
                out.append(best)
        return sorted(out, key=lambda r: (round(r.inductance, 13), str(self.view.board.parts.ref[r.part])))

    def see(self, consumer: Consumer, highest: float = HIGHEST) -> Seen | None:
        """What the consumer's pins see up to `highest` Hz; None without a target or without a capacitor in reach."""
        target = self.supply.target(consumer)
        reaches = self.reaches(consumer)
        if target is None or not reaches:
            return None
        frequency = np.geomspace(self.lowest, max(highest, 2 * self.lowest), POINTS)
        network, names = self._network(consumer, reaches)
        if network is None:
            return None
        z, current = see(network, frequency, 1)
        level = np.abs(z)
        planes = self._planes(consumer, frequency) if level.max() >= SCREEN * target else None
        known = None
        if planes is not None:
            other, found = self._network(consumer, reaches, planes=planes)
            if other is not None and PLANES in found:
                known = {found.index(PLANES): planes.impedance}
                z = see(other, frequency, 1, known)[0]
                level = np.abs(z)
        worst = int(np.argmax(level))
        named = [i for i, name in enumerate(names) if name]
        strongest = max(named, key=lambda i: (round(abs(current[worst, i]), 9), -i))
        better = level
        if self.view.pictures:
            added, _ = self._network(consumer, reaches, with_added=True, planes=planes if known else None)
            better = np.abs(see(added, frequency, 1, known)[0]) if added is not None else level
        return Seen(
            self.supply,
            consumer,
            frequency,
            level,
            target,
            worst,
            tuple(anti_resonances(frequency, z).tolist()),
            names[strongest],
            float(abs(current[worst, strongest])),
            tuple(reaches),
            self.planes[1],
            self.planes[2],
            float(better.max()),
            known is not None,
        )

    def _planes(self, consumer: Consumer, frequency: Floats) -> Planes | None:
        """The supply's planes as a consumer sees them, solved for all consumers at once and kept."""
        key = float(frequency[0]), float(frequency[-1])
        if key not in self._solved:

            def figures(part: int) -> tuple[float, float]:
                model = self.model(part)
                return model.capacitance, model.esr

            consumers = [c for c in self.supply.consumers if c.step > 0]
            self._solved[key] = planes_seen(self.view, self.supply, consumers, frequency, figures)
        return self._solved[key].get(consumer.part)

    def _network(
        self, consumer: Consumer, reaches: list[Reach], *, with_added: bool = False, planes: Planes | None = None
    ) -> tuple[Network | None, list[str]]:
        """Nodes: 0 ground, 1 the pins, 2 the filled copper, then the capacitors that traces lead to. Names of the
        branches that end at ground, "" for the ways.

        planes : stand for the planes' capacitance and for the capacitors that they hold, as the branch PLANES
        """
        rows: list[tuple[int, int, float, float, float]] = []
        names: list[str] = []

        def add(a: int, b: int, r: float, x: float, c: float, name: str = "") -> None:
            rows.append((a, b, r, max(x, 0.0), c))
            names.append(name)

        board = self.view.board
        planar = [r for r in reaches if not r.direct]
        direct = [r for r in reaches if r.direct]
        pins = max(len(consumer.pins), 1)
        drop = min((r.drop for r in planar), default=np.inf) / pins
        entry = [e for p in consumer.pins for e in self.ways.entries(p)[:1]]
        if not np.isfinite(drop) and entry:
            drop = min(e.inductance for e in entry) / pins
        if np.isfinite(drop):
            add(1, 2, 1e-3, drop, np.inf)
        if self.planes[2] > 0 and np.isfinite(drop):
            lossy = PLANE_LOSS / (2 * np.pi * PLANE_LOSS_AT * self.planes[2])
            add(2, 0, lossy, 0.0, self.planes[2], PLANES)
        for reach in planar:
            if planes is not None and reach.part in planes.capacitors:
                continue
            m = self.model(reach.part)
            name = str(board.parts.ref[reach.part])
            add(2, 0, m.esr, m.esl + reach.spread + reach.mounting, m.capacitance, name)
        node, before, along = 3, 1, 0.0
        for reach in direct[:6]:
            m = self.model(reach.part)
            add(before, node, 1e-3, reach.drop - along, np.inf)
            add(node, 0, m.esr, m.esl + reach.mounting, m.capacitance, str(board.parts.ref[reach.part]))
            entries, _ = self.mountings[reach.part]
            if entries and np.isfinite(drop):
                add(node, 2, 1e-3, entries[0].inductance, np.inf)
            before, along, node = node, reach.drop, node + 1
        if not self.supply.sources and rows:
            r, x = REGULATOR  # somewhere it must come from
            add(2 if np.isfinite(drop) else 1, 0, r, x, np.inf, "a source that was not found")
        for source in self.supply.sources[:1]:
            r, x = REGULATOR
            if source.kind == "filter":
                r, x = BEAD_RESISTANCE, self._filter(source.part)
            where = self.ways.entries(source.pins[0])
            straight = min((self.ways.between(p, source.pins[0]) for p in consumer.pins), default=np.inf)
            if where and np.isfinite(drop):
                add(2, 0, r, x + where[0].inductance, np.inf, str(board.parts.ref[source.part]))
            elif np.isfinite(straight):
                add(1, 0, r, x + straight, np.inf, str(board.parts.ref[source.part]))
        if with_added:
            m = model_of(ADDED, "0402")
            pin = consumer.pins[0]
            at = (float(board.pins.x[pin]), float(board.pins.y[pin]))
            ground = self.ground_drop(consumer.part, at)
            beside = 2e-3 * 0.4e-6 + ground  # 2 mm of wide copper over a near plane
            add(1, 0, m.esr, m.esl + beside, m.capacitance, "new")
        if not any(names):
            return None, names
        table = np.array(rows)
        ends = table[:, :2].astype(np.intp)
        return Network(ends[:, 0], ends[:, 1], table[:, 2], table[:, 3], table[:, 4]), names

    def _filter(self, part: int) -> float:
        """Inductance of a series part, H; a bead's from its impedance at 100 MHz, an upper figure."""
        kind = self.view.part_kinds[part]
        if kind.kind == parts.INDUCTOR:
            return kind.value or 1e-6
        return (kind.value or BEAD) / (2 * np.pi * 1e8) if kind.kind == parts.FERRITE else 0.0


def ground_ways(view: View, net: int) -> NetWays:
    """The ways of a ground net from all pins that a supply's current may return by, kept once asked for."""
    if net not in view.kept_ground_ways:
        board = view.board
        caps = set(view.capacitors.part.tolist()) | {c.part for s in view.supplies.values() for c in s.consumers}
        rows = np.flatnonzero((board.pins.net == net) & np.isin(board.pins.part, sorted(caps)))
        view.kept_ground_ways[net] = NetWays(view, net, rows.tolist())
    return view.kept_ground_ways[net]


def capacitor_assumptions(view: View) -> list[Assumption]:
    """What was assumed of the capacitors."""
    used = {p for network in view.supply_networks.values() for p in network.caps}
    if not used:
        return []
    unknown = [str(view.board.parts.ref[p]) for p in sorted(used) if view.part_kinds[p].value is None]
    out = [
        Assumption(
            "series resistance and inductance of supply capacitors",
            "by size and value",
            "",
            "10 to 100 milliohm, 0.2 to 1 nH for ceramic sizes 01005 to 1210; a maker's model would say better",
            len(used),
        )
    ]
    if unknown:
        names = ", ".join(unknown[:8]) + (" …" if len(unknown) > 8 else "")
        out.append(
            Assumption(
                f"capacitance of {names}",
                UNKNOWN,
                "F",
                f"supply capacitors without a value; {UNKNOWN_LARGE * 1e6:g} uF from size 0805 on",
                len(unknown),
            )
        )
    return out
