# SPDX-License-Identifier: MIT
"""Values of every kind, checked by the stub as by the host (shared/protocol.md, clause 9)."""

from __future__ import annotations

import ctypes as c
import dataclasses
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.profile import encode
from provision.contract.table import (
    Ability,
    Characters,
    Kind,
    Refusal,
)
from provision.contract.table import MessageType as Type
from provision.schema.capacity import TEXT_KINDS, number_limits
from provision.schema.model import Field, Option, Pin, Schema, Section, Value
from provision.schema.values import check_value
from tests.c_board.board import CReader, Sink, Stub
from tests.stub.lockstep import AskedStub, Lockstep, in_lockstep
from tests.vectors.boards import declaration

PINS = (
    Pin(0, Ability.IN | Ability.OUT, taken="console"),
    Pin(4, Ability.IN),
    Pin(7, Ability.IN | Ability.OUT | Ability.PWM),
)
FIELDS = {
    "text": Field("text", Kind.TEXT, "x", minimum=2, maximum=12),
    "ascii": Field("ascii", Kind.TEXT, "x", maximum=8, characters=Characters.ASCII),
    "word": Field("word", Kind.TEXT, "x", maximum=8, characters=Characters.WORD),
    "digits": Field("digits", Kind.TEXT, "x", maximum=4, characters=Characters.DIGITS),
    "secret": Field("secret", Kind.SECRET, "x", minimum=8, maximum=24),
    "integer": Field("integer", Kind.INTEGER, "x", minimum=-10, maximum=100),
    "free": Field("free", Kind.INTEGER, "x"),
    "decimal": Field("decimal", Kind.DECIMAL, "x", digits=2, minimum=-500, maximum=4000),
    "yes-no": Field("yes-no", Kind.YES_NO, "x"),
    "choice": Field("choice", Kind.CHOICE, "x", options=(Option("slow", "x"), Option("off", "x"))),
    "pin": Field("pin", Kind.PIN, "x", needs=Ability.OUT),
    "network-name": Field("network-name", Kind.NETWORK_NAME, "x"),
    "passphrase": Field("passphrase", Kind.PASSPHRASE, "x", network="all.network-name"),
    "host": Field("host", Kind.HOST, "x"),
    "url": Field("url", Kind.URL, "x", schemes=("https", "http")),
    "short-url": Field("short-url", Kind.URL, "x", maximum=40, schemes=("mqtts",)),
    "ip": Field("ip", Kind.IP, "x"),
    "ipv4": Field("ipv4", Kind.IP, "x", families=1),
    "ipv6": Field("ipv6", Kind.IP, "x", families=2),
    "port": Field("port", Kind.PORT, "x"),
    "time-zone": Field("time-zone", Kind.TIME_ZONE, "x"),
    "duration": Field("duration", Kind.DURATION, "x", unit="s"),
    "hex": Field("hex", Kind.HEX, "x", minimum=6, maximum=6),
    "blob": Field("blob", Kind.BLOB, "x", maximum=300),
}
SCHEMA = Schema("", (Section("all", "x", tuple(FIELDS.values())),), PINS)
ROOM = 512
FETCH = dict(CReader._fields_)["fetch"]


class Checker:
    """One field of the stub, with a settings struct of which its member is the last."""

    def __init__(self, library: c.CDLL, field: Field) -> None:
        self.library = library
        self.field = field
        fields = (FIELDS["network-name"], field) if field.network else (field,)
        schema = Schema("Any", (Section("all", "All", fields),), PINS)
        self.stub = Stub(library, dataclasses.replace(declaration("board"), schema=schema))
        self.field_address = c.addressof(self.stub.fields[len(fields) - 1])
        self.struct = self.stub.staged

    def from_memory(self, value: Value) -> int:
        """Return the stub's refusal of a value in a request, 0 for none."""
        item = c.create_string_buffer(encode(value), len(encode(value)))
        return self._decode(CReader(at=c.addressof(item), ready=len(item)))

    def from_storage(self, value: Value) -> int:
        """The same of a value that is read piece by piece from elsewhere than memory."""
        item = encode(value)
        piece = c.create_string_buffer(1)

        def fetch(address: int) -> bool:
            reader = CReader.from_address(address)
            piece[0] = item[len(item) - reader.later]
            reader.at, reader.ready, reader.later = c.addressof(piece), 1, reader.later - 1
            return True

        return self._decode(CReader(fetch=FETCH(fetch), later=len(item)))

    def _decode(self, reader: Any) -> int:
        assert self.library.pv_read_head(c.byref(reader))
        refusal = self.library.pv_decode_value(
            c.byref(self.stub.schema), self.field_address, c.byref(reader), self.struct.address
        )
        self.stub.check_rules()
        assert self.library.pv_left(c.byref(reader)) == 0, "the value was not passed over whole"
        return int(refusal)

    def encoded(self) -> bytes:
        """Return the member as the stub encodes it."""
        sink = Sink(self.library)
        self.library.pv_encode_value(sink.address, self.field_address, self.struct.address)
        return sink.bytes()

    def agrees(self, value: Value) -> None:
        """The stub refuses the value as the host does, and keeps it if it takes it."""
        expected = check_value(self.field, value, SCHEMA) or 0
        before = self.struct.bytes()
        assert self.from_memory(value) == expected, value
        if expected:
            assert self.struct.bytes() == before, "a refused value was written"
        else:
            assert self.encoded() == encode(value)
        assert self.from_storage(value) == expected, value
        if not expected:
            assert self.encoded() == encode(value)


# Values whose refusal clause 9 states outright, so that stub and host are not only compared.
STATED: list[tuple[str, Value, Refusal | None]] = [
    ("text", "ab", None),
    ("text", "a", Refusal.LENGTH),
    ("text", "é" * 6, None),
    ("text", "é" * 6 + "a", Refusal.LENGTH),
    ("text", "ab\x80", Refusal.CHARACTERS),
    ("text", "ab\x7f", Refusal.CHARACTERS),
    ("text", "ab\0", Refusal.CHARACTERS),
    ("text", b"ab", Refusal.WRONG_KIND),
    ("ascii", "é", Refusal.CHARACTERS),
    ("word", "a.b_c-9", None),
    ("word", "a b", Refusal.CHARACTERS),
    ("digits", "0123", None),
    ("digits", "12a", Refusal.CHARACTERS),
    ("integer", -10, None),
    ("integer", -11, Refusal.RANGE),
    ("integer", 101, Refusal.RANGE),
    ("integer", True, Refusal.WRONG_KIND),
    ("free", 2**31 - 1, None),
    ("free", 2**31, Refusal.RANGE),
    ("free", -(2**31), None),
    ("yes-no", True, None),
    ("yes-no", 1, Refusal.WRONG_KIND),
    ("choice", "off", None),
    ("choice", "of", Refusal.NO_SUCH_OPTION),
    ("choice", "x" * 300, Refusal.NO_SUCH_OPTION),
    ("choice", "", Refusal.NO_SUCH_OPTION),
    ("pin", 7, None),
    ("pin", 0, Refusal.PIN_TAKEN),
    ("pin", 4, Refusal.PIN_UNFIT),
    ("pin", 5, Refusal.PIN_UNFIT),
    ("pin", -1, Refusal.PIN_UNFIT),
    ("pin", 2**31, Refusal.PIN_UNFIT),
    ("network-name", b"\0" * 32, None),
    ("network-name", b"", Refusal.LENGTH),
    ("network-name", b"x" * 33, Refusal.LENGTH),
    ("passphrase", "x" * 63, None),
    ("passphrase", "x" * 7, Refusal.LENGTH),
    ("passphrase", "0aF" * 21 + "9", None),
    ("passphrase", "0aF" * 21 + "g", Refusal.FORM),
    ("passphrase", "x" * 65, Refusal.LENGTH),
    ("passphrase", "eight or\n", Refusal.CHARACTERS),
    ("host", "mast-3.orchard.example", None),
    ("host", "192.0.2.7", None),
    ("host", "192.0.2.256", Refusal.FORM),
    ("host", "192.0.2.07", Refusal.FORM),
    ("host", "mast.7", Refusal.FORM),
    ("host", "a..b", Refusal.FORM),
    ("host", "-a.b", Refusal.FORM),
    ("host", "a-.b", Refusal.FORM),
    ("host", "a.b.", Refusal.FORM),
    ("host", "x" * 63, None),
    ("host", "x" * 64, Refusal.FORM),
    ("host", "a_b", Refusal.CHARACTERS),
    ("host", "x." * 127, Refusal.LENGTH),
    ("url", "https://orchard.example", None),
    ("url", "http://orchard.example:8080/a%20b?c=d#e", None),
    ("url", "HTTP://orchard.example", Refusal.FORM),
    ("url", "ftp://orchard.example", Refusal.FORM),
    ("url", "https://me@orchard.example", Refusal.FORM),
    ("url", "https://orchard.example:0", Refusal.FORM),
    ("url", "https://orchard.example:65536", Refusal.FORM),
    ("url", "https://orchard.example:", Refusal.FORM),
    ("url", "https:///path", Refusal.FORM),
    ("url", "https://a/%41", None),
    ("url", "https://a/%2", Refusal.FORM),
    ("url", "https://a/%2g", Refusal.FORM),
    ("url", "https://a/#b#c", Refusal.FORM),
    ("url", "https://[2001:db8::1]/", Refusal.CHARACTERS),
    ("url", "https://a/b c", Refusal.CHARACTERS),
    ("url", "https://a/é", Refusal.CHARACTERS),
    ("url", "http:/", Refusal.FORM),
    ("url", "https://" + "x" * 247, Refusal.FORM),
    ("url", "https://a/" + "x" * 246, Refusal.LENGTH),
    ("ip", bytes(4), None),
    ("ip", bytes(16), None),
    ("ip", bytes(5), Refusal.LENGTH),
    ("ipv4", bytes(16), Refusal.LENGTH),
    ("ipv6", bytes(4), Refusal.LENGTH),
    ("port", 0, Refusal.RANGE),
    ("port", 65535, None),
    ("port", 65536, Refusal.RANGE),
    ("time-zone", "CET-1CEST,M3.5.0,M10.5.0/3", None),
    ("time-zone", "<+0330>-3:30", None),
    ("time-zone", "UTC0", None),
    # RFC 9636 section 3.3.1, its two examples
    ("time-zone", "<-03>3<-02>,M3.5.0/-2,M10.5.0/-1", None),
    ("time-zone", "EST5EDT,0/0,J365/25", None),
    ("time-zone", "EST5EDT", Refusal.FORM),
    ("time-zone", "Europe/Vienna", Refusal.FORM),
    ("time-zone", "UTC25", Refusal.FORM),
    ("time-zone", "EST5EDT,M13.1.0,M1.1.0", Refusal.FORM),
    ("time-zone", "EST5EDT,M3.2.0/168,M11.1.0", Refusal.FORM),
    ("time-zone", "UTC 0", Refusal.CHARACTERS),
    ("time-zone", "UTC0é", Refusal.CHARACTERS),
    ("duration", -1, Refusal.RANGE),
    ("hex", bytes(6), None),
    ("hex", bytes(5), Refusal.LENGTH),
    ("blob", bytes(300), None),
    ("blob", bytes(301), Refusal.LENGTH),
    ("blob", "text", Refusal.WRONG_KIND),
]


@pytest.mark.parametrize(("name", "value", "expected"), STATED)
def test_stated_values(library: c.CDLL, name: str, value: Value, expected: Refusal | None) -> None:
    """The stub refuses what clause 9 refuses, with its code, from memory and from storage."""
    checker = Checker(library, FIELDS[name])
    assert checker.from_memory(value) == (expected or 0)
    checker.agrees(value)


ANY_TEXT = st.text(st.characters(codec="utf-8"), max_size=70)
TEXT_NEAR = {
    Kind.HOST: st.text("ab0259-.", max_size=24),
    Kind.URL: st.builds(
        "{}{}".format,
        st.sampled_from(["https://", "http://", "mqtts://", ""]),
        st.text("ab09.:/?#%@"),
    ),
    Kind.TIME_ZONE: st.from_regex(
        r"[A-Z<]{0,2}(AB|<+)[A-Z0-9+>]{0,3}[+-]?[0-9]{0,2}(:[0-9]{0,2})?"
        r"([A-Z]{3}(,(J|M1\.)?[0-9]{0,3}(\.[0-9])?(/-?[0-9]{0,3})?){0,2})?",
        fullmatch=True,
    ),
    Kind.PASSPHRASE: st.text("0123456789abcdefg~é\x1f", min_size=60, max_size=66),
}


@pytest.mark.parametrize("name", FIELDS)
@given(data=st.data())
def test_stub_agrees_with_the_host(library: c.CDLL, name: str, data: st.DataObject) -> None:
    """Whatever the value, the stub's refusal is the host's, and a value taken comes out again."""
    field = FIELDS[name]
    least, most = number_limits(field)
    near: st.SearchStrategy[Value] = TEXT_NEAR.get(field.kind, ANY_TEXT)
    value = data.draw(
        near
        | st.integers(-(2**31), 2**32 - 1)
        | st.integers(max(least - 2, -(2**31)), min(most + 2, 2**31))
        | st.binary(max_size=most + 2 if most < ROOM else 8)
        | st.booleans()
        | ANY_TEXT
    )
    Checker(library, field).agrees(value)


@given(st.sampled_from(sorted(TEXT_KINDS)), st.binary(max_size=70))
def test_parts_that_are_no_text(library: c.CDLL, kind: Kind, octets: bytes) -> None:
    """Bytes in parts that are no UTF-8 are refused with `characters`, after their length [9.1]."""
    field = next(field for field in FIELDS.values() if field.kind is kind)
    least, most = number_limits(field)
    try:
        expected = check_value(field, octets.decode(), SCHEMA) or 0
    except UnicodeDecodeError:
        expected = Refusal.CHARACTERS if least <= len(octets) <= most else Refusal.LENGTH
    checker = Checker(library, field)
    refusal = library.pv_check_bytes(
        c.byref(checker.stub.schema), checker.field_address, octets, len(octets)
    )
    assert refusal == expected


def test_bytes_are_held_against_the_longest_length_again(library: c.CDLL) -> None:
    """Whoever assembled them."""
    stub = AskedStub(library, "board")
    field = stub.fields[stub.numbers["octets.hex"]]
    for size, expected in ((8, 0), (9, Refusal.LENGTH)):
        octets = bytes(size)
        schema = c.byref(stub.schema)
        assert library.pv_check_bytes(schema, c.byref(field), octets, size) == expected


# RFC 3986 §2.2 has no NUL; the TZ strings break the grammar of clause 9.4 at one place each.
NO_VALUES: list[tuple[str, Value, Refusal]] = [
    ("names.url", "https://a\0b", Refusal.CHARACTERS),
    ("names.url", "https://a/\0", Refusal.CHARACTERS),
    ("names.zone", "UTC0:5", Refusal.FORM),
    ("names.zone", "UTC0:05:7", Refusal.FORM),
    ("names.zone", "UTC0:60", Refusal.FORM),
    ("names.zone", "UTC0:05:60", Refusal.FORM),
    ("names.zone", "AAA0BBB25,M3.2.0,M10.1.0", Refusal.FORM),
    ("names.zone", "AAA0BBB,M3", Refusal.FORM),
    ("names.zone", "AAA0BBB,M3.2", Refusal.FORM),
    ("names.zone", "AAA0BBB,M3.6.0,M10.1.0", Refusal.FORM),
    ("names.zone", "AAA0BBB,M3.2.7,M10.1.0", Refusal.FORM),
    ("names.zone", "AAA0BBB,M13.2.0,M10.1.0", Refusal.FORM),
    ("names.zone", "AAA0BBB,J1", Refusal.FORM),
    ("names.zone", "AAA0BBB,J1,J366", Refusal.FORM),
    ("names.zone", "AAA0BBB,1,2x", Refusal.FORM),
]


@pytest.mark.parametrize(("key", "value", "expected"), NO_VALUES)
def test_values_that_break_one_rule(
    library: c.CDLL, key: str, value: Value, expected: Refusal
) -> None:
    """Stub, Python board and host refuse each with the code that clause 9 states."""
    both: Lockstep = in_lockstep(library, "board")
    reply = both.ask(Type.SET_FIELD, {1: key, 2: value})
    assert reply.body == {1: expected, 2: key}
    setting = both.board.schema.setting(key)
    assert setting is not None
    assert check_value(setting.field, value, both.board.schema) is expected
