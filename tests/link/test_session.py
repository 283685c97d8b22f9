# SPDX-License-Identifier: MIT
"""Whole sessions with a small board, in virtual time. Clauses are those of shared/protocol.md."""

from __future__ import annotations

import random
from itertools import count
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.digest import staged_digest
from provision.contract.line import encode_line
from provision.contract.messages import Message, encode_message
from provision.contract.profile import Item
from provision.contract.table import (
    Capability,
    GetSchemaKey,
    Held,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    StatusReplyKey,
    Store,
)
from provision.link import operations
from provision.link.errors import (
    BoardFault,
    BoardRefused,
    LinkError,
    NoReply,
    NotWiped,
    OtherReader,
    Refused,
    Silent,
    SpeaksElse,
    WrongVersion,
)
from provision.link.exchange import Exchange, LossReason, Lost, Notice, Request, RequestResult
from provision.link.operations import StagedChange
from provision.link.replies import (
    CommitOutcome,
    HeldValue,
    Hello,
    Network,
    NotStored,
    Status,
    Stored,
    Unknown,
)
from provision.link.session import ProcedureRun, Session
from tests.link.virtual import LINE, SmallBoard, VirtualLine, body_of, line_of, lose

TOKEN = bytes(range(8))
CHANGES: list[StagedChange] = [
    ("mast.probe-0", "weather"),
    ("mast.probe-1", 7),
    ("mast.probe-2", None),
    ("mast.probe-3", b"\x01" * 20),
]


def greeted(board: SmallBoard, **options: Any) -> tuple[VirtualLine, Hello]:
    """Return a line whose board has been met."""
    line = VirtualLine(board, **options)
    return line, line.run(operations.greet(5.0))


def store(
    line: VirtualLine, hello: Hello, changes: list[StagedChange] | None = None
) -> CommitOutcome:
    """Store through the line."""
    return line.run(
        operations.store(
            hello,
            CHANGES if changes is None else changes,
            TOKEN,
            while_storing=line.session.limits.receives_while_storing,
        )
    )


def types(line: VirtualLine) -> list[int]:
    """Return the types of the requests that the host sent."""
    return [body_of(sent).type for sent in line.sent]


# --- Flights


def test_a_cold_run_takes_three_flights() -> None:
    """Hello; discard, schema and values; the fields, commit and status: one round trip each."""
    latency = 0.1
    board = SmallBoard(keys=SmallBoard.keys[:12])
    line, hello = greeted(board, latency=latency, baud=100_000_000)
    runs: list[ProcedureRun[Any]] = [
        line.start(operations.discard(hello.boot)),
        line.start(operations.read_schema(hello.schema_size)),
        line.start(operations.read_values()),
    ]
    line.until(lambda: all(run.finished for run in runs))
    outcome = store(line, hello)
    assert isinstance(outcome, Stored)
    assert outcome.status is not None
    assert outcome.status.generation == outcome.generation == 1
    assert line.now == pytest.approx(3 * 2 * latency, abs=0.01)


def test_without_receiving_while_storing_nothing_follows_commit() -> None:
    """Only when the commit reply came does the next request go out (5.6)."""
    board = SmallBoard(capabilities=Capability(0))
    replies: list[int] = []
    line, hello = greeted(board)
    line.at[6] = lambda: replies.append(line.received)
    storing = line.start(operations.store(hello, CHANGES, TOKEN))
    asking = line.start(operations.read_status_now())
    line.until(lambda: asking.finished)
    assert types(line)[5:] == [MessageType.COMMIT, MessageType.STATUS]
    assert replies == [6]  # to hello, four fields, and commit
    assert storing.result() == Stored(1)


@pytest.mark.parametrize("credit", [666, 700, 2048])
def test_credit_is_never_exceeded(credit: int) -> None:
    """Bytes unanswered stay within the credit, at every moment of a session (5.6)."""
    board = SmallBoard(credit=credit, keys=tuple(f"mast.probe-{n}" for n in range(60)))
    line, hello = greeted(board)
    unanswered = 0
    most = 0
    receive, poll = line.session.receive, line.session.poll

    def counted_receive(data: bytes, now: float) -> None:
        nonlocal unanswered
        if data.startswith(b"\n~"):
            unanswered -= sizes.pop(body_of(data).id)
        receive(data, now)

    def counted_poll(now: float) -> bytes:
        nonlocal unanswered, most
        out = poll(now)
        for sent in LINE.findall(out):
            sizes[body_of(sent).id] = len(sent)
            unanswered += len(sent)
        most = max(most, unanswered)
        return out

    sizes: dict[int, int] = {}
    line.session.receive = counted_receive  # type: ignore[method-assign]
    line.session.poll = counted_poll  # type: ignore[method-assign]
    changes: list[StagedChange] = [(key, "x" * 100) for key in board.keys]
    assert isinstance(store(line, hello, changes), Stored)
    assert credit - 170 < most <= credit


# --- Hello


def test_hello_is_repeated_every_250_ms_with_the_same_bytes() -> None:
    """A board that starts late is met as soon as it listens (5.3)."""
    line = VirtualLine(SmallBoard(), to_board=lose(0, 1, 2))
    line.run(operations.greet(None))
    assert len(line.sent) == 4
    assert len(set(line.sent)) == 1
    assert 0.75 <= line.now < 0.85


@pytest.mark.parametrize(
    ("heard", "error"),
    [
        (b"", Silent),
        (b"boot: version 3 of something\r\n", SpeaksElse),
        (b"\n~hAEBB6AKJIDNK@E\n", SpeaksElse),
        (b"\n~damaged\n", SpeaksElse),
        (b"\n~ # command not found\r\n", SpeaksElse),
        (b"\n~hAEBB6AKJIDNK@F\n", BoardFault),
    ],
)
def test_no_answer_to_hello_is_told_by_what_came_instead(
    heard: bytes, error: type[LinkError]
) -> None:
    """Silence, other text, an echo, and frames that all fail alike are different things."""
    line = VirtualLine(SmallBoard(instead={MessageType.HELLO: lambda _: heard}))
    with pytest.raises(error):
        line.run(operations.greet(5.0))
    assert 5.0 <= line.now < 5.3
    if error is SpeaksElse:
        assert Notice.SPEAKS_ELSE in line.notices
    assert Notice.OTHER_READER not in line.notices


def test_answers_that_are_damaged_differently_are_another_readers() -> None:
    """Who shares the port takes now this of an answer, now that."""
    lost = iter(range(1000))
    line = VirtualLine(SmallBoard(), to_host=lambda _, reply: reply[: -10 - next(lost)] + b"\n")
    with pytest.raises(OtherReader, match="another program"):
        line.run(operations.greet(5.0))
    assert line.notices.count(Notice.OTHER_READER) == 1


def test_a_firmware_at_fault_is_said_after_ten_seconds_however_long_one_would_wait() -> None:
    """A board that is waited for may be plugged in any time; this one has answered (5.7)."""
    line = VirtualLine(SmallBoard(), to_host=lambda _, reply: reply[:-2] + b"@\n")
    with pytest.raises(BoardFault, match="all its lines have a wrong CHECK"):
        line.run(operations.greet(None))
    assert 10.0 <= line.now < 10.5


def test_a_frame_cut_off_when_the_port_was_opened_does_not_clear_the_firmware() -> None:
    """One line that fails otherwise stands against many that fail alike."""
    sent = iter([b"\n~hAEBB6AK\n"])

    def wrong(_: int, reply: bytes) -> bytes:
        return next(sent, reply[:-2] + b"@\n")

    with pytest.raises(BoardFault, match="all its lines have a wrong CHECK"):
        VirtualLine(SmallBoard(), to_host=wrong).run(operations.greet(5.0))


def test_long_replies_that_fail_alike_are_asked_for_in_shorter_ones_first() -> None:
    """What does not fit some buffer on the way comes through in halves (5.7)."""
    schema = random.Random(1).randbytes(1376)
    line, hello = greeted(SmallBoard(schema=schema))
    line.to_host = lambda _, reply: reply if len(reply) < 400 else reply[:-2] + b"@\n"
    assert line.run(operations.read_schema(hello.schema_size)) == schema


@pytest.mark.parametrize(
    "wrong",
    [
        {HelloReplyKey.CREDIT: 0},
        {HelloReplyKey.LINE: 127},
        {HelloReplyKey.LINE: 656},
        {HelloReplyKey.LINE: 655, HelloReplyKey.CREDIT: 665},
        {HelloReplyKey.UNIT: b""},
    ],
)
def test_a_hello_reply_that_breaks_the_protocol_is_said_at_once(wrong: dict[int, Any]) -> None:
    """Limits that nobody could keep to are the board's fault, and named."""
    board = SmallBoard()
    board.instead[MessageType.HELLO] = lambda _: board.hello_body() | wrong
    line = VirtualLine(board)
    with pytest.raises(BoardFault, match=r"hello-reply: `\w+`"):
        line.run(operations.greet(None))
    assert line.now < 2


def test_a_board_of_another_version_is_told() -> None:
    """Hello is answered in any version; without one in common the two cannot talk (4.2)."""
    board = SmallBoard()
    board.instead[MessageType.HELLO] = lambda message: line_of(
        MessageType.HELLO_REPLY, message.id, board.hello_body() | {HelloReplyKey.VERSIONS: [2]}, 2
    )
    with pytest.raises(WrongVersion, match="version 2"):
        VirtualLine(board).run(operations.greet(1.0))


def test_unknown_keys_and_codes_of_a_reply_are_passed_over() -> None:
    """A later board may say more than this version knows (4.2)."""
    board = SmallBoard()
    board.instead = {
        MessageType.HELLO: lambda _: board.hello_body() | {30: "new", 99: [1]},
        MessageType.STATUS: lambda _: board.status_body() | {StatusReplyKey.RUN: 77, 40: 1},
    }
    line, _ = greeted(board)
    assert line.run(operations.read_status_now()).run == 77


# --- Schema


@pytest.mark.parametrize("size", [1, 469, 470, 471, 1376, 5000])
@pytest.mark.parametrize("piece", [470, 200, 33, 7])
def test_a_schema_is_read_whole_however_short_the_pieces(size: int, piece: int) -> None:
    """A board may give less than it was asked for (6.2)."""
    schema = random.Random(size).randbytes(size)
    line, hello = greeted(SmallBoard(schema=schema, piece=piece))
    assert line.run(operations.read_schema(hello.schema_size)) == schema


def test_half_the_length_is_asked_for_after_two_lost_replies() -> None:
    """Where long lines do not come through, shorter ones may (5.7)."""
    schema = random.Random(1).randbytes(1376)
    board = SmallBoard(schema=schema)
    line, hello = greeted(board)
    line.to_host = lambda _, reply: reply if len(reply) < 400 else b""
    assert line.run(operations.read_schema(hello.schema_size)) == schema
    asked = [m.body[GetSchemaKey.LENGTH] for m in board.requests if m.type == 3]
    assert asked[:3] == [470, 470, 436]
    assert set(asked) == {470, 436, 235, 218}


def test_a_schema_that_never_comes_is_given_up() -> None:
    """Nothing waits for ever."""
    board = SmallBoard(instead={MessageType.GET_SCHEMA: lambda _: b"\n"})
    line, hello = greeted(board)
    with pytest.raises(NoReply, match="get-schema"):
        line.run(operations.read_schema(hello.schema_size))
    assert line.now < 60


@pytest.mark.parametrize(
    "answer",
    [
        lambda m: {1: m.body[1] + 1, 2: b"x"},
        lambda m: {1: m.body[1], 2: b"x" * (m.body[2] % 470 + 1)},
        lambda _: {1: 0, 2: b""},
        lambda _: {1: 0},
        lambda m: line_of(MessageType.GET_VALUES_REPLY, m.id, {1: 0, 2: 1, 3: [["a.b", 0]]}),
        lambda m: line_of(MessageType.GET_SCHEMA_REPLY, m.id, {1: 0, 2: b"x"}, 3),
    ],
)
def test_pieces_not_asked_for_end_in_one_clear_error(answer: Any) -> None:
    """Wrong offsets, too much, nothing, another type, another version: the board's fault."""
    line, hello = greeted(SmallBoard(schema=bytes(100), instead={MessageType.GET_SCHEMA: answer}))
    with pytest.raises(BoardFault):
        line.run(operations.read_schema(hello.schema_size))


def test_endless_crumbs_of_schema_are_given_up() -> None:
    """A board that gives the largest schema byte by byte is not listened to for ever."""
    line, hello = greeted(SmallBoard(schema=bytes(262144), piece=1), baud=10_000_000)
    with pytest.raises(BoardFault, match="not asked for"):
        line.run(operations.read_schema(hello.schema_size))


@pytest.mark.parametrize(
    "procedure",
    [lambda hello: operations.read_schema(hello.schema_size), lambda _: operations.read_values()],
    ids=["schema", "values"],
)
def test_a_board_that_is_late_every_time_is_given_up(procedure: Any) -> None:
    """It answers each request in the end, but hours of that are no help to a person (5.7)."""
    keys = tuple(f"mast.probe-{number}" for number in range(400))
    board = SmallBoard(schema=bytes(262144), piece=32, keys=keys, page=1)
    line, hello = greeted(board)
    answered: set[int] = set()

    def lose_the_first(_: int, reply: bytes) -> bytes:
        request = body_of(reply).id
        if request in answered:
            return reply
        answered.add(request)
        return b""

    line.to_host = lose_the_first
    with pytest.raises(NoReply, match="takes too long to say what it needs"):
        line.run(procedure(hello))
    assert line.now < 5 * 60


def test_a_refused_piece_is_the_boards_word() -> None:
    """A refusal comes through as it is."""
    line, hello = greeted(SmallBoard(instead={MessageType.GET_SCHEMA: lambda _: Refusal.BUSY}))
    with pytest.raises(BoardRefused, match="busy"):
        line.run(operations.read_schema(hello.schema_size))
    assert line.now > 9  # it was asked again meanwhile


# --- Values


def test_values_are_read_page_by_page() -> None:
    """All fields come, in schema order, with what is held (6.3)."""
    board = SmallBoard(stored={"mast.probe-3": 5}, page=4)
    line, _ = greeted(board)
    values = line.run(operations.read_values())
    assert tuple(values) == board.keys
    assert values["mast.probe-3"] == HeldValue(Held.SET, 5)
    assert values["mast.probe-4"] == HeldValue(Held.UNSET)
    assert types(line).count(MessageType.GET_VALUES) == 4


@pytest.mark.parametrize(
    ("starts", "requests"),
    [
        ((4, 8), [0, 4, 8]),  # as the board's pages are
        ((3, 6), [0, 3, 6]),  # too early: entries 3, 6 and 7 come twice
        ((5,), [0, 5, 4, 9]),  # too late: what lies between comes afterwards
        ((1, 2, 3), [0, 1, 2, 3, 7]),
    ],
)
def test_pages_are_asked_for_where_they_are_expected(
    starts: tuple[int, ...], requests: list[int]
) -> None:
    """All in one flight, the first included; the result does not depend on the guess (6.3)."""
    board = SmallBoard(stored={"mast.probe-3": 5}, page=4)
    board.keys = board.keys[:10]
    line, _ = greeted(board)
    expected = line.run(operations.read_values())
    before = len(board.requests)
    assert list(line.run(operations.read_values(starts)).items()) == list(expected.items())
    asked = [message.body[1] for message in board.requests[before:]]
    assert asked == requests


@pytest.mark.parametrize(
    "page",
    [
        {1: 1, 2: 2, 3: [["a.b", 0]]},
        {1: 0, 2: 1, 3: [["a.b", 0], ["a.c", 0]]},
        {1: 0, 2: 3, 3: [["a.b", 0], ["a.b", 0]]},
        {1: 0, 2: 3, 3: [["a.b", 0]]},
    ],
)
def test_a_list_of_values_that_contradicts_itself_is_refused(page: dict[int, Any]) -> None:
    """Wrong page, more than there are, the same twice, the same page again."""
    line, _ = greeted(SmallBoard(instead={MessageType.GET_VALUES: lambda _: page}))
    with pytest.raises(BoardFault, match="contradicts"):
        line.run(operations.read_values())


def test_a_count_of_values_that_changes_is_refused() -> None:
    """A list that grows while it is read has no end."""
    counts = iter(range(2, 600))

    def page(message: Message) -> dict[int, Any]:
        return {1: message.body[1], 2: next(counts), 3: [["a.f-" + str(len(board.requests)), 0]]}

    board = SmallBoard(instead={MessageType.GET_VALUES: page})
    line, _ = greeted(board)
    with pytest.raises(BoardFault, match="contradicts"):
        line.run(operations.read_values())


@pytest.mark.parametrize("again", ["a.one", "a.two"])
def test_a_board_that_gives_values_twice_is_at_fault(again: str) -> None:
    """Page after page of what is known already would have no end; the first repeat ends it."""
    reading = operations.read_values()
    (request,) = next(reading)
    page: list[Item] = [["a.one", 0], ["a.two", 0]]
    (request,) = reading.send(RequestResult(0, request, {1: 0, 2: 3, 3: page}))
    with pytest.raises(BoardFault, match="contradicts itself"):
        reading.send(RequestResult(1, request, {1: 2, 2: 3, 3: [[again, 0]]}))


# --- Storing


def test_storing_stages_and_commits_exactly_the_changes() -> None:
    """What arrives is what was to be stored; a cleared field too."""
    board = SmallBoard(stored={"mast.probe-2": "old"})
    line, hello = greeted(board)
    progress: list[tuple[int, int]] = []
    opened: list[bool] = []
    outcome = line.run(
        operations.store(
            hello,
            CHANGES,
            TOKEN,
            on_progress=lambda done, of: progress.append((done, of)),
            on_open=opened.append,
        )
    )
    assert outcome == Stored(1)
    assert board.stored == dict(CHANGES)
    assert progress == [(0, 5), (1, 5), (2, 5), (3, 5), (4, 5), (5, 5)]
    assert opened == [True]


def test_there_must_be_something_to_store() -> None:
    """An empty set is a mistake of the caller's; no board accepts one (11.2)."""
    line, hello = greeted(SmallBoard())
    with pytest.raises(ValueError, match="nothing"):
        line.run(operations.store(hello, [], TOKEN))


@pytest.mark.parametrize("board_line", [128, 300, 655])
@pytest.mark.parametrize("length", [90, 500, 5000])
def test_long_values_go_in_parts_that_fit_the_boards_line(board_line: int, length: int) -> None:
    """Nothing longer than the announced line is sent, and the value arrives whole (6.4)."""
    blob = random.Random(length).randbytes(length)
    board = SmallBoard(line=board_line, credit=board_line * 4)
    line, hello = greeted(board)
    text = "ä" * 100
    changes: list[StagedChange] = [
        ("mast.probe-0", text),
        ("mast.probe-1", 1),
        ("mast.probe-2", blob),
    ]
    board_text = text.encode()
    digest = staged_digest(changes)
    # The small board keeps parts as bytes; a real one knows that the field is text.
    board.instead[MessageType.COMMIT] = lambda m: (
        {1: 9}
        if m.body[2] == digest
        and board.staged
        == {
            "mast.probe-0": text if board_line >= 300 else board_text,
            "mast.probe-1": 1,
            "mast.probe-2": blob,
        }
        else Refusal.SET_DIFFERS
    )
    assert isinstance(store(line, hello, changes), Stored)
    assert max(len(sent) for sent in line.sent) <= board_line + 11


NUMBERS = st.integers(1, 40)


@given(st.sets(NUMBERS, max_size=2), st.sets(NUMBERS, max_size=2))
def test_lost_lines_cost_time_and_nothing_else(out: set[int], back: set[int]) -> None:
    """Whichever requests and replies are lost, the set is stored once and is what was to be."""
    changes: list[StagedChange] = [*CHANGES, ("mast.probe-9", bytes(range(200)) * 10)]
    board = SmallBoard()
    line, hello = greeted(board, to_board=lose(*out), to_host=lose(*back))
    assert isinstance(store(line, hello, changes), Stored)
    assert board.stored == dict(changes)
    assert board.commits == 1
    assert board.staged == {}


@given(st.sets(NUMBERS), st.sets(NUMBERS), st.sets(NUMBERS, max_size=2))
def test_however_bad_the_line_the_outcome_is_the_truth(
    out: set[int], back: set[int], restarts: set[int]
) -> None:
    """Stored and not stored are said only where that is so; all or nothing is stored."""
    changes: list[StagedChange] = [*CHANGES, ("mast.probe-9", bytes(range(200)) * 10)]
    board = SmallBoard()
    line, hello = greeted(board, to_board=lose(*out), to_host=lose(*back))
    line.at = dict.fromkeys(restarts, board.restart)
    opened = [False]
    try:
        outcome = line.run(operations.store(hello, changes, TOKEN, on_open=opened.append))
    except NoReply:
        assert not opened[-1]  # no commit was sent, or it was refused
        outcome = NotStored()
    assert board.stored in ({}, dict(changes))
    if not isinstance(outcome, Unknown):
        assert isinstance(outcome, Stored) == bool(board.stored)
    assert board.commits <= 1


@pytest.mark.parametrize("number", range(2, 12))
def test_a_restart_anywhere_while_staging_stages_again(number: int) -> None:
    """A new boot number in the middle costs the staged set, not the session (5.2)."""
    board = SmallBoard()
    blob = bytes(range(256)) * 5
    line, hello = greeted(board, at={number: board.restart})
    assert isinstance(store(line, hello, [*CHANGES, ("mast.probe-9", blob)]), Stored)
    assert board.stored == dict([*CHANGES, ("mast.probe-9", blob)])
    assert board.commits == 1


def test_a_set_that_differs_every_time_is_not_stored() -> None:
    """Staging again is bounded, and the board's refusal then stands."""
    board = SmallBoard(instead={MessageType.COMMIT: lambda _: Refusal.SET_DIFFERS})
    line, hello = greeted(board)
    assert store(line, hello) == NotStored(Refused(Refusal.SET_DIFFERS))
    assert types(line).count(MessageType.COMMIT) == 4


@pytest.mark.parametrize("credit", [666, 60000])
def test_a_refused_field_is_named_and_nothing_stored(credit: int) -> None:
    """The board's refusal of a value stands, whether commit is on its way already or not."""
    board = SmallBoard(credit=credit)
    board.instead[MessageType.SET_FIELD] = lambda m: (
        (Refusal.LENGTH, {RefusalKey.FIELD: "mast.probe-1"})
        if m.body[1] == "mast.probe-1"
        else None
    )
    line, hello = greeted(board)
    changes: list[StagedChange] = [(f"mast.probe-{n}", "x" * 200) for n in range(6)]
    assert store(line, hello, changes) == NotStored(Refused(Refusal.LENGTH, "mast.probe-1"))
    assert board.commits == 0
    assert (MessageType.COMMIT in types(line)) == (credit == 60000)


def test_a_refused_value_in_parts_is_named() -> None:
    """A refusal other than a gap ends the parts at once."""
    refusal = (Refusal.WRONG_KIND, {RefusalKey.FIELD: "mast.probe-1"})
    line, hello = greeted(SmallBoard(instead={MessageType.SET_FIELD: lambda _: refusal}))
    outcome = store(line, hello, [("mast.probe-1", bytes(2000))])
    assert outcome == NotStored(Refused(Refusal.WRONG_KIND, "mast.probe-1"))


@pytest.mark.parametrize("received", [{}, {2: 5000}, {2: 1}])
def test_a_board_that_miscounts_parts_is_at_fault(received: dict[int, Any]) -> None:
    """More than the value has, less than was acknowledged, or no count is no answer (6.4)."""
    line, hello = greeted(SmallBoard(instead={MessageType.SET_FIELD: lambda _: {1: 0} | received}))
    with pytest.raises(BoardFault, match="miscounts"):
        store(line, hello, [("mast.probe-1", bytes(2000))])


@pytest.mark.parametrize("step", [0, 1])
def test_a_board_that_never_gets_further_with_parts_is_given_up(step: int) -> None:
    """Parts that never continue, or continue byte by byte, do not go round for ever."""
    expected = count(1, step)

    def gap(_: Message) -> Any:
        return Refusal.GAP, {RefusalKey.DETAIL: next(expected)}

    line, hello = greeted(SmallBoard(instead={MessageType.SET_FIELD: gap}))
    outcome = store(line, hello, [("mast.probe-1", bytes(16_000))])
    assert line.now < 10
    assert isinstance(outcome, NotStored)
    assert outcome.refused is not None
    assert outcome.refused.code == Refusal.GAP


@pytest.mark.parametrize(("losses", "outcome"), [(3, Stored), (4, NotStored)])
def test_a_value_whose_parts_the_board_lost_begins_anew_three_times(
    losses: int, outcome: type[Stored | NotStored]
) -> None:
    """Gaps at offset 0: a board that forgot the parts. So often is a restart, oftener a fault."""
    gaps = iter([Refusal.GAP] * losses)

    def forget(_: Message) -> Any:
        refusal = next(gaps, None)
        return refusal and (refusal, {RefusalKey.DETAIL: 0})

    line, hello = greeted(SmallBoard(instead={MessageType.SET_FIELD: forget}))
    assert isinstance(store(line, hello, [("mast.probe-1", bytes(2000))]), outcome)


@pytest.mark.parametrize(
    ("code", "more", "refused"),
    [
        (Refusal.MISSING, {2: "mast.probe-5"}, Refused(Refusal.MISSING, "mast.probe-5")),
        (
            Refusal.PIN_CONFLICT,
            {2: "mast.probe-1", 4: "mast.probe-0"},
            Refused(Refusal.PIN_CONFLICT, "mast.probe-1", "mast.probe-0"),
        ),
        (200, {}, Refused(200)),
    ],
)
def test_a_refused_commit_is_the_outcome(code: int, more: dict[int, Any], refused: Refused) -> None:
    """Rules of the whole come back as not stored, with the fields; unknown codes too."""
    line, hello = greeted(SmallBoard(instead={MessageType.COMMIT: lambda _: (code, more)}))
    assert store(line, hello) == NotStored(refused)


@pytest.mark.parametrize("code", [Refusal.STORAGE, Refusal.PRESENCE])
@pytest.mark.parametrize("done", [False, True])
def test_a_refusal_that_a_later_copy_may_undo_is_settled_by_the_token(
    code: Refusal, done: bool
) -> None:
    """Of a repeated commit one copy may be refused and the other done: hello tells (5.3)."""
    board = SmallBoard()

    def refuse(_: Message) -> Refusal:
        if done:
            board.token, board.generation = TOKEN, 4
        return code

    board.instead[MessageType.COMMIT] = refuse
    line, hello = greeted(board)
    told: list[bool] = []
    outcome = line.run(operations.store(hello, CHANGES, TOKEN, on_open=told.append))
    assert outcome == (Stored(4) if done else NotStored(Refused(code)))
    # Who is told that the outcome is open must not be told otherwise until it is known.
    assert told == ([True] if done else [True, False])


def test_a_lost_commit_reply_is_asked_for_again_and_nothing_is_written_twice() -> None:
    """The same token again is answered, not done again (6.5)."""
    board = SmallBoard()
    line, hello = greeted(board, to_host=lambda n, reply: b"" if n == 5 else reply)
    assert store(line, hello) == Stored(1, Status(Store.COMPLETE, 0, 1, 1, 77))
    assert (board.commits, types(line).count(MessageType.COMMIT)) == (1, 2)


def deaf_to_commit(board: SmallBoard, *, durable: bool) -> None:
    """Let the board do a commit, or not, and never answer it."""

    def silently(_: Message) -> bytes:
        if durable:
            board.token = TOKEN
            board.generation = 4
        return b"\n"

    board.instead[MessageType.COMMIT] = silently


@pytest.mark.parametrize(("durable", "outcome"), [(True, Stored(4)), (False, NotStored())])
def test_the_token_settles_a_commit_that_was_never_answered(
    durable: bool, outcome: CommitOutcome
) -> None:
    """A later hello shows the token, or another one (5.3)."""
    board = SmallBoard()
    deaf_to_commit(board, durable=durable)
    line, hello = greeted(board)
    assert store(line, hello) == outcome
    assert line.now > 10


def test_a_commit_is_unknown_when_no_board_answers_any_more() -> None:
    """Nobody can say what became of it, and the host says just that (5.3)."""
    board = SmallBoard()
    line, hello = greeted(board)
    board.instead[MessageType.COMMIT] = lambda _: b"\n"
    board.instead[MessageType.HELLO] = lambda _: b"\n"
    assert store(line, hello) == Unknown()
    assert line.now < 60


def test_another_board_at_the_port_settles_nothing() -> None:
    """Only the same unit can say that it did not store."""
    board = SmallBoard(unit=b"another", token=bytes(8))
    line = VirtualLine(board)
    assert line.run(operations.resolve_commit(TOKEN, b"unit-one")) == Unknown()
    assert line.run(operations.resolve_commit(TOKEN, None)) == NotStored()
    assert line.run(operations.resolve_commit(bytes(8), b"unit-one")) == Stored(0)


def test_a_restart_after_the_commit_leaves_it_stored() -> None:
    """Firmware that applies by restarting may never answer the status that rode along."""
    board = SmallBoard(instead={MessageType.STATUS: lambda _: b"\n"})
    line, hello = greeted(board)
    assert store(line, hello) == Stored(1, None)
    assert types(line).count(MessageType.STATUS) == 1


def test_a_field_given_up_while_the_board_stores_does_not_matter() -> None:
    """The commit's count and digest cover a field whose reply never came (6.5)."""
    board = SmallBoard(commit_time=30_000)
    answers = iter([b"\n", None])
    board.instead[MessageType.COMMIT] = lambda _: next(answers)
    line, hello = greeted(board, to_host=lose(1))
    assert store(line, hello) == Stored(1)
    assert line.now > 30
    assert types(line).count(MessageType.SET_FIELD) == len(CHANGES)


def test_leftovers_of_an_earlier_session_do_not_get_in() -> None:
    """What is staged beyond the set makes it differ, and it is staged again (6.5)."""
    board = SmallBoard(staged={"mast.probe-9": "leftover"})
    line, hello = greeted(board)
    assert isinstance(store(line, hello), Stored)
    assert board.stored == dict(CHANGES)


# --- Log text, damage, strangers


def test_log_text_that_cuts_into_frames_costs_a_repeat() -> None:
    """Another task's output breaks a frame; its text comes out cleaned (2.2)."""

    def cut(number: int, reply: bytes) -> bytes:
        return reply[:30] + b"\r\nW (77) mast: wind\r\n" + reply[30:] if number == 1 else reply

    line, _ = greeted(SmallBoard(), to_host=cut)
    assert line.run(operations.read_values())
    assert "W (77) mast: wind" in line.log
    assert all("~" not in text for text in line.log)
    assert Notice.WAITING in line.notices


def test_an_echoing_console_does_no_harm() -> None:
    """A host ignores odd types (2.2)."""
    board = SmallBoard()
    line = VirtualLine(board)
    receive = board.receive
    board.receive = lambda data: data + receive(data)  # type: ignore[method-assign]
    hello = line.run(operations.greet(5.0))
    assert isinstance(store(line, hello), Stored)
    assert board.stored == dict(CHANGES)


def test_log_text_beside_settings_is_withheld_and_said_once() -> None:
    """Damage may cut an echo of a secret into what looks like log text (2.2)."""
    noise = b"\r\nW (77) mast: wind\r\nW (78) mast: gale\r\n"
    line, hello = greeted(SmallBoard())
    line.to_host = lambda _, reply: noise + reply
    line.run(operations.read_status_now())
    assert line.log == ["W (77) mast: wind", "W (78) mast: gale"]
    line.log.clear()
    assert isinstance(store(line, hello, [CHANGES[0]]), Stored)
    assert line.log[0] == "[log withheld while settings are sent]"
    assert line.log[1] != line.log[0]  # once, though two lines came with the reply
    line.log.clear()
    line.run(operations.read_status_now())
    assert line.log == ["W (77) mast: wind", "W (78) mast: gale"]


def test_replies_to_an_earlier_host_are_ignored() -> None:
    """An id for which nobody waits any longer means nothing (4.1)."""
    board = SmallBoard()

    def stale(message: Message) -> bytes:
        old = line_of(MessageType.STATUS_REPLY, message.id ^ 0x4000, board.status_body())
        return old + line_of(MessageType.STATUS_REPLY, message.id, board.status_body())

    board.instead[MessageType.STATUS] = stale
    line, _ = greeted(board)
    assert line.run(operations.read_status_now()).boot == 77


def test_what_is_on_its_way_and_what_came_back_show_no_secret() -> None:
    """Neither the representation of an answer, nor that of a request that waits for one."""
    exchange = Exchange(baud=115200, first_id=0)
    exchange.submit(Request(MessageType.SET_FIELD, {1: "net.pass", 2: "blossom-road"}), 0.0)
    line = exchange.poll(0.0)
    waiting = repr(exchange._sent)
    assert "_Pending" in waiting
    assert line.strip().decode() not in waiting
    answer = RequestResult(
        0, Request(MessageType.GET_VALUES), {3: [["net.name", 1, "blossom-road"]]}
    )
    assert "blossom-road" not in repr(answer)


@pytest.mark.parametrize(("version", "taken"), [(1, True), (2, False), (255, False)])
def test_a_reply_of_another_version_is_malformed(version: int, taken: bool) -> None:
    """Only hello and refusal are the same in every version (clause 4.2)."""
    exchange = Exchange(baud=115200, first_id=7)
    exchange.submit(Request(MessageType.STATUS), 0.0)
    assert exchange.poll(0.0)
    status: dict[int, Item] = {1: 0, 2: 0, 3: 0, 8: 1, 9: 1}
    reply = Message(version, MessageType.STATUS_REPLY, 7, status)
    for _ in range(2):
        exchange.receive(encode_line(encode_message(reply)), 0.0)
    (answer,) = exchange.take_answers()
    if taken:
        assert answer.result == status
    else:
        assert isinstance(answer.result, Lost)
        assert answer.result.why is LossReason.MALFORMED
        assert f"version {version}" in answer.result.fault


def test_many_damaged_frames_point_to_another_reader() -> None:
    """Who shares the port gets part of each answer, never the same."""
    line, _ = greeted(SmallBoard())
    lost = iter(range(1, 1000))
    line.to_host = lambda _, reply: reply[:5] + reply[5 + next(lost) % 20 :]
    with pytest.raises(OtherReader):
        line.run(operations.read_status_now())
    assert line.notices.count(Notice.OTHER_READER) == 1


@pytest.mark.parametrize(("damaged", "error"), [(2, NoReply), (3, OtherReader)])
def test_three_damaged_frames_are_no_accident(damaged: int, error: type[LinkError]) -> None:
    """Where no more than two answers came, and came damaged, it may be the cable."""
    line, _ = greeted(SmallBoard())
    count = iter(range(1000))
    line.to_host = lambda _, reply: (
        reply[:5] + reply[6 + at :] if (at := next(count)) < damaged else b""
    )
    with pytest.raises(error):
        line.run(operations.read_status_now())


def test_a_frame_that_is_no_message_is_damage() -> None:
    """An item outside the profile is ignored as if its line were damaged (3)."""
    board = SmallBoard()
    answers = iter([encode_line(b"\xf7"), None])  # CBOR's undefined
    board.instead[MessageType.STATUS] = lambda _: next(answers)
    line, _ = greeted(board)
    line.run(operations.read_status_now())
    assert types(line).count(MessageType.STATUS) == 2


def test_a_silent_board_is_given_up_after_ten_seconds() -> None:
    """The wait doubles up to a second more than the first, and ends (5.7)."""
    line, _ = greeted(SmallBoard(instead={MessageType.LOCATE: lambda _: b"\n"}))
    start = line.now
    with pytest.raises(NoReply, match="locate"):
        line.run(operations.locate())
    assert line.now - start == pytest.approx(10, abs=0.01)
    assert types(line).count(MessageType.LOCATE) == 10  # at 0, .26, .78, 1.8, then each 1.26 s


def test_a_new_boot_number_is_told() -> None:
    """Hello and status both show that the board restarted; another unit is no restart."""
    board = SmallBoard()
    line, _ = greeted(board)
    line.run(operations.read_status_now())
    assert line.notices == []
    board.restart()
    line.run(operations.read_status_now())
    assert line.notices == [Notice.RESTARTED]
    board.unit = b"another"
    board.restart()
    line.run(operations.greet(1.0))
    assert line.notices == [Notice.RESTARTED]


# --- The other requests


def test_discard_drops_what_is_staged() -> None:
    """After a restart nothing is staged, so that moved-on is as good; any other refusal stands."""
    board = SmallBoard(staged={"mast.probe-1": 1})
    line, hello = greeted(board)
    line.run(operations.discard(hello.boot))
    assert board.staged == {}
    board.restart()
    line.run(operations.discard(hello.boot))
    board.instead[MessageType.DISCARD] = lambda _: Refusal.BUSY
    with pytest.raises(BoardRefused):
        line.run(operations.discard(hello.boot))


@pytest.mark.parametrize("procedure", [operations.undo, operations.erase, operations.confirm])
def test_changes_of_generation_return_the_new_one(procedure: Any) -> None:
    """Each names the generation that it acts on (6.7)."""
    line, _ = greeted(SmallBoard(generation=6))
    assert line.run(procedure(6)) == 7
    with pytest.raises(BoardRefused, match="start again"):
        line.run(procedure(6))


@pytest.mark.parametrize("procedure", [operations.undo, operations.confirm])
def test_a_lost_reply_and_a_restart_are_told_from_another_change(procedure: Any) -> None:
    """Moved-on after a loss: the token tells whether it was done, not the generation (6.7)."""
    line, _ = greeted(SmallBoard(generation=6), to_host=lose(2))
    assert line.run(procedure(6)) == 7
    line, _ = greeted(SmallBoard(generation=9, store=Store.TRIAL), to_host=lose(2))
    with pytest.raises(BoardRefused):
        line.run(procedure(6))


@pytest.mark.parametrize("code", [Refusal.STORAGE, Refusal.PRESENCE])
@pytest.mark.parametrize(
    ("procedure", "kind"),
    [(operations.undo, MessageType.UNDO), (operations.confirm, MessageType.CONFIRM)],
)
def test_a_refused_change_is_refused_unless_the_board_shows_it_done(
    procedure: Any, kind: MessageType, code: Refusal
) -> None:
    """A copy of the request may have been done before or after the one that was refused (6.7)."""
    board = SmallBoard(generation=6, store=Store.TRIAL, instead={kind: lambda _: code})
    line, _ = greeted(board)
    with pytest.raises(BoardRefused) as raised:
        line.run(procedure(6))
    assert raised.value.refused == Refused(code)

    def done_and_refused(message: Message) -> Refusal:
        getattr(board, f"_{kind.name.lower()}")(message.body)
        return code

    board.instead[kind] = done_and_refused
    assert line.run(procedure(6)) == 7


def test_a_board_that_erased_and_could_not_wipe_is_asked_again() -> None:
    """`storage` leaves the set out of force, and the next erase names the new generation (6.7)."""
    board = SmallBoard(generation=6, store=Store.COMPLETE)
    refusals = iter([Refusal.STORAGE])

    def erase(message: Message) -> Any:
        done = board._moving(message.body, Store.EMPTY)
        return next(refusals, done)

    board.instead[MessageType.ERASE] = erase
    line, _ = greeted(board)
    assert line.run(operations.erase(6)) == 8
    asked = [message.body for message in board.requests if message.type == MessageType.ERASE]
    assert asked == [{1: 6}, {1: 7}]


def test_a_board_that_can_never_wipe_all_is_told_from_one_that_did_not_erase() -> None:
    """Only the first has forgotten its settings; neither is asked for ever (6.7)."""
    board = SmallBoard(generation=6, store=Store.COMPLETE)
    line, _ = greeted(board)
    board.instead[MessageType.ERASE] = lambda _: Refusal.STORAGE
    with pytest.raises(BoardRefused, match="what was stored before still holds"):
        line.run(operations.erase(6))
    assert types(line).count(MessageType.ERASE) == 1

    def erase(message: Message) -> Refusal:
        board._moving(message.body, Store.EMPTY)
        return Refusal.STORAGE

    board.instead[MessageType.ERASE] = erase
    with pytest.raises(NotWiped, match="forgot its settings"):
        line.run(operations.erase(6))
    assert types(line).count(MessageType.ERASE) == 4


def test_restart_is_done_even_if_its_reply_was_lost() -> None:
    """The repeat meets a new boot number (6.7)."""
    board = SmallBoard()
    line, hello = greeted(board, to_host=lose(1))
    line.run(operations.restart(hello.boot))
    assert board.boot == 78
    with pytest.raises(BoardRefused):
        line.run(operations.restart(hello.boot))


def test_a_survey_is_read_to_its_end() -> None:
    """Networks come page by page, each told once; names are octets (6.8)."""
    line, _ = greeted(SmallBoard())
    told: list[Network] = []
    networks = line.run(operations.survey(told.extend))
    assert [network.name for network in networks] == [b"orchard", b"shed", b"\xff"]
    assert networks[2].security == 9
    assert told == networks


def test_a_survey_superseded_by_another_starts_anew() -> None:
    """Out-of-bounds means that a newer scan began; only so often is it followed (6.8)."""
    board = SmallBoard()
    board.instead[MessageType.SURVEY] = lambda m: Refusal.OUT_OF_BOUNDS if 1 in m.body else None
    line, _ = greeted(board)
    with pytest.raises(BoardRefused):
        line.run(operations.survey(lambda _: None))
    assert types(line).count(MessageType.SURVEY) == 6
    board.instead[MessageType.SURVEY] = lambda _: Refusal.NOT_OFFERED
    with pytest.raises(BoardRefused, match="does not offer"):
        line.run(operations.survey(lambda _: None))


def test_a_survey_that_never_ends_is_given_up_with_what_it_found() -> None:
    """A minute without news is enough."""
    board = SmallBoard()
    board.instead[MessageType.SURVEY] = lambda m: {
        1: 5,
        2: False,
        3: 1,
        4: m.body.get(2, 0),
        5: [] if 1 in m.body else [[b"shed", -70, 0]],
    }
    line, _ = greeted(board)
    assert len(line.run(operations.survey(lambda _: None))) == 1
    assert 60 <= line.now < 65


@pytest.mark.parametrize(
    "page",
    [
        {1: 6, 2: True, 3: 1, 4: 1, 5: []},
        {1: 5, 2: True, 3: 3, 4: 0, 5: [[b"shed", -70, 0]]},
        {1: 5, 2: True, 3: 0, 4: 1, 5: []},
    ],
)
def test_a_survey_that_contradicts_itself_is_refused(page: dict[int, Any]) -> None:
    """Another scan, another page, fewer networks than before."""
    board = SmallBoard()
    board.instead[MessageType.SURVEY] = lambda m: page if 1 in m.body else None
    line, _ = greeted(board)
    with pytest.raises(BoardFault, match="networks contradicts"):
        line.run(operations.survey(lambda _: None))


# --- Runs


def test_answers_behind_the_one_that_ended_a_run_are_dropped() -> None:
    """Replies that arrive together may be more than a procedure wanted to know."""
    session = Session(baud=115200, first_id=5)
    run = session.start(operations.read_schema(900), 0.0)
    assert len(LINE.findall(session.poll(0.0))) == 2
    wrong = [line_of(MessageType.GET_SCHEMA_REPLY, id_, {1: 3, 2: b"x"}) for id_ in (5, 6)]
    session.receive(b"".join(wrong), 0.2)
    assert session.take_finished() == [run]
    with pytest.raises(BoardFault):
        run.result()
    assert session.poll(0.2) == b""


def test_a_late_request_that_nobody_wants_is_forgotten_at_once() -> None:
    """Its bytes count no longer, so nothing is left to wait for (5.6)."""
    exchange = Exchange(baud=115200, first_id=0)
    first = exchange.submit(Request(MessageType.STATUS), 0.0)
    others = [exchange.submit(Request(MessageType.STATUS), 0.0) for _ in range(20)]
    exchange.poll(0.0)
    exchange.poll(0.5)
    exchange.abandon({first, *others})
    exchange.poll(5.0)
    assert exchange.next_deadline() is None


def test_a_stopped_run_sends_nothing_more() -> None:
    """What was not sent before a cancellation is not sent after it."""
    board = SmallBoard(credit=666)
    line, hello = greeted(board)
    changes: list[StagedChange] = [(f"mast.probe-{n}", "x" * 200) for n in range(6)]
    run = line.start(operations.store(hello, changes, TOKEN))
    other = line.start(operations.read_status_now())
    line.until(lambda: len(line.sent) > 2)
    line.session.stop(run)
    line.until(lambda: other.finished)
    assert MessageType.COMMIT not in types(line)
    assert board.commits == 0


def test_a_stopped_commit_still_holds_back_what_must_not_follow_it() -> None:
    """It is on its way whether anybody wants its answer or not (5.6)."""
    board = SmallBoard(capabilities=Capability(0), instead={MessageType.COMMIT: lambda _: b"\n"})
    line, hello = greeted(board)
    run = line.start(operations.store(hello, CHANGES, TOKEN))
    line.until(lambda: MessageType.COMMIT in types(line))
    line.session.stop(run)
    before = line.now
    line.run(operations.read_status_now())
    assert line.now - before > 0.7  # the announced half second, and the allowance
    assert types(line).count(MessageType.COMMIT) == 1


def test_text_of_requests_and_values_shows_no_secret() -> None:
    """A traceback or a log of what is on its way gives nothing away."""
    canary = "frost-canary-7731"
    request = Request(MessageType.SET_FIELD, {SetFieldKey.VALUE: canary})
    assert canary not in repr(request)
    assert canary not in repr(HeldValue(Held.SET, canary))


def test_a_refusal_without_a_sentence_is_named_by_its_code() -> None:
    """Known codes by name, codes of a later version by number."""
    assert "wrong-kind" in str(BoardRefused(MessageType.UNDO, Refused(Refusal.WRONG_KIND)))
    assert "code 99" in str(BoardRefused(MessageType.UNDO, Refused(99)))
