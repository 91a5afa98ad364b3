"""The one door to numba: a typed decorator for compiled kernels.

Modules that hold kernels import this at their top and are themselves imported only where they are
used, because importing numba costs about a third of a second. Compiled code is kept: in
``NUMBA_CACHE_DIR`` when that is set, else beside the source when that folder can be written, else
in the user's cache folder; so only the first run pays for compiling, and says so (``compiling``).
Code that cannot be kept or is damaged is compiled anew, never an error.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numba import types
from numba.core import caching, event, sigutils

from busplan import compile_listener

_njit: Any = numba.njit
_unliteral: Any = types.unliteral
_caching: Any = caching
_sigutils: Any = sigutils
_event: Any = event

F = TypeVar("F", bound=Callable[..., object])


def kernel(function: F) -> F:
    """Compile ``function`` with numba on first call, without the interpreter lock, and keep it.

    A constant that one kernel hands to another counts as a number: numba would compile the other
    once for that constant, too. No function pointer for C is made, for none is used.
    """
    dispatcher: Any = _njit(nogil=True, no_cfunc_wrapper=True)(function)
    compiled_for = dispatcher.get_call_template

    def call_template(args: Any, named: Any) -> Any:
        plain = {name: _unliteral(kind) for name, kind in named.items()}
        return compiled_for(tuple(map(_unliteral, args)), plain)

    dispatcher.get_call_template = call_template
    try:
        dispatcher._cache = _Kept(function)
    except (RuntimeError, OSError):  # no folder can be written: compiled in every process
        compile_listener.kept = False
    return cast(F, dispatcher)


class _Teller(_event.Listener):  # type: ignore[misc]
    """Passes on when compiling begins and ends."""

    def on_start(self, event: Any) -> None:
        compile_listener.tell(True)

    def on_end(self, event: Any) -> None:
        compile_listener.tell(False)


_event.register("numba:compile", _Teller())


class _Kept(_caching.FunctionCache):  # type: ignore[misc]
    """numba's own cache, with three gaps closed.

    numba looks only at the file a kernel stands in, so the stamp here also covers the kernels and
    constants it uses from elsewhere. Two processes that keep two signatures of one kernel at the
    same moment may swap them, so what is loaded is checked. A damaged file or a full disk ends in
    compiling.
    """

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        try:
            self._stamp()
            found = super().load_overload(sig, target_context)
        except Exception:  # whatever unpickling a damaged file may raise
            with suppress(Exception):
                self.flush()
            return None
        arguments, _ = _sigutils.normalize_signature(sig)
        return found if found is not None and found.signature.args == arguments else None

    def save_overload(self, sig: Any, data: Any) -> None:
        with suppress(Exception):
            super().save_overload(sig, data)

    def _stamp(self) -> None:
        own = self._impl.locator.get_source_stamp()
        self._cache_file._source_stamp = (own, fingerprint(self._py_func))


def fingerprint(function: Any) -> str:
    """A hash of the project's own code and constants that compiled code of ``function`` holds."""
    digest = sha256()
    seen: set[int] = set()

    def add(item: Any) -> None:
        if isinstance(item, np.ndarray):
            digest.update(f"{item.dtype}{item.shape}".encode() + item.tobytes())
        elif isinstance(item, int | float | str | bytes | tuple | np.generic | None):
            digest.update(repr(item).encode())
        elif hasattr(item, "_defn"):  # an intrinsic: what it emits may stand anywhere in its file
            digest.update(Path(item._defn.__code__.co_filename).read_bytes())
        elif id(item) not in seen:
            seen.add(id(item))
            used = getattr(item, "py_func", item)
            if isinstance(used, FunctionType):
                add_code(used.__code__, used.__globals__)

    def add_code(code: CodeType, names: dict[str, Any]) -> None:
        digest.update(code.co_code)
        for constant in code.co_consts:
            if isinstance(constant, CodeType):
                add_code(constant, names)
            else:
                add(constant)
        for name in code.co_names:
            digest.update(name.encode())
            add(names.get(name))

    add(function)
    return digest.hexdigest()
