"""What each part is: connector, capacitor, resistor, … from its reference, value, package and pins.

Reference letters: IEEE 315-1975 clause 22 and IEC 81346-2 (both from memory), and the spellings in common use, which
often differ from both. Where the letters say several things (X: connector or crystal) value, package and pins decide.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import pairwise
from weakref import WeakKeyDictionary

import numpy as np

from quietcopper.board import Board
from quietcopper.electrical.names import AGAINST, name_hint
from quietcopper.electrical.tables import SUPPLY

CONNECTOR, CAPACITOR, RESISTOR, NETWORK = "connector", "capacitor", "resistor", "resistor network"
INDUCTOR, FERRITE, CRYSTAL, OSCILLATOR = "inductor", "ferrite", "crystal", "oscillator"
DIODE, LED, TRANSISTOR, IC, MODULE = "diode", "LED", "transistor", "IC", "module"
TEST_POINT, SWITCH, FUSE, ANTENNA, FILTER = "test point", "switch", "fuse", "antenna", "filter"
TRANSFORMER, RELAY, BATTERY, JUMPER, VARISTOR = "transformer", "relay", "battery", "jumper", "varistor"
SOUNDER, SENSOR, MECHANICAL, UNKNOWN = "sounder", "sensor", "mechanical", "unknown"

UNITS = {
    CAPACITOR: "F",
    RESISTOR: "ohm",
    NETWORK: "ohm",
    INDUCTOR: "H",
    FERRITE: "ohm",
    CRYSTAL: "Hz",
    OSCILLATOR: "Hz",
}

# Letters of the reference, longest first where one begins another. Common practice where neither standard has them.
PREFIXES: dict[str, str] = {
    **dict.fromkeys(
        ("J", "P", "CN", "CON", "CONN", "X", "XS", "XP", "JK", "HDR", "USB", "PL", "SK", "TB", "JST"), CONNECTOR
    ),
    **dict.fromkeys(("C", "CP", "CE", "CC", "CAP", "EC"), CAPACITOR),
    **dict.fromkeys(("R", "RES", "RS", "RT", "RP", "POT", "RTH", "TH", "NTC"), RESISTOR),
    **dict.fromkeys(("RN", "RA", "RNET", "RPACK"), NETWORK),
    **dict.fromkeys(("L", "IND", "CH"), INDUCTOR),
    **dict.fromkeys(("FB", "BEAD", "FER", "LB"), FERRITE),
    **dict.fromkeys(("Y", "XTAL", "XT", "QZ", "CRYSTAL"), CRYSTAL),
    **dict.fromkeys(("OSC", "G", "XO", "TCXO"), OSCILLATOR),
    **dict.fromkeys(("D", "CR", "ZD", "VD", "TVS", "DZ", "BR", "ESD"), DIODE),
    **dict.fromkeys(("LED", "DS", "LD"), LED),
    **dict.fromkeys(("Q", "T", "TR", "VT", "FET"), TRANSISTOR),
    **dict.fromkeys(("U", "IC", "N", "VR", "REG", "OK", "OC", "ISO"), IC),
    **dict.fromkeys(("A", "MOD", "M"), MODULE),
    **dict.fromkeys(("TP", "TPT", "TEST"), TEST_POINT),
    **dict.fromkeys(("S", "SW", "SB", "KEY", "BTN"), SWITCH),
    **dict.fromkeys(("F", "FU", "PTC", "FS"), FUSE),
    **dict.fromkeys(("AE", "ANT", "E"), ANTENNA),
    **dict.fromkeys(("FL", "FIL", "EMI", "LF"), FILTER),
    **dict.fromkeys(("TF", "TX", "XFMR"), TRANSFORMER),
    **dict.fromkeys(("K", "RL", "RLY", "REL"), RELAY),
    **dict.fromkeys(("BT", "BAT", "B"), BATTERY),
    **dict.fromkeys(("JP", "SJ", "NT", "W", "JMP"), JUMPER),
    **dict.fromkeys(("RV", "MOV", "VDR"), VARISTOR),
    **dict.fromkeys(("BZ", "LS", "SPK", "MK", "MIC", "SP"), SOUNDER),
    **dict.fromkeys(
        ("FID", "FD", "MH", "H", "MP", "HS", "SH", "LOGO", "HOLE", "MTG", "REF", "SHIELD", "G***"), MECHANICAL
    ),
}
# Words in value or package that settle the kind whatever the letters say, first hit wins.
WORDS: tuple[tuple[str, str], ...] = (
    (r"FIDUCIAL|MOUNTING ?HOLE|MOUNTINGHOLE|HEAT ?SINK|LOGO", MECHANICAL),
    (r"TEST ?POINT|TESTPAD", TEST_POINT),
    (r"FERRITE|\bBEAD\b|BLM\d|OHM ?@|R@\d+ ?M", FERRITE),
    (r"TCXO|OSCILLATOR|\bOSC[_ ]|\bOSC\b", OSCILLATOR),
    (r"CRYSTAL|XTAL|HC-?49|RESONATOR", CRYSTAL),
    (r"ANTENNA|\bANT[_ ]", ANTENNA),
    (r"\bLED(\b|_)|NEOPIXEL|WS28\d\d", LED),
    (r"TRANSFORMER|XFMR|MAGJACK", TRANSFORMER),
    (r"CONN|HEADER|RECEPTACLE|GOLDEN ?FINGER|SOCKET|\bUSB[_ -]|RJ-?45|\bSMA\b|\bBNC\b|PINHEADER|TERMINAL", CONNECTOR),
    (r"\bSHIELD\b|SHIELD(ING)? ?CAN", MECHANICAL),
    (r"CAPACITOR|^CAPC\d|^C_\d{4}|^CAP[-_ ]", CAPACITOR),
    (r"RESISTOR|^RESC\d|^R_\d{4}|^RES[-_ ]", RESISTOR),
    (r"INDUCTOR|^INDC\d|^L_\d{4}|^IND[-_ ]|CHOKE", INDUCTOR),
)
# Words inside a reference whose letters say nothing: boards also call parts after their purpose (HDMI1, PWRLED1).
REFERENCE_WORDS: tuple[tuple[str, str], ...] = (
    (r"MOUNT|HOLE|SHLD|SHIELD|LOGO", MECHANICAL),
    (r"LED", LED),
    (r"RESET|RST|BTN|BUTTON|KEY|PWRON|BOOT", SWITCH),
    (r"FUSE", FUSE),
    (r"^RM\d", NETWORK),
    (
        r"HDMI|LAN|ETH|USB|RJ45|SD|UEXT|GPIO|CON|HDR|JTAG|UART|PHONE|LINE|MIC|DSI|CSI|LCD|VGA|DVI|BAT|PWR|DEBUG|SWD",
        CONNECTOR,
    ),
)
CHIP_PACKAGE = re.compile(r"SO(IC|P|N|J)?-?\d|SSOP|TSSOP|MSOP|Q[FL]N|[LT]?QFP|BGA|CSP|PLCC|DFN|DIP|LGA|MLF")

_EXPONENTS = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}
_UNIT_WORDS = {
    "F": r"[Ff](?:arad)?", "H": r"[Hh](?:enry)?", "Hz": r"[Hh][Zz]", "ohm": r"(?:[Oo][Hh][Mm][Ss]?|Ω|Ω|R|E)",
}  # fmt: skip
_NUMBER = r"(\d+(?:[.,]\d+)?|[.,]\d+)"


@dataclass(frozen=True)
class PartKind:
    """What a part is. value : F, ohm, H or Hz by `UNITS`, None when unknown; nets : distinct nets on its pins, in order
    of the pins' names, without net 0; pins : number of its pins; reason : one short clause."""

    kind: str
    value: float | None
    nets: tuple[int, ...]
    pins: int
    reason: str


def quantity(text: str, unit: str) -> float | None:
    """A component value out of free text, SI, for unit "F", "ohm", "H" or "Hz"; None when none is there.

    Takes "100n", "0.1uF", "4u7", "100nF/16V", "4k7", "4R7", "R47", "0R", "10K 1%", "600R@100MHz", "12.000MHz" and words
    around it. A bare number counts as ohms for resistors; for a capacitor only a fraction counts, as microfarads
    (common practice, no source); "104" and "100" stay unknown, because code and picofarads are both in use.

    >>> quantity("CAP 4u7 10V", "F"), quantity("R47", "ohm"), quantity("22", "F")
    (4.7e-06, 0.47, None)
    """
    if unit == "ohm":
        text = text.split("@")[0]
    words = [w for w in re.split(r"[\s/;()]+|, |_|-(?=\d)", text.strip()) if w]
    joined = [a + b for a, b in pairwise(words) if re.fullmatch(_NUMBER, a) and b[0].isalpha()]  # "100 nF"
    for word in [*joined, *words]:
        value = _value(word, unit)
        if value is not None:
            return value
    bare = words[-1].replace(",", ".") if words and re.fullmatch(_NUMBER, words[-1]) else ""
    lone = len(words) == 1 or text.strip()[: -len(words[-1])].endswith("-") if words else False
    if not bare or not lone:
        return None
    if unit == "ohm" and not re.fullmatch(r"0\d{3}", bare):  # 0402, 0603: a size, not ohms
        return float(bare)
    return _float(bare, -6) if unit == "F" and "." in bare and 0 < float(bare) < 1 else None


def _value(word: str, unit: str) -> float | None:
    """One word as a number with prefix or unit."""
    prefixes = {"F": "pnuµμm", "H": "pnuµμm", "Hz": "kKMG", "ohm": "mkKMG"}[unit]
    if unit in "FH":
        word = re.sub(r"(?<=[\d.])([PNU])(?=[FH\d]|$)", lambda m: m[1].lower(), word)  # 100NF
    elif unit == "Hz":
        word = re.sub(r"(?<=\d)m(?=[Hh][Zz])", "M", word)
    unit_word = _UNIT_WORDS[unit]
    if m := re.fullmatch(rf"{_NUMBER}([{prefixes}])(?:{unit_word})?", word):
        return _float(m[1], _EXPONENTS[m[2]])
    if m := re.fullmatch(rf"(\d+)([{prefixes}])(\d+)(?:{unit_word})?", word):
        return _float(f"{m[1]}.{m[3]}", _EXPONENTS[m[2]])
    if m := re.fullmatch(rf"{_NUMBER}(?:{unit_word})", word):
        return _float(m[1])
    if unit == "ohm" and (m := re.fullmatch(r"(\d*)R(\d+)", word)):
        return float(f"{m[1] or 0}.{m[2]}")
    return None


def _float(text: str, exponent: int = 0) -> float:
    return float(f"{text.replace(',', '.')}e{exponent}")


@dataclass(frozen=True)
class Link:
    """A series part, or one element of a resistor network, between nets a and b. ohm : None when unknown."""

    part: int
    a: int
    b: int
    ohm: float | None


def series_links(board: Board, kinds: tuple[PartKind, ...], limit: float = 1000.0) -> list[Link]:
    """Parts that hand an edge from one net to another, by reference.

    Two-pin resistors up to `limit` (ohm) or of unknown value, ferrites, jumpers, coupling capacitors of 1 nF or more or
    of unknown value, and the elements of resistor networks whose pins face each other (1 and 2n, 2 and 2n - 1, …;
    common practice, no source).
    """
    out: list[Link] = []
    for part in by_reference(board):
        kind = kinds[part]
        fits = kind.value is None or kind.value <= limit
        if kind.kind == NETWORK and fits:
            out += [Link(part, a, b, kind.value) for a, b in _elements(board, part)]
        elif len(kind.nets) == 2 and kind.pins == 2:
            if kind.kind == RESISTOR and fits:
                out.append(Link(part, *kind.nets, kind.value))
            elif kind.kind in (FERRITE, JUMPER) or (
                kind.kind == CAPACITOR and (kind.value is None or kind.value >= 0.9e-9)
            ):
                out.append(Link(part, *kind.nets, 0.0))
    return out


def _elements(board: Board, part: int) -> list[tuple[int, int]]:
    rows = np.flatnonzero(board.pins.part == part)
    net_of = {str(board.pins.name[r]): int(board.pins.net[r]) for r in rows}
    count = len(net_of)
    if count % 2 or set(net_of) != {str(i) for i in range(1, count + 1)}:
        return []
    facing = [(net_of[str(i)], net_of[str(count + 1 - i)]) for i in range(1, count // 2 + 1)]
    return [(a, b) for a, b in facing if a and b and a != b]


def by_reference(board: Board) -> list[int]:
    """Rows of board.parts in the order of their references: the same whatever the order in the file."""
    return sorted(range(len(board.parts)), key=lambda part: (str(board.parts.ref[part]), part))


_KINDS: WeakKeyDictionary[Board, tuple[PartKind, ...]] = WeakKeyDictionary()


def part_kinds(board: Board) -> tuple[PartKind, ...]:
    """What each part is, by row of board.parts; kept with the board."""
    if board not in _KINDS:
        _KINDS[board] = _part_kinds(board)
    return _KINDS[board]


def _part_kinds(board: Board) -> tuple[PartKind, ...]:
    parts, pins = board.parts, board.pins
    order = np.lexsort((pins.name.astype(str), pins.part)) if len(pins) else np.empty(0, np.intp)
    starts = np.searchsorted(pins.part[order], np.arange(len(parts) + 1))
    out = []
    for i in range(len(parts)):
        nets = pins.net[order[starts[i] : starts[i + 1]]]
        kind = _kind(str(parts.ref[i]), str(parts.value[i]), str(parts.package[i]), nets.tolist())
        if kind.kind in (CRYSTAL, OSCILLATOR) and kind.pins <= 4:
            kind = _crystal_or_oscillator(kind, [board.nets[n] for n in kind.nets])
        out.append(kind)
    return tuple(out)


def _crystal_or_oscillator(kind: PartKind, names: list[str]) -> PartKind:
    """An oscillator has a supply and a crystal has none, whatever the words say, where the nets' names tell."""
    hints = [hint for name in names if (hint := name_hint(name)).kind and hint.level != AGAINST]
    if not hints:
        return kind
    supplied = any(hint.kind == SUPPLY for hint in hints)
    right = OSCILLATOR if supplied else CRYSTAL
    if right == kind.kind:
        return kind
    return replace(kind, kind=right, reason=f"{kind.reason}, {'with a' if supplied else 'without a'} supply pin")


def _kind(ref: str, value: str, package: str, nets: list[int]) -> PartKind:
    letters = (re.match(r"[A-Z*]+", ref.upper()) or [""])[0]
    by_letters = PREFIXES.get(letters, UNKNOWN)
    reason = f"reference {ref}" if by_letters != UNKNOWN else ""
    kind = by_letters
    text = f"{value}\n{package}".upper()
    hit = next(((w, k) for w, k in WORDS if re.search(w, text, re.MULTILINE)), None)
    if hit and _word_decides(by_letters, hit[1], len(nets)):
        found = re.search(hit[0], text, re.MULTILINE)
        kind, reason = hit[1], f"{found[0].strip(' _-').lower()} in its value or package" if found else reason
    if kind == UNKNOWN and (word := next((k for w, k in REFERENCE_WORDS if re.search(w, ref.upper())), None)):
        kind, reason = word, f"reference {ref}"
    if kind == UNKNOWN and CHIP_PACKAGE.search(text) and len(nets) > 3:
        kind, reason = IC, f"package {package or value}"
    kind, reason = _by_pins(kind, letters, value, package, nets, reason)
    amount = None
    if kind in UNITS:
        amount = quantity(value, UNITS[kind])
    distinct = tuple(dict.fromkeys(n for n in nets if n != 0))
    return PartKind(kind, amount, distinct, len(nets), reason or f"nothing known of reference {ref!r}")


def _word_decides(by_letters: str, by_word: str, pins: int) -> bool:
    """Whether a word may overrule the letters: always for letters of several meanings, else only within a family."""
    if by_letters in (UNKNOWN, CONNECTOR, MODULE, MECHANICAL, FILTER, ANTENNA, TRANSISTOR):
        return True
    families = (
        {INDUCTOR, FERRITE, FILTER, TRANSFORMER},
        {DIODE, LED},
        {CRYSTAL, OSCILLATOR},
        {RESISTOR, FERRITE, FUSE},
        {BATTERY, CONNECTOR},
        {IC, OSCILLATOR} if pins <= 6 else {IC},
        {SWITCH, CONNECTOR},
        {JUMPER, TEST_POINT, CONNECTOR, RESISTOR},
    )
    return any({by_letters, by_word} <= family for family in families)


def _by_pins(kind: str, letters: str, value: str, package: str, nets: list[int], reason: str) -> tuple[str, str]:
    """Corrections that need the pins, the value or the package's size."""
    count, distinct = len(nets), len({n for n in nets if n})
    frequency = quantity(value, "Hz") if re.search(r"HZ", value.upper()) else None
    if frequency and kind in (CONNECTOR, UNKNOWN, IC, CRYSTAL) and count <= 6:
        powered = letters != "Y" and count in (4, 6) and distinct >= 3
        return (OSCILLATOR if powered else CRYSTAL), f"frequency {value.strip()} as its value"
    if letters == "X" and count <= 4 and re.search(r"(?<!\d)(3225|2520|2016|5032|7050|3215)(?!\d)", package):
        return CRYSTAL, f"{reason} in a crystal's package {package}"
    if kind == MECHANICAL and letters == "H" and distinct >= 2:
        return CONNECTOR, f"{reason} with {count} pins"
    if letters == "VR" and count <= 2:
        return VARISTOR, f"{reason} with {count} pins"
    if kind == RESISTOR and count > 3:
        return NETWORK, f"{reason}, {count} pins"
    if kind == LED and count > 8:
        return IC, f"{reason}, but {count} pins"
    if kind == TRANSISTOR and count > 8:
        return IC, f"{reason}, but {count} pins"
    if kind == TRANSISTOR and letters in ("T", "TR") and count in (4, 6, 8):
        return TRANSFORMER, f"{reason} with {count} pins"
    if kind == MODULE and count <= 1:
        return MECHANICAL, f"{reason} with {count} pins"
    if kind == ANTENNA and letters == "E" and count > 3:
        return UNKNOWN, f"reference letters {letters} with {count} pins"
    return kind, reason
