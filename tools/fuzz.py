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
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

from quietcopper.errors import QuietCopperError
from quietcopper.formats import read_board
from quietcopper.formats.gerber_writer import write_gerber_set
from quietcopper.formats.ipcd356 import find_shift

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

DRILL = (
    b"; #@! TF.FileFunction,Plated,1,4,PTH\nM48\n;FILE_FORMAT=3:3\n; #@! TA.AperFunction,Plated,PTH,ViaDrill\n"
    b"FMAT,2\nMETRIC,TZ,000.000\nT1C0.300F85S90\nT02C1.0\nT3-5C0.8\n%\nG90\nG05\nT1\nX1000Y2000\nY-3\nR5X100Y50\n"
    b"X1.5Y2.5G85X3.5Y2.5\nM25\nX1Y1\nM01\nM02X10Y10M80M90\nM08\nT02\nG00X1Y1\nM15\nG01X5\nG02X6Y2A1\n"
    b"G03X7Y3I1J0\nM16\nG05\nG91\nX1Y1\nG93X5Y5\nM30\n",
    b"M48\nINCH,LZ\nT01C0.028H01Z+0.05\nT01C.035\nM95\nG81\nT01\nX0123Y0456\nG84X01\nG82\nX012Y01G85X02Y02\n/X1\n"
    b"(note)\nM97,TEXT\nT0\nN5X01Y02\nM72\nT9\nX1\nM00\nM30\n",
)
NETLIST = (
    b"C  Comment\nP  JOB board\nP  UNITS CUST 0\nP  NNAME1 A_LONG_NAME_OF_A_NET\nP  TITLE x\n"
    b"317NNAME1           VIA        MD0130PA00X+029409Y+011654X0270Y0000R000S3\n"
    b"327GND              C1    -2          A01X+001000Y-002000X0512Y0591R270 S1\n"
    b"027GND              C1    -1          A02X+001000Y-003000X0512Y0591R270 S1\n"
    b"317N/C              J1    -3    D0200UA00X+002000Y+003000X0000Y0000R000S0\n"
    b"367N/C              H1    -0    D0200UA00X+004000Y+003000X0000Y0000R000S0\n"
    b"389BOARD\n379X0Y0X1Y1\n378NNAME1\n999\n",
    b"P  UNITS CUST 1\n317A    VIA      D0130PA00X   5050Y  13900X 600Y1200R 90\n999\n",
)
JOB = (
    b'{"Header":{},"GeneralSpecs":{"ProjectId":{"Name":"b","Revision":"1"},"Size":{"X":1,"Y":2},"LayerNumber":2,'
    b'"BoardThickness":1.6,"Finish":"x"},"FilesAttributes":[{"Path":"top.gbr","FileFunction":"Copper,L1,Top",'
    b'"FilePolarity":"Positive"}],"MaterialStackup":[{"Type":"SolderMask","Thickness":0.01,"Name":"m"},'
    b'{"Type":"Copper","Thickness":0.035,"Name":"t"},{"Type":"Dielectric","Thickness":1.5,"DielectricConstant":"4.5",'
    b'"LossTangent":0.02,"Name":"a/b","Material":"FR4"},{"Type":"Copper"}]}',
    b"%FSLAX46Y46*%%MOMM*%%TF.JobName,b*%%TF.Path,top.gbr*%%TF.FileFunction,Copper,L1,Top*%%TF.Thickness,0.035*%M02*\n",
)
IBIS = tuple(
    "\n".join(lines).replace("/", "\n").replace("|", "/").replace("IO\n", "I/O\n").encode()
    for lines in (
        (
            "[IBIS Ver] 5.0/[Comment Char] #_char/[Component] A/[Pin] signal_name model_name/1 CLK B/2 D S/3 V POWER",
            "[Model Selector] S/B strong/C weak/[Model] B/Model_type IO/C_comp 3.0pF 2.0pF 4.0pF",
            "[Voltage Range] 3.3V 3.0 3.6/[Pullup Reference] 3.3 3.0 3.6/[Pulldown]/-3.3 -80mA -60mA NA/0 0 0 0",
            "3.3 80mA 60m 100m/[Pullup]/3.3 -80mA -60mA -1e-1/0 0 0 0/-3.3 80m 60m 90m/[Ramp]",
            "dV|dt_r 1.2|0.60n 1.0|0.9n NA/dV|dt_f 1.2|0.75n NA NA/R_load = 50/[Rising Waveform]/R_fixture = 50",
            "V_fixture = 0.0/0 0 0 0/1n 0.1 NA 0/2n 1 1 1/3n 1.9 1.9 2/4n 2 2 2/[End]",
        ),
        (
            "[IBIS Ver] 3.2/[Model] E/Model_type Output_ECL/[Voltage Range] 5 NA NA/[Pullup]/0 0 NA NA/.7 0 NA NA",
            "2 -.1 NA NA/[Pulldown]/0 0 0 0/3 -.1 0 0/[Ramp]/dV|dt_r .48|0.3n NA NA/[Falling Waveform]",
            "R_fixture=50/V_fixture=3/0 4 NA NA/1n 3.2 NA NA/[Model] D/Model_type Open_drain",
            "[Voltage Range] 1.8 1.7 1.9/[Pulldown]/0 0 0 0/2 .04 .03 .05/[End]",
        ),
    )
)  # a stroke begins a line, a bar is a stroke
# files of a set, one after the other: their names stand in lines of their own
SET_FILE = re.compile(rb"^=== (\S+)\n", re.MULTILINE)
_HEAD = b"%FSLAX44Y44*%%MOMM*%%ADD10C,0.2*%%ADD11C,0.6*%%ADD12R,1X1*%G01*G75*\n"
SETS = (
    b"=== top.gbr\n%TF.FileFunction,Copper,L1,Top*%" + _HEAD + b"%TO.N,GND*%G36*X0Y0D02*X100000D01*Y100000D01*X0D01*Y0"
    b"D01*G37*%LPC*%D11*X50000Y50000D03*%LPD*%%TO.N,A*%%TO.P,U1,1*%D12*X50000Y50000D03*%TD.P*%D10*X50000Y50000D02*"
    b"X150000D01*G02X160000Y60000I0J10000D01*%TO.P,R1,2*%D11*X160000Y60000D03*M02*\n=== bot.gbr\n"
    b"%TF.FileFunction,Copper,L2,Bot*%" + _HEAD + b"D11*X10000Y10000D03*D10*X10000Y10000D02*X90000D01*Y10100D01*"
    b"X10000D01*X160000Y60000D02*X10000D01*D11*D03*M02*\n=== edge.gbr\n%TF.FileFunction,Profile,NP*%" + _HEAD +
    b"D10*X-10000Y-10000D02*X200000D01*Y200000D01*X-10000D01*Y-10000D01*X1Y1D02*X9D01*Y9D01*X1Y1D01*M02*\n"
    b"=== mask.gbr\n%TF.FileFunction,Soldermask,Top*%" + _HEAD + b"D12*X50000Y50000D03*M02*\n=== h.drl\n"
    b"; #@! TF.FileFunction,Plated,1,2,PTH\nM48\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y1.0\nX16.0Y6.0\nX5.0Y5.0G85X6.0Y5.0\nM30\n"
    b"=== net.ipc\nP  UNITS CUST 0\n317GND              VIA        MD0118PA00X+000394Y+000394X0270Y0000R000S3\n"
    b"327A               U1    -1          A01X+001969Y+001969X0512Y0591R270 S1\n999\n=== b.gbrjob\n" + JOB[0],
    b"=== b.GTL\n" + _HEAD + b"D10*X0Y0D02*X100000D01*Y1500D01*X0D01*Y3000D01*X100000D01*D11*D03*M02*\n=== b.GBL\n" +
    _HEAD + b"D11*X0Y0D03*D10*X0Y0D02*X100000Y3000D01*M02*\n=== b.GKO\n" + _HEAD +
    b"D10*X0Y0D02*X200000Y100000D01*M02*\n=== b.TXT\nM48\nINCH,LZ\nT01C0.028\n%\nT01\nX0Y0\nX039Y001\nM30\n",
)  # fmt: skip

# numbers that have broken readers before
EXTREME = [b"0", b"-1", b"1", b"999999999", b"1e308", b"1e-308", b"nan", b"0.0000001", b"2147483648", b"9" * 40, b"-0"]


@dataclass(frozen=True)
class Target:
    """A parser: "module:function" or a function, taking bytes and a name; `then`: what is done with its result."""

    parser: str | Callable[[bytes, str], Any]
    seeds: tuple[bytes, ...]
    then: Callable[[Any], object] | None = None


def _gerber_shapes(image: Any) -> object:
    """The copper of images small enough to be drawn many times a second."""
    shapes = importlib.import_module("quietcopper.formats.gerber.shapes")
    return shapes.copper(image) if len(image.objects) < 2000 and len(image.region_points) < 20_000 else None


def _ibis_outputs(ibis: Any) -> object:
    """What every model that drives would give a driver."""
    outputs = importlib.import_module("quietcopper.electrical.outputs")
    return [outputs.output_of(model) for model in ibis.models.values() if model.drives]


def _read_set(data: bytes, name: str) -> Any:
    """The board of the files that follow one another in `data`."""
    cut = SET_FILE.split(data)
    with tempfile.TemporaryDirectory() as folder:
        for file, text in zip(cut[1::2], cut[2::2], strict=True):
            Path(folder, re.sub(r"[^\w.-]", "_", file.decode("latin-1"))[:60]).write_bytes(text)
        return read_board(folder)


def _write_set(board: Any) -> object:
    """The board written as a set and read again."""
    with tempfile.TemporaryDirectory() as folder:
        write_gerber_set(board, folder)
        return read_board(folder)


def _find_shift(netlist: Any) -> object:
    return find_shift(netlist.points.places, np.zeros((3, 2)))


TARGETS = {
    "gerber": Target("quietcopper.formats.gerber.parser:read_image", GERBER, _gerber_shapes),
    "drill": Target("quietcopper.formats.excellon:read_drill", DRILL),
    "netlist": Target("quietcopper.formats.ipcd356:read_netlist", NETLIST, _find_shift),
    "job": Target("quietcopper.formats.gerber_job:read_job", JOB),
    "ibis": Target("quietcopper.formats.ibis:parse_ibis", IBIS, _ibis_outputs),
    "set": Target(_read_set, SETS, _write_set),
}


def _parser(target: Target) -> Callable[[bytes, str], Any]:
    if callable(target.parser):
        return target.parser
    module, _, function = target.parser.partition(":")
    found: Callable[[bytes, str], Any] = getattr(importlib.import_module(module), function)
    return found


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
    parse = _parser(target)
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
    parse = _parser(target)
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
