"""The settings file as text: everything that was inferred and set, commented, ready to correct."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from quietcopper.electrical.parts import CONNECTOR, part_kinds
from quietcopper.electrical.settings import AllowanceRow, assumption_keys
from quietcopper.electrical.settings_keys import CONNECTOR as CONNECTOR_KEYS
from quietcopper.electrical.settings_keys import DIELECTRIC, LAYER, LOAD, MASK, NET, PART, REVIEW, Key
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY

if TYPE_CHECKING:
    from quietcopper.electrical.view import View

Value = float | str | bool
_SHORT = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\"}

HEAD = """\
Settings for {board}: everything that was inferred, ready to correct.

Change a value and it counts as given. While checked = false, a value that still equals what the program infers
counts as assumed and is listed as such in the review; set it true once you have read the file, or write
checked = true on the nets whose figures you know. What you delete is inferred anew at the next review.
Patterns such as [patterns."DDR_*"] take the same keys as a net, except pair_with."""

NETS = """\
Nets. role: ground, supply, signal. kind of a signal: clock, data, slow (indicators, straps, resets, analog lines),
none (nothing is sent). clock_mhz: clock or repetition rate; data_mbps: bit rate; rise_ps: 10 to 90 %; source_ohm: the
driver with its series resistor; target_ohm: impedance the line should have; differential_ohm: that of its
pair; group: lines that should arrive together bear one name; pair_with: stands on the positive line."""


def quote(text: str) -> str:
    """A TOML basic string. Everything that is not plainly visible is escaped. Raises ValueError for lone surrogates,
    which TOML cannot hold.

    >>> print(quote('a "b"'), quote("c\\nd"))
    "a \\"b\\"" "c\\nd"
    """
    out = []
    for c in text:
        code = ord(c)
        if 0xD800 <= code <= 0xDFFF:
            raise ValueError(f"a lone surrogate U+{code:04X} cannot stand in a settings file")
        if c in _SHORT:
            out.append(_SHORT[c])
        elif c != " " and unicodedata.category(c)[0] in "CZ":
            out.append(f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}")
        else:
            out.append(c)
    return f'"{"".join(out)}"'


def writable(text: str) -> bool:
    """Whether a text from a board file can stand in TOML at all."""
    return not any(0xD800 <= ord(c) <= 0xDFFF for c in text)


def comment(text: str) -> str:
    """Text made fit for one comment line: whatever is not plainly visible is shown by its code."""
    plain = (c if c == " " or unicodedata.category(c)[0] not in "CZ" else f"<U+{ord(c):04X}>" for c in text)
    return "# " + "".join(plain)


def _toml(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return quote(value) if isinstance(value, str) else f"{value:.12g}"


def _shown(key: Key, value: Value) -> str:
    """A field's SI value as it stands in the file, in the key's unit."""
    number = isinstance(value, float | int) and not isinstance(value, bool)
    return _toml(value / key.factor if number and key.factor != 1.0 else value)  # type: ignore[operator]


def settings_text(view: View, allowances: Iterable[AllowanceRow] = ()) -> str:
    """The whole file. allowances : every allowance as (key, default, unit, source, help)."""
    blocks = [
        [comment(line).rstrip() for line in HEAD.format(board=view.board.name or "this board").splitlines()],
        _review(view),
        _files(view),
        *_stackup(view),
        _nets(view),
        _patterns(view),
        _parts(view),
        _connectors(view),
        _loads(view),
        _allowances(view, allowances),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _section(title: str, rows: Iterable[tuple[str, str, str]]) -> list[str]:
    """A section of (key, value, comment) rows, comments in one column."""
    rows = list(rows)
    width = max((len(f"{key} = {value}") for key, value, _ in rows), default=0)
    lines = [
        f"{f'{key} = {value}':<{width}}  {comment(note)}" if note else f"{key} = {value}" for key, value, note in rows
    ]
    return [title, *lines]


def _review(view: View) -> list[str]:
    settings = view.settings
    rows = []
    for name, key in REVIEW.items():
        value = False if name == "checked" else getattr(settings, key.field)
        rows.append((name, _shown(key, value), key.help))
    return _section("[review]", rows)


def _files(view: View) -> list[str]:
    """What the user said of the files of a set."""
    said = [(quote(name), quote(value), "") for name, value in view.settings.files.items() if writable(name + value)]
    return [comment("What files of the set are."), *_section("[files]", said)] if said else []


def _stackup(view: View) -> Iterator[list[str]]:
    """Layers, dielectrics and masks from the top, with the reason where a value was assumed."""
    board = view.board
    pairs = zip(board.assumptions, assumption_keys(board), strict=True)
    assumed = {key: assumption.why for assumption, keys in pairs for key in keys}
    yield [comment("Stackup from the top. Values marked 'assumed' are not in the board's data.")]

    def rows(place: str, keys: Mapping[str, Key], row: object) -> Iterator[tuple[str, str, str]]:
        for name, key in keys.items():
            value = getattr(row, key.field)
            if key.kind == "text" and (value == "" or not writable(value)):
                continue
            if not key.holds(value):  # a figure that no board has: better left to the reader's own complaint
                continue
            why = assumed.get(f"{place}.{key.field}")
            yield name, _shown(key, value), f"assumed: {why}" if why is not None else key.help

    for number, layer in enumerate(board.layers, 1):
        if number == 1 and board.mask_top is not None:
            yield _section("[mask.top]", rows("mask.top", MASK, board.mask_top))
        title = f"[layers.{number}]  {comment(board.layer_label(number - 1))}"
        yield _section(title, rows(f"layers.{number}", LAYER, layer))
        if number < len(board.layers):
            title = f"[dielectrics.{number}]  {comment(f'between layers {number} and {number + 1}')}"
            yield _section(title, rows(f"dielectrics.{number}", DIELECTRIC, board.dielectrics[number - 1]))
    if board.mask_bottom is not None:
        yield _section("[mask.bottom]", rows("mask.bottom", MASK, board.mask_bottom))


def _net_values(view: View, net: int, mate: str | None) -> dict[str, Value]:
    """Field values of one net as they stand in the file, in the order of the keys."""
    role, driver = view.roles[net], view.drivers[net]
    said = view.settings.for_net(view.board.nets[net])
    out: dict[str, Value] = {"role": role.kind}
    if role.kind == SUPPLY and role.voltage is not None:
        out["voltage_v"] = role.voltage
    if role.kind == SUPPLY:
        given = {"current_a": said.current, "step_a": said.step, "ripple_percent": said.ripple}
        out |= {name: value for name, value in given.items() if value is not None}
    if role.kind == SIGNAL:
        out["kind"] = driver.kind
        if driver.kind != "none":
            out["data_mbps" if driver.kind == "data" else "clock_mhz"] = driver.rate
            out |= {"rise_ps": driver.rise, "swing_v": driver.swing, "source_ohm": driver.source}
        target = said.target if said.target is not None else view.board.impedances.get(view.board.nets[net])
        if target is not None:
            out["target_ohm"] = target
        if said.differential is not None:
            out["differential_ohm"] = said.differential
        if mate is not None:
            out["pair_with"] = mate
    settled = role.given if role.kind != SIGNAL else driver.given and not driver.assumed
    if settled or said.checked is not None:
        out["checked"] = settled if said.checked is None else said.checked
    return out


def _nets(view: View) -> list[str]:
    """One line a net, by what they are for; the reason above each line."""
    board = view.board
    mates = {pair.positive: (board.nets[pair.negative], pair.reason) for pair in view.pairs}
    alone = {n for n, name in enumerate(board.nets) if view.settings.for_net(name).pair_with == ""}
    groups: dict[str, list[int]] = {
        "grounds": [],
        "supplies": [],
        "clocks": [],
        "data lines": [],
        "slow lines": [],
        "not driven": [],
    }
    by_kind = {"clock": "clocks", "data": "data lines", "slow": "slow lines", "none": "not driven"}
    for net in range(1, len(board.nets)):
        role = view.roles[net].kind
        group = {GROUND: "grounds", SUPPLY: "supplies"}.get(role) or by_kind[view.drivers[net].kind]
        groups[group].append(net)
    lines = [comment(line) for line in NETS.splitlines()] + ["[nets]"]
    unwritable = 0
    for group, nets in groups.items():
        if nets:
            lines += ["", comment(f"-- {group}: {len(nets)}")]
        for net in nets:
            mate, pair_reason = mates.get(net, (None, ""))
            if not writable(board.nets[net] + (mate or "")):
                unwritable += 1
                continue
            values = _net_values(view, net, "" if net in alone else mate)
            inside = ", ".join(
                f"{name} = {_shown(NET[name], value)}" for name, value in values.items() if NET[name].holds(value)
            )
            lines += [comment(_reasons(view, net, pair_reason)), f"{quote(board.nets[net])} = {{ {inside} }}"]
    if unwritable:
        lines += ["", comment(f"left out: {unwritable} nets whose names hold characters that TOML cannot hold")]
    return lines if len(board.nets) > 1 else []


def _reasons(view: View, net: int, pair_reason: str) -> str:
    role, driver = view.roles[net], view.drivers[net]
    said = [driver.reason] if role.kind == SIGNAL else [role.reason]
    if role.kind == SIGNAL and (role.given or "its name" not in role.reason):
        said.insert(0, f"signal: {role.reason}")  # worth telling: something spoke for ground or supply
    return "; ".join([*said, *([f"pair: {pair_reason}"] if pair_reason else [])])


def _patterns(view: View) -> list[str]:
    """The user's own patterns, so that they also catch the nets of a later revision."""
    lines: list[str] = []
    for pattern, said in view.settings.patterns.items():
        rate = "data_mbps" if said.kind == "data" else "clock_mhz"
        names = [n for n in NET if n not in ("clock_mhz", "data_mbps", "pair_with") or n == rate]
        values = {n: v for n in names if (v := getattr(said, NET[n].field)) is not None}
        inside = ", ".join(f"{name} = {_shown(NET[name], value)}" for name, value in values.items())
        lines.append(f"{quote(pattern)} = {{ {inside} }}")
    return ["[patterns]", *lines] if lines else []


def _parts(view: View) -> list[str]:
    """The parts whose outputs an IBIS file tells."""
    lines: list[str] = []
    for ref, said in view.settings.parts.items():
        rows = [(name, value) for name, key in PART.items() if (value := getattr(said, key.field))]
        lines.append("{} = {{ {} }}".format(quote(ref), ", ".join(f"{name} = {quote(value)}" for name, value in rows)))
        if said.models:
            chosen = ", ".join(f"{quote(name)} = {quote(model)}" for name, model in said.models.items())
            lines[-1] = f"{lines[-1][:-2]}, models = {{ {chosen} }} }}"
    intro = 'Parts whose drivers an IBIS file tells: "U1" = { ibis = "u1.ibs" }; also component, corner, models.'
    return [comment(intro), "[parts]", *lines]


def _connectors(view: View) -> list[str]:
    """Connectors found, as comments until the user says what is plugged in; given ones as they were given."""
    given = view.settings.connectors
    found = {}
    for ref, kind in zip(view.board.parts.ref, part_kinds(view.board), strict=True):
        if kind.kind == CONNECTOR and writable(str(ref)):
            found[str(ref)] = f"{kind.reason}, {kind.pins} pins"
    lines: list[str] = []
    for ref in dict.fromkeys([*found, *given]):
        values = given.get(ref)
        if values is None:
            cable = _toml(ref in view.cabled_connectors)
            lines.append(f"# {quote(ref)} = {{ cable = {cable} }}  {comment(f'assumed; {found[ref]}')}")
            continue
        inside = ", ".join(
            f"{name} = {_shown(key, values[key.field])}" for name, key in CONNECTOR_KEYS.items() if key.field in values
        )
        lines.append(f"{quote(ref)} = {{ {inside} }}")
    intro = "Connectors. Take away the # and say if a cable is plugged in (cable), its length_m, and if it is shielded."
    return [comment(intro), "[connectors]", *lines] if lines else []


def _loads(view: View) -> list[str]:
    """What the user said of parts as loads of their supplies."""
    lines = []
    for ref, values in view.settings.loads.items():
        inside = ", ".join(f"{n} = {_shown(key, values[key.field])}" for n, key in LOAD.items() if key.field in values)
        lines.append(f"{quote(ref)} = {{ {inside} }}")
    return [comment("What parts draw: current_a, converter, switch_pf."), "[loads]", *lines] if lines else []


def _allowances(view: View, rows: Iterable[AllowanceRow]) -> list[str]:
    """Every allowance with its default behind a #, the user's own without."""
    lines: list[str] = []
    for key, default, unit, source, text in rows:
        value = view.settings.allowances.get(key)
        lines += [comment(f"{text.rstrip('.')}. Source: {source.rstrip('.')}.")]
        line = f"{quote(key)} = {_toml(default if value is None else value)}"
        lines += [(f"# {line}" if value is None else line) + f"  {comment(unit or 'ratio')}"]
    intro = "Allowances. Take away the # to set one; the review shows each with its source."
    return [comment(intro), "[allowances]", *lines] if lines else []
