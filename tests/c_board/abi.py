# SPDX-License-Identifier: MIT
"""The structs, constants and functions of the stub and of board.h, read from their headers.

So Python has no declaration of its own that could be another one. The headers are written for it:
a declaration for each member and function, `typedef struct x { … } x;`, and plain constants. What
it makes of the structs is compared by the compiler: see layout().
"""

from __future__ import annotations

import ctypes as c
import re
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
STUB = HERE.parents[1] / "firmware_stub"
HEADERS = [
    *(STUB / "include" / name for name in ("pv_table.h", "pv.h", "pv_state.h")),
    STUB / "src" / "pv_internal.h",
    *(HERE / name for name in ("flash.h", "board.h", "store_board.h")),
]

_TYPES: dict[str, Any] = {
    "void": None,
    "bool": c.c_bool,
    "char": c.c_char,
    "int": c.c_int,
    "unsigned": c.c_uint,
    "size_t": c.c_size_t,
    **{f"{u}int{n}_t": getattr(c, f"c_{u}int{n}") for u in ("u", "") for n in (8, 16, 32)},
}
_CONSTANTS: dict[str, int] = {}
_FUNCTIONS: dict[str, tuple[Any, list[Any]]] = {}

_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_DEFINITION = re.compile(r"^#define (\w+) (\w+)$", re.MULTILINE)
_ENUM = re.compile(r"enum \w*\s*\{([^}]*)\}")
_STRUCT = re.compile(r"struct (\w+) \{([^}]*)\}")
_FUNCTION = re.compile(r"^(\w[\w ]*?[ *]+)(\w+)\(([^;{)]*)\);", re.MULTILINE)
_CALLBACK = re.compile(r"(.+?)\(\*(\w+)\)\((.*)\)", re.DOTALL)
_DECLARATION = re.compile(r"(.*?[ *])(\w+)(?:\[(\w+)\])?", re.DOTALL)


def _number(text: str) -> int:
    return _CONSTANTS[text] if text in _CONSTANTS else int(text.rstrip("uUL"), 0)


def _type(words: str, pointer: Any = c.c_void_p) -> Any:
    if "*" in words:
        return pointer
    return _TYPES[words.replace("const", "").replace("struct", "").strip()]


def _signature(result: str, parameters: str) -> tuple[Any, list[Any]]:
    """Return the types of a function; an array is a pointer."""
    if parameters == "void":
        return _type(result), []
    found = re.findall(r"([^,]*?[ *])\w+(\[\w*\])?(?:,|$)", " ".join(parameters.split()))
    return _type(result), [_type(words + "*" * bool(array)) for words, array in found]


def _member(declaration: str) -> tuple[str, Any]:
    if callback := _CALLBACK.fullmatch(declaration):
        result, arguments = _signature(callback[1], callback[3])
        return callback[2], c.CFUNCTYPE(result, *arguments)
    found = _DECLARATION.fullmatch(declaration)
    assert found, declaration
    is_bytes = re.fullmatch(r"const (char|uint8_t) \*", found[1])
    kind = _type(found[1], c.c_char_p if is_bytes else c.c_void_p)
    return found[2], kind * _number(found[3]) if found[3] else kind


def _read(text: str) -> None:
    text = _COMMENT.sub("", text).replace("PV_ROM ", "")
    for name, value in _DEFINITION.findall(text):
        if value[0].isdigit():
            _CONSTANTS[name] = _number(value)
    for body in _ENUM.findall(text):
        following = 0
        for each in filter(None, (part.strip() for part in body.split(","))):
            name, _, value = each.partition("=")
            following = _number(value.strip()) if value else following
            _CONSTANTS[name.strip()] = following
            following += 1
    for name, body in _STRUCT.findall(text):
        members = [_member(each.strip()) for each in body.split(";") if each.strip()]
        _TYPES[name] = type(name, (c.Structure,), {"_fields_": members})
    for result, name, parameters in _FUNCTION.findall(text):
        if not result.startswith(("typedef", "PV_")):
            _FUNCTIONS[name] = _signature(result, parameters)


for _header in HEADERS:
    _read(_header.read_text(encoding="utf-8"))


def struct(name: str) -> Any:
    """Return the mirror of a struct."""
    return _TYPES[name]


def constant(name: str) -> int:
    """Return the value of a constant."""
    return _CONSTANTS[name]


def declare(library: c.CDLL) -> c.CDLL:
    """Give the functions that a library has their types; return it."""
    for name, (result, arguments) in _FUNCTIONS.items():
        if hasattr(library, name):
            function = getattr(library, name)
            function.restype, function.argtypes = result, arguments
    return library


def layout() -> str:
    """Return C that compiles only where the structs are as their mirrors are."""
    lines = [f'#include "{header.name}"' for header in HEADERS]
    for name, kind in _TYPES.items():
        for member, _ in getattr(kind, "_fields_", ()):
            at = f"offsetof({name}, {member}) == {getattr(kind, member).offset}"
            is_right = f"{at} && sizeof({name}) == {c.sizeof(kind)}"
            lines.append(f"PV_STATIC_ASSERT({name}_{member}, {is_right});")
    return "\n".join(lines) + "\n"
