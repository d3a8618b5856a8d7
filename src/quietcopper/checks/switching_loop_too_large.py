"""A switching converter whose fast loop has so much inductance that its switches ring."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from shapely import Point

from quietcopper.electrical.converters import GOOD, Converter, FastLoop, fast_loop, find_converters, node_copper
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.ringing import ring_amplitude, ring_frequency
from quietcopper.fields.spectra import full_rise
from quietcopper.findings import Allowance, CauseHint, Coverage, Finding, Limit, NotChecked, Place, Proposal, Remedy
from quietcopper.units import engineering

NAME = "switching-loop-too-large"
QUESTION = "How much inductance has the loop of capacitor, switches and ground that a converter opens and closes?"
MECHANISM = """The current of that loop jumps with every edge, and its inductance rings with the switch's capacitance
at tens to hundreds of megahertz. The ringing stands on the switched node and on the supply, and both radiate."""
FORMULA = """Inductance of the loop on the real copper: sheets on cells with their partial inductances, the plane
below as mirror images, vias to it, parts as strips 0.35 mm above. Ringing: 1/(2 pi sqrt(LC)); its amplitude that of an
undamped L-C driven by the switch's ramp of voltage and current, hypot(V, I sqrt(L/C)) min(1, 1/(pi f t))."""
ALLOWANCES: Mapping[str, Limit] = {
    "ringing_share": Limit(
        0.3,
        "1",
        "switches are chosen with a third of their supply's voltage in reserve (common practice, no source)",
        "Ringing of the switched node beyond the supply, as a share of that supply's voltage.",
    ),
    "switch_pf": Limit(
        100.0,
        "pF",
        "output capacitance of integrated switches of 1 to 3 A (common practice, no source); settings: "
        "loads.REF.switch_pf for one part",
        "Capacitance of a converter's switches where the settings do not tell.",
    ),
}
SOURCES = (
    "Hoer and Love, Journal of Research NBS 69C(2), 1965: partial inductances of tapes (from memory); held to strips "
    "over a plane (Hammerstad and Jensen, IEEE MTT-S 1980)",
    "Lumped L-C with a ramp: any circuit text; held to a circuit simulator",
)
REACH, NEW_FARAD = 3e-3, 1e-6  # m from the switch; F: of the capacitor that is proposed (common practice, no source)


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    share = view.settings.allowance(f"{NAME}.ringing_share", ALLOWANCES["ringing_share"].default)
    found = find_converters(view)
    solved = 0
    for converter in found:
        ref = str(view.board.parts.ref[converter.controller])
        voltage = view.supplies[converter.hot].voltage if converter.hot in view.supplies else None
        if not voltage:
            net = view.board.nets[converter.hot]
            yield NotChecked(NAME, ref, f"the voltage of {net} is unknown; settings: nets.NAME.voltage_v")
            continue
        try:
            loop = fast_loop(view, converter)
        except OutOfRange as e:
            yield NotChecked(NAME, ref, str(e))
            continue
        solved += 1
        yield _finding(view, converter, loop, abs(voltage), share)
    yield Coverage(NAME, solved, len(found), "converters")


def _finding(view: View, c: Converter, loop: FastLoop, voltage: float, share: float) -> Finding:
    board = view.board
    ref, node, hot = str(board.parts.ref[c.controller]), board.nets[c.node], board.nets[c.hot]
    area, own = node_copper(view, c.node)
    said = view.settings.loads.get(ref, {}).get("capacitance")
    default = view.settings.allowance(f"{NAME}.switch_pf", ALLOWANCES["switch_pf"].default) * 1e-12
    capacitance = (float(said) if said is not None else default) + own
    rise = float(full_rise(view.drivers[c.node].rise))
    current = max(
        (s.current for s in view.supplies.values() if any(x.by == c.controller for x in s.sources)), default=0.0
    )

    def ringing(inductance: float) -> float:
        return float(ring_amplitude(inductance, capacitance, voltage, current, rise))

    predicted = ringing(loop.inductance)
    allowance = Allowance(share * voltage, "V", ALLOWANCES["ringing_share"].source, f"{NAME}.ringing_share")
    main = str(board.parts.ref[loop.main])
    at = loop.box.centroid
    frequency = float(ring_frequency(loop.inductance, capacitance))
    ground = board.nets[c.ground]
    pads = np.flatnonzero((board.pins.part == c.upper) & (board.pins.net == c.hot))
    pin = int(pads[0]) if len(pads) else int(np.flatnonzero(board.pins.part == c.upper)[0])
    there = (float(board.pins.x[pin]), float(board.pins.y[pin]))
    nearer = Proposal(
        f"a capacitor from {hot} to {ground} right at {board.parts.ref[c.upper]}'s pads",
        "bridge-gap",
        {"nets": [hot, ground], "at": there, "within": REACH, "farad": NEW_FARAD},
    )
    remedies = [Remedy(nearer, allowance.excess_db(ringing(loop.at_the_pins)))]
    if loop.over_ground is not None:
        kind, arguments = "", {}
        if loop.plane >= 0:
            upper, lower = sorted((loop.plane, 0 if board.parts.side[c.upper] == 0 else len(board.layers) - 1))
            kind, arguments = "set-dielectric", {"upper": upper, "lower": lower, "thickness": GOOD}
        plane = Proposal(f"ground {engineering(GOOD, 'm')} below {ref} and its capacitors", kind, arguments)
        remedies.append(Remedy(plane, allowance.excess_db(ringing(loop.over_ground))))
    remedies.sort(key=lambda r: (r.excess_after_db is None, r.excess_after_db))
    over = f"over {board.layer_label(loop.plane)}" if loop.plane >= 0 else "without a plane below it"
    layer = 0 if board.parts.side[c.upper] == 0 else len(board.layers) - 1
    members = dict.fromkeys(str(board.parts.ref[p]) for p in (c.controller, c.upper, c.lower, *c.capacitors))
    evidence: dict[str, object] = {
        "loop_inductance_nh": loop.inductance * 1e9,
        "with_a_capacitor_at_the_pins_nh": loop.at_the_pins * 1e9,
        "rings_at_hz": frequency,
        "switch_capacitance_pf": capacitance * 1e12,
        "of_it_the_nodes_copper_pf": own * 1e12,
        "node_copper_mm2": area * 1e6,
        "capacitor_that_carries_most": f"{main}, {loop.share:.0%}",
        "rise_ps": rise * 1e12,
        "current_a": current,
    }
    if loop.over_ground is not None:
        evidence["over_ground_at_0.2_mm_nh"] = loop.over_ground * 1e9
    return Finding(
        check=NAME,
        subject=(ref, node),
        title=f"{ref}'s fast loop has {engineering(loop.inductance, 'H')} and rings at {engineering(frequency, 'Hz')}",
        message=f"The loop of {ref} through {main} {over} has {engineering(loop.inductance, 'H')}; with "
        f"{engineering(capacitance, 'F')} of the switch {node} rings by {engineering(predicted, 'V')} at "
        f"{engineering(frequency, 'Hz')}.",
        place=Place((at.x, at.y), Point(at) if loop.box.area == 0 else loop.box, (layer,), (hot, node), tuple(members)),
        predicted=predicted,
        allowance=allowance,
        cause=CauseHint(f"switching loop:{ref}", f"The fast loop of {ref} is large", remedies[0].change),
        remedies=tuple(remedies),
        evidence=evidence,
    )
