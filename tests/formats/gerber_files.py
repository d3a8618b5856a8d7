"""Small Gerber sets written by hand: millimetres, four decimals."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from pathlib import Path

from quietcopper.board import Board
from quietcopper.formats import read_board


def place(x: float, y: float, code: str) -> str:
    return f"X{round(x * 1e4)}Y{round(y * 1e4)}{code}*"


def layer(body: str, *, function: str = "", apertures: str = "", negative: bool = False) -> str:
    """A layer file. D10 and D11 are round, 0.2 and 0.6 mm; D12 is a square of 1 mm. function : of the file."""
    head = f"%TF.FileFunction,{function}*%\n" if function else ""
    head += "%TF.FilePolarity,Negative*%\n" if negative else ""
    return (
        f"{head}%FSLAX44Y44*%\n%MOMM*%\n%ADD10C,0.2*%\n%ADD11C,0.6*%\n%ADD12R,1X1*%\n{apertures}"
        f"G01*\nG75*\n{body}\nM02*\n"
    )


def line(x0: float, y0: float, x1: float, y1: float, code: int = 10) -> str:
    return f"D{code}*\n{place(x0, y0, 'D02')}\n{place(x1, y1, 'D01')}\n"


def flash(x: float, y: float, code: int = 11) -> str:
    return f"D{code}*\n{place(x, y, 'D03')}\n"


def region(*points: tuple[float, float]) -> str:
    first, *rest = [*points, points[0]]
    return "G36*\n" + place(*first, "D02") + "\n" + "\n".join(place(*p, "D01") for p in rest) + "\nG37*\n"


def box(x0: float, y0: float, x1: float, y1: float) -> str:
    return region((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def net(name: str, body: str) -> str:
    return f"%TO.N,{name}*%\n{body}%TD.N*%\n"


def pin(ref: str, name: str, body: str) -> str:
    return f"%TO.P,{ref},{name}*%\n{body}%TD.P*%\n"


def profile(*sides: tuple[float, float, float, float]) -> str:
    """A profile file; without sides a board of 40 by 30 mm."""
    corners = [(0, 0), (40, 0), (40, 30), (0, 30), (0, 0)]
    drawn = sides or [(*a, *b) for a, b in itertools.pairwise(corners)]
    return layer("".join(line(*side) for side in drawn), function="Profile,NP")


def drill(*holes: tuple[float, float], diameter: float = 0.3, kind: str = "Plated,1,2,PTH") -> str:
    places = "\n".join(f"X{x:.4f}Y{y:.4f}" for x, y in holes)
    head = f"; #@! TF.FileFunction,{kind}\n" if kind else ""
    return f"M48\n{head}METRIC\nT1C{diameter}\n%\nG90\nG05\nT1\n{places}\nM30\n"


def top(body: str) -> str:
    return layer(body, function="Copper,L1,Top")


def bottom(body: str, number: int = 2) -> str:
    return layer(body, function=f"Copper,L{number},Bot")


def inner(body: str, number: int = 2) -> str:
    return layer(body, function=f"Copper,L{number},Inr")


def write(folder: Path, files: Mapping[str, str]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def read(folder: Path, files: Mapping[str, str], answers: Mapping[str, str] | None = None) -> Board:
    """The board that the files make, on an outline of 40 by 30 mm where they have none."""
    return read_board(write(folder / "set", {"edge.gbr": profile(), **files}), files=answers)
