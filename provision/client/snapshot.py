# SPDX-License-Identifier: MIT
"""A board as it was read: its identity, its schema, and what it holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from provision.client.cache import Cache
from provision.client.held import HeldSetting, held_settings
from provision.client.page_starts import page_starts
from provision.client.sanitize import clean_schema
from provision.contract.table import Held, Store
from provision.link.connection import Connection
from provision.link.exchange import PATIENCE
from provision.link.replies import Hello, Status
from provision.schema.codec import unpack
from provision.schema.constraints import active
from provision.schema.languages import in_language
from provision.schema.model import Schema, Value


@dataclass(frozen=True, slots=True)
class BoardSnapshot:
    """A board at one moment."""

    hello: Hello
    schema: Schema
    """In the language that was asked for, its texts cleaned."""
    held: Mapping[str, HeldSetting]
    """By full key, every setting of the schema."""
    status: Status

    @property
    def stored(self) -> dict[str, Value]:
        """What is stored and taken by this firmware, by full key; "" for what is never told."""
        return {
            key: "" if held.value is None else held.value
            for key, held in self.held.items()
            if held.held is Held.SET
        }

    @property
    def active(self) -> frozenset[str]:
        """The full keys of the settings that apply with what the board holds (clause 9.5)."""
        return active(self.schema, self.stored)


async def read_board(
    board: Connection,
    hello: Hello,
    *,
    cache: Cache | None = None,
    languages: Sequence[str] = (),
    known: Schema | None = None,
) -> BoardSnapshot:
    """Read the schema and the values of a board that answered hello.

    What is staged on it is discarded. languages: tags, the best first. known: its schema, as it was
    returned before. Raises LinkError, and SchemaError where what it sent cannot be used.
    """
    cache = cache or Cache(None)
    schema = known or cache.schema(hello.schema_digest)
    empty = hello.token is None
    deflated, values, status = await board.read(
        hello,
        schema=schema is None,
        values=not empty,
        page_starts=() if empty or schema is None else page_starts(schema),
    )
    if schema is None:
        assert deflated is not None
        schema = unpack(deflated, hello.schema_digest)
        cache.keep_schema(hello.schema_digest, deflated)
    schema = known or clean_schema(in_language(schema, languages))
    if values is None and status.store is not Store.EMPTY:
        values = await board.values()  # stored meanwhile
    return BoardSnapshot(hello, schema, held_settings(schema, values), status)


async def meet(
    board: Connection,
    *,
    cache: Cache | None = None,
    languages: Sequence[str] = (),
    patience: float | None = PATIENCE,
) -> BoardSnapshot:
    """Wait for a board, and read it as read_board() does. patience: seconds, None for ever."""
    return await read_board(board, await board.hello(patience), cache=cache, languages=languages)
