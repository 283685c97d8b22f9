# SPDX-License-Identifier: MIT
"""What this computer remembers of boards: schemas by digest, and the settings asked for on each.

Losing it costs some seconds of line time and some presses of Return, so that every failure here is
quiet. It holds no value of any setting.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from provision.schema.codec import SchemaError, unpack
from provision.schema.model import Schema

_FOLDER = "provision"


def default_folder(
    environment: Mapping[str, str] = os.environ, platform: str = sys.platform
) -> Path:
    """Return where caches of this program belong: the XDG base directories, or the system's own."""
    base = environment.get("XDG_CACHE_HOME", "")
    if Path(base).is_absolute():  # a relative one is to be ignored (XDG Base Directory 0.8)
        return Path(base) / _FOLDER
    if platform == "win32" and environment.get("LOCALAPPDATA"):
        return Path(environment["LOCALAPPDATA"]) / _FOLDER / "Cache"
    home = Path("~").expanduser()
    return (home / "Library" / "Caches" if platform == "darwin" else home / ".cache") / _FOLDER


class Cache:
    """Files below one folder; without one nothing is remembered."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder

    def schema(self, digest: bytes) -> Schema | None:
        """Return the schema of this digest, checked against it again; None if it is not there."""
        path = self._file("schemas", f"{digest.hex()}.deflated")
        try:
            return None if path is None else unpack(path.read_bytes(), digest)
        except (OSError, SchemaError):
            return None

    def keep_schema(self, digest: bytes, deflated: bytes) -> None:
        """Keep a schema that was checked."""
        self._write(self._file("schemas", f"{digest.hex()}.deflated"), deflated)

    def asked(self, unit: bytes) -> frozenset[str]:
        """Return the base keys of what was asked for on this board when it was last set up."""
        path = self._file("boards", f"{unit.hex()}.json")
        try:
            keys = [] if path is None else json.loads(path.read_bytes())
        except (OSError, ValueError):
            keys = []
        if not isinstance(keys, list):
            keys = []
        return frozenset(key for key in keys if isinstance(key, str))

    def keep_asked(self, unit: bytes, base_keys: Iterable[str]) -> None:
        """Remember what was asked for on this board."""
        content = json.dumps(sorted(set(base_keys))).encode()
        self._write(self._file("boards", f"{unit.hex()}.json"), content)

    def _file(self, kind: str, name: str) -> Path | None:
        return None if self._folder is None else self._folder / kind / name

    def _write(self, path: Path | None, content: bytes) -> None:
        """Write a file whole: another dialog may read it, or write it, at the same time."""
        if path is None:
            return
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as file:
                file.write(content)
            Path(file.name).replace(path)
        except OSError:
            return
