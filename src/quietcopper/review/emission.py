"""The board's emission in one table: which line leads at which frequency, by which mechanism, against the limit."""

from __future__ import annotations

from typing import Any

import numpy as np

from quietcopper.electrical.emission import allowed_field
from quietcopper.electrical.radiators import IN_WORDS, MECHANISMS, Radiators, radiators_of
from quietcopper.electrical.view import View
from quietcopper.fields.limits import standard
from quietcopper.fields.radiation import microvolt_db
from quietcopper.fields.spectra import knee

BANDS = 60  # of the chart, equal on a logarithmic axis
MOST_SOURCES = 12
FLOOR = 1e-9  # V/m; what lies lower is not drawn
CAUTION = (
    "An upper bound for ranking, made of the layout alone: every cable is taken as resonant at every frequency, "
    "housings and shields are not seen. It is no compliance verdict."
)


def emission_summary(view: View) -> dict[str, Any]:
    """Sources with their worst frequency, and the board's level by band; empty where nothing could be priced.

    The level of a band: of each line and mechanism the highest in it, lines and mechanisms added by their squares, as
    sources that know nothing of one another.
    """
    radiators, settings = radiators_of(view), view.settings
    lowest, highest = 30e6, radiators.highest
    if not radiators.by_net or highest <= lowest:
        return {}
    edges = np.geomspace(lowest * 0.999, highest * 1.001, BANDS + 1)
    middle = np.sqrt(edges[1:] * edges[:-1])
    power, best = np.zeros(BANDS), np.zeros(BANDS)
    leads = np.full(BANDS, -1)
    sources: list[dict[str, Any]] = []
    which: list[tuple[int, str]] = []
    for net in sorted(radiators.by_net):
        frequency, fields = radiators.fields(net)
        if not fields:
            continue
        allowed = allowed_field(settings, frequency)
        band = np.clip(np.searchsorted(edges, frequency) - 1, 0, BANDS - 1)
        for mechanism in MECHANISMS:
            field = fields[mechanism]
            if not np.any(field > FLOOR):
                continue
            most = np.zeros(BANDS)
            np.maximum.at(most, band, field)
            power += most**2
            ahead = most > best
            leads[ahead], best[ahead] = len(sources), most[ahead]
            worst = int(np.argmax(field / allowed))
            level, most_allowed = float(field[worst]), float(allowed[worst])
            sources.append(
                {
                    "net": view.board.nets[net],
                    "mechanism": IN_WORDS[mechanism],
                    "frequency_hz": float(frequency[worst]),
                    "level_dbuv_m": float(microvolt_db(level)),
                    "limit_dbuv_m": float(microvolt_db(most_allowed)),
                    "excess_db": 20 * float(np.log10(level / most_allowed)),
                }
            )
            which.append((net, mechanism))
    if not sources:
        return {}
    drawn = np.flatnonzero(power > FLOOR**2)
    order = sorted(range(len(sources)), key=lambda i: (-round(sources[i]["excess_db"], 6), str(sources[i]["net"])))
    return {
        "standard": settings.standard,
        "upper_clause": standard(settings.standard).upper_clause,
        "distance_m": settings.distance,
        "highest_internal_hz": view.highest_rate,
        "upper_hz": highest,
        "knee_hz": max((float(knee(d.rise)) for d in view.drivers if d.swing > 0), default=0.0),
        "antenna": radiators.antenna.words,
        "caution": CAUTION,
        "frequency_hz": middle[drawn].tolist(),
        "level_dbuv_m": microvolt_db(np.sqrt(power[drawn])).tolist(),
        "limit_dbuv_m": microvolt_db(allowed_field(settings, middle[drawn])).tolist(),
        "leads": [f"{sources[i]['net']}, {sources[i]['mechanism']}" for i in leads[drawn]],
        "sources": [{**sources[i], "range_db": _range(radiators, *which[i])} for i in order[:MOST_SOURCES]],
        "more_sources": max(0, len(order) - MOST_SOURCES),
    }


def _range(radiators: Radiators, net: int, mechanism: str) -> list[float] | None:
    """Best and worst excess of one mechanism of a line over what was assumed of its driver, dB; None where nothing
    was."""
    priced = radiators.estimate(net, mechanism)
    return None if priced is None or priced[0].range_db is None else list(priced[0].range_db)
