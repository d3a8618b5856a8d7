"""Accuracy and time of the cross-section solver: exact cases, random board sections by kind, finite elements at equal
error. Everything on one core. Run with ``python -m benchmarks.sections``."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from quietcopper.fields.line_formulas import coupled_stripline, stripline
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import Solution, solve
from quietcopper.units import EPS0, MICRON, MM, MU0

KINDS = ("single", "pair", "single between planes", "pair between planes", "single under mask", "pair under mask",
         "tight pair, masks merge", "pair beside pour", "eight lines")  # fmt: skip
EACH = 40


def random_section(kind: str, rng: np.random.Generator) -> CrossSection:
    """A section as boards have them: sizes spread evenly on a logarithmic scale, etched, er 3 to 5."""

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high)))) * MICRON

    count = 8 if "eight" in kind else 1 if "single" in kind else 2
    height, width, thickness = between(60, 400), between(75, 600), between(12, 70)
    gap = between(30, 60) if "tight" in kind else between(75, 500)
    etch = min(float(rng.choice([0.0, 0.25, 0.35])), width / thickness / 4)
    er = float(rng.uniform(3, 5))
    centres = (np.arange(count) - (count - 1) / 2) * (width + gap)
    lines = tuple(Strip(float(x), height, width, thickness, etch) for x in centres)
    if "planes" in kind:
        sheets = (Sheet(height, er), Sheet(thickness + between(60, 400), float(rng.uniform(3, 5))))
        return CrossSection(lines, (), sheets, True, True)
    grounds: tuple[Strip, ...] = ()
    if "pour" in kind:
        pour = 20 * height
        x = centres[-1] + width / 2 + between(100, 400) + pour / 2
        grounds = tuple(Strip(s * float(x), height, pour, thickness, etch) for s in (-1, 1))
    coat = Coat(between(30, 40), between(30, 40), 3.5) if "merge" in kind else None
    if "under mask" in kind:
        coat = Coat(between(15, 40), between(10, 30), 3.5)
    return CrossSection(lines, grounds, (Sheet(height, er),), True, False, coat)


def timed(work: Callable[[], Any], repeats: int = 3) -> tuple[Any, float]:
    """The result and the fastest of some runs, ms of processor time: on one core, whatever else the machine does."""
    fastest, result = np.inf, None
    for _ in range(repeats):
        start = time.process_time()
        result = work()
        fastest = min(fastest, time.process_time() - start)
    return result, fastest * 1e3


def difference(one: Solution, two: Solution) -> float:
    """Largest entry of C and L apart, against the geometric mean of its diagonal entries."""
    worst = 0.0
    for new, old in ((one.capacitance, two.capacitance), (one.inductance, two.inductance)):
        size = np.sqrt(np.diag(old))
        worst = max(worst, float(np.abs((new - old) / np.outer(size, size)).max()))
    return worst


@contextlib.contextmanager
def one_core() -> Iterator[None]:
    """Holds this process on one core, where the system can."""
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(before)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def exact_cases() -> list[tuple[str, CrossSection, Callable[[Solution], float], float]]:
    def thin(width: float, gap: float | None = None) -> CrossSection:
        centres = [0.0] if gap is None else [-(width + gap) / 2, (width + gap) / 2]
        return CrossSection(
            tuple(Strip(x * MM, 0.5 * MM, width * MM, 0.0) for x in centres), (), (Sheet(MM, 4.0),), True, True
        )

    def thick(width: float, thickness: float) -> CrossSection:
        line = Strip(0.0, (0.5 - thickness / 2) * MM, width * MM, thickness * MM)
        return CrossSection((line,), (), (Sheet(MM, 1.0),), True, True)

    cases: list[tuple[str, CrossSection, Callable[[Solution], float], float]] = [
        (f"thin stripline w/b {w:g}", thin(w), Solution.impedance, stripline(w, 1, 4.0)) for w in (0.1, 0.5, 2.0)
    ]
    for width, gap in ((0.35, 0.2), (0.5, 0.1)):
        even, odd = coupled_stripline(width, gap, 1, 4.0)
        cases.append((f"coupled w/b {width:g} s/b {gap:g}, even", thin(width, gap), lambda s: s.pair().even, even))
        cases.append((f"coupled w/b {width:g} s/b {gap:g}, odd", thin(width, gap), lambda s: s.pair().odd, odd))
    for width, thickness, z in ((0.5, 0.05, 90.2755449), (0.35, 0.1, 97.6811387), (0.125, 0.035, 158.353535)):
        name = f"thick stripline w/b {width:g} t/b {thickness:g}"
        cases.append((name, thick(width, thickness), Solution.impedance, z))  # Schwarz-Christoffel
    return cases


def accuracy_table() -> None:
    print("Exact cases: relative error of the impedance, estimate of the solver, time")
    print(
        f"{'case':<36}{'exact':>11}  {'at 2e-3':>9}{'estimate':>10}{'ms':>6}  {'at 2e-4':>9}{'estimate':>10}{'ms':>6}"
    )
    for name, section, quantity, exact in exact_cases():
        row = f"{name:<36}{exact:>11.5f}"
        for accuracy in (2e-3, 2e-4):
            solution, spent = timed(lambda s=section, a=accuracy: solve(s, a))
            row += f"  {quantity(solution) / exact - 1:>9.1e}{solution.error:>10.1e}{spent:>6.1f}"
        print(row)


def time_table() -> None:
    print(f"\n{EACH} random sections of each kind: time (fastest of three runs), and error against a solution to 2e-5")
    head = f"{'median ms':>10}{'95 %':>7}{'median error':>14}{'largest':>9}{'estimate short':>16}"
    print(f"{'kind':<26}{'at 2e-3':>8}{head}    {'at 2e-4: median ms':>18}")
    for kind in KINDS:
        rng = np.random.default_rng(11)
        spent, fine, errors, short = [], [], [], 0
        for _ in range(EACH if "eight" not in kind else EACH // 8):
            section = random_section(kind, rng)
            solution, ms = timed(lambda s=section: solve(s))
            spent.append(ms)
            fine.append(timed(lambda s=section: solve(s, 2e-4), 1)[1])
            errors.append(difference(solution, solve(section, 2e-5)))
            short += errors[-1] > solution.error
        row = f"{np.median(spent):>10.2f}{np.quantile(spent, 0.95):>7.2f}{np.median(errors):>14.1e}{max(errors):>9.1e}"
        print(f"{kind:<34}{row}{short:>13} of {len(errors)}{np.median(fine):>16.2f}")


def finite_elements() -> None:
    """The same sections by P2 elements: the first mesh that is as good as what was asked for, 0.2 %, and the solver."""
    path = Path(__file__).parents[1] / "tests" / "fields" / "section_fem.py"
    spec = importlib.util.spec_from_file_location("section_fem", path)
    assert spec is not None
    assert spec.loader is not None
    fem = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(fem)
    single = CrossSection((Strip(0.0, 0.2 * MM, 0.3 * MM, 0.035 * MM, 0.25),), (), (Sheet(0.2 * MM, 4.3),))
    pair = CrossSection(
        tuple(Strip(x * MM, 0.1 * MM, 0.15 * MM, 0.035 * MM, 0.25) for x in (-0.15, 0.15)), (), (Sheet(0.1 * MM, 4.3),)
    )
    masked = CrossSection(
        (Strip(0.0, 0.2 * MM, 0.3 * MM, 0.035 * MM),), (), single.sheets, coat_above=Coat(25e-6, 25e-6, 3.5)
    )
    print("\nFinite elements (scikit-fem, P2, graded mesh, walls far away) to the error that is asked, and this solver")
    print(f"{'section':<16}{'asked':>8}{'unknowns':>10}{'error':>9}{'ms':>8}   {'error here':>10}{'ms':>7}{'ratio':>8}")
    meshes = [(16e-6, 4.0), (8e-6, 3.0), (4e-6, 2.5), (2e-6, 2.0), (1e-6, 1.7), (0.7e-6, 1.5)]
    for name, section in (("single", single), ("pair", pair), ("single, mask", masked)):
        true = solve(section, 1e-5)
        for asked in (2e-3, 5e-4):
            ours, spent = timed(lambda s=section, a=asked: solve(s, a))
            for finest, ratio in meshes:
                (loaded, bare, unknowns), ms = timed(
                    lambda s=section, f=finest, r=ratio: fem.capacitance(s, finest=f, ratio=r), 2
                )
                found = Solution(loaded, MU0 * EPS0 * np.linalg.inv(bare), 0.0, section)
                error = difference(found, true)
                if error <= asked:
                    break
            row = f"{name:<16}{asked:>8.0e}{unknowns:>10}{error:>9.1e}{ms:>8.0f}"
            print(f"{row}   {difference(ours, true):>10.1e}{spent:>7.2f}{ms / spent:>8.0f}")


def main() -> None:
    with one_core():
        accuracy_table()
        time_table()
        finite_elements()


if __name__ == "__main__":
    main()
