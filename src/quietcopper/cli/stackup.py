"""`quietcopper stackup`: the board's stackup judged, and others of as many layers ranked by what they leave."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietcopper.cli import reading
from quietcopper.errors import CallError

if TYPE_CHECKING:
    from quietcopper.review.stackups import Outcome

MOST_WIDTHS = 6  # widths that are told
MOST_TOLD = 3  # widths whose impedance on the best stackup is told
SMALL = 5.0  # times the lowest first resonance of a pair; what rings higher is a small pour


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "stackup",
        help="judge a board's stackup and rank others",
        description="Judges a board's stackup (references and their distance, supply pairs, symmetry, impedances), "
        "then reviews the same copper on other stackups of as many layers, of common laminates, and ranks them by what "
        "they leave over the allowances. Lines with a target get the width that holds it; cables that were only "
        "assumed are left out.",
    )
    p.add_argument("board", metavar="BOARD", type=Path, help=reading.BOARD)
    p.add_argument("-s", "--settings", metavar="SETTINGS.toml", type=Path, help="corrections of what was inferred")
    reading.add_stackup(p)
    p.add_argument("--most", metavar="N", type=int, default=5, help="how many others to try, 0 to 20 (default: 5)")
    p.add_argument("--json", action="store_true", help="all figures as JSON on standard output")
    p.add_argument("-q", "--quiet", action="store_true", help="no progress bar")


def stackups(args: argparse.Namespace) -> dict[str, Any]:
    """Everything the command says, as plain data."""
    from quietcopper.checks import all_checks, allowance_defaults
    from quietcopper.cli.review import at_work
    from quietcopper.electrical.settings import Settings, load_settings
    from quietcopper.electrical.view import View
    from quietcopper.findings.document import plain
    from quietcopper.review.laminates import SOURCES
    from quietcopper.review.look import look
    from quietcopper.review.stackups import (
        AS_IT_IS,
        judged,
        try_stackups,
        why_best,
        widths_on,
        without_assumed_cables,
    )
    from quietcopper.review.trial import Bench

    if not 0 <= args.most <= 20:
        raise CallError(f"--most: found {args.most}, expected 0 to 20")
    settings = load_settings(args.settings, allowance_defaults()) if args.settings else Settings()
    board = reading.read(args.board, settings, args.stackup)
    checks = all_checks()
    as_read = View(board, settings)
    bare, cables = without_assumed_cables(as_read)
    view = View(as_read.board, bare) if cables else as_read
    with at_work(args.quiet) as progress:
        before = look(view, checks, lambda stage: progress(stage, 0, 1))
        bench = Bench.of(view, checks)
        outcomes = try_stackups(bench, before, args.most, lambda stage: progress(stage, 0, 1))
    present = next(o for o in outcomes if o.name == AS_IT_IS)
    return {
        "board": view.board.name,
        "present": plain(judged(view)),
        "ranking": [_row(o) for o in outcomes],
        "why": why_best(outcomes[0], present) if len(outcomes) > 1 else "No other stackup of as many layers was tried.",
        "best_widths": plain(widths_on(bench, outcomes[0])) if outcomes[0].name != AS_IT_IS else [],
        "cables_left_out": list(cables),
        "laminates": list(SOURCES),
    }


def _row(outcome: Outcome) -> dict[str, Any]:
    from quietcopper.findings.document import decibels, rounded
    from quietcopper.units import MM

    def told(rows: Any) -> list[dict[str, Any]]:
        return [{"title": t, "before_db": decibels(a), "after_db": decibels(b)} for t, a, b in rows[:8]]

    return {
        "name": outcome.name,
        "thickness_mm": rounded(outcome.thickness / MM),
        "dielectrics": [
            {"thickness_mm": rounded(d.thickness / MM), "er": rounded(d.er), "tan_d": rounded(d.tan_d)}
            for d in outcome.dielectrics
        ],
        "over": outcome.over,
        "excess_db": decibels(outcome.excess),
        "worst_db": decibels(outcome.worst),
        "widths": list(outcome.widths),
        "better": told(outcome.better),
        "worse": told(outcome.worse),
    }


def run(args: argparse.Namespace) -> int:
    said = stackups(args)
    if args.json:
        print(json.dumps(said, ensure_ascii=False, indent=1))
        return 0
    print("\n".join(lines(said)))
    return 0


def _ohms(row: dict[str, Any]) -> str:
    """'50 Ω', '39 to 45 Ω'."""
    low, high = row["lowest_ohm"], row["highest_ohm"]
    return f"{low:.0f} Ω" if round(low) == round(high) else f"{low:.0f} to {high:.0f} Ω"


def lines(said: dict[str, Any]) -> list[str]:
    """The same as text."""
    present = said["present"]
    out = [f"{said['board'] or 'board'}: {len(present['layers'])} copper layers, {present['thickness_mm']:.3g} mm"]
    wide = max(12, *(len(layer["name"]) for layer in present["layers"]))
    for i, layer in enumerate(present["layers"]):
        out.append(f"  {i + 1}  {layer['name']:<{wide}} {layer['thickness_um']:>4.0f} µm  {layer['carries']}")
        if i < len(present["dielectrics"]):
            sheet = present["dielectrics"][i]
            out.append(f"     {sheet['thickness_mm']:.3g} mm, er {sheet['er']:.3g}  {sheet['material']}".rstrip())
    out += ["", *present["judgement"]]
    lowest = min((pair["modes_hz"][0] for pair in present["pairs"]), default=0.0)
    for pair in present["pairs"][:3]:
        if pair["modes_hz"][0] > SMALL * lowest:
            continue
        first = pair["modes_hz"][0] / 1e6
        out.append(f"{pair['upper_net']} over {pair['lower_net']} as an open rectangle rings from {first:.0f} MHz on.")
    out += present["symmetry"] or ["It is alike from both sides."]
    out.append("")
    for row in present["widths"][:MOST_WIDTHS]:
        out.append(f"{row['width_mm']:.3g} mm on {row['layer']}: {_ohms(row)} ({row['length_mm']:.0f} mm in all)")
    out.append("")
    if len(said["ranking"]) > 1:
        out.append("The same copper on other stackups, by the excess that is left in all: findings at or over their")
        out.append("allowance, their excess added, and the worst one.")
    out.append("   over    in all       worst   thick     stackup")
    for i, row in enumerate(said["ranking"], start=1):
        worst = "-" if row["worst_db"] is None else f"{row['worst_db']:+.1f} dB"
        in_all = f"{row['excess_db']:.1f} dB"
        out.append(f"{i:2d} {row['over']:4d} {in_all:>9} {worst:>11} {row['thickness_mm']:6.3g} mm  {row['name']}")
    out += ["", said["why"]]
    before = {(row["layer"], row["width_mm"]): _ohms(row) for row in present["widths"]}
    then = [
        f"{row['width_mm']:.3g} mm on {row['layer']} {_ohms(row)} instead of {before[row['layer'], row['width_mm']]}"
        for row in said["best_widths"][:MOST_TOLD]
        if (row["layer"], row["width_mm"]) in before
    ]
    if then:
        out.append(
            f"Its lines are not those of now: {'; '.join(then)}. Where an impedance is meant, the widths follow it."
        )
    if not any(row["widths"] for row in said["ranking"]):
        out.append("Widths are as they are: no line that misses a target was found (settings: target_ohm).")
    if said["cables_left_out"]:
        refs = ", ".join(said["cables_left_out"])
        out.append(f"Cables on {refs} were only assumed and are left out here (settings: connectors.REF.cable).")
    return out
