"""Small charts as SVG, sized in pixels: excess on a decibel line, curves against a limit, bars. Colours are classes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from quietcopper.report.pictures import excess_level
from quietcopper.report.safe import Markup
from quietcopper.report.svg import chart
from quietcopper.report.words import decibels, figure, number, shortened

LINE_WIDTH, LINE_EDGE = 250, 58  # px of a decibel line between its ends, and the room for a label beside it
BAR_WIDTH = 320
KEY_PX, LETTER_PX = 26, 5.3  # piece of a line before its name, width of the name's letters
LABEL_PX = 34  # width of a figure in decibels
COMB_DEPTH = 70.0  # dB below the highest line at which a spectrum is cut off


@dataclass(frozen=True)
class DecibelScale:
    """One scale for all decibel lines of a page, so that they compare at a glance."""

    low: float
    high: float

    @classmethod
    def around(cls, values: Sequence[float]) -> DecibelScale:
        """From the values shown, with zero inside; whole steps of 6 dB, at most 60 dB below and above."""
        inside = [min(60.0, max(-60.0, v)) for v in values] or [0.0]
        return cls(min(-6.0, 6 * math.floor(min(inside) / 6)), max(6.0, 6 * math.ceil(max(inside) / 6)))

    def x(self, value: float) -> float:
        share = (min(self.high, max(self.low, value)) - self.low) / (self.high - self.low)
        return LINE_EDGE + LINE_WIDTH * share


def decibel_line(
    scale: DecibelScale,
    before: float | None,
    after: float | None = None,
    *,
    removed: bool = False,
    small: bool = False,
    bare: bool = False,
) -> Markup:
    """Before and after on a line whose zero is the allowance. A filled spot is today, a ring is after the change.

    small : without the words at the spot and at the allowance;  bare : without any, for a row that has the figures
    """
    small = small or bare
    height, y = (26, 13) if small else (40, 14)
    width = LINE_WIDTH + 2 * LINE_EDGE
    zero = scale.x(0)
    now = scale.x(scale.low if before is None else before)
    items = [
        Markup('<path class="axis" d="M{} {}h{}"/><path class="zero" d="M{:.1f} {}v16"/>').format(
            LINE_EDGE, y, LINE_WIDTH, zero, y - 8
        )
    ]
    words = f"now {decibels(before)}"
    if not small:
        items.append(Markup('<text class="small middle" x="{:.1f}" y="{}">allowance</text>').format(zero, y + 22))
    left_label = after is not None and before is not None and after < before
    if after is not None or removed:
        then = LINE_EDGE - 1 if after is None else scale.x(after)
        words += f", after the change {decibels(after, removed=removed)}"
        items.append(Markup('<path class="span" d="M{:.1f} {}H{:.1f}"/>').format(then, y, now))
        items.append(Markup('<circle class="after" cx="{:.1f}" cy="{}" r="5"/>').format(then, y))
        text = "gone" if after is None else decibels(after, unit=False)
        side, x = ("end", then - 10) if left_label or after is None else ("start", then + 10)
        if side == "end" and x - LABEL_PX < zero < then:
            x = min(x, zero - 5)  # the label stands beyond the allowance's tick, not across it
        if side == "start" and then < zero < x + LABEL_PX:
            x = max(x, zero + 5)
        if not bare:
            plate = x - LABEL_PX - 4 if side == "end" else x - 4  # else the line before it reads as a minus sign
            items.append(
                Markup('<rect class="plate" x="{:.1f}" y="{}" width="{}" height="4"/>').format(
                    plate, y - 2, LABEL_PX + 8
                )
            )
            items.append(Markup('<text class="{}" x="{:.1f}" y="{}">{}</text>').format(side, x, y + 4, text))
    items.append(Markup('<circle class="now x{}" cx="{:.1f}" cy="{}" r="6"/>').format(excess_level(before), now, y))
    if not small:
        flip = after is not None and not left_label
        side, x = ("end", now - 11) if flip else ("start", now + 11)
        items.append(
            Markup('<text class="strong {}" x="{:.1f}" y="{}">{}</text>').format(side, x, y + 4, decibels(before))
        )
    return chart(width, height, words, items, "decibels")


def nice_ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Round values (1, 2, 5 times a power of ten apart) between low and high."""
    if not high > low:
        return [low]
    raw = (high - low) / most
    power = 10 ** math.floor(math.log10(raw))
    step = next(f * power for f in (1, 2, 5, 10) if f * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


@dataclass(frozen=True)
class Curve:
    """x and y of one line; `css` is its class: 'level', 'limit' or 'steps' (drawn as steps)."""

    x: Sequence[float]
    y: Sequence[float]
    css: str
    name: str = ""

    @property
    def points(self) -> list[tuple[float, float]]:
        return list(zip(self.x, self.y, strict=True))


def plot(
    curves: Sequence[Curve],
    *,
    label: str,
    x_text: Callable[[float], str],
    y_unit: str,
    log_x: bool = False,
    log_y: bool = False,
    size: tuple[int, int] = (430, 190),
) -> Markup:
    """Curves over one axis, the level with its limit. Raises ValueError without two points to draw, or where a
    logarithmic axis has values that are not positive."""
    if log_y:
        curves = [replace(curve, y=[math.log10(y) for y in curve.y]) for curve in curves]
    points = [(x, y) for c in curves for x, y in c.points if x > 0 or not log_x]
    if len(points) < 2:
        raise ValueError("a curve needs two points")
    low_x, high_x = min(p[0] for p in points), max(p[0] for p in points)
    low_y, high_y = min(p[1] for p in points), max(p[1] for p in points)
    if any(c.css == "comb" for c in curves):
        low_y = max(low_y, high_y - COMB_DEPTH)
    pad = 0.08 * (high_y - low_y) or max(abs(high_y), 1.0) * 0.1
    low_y, high_y = low_y - 2 * pad, high_y + pad
    left, top, right, bottom = 44, 26, size[0] - 14, size[1] - 22

    def place(x: float, y: float) -> tuple[float, float]:
        if high_x == low_x:
            share = 0.5
        elif log_x:
            share = math.log(x / low_x) / math.log(high_x / low_x)
        else:
            share = (x - low_x) / (high_x - low_x)
        return left + share * (right - left), bottom - (y - low_y) / (high_y - low_y) * (bottom - top)

    items, names, right_of_name = [], [], float(right)
    decades = [math.log10(tick) for tick in _decades(10**low_y, 10**high_y)] if log_y else []
    for tick in decades or nice_ticks(low_y, high_y, 5):
        y = place(high_x, tick)[1]
        text = number(float(f"{10**tick:.3g}")) if log_y else number(tick)
        items.append(
            Markup('<path class="grid" d="M{} {:.1f}H{}"/><text class="small end" x="{}" y="{:.1f}">{}</text>').format(
                left, y, right, left - 6, y + 4, text
            )
        )
    for tick in _decades(low_x, high_x) if log_x else nice_ticks(low_x, high_x, 5):
        x = place(tick, low_y)[0]
        items.append(
            Markup(
                '<path class="grid" d="M{0:.1f} {1}v4"/><text class="small middle" x="{0:.1f}" y="{2}">{3}</text>'
            ).format(x, bottom, bottom + 17, x_text(tick))
        )
    items.append(Markup('<path class="axis" d="M{} {}H{}"/>').format(left, bottom, right))
    items.append(Markup('<text class="small end" x="{}" y="12">{}</text>').format(left - 6, y_unit))
    for curve in curves:
        line = [place(x, y) for x, y in curve.points if x > 0 or not log_x]
        if curve.css == "comb":
            d = "".join(f"M{x:.1f} {bottom}V{y:.1f}" for x, y in line if y < bottom)
        else:
            d = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in line)
        items.append(Markup('<path class="curve {}" d="{}"/>').format(curve.css, d))
        if curve.name:  # above the plot, with a piece of its line: beside the line it would lie on the other curve
            start = right_of_name - KEY_PX - LETTER_PX * len(curve.name)
            names.append(
                Markup(
                    '<path class="curve {0}" d="M{1:.1f} 8h{2}"/>'
                    '<text class="small end name-{0}" x="{3:.1f}" y="12">{4}</text>'
                ).format(curve.css, start, KEY_PX - 6, right_of_name, curve.name)
            )
            right_of_name = start - 14
    return chart(*size, label, [*items, *names])


def _decades(low: float, high: float) -> list[float]:
    """1, 3 times powers of ten inside the range; only the powers where the range is wide."""
    factors = (1.0,) if high / low > 200 else (1.0, 3.0) if high / low > 8 else (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [f * 10.0**p for p in powers for f in factors]
    return [t for t in ticks if low * (1 - 1e-9) <= t <= high * (1 + 1e-9)]


def target_bar(found: float, target: float, tolerance_percent: float | None, unit: str, label: str) -> Markup:
    """One figure on a line around its target, the band it may lie in shaded."""
    width, y = LINE_WIDTH + 2 * LINE_EDGE, 16
    span = max(abs(found - target), target * (tolerance_percent or 0) / 100, target * 0.1) * 1.25
    low, high = target - span, target + span

    def x(value: float) -> float:
        return LINE_EDGE + LINE_WIDTH * (value - low) / (high - low)

    items = [Markup('<path class="axis" d="M{} {}h{}"/>').format(LINE_EDGE, y, LINE_WIDTH)]
    if tolerance_percent:
        band = target * tolerance_percent / 100
        items.append(
            Markup('<rect class="band" x="{:.1f}" y="{}" width="{:.1f}" height="12"/>').format(
                x(target - band), y - 6, x(target + band) - x(target - band)
            )
        )
    side, at = ("end", x(found) - 11) if found < target else ("start", x(found) + 11)
    items.append(
        Markup(
            '<path class="zero" d="M{0:.1f} {1}v16"/><text class="small middle" x="{0:.1f}" y="{2}">target {3}</text>'
            '<path class="now-mark" d="M{4:.1f} {5}l6 6l-6 6l-6 -6z"/><text class="strong {6}" x="{7:.1f}"'
            ' y="{8}">{9}</text>'
        ).format(x(target), y - 8, y + 24, figure(target, unit), x(found), y - 6, side, at, y + 4, figure(found, unit))
    )
    return chart(width, 46, label, items)


def bars(rows: Sequence[tuple[str, float, str]], label: str) -> Markup:
    """Parts of a sum, one bar each: (what, value, unit)."""
    largest = max((abs(value) for _, value, _ in rows), default=0.0) or 1.0
    items = []
    for i, (what, value, unit) in enumerate(rows):
        y = 18 + 34 * i
        length = BAR_WIDTH * abs(value) / largest
        items.append(
            Markup(
                '<text x="2" y="{}">{}</text>'
                '<rect class="bar" x="2" y="{}" width="{:.1f}" height="10"/><text x="{:.1f}" y="{}">{}</text>'
            ).format(
                y - 5,
                shortened(what, 60),
                y,
                length,
                10 + length,
                y + 9,
                figure(value, unit),
            )
        )
    return chart(430, 34 * len(rows) + 8, label, items)
