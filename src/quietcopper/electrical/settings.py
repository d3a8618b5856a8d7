"""What the reviewer may set or correct: the TOML settings file as one immutable object.

Sections of the file: [review], [files], [nets."NAME"], [patterns."GLOB"], [layers.N], [dielectrics.N], [mask.top],
[mask.bottom], [parts."REF"], [connectors."REF"], [loads."REF"], [allowances]. Units stand in the key (`rise_ps`,
`swing_v`, `source_ohm`, `clock_mhz`, `data_mbps`, `target_ohm`); here everything is SI. `settings_keys` lists every key
with its range.

`checked = false` (of the file, or of one net) says that the values were written by the program and not yet read by
anybody: those that equal what the program infers still count as inferred, those that differ count as given.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from quietcopper.board import Board, Dielectric, Layer, Mask
from quietcopper.errors import SettingsError
from quietcopper.files import write_whole

if TYPE_CHECKING:
    from quietcopper.electrical.view import View

_FIGURES = (  # words of readers for a stackup figure, and its field
    ("dielectric constant", "er"),
    ("loss tangent", "tan_d"),
    ("thickness", "thickness"),
    ("conductivity", "conductivity"),
)
Row = TypeVar("Row", Layer, Dielectric, Mask)
AllowanceRow = tuple[str, float, str, str, str]  # key, default, unit, source, help


@dataclass(frozen=True)
class NetSettings:
    """What the user said of one net or pattern; None where nothing was said. SI units.

    rate : clock frequency or, for data, half the bit rate, Hz; pair_with : the other line's name, "" for no pair
    current, step : of a supply, A: direct current drawn in all, its largest quick change; ripple : share of its voltage
    checked : False when the line was written by the program and not read by anybody; None: as the whole file
    """

    role: str | None = None  # ground, supply, signal
    kind: str | None = None  # clock, data, slow, none
    voltage: float | None = None
    swing: float | None = None
    rise: float | None = None
    source: float | None = None
    rate: float | None = None
    target: float | None = None  # ohm, single line
    differential: float | None = None  # ohm, of the line's pair
    group: str | None = None  # lines of one name should arrive together
    pair_with: str | None = None
    current: float | None = None
    step: float | None = None
    ripple: float | None = None
    checked: bool | None = None

    def over(self, weaker: NetSettings) -> NetSettings:
        """These values, and `weaker`'s where nothing is said here."""
        said = {f.name: getattr(self, f.name) for f in dataclasses.fields(self) if getattr(self, f.name) is not None}
        return dataclasses.replace(weaker, **said)


@dataclass(frozen=True)
class PartSettings:
    """What the user said of one part's outputs.

    ibis : its IBIS file, a path that counts from the settings file; component : which of the file's, "" for its only
    one; corner : typ, min or max; models : what is chosen of the file's model selectors
    """

    ibis: str
    component: str = ""
    corner: str = "typ"
    models: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Settings:
    """All settings; every default is what a review without a settings file uses.

    layers : {1: {"thickness": m, "conductivity": S/m, "function": word}}, numbered from 1 as in the file
    dielectrics : {1: {"thickness": m, "er": …, "tan_d": …, "material": …, "frequency": Hz}}, 1 is under layer 1
    masks : {"top": {"thickness": m, "er": …, "tan_d": …}, "bottom": …}
    connectors : {"J1": {"cable": True, "length": m, "shielded": False}}
    parts : {"U1": PartSettings}, whose drivers an IBIS file tells
    loads : {"U4": {"current": A drawn from its supplies in all, "converter": True, "capacitance": F of its switch}}
    filters : {("J1", "SCL"): (ohm in series, F to ground)} before pins of connectors; of changes, in no settings file
    files : what files of a Gerber set are, by name: {"In1.gbr": "Copper,L2,Inr", "old.gbr": "ignore"}
    path : the file these came from, "" for none;  checked : see the module's text
    """

    title: str = ""
    reviewer: str = ""
    recipient: str = ""
    standard: str = "CISPR 32 class B"
    distance: float = 3.0  # m, of the radiated limit
    margin: float = 0.0  # dB, to keep to the radiated limit
    min_width: float = 0.1e-3  # m, narrowest trace that a proposal may use
    min_spacing: float = 0.1e-3  # m
    etch: float = 0.25  # each side of a trace is this share of the copper thickness narrower at its top
    accuracy: float = 2e-3  # relative, of the matrices of solved cross-sections
    sections_file: str = ""  # keeps solved cross-sections between runs; "" for none; counts from the settings file
    nets: Mapping[str, NetSettings] = field(default_factory=dict)
    patterns: Mapping[str, NetSettings] = field(default_factory=dict)
    layers: Mapping[int, Mapping[str, float | str]] = field(default_factory=dict)
    dielectrics: Mapping[int, Mapping[str, float | str]] = field(default_factory=dict)
    masks: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    connectors: Mapping[str, Mapping[str, float | bool | str]] = field(default_factory=dict)
    parts: Mapping[str, PartSettings] = field(default_factory=dict)
    loads: Mapping[str, Mapping[str, float | bool]] = field(default_factory=dict)
    allowances: Mapping[str, float] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)
    filters: Mapping[tuple[str, str], tuple[float, float]] = field(default_factory=dict)
    checked: bool = True
    path: str = ""

    def for_net(self, name: str) -> NetSettings:
        """What was said of a net: its own section over the patterns that fit it, a longer pattern over a shorter."""
        fitting = sorted((p for p in self.patterns if fnmatchcase(name, p)), key=lambda p: (len(p), p))
        merged = NetSettings()
        for pattern in fitting:
            merged = self.patterns[pattern].over(merged)
        return self.nets[name].over(merged) if name in self.nets else merged

    def counts_as_given(self, said: NetSettings) -> bool:
        """Whether values that equal the inferred ones are the user's own word (see the module's text)."""
        return self.checked if said.checked is None else said.checked

    def correct(self, board: Board) -> Board:
        """The board with the stackup corrections of [layers], [dielectrics] and [mask] applied.

        An assumption about a corrected value goes, unless the file is unchecked and merely repeats the value.
        Raises SettingsError for a number outside the stackup or half a mask.
        """
        if not (self.layers or self.dielectrics or self.masks):
            return board
        settled: set[str] = set()  # keys of corrected values, as `assumption_keys` names them
        layers, sheets = list(board.layers), list(board.dielectrics)
        for number, values in sorted(self.layers.items()):
            at = self._row("layers", number, len(layers))
            settled |= self._settled(f"layers.{number}", layers[at], values)
            layers[at] = _corrected(layers[at], values)
        for number, values in sorted(self.dielectrics.items()):
            at = self._row("dielectrics", number, len(sheets))
            settled |= self._settled(f"dielectrics.{number}", sheets[at], values)
            sheets[at] = _corrected(sheets[at], values)
        masks: dict[str, Mask | None] = {"top": board.mask_top, "bottom": board.mask_bottom}
        for side, given in sorted(self.masks.items()):
            before = masks[side]
            if before is None and not {"thickness", "er"} <= set(given):
                raise SettingsError(
                    f"{self.path or 'settings'}: [mask.{side}] needs both thickness_um and er, "
                    "because the board's data have no mask there"
                )
            settled |= self._settled(f"mask.{side}", before, given)
            masks[side] = Mask(**given) if before is None else _corrected(before, given)
        return dataclasses.replace(
            board,
            layers=tuple(layers),
            dielectrics=tuple(sheets),
            mask_top=masks["top"],
            mask_bottom=masks["bottom"],
            assumptions=tuple(
                assumption
                for assumption, keys in zip(board.assumptions, assumption_keys(board), strict=True)
                if not keys or not settled.issuperset(keys)
            ),
        )

    def _row(self, section: str, number: int, rows: int) -> int:
        """Index of a numbered section's row. Raises SettingsError where the board has no such row."""
        if 1 <= number <= rows:
            return number - 1
        allowed = f"allowed are {section} 1 to {rows}" if rows else f"it has no {section}"
        raise SettingsError(f"{self.path or 'settings'}: [{section}.{number}] is not on this board; {allowed}")

    def _settled(self, place: str, before: object, values: Mapping[str, float | str]) -> set[str]:
        """Keys of the values that the user has settled: all in a checked file, else those that differ."""
        return {
            f"{place}.{n}" for n, value in values.items() if self.checked or not same(getattr(before, n, None), value)
        }

    def unused(self, board: Board) -> tuple[str, ...]:
        """One sentence for each net, pattern, part or other name in the settings that the board does not have."""
        where = self.path or "settings"
        out = []
        for name in self.nets:
            if name not in board.net_index:
                out.append(f"{where}: net {name!r} is not on this board{did_you_mean(name, board.nets)}")
            other = self.nets[name].pair_with
            if other and other not in board.net_index:
                out.append(f"{where}: {other!r}, paired with {name!r}, is not a net{did_you_mean(other, board.nets)}")
        out += [
            f"{where}: pattern {pattern!r} fits no net of this board"
            for pattern in self.patterns
            if not any(fnmatchcase(net, pattern) for net in board.nets[1:])
        ]
        refs = {str(ref) for ref in board.parts.ref}
        out += [
            f"{where}: part {ref!r} is not on this board{did_you_mean(ref, sorted(refs))}"
            for ref in dict.fromkeys([*self.parts, *self.connectors, *self.loads])
            if ref not in refs
        ]
        return tuple(out)

    @property
    def kept_sections(self) -> Path | None:
        """The file that keeps solved cross-sections between runs, None for none."""
        return Path(self.path).parent / self.sections_file if self.sections_file else None

    def allowance(self, key: str, default: float) -> float:
        """The user's value for an allowance, else the default."""
        return self.allowances.get(key, default)


def same(one: object, other: object) -> bool:
    """Equal, numbers to the digits that a written file keeps."""
    if isinstance(one, float | int) and isinstance(other, float | int):
        return math.isclose(one, other, rel_tol=1e-9)
    return one == other


def _corrected(row: Row, values: Mapping[str, float | str]) -> Row:
    """The row with the values that differ; one that repeats the file's keeps the file's last digit."""
    differing: dict[str, Any] = {n: v for n, v in values.items() if not same(getattr(row, n), v)}
    return dataclasses.replace(row, **differing)


def assumption_keys(board: Board) -> tuple[tuple[str, ...], ...]:
    """For each of board.assumptions the settings keys of the stackup figures it is about ("dielectrics.2.er").

    Empty for any other assumption. Readers name a figure and then the layers it lies on or between, or its mask; the
    first mask named is the upper one where the board has two.
    """
    names = [layer.name for layer in board.layers]
    places: dict[str, tuple[str, ...]] = {f"layer {name}": (f"layers.{i}",) for i, name in enumerate(names, 1)}
    places |= {f"between {a} and {b}": (f"dielectrics.{i}",) for i, (a, b) in enumerate(pairwise(names), 1)}
    places["of copper layers"] = tuple(f"layers.{i}" for i in range(1, len(names) + 1))
    masks = list(
        dict.fromkeys(a.what.partition("solder mask ")[2] for a in board.assumptions if "solder mask " in a.what)
    )
    if board.mask_top is not None:
        sides = ["top", "bottom"] if board.mask_bottom is not None else ["top"]
    else:
        sides = ["bottom"]
    if len(masks) == 1 and len(sides) == 2:  # one of two masks is assumed: its name must say which
        sides = ["bottom" if re.search(r"bot|lower|back|^b\.", masks[0], re.IGNORECASE) else "top"]
    places |= {f"solder mask {name}": (f"mask.{side}",) for name, side in zip(masks, sides, strict=False)}
    out = []
    for assumption in board.assumptions:
        figure = next((name for words, name in _FIGURES if words in assumption.what), "")
        place = max((p for p in places if assumption.what.endswith(p)), key=len, default="")
        out.append(tuple(f"{key}.{figure}" for key in places[place]) if figure and place else ())
    return tuple(out)


def did_you_mean(word: str, allowed: Iterable[str]) -> str:
    """'; did you mean X?' with the nearest of the allowed words, "" when none is near."""
    words = [w for w in allowed if w]
    by_case = {w.lower(): w for w in words}
    near = [by_case[word.lower()]] if word.lower() in by_case else difflib.get_close_matches(word, words, 1, 0.6)
    return f"; did you mean {near[0]!r}?" if near else ""


def load_settings(path: Path | str, allowances: Collection[str] | None = None) -> Settings:
    """Read a settings file. allowances : the keys that exist, to catch a misspelt one; None takes any.

    Raises SettingsError, one sentence with file and key or line, for anything that cannot be used.
    """
    from quietcopper.electrical.settings_keys import parse_settings

    return parse_settings(Path(path), allowances)


def load_stackup(path: Path | str) -> Settings:
    """Read a file of [layers.N], [dielectrics.N] and [mask.…] sections only: a stackup, for a board of any format.

    Its `correct` puts the stackup into a board. Raises SettingsError as `load_settings` does, and for other sections.
    """
    found = load_settings(path)
    stackup = Settings(layers=found.layers, dielectrics=found.dielectrics, masks=found.masks, path=found.path)
    if found != stackup:
        raise SettingsError(
            f"{path}: found other sections than [layers.N], [dielectrics.N] and [mask.…]; a stackup file holds only "
            "these, the rest belongs into the settings file"
        )
    return stackup


def write_settings(view: View, path: Path | str, allowances: Iterable[AllowanceRow] = ()) -> None:
    """Write everything that was inferred and set as a commented settings file, ready to correct.

    The file appears whole or not at all. Raises SettingsError where it cannot be written.
    """
    from quietcopper.electrical.settings_text import settings_text

    path = Path(path)
    text = settings_text(view, allowances)
    try:
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise SettingsError(f"{path}: the settings file cannot be written ({error.strerror})") from error
