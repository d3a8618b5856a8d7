"""What drives each net: kind, swing, edge, source resistance and rate, inferred and marked as assumed where it is.

A board file holds no drivers. The kind comes from the parts on the net (crystal, oscillator, indicator, converter
coil), else from its name, else from what lies behind a series part; the figures come from the IBIS file of the driving
part where the settings name one, else from `families`. The swing is the supply of the driving part where one supply is
all it can be. Everything else is an assumption, counted and shown.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from quietcopper.board import Assumption, Board
from quietcopper.electrical import parts
from quietcopper.electrical.families import (
    ANALOG,
    CLOCK,
    CRYSTAL,
    DATA,
    ECL,
    FALLBACK_BY_KIND,
    RADIO,
    SLOW,
    SWITCHING,
    Family,
    frequency_in,
    name_family,
)
from quietcopper.electrical.names import leaf, says_nothing, says_unconnected, words
from quietcopper.electrical.pairs import differential_pairs
from quietcopper.electrical.part_models import PinOutput, part_models
from quietcopper.electrical.parts import Link, PartKind, by_reference, part_kinds, series_links
from quietcopper.electrical.roles import LEAST_DECOUPLING
from quietcopper.electrical.settings import NetSettings, Settings, same
from quietcopper.electrical.tables import SIGNAL, SUPPLY, Driver, Pair, Role
from quietcopper.units import engineering, scaled

FIGURES = ("rise", "source", "swing", "rate")
COMMON_SUPPLY = 3.3  # V, taken where no supply of a driving part is known; common practice, no source
LOGIC_SUPPLIES = (0.9, 5.5)  # V, range of supplies that a logic output swings over
CORE = 1.5  # V; lower supplies feed the inside of a chip and seldom its pins; common practice, no source
LONG_ENOUGH = 5e-3  # m; a named net with one pin and more trace than this may end at a bare pad and is kept
ACTIVE = (parts.IC, parts.MODULE, parts.OSCILLATOR)
_QUIET = {  # parts that switch nothing by themselves
    *(
        parts.RESISTOR,
        parts.NETWORK,
        parts.CAPACITOR,
        parts.INDUCTOR,
        parts.FERRITE,
        parts.DIODE,
        parts.LED,
        parts.FUSE,
    ),
    *(parts.VARISTOR, parts.TEST_POINT, parts.JUMPER, parts.BATTERY, parts.MECHANICAL, parts.SOUNDER, parts.ANTENNA),
    *(parts.TRANSFORMER, parts.FILTER, parts.CRYSTAL),
}
_NOTHING = Driver("none", 0.0, DATA.rise, DATA.source, 0.0, "")
# emitter-coupled logic by its usual type numbers (10K, 10H, 10E, 100E, 100EL, 100EP, …) or its name
_ECL = re.compile(
    r"(?<![0-9A-Z])(?:[A-Z]{2,3})?100?(?:K|H|E|EL|EP|LVEL|LVEP|LVE)\d{3}|(?<![A-Z])(?:LV)?(?:P|N)?ECL(?![A-Z])"
)
_HOPS = 2  # series parts that a kind is followed through
_SWITCHED = ("SW", "LX", "PH", "PHASE", "SWITCH", "VSW", "SWN", "L")


@dataclass(frozen=True)
class _Taken:
    """A net's family, how it was found, and whether its rate is known rather than assumed."""

    family: Family
    clause: str
    rate_known: bool = False


def net_drivers(
    board: Board, roles: tuple[Role, ...], settings: Settings, pairs: tuple[Pair, ...] | None = None
) -> tuple[Driver, ...]:
    """Driver of every net, by net index. Grounds, supplies and nets that end nowhere have kind 'none' and swing 0.

    pairs : the differential pairs, when the caller has them already
    """
    lines = _Lines(board, roles)
    pairs = differential_pairs(board, roles, settings) if pairs is None else pairs
    taken = lines.families({net for pair in pairs for net in (pair.positive, pair.negative)})
    beyond = lines.series_ohms(taken)
    outputs = part_models(board, settings).by_net
    out = []
    for net, name in enumerate(board.nets):
        if roles[net].kind != SIGNAL:
            out.append(replace(_NOTHING, reason=f"a {roles[net].kind} net"))
            continue
        found = taken.get(net)
        driver = (
            replace(_NOTHING, reason=lines.idle[net]) if found is None else lines.driver(net, found, beyond, outputs)
        )
        said = settings.for_net(name)
        out.append(_as_told(driver, said, settings.counts_as_given(said)))
    return tuple(out)


def resistors_before(board: Board, roles: tuple[Role, ...], pairs: tuple[Pair, ...]) -> dict[int, Link]:
    """The series resistor between a net and its driver, by net: those that `net_drivers` adds to the source."""
    lines = _Lines(board, roles)
    return lines.series_ohms(lines.families({net for pair in pairs for net in (pair.positive, pair.negative)}))


@dataclass(eq=False)
class _Lines:
    """Signal nets with the parts on them."""

    board: Board
    roles: tuple[Role, ...]
    idle: dict[int, str] = field(default_factory=dict)  # why a net has no driver

    def __post_init__(self) -> None:
        board = self.board
        self.kinds: tuple[PartKind, ...] = part_kinds(board)
        self.on: dict[int, list[int]] = {}
        for part in by_reference(board):
            for net in self.kinds[part].nets:
                self.on.setdefault(net, []).append(part)
        self.pins = np.bincount(board.pins.net, minlength=len(board.nets))
        self.length = np.bincount(board.traces.net, board.traces.length, minlength=len(board.nets))
        self.signals = [n for n, role in enumerate(self.roles) if role.kind == SIGNAL]
        links = series_links(board, self.kinds)
        self.links = [k for k in links if self.roles[k.a].kind == self.roles[k.b].kind == SIGNAL]
        self.beside: dict[int, list[int]] = {}
        for link in self.links:
            self.beside.setdefault(link.a, []).append(link.b)
            self.beside.setdefault(link.b, []).append(link.a)
        self.supplies = {
            part: self._supplies(kind) for part, kind in enumerate(self.kinds) if kind.kind in ACTIVE
        }  # positive logic supplies of each active part, V, ascending

    def _supplies(self, kind: PartKind) -> tuple[float, ...]:
        low, high = LOGIC_SUPPLIES
        known = {v for n in kind.nets if self.roles[n].kind == SUPPLY and (v := self.roles[n].voltage) is not None}
        return tuple(sorted(v for v in known if low <= v <= high))

    def families(self, paired: set[int]) -> dict[int, _Taken]:
        """Family of every signal net that something drives; the others get their reason in `idle`."""
        listed = [n for n in self.signals if self.length[n] > 0]
        # where many routed nets have no pins, the file's pins are incomplete and their number says nothing
        trusted = len(self.board.pins) > 0 and (not listed or bool(np.mean(self.pins[listed] > 0) >= 0.8))
        own: dict[int, _Taken] = {}
        driven = []
        for net in self.signals:
            named = name_family(self.board.nets[net], net in paired)
            why = self._goes_nowhere(net, named, trusted)
            if why:
                self.idle[net] = why
                continue
            driven.append(net)
            found = self._by_parts(net, named) or self._unswitched(net)
            if found is None and named is not None:
                known = frequency_in(self.board.nets[net]) is not None and named.kind == "clock"
                found = _Taken(named, f"by its name {leaf(self.board.nets[net])!r}", known)
            found = found or self._by_load(net)
            if found is not None:
                own[net] = found
        for hop in range(_HOPS):
            own |= self._inherited(own, set(driven), hop)
        return {net: own.get(net) or self._unnamed(net) for net in driven}

    def _goes_nowhere(self, net: int, named: Family | None, trusted: bool) -> str:
        """Why nothing is sent along a net, "" where something may be."""
        if says_unconnected(self.board.nets[net]):
            return "unconnected, as its name says"
        if self.pins[net] > 1 or not trusted or (named is not None and self.length[net] > LONG_ENOUGH):
            return ""
        return "one pin only" if self.pins[net] == 1 else "no pin"

    def _by_parts(self, net: int, named: Family | None) -> _Taken | None:
        """Crystal, oscillator, antenna or converter coil on the net, which weigh more than its name."""
        board = self.board
        for part in self.on.get(net, ()):
            kind, ref = self.kinds[part], board.parts.ref[part]
            if kind.kind == parts.CRYSTAL and self._near_active(net):
                rate = kind.value or frequency_in(board.nets[net])
                family = CRYSTAL if rate is None else replace(CRYSTAL, rate=rate, rise=0.295 / rate)
                return _Taken(family, f"crystal {ref} on it", rate is not None)
            if kind.kind == parts.OSCILLATOR and (named is None or named.kind == "clock") and self._output(part, net):
                family = CLOCK.at(kind.value) if kind.value else (named or CLOCK)
                return _Taken(family, f"oscillator {ref} on it", kind.value is not None)
            if kind.kind == parts.ANTENNA:
                return _Taken(RADIO, f"antenna {ref} on it")
            if kind.kind == parts.INDUCTOR and self._switched(net, kind, named):
                return _Taken(SWITCHING, f"coil {ref} and a switch on it")
        return None

    def _unswitched(self, net: int) -> _Taken | None:
        """A net that no part can switch, within the series parts that edges are followed through."""
        around, edge = {net}, {net}
        for _ in range(_HOPS):
            edge = {b for n in edge for b in self.beside.get(n, ())} - around
            around |= edge
        held = {self.kinds[p].kind for n in around for p in self.on.get(n, ())}
        if held and held <= _QUIET:
            return _Taken(ANALOG, "no part on it that could switch it")
        return None

    def _near_active(self, net: int) -> bool:
        """Whether an active part hangs on the net itself or behind one series part."""
        around = [net, *self.beside.get(net, ())]
        return any(self.kinds[p].kind in ACTIVE for n in around for p in self.on.get(n, ()))

    def _output(self, part: int, net: int) -> bool:
        """An oscillator's output is its one signal net, or of several the one that leads furthest."""
        fit = [n for n in self.kinds[part].nets if self.roles[n].kind == SIGNAL and self.pins[n] > 1]
        return net in fit and net == max(fit, key=lambda n: (self.length[n], -n))

    def _switched(self, net: int, coil: PartKind, named: Family | None) -> bool:
        """The near end of a converter's coil: a switch here, a supply at the other end."""
        others = [n for n in coil.nets if n != net]
        if named is not None and named.kind != "clock":
            return False
        by_name = any(w.rstrip("0123456789") in _SWITCHED for w in words(self.board.nets[net]))
        held = any(self.kinds[p].kind == parts.CAPACITOR and self._to_rail(p, net) for p in self.on.get(net, ()))
        unknown = coil.value is None and says_nothing(self.board.nets[net]) and not held
        large = unknown or (coil.value or 0.0) >= 0.3e-6
        switch = any(self.kinds[p].kind in (parts.IC, parts.TRANSISTOR) for p in self.on.get(net, ()))
        fed = any(self.roles[n].kind == SUPPLY for n in others)
        return switch and fed and (by_name or large)

    def _by_load(self, net: int) -> _Taken | None:
        for part in self.on.get(net, ()):
            if self.kinds[part].kind in (parts.LED, parts.SWITCH, parts.RELAY, parts.SOUNDER, parts.BATTERY):
                return _Taken(SLOW, f"{self.kinds[part].kind} {self.board.parts.ref[part]} on it")
        return None

    def _inherited(self, own: dict[int, _Taken], driven: set[int], hop: int) -> dict[int, _Taken]:
        """Families of nets without one of their own, from the other side of a series part."""
        rank = {"clock": 0, "data": 1, "slow": 2}
        offers: dict[int, list[tuple[int, int, Link]]] = {}
        for link in self.links:
            for near, far in ((link.a, link.b), (link.b, link.a)):
                if near in own and far in driven and far not in own:
                    offers.setdefault(far, []).append((rank[own[near].family.kind], near, link))
        out = {}
        for net, found in sorted(offers.items()):
            _, near, link = min(found, key=lambda o: o[:2])
            clause = f"behind {self.board.parts.ref[link.part]} from {self.board.nets[near]!r}"
            out[net] = _Taken(own[near].family, clause, own[near].rate_known)
        return out

    def _unnamed(self, net: int) -> _Taken:
        """No name, no telling part: a data line where two parts may speak over it, else a strap or a quiet one."""
        said = "a name that tells nothing" if says_nothing(self.board.nets[net]) else "a name of no known kind"
        on = self.on.get(net, ())
        speakers = [p for p in on if self.kinds[p].kind not in _QUIET]
        if len(speakers) == 1 and all(self._to_rail(p, net) for p in on if p not in speakers) and len(on) > 1:
            return _Taken(SLOW, f"{said}, only parts to supply or ground at its one active part")
        held = {self.kinds[p].kind for p in on}
        if len(speakers) == 1 and held - {self.kinds[speakers[0]].kind} in (
            {parts.DIODE},
            {parts.DIODE, parts.TEST_POINT},
        ):
            return _Taken(SLOW, f"{said}, nothing but a diode at its one active part")
        if parts.TRANSISTOR in held and not held & set(ACTIVE):
            return _Taken(SLOW, f"{said}, a transistor on it")
        if self._held_by(net)[0] > 0:
            return _Taken(SLOW, f"{said}, a capacitor holds it")
        return _Taken(DATA, said)

    def _to_rail(self, part: int, net: int) -> bool:
        return all(self.roles[n].kind != SIGNAL for n in self.kinds[part].nets if n != net)

    def _held_by(self, net: int) -> tuple[float, str]:
        """Known capacitance of 1 nF or more from a net to supplies and grounds, F, and the parts' references."""
        fit = [
            p
            for p in self.on.get(net, ())
            if self.kinds[p].kind == parts.CAPACITOR
            and (self.kinds[p].value or 0.0) >= LEAST_DECOUPLING
            and self._to_rail(p, net)
        ]
        refs = " and ".join(str(self.board.parts.ref[p]) for p in fit[:2])
        return sum(self.kinds[p].value or 0.0 for p in fit), refs

    def series_ohms(self, taken: dict[int, _Taken]) -> dict[int, Link]:
        """The series resistor that lies between a net and its driver. The driver's side is the one with an active part;
        where both have one, the shorter, because series resistors sit beside the driver (common practice, no source).
        """

        def distance(net: int) -> tuple[bool, float, str]:
            held = {self.kinds[p].kind for p in self.on.get(net, ())}
            return held <= _QUIET, float(self.length[net]), self.board.nets[net]

        out: dict[int, Link] = {}
        for link in self.links:
            if link.ohm and all(n in taken and _is_logic(taken[n].family) for n in (link.a, link.b)):
                out.setdefault(max((link.a, link.b), key=distance), link)
        return out

    def driver(self, net: int, taken: _Taken, beyond: dict[int, Link], outputs: dict[int, list[PinOutput]]) -> Driver:
        family, ecl = taken.family, ""
        if _is_logic(family) and (ecl := self._ecl(net, beyond)):
            family = replace(family, rise=ECL.rise, source=ECL.source, swing=ECL.swing)
        swing, by, sure = self._swing(net, family, beyond)
        source, rise, through = family.source, family.rise, ""
        link = beyond.get(net)
        model = next(iter(outputs.get(net) or (outputs.get(link.a + link.b - net) if link else None) or ()), None)
        span: list[tuple[str, float, float]] = []
        settled = {*(["rate"] if taken.rate_known else []), *(["swing"] if sure else [])}
        series = link.ohm if link is not None and link.ohm else 0.0
        if model is not None:
            read = model.output
            for figure, values in (("swing", read.swing), ("rise", read.rise), ("source", read.source)):
                if math.isfinite(values[model.corner]):
                    settled.add(figure)
                    more = series if figure == "source" else 0.0
                    span.append((figure, values[1] + more, values[2] + more))
            swing = read.swing[model.corner] if "swing" in settled and math.isfinite(read.swing[0]) else swing
            rise = read.rise[model.corner] if "rise" in settled else rise
            source = read.source[model.corner] if "source" in settled else source
            both = ", which also listens" if model.listens else ""
            by = f"; {model.file}: {model.model} at {model.pin}{both}" + (f", {read.how}" if read.how else "")
        if link is not None and series:
            source, through = source + series, f"; source with {series:g} ohm of {self.board.parts.ref[link.part]}"
        held, refs = self._held_by(net) if _is_logic(taken.family) else (0.0, "")
        if 2.2 * source * held > rise:  # 10-90 % of a capacitor charged through a resistor is ln 9 = 2.2 RC, exact
            rise, through = 2.2 * source * held, f"{through}; edge slowed by {refs}"
            span = [entry for entry in span if entry[0] != "rise"]
        assumed = tuple(f for f in FIGURES if f not in settled)
        listed = f"{', '.join(assumed[:-1])} and {assumed[-1]}" if len(assumed) > 1 else "".join(assumed)
        reason = f"taken for {family.name}, {taken.clause}{ecl}{by}{through}" + (
            f"; {listed} assumed" if listed else ""
        )
        return Driver(family.kind, swing, rise, source, family.rate, reason, assumed=assumed, span=tuple(span))

    def _ecl(self, net: int, beyond: dict[int, Link]) -> str:
        """Why a line counts as emitter-coupled, "" where it does not: all active parts on it look like such logic.

        By the part's type number, or by a supply of -4.2 to -5.7 V and no positive one (common practice, no source).
        """
        on = [p for p in self.on.get(net, ()) if p in self.supplies]
        if not on and (link := beyond.get(net)) is not None:
            on = [p for p in self.on.get(link.a + link.b - net, ()) if p in self.supplies]
        looks = [p for p in on if self._looks_ecl(p)]
        if not looks or len(looks) < len(on):
            return ""
        refs = " and ".join(sorted(str(self.board.parts.ref[p]) for p in looks)[:3])
        return f", emitter-coupled logic as {refs} look{'s' if len(looks) == 1 else ''}: swing {ECL.swing:g} V"

    def _looks_ecl(self, part: int) -> bool:
        board = self.board
        text = f"{board.parts.value[part]} {board.parts.package[part]}".upper()
        if self.kinds[part].kind == parts.IC and _ECL.search(text):
            return True
        volts = [self.roles[n].voltage for n in self.kinds[part].nets if self.roles[n].kind == SUPPLY]
        known = [v for v in volts if v is not None]
        return bool(known) and len(known) == len(volts) and max(known) < 0 and any(-5.7 <= v <= -4.2 for v in known)

    def _swing(self, net: int, family: Family, beyond: dict[int, Link]) -> tuple[float, str, bool]:
        """Swing (V), where it comes from, and whether it is known rather than assumed."""
        if family.swing is not None:
            return family.swing, "", False
        on = [p for p in self.on.get(net, ()) if p in self.supplies]
        if not on and (link := beyond.get(net)) is not None:
            on = [p for p in self.on.get(link.a + link.b - net, ()) if p in self.supplies]
        known = {p: self.supplies[p] for p in on if self.supplies[p]}
        refs = " and ".join(sorted(str(self.board.parts.ref[p]) for p in known)[:3])
        if family is SWITCHING:
            fed = [abs(v) for p in on for n in self.kinds[p].nets if (v := self.roles[n].voltage)]
            return (max(fed), "; swing of the highest supply on its switch", False) if fed else (5.0, "", False)
        # a supply whose voltage nobody knows may be the one that drives the pins
        unknown = any(
            self.roles[n].kind == SUPPLY and self.roles[n].voltage is None for p in on for n in self.kinds[p].nets
        )
        all_of_them = sorted({v for volts in known.values() for v in volts})
        if not known or (unknown and all_of_them[-1] < CORE):
            return COMMON_SUPPLY, "", False
        if len(all_of_them) == 1:
            which = "known" if unknown else "only"
            return all_of_them[0], f"; swing of the {which} logic supply of {refs}", not unknown
        if len(known) > 1:
            common = [v for v in all_of_them if all(v in volts for volts in known.values())]
            usual = [v for v in common if v >= CORE] or common
            if usual:
                sure = len(usual) == 1 and not unknown
                return usual[0], f"; swing of the lowest supply common to {refs}", sure
        usual = [v for v in all_of_them if v <= 3.6] or all_of_them
        return usual[-1], f"; swing of the highest supply up to 3.6 V of {refs}", False


def _is_logic(family: Family) -> bool:
    return family.swing is None and family is not SWITCHING


def _as_told(driver: Driver, said: NetSettings, counts: bool) -> Driver:
    """The driver with the user's figures; one that merely repeats the inferred value counts only in a checked file."""
    told = {f: v for f in FIGURES if (v := getattr(said, f)) is not None}
    if said.kind is None and not told:
        return driver
    kind = said.kind or (driver.kind if driver.kind != "none" else "data")
    if kind == "none":
        if driver.kind == "none" and not counts:
            return driver
        return replace(_NOTHING, reason="set in the settings file: not driven", given=True)
    kind_is_told = said.kind is not None and (counts or said.kind != driver.kind)
    if kind != driver.kind:
        base = FALLBACK_BY_KIND[kind]
        swing = driver.swing or COMMON_SUPPLY
        driver = Driver(kind, swing, base.rise, base.source, base.rate, "", given=True, assumed=FIGURES)
    mine = {f: v for f, v in told.items() if counts or not same(v, getattr(driver, f))}
    if not (driver.given or mine or kind_is_told):
        return driver
    assumed = tuple(f for f in driver.assumed if f not in mine)
    told_words = [*(["kind"] if kind_is_told else []), *mine]
    reason = f"{', '.join(told_words)} set in the settings file" + (
        f"; {', '.join(assumed)} assumed" if assumed else ""
    )
    span = tuple(entry for entry in driver.span if entry[0] not in mine)
    return dataclasses.replace(driver, **mine, reason=reason, given=True, assumed=assumed, span=span)


_WHY = {
    "rise": (
        "10 to 90 % edge",
        "s",
        "no driver model given (settings: parts.REF.ibis); 1 ns is usual for CMOS outputs without slew control, 10 ns "
        "for outputs that nobody hurries, standards set the others (common practice, no source)",
    ),
    "source": (
        "driver resistance",
        "ohm",
        "no driver model given; CMOS outputs lie between 25 and 50 ohm (common practice, no source), a series resistor "
        "is added where the line has one",
    ),
    "swing": ("swing", "V", "the supply of the driving part is not settled by the data, or the kind of line sets it"),
    "rate": (
        "rate (clock frequency, or half the bit rate)",
        "Hz",
        "the board's data hold no rates; the usual one for lines of that name (common practice, no source)",
    ),
}


def driver_assumptions(board: Board, drivers: tuple[Driver, ...]) -> list[Assumption]:
    """One assumption for each kind of net and figure: the value, or all values with their counts, and nets touched."""
    out = []
    for kind in ("clock", "data", "slow"):
        for figure in FIGURES:
            words_, unit, why = _WHY[figure]
            values = Counter(getattr(d, figure) for d in drivers if d.kind == kind and figure in d.assumed)
            if not values:
                continue
            ranked = sorted(values.items(), key=lambda item: (-item[1], item[0]))
            what = f"{words_} of {kind} nets"
            if len(ranked) == 1:
                value, shown_unit = scaled(ranked[0][0], unit)
                out.append(Assumption(what, value, shown_unit, why, ranked[0][1]))
            else:
                shown = [(engineering(v, unit, 5 if unit == "Hz" else 3), n) for v, n in ranked[:6]]
                text = ", ".join(f"{v} ({n})" for v, n in shown)
                text += f", {len(ranked) - 6} other values" if len(ranked) > 6 else ""
                out.append(Assumption(what, text, "", why, sum(values.values())))
    return out
