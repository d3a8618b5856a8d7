"""Supply nets: who feeds them, who draws from them, how much and how quickly, and the impedance they should have.

A layout tells no currents. What the settings do not give is assumed, by the number of supply pins and by the lines that
a part drives, and every assumption is listed.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from quietcopper.board import Assumption
from quietcopper.electrical import parts
from quietcopper.electrical.idle_pins import idle_pin_assumptions
from quietcopper.electrical.parts import PartKind, by_reference
from quietcopper.electrical.paths import start_pin
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.fields.cavity import target_impedance

PIN_CURRENT = 0.03  # A of direct current for each supply pin of a part; common practice, no source
QUICK = 0.5  # share of a part's current that may change at once: Smith, Anderson and others, IEEE Trans. Advanced
# Packaging 22(3), 1999 (from memory)
AT_ONCE = 0.25  # share of a part's lines that switch at once; common practice, no source
NEARLY = 0.15  # how far a line's swing may be from the supply that it is taken to come from
LINE = 50.0  # ohm, what a line takes from its driver's supply at an edge
RIPPLE = 0.05  # share of the voltage that a step may take: the worked examples of the same paper (from memory)
EFFICIENCY = 0.85  # of a switching converter; common practice, no source
DRAWS = (parts.IC, parts.MODULE, parts.OSCILLATOR, parts.SENSOR)
PASSES = (parts.FERRITE, parts.INDUCTOR, parts.FUSE, parts.JUMPER, parts.FILTER)
ENTERS = (parts.CONNECTOR, parts.BATTERY)
REGULATES = re.compile(r"regulator|\bLDO\b|step[- ]?(down|up)|buck|boost|DC[-/ ]?DC|\bconverter\b", re.IGNORECASE)
MOST_PINS, MOST_SIGNALS = 8, 2  # a part with two supplies and no more pins and signals than these regulates


@dataclass(frozen=True)
class Consumer:
    """A part that draws from a supply: its pins there (rows in board.pins), direct current and quick step, A.

    feeds : net that it passes the current on to, -1 for none; given : whether the user said the current
    """

    part: int
    pins: tuple[int, ...]
    current: float
    step: float
    feeds: int = -1
    given: bool = False


@dataclass(frozen=True)
class Source:
    """What feeds a supply: part, its pins there, and how: 'regulator', 'converter', 'filter' or 'connector'.

    upstream : the net it takes the current from, -1 for none on the board; by : the part that takes it from there, of a
    converter the switch, while `part` is its inductor
    """

    part: int
    pins: tuple[int, ...]
    kind: str
    upstream: int
    by: int


@dataclass(frozen=True)
class Supply:
    """One supply net. voltage : None where unknown; ripple : share of it that a step may take

    sources : empty where nobody was found; consumers : by reference
    """

    net: int
    voltage: float | None
    ripple: float
    sources: tuple[Source, ...]
    consumers: tuple[Consumer, ...]
    step_given: float | None = None

    @property
    def current(self) -> float:
        """Direct current of all consumers, A."""
        return sum(c.current for c in self.consumers)

    def target(self, consumer: Consumer) -> float | None:
        """Impedance that the supply should have at a consumer's pins, ohm; None without a voltage or a step."""
        total = sum(c.step for c in self.consumers)
        step = consumer.step
        if self.step_given is not None and total > 0:
            step *= self.step_given / total
        if self.voltage is None or self.voltage == 0 or step <= 0:
            return None
        return float(target_impedance(abs(self.voltage), self.ripple, step))


def find_supplies(view: View) -> dict[int, Supply]:
    """Every supply net that has parts on it, by net."""
    return _Tree(view).supplies()


def supply_assumptions(view: View) -> list[Assumption]:
    """What was assumed of the supplies' currents, and of where they come from."""
    board = view.board
    entering = [
        f"{board.nets[net]} at {board.parts.ref[s.sources[0].part]}"
        for net, s in sorted(view.supplies.items())
        if s.sources and s.sources[0].kind == "connector" and s.consumers
    ]
    out = []
    if entering:
        names = ", ".join(entering[:8]) + (" …" if len(entering) > 8 else "")
        why = "no regulator that makes them was recognised"
        out.append(Assumption(f"supplies that enter the board: {names}", "connector", "", why, len(entering)))
    out += idle_pin_assumptions(view)
    open_, parts_ = [], 0
    for net, supply in sorted(view.supplies.items()):
        said = view.settings.for_net(view.board.nets[net])
        guessed = [c for c in supply.consumers if not c.given and c.feeds < 0]
        if guessed and said.current is None:
            open_.append(view.board.nets[net])
            parts_ += len(guessed)
    if not open_:
        return out
    names = ", ".join(open_[:8]) + (" …" if len(open_) > 8 else "")
    return [
        *out,
        Assumption(
            f"currents drawn from {names}",
            PIN_CURRENT,
            "A",
            f"for each supply pin, {QUICK:.0%} of it quick, and the edges of a quarter of the lines it drives; "
            "settings: nets.NAME.current_a and step_a, loads.REF.current_a",
            parts_,
        ),
    ]


class _Tree:
    """Which supply feeds which, and the currents that follow from it."""

    def __init__(self, view: View) -> None:
        self.view, self.board, self.kinds = view, view.board, view.part_kinds
        self.roles = view.roles
        self.nets = [n for n, role in enumerate(self.roles) if role.kind == SUPPLY]
        self.on: dict[int, list[int]] = defaultdict(list)  # net -> parts, by reference
        self.pins: dict[tuple[int, int], list[int]] = defaultdict(list)  # but those that draw nothing
        for row, (part, net) in enumerate(
            zip(self.board.pins.part.tolist(), self.board.pins.net.tolist(), strict=True)
        ):
            if not view.idle_pins[row]:
                self.pins[part, net].append(row)
        for part in by_reference(self.board):
            for net in self.kinds[part].nets:
                if self.pins[part, net]:
                    self.on[net].append(part)
        self.sources: dict[int, list[Source]] = defaultdict(list)
        self._regulators()
        self._filters()

    def supplies(self) -> dict[int, Supply]:
        steps = self._line_steps()
        done: dict[int, Supply] = {}

        def build(net: int, above: frozenset[int]) -> Supply:
            if net not in done:
                done[net] = self._supply(net, steps, lambda n: build(n, above | {net}) if n not in above else None)
            return done[net]

        for net in self.nets:
            if self.on[net]:
                build(net, frozenset())
        return dict(sorted(done.items()))

    def _supply(self, net: int, steps: dict[tuple[int, int], float], below) -> Supply:  # type: ignore[no-untyped-def]
        said = self.view.settings.for_net(self.board.nets[net])
        voltage = self.roles[net].voltage
        feeding = {p for s in self.sources[net] for p in (s.part, s.by)}
        down = {s.by: (other, s.kind) for other, sources in self.sources.items() for s in sources if s.upstream == net}
        consumers = []
        for part in self.on[net]:
            mine = tuple(self.pins[part, net])
            if part in down:
                other, kind = down[part]
                fed = below(other)
                current = 0.0 if fed is None else fed.current
                if kind == "converter" and fed is not None and voltage and fed.voltage:
                    current *= abs(fed.voltage / voltage) / EFFICIENCY
                consumers.append(Consumer(part, mine, current, 0.0, other))
            elif part not in feeding and self.kinds[part].kind in DRAWS:
                told = self.view.settings.loads.get(str(self.board.parts.ref[part]), {}).get("current")
                share = len(mine) / max(sum(len(self.pins[part, n]) for n in self.nets), 1)
                current = float(told) * share if told is not None else PIN_CURRENT * len(mine)
                step = QUICK * current + steps.get((part, net), 0.0)
                consumers.append(Consumer(part, mine, current, step, given=told is not None))
        if said.current is not None:
            consumers = _scaled(consumers, said.current)
        ripple = said.ripple if said.ripple is not None else RIPPLE
        return Supply(net, voltage, ripple, tuple(self.sources[net]), tuple(consumers), said.step)

    def _line_steps(self) -> dict[tuple[int, int], float]:
        """Current that the edges of a part's lines take from each of its supplies at once, A."""
        out: dict[tuple[int, int], float] = defaultdict(float)
        for net, driver in enumerate(self.view.drivers):
            if driver.swing <= 0 or driver.kind == "slow" or self.roles[net].kind != SIGNAL:
                continue
            pin = start_pin(self.board, net, self.kinds)
            part = int(self.board.pins.part[pin]) if pin >= 0 else -1
            if part < 0 or self.kinds[part].kind not in DRAWS:
                continue
            fits = []
            for supply in self.kinds[part].nets:
                voltage = self.roles[supply].voltage
                if self.roles[supply].kind == SUPPLY and voltage and abs(driver.swing / voltage - 1) < NEARLY:
                    fits.append((round(abs(driver.swing / voltage - 1), 6), -len(self.pins[part, supply]), supply))
            if fits:
                out[part, min(fits)[2]] += AT_ONCE * driver.swing / (driver.source + LINE)
        return out

    def _regulators(self) -> None:
        """Parts that make one supply from another: straight, or over an inductor from a node that they switch."""
        for part in by_reference(self.board):
            kind = self.kinds[part]
            supplies = [n for n in kind.nets if self.roles[n].kind == SUPPLY and self.pins[part, n]]
            if kind.kind not in (parts.IC, parts.MODULE, parts.TRANSISTOR) or not supplies:
                continue
            over = self._over_inductors(kind, supplies)
            if over:
                for inductor, node, end in over:
                    raised = self._raised(part, node, end, supplies)
                    if raised >= 0:  # the inductor stands at the input
                        self._add(raised, part, "converter", end)
                    elif any(n != end for n in supplies):
                        pins = tuple(self.pins[inductor, end])
                        self.sources[end].append(
                            Source(inductor, pins, "converter", self._upstream(supplies, end), part)
                        )
            elif len(supplies) >= 2 and self._regulates(part, kind, supplies):
                out = self._regulated(supplies)
                self._add(out, part, "regulator", self._upstream(supplies, out))

    def _over_inductors(self, kind: PartKind, supplies: list[int]) -> list[tuple[int, int, int]]:
        """(inductor, switched node, supply at its other end) of each inductor at a node of the part."""
        out = []
        for node in kind.nets:
            if self.roles[node].kind != SIGNAL:
                continue
            for other in self.on[node]:
                if self.kinds[other].kind == parts.INDUCTOR and len(self.kinds[other].nets) == 2:
                    end = next(n for n in self.kinds[other].nets if n != node)
                    if self.roles[end].kind == SUPPLY:
                        out.append((other, node, end))
        return out

    def _raised(self, part: int, node: int, end: int, supplies: list[int]) -> int:
        """The higher supply that a step-up converter makes, over a diode or by its own switch; -1 for none."""
        for other in self.on[node]:
            if self.kinds[other].kind == parts.DIODE:
                beyond = [n for n in self.kinds[other].nets if n not in (node, end) and self.roles[n].kind == SUPPLY]
                if beyond:
                    return beyond[0]
        text = f"{self.board.parts.value[part]} {self.board.parts.package[part]}"
        others = [n for n in supplies if n != end]
        return others[0] if others and re.search(r"boost|step[- ]?up", text, re.IGNORECASE) else -1

    def _regulates(self, part: int, kind: PartKind, supplies: list[int]) -> bool:
        text = f"{self.board.parts.value[part]} {self.board.parts.package[part]}"
        signals = sum(self.roles[n].kind == SIGNAL for n in kind.nets)
        grounded = any(self.roles[n].kind == GROUND for n in kind.nets)
        levels = {self._level(n) for n in supplies}
        plain = kind.pins <= MOST_PINS and signals <= MOST_SIGNALS and len(supplies) == 2 and len(levels) == 2
        return bool(REGULATES.search(text)) or (kind.kind == parts.IC and plain and grounded)

    def _regulated(self, supplies: list[int]) -> int:
        """Which of a regulator's supplies it makes: the lowest; one whose voltage nobody tells where the others enter
        the board at a connector."""
        unknown = [n for n in supplies if not np.isfinite(self._level(n)) and not self._connectors(n)]
        known = [n for n in supplies if np.isfinite(self._level(n))]
        if len(unknown) == 1 and known and all(self._connectors(n) for n in known):
            return unknown[0]
        return min(supplies, key=lambda n: (self._level(n), n))

    def _level(self, net: int) -> float:
        voltage = self.roles[net].voltage
        return abs(voltage) if voltage is not None else np.inf

    def _upstream(self, supplies: list[int], out: int) -> int:
        others = [n for n in supplies if n != out]
        return max(others, key=lambda n: (self._level(n), -n)) if others else -1

    def _add(self, net: int, part: int, kind: str, upstream: int) -> None:
        self.sources[net].append(Source(part, tuple(self.pins[part, net]), kind, upstream, part))

    def _filters(self) -> None:
        """Supplies behind a series part of one that is fed, and at last those that enter at a connector."""
        links = [
            (part, *kind.nets)
            for part in by_reference(self.board)
            if len((kind := self.kinds[part]).nets) == 2
            and all(self.roles[n].kind == SUPPLY for n in kind.nets)
            and (kind.kind in PASSES or (kind.kind == parts.RESISTOR and kind.value is not None and kind.value <= 10))
        ]
        waiting = [n for n in self.nets if self.sources[n]]
        entering = sorted(
            (n for n in self.nets if not self.sources[n] and self._connectors(n)),
            key=lambda n: (-max(self.kinds[p].pins for p in self._connectors(n)), n),
        )
        while True:
            while waiting:
                net = waiting.pop(0)
                for part, a, b in links:
                    other = b if a == net else a if b == net else -1
                    if other >= 0 and not self.sources[other]:
                        self._add(other, part, "filter", net)
                        waiting.append(other)
            entering = [n for n in entering if not self.sources[n]]
            if not entering:
                return
            net = entering.pop(0)
            best = max(self._connectors(net), key=lambda p: (len(self.pins[p, net]), self.kinds[p].pins, -p))
            self._add(net, best, "connector", -1)
            waiting.append(net)

    def _connectors(self, net: int) -> list[int]:
        return [p for p in self.on[net] if self.kinds[p].kind in ENTERS]


def _scaled(consumers: list[Consumer], total: float) -> list[Consumer]:
    """The consumers with their currents in proportion, so that they add up to what the user said."""
    found = sum(c.current for c in consumers)
    if found <= 0:
        return consumers
    factor = total / found
    return [Consumer(c.part, c.pins, c.current * factor, c.step * factor, c.feeds, True) for c in consumers]
