"""A part whose supply pins have no capacitor near, seen by the inductance of the way to it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from shapely import Point

from quietcopper.electrical.choices import supply_ways
from quietcopper.electrical.supplies import Consumer
from quietcopper.electrical.supply_impedance import HIGHEST, Reach, SupplyNetwork
from quietcopper.electrical.view import View
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import engineering

NAME = "capacitor-too-far"
QUESTION = "How much inductance lies between a part's supply pins and the capacitor nearest to them?"
MECHANISM = """A capacitor gives its charge through the loop of pins, traces, holes, planes and its own mounting. That
loop's inductance, not the capacitance, decides what is left of it above some ten megahertz."""
FORMULA = """Traces as strips over the nearest ground plane (Hammerstad and Jensen), half a via pair for each hole, and
between two places of the planes the inductance of two round contacts, (mu0 d/pi) acosh(s/2r). Of all ways to all
capacitors the one with the least. The capacitor's own body is left out."""
ALLOWANCES: Mapping[str, Limit] = {
    "inductance_nh": Limit(
        3.0,
        "nH",
        "1 nH for the mounting (Bogatin; Archambeault; from memory) and as much for the way of either pin (common "
        "practice, no source)",
        "Inductance between a part's supply pins and its nearest capacitor. A part whose quick current needs less gets "
        "more: its target impedance over 2 pi times 100 MHz, where that is the larger.",
    ),
}
SOURCES = (
    "Hammerstad and Jensen, IEEE MTT-S 1980: strip over a plane",
    "Bogatin, Signal and Power Integrity Simplified; Archambeault, PCB Design for Real-World EMI Control: mounting "
    "(from memory)",
)
BESIDE = 0.8e-9  # H, of a capacitor's mounting and way where it stands beside the pins


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    limit = view.settings.allowance(f"{NAME}.inductance_nh", ALLOWANCES["inductance_nh"].default) * 1e-9
    looked, total, without = 0, 0, 0
    for network in view.supply_networks.values():
        for consumer in network.supply.consumers:
            if consumer.feeds >= 0:
                continue
            total += 1
            reaches = network.reaches(consumer)
            if not reaches:
                without += 1
                continue
            looked += 1
            yield _finding(view, network, consumer, reaches, limit)
    yield Coverage(NAME, looked, total, "parts on supplies")
    if without:
        yield NotChecked(NAME, "parts on supplies", "no copper leads from their pins to a capacitor to ground", without)


def _finding(view: View, network: SupplyNetwork, consumer: Consumer, reaches: list[Reach], limit: float) -> Finding:
    board, supply, near = view.board, network.supply, reaches[0]
    net, ref, cap = board.nets[supply.net], str(board.parts.ref[consumer.part]), str(board.parts.ref[near.part])
    target = supply.target(consumer)
    allowed = max(limit, target / (2 * np.pi * HIGHEST)) if target is not None else limit
    allowance = Allowance(allowed, "H", ALLOWANCES["inductance_nh"].source, f"{NAME}.inductance_nh")
    pin = min(consumer.pins, key=lambda p: (_apart(view, p, near.part), p))
    at = (float(board.pins.x[pin]), float(board.pins.y[pin]))
    there = (float(board.parts.x[near.part]), float(board.parts.y[near.part]))
    beside = Proposal(*supply_ways(view, network, None, pin).change)
    choice = supply_ways(view, network, near, pin)
    cause = CauseHint(choice.key, choice.title, Proposal(*choice.change) if choice.change[0] else None)
    layer = int(max(board.pins.layer[pin], 0))
    way = "along traces" if near.direct else "through the planes"
    after = min(near.inductance, BESIDE if near.direct else near.drop + BESIDE)
    parts = [("from the pins", near.drop), ("between the planes", near.spread), ("mounting", near.mounting)]
    return Finding(
        check=NAME,
        subject=(net, ref),
        title=f"{ref}'s nearest capacitor on {net}, {cap}, is {engineering(near.inductance, 'H')} away",
        message=f"From {ref}'s {net} pins to {cap}, {engineering(near.distance, 'm')} off, lie "
        f"{engineering(near.inductance, 'H')} {way}.",
        place=Place(at, Point(at), (layer,), (net,), (ref, cap)),
        predicted=near.inductance,
        allowance=allowance,
        cause=cause,
        remedies=(Remedy(beside, allowance.excess_db(after)),),
        evidence={
            "distance_mm": near.distance * 1e3,
            "next_nearest": [f"{board.parts.ref[r.part]} {engineering(r.inductance, 'H')}" for r in reaches[1:4]],
            "contributions": [{"what": what, "value": value, "unit": "H"} for what, value in parts if value > 0],
            "reach": {
                "from_mm": [at[0] * 1e3, at[1] * 1e3],
                "to_mm": [there[0] * 1e3, there[1] * 1e3],
                "distance_mm": near.distance * 1e3,
                "what": f"nearest capacitor {cap}",
            },
        },
    )


def _apart(view: View, pin: int, part: int) -> float:
    board = view.board
    return round(float(np.hypot(board.pins.x[pin] - board.parts.x[part], board.pins.y[pin] - board.parts.y[part])), 9)
