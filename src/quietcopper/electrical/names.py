"""What a net's name says, and how firmly: ground, supply with its voltage, signal, or one line of a pair.

Names are habits, not a standard: every word list here is common practice, no source. A name is one witness among
several; `roles` hears the others. Levels: SURE stands unless the copper says otherwise, LIKELY needs some support,
HINT needs more, AGAINST means a ground or supply word with a modifier that makes a signal of it (PGOOD, VBUS_DET).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from quietcopper.electrical.tables import GROUND, SUPPLY

SURE, LIKELY, HINT, AGAINST, SILENT = "sure", "likely", "hint", "against", "silent"

_NO_NAME = re.compile(
    r"N?\$?\d+|\$\w+|N[_$-]?\d+|NET[-_]?\d+|NET[A-Z]{1,4}\d+_\w+|UN\d\w+|UNNAMED.*|UNUSED.*|UNCONNECTED.*|NODE_?\d+|"
    r"NO[_ ]?NET|N/C|NC\d*|NOCONNECT.*|SIG\d+|XSIG\w+"
)
_UNCONNECTED = re.compile(r"UNCONNECTED.*|UNUSED.*|NO[_ ]?NET|N/C|NC\d*|NOCONNECT.*")
_BY_PIN = re.compile(r"NET-\((.+)\)", re.I)  # a net that a program called after one of its pins
_PAD_NUMBER = re.compile(r"-PAD[\w.]+$", re.I)
_REFERENCE = re.compile(r"[A-Z]{1,4}\d+(?:_\d+)?[A-Z]?", re.I)

# A modifier that makes a signal of any ground or supply word beside it.
_HARD = (
    "SENSE SENS SNS SEN EN ENA ENABLE NEN ENN PG PGD PGOOD PWRGD PWRGOOD POK GOOD OK FLT FAULT FLAG FLG DET DETECT MON "
    "MONITOR MEAS MEASURE CTRL CTL CONTROL SEL SELECT ON OFF ONOFF SHDN SHUTDOWN ALERT OC OCP OVP UVP UVLO OVLO "
    "PRESENT PRSNT STAT STATUS VALID VLD TRIP DIV TRIM ADJ GATE PWM TACH BST KELVIN READY RDY IRQ REQ ISENSE DIS "
    "DISABLE PRSENSE FB SCALED KEY BTN BUTTON PGATE NGATE IMON IMEAS VSENSE VMON VDET"
)
_HARD_TOKEN = re.compile(rf"(?:{_HARD.replace(' ', '|')})\d*[NBP]?")
_HARD_TAIL = re.compile(r"(?:SENSE|SNS|DET|PG|EN|MON|ADC|DIV|OK|GOOD|FB|FLT|FLG|OC|CTL|CTRL|SEL|VLD|RDY)$")
_HARD_HEAD = re.compile(r"^(?:N?EN|PG|OK|FB|DET|MON)$")
_MEASURED = re.compile(r"ADC\d*|AIN\d*|AN\d*|CMP\d*|COMP\d*")
# Words of ordinary signals: a voltage after one of them is the level of that signal, not a rail.
_SIGNAL = re.compile(
    r"(?:U?S?ART\d*|TXD?\d*|RXD?\d*|RTS|CTS|SDA\d*|SCL\d*|I2C\d*|S?CLK\w*|SCK|CK|MISO|MOSI|SDIO?\d*|SDO|CS\d*|NSS|SS|"
    r"N?RST\d*|N?RESET\d*|INT\d*|GPIO\w*|DATA\d*|D\d+|A\d+|ADDR\d*|OE|WE|RD|WR|DQS?\d*|LED\w*|TCK|TMS|TDI|TDO|SWDIO|"
    r"SWCLK|BOOT\d*|WAKE\w*|IO\d+|HPD|CEC|STRAP\w*|TEST|TP\d*)"
)

_GROUND = re.compile(r"(?:([A-Z]{0,4})GND([A-Z]{0,6})|GROUND|[ADPI]?VSS([A-Z]{0,4})|EARTH|CHASSIS|CHAS|MASSE|MASSA)\d*")
# PE0, COM1: with a number these are pins of a port
_GROUND_HINT = re.compile(r"(?:SHIELD|SHLD|SHD|SCREEN|FRAME|COMMON|DRAIN)\d*|PE|FE|COM")
_RETURN = re.compile(r"(?:RTN|RETURN|RET)\d*")  # of the supply named beside it
_SUPPLY = re.compile(
    r"[+-]?([A-Z]{0,4}?)(?:VCC|VDD|VEE|VPP|VBATT?|VBUS|VSYS|VCORE|VTT|VAA|VAUX|VPWR|VSUP|VSUPPLY|VMOT|VMOTOR|VUSB|VRTC|"
    r"VMAIN|VLOGIC|VDRIVE)([A-Z]{0,6})[\dVP.]*[A-Z]{0,2}"
)
_SUPPLY_LIKELY = re.compile(
    r"(?:VIO|VIN|VINPUT|VANA|VDIG|VLED|VBIAS|VHV|VPOS|VNEG|VCHG|VEXT|VBKP|VBACKUP|VLCD|VPA|VRF|VDC|VREG|VMCU|VSENSOR|"
    r"VCAM|VSD|VSIM|VPLL|VRAM|VMEM|VFLASH|VPROG|VDRV|VLDO|VDISP|VPHY|VETH|VADC|VDAC|VPGA|VBCK|VBOOST|VBUCK|BATT?|"
    r"BATTERY|DCIN)[A-Z]?\d*"
)
_SUPPLY_HINT = re.compile(
    r"(?:VOUT[A-Z]?|VREF[A-Z]*|VCM|VMID|VBB|VCOM|PWR|POWER|SUPPLY|VS|VP|VM|VHI|VLO|HV|RAIL|RAW|VRAW|V)\d*"
)
_DC_IN = re.compile(r"\bDC IN\b")  # one word in two: where the supply comes in
_RETURN_LEAD = re.compile(r"(?:BATT?|VBATT?|VIN|PWR|DC|SUPPLY|B|P)-")

_VOLTS = (
    re.compile(r"([+-]?)([PNM]?)(\d{1,2})[V](\d{1,2})([A-Z]{0,8}\d?)"),  # 3V3, P1V8, 1V8A
    re.compile(r"([+-]?)([PNM]?)(\d{1,2})P(\d{1,2})V([A-Z]{0,8}\d?)"),  # 3P3V
    re.compile(r"()(V)(\d{1,2})[PV](\d{1,2})([A-Z]{0,4})"),  # V3P3, V1V8
    re.compile(r"([+-]?)([PNM]?)(\d{1,3}(?:\.\d{1,3})?)V()(?:DC)?([A-Z]{0,8}\d{0,2})"),  # 5V, +3.3VD, 24VDC
)


@dataclass(frozen=True)
class NameHint:
    """kind : ground, supply or ""; level : see the module; voltage : V, where the name tells; clause : in words."""

    kind: str
    level: str
    voltage: float | None = None
    clause: str = "its name says nothing"


def leaf(name: str) -> str:
    """The last part of a hierarchical name ("/CH1/BUF_IN": "BUF_IN"); the pin's name of "Net-(U3-FB)", "" where the
    pin has a number only."""
    if m := _BY_PIN.fullmatch(name.strip()):
        reference, _, pin = _PAD_NUMBER.sub("", m[1]).partition("-")
        return pin.replace("{slash}", "_") if _REFERENCE.fullmatch(reference) else ""
    parts = name.strip().split("/")
    last = parts[-1]
    deep = name.startswith("/") or all(len(p) >= 3 for p in parts)
    return last if len(parts) > 1 and len(re.sub(r"\W", "", last)) >= 2 and deep else name.strip()


def says_nothing(name: str) -> bool:
    """Whether a name was made up by a program (N$12, NetR9_2, Net-(U3-Pad4)) or is missing."""
    upper = name.strip().upper()
    if _BY_PIN.fullmatch(upper):
        return bool(re.fullmatch(r"(?:[A-Z]?\d+)?", leaf(upper)))
    return not upper or bool(_NO_NAME.fullmatch(upper))


def named_by_pin(name: str) -> bool:
    """Whether a program called the net after one of its pins: the pin's name may still tell something."""
    return bool(_BY_PIN.fullmatch(name.strip()))


def says_unconnected(name: str) -> bool:
    """Whether the file's own name says that nothing is tied to this pin."""
    return bool(_UNCONNECTED.fullmatch(name.strip().upper()))


def words(name: str) -> tuple[str, ...]:
    """The upper-case words of a name's last part; a leading sign and decimals stay with their word.

    >>> words("/ADC/ADC_CSn"), words("+3.3V_IO"), words("nRST"), words("L_DQ<70>")
    (('ADC', 'CS'), ('+3.3V', 'IO'), ('N', 'RST'), ('L', 'DQ', '70'))
    """
    text = leaf(name)
    text = re.sub(r"(?<=[A-Z0-9])n$", "", text)
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", text).upper()
    return tuple(re.findall(r"(?:(?<![A-Z0-9])[+-])?[A-Z0-9]+(?:\.\d[A-Z0-9]*)*", text))


def volts(word: str) -> tuple[float, str] | None:
    """Voltage and trailing letters of a word that is a voltage, else None.

    >>> volts("3V3"), volts("-5V"), volts("N12V"), volts("+3.3VD"), volts("1V2EN"), volts("D12")
    ((3.3, ''), (-5.0, ''), (-12.0, ''), (3.3, 'D'), (1.2, 'EN'), None)
    """
    for pattern in _VOLTS:
        if m := pattern.fullmatch(word):
            whole, part = m[3], m[4]
            if part and "." not in whole and int(whole) >= 12 and len(part) == 1 and part != "5":
                part = ""  # 12V1 is the first of several 12 V rails
            value = float(f"{whole}.{part or 0}") if "." not in whole else float(whole)
            return (-value if m[1] == "-" or m[2] in ("N", "M") else value), m[5]
    return None


def _voltage_inside(word: str) -> float | None:
    """Voltage that stands inside a supply word: VCC3V3, VDD_1P8, VDD33. VCC12 may be 1.2 or 12: None."""
    if m := re.search(r"(\d{1,2})[VP](\d{1,2})", word):
        return float(f"{m[1]}.{m[2]}")
    if m := re.search(r"[A-Z](\d{1,2}\.\d)", word):
        return float(m[1])
    if m := re.search(r"VDD[A-Z]{0,2}(\d)(\d)$|VCC[A-Z]{0,2}(3)(3)$|VCC[A-Z]{0,2}([12])([58])$", word):
        digits = [d for d in m.groups() if d]
        return float(f"{digits[0]}.{digits[1]}") if digits != ["1", "5"] or "VDD" in word else None
    if m := re.search(r"(?:VCC|VDD|VBUS|VUSB)(5)$", word):
        return float(m[1])
    return None


@lru_cache(maxsize=1 << 16)
def name_hint(name: str) -> NameHint:
    """What a net's name says of its role. A pin's name ("Net-(U1-VDD)") counts one level less than a net's own."""
    if says_nothing(name):
        return NameHint("", SILENT)
    hint = _hint(leaf(name), words(name))
    if named_by_pin(name) and hint.level in (SURE, LIKELY):
        lower = LIKELY if hint.level == SURE else HINT
        return NameHint(hint.kind, lower, hint.voltage, f"{hint.clause} as a pin's name")
    return hint


def _hint(text: str, tokens: Sequence[str]) -> NameHint:
    quoted = f"name {text!r}"
    tokens = _DC_IN.sub("DCIN", " ".join(tokens)).split()
    if _RETURN_LEAD.fullmatch(text.upper()):
        return NameHint(GROUND, HINT, None, quoted)
    found: list[tuple[str, str, float | None, int]] = []  # kind, level, voltage, position
    hard = any(_HARD_TOKEN.fullmatch(t) for t in tokens)
    lone = sum(not t.isdigit() for t in tokens) == 1
    for i, token in enumerate(tokens):
        word = _word(token, lone)
        if word is not None:
            kind, level, voltage, modified = word
            hard |= modified
            found.append((kind, level, voltage, i))
    if not found:
        return NameHint("", SILENT)
    order = [SURE, LIKELY, HINT]
    grounds = [f for f in found if f[0] == GROUND]
    kind, level, _, at = min(grounds or found, key=lambda f: (order.index(f[1]), f[3]))
    voltage = None if kind == GROUND else next((f[2] for f in found if f[2] is not None), None)
    if kind == SUPPLY and voltage is None:
        voltage = next((v for t in tokens if (v := _loose_volts(t)) is not None), None)
    signals = [i for i, t in enumerate(tokens) if _SIGNAL.fullmatch(t) and i != at]
    figure_only = kind == SUPPLY and all(volts(tokens[f[3]]) for f in found)
    measured = any(_MEASURED.fullmatch(t) for t in tokens) and bool(
        re.fullmatch(r"[+-]?V?(?:BATT?|IN|BUS|OUT|SYS|REF)\w*", tokens[at])
    )
    if hard or measured or (figure_only and signals and min(signals) < at):
        return NameHint(kind, AGAINST, None, f"{quoted} is that of a signal")
    if signals and level == HINT:
        return NameHint(kind, AGAINST, None, f"{quoted} is that of a signal")
    if any(tokens[i] != "INT" for i in signals) and level == SURE:
        level = LIKELY
    if grounds and len(grounds) < len(found):  # a ground beside a supply word: the return of that supply
        level = LIKELY
    return NameHint(kind, level, voltage, quoted)


def _word(token: str, lone: bool) -> tuple[str, str, float | None, bool] | None:
    """(kind, level, voltage, whether a modifier is glued to it) of one word, None when it is no such word.

    lone : the only word of its name beside numbers
    """
    if m := _GROUND.fullmatch(token):
        before, after = m[1] or "", m[2] or m[3] or ""
        glued = bool(_HARD_TAIL.search(after)) or bool(_HARD_HEAD.fullmatch(before))
        if before == "V":
            return GROUND, HINT, None, glued
        return GROUND, (LIKELY if before == "LED" else SURE), None, glued
    if figure := volts(token):
        value, tail = figure
        if value == 0:
            return GROUND, SURE, None, bool(_HARD_TAIL.search(tail))
        return SUPPLY, SURE, value, bool(_HARD_TAIL.search(tail))
    if m := _SUPPLY.fullmatch(token):
        glued = bool(_HARD_TAIL.search(m[2])) or bool(_HARD_HEAD.fullmatch(m[1]))
        return SUPPLY, SURE, _voltage_inside(token), glued
    if re.fullmatch(r"[+-](?:V|BATT?)[A-Z0-9]*", token):
        return SUPPLY, SURE, None, False
    if _RETURN.fullmatch(token) or (lone and _GROUND_HINT.fullmatch(token)):
        return GROUND, HINT, None, False
    if _SUPPLY_LIKELY.fullmatch(token):
        return SUPPLY, LIKELY, None, False
    if _SUPPLY_HINT.fullmatch(token):
        return SUPPLY, HINT, None, False
    return None


def _loose_volts(token: str) -> float | None:
    """A figure that counts as a voltage only beside a supply word: VCC_1P8, VDD_3.3."""
    if m := re.fullmatch(r"(\d{1,2})[P.](\d{1,2})V?", token):
        return float(f"{m[1]}.{m[2]}")
    return None


_TURN = {"P": "NM", "p": "nm", "+": "-", "POS": ("NEG",), "pos": ("neg",), "PLUS": ("MINUS",), "plus": ("minus",)}
_MARK = re.compile(r"(?<=[A-Za-z0-9_.\-])(?:(?:POS|PLUS|P)|(?:pos|plus|p)|\+)(?=$|[_.\-\d<>()\[\]/])")
_BUS_MARKS = (
    (re.compile(r"CAN\w*?_?(H)(?=$|[_\d])", re.I), {"H": "L", "h": "l"}),
    (re.compile(r"USB\w*?_?(H)(?=$|[_\d])", re.I), {"H": "L", "h": "l"}),
    (re.compile(r"485\w*?[_-]?(A)(?=$|[_\d])", re.I), {"A": "B", "a": "b"}),
    (re.compile(r"(?:CK|CLK|DQS)\w*_(T)(?=$|[_\d])", re.I), {"T": "C", "t": "c"}),
)


def pair_names(names: Sequence[str]) -> list[tuple[int, int, str]]:
    """Names that differ in one polarity mark only: (index of +, index of -, clause), in order of the first index.

    Marks: P/N, P/M, +/-, POS/NEG, PLUS/MINUS at the end of a word, H/L of CAN and USB, A/B of RS-485, T/C and a
    trailing # or * of memory clocks and strobes. Each net appears once at most.
    """
    index = {name: i for i, name in enumerate(names) if name}
    taken: set[int] = set()
    out: list[tuple[int, int, str]] = []
    for i, name in enumerate(names):
        if not name or i in taken or says_nothing(name):
            continue
        other = next((j for n in _counterparts(name) if (j := index.get(n)) is not None and j not in taken), None)
        if other is not None:
            taken |= {i, other}
            out.append((i, other, f"names {leaf(name)} and {leaf(names[other])}"))
    return out


def _counterparts(name: str) -> list[str]:
    """The names that the other line of a pair could have, likeliest first."""
    start = len(name) - len(leaf(name)) if name.endswith(leaf(name)) else 0
    out = []
    for m in reversed([m for m in _MARK.finditer(name) if m.start() >= start]):
        out += [name[: m.start()] + turn + name[m.end() :] for turn in _TURN[m[0]]]
    for pattern, turn_of in _BUS_MARKS:
        if found := pattern.search(name, start):
            out.append(name[: found.start(1)] + turn_of[found[1]] + name[found.end(1) :])
    if re.search(r"(?:CK|CLK|DQS)\d*$", name, re.I):
        out += [name + mark for mark in ("#", "*", "_N", "N", "_n", "n")]
    return out
