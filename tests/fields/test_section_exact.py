"""The section solver against exact and converged values, one row a case.

Kinds of reference: "exact" are closed conformal maps (elliptic integrals, or Schwarz-Christoffel quadrature to 20
digits); "converged" are infinitely thin strips by a Gauss-Chebyshev Nyström method with a spectral kernel, checked
against the exact ones; "boundary elements" are an image-series code with panels of another kind, good to 1e-5. They
were computed apart from this program. [M]: a book's figure quoted from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.fields.line_formulas import coupled_stripline, microstrip, stripline
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import Solution, solve
from quietcopper.units import MIL, MM

EXACT = "exact, conformal map"
SCHWARZ_CHRISTOFFEL = "exact, Schwarz-Christoffel"
CONVERGED = "converged, spectral Nyström"
ELEMENTS = "boundary elements, image series"


@dataclass(frozen=True)
class Row:
    """name; section; expected values by the name of the quantity; relative tolerance at fine accuracy; kind."""

    name: str
    section: CrossSection
    expected: dict[str, float]
    tolerance: float
    kind: str


def measured(solution: Solution, quantity: str) -> float:
    pair = solution.pair() if len(solution.section.lines) > 1 else None
    values = {"z": solution.impedance, "ee": solution.er_effective}
    if quantity in values:
        return values[quantity]()
    assert pair is not None
    even_er, odd_er = ((299792458.0 * d) ** 2 for d in (pair.delay_even, pair.delay_odd))
    return {"ze": pair.even, "zo": pair.odd, "zd": pair.differential, "eee": even_er, "eeo": odd_er}[quantity]


def lines(width: float, gap: float | None, y: float, thickness: float = 0.0, etch: float = 0.0) -> tuple[Strip, ...]:
    """One strip, or two side by side; millimetres."""
    centres = [0.0] if gap is None else [-(width + gap) / 2, (width + gap) / 2]
    return tuple(Strip(x * MM, y * MM, width * MM, thickness * MM, etch) for x in centres)


def between(width: float, er: float = 1.0, *, gap: float | None = None, y: float = 0.5, t: float = 0.0) -> CrossSection:
    """Lines between two planes 1 mm apart; y: middle of the copper."""
    return CrossSection(lines(width, gap, y - t / 2, t), (), (Sheet(1 * MM, er),), True, True)


def above(
    width: float, height: float, er: float, *, t: float = 0.0, gap: float | None = None, etch: float = 0.0
) -> CrossSection:
    return CrossSection(lines(width, gap, height, t, etch), (), (Sheet(height * MM, er),))


def coplanar(width: float, gap: float, er: float, height: float, plane: bool) -> CrossSection:
    """A thin strip between two grounds 200 times as wide as strip and gap, on `height` of dielectric; millimetres."""
    pour = 200 * (width + gap)
    ground = tuple(Strip(s * (width / 2 + gap + pour / 2) * MM, height * MM, pour * MM, 0.0) for s in (-1, 1))
    return CrossSection(lines(width, None, height), ground, (Sheet(height * MM, er),), plane)


MASKED = CrossSection(lines(0.3, None, 0.2), (), (Sheet(0.2 * MM, 4.3),), True, False)


def masked(depth: float) -> CrossSection:
    """Flat mask: equal depth over laminate and over a strip without thickness."""
    return replace(MASKED, coat_above=Coat(depth * MM, depth * MM, 3.5))


ROWS = [
    Row("stripline w/b 0.1", between(0.1), {"z": 194.226255}, 2e-5, EXACT),
    Row("stripline w/b 0.25", between(0.25), {"z": 139.917099}, 2e-5, EXACT),
    Row("stripline w/b 0.5", between(0.5), {"z": 100.432451}, 2e-5, EXACT),
    Row("stripline w/b 1", between(1.0), {"z": 65.353625}, 2e-5, EXACT),
    Row("stripline w/b 2", between(2.0), {"z": 38.579323}, 2e-5, EXACT),
    Row("stripline w/b 0.5 er 4.4", between(0.5, 4.4), {"z": 47.879292, "ee": 4.4}, 2e-5, EXACT),
    Row("stripline w/b 0.35 er 4", between(0.35, 4.0), {"z": 60.217486, "ee": 4.0}, 2e-5, EXACT),
    Row("stripline w/b 0.83 er 2.2", between(0.83, 2.2), {"z": 49.965370}, 2e-5, EXACT),
    Row("the same, Pozar ex. 3.5: 50 ohm [M]", between(0.83, 2.2), {"z": 50.0}, 1e-3, "book, rounded"),
    Row("pair w/b 0.5 s/b 0.1", between(0.5, gap=0.1), {"ze": 122.885665, "zo": 69.866091}, 3e-5, EXACT),
    Row("pair w/b 0.5 s/b 0.5", between(0.5, gap=0.5), {"ze": 107.154378, "zo": 93.217197}, 3e-5, EXACT),
    Row(
        "pair w/b 0.25 s/b 0.25 er 4.4",
        between(0.25, 4.4, gap=0.25),
        {"ze": 79.382358, "zo": 53.000299, "zd": 106.0006},
        3e-5,
        EXACT,
    ),
    Row(
        "pair w/b 0.35 s/b 0.2 er 4",
        between(0.35, 4.0, gap=0.2),
        {"ze": 72.121558, "zo": 46.516050, "zd": 93.0321},
        3e-5,
        EXACT,
    ),
    Row("offset stripline w/b 0.5 at 0.25 b", between(0.5, 4.4, y=0.25), {"z": 39.531747}, 2e-5, CONVERGED),
    Row("offset stripline w/b 0.25 at 0.2 b", between(0.25, 4.0, y=0.2), {"z": 54.981096}, 2e-5, CONVERGED),
    Row(
        "between two dielectrics",
        CrossSection(lines(0.15, None, 0.2), (), (Sheet(0.2 * MM, 4.2), Sheet(0.2 * MM, 3.8)), True, True),
        {"z": 58.250944, "ee": 4.0},
        2e-5,
        CONVERGED,
    ),
    Row("thick stripline w/b 0.5 t/b 0.05", between(0.5, t=0.05), {"z": 90.2755449}, 2e-5, SCHWARZ_CHRISTOFFEL),
    Row("thick stripline w/b 0.5 t/b 0.1", between(0.5, t=0.1), {"z": 83.0664218}, 2e-5, SCHWARZ_CHRISTOFFEL),
    Row("thick stripline w/b 0.25 t/b 0.05", between(0.25, t=0.05), {"z": 122.30432}, 2e-5, SCHWARZ_CHRISTOFFEL),
    Row("thick stripline w/b 0.35 t/b 0.1", between(0.35, t=0.1), {"z": 97.6811387}, 2e-5, SCHWARZ_CHRISTOFFEL),
    Row("thick stripline w/b 1 t/b 0.05", between(1.0, t=0.05), {"z": 59.9226786}, 2e-5, SCHWARZ_CHRISTOFFEL),
    Row("thick stripline w/b 0.125 t/b 0.035", between(0.125, t=0.035), {"z": 158.353535}, 2e-5, SCHWARZ_CHRISTOFFEL),
    *(
        Row(f"air microstrip w/h {u:g}", above(u, 1, 1), {"z": z}, 2e-5, SCHWARZ_CHRISTOFFEL)
        for u, z in ((0.5, 166.699799), (1, 126.423868), (2, 89.028750), (5, 49.365708), (10, 29.020885))
    ),
    *(
        Row(f"microstrip er {er:g} w/h {u:g}", above(u, 1, er), {"z": z, "ee": ee}, 3e-5, CONVERGED)
        for er, u, z, ee in (
            (2.2, 1, 94.90815, 1.77440),
            (2.2, 3, 50.88790, 1.88032),
            (4.0, 2, 50.80151, 3.07119),
            (4.4, 0.5, 95.41425, 3.05242),
            (4.4, 1, 71.01472, 3.16929),
            (4.4, 2, 48.67981, 3.34474),
            (4.4, 4, 30.55731, 3.56790),
            (10.0, 1, 48.84006, 6.70048),
        )
    ),
    *(
        Row(
            f"microstrip {w:g}x0.035 over {h:g} er {er:g}", above(w, h, er, t=0.035), {"z": z, "ee": ee}, 1e-4, ELEMENTS
        )
        for w, h, er, z, ee in (
            (0.3, 0.2, 4.3, 55.0986, 3.0709),
            (0.2, 0.2, 4.3, 66.9111, 2.9504),
            (0.15, 0.1, 4.3, 53.2857, 2.9945),
            (0.38, 0.2, 4.3, 48.4542, 3.1490),
            (2.9, 1.6, 4.4, 51.1702, 3.2926),
        )
    ),
    Row(
        "etched trapezoid, top 0.275",
        above(0.3, 0.2, 4.3, t=0.035, etch=0.0125 / 0.035),
        {"z": 55.7034, "ee": 3.0913},
        1e-4,
        ELEMENTS,
    ),
    Row(
        "pair 0.15/0.15 over 0.1",
        above(0.15, 0.1, 4.3, t=0.035, gap=0.15),
        {"zd": 93.149, "zo": 46.5743, "ze": 59.2124},
        1e-4,
        ELEMENTS,
    ),
    Row(
        "pair 0.2/0.2 over 0.15",
        above(0.2, 0.15, 4.2, t=0.035, gap=0.2),
        {"zd": 100.995, "zo": 50.4973, "ze": 65.3055},
        1e-4,
        ELEMENTS,
    ),
    *(
        Row(
            f"thin pair er {er:g} w/h {u:g} s/h {g:g}",
            above(u, 1, er, gap=g),
            {"ze": ze, "eee": eee, "zo": zo, "eeo": eeo},
            5e-5,
            CONVERGED,
        )
        for er, u, g, ze, eee, zo, eeo in (
            (4.4, 1, 1, 80.69884, 3.39163, 60.62975, 2.88372),
            (4.4, 1, 0.2, 92.16889, 3.36931, 43.82525, 2.78141),
            (4.4, 2, 1, 54.08621, 3.58188, 42.59411, 3.03850),
            (9.8, 1, 1, 55.60242, 7.14423, 42.50524, 5.86732),
        )
    ),
    *(
        Row(
            f"coplanar line on a half space s {s:g} w {w:g} er {er:g}",
            coplanar(s, w, er, 200 * (s + w), False),
            {"z": z, "ee": (er + 1) / 2},
            3e-5,
            EXACT,
        )
        for s, w, er, z in (
            (1, 1, 1, 147.245224),
            (1, 1, 4.4, 89.610590),
            (1, 1, 10.2, 62.222464),
            (1, 0.5, 4.4, 73.324321),
        )
    ),
    Row("coplanar line over a plane s 1 w 1 h 1", coplanar(1, 1, 4.4, 1, True), {"z": 67.4320}, 1e-4, CONVERGED),
    Row("coplanar line over a plane s 2 w 0.25 h 1", coplanar(2, 0.25, 3.66, 1, True), {"z": 42.3544}, 1e-4, CONVERGED),
    Row("bare before the mask", MASKED, {"z": 58.15314, "ee": 3.19856}, 3e-5, CONVERGED),
    *(
        Row(f"flat mask {d * 1e3:g} µm", masked(d), {"z": z, "ee": ee}, 1e-4, CONVERGED)
        for d, z, ee in ((0.0125, 57.13179, 3.31395), (0.025, 56.50072, 3.38839), (0.05, 55.60032, 3.49902))
    ),
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_agrees_with_the_reference_when_solved_finely(row: Row) -> None:
    solution = solve(row.section, 2e-4)
    for quantity, value in row.expected.items():
        # the tolerance is the reference's own digits or, where they are more, what the solver reaches at this setting
        assert_allclose(measured(solution, quantity), value, rtol=row.tolerance, err_msg=f"{quantity}: {row.kind}")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_default_accuracy_is_better_than_a_thousandth(row: Row) -> None:
    solution = solve(row.section)
    assert solution.error <= 2e-3
    for quantity, value in row.expected.items():
        assert_allclose(measured(solution, quantity), value, rtol=1e-3, err_msg=f"{quantity}: {row.kind}")


def test_conformal_mask_against_finite_elements_of_another_hand() -> None:
    """Thick trace under 25 µm of mask: 52.999 ohm, ee 3.307 by P2 finite elements in a 12 x 5.2 mm box (0.2 %); the
    bare trace in the same box came out 0.1 % below its value without a box."""
    bare = above(0.3, 0.2, 4.3, t=0.035)
    coated = solve(replace(bare, coat_above=Coat(25e-6, 25e-6, 3.5)), 2e-4)
    assert_allclose(coated.impedance(), 52.999, rtol=2e-3)
    assert_allclose(coated.er_effective(), 3.307, rtol=2e-3)
    # the change that the mask makes is free of the box: 52.999 / 55.040
    assert_allclose(coated.impedance() / solve(bare, 2e-4).impedance(), 52.999 / 55.040, rtol=2e-4)


def test_three_lands_without_a_plane() -> None:
    """Paul, Introduction to EMC, printed circuit board of three 15 mil lands 45 mil apart on 47 mil of er 4.7, an outer
    land the reference: L 1.10515 .690613 / 1.38123 uH/m, C 40.628 -20.314 / 29.7632 pF/m [M]; computed apart from
    this program: L 1.10223 .68913 / 1.37827, C 40.714 -20.357 / 29.804."""
    lands = [Strip(x * MIL, 47 * MIL, 15 * MIL, 0.0) for x in (-60, 0, 60)]
    s = solve(CrossSection((lands[1], lands[2]), (lands[0],), (Sheet(47 * MIL, 4.7),), False), 2e-4)
    own_l = np.array([[1.10223, 0.68913], [0.68913, 1.37827]]) * 1e-6
    own_c = np.array([[40.714, -20.357], [-20.357, 29.804]]) * 1e-12
    assert_allclose(s.inductance, own_l, rtol=3e-5)
    assert_allclose(s.capacitance, own_c, rtol=5e-5)
    book_l = np.array([[1.10515, 0.690613], [0.690613, 1.38123]]) * 1e-6
    book_c = np.array([[40.628, -20.314], [-20.314, 29.7632]]) * 1e-12
    assert_allclose(s.inductance, book_l, rtol=3e-3)  # the book's own discretisation
    assert_allclose(s.capacitance, book_c, rtol=3e-3)


@pytest.mark.parametrize(("gap", "z"), [(0.1, 51.5), (0.2, 53.8), (0.5, 67.9), (1.0, 96.2), (2.0, 135.0), (4.0, 179.0)])
def test_gap_in_the_reference_under_the_trace(gap: float, z: float) -> None:
    """w .35 over .2 mm of er 4.3, planes 35 µm thick and 20 mm wide: values, to three digits, of a prototype that had a
    floating plane far below where here is none."""
    planes = tuple(Strip(s * (gap / 2 + 10) * MM, -0.035 * MM, 20 * MM, 0.035 * MM) for s in (-1, 1))
    section = CrossSection(lines(0.35, None, 0.2, 0.035), planes, (Sheet(0.2 * MM, 4.3),), False)
    # 0.5 %: three printed digits, and a prototype good to 0.1 %
    assert_allclose(solve(section, 1e-3).impedance(), z, rtol=5e-3)


def test_closed_forms_against_their_rows() -> None:
    """The oracles themselves: Cohn's forms are exact; Hammerstad and Jensen's agree to 0.2 % (their own claim)."""
    assert_allclose(stripline(0.5, 1, 4.4), 47.879292, rtol=1e-7)
    assert_allclose(coupled_stripline(0.35, 0.2, 1, 4.0), (72.121558, 46.516050), rtol=1e-7)
    assert_allclose(microstrip(0.3, 0.2, 0.035, 4.3), (55.077, 3.0664), rtol=2e-5)
    for er, u in ((2.2, 3), (4.4, 0.5), (4.4, 4), (10, 1)):
        s = solve(above(u, 1, er), 2e-4)
        assert_allclose(microstrip(u, 1, 0, er), (s.impedance(), s.er_effective()), rtol=2e-3)
