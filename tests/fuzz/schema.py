# SPDX-License-Identifier: MIT
"""Fuzz target: the schema that a board sends, as the host decodes it (protocol.md, clause 8).

Input: an inflated schema. Run as a program it is driven by libFuzzer through atheris, which
instruments `provision`; check() is what each input goes through.

Invariants:
 1. Nothing but SchemaError comes of it, with one sentence that is printable, whatever the bytes.
 2. A schema that was taken is within the limits of clause 8 that a dialog relies on: fields, keys,
    and conditions on fields that come earlier.
 3. It packs again, and unpacks to the same schema; its defaults pass their own check.
 4. A digest that is not that of the bytes is refused, and so is a byte behind the stream.
"""

from __future__ import annotations

import hashlib
import sys
import zlib

from provision.contract.table import MAX_FIELDS, MAX_KEY
from provision.schema.codec import SchemaError, from_item, to_item, unpack
from provision.schema.values import check_value


def deflate(data: bytes) -> bytes:
    """Return raw deflate (RFC 1951)."""
    return zlib.compress(data, 1, -zlib.MAX_WBITS)


def check(inflated: bytes) -> bool:
    """Promise the invariants of one input; return whether it is a schema."""
    deflated, digest = deflate(inflated), hashlib.sha256(inflated).digest()[:8]
    for sent, announced in ((deflated, bytes(8)), (deflated + b"\0", digest)):
        try:
            unpack(sent, announced)
        except SchemaError:
            continue
        raise AssertionError("taken with a digest that lies, or with a byte too many")  # 4
    try:
        schema = unpack(deflated, digest)
    except SchemaError as problem:
        words = str(problem)
        assert words.isprintable(), words  # 1
        assert words.endswith("."), words
        return False
    assert 1 <= len(schema.settings) <= MAX_FIELDS  # 2
    seen: set[str] = set()
    for setting in schema.settings:
        field = setting.field
        assert len(setting.key.encode()) <= MAX_KEY
        assert setting.key not in seen
        if field.condition is not None:
            names = {key.replace(".1.", ".") for key in seen} | seen
            assert field.condition.base_key in names, "a condition on a later field"
        if field.default is not None:
            assert not field.secret
            assert check_value(field, field.default, schema) is None  # 3
        seen.add(setting.key)
    assert from_item(to_item(schema)) == schema
    return True


def main() -> None:
    """Hand each input that libFuzzer makes to check()."""
    import atheris  # noqa: PLC0415 - has no build for every system

    with atheris.instrument_imports(include=["provision"]):
        for name in [name for name in sys.modules if name.startswith("provision")]:
            del sys.modules[name]
        from tests.fuzz import schema  # noqa: PLC0415 - once more, instrumented

    def one(data: bytes) -> None:
        schema.check(data)

    atheris.Setup(sys.argv, one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
