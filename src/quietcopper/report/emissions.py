"""What the board radiates, as both letters tell it: the sum against the limit, who leads where, the sources."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from quietcopper.report.charts import Curve, plot
from quietcopper.report.safe import Markup
from quietcopper.report.words import decibels, figure

Data = Mapping[str, Any]


def emission_chart(emission: Data) -> Markup:
    """The sum of all lines against the limit over frequency; nothing where fewer than two bands hold anything."""
    x, level, limit = (emission[key] for key in ("frequency_hz", "level_dbuv_m", "limit_dbuv_m"))
    if len(x) < 2:
        return Markup("")
    name = f"{emission['standard']}, {emission['distance_m']:g} m"
    curves = [Curve(x, limit, "limit", name), Curve(x, level, "level")]
    return plot(
        curves,
        label=f"Emission against {name}",
        x_text=lambda v: figure(v, "Hz"),
        y_unit="dBµV/m",
        log_x=True,
        size=(560, 210),
    )


def emission_told(emission: Data) -> list[str]:
    """Sentences above and under the chart."""
    top = emission["sources"][0]
    over = "over" if top["excess_db"] >= 0 else "under"
    upper, internal, knee = (figure(emission[key], "Hz") for key in ("upper_hz", "highest_internal_hz", "knee_hz"))
    span = ""
    if top["range_db"] is not None:
        low, high = (decibels(v) for v in top["range_db"])
        span = f" Its driver is assumed in part: at best {low}, at worst {high}."
    return [
        f"{top['net']} leads by {top['mechanism']}: at most {top['level_dbuv_m']:.0f} dBµV/m at "
        f"{figure(top['frequency_hz'], 'Hz')}, {abs(top['excess_db']):.0f} dB {over} {emission['standard']} at "
        f"{emission['distance_m']:g} m, {emission['antenna']}.{span}",
        f"Looked at from 30 MHz to {upper}, which {emission['standard']} ({emission['upper_clause']}) asks for a "
        f"highest internal frequency of {internal}; the fastest edge reaches to {knee}.",
        str(emission["caution"]),
    ]


def _between(span: Sequence[float] | None) -> str:
    """' (−3 to +12)': best and worst over what was assumed of the driver; nothing where nothing was."""
    if span is None:
        return ""
    return f" ({decibels(span[0], unit=False)} to {decibels(span[1], unit=False)})"


def emission_leads(emission: Data) -> list[str]:
    """Who leads where the sum is over the limit, the most over first: 'CLK, the loop of trace and return, 30 MHz to
    120 MHz, by up to 8 dB'."""
    spans: dict[str, list[float]] = {}
    rows = zip(*(emission[key] for key in ("frequency_hz", "leads", "level_dbuv_m", "limit_dbuv_m")), strict=True)
    for frequency, who, level, limit in rows:
        if level < limit:
            continue
        low, high, most = spans.get(who, (frequency, frequency, 0.0))
        spans[who] = [min(low, frequency), max(high, frequency), max(most, level - limit)]
    worst = sorted(spans.items(), key=lambda item: (-round(item[1][2], 6), item[0]))[:4]
    return [
        f"{who}, {figure(a, 'Hz')}" + (f" to {figure(b, 'Hz')}" if b > a else "") + f", by up to {most:.0f} dB"
        for who, (a, b, most) in worst
    ]


def emission_rows(emission: Data) -> list[list[str]]:
    """Sources as a table's rows: line, how, at, level, limit, excess with its range."""
    return [
        [
            s["net"],
            s["mechanism"],
            figure(s["frequency_hz"], "Hz"),
            f"{s['level_dbuv_m']:.0f} dBµV/m",
            f"{s['limit_dbuv_m']:.0f} dBµV/m",
            decibels(s["excess_db"]) + _between(s["range_db"]),
        ]
        for s in emission["sources"]
    ]
