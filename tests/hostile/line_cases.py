# SPDX-License-Identifier: MIT
"""More hostile boards: those that misuse the line, and those that go wrong at the commit or after.

See cases.py for how they are written.
"""

from __future__ import annotations

import asyncio
import random
import zlib
from collections.abc import Callable, Coroutine, Iterator
from itertools import count
from typing import Any

from provision.contract.line import crc32c
from provision.contract.messages import Message, encode_message
from provision.contract.table import (
    Capability,
    CommitReplyKey,
    HelloReplyKey,
    MessageType,
    Reason,
    Refusal,
    Run,
    StatusReplyKey,
    Step,
    Store,
)
from provision.link.errors import LineLost
from provision.link.streams import Stream
from provision.wizard.result import ExitCode
from tests.hostile.cases import (
    BREAKS,
    NO_BOARD,
    REFUSED,
    SETUP,
    answers,
    case,
    refuses,
    status_with,
)
from tests.hostile.harness import HostileBoard, line_with, message, reply_to
from tests.link.virtual import LINE

_CHUNK = 8192  # bytes that a port delivers at once
_PERIOD = 0.05  # seconds; fourteen times what a line of 115,200 baud carries


def endlessly(chunks: Iterator[bytes]) -> Callable[[Stream], Coroutine[Any, Any, None]]:
    """Return what sends one chunk after the other for as long as the line is open."""

    async def babble(line: Stream) -> None:
        try:
            for chunk in chunks:
                line.write(chunk)
                await asyncio.sleep(_PERIOD)
        except LineLost:  # the host has hung up
            return

    return babble


def always(chunk: bytes) -> Iterator[bytes]:
    """Yield the same for ever."""
    while True:
        yield chunk


def noise(seed: int) -> Iterator[bytes]:
    """Yield random bytes for ever."""
    draw = random.Random(seed)
    while True:
        yield draw.randbytes(_CHUNK)


def with_check(body: bytes, crc: int) -> bytes:
    """Return the line of a BODY with this CHECK."""
    return b"\n~%b%b\n" % (body, bytes(0x40 + (crc >> shift & 0xF) for shift in range(28, -4, -4)))


def with_crc32(line: bytes) -> bytes:
    """Return a line with the CHECK of CRC-32 (ISO 3309) in place of CRC-32C."""
    body = line[2:-9]
    return with_check(body, zlib.crc32(body))


def with_padding(line: bytes) -> bytes:
    """Return a line whose BODY is padded (RFC 4648 section 3.2), or padded too much."""
    body = line[2:-9] + b"=" * (4 - (len(line) - 11) % 4)
    return with_check(body, crc32c(body))


def another_reader(seed: int) -> Callable[[bytes], bytes]:
    """Return what is left of each reply when somebody else took some of it, never the same."""
    draw = random.Random(seed)

    def twist(sent: bytes) -> bytes:
        if not sent:
            return sent
        start = draw.randrange(2, len(sent) - 1)
        return sent[:start] + sent[start + draw.randint(1, 60) :]

    return twist


def flipped_bits(seed: int) -> Callable[[bytes], bytes]:
    """Return what becomes of each reply on a line that changes a bit somewhere in it."""
    draw = random.Random(seed)

    def twist(sent: bytes) -> bytes:
        if not sent:
            return sent
        at = draw.randrange(2, len(sent) - 1)
        return sent[:at] + bytes([sent[at] ^ 1 << draw.randrange(7)]) + sent[at + 1 :]

    return twist


def mute(board: HostileBoard) -> None:
    """Let the board never answer."""
    answers(board, MessageType.HELLO, lambda _: b"")


DAMAGED_LINE = ExitCode.PORT  # another program may be reading it
SPEAKS_ELSE = "Something speaks on this port, but not a board"

# ------------------------------------------------------------------- what is said unasked

for _name, _chunks, _says in (
    ("log text without a line end", lambda: always(b"x" * _CHUNK), SPEAKS_ELSE),
    ("a frame without a line end", lambda: always(b"~" + b"A" * (_CHUNK - 1)), SPEAKS_ELSE),
    ("line ends", lambda: always(b"\n" * _CHUNK), SPEAKS_ELSE),
    ("lines of one character", lambda: always(b"x\n" * (_CHUNK // 2)), SPEAKS_ELSE),
    ("escape characters", lambda: always(b"\x1b" * _CHUNK), SPEAKS_ELSE),
    ("unfinished control strings", lambda: always(b"\x1b]" * 500 + b"\n"), SPEAKS_ELSE),
    ("random bytes", lambda: noise(1), SPEAKS_ELSE),
    ("prompts that begin with a tilde", lambda: always(b"~ # \r\n" * 500), SPEAKS_ELSE),
    ("damaged frames of one character", lambda: always(b"~\n" * (_CHUNK // 2)), SPEAKS_ELSE),
    (
        "frames that are no messages",
        lambda: always(line_with(b"\xf6") * 500),
        "none of its lines holds a message",
    ),
    (
        "replies that nobody asked for",
        lambda: (b"".join(message(12, n % 65536, {}) for n in range(9)) for n in count()),
        SPEAKS_ELSE,
    ),
    (
        "requests of its own",
        lambda: always(message(MessageType.ERASE, 7, {1: 0}) * 300),
        "sends back what it is sent",
    ),
):

    def _babbling(chunks: Callable[[], Iterator[bytes]]) -> Callable[[HostileBoard], None]:
        def change(board: HostileBoard) -> None:
            mute(board)
            board.babble = endlessly(chunks())

        return change

    case(
        f"megabytes of {_name} in place of a board",
        NO_BOARD,
        _says,
        mib=1,
    )(_babbling(_chunks))

for _name, _chunks in (
    ("log text without a line end", lambda: always(b"x" * _CHUNK)),
    ("lines of log text", lambda: always(b"frost watch: 1.5 C\n" * 400)),
    ("random bytes", lambda: noise(2)),
    ("damaged frames", lambda: always(b"~hAEBB6AKJIDNK@F\n" * 400)),
    ("replies that nobody asked for", lambda: always(message(6, 1, {1: 0}) * 300)),
):

    def _interrupting(chunks: Callable[[], Iterator[bytes]]) -> Callable[[HostileBoard], None]:
        def change(board: HostileBoard) -> None:
            board.babble = endlessly(chunks())
            hellos = count(1)
            answers(board, MessageType.HELLO, lambda _: b"" if next(hellos) < 20 else None)

        return change

    case(f"a board that answers between megabytes of {_name}", ExitCode.DONE, "Barn", mib=1)(
        _interrupting(_chunks)
    )


# ------------------------------------------------------------------------ replies, misused


def twisted(twist: Callable[[bytes], bytes]) -> Callable[[HostileBoard], None]:
    """Return a change of all that the board sends."""
    return lambda board: setattr(board, "twist", twist)


case("every reply comes three times", ExitCode.DONE, "Barn")(twisted(lambda sent: sent * 3))
case("every reply comes a thousand times", ExitCode.DONE, "Barn", mib=6)(
    twisted(lambda sent: sent * 1000)
)
case("replies come in the wrong order", ExitCode.DONE, "Barn")(
    twisted(lambda sent: b"".join(reversed(LINE.findall(sent))))
)
case("every line ends with CR LF", ExitCode.DONE, "Barn")(
    twisted(lambda sent: sent.replace(b"\n", b"\r\n"))
)
case("a NUL before every byte", NO_BOARD, SPEAKS_ELSE)(
    twisted(lambda sent: b"".join(b"\0" + sent[n : n + 1] for n in range(len(sent))))
)
# Lines that all fail alike are the firmware's fault; what another reader takes differs each time.
case("every reply is cut in half", NO_BOARD, "all its lines have a wrong CHECK")(
    twisted(lambda sent: sent[: len(sent) // 2] + b"\n" if sent else b"")
)
case("every CHECK is that of another polynomial", NO_BOARD, "all its lines have a wrong CHECK")(
    twisted(lambda sent: LINE.sub(lambda line: with_crc32(line.group()), sent))
)
case("every BODY is padded, and its CHECK covers the padding", NO_BOARD, "wrongly encoded BODY")(
    twisted(lambda sent: LINE.sub(lambda line: with_padding(line.group()), sent))
)
case("another reader takes a part of every reply", DAMAGED_LINE, "another program")(
    lambda board: setattr(board, "twist", another_reader(1))
)
case("a line on which no character is safe", DAMAGED_LINE, "another cable")(
    lambda board: setattr(board, "twist", flipped_bits(1))
)
case("every reply is longer than a line may be", NO_BOARD, "all its lines are too long")(
    lambda board: answers(
        board, MessageType.HELLO, lambda m: reply_to(m, 2, {**board.hello_body(), 99: bytes(500)})
    )
)
case("hello is answered under another id", NO_BOARD, SPEAKS_ELSE)(
    lambda board: answers(
        board, MessageType.HELLO, lambda m: message(2, (m.id + 1) % 65536, board.hello_body())
    )
)
case("pieces are answered under the id of the next one", NO_BOARD, "not asked for|contradicts")(
    lambda board: answers(
        board,
        MessageType.GET_SCHEMA,
        lambda m: (
            message(4, (m.id + 1) % 65536, {1: m.body[1], 2: b"x"})
            + message(4, (m.id - 1) % 65536, {1: m.body[1], 2: b"x"})
        ),
    )
)
case("values are answered with requests", NO_BOARD, "stopped answering")(
    lambda board: answers(board, MessageType.GET_VALUES, lambda m: line_with(encode_message(m)))
)
case("values are answered in version 2", NO_BOARD, BREAKS)(
    lambda board: answers(
        board,
        MessageType.GET_VALUES,
        lambda m: line_with(encode_message(Message(2, 6, m.id, {1: 0, 2: 1, 3: [["a.b", 0]]}))),
    )
)
case("values are answered with an item nested 200 deep", NO_BOARD, "holds a message")(
    lambda board: answers(
        board, MessageType.GET_VALUES, lambda _: line_with(b"\x81" * 200 + b"\x01")
    )
)
case("values are answered with a map of 4 billion keys", NO_BOARD, "holds a message")(
    lambda board: answers(
        board, MessageType.GET_VALUES, lambda _: line_with(b"\x84\x01\x06\x07\xba\xff\xff\xff\xff")
    )
)
case("the plug is pulled after hello", ExitCode.PORT)(
    lambda board: setattr(board, "hangs_up", lambda: len(board.requests) >= 1)
)
case("the plug is pulled in the middle of the values", ExitCode.PORT, command=SETUP)(
    lambda board: setattr(
        board, "hangs_up", lambda: any(m.type == MessageType.GET_VALUES for m in board.requests)
    )
)


@case("a boot number that changes at every reply", ExitCode.DONE, "Barn")
def _(board: HostileBoard) -> None:
    boots = count(100)

    def next_boot(_: Message) -> None:
        board.boot = next(boots)

    for type_ in MessageType:
        if type_ % 2:
            answers(board, type_, next_boot)


# ------------------------------------------------------------------- at the commit and after

STORED = "The settings are stored"
NOTHING = "Nothing was changed on the board."

for _code, _says, _seconds in (
    (Refusal.BUSY, "busy", 14.0),
    (Refusal.PRESENCE, "button", 135.0),
    (Refusal.SET_DIFFERS, "did not arrive whole", 12.0),
    (Refusal.WRONG_STATE, "did not arrive whole", 12.0),
    (Refusal.MOVED_ON, "start again", 12.0),
    (Refusal.STORAGE, "memory could not be written", 12.0),
    (200, "The board refused (200)", 12.0),
):
    case(
        f"commit is refused for ever with code {int(_code)}",
        REFUSED,
        _says,
        command=SETUP,
        seconds=_seconds,
    )(refuses(MessageType.COMMIT, int(_code)))

case("commit is refused with no reason", REFUSED, NOTHING, command=SETUP, seconds=24)(
    lambda board: answers(board, MessageType.COMMIT, lambda m: reply_to(m, 0, {}))
)
case("commit is never answered, and not done", REFUSED, NOTHING, command=SETUP, seconds=24)(
    lambda board: answers(board, MessageType.COMMIT, lambda _: b"")
)


def _gone_at_commit(board: HostileBoard) -> None:
    def silence(sent: bytes) -> bytes:
        return b"" if board.was_committed else sent

    board.twist = silence


case(
    "the board falls silent at the commit",
    ExitCode.UNKNOWN,
    "It is not known whether the settings were stored",
    command=SETUP,
    seconds=24,
    commits=True,
)(_gone_at_commit)


@case(
    "the plug is pulled at the commit",
    ExitCode.UNKNOWN,
    "It is not known whether",
    command=SETUP,
    commits=True,
)
def _(board: HostileBoard) -> None:
    _gone_at_commit(board)
    board.hangs_up = lambda: board.was_committed


@case(
    "the plug is pulled right after the commit",
    ExitCode.NOT_WORKING,
    "was not checked. The other end of the line was closed.",
    command=SETUP,
    commits=True,
)
def _(board: HostileBoard) -> None:
    board.capabilities = Capability(0)
    board.hangs_up = lambda: board.was_committed


@case("a token that is another at every hello", REFUSED, NOTHING, command=SETUP, seconds=24)
def _(board: HostileBoard) -> None:
    tokens = count(1)
    answers(board, MessageType.COMMIT, lambda _: b"")
    answers(
        board,
        MessageType.HELLO,
        lambda _: {**board.hello_body(), HelloReplyKey.TOKEN: next(tokens).to_bytes(8)},
    )


@case("narrower limits at every hello", ExitCode.DONE, STORED, command=SETUP, commits=True)
def _(board: HostileBoard) -> None:
    lines = iter([655, 400])
    answers(
        board,
        MessageType.HELLO,
        lambda _: {
            **board.hello_body(),
            HelloReplyKey.LINE: (line := next(lines, 128)),
            HelloReplyKey.CREDIT: line + 11,
        },
    )


def _committed(change: Callable[[HostileBoard], None], **hello: Any) -> Any:
    def both(board: HostileBoard) -> None:
        change(board)
        more = {HelloReplyKey[name.upper()]: value for name, value in hello.items()}
        answers(board, MessageType.HELLO, lambda _: {**board.hello_body(), **more})

    return both


for _name, _run in (("applying", Run.APPLYING), ("idle", Run.IDLE)):
    case(
        f"a status that stays {_name} for ever, with an apply time of 10 minutes",
        ExitCode.NOT_WORKING,
        "the board has not said within 610 seconds whether it works",
        command=SETUP,
        seconds=612,
        commits=True,
    )(_committed(status_with(after_commit=True, run=int(_run)), apply_time=600_000))

case(
    "a status that is never answered after the commit",
    ExitCode.NOT_WORKING,
    "the board has not said within 15 seconds",
    command=SETUP,
    seconds=30,
    commits=True,
)(lambda board: answers(board, MessageType.STATUS, lambda _: b"" if board.was_committed else None))
case(
    "a status that is busy for ever after the commit",
    ExitCode.NOT_WORKING,
    "the board has not said within 15 seconds",
    command=SETUP,
    seconds=30,
    commits=True,
)(
    lambda board: answers(
        board, MessageType.STATUS, lambda _: Refusal.BUSY if board.was_committed else None
    )
)


@case(
    "a step that is another at every look, with an apply time of 10 minutes",
    ExitCode.NOT_WORKING,
    "within 610 seconds",
    command=SETUP,
    seconds=612,
    commits=True,
)
def _(board: HostileBoard) -> None:
    steps = count(1)

    def answer(m: Message) -> Any:
        if not board.commits:
            return None
        more = {StatusReplyKey.RUN: 1, StatusReplyKey.STEP: 1 + next(steps) % 255}
        return {**board.status_body(), **dict(sorted(more.items()))}

    answers(board, MessageType.STATUS, answer)
    answers(
        board,
        MessageType.HELLO,
        lambda _: {**board.hello_body(), HelloReplyKey.APPLY_TIME: 600_000},
    )


case(
    "a failure at a field that nobody declared",
    ExitCode.NOT_WORKING,
    "it failed at joining the network",
    command=SETUP,
    commits=True,
)(
    status_with(
        after_commit=True,
        run=int(Run.FAILED),
        step=int(Step.JOIN),
        reason=int(Reason.OTHER),
        field="\x1b[2J\u202eno.such",
    )
)
case(
    "a failure for reasons that nobody knows",
    ExitCode.NOT_WORKING,
    "a newer version may",
    command=SETUP,
    commits=True,
)(status_with(after_commit=True, run=int(Run.FAILED), step=200, reason=201))
case(
    "what the firmware does is a code that nobody knows",
    ExitCode.DONE,
    STORED,
    command=SETUP,
    commits=True,
)(status_with(after_commit=True, run=99))
case(
    "a trial that only a person can end",
    ExitCode.DONE,
    STORED,
    command=SETUP,
    commits=True,
)(
    status_with(
        after_commit=True, run=int(Run.NOT_REPORTED), store=int(Store.TRIAL), trial_left=3_600_000
    )
)


@case("a commit reply with the largest generation", ExitCode.DONE, command=SETUP, commits=True)
def _(board: HostileBoard) -> None:
    def answer(m: Message) -> Any:
        usual = board._commit(m.body)
        return {CommitReplyKey.GENERATION: 2**32 - 1} if isinstance(usual, dict) else usual

    answers(board, MessageType.COMMIT, answer)


@case(
    "a board without room for what follows a commit",
    ExitCode.DONE,
    STORED,
    command=SETUP,
    commits=True,
)
def _(board: HostileBoard) -> None:
    board.capabilities = Capability(0)
    board.line, board.credit = 128, 139
