# SPDX-License-Identifier: MIT
"""Checks of what a board tells of itself: hello, schema, values, status (5.2, 6.1-6.3, 6.6, 8)."""

from __future__ import annotations

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.expected import Due, default_in_force, first_defect
from provision.conformance.expected_values import value_refusal
from provision.conformance.findings import NotMet
from provision.conformance.steps import Steps
from provision.conformance.wire import Body
from provision.contract.line import MAX_BODY
from provision.contract.messages import MAX_ID
from provision.contract.profile import Item, encode
from provision.contract.table import (
    LINE_OVERHEAD,
    Capability,
    GetSchemaKey,
    GetSchemaReplyKey,
    GetValuesKey,
    GetValuesReplyKey,
    Held,
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    Run,
    StatusReplyKey,
    Store,
)
from provision.schema.codec import SchemaError, unpack

_MOST_PIECES = 8192
_HEAD_GROWS = (24, 256)  # with these items the head of an array is a byte longer

# --------------------------------------------------------------------------- hello, clause 6.1, 5.2


def hello(board: BoardUnderTest) -> Steps[None]:
    """What hello announces is within its limits and fits together."""
    body = yield from board.say_hello()
    versions = body[HelloReplyKey.VERSIONS]
    assert isinstance(versions, list)
    numbers = [each for each in versions if isinstance(each, int)]
    if numbers != sorted(set(numbers)):
        raise NotMet("`versions` does not ascend")
    if 1 not in numbers:
        raise NotMet("`versions` lacks 1, in which the board answered")
    if board.number(HelloReplyKey.CREDIT) < board.line_limit + LINE_OVERHEAD:
        raise NotMet("`credit` is less than one longest line, 11 + `line`")
    store = yield from board.store()
    token = body[HelloReplyKey.TOKEN]
    if store is Store.EMPTY and token is not None:
        raise NotMet("nothing is stored, and `token` is not null")
    if store is not Store.EMPTY and token is None:
        raise NotMet("something is stored, and `token` is null")


def same_again(board: BoardUnderTest) -> Steps[None]:
    """Nothing in hello changes while nothing is done, save `listens`."""
    first = dict((yield from board.say_hello()))
    began = board.now
    yield from board.silence(400)
    second = dict((yield from board.say_hello()))
    passed = board.now - began
    before, after = first.pop(HelloReplyKey.LISTENS), second.pop(HelloReplyKey.LISTENS)
    if first != second:
        changed = [key for key in first if first[key] != second.get(key)]
        names = ", ".join(HelloReplyKey(key).name.lower() for key in changed)
        raise NotMet(f"hello changed by itself: {names}")
    if (before is None) != (after is None):
        raise NotMet("`listens` is null at one time and a number at another")
    counted = isinstance(before, int) and isinstance(after, int)
    if counted and abs(before - after - passed) > 300:  # type: ignore[operator]
        raise NotMet(f"`listens` went from {before!a} to {after!a} while {passed} ms passed")


def hello_and_status(board: BoardUnderTest) -> Steps[None]:
    """Hello and status give the same boot number and generation."""
    for last in (False, False, True):
        yield from board.say_hello()
        status = yield from board.status()
        if status[StatusReplyKey.BOOT] != board.boot:
            raise NotMet("status gives another boot number than hello")
        if status[StatusReplyKey.GENERATION] == board.generation:
            return
        if last:  # once it can be that a trial ended just between the two
            raise NotMet("status gives another generation than hello")


def trial_has_time(board: BoardUnderTest) -> Steps[None]:
    """A board that offers trials states in its schema how long they last."""
    board.needs(Capability.TRIAL)
    yield from board.say_hello()
    if board.known_schema().trial is None:
        raise NotMet("hello offers trials, and the schema states no time for them")


# ---------------------------------------------------------------------------- schema, clause 6.2, 8


def _piece(board: BoardUnderTest, offset: int, length: int) -> Steps[bytes]:
    body = yield from board.answer(
        MessageType.GET_SCHEMA, {GetSchemaKey.OFFSET: offset, GetSchemaKey.LENGTH: length}
    )
    if body[GetSchemaReplyKey.OFFSET] != offset:
        raise NotMet(f"a piece from {body[GetSchemaReplyKey.OFFSET]!a} came, not from {offset}")
    piece = body[GetSchemaReplyKey.PIECE]
    assert isinstance(piece, bytes)
    if len(piece) > length:
        raise NotMet(f"a piece of {len(piece)} bytes came, where {length} were asked for")
    if offset + len(piece) > board.number(HelloReplyKey.SCHEMA_SIZE):
        raise NotMet("a piece reaches beyond `schema-size`")
    return piece


def _deflated(board: BoardUnderTest, length: int) -> Steps[bytes]:
    size = board.number(HelloReplyKey.SCHEMA_SIZE)
    data = b""
    pieces = 0
    while len(data) < size:
        data += yield from _piece(board, len(data), length)
        pieces += 1
        if pieces > _MOST_PIECES:
            raise NotMet(f"the schema comes in more than {_MOST_PIECES} pieces")
    return data


def schema(board: BoardUnderTest) -> Steps[None]:
    """The deflated schema inflates under the limit, ends there, has the digest, and is in form."""
    board.schema = None
    deflated = yield from _deflated(board, 470)
    digest = board.hello[HelloReplyKey.SCHEMA_DIGEST]
    assert isinstance(digest, bytes)
    try:
        board.schema = unpack(deflated, digest)
    except SchemaError as error:
        raise NotMet(str(error)) from None


def pieces(board: BoardUnderTest) -> Steps[None]:
    """Pieces of any size, from any offset, agree."""
    whole = yield from _deflated(board, 470)
    size = len(whole)
    step = max(37, size // 40)
    for at in range(0, size, step):
        for length in (1, 37, 470):
            piece = yield from _piece(board, at, length)
            if piece != whole[at : at + len(piece)]:
                raise NotMet(f"the {length} bytes from {at} differ from what came before")
    for at in (size - 1, size - 2):
        if at >= 0 and (yield from _piece(board, at, 470)) != whole[at:size]:
            raise NotMet("the last bytes differ from what came before")


def beyond_schema(board: BoardUnderTest) -> Steps[None]:
    """An offset not below `schema-size` is refused with `out-of-bounds`, the size as detail."""
    size = board.number(HelloReplyKey.SCHEMA_SIZE)
    for offset in (size, size + 1, 65536 + size, 262_143):
        if size <= offset <= 262_143:
            yield from board.refused(
                MessageType.GET_SCHEMA,
                {GetSchemaKey.OFFSET: offset, GetSchemaKey.LENGTH: 1},
                Refusal.OUT_OF_BOUNDS,
                {RefusalKey.DETAIL: size},
                what=f"offset {offset}",
            )


# ------------------------------------------------------------------------------- values, clause 6.3


def entries(board: BoardUnderTest) -> Steps[None]:
    """One entry for each field, in schema order, with what is in force, and never a secret."""
    schema = board.known_schema()
    found = yield from board.values()
    keys = [entry[0] for entry in found]
    if keys != [setting.key for setting in schema.settings]:
        raise NotMet("the keys of the entries are not those of the schema in its order")
    empty = (yield from board.store()) is Store.EMPTY
    for setting, entry in zip(schema.settings, found, strict=True):
        key = setting.key
        _, held, *values = entry
        if held not in tuple(Held):
            raise NotMet(f"{key}: `held` is {held!a}, which version 1 does not have")
        if empty and held != Held.UNSET:
            raise NotMet(f"{key}: nothing is stored, and it is not unset")
        if values and (held == Held.UNSET or setting.field.is_secret):
            why = "unset" if held == Held.UNSET else "a secret"
            raise NotMet(f"{key} is {why}, and has a value")
        if not values:
            default = default_in_force(setting.field, schema)
            due = held == Held.SET or (held == Held.FELL_BACK and default is not None)
            if due and not setting.field.is_secret:
                raise NotMet(f"{key} has a value in force, and none is given")
            continue
        _check_given(setting.key, setting.field.kind is Kind.BLOB, values[0])
        if held == Held.FELL_BACK and values[0] != default_in_force(setting.field, schema):
            raise NotMet(f"{key} fell back, and its value is not the default")
        if setting.field.kind is not Kind.BLOB:
            value = values[0]
            assert isinstance(value, int | str | bytes)
            if value_refusal(setting.field, value, schema) is not None:
                raise NotMet(f"the value given for {key} is one that clause 9 refuses")


def _check_given(key: str, is_blob: bool, value: Item) -> None:
    if is_blob and (not isinstance(value, int) or isinstance(value, bool)):
        raise NotMet(f"{key} is a blob, and its value is not its length in bytes")


def pages(board: BoardUnderTest) -> Steps[None]:
    """A page begins where it was asked for, wherever that is, and says how many there are."""
    count = len(board.known_schema().settings)
    whole = yield from board.values()
    some = {0, 1, count // 3, count // 2, count - 2, count - 1, *_longer_by_id(whole)}
    for first in sorted(some):
        if not 0 <= first < count:
            continue
        reply = yield from board.ask(MessageType.GET_VALUES, {GetValuesKey.FIRST: first}, id_=0)
        body = reply.body
        if reply.type == MessageType.REFUSAL:
            raise NotMet(f"the page from {first} was refused")
        if body[GetValuesReplyKey.FIRST] != first:
            raise NotMet(f"the page from {first} says it is from {body[GetValuesReplyKey.FIRST]!a}")
        if body[GetValuesReplyKey.COUNT] != count:
            raise NotMet(f"`count` is {body[GetValuesReplyKey.COUNT]!a}, of {count} fields")
        page = body[GetValuesReplyKey.ENTRIES]
        assert isinstance(page, list)
        if page != whole[first : first + len(page)]:
            raise NotMet(f"the entries from {first} are not those that came before")
        if first + len(page) < count and leaves_room(board, page, whole[first + len(page)]):
            raise NotMet(f"the page from {first} leaves room for the entry that follows")


def _longer_by_id(whole: list[list[Item]]) -> list[int]:
    """Return from where on a page has an entry more with the shortest id than with the longest."""
    found = []
    for first in range(len(whole)):
        most = {}
        body: Body = {1: first, 2: len(whole), 3: []}
        for id_ in (0, MAX_ID):
            size = len(encode([1, int(MessageType.GET_VALUES_REPLY), id_, body]))
            for number, entry in enumerate(whole[first:], start=1):
                size += len(encode(entry)) + (number in _HEAD_GROWS)
                if not _fits(size):
                    most[id_] = number
                    break
        if len(set(most.values())) > 1:
            found.append(first)
    return found[:3]


def _fits(size: int) -> bool:
    """Whether an item of so many bytes fits into the longest BODY."""
    return -(-size * 4 // 3) <= MAX_BODY


def leaves_room(board: BoardUnderTest, page: list[Item], follows: Item) -> bool:
    """Whether what would follow in the page of the last reply would have fitted into its line."""
    (came,) = (each for each in board.last_came if each.item is not None)
    assert came.item is not None
    return _fits(len(came.item) + len(encode(follows)) + (len(page) + 1 in _HEAD_GROWS))


def beyond_values(board: BoardUnderTest) -> Steps[None]:
    """A `first` not below the count is refused with `out-of-bounds`, the count as detail."""
    count = len(board.known_schema().settings)
    for first in (count, count + 1, 511):
        if count <= first <= 511:
            yield from board.refused(
                MessageType.GET_VALUES,
                {GetValuesKey.FIRST: first},
                Refusal.OUT_OF_BOUNDS,
                {RefusalKey.DETAIL: count},
                what=f"first {first}",
            )


# ------------------------------------------------------------------------------- status, clause 6.6


def status(board: BoardUnderTest) -> Steps[None]:
    """Status has each key exactly when there is something to say, and fits what is stored."""
    body = yield from board.status()
    check_status(board, body)
    store = body[StatusReplyKey.STORE]
    if store in (Store.COMPLETE, Store.INCOMPLETE):
        defect = yield from _defect(board)
        name = Store(store).name.lower()
        if defect is None:
            if store == Store.INCOMPLETE:
                raise NotMet(f"`store` is {name}, but by 9.6 nothing is missing or in conflict")
            return
        due: Body = {StatusReplyKey.MISSING: defect.field}
        if defect.other is not None:
            due = {StatusReplyKey.CONFLICT: [defect.field, defect.other]}
        for key, item in due.items():
            if store == Store.COMPLETE:
                raise NotMet(f"`store` is {name}, but by 9.6 `{_spelled(key)}` is due: {item!a}")
            if body.get(key) != item:
                raise NotMet(f"`{_spelled(key)}` is not {item!a}, which 9.6 names first")


def check_status(board: BoardUnderTest, body: Body) -> None:
    """End the check unless a status reply is one that clause 6.6 admits."""
    store, run = body[StatusReplyKey.STORE], body[StatusReplyKey.RUN]
    if store not in tuple(Store) or run not in tuple(Run):
        raise NotMet("`store` or `run` has a code that version 1 does not have")
    if body[StatusReplyKey.STAGED] != len(board.staged):
        raise NotMet(
            f"`staged` is {body[StatusReplyKey.STAGED]!a}, where {len(board.staged)} is due"
        )
    for key, due in (
        (StatusReplyKey.TRIAL_LEFT, store == Store.TRIAL),
        (StatusReplyKey.REASON, run == Run.FAILED),
    ):
        if (key in body) != due:
            raise NotMet(f"`{_spelled(key)}` is {'lacking' if due else 'there'}, against 6.6")
    faulty = (StatusReplyKey.MISSING in body) + (StatusReplyKey.CONFLICT in body)
    if faulty != (store == Store.INCOMPLETE):
        raise NotMet("one of `missing` and `conflict` is there exactly when `store` is incomplete")
    _check_run(body)
    field = body.get(StatusReplyKey.FIELD)
    schema = board.schema
    if isinstance(field, str) and schema is not None and schema.setting(field) is None:
        raise NotMet("`field` is not a field of the schema")


def _check_run(body: Body) -> None:
    """End the check unless what the firmware reported fits what is stored."""
    store, run = body[StatusReplyKey.STORE], body[StatusReplyKey.RUN]
    has_reported = StatusReplyKey.STEP in body
    if run in (Run.PROVEN, Run.FAILED) and not has_reported:
        raise NotMet("the firmware has reported, and `step` is lacking")
    if StatusReplyKey.ADDRESS in body and not has_reported:
        raise NotMet("`address` is there, though the firmware has not reported of this set")
    if run == Run.IDLE and has_reported:
        raise NotMet("`step` is there, though no set is in force")
    if StatusReplyKey.FIELD in body and run != Run.FAILED:
        raise NotMet("`field` is there, though nothing failed")
    if store in (Store.EMPTY, Store.INCOMPLETE) and run not in (Run.IDLE, Run.NOT_REPORTED):
        raise NotMet("no complete set is in force, and `run` is not idle")
    if store == Store.COMPLETE and run == Run.IDLE:
        raise NotMet("a complete set is in force, and `run` is idle")


def _spelled(key: int) -> str:
    return StatusReplyKey(key).name.lower().replace("_", "-")


def _defect(board: BoardUnderTest) -> Steps[Due | None]:
    """Return the first rule that what is stored breaks, by what get-values tells."""
    schema = board.known_schema()
    stored = {}
    for setting, entry in zip(schema.settings, (yield from board.values()), strict=False):
        if entry[1] == Held.SET:
            # Of secrets and blobs it only matters that they are there.
            value = entry[2] if len(entry) > 2 else ""
            assert isinstance(value, int | str | bytes)
            stored[setting.key] = value
    return first_defect(schema, stored)


READ_SCHEMA = Check(
    ("6.2.6", "6.2.5", "6.1.4", "8.1.1", "8.2.1"),
    "The schema is one that a host takes (6.2, 8)",
    schema,
)
"""Reads the schema, which most of the others want."""

READING_CHECKS = (
    Check(("6.1.1", "2.3.2", "5.6.1", "6.1.3"), "What hello announces fits together", hello),
    Check(("6.1.7", "5.2.2", "5.7.6"), "Hello stays the same while nothing happens", same_again),
    Check(("6.6.11", "6.1.6"), "Hello and status agree", hello_and_status),
    READ_SCHEMA,
    Check(("6.2.4", "6.2.1", "6.2.2", "5.7.8"), "Pieces of any size agree", pieces),
    Check(("6.2.3", "7.2.2"), "No piece from beyond the end", beyond_schema),
    Check(("5.4.1",), "A board with trials states their time", trial_has_time),
    Check(
        ("6.3.1", "6.3.4", "6.3.5", "6.3.6", "6.3.7", "6.3.9", "6.3.10", "8.2.2"),
        "An entry for each field, never a secret",
        entries,
    ),
    Check(("6.3.1", "6.3.2", "6.3.3"), "Pages begin where they are asked for", pages),
    Check(("6.3.12", "7.2.2"), "No page from beyond the end", beyond_values),
    Check(
        ("6.6.4", "6.6.1", "6.6.5", "6.6.3", "6.6.6", "6.6.9", "6.6.7", "6.6.8", "6.6.10", "9.6.8"),
        "Status says what there is to say",
        status,
    ),
)
"""What a board tells of itself; changes nothing."""
