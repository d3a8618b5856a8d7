"""Design choices that several checks meet: their name and how they are said, the same from every check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from quietcopper.electrical.tables import SIGNAL, SUPPLY
from quietcopper.electrical.view import View


@dataclass(frozen=True)
class Choice:
    """key : the same wherever the same choice is met; title : one clause; change : in words, as an edit's kind and
    arguments."""

    key: str
    title: str
    change: tuple[str, str, dict[str, Any]]


def supply_as_reference(view: View, layer: int) -> Choice:
    """A layer of supply copper that carries return currents of signals."""
    board, runs = view.board, view.runs
    label = board.layer_label(layer)
    on = board.areas.layer == layer
    supplies = [board.nets[net] for net in np.unique(board.areas.net[on]) if view.roles[net].kind == SUPPLY]
    signal = np.array([role.kind == SIGNAL for role in view.roles])
    over = runs.reference >= 0
    over[over] = board.areas.layer[runs.reference[over]] == layer
    routed = np.unique(runs.layer[over & signal[runs.net]])
    who = " and ".join(board.layer_label(int(i)) for i in routed) or "some"
    pieces = f"{len(supplies)} supplies ({_few(supplies)})" if len(supplies) > 1 else f"supply {''.join(supplies)}"
    return Choice(
        f"supply as reference:{board.layers[layer].name}",
        f"{label[0].upper()}{label[1:]} is {pieces}, and signals of {who} return in it",
        (f"{label} becomes ground", "area-to-net", {"layer": layer, "net": view.ground_name}),
    )


def ground_in_regions(view: View, nets: tuple[int, int], layer: int) -> Choice:
    """Ground copper in separate regions that signals cross between; nets : of the two regions, equal or not."""
    names = sorted({view.board.nets[net] for net in nets})
    what = f"two regions of {names[0]}" if len(names) == 1 else f"{names[0]} and {names[1]}"
    return Choice(
        f"ground regions:{'|'.join(names)}",
        f"The ground is split into {what}, and signals cross from one to the other",
        (f"join {what}", "join-areas", {"layer": layer}),
    )


def _few(names: list[str]) -> str:
    return ", ".join(names[:4]) + (" …" if len(names) > 4 else "")
