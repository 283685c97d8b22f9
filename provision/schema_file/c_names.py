# SPDX-License-Identifier: MIT
"""The names that keys get in C, and which keys would get one that C or another key has already."""

from __future__ import annotations

from collections.abc import Iterator

from provision.schema.model import Schema

# Keywords of C up to C23 and of C++ up to C++20 (a header may be included from either), and macros
# in lower case: of <stdbool.h>, <complex.h>, <errno.h>, <stdio.h>, <assert.h>, <stddef.h>, of
# compilers in their default mode.
RESERVED = frozenset(
    """
    alignas alignof auto bool break case char const constexpr continue default do double else enum
    extern false float for goto if inline int long nullptr register restrict return short signed
    sizeof static static_assert struct switch thread_local true typedef typeof typeof_unqual union
    unsigned void volatile while
    and and_eq asm bitand bitor catch char8_t char16_t char32_t class co_await co_return co_yield
    compl concept consteval constinit const_cast decltype delete dynamic_cast explicit export friend
    mutable namespace new noexcept not not_eq operator or or_eq private protected public
    reinterpret_cast requires static_cast template this throw try typeid typename using virtual
    wchar_t xor xor_eq
    assert complex errno imaginary linux noreturn offsetof stderr stdin stdout unix
    """.split()  # noqa: SIM905 - a list of these would fill a page
)

STATE_MEMBER = "state"
"""The first member of every settings struct, which no section may be named."""

CONSTANTS = (
    "BAUD",
    "ERASE_UNIT",
    "FIELD_COUNT",
    "FLASH_SIZE",
    "H",
    "LARGEST_PAYLOAD",
    "LARGEST_RECORD",
    "PROGRAM_UNIT",
    "SETTINGS_AT",
    "SETTINGS_SIZE",
    "SLOTS",
    "SLOT_SIZE",
)
"""The constants of every generated header, without the stem."""


def member(key: str) -> str:
    """Return the name of the struct member of a section or field."""
    return key.replace("-", "_")


def constant(*keys: str) -> str:
    """Return the name, without the stem, of the constant of a field ("probe.2.pin") or option."""
    return "_".join(keys).replace("-", "_").replace(".", "_").upper()


def clashes(schema: Schema) -> Iterator[tuple[str, str | None, str]]:
    """Yield each key whose constant has the name of another's.

    Yields the base key, the option's key if it is that of an option, and what has the name already.
    """
    owners = dict.fromkeys(CONSTANTS, "a constant of every generated header")
    told = set()
    for setting in schema.settings:
        name = constant(setting.key)
        first = owners.setdefault(name, f"the field {setting.key}")
        if first != f"the field {setting.key}" and setting.base_key not in told:
            told.add(setting.base_key)
            yield setting.base_key, None, first
    for section in schema.sections:
        for field in section.fields:
            base_key = f"{section.key}.{field.key}"
            for option in field.options:
                owner = f"the option {option.key} of {base_key}"
                first = owners.setdefault(constant(base_key, option.key), owner)
                if first != owner:
                    yield base_key, option.key, first
