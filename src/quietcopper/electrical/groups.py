"""Lines that should arrive together: groups named in the settings, and the lines of a bus told by their names."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from quietcopper.electrical.names import leaf
from quietcopper.electrical.pair_ways import MOST_UNSOLVED
from quietcopper.electrical.parts import CAPACITOR, FERRITE, INDUCTOR, NETWORK, RESISTOR
from quietcopper.electrical.profile import Profile
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import TYPICAL_DELAY, View

FEWEST = 4  # lines of a bus told by their names; common practice, no source
_NUMBERED = re.compile(r"^(.*?)(\d{1,2})(\D*)$")
_SERIES = (RESISTOR, NETWORK, CAPACITOR, INDUCTOR, FERRITE)


@dataclass(frozen=True)
class Group:
    """Nets of one group. name : as in the settings, or the bus's common name; given : named in the settings"""

    name: str
    nets: tuple[int, ...]
    given: bool


@dataclass(frozen=True, eq=False)
class Arrivals:
    """Ways of a group's lines between the same two parts. delay : s, shape (lines,); by_length : too little of a line
    is solved, and lengths count; ends : labels of the two parts; missing : nets of the group without such a way"""

    profiles: tuple[Profile, ...]
    delay: tuple[float, ...]
    by_length: bool
    ends: tuple[str, str]
    missing: tuple[int, ...]


def find_groups(view: View) -> list[Group]:
    """Groups of at least two driven signal nets, those of the settings first, by name."""
    names = view.board.nets
    driven = [n for n, role in enumerate(view.roles) if n and role.kind == SIGNAL and view.drivers[n].swing > 0]
    said: dict[str, list[int]] = defaultdict(list)
    bus: dict[str, list[int]] = defaultdict(list)
    for net in driven:
        group = view.settings.for_net(names[net]).group
        if group:
            said[group].append(net)
        elif group is None and view.drivers[net].kind == "data":
            match = _NUMBERED.match(leaf(names[net]))
            if match and (match[1] or match[3]):
                bus[f"{match[1]}#{match[3]}"].append(net)
    out = [Group(name, tuple(nets), True) for name, nets in sorted(said.items()) if len(nets) > 1]
    return out + [Group(name, tuple(nets), False) for name, nets in sorted(bus.items()) if len(nets) >= FEWEST]


def arrivals(view: View, group: Group) -> Arrivals | None:
    """The ways between the two parts that most of a group's lines join; None where fewer than two do (of a bus told by
    its names, fewer than FEWEST). Series parts of one kind count as one part."""
    ways: dict[tuple[str, str], dict[int, Profile]] = defaultdict(dict)
    for net in group.nets:
        for profile in view.profiles.of(net):
            if min(profile.path.start_pin, profile.path.end_pin) < 0:
                continue
            first, last = sorted(_part(view, pin) for pin in (profile.path.start_pin, profile.path.end_pin))
            before = ways[first, last].get(net)
            if before is None or profile.total_delay > before.total_delay:
                ways[first, last][net] = profile
    if not ways:
        return None
    ends = min(ways, key=lambda key: (-len(ways[key]), -_total(ways[key]), key))
    found = ways[ends]
    if len(found) < (2 if group.given else FEWEST):
        return None
    profiles = tuple(found[net] for net in sorted(found))
    by_length = any(p.unsolved() > MOST_UNSOLVED * p.path.length for p in profiles)
    delay = tuple(p.total_delay for p in profiles)
    if by_length:
        slopes = [p.total_delay / p.path.length for p in profiles if p.solved and p.path.length > 0]
        slope = float(np.mean(slopes)) if slopes else TYPICAL_DELAY
        delay = tuple(p.path.length * slope for p in profiles)
    return Arrivals(profiles, delay, by_length, ends, tuple(n for n in group.nets if n not in found))


def _part(view: View, pin: int) -> str:
    part = int(view.board.pins.part[pin])
    kind = view.part_kinds[part]
    return f"a {kind.kind}" if kind.kind in _SERIES else str(view.board.parts.ref[part])


def _total(ways: dict[int, Profile]) -> float:
    return round(sum(p.total_delay for p in ways.values()), 15)
