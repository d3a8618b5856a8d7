"""What the board radiates, as both letters tell it: the sum against the limit, who leads where, the sources."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from quietcopper.report.charts import Curve, plot
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
    return [
        f"{top['net']} leads by {top['mechanism']}: at most {top['level_dbuv_m']:.0f} dBµV/m at "
        f"{figure(top['frequency_hz'], 'Hz')}, {abs(top['excess_db']):.0f} dB {over} {emission['standard']} at "
        f"{emission['distance_m']:g} m, {emission['antenna']}.",
        f"Looked at from 30 MHz to {upper}, which {emission['standard']} ({emission['upper_clause']}) asks for a "
        f"highest internal frequency of {internal}; the fastest edge reaches to {knee}.",
        str(emission["caution"]),
    ]


def emission_leads(emission: Data) -> list[str]:
    """Who leads where, bands of one leader put together: '30 MHz to 120 MHz: CLK, the loop of trace and return'."""
    out: list[list[Any]] = []
    for frequency, who in zip(emission["frequency_hz"], emission["leads"], strict=True):
        if out and out[-1][2] == who:
            out[-1][1] = frequency
        else:
            out.append([frequency, frequency, who])
    longest = sorted(out, key=lambda row: (-round(row[1] / row[0], 6), row[0]))[:8]
    return [f"{figure(a, 'Hz')} to {figure(b, 'Hz')}: {who}" for a, b, who in sorted(longest)]


def emission_rows(emission: Data) -> list[list[str]]:
    """Sources as a table's rows: line, how, at, level, limit, excess."""
    return [
        [
            s["net"],
            s["mechanism"],
            figure(s["frequency_hz"], "Hz"),
            f"{s['level_dbuv_m']:.0f} dBµV/m",
            f"{s['limit_dbuv_m']:.0f} dBµV/m",
            decibels(s["excess_db"]),
        ]
        for s in emission["sources"]
    ]
