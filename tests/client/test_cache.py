# SPDX-License-Identifier: MIT
"""What is remembered of boards, and that it is never believed unchecked."""

from __future__ import annotations

import os
from pathlib import Path, PurePosixPath

import pytest

from provision.client.cache import Cache, default_folder
from provision.schema.codec import pack
from tests.wizard.sample_schema import SCHEMA

PACKED = pack(SCHEMA)


def test_a_schema_is_kept_by_its_digest(tmp_path: Path) -> None:
    """What comes out is what went in."""
    cache = Cache(tmp_path)
    assert cache.schema(PACKED.digest) is None
    cache.keep_schema(PACKED.digest, PACKED.deflated)
    assert cache.schema(PACKED.digest) == SCHEMA


@pytest.mark.parametrize("content", [b"", b"\xff" * 100, PACKED.deflated[:-1], PACKED.deflated[1:]])
def test_a_schema_that_was_tampered_with_is_not_there(tmp_path: Path, content: bytes) -> None:
    """It is checked against the digest again, whoever wrote the file."""
    cache = Cache(tmp_path)
    cache.keep_schema(PACKED.digest, content)
    assert cache.schema(PACKED.digest) is None


def test_what_was_asked_is_kept_by_board(tmp_path: Path) -> None:
    """Base keys only: no value of any setting is ever written."""
    cache = Cache(tmp_path)
    cache.keep_asked(b"\x01\x02", {"door.note", "door.code"})
    assert cache.asked(b"\x01\x02") == {"door.note", "door.code"}
    assert cache.asked(b"\x03") == frozenset()


@pytest.mark.parametrize("content", [b"", b"{", b'{"a": 1}', b"[1, 2]", b"\xff"])
def test_a_damaged_memory_is_no_memory(tmp_path: Path, content: bytes) -> None:
    """Then a few questions more are asked."""
    cache = Cache(tmp_path)
    cache.keep_asked(b"\x01", ["x.y"])
    (tmp_path / "boards" / "01.json").write_bytes(content)
    assert cache.asked(b"\x01") == frozenset()


def test_a_cache_that_cannot_be_written_is_done_without(tmp_path: Path) -> None:
    """As on a full disk, or in somebody else's folder; and without a folder nothing is kept."""
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    for cache in (Cache(tmp_path / "file"), Cache(None)):
        cache.keep_schema(PACKED.digest, PACKED.deflated)
        cache.keep_asked(b"\x01", ["x.y"])
        assert cache.schema(PACKED.digest) is None
        assert cache.asked(b"\x01") == frozenset()


@pytest.mark.parametrize(
    ("environment", "platform", "expected"),
    [
        ({"XDG_CACHE_HOME": "/x/cache"}, "linux", "/x/cache/provision"),
        ({"XDG_CACHE_HOME": "/x/cache"}, "darwin", "/x/cache/provision"),
        ({"XDG_CACHE_HOME": "relative"}, "linux", "~/.cache/provision"),
        ({}, "linux", "~/.cache/provision"),
        ({}, "darwin", "~/Library/Caches/provision"),
        ({"LOCALAPPDATA": "/local"}, "win32", "/local/provision/Cache"),
    ],
)
def test_caches_are_where_the_system_has_them(
    environment: dict[str, str], platform: str, expected: str
) -> None:
    """XDG Base Directory Specification 0.8; those of the other systems are common practice."""
    found = PurePosixPath(default_folder(environment, platform).as_posix())
    assert found == PurePosixPath(os.path.expanduser(expected))  # noqa: PTH111
