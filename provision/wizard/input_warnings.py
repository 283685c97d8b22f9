# SPDX-License-Identifier: MIT
"""What is allowed, and looks wrong all the same: asked about before it is sent.

The sentences follow the label of the setting, and never repeat what was typed.
"""

from __future__ import annotations

from collections.abc import Iterator

from provision.catalogue import tr
from provision.contract.table import Kind
from provision.schema.model import Field, Value

_TYPOGRAPHIC = "“”„‟‘’‚‛«»‹›"  # noqa: RUF001 - these very characters are looked for
_SPACES = "\u00a0\u2007\u202f\u200b"
_TEXTS = (Kind.TEXT, Kind.SECRET, Kind.PASSPHRASE, Kind.NETWORK_NAME)
_EXACT = (Kind.SECRET, Kind.PASSPHRASE, Kind.NETWORK_NAME)
"""Kinds of which every character has to be the right one."""


def doubts(declared: Field, value: Value) -> Iterator[str]:
    """Yield what a person may not have meant."""
    if declared.kind not in _TEXTS:
        return
    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
    if text[:1].isspace():
        yield tr("begins with a space")
    if text[-1:].isspace() and text.strip():
        yield tr("ends with a space, as what is copied often does")
    if declared.kind in _EXACT:
        if any(character in _TYPOGRAPHIC for character in text):
            yield tr("has typographic quotes, which some programs put in the place of plain ones")
        if any(character in _SPACES for character in text):
            yield tr("has a space of another sort than the space bar makes")
