# SPDX-License-Identifier: MIT
"""The board's side of shared/protocol.md, clause by clause; clauses are named in each docstring."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import replace

import pytest

from provision.board.engine import Board, from_declaration
from provision.board.flash import Faults, Flash, FlashError, Operation, OperationKind, Tear
from provision.board.state import (
    OFFERED,
    Applied,
    Erased,
    Identity,
    Limits,
    Located,
    Network,
    Restarting,
    SurveyStarted,
    Waiting,
)
from provision.board.store import FlashStore
from provision.contract.line import encode_line
from provision.contract.messages import Message, encode_message, legal
from provision.contract.profile import Item, encode
from provision.contract.table import (
    MESSAGES,
    Capability,
    Held,
    Kind,
    MessageType,
    Reason,
    Refusal,
    Run,
    Security,
    Step,
    Store,
)
from provision.schema.codec import pack, unpack
from provision.schema.constraints import staged_digest
from provision.schema.declaration import BoardDeclaration, Declaration
from provision.schema.model import Field, Schema, Section, Value
from tests.board.host import (
    GEOMETRY,
    NET,
    ORCHARD,
    TOKENS,
    Answer,
    Host,
    answers,
    fresh_flash,
    make_board,
    request_line,
)

NO_TRIAL = OFFERED & ~Capability.TRIAL


@pytest.fixture
def host() -> Host:
    """A host of a fresh board."""
    return Host(make_board())


@pytest.fixture
def provisioned() -> Host:
    """A host of a board that holds a first set, without trials."""
    host = Host(make_board(capabilities=NO_TRIAL))
    host.store(NET, TOKENS[1])
    return host


class Broken(Faults):
    """Nothing can be changed, or only what this lets pass."""

    def __init__(self, fails: Callable[[Operation], bool] = bool) -> None:
        self._fails = fails

    def changing(self, operation: Operation) -> Tear | None:
        """See Faults."""
        if self._fails(operation):
            raise FlashError
        return None


# ------------------------------------------------------------------------------ the line, clause 2


def a_conversation() -> bytes:
    """What a host may send, with noise between."""
    return b"".join(
        (
            b"\x00\xff rubbish ~\r\n",
            request_line(MessageType.HELLO, 1),
            b"I (312) frost watch\n",
            request_line(MessageType.SET_FIELD, 2, field="net.name", value=b"orchard"),
            b"~" + b"A" * 3000 + b"\n",
            request_line(MessageType.STATUS, 3),
            request_line(MessageType.RESTART, 4, boot=1000),
            request_line(MessageType.DISCARD, 5, boot=1000),
            request_line(MessageType.RESTART, 6, boot=1000),
            request_line(MessageType.STATUS, 7),
        )
    )


def test_bytes_may_come_one_by_one() -> None:
    """Fed byte by byte or whole, a conversation has the same replies, and the board the same state.

    Clause 2.2.
    """
    data = a_conversation()
    whole, piecemeal = make_board(), make_board()
    replies = whole.receive(data, 0)
    assert b"".join(piecemeal.receive(bytes([byte]), 0) for byte in data) == replies
    assert len(answers(replies)) == 6  # the last request came when the board was restarting
    assert piecemeal.traffic == whole.traffic
    assert (whole.traffic.requests, whole.traffic.refusals) == (6, 1)
    assert whole.take_events() == piecemeal.take_events() == [Waiting(), Restarting()]


@pytest.mark.parametrize(
    "item",
    [
        b"\x80",
        encode([1, 1, 1]),
        encode([1, 1, 1, {}, 1]),
        encode([0, 1, 1, {}]),
        encode([1, 256, 1, {}]),
        encode([1, 1, 65536, {}]),
        encode([1, 1, 1, []]),
        encode([1, 2, 1, {}]),
        encode([1, 0, 1, {1: 1}]),
        encode([1, 200, 1, {}]),
        b"\x84\x01\x01\x07\xa0\x00",
        b"\x84\x01\x18\x01\x07\xa0",
    ],
)
def test_what_is_no_request_is_ignored(host: Host, item: bytes) -> None:
    """No message, or one of an even type such as a console's echo, is not answered.

    Clauses 2.2, 3, 4.1.
    """
    assert host.board.receive(encode_line(item), 0) == b""
    assert host.board.traffic.ignored == 1
    assert host.ask(MessageType.STATUS).type is MessageType.STATUS_REPLY


def test_a_line_longer_than_announced_is_no_message() -> None:
    """A board holds no more than its limit, and says so in hello (clause 2.3)."""
    host = Host(make_board(limits=Limits(line=128, credit=139)))
    assert host.ask(MessageType.HELLO).body["line"] == 128
    long, short = b"x" * 80, b"x" * 40
    line = request_line(MessageType.SET_FIELD, 9, field="service.cert", value=long)
    assert len(line) > 128 + 11
    assert host.board.receive(line, 0) == b""
    assert host.ask(MessageType.SET_FIELD, field="service.cert", value=short).code is None


def test_credit_is_at_least_one_line() -> None:
    """A board that could not take one whole line is refused (clause 5.6)."""
    with pytest.raises(ValueError, match="less than one line"):
        Limits(line=655, credit=665)


# ------------------------------------------------------------------------ envelope, growing, order


def test_a_reply_has_the_type_above_and_the_same_id(host: Host) -> None:
    """Clause 4.1."""
    sent = host.board.receive(encode_line(encode_message(Message(1, 11, 65535, {}))), 0)
    assert sent == encode_line(
        encode_message(Message(1, 12, 65535, {1: 0, 2: 0, 3: 0, 8: 0, 9: 1000}))
    )


def ask_raw(board: Board, version: int, number: int, body: dict[int, Item]) -> Answer:
    """Send a request by number and keys; return the one answer."""
    message = Message(version, number, 5, body)
    (answer,) = answers(board.receive(encode_line(encode_message(message)), 0))
    return answer


def test_hello_is_answered_in_every_version(host: Host) -> None:
    """Even with keys that a later version may have added (clause 4.2)."""
    bodies: dict[int, dict[int, Item]] = {2: {}, 255: {1: "new"}, 1: {64: [1]}}
    for version, body in bodies.items():
        answer = ask_raw(host.board, version, 1, body)
        assert answer.type is MessageType.HELLO_REPLY
        assert answer.body["versions"] == [1]
    assert ask_raw(host.board, 1, 1, {1: "new"}).code is Refusal.MALFORMED


def test_other_versions_and_types_are_refused(host: Host) -> None:
    """Clauses 4.2 and 7.2; the version counts before the type."""
    version = ask_raw(host.board, 9, 99, {})
    assert version.body == {"code": Refusal.UNSUPPORTED_VERSION}
    kind = ask_raw(host.board, 1, 99, {1: 2})
    assert kind.body == {"code": Refusal.UNKNOWN_TYPE}


def test_keys_from_64_up_are_skipped_and_others_are_not(host: Host) -> None:
    """Clause 4.2."""
    assert ask_raw(host.board, 1, 11, {64: {1: [2]}}).code is None
    assert ask_raw(host.board, 1, 11, {63: 0}).code is Refusal.MALFORMED
    assert ask_raw(host.board, 1, 13, {}).code is Refusal.MALFORMED


def example_body(request: MessageType, board: Board) -> dict[str, Item]:
    """A body of the right form that names what is present."""
    bodies: dict[MessageType, dict[str, Item]] = {
        MessageType.GET_SCHEMA: {"offset": 0, "length": 100},
        MessageType.GET_VALUES: {"first": 0},
        MessageType.SET_FIELD: {"field": "siren.lamp", "value": 2},
        MessageType.COMMIT: {"count": 1, "digest": 0, "token": TOKENS[9]},
        MessageType.DISCARD: {"boot": board.boot_number},
        MessageType.UNDO: {"generation": board.generation},
        MessageType.ERASE: {"generation": board.generation},
        MessageType.RESTART: {"boot": board.boot_number},
        MessageType.CONFIRM: {"generation": board.generation},
    }
    return bodies.get(request, {})


def in_state(store: Store, *, staged: bool) -> Host:
    """A host of a board in this state of the table."""
    newer = replace(
        ORCHARD,
        sections=(
            *ORCHARD.sections,
            Section("new", "New", (Field("need", Kind.PORT, "Port", required=True),)),
        ),
    )
    host = Host(make_board(capabilities=OFFERED))
    if store is not Store.EMPTY:
        host.store(NET, TOKENS[1])
    if store is Store.TRIAL:
        host.stage({"siren.lamp": 3})
        host.commit(TOKENS[2])
    if store is Store.INCOMPLETE:
        host = Host(make_board(newer, flash=host.board.store.flash, capabilities=OFFERED))
    if staged:
        host.stage({"siren.lamp": 2})
    assert (host.board.store_state, bool(host.board.staged)) == (store, staged)
    return host


REQUESTS = [row.type for row in MESSAGES.values() if row.is_request]


@pytest.mark.parametrize("staged", [False, True])
@pytest.mark.parametrize("store", list(Store))
@pytest.mark.parametrize("request_type", REQUESTS)
def test_what_the_table_calls_illegal_is_refused(
    request_type: MessageType, store: Store, staged: bool
) -> None:
    """Each pair of state and request that the table does not admit is refused, and no other.

    Clause 5.1.
    """
    host = in_state(store, staged=staged)
    before = (host.board.store.flash.content, dict(host.board.staged))
    answer = host.ask(request_type, **example_body(request_type, host.board))
    assert (answer.code is Refusal.WRONG_STATE) == (not legal(request_type, store, staged))
    if answer.code is Refusal.WRONG_STATE:
        assert (host.board.store.flash.content, dict(host.board.staged)) == before


@pytest.mark.parametrize(
    "request_type", [row.type for row in MESSAGES.values() if row.needs is not None]
)
def test_what_is_not_offered_is_refused(request_type: MessageType) -> None:
    """Whatever its body, before the state (clauses 4.2, 4.3)."""
    host = Host(make_board(capabilities=Capability(0)))
    body = example_body(request_type, host.board)
    assert host.ask(request_type, **body).code is Refusal.NOT_OFFERED
    assert ask_raw(host.board, 1, request_type, {7: 1}).code is Refusal.NOT_OFFERED


def test_a_board_with_two_slots_offers_neither_trial_nor_undo() -> None:
    """Two slots hold no older set for sure."""
    board = make_board(slots=2)
    assert not board.capabilities & (Capability.UNDO | Capability.TRIAL)
    assert Capability.TRIAL not in make_board(replace(ORCHARD, trial=None)).capabilities
    assert Capability.TRIAL in make_board().capabilities


# -------------------------------------------------------------------------------- hello, clause 6.1


def test_hello_says_who_is_there() -> None:
    """Identity, limits, capabilities, and what was stored last."""
    limits = Limits(300, 900, 1, 2, 3, listens=60_000)
    board = Board(
        ORCHARD,
        Identity("frost-alarm", "1.2", "mast", b"\x01\x02"),
        FlashStore(fresh_flash(), 4),
        77,
        limits=limits,
        capabilities=Capability.ERASE,
        now_ms=500,
    )
    packed = pack(ORCHARD)
    host = Host(board)
    host.now = 1500
    assert host.ask(MessageType.HELLO).body == {
        "versions": [1],
        "firmware": "frost-alarm",
        "firmware-version": "1.2",
        "board": "mast",
        "unit": b"\x01\x02",
        "boot": 77,
        "schema-digest": packed.digest,
        "schema-size": len(packed.deflated),
        "line": 300,
        "credit": 900,
        "commit-time": 1,
        "erase-time": 2,
        "apply-time": 3,
        "capabilities": Capability.ERASE,
        "token": None,
        "listens": 59_000,
        "generation": 0,
    }
    host.store(NET, TOKENS[1])
    assert host.ask(MessageType.HELLO).body["token"] == TOKENS[1]
    assert host.ask(MessageType.ERASE, generation=1).code is None
    hello = host.ask(MessageType.HELLO).body
    assert (hello["token"], hello["generation"]) == (None, 2)


def test_a_board_that_stopped_listening_is_silent_until_its_next_start() -> None:
    """Clause 5.7, `listens`."""
    host = Host(make_board(limits=Limits(listens=1000)))
    host.wait(999)
    assert host.ask(MessageType.HELLO).body["listens"] == 1
    host.wait(1)
    assert host.board.receive(host.last, host.now) == b""
    host.restart()
    assert host.again().body["listens"] == 1000


# ------------------------------------------------------------------------------- schema, clause 6.2


@pytest.mark.parametrize("length", [1, 64, 470])
def test_the_schema_comes_in_pieces(host: Host, length: int) -> None:
    """Joined they inflate (RFC 1951, by zlib) to what the digest in hello is of."""
    hello = host.ask(MessageType.HELLO).body
    deflated = b""
    while len(deflated) < int(str(hello["schema-size"])):
        reply = host.ask(MessageType.GET_SCHEMA, offset=len(deflated), length=length).body
        assert reply["offset"] == len(deflated)
        piece = reply["piece"]
        assert isinstance(piece, bytes)
        assert 1 <= len(piece) <= length
        deflated += piece
    assert zlib.decompress(deflated, -15)
    digest = hello["schema-digest"]
    assert isinstance(digest, bytes)
    assert unpack(deflated, digest) == ORCHARD


def test_no_schema_beyond_its_end(host: Host) -> None:
    """`detail` is the size."""
    size = host.ask(MessageType.HELLO).body["schema-size"]
    answer = host.ask(MessageType.GET_SCHEMA, offset=size, length=1)
    assert answer.body == {"code": Refusal.OUT_OF_BOUNDS, "detail": size}


# ------------------------------------------------------------------------------- values, clause 6.3


def values(host: Host) -> dict[str, list[Item]]:
    """Read all pages; return key to what stands beside it."""
    found: dict[str, list[Item]] = {}
    count = len(host.board.schema.settings)
    while len(found) < count:
        reply = host.ask(MessageType.GET_VALUES, first=len(found)).body
        assert (reply["first"], reply["count"]) == (len(found), count)
        entries = reply["entries"]
        assert isinstance(entries, list)
        assert entries
        for entry in entries:
            assert isinstance(entry, list)
            found[str(entry[0])] = entry[1:]
    assert list(found) == [setting.key for setting in host.board.schema.settings]
    return found


def test_values_are_told_secrets_are_not(host: Host) -> None:
    """Of a secret only that it is held; of a blob its length; of unset nothing, default or not."""
    host.store(
        {**NET, "service.key": "silver-frost", "service.cert": bytes(300), "siren.fitted": False},
        TOKENS[1],
    )
    found = values(host)
    assert found["net.name"] == [Held.SET, b"orchard"]
    assert found["net.pass"] == [Held.SET]
    assert found["service.key"] == [Held.SET]
    assert found["service.cert"] == [Held.SET, 300]
    assert found["siren.fitted"] == [Held.SET, False]
    assert found["siren.lamp"] == [Held.UNSET]
    assert found["probe.1.offset"] == [Held.UNSET]


def test_staged_values_are_not_told(host: Host) -> None:
    """What is shown is what is in force."""
    host.stage({"siren.lamp": 2})
    assert values(host)["siren.lamp"] == [Held.UNSET]


def test_a_value_that_fell_back_is_flagged() -> None:
    """The default is told in its place, if there is one (clauses 6.3 and 9.6)."""
    host = Host(make_board())
    host.store(
        {**NET, "probe.1.offset": 40, "siren.lamp": 3, "service.key": "long-enough"}, TOKENS[1]
    )
    sections = list(ORCHARD.sections)
    offset = replace(sections[3].fields[1], maximum=10)
    sections[3] = replace(sections[3], fields=(sections[3].fields[0], offset))
    key = replace(sections[1].fields[1], maximum=4)
    sections[1] = replace(sections[1], fields=(sections[1].fields[0], key))
    tighter = replace(ORCHARD, sections=tuple(sections), pins=ORCHARD.pins[:1])
    host = Host(make_board(tighter, flash=host.board.store.flash))
    found = values(host)
    assert found["probe.1.offset"] == [Held.FELL_BACK, 5]
    assert found["siren.lamp"] == [Held.FELL_BACK]
    assert found["service.key"] == [Held.FELL_BACK]
    assert found["net.name"] == [Held.SET, b"orchard"]
    assert host.board.store_state is Store.COMPLETE


def test_pages_of_values_fill_a_line() -> None:
    """A page ends where no further entry fits; every value of the greatest length fits alone."""
    fields = tuple(Field(f"f{number:02}", Kind.TEXT, "F", maximum=255) for number in range(64))
    schema = Schema("Long", (Section("a", "A", fields),))
    host = Host(make_board(schema, flash=Flash(replace(GEOMETRY, size=4 * 20 * 1024))))
    host.store({f"a.f{number:02}": "x" * 255 for number in range(64)}, TOKENS[1])
    page = host.board.receive(request_line(MessageType.GET_VALUES, first=0), 0)
    assert len(page) <= 655 + 11
    assert all(entry == [Held.SET, "x" * 255] for entry in values(host).values())


def test_no_values_beyond_the_last_field(host: Host) -> None:
    """`detail` is the number of fields."""
    count = len(ORCHARD.settings)
    answer = host.ask(MessageType.GET_VALUES, first=count)
    assert answer.body == {"code": Refusal.OUT_OF_BOUNDS, "detail": count}


# ---------------------------------------------------------------------------- set-field, clause 6.4


def test_a_value_is_staged_replaced_and_cleared(host: Host) -> None:
    """`staged` counts fields, cleared ones too."""
    for value, count in ((2, 1), (3, 1), (None, 1)):
        answer = host.ask(MessageType.SET_FIELD, field="siren.lamp", value=value)
        assert answer.body == {"staged": count}
        assert host.board.staged == {"siren.lamp": value}
    assert host.ask(MessageType.SET_FIELD, field="probe.2.label", value="top").body == {"staged": 2}


@pytest.mark.parametrize(
    ("key", "value", "code"),
    [
        ("net.nam", b"orchard", Refusal.UNKNOWN_FIELD),
        ("probe.3.label", "top", Refusal.UNKNOWN_FIELD),
        ("probe.label", "top", Refusal.UNKNOWN_FIELD),
        ("siren.lamp", "2", Refusal.WRONG_KIND),
        ("siren.lamp", True, Refusal.WRONG_KIND),
        ("siren.lamp", 4, Refusal.PIN_TAKEN),
        ("siren.lamp", 9, Refusal.PIN_UNFIT),
        ("siren.mode", "loud", Refusal.NO_SUCH_OPTION),
        ("net.name", b"", Refusal.LENGTH),
        ("probe.1.offset", 51, Refusal.RANGE),
        ("probe.1.label", "a\nb", Refusal.CHARACTERS),
        ("service.url", "http://a.example", Refusal.FORM),
    ],
)
def test_a_refused_value_leaves_what_was_staged(
    host: Host, key: str, value: Item, code: Refusal
) -> None:
    """The refusal names the field as it was sent (clause 7.2), and changes nothing."""
    good: dict[str, Value | None] = {
        "siren.lamp": 2,
        "net.name": b"orchard",
        "probe.1.label": "top",
    }
    host.stage(good)
    answer = host.ask(MessageType.SET_FIELD, field=key, value=value)
    assert answer.body == {"code": code, "field": key}
    assert host.board.staged == good


def send_part(host: Host, key: str, offset: int, total: int, part: bytes) -> Answer:
    """Send one part."""
    return host.ask(MessageType.SET_FIELD, field=key, offset=offset, total=total, part=part)


def test_a_long_value_comes_in_parts(host: Host) -> None:
    """Parts, their repeats, and the count of the whole once it is there."""
    assert send_part(host, "service.cert", 0, 9, b"abc").body == {"staged": 0, "received": 3}
    assert host.again().body == {"staged": 0, "received": 3}
    assert send_part(host, "service.cert", 3, 9, b"def").body == {"staged": 0, "received": 6}
    assert send_part(host, "service.cert", 1, 9, b"bcd").body == {"staged": 0, "received": 6}
    assert host.board.staged == {}
    assert send_part(host, "service.cert", 6, 9, b"ghi").body == {"staged": 1, "received": 9}
    assert host.again().body == {"staged": 1, "received": 9}
    assert host.board.staged == {"service.cert": b"abcdefghi"}


@pytest.mark.parametrize(
    ("offset", "total", "part", "expected"),
    [(4, 9, b"x", 3), (2, 9, b"xy", 3), (1, 9, b"xy", 3), (3, 8, b"d", 0)],
)
def test_a_part_that_does_not_continue_is_a_gap(
    host: Host, offset: int, total: int, part: bytes, expected: int
) -> None:
    """`detail` is what is held of this field with this total."""
    send_part(host, "service.cert", 0, 9, b"abc")
    answer = send_part(host, "service.cert", offset, total, part)
    assert answer.body == {"code": Refusal.GAP, "field": "service.cert", "detail": expected}
    assert send_part(host, "service.cert", 3, 9, b"defghi").body == {"staged": 1, "received": 9}


def test_a_part_at_offset_0_that_differs_begins_anew(host: Host) -> None:
    """And unstages the field."""
    send_part(host, "service.cert", 0, 2, b"ab")
    assert host.board.staged == {"service.cert": b"ab"}
    assert send_part(host, "service.cert", 0, 4, b"ab").body == {"staged": 0, "received": 2}
    assert send_part(host, "service.cert", 0, 4, b"xy").body == {"staged": 0, "received": 2}
    assert send_part(host, "service.cert", 2, 4, b"zz").body == {"staged": 1, "received": 4}
    assert host.board.staged == {"service.cert": b"xyzz"}


@pytest.mark.parametrize("interrupt", ["whole value", "other field's parts", "discard"])
def test_incomplete_parts_are_forgotten(host: Host, interrupt: str) -> None:
    """By a whole set-field, parts of another field, or discard."""
    send_part(host, "service.cert", 0, 4, b"ab")
    if interrupt == "whole value":
        host.stage({"siren.lamp": 2})
    elif interrupt == "discard":
        host.ask(MessageType.DISCARD, boot=1000)
    else:
        send_part(host, "probe.1.label", 0, 4, b"ma")
    answer = send_part(host, "service.cert", 2, 4, b"cd")
    assert answer.body == {"code": Refusal.GAP, "field": "service.cert", "detail": 0}


@pytest.mark.parametrize("how", ["discard", "anew", "time", "whole"])
def test_parts_that_are_dropped_are_overwritten(how: str) -> None:
    """A piece of a secret does not wait in memory for whoever reads it next (clause 10)."""
    host = Host(make_board())
    body: dict[str, Item] = {"field": "service.key", "offset": 0, "total": 9, "part": b"silver"}
    assert host.ask(MessageType.SET_FIELD, **body).code is None
    parts = host.board._staging._parts
    assert parts is not None
    held = parts.held
    assert held == b"silver"
    if how == "discard":
        assert host.ask(MessageType.DISCARD, boot=host.board.boot_number).code is None
    elif how == "anew":
        assert host.ask(MessageType.SET_FIELD, **{**body, "part": b"golden"}).code is None
    elif how == "time":
        host.wait(600_000)
    else:
        host.stage({"net.name": b"orchard"})
    assert not any(held)


def test_complete_parts_stay_known_until_their_field_is_set_anew(host: Host) -> None:
    """A late repeat of the last part is acknowledged after another field was set."""
    send_part(host, "service.cert", 0, 4, b"abcd")
    host.stage({"siren.lamp": 2})
    assert send_part(host, "service.cert", 2, 4, b"cd").body == {"staged": 2, "received": 4}
    host.stage({"service.cert": b"wxyz"})
    assert send_part(host, "service.cert", 2, 4, b"cd").body["detail"] == 0
    assert host.board.staged["service.cert"] == b"wxyz"


def test_a_refused_whole_value_leaves_parts(host: Host) -> None:
    """A refused request changes nothing (clause 4.3)."""
    send_part(host, "service.cert", 0, 4, b"ab")
    host.ask(MessageType.SET_FIELD, field="siren.lamp", value=9)
    assert send_part(host, "service.cert", 2, 4, b"cd").body == {"staged": 1, "received": 4}


@pytest.mark.parametrize(
    ("key", "offset", "total", "part", "code"),
    [
        ("no.field", 3, 4, b"ab", Refusal.MALFORMED),
        ("no.field", 0, 4, b"ab", Refusal.UNKNOWN_FIELD),
        ("siren.lamp", 0, 4, b"ab", Refusal.WRONG_KIND),
        ("siren.fitted", 0, 4, b"ab", Refusal.WRONG_KIND),
        ("siren.mode", 0, 6, b"steady", Refusal.WRONG_KIND),
        ("service.cert", 0, 601, b"ab", Refusal.LENGTH),
        ("probe.1.label", 0, 13, b"ab", Refusal.LENGTH),
        ("net.pass", 0, 7, b"seven77", Refusal.LENGTH),
        ("net.pass", 0, 7, b"\xff" * 7, Refusal.LENGTH),
        ("net.pass", 0, 8, b"\xff" * 8, Refusal.CHARACTERS),
        ("probe.1.label", 0, 2, b"\xc3\x28", Refusal.CHARACTERS),
        ("service.url", 0, 3, b"abc", Refusal.FORM),
    ],
)
def test_parts_are_refused(  # noqa: PLR0917 - the columns of the table above
    host: Host, key: str, offset: int, total: int, part: bytes, code: Refusal
) -> None:
    """In the order of the codes; the value itself when it is whole, and then it is forgotten."""
    answer = send_part(host, key, offset, total, part)
    named = {} if code is Refusal.MALFORMED else {"field": key}
    assert answer.body == {"code": code, **named}
    assert host.board.staged == {}
    host.stage({"siren.lamp": 2})


def test_text_may_be_parted_within_a_character(host: Host) -> None:
    """Text is sent as its UTF-8 bytes."""
    send_part(host, "probe.1.label", 0, 3, b"\xc3")
    assert send_part(host, "probe.1.label", 1, 3, b"\xa9a").body == {"staged": 1, "received": 3}
    assert host.board.staged == {"probe.1.label": "éa"}


@pytest.mark.parametrize(
    ("key", "octets", "value"),
    [("net.name", b"\xff\x00", b"\xff\x00"), ("net.pass", b"blossom-in-may", "blossom-in-may")],
)
def test_every_text_and_byte_string_may_come_in_parts(
    host: Host, key: str, octets: bytes, value: str | bytes
) -> None:
    """Not only long ones."""
    for at, octet in enumerate(octets):
        answer = send_part(host, key, at, len(octets), bytes([octet]))
        assert answer.body["received"] == at + 1
    assert host.board.staged == {key: value}


# ------------------------------------------------------------------------------- commit, clause 6.5


def test_a_commit_is_durable_and_in_force(host: Host) -> None:
    """At once and after a start; what was staged is gone from memory."""
    host.stage(NET)
    assert host.commit(TOKENS[1]).body == {"generation": 1}
    for _ in range(2):
        assert host.board.staged == {}
        assert host.board.stored == NET
        assert host.ask(MessageType.HELLO).body["token"] == TOKENS[1]
        host.restart()


def test_the_repeat_of_a_commit_writes_nothing(provisioned: Host) -> None:
    """A token that is stored already is answered, in this boot or a later one, staged or not."""
    host = provisioned
    before = host.board.store.flash.content
    host.stage({"siren.lamp": 2})
    assert host.commit(TOKENS[1]).body == {"generation": 1}
    assert host.board.staged == {}
    host.restart()
    assert host.again().body == {"generation": 1}
    assert host.board.store.flash.content == before


def test_a_set_that_differs_is_discarded(host: Host) -> None:
    """Count and digest must both be the board's own."""
    for body in ({"count": 2, "digest": 0}, {"count": 1, "digest": 0}):
        host.stage({"siren.lamp": 2})
        answer = host.ask(MessageType.COMMIT, token=TOKENS[1], **body)
        assert answer.body == {"code": Refusal.SET_DIFFERS}
        assert host.board.staged == {}
    assert not host.board.store.current.is_set


@pytest.mark.parametrize("count", [1, 3])
def test_a_count_that_is_wrong_beside_a_right_digest_differs(count: int) -> None:
    """Clause 6.5 has the board compare both: the digest alone is 32 bits of a guess."""
    host = Host(make_board())
    host.stage({"net.name": b"orchard", "net.pass": "blossom-road"})
    digest = staged_digest(host.board.schema, host.board.staged)
    answer = host.ask(MessageType.COMMIT, count=count, digest=digest, token=TOKENS[1])
    assert answer.code is Refusal.SET_DIFFERS
    assert host.board.generation == 0


@pytest.mark.parametrize(
    ("staged", "refused"),
    [
        (
            {"net.name": b"orchard"},
            {"code": Refusal.PARTNER, "field": "net.name", "other": "net.pass"},
        ),
        ({"siren.lamp": 2}, {"code": Refusal.MISSING, "field": "net.name"}),
        (
            {**NET, "siren.fitted": True, "siren.pin": 2, "siren.lamp": 2},
            {"code": Refusal.PIN_CONFLICT, "field": "siren.lamp", "other": "siren.pin"},
        ),
    ],
)
def test_the_rules_of_the_whole_keep_what_is_staged(
    host: Host, staged: dict[str, Item], refused: dict[str, Item]
) -> None:
    """So that one field can be mended (clause 9.6)."""
    host.stage(staged)  # type: ignore[arg-type]
    assert host.commit(TOKENS[1]).body == refused
    assert host.board.staged == staged
    host.stage({**NET, "siren.lamp": 3})
    assert host.commit(TOKENS[1]).code is None


def test_storage_that_fails_keeps_both_sets(provisioned: Host) -> None:
    """What was in force stays in force, what was staged stays staged."""
    host = provisioned
    host.stage({"siren.lamp": 2})
    host.board.store.flash.faults = Broken()
    assert host.commit(TOKENS[2]).body == {"code": Refusal.STORAGE}
    assert (host.board.stored, dict(host.board.staged)) == (NET, {"siren.lamp": 2})
    host.board.store.flash.power_up()
    assert host.again().body == {"generation": 2}


def test_a_value_that_fell_back_is_dropped_at_the_next_commit() -> None:
    """As are values that the firmware does not know (clause 10)."""
    host = Host(make_board(capabilities=NO_TRIAL))
    host.store({**NET, "siren.lamp": 3}, TOKENS[1])
    tighter = replace(ORCHARD, pins=ORCHARD.pins[:1])
    host = Host(make_board(tighter, flash=host.board.store.flash, capabilities=NO_TRIAL))
    host.store({"siren.mode": "steady"}, TOKENS[2])
    host = Host(make_board(flash=host.board.store.flash, capabilities=NO_TRIAL))
    assert host.board.stored == {**NET, "siren.mode": "steady"}


# ------------------------------------------------------------------------------ staged, clause 5.1


def test_staged_values_last_ten_minutes(host: Host) -> None:
    """From the last request that was answered, refusals included."""
    host.stage({"siren.lamp": 2})
    host.wait(599_999)
    assert host.ask(MessageType.UNDO, generation=9).code is Refusal.WRONG_STATE
    host.wait(599_999)
    assert host.board.staged == {"siren.lamp": 2}
    host.board.receive(b"\n~noise\n", host.now)
    host.wait(1)
    assert host.board.staged == {}


def test_a_restart_drops_what_is_staged(host: Host) -> None:
    """It is in memory only."""
    host.stage({"siren.lamp": 2})
    host.restart()
    assert host.board.staged == {}


# ------------------------------------------------------------------------------- status, clause 6.6


def test_status_follows_the_firmware(host: Host) -> None:
    """Nothing until it reports; then step, reason, field and address as it gave them."""
    base: dict[str, Item] = {"staged": 0, "boot": 1000}
    empty = {**base, "store": Store.EMPTY, "run": Run.IDLE, "generation": 0}
    assert host.ask(MessageType.STATUS).body == empty
    host.store(NET, TOKENS[1])
    base |= {"store": Store.COMPLETE, "generation": 1}
    assert host.ask(MessageType.STATUS).body == {**base, "run": Run.APPLYING}
    host.board.report(Run.APPLYING, Step.JOIN, Reason.TIME_OUT, "net.name", bytes(4))
    applying = {**base, "run": Run.APPLYING, "step": Step.JOIN, "address": bytes(4)}
    assert host.ask(MessageType.STATUS).body == applying
    host.board.report(Run.FAILED, Step.AUTHORIZE, Reason.KEY_REFUSED, "service.key")
    assert host.ask(MessageType.STATUS).body == {
        **applying,
        "run": Run.FAILED,
        "step": Step.AUTHORIZE,
        "reason": Reason.KEY_REFUSED,
        "field": "service.key",
    }
    host.board.report(Run.FAILED)
    failed = host.ask(MessageType.STATUS).body
    assert (failed["step"], failed["reason"]) == (Step.NONE, Reason.NONE)
    assert "field" not in failed
    host.board.report(Run.PROVEN)
    assert "reason" not in host.ask(MessageType.STATUS).body
    host.store({"siren.lamp": 2}, TOKENS[2])
    assert host.board._report.step is None


def test_status_names_what_is_missing() -> None:
    """Exactly when the store is incomplete."""
    body = in_state(Store.INCOMPLETE, staged=False).ask(MessageType.STATUS).body
    assert (body["store"], body["run"]) == (Store.INCOMPLETE, Run.IDLE)
    assert body["missing"] == "new.need"


# ------------------------------------------------------------------ discard to confirm, clause 6.7


@pytest.mark.parametrize(
    "request_type", [MessageType.DISCARD, MessageType.UNDO, MessageType.ERASE, MessageType.RESTART]
)
def test_another_generation_or_boot_changes_nothing(
    provisioned: Host, request_type: MessageType
) -> None:
    """`detail` is the present one."""
    host = provisioned
    ((name, present),) = example_body(request_type, host.board).items()
    assert isinstance(present, int)
    before = host.board.store.flash.content
    for other in (present - 1, present + 1):
        answer = host.ask(request_type, **{name: other})
        assert answer.body == {"code": Refusal.MOVED_ON, "detail": present}
    assert host.board.store.flash.content == before


def test_discard_drops_what_is_staged(host: Host) -> None:
    """And may be repeated."""
    host.stage({"siren.lamp": 2})
    assert host.ask(MessageType.DISCARD, boot=1000).body == {}
    assert host.again().body == {}
    assert host.board.staged == {}


def test_undo_and_its_repeat(provisioned: Host) -> None:
    """The repeat is answered like the first time in this boot, and not in a later one."""
    host = provisioned
    host.store({"siren.lamp": 2}, TOKENS[2])
    assert host.ask(MessageType.UNDO, generation=2).body == {"generation": 3}
    assert host.again().body == {"generation": 3}
    assert host.board.stored == NET
    assert host.ask(MessageType.HELLO).body["token"] == TOKENS[1]
    undo = request_line(MessageType.UNDO, 77, generation=2)
    host.stage({"siren.mode": "steady"})
    assert answers(host.board.receive(undo, 0))[0].body == {"generation": 3}
    host.restart()
    assert answers(host.board.receive(undo, 0))[0].code is Refusal.MOVED_ON


def test_only_the_request_that_was_done_has_a_repeat(provisioned: Host) -> None:
    """An erase that names the generation before an undo is no repeat of it."""
    host = provisioned
    host.store({"siren.lamp": 2}, TOKENS[2])
    host.ask(MessageType.UNDO, generation=2)
    assert host.ask(MessageType.ERASE, generation=2).code is Refusal.MOVED_ON


def test_undo_without_an_older_set(provisioned: Host) -> None:
    """Or with one that would be incomplete under this firmware."""
    host = provisioned
    assert host.ask(MessageType.UNDO, generation=1).body == {"code": Refusal.NO_OLDER_SET}
    newer = in_state(Store.INCOMPLETE, staged=False)
    newer.store({"new.need": 80}, TOKENS[2])
    generation = newer.board.generation
    answer = newer.ask(MessageType.UNDO, generation=generation)
    assert answer.code is Refusal.NO_OLDER_SET


def test_undo_and_confirm_that_cannot_be_stored(provisioned: Host) -> None:
    """What was in force stays in force."""
    host = provisioned
    host.store({"siren.lamp": 2}, TOKENS[2])
    host.board.store.flash.faults = Broken()
    assert host.ask(MessageType.UNDO, generation=2).body == {"code": Refusal.STORAGE}
    assert host.board.generation == 2
    trial = in_state(Store.TRIAL, staged=False)
    trial.board.store.flash.faults = Broken()
    generation = trial.board.generation
    assert trial.ask(MessageType.CONFIRM, generation=generation).code is Refusal.STORAGE
    assert trial.board.store_state is Store.TRIAL


def test_erase_wipes_memory_and_flash(provisioned: Host) -> None:
    """No secret is left anywhere; the repeat is answered."""
    host = provisioned
    host.stage({"service.key": "silver-frost"})
    host.board.take_events()
    assert host.ask(MessageType.ERASE, generation=1).body == {"generation": 2}
    assert host.again().body == {"generation": 2}
    assert (host.board.stored, dict(host.board.staged)) == ({}, {})
    assert b"blossom" not in host.board.store.flash.content
    assert host.board.take_events() == [Erased()]
    assert host.board.store_state is Store.EMPTY


def test_an_erase_that_fails_at_first_changes_nothing(provisioned: Host) -> None:
    """Nothing is out of force before a void record is stored."""
    host = provisioned
    host.stage({"siren.lamp": 2})
    host.board.store.flash.faults = Broken()
    assert host.ask(MessageType.ERASE, generation=1).body == {"code": Refusal.STORAGE}
    assert (host.board.stored, dict(host.board.staged)) == (NET, {"siren.lamp": 2})


def test_an_erase_that_fails_later_has_moved_on(provisioned: Host) -> None:
    """The set is out of force for good; the host sees the new generation, and erases again."""
    host = provisioned
    slot = GEOMETRY.size // 4
    mine = (host.board.store._in_force or 0) * slot
    host.board.store.flash.faults = Broken(
        lambda operation: (
            mine <= operation.offset < mine + slot and operation.change is OperationKind.ERASE
        )
    )
    assert host.ask(MessageType.ERASE, generation=1).body == {"code": Refusal.STORAGE}
    assert host.board.store_state is Store.EMPTY
    assert host.again().body == {"code": Refusal.MOVED_ON, "detail": 2}
    host.board.store.flash.power_up()
    assert host.ask(MessageType.ERASE, generation=2).body == {"generation": 3}
    assert b"blossom" not in host.board.store.flash.content


def test_a_restart_is_answered_first(host: Host) -> None:
    """Then the board takes nothing until its firmware has started again."""
    host.board.take_events()
    assert host.ask(MessageType.RESTART, boot=1000).body == {}
    assert host.board.take_events() == [Restarting()]
    assert host.board.receive(host.last, 0) == b""
    host.restart()
    assert host.again().body == {"code": Refusal.MOVED_ON, "detail": 1001}


# -------------------------------------------------------------------------------- trial, clause 5.4


@pytest.fixture
def trial() -> Host:
    """A host of a board with a set on trial: lamp on pin 3, over none."""
    return in_state(Store.TRIAL, staged=False)


def test_a_trial_shows_the_time_that_is_left(trial: Host) -> None:
    """And only a trial does."""
    trial.wait(20_000)
    assert trial.ask(MessageType.STATUS).body["trial-left"] == 40_000
    assert trial.ask(MessageType.CONFIRM, generation=2).body == {"generation": 3}
    assert trial.again().body == {"generation": 3}
    assert "trial-left" not in trial.ask(MessageType.STATUS).body
    trial.wait(100_000)
    assert trial.board.stored["siren.lamp"] == 3


def test_a_trial_nobody_confirms_ends_badly(trial: Host) -> None:
    """The older set is in force again, with its token; what is staged stays."""
    trial.stage({"siren.mode": "steady"})
    trial.board.take_events()
    trial.wait(59_999)
    assert trial.board.store_state is Store.TRIAL
    trial.wait(1)
    assert (trial.board.stored, trial.board.generation) == (NET, 3)
    assert trial.ask(MessageType.HELLO).body["token"] == TOKENS[1]
    assert dict(trial.board.staged) == {"siren.mode": "steady"}
    (event,) = trial.board.take_events()
    assert isinstance(event, Applied)
    assert event.values["net.name"] == b"orchard"


def test_proven_ends_a_trial_well(trial: Host) -> None:
    """As confirm does."""
    trial.board.report(Run.PROVEN)
    assert (trial.board.store_state, trial.board.generation) == (Store.COMPLETE, 3)
    assert trial.ask(MessageType.CONFIRM, generation=3).code is Refusal.WRONG_STATE


def test_failed_does_not_end_a_trial(trial: Host) -> None:
    """The host may still mend the field at fault: a commit in a trial replaces the set on trial."""
    trial.board.report(Run.FAILED, Step.HARDWARE, Reason.NO_RESPONSE, "siren.lamp")
    trial.wait(30_000)
    trial.stage({"siren.lamp": 2})
    assert trial.commit(TOKENS[3]).body == {"generation": 3}
    assert trial.ask(MessageType.STATUS).body["trial-left"] == 60_000
    assert trial.ask(MessageType.UNDO, generation=3).body == {"generation": 4}
    assert trial.board.stored == NET


def test_an_end_that_cannot_be_written_is_tried_again(trial: Host) -> None:
    """After as long again, so that it does not wear the flash; a proven set is kept then."""
    trial.board.store.flash.faults = Broken()
    trial.wait(60_000)
    changes = trial.board.store.flash.changes
    trial.wait(59_999)
    assert trial.board.store.flash.changes == changes
    trial.board.report(Run.PROVEN)
    assert trial.board.store.current.on_trial
    trial.board.store.flash.power_up()
    trial.wait(60_000)
    assert trial.board.store_state is Store.COMPLETE
    assert trial.board.stored["siren.lamp"] == 3


# ----------------------------------------------------------------------------- presence, clause 5.5

CHANGES = [row.type for row in MESSAGES.values() if row.is_request and row.changes]


@pytest.mark.parametrize("request_type", CHANGES)
def test_changes_want_a_person_once_something_is_stored(request_type: MessageType) -> None:
    """Before the state is looked at, after the form; for as long as the board says."""
    host = Host(make_board(limits=Limits(presence=5000)))
    assert Capability.PRESENCE in host.board.capabilities
    host.store(NET, TOKENS[1])
    body = example_body(request_type, host.board)
    assert ask_raw(host.board, 1, request_type, {}).code is Refusal.MALFORMED
    assert host.ask(request_type, **body).code is Refusal.PRESENCE
    host.board.show_presence()
    assert host.ask(request_type, **body).code is not Refusal.PRESENCE


def test_presence_ends() -> None:
    """The time is the board's own."""
    host = Host(make_board(limits=Limits(presence=5000)))
    host.store(NET, TOKENS[1])
    host.board.show_presence()
    host.wait(4999)
    host.stage({"siren.lamp": 2})
    host.wait(1)
    answer = host.ask(MessageType.SET_FIELD, field="siren.lamp", value=3)
    assert answer.body == {"code": Refusal.PRESENCE}
    assert host.ask(MessageType.DISCARD, boot=1000).code is None


# ------------------------------------------------------------------------------- survey, clause 6.8


def network(number: int) -> Network:
    """A network with a long name."""
    return Network(bytes([number]) * 32, -40 - number, Security.PERSONAL)


def test_a_survey_is_read_while_it_runs(host: Host) -> None:
    """Its number at once; then what was found, page by page, until it is done."""
    host.board.take_events()
    start = host.ask(MessageType.SURVEY)
    assert start.body == {"scan": 1, "done": False, "count": 0, "first": 0, "networks": []}
    assert host.board.take_events() == [SurveyStarted()]
    host.board.found([network(1)], done=False)
    again = host.again()
    assert (again.body["scan"], again.body["count"]) == (1, 1)
    assert host.board.take_events() == []
    host.board.found([network(number) for number in range(2, 31)], done=True)
    found: list[Item] = []
    while len(found) < 30:
        reply = host.ask(MessageType.SURVEY, scan=1, first=len(found)).body
        assert (reply["done"], reply["count"], reply["first"]) == (True, 30, len(found))
        networks = reply["networks"]
        assert isinstance(networks, list)
        assert networks
        found += networks
    assert found == [[bytes([n]) * 32, -40 - n, Security.PERSONAL] for n in range(1, 31)]
    assert host.ask(MessageType.SURVEY, scan=1, first=30).body["networks"] == []


@pytest.mark.parametrize("body", [{"scan": 2}, {"scan": 1, "first": 3}])
def test_no_other_scan_and_nothing_beyond_it(host: Host, body: dict[str, Item]) -> None:
    """`detail` is the number of networks."""
    host.ask(MessageType.SURVEY)
    host.board.found([network(1), network(2)], done=True)
    answer = host.ask(MessageType.SURVEY, **body)
    assert answer.body == {"code": Refusal.OUT_OF_BOUNDS, "detail": 2}


def test_a_scan_is_asked_for_before_there_is_one(host: Host) -> None:
    """Nothing to read, and a start from the middle starts nothing."""
    for body in ({"scan": 1}, {"first": 1}):
        answer = host.ask(MessageType.SURVEY, **body)
        assert answer.body == {"code": Refusal.OUT_OF_BOUNDS, "detail": 0}
    assert SurveyStarted() not in host.board.take_events()


def test_scans_are_numbered(host: Host) -> None:
    """From 1 to 255 and again from 1; the largest scan has 255 networks."""
    for number in [*range(1, 256), 1]:
        assert host.ask(MessageType.SURVEY).body["scan"] == number
        host.board.found([network(n % 256) for n in range(300)], done=True)
        assert host.ask(MessageType.SURVEY, scan=number).body["count"] == 255


def test_short_names_fill_at_most_64_networks(host: Host) -> None:
    """The table's limit holds even where more would fit into the line."""
    host.ask(MessageType.SURVEY)
    host.board.found([Network(b"a", 0, Security.OPEN)] * 100, done=True)
    networks = host.ask(MessageType.SURVEY, scan=1).body["networks"]
    assert isinstance(networks, list)
    assert len(networks) == 64


def test_locate_makes_the_board_show_itself(host: Host) -> None:
    """Clause 6.9."""
    host.board.take_events()
    assert host.ask(MessageType.LOCATE).body == {}
    assert host.board.take_events() == [Located()]


# --------------------------------------------------------------------------------------- the rest


def test_the_firmware_gets_the_values_of_active_fields(host: Host) -> None:
    """Defaults included; what a condition hides is left out."""
    assert host.board.take_events() == [Waiting()]
    host.store({**NET, "siren.pin": 2}, TOKENS[1])
    (event,) = host.board.take_events()
    assert isinstance(event, Applied)
    assert event.values == {**NET, "siren.fitted": False, "probe.1.offset": 5}
    host.restart()
    assert isinstance(host.board.take_events()[0], Applied)


def test_no_secret_shows_in_a_repr(host: Host) -> None:
    """Of the board, its events, its store, and what is staged in parts."""
    secret = "silver-frost-9"
    host.store({**NET, "service.key": secret}, TOKENS[1])
    host.stage({"service.key": secret})
    send_part(host, "probe.1.label", 0, 5, b"silv")
    staging = host.board._staging
    shown = [host.board, host.board.take_events(), host.board.store.current, host.board._stored]
    for text in map(repr, [*shown, staging, staging._parts]):
        assert "silver" not in text
        assert "blossom" not in text
        assert "silv" not in text
    assert "1 staged" in repr(host.board)


def test_a_board_is_made_from_a_declaration() -> None:
    """Slots, names and schema are those of the file."""
    declared = BoardDeclaration("mast", 65536, 512, 16, 61440, 4096, slots=4)
    board = from_declaration(Declaration(ORCHARD, "frost-alarm", "1.2", declared), boot_number=5)
    assert board.store.flash.geometry == GEOMETRY
    hello = Host(board).ask(MessageType.HELLO).body
    assert (hello["firmware"], hello["board"], hello["boot"]) == ("frost-alarm", "mast", 5)
