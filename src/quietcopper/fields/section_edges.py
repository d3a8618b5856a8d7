"""Boundaries of a cross-section: conductor faces, dielectric boundaries, mask outline; how sharp their corners are."""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import shapely

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import Coat, CrossSection, Strip

SNAP = 1e-9  # m; heights closer than this are the same
AIR = 1.0
INTERFACE = -1
DIELECTRIC_CORNER = 3.0  # see _power
_TRIM = 8.0  # between two planes copper this many plane distances away does nothing: e^(−8π)
_WIDEST = 180.0  # plane distances; far beyond it the periodic kernel's exponentials leave the range of a double
_FILLED_SLOT = 0.1  # of the mask over copper; see _mask_outline
_AT_REST = 1e30  # m; stands for infinity in a bounding box


@dataclass(frozen=True)
class Edge:
    """A straight boundary from a to b (complex, m).

    conductor : index (lines, then grounds), -1 for a dielectric boundary
    left, right : permittivity on either side looking from a to b; the outside of a conductor is left, inside is nan
    a_infinite, b_infinite : that end lies at x = −∞ or +∞; of that end only the height counts
    """

    a: complex
    b: complex
    conductor: int
    left: float
    right: float
    a_infinite: bool = False
    b_infinite: bool = False

    @property
    def thin(self) -> bool:
        """A conductor without thickness: its charge is that of both faces together."""
        return self.conductor >= 0 and not math.isnan(self.right)


def corners(strip: Strip) -> tuple[complex, complex, complex, complex]:
    """Lower left, upper left, upper right, lower right corner of a strip, m."""
    narrow = strip.width - 2 * strip.etch * strip.thickness
    low, high = (strip.width, narrow) if strip.narrow_top else (narrow, strip.width)
    y0, y1 = strip.y, strip.y + strip.thickness
    x = strip.x
    return complex(x - low / 2, y0), complex(x - high / 2, y1), complex(x + high / 2, y1), complex(x + low / 2, y0)


def height(section: CrossSection) -> float:
    """Height of the last sheet's upper face, m."""
    return sum(sheet.thickness for sheet in section.sheets)


def check(section: CrossSection) -> None:
    """Raises OutOfRange where the section is no possible one, naming the strip or sheet."""
    if not section.lines:
        raise OutOfRange("a cross-section needs at least one line")
    if not (section.plane_below or section.plane_above or section.grounds):
        raise OutOfRange("a cross-section without planes needs copper at reference potential in `grounds`")
    for k, sheet in enumerate(section.sheets):
        if not (0 < sheet.thickness < 1 and 1 <= sheet.er < 1000):
            raise OutOfRange(f"sheet {k}: a thickness of {sheet.thickness:g} m with er {sheet.er:g} is not usable")
    if section.plane_above and not section.sheets:
        raise OutOfRange("a plane above needs at least one sheet below it")
    coat = section.coat_above
    if coat is not None:
        if section.plane_above:
            raise OutOfRange("solder mask needs an upper surface without a plane")
        if not (0 < coat.over_laminate < 1 and 0 < coat.over_copper < 1 and 1 <= coat.er < 1000):
            raise OutOfRange(
                "solder mask needs a thickness above 0 over laminate and over copper, and er of at least 1"
            )
    strips = section.lines + section.grounds
    top = height(section)
    for k, strip in enumerate(strips):
        name = f"line {k}" if k < len(section.lines) else f"ground {k - len(section.lines)}"
        if not (math.isfinite(strip.x) and math.isfinite(strip.y)):
            raise OutOfRange(f"{name}: its place is no number")
        if not (0 < strip.width < 10 and 0 <= strip.thickness < 1 and 0 <= strip.etch < 100):
            raise OutOfRange(f"{name}: its width must be above 0, its thickness and etch 0 or more")
        if strip.width - 2 * strip.etch * strip.thickness <= 0:
            raise OutOfRange(f"{name}: {strip.etch * strip.thickness:.3g} m etched away on each side leave nothing")
        if section.plane_below and strip.y <= SNAP:
            raise OutOfRange(f"{name} touches the plane below it")
        if section.plane_above and strip.y + strip.thickness >= top - SNAP:
            raise OutOfRange(f"{name} touches the plane above it")
    _check_apart([corners(strip) for strip in strips])


def _check_apart(outlines: Sequence[tuple[complex, ...]]) -> None:
    boxes = [
        (min(c.real for c in o), max(c.real for c in o), o[0].imag, max(c.imag for c in o)) for o in outlines
    ]  # fmt: skip
    for (i, one), (j, two) in itertools.combinations(enumerate(boxes), 2):
        if one[1] < two[0] - SNAP or two[1] < one[0] - SNAP or one[3] < two[2] - SNAP or two[3] < one[2] - SNAP:
            continue
        # an ideal thin strip is opened to a nanometre, so that it is a polygon
        first, second = (
            shapely.Polygon([(c.real, c.imag + (k in (1, 2)) * SNAP) for k, c in enumerate(outlines[n])])
            for n in (i, j)
        )
        if shapely.intersects(first, second):
            raise OutOfRange(f"conductors {i} and {j} of the cross-section (lines first, then grounds) touch")


def upright(section: CrossSection) -> CrossSection:
    """The same section in the form that is meshed: with a plane below if it has only one, and between two planes
    without the copper that is too far away to matter. Raises OutOfRange for lines too far apart between planes."""
    if section.plane_above and not section.plane_below:
        top = height(section)

        def turned(strip: Strip) -> Strip:
            return replace(strip, y=top - strip.y - strip.thickness, narrow_top=not strip.narrow_top)

        return replace(
            section,
            lines=tuple(map(turned, section.lines)),
            grounds=tuple(map(turned, section.grounds)),
            sheets=section.sheets[::-1],
            plane_below=True,
            plane_above=False,
        )
    if section.plane_above:
        distance = height(section)
        low = min(s.x - s.width / 2 for s in section.lines) - _TRIM * distance
        high = max(s.x + s.width / 2 for s in section.lines) + _TRIM * distance
        if high - low > _WIDEST * distance:
            raise OutOfRange("the lines of a cross-section between two planes lie too far apart to be solved together")
        grounds = []
        for strip in section.grounds:
            left, right = max(strip.x - strip.width / 2, low), min(strip.x + strip.width / 2, high)
            if right - left > 2 * strip.etch * strip.thickness:
                grounds.append(replace(strip, x=(left + right) / 2, width=right - left))
        return replace(section, grounds=tuple(grounds))
    return section


def boundaries(section: CrossSection) -> list[Edge]:
    """All boundaries of an upright section, conductors first."""
    heights, media = _levels(section)
    jumps = [(h, media[k], media[k + 1]) for k, h in enumerate(heights) if media[k] != media[k + 1]]

    def medium(y: float) -> float:
        return media[sum(1 for h in heights if h < y)]

    out: list[Edge] = []
    shapes = []
    for index, strip in enumerate(section.lines + section.grounds):
        low_left, up_left, up_right, low_right = _snapped(corners(strip), heights)
        shapes.append((low_left, up_left, up_right, low_right))
        y0, y1 = low_left.imag, up_left.imag
        under, over = medium(y0 - 2 * SNAP), medium(y1 + 2 * SNAP)
        if y1 == y0:
            out.append(Edge(low_left, low_right, index, over, under))
            continue
        out.append(Edge(low_right, low_left, index, under, math.nan))
        out.append(Edge(up_left, up_right, index, over, math.nan))
        cuts = [y0, *[h for h, _, _ in jumps if y0 < h < y1], y1]
        for bottom, top in itertools.pairwise(cuts):
            er = medium((bottom + top) / 2)
            left = _at_height(low_left, up_left, bottom), _at_height(low_left, up_left, top)
            right = _at_height(low_right, up_right, top), _at_height(low_right, up_right, bottom)
            out += [Edge(*left, index, er, math.nan), Edge(*right, index, er, math.nan)]
    for h, below, above in jumps:
        stops: list[complex] = []
        for low_left, up_left, up_right, low_right in sorted(shapes, key=lambda s: s[0].real):
            if low_left.imag <= h <= up_left.imag:
                stops += [_at_height(low_left, up_left, h), _at_height(low_right, up_right, h)]
        ends = [complex(0, h), *stops, complex(0, h)]
        for k in range(0, len(ends), 2):
            out.append(Edge(ends[k], ends[k + 1], INTERFACE, above, below, k == 0, k == len(ends) - 2))
    coat = section.coat_above
    if coat is not None and coat.er != AIR:
        outline = _mask_outline(section, coat)
        for k, (p, q) in enumerate(itertools.pairwise(outline)):
            out.append(Edge(p, q, INTERFACE, AIR, coat.er, k == 0, k == len(outline) - 2))
    return out


def _levels(section: CrossSection) -> tuple[list[float], list[float]]:
    """Heights at which the medium changes and the permittivities between: media[k] lies below heights[k]."""
    heights, media = [], [AIR]
    y = 0.0
    for sheet in section.sheets:
        heights.append(y)
        media.append(sheet.er)
        y += sheet.thickness
    heights.append(y)
    media.append(section.coat_above.er if section.coat_above is not None else AIR)
    if section.plane_below:
        heights, media = heights[1:], media[1:]
    if section.plane_above:
        heights, media = heights[:-1], media[:-1]
    return heights, media


def _snapped(outline: tuple[complex, ...], heights: Sequence[float]) -> list[complex]:
    """The corners with their heights on a dielectric boundary where they all but lie on it."""
    ys = []
    for y in (outline[0].imag, outline[1].imag):
        near = min(heights, key=lambda h: abs(h - y), default=math.inf)
        ys.append(near if abs(near - y) < SNAP else y)
    y0, y1 = ys[0], ys[1] if ys[1] - ys[0] > SNAP else ys[0]
    return [complex(c.real, y) for c, y in zip(outline, (y0, y1, y1, y0), strict=True)]


def _at_height(low: complex, high: complex, y: float) -> complex:
    """The point of a strip's side at height y; its ends exactly, so that edges that meet share their ends."""
    if y == low.imag:
        return low
    if y == high.imag:
        return high
    return complex(low.real + (y - low.imag) / (high.imag - low.imag) * (high.real - low.real), y)


def _mask_outline(section: CrossSection, coat: Coat) -> list[complex]:
    """Upper surface of the solder mask from left to right, m: parallel to copper and laminate, united where the mask
    of neighbours meets. A slot narrower than a tenth of the mask over copper is taken as filled, an overhang too."""
    surface = height(section)
    floor = surface + coat.over_laminate
    bumps = []  # trapezoids down to y = 0: centre, half width at 0 and at the top, top
    for strip in section.lines + section.grounds:
        _, _, up_right, low_right = corners(strip)
        top = up_right.imag + coat.over_copper
        if up_right.imag < surface - SNAP or top <= floor + SNAP:
            continue
        slope = strip.etch if strip.narrow_top else 0.0
        side = max(low_right.real, up_right.real) - strip.x + coat.over_copper * math.hypot(1, slope)
        bumps.append((strip.x, side + slope * strip.y, side + slope * (strip.y - top), top))
    if not bumps:
        return [complex(0, floor), complex(0, floor)]
    bumps.sort()
    unit = 1e-6  # shapely works in micrometres, far from its tolerances
    reach = max(abs(x) + base for x, base, _, _ in bumps) + floor
    pieces = [shapely.box(-reach / unit, 0, reach / unit, floor / unit)]
    for x, base, high, top in bumps:
        ring = [(x - base, 0), (x - high, top), (x + high, top), (x + base, 0)]
        pieces.append(shapely.Polygon([(px / unit, py / unit) for px, py in ring]))
    for (x0, base0, high0, top0), (x1, base1, high1, top1) in itertools.pairwise(bumps):
        low = min(top0, top1)
        left = x0 + high0 + (base0 - high0) * (top0 - low) / top0
        right = x1 - high1 - (base1 - high1) * (top1 - low) / top1
        if 0 < right - left < _FILLED_SLOT * coat.over_copper:
            pieces.append(shapely.box(left / unit, 0, right / unit, low / unit))
    ring_points = shapely.get_coordinates(shapely.normalize(shapely.union_all(pieces)).exterior)[:-1] * unit
    points = [complex(x, y) for x, y in ring_points if y > SNAP]
    # a normalised ring runs clockwise from its lowest left point: up, then along the surface to the right
    kept = points[:1]
    for p, after in itertools.pairwise([*points[1:], complex(_AT_REST, floor)]):
        step, on = p - kept[-1], after - p
        straight = abs((step.conjugate() * on).imag) < 1e-9 * abs(step) * abs(on)
        if abs(step) > SNAP and (after.real == _AT_REST or not straight):
            kept.append(p)
    return kept


def powers(edges: Sequence[Edge]) -> tuple[list[float], list[float]]:
    """Power of the panel at the a end and at the b end of each edge (see section_kernels), 0 for an infinite end."""
    meeting: dict[tuple[int, int], list[tuple[float, int, bool]]] = {}
    for k, e in enumerate(edges):
        angle = 0.0 if e.a_infinite or e.b_infinite else cmath.phase(e.b - e.a)
        if not e.a_infinite:
            meeting.setdefault(_key(e.a), []).append((angle % (2 * math.pi), k, True))
        if not e.b_infinite:
            meeting.setdefault(_key(e.b), []).append(((angle + math.pi) % (2 * math.pi), k, False))
    at_a, at_b = [0.0] * len(edges), [0.0] * len(edges)
    for rays in meeting.values():
        rays.sort()
        power = _power([(angle, edges[k], leaving) for angle, k, leaving in rays])
        for _, k, leaving in rays:
            (at_a if leaving else at_b)[k] = power
    return at_a, at_b


def _key(z: complex) -> tuple[int, int]:
    # the shift keeps half nanometres, which are common, away from where rounding turns over
    return round(z.real / SNAP + 0.37), round(z.imag / SNAP + 0.37)


def _power(rays: Sequence[tuple[float, Edge, bool]]) -> float:
    """Power for a corner from which edges run at the given angles, counter-clockwise; leaving : the edge begins here.

    At a conductor it is 1/λ, potential ∝ r^λ: the charge per u is then smooth. A corner between dielectrics mixes
    several weak singularities with a smooth part; there 3 came out best (error 10 times less than with 1/λ).
    """
    metal = [e.conductor >= 0 for _, e, _ in rays]
    if not any(metal):
        return DIELECTRIC_CORNER
    spans = [(rays[(i + 1) % len(rays)][0] - rays[i][0]) % (2 * math.pi) or 2 * math.pi for i in range(len(rays))]
    media = [e.left if leaving else e.right for _, e, leaving in rays]
    start = next(i for i in range(len(rays)) if metal[i] and not math.isnan(media[i]))
    sectors = []
    for step in range(len(rays)):
        i = (start + step) % len(rays)
        if step and metal[i]:
            break
        sectors.append((round(spans[i], 6), media[i]))
    return round(1 / _exponent(tuple(sectors)), 3)


@lru_cache(maxsize=4096)
def _exponent(sectors: tuple[tuple[float, float], ...]) -> float:
    """Smallest λ of the potentials r^λ·f(angle) between two conductors at a corner; sectors: (angle, permittivity).

    The potential, 0 on the first conductor, is carried through the sectors and must vanish on the second.
    Raises OutOfRange where none is found below 4 (a corner narrower than 45°, dielectric inside).
    """

    def at_second(lam: float) -> float:
        potential, flux = 0.0, 1.0
        for angle, er in sectors:
            co, si = math.cos(lam * angle), math.sin(lam * angle)
            potential, flux = co * potential + si / er * flux, co * flux - si * er * potential
        return potential

    low, step = 0.02, 0.02
    while low < 4.0:
        if at_second(low + step) <= 0:
            high = low + step
            for _ in range(40):
                middle = (low + high) / 2
                low, high = (middle, high) if at_second(middle) > 0 else (low, middle)
            return (low + high) / 2
        low += step
    raise OutOfRange("a conductor of the cross-section meets another boundary at too narrow an angle")
