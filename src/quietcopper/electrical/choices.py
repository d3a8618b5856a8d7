"""Design choices that several checks meet: their name and how they are said, the same from every check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.view import PLANE, View
from quietcopper.fields.spectra import knee
from quietcopper.units import C0, engineering, listed

if TYPE_CHECKING:
    from quietcopper.electrical.supply_impedance import Reach, SupplyNetwork

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
    """A layer of supply copper that carries return currents of signals: a plane that could be ground, or pieces of
    supply on a layer that is for something else, which is never proposed to become a plane."""
    board, runs = view.board, view.runs
    label = board.layer_label(layer)
    on = board.areas.layer == layer
    supplies = [board.nets[net] for net in np.unique(board.areas.net[on]) if view.roles[net].kind == SUPPLY]
    signal = np.array([role.kind == SIGNAL for role in view.roles])
    over = runs.reference >= 0
    over[over] = board.areas.layer[runs.reference[over]] == layer
    routed = np.unique(runs.layer[over & signal[runs.net]])
    numbers = [str(int(i) + 1) for i in routed]
    pitch = stitching_pitch(view, np.unique(runs.net[over & signal[runs.net]]).tolist(), layer)
    layers = f"layer{'s' if len(numbers) > 1 else ''} {listed(numbers, len(board.layers))}"
    who = f"signals of {layers} return in" if numbers else "lines change layers through"
    pieces = f"{len(supplies)} supplies ({_few(supplies)})" if len(supplies) > 1 else f"supply {''.join(supplies)}"
    supply = np.array([role.kind == SUPPLY for role in view.roles])[board.areas.net]
    if float(shapely.area(board.areas.shape[on & supply]).sum()) < PLANE * board.outline.area:
        return Choice(
            f"supply as reference:{board.layers[layer].name}",
            f"Pieces of {pieces} lie on {label}, and {who} them",
            (f"lead the signals beside the pieces of supply on {label}, or put ground in their place", "", {}),
        )
    return Choice(
        f"supply as reference:{board.layers[layer].name}",
        f"{label[0].upper()}{label[1:]} is {pieces}, and {who} it",
        (
            f"{label} becomes ground, tied to the other ground by vias every {engineering(pitch, 'm')} where they fit",
            "area-to-net" if view.ground_name and supplies else "",
            {"layer": layer, "net": view.ground_name, "nets": supplies, "pitch": pitch},
        ),
    )


def stitching_pitch(view: View, nets: list[int], layer: int) -> float:
    """Distance of the vias that tie a ground area to the others, m: a twentieth of the wavelength at the highest knee
    frequency of the lines that refer to it, in steps of 0.5 mm (common practice, no source)."""
    fastest = min((view.drivers[net].rise for net in nets if view.drivers[net].swing > 0), default=0.0)
    top = float(knee(fastest)) if fastest > 0 else 0.0
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


def openings_in_plane(view: View, row: int, crossers: int) -> Choice:
    """Openings in one net's copper on a layer that lines cross, `crossers` of them; row : of view.gaps, for one such
    opening."""
    board, gaps = view.board, view.gaps
    layer, net = int(gaps.reference[row]), board.nets[board.areas.net[gaps.before[row]]]
    label, name = board.layer_label(layer), net or "netless copper"
    who = "1 line crosses" if crossers == 1 else f"{crossers} lines cross"
    kind, arguments = ("close-openings", {"layer": layer, "net": net}) if net else ("", {})
    change: tuple[str, str, dict[str, Any]] = (f"close the openings in {name} on {label}", kind, arguments)
    return Choice(f"openings:{board.layers[layer].name}:{net}", f"{name} on {label} is open, and {who} it", change)


def led_at_edge(view: View, net: int, layer: int) -> Choice:
    """A net that is led at the edge of what it refers to on a layer, or beyond it."""
    board = view.board
    name = board.nets[net]
    title = f"{name} on {board.layer_label(layer)} is led at the edge of its reference, or beyond it"
    return Choice(f"edge:{name}:{board.layers[layer].name}", title, ("", "", {}))


def loose_pour(view: View, layer: int) -> Choice:
    """Pour on a layer that was left as it came: pieces tied to nothing, strips tied at one end only."""
    label = view.board.layer_label(layer)
    return Choice(
        f"loose pour:{view.board.layers[layer].name}",
        f"Pour on {label} was left with parts that nothing ties, or only one end",
        (f"tie or remove the loose parts of the pour on {label}", "", {}),
    )


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


def supply_ways(view: View, network: SupplyNetwork, near: Reach | None, pin: int) -> Choice:
    """Where a supply's capacitors stand: on planes that are far apart, or far from the pins that need them.

    near : the way that decides; pin : row in board.pins of the pins' own, where a capacitor would be added
    """
    board, net = view.board, view.board.nets[network.supply.net]
    if near is not None and near.spread > near.drop + near.mounting:
        facing, areas = view.facing, board.areas
        kinds = np.array([role.kind for role in view.roles])
        nets = np.stack([areas.net[facing.upper], areas.net[facing.lower]])
        rows = np.flatnonzero((nets == network.supply.net).any(axis=0) & (kinds[nets] == GROUND).any(axis=0))
        if len(rows):
            row = max(rows.tolist(), key=lambda i: (round(float(facing.area[i]), 12), -i))
            upper, lower = int(facing.upper_layer[row]), int(facing.lower_layer[row])
            far = engineering(float(facing.distance[row]), "m")
            key = f"spacing:{board.layers[upper].name}:{board.layers[lower].name}"
            return Choice(key, f"Ground and supply on layers {upper + 1} and {lower + 1} are {far} apart", ("", "", {}))
    at = (float(board.pins.x[pin]), float(board.pins.y[pin]))
    change = (
        f"a capacitor from {net} to {view.ground_name} beside {board.pin_label(pin)}",
        "bridge-gap" if view.ground_name else "",
        {"nets": [net, view.ground_name], "at": at, "within": 3e-3},
    )
    return Choice(f"supply capacitors:{net}", f"The capacitors of {net} stand far from the pins that need them", change)
