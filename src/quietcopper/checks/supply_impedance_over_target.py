"""A supply whose impedance at a part's pins exceeds what the part's quick current allows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from shapely import Point

from quietcopper.electrical.choices import supply_ways
from quietcopper.electrical.supply_impedance import HIGHEST, LOWEST, Seen, SupplyNetwork
from quietcopper.electrical.view import View
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import engineering

NAME = "supply-impedance-over-target"
QUESTION = "Do the supply's planes and capacitors keep its impedance at each part's pins below what its current allows?"
MECHANISM = """A part's quick change of current makes a voltage over whatever impedance its pins see. Capacitors in
parallel with each other and with the planes have peaks between their resonances, and above them only inductance is
left."""
FORMULA = """Target: voltage times ripple share over the quick change of current. Impedance: nodal solution of the
capacitors with their series resistance and inductance, the ways from pins to planes and to each capacitor, the planes'
capacitance and the regulator's output, from 100 kHz up. Where that comes within 12 dB of the target, planes that face
ground are solved with the capacitors on them at the pins' own places; what they do not hold stays lumped, which is
right below their first mode."""
ALLOWANCES: Mapping[str, Limit] = {
    "highest_mhz": Limit(
        HIGHEST / 1e6,
        "MHz",
        "above, the chip's package and its own capacitance decide (Smith, Anderson and others, IEEE Trans. Advanced "
        "Packaging 22(3), 1999, from memory)",
        "Highest frequency at which the board's impedance is held against the target.",
    ),
}
SOURCES = (
    "Smith, Anderson, Forehand, Pelc, Roy: Power distribution system design methodology and capacitor selection for "
    "modern CMOS technology, IEEE Trans. Advanced Packaging 22(3), 1999: target impedance (from memory)",
    "Bogatin, Signal and Power Integrity Simplified: parallel resonances of capacitors (from memory)",
)
VALUES = tuple(step * 10.0**n for n in range(-8, -4) for step in (1.0, 2.2, 4.7))  # F, that are stocked: IEC 60063, E3
BULK_REACH = 10e-3  # m from the pins; a capacitor for lower frequencies works from there (common practice, no source)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    highest = view.settings.allowance(f"{NAME}.highest_mhz", ALLOWANCES["highest_mhz"].default) * 1e6
    looked, total, without, voltage, unsure = 0, 0, 0, 0, 0
    for network in view.supply_networks.values():
        mine = [c for c in network.supply.consumers if c.feeds < 0 and c.step > 0]
        if not mine:
            continue
        total += 1
        if network.supply.voltage is None:
            voltage += 1
            continue
        seen = [s for c in mine if (s := network.see(c, highest)) is not None]
        if not seen:
            without += 1
            continue
        looked += 1
        unsure += network.lowest > LOWEST
        yield _finding(view, network, sorted(seen, key=lambda s: (-round(s.ratio, 9), s.consumer.part)))
    yield Coverage(NAME, looked, total, "supplies with parts that draw from them")
    if voltage:
        yield NotChecked(NAME, "supplies", "their voltage is unknown; settings: nets.NAME.voltage_v", voltage)
    if unsure:
        yield NotChecked(NAME, "supplies below 10 MHz", "the data do not tell their capacitors' values", unsure)
    if without:
        yield NotChecked(NAME, "supplies", "no capacitor to ground is in reach of what draws from them", without)


def _finding(view: View, network: SupplyNetwork, seen: list[Seen]) -> Finding:
    board, worst = view.board, seen[0]
    net, ref = board.nets[network.supply.net], str(board.parts.ref[worst.consumer.part])
    level, at_frequency = float(worst.level[worst.worst]), float(worst.frequency[worst.worst])
    allowance = Allowance(worst.target, "ohm", _target_source(view, network, worst), "nets.NAME.step_a")
    pin = worst.consumer.pins[0]
    at = (float(board.pins.x[pin]), float(board.pins.y[pin]))
    choice, remedies = _choice(view, network, worst, pin, allowance)
    peaks = [f"{engineering(float(worst.level[p]), 'ohm')} at {_hz(float(worst.frequency[p]))}" for p in worst.peaks]
    near = worst.reaches[0] if worst.reaches else None
    others = [f"{board.parts.ref[s.consumer.part]} {s.ratio:.2g} of its target" for s in seen[1:4]]
    return Finding(
        check=NAME,
        subject=(net,),
        title=f"{net} has {engineering(level, 'ohm')} at {ref}, the target is {engineering(worst.target, 'ohm')}",
        message=f"At {_hz(at_frequency)} {ref}'s pins see {engineering(level, 'ohm')} of {net}; the target for "
        f"{engineering(worst.consumer.step, 'A')} of quick current is {engineering(worst.target, 'ohm')}. Most of the "
        f"current comes from {worst.matters}.",
        place=Place(at, Point(at), (int(max(board.pins.layer[pin], 0)),), (net,), (ref,)),
        predicted=level,
        allowance=allowance,
        cause=CauseHint(choice[0], choice[1], remedies[0].change if remedies else None),
        remedies=remedies,
        evidence={
            "worst_frequency_hz": at_frequency,
            "what_carries_most": worst.matters,
            "anti_resonances": peaks[:4] or "none",
            "capacitors": len(network.caps),
            "inductance_to_nearest_nh": near.inductance * 1e9 if near is not None else "no capacitor is reached",
            "planes": "solved with the capacitors on them" if worst.solved else "lumped",
            "planes_capacitance_pf": worst.plane_capacitance * 1e12,
            "others": others or "none",
            "spectrum": {
                "frequency_hz": worst.frequency[::2].tolist(),
                "level_ohm": worst.level[::2].tolist(),
                "limit_ohm": worst.target,
                "limit_name": "target",
            },
        },
    )


def _target_source(view: View, network: SupplyNetwork, seen: Seen) -> str:
    supply, said = network.supply, view.settings.for_net(view.board.nets[network.supply.net])
    how = "as set" if said.step is not None or seen.consumer.given else "assumed"
    return (
        f"target impedance: {supply.ripple:.2g} of {supply.voltage:g} V over {engineering(seen.consumer.step, 'A')} "
        f"({how}); Smith, Anderson and others, 1999 (from memory)"
    )


def _choice(
    view: View, network: SupplyNetwork, worst: Seen, pin: int, allowance: Allowance
) -> tuple[tuple[str, str], tuple[Remedy, ...]]:
    """The choice behind the worst frequency, and what would help: a capacitor beside the pins where inductance decides,
    more capacitance or damping where a peak below does."""
    net = view.board.nets[network.supply.net]
    inductive = worst.worst == len(worst.level) - 1
    after = allowance.excess_db(worst.added)
    if inductive:
        choice = supply_ways(view, network, worst.reaches[0] if worst.reaches else None, pin)
        beside = supply_ways(view, network, None, pin)
        return (choice.key, choice.title), (Remedy(Proposal(*beside.change), after),)
    at = _hz(float(worst.frequency[worst.worst]))
    if worst.worst in worst.peaks:
        text = f"a capacitor with some tenths of an ohm of series resistance on {net}, against the peak at {at}"
        title = f"The capacitors of {net} resonate against each other at {at}"
        return (f"supply peaks:{net}", title), (Remedy(Proposal(text), None, "not solved"),)
    own = (f"supply capacitance:{net}", f"{net} has too little capacitance")
    wanted = 1 / (2 * np.pi * float(worst.frequency[worst.worst]) * worst.target)
    farad = next((f for f in VALUES if f >= wanted), None)
    beside = supply_ways(view, network, None, pin)
    if farad is None or not beside.change[1]:
        text = f"more capacitance on {net}, of a kind that is still one at {at}"
        return own, (Remedy(Proposal(text), None, "not solved"),)
    text = f"{engineering(farad, 'F')} from {net} to {view.ground_name} beside {view.board.pin_label(pin)}"
    arguments = {**beside.change[2], "within": BULK_REACH, "farad": farad}
    return own, (Remedy(Proposal(text, beside.change[1], arguments), None, "not solved"),)


def _hz(frequency: float) -> str:
    return engineering(float(np.round(frequency, -3)), "Hz")
