"""The one compile decorator of every kernel, and the one rule for where compiled code is kept.

``inline`` marks scalar pixel functions and row loops: they are folded into their caller, so a literal
channel stride given by the caller stays a literal and the loop becomes vector code.
``subroutine`` marks what a strip kernel calls once a row: compiled for itself, so that a large kernel is not compiled
over and over.
``strip_kernel`` marks the functions that Python calls: whole rows of whole arrays, compiled on first use,
without the interpreter lock, and kept on disk.

Inlines and subroutines are pieces: only compiled code calls them. numba would give each a wrapper for Python and
machine code of its own, and both are a good part of what a first frame waits for; here they only become code in
their strip kernels.

Only strip kernels make arrays. What they call works on slices of those and returns none, so that nobody need count who
refers to them: threads that count at one place wait for each other.

numba's own cache looks at the time stamp of one file only, returns stale code when a callee in another file changes,
and passes on whatever a damaged file raises. Compiled code is kept by ``kept_code.py`` instead, in a folder named after
a hash of every kernel source, the numba and Python versions and the processor: new sources, new folder.
"""

from __future__ import annotations

import contextlib
import dis
import functools
import gc
import importlib.util
import inspect
import operator
import os
import platform
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import numba
from llvmlite import binding, ir
from numba import types
from numba.core import cgutils
from numba.core.callwrapper import PyCallWrapper
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler, DefaultPassBuilder, Flags
from numba.core.compiler_lock import global_compiler_lock
from numba.core.registry import CPUDispatcher
from numba.core.types.functions import BaseFunction
from numba.core.typing.templates import _OverloadFunctionTemplate
from numba.extending import intrinsic

from .kept_code import KeptCode, digest_of, find_folder, holds_any

Function = TypeVar("Function", bound=Callable[..., Any])

numba_config: Any = numba.config
_OPTIONS: dict[str, Any] = {"nopython": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}


def source_digest() -> str:
    """Return the hash (16 hexadecimal digits) of the code of all kernels, versions and the processor's name.

    What docstrings and comments say does not count.
    """
    digest = digest_of(sorted(Path(__file__).parent.glob("*.py")))
    cpu = numba_config.CPU_NAME or _host_cpu()
    digest.update(f"{numba.__version__} {sys.version} {platform.machine()} {cpu}".encode())
    return str(digest.hexdigest()[:16])


def _host_cpu() -> str:
    from llvmlite import binding

    return str(binding.get_host_cpu_name()) + str(binding.get_host_cpu_features().flatten())


CACHE_FOLDER: Path | None = None if numba_config.DISABLE_JIT else find_folder(source_digest())
"""Where compiled kernels are kept, or None where nothing is writable (they are then compiled anew)."""


def is_cold() -> bool:
    """Tell whether kernels have yet to be compiled: nothing moves for some seconds where none are kept on disk."""
    kept = CACHE_FOLDER is not None and holds_any(CACHE_FOLDER)
    return not (kept or numba_config.DISABLE_JIT)


STRIP_KERNELS: list[Any] = []
"""Every compiled entry point, in the order of definition."""


class _FixedFlags(Flags):
    """Flags that no longer change, so that they are compared at once."""

    __slots__ = ("_digest", "_fixed")

    def __init__(self, flags: Flags) -> None:
        super().__init__(flags)
        self._fixed, self._digest = self.values(), super().__hash__()

    def __hash__(self) -> int:
        return self._digest

    def __eq__(self, other: object) -> bool:
        if isinstance(other, _FixedFlags):
            return self is other or self._fixed == other._fixed
        return bool(super().__eq__(other))


_FIXED_FLAGS: dict[_FixedFlags, _FixedFlags] = {}


class _Flags(Flags):
    """What a function is compiled with.

    numba works on under a copy of them and compares that at every call whose types it looks for, option by option: a
    sixth of all its work. Equal copies are one object here.
    """

    __slots__ = ()

    def copy(self) -> _FixedFlags:
        fixed = _FixedFlags(self)
        return _FIXED_FLAGS.setdefault(fixed, fixed)


_LEFT_OUT = {
    *("WithLifting", "InlineClosureLikes", "RewriteDynamicRaises", "MakeFunctionToJitFunction", "InlineInlinables"),
    *("NopythonRewrites", "DumpParforDiagnostics"),
}
"""Passes of numba for what no kernel holds: context managers, closures, errors made of values, inlining on the level of
Python, expressions of whole arrays. Each walks through all of a function to find that."""


class _KernelCompiler(Compiler):
    """Compiles a function by those of numba's passes that kernels need."""

    def __init__(
        self, typing: Any, target: Any, library: Any, kinds: Any, returned: Any, flags: Flags, variables: Any
    ) -> None:
        super().__init__(typing, target, library, kinds, returned, _Flags(flags), variables)

    def define_pipelines(self) -> list[Any]:
        passes = DefaultPassBuilder.define_nopython_pipeline(self.state)
        passes.passes = [kept for kept in passes.passes if kept[0].__name__ not in _LEFT_OUT]
        passes.finalize()
        return [passes]


_PASSES_WITH_BUILDERS = numba.version_info[:2] >= (0, 62)
"""How numba sets passes of its optimiser up; before, everything is left to it."""

if not numba_config.DISABLE_JIT:
    # Finding cheaper sums for addresses takes a quarter of what machine code takes, and loops are as fast without.
    binding.set_option("inkarnat", "-disable-lsr")


def _pass_builder(codegen: Any, unrolls: bool) -> Any:
    """Return what sets passes up, as numba does, with or without copies of the bodies of loops."""
    options = binding.create_pipeline_tuning_options(numba_config.OPT)
    options.loop_vectorization = numba_config.LOOP_VECTORIZE
    options.slp_vectorization = numba_config.SLP_VECTORIZE
    options.loop_unrolling = unrolls
    return binding.create_pass_builder(codegen._tm, options)


def _tidying_manager(builder: Any) -> Any:
    """Return what tidies a function up as it was written: what makes it fast goes over all of a kernel later.

    numba's own passes at this stage, where llvmlite cannot set up fewer, take twice as long and gain no speed.
    """
    manager = binding.create_new_function_pass_manager()
    if not hasattr(manager, "add_sroa_pass"):
        return builder.getFunctionPassManager()
    manager.add_sroa_pass()
    manager.add_instruction_combine_pass()
    manager.add_simplify_cfg_pass()
    return manager


class _KernelLibrary(JITCodeLibrary):
    """The code of a strip kernel, made fast in one go.

    numba's way goes over it once more before, to bring counts of references together of which kernels have few, and
    sets up anew for every function what makes it fast. Loops have copies of their bodies where they were written, row
    loops once more by themselves; more of them, where all is folded together, only take long.
    """

    _unrolls = False

    def _optimize_functions(self, module: Any) -> None:
        if not _PASSES_WITH_BUILDERS:
            super()._optimize_functions(module)
            return
        module.data_layout = self._codegen._data_layout
        builder = _pass_builder(self._codegen, unrolls=True)
        manager = _tidying_manager(builder)
        manager.add_refprune_pass()
        for function in module.functions:
            if not function.is_declaration:
                manager.run(function, builder)

    def _optimize_final_module(self) -> None:
        if not _PASSES_WITH_BUILDERS:
            super()._optimize_final_module()
            return
        builder = _pass_builder(self._codegen, self._unrolls)
        manager = builder.getModulePassManager()
        manager.add_refprune_pass()
        manager.run(self._final_module, builder)


class _RowLibrary(_KernelLibrary):
    """The code of a row loop, which becomes vector code by itself: folded into a larger function, some would not.

    It becomes machine code only in the strip kernels into which it is linked.
    """

    _unrolls = True

    def _finalize_final_module(self) -> None:
        self._finalized = True


class _PieceLibrary(_RowLibrary):
    """The code of any other piece as it was written: strip kernels make it fast."""

    def _optimize_final_module(self) -> None:
        pass


def _has_loop(function: Any) -> bool:
    return any("JUMP_BACKWARD" in instruction.opname for instruction in dis.get_instructions(function))


class _EntryCompiler(_KernelCompiler):
    """Compiles what Python calls."""

    def compile_extra(self, function: Function) -> Any:
        self.state.library = _KernelLibrary(self.state.targetctx.codegen(), function.__qualname__)
        self.state.library.enable_object_caching()
        _collection.compiled()
        with _all_known(self.state.targetctx), _operators_remembered(), _numbas_own_as_pieces():
            return super().compile_extra(function)


class _PieceCompiler(_KernelCompiler):
    """Compiles what only compiled code calls."""

    def compile_extra(self, function: Function) -> Any:
        flags = self.state.flags
        flags.no_compile = True
        kind = _RowLibrary if flags.forceinline and _has_loop(function) else _PieceLibrary
        self.state.library = kind(self.state.targetctx.codegen(), function.__qualname__)
        return super().compile_extra(function)


class _Piece(CPUDispatcher):
    """A function that only compiled code calls. Python could call it through a wrapper, which takes long to compile."""

    def __init__(
        self, function: Function, targetoptions: dict[str, Any], compiler: type[Compiler] = _PieceCompiler
    ) -> None:
        super().__init__(function, targetoptions=targetoptions, pipeline_class=compiler)

    def add_overload(self, result: Any) -> None:
        result = result._replace(entry_point=object())  # only tells the overloads apart
        self.targetctx.insert_user_function(result.entry_point, result.fndesc, [result.library])
        self.overloads[tuple(result.signature.args)] = result

    def _compile_for_args(self, *arguments: Any, **named: Any) -> Any:
        raise TypeError(
            f"Only strip kernels call {self.py_func.__name__}(): call its `py_func`, or one of the strip kernels."
        )


def _dispatcher(kind: type[CPUDispatcher], function: Any, **options: Any) -> Any:
    """What stands for a function: it compiles it on its first use for arguments of some types."""
    if numba_config.DISABLE_JIT:
        return function
    return kind(function, targetoptions=_OPTIONS | options)


def _piece(function: Function, **options: Any) -> Function:
    compiled: Function = _dispatcher(_Piece, function, _nrt=False, no_cpython_wrapper=True, **options)
    return compiled


def inline(function: Function) -> Function:
    """Compile a scalar pixel function or a row loop so that it is always folded into its caller."""
    return _piece(function, forceinline=True)


def subroutine(function: Function) -> Function:
    """Compile what a strip kernel calls once a row: free of the interpreter lock, kept with its strip kernels."""
    return _piece(function)


def instruction(function: Callable[..., Any]) -> Any:
    """Make an instruction of LLVM's from what numba asks of an intrinsic: its types, and what writes its code."""
    return intrinsic(function)


class _Collection:
    """The cyclic garbage collector, paused while kernels are compiled one after another.

    Half-compiled code is full of cycles: to look for them after every kernel costs an eighth of a first correction. So
    it rests until nothing has been compiled for some seconds, or until many kernels have been: each leaves 5 to 10 MB,
    and what is loaded leaves next to nothing. One look costs most of a second, so a first correction has none.
    """

    REST, MOST = 5.0, 40

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._at_work = self._kernels = 0
        self._paused = False
        self._timer: threading.Timer | None = None

    def __enter__(self) -> None:
        with self._lock:
            self._at_work += 1
            if self._timer is not None:
                self._timer.cancel()
            if gc.isenabled():
                gc.disable()
                self._paused, self._kernels = True, 0

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._at_work -= 1
            if self._at_work or not self._paused:
                return
            if self._kernels >= self.MOST:
                self._resume()
                return
            self._timer = threading.Timer(self.REST, self._rested)
            self._timer.daemon = True
            with contextlib.suppress(RuntimeError):  # no thread can be had, or Python is ending
                self._timer.start()

    def compiled(self) -> None:
        """Count a kernel that is compiled."""
        self._kernels += 1

    def _rested(self) -> None:
        with self._lock:
            if not self._at_work and self._paused:
                self._resume()

    def _resume(self) -> None:
        self._paused = False
        gc.enable()

    def forked(self) -> None:
        """Begin anew in a process that has none of the threads of before."""
        self._lock, self._at_work = threading.Lock(), 0
        if self._paused:
            self._resume()


_collection = _Collection()
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_collection.forked)


@functools.cache
def _blas_left_alone() -> None:
    """Let numba load all that it registers without importing SciPy's linear algebra, an eighth of a second.

    It looks whether that is there; no kernel multiplies matrices. A function that does finds it when it is compiled.
    """
    with contextlib.suppress(ImportError, AttributeError):
        linalg: Any = importlib.import_module("numba.np.linalg")
        imports, is_there = linalg.ensure_blas, _is_installed("scipy")

        def looks() -> None:
            if not is_there:
                raise ImportError

        linalg.ensure_blas = looks
        try:
            importlib.import_module("numba.np.arraymath").ensure_blas = imports  # type: ignore[attr-defined]
        finally:
            linalg.ensure_blas = imports


def _is_installed(package: str) -> bool:
    """Tell whether a package is there. What another one has put in its place, as colour-science does, is not."""
    try:
        return importlib.util.find_spec(package) is not None
    except ValueError:
        return False


@contextlib.contextmanager
def _all_known(context: Any) -> Iterator[None]:
    """Look once for what is registered with numba: by itself it looks anew for every function and every near miss."""
    both = context, context.typing_context
    context.refresh()
    for each in both:
        each.refresh = lambda: None
    try:
        yield
    finally:
        for each in both:
            del each.refresh


_OPERATORS = {function for function in vars(operator).values() if callable(function)}
_found_types: dict[tuple[Any, ...], Any] = {}


@contextlib.contextmanager
def _operators_remembered() -> Iterator[None]:
    """Find the types of operations on numbers once: numba tries a dozen ways, most of them for arrays, every time."""
    numbas: Any = BaseFunction
    look_up = numbas.get_call_type

    def remembered(function: Any, context: Any, arguments: Any, named: Any) -> Any:
        numbers = all(isinstance(each, types.Number | types.Boolean) for each in arguments)
        if named or not numbers or function.typing_key not in _OPERATORS:
            return look_up(function, context, arguments, named)
        asked = function, arguments
        if asked not in _found_types:
            _found_types[asked] = look_up(function, context, arguments, named)
        return _found_types[asked]

    numbas.get_call_type = remembered
    try:
        yield
    finally:
        numbas.get_call_type = look_up


class _NumbasOwnCompiler(Compiler):
    """Compiles a function of numba that stands for one of Python or numpy, by all of numba's passes."""

    def compile_extra(self, function: Function) -> Any:
        flags = self.state.flags
        flags.no_compile = flags.no_cpython_wrapper = flags.no_cfunc_wrapper = True
        self.state.library = _PieceLibrary(self.state.targetctx.codegen(), function.__qualname__)
        return super().compile_extra(function)


@contextlib.contextmanager
def _numbas_own_as_pieces() -> Iterator[None]:
    """Compile what numba puts in the place of `max` or `np.empty` as pieces: each would become machine code as well."""
    template: Any = _OverloadFunctionTemplate
    before = template._get_jit_decorator

    def decorator(**options: Any) -> Callable[[Any], Any]:
        return lambda function: _Piece(function, options, _NumbasOwnCompiler)

    template._get_jit_decorator = lambda _: decorator
    try:
        yield
    finally:
        template._get_jit_decorator = before


@contextlib.contextmanager
def _lined_up(context: Any) -> Iterator[None]:
    """Let new arrays begin at a cache line: values that lie in two lines take twice as long."""
    context.get_preferred_array_alignment = lambda _: 64
    try:
        yield
    finally:
        del context.get_preferred_array_alignment


BLOCK_HEAD, BLOCK_SIZE = 64, 4096
"""Bytes of a block before its arguments, where the address of its kernel lies, and of the whole block."""


def _without_owner(builder: Any, kind: Any, value: Any) -> Any:
    """Take out of arrays, and of tuples that hold some, who owns their memory: threads need not count that."""
    if isinstance(kind, types.Array):
        for part in range(2):  # the memory's record and the Python object
            field = value.type.elements[part]
            value = builder.insert_value(value, ir.Constant(field, None), part)
    elif isinstance(kind, types.BaseTuple):
        items: Any = kind
        for place, item in enumerate(items):
            held = builder.extract_value(value, place)
            value = builder.insert_value(value, _without_owner(builder, item, held), place)
    return value


def _create_wrapper(
    context: Any, library: Any, description: Any, env: Any, call_helper: Any, release_gil: bool
) -> None:
    """Make what Python calls in the place of a kernel: it works, or packs the arguments for :func:`.hand_out.enter`.

    With a negative ``y1`` the kernel does not run: its arguments, and the address of a function
    ``step(arguments, y0, y1)`` that runs it on them and returns 0 if all went well, are written to address ``y0``.
    """
    module, convention = context.create_module("wrapper"), context.call_conv
    kind = convention.get_function_type(description.restype, description.argtypes)
    kernel = ir.Function(module, kind, description.llvm_func_name)
    kinds = description.argtypes[:-2]
    packed = ir.LiteralStructType([context.get_value_type(item) for item in kinds])
    if context.get_abi_sizeof(packed) > BLOCK_SIZE - BLOCK_HEAD:
        raise TypeError(f"{description.qualname} takes more arguments than a block holds.")
    number = ir.IntType(64)

    step = ir.Function(module, ir.FunctionType(ir.IntType(32), [number] * 3), kernel.name + ".step")
    builder = ir.IRBuilder(step.append_basic_block())
    block = builder.inttoptr(step.args[0], packed.as_pointer())
    held = [builder.load(cgutils.gep_inbounds(builder, block, 0, place)) for place in range(len(kinds))]
    rows = list(step.args[1:])
    status, _ = convention.call_function(
        builder, kernel, description.restype, description.argtypes, held + rows, attrs=("noinline",)
    )
    builder.ret(status.code)

    gate = ir.Function(module, kind, kernel.name + ".gate")
    builder = ir.IRBuilder(gate.append_basic_block())
    values = list(convention.decode_arguments(builder, description.argtypes, gate))
    address, packs = values[-2], builder.icmp_signed("<", values[-1], ir.Constant(values[-1].type, 0))
    with builder.if_then(packs):
        block = builder.inttoptr(builder.add(address, number(BLOCK_HEAD)), packed.as_pointer())
        for place, (item, value) in enumerate(zip(kinds, values, strict=False)):
            builder.store(_without_owner(builder, item, value), cgutils.gep_inbounds(builder, block, 0, place))
        builder.store(builder.ptrtoint(step, number), builder.inttoptr(address, number.as_pointer()))
        convention.return_value(builder, context.get_dummy_value())
    builder.ret(builder.call(kernel, gate.args, attrs=("noinline",)))
    step.linkage = gate.linkage = "internal"

    # Packing takes a moment: letting others have the interpreter meanwhile would cost a wait to get it back.
    PyCallWrapper(context, module, gate, description, env, call_helper, False).build()
    library.add_ir_module(module)


@contextlib.contextmanager
def _packing(context: Any) -> Iterator[None]:
    """Give what is compiled a wrapper that can pack."""

    def create(*given: Any, **named: Any) -> None:
        _create_wrapper(context, *given, **named)

    context.create_cpython_wrapper = create
    try:
        yield
    finally:
        del context.create_cpython_wrapper


class _Entry(CPUDispatcher):
    """A function that Python calls."""

    def __init__(self, function: Function, targetoptions: dict[str, Any]) -> None:
        super().__init__(function, targetoptions=targetoptions, pipeline_class=_EntryCompiler)

    def compile(self, signature: Any) -> Any:
        """Compile it for arguments of some types, or load what is kept."""
        _blas_left_alone()
        kept = getattr(self, "_cache", None)
        claim = kept.claimed(signature, self.targetctx) if isinstance(kept, KeptCode) else contextlib.nullcontext()
        with claim, global_compiler_lock, _collection, _lined_up(self.targetctx):
            return self._compiled(signature)

    def _compiled(self, signature: Any) -> Any:
        return super().compile(signature)


class StripKernel(_Entry):
    """A kernel that works on rows ``y0`` to ``y1``, its last arguments, and may be packed."""

    def _compiled(self, signature: Any) -> Any:
        with _packing(self.targetctx):
            return super()._compiled(signature)


def pack(kernel: Any, arguments: tuple[Any, ...], block: int) -> None:
    """Write a kernel's arguments to an address of 64 · n, in :data:`BLOCK_SIZE` bytes; the arrays must live on."""
    kernel(*arguments, block, -1)


def strip_kernel(function: Function) -> Function:
    """Compile an entry point that Python calls: lazily, free of the interpreter lock, kept on disk.

    One whose last arguments are ``y0`` and ``y1`` works on these rows, and :mod:`.strips` may share it out.
    """
    names = inspect.getfullargspec(function).args
    compiled = _dispatcher(StripKernel if names[-2:] == ["y0", "y1"] else _Entry, function)
    if CACHE_FOLDER is not None:
        compiled._cache = KeptCode(function, CACHE_FOLDER)
    STRIP_KERNELS.append(compiled)
    result: Function = compiled
    return result
