"""`quietcopper line`: one cross-section: impedance, delay, loss, coupling; or the width or gap that is wanted."""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from quietcopper.errors import CallError, OutOfRange
from quietcopper.units import COPPER_CONDUCTIVITY, MICRON, MM

if TYPE_CHECKING:
    from quietcopper.fields.section import CrossSection

ACCURACY_PERCENT, FINEST_PERCENT = 0.2, 0.001  # of the matrices
POUR = 10.0  # width of coplanar copper in distances from the middle; as good as endless, 1e-4 in the impedance
_EPILOG = """\
examples:
  quietcopper line --width-mm 0.35 --height-mm 0.2 --er 4.3 --thickness-mm 0.035
  quietcopper line --width-mm 0.15 --gap-mm 0.15 --height-mm 0.1 --er 4.3 --mask-um 20 --mask-er 3.5
  quietcopper line --height-mm 0.2 --er 4.3 --thickness-mm 0.035 --find-width 50
  quietcopper line --width-mm 0.15 --height-mm 0.1 --er 4.3 --thickness-mm 0.035 --find-gap 90
  quietcopper line --width-mm 0.12 --height-mm 0.12 --er 4 --height-above-mm 0.25 --thickness-mm 0.018 \\
                   --frequency-hz 2e9 --tan-d 0.02

Impedances of one line of a pair hold while the other is quiet (matched, no signal). Boards are made to about 10 % of
an impedance (common practice, no source): the digits here are the solver's, not the fabricator's."""


def add_parser(subparsers: Any) -> None:
    p = subparsers.add_parser(
        "line",
        help="one cross-section: impedance, delay, loss, coupling",
        description="Solves the cross-section of a trace, or of two equal traces, over one plane or between two.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    shape = p.add_argument_group("shape")
    shape.add_argument("--width-mm", type=float, metavar="W", help="width of the trace at its wider face")
    shape.add_argument("--height-mm", type=float, metavar="H", required=True, help="dielectric between plane and trace")
    shape.add_argument("--er", type=float, required=True, help="relative permittivity of that dielectric")
    shape.add_argument("--thickness-mm", type=float, metavar="T", help="copper thickness; left out, the trace is thin")
    shape.add_argument("--etch-mm", type=float, metavar="E", help="how much narrower the upper face is, on each side")
    shape.add_argument("--height-above-mm", type=float, metavar="H", help="dielectric from the trace's upper face to a "
                       "second plane")  # fmt: skip
    shape.add_argument("--er-above", type=float, metavar="ER", help="its relative permittivity, as --er if left out")
    shape.add_argument("--gap-mm", type=float, metavar="G", help="a second equal trace at this distance, edge to edge")
    shape.add_argument("--pour-gap-mm", type=float, metavar="G", help="grounded copper on both sides at this distance")
    shape.add_argument("--mask-um", type=float, metavar="M", help="solder mask: thickness over laminate and copper")
    shape.add_argument("--mask-er", type=float, metavar="ER", help="its relative permittivity")
    loss = p.add_argument_group("loss")
    loss.add_argument("--frequency-hz", type=float, metavar="F", help="loss at this frequency; needs --thickness-mm")
    loss.add_argument("--tan-d", type=float, help="loss tangent of all dielectrics at that frequency, 0 if left out")
    loss.add_argument("--roughness-um", type=float, metavar="RQ", help="rms roughness of the copper, 0 if left out")
    wanted = p.add_argument_group("what is wanted").add_mutually_exclusive_group()
    wanted.add_argument("--find-width", type=float, metavar="OHM", help="the width with this impedance (with --gap-mm: "
                        "differential impedance)")  # fmt: skip
    wanted.add_argument("--find-gap", type=float, metavar="OHM", help="the gap with this differential impedance")
    p.add_argument(
        "--accuracy-percent",
        type=float,
        default=ACCURACY_PERCENT,
        metavar="P",
        help=f"error allowed of the solution, by its own estimate ({ACCURACY_PERCENT:g}; 0.02 takes longer)",
    )
    p.add_argument("--json", action="store_true", help="print one JSON object")


@dataclass(frozen=True)
class Request:
    """The options as numbers in SI units; None where nothing was asked."""

    width: float | None
    gap: float | None
    height: float
    er: float
    thickness: float
    etch: float
    height_above: float | None
    er_above: float
    pour_gap: float | None
    mask: float | None
    mask_er: float | None
    frequency: float | None
    tan_d: float
    roughness: float
    find_width: float | None
    find_gap: float | None
    accuracy: float = ACCURACY_PERCENT / 100

    @classmethod
    def of(cls, args: argparse.Namespace) -> Request:
        """Raises CallError, one sentence, for values that make no section."""

        def positive(name: str, scale: float = 1.0, low: float = 0.0, zero: bool = False) -> float | None:
            value = getattr(args, name)
            if value is None:
                return None
            option = "--" + name.replace("_", "-")
            if not math.isfinite(value) or value < low or (value == 0 and not zero):
                least = f"at least {low:g}" if low or zero else "above 0"
                raise CallError(f"{option} is {value:g}; it must be a number {least}")
            return float(value * scale)

        height, er = positive("height_mm", MM), positive("er", low=1)
        assert height is not None  # argparse requires both
        assert er is not None
        thickness = positive("thickness_mm", MM, zero=True) or 0.0
        etch = positive("etch_mm", MM, zero=True) or 0.0
        if etch and not thickness:
            raise CallError("--etch-mm needs --thickness-mm")
        request = cls(
            width=positive("width_mm", MM),
            gap=positive("gap_mm", MM),
            height=height,
            er=er,
            thickness=thickness,
            etch=etch,
            height_above=positive("height_above_mm", MM),
            er_above=positive("er_above", low=1) or er,
            pour_gap=positive("pour_gap_mm", MM),
            mask=positive("mask_um", MICRON),
            mask_er=positive("mask_er", low=1),
            frequency=positive("frequency_hz"),
            tan_d=positive("tan_d", zero=True) or 0.0,
            roughness=positive("roughness_um", MICRON, zero=True) or 0.0,
            find_width=positive("find_width"),
            find_gap=positive("find_gap"),
            accuracy=(positive("accuracy_percent", low=FINEST_PERCENT) or 0.0) / 100,
        )
        request._check()
        return request

    def _check(self) -> None:
        if self.accuracy > 0.1:
            raise CallError(f"--accuracy-percent is {self.accuracy * 100:g}; it must be at most 10")
        if self.width is None and self.find_width is None:
            raise CallError("line needs --width-mm, or --find-width with the impedance that is wanted")
        if (self.mask is None) != (self.mask_er is None):
            raise CallError("--mask-um and --mask-er belong together: give both or neither")
        if self.er_above != self.er and self.height_above is None:
            raise CallError("--er-above belongs to --height-above-mm: give both or neither")
        if self.mask is not None and self.height_above is not None:
            raise CallError("--mask-um describes an outer layer, --height-above-mm an inner one: give one of them")
        if self.frequency is None and (self.tan_d or self.roughness):
            raise CallError("--tan-d and --roughness-um tell of losses: add --frequency-hz")
        if self.frequency is not None and not self.thickness:
            raise CallError("the loss at --frequency-hz needs --thickness-mm above 0")
        if self.width is not None and self.find_width is None and self.width <= 2 * self.etch:
            raise CallError(f"--width-mm {self.width / MM:g} leaves no copper with --etch-mm {self.etch / MM:g}")

    def section(self, width: float, gap: float | None) -> CrossSection:
        """The cross-section for a width and a gap (None: one line)."""
        from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip

        etch = self.etch / self.thickness if self.thickness else 0.0
        centres = [0.0] if gap is None else [-(width + gap) / 2, (width + gap) / 2]
        lines = tuple(Strip(x, self.height, width, self.thickness, etch) for x in centres)
        sheets = [Sheet(self.height, self.er, self.tan_d)]
        if self.height_above is not None:
            sheets.append(Sheet(self.thickness + self.height_above, self.er_above, self.tan_d))
        grounds: tuple[Strip, ...] = ()
        if self.pour_gap is not None:
            reach = centres[-1] + width / 2 + self.pour_gap
            pour = POUR * (reach + self.height)
            grounds = tuple(
                Strip(sign * (reach + pour / 2), self.height, pour, self.thickness, etch) for sign in (-1, 1)
            )
        coat = None
        if self.mask is not None and self.mask_er is not None:
            coat = Coat(self.mask, self.mask, self.mask_er, self.tan_d)
        return CrossSection(lines, grounds, tuple(sheets), True, self.height_above is not None, coat)


def answer(request: Request) -> dict[str, float]:
    """Everything asked, under the names of the JSON output. Raises CallError, OutOfRange."""
    from quietcopper.fields.section_search import find_gap, find_width
    from quietcopper.fields.section_solver import solve

    width, gap = request.width, request.gap
    if request.find_width is not None:
        lines: tuple[int] | tuple[int, int] = (0,) if gap is None else (0, 1)
        narrowest = max(0.02 * request.height, 2.02 * request.etch)
        width = find_width(request.find_width, lambda w: request.section(w, gap), narrowest, 50 * request.height, lines)
    assert width is not None  # Request._check
    if request.find_gap is not None:
        wide = width
        closest = 0.05 * min(request.height, width)
        farthest = 20 * (request.height + width)
        gap = find_gap(request.find_gap, lambda g: request.section(wide, g), closest, farthest)
    section = request.section(width, gap)
    solution = solve(section, request.accuracy)
    out = {
        "width_mm": width / MM,
        "z_ohm": solution.impedance(),
        "er_effective": solution.er_effective(),
        "delay_ps_per_mm": solution.delay() * 1e9,
        "capacitance_pf_per_m": float(solution.capacitance[0, 0]) * 1e12,
        "inductance_nh_per_m": float(solution.inductance[0, 0]) * 1e9,
        "error": solution.error,
    }
    if gap is not None:
        pair = solution.pair()
        out |= {
            "gap_mm": gap / MM,
            "z_even_ohm": pair.even,
            "z_odd_ohm": pair.odd,
            "z_diff_ohm": pair.differential,
            "z_common_ohm": pair.common,
            "near_end_coupling": solution.near_end_coupling(),
            "far_end_coupling_ps_per_mm": solution.far_end_coupling() * 1e9,
        }
    if request.frequency is not None:
        out |= _loss(request, section, request.frequency)
    return out


def _loss(request: Request, section: CrossSection, frequency: float) -> dict[str, float]:
    from quietcopper.fields.loss import DB_PER_NEPER, lossy, skin_depth

    lines = lossy(section, conductivity=COPPER_CONDUCTIVITY, roughness=request.roughness, stated_at=frequency)
    constants = lines.at(frequency)
    conductor, dielectric = (float(part[0]) * DB_PER_NEPER for part in constants.attenuation())
    return {
        "frequency_hz": frequency,
        "skin_depth_um": float(skin_depth(frequency, COPPER_CONDUCTIVITY)) / MICRON,
        "resistance_ohm_per_m": float(constants.resistance[0, 0, 0]),
        "conductor_loss_db_per_m": conductor,
        "dielectric_loss_db_per_m": dielectric,
    }


_ROWS = (
    ("width_mm", "width", "{:.4g} mm"),
    ("gap_mm", "gap", "{:.4g} mm"),
    ("z_ohm", "impedance of one line", "{:.2f} Ω"),
    ("z_diff_ohm", "differential impedance", "{:.2f} Ω"),
    ("z_odd_ohm", "odd mode", "{:.2f} Ω"),
    ("z_even_ohm", "even mode", "{:.2f} Ω"),
    ("z_common_ohm", "common impedance", "{:.2f} Ω"),
    ("er_effective", "effective permittivity", "{:.4f}"),
    ("delay_ps_per_mm", "delay", "{:.4f} ps/mm"),
    ("capacitance_pf_per_m", "capacitance", "{:.2f} pF/m"),
    ("inductance_nh_per_m", "inductance", "{:.1f} nH/m"),
    ("near_end_coupling", "near-end coupling Kb", "{:.4f}"),
    ("far_end_coupling_ps_per_mm", "far-end coupling Kf", "{:.4f} ps/mm"),
    ("frequency_hz", "loss at", "{:.4g} Hz"),
    ("skin_depth_um", "skin depth", "{:.3f} µm"),
    ("resistance_ohm_per_m", "resistance", "{:.3f} Ω/m"),
    ("conductor_loss_db_per_m", "conductor loss", "{:.3f} dB/m"),
    ("dielectric_loss_db_per_m", "dielectric loss", "{:.3f} dB/m"),
)


def table(request: Request, values: dict[str, float]) -> str:
    """The answer for reading, with a closed form beside it where one applies and the assumptions made."""
    rows = [(label, form.format(values[key])) for key, label, form in _ROWS if key in values]
    lines = [f"{label:<24}{text:>16}" for label, text in rows]
    lines.append(f"{'solved to':<24}{max(values['error'], 1e-6) * 100:>14.4f} %")
    closed = _closed_form(request, values)
    if closed is not None:
        lines.append(f"{closed[0]:<24}{closed[1]:>14.2f} Ω")
    if not request.thickness:
        lines.append("The trace is taken as infinitely thin; --thickness-mm makes it real.")
    if request.frequency is not None:
        smooth = "smooth" if not request.roughness else f"rough by {request.roughness / MICRON:g} µm rms"
        lines.append(f"Copper at 20 °C (5.8e7 S/m), {smooth}, loss tangent {request.tan_d:g}.")
    return "\n".join(lines)


def _closed_form(request: Request, values: dict[str, float]) -> tuple[str, float] | None:
    """Name and impedance of the closed form for this section, None where none applies."""
    from quietcopper.fields.line_formulas import microstrip, stripline

    if "gap_mm" in values or request.pour_gap is not None or request.mask is not None:
        return None
    width = values["width_mm"] * MM
    if request.height_above is None:
        try:
            return "Hammerstad-Jensen 1980", microstrip(width, request.height, request.thickness, request.er)[0]
        except OutOfRange:
            return None
    if request.thickness or request.height_above != request.height or request.er_above != request.er:
        return None
    return "Cohn 1954", stripline(width, 2 * request.height, request.er)


def run(args: argparse.Namespace) -> int:
    request = Request.of(args)
    values = answer(request)
    print(json.dumps(values) if args.json else table(request, values))
    return 0
