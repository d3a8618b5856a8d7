"""Common laminates of glass and epoxy: what fabricators keep in stock, from published lists."""

from __future__ import annotations

from dataclasses import dataclass

SOURCES = (
    "Prepregs: D. Hoover, si-list, 25 November 2003: pressed thickness 2, 3, 4, 5 and 7 mil, er at 1 GHz 3.63 to 4.32 "
    "by resin content; two fabricators' published lists have 63 and 65, 105 and 110, 175 and 180 µm for 1080, 2116 "
    "and 7628",
    "Cores: the same lists of fabricators, 0.20 to 1.20 mm without copper; er as of 7628, which most are made of",
    "Loss tangent 0.02: common practice, no source (epoxy and glass are sold between 0.015 and 0.025 at 1 GHz)",
)
MIL = 25.4e-6
TAN_D = 0.02
CORE_ER = 4.32
CORES = tuple(t * 1e-3 for t in (0.20, 0.25, 0.30, 0.36, 0.41, 0.51, 0.61, 0.76, 0.80, 1.00, 1.20, 1.50))  # m


@dataclass(frozen=True)
class Prepreg:
    """One ply by its glass style. thickness : pressed, m;  er : at 1 GHz."""

    style: str
    thickness: float
    er: float


PREPREGS = (
    Prepreg("1080", 3 * MIL, 3.80),
    Prepreg("2113", 4 * MIL, 4.00),
    Prepreg("2116", 5 * MIL, 4.08),
    Prepreg("7628", 7 * MIL, 4.32),
    Prepreg("2 x 7628", 14 * MIL, 4.32),
)
