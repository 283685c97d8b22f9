# SPDX-License-Identifier: MIT
"""Time zones: IANA names for people, TZ strings for boards (clause 9.4, RFC 9636 section 3.3)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from provision.schema.table import MAX_TIME_ZONE

_NAME = r"(?:[A-Za-z]{3,}|<[A-Za-z0-9+-]{3,}>)"
_SIXTIES = r"(?::[0-5][0-9](?::[0-5][0-9])?)?"
_OFFSET = rf"[+-]?(?:[01]?[0-9]|2[0-4]){_SIXTIES}"
_DAY_OF_YEAR = r"(?:[0-2]?[0-9]{1,2}|3[0-5][0-9]|36[0-5])"
_MONTH_WEEK_DAY = r"M(?:0?[1-9]|1[0-2])\.[1-5]\.[0-6]"
_DATE = rf"(?:{_MONTH_WEEK_DAY}|J(?!0+(?![0-9])){_DAY_OF_YEAR}|{_DAY_OF_YEAR})"
_TIME = rf"[+-]?(?:0?[0-9]{{1,2}}|1[0-5][0-9]|16[0-7]){_SIXTIES}"
_RULE = rf",{_DATE}(?:/{_TIME})?"
_TZ = re.compile(rf"{_NAME}{_OFFSET}(?:{_NAME}(?:{_OFFSET})?{_RULE}{_RULE})?")


def is_tz_string(text: str) -> bool:
    """Whether a text is a TZ string that a board takes (clause 9.4)."""
    # Each character of a match is ASCII, so that the length is one in bytes too.
    return len(text) <= MAX_TIME_ZONE and _TZ.fullmatch(text) is not None


def footer(tzif: bytes) -> str | None:
    """Return the TZ string at the end of a time zone file (RFC 9636 section 3.3).

    None if the file has none: one of version 1, an empty footer, or one that is no TZ string for a
    board.
    """
    lines = tzif.rsplit(b"\n", 2)
    if not tzif.startswith(b"TZif") or tzif[4:5] < b"2" or len(lines) < 3 or lines[2]:
        return None
    text = lines[1].decode("ascii", "replace")
    return text if is_tz_string(text) else None


@cache
def zones() -> Mapping[str, str]:
    """Return the TZ string of every IANA time zone, by name, from the installed `tzdata` package.

    A zone has the rules of the present and the future only; those of the past are of no use to a
    board.
    """
    # Here, since it is slow to import and most commands never come here.
    from importlib import resources  # noqa: PLC0415

    package = resources.files("tzdata")
    names = (package / "zones").read_text(encoding="utf-8").split()
    found = {name: footer((package / "zoneinfo" / name).read_bytes()) for name in names}
    return MappingProxyType({name: tz for name, tz in found.items() if tz is not None})


def local_zone(variable: str | None, link: str | None) -> str | None:
    """Return the best guess at the zone of this computer: an IANA name, or a TZ string.

    Arguments:
        variable: The environment variable TZ (POSIX.1-2024 section 8.3), None if it is not set.
        link: The target of the symbolic link /etc/localtime, None if there is no such link.

    None if neither tells.
    """
    candidate = (variable or "").removeprefix(":")
    if is_tz_string(candidate):
        return candidate
    return _zone_of_path(candidate) or _zone_of_path(link or "")


def _zone_of_path(path: str) -> str | None:
    """Return the IANA name that a path within a zone database, or the name itself, stands for."""
    name = path.rpartition("zoneinfo/")[2]
    # Some systems keep the database twice more, without and with leap seconds.
    name = name.removeprefix("posix/").removeprefix("right/")
    return name if name in zones() else None
