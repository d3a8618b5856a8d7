"""The board's border: connectors with a cable, what each of their pins leads to, and what stands on the way.

From a connector's pin inward along series parts (at most two) to the first part that drives or listens; filters and
protectors are the parts from the line to ground on the way. Distances run along the copper where it is known.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from weakref import WeakKeyDictionary

import numpy as np

from quietcopper.board import Board
from quietcopper.board.model import Floats
from quietcopper.electrical import parts
from quietcopper.electrical.emission import carries_radio
from quietcopper.electrical.parts import series_links
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY, Path
from quietcopper.electrical.view import View
from quietcopper.electrical.ways import VIA_RADIUS
from quietcopper.fields.vias import capacitor_mounting
from quietcopper.units import C0, MU0

_NOT_FITTED = re.compile(r"\b(?:NOT ?FITTED|NO ?FIT|DN[PFIM]|NOT ?POPULATED)\b")
# a coaxial cable is its own shield; common practice, no source
_SHIELD = re.compile(r"SHIELD\d*|SHELL\d*|SHLD\d*|SCREEN\d*|BRAID")
_COAX = re.compile(r"(?<![A-Z])(?:BNC|R?P?-?SM[ABP]|MM?CX|U\.?FL|IPEX|COAX\w*)(?![A-Z])")
CAPACITOR, PROTECTOR = "capacitor", "protector"
HOPS = 2  # series parts that a line is followed through; more belong to another stage (common practice, no source)
ACTIVE = (parts.IC, parts.MODULE, parts.OSCILLATOR, parts.TRANSISTOR, parts.SENSOR)
SERIES = (parts.RESISTOR, parts.NETWORK, parts.FERRITE, parts.INDUCTOR, parts.FILTER, parts.TRANSFORMER)
_PROTECTORS = (parts.DIODE, parts.VARISTOR)
CABLE_COMMON_MODE = 150.0  # ohm, a cable's common-mode impedance on the mean: IEC 61000-4-6, CISPR 16-1-2 (from memory)


@dataclass(frozen=True)
class Shunt:
    """A part from a line to ground. pin, ground_pin : rows in board.pins; value : F of a capacitor, else None
    inductance : H, of its own traces, vias and pads down to the ground plane; at : distance along the line from the
    connector's pin, m; hop : series parts between the connector and it"""

    part: int
    pin: int
    ground_pin: int
    kind: str
    value: float | None
    inductance: float
    at: float
    hop: int


@dataclass(frozen=True)
class Series:
    """A part in series, from the connector inward. ohm : 0 where it has none of its own; kind : of the part."""

    part: int
    kind: str
    ohm: float
    hop: int


@dataclass(frozen=True)
class BorderLine:
    """One signal pin of a connector with a cable.

    connector, part : reference and row; pin : row in board.pins; net : its net
    nets : the line's nets from the connector inward; series, shunts : in the order they are met
    protected : (row in board.pins, distance along the line, m, hop) of the first pin of an active part, None for none
    added : (ohm in series, F to ground) that a change puts right before the connector's pin, None for none
    """

    connector: str
    part: int
    pin: int
    net: int
    nets: tuple[int, ...]
    series: tuple[Series, ...]
    shunts: tuple[Shunt, ...]
    protected: tuple[int, float, int] | None
    added: tuple[float, float] | None = None


@dataclass(frozen=True)
class CabledConnector:
    """ground, supply : rows in board.pins of its pins on such nets; lines : its signal pins but radio lines, whose
    carrier is wanted; shielded : as set, else where the connector is coaxial."""

    ref: str
    part: int
    ground: tuple[int, ...]
    supply: tuple[int, ...]
    lines: tuple[BorderLine, ...]
    shielded: bool


_KEPT: WeakKeyDictionary[View, tuple[CabledConnector, ...]] = WeakKeyDictionary()


def cabled(view: View) -> tuple[CabledConnector, ...]:
    """Connectors with a cable, by reference; worked out once for a view."""
    if view not in _KEPT:
        _KEPT[view] = _cabled(view)
    return _KEPT[view]


def _cabled(view: View) -> tuple[CabledConnector, ...]:
    board = view.board
    rows = {str(ref): row for row, ref in enumerate(board.parts.ref)}
    beside: dict[int, list[tuple[int, int, float]]] = {}
    for link in series_links(board, view.part_kinds):
        for a, b in ((link.a, link.b), (link.b, link.a)):
            beside.setdefault(a, []).append((link.part, b, link.ohm or 0.0))
    out = []
    for ref in view.cabled_connectors:
        if ref not in rows:
            continue
        part = rows[ref]
        pins = np.flatnonzero(board.pins.part == part)
        kinds = [view.roles[n].kind for n in board.pins.net[pins]]
        lines = tuple(
            _line(view, ref, part, int(pin), beside)
            for pin, kind in zip(pins, kinds, strict=True)
            if kind == SIGNAL and board.pins.net[pin] != 0 and not carries_radio(view, int(board.pins.net[pin]))
        )
        words = f"{board.parts.value[part]} {board.parts.package[part]}".upper()
        coaxial = _COAX.search(words) is not None or _core_and_shield(board, part)
        shield = bool(view.settings.connectors.get(ref, {}).get("shielded", coaxial))
        of = {k: tuple(int(p) for p, kind in zip(pins, kinds, strict=True) if kind == k) for k in (GROUND, SUPPLY)}
        out.append(CabledConnector(ref, part, of[GROUND], of[SUPPLY], lines, shield))
    return tuple(out)


def _core_and_shield(board: Board, part: int) -> bool:
    """Whether the file's own words for a part's pins are one that is no shield, and a shield."""
    ref = str(board.parts.ref[part])
    names = {str(board.pins.name[pin]) for pin in np.flatnonzero(board.pins.part == part)}
    called = [bool(_SHIELD.fullmatch(board.pin_functions.get((ref, name), "").upper())) for name in sorted(names)]
    return any(called) and called.count(False) == 1


def _line(view: View, ref: str, part: int, pin: int, beside: dict[int, list[tuple[int, int, float]]]) -> BorderLine:
    board = view.board
    net, entry, start = int(board.pins.net[pin]), pin, 0.0
    nets, series, shunts = [net], [], []
    protected: tuple[int, float, int] | None = None
    for hop in range(HOPS + 1):
        here = _on_net(view, net, entry)
        for other, distance in here:
            owner = int(board.pins.part[other])
            kind = view.part_kinds[owner]
            if owner == part:
                continue
            ground = _ground_pin(view, owner, net)
            if _NOT_FITTED.search(str(board.parts.value[owner]).upper()):
                continue
            if ground is not None and kind.kind in (parts.CAPACITOR, *_PROTECTORS):
                name = CAPACITOR if kind.kind == parts.CAPACITOR else PROTECTOR
                way = shunt_inductance(view, other, ground)
                value = kind.value if name == CAPACITOR else None
                shunts.append(Shunt(owner, other, ground, name, value, way, start + distance, hop))
            elif kind.kind in ACTIVE and protected is None:
                protected = other, start + distance, hop
        onward = [
            (through, target, ohm)
            for through, target, ohm in beside.get(net, ())
            if target not in nets and through != part and view.roles[target].kind == SIGNAL
        ]
        if protected is not None or not onward or hop == HOPS:
            break
        through, target, ohm = min(onward, key=lambda o: (str(board.parts.ref[o[0]]), o[1]))
        kind = view.part_kinds[through]
        series.append(Series(through, kind.kind, ohm, hop))
        near = next((d for p, d in here if board.pins.part[p] == through), 0.0)
        start += near
        entry = next((int(p) for p in np.flatnonzero((board.pins.part == through) & (board.pins.net == target))), entry)
        net = target
        nets.append(net)
    ordered = tuple(sorted(shunts, key=lambda s: (s.hop, round(s.at, 9), str(board.parts.ref[s.part]))))
    added = view.settings.filters.get((ref, board.nets[nets[0]]))
    return BorderLine(ref, part, pin, nets[0], tuple(nets), tuple(series), ordered, protected, added)


def _on_net(view: View, net: int, entry: int) -> list[tuple[int, float]]:
    """The other pins of a net with their distance along the copper from one of them, nearest first."""
    pins = view.board.pins
    others = [int(p) for p in np.flatnonzero(pins.net == net) if p != entry]
    if len(others) > 200:  # a bus of that size is no line of a connector
        return []
    found = [(p, along(view, net, entry, p)) for p in others]
    return sorted(found, key=lambda pair: (round(pair[1], 9), view.board.pin_label(pair[0])))


def along(view: View, net: int, a: int, b: int) -> float:
    """Distance between two pins of a net along its copper, m; as the crow flies where the paths do not tell."""
    ways: dict[int, Path] = {}
    for path in view.paths(net):
        ways[path.end_pin] = path
        start = path.start_pin
        if start in (a, b):
            ways.setdefault(start, Path(net, start, start, (), 0.0))
    pins = view.board.pins
    crow = float(np.hypot(pins.x[a] - pins.x[b], pins.y[a] - pins.y[b]))
    if a not in ways or b not in ways:
        return crow
    one, other = ways[a], ways[b]
    common = 0.0
    for step, mate, span, its in zip(one.steps, other.steps, one.spans, other.spans, strict=False):
        if step != mate or span[0] != its[0]:
            break
        if step[0] == "trace":
            common += min(abs(span[1] - span[0]), abs(its[1] - its[0]))
        if span != its:
            break
    return max(one.length + other.length - 2 * common, crow)


def _ground_pin(view: View, part: int, net: int) -> int | None:
    """A pin of a part on ground, None where it has none."""
    pins = view.board.pins
    for pin in np.flatnonzero(pins.part == part).tolist():
        if pins.net[pin] != net and view.roles[pins.net[pin]].kind == GROUND:
            return int(pin)
    return None


def shunt_inductance(view: View, pin: int, ground_pin: int) -> float:
    """Inductance of a part's way from its line to the ground plane, H.

    The loop of part and plane, as a capacitor's mounting (`fields.vias.capacitor_mounting`, pads and vias down to the
    nearest ground area), and the trace from its ground pad to the nearest ground via or area, as a wire over that
    plane at 0.2 µH/m times ln(2h/w + 4), w 0.3 mm; where no via stands within 20 mm, twice the distance counts.
    """
    board, pins = view.board, view.board.pins
    last = len(board.layers) - 1
    side = int(board.parts.side[pins.part[pin]])
    surface = 0 if side == 0 else last
    layers = [
        int(board.areas.layer[a])
        for a in np.flatnonzero(np.isin(board.areas.net, [n for n, r in enumerate(view.roles) if r.kind == GROUND]))
    ]
    planes = sorted({k for k in layers if k != surface}, key=lambda k: abs(k - surface))
    span = float(np.hypot(pins.x[pin] - pins.x[ground_pin], pins.y[pin] - pins.y[ground_pin]))
    span = max(span, 2.5 * VIA_RADIUS)
    reach = _to_ground(view, ground_pin, surface)
    if planes:
        depth = board.distance(*sorted((surface, planes[0])))
        mounting = float(capacitor_mounting(span, VIA_RADIUS, depth))
    else:
        depth, mounting = board.thickness, MU0 / (2 * np.pi) * span * float(np.log(2 * span / 0.3e-3 + 1))
    lead = MU0 / (2 * np.pi) * reach * float(np.log(2 * depth / 0.3e-3 + 4))
    return mounting + lead


def _to_ground(view: View, pin: int, layer: int) -> float:
    """Distance of a ground pin from the nearest via of its net or area of it on its own layer, m."""
    board = view.board
    net, x, y = int(board.pins.net[pin]), float(board.pins.x[pin]), float(board.pins.y[pin])
    vias = np.flatnonzero((board.vias.net == net) & board.vias.plated)
    nearest = float(np.min(np.hypot(board.vias.x[vias] - x, board.vias.y[vias] - y))) if len(vias) else np.inf
    return min(nearest, 20e-3) if nearest <= 20e-3 else 40e-3


# --- connector's own pins ------------------------------------------------------------------------------------------

PIN_LENGTH = 8e-3  # m, of a connector's contact beyond the board; common practice, no source
PIN_RADIUS = 0.3e-3  # m; contacts of 0.6 mm; common practice, no source


@lru_cache(maxsize=4096)
def _pair(distance: float) -> float:
    """Loop inductance of two contacts side by side, H/m: mu0/pi acosh(s/2r), exact for two round wires."""
    return float(MU0 / np.pi * np.arccosh(max(distance / (2 * PIN_RADIUS), 1.0001)))


def return_share(view: View, connector: CabledConnector, pin: int) -> float:
    """Inductance that the return of one pin has in the connector's ground pins, H.

    Half of the loop of the two contacts where one ground pin stands beside it; of several, each `_pair` in parallel
    by distance, which neglects their coupling: common practice for a bound is the nearest alone, this is 1 to 2 dB
    less. Without a ground pin the contact's own inductance to a place one wavelength of 1 GHz away.
    """
    pins = view.board.pins
    distances: Floats = np.array(
        [np.hypot(pins.x[pin] - pins.x[g], pins.y[pin] - pins.y[g]) for g in connector.ground], dtype=float
    )
    if not len(distances):
        return _pair(round(C0 / 1e9, 6)) * PIN_LENGTH / 2
    each = np.array([_pair(round(float(d), 6)) for d in distances]) * PIN_LENGTH / 2
    return float(1 / np.sum(1 / each))
