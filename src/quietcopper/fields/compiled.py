"""Numeric kernels: functions of arrays and numbers, compiled to machine code that is kept on disk.

The compiler (numba) takes most of a second to load, and machine code a millisecond. So what it makes is kept as an
object file, named after all that it depends on, and loaded without the compiler from then on.
"""

from __future__ import annotations

import ctypes
import dis
import hashlib
import os
import sys
from collections.abc import Callable, Iterator
from functools import cache, cached_property
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any, TypeVar, cast

import numpy as np

from quietcopper.files import write_whole

F = TypeVar("F", bound=Callable[..., Any])
FAST = "arcp", "contract", "nsz", "reassoc"  # liberties with the order of sums; none with infinities
_CTYPES = {"float64": ctypes.c_double, "int64": ctypes.c_int64}
_WELL = 0  # what a compiled function reports when it ended well


KERNELS: list[Kernel] = []  # those that can be called, of all modules that were loaded


class Kernel:
    """A function that is compiled where it is first called. It writes its results into arrays that it is given: in it
    no arrays are made, and nothing is returned. It may call other kernels.

    signature : types of the arguments, such as "f8, i8, c16[::1], f8[:,::1]": numbers that are no
                arrays are float64 or int64, and arrays C-contiguous. None: called by other kernels only
    options : of the compiler
    """

    def __init__(self, function: Callable[..., Any], signature: str | None, **options: Any) -> None:
        self.function = function
        self.signature = signature
        self.arguments = [_argument(text) for text in signature.split(", ")] if signature else []
        self.options = options
        self._entry: Callable[..., int] | None = None
        if signature is not None:
            KERNELS.append(self)

    @property
    def name(self) -> str:
        return f"{self.function.__module__.rpartition('.')[2]}.{self.function.__name__.strip('_')}"

    def load(self) -> Callable[..., int]:
        """Load its machine code, which is compiled where none is kept."""
        if self._entry is None:
            self._entry = self._loaded()
        return self._entry

    def __call__(self, *args: Any) -> None:
        """Raises TypeError where an argument has not the type of the signature, RuntimeError where the kernel fails."""
        entry = self.load()
        flat: list[Any] = []
        for value, (dtype, axes) in zip(args, self.arguments, strict=True):
            if not axes:
                flat.append(value)
                continue
            if value.dtype != dtype or value.ndim != axes or not value.flags.c_contiguous:
                raise TypeError(f"{self.name}({self.signature}): got {value.dtype} of shape {value.shape} for an array")
            flat.append(value.__array_interface__["data"][0])
            flat.extend(value.shape)
        nothing = ctypes.byref(ctypes.c_void_p())  # where results and errors would be put
        if entry(nothing, nothing, *flat) != _WELL:
            raise RuntimeError(f"{self.name} failed")

    def _loaded(self) -> Callable[..., int]:
        """The machine code as something to be called: kept, else compiled and kept where that is possible."""
        symbol = f"{self.name}-{self._digest()}"
        data = _kept(f"{symbol}.o")
        if data is None:
            data = self._compiled(symbol)
            _keep(f"{symbol}.o", data)
        types: list[Any] = [ctypes.c_void_p, ctypes.c_void_p]
        for dtype, axes in self.arguments:
            types += [ctypes.c_void_p] + [ctypes.c_int64] * axes if axes else [_CTYPES[dtype.name]]
        return ctypes.CFUNCTYPE(ctypes.c_int32, *types)(_address(symbol, data))

    def _digest(self) -> str:
        """Of all that the machine code depends on."""
        digest = hashlib.blake2b(Path(__file__).read_bytes(), digest_size=16)
        for part in (self.signature, sys.version_info[:2], _machine(), *self._parts()):
            digest.update(repr(part).encode())
        return digest.hexdigest()

    def _parts(self) -> Iterator[object]:
        """Code, options and constants of the function and of the kernels that it calls."""
        code = self.function.__code__
        yield code.co_code, code.co_consts, code.co_names, code.co_varnames, sorted(self.options.items())
        for name, value in self._globals():
            if isinstance(value, Kernel):
                yield from value._parts()
            elif isinstance(value, int | float | str):
                yield name, value

    def _globals(self) -> list[tuple[str, Any]]:
        known = self.function.__globals__
        return [(name, known[name]) for name in _global_names(self.function.__code__) if name in known]

    @cached_property
    def _njit(self) -> Any:
        """The function for the compiler, which knows no Kernel."""
        import numba

        f = self.function
        calls = {name: value._njit for name, value in self._globals() if isinstance(value, Kernel)}
        plain = FunctionType(f.__code__, {**f.__globals__, **calls}, f.__name__, f.__defaults__)
        options = {**self.options, "fastmath": set(self.options.get("fastmath", ()))}
        return numba.njit(error_model="numpy", **options)(plain)

    def _compiled(self, symbol: str) -> bytes:
        """An object file with one function of this name."""
        import numba
        from llvmlite import binding as llvm

        outer, inner, types = [], [], []
        for k, (dtype, axes) in enumerate(self.arguments):
            scalar = getattr(numba.types, dtype.name)
            sizes = [f"n{k}_{axis}" for axis in range(axes)]
            outer += [f"a{k}", *sizes]
            inner.append(f"carray(a{k}, ({', '.join(sizes)},))" if axes else f"a{k}")
            types += [numba.types.CPointer(scalar), *[numba.types.int64] * axes] if axes else [scalar]
        text = f"def flat({', '.join(outer)}):\n    kernel({', '.join(inner)})\n"
        made: dict[str, Any] = {"kernel": self._njit, "carray": numba.carray}
        exec(compile(text, "<kernel>", "exec"), made)
        callback = numba.cfunc(numba.types.void(*types), error_model="numpy")(made["flat"])
        module = llvm.parse_assembly(callback.inspect_llvm())
        module.link_in(llvm.parse_assembly(_NEVER_CALLED))
        entry = callback.native_name.removeprefix("cfunc.")
        told = []
        for function in list(module.functions):
            if function.name == callback.native_name:  # the way in with an interpreter to complain to: left out
                function.linkage = "available_externally"
            elif not function.is_declaration:
                told.append(str(function))
                if function.name == entry:
                    function.name = symbol
                else:
                    function.linkage = "internal"
        for function in module.functions:
            if function.name.startswith(_OF_NUMBA) and any(f"@{function.name}(" in text for text in told):
                raise TypeError(f"{self.name} cannot be a kernel: it makes an array or the like, by {function.name}")
        return bytes(_target_machine().emit_object(module))


_SEAL = 16  # bytes before an object file by which damage to it is seen
_OF_NUMBA = "NRT_Allocate", "NRT_MemInfo_alloc", "NRT_MemInfo_new", "numba_", "Py"
# Arrays that kernels are given belong to nobody: what would free them is named in the code and never called.
_NEVER_CALLED = "define void @NRT_MemInfo_call_dtor(ptr %0) { ret void }"


def kernel(signature: str | None = None, **options: Any) -> Callable[[F], F]:
    """A decorator, see Kernel."""

    def decorate(function: F) -> F:
        return cast(F, Kernel(function, signature, **options))

    return decorate


def _global_names(code: CodeType) -> list[str]:
    return sorted({i.argval for i in dis.get_instructions(code) if i.opname == "LOAD_GLOBAL"})


def _argument(text: str) -> tuple[np.dtype[Any], int]:
    """Type of a number, and of how many axes the array of them is; none: no array."""
    dtype, _, rest = text.partition("[")
    return np.dtype(dtype), max(rest.count(":") - 1, 0)


def _kept(name: str) -> bytes | None:
    """What was kept under this name, unless it was damaged since."""
    for folder in _folders():
        try:
            sealed = (folder / name).read_bytes()
        except OSError:
            continue
        if _seal(sealed[_SEAL:]) == sealed[:_SEAL]:
            return sealed[_SEAL:]
    return None


def _seal(data: bytes) -> bytes:
    return hashlib.blake2b(data, digest_size=_SEAL).digest()


def _keep(name: str, data: bytes) -> None:
    for folder in _folders():
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_whole(folder / name, _seal(data) + data)
            return
        except OSError:
            continue


def _folders() -> tuple[Path, ...]:
    """Where object files are kept: beside the package's compiled Python, else in the user's cache."""
    beside, user = (
        Path(__file__).parent / "__pycache__",
        os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache"),
    )
    return (beside, Path(user) / "quietcopper") if os.path.isabs(user) else (beside,)  # not everyone has a home


@cache
def _machine() -> tuple[str, str, str]:
    """Platform, processor and its features."""
    from llvmlite import binding as llvm

    return llvm.get_default_triple(), llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()


def _target_machine() -> Any:
    from llvmlite import binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    triple, processor, features = _machine()
    target = llvm.Target.from_triple(triple)
    return target.create_target_machine(cpu=processor, features=features, opt=3, codemodel="jitdefault", jit=True)


@cache
def _engine() -> Any:
    from llvmlite import binding as llvm

    return llvm.create_mcjit_compiler(llvm.parse_assembly(""), _target_machine())


def _address(name: str, data: bytes) -> int:
    """Where the function of an object file now lies in memory."""
    from llvmlite import binding as llvm

    engine = _engine()
    engine.add_object_file(llvm.object_file.ObjectFileRef.from_data(data))
    engine.finalize_object()
    return int(engine.get_function_address(name))
