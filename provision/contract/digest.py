# SPDX-License-Identifier: MIT
"""The digest by which host and board agree on what is staged (shared/protocol.md, clause 6.5)."""

from __future__ import annotations

from collections.abc import Iterable

from provision.contract.line import crc32c
from provision.contract.profile import Item, encode


def staged_digest(pairs: Iterable[tuple[str, Item]]) -> int:
    """Return the digest of a staged set.

    pairs: full key and value of each staged field in schema order, None for a cleared one.
    """
    return crc32c(b"".join(encode([key, value]) for key, value in pairs))
