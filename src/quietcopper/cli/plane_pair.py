"""`quietcopper plane-pair`: one rectangular plane pair: capacitance, modes, impedance, with or without stitching."""

from __future__ import annotations

import argparse
import json
from typing import Any

from quietcopper.errors import CallError
from quietcopper.units import MM

MODES_SHOWN = 10


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "plane-pair",
        help="capacitance, modes and impedance of one rectangular plane pair",
        description="Two facing rectangular planes with open edges: capacitance, resonances, impedance at a via. With "
        "--stitch-pitch-mm both planes are joined by a grid of vias, solved one by one.",
        epilog="example: quietcopper plane-pair --length-mm 100 --width-mm 80 --height-mm 0.2 --er 4.4",
    )
    p.add_argument("--length-mm", type=float, required=True, metavar="A", help="longer or shorter side")
    p.add_argument("--width-mm", type=float, required=True, metavar="B", help="the other side")
    p.add_argument("--height-mm", type=float, required=True, metavar="H", help="dielectric between the planes")
    p.add_argument("--er", type=float, required=True, metavar="E", help="dielectric constant")
    p.add_argument("--tan-d", type=float, default=0.02, metavar="T", help="loss tangent (0.02: ordinary FR-4)")
    p.add_argument("--stitch-pitch-mm", type=float, metavar="P", help="join both planes by a grid of vias")
    p.add_argument("--via-diameter-mm", type=float, default=0.3, metavar="D", help="of port and grid vias (0.3)")
    p.add_argument("--at-mm", type=float, nargs=2, metavar=("X", "Y"), help="port, from a corner (middle)")
    p.add_argument("--highest-mhz", type=float, metavar="F", help=f"show modes up to here (first {MODES_SHOWN})")
    p.add_argument("--json", action="store_true", help="print capacitance_f, modes_hz and the rest as JSON")


def solve(args: argparse.Namespace) -> dict[str, Any]:
    """Everything the command prints, SI units in the names."""
    import numpy as np

    from quietcopper.fields import cavity, plane_pair, resonators

    a, b = args.length_mm * MM, args.width_mm * MM
    pair = cavity.Pair(args.height_mm * MM, args.er, args.tan_d)
    capacitance = float(pair.capacitance(a) * b)
    radius = args.via_diameter_mm * MM / 2
    if args.highest_mhz is None:
        # Enough for the first ten: Weyl's count with the edges' share, one of them the mode at zero.
        count = 4 * np.pi * (MODES_SHOWN + 8) / (a * b)
        highest = float(pair.frequency(count + (np.pi * MODES_SHOWN / max(a, b)) ** 2))
    else:
        highest = args.highest_mhz * 1e6
    grid = np.empty((0, 2))
    if args.stitch_pitch_mm is not None:
        pitch = args.stitch_pitch_mm * MM
        grid = _grid(a, b, pitch, radius)
        if args.highest_mhz is None:
            highest = max(highest, 1.3 * float(resonators.grid_cutoff(pitch, radius, args.er)))
        port = _between(grid, a, b, pitch)
    else:
        port = np.array([a, b]) / 2
    if args.at_mm is not None:
        port = np.array(args.at_mm) * MM
    if len(grid) and np.min(np.hypot(*(grid - port).T)) < 2 * radius:
        raise CallError("--at-mm: the port stands on a stitching via; choose a place between the vias")
    expansion = plane_pair.expand(pair, a, b, highest, np.vstack([port, grid]), radius)
    tied = expansion.shorted(np.arange(1, 1 + len(grid)))
    if len(grid):
        frequency = pair.frequency(tied.eigenvalues[tied.resonances()])
    else:
        frequency = plane_pair.modes(pair, a, b, highest).frequency
    if args.highest_mhz is None:
        frequency = frequency[:MODES_SHOWN]
    at = np.array([f for f in (1e6, 10e6, 30e6, 100e6, 300e6, 1e9, 3e9, 10e9) if f <= highest])
    z = cavity.impedance(pair, tied, at, [0])[:, 0, 0] if len(at) else np.empty(0, complex)
    return {
        "capacitance_f": capacitance,
        "modes_hz": [float(f) for f in frequency],
        "quality": [float(q) for q in pair.quality(frequency)] if len(frequency) else [],
        "stitching_vias": len(grid),
        "port_mm": [float(v / MM) for v in port],
        "impedance": [
            {"frequency_hz": float(f), "real_ohm": float(v.real), "imag_ohm": float(v.imag)}
            for f, v in zip(at, z, strict=True)
        ],
    }


def _grid(a: float, b: float, pitch: float, radius: float) -> Any:
    """Via grid of the given pitch, centred: (n, 2) m."""
    import numpy as np

    if not pitch > 4 * radius:
        raise CallError("--stitch-pitch-mm: the vias would touch; expected more than twice --via-diameter-mm")
    count = np.maximum(np.floor(np.array([a, b]) / pitch), 1).astype(int)
    if count.prod() > 600:
        raise CallError(f"--stitch-pitch-mm: {count.prod()} vias; expected at most 600 (choose a wider pitch)")
    x = (a - (count[0] - 1) * pitch) / 2 + np.arange(count[0]) * pitch
    y = (b - (count[1] - 1) * pitch) / 2 + np.arange(count[1]) * pitch
    return np.stack(np.meshgrid(x, y, indexing="ij"), -1).reshape(-1, 2)


def _between(grid: Any, a: float, b: float, pitch: float) -> Any:
    """The place in the middle of four vias (or half a pitch beside the only one) that is nearest the centre."""
    import numpy as np

    shift = pitch / 2 * np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]])
    near = grid[np.argmin(np.hypot(grid[:, 0] - a / 2, grid[:, 1] - b / 2))]
    places = near + np.minimum(np.abs(shift), np.array([a, b]) / 4) * np.sign(shift)
    return places[np.argmin(np.round(np.hypot(places[:, 0] - a / 2, places[:, 1] - b / 2), 9))]


def run(args: argparse.Namespace) -> int:
    result = solve(args)
    if args.json:
        print(json.dumps(result, indent=2))
        return 0
    c = result["capacitance_f"]
    print(f"plane pair {args.length_mm:g} x {args.width_mm:g} mm, {args.height_mm:g} mm apart, er {args.er:g}")
    print(f"capacitance   {c * 1e9:.4g} nF, without fringes")
    if result["stitching_vias"]:
        vias = f"{result['stitching_vias']} vias of {args.via_diameter_mm:g} mm"
        print(f"stitching     {vias}, {args.stitch_pitch_mm:g} mm apart")
    print("modes         MHz        quality (tan d and copper, no radiation)")
    for f, q in zip(result["modes_hz"], result["quality"], strict=True):
        print(f"              {f / 1e6:<10.1f} {q:.0f}")
    if not result["modes_hz"]:
        print("              none up to the frequency asked for")
    x, y = result["port_mm"]
    print(f"impedance     at {x:g}, {y:g} mm, a via of {args.via_diameter_mm:g} mm")
    for row in result["impedance"]:
        z = complex(row["real_ohm"], row["imag_ohm"])
        print(f"              {row['frequency_hz'] / 1e6:<7g} MHz  {abs(z):.4g} ohm  ({z.real:.3g} {z.imag:+.3g}j)")
    return 0
