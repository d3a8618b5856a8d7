"""Time of a whole review by stage on all cores, on built boards of growing size, the largest of 2,000 trace pieces:
once over whole ground and once all across a split supply. How far one is from a review while waiting."""

from __future__ import annotations

import time

import numpy as np

from quietcopper.board import Board
from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.demo import revision_a
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.review import review
from quietcopper.workers import several_processes

DRIVEN = Settings(
    patterns={"N*": NetSettings(role="signal", kind="data", swing=3.3, rise=1e-9, source=35.0, rate=50e6)}
)


def routed(lines: int, *, split: bool) -> Board:
    """Parallel and crossing lines on layers 1 and 4 with vias between, over ground and more ground, or a supply cut
    in two."""
    rng = np.random.default_rng(3)
    size = 20 + lines * 0.9
    b = small_board(size_mm=(120.0, size), ground=(2,) if split else (2, 3))
    if split:
        b.net("3V3", kind="power")
        b.net("5V", kind="power")
        b.pour("3V3", 3, rectangle(0.5, 0.5, 59.8, size - 0.5), keep_islands=True)
        b.pour("5V", 3, rectangle(60.2, 0.5, 119.5, size - 0.5), keep_islands=True)
    for i in range(lines):
        y = 10 + i * 0.9
        b.part(f"R{i}A", chip("0402"), (6, y), nets=("", f"N{i}"))
        b.part(f"R{i}B", chip("0402"), (114, y), nets=(f"N{i}", ""))
        places = [round(float(x), 2) for x in np.sort(rng.uniform(15, 105, 2))]
        steps = [(places[0], y), Hop(4), (places[0] + 3, y + 0.3), (places[1] + 3, y + 0.3), (places[1] + 6, y), Hop(1)]
        b.route(f"N{i}", f"R{i}A.2", *steps, f"R{i}B.1")
    return b.build()


def main() -> None:
    boards = {"demo, revision A": revision_a()}
    for lines in (60, 285):
        for split in (False, True):
            over = "a split supply" if split else "whole ground"
            boards[f"{lines} lines over {over}"] = routed(lines, split=split)
    for name, board in boards.items():
        timings: dict[str, float] = {}
        began = time.perf_counter()
        with several_processes(4):
            result = review(board, DRIVEN, timings=timings)
        total = time.perf_counter() - began
        print(f"{name}: {len(board.traces)} trace segments, {len(result.findings)} findings, {total:.2f} s")
        for stage, seconds in sorted(timings.items(), key=lambda item: -item[1])[:5]:
            print(f"    {seconds:6.2f} s  {stage}")


if __name__ == "__main__":
    main()
