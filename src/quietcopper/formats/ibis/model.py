"""What is taken over from an IBIS file. SI units; a figure that the file gives as NA is nan."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from quietcopper.board.model import Floats

Triple = tuple[float, float, float]  # typical, minimum, maximum
UNKNOWN: Triple = (math.nan, math.nan, math.nan)
CORNERS = ("typ", "min", "max")


@dataclass(frozen=True)
class Waveform:
    """Output voltage over time into a fixture. time : (n,), s; volts : (n, 3), V; resistance of the fixture, ohm, to
    `voltage` (typ, min, max), V."""

    time: Floats
    volts: Floats
    resistance: float
    voltage: Triple


@dataclass(frozen=True)
class Model:
    """One buffer. kind : its Model_type in lower case ("i/o", "3-state", "output_ecl", …); line : where it begins

    pulldown, pullup : (n, 4) voltage and current (typ, min, max), as in the file: the pulldown's voltage counts from
    its reference up, the pullup's (and in ECL both) from the supply down; currents flow into the pin; None for none
    rise, fall : (change of voltage, time) of 20 to 80 %, from [Ramp]; load : ohm that it was measured with
    """

    name: str
    line: int
    kind: str = ""
    c_comp: Triple = UNKNOWN
    supply: Triple = UNKNOWN  # [Voltage Range]
    pullup_reference: Triple = UNKNOWN
    pulldown_reference: Triple = UNKNOWN
    pulldown: Floats | None = None
    pullup: Floats | None = None
    rise: tuple[Triple, Triple] = (UNKNOWN, UNKNOWN)
    fall: tuple[Triple, Triple] = (UNKNOWN, UNKNOWN)
    load: float = 50.0
    rising: tuple[Waveform, ...] = ()
    falling: tuple[Waveform, ...] = ()

    @property
    def drives(self) -> bool:
        """Whether it can send an edge at all."""
        return self.kind.startswith(("output", "i/o", "3-state", "open"))

    @property
    def receives(self) -> bool:
        """Whether it can also listen, so that another part may be the one that drives."""
        return self.kind.startswith("i/o")


@dataclass(frozen=True)
class Component:
    """One part's pins: name of the pin -> (signal, name of a model or selector)."""

    name: str
    line: int
    pins: Mapping[str, tuple[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Ibis:
    """One file. selectors : name -> ((model, description), …), the first is the default;  skipped : keywords passed
    over, with how often."""

    path: str
    version: str
    components: Mapping[str, Component]
    models: Mapping[str, Model]
    selectors: Mapping[str, tuple[tuple[str, str], ...]]
    skipped: Mapping[str, int]
