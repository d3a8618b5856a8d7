"""What each net is for: ground, supply or signal, from the file, names, pins, parts and copper, each with its reason.

The witnesses, strongest first: the settings; the file's own net class; a sure name; copper and pins. A weaker name
needs support from copper, pins or capacitors; where names say nothing, the net with the most copper, pins, vias and
capacitors together is ground, and large copper with capacitors to ground is a supply; where no parts are listed, so is
a net routed wide to many places. All thresholds here are common
practice, no source; whatever they decide is shown with its reason and can be set in the settings file.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from quietcopper.board import Board
from quietcopper.board.model import Bools, Floats, Ints
from quietcopper.electrical import parts
from quietcopper.electrical.families import name_family
from quietcopper.electrical.names import AGAINST, HINT, LIKELY, SILENT, SURE, NameHint, name_hint, words
from quietcopper.electrical.pairs import differential_pairs
from quietcopper.electrical.parts import PartKind, by_reference, part_kinds
from quietcopper.electrical.settings import Settings, same
from quietcopper.electrical.tables import FREE, GROUND, SIGNAL, SUPPLY, Role

__all__ = ["Evidence", "differential_pairs", "net_roles"]

REAL_AREA = 0.005  # of the board: less filled copper than this is a pad or a patch, no witness
PLANE = 0.25  # of the board: an area that covers this much of a layer is a plane
WIDE = 2.0  # times the usual line: most lines of one impedance class are narrower
SPOT = 20e-6  # m; pads this near to each other are one place
PLACES = 12  # pads and holes; a line of low impedance leads to two or three
LEAST_DECOUPLING = 0.9e-9  # F; a smaller capacitor filters a signal and says nothing of supplies


@dataclass(frozen=True, eq=False)
class Evidence:
    """Copper, pins and parts of every net, arrays of shape (nets,).

    share : filled copper on all layers over the board's area; cover : the same on the layer where it is largest,
    layer : that layer; pins, vias : counts; caps : two-net capacitors of 1 nF or more, or of unknown value
    cap_ends : (n, 2) nets of each such capacitor; links : (n, 2) nets joined by a ferrite, inductor, fuse, jumper or
    resistor of at most 1 ohm
    """

    board: Board
    kinds: tuple[PartKind, ...]
    share: Floats
    cover: Floats
    layer: Ints
    pins: Ints
    vias: Ints
    caps: Ints
    cap_ends: Ints
    links: Ints

    @classmethod
    def of(cls, board: Board) -> Evidence:
        count, layers = len(board.nets), len(board.layers)
        size = board.outline.area
        filled = np.zeros((count, layers))
        if len(board.areas):
            np.add.at(filled, (board.areas.net, board.areas.layer), shapely.area(board.areas.shape))
        filled = filled / size if size > 0 else filled * 0.0
        kinds = part_kinds(board)
        ordered = [kinds[part] for part in by_reference(board)]
        cap_ends = [
            k.nets
            for k in ordered
            if k.kind == parts.CAPACITOR and len(k.nets) == 2 and (k.value is None or k.value >= LEAST_DECOUPLING)
        ]
        links = [k.nets for k in ordered if len(k.nets) == 2 and k.pins <= 4 and _passes_supply(k)]
        ends = np.array(cap_ends, np.int32).reshape(-1, 2)
        return cls(
            board=board,
            kinds=kinds,
            share=filled.sum(axis=1),
            cover=filled.max(axis=1),
            layer=filled.argmax(axis=1).astype(np.int32),
            pins=np.bincount(board.pins.net, minlength=count).astype(np.int32),
            vias=np.bincount(board.vias.net[board.vias.plated], minlength=count).astype(np.int32),
            caps=np.bincount(ends.ravel(), minlength=count).astype(np.int32),
            cap_ends=ends,
            links=np.array(links, np.int32).reshape(-1, 2),
        )

    @property
    def has_pins(self) -> bool:
        return len(self.board.pins) > 0

    @cached_property
    def weight(self) -> Floats:
        """Share of the largest copper, pin, via and capacitor count that each net has, 0 to 1, witnesses that exist."""
        total, norm = np.zeros(len(self.share)), 0.0
        for witness, factor in ((self.share, 0.5), (self.pins, 0.2), (self.vias, 0.15), (self.caps, 0.15)):
            tied = np.where(np.arange(len(self.share)) > 0, witness, 0)
            if tied.max() > 0:
                total, norm = total + factor * tied / tied.max(), norm + factor
        return total / norm if norm else total

    def caps_to(self, members: Bools) -> Ints:
        """Number of capacitors between each net and the nets in `members`."""
        out = np.zeros(len(self.share), np.int32)
        for near, far in ((0, 1), (1, 0)):
            np.add.at(out, self.cap_ends[members[self.cap_ends[:, far]], near], 1)
        return out

    def words(self, net: int) -> str:
        """The copper, pins and capacitors of a net in words; "" when there is nothing to say."""
        out = []
        if self.share[net] >= REAL_AREA:
            where = self.board.layer_label(int(self.layer[net]))
            out.append(f"areas over {100 * min(self.cover[net], 1.0):.0f} % of {where}")
        if self.pins[net]:
            out.append(_count(int(self.pins[net]), "pin"))
        elif self.vias[net]:
            out.append(_count(int(self.vias[net]), "hole"))
        if self.caps[net]:
            out.append(_count(int(self.caps[net]), "capacitor"))
        return ", ".join(out)


def _passes_supply(kind: PartKind) -> bool:
    if kind.kind == parts.RESISTOR:
        return kind.value is not None and kind.value <= 1.0
    return kind.kind in (parts.FERRITE, parts.INDUCTOR, parts.FUSE, parts.JUMPER)


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def net_roles(board: Board, settings: Settings) -> tuple[Role, ...]:
    """Role of every net, by net index; net 0 is always free."""
    found = _Inference(board).run()
    out = [Role(FREE, "copper that the file ties to no net"), *found[1:]]
    for net in range(1, len(board.nets)):
        said = settings.for_net(board.nets[net])
        role = out[net]
        kind = said.role or role.kind
        voltage = said.voltage if said.voltage is not None else role.voltage if kind == SUPPLY else None
        differs = kind != role.kind or (said.voltage is not None and not same(said.voltage, role.voltage))
        stated = said.role is not None or said.voltage is not None
        if stated and (differs or settings.counts_as_given(said)):
            out[net] = Role(kind, "set in the settings file", voltage, given=True)
    return tuple(out)


class _Inference:
    """Works the roles out, ground first, because capacitors to ground speak for supplies."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.evidence = Evidence.of(board)
        self.hints = tuple(name_hint(name) for name in board.nets)
        self.roles: list[Role | None] = [None] * len(board.nets)

    def run(self) -> list[Role]:
        self._file_classes()
        self._named_grounds()
        self._negative_rails()
        if not self._members(GROUND).any():
            self._ground_by_weight()
        self._named_supplies()
        self._named_by_pins()
        self._planes_without_name()
        self._supplies_by_capacitors()
        self._wide_lines()
        self._behind_filters()
        self._regulator_voltages()
        return [role or self._signal(net) for net, role in enumerate(self.roles)]

    def _set(self, net: int, kind: str, reason: str, voltage: float | None = None) -> None:
        self.roles[net] = Role(kind, reason, voltage)

    def _members(self, kind: str) -> Bools:
        return np.array([role is not None and role.kind == kind for role in self.roles])

    def _open(self) -> list[int]:
        return [net for net, role in enumerate(self.roles) if role is None and net > 0]

    def _voltage(self, net: int) -> float | None:
        hint = self.hints[net]
        return hint.voltage if hint.kind == SUPPLY and hint.level != AGAINST else None

    def _reason(self, clause: str, net: int) -> str:
        facts = self.evidence.words(net)
        return f"{clause}; {facts}" if facts else clause

    def _file_classes(self) -> None:
        """Only ground and power are believed: many writers call everything a signal."""
        for net in self._open():
            said = self.board.net_classes.get(self.board.nets[net], "").lower()
            if said in ("ground", "gnd"):
                self._set(net, GROUND, self._reason("net class ground in the file", net))
            elif said in ("power", "supply"):
                self._set(net, SUPPLY, self._reason("net class power in the file", net), self._voltage(net))

    def _supported(self, net: int, hint: NameHint) -> bool:
        """Whether copper, pins and capacitors bear a name out, the more the weaker the name is."""
        e = self.evidence
        area = bool(e.share[net] >= REAL_AREA)
        if hint.level == SURE:
            return True
        if hint.level == LIKELY:
            return area or not e.has_pins or bool(e.pins[net] >= 3 or e.caps[net] >= 1)
        if hint.level == HINT:
            return (int(area) + int(e.pins[net] >= 4) + int(e.caps[net] >= 1)) >= 2 or (area and not e.has_pins)
        # a signal's name stands unless the copper is a plane's and many pins hang on it
        return hint.level == AGAINST and bool(e.cover[net] >= PLANE and (e.pins[net] >= 10 or not e.has_pins))

    def _named(self, kind: str) -> None:
        for net in self._open():
            hint = self.hints[net]
            if hint.kind != kind or not self._supported(net, hint):
                continue
            clause = hint.clause
            if hint.level == AGAINST:
                clause = f"{hint.clause}, but its copper is a plane"
            self._set(net, kind, self._reason(clause, net), self._voltage(net))

    def _named_grounds(self) -> None:
        self._named(GROUND)

    def _named_supplies(self) -> None:
        self._named(SUPPLY)

    def _named_by_pins(self) -> None:
        """Nets that the file's own words for pins call supplies (VBUS, VDD), at two pins or beside a capacitor to
        ground; one such pin alone may be fed, or read, by a signal."""
        board, e = self.board, self.evidence
        if not board.pin_functions:
            return
        called: dict[int, list[str]] = defaultdict(list)
        for part, pin, net in zip(board.pins.part.tolist(), board.pins.name, board.pins.net.tolist(), strict=True):
            word = board.pin_functions.get((str(board.parts.ref[part]), str(pin)), "")
            hint = name_hint(word)
            if hint.kind == SUPPLY and hint.level == SURE:
                called[net].append(word)
        to_ground = e.caps_to(self._members(GROUND))
        for net in self._open():
            pins = called.get(net, [])
            if len(pins) >= (1 if to_ground[net] else 2) and self.hints[net].level != AGAINST:
                words_of = ", ".join(repr(word) for word in dict.fromkeys(pins))
                clause = f"{_count(len(pins), 'pin')} that the file calls {words_of}"
                self._set(net, SUPPLY, self._reason(clause, net), self._voltage(net))

    def _negative_rails(self) -> None:
        """VSS beside a heavier GND is the negative rail of a split supply where capacitors lie between the two, or
        where both meet on small parts (an amplifier with VSS needs no second ground pin)."""
        e = self.evidence
        grounds = np.flatnonzero(self._members(GROUND))
        rails = [n for n in grounds if any(re.fullmatch(r"[ADPI]?VSS\w*", w) for w in words(self.board.nets[n]))]
        others = np.zeros(len(self.roles), bool)
        others[[n for n in grounds if n not in rails]] = True
        if not rails or not others.any():
            return
        between = e.caps_to(others)
        for net in rails:
            if e.weight[net] >= e.weight[others].max():
                continue
            chips = [k for k in e.kinds if k.kind == parts.IC and net in k.nets]
            both = [k for k in chips if k.pins <= 16 and others[list(k.nets)].any()]
            if between[net] > e.caps[net] - between[net]:
                clause = f"{_count(int(between[net]), 'capacitor')} tie it to a larger ground"
            elif len(both) >= 2 and 2 * len(both) > len(chips) and e.share[net] < REAL_AREA:
                clause = f"{len(both)} of its {len(chips)} small parts have a larger ground as well"
            else:
                continue
            self._set(int(net), SUPPLY, self._reason(f"name {self.board.nets[net]!r}, but {clause}", int(net)))

    def _ground_by_weight(self) -> None:
        e = self.evidence
        fit = [n for n in self._open() if self.hints[n].kind != SUPPLY or self.hints[n].level in (HINT, AGAINST)]
        if not fit:
            return
        net = fit[int(np.argmax(e.weight[fit]))]
        filled = bool(e.cover[net] >= 0.1)
        tied = bool(e.pins[net] >= 4 and e.caps[net] >= 2 and e.caps[net] >= 0.5 * len(e.cap_ends))
        if e.weight[net] >= 0.5 and (filled or tied):
            named = "no net has a ground's name" if self.hints[net].level == SILENT else self.hints[net].clause
            leads = "the most copper, pins, vias and capacitors together" if filled else "the most pins and capacitors"
            self._set(net, GROUND, self._reason(f"{leads}; {named}", net))

    def _planes_without_name(self) -> None:
        """A plane whose name says nothing: ground or supply by what its capacitors lead to."""
        e = self.evidence
        for net in sorted(self._open(), key=lambda n: (-e.share[n], n)):
            if e.cover[net] < PLANE or self.hints[net].level == AGAINST:
                continue
            grounds, supplies = self._members(GROUND), self._members(SUPPLY)
            to_ground, to_supply = int(e.caps_to(grounds)[net]), int(e.caps_to(supplies)[net])
            heavier = not grounds.any() or e.weight[net] > e.weight[grounds].max()
            if to_supply > to_ground or (to_supply == to_ground and heavier):
                self._set(net, GROUND, self._reason("a plane by its copper, its name says nothing", net))
            else:
                self._set(net, SUPPLY, self._reason("a plane by its copper beside ground", net))

    def _supplies_by_capacitors(self) -> None:
        """Nets that capacitors hold to ground as they hold supplies, unless the name is that of a signal."""
        e = self.evidence
        to_ground = e.caps_to(self._members(GROUND))
        for net in self._open():
            if self.hints[net].level == AGAINST or name_family(self.board.nets[net]) is not None:
                continue
            many = to_ground[net] >= 3 and e.pins[net] >= to_ground[net] + 2
            filled = e.cover[net] >= 0.03 and to_ground[net] >= 2 and e.pins[net] >= 4
            large = e.cover[net] >= 0.1 and to_ground[net] >= 1 and e.pins[net] >= 3
            if many or filled or large:
                clause = f"{_count(int(to_ground[net]), 'capacitor')} to ground"
                self._set(net, SUPPLY, self._reason(clause, net), self._voltage(net))

    def _wide_lines(self) -> None:
        """Where the data list no parts, so that no capacitor can speak: nets routed mostly wide, in several widths, to
        many places."""
        board, traces = self.board, self.board.traces
        open_ = np.array([role is None for role in self.roles])
        open_[0] = False
        if self.evidence.has_pins or not open_[traces.net].any():
            return
        length, width = traces.length[open_[traces.net]], traces.width[open_[traces.net]]
        order = np.argsort(width, kind="stable")
        walked = np.cumsum(length[order])
        usual = float(width[order][np.searchsorted(walked, walked[-1] / 2)])
        wide = traces.width > WIDE * usual * (1 - 1e-6)
        count = len(board.nets)
        whole = np.bincount(traces.net, traces.length, count)
        share = np.bincount(traces.net, traces.length * wide, count) / np.maximum(whole, 1e-9)
        for net in np.flatnonzero(open_ & (share > 0.5)).tolist():
            mine, pads = traces.width[traces.net == net], board.pads.net == net
            spots = np.round(np.stack([board.pads.x[pads], board.pads.y[pads]]) / SPOT)
            places = np.unique(spots, axis=1).shape[1]
            if self.hints[net].level != SILENT or places < PLACES or np.ptp(mine) < 0.1 * usual:
                continue
            clause = f"routed mostly {mine.max() * 1e3:.2g} mm wide, {mine.max() / usual:.2g} times the usual line"
            self._set(net, SUPPLY, self._reason(f"{clause}, to {places} places; the data list no parts", net))

    def _behind_filters(self) -> None:
        """A net behind a ferrite, inductor, fuse or jumper of a supply, with a capacitor to ground, is that supply."""
        e = self.evidence
        to_ground = e.caps_to(self._members(GROUND))
        todo = [*e.links.tolist(), *e.links[:, ::-1].tolist()]
        found = True
        while found:  # one filter may follow another
            found = False
            for near, far in todo:
                source = self.roles[near]
                if source is None or source.kind != SUPPLY or self.roles[far] is not None:
                    continue
                if self.hints[far].level != AGAINST and to_ground[far] >= 1 and e.pins[far] >= 3:
                    clause = f"behind a series part of {self.board.nets[near]!r}"
                    own = self._voltage(far)
                    self._set(far, SUPPLY, self._reason(clause, far), source.voltage if own is None else own)
                    found = True

    def _regulator_voltages(self) -> None:
        """VOUT of a regulator whose value ends in its voltage ("AP2112K-3.3")."""
        for kind, value in zip(self.evidence.kinds, self.board.parts.value, strict=True):
            m = re.search(r"-(\d\.\d{1,2})V?\b", str(value)) if kind.kind == parts.IC and kind.pins <= 8 else None
            for net in kind.nets if m else ():
                role = self.roles[net]
                out = any(w.startswith(("VOUT", "OUT", "VREG")) for w in words(self.board.nets[net]))
                if m and out and role is not None and role.kind == SUPPLY and role.voltage is None:
                    self._set(net, SUPPLY, f"{role.reason}; {m[1]} V by its regulator {value}", float(m[1]))

    def _signal(self, net: int) -> Role:
        hint = self.hints[net]
        facts = self.evidence.words(net) or "no pins and no areas"
        if hint.level == AGAINST:
            return Role(SIGNAL, f"{hint.clause}; {facts}")
        if hint.level != SILENT:
            return Role(SIGNAL, f"{hint.clause} suggests a {hint.kind}, which is not borne out: {facts}")
        return Role(SIGNAL, f"neither its name nor its copper is that of a ground or supply; {facts}")
