"""The keys of the settings file, with unit and range, and the reader that holds a file to them."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietcopper.electrical.settings import NetSettings, PartSettings, Settings, did_you_mean
from quietcopper.errors import SettingsError


@dataclass(frozen=True)
class Key:
    """One key: the field it fills, what is allowed, and what is told of it in the written file.

    kind : number, text, flag or choice; factor : from the key's unit to SI; low, high : range in the key's unit
    (beyond it a figure is taken for a slip of the unit: common practice, no source)
    """

    field: str
    kind: str
    help: str
    factor: float = 1.0
    low: float = 0.0
    high: float = math.inf
    choices: tuple[str, ...] = ()

    def holds(self, value: float | str | bool) -> bool:
        """Whether an SI value may stand in a file under this key."""
        if self.kind != "number":
            return True
        return self.low * (1 - 1e-9) <= value / self.factor <= self.high * (1 + 1e-9)  # type: ignore[operator]

    @property
    def allowed(self) -> str:
        """What may stand there, in words."""
        if self.kind == "number":
            return f"a number from {self.low:g} to {self.high:g}"
        if self.kind == "choice":
            return "one of " + ", ".join(f'"{c}"' for c in self.choices)
        return {"text": "a text in quotes", "flag": "true or false"}[self.kind]


def _number(field: str, help: str, low: float, high: float, factor: float = 1.0) -> Key:
    return Key(field, "number", help, factor, low, high)


REVIEW = {
    "title": Key("title", "text", "heading of the review"),
    "reviewer": Key("reviewer", "text", "who reviews"),
    "recipient": Key("recipient", "text", "who receives the review"),
    "standard": Key("standard", "text", "radiated limit to hold"),
    "distance_m": _number("distance", "measuring distance of that limit", 1, 100),
    "margin_db": _number("margin", "margin to keep to that limit, in every radiated figure", 0, 40),
    "min_width_mm": _number("min_width", "narrowest trace that a proposal may use", 0.01, 10, 1e-3),
    "min_spacing_mm": _number("min_spacing", "narrowest space that a proposal may use", 0.01, 10, 1e-3),
    "etch": _number("etch", "a trace's top is narrower by this share of its thickness on each side", 0, 1),
    "section_accuracy_percent": _number("accuracy", "error allowed of a solved cross-section", 0.02, 1, 1e-2),
    "sections_file": Key("sections_file", "text", 'keeps solved cross-sections between runs, "" for none'),
    "checked": Key("checked", "flag", "false: values equal to what the program infers still count as assumed"),
}
NET = {
    "role": Key("role", "choice", "what the net is for", choices=("ground", "supply", "signal")),
    "voltage_v": _number("voltage", "of a supply", -1e4, 1e4),
    "kind": Key("kind", "choice", "what its driver sends", choices=("clock", "data", "slow", "none")),
    "clock_mhz": _number("rate", "clock frequency, or repetition rate of a slow line", 0, 1e5, 1e6),
    "data_mbps": _number("rate", "bit rate", 0, 2e5, 0.5e6),
    "rise_ps": _number("rise", "10 to 90 % edge at the driver", 1, 1e12, 1e-12),
    "swing_v": _number("swing", "peak to peak", 0, 1e4),
    "source_ohm": _number("source", "driver's output resistance with series resistor", 0.001, 1e6),
    "target_ohm": _number("target", "impedance the line should have", 1, 1000),
    "differential_ohm": _number("differential", "differential impedance that its pair should have", 1, 1000),
    "group": Key("group", "text", 'lines that should arrive together bear one name, "" for none'),
    "pair_with": Key("pair_with", "text", 'other line of the differential pair, "" for none'),
    "current_a": _number("current", "of a supply: direct current drawn from it in all", 0, 1e4),
    "step_a": _number("step", "of a supply: largest quick change of its current", 1e-6, 1e4),
    "ripple_percent": _number("ripple", "of a supply: share of its voltage that a step may take", 0.01, 50, 1e-2),
    "checked": Key("checked", "flag", "true: the figures of this net are known"),
}
PATTERN = {name: key for name, key in NET.items() if name != "pair_with"}
LAYER = {
    "thickness_um": _number("thickness", "copper thickness", 1, 2000, 1e-6),
    "conductivity_ms_per_m": _number("conductivity", "58 for copper", 0.01, 100, 1e6),
    "function": Key("function", "text", "what the layer is for, in the file's word"),
}
DIELECTRIC = {
    "thickness_mm": _number("thickness", "copper to copper", 0.001, 20, 1e-3),
    "er": _number("er", "relative permittivity", 1, 100),
    "tan_d": _number("tan_d", "loss tangent", 0, 1),
    "material": Key("material", "text", "name of the material"),
    "frequency_mhz": _number("frequency", "at which er and tan_d hold", 1e-6, 1e6, 1e6),
}
MASK = {
    "thickness_um": _number("thickness", "over the laminate", 0.1, 1000, 1e-6),
    "er": _number("er", "relative permittivity", 1, 100),
    "tan_d": _number("tan_d", "loss tangent", 0, 1),
}
PART = {
    "ibis": Key("ibis", "text", "the part's IBIS file; the path counts from this file"),
    "component": Key("component", "text", "which of the file's components it is"),
    "corner": Key("corner", "choice", "the model's corner", choices=("typ", "min", "max")),
}
CONNECTOR = {
    "cable": Key("cable", "flag", "a cable is plugged in in use"),
    "length_m": _number("length", "of that cable", 0.01, 1000),
    "shielded": Key("shielded", "flag", "its shield is tied all round at this end"),
}
LOAD = {
    "current_a": _number("current", "direct current drawn from its supplies in all", 0, 1e3),
    "converter": Key("converter", "flag", "it switches a supply; false: it does not"),
    "switch_pf": _number("capacitance", "capacitance of its switches at the switched node", 1, 1e5, 1e-12),
}
SECTIONS: Mapping[str, Mapping[str, Key]] = {
    "review": REVIEW,
    "nets": NET,
    "patterns": PATTERN,
    "layers": LAYER,
    "dielectrics": DIELECTRIC,
    "mask": MASK,
    "parts": PART,
    "connectors": CONNECTOR,
    "loads": LOAD,
    "allowances": {},
    "files": {},
}


@dataclass
class _Reader:
    """Holds one parsed file to the tables above; every complaint is one sentence that names file and place."""

    path: Path
    said: dict[str, Any]
    allowances: Collection[str] | None = None
    out: dict[str, Any] = field(default_factory=dict)

    def fail(self, place: str, text: str) -> SettingsError:
        return SettingsError(f"{self.path}: {place}: {text}")

    def table(self, value: Any, place: str) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise self.fail(place, f"found {_shown(value)}, expected a section or {{ key = value, … }}")
        return value

    def values(self, said: Any, place: str, keys: Mapping[str, Key]) -> dict[str, Any]:
        """Fields with SI values of one section. Raises SettingsError for an unknown key or an unfit value."""
        out: dict[str, Any] = {}
        for name, value in self.table(said, place).items():
            key = keys.get(name)
            if key is None:
                raise self.fail(place, f"unknown key {name!r}{_unit_hint(name, keys)}; allowed are {', '.join(keys)}")
            if key.field in out:
                same = [k for k in said if k in keys and keys[k].field == key.field]
                raise self.fail(place, f"{' and '.join(same)} say the same thing; keep one of them")
            out[key.field] = self.value(value, f"{place} {name}", key)
        return out

    def value(self, value: Any, place: str, key: Key) -> Any:
        good = {
            "number": isinstance(value, int | float) and not isinstance(value, bool),
            "flag": isinstance(value, bool),
        }.get(key.kind, isinstance(value, str))
        if not good or (key.choices and value not in key.choices):
            near = did_you_mean(value, key.choices) if isinstance(value, str) else ""
            raise self.fail(place, f"found {_shown(value)}, expected {key.allowed}{near}")
        if key.kind != "number":
            return value
        if not (math.isfinite(value) and key.low <= value <= key.high):
            raise self.fail(place, f"found {_shown(value)}, expected {key.allowed}; is the unit right?")
        return float(value) * key.factor

    def net(self, said: Any, place: str, keys: Mapping[str, Key]) -> NetSettings:
        values = self.values(said, place, keys)
        implied = {"clock_mhz": "clock", "data_mbps": "data"}
        for name, kind in implied.items():
            if name in said:
                stated = values.setdefault("kind", kind)
                if (name == "data_mbps") != (stated == "data"):
                    raise self.fail(place, f'{name} does not go with kind = "{stated}"; data_mbps is for data only')
        return NetSettings(**values)

    def part(self, said: Any, place: str, keys: Mapping[str, Key]) -> PartSettings:
        """One part, with what is chosen of its model selectors in a section of its own."""
        said = dict(self.table(said, place))
        chosen = self.table(said.pop("models", {}), f"{place} models")
        for name, model in chosen.items():
            if not isinstance(model, str) or not model:
                raise self.fail(f"{place} models", f"{name!r} is {_shown(model)}, expected the name of a model")
        values = self.values(said, place, keys)
        if not values.get("ibis"):
            raise self.fail(place, "found no ibis, expected the name of an IBIS file")
        return PartSettings(**values, models=chosen)

    def named(self, section: str, convert: Callable[[Any, str, Mapping[str, Key]], Any]) -> Iterator[tuple[str, Any]]:
        for name, said in self.table(self.said[section], f"[{section}]").items():
            if not name:
                raise self.fail(f"[{section}]", "found an empty name, expected the name in quotes")
            yield name, convert(said, f'[{section}."{name}"]', SECTIONS[section])

    def numbered(self, section: str) -> Iterator[tuple[int, Any]]:
        for name, said in self.table(self.said[section], f"[{section}]").items():
            if not re.fullmatch(r"[1-9][0-9]{0,3}", name):
                raise self.fail(f"[{section}]", f"found [{section}.{name}], expected a number from 1")
            yield int(name), self.values(said, f"[{section}.{name}]", SECTIONS[section])

    def masks(self) -> Iterator[tuple[str, Any]]:
        for name, said in self.table(self.said["mask"], "[mask]").items():
            if name not in ("top", "bottom"):
                raise self.fail("[mask]", f"found [mask.{name}], expected [mask.top] or [mask.bottom]")
            yield name, self.values(said, f"[mask.{name}]", MASK)

    def allowance_rows(self, said: dict[str, Any], prefix: str = "") -> Iterator[tuple[str, float]]:
        """Both spellings: "check.key" = 1 and [allowances.check] key = 1."""
        for name, value in said.items():
            key = f"{prefix}{name}"
            if isinstance(value, dict):
                yield from self.allowance_rows(value, f"{key}.")
                continue
            if self.allowances is not None and key not in self.allowances:
                known = ", ".join(sorted(self.allowances))
                hint = did_you_mean(key, self.allowances)
                raise self.fail("[allowances]", f"unknown allowance {key!r}{hint}; allowed are {known}")
            yield key, self.value(value, f"[allowances] {key!r}", _number("", "", 0, 1e15))

    def file_rows(self, said: dict[str, Any]) -> Iterator[tuple[str, str]]:
        """What files of a set are: a FileFunction such as "Copper,L2,Inr", or "ignore"."""
        for name, value in said.items():
            if not isinstance(value, str) or not value.strip():
                found = _shown(value)
                raise self.fail("[files]", f'{name!r} is {found}, expected "Copper,L2,Inr" and so on, or "ignore"')
            yield name, value

    def read(self) -> Settings:
        for section in self.said:
            if section not in SECTIONS:
                hint = did_you_mean(section, SECTIONS)
                raise self.fail(f"[{section}]", f"unknown section{hint}; allowed are {', '.join(SECTIONS)}")
        out: dict[str, Any] = {}
        if "review" in self.said:
            out |= self.values(self.said["review"], "[review]", REVIEW)
        for section in ("nets", "patterns"):
            if section in self.said:
                out[section] = dict(self.named(section, self.net))
        if "files" in self.said:
            out["files"] = dict(self.file_rows(self.table(self.said["files"], "[files]")))
        for section in ("connectors", "loads"):
            if section in self.said:
                out[section] = dict(self.named(section, self.values))
        if "parts" in self.said:
            out["parts"] = dict(self.named("parts", self.part))
        for section in ("layers", "dielectrics"):
            if section in self.said:
                out[section] = dict(self.numbered(section))
        if "mask" in self.said:
            out["masks"] = dict(self.masks())
        if "allowances" in self.said:
            out["allowances"] = dict(self.allowance_rows(self.table(self.said["allowances"], "[allowances]")))
        return Settings(**out, path=str(self.path))


def parse_settings(path: Path, allowances: Collection[str] | None = None) -> Settings:
    """What `settings.load_settings` does; SettingsError for everything that cannot be used."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise SettingsError(f"{path}: the settings file cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: byte {error.start} is not UTF-8; save the settings file as UTF-8") from error
    try:
        said = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = re.sub(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", "", str(error))
        at = re.search(r"\(at line (\d+), column (\d+)\)$", str(error))
        line = int(at[1]) if at else text.count("\n") + 1
        column = f" in column {at[2]}" if at else " at the end of the file"
        raise SettingsError(f"{path}:{line}: this is not TOML: {_lower(message)}{column}") from error
    except RecursionError as error:
        raise SettingsError(f"{path}: brackets are nested too deeply for a settings file") from error
    return _Reader(path, said, allowances).read()


def _lower(message: str) -> str:
    return message[:1].lower() + message[1:]


def _shown(value: Any) -> str:
    """A found value in at most 60 characters."""
    if isinstance(value, dict):
        return "a section"
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _unit_hint(name: str, keys: Mapping[str, Key]) -> str:
    """For a known quantity in another unit the key that is meant, else the nearest key."""
    stem = name.partition("_")[0]
    same = [k for k in keys if k.partition("_")[0] == stem and "_" in k]
    if len(same) == 1 and stem in ("rise", "swing", "source", "voltage", "thickness", "length", "target", "distance"):
        return f"; give it as {same[0]}"
    return did_you_mean(name, keys)
