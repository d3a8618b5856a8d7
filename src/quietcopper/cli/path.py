"""`quietcopper path`: what a wave meets on a net's way from pin to pin, as a table or as a Touchstone file; and a
picture of where its return current flows."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietcopper.errors import CallError, OutOfRange
from quietcopper.units import MM

if TYPE_CHECKING:
    from quietcopper.electrical.profile import Profile
    from quietcopper.electrical.view import View

PADS_MM = 0.05  # less of a way across pads is not told
SAME_OHM = 0.05  # pieces that differ by less are one row
_EPILOG = """\
examples:
  quietcopper path board.xml CLK                         every way of the net, from its driver
  quietcopper path board.xml CLK --to U2.5 -o clk.s2p    one of them as scattering parameters
  quietcopper path board.xml CLK --return-map clk.svg --return-hz 1e6
                                                         where its return current flows at 1 MHz

Impedances in brackets were not solved: they go on as next to them. Those of vias are a model's, good to some 30 %."""


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "path",
        help="impedance and delay along a net, as a table or a Touchstone file",
        description="Follows a net from its driving pin to its other pins and prints what a wave meets on the way: "
        "distance, layer, reference, impedance, delay.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("board", metavar="BOARD", type=Path, help="an IPC-2581 file, or a folder or .zip of Gerber files")
    p.add_argument("net", metavar="NET", help="name of the net")
    p.add_argument("--to", metavar="PIN", help="only the way to this pin (U2.5)")
    p.add_argument("-s", "--settings", metavar="SETTINGS.toml", type=Path, help="corrections of what was inferred")
    p.add_argument("-o", "--output", metavar="FILE.s2p", type=Path, help="write the way as a Touchstone file")
    p.add_argument("--highest-hz", type=float, metavar="F", help="of the file (five times the edge's knee)")
    p.add_argument("--points", type=int, default=500, metavar="N", help="of the file, evenly spaced (500)")
    p.add_argument("--reference-ohm", type=float, default=50.0, metavar="R", help="of the file's ports (50)")
    p.add_argument(
        "--return-map",
        metavar="FILE.svg",
        type=Path,
        help="draw where the return current flows on the planes as they are",
    )
    p.add_argument("--return-hz", type=float, metavar="F", help="frequency of that drawing (the edge's knee)")
    p.add_argument("--json", action="store_true", help="print one JSON object")


def _pin(view: View, row: int) -> str:
    return view.board.pin_label(row) if row >= 0 else "a loose end"


def _reference(view: View, profile: Profile, piece: int) -> str:
    """What carries the return: 'layer 2 GND'."""
    area = int(profile.reference[piece])
    if area < 0:
        return ""
    board = view.board
    layer, net = int(board.areas.layer[area]), board.nets[board.areas.net[area]]
    return f"{board.layers[layer].name} {net or 'netless copper'}"


def rows(view: View, profile: Profile) -> list[dict[str, Any]]:
    """The table: pieces in order, neighbouring ones alike put together. mm, ohm and ps in the names."""
    import numpy as np

    out: list[dict[str, Any]] = []
    after = np.cumsum(profile.delay)
    for i in range(len(profile)):
        solved = bool(np.isfinite(profile.z0[i]))
        width = float(profile.width[i])
        row = {
            "from_mm": float(profile.start[i]) / MM,
            "length_mm": float(profile.length[i]) / MM,
            "what": {"trace": f"trace {width / MM:.3g} mm", "via": "via", "area": "pour"}[profile.kind[i]],
            "layer": view.board.layers[int(profile.layer[i])].name,
            "reference": _reference(view, profile, i),
            "z_ohm": float(profile.met[i]) if np.isfinite(profile.met[i]) else None,
            "solved": solved,
            "delay_ps": float(after[i]) * 1e12,
            "why": str(profile.reason[i]),
        }
        before = out[-1] if out else None
        if before is not None and _alike(before, row):
            before["length_mm"] += row["length_mm"]
            before["delay_ps"] = row["delay_ps"]
        else:
            out.append(row)
    return out


def _alike(a: dict[str, Any], b: dict[str, Any]) -> bool:
    if any(a[key] != b[key] for key in ("what", "layer", "reference", "solved", "why")) or a["what"] == "via":
        return False
    return a["z_ohm"] == b["z_ohm"] or (
        a["z_ohm"] is not None and b["z_ohm"] is not None and abs(a["z_ohm"] - b["z_ohm"]) < SAME_OHM
    )


def _way(view: View, profile: Profile) -> dict[str, Any]:
    path = profile.path
    return {
        "from": _pin(view, path.start_pin),
        "to": _pin(view, path.end_pin),
        "length_mm": path.length / MM,
        "delay_ps": profile.total_delay * 1e12,
        "across_pads_mm": profile.across_pads / MM,
        "typical_ohm": profile.typical if profile.solved else None,
        "unsolved_mm": profile.unsolved() / MM,
        "pieces": rows(view, profile),
    }


def _pair(view: View, net: int) -> dict[str, Any] | None:
    """The differential and common impedance of a pair along its positive line; None for a net of no pair."""
    from quietcopper.electrical.pair_ways import pair_sections, pair_way

    pair = next((p for p in view.pairs if net in (p.positive, p.negative)), None)
    way = pair_way(view, pair) if pair is not None else None
    if pair is None or way is None:
        return None
    found = pair_sections(view, way)
    at, length = way.positive.start[found.piece], way.positive.length[found.piece]
    columns = zip(at, length, found.differential, found.common, found.spacing, strict=True)
    return {
        "positive": view.board.nets[pair.positive],
        "negative": view.board.nets[pair.negative],
        "reason": pair.reason,
        "skew_ps": way.skew * 1e12,
        "pieces": [
            {
                "from_mm": float(x) / MM,
                "length_mm": float(n) / MM,
                "differential_ohm": float(d) if d == d else None,
                "common_ohm": float(c) if c == c else None,
                "spacing_mm": float(s) / MM if s < float("inf") else None,
            }
            for x, n, d, c, s in columns
        ],
    }


def _print(view: View, net: str, ways: list[dict[str, Any]], pair: dict[str, Any] | None) -> None:
    driver = view.drivers[view.board.net_index[net]]
    print(f"{net}: {driver.reason}" if driver.reason else net)
    if driver.swing > 0:
        print(f"edge {driver.rise * 1e12:g} ps (10-90 %) of {driver.swing:g} V behind {driver.source:g} ohm")
    for way in ways:
        own = f", mostly {way['typical_ohm']:.1f} ohm" if way["typical_ohm"] is not None else ""
        print(f"\n{way['from']} to {way['to']}: {way['length_mm']:.2f} mm, {way['delay_ps']:.0f} ps{own}")
        if way["across_pads_mm"] >= PADS_MM:
            print(f"{way['across_pads_mm']:.2f} mm of it lead across pads to their middle and are in no row")
        names = f"{'layer':<10} {'what':<14} {'reference':<18}"
        print(f"{'from mm':>9} {'length':>8}  {names} {'Z ohm':>8} {'at ps':>8}  note")
        for row in way["pieces"]:
            z = "?" if row["z_ohm"] is None else f"{row['z_ohm']:.1f}"
            z = z if row["solved"] else f"({z})"
            print(
                f"{row['from_mm']:9.2f} {row['length_mm']:8.2f}  {row['layer']:<10.10} {row['what']:<14} "
                f"{row['reference']:<18.18} {z:>8} {row['delay_ps']:8.1f}  {row['why']}".rstrip()
            )
    if pair is not None:
        print(f"\npair {pair['positive']} and {pair['negative']}: {pair['reason']}")
        late, early = ("positive", "negative") if pair["skew_ps"] > 0 else ("negative", "positive")
        print(f"{pair[late]} arrives {abs(pair['skew_ps']):.2f} ps after {pair[early]}")
        print(f"{'from mm':>9} {'length':>8}  {'gap mm':>8} {'Z diff':>8} {'Z common':>9}")
        for row in pair["pieces"]:
            gap = "-" if row["spacing_mm"] is None else f"{row['spacing_mm']:.3f}"
            modes = [f"{v:.1f}" if v is not None else "?" for v in (row["differential_ohm"], row["common_ohm"])]
            print(f"{row['from_mm']:9.2f} {row['length_mm']:8.2f}  {gap:>8} {modes[0]:>8} {modes[1]:>9}")


def _undrawn(row: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in row.items() if key != "map"}


def run(args: argparse.Namespace) -> int:
    import numpy as np

    from quietcopper.checks import allowance_defaults
    from quietcopper.cli.returns import draw_returns, return_words, solved_returns
    from quietcopper.electrical.settings import Settings, did_you_mean, load_settings
    from quietcopper.electrical.touchstone import two_port, write_touchstone
    from quietcopper.electrical.view import View
    from quietcopper.fields.spectra import knee
    from quietcopper.formats import read_board
    from quietcopper.units import engineering

    if args.points < 2 or args.reference_ohm <= 0 or (args.highest_hz is not None and not args.highest_hz > 0):
        raise CallError("--points must be 2 or more, --highest-hz and --reference-ohm above 0")
    if args.return_hz is not None and (args.return_map is None or not args.return_hz > 0):
        raise CallError("--return-hz must be above 0 and needs --return-map")
    if args.return_map is not None and args.return_map.suffix.lower() != ".svg":
        raise CallError(f"{args.return_map}: a picture's file ends in .svg")
    settings = load_settings(args.settings, allowance_defaults()) if args.settings else Settings()
    view = View(read_board(args.board), settings)
    board = view.board
    net = board.net_index.get(args.net, 0)
    if net == 0:
        raise CallError(f"{args.board}: there is no net {args.net!r}{did_you_mean(args.net, board.nets[1:])}")
    found = view.profiles.of(net)
    if not found:
        raise CallError(f"{args.net}: no way leads from pin to pin through its copper (a plane, or one pin only)")
    chosen = [p for p in found if args.to in (None, _pin(view, p.path.end_pin))]
    if not chosen:
        ends = ", ".join(_pin(view, p.path.end_pin) for p in found)
        raise CallError(f"{args.net}: no way to {args.to!r}; there are ways to {ends}")
    if args.output is not None:
        if args.output.suffix.lower() != ".s2p":
            raise CallError(f"{args.output}: a two-port's Touchstone file ends in .s2p")
        if len(chosen) > 1:
            ends = ", ".join(_pin(view, p.path.end_pin) for p in chosen)
            raise CallError(f"-o takes one way: choose with --to one of {ends}")
    ways, pair = [_way(view, p) for p in chosen], _pair(view, net)
    at = args.return_hz or float(knee(view.drivers[net].rise))
    returns = solved_returns(view, net, chosen, at) if args.return_map is not None else None
    if returns is not None:
        draw_returns(args.return_map, args.net, returns, at)
    if args.json:
        told = {} if returns is None else {"return_hz": at, "returns": [_undrawn(row) for row in returns]}
        print(json.dumps({"net": args.net, "ways": ways, "pair": pair, **told}, indent=2, ensure_ascii=False))
    else:
        _print(view, args.net, ways, pair)
        for row in returns or ():
            title, lines = return_words(row)
            print(f"\n{title}", *lines, sep="\n  ")
        if returns is not None:
            print(f"\n{args.return_map}: the return current at {engineering(at, 'Hz')}")
    if args.output is not None:
        highest = args.highest_hz or 5 * float(knee(view.drivers[net].rise))
        frequency = highest * np.arange(1, args.points + 1) / args.points
        try:
            port = two_port(view, chosen[0], frequency, args.reference_ohm)
        except OutOfRange as problem:
            raise CallError(f"{args.net}: {problem}") from problem
        title = f"{args.net} from {ways[0]['from']} (port 1) to {ways[0]['to']} (port 2)"
        write_touchstone(port, args.output, title)
        if not args.json:
            print(f"\n{args.output}: {args.points} frequencies up to {highest / 1e9:g} GHz, {args.reference_ohm:g} ohm")
            for note in port.notes:
                print(f"  {note}")
    return 0
