"""An invented review: a tide-gauge logger of four layers, twelve findings in four causes, with evidence to draw."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from quietcopper.findings import (
    Allowance,
    AssumptionNote,
    Cause,
    CauseHint,
    Coverage,
    Drawing,
    DrawnLayer,
    Finding,
    NotChecked,
    Place,
    Proposal,
    Remedy,
    Result,
    Stretch,
    Way,
)

W, H = 88.0, 56.0
LAYERS = ("TOP", "GND", "PWR", "BOT")
NETS = [
    "",
    "GND",
    "VDD_3V3",
    "VDD_5V",
    "VBAT",
    "SCK",
    "MOSI",
    "MISO",
    "CLK_32M",
    "LED_1",
    "LED_2",
    "LED_3",
    "ANT",
    "ADC_IN",
]
NOISE = Allowance(
    0.0165,
    "V",
    "Johnson and Graham, High-Speed Digital Design (from memory): some 5 % of the swing",
    "trace-over-gap.noise_share",
)


def _rings(shape):
    return [[np.asarray(r.coords) for r in (p.exterior, *p.interiors)] for p in shapely.get_parts(shape)]


def _lines(rng):
    """Centre lines (layer, net, width, points) of an invented routing."""
    out = []
    for k in range(9):  # a bus on the bottom that crosses both splits of the supply layer
        y = 18 + 0.7 * k
        out.append((3, 5 + k % 3, 0.18, [(10, y), (28, y), (33, y + 5), (62, y + 5), (66, y + 1), (78, y + 1)]))
    for k in range(3):
        out.append((3, 9 + k, 0.15, [(52 + 0.6 * k, 48), (52 + 0.6 * k, 12 - 0.6 * k), (70, 8 - 0.6 * k)]))
    out.append((0, 8, 0.2, [(20, 44), (34, 44), (38, 40)]))
    out.append((3, 8, 0.2, [(38, 40), (44, 34), (44, 29)]))
    out.append((0, 12, 0.35, [(70, 50), (84, 50)]))
    out.append((0, 13, 0.15, [(8, 10), (22, 10), (27, 15), (27, 24)]))
    for _ in range(70):
        x, y = rng.uniform(6, W - 12), rng.uniform(6, H - 8)
        dx, dy = rng.choice([-1, 0, 1], 2)
        length = rng.uniform(2, 7)
        end = (float(np.clip(x + dx * length, 3, W - 3)), float(np.clip(y + dy * length, 3, H - 3)))
        out.append((int(rng.choice([0, 3])), int(rng.integers(5, 14)), 0.15, [(x, y), end]))
    return out


def make_drawing(nets=None):
    """The invented board as it is drawn, mm."""
    rng = np.random.default_rng(7)
    outline = box(0, 0, W, H).buffer(-2).buffer(2)
    lines = _lines(rng)
    vias = rng.uniform((5, 5), (W - 5, H - 5), (90, 2))
    openings = shapely.union_all([Point(p).buffer(0.45, 8) for p in vias[::2]])
    ground = outline.buffer(-0.6).difference(openings)
    split = shapely.union_all(
        [
            LineString([(38, -1), (38, 24), (44, 30), (44, 60)]).buffer(0.35),
            LineString([(44, 38), (90, 38)]).buffer(0.35),
        ]
    )
    supplies = shapely.get_parts(outline.buffer(-0.6).difference(split).difference(openings)).tolist()
    supplies.sort(key=lambda p: p.centroid.x - p.centroid.y)
    pour = box(56, 42, 66, 53).difference(box(58, 44, 64, 53))
    areas = {
        0: [(pour, 1), (box(80, 6, 83, 9), 0)],
        1: [(ground, 1)],
        2: list(zip(supplies, (4, 2, 3), strict=False)),
        3: [],
    }
    layers = []
    parts = [(f"U{i + 1}", 14 + 22 * i, 30 - 4 * (i % 2), 0) for i in range(4)]
    parts += [
        (f"C{i + 1}", float(x), float(y), 0) for i, (x, y) in enumerate(rng.uniform((6, 6), (W - 6, H - 6), (40, 2)))
    ]
    parts.append(("J2", 4.0, 28.0, 0))
    for index, name in enumerate(LAYERS):
        mine = [line for line in lines if line[0] == index]
        pads = []
        if index == 0:
            for ref, x, y, _ in parts:
                if ref.startswith("U"):
                    pads += [
                        (box(x - 4 + 0.8 * k - 0.2, y + s * 4 - 0.7, x - 4 + 0.8 * k + 0.2, y + s * 4 + 0.7), 5 + k % 8)
                        for k in range(11)
                        for s in (-1, 1)
                    ]
                else:
                    pads += [(box(x - 0.9, y - 0.4, x - 0.2, y + 0.4), 2), (box(x + 0.2, y - 0.4, x + 0.9, y + 0.4), 1)]
        if index in (0, 3):
            pads += [(Point(p).buffer(0.3, 16), 1) for p in vias]
        layers.append(
            DrawnLayer(
                name=name,
                areas=[r for a, _ in areas[index] for r in _rings(a)],
                area_nets=[n for a, n in areas[index] for _ in _rings(a)],
                traces=[np.asarray(points, dtype=float) for _, _, _, points in mine],
                trace_widths=[width for _, _, width, _ in mine],
                trace_nets=[net for _, net, _, _ in mine],
                pads=[r for p, _ in pads for r in _rings(p)],
                pad_nets=[n for _, n in pads],
            )
        )
    holes = np.column_stack([vias, np.full(len(vias), 0.3)])
    walks = {
        "SCK": (
            Way(
                "U1.3",
                "U3.7",
                47.2,
                (
                    Stretch("trace", 3, 24.6, 52.4, "VDD_3V3", 2, (((14.0, 18.0), (37.6, 18.0)),)),
                    Stretch("trace", 3, 0.7, None, "", -1, (((37.6, 18.0), (38.4, 18.0)),)),
                    Stretch("via", 0, 1.5, 41.0, "GND", 1, (((60.0, 18.0),),)),
                ),
            ),
        )
    }
    return Drawing(
        outline=_rings(outline), layers=layers, holes=holes, parts=parts, nets=list(nets or NETS), walks=walks
    )


GROUND_L3 = Proposal("layer 3 (PWR) becomes ground", "area-to-net", {"layer": 2, "net": "GND"})
BRIDGE = Proposal("a capacitor across the gap within 2 mm of the crossing", "bridge-gap", {"at": (0.038, 0.021)})
RETURN_VIA = Proposal("a ground via 0.9 mm beside the via", "add-via", {"net": "GND", "at": (0.0389, 0.04)})
THINNER = Proposal("0.2 mm between layers 2 and 3", "set-dielectric", {"dielectric": 1, "thickness": 0.0002})


def _crossing(net, x_mm, y_mm, volts, nanohenries, rng):
    frequency = np.arange(1, 41) * 25e6
    level = (
        31 - 18 * np.log10(frequency / 25e6) + 14 * np.exp(-(((frequency - 7.2e8) / 9e7) ** 2)) + rng.normal(0, 1, 40)
    )
    limit = np.where(frequency < 230e6, 40.5, 47.5)
    return Finding(
        check="trace-over-gap",
        subject=(net, "BOT", f"{x_mm:g}"),
        title=f"{net} crosses the split in layer 3",
        message=f"{net} on layer 4 (BOT) passes from VBAT to VDD_3V3; its return goes round by the bridge at the "
        f"corner, 23 mm away, and takes {volts * 1e3:.3g} mV at each edge.",
        place=Place(
            (x_mm * 1e-3, y_mm * 1e-3),
            LineString([((x_mm - 0.4) * 1e-3, y_mm * 1e-3), ((x_mm + 0.4) * 1e-3, y_mm * 1e-3)]),
            (3, 2),
            (net,),
        ),
        predicted=volts,
        allowance=NOISE,
        cause=CauseHint(
            "gap:PWR:VBAT|VDD_3V3",
            "Layer 3 (PWR) is three supplies, and layer 4's signals cross between them",
            GROUND_L3,
        ),
        remedies=(
            Remedy(GROUND_L3, 20 * np.log10(volts / 0.0165) - 14.2, "solved again"),
            Remedy(BRIDGE, 20 * np.log10(volts / 0.0165) - 7.5),
        ),
        evidence={
            "gap_mm": 0.7,
            "excess_inductance_nh": nanohenries,
            "rise_ps": 1000.0,
            "line_impedance_ohm": 52.4,
            "return_path": {
                "signal_mm": [[x_mm - 6, y_mm], [x_mm + 6, y_mm]],
                "return_mm": [
                    [x_mm - 6, y_mm],
                    [x_mm - 0.5, y_mm],
                    [x_mm - 0.6, 24],
                    [41, 32],
                    [x_mm + 0.5, 26],
                    [x_mm + 0.5, y_mm],
                    [x_mm + 6, y_mm],
                ],
            },
            "impedance_profile": {
                "distance_mm": np.linspace(0, 60, 61),
                "found_ohm": 52.4 + 41 * np.exp(-(((np.linspace(0, 60, 61) - 28) / 1.6) ** 2)),
                "target_ohm": 50.0,
            },
            "spectrum": {
                "frequency_hz": frequency,
                "level_dbuv_m": level,
                "limit_dbuv_m": limit,
                "limit_name": "CISPR 32 class B",
            },
        },
        range_db=(20 * np.log10(volts / 0.0165) - 4.1, 20 * np.log10(volts / 0.0165) + 2.3),
    )


def make_findings():
    rng = np.random.default_rng(3)
    split = [
        _crossing("SCK", 38.0, 23.0, 0.072, 4.9, rng),
        _crossing("MOSI", 38.0, 23.7, 0.050, 3.4, rng),
        _crossing("MISO", 38.0, 24.4, 0.041, 2.8, rng),
        _crossing("LED_1", 52.0, 38.0, 0.037, 3.8, rng),
        _crossing("LED_2", 52.6, 38.0, 0.034, 3.8, rng),
        _crossing("LED_3", 53.2, 38.0, 0.022, 3.8, rng),
    ]
    via_cause = CauseHint(
        "layer change:CLK_32M", "CLK_32M goes down through the board with no ground via beside it", RETURN_VIA
    )
    vias = [
        Finding(
            check="layer-change-without-return",
            subject=("CLK_32M", name),
            title=f"CLK_32M changes layer at {name} without a return via",
            message=f"The nearest ground via is {far} mm away; the detour adds {nano} nH to the return.",
            place=Place((x * 1e-3, y * 1e-3), Point(x * 1e-3, y * 1e-3).buffer(0.5e-3), (0, 3), ("CLK_32M",), ("U2",)),
            predicted=nano * 1e-9,
            allowance=Allowance(0.5e-9, "H", "common practice, no source", "layer-change-without-return.inductance"),
            cause=via_cause,
            remedies=(Remedy(RETURN_VIA, -8.0),),
            evidence={
                "transition": {
                    "upper": 0,
                    "lower": 3,
                    "upper_reference": 1,
                    "lower_reference": 2,
                    "return_distance_mm": far,
                    "return_what": "ground via",
                },
                "reach": {
                    "from_mm": [x, y],
                    "to_mm": [x + far * 0.8, y + far * 0.6],
                    "distance_mm": far,
                    "allowed_mm": 1.0,
                    "what": "nearest ground via",
                },
                "contributions": [
                    {"what": "barrel between the planes", "value": 0.42e-9, "unit": "H"},
                    {"what": "spreading in layer 2", "value": 0.21e-9, "unit": "H"},
                    {"what": "spreading in layer 3", "value": 0.15e-9, "unit": "H"},
                ],
            },
        )
        for name, x, y, far, nano in (("U2.7", 38.0, 40.0, 6.3, 0.78), ("U3.1", 44.0, 29.0, 4.8, 0.61))
    ]
    thick = CauseHint("dielectric:2-3", "Ground and supplies are 1.06 mm apart", THINNER)
    planes = [
        Finding(
            check="planes-far-apart",
            subject=("GND", net),
            title=f"GND and {net} face each other across 1.06 mm",
            message=f"The pair GND and {net} stores {cap} pF; a pair 0.2 mm apart would store five times as much.",
            place=Place((x * 1e-3, y * 1e-3), None, (1, 2), ("GND", net)),
            predicted=1.06e-3,
            allowance=Allowance(
                0.58e-3,
                "m",
                "Novak, Power distribution design methodologies (from memory)",
                "planes-far-apart.distance",
            ),
            cause=thick,
            remedies=(Remedy(THINNER, -9.2),),
            evidence={
                "capacitance_pf": cap,
                "mode": {
                    "x_mm": np.linspace(2, W - 2, 22),
                    "y_mm": np.linspace(2, H - 2, 14),
                    "level": [[float(np.cos(np.pi * i / 21)) for i in range(22)] for _ in range(14)],
                    "what": "mode voltage",
                    "frequency_hz": 7.42e8,
                    "signed": True,
                },
            },
        )
        for net, x, y, cap in (("VBAT", 18.0, 28.0, 61.0), ("VDD_3V3", 66.0, 18.0, 55.0))
    ]
    others = [
        Finding(
            check="impedance-off-target",
            subject=("ANT", "TOP"),
            title="ANT is 61 Ω where 50 Ω is meant",
            message="ANT on layer 1 (TOP) is 61.2 Ω over 14 mm; at 50 Ω the mismatch would be under 5 %.",
            place=Place((0.077, 0.050), LineString([(0.070, 0.050), (0.084, 0.050)]), (0,), ("ANT",)),
            predicted=0.1,
            allowance=Allowance(
                0.1, "1", "the board's own target with a tolerance of 10 %", "impedance-off-target.tolerance"
            ),
            cause=CauseHint(
                "impedance:ANT",
                "ANT is too narrow for its height over layer 2",
                Proposal("ANT 0.52 mm wide", "set-width", {"net": "ANT"}),
            ),
            remedies=(Remedy(Proposal("ANT 0.52 mm wide", "set-width", {"net": "ANT"}), -22.0),),
            evidence={
                "impedance": {
                    "found_ohm": 61.2,
                    "target_ohm": 50.0,
                    "tolerance_percent": 10.0,
                    "name": "ANT on layer 1",
                },
                "section": {
                    "strips": [
                        {
                            "x_mm": 0.0,
                            "y_mm": 0.21,
                            "width_mm": 0.35,
                            "thickness_mm": 0.035,
                            "role": "line",
                            "name": "ANT",
                            "etch": 0.25,
                        },
                        {
                            "x_mm": 0.9,
                            "y_mm": 0.21,
                            "width_mm": 0.7,
                            "thickness_mm": 0.035,
                            "role": "ground",
                            "name": "GND",
                        },
                    ],
                    "sheets": [{"thickness_mm": 0.21, "er": 4.2}],
                    "plane_below": True,
                    "plane_above": False,
                    "plane_below_name": "layer 2, GND",
                    "mask_um": 20.0,
                    "field_lines": [[[0.02 * k, 0.21], [0.05 * k, 0.1], [0.06 * k, 0.0]] for k in range(-7, 8)],
                },
            },
        ),
        Finding(
            check="pour-finger",
            subject=("GND", "TOP"),
            title="A finger of the ground pour rings at 1.9 GHz",
            message="The finger is 11 mm long and tied at one end; a quarter wave fits at 1.9 GHz.",
            place=Place(
                (0.057, 0.050),
                Polygon([(0.056, 0.042), (0.058, 0.042), (0.058, 0.053), (0.056, 0.053)]),
                (0,),
                ("GND",),
            ),
            predicted=0.011,
            allowance=Allowance(0.0182, "m", "common practice, no source", "pour-finger.frequency_factor"),
            cause=CauseHint("finger:TOP", "Pour fingers on layer 1 (TOP) are tied at one end", None),
            evidence={"standing_wave": {"length_mm": 11.0, "frequency_hz": 1.9e9, "ends": "one tied"}, "er": 4.2},
        ),
    ]
    return [*split, *vias, *planes, *others]


def make_result(findings=None, drawing=None, name="Tide-gauge logger, revision A", **changes):
    """A Result around the findings, causes grouped by the findings' own hints."""
    from dataclasses import replace

    from quietcopper.review.causes import in_order

    found = make_findings() if findings is None else list(findings)
    found = [replace(f, id=":".join((f.check, *f.subject))) for f in found]
    found.sort(key=lambda f: (-f.excess_db, f.id))
    groups = {}
    for f in found:
        groups.setdefault(f.cause.key, []).append(f)
    causes = []
    for key, group in groups.items():
        change = group[0].cause.change
        after = [r.excess_after_db for f in group for r in f.remedies if r.change == change]
        causes.append(
            Cause(
                key,
                group[0].cause.title,
                tuple(f.id for f in group),
                change,
                group[0].excess_db,
                max(after) if after else None,
                sum_db=sum(max(0.0, f.excess_db) for f in group),
            )
        )
    causes = in_order(causes)
    reference = {"layer": "GND", "distance_mm": 0.21, "net": "GND", "kind": "ground"}
    carries = ("signals", "ground", "supplies VBAT, VDD_3V3, VDD_5V", "signals")
    values = {
        "board": {
            "name": name,
            "source": "tide-gauge-a.xml",
            "outline_mm": [W, H],
            "layers": list(LAYERS),
            "nets": len(NETS) - 1,
            "parts": 45,
            "pins": 168,
            "traces": 340,
            "vias": 90,
            "areas": 6,
        },
        "settings": {"title": "", "reviewer": "", "recipient": "", "standard": "CISPR 32 class B"},
        "assumptions": (
            AssumptionNote(
                "rise time of SCK, MOSI, MISO", 1000.0, "ps", "no model and no setting; usual for 3.3 V logic", 3
            ),
            AssumptionNote(
                "dielectric constant between layers 2 and 3", 4.4, "", "the file names FR-4 without a figure", 1
            ),
            AssumptionNote("solder mask", 20.0, "µm", "the file has none", 2),
        ),
        "causes": tuple(causes),
        "findings": tuple(found),
        "coverage": (
            Coverage("trace-over-gap", 41, 44, "nets"),
            Coverage("layer-change-without-return", 18, 18, "layer changes"),
            Coverage("planes-far-apart", 2, 2, "plane pairs"),
            Coverage("impedance-off-target", 44, 44, "nets"),
            Coverage("traces-too-close", 112, 112, "stretches side by side"),
            Coverage("pour-finger", 9, 9, "pieces of copper"),
        ),
        "not_checked": (
            NotChecked("impedance-off-target", "3 lines over the splits", "no reference there to solve against", 3),
        ),
        "unread": (
            {"what": "text outlines", "count": 61, "where": "line 20411", "why": "silk screen carries no current"},
        ),
        "problems": ("Pad U3.4 lies on net MISO but touches copper of net MOSI.",),
        "lines": (
            {
                "net": "ANT",
                "layer": "TOP",
                "width_mm": 0.35,
                "length_mm": 14.0,
                "z_ohm": 61.2,
                "er_effective": 3.1,
                "delay_ps": 82.0,
                "delay_ps_per_mm": 5.87,
            },
        ),
        "plane_pairs": (
            {
                "upper": "GND",
                "lower": "PWR",
                "upper_net": "GND",
                "lower_net": "VBAT",
                "distance_mm": 1.06,
                "area_mm2": 1660.0,
                "capacitance_f": 61e-12,
                "modes_hz": [7.42e8],
            },
        ),
        "stackup": {
            "thickness_mm": 1.62,
            "layers": [
                {
                    "name": layer,
                    "thickness_um": 35.0,
                    "function": "signal",
                    "carries": carries[i],
                    "trace_mm": (412.0, 0.0, 0.0, 903.0)[i],
                    "copper_percent": (6.0, 93.0, 91.0, 0.0)[i],
                    "reference": {
                        0: reference,
                        3: {"layer": "PWR", "distance_mm": 0.21, "net": "", "kind": "supply"},
                    }.get(i),
                }
                for i, layer in enumerate(LAYERS)
            ],
            "dielectrics": [
                {"thickness_mm": t, "er": er, "tan_d": 0.02, "material": "FR-4"}
                for t, er in ((0.21, 4.2), (1.06, 4.4), (0.21, 4.2))
            ],
            "judgement": [
                "The signals on layer 1 (TOP) return in GND on GND, 0.21 mm away.",
                "The signals on layer 4 (BOT) return in several nets on PWR, 0.21 mm away: that is supply copper, "
                "not ground alone.",
                "GND and VBAT face each other at 1.06 mm: 3.7 pF/cm², little because they are far apart.",
            ],
        },
        "checks": {
            n: {"question": q, "mechanism": m, "formula": "see the documentation of the check"}
            for n, q, m in (
                (
                    "trace-over-gap",
                    "Does a trace cross a gap in its reference?",
                    "The return current follows the trace in its reference; at a gap it "
                    "must go round. The loop that opens is an inductance in the signal's way, and a source that drives "
                    "every cable on the board.",
                ),
                (
                    "layer-change-without-return",
                    "Has every layer change a way for the return between its references?",
                    "Where a signal changes layer its return must change plane. Without a via or "
                    "capacitor nearby it spreads between the planes and stirs them.",
                ),
                (
                    "planes-far-apart",
                    "Are ground and supply close to each other?",
                    "The closer the pair, the lower its impedance above the reach of capacitors. A far "
                    "pair rings higher and is driven more easily.",
                ),
                (
                    "impedance-off-target",
                    "Has each line the impedance it should have?",
                    "A step in impedance sends part of the edge back.",
                ),
                ("traces-too-close", "How much does one line couple into another?", "Parallel lines share field."),
                (
                    "pour-finger",
                    "Is there a finger of pour tied at one end?",
                    "A finger tied at one end is a quarter-wave resonator.",
                ),
            )
        },
        "drawing": drawing or make_drawing(),
    }
    values.update(changes)
    return Result(**values)


@pytest.fixture(scope="session")
def invented():
    """(Result, document) of the invented board."""
    from quietcopper.findings.document import to_document

    result = make_result()
    return result, to_document(result)


@pytest.fixture(scope="session")
def build_result():
    """The builder itself, for reviews that differ."""
    return make_result
