"""What the reviewer may set or correct: the TOML settings file as one immutable object.

Sections of the file: [review], [nets."NAME"], [patterns."GLOB"], [layers.N], [dielectrics.N], [connectors.REF],
[allowances]. Units stand in the key (`rise_ps`, `swing_v`, `source_ohm`, `clock_mhz`, `data_mbps`, `target_ohm`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from quietcopper.board import Board


@dataclass(frozen=True)
class NetSettings:
    """What the user said of one net or pattern; None where nothing was said. SI units."""

    role: str | None = None  # ground, supply, signal
    kind: str | None = None  # clock, data, slow
    voltage: float | None = None
    swing: float | None = None
    rise: float | None = None
    source: float | None = None
    rate: float | None = None
    target: float | None = None  # ohm, single line
    pair_with: str | None = None


@dataclass(frozen=True)
class Settings:
    """All settings; every default is what a review without a settings file uses."""

    title: str = ""
    reviewer: str = ""
    recipient: str = ""
    standard: str = "CISPR 32 class B"
    distance: float = 3.0  # m, of the radiated limit
    min_width: float = 0.1e-3  # m, narrowest trace that a proposal may use
    min_spacing: float = 0.1e-3  # m
    etch: float = 0.25  # each side of a trace is this share of the copper thickness narrower at its top
    nets: Mapping[str, NetSettings] = field(default_factory=dict)
    patterns: Mapping[str, NetSettings] = field(default_factory=dict)
    layers: Mapping[int, Mapping[str, float | str]] = field(default_factory=dict)
    dielectrics: Mapping[int, Mapping[str, float | str]] = field(default_factory=dict)
    connectors: Mapping[str, Mapping[str, float | bool | str]] = field(default_factory=dict)
    allowances: Mapping[str, float] = field(default_factory=dict)

    def correct(self, board: Board) -> Board:
        """The board with the stackup corrections of [layers] and [dielectrics] applied."""
        raise NotImplementedError

    def allowance(self, key: str, default: float) -> float:
        """The user's value for an allowance, else the default."""
        return self.allowances.get(key, default)
