"""A plan of changes as a TOML file: a list of [[change]], each with its kind and its arguments in the units that the
keys name.

    [[change]]
    kind = "area-to-net"
    layer = 3
    net = "GND"
    nets = ["3V3", "5V"]
    pitch_mm = 8

    [[change]]
    kind = "set-width"
    net = "CLK"
    layer = 1
    width_mm = 0.3
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietcopper.changes.kinds import EDITS, MOST, SEVERAL, Argument, Edit
from quietcopper.errors import SettingsError

LARGEST = 1 << 20  # bytes of a plan file
FURTHEST_MM = 2000.0  # from the origin; no board reaches as far


@dataclass(frozen=True)
class Change:
    """One change of a plan: its kind, its arguments (SI, layers from 0) and where it stands in the file."""

    kind: str
    arguments: Mapping[str, Any]
    place: str


def read_plan(path: Path | str) -> tuple[Change, ...]:
    """The changes of a plan file in order. Raises SettingsError, one sentence with file and place, for a file that
    cannot be used."""
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: the plan cannot be read ({error.strerror})") from error
    return parse_plan(data, path)


def parse_plan(data: bytes, path: Path | str) -> tuple[Change, ...]:
    """The changes of a plan file's content; path : its name in messages. Raises SettingsError."""
    if len(data) > LARGEST:
        raise SettingsError(f"{path}: {len(data)} bytes are too many for a plan of changes")
    try:
        said = tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: byte {error.start} is not UTF-8; save the plan as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: this is not TOML: {error}") from error
    except RecursionError as error:
        raise SettingsError(f"{path}: brackets are nested too deeply for a plan") from error
    unknown = sorted(set(said) - {"change"})
    if unknown:
        raise SettingsError(f"{path}: unknown key {unknown[0]!r}; a plan holds [[change]] entries only")
    entries = said.get("change")
    if not isinstance(entries, list) or not entries or not all(isinstance(e, dict) for e in entries):
        raise SettingsError(f"{path}: found no change; expected one [[change]] or more, each with a kind")
    if len(entries) > MOST:
        raise SettingsError(f"{path}: {len(entries)} changes are more than the {MOST} that one plan may hold")
    return tuple(_change(path, f"change {n}", entry) for n, entry in enumerate(entries, start=1))


def _change(path: Path | str, place: str, entry: dict[str, Any]) -> Change:
    kind = entry.get("kind")
    if not isinstance(kind, str) or kind not in EDITS:
        near = difflib.get_close_matches(kind, EDITS, 1, 0.6) if isinstance(kind, str) else []
        hint = f"; did you mean {near[0]!r}?" if near else ""
        found = "no kind" if kind is None else f"kind {_shown(kind)}"
        raise SettingsError(f"{path}: {place}: found {found}{hint}; there are {', '.join(EDITS)}")
    edit, where = EDITS[kind], f"{path}: {place} ({kind})"
    keys = {a.key: a for a in edit.arguments}
    arguments = {}
    for key, value in entry.items():
        if key == "kind":
            continue
        if key not in keys:
            raise SettingsError(f"{where}: unknown key {_shown(key)}{_hint(key, edit)}; it takes {', '.join(keys)}")
        arguments[keys[key].name] = _value(f"{where}: {key}", value, keys[key])
    missing = [a.key for a in edit.arguments if a.needed and a.name not in arguments]
    if missing:
        raise SettingsError(f"{where}: {' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing")
    return Change(kind, arguments, place)


def _value(where: str, value: Any, argument: Argument) -> Any:
    if argument.kind == "number":
        return _number(where, value, argument.low, argument.high) * argument.factor
    if argument.kind == "layer":
        return _layer(where, value)
    if argument.kind == "layers":
        return [_layer(where, v) for v in _list(where, value, "layer numbers")]
    if argument.kind == "flag":
        if not isinstance(value, bool):
            raise SettingsError(f"{where}: found {_shown(value)}, expected true or false")
        return value
    if argument.kind == "text":
        return _text(where, value)
    if argument.kind == "texts":
        return [_text(where, v) for v in _list(where, value, "names in quotes")]
    if argument.kind == "place":
        return _coordinates(where, value, 2)
    if argument.kind == "places":
        return [_coordinates(where, v, 2) for v in _list(where, value, "places")]
    x0, y0, x1, y1 = _coordinates(where, value, 4)
    return min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)


def _number(where: str, value: Any, low: float, high: float) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not low <= value <= high or not math.isfinite(value):
        limits = f"from {low:g} to {high:g}" if math.isfinite(high) else f"of {low:g} or more"
        raise SettingsError(f"{where}: found {_shown(value)}, expected a number {limits}; is the unit right?")
    return float(value)


def _layer(where: str, value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 1 <= value <= 999:
        raise SettingsError(f"{where}: found {_shown(value)}, expected a layer number from 1")
    return value - 1


def _text(where: str, value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise SettingsError(f"{where}: found {_shown(value)}, expected a name in quotes")
    return value


def _list(where: str, value: Any, what: str) -> list[Any]:
    if not isinstance(value, list) or not 0 < len(value) <= MOST:
        raise SettingsError(f"{where}: found {_shown(value)}, expected a list of 1 to {MOST} {what}")
    return value


def _coordinates(where: str, value: Any, count: int) -> tuple[float, ...]:
    shape = "[x, y]" if count == 2 else "[x0, y0, x1, y1]"
    if not isinstance(value, list) or len(value) != count:
        raise SettingsError(f"{where}: found {_shown(value)}, expected {shape} in mm")
    return tuple(_number(where, v, -FURTHEST_MM, FURTHEST_MM) * 1e-3 for v in value)


def _shown(value: Any) -> str:
    """A found value in at most 60 characters."""
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _hint(key: str, edit: Edit) -> str:
    """The key that is meant where its unit is missing or another one, else the nearest."""
    keys = [a.key for a in edit.arguments]
    stem = re.sub(r"_(mm|um|mil|m|inch|in)$", "", key)
    near = [k for k in keys if k.removesuffix("_mm") == stem] or difflib.get_close_matches(key, keys, 1, 0.6)
    return f"; did you mean {near[0]!r}?" if near else ""


def plan_text(changes: Sequence[tuple[str, str, Mapping[str, Any]]]) -> str:
    """Changes (words for a comment, kind, arguments in SI) as the text of a plan file; compound ones one by one."""
    out = []
    flat: list[tuple[str, str, Mapping[str, Any]]] = []
    for words, kind, arguments in changes:
        inner = [(c["kind"], c["arguments"]) for c in arguments["changes"]] if kind == SEVERAL else [(kind, arguments)]
        flat += [(words if n == 0 else "", *change) for n, change in enumerate(inner)]
    for words, kind, arguments in flat:
        lines = ["[[change]]", f"kind = {_toml(kind)}"]
        for a in EDITS[kind].arguments:
            if arguments.get(a.name) is not None and arguments[a.name] != []:
                lines.append(f"{a.key} = {_toml(_border(arguments[a.name], a))}")
        head = [f"# {' '.join(words.split())}"] if words else []
        out.append("\n".join([*head, *lines]))
    return "\n\n".join(out) + "\n"


def _border(value: Any, argument: Argument) -> Any:
    """A value as the plan file has it: numbers from 1, millimetres."""
    if argument.kind == "layer":
        return int(value) + 1
    if argument.kind == "layers":
        return [int(v) + 1 for v in value]
    if isinstance(value, list | tuple):
        return [_border(v, argument) for v in value]
    if isinstance(value, float) and argument.factor != 1.0:
        return round(value / argument.factor, 7)
    return value


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = "".join(
            f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else {'"': '\\"', "\\": "\\\\"}.get(c, c) for c in value
        )
        return f'"{escaped}"'
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return f"{value:.10g}" if isinstance(value, float) else str(value)
