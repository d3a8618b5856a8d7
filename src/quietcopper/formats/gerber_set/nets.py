"""Net names: from attributes, else from a netlist, else rebuilt from the copper that hangs together.

Connected copper without any name is named after its first pin ("C3.1") where pins are known, else after its place:
N and the tenths of a millimetre, right and up from the board's lower left corner, of its lowest leftmost pad or hole.
So a name stays the same when the files are read again, in any order, and in another revision that leaves the place
alone. Copper without a pad or hole, and a pad or hole with nothing tied to it, has no net.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.board.contacts import AREA, BARREL, PAD, Elements, bodies, contacts
from quietcopper.board.model import Bools, Ints
from quietcopper.board.naming import natural
from quietcopper.formats.counts import Counts

MOST_NAMED = 6  # conflicts that a sentence names; the rest is counted


@dataclass(frozen=True)
class Votes:
    """Names that a netlist gives to copper: rows of pads or holes (-1 for none) and the name, one entry a record."""

    pad: Ints
    hole: Ints
    name: tuple[str, ...]


@dataclass(frozen=True)
class Connected:
    """Copper that hangs together. body : of every element; holes : body of every hole, -1 for one that touches none."""

    elements: Elements
    body: Ints
    holes: Ints


def connected(board: Board) -> Connected:
    """board : with whatever nets its objects have, which play no part."""
    elements = Elements.of(board)
    body = bodies(elements, *contacts(board, elements))
    first = elements.first[BARREL]
    holes = np.full(len(board.vias), -1, dtype=np.int32)
    solid = np.zeros(int(body.max(initial=-1)) + 1, dtype=np.bool_)
    solid[body[:first]] = True
    barrels = np.flatnonzero(solid[body[first:]]) + first if len(body) else np.empty(0, dtype=np.int64)
    holes[elements.row[barrels]] = body[barrels]
    return Connected(elements, body, holes)


def name_nets(board: Board, found: Connected, idle: Bools, votes: Votes | None, counts: Counts) -> Board:
    """The board with every object's net.

    board : net columns hold the attributes' nets, 0 where there is none; idle : traces, pads and areas, one after the
    other, that the files themselves tie to no net; votes : of a netlist, used for copper without attributes
    """
    elements, body = found.elements, found.body
    count = int(body.max(initial=-1)) + 1
    names: list[str] = list(board.nets)
    index = {name: i for i, name in enumerate(names)}
    net = elements.net.astype(np.int64).copy()
    net[elements.kind == BARREL] = 0
    main, clashes = _majority(body, net, count, names)
    if votes is not None:
        voted = _voted(board, found, votes, names, index)
        _compare(body, net, voted, names, counts)
        open_ = main[body] == 0
        second, more = _majority(body[open_], voted[open_], count, names)
        own = open_ & (voted > 0)
        net[own] = voted[own]
        main = np.where(main == 0, second, main)
        clashes += more
    _tell_clashes(clashes, names, counts)
    rebuilt = _rebuilt(board, found, idle, main, index)
    for number, name in rebuilt:
        index[name] = len(names)
        main[number] = len(names)
        names.append(name)
    if rebuilt:
        how = "after a pin of theirs" if len(board.pins) else "after their place"
        why = f"the files name no net there; connected copper, named {how}"
        counts.assume("net names", len(rebuilt), "nets", why, len(rebuilt))
    net = np.where(net == 0, main[body] if count else 0, net)
    net[: len(idle)][idle & (elements.net[: len(idle)] == 0)] = 0
    return _with_nets(board, found, net, main, names)


def _majority(
    body: NDArray[np.int32], net: NDArray[np.int64], count: int, names: list[str]
) -> tuple[NDArray[np.int64], list[tuple[int, ...]]]:
    """The net that most elements of each body bear, of equals the first by name; and the bodies with several."""
    main = np.zeros(count, dtype=np.int64)
    use = net > 0
    if not use.any():
        return main, []
    by_name = np.empty(len(names), dtype=np.int64)
    by_name[sorted(range(len(names)), key=lambda i: natural(names[i]))] = np.arange(len(names))
    pairs, votes = np.unique(np.stack([body[use].astype(np.int64), net[use]]), axis=1, return_counts=True)
    order = np.lexsort((by_name[pairs[1]], -votes, pairs[0]))
    pairs = pairs[:, order]
    which, first, several = np.unique(pairs[0], return_index=True, return_counts=True)
    main[which] = pairs[1][first]
    clashes = [tuple(pairs[1][at : at + n].tolist()) for at, n in zip(first, several, strict=True) if n > 1]
    return main, clashes


def _voted(board: Board, found: Connected, votes: Votes, names: list[str], index: dict[str, int]) -> NDArray[np.int64]:
    """Net that the netlist gives to each element, 0 for none; names grows."""
    elements = found.elements
    out = np.zeros(len(elements), dtype=np.int64)
    barrel_of = np.searchsorted(elements.row[elements.first[BARREL] :], np.arange(len(board.vias)))
    for pad, hole, name in zip(votes.pad.tolist(), votes.hole.tolist(), votes.name, strict=True):
        if not name:
            continue
        if name not in index:
            index[name] = len(names)
            names.append(name)
        if pad >= 0:
            out[elements.first[PAD] + pad] = index[name]
        elif hole >= 0 and found.holes[hole] >= 0:
            out[elements.first[BARREL] + barrel_of[hole]] = index[name]
    return out


def _compare(
    body: NDArray[np.int32], net: NDArray[np.int64], voted: NDArray[np.int64], names: list[str], counts: Counts
) -> None:
    """Tells where netlist and attributes divide the copper differently; other spellings of one net are no matter."""
    main, _ = _majority(body, net, int(body.max(initial=-1)) + 1, names)
    both = (voted > 0) & (main[body] > 0)
    pairs = np.unique(np.stack([main[body[both]], voted[both]]), axis=1)
    told = []
    for own, other in ((0, 1), (1, 0)):
        which, times = np.unique(pairs[own], return_counts=True)
        for each in which[times > 1].tolist():
            others = sorted(names[i] for i in pairs[other][pairs[own] == each].tolist())
            said = ("the layers", "the netlist") if own == 0 else ("the netlist", "the layers")
            told.append(f"{names[each]} of {said[0]} is {_few(others)} in {said[1]}")
    if told:
        counts.problem(f"Nets that the layers' attributes and the netlist see differently: {_few(sorted(told), '; ')}.")


def _tell_clashes(clashes: list[tuple[int, ...]], names: list[str], counts: Counts) -> None:
    if clashes:
        told = sorted({" and ".join(sorted((names[i] for i in each), key=natural)) for each in clashes})
        counts.problem(
            f"Connected pieces of copper with more than one net name: {len(clashes)} ({_few(told, '; ')}). Each object "
            "keeps its own name; what has none takes the commonest."
        )


def _few(words: list[str], join: str = ", ") -> str:
    rest = len(words) - MOST_NAMED
    return join.join(words[:MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")


def _rebuilt(
    board: Board, found: Connected, idle: Bools, main: NDArray[np.int64], taken: dict[str, int]
) -> list[tuple[int, str]]:
    """Bodies without a name that are nets, with the name made for each, ordered by place."""
    elements, body = found.elements, found.body
    count = len(main)
    pads, vias = board.pads, board.vias
    pad_body = body[elements.first[PAD] : elements.first[AREA]]
    idle_pad = idle[elements.first[PAD] : elements.first[AREA]]
    loose = np.flatnonzero((pads.via < 0) & ~idle_pad)
    drilled = np.flatnonzero(found.holes >= 0)
    terminals = np.bincount(pad_body[loose], minlength=count) + np.bincount(found.holes[drilled], minlength=count)
    solid = elements.first[BARREL]
    conductors = np.bincount(body[:solid][~idle & (elements.kind[:solid] != PAD)], minlength=count)
    x = np.concatenate([pads.x[loose], (vias.x[drilled] + vias.x1[drilled]) / 2])
    y = np.concatenate([pads.y[loose], (vias.y[drilled] + vias.y1[drilled]) / 2])
    layer = np.concatenate([pads.layer[loose], vias.first[drilled]])
    of = np.concatenate([pad_body[loose], found.holes[drilled]])
    shapely.prepare(board.outline)
    inside = np.bincount(of, weights=shapely.intersects_xy(board.outline, x, y), minlength=count) > 0
    wanted = (main == 0) & inside & ((terminals >= 2) | ((terminals == 1) & (conductors > 0)))
    # the terminals of each body in tenths of a millimetre from the lower left, the lowest of the leftmost first
    x0, y0 = board.outline.bounds[:2]
    x, y = x - x0, y - y0
    # a place on the border of two tenths must not fall here in one file and there in another that rounds differently
    grid = np.floor(np.round(np.stack([x, y], axis=-1) / 1e-4, 2) + 0.5).astype(np.int64)
    rows = np.flatnonzero(wanted[of])
    rows = rows[np.lexsort((layer[rows], grid[rows, 1], grid[rows, 0]))]
    which, first = np.unique(of[rows], return_index=True)
    anchor = rows[first]
    order = np.lexsort((layer[anchor], grid[anchor, 1], grid[anchor, 0]))
    label = _pin_labels(board, found) if len(board.pins) else {}
    out, used = list[tuple[int, str]](), set(taken)
    for i in order.tolist():
        number = int(which[i])
        gx, gy = (max(int(v), 0) for v in grid[anchor[i]])
        name = label.get(number, f"N{gx:04d}{gy:04d}")
        plain, again = name, 1
        while name in used:
            again += 1
            name = f"{plain}{again}"
        used.add(name)
        out.append((number, name))
    return out


def _pin_labels(board: Board, found: Connected) -> dict[int, str]:
    """The first pin of each body, by reference and name."""
    elements = found.elements
    pad_body = found.body[elements.first[PAD] : elements.first[AREA]]
    out: dict[int, str] = {}
    rows = np.flatnonzero(board.pads.pin >= 0)
    for number, pin in zip(pad_body[rows].tolist(), board.pads.pin[rows].tolist(), strict=True):
        label = board.pin_label(pin)
        if number not in out or natural(label) < natural(out[number]):
            out[number] = label
    return out


def _with_nets(
    board: Board, found: Connected, net: NDArray[np.int64], main: NDArray[np.int64], names: list[str]
) -> Board:
    """The board with the net of every element; names sorted, those that nothing bears left out."""
    elements = found.elements
    a, b, c = elements.first[PAD], elements.first[AREA], elements.first[BARREL]
    traces, pads, areas = net[:a], net[a:b], net[b:c]
    vias = np.where(found.holes >= 0, main[found.holes] if len(main) else 0, 0)
    linked = np.flatnonzero((board.pads.via >= 0) & (pads > 0))
    vias[board.pads.via[linked][::-1]] = pads[linked][::-1]
    vias[~board.vias.plated] = 0
    pins = np.zeros(len(board.pins), dtype=np.int64)
    held = np.flatnonzero(board.pads.pin >= 0)
    pins[board.pads.pin[held][::-1]] = pads[held][::-1]
    used = np.unique(np.concatenate([traces, pads, areas, vias, pins]))
    order = sorted((int(i) for i in used if i > 0), key=lambda i: natural(names[i]))
    new = np.zeros(len(names), dtype=np.int32)
    new[order] = np.arange(1, len(order) + 1)
    return dataclasses.replace(
        board,
        nets=("", *(names[i] for i in order)),
        traces=board.traces.replace(net=new[traces]),
        pads=board.pads.replace(net=new[pads]),
        areas=board.areas.replace(net=new[areas]),
        vias=board.vias.replace(net=new[vias]),
        pins=board.pins.replace(net=new[pins]),
    )
