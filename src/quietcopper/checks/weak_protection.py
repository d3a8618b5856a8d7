"""A protector at a cable's line that is too inductive, or stands behind the part it should protect."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from shapely import Point

from quietcopper.electrical.border import PROTECTOR, BorderLine, CabledConnector, Shunt, cabled
from quietcopper.electrical.view import View
from quietcopper.findings import (
    Allowance,
    CauseHint,
    Coverage,
    Finding,
    Limit,
    NotChecked,
    Place,
    Proposal,
    Remedy,
)
from quietcopper.units import engineering

NAME = "weak-protection"
QUESTION = "Does the protector of a line from a cable stand before the part it protects, with a short way to ground?"
MECHANISM = """A discharge into a cable's line rises in less than a nanosecond. The inductance of the protector's way
to ground, and of the trace to it where it stands behind the part, adds a voltage that the part sees whatever the
protector's own clamping voltage is."""
FORMULA = """Slope of the first peak of a contact discharge (3.75 A for each kV in 0.8 ns) times the inductance of
the protector's loop of pads, vias and trace down to the ground plane; where it stands behind the part, the line's
inductance from the part to it is added. The protector's own clamping voltage comes on top."""
ALLOWANCES: Mapping[str, Limit] = {
    "residual_v": Limit(
        50.0,
        "V",
        "common practice, no source: a few times what clamps inside a part; 1.3 nH at 8 kV",
        "Voltage beyond the protector's own that a discharge may leave.",
    ),
    "discharge_kv": Limit(8.0, "kV", "IEC 61000-4-2, level 4, contact discharge (from memory)", "Test level."),
}
SOURCES = (
    "IEC 61000-4-2: 3.75 A/kV first peak, 0.6 to 1 ns rise (from memory)",
    "Mounting inductance: fields.vias.capacitor_mounting",
)
PEAK, RISE = 3.75e-3, 0.8e-9  # A for each V of the test, s
PLAIN_LINE = 350e-9  # H/m of a line whose impedance was not solved; lines of 50 to 60 ohm
SHORT_WAY = 0.4e-9  # H, a protector with its ground via beside the pad, over a plane 0.2 mm below


def look(view: View) -> Iterator[Finding | Coverage | NotChecked]:
    allowed = view.settings.allowance(f"{NAME}.residual_v", ALLOWANCES["residual_v"].default)
    level = 1e3 * view.settings.allowance(f"{NAME}.discharge_kv", ALLOWANCES["discharge_kv"].default)
    lines = [(connector, line) for connector in cabled(view) for line in connector.lines]
    with_protector = 0
    bare: set[str] = set()
    seen: set[tuple[str, int, int]] = set()
    for connector, line in lines:
        protector = next((s for s in line.shunts if s.kind == PROTECTOR), None)
        if protector is None:
            if line.protected is not None:
                bare.add(f"{view.board.pin_label(line.pin)}")
            continue
        with_protector += 1
        key = (connector.ref, protector.part, line.net)
        if key not in seen:
            seen.add(key)
            yield _finding(view, connector, line, protector, allowed, level)
    yield Coverage(NAME, with_protector, len(lines), "lines from cables with a protector")
    if bare:
        names = ", ".join(sorted(bare)[:6]) + (" …" if len(bare) > 6 else "")
        yield NotChecked(
            NAME, names, "no protector stands on the way to the part: it is left to the part alone", len(bare)
        )


def _finding(
    view: View, connector: CabledConnector, line: BorderLine, protector: Shunt, allowed: float, level: float
) -> Finding:
    board = view.board
    slope = PEAK * level / RISE
    between = _behind(view, line, protector)
    inductance = protector.inductance + between
    name, ref = board.nets[line.net], str(board.parts.ref[protector.part])
    at = float(board.pins.x[protector.pin]), float(board.pins.y[protector.pin])
    allowance = Allowance(allowed, "V", ALLOWANCES["residual_v"].source, f"{NAME}.residual_v")
    part = str(board.parts.ref[board.pins.part[line.protected[0]]]) if line.protected else ""
    where = f"behind {part}" if between > 0 else (f"before {part}" if part else "on its way")
    change = Proposal(f"put {ref} between {connector.ref} and {part or 'the rest'}, its ground pad on a via of its own")
    return Finding(
        check=NAME,
        subject=(connector.ref, name, ref),
        title=f"{ref} protects {name} weakly"
        if between == 0
        else f"{ref} stands behind {part}, which it should protect",
        message=f"{ref} stands {where} with {engineering(inductance, 'H')} between line and ground: a discharge of "
        f"{level / 1e3:g} kV leaves {engineering(slope * inductance, 'V')} beyond its own clamping voltage.",
        place=Place(at, Point(at), (), (name,), (connector.ref, ref)),
        predicted=slope * inductance,
        allowance=allowance,
        cause=CauseHint(f"protector:{ref}", f"{ref} stands where it helps little", change),
        remedies=(Remedy(change, allowance.excess_db(slope * SHORT_WAY)),) if inductance > SHORT_WAY else (),
        evidence={
            "way_to_ground_nh": protector.inductance * 1e9,
            "line_to_it_nh": between * 1e9,
            "from_connector_mm": protector.at * 1e3,
            "part_from_connector_mm": line.protected[1] * 1e3 if line.protected else None,
        },
    )


def _behind(view: View, line: BorderLine, protector: Shunt) -> float:
    """Inductance of the line from the part to a protector that stands behind it, H; 0 where it stands before."""
    if line.protected is None:
        return 0.0
    _, at, hop = line.protected
    beyond = protector.at - at
    if (protector.hop, beyond) <= (hop, 0.0) or beyond <= 0:
        return 0.0
    net = line.nets[min(protector.hop, len(line.nets) - 1)]
    length = float(view.runs.length[view.runs.net == net].sum())
    z0 = next((z for k in range(len(view.board.layers)) if (z := view.impedance_of(net, k)) is not None), None)
    per_metre = z0 * view.delay_of(net) / length if z0 is not None and length > 0 else PLAIN_LINE
    return beyond * per_metre
