"""Damages files at random and reads them: any error but the readers' own, a long wait or much memory is a find.

    .venv/bin/python tools/fuzz.py gerber --minutes 10 [--seeds FOLDER ...] [--finds FOLDER] [--seed 0]

Each parser has a few small files of its own to start from; files under --seeds are taken as well (small ones, and cuts
of large ones). A worker process with bounded memory reads one damaged file after the other; what it finds, and what
kills it, is kept under --finds. Exit status 1 when anything was found.
"""

from __future__ import annotations

import argparse
import importlib
import multiprocessing
import random
import re
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

from quietcopper.errors import QuietCopperError

MEMORY = 1 << 30  # bytes above what the process has before it reads anything
PATIENCE = 20  # s of processor time for one file, shapes included
SEED_BYTES = 20_000
BATCH = 1000  # files a worker damages before it reports

GERBER = (
    b"%TF.FileFunction,Copper,L1,Top*%%FSLAX46Y46*%%MOMM*%%LPD*%G04 c*%TA.AperFunction,SMDPad,CuDef*%\n"
    b"%ADD10C,0.5X0.2*%"
    b"%ADD11R,1X0.5*%%ADD12O,1X0.5X0.2X0.1*%%ADD13P,1X5X30*%%TD*%%AMB*21,1,$1,$2-2x$3,0,0,30*$4=($1+1)/2*1,0,$4,0,0*"
    b"4,1,3,0,0,1,0,0,1,0,0,15*5,1,6,0,0,1,0*7,0,0,1,.6,.1,45*6,0,0,2,.2,.2,3,.1,2,0*20,1,.1,0,0,1,1,0*%"
    b"%ADD14B,1X2X0.1*%\n"
    b"%ADD15C,0.25*%D15*G75*%TO.N,GND*%X0Y0D02*G01X1000000D01*Y1000000*G02X2000000Y2000000I1000000J0D01*\n%TO.P,U1,2,CLK*%"
    b"D14*X3000000Y3000000D03*%TD.P*%D13*%LR30*%%LMX*%%LS0.5*%X4000000D03*%LPC*%D11*X5000000D03*%LPD*%\n",
    b"%FSTAX24Y24*%%MOIN*%%IPNEG*%%IR90*%%MIA1B0*%%SFA2B2*%%OFA1B-1*%%ADD10C,0.1*%%SRX3Y2I1.5J2*%D10*X01Y02D03*G74*"
    b"G03X02Y01I001J0D01*%SR*%G36*X0Y0D02*X1D01*Y1D01*X0Y0D01*X05Y05D02*X06D01*G03X05Y05I01J0D01*G37*M02*\n",
    b"%FSLIX26Y26*MOMM*ADD10R,1X1*%%ABD20*%D10*X0Y0D03*%ABD21*%D10*G01X1000000D01*%AB*%D21*X1Y1D03*%AB*%D20*%LPC*%"
    b"%LMXY*%%LR45.5*%X5000000Y5000000D03*G04 #@! TO.C,R1*X1D03*G71*G90*G91*G70*N5G54D10*X1000Y1000D01*Y5*M00*\n",
)  # fmt: skip

# numbers that have broken readers before
EXTREME = [b"0", b"-1", b"1", b"999999999", b"1e308", b"1e-308", b"nan", b"0.0000001", b"2147483648", b"9" * 40, b"-0"]


@dataclass(frozen=True)
class Target:
    """A parser: "module:function", taking bytes and a name; `then`: what is done with its result, if anything."""

    parser: str
    seeds: tuple[bytes, ...]
    then: Callable[[Any], object] | None = None


def _gerber_shapes(image: Any) -> object:
    """The copper of images small enough to be drawn many times a second."""
    shapes = importlib.import_module("quietcopper.formats.gerber.shapes")
    return shapes.copper(image) if len(image.objects) < 2000 and len(image.region_points) < 20_000 else None


TARGETS = {"gerber": Target("quietcopper.formats.gerber.parser:read_image", GERBER, _gerber_shapes)}


def damaged(rng: random.Random, seeds: list[bytes]) -> bytes:
    """A seed with a few things done to it: bytes, numbers, words and stretches changed, lost, doubled or mixed."""
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.choice((1, 1, 2, 3, 6, 12))):
        size = len(data)
        if not size:
            break
        start = rng.randrange(size)
        stop = min(size, start + int(2 ** rng.uniform(0, 9)))
        match rng.randrange(8):
            case 0:
                data[start] = rng.randrange(256)
            case 1:
                del data[start:stop]
            case 2:
                data[start:start] = data[start:stop] * rng.choice((1, 1, 2, 50))
            case 3:
                other = rng.choice(seeds)
                at = rng.randrange(len(other))
                data[start:start] = other[at : at + int(2 ** rng.uniform(0, 9))]
            case 4 | 5:
                numbers = list(re.finditer(rb"[-+]?\d+(?:\.\d*)?", data))
                if numbers:
                    number = rng.choice(numbers)
                    changed = rng.choice(EXTREME) if rng.random() < 0.5 else str(rng.randrange(-20, 2000)).encode()
                    data[number.start() : number.end()] = changed
            case 6:
                words = bytes(data[start:stop]).split(b"*")
                rng.shuffle(words)
                data[start:stop] = b"*".join(words)
            case _:
                data[start:stop] = bytes(data[start:stop]).swapcase()
    return bytes(data[: 10 * SEED_BYTES])


class Slow(Exception):
    """A file that took longer than PATIENCE."""


def _stop(number: int, frame: FrameType | None) -> None:
    raise Slow(f"more than {PATIENCE} s")


def work(name: str, seeds: list[bytes], seed: int, current: Path, answers: Any) -> None:
    """Reads BATCH damaged files and puts (read, refused, slowest, finds) into `answers`."""
    target = TARGETS[name]
    module, _, function = target.parser.partition(":")
    parse = getattr(importlib.import_module(module), function)
    if target.then:
        target.then(parse(target.seeds[0], "seed"))  # all modules are loaded before memory is bounded
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + MEMORY, used + MEMORY))
    signal.signal(signal.SIGPROF, _stop)
    rng = random.Random(seed)
    read = refused = 0
    slowest, finds = 0.0, []
    for _ in range(BATCH):
        data = damaged(rng, seeds)
        current.write_bytes(data)
        began = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, PATIENCE)
        try:
            result = parse(data, "damaged")
            if target.then:
                target.then(result)
            read += 1
        except QuietCopperError:
            refused += 1
        except Exception as error:  # whatever it is, it is a find
            finds.append((data, f"{type(error).__name__}: {error}", traceback.format_exc()))
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
        took = time.process_time() - began
        if took > slowest:
            slowest = took
            current.with_name(f"{name}-slowest-{seed}").write_bytes(data)
    answers.put((read, refused, slowest, finds))


def seeds_of(name: str, folders: list[Path]) -> list[bytes]:
    """The parser's own files, and those of the folders that it can read, cut to a length that is quick to read."""
    target = TARGETS[name]
    module, _, function = target.parser.partition(":")
    parse = getattr(importlib.import_module(module), function)
    out = list(target.seeds)
    for path in sorted(path for folder in folders for path in folder.rglob("*") if path.is_file()):
        if path.stat().st_size > 20_000_000:
            continue
        data = path.read_bytes()
        try:
            parse(data[:SEED_BYTES], "seed")
        except QuietCopperError:
            continue
        out.append(data[:SEED_BYTES])
    return out


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("parser", choices=sorted(TARGETS))
    arguments.add_argument("--minutes", type=float, default=10.0)
    arguments.add_argument("--seeds", type=Path, nargs="*", default=[])
    arguments.add_argument("--finds", type=Path, default=Path("fuzz-finds"))
    arguments.add_argument("--seed", type=int, default=0)
    given = arguments.parse_args()
    seeds = seeds_of(given.parser, given.seeds)
    given.finds.mkdir(parents=True, exist_ok=True)
    current = given.finds / f"{given.parser}-current"
    current.unlink(missing_ok=True)
    context = multiprocessing.get_context("spawn")
    end, seed = time.monotonic() + 60 * given.minutes, given.seed
    read = refused = found = 0
    slowest = 0.0
    print(f"{given.parser}: {len(seeds)} files to start from")
    while time.monotonic() < end:
        answers = context.SimpleQueue()
        worker = context.Process(target=work, args=(given.parser, seeds, seed, current, answers))
        worker.start()
        while worker.is_alive() and answers.empty():
            worker.join(0.2)
            if current.exists() and time.time() - current.stat().st_mtime > 10 * PATIENCE:
                worker.kill()  # it hangs where no signal reaches it
        finds = []
        if not answers.empty():
            good, bad, slow, finds = answers.get()
            read, refused = read + good, refused + bad
            kept = given.finds / f"{given.parser}-slowest-{seed}"
            if slow > slowest:
                slowest = slow
                kept.replace(given.finds / f"{given.parser}-slowest")
            else:
                kept.unlink()
        worker.join()
        if worker.exitcode:
            finds.append((current.read_bytes(), f"worker ended with status {worker.exitcode}", ""))
        for data, what, trace in finds:
            found += 1
            path = given.finds / f"{given.parser}-{found:03d}"
            path.write_bytes(data)
            path.with_suffix(".txt").write_text(f"{what}\n{trace}")
            print(f"{path}: {what}", flush=True)
        seed += 1
    current.unlink(missing_ok=True)
    print(f"{read} read, {refused} refused, {found} finds; seeds {given.seed} to {seed - 1}")
    print(f"slowest {slowest:.1f} s of processor time")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
