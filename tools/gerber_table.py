"""Reads every Gerber sample and writes docs/gerber-read.md: what was read or refused, and the copper against a raster.

Boards are looked for at QUIETCOPPER_BOARDS, else ../shared/boards beside the checkout. The copper of each layer is
compared with gerbv's picture of its file (test oracle; a Debian package), inside the board's box.
Each sample is read in a process of its own, so that its memory can be told.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from PIL import Image

from quietcopper.board import Board
from quietcopper.errors import QuietCopperError
from quietcopper.formats import read_board
from quietcopper.formats.archive import open_source
from quietcopper.formats.gerber_set.files import sort_out
from quietcopper.units import INCH, MM

ROOT = Path(__file__).parents[1]
BOARDS = Path(os.environ.get("QUIETCOPPER_BOARDS", ROOT.parent / "shared" / "boards"))
PAGE = ROOT / "docs" / "gerber-read.md"
PIXELS = 18_000  # of the longer side of a raster, at most
DOTS = (10160, 10000, 5080, 4000, 2540, 2000, 1270, 1000, 500, 254, 125, 50)  # per inch, of both systems of units
LIMIT = 0.3  # per cent of deviation that is expected to hold
GERBV_CORNERS = 50  # of a macro's outline: gerbv holds 102 figures of a primitive and draws astray with more
Image.MAX_IMAGE_PIXELS = None
# where gerbv (2.9) departs from the specification, or this comparison cannot hold; tests compute these by hand
NOTES = {
    "single-quadrant": "gerbv cuts G74 arcs that cross an axis",
    "multi-polarity-over-self": "gerbv steps to the right first, the specification up",
    "clear-with-multiple-exposures": "gerbv paints nothing",
    "clear-with-moire": "gerbv leaves a piece out at this resolution",
    "arc-strokes/zero-length": "gerbv paints no dot",
    "02_cr_xy_2_2_rot_30": "gerbv does not know LR",
    "6_vbat": "inverted image: gerbv's frame is another",
}

HEAD = f"""\
# Gerber samples read

Made by `tools/gerber_table.py`. Nets count without the empty name. "copper" is the largest deviation of a layer's
copper area, united from the board's traces, pads and areas inside the board's box, from gerbv's raster of the layer
file; the layer stands beside it. Outlines of macros with more than {GERBV_CORNERS} corners, more than gerbv holds, are
thinned for it. Seconds and memory are those of reading alone, on two shared cores.

"""


def board_copper(board: Board, layer: int) -> Any:
    """All copper of a layer in one shape, arcs and ends finer than the board's own tables have them."""
    t = board.traces.take(board.traces.layer == layer)
    strokes = shapely.buffer(t.lines, t.width / 2, quad_segs=32)
    dots = shapely.is_empty(strokes)
    strokes[dots] = shapely.buffer(shapely.points(t.x0[dots], t.y0[dots]), t.width[dots] / 2, quad_segs=32)
    pads, areas = (table.shape[table.layer == layer] for table in (board.pads, board.areas))
    return shapely.union_all(np.concatenate([strokes, pads, areas]))


def resolution(board: Board, size: float) -> int:
    """Dots per inch for a window `size` (m) long: gerbv rounds widths of strokes to whole pixels, so those of the two
    finest of each system of units are weighed by what this adds to the board's traces."""
    fitting = [d for d in DOTS if size / INCH * d < PIXELS][:4] or [DOTS[-1]]
    t = board.traces

    def added(dots: int) -> float:
        pixels = t.width / INCH * dots
        return abs(float(((np.round(pixels) - pixels) * shapely.length(t.lines)).sum())) / dots

    return min(fitting, key=added)


def peak_mb() -> float:
    """Largest resident memory of this process, MB; what getrusage tells begins with the parent's."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    return int(found[1]) / 1024 if found else float("nan")


def child(path: Path) -> None:
    """Reads one sample and prints what was found as JSON."""
    began = time.perf_counter()
    try:
        board = read_board(path)
    except QuietCopperError as error:
        text = str(error).replace(str(path), path.name).replace(str(BOARDS), "")
        print(json.dumps({"refused": text}))
        return
    seconds = time.perf_counter() - began
    memory = peak_mb()
    copper = [board_copper(board, i) for i in range(len(board.layers))]
    window = np.array(board.outline.bounds)
    if path.is_file():  # a file alone has no outline worth the name
        window = np.array(shapely.total_bounds(np.array(copper, dtype=object))) + np.array([-1, -1, 1, 1]) * MM
    # whole pixels, so that gerbv's picture is the window exactly; the lower left corner lies on the inch grid as well
    dots = resolution(board, float((window[2:] - window[:2]).max()))
    grid = INCH / dots
    window = np.concatenate([np.floor(window[:2] / grid), np.ceil(window[2:] / grid)]) * grid
    found = {
        "dots": dots,
        "seconds": seconds,
        "memory": memory,
        "window": window.tolist(),
        "areas": [shapely.clip_by_rect(c, *window).area for c in copper],
        "layers": [layer.name for layer in board.layers],
        "counts": {name: len(getattr(board, name)) for name in ("traces", "pads", "areas", "vias", "parts", "pins")},
        "nets": len(board.nets) - 1,
        "assumed": len(board.assumptions),
        "problems": list(board.problems),
        "files": [str(f.member.label) for f in sort_out(open_source(path), {}).copper],
    }
    print(json.dumps(found))


def short_outlines(text: str) -> str:
    """A layer file with the long outlines of its macros thinned to as many corners as gerbv holds."""

    def thinned(found: re.Match[str]) -> str:
        corners = np.array(found[3].rstrip(", \n").split(","), dtype=np.float64).reshape(-1, 2)
        if len(corners) <= GERBV_CORNERS:
            return found[0]
        tolerance = 1e-4 * float(np.ptp(corners, axis=0).max())
        while len(corners) > GERBV_CORNERS:
            corners = shapely.get_coordinates(shapely.simplify(shapely.LinearRing(corners), tolerance))
            tolerance *= 1.3
        listed = ",".join(f"{v:.6f}" for v in corners.ravel())
        return f"{found[1]}{len(corners) - 1},{listed},{found[4]}*"

    number = r"[-+]?[\d.]+"
    pattern = rf"(?m)^(4,{number},)(\d+),\s*((?:{number},\s*)+)((?:\$\d+|{number}))\s*\*"
    return re.sub(pattern, thinned, text)


def raster_area(path: str, window: list[float], dots: int) -> float | None:
    """Area (m²) that gerbv paints of a layer file inside a window of whole pixels, None where it cannot."""
    x0, y0, x1, y1 = (v / INCH for v in window)
    with tempfile.TemporaryDirectory() as folder:
        picture, drawn = Path(folder) / "layer.png", Path(folder) / "layer.gbr"
        drawn.write_text(short_outlines(Path(path).read_text(encoding="latin-1")), encoding="latin-1")
        call = ["gerbv", "-x", "png", "-D", str(dots), "-O", f"{x0:.6f}x{y0:.6f}", "-W", f"{x1 - x0:.6f}x{y1 - y0:.6f}",
                "-B", "0", "-a", "-b", "#000000", "-f", "#FFFFFFFF", "-o", str(picture), str(drawn)]  # fmt: skip
        subprocess.run(call, capture_output=True, check=False, timeout=300)
        if not picture.exists():
            return None
        with Image.open(picture) as opened:
            grey = np.asarray(opened.convert("L"))
        return float(grey.sum(dtype=np.float64)) / 255 * (INCH / dots) ** 2


def deviation(found: dict[str, Any]) -> tuple[float, int] | None:
    """Largest deviation from gerbv in per cent, and the layer's number; None where there is nothing to compare."""
    out = []
    for number, (path, area) in enumerate(zip(found["files"], found["areas"], strict=True), 1):
        seen = raster_area(path, found["window"], found["dots"])
        if seen:
            out.append((100 * abs(area / seen - 1), number))
    return max(out, default=None)


def row(name: str, path: Path) -> list[str]:
    call = [sys.executable, __file__, "--child", str(path)]
    answer = subprocess.run(call, capture_output=True, text=True, check=False, timeout=900)
    if answer.returncode:
        return [name, f"FAILED: {answer.stderr.strip().splitlines()[-1]}", *[""] * 11]
    found = json.loads(answer.stdout)
    if "refused" in found:
        return [name, "refused: " + found["refused"].replace("|", "/"), *[""] * 11]
    worst = deviation(found) if shutil.which("gerbv") else None
    counts = found["counts"]
    copper = f"{worst[0]:.3f} % (layer {worst[1]})" if worst else "–"
    note = next((text for key, text in NOTES.items() if key in name), "")
    if worst and worst[0] > LIMIT and not note:
        print(f"{name}: {copper} is beyond {LIMIT} %", file=sys.stderr)
    copper += f"; {note}" if note else ""
    return [
        name, "read", str(len(found["layers"])), str(found["nets"]),
        *(str(counts[k]) for k in ("traces", "pads", "areas", "vias", "parts")),
        copper, f"{found['seconds']:.1f}", f"{found['memory']:.0f}", str(len(found["problems"])),
    ]  # fmt: skip


def table(title: str, rows: list[list[str]]) -> str:
    columns = ["sample", "outcome", "layers", "nets", "traces", "pads", "areas", "holes", "parts", "copper", "s", "MB",
               "problems"]  # fmt: skip
    lines = [f"## {title}", "", "| " + " | ".join(columns) + " |", "|" + " --- |" * len(columns)]
    lines += ["| " + " | ".join(cells) + " |" for cells in rows]
    return "\n".join(lines) + "\n"


def main() -> int:
    if not BOARDS.is_dir():
        print(f"no boards at {BOARDS}; set QUIETCOPPER_BOARDS", file=sys.stderr)
        return 2
    chosen = sys.argv[1:]
    sets = [p for p in sorted(BOARDS.glob("gerber-*")) if p.is_dir() and re.match(r"gerber-\d", p.name)]
    odd = [f for p in sorted(BOARDS.glob("gerber-odd-*")) for f in sorted(p.iterdir())
           if f.suffix.lower() in (".grb", ".ger", ".gbr", ".gp1", ".drl", ".exc")]  # fmt: skip
    micro = sorted(f for f in (BOARDS / "gerber-micro").rglob("*") if f.suffix in (".gbr", ".drl"))
    parts = []
    for title, paths in (("Sets", sets), ("Odd files, each on its own", odd), ("Micro files, each on its own", micro)):
        rows = []
        for path in paths:
            name = path.name if path in sets else str(path.relative_to(BOARDS))
            if chosen and not any(c in name for c in chosen):
                continue
            rows.append(row(name, path))
            print(" | ".join(rows[-1]), flush=True)
        parts.append(table(title, rows))
    if not chosen:
        PAGE.write_text(HEAD + "\n".join(parts), encoding="utf-8")
    return 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child(Path(sys.argv[2]))
    else:
        sys.exit(main())
