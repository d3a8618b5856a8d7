"""Design choices that several checks meet: their name and how they are said, the same from every check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from quietcopper.electrical.tables import SIGNAL, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.fields.spectra import knee
from quietcopper.units import C0, engineering

BARRIER_KEY = "split-ground-at-cable.barrier_mm"
BARRIER_MM = 3.0  # common practice, no source; the product's safety standard decides
STITCH_NARROWEST, STITCH_WIDEST = 2e-3, 20e-3  # m; common practice, no source


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
    numbers = [str(int(i) + 1) for i in routed] or ["unknown"]
    pitch = _stitching(view, np.unique(runs.net[over & signal[runs.net]]).tolist(), layer)
    who = f"layer {numbers[0]}" if len(numbers) == 1 else f"layers {', '.join(numbers[:-1])} and {numbers[-1]}"
    pieces = f"{len(supplies)} supplies ({_few(supplies)})" if len(supplies) > 1 else f"supply {''.join(supplies)}"
    return Choice(
        f"supply as reference:{board.layers[layer].name}",
        f"{label[0].upper()}{label[1:]} is {pieces}, and signals of {who} return in it",
        (
            f"{label} becomes ground, tied to the other ground by vias every {engineering(pitch, 'm')} where they fit",
            "area-to-net" if view.ground_name and supplies else "",
            {"layer": layer, "net": view.ground_name, "nets": supplies, "pitch": pitch},
        ),
    )


def _stitching(view: View, nets: list[int], layer: int) -> float:
    """Distance of the vias that tie a ground area to the others, m: a twentieth of the wavelength at the highest knee
    frequency of the lines that refer to it, in steps of 0.5 mm (common practice, no source)."""
    top = max((float(knee(view.drivers[net].rise)) for net in nets if view.drivers[net].swing > 0), default=0.0)
    er = view.dielectric_beside(layer).er
    pitch = C0 / (20 * top * er**0.5) if top > 0 else STITCH_WIDEST
    return round(float(np.clip(pitch, STITCH_NARROWEST, STITCH_WIDEST)) * 2e3) / 2e3


def ground_in_regions(view: View, a: int, b: int) -> Choice:
    """Ground copper in separate regions that signals cross between; a, b : rows in board.areas, one of each region.

    Regions that look like the two sides of a safety barrier are never proposed to be joined: the change is a question.
    """
    areas = view.board.areas
    names = sorted({view.board.nets[net] for net in (areas.net[a], areas.net[b])})
    what = f"two regions of {names[0]}" if len(names) == 1 else f"{names[0]} and {names[1]}"
    sides = sorted(names, key=lambda name: (name != view.ground_name, name))  # the net that stays comes first
    arguments = {"layer": int(areas.layer[a]), "nets": sides}
    change: tuple[str, str, dict[str, Any]] = (f"join {what}", "join-areas", arguments)
    if clearance_between(view, a, b) >= barrier_width(view):
        change = ("ask whether this is a safety barrier; until then nothing may bridge it", "", {})
    title = f"The ground is split into {what}, and signals cross from one to the other"
    return Choice(f"ground regions:{'|'.join(names)}", title, change)


def barrier_width(view: View) -> float:
    """Clearance from which on two pieces of copper look like the sides of a safety barrier, m."""
    return view.settings.allowance(BARRIER_KEY, BARRIER_MM) * 1e-3


def clearance_between(view: View, a: int, b: int) -> float:
    """Smallest clearance on any layer between the connected copper of two areas (rows in board.areas), m.

    inf where they share no layer, 0 where the two are connected.
    """
    areas, group = view.board.areas, view.pieces.group[view.copper.piece_of_area]
    if group[a] == group[b]:
        return 0.0
    smallest = np.inf
    for layer in range(len(view.board.layers)):
        here = areas.layer == layer
        one, other = areas.shape[here & (group == group[a])], areas.shape[here & (group == group[b])]
        if len(one) and len(other):
            nearest = one[shapely.STRtree(one).nearest(other)]
            smallest = min(smallest, float(shapely.distance(nearest, other).min()))
    return float(smallest)


def _few(names: list[str]) -> str:
    return ", ".join(names[:4]) + (" …" if len(names) > 4 else "")
