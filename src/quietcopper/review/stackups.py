"""The stackup judged, and others of as many layers tried: the same copper on common laminates, the board's own findings
solved again on each."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely

from quietcopper.board import Board, Dielectric
from quietcopper.changes import Changed
from quietcopper.electrical.cables import is_assumed
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY
from quietcopper.electrical.view import View
from quietcopper.electrical.widths import width_for
from quietcopper.findings import Finding, Proposal
from quietcopper.review.laminates import CORE_ER, CORES, PREPREGS, TAN_D, Prepreg
from quietcopper.review.look import Looked
from quietcopper.review.tables import pair_rows, stackup_summary
from quietcopper.review.trial import Bench, try_change
from quietcopper.units import C0, MM

NEAR = 0.10  # a board of another stackup is as thick within this share (IPC-6012 boards are made to 10 %: from memory)
HELD = 0.02  # a width whose impedance is as near to its target stays
SAME_WIDTH = 0.5e-6  # m
AS_IT_IS, REFITTED = "as it is", "as it is, widths refitted"
TOLD_DB = 1.0  # a finding that changes by less is the same


@dataclass(frozen=True)
class Outcome:
    """A stackup and what it leaves. over : findings at or over their allowance; excess : the sum of theirs, dB;
    worst : dB, None for no finding; better, worse : (title, before, after), most excess first; widths : what
    lines with a target are made to, one clause each."""

    name: str
    dielectrics: tuple[Dielectric, ...]
    thickness: float
    over: int
    excess: float
    worst: float | None
    better: tuple[tuple[str, float, float | None], ...] = ()
    worse: tuple[tuple[str, float | None, float], ...] = ()
    widths: tuple[str, ...] = ()

    @property
    def order(self) -> tuple[float, float]:
        """By which stackups are ranked: excess over the allowances first, then the worst."""
        return round(self.excess, 3), round(self.worst if self.worst is not None else -np.inf, 3)


def alternatives(board: Board, most: int) -> list[tuple[str, tuple[Dielectric, ...]]]:
    """Stackups of foil, prepreg and cores with the board's layers and about its thickness, each alike from both sides:
    those that differ most below the outer layers first. Empty for one layer and for an odd number of layers."""
    n = len(board.layers)
    if n < 2 or n % 2:
        return []
    copper = sum(layer.thickness for layer in board.layers)
    wanted = board.thickness
    if n == 2:
        nearest = sorted(CORES, key=lambda t: (round(abs(t + copper - wanted), 7), t))[1 : most + 1]
        return [(f"core {t / MM:.2f} mm", (_core(t),)) for t in nearest]
    found: dict[str, list[tuple[float, str, tuple[Dielectric, ...]]]] = defaultdict(list)
    inner = PREPREGS if n > 4 else PREPREGS[:1]
    for outer, middle, core in product(PREPREGS, inner, CORES):
        cores = n // 2 - 1
        whole = copper + 2 * outer.thickness + cores * core + (cores - 1) * middle.thickness
        if abs(whole - wanted) > NEAR * wanted:
            continue
        sheets: list[Dielectric] = [_ply(outer)]
        for i in range(cores):
            sheets += [_core(core), _ply(middle) if i < cores - 1 else _ply(outer)]
        between = f", {middle.style} between" if n > 4 else ""
        name = f"{outer.style} outside, core{'s' if cores > 1 else ''} of {core / MM:.2f} mm{between}"
        found[outer.style].append((round(abs(whole - wanted), 7), name, tuple(sheets)))
    out = []
    rows = [sorted(found[p.style], key=lambda row: row[:2]) for p in PREPREGS]
    for rank in range(max(map(len, rows), default=0)):
        out += [row[rank][1:] for row in rows if rank < len(row)]
    return out[:most]


def _core(thickness: float) -> Dielectric:
    return Dielectric(thickness, CORE_ER, TAN_D, "core")


def _ply(prepreg: Prepreg) -> Dielectric:
    return Dielectric(prepreg.thickness, prepreg.er, TAN_D, f"prepreg {prepreg.style}")


def try_stackups(
    bench: Bench, before: Looked, most: int, progress: Callable[[str], None] = lambda stage: None
) -> list[Outcome]:
    """The present stackup and others, those that leave least first; of equals the present one. Lines with a target
    get the width that holds it on each; the present one stands with its widths as they are and, where some miss their
    target, once more with widths that hold it."""
    board = bench.board
    out = [_outcome(AS_IT_IS, board, before.findings)]
    for name, sheets in [(REFITTED, board.dielectrics), *alternatives(board, most)]:
        progress(name)
        changed, widths = refitted(bench, dataclasses.replace(board, dielectrics=sheets))
        if name == REFITTED and not widths:
            continue
        trial = try_change(bench, before, Proposal(name), Changed(changed))
        old = {f.id: f for f in (*before.findings, *before.passing)}
        better: list[tuple[str, float, float | None]] = []
        worse: list[tuple[str, float | None, float]] = []
        for finding, left in trial.after.items():
            was = old[finding].excess_db
            if left is not None and was >= 0 and left < was - TOLD_DB:
                better.append((old[finding].title, was, left))
            elif left is not None and left >= 0 and left > was + TOLD_DB:
                worse.append((old[finding].title, was, left))
        worse += [(f.title, None, f.excess_db) for f in trial.new if f.excess_db >= 0 and f.id not in old]
        # by the excess over the allowance, as the ranking
        better.sort(key=lambda row: max(row[2] or 0.0, 0.0) - row[1])
        worse.sort(key=lambda row: max(row[1] or 0.0, 0.0) - row[2])
        outcome = _outcome(name, changed, trial.looked.findings)
        out.append(dataclasses.replace(outcome, better=tuple(better), worse=tuple(worse), widths=widths))
    return sorted(out, key=lambda o: (o.order, o.name != AS_IT_IS))


def refitted(bench: Bench, board: Board) -> tuple[Board, tuple[str, ...]]:
    """The board with the widths that hold the lines' targets, as `electrical.widths.width_for` finds them on the
    section of the longest run of each layer, width and target; and what was done, one clause each.

    The room beside is that of the section; what lies beside a line elsewhere is not moved.
    """
    view = View(board, bench.settings, sections=bench.sections, pictures=False)
    runs, table = view.runs, view.line_table
    groups: dict[tuple[int, float, float], list[int]] = defaultdict(list)
    for row in np.flatnonzero(np.isfinite(table.z0)).tolist():
        target = view.target_of(int(runs.net[row]))
        if target is not None:
            groups[int(runs.layer[row]), round(float(runs.width[row]), 7), target].append(row)
    width, told = board.traces.width.copy(), []
    for (layer, now, target), rows in sorted(groups.items()):
        longest = max(rows, key=lambda row: (round(float(runs.length[row]), 9), -row))
        if abs(float(table.z0[longest]) / target - 1) <= HELD:
            continue
        label = board.layer_label(layer)
        section = table.sections[int(table.section[longest])]
        fit = width_for(section, target, bench.rules.width, bench.rules.spacing)
        if fit is None:
            told.append(f"no width gives {target:g} Ω on {label} in place of {now / MM:.3g} mm")
            continue
        nets = np.unique(runs.net[rows])
        mine = np.isin(board.traces.net, nets) & (board.traces.layer == layer)
        width[mine & (np.abs(board.traces.width - now) < SAME_WIDTH)] = fit
        many = "1 net" if len(nets) == 1 else f"{len(nets)} nets"
        told.append(f"{fit / MM:.3g} mm instead of {now / MM:.3g} mm on {label} for {target:g} Ω ({many})")
    return dataclasses.replace(board, traces=board.traces.replace(width=width)), tuple(told)


def without_assumed_cables(view: View) -> tuple[Settings, tuple[str, ...]]:
    """The view's settings with no cable on connectors of which only their place says that they carry one, and which: a
    ranking must not rest on what was only assumed, and cables would outweigh everything else."""
    settings = dataclasses.replace(view.settings, layers={}, dielectrics={}, masks={})
    refs = tuple(r for r in view.cabled_connectors if is_assumed(view, r))
    none = {ref: {**settings.connectors.get(ref, {}), "cable": False} for ref in refs}
    return dataclasses.replace(settings, connectors={**settings.connectors, **none}), refs


def _outcome(name: str, board: Board, findings: tuple[Finding, ...]) -> Outcome:
    over = [f.excess_db for f in findings if f.excess_db >= 0]
    worst = max((f.excess_db for f in findings), default=None)
    return Outcome(name, board.dielectrics, board.thickness, len(over), float(sum(over)), worst)


def symmetry(board: Board) -> list[str]:
    """What is not alike from both sides, one sentence each: such boards warp (common practice, no source)."""
    out = []
    n = len(board.layers)
    for i in range((n - 1) // 2):
        a, b = board.dielectrics[i], board.dielectrics[n - 2 - i]
        if abs(a.thickness - b.thickness) > 0.1 * max(a.thickness, b.thickness):
            out.append(
                f"Between layers {i + 1} and {i + 2} there are {a.thickness / MM:.3g} mm, "
                f"between {n - 1 - i} and {n - i} {b.thickness / MM:.3g} mm."
            )
    for i in range(n // 2):
        one, other = board.layers[i], board.layers[n - 1 - i]
        if abs(one.thickness - other.thickness) > 0.2 * max(one.thickness, other.thickness):
            out.append(
                f"The copper of layer {i + 1} is {one.thickness * 1e6:.0f} µm, that of layer {n - i} "
                f"{other.thickness * 1e6:.0f} µm."
            )
    return out


def first_modes(view: View) -> list[dict[str, object]]:
    """Ground–supply pairs with their capacitance and the first mode of an open rectangle as long as the pair: half a
    wavelength in its dielectric along the longer side (Novak and Miller, Frequency-Domain Characterization of Power
    Distribution Networks, from memory; ties and capacitors left out, which raise it)."""
    board, facing = view.board, view.facing
    rows = []
    for row in pair_rows(view, of_kinds=(GROUND, SUPPLY)):
        mine = [
            i
            for i in range(len(facing))
            if board.layers[facing.upper_layer[i]].name == row["upper"]
            and board.layers[facing.lower_layer[i]].name == row["lower"]
            and {board.nets[board.areas.net[facing.upper[i]]], board.nets[board.areas.net[facing.lower[i]]]}
            == {row["upper_net"], row["lower_net"]}
        ]
        largest = max(mine, key=lambda i: float(facing.area[i]))
        corners = shapely.get_coordinates(shapely.oriented_envelope(facing.shape(largest)))
        length = float(np.hypot(*np.diff(corners[:3], axis=0).T).max())
        mode = C0 / (2 * length * float(np.sqrt(facing.er[largest])))
        rows.append({**row, "modes_hz": [mode]})
    return rows


def used_widths(view: View) -> list[dict[str, object]]:
    """Impedance range of the signal traces by layer and width, ohm, the most used first."""
    runs, z0 = view.runs, view.line_table.z0
    signal = np.array([role.kind == SIGNAL for role in view.roles])
    groups: dict[tuple[int, float], list[int]] = defaultdict(list)
    for row in np.flatnonzero(signal[runs.net] & np.isfinite(z0)).tolist():
        groups[int(runs.layer[row]), round(float(runs.width[row]), 6)].append(row)
    out = []
    for (layer, width), rows in groups.items():
        out.append(
            {
                "layer": view.board.layers[layer].name,
                "width_mm": width / MM,
                "length_mm": float(runs.length[rows].sum()) / MM,
                "lowest_ohm": float(z0[rows].min()),
                "highest_ohm": float(z0[rows].max()),
            }
        )
    return sorted(out, key=lambda r: -float(r["length_mm"]))  # type: ignore[arg-type]


def widths_on(bench: Bench, outcome: Outcome) -> list[dict[str, object]]:
    """`used_widths` of the same copper on another stackup, where its lines keep the widths that they have."""
    if outcome.widths:
        return []
    board = dataclasses.replace(bench.board, dielectrics=outcome.dielectrics)
    return used_widths(View(board, bench.settings, sections=bench.sections, pictures=False))


def judged(view: View) -> dict[str, object]:
    """The present stackup as plain data: what stackup_summary has, with modes, symmetry and impedances."""
    return {
        **stackup_summary(view),
        "pairs": first_modes(view),
        "symmetry": symmetry(view.board),
        "widths": used_widths(view),
    }


def why_best(best: Outcome, present: Outcome) -> str:
    """One sentence or two on the stackup that leaves least."""
    if best.name == present.name:
        return "None of the others leaves less than the present one."
    changed = [
        f"{a.thickness / MM:.3g} to {b.thickness / MM:.3g} mm between layers {i + 1} and {i + 2}"
        for i, (a, b) in enumerate(zip(present.dielectrics, best.dielectrics, strict=True))
        if abs(a.thickness - b.thickness) > 0.05 * a.thickness
    ]
    text = f"The first leaves {best.over} findings over their allowance instead of {present.over}"
    text += f", {best.excess:.1f} dB in all instead of {present.excess:.1f} dB"
    text += f", because it goes from {', '.join(changed[:4])}." if changed else ", by the widths alone."
    if best.widths:
        text += f" Its widths: {'; '.join(best.widths)}."
    if best.worse:
        title, was, now = best.worse[0]
        text += f" It costs most at: {title}, {'new' if was is None else f'{was:+.1f} dB before'}, {now:+.1f} dB now."
    return text
