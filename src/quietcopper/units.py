"""Units at the border. Inside the program every bare number is SI; these convert where files and text begin."""

from __future__ import annotations

from collections.abc import Sequence

MM = 1e-3
INCH = 25.4e-3
MIL = 25.4e-6
MICRON = 1e-6
OUNCE_COPPER = 34.8e-6  # m of copper for 1 oz per square foot; common practice, 34.1 to 35 µm are in use

EPS0 = 8.8541878128e-12  # F/m, CODATA 2018
MU0 = 1.25663706212e-6  # H/m, CODATA 2018
C0 = 299_792_458.0  # m/s, exact
ETA0 = 376.730313668  # ohm, CODATA 2018
COPPER_CONDUCTIVITY = 5.8e7  # S/m, IACS annealed copper at 20 °C

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def engineering(value: float, unit: str, digits: int = 3) -> str:
    """'12.3 mV' for (0.0123, 'V'); lengths ('m') in m, mm or µm, ratios ('1') in per cent. For text only."""
    if unit == "1":
        return f"{value * 100:.{digits}g} %"
    if unit == "m":
        if 0 < abs(value) < 0.1e-3:
            return f"{value / MICRON:.{digits}g} µm"
        return f"{value / MM:.{digits}g} mm" if abs(value) < 0.9995 else f"{_plain(value, digits)} m"
    if value == 0:
        return f"0 {unit}"
    for scale, prefix in _PREFIXES:
        # 0.9995: 999.7 rounds to 1000 at three digits and then belongs to the next prefix
        if abs(value) >= scale * 0.9995:
            return f"{_plain(value / scale, digits)} {prefix}{unit}"
    return f"{_plain(value / 1e-12, digits)} p{unit}"


def scaled(value: float, unit: str, digits: int = 5) -> tuple[float, str]:
    """Number and unit as `engineering` tells them: (12.0, "ns"), (1.5, "MHz"), (3.3, "V"). Not for "m" and "1"."""
    number, _, name = engineering(value, unit, digits).partition(" ")
    return float(number), name


def _plain(value: float, digits: int) -> str:
    text = f"{value:.{digits}g}"
    return f"{float(text):.0f}" if "e" in text else text


def listed(words: Sequence[str], most: int = 4) -> str:
    """'a, b and c'; from more than `most` the first ones and how many others."""
    if len(words) > most:
        return f"{', '.join(words[: most - 1])} and {len(words) - most + 1} more"
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
