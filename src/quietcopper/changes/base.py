"""What every edit shares: its result, its error, the rules it must keep, and how it names layers and nets."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from quietcopper.board import Board
from quietcopper.errors import CallError


class ChangeError(CallError):
    """An edit that cannot be made on this board; the message says why in one clause."""


@dataclass(frozen=True)
class Rules:
    """What an edit must keep to, m.

    spacing : least space between copper of different nets; width : narrowest trace
    barrier : clearance from which on two pieces of copper look like the sides of a safety barrier
    """

    spacing: float
    width: float
    barrier: float


@dataclass(frozen=True, eq=False)
class Changed:
    """A board after an edit. notes : what the edit took for granted or leaves to the designer, one sentence each.

    What no table of the board holds:
    series : resistance put in series with the drivers of nets, ohm by name;  edges : their rise times, s by name
    filters : (ohm in series, F to ground) put before pins of connectors, by (connector, net)
    unrouted : nets that lost copper which the designer has still to put elsewhere
    """

    board: Board
    notes: tuple[str, ...] = ()
    series: Mapping[str, float] = field(default_factory=dict)
    unrouted: tuple[str, ...] = ()
    edges: Mapping[str, float] = field(default_factory=dict)
    filters: Mapping[tuple[str, str], tuple[float, float]] = field(default_factory=dict)


def layer_of(board: Board, index: int) -> int:
    """The layer (0..N-1). Raises ChangeError where the board has no such layer."""
    if not 0 <= index < len(board.layers):
        raise ChangeError(f"layer {index + 1} is not on this board, which has layers 1 to {len(board.layers)}")
    return index


def net_of(board: Board, name: str) -> int:
    """Index of a named net. Raises ChangeError where the board has no such net, or for the empty name."""
    if not name or name not in board.net_index:
        raise ChangeError(f"net {name!r} is not on this board")
    return board.net_index[name]


def nets_of(board: Board, names: Iterable[str]) -> list[int]:
    """Indices of several named nets, in order, each once."""
    return list(dict.fromkeys(net_of(board, name) for name in names))


def place_mm(x: float, y: float) -> str:
    """'31.0, 17.3 mm'."""
    return f"{x * 1e3:.1f}, {y * 1e3:.1f} mm"


def named(words: Sequence[str], most: int = 6) -> str:
    """'a, b and c'; of more than `most` the first ones and how many others."""
    if len(words) > most:
        return f"{', '.join(words[:most])} and {len(words) - most} more"
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""
