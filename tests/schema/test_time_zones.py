# SPDX-License-Identifier: MIT
"""TZ strings: the grammar of clause 9.4, against RFC 9636, the IANA database and `zoneinfo`."""

from __future__ import annotations

import io
import re
import struct
from datetime import UTC, datetime
from importlib import resources
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.schema.time_zones import footer, is_tz_string, local_zone, zones

# Footers of the IANA database, release 2026f.
QUOTED = {
    "Europe/London": "GMT0BST,M3.5.0/1,M10.5.0",
    "Europe/Dublin": "IST-1GMT0,M10.5.0,M3.5.0/1",
    "America/New_York": "EST5EDT,M3.2.0,M11.1.0",
    "Asia/Kathmandu": "<+0545>-5:45",
    "Australia/Lord_Howe": "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0",
    "America/Nuuk": "<-02>2<-01>,M3.5.0/-1,M10.5.0/0",
}


def tzif(tz: str, version: bytes = b"2") -> bytes:
    """Return a time zone file with no transitions (RFC 9636 section 3), only a footer."""
    header = struct.pack(">4sc15x6L", b"TZif", version, 0, 0, 0, 0, 1, 4)
    block = struct.pack(">lBB", 0, 0, 0) + b"UTC\0"
    return 2 * (header + block) + f"\n{tz}\n".encode()


def installed(name: str) -> bytes:
    """Return a zone's file of the installed tzdata."""
    return (resources.files("tzdata") / "zoneinfo" / name).read_bytes()


def test_every_installed_zone_has_a_tz_string() -> None:
    """Each zone that tzdata lists has a TZ string that a board takes."""
    names = (resources.files("tzdata") / "zones").read_text(encoding="utf-8").split()
    assert len(names) > 500
    assert sorted(zones()) == sorted(names)
    assert all(is_tz_string(tz) for tz in zones().values())


@pytest.mark.parametrize(("name", "tz"), QUOTED.items())
def test_footers_are_those_of_the_database(name: str, tz: str) -> None:
    """A zone's TZ string is the footer that the IANA database gives it."""
    assert zones()[name] == tz


@pytest.mark.parametrize("month", [1, 4, 7, 11])
def test_a_tz_string_alone_keeps_the_time_of_its_zone(month: int) -> None:
    """With the TZ string alone, a clock in 2095 reads what it reads with the whole zone file.

    2095, since the files of some zones list each change up to 2087: those that follow the moon.
    """
    moment = datetime(2095, month, 15, 12, tzinfo=UTC)
    for name, tz in zones().items():
        whole = ZoneInfo.from_file(io.BytesIO(installed(name)))
        alone = ZoneInfo.from_file(io.BytesIO(tzif(tz)))
        assert moment.astimezone(alone).utcoffset() == moment.astimezone(whole).utcoffset(), name


def test_a_zone_name_that_reads_as_a_tz_string_means_the_same() -> None:
    """Where a name can be taken for a TZ string, both tell the same time."""
    both = [name for name in zones() if is_tz_string(name)]
    assert both
    for name in both:
        assert re.sub(r"[+-]0$", "0", name) == zones()[name]


def two_digits(limit: int) -> st.SearchStrategy[str]:
    """Return numbers of two digits up to a limit."""
    return st.integers(0, limit).map("{:02}".format)


def clock(hours: int, sign: str) -> st.SearchStrategy[str]:
    """Return times of up to `hours` hours, as [+-]h[:mm[:ss]]."""
    parts = st.lists(two_digits(59), max_size=2)
    below = st.tuples(st.sampled_from(sign), st.integers(0, hours - 1).map(str), parts)
    return below.map(lambda time: ":".join([time[0] + time[1], *time[2]]).strip())


def is_taken(tz: str) -> bool:
    """Whether the standard library's reader takes a TZ string."""
    try:
        ZoneInfo.from_file(io.BytesIO(tzif(tz)))
    except ValueError:
        return False
    return True


# RFC 9636 section 3.3.2 admits hours up to 167 in a rule. The reader of older releases, Python
# 3.11.2 among them, knows two digits; with that one no more is tried.
MOST_HOURS = 167 if is_taken("AAA3BBB,J1/100,J200") else 99

NAMES = st.from_regex(r"[A-Za-z]{3,6}|<[A-Za-z0-9+-]{3,6}>", fullmatch=True)
DATES = st.one_of(
    st.tuples(st.integers(1, 12), st.integers(1, 5), st.integers(0, 6)).map(
        "M{0[0]}.{0[1]}.{0[2]}".format
    ),
    st.integers(1, 365).map("J{}".format),
    st.integers(0, 365).map(str),
)
RULES = st.tuples(DATES, st.just("") | clock(MOST_HOURS, " -").map("/{}".format)).map("".join)
PLAIN = st.tuples(NAMES, clock(24, " +-")).map("".join)
RULED = st.tuples(PLAIN, NAMES, st.just("") | clock(24, " +-"), RULES, RULES).map(
    "{0[0]}{0[1]}{0[2]},{0[3]},{0[4]}".format
)


@given(PLAIN | RULED)
def test_what_the_grammar_makes_is_taken_by_another_reader_too(tz: str) -> None:
    """A TZ string made by the grammar is one here, and one to the standard library's reader."""
    assert is_taken(tz)
    assert is_tz_string(tz) is (len(tz) <= 63)


@pytest.mark.parametrize(
    "tz",
    [
        "UTC0",
        "AAA24",  # POSIX.1-2017 section 8.3: hours 0 to 24
        "AAA24:59:59",  # clause 9.4 has no rule across hours and minutes
        "AAA3BBB,J1,J365/2",
        "AAA3BBB,0,365",
        "AAA3BBB,M03.2.0,M11.1.0",  # one or two digits for the month
        "AAA3BBB,M3.2.0/167,M11.1.0/-167",  # RFC 9636 section 3.3.2
        "AAA3BBB,J001,000",
        "<" + "A" * 59 + ">-9",
    ],
)
def test_the_edges_of_the_grammar_are_in(tz: str) -> None:
    """Each limit of clause 9.4 is itself admitted."""
    assert is_tz_string(tz)


@pytest.mark.parametrize(
    "tz",
    [
        "",
        "UTC",  # no offset
        "AB3",
        "<+1>-1",
        "<+01-1",
        "A1A3",
        "AAA25",
        "AAA3:60",
        "AAA3:0",
        "AAA3:00:0",
        "AAA3:00:00:00",
        "EST5EDT",  # a second name without rules
        "EST5EDT,M3.2.0",
        "EST5EDT,M3.2.0,M11.1.0,M1.1.0",
        "EST5,M3.2.0,M11.1.0",
        "EST5EDT,M0.2.0,M11.1.0",
        "EST5EDT,M13.2.0,M11.1.0",
        "EST5EDT,M003.2.0,M11.1.0",
        "EST5EDT,M3.0.0,M11.1.0",
        "EST5EDT,M3.6.0,M11.1.0",
        "EST5EDT,M3.2.7,M11.1.0",
        "EST5EDT,M3.02.0,M11.1.0",
        "EST5EDT,J0,M11.1.0",
        "EST5EDT,J000,M11.1.0",
        "EST5EDT,J366,M11.1.0",
        "EST5EDT,366,M11.1.0",
        "EST5EDT,0000,M11.1.0",
        "EST5EDT,M3.2.0/168,M11.1.0",
        "EST5EDT,M3.2.0/0167,M11.1.0",
        "EST5EDT,M3.2.0/,M11.1.0",
        " UTC0",
        "UTC0\n",
        "ÄÖÜ3",
        "AAA٣",  # a digit, but not one of ASCII
        "Europe/London",
        "<" + "A" * 60 + ">-9",  # 64 bytes
    ],
)
def test_what_is_outside_the_grammar_is_out(tz: str) -> None:
    """What clause 9.4 does not make is no TZ string."""
    assert not is_tz_string(tz)


def test_the_footer_is_the_last_line_of_a_file() -> None:
    """The TZ string of a file stands between its last two line feeds (RFC 9636 section 3.3)."""
    assert footer(tzif("CET-1CEST,M3.5.0,M10.5.0/3")) == "CET-1CEST,M3.5.0,M10.5.0/3"
    assert footer(tzif("<+0545>-5:45", b"4")) == "<+0545>-5:45"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"TZif",
        b"TZif2",
        b"TZif2\n",
        tzif("UTC0", b"\0"),  # version 1 has no footer
        tzif(""),  # the rules of the zone cannot be written so
        tzif("EST5EDT"),
        tzif("ÄÖÜ3"),
        tzif("UTC0") + b"x",
        b"text\nUTC0\n",
    ],
)
def test_a_file_without_a_footer_has_none(data: bytes) -> None:
    """A file of the first version, with an empty footer, or of another kind, gives nothing."""
    assert footer(data) is None


@given(st.binary(max_size=200))
def test_footer_takes_any_bytes(data: bytes) -> None:
    """Whatever a file holds, reading its footer gives a TZ string or nothing."""
    found = footer(b"TZif2" + data)
    assert found is None or is_tz_string(found)


@pytest.mark.parametrize(
    ("variable", "link", "guess"),
    [
        (None, None, None),
        (None, "/usr/share/zoneinfo/Europe/Berlin", "Europe/Berlin"),  # common practice
        (None, "../usr/share/zoneinfo/Etc/UTC", "Etc/UTC"),
        (None, "/var/db/timezone/zoneinfo/America/New_York", "America/New_York"),
        (None, "/usr/share/zoneinfo/posix/Asia/Tokyo", "Asia/Tokyo"),
        (None, "/usr/share/zoneinfo/right/Asia/Tokyo", "Asia/Tokyo"),
        (None, "/etc/somewhere-else", None),
        ("Europe/London", "/usr/share/zoneinfo/Europe/Berlin", "Europe/London"),
        (":Europe/London", None, "Europe/London"),  # POSIX.1-2017 section 8.3: implementation's own
        (":/usr/share/zoneinfo/Europe/London", None, "Europe/London"),
        ("CET-1CEST,M3.5.0,M10.5.0/3", None, "CET-1CEST,M3.5.0,M10.5.0/3"),
        ("", "/usr/share/zoneinfo/Europe/Berlin", "Europe/Berlin"),
        ("nonsense", "/usr/share/zoneinfo/Europe/Berlin", "Europe/Berlin"),
        ("nonsense", "/nonsense", None),
    ],
)
def test_the_computer_tells_its_zone(
    variable: str | None, link: str | None, guess: str | None
) -> None:
    """The variable TZ counts first, then the link at /etc/localtime."""
    assert local_zone(variable, link) == guess
