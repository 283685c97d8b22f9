# SPDX-License-Identifier: MIT
"""Schemas of shared/vectors: what the host makes of them, and what the grammar does.

The maps were written from shared/protocol.md and encoded by cbor2; the deflate streams were written
bit by bit from RFC 1951, and zlib, which is not ours, inflates them. The judge of the grammar is
cddl-verifier, an implementation of RFC 8610 that is not ours.
"""

from __future__ import annotations

import hashlib
import zlib
from pathlib import Path

import pytest
from cddl_verifier import Validator

from provision.contract.profile import encode
from provision.contract.table import MAX_SCHEMA, MAX_SCHEMA_DEPTH
from provision.schema import codec, languages
from provision.schema.languages import in_language
from scripts.derive.vectors import boards
from tests.vectors.boards import declaration
from tests.vectors.files import Row, each, rows

GRAMMAR = Validator(
    (Path(__file__).parents[2] / "shared" / "protocol.cddl").read_text(encoding="utf-8")
)

RESULTS: dict[str, type[codec.SchemaError]] = {
    "invalid": codec.InvalidSchemaError,
    "too-new": codec.NewerSchemaError,
    "damaged": codec.DamagedSchemaError,
}


@each("schemas")
def test_a_host_makes_of_a_schema_what_the_page_says(vector: Row) -> None:
    """It is taken with these fields in this order, or told in one sentence to be unfit."""
    deflated, digest = bytes.fromhex(vector["bytes"]), bytes.fromhex(vector["digest"])
    if vector["expected"] == "accepted":
        schema = codec.unpack(deflated, digest)
        assert [setting.key for setting in schema.settings] == vector["fields"]
        for language, texts in vector.get("texts", {}).items():
            shown = in_language(schema, [language])
            assert [text for _, text in languages.texts(shown)] == texts
    else:
        with pytest.raises(RESULTS[vector["expected"]], match=r"\A[^\n]+\.\Z"):
            codec.unpack(deflated, digest)


@each("schemas", lambda vector: vector["expected"] == "accepted")
def test_a_schema_taken_is_the_same_when_it_is_packed_again(vector: Row) -> None:
    """Nothing of a schema is lost, but for keys that are skipped and defaults spelt out."""
    schema = codec.unpack(bytes.fromhex(vector["bytes"]), bytes.fromhex(vector["digest"]))
    packed = codec.pack(schema)
    assert codec.unpack(packed.deflated, packed.digest) == schema


def for_a_grammar(vector: Row) -> bool:
    """Tell whether a grammar can judge: not stream, encoding, or what later versions add."""
    is_known = vector["expected"] in {"accepted", "invalid"}
    return is_known and not {"deflate", "profile"} & {*vector["flags"]}


@each("schemas", for_a_grammar)
def test_the_grammar_admits_what_a_grammar_can_judge(vector: Row) -> None:
    """It admits the schemas that are good, and those at fault by a rule of more than one place."""
    inflated = zlib.decompress(bytes.fromhex(vector["bytes"]), -zlib.MAX_WBITS)
    valid = bool(GRAMMAR.validate(inflated, root_type="schema").valid)
    assert valid is (vector["expected"] == "accepted" or "context" in vector["flags"])


@each("schemas")
def test_zlib_agrees_about_the_streams(vector: Row) -> None:
    """A stream said to be good or only too large inflates; its digest is that of SHA-256."""
    inflate = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        inflated = inflate.decompress(bytes.fromhex(vector["bytes"]))
    except zlib.error:
        inflated = b""
    is_whole = inflate.eof and not inflate.unused_data
    fits = hashlib.sha256(inflated).digest()[:8].hex() == vector["digest"]
    assert (is_whole and fits) is (vector["expected"] != "damaged")
    if vector["id"] in {"bomb", "too-large", "largest"}:
        assert (len(inflated) > MAX_SCHEMA) is (vector["id"] != "largest")


@pytest.mark.parametrize("name", ["board", "trial-board", "smallest-board"])
def test_the_boards_schemas_are_those_of_their_files(name: str) -> None:
    """Our reading and encoding of the file give the same bytes as the vectors' maker."""
    ours = encode(codec.to_item(declaration(name).schema), MAX_SCHEMA_DEPTH)
    assert ours == boards.load(f"{name}.toml").inflated
    assert [row["id"] for row in rows("schemas")].count(name) == 1
