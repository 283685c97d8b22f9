# SPDX-License-Identifier: MIT
"""What a host does with a board, step by step, each procedure a generator (clauses 5.3 and 6).

A procedure yields requests to submit and is sent one answer at a time, in whatever order they come;
yielding none waits for the next answer. It returns what it was for, or raises a LinkError. When it
ends, what it still has on its way is abandoned. Clauses are those of shared/protocol.md.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Sequence
from operator import itemgetter
from typing import TypeVar

from provision.contract.digest import staged_digest
from provision.contract.messages import MAX_ID, Message, encode_message
from provision.contract.profile import Item
from provision.contract.table import (
    MAX_PIECE,
    MESSAGES,
    PROTOCOL_VERSION,
    CommitKey,
    CommitReplyKey,
    ConfirmKey,
    DiscardKey,
    EraseKey,
    GetSchemaKey,
    GetSchemaReplyKey,
    GetValuesKey,
    GetValuesReplyKey,
    Held,
    MessageType,
    Refusal,
    RestartKey,
    Security,
    SetFieldKey,
    SetFieldReplyKey,
    Store,
    SurveyKey,
    SurveyReplyKey,
    UndoKey,
    UndoReplyKey,
)
from provision.link.errors import (
    BoardFault,
    BoardRefused,
    Echo,
    LinkError,
    NoReply,
    NotWiped,
    OtherReader,
    Refused,
    Silent,
    SpeaksElse,
    WrongVersion,
)
from provision.link.exchange import (
    HELLO_INTERVAL,
    PATIENCE,
    LossReason,
    Lost,
    Request,
    RequestResult,
)
from provision.link.replies import (
    Body,
    CommitOutcome,
    HeldValue,
    Hello,
    Network,
    NotStored,
    Status,
    Stored,
    Unknown,
    known,
    read_hello,
    read_status,
)
from provision.phrases import phrase

_Result = TypeVar("_Result")

Procedure = Generator[Sequence[Request], RequestResult, _Result]


class Instead(tuple[Request, ...]):
    """Requests to submit in place of all that the procedure still has on its way."""

    __slots__ = ()


StagedChange = tuple[str, Item]
"""Full key, and the value to stage for it; None clears the field."""

OnProgress = Callable[[int, int], None]
"""Called with how many steps of how many the board has acknowledged."""

OnOpen = Callable[[bool], None]
"""Called with whether a commit has been sent of which the outcome is not known."""

_RESTAGINGS = 3  # how often a set is staged again before the board's refusal stands
_NO_LAST_WORD = frozenset({Refusal.STORAGE, Refusal.PRESENCE})
"""Refused so, a request may yet be done: a copy of it that was on its way comes in."""

_ERASINGS = 3  # how often an erase is asked for that did, or may have done, only its first step
_PIECE_SENDS = 2  # after so many lost replies half the length is asked for (clause 5.7)
_LEAST_PIECE = 32  # bytes; asking for less would not make a reply much shorter
_MOST_PIECES = 8192  # requests for one schema: 1 byte each for 8 KiB, 32 each for the largest
_MOST_LATE = 256  # late replies within one reading; each costs 1.25 s at most
_MOST_GAPS = 3  # how often one value begins anew because the board lost parts of it
_SCAN_PAUSE = 0.25  # seconds between looks at a scan that found nothing new
_SCAN_PATIENCE = 240  # looks that brought nothing new: a minute
_SCAN_RESTARTS = 2


def greet(patience: float | None) -> Procedure[Hello]:
    """Send hello every 250 ms until a board answers, for `patience` seconds at most, if any.

    Raises WrongVersion if it speaks another version of the protocol.
    """
    request = Request(MessageType.HELLO, every=HELLO_INTERVAL, patience=patience)
    answer = yield [request]
    if isinstance(answer.result, Lost):
        raise _unheard(answer.result)
    hello = read_hello(_body(answer))
    if PROTOCOL_VERSION not in hello.versions:
        theirs = ", ".join(map(str, hello.versions))
        raise WrongVersion(
            phrase(
                "The board's firmware speaks version {theirs} of the protocol, and this program"
                " version {ours}: update whichever is older.",
                theirs=theirs,
                ours=PROTOCOL_VERSION,
            )
        )
    return hello


def discard(boot: int) -> Procedure[None]:
    """Drop what is staged. A board that restarted since hello holds nothing staged anyway."""
    answer = yield [Request(MessageType.DISCARD, {DiscardKey.BOOT: boot})]
    if not _is_refused(answer, Refusal.MOVED_ON):
        _body(answer)


def read_status_now() -> Procedure[Status]:
    """Ask where the board stands."""
    return read_status((yield from _ask(Request(MessageType.STATUS))))


def locate() -> Procedure[None]:
    """Make the board show itself, for about five seconds."""
    yield from _ask(Request(MessageType.LOCATE))


def restart(boot: int) -> Procedure[None]:
    """Restart the board's firmware."""
    answer = yield [Request(MessageType.RESTART, {RestartKey.BOOT: boot})]
    if answer.losses and _is_refused(answer, Refusal.MOVED_ON):
        return  # it restarted, and the reply was lost
    _body(answer)


def undo(generation: int) -> Procedure[int]:
    """Put the set before this one in force again; return the new generation."""
    return _change(MessageType.UNDO, {UndoKey.GENERATION: generation}, generation)


def erase(generation: int) -> Procedure[int]:
    """Wipe every value from the board; return the new generation.

    Raises NotWiped where nothing is set any more, but the board could not wipe all its memory.
    """
    refused: object = None
    for _ in range(_ERASINGS):
        answer = yield [Request(MessageType.ERASE, {EraseKey.GENERATION: generation})]
        if not _may_be_done(answer):
            return _new_generation(answer)
        status = yield from read_status_now()
        moved = status.generation != generation or refused is not None
        if status.store != Store.EMPTY or not moved:
            return _new_generation(answer)
        # Nothing is set any more, but only a reply means that every slot was read back (clause
        # 6.7): so once more.
        generation, refused = status.generation, answer.result
    assert isinstance(refused, Refused)
    raise NotWiped(refused)


def confirm(generation: int) -> Procedure[int]:
    """Keep the set that is on trial; return the new generation."""
    return _change(MessageType.CONFIRM, {ConfirmKey.GENERATION: generation}, generation)


def read_schema(size: int) -> Procedure[bytes]:
    """Read the deflated schema of `size` bytes, all pieces in one flight (clause 6.2).

    What comes back is not to be believed before its digest was compared.
    """
    schema = bytearray(size)
    left = size
    length = MAX_PIECE
    losses = asked = late = 0
    wanted = deque([(0, size)])  # spans that are to be asked for: offset and end
    while True:
        requests = []
        while wanted:
            offset, end = wanted.popleft()
            requests += [
                _piece_request(start, min(length, end - start))
                for start in range(offset, end, length)
            ]
        asked += len(requests)
        if asked > _MOST_PIECES:
            raise _other_pieces()
        answer = yield requests
        late = _count_late(late, answer)
        offset, span = _span(answer.request)
        losses += answer.losses
        if losses >= _PIECE_SENDS:
            length = min(length, max(span // 2, _LEAST_PIECE))
            losses = 0
        if isinstance(answer.result, Lost) and span > _LEAST_PIECE:
            if answer.result.why == LossReason.MALFORMED:
                raise _unanswered(answer)
            wanted.append((offset, offset + span))
            continue
        body = _body(answer)
        piece = body[GetSchemaReplyKey.PIECE]
        if body[GetSchemaReplyKey.OFFSET] != offset or len(piece) > span:
            raise _other_pieces()
        schema[offset : offset + len(piece)] = piece
        left -= len(piece)
        if not left:
            return bytes(schema)
        if len(piece) < span:
            length = min(length, len(piece))
            wanted.append((offset + len(piece), offset + span))


def _other_pieces() -> BoardFault:
    return BoardFault(
        phrase(
            "The board sends pieces of its schema that were not asked for: its firmware needs"
            " fixing."
        )
    )


def _count_late(late: int, answer: RequestResult) -> int:
    """Return how many replies were late, this answer's included; LinkError if it is too many.

    Each wait is bounded, but a board that makes thousands of them last would hold the host for
    hours.
    """
    late += answer.losses
    if late > _MOST_LATE:
        raise NoReply(
            phrase(
                "The board takes too long to say what it needs: try another cable, press the"
                " board's reset button, and try again."
            )
        )
    return late


def _piece_request(offset: int, length: int) -> Request:
    body: dict[int, Item] = {GetSchemaKey.OFFSET: offset, GetSchemaKey.LENGTH: length}
    sends = _PIECE_SENDS if length > _LEAST_PIECE else None
    return Request(MessageType.GET_SCHEMA, body, sends=sends)


def _span(request: Request) -> tuple[int, int]:
    offset, length = request.body[GetSchemaKey.OFFSET], request.body[GetSchemaKey.LENGTH]
    assert isinstance(offset, int)
    assert isinstance(length, int)
    return offset, length


def read_values(page_starts: Sequence[int] = ()) -> Procedure[dict[str, HeldValue]]:
    """Read what the board holds, all pages, by full key in schema order (clause 6.3).

    page_starts: numbers of entries with which a page is expected to begin, besides the first;
    asked for in the same flight. Where the guess is wrong, entries come twice or are asked for
    afterwards.
    """
    values: dict[int, HeldValue] = {}  # by number of the entry
    numbers: dict[str, int] = {}  # of the entries, by key
    asked = sorted({0, *page_starts})
    requests = [_page_request(first) for first in asked]
    count = None
    late = 0
    while True:
        answer = yield requests
        late = _count_late(late, answer)
        body = _body(answer)
        first = answer.request.body[GetValuesKey.FIRST]
        assert isinstance(first, int)
        asked.remove(first)
        entries = body[GetValuesReplyKey.ENTRIES]
        end = first + len(entries)
        if (
            body[GetValuesReplyKey.FIRST] != first
            or body[GetValuesReplyKey.COUNT] != (count or body[GetValuesReplyKey.COUNT])
            or end > body[GetValuesReplyKey.COUNT]
        ):
            raise _contradiction()
        count = body[GetValuesReplyKey.COUNT]
        for number, (key, held, *value) in enumerate(entries, first):
            if numbers.setdefault(key, number) != number:
                raise _contradiction()
            values[number] = HeldValue(known(Held, held), *value)
        if len(numbers) != len(values):  # one number, and two keys
            raise _contradiction()
        if len(values) == count:
            return {
                key: values[number] for key, number in sorted(numbers.items(), key=itemgetter(1))
            }
        requests = []
        if not asked:
            asked.append(next(number for number in range(count) if number not in values))
            requests = [_page_request(asked[0])]


def _page_request(first: int) -> Request:
    return Request(MessageType.GET_VALUES, {GetValuesKey.FIRST: first})


def _contradiction() -> BoardFault:
    return BoardFault(
        phrase("The board's list of values contradicts itself: its firmware needs fixing.")
    )


def survey(on_found: Callable[[list[Network]], None]) -> Procedure[list[Network]]:
    """Let the board look for networks in range (clause 6.8); on_found is told of new ones.

    Ends with what was found if the board does not say for a minute that it is done.
    """
    for _ in range(_SCAN_RESTARTS):
        try:
            return (yield from _scan(on_found))
        except BoardRefused as error:
            if error.refused.code != Refusal.OUT_OF_BOUNDS:  # else: superseded by a newer scan
                raise
    return (yield from _scan(on_found))


def _scan(on_found: Callable[[list[Network]], None]) -> Procedure[list[Network]]:
    found: list[Network] = []
    body = yield from _ask(Request(MessageType.SURVEY))
    scan = body[SurveyReplyKey.SCAN]
    idle = 0
    while True:
        new = [
            Network(name, signal, known(Security, security))
            for name, signal, security in body[SurveyReplyKey.NETWORKS]
        ]
        count = body[SurveyReplyKey.COUNT]
        if (
            body[SurveyReplyKey.SCAN] != scan
            or (new and body[SurveyReplyKey.FIRST] != len(found))
            or len(found) + len(new) > count
        ):
            raise BoardFault(
                phrase(
                    "The board's list of networks contradicts itself: its firmware needs fixing."
                )
            )
        found += new
        if new:
            on_found(new)
        idle = 0 if new else idle + 1
        if idle == _SCAN_PATIENCE or (body[SurveyReplyKey.DONE] and len(found) == count):
            return found
        page: dict[int, Item] = {SurveyKey.SCAN: scan, SurveyKey.FIRST: len(found)}
        delay = 0.0 if new and len(found) < count else _SCAN_PAUSE
        body = yield from _ask(Request(MessageType.SURVEY, page, delay=delay))


def resolve_commit(
    token: bytes, unit: bytes | None, patience: float = PATIENCE
) -> Procedure[CommitOutcome]:
    """Find out what came of a commit whose reply was lost (clause 5.3).

    unit: the board that it went to, where that is known.
    """
    request = Request(MessageType.HELLO, every=HELLO_INTERVAL, patience=patience)
    answer = yield Instead([request])
    if isinstance(answer.result, Lost):
        return Unknown()
    hello = read_hello(_body(answer))
    if hello.token == token:
        return Stored(hello.generation)
    return Unknown() if unit not in (None, hello.unit) else NotStored()


def store(
    hello: Hello,
    changes: Sequence[StagedChange],
    token: bytes,
    *,
    while_storing: bool = False,
    on_progress: OnProgress | None = None,
    on_open: OnOpen | None = None,
) -> Procedure[CommitOutcome]:
    """Stage the changes, which are in schema order, and make them durable, or none of them.

    while_storing: the board receives while it stores, so that status rides along with commit.
    on_open: told when a commit is sent, which leaves the outcome open, and when it was refused.
    Raises ValueError if there are no changes.
    """
    if not changes:
        raise ValueError("There is nothing to store.")
    staging = _Staging(hello.line, changes, token, on_progress, on_open)
    refused: Refused | None = None
    for round_ in range(1 + _RESTAGINGS):
        staging.start()
        refused = yield from staging.send_parts()
        if refused is not None:
            return NotStored(refused)
        # One flight is fast, and fails as soon as one line of it is lost; then step by step.
        result = yield from staging.send_rest_and_commit(while_storing, in_one_flight=round_ == 0)
        if not isinstance(result, Refused):
            return result or (yield from resolve_commit(token, hello.unit))
        refused = result
        # Wrong-state: the board restarted, or its refusal of this commit as one of another set
        # was lost; either way nothing is staged any more.
        if refused.code not in (Refusal.SET_DIFFERS, Refusal.WRONG_STATE):
            break
    if staging.is_open:
        outcome = yield from resolve_commit(token, hello.unit)
        if not isinstance(outcome, NotStored):
            return outcome
        staging.set_open(False)
    return NotStored(refused)


class _Staging:
    """One set on its way into a board: values that need parts first, then all others and commit.

    Parts go one at a time, each after the answer to the one before, since of a secret no part but
    the last may be repeated; and with nothing among them, since a whole value, or a repeat of one,
    would make the board forget them (clause 6.4).
    """

    def __init__(
        self,
        line: int,
        changes: Sequence[StagedChange],
        token: bytes,
        on_progress: OnProgress | None,
        on_open: OnOpen | None,
    ) -> None:
        self._token = token
        self._changes = changes
        self._on_progress = on_progress
        self._on_open = on_open
        self.is_open = False
        """Whether a commit was sent, and no refusal of it was the last word."""

        self._whole: list[StagedChange] = []
        self._in_parts: list[tuple[str, bytes, int]] = []  # key, bytes, bytes in a part
        capacity = line * 3 // 4  # base64url: four characters carry three bytes
        for key, value in changes:
            if _size({SetFieldKey.FIELD: key, SetFieldKey.VALUE: value}) <= capacity:
                self._whole.append((key, value))
                continue
            data = value.encode() if isinstance(value, str) else value
            assert isinstance(data, bytes)  # all other values fit the shortest line
            around = _size(_part(key, len(data), len(data), b"")) + 2  # its head may take two more
            self._in_parts.append((key, data, min(MAX_PIECE, capacity - around)))
        parts = sum(-(-len(data) // size) for _, data, size in self._in_parts)
        self._steps = parts + len(self._whole) + 1
        self._done = 0

    def start(self) -> None:
        """Begin at the first field, whether for the first time or again."""
        self._done = 0
        self._tell(0)

    def _tell(self, steps: int) -> None:
        self._done = min(self._done + steps, self._steps)
        if self._on_progress:
            self._on_progress(self._done, self._steps)

    def send_parts(self) -> Procedure[Refused | None]:
        """Stage the values that need parts; return the refusal that stands against one."""
        for key, data, size in self._in_parts:
            refused = yield from self._send_value(key, data, size)
            if refused is not None:
                return refused
        return None

    def _send_value(self, key: str, data: bytes, size: int) -> Procedure[Refused | None]:
        held = gaps = 0
        while held < len(data):
            end = min(held + size, len(data))
            body = _part(key, held, len(data), data[held:end])
            answer = yield Instead([Request(MessageType.SET_FIELD, body)])
            if isinstance(answer.result, Refused):
                gaps += 1
                if answer.result.code != Refusal.GAP or gaps > _MOST_GAPS:
                    return answer.result
                held, least = answer.result.detail or 0, 0
            else:
                held, least = _body(answer).get(SetFieldReplyKey.RECEIVED, -1), end
                self._tell(1)
            if not least <= held <= len(data):
                raise BoardFault(
                    phrase("The board miscounts the parts of a value: its firmware needs fixing.")
                )
        return None

    def send_rest_and_commit(
        self, while_storing: bool, *, in_one_flight: bool
    ) -> Procedure[Stored | Refused | None]:
        """Stage the other values and commit; None: no word of the commit came.

        in_one_flight: the commit does not wait for the values to be acknowledged.
        """
        fields = [
            Request(MessageType.SET_FIELD, {SetFieldKey.FIELD: key, SetFieldKey.VALUE: value})
            for key, value in self._whole
        ]
        commit = Request(
            MessageType.COMMIT,
            {
                CommitKey.COUNT: len(self._changes),
                CommitKey.DIGEST: staged_digest(self._changes),
                CommitKey.TOKEN: self._token,
            },
            on_sent=lambda: self.set_open(True),
        )
        # Sent once: after the commit the firmware may be busy restarting.
        ask_status = [Request(MessageType.STATUS, sends=1)] if while_storing else []
        status: RequestResult | None = None
        unanswered = len(fields)
        refused: Refused | None = None
        at_once, afterwards = fields, [commit, *ask_status]
        if in_one_flight or not fields:
            at_once, afterwards = [*fields, *afterwards], []
        answer = yield Instead(at_once)
        while answer.request is not commit:
            if answer.request in ask_status:  # the commit reply was lost
                status = answer
            else:
                unanswered -= 1
                if isinstance(answer.result, Refused):
                    refused = refused or answer.result
                    if not self.is_open:
                        return refused
                elif not isinstance(answer.result, Lost):
                    self._tell(1)
            requests: Sequence[Request] = ()
            if not unanswered:
                requests, afterwards = afterwards, []
            answer = yield requests
        # Its word counts whatever became of the others: count and digest cover them.
        if isinstance(answer.result, Refused):
            if answer.result.code not in _NO_LAST_WORD:
                self.set_open(False)
            return refused or answer.result
        if isinstance(answer.result, Lost):
            return None
        self._tell(self._steps)
        # Not worth waiting for with a field unanswered, whose repeat would stage it once more.
        if ask_status and status is None and not unanswered:
            status = yield ()
        return _stored(answer.result[CommitReplyKey.GENERATION], status)

    def set_open(self, is_open: bool) -> None:
        """Take down whether the outcome is open, and tell it."""
        self.is_open = is_open
        if self._on_open:
            self._on_open(is_open)


def _stored(generation: int, status: RequestResult | None) -> Stored:
    """Return the outcome, with the status that rode along if it came from after the commit."""
    if status is None or isinstance(status.result, Refused | Lost):
        return Stored(generation)
    told = read_status(status.result)
    # Where the commit had to be repeated, it may come from before it.
    return Stored(generation, told if told.generation == generation else None)


def _part(key: str, offset: int, total: int, part: bytes) -> dict[int, Item]:
    return {
        SetFieldKey.FIELD: key,
        SetFieldKey.OFFSET: offset,
        SetFieldKey.TOTAL: total,
        SetFieldKey.PART: part,
    }


def _size(body: dict[int, Item]) -> int:
    """Return the size of a set-field in bytes, whatever its id."""
    return len(encode_message(Message(PROTOCOL_VERSION, MessageType.SET_FIELD, MAX_ID, body)))


def _change(type_: MessageType, body: dict[int, Item], generation: int) -> Procedure[int]:
    before = yield from greet(PATIENCE)
    answer = yield [Request(type_, body)]
    if before.generation == generation and _may_be_done(answer):
        # By how much the generation grew does not tell: a start, or the end of a trial, may have
        # raised it as well. The token tells which set is in force.
        after = yield from greet(PATIENCE)
        if type_ == MessageType.UNDO:
            done = after.token != before.token
        else:
            status = yield from read_status_now()
            done = after.token == before.token and status.store != Store.TRIAL
        if done:
            return after.generation
    return _new_generation(answer)


def _may_be_done(answer: RequestResult) -> bool:
    """Tell whether a request that was refused may have changed the board all the same.

    It was done, the reply was lost, and the board restarted (clause 6.7); or a copy of it was done.
    """
    return (answer.losses > 0 and _is_refused(answer, Refusal.MOVED_ON)) or (
        isinstance(answer.result, Refused) and answer.result.code in _NO_LAST_WORD
    )


def _new_generation(answer: RequestResult) -> int:
    generation: int = _body(answer)[UndoReplyKey.GENERATION]  # the same key in all three
    return generation


def _ask(request: Request) -> Procedure[Body]:
    return _body((yield [request]))


def _is_refused(answer: RequestResult, code: Refusal) -> bool:
    return isinstance(answer.result, Refused) and answer.result.code == code


def _body(answer: RequestResult) -> Body:
    """Return the body of the reply; raise what a refusal or a lost answer means."""
    if isinstance(answer.result, Refused):
        raise BoardRefused(answer.request.type, answer.result)
    if isinstance(answer.result, Lost):
        raise _unanswered(answer)
    return answer.result


def _unanswered(answer: RequestResult) -> LinkError:
    """Return what it means that a board which answered before does not answer this request."""
    lost = answer.result
    assert isinstance(lost, Lost)
    if lost.why in (LossReason.MALFORMED, LossReason.ALIKE, LossReason.DAMAGED):
        return _unheard(lost)
    name = MESSAGES[answer.request.type].name
    return NoReply(
        phrase(
            "The board stopped answering (at {name}): check the cable, press the board's reset"
            " button, and try again.",
            name=name,
        )
    )


def _unheard(lost: Lost) -> LinkError:
    """Return what it means that no board answers."""
    match lost.why:
        case LossReason.MALFORMED | LossReason.ALIKE:
            fault = phrase(lost.fault) if lost.why is LossReason.ALIKE else lost.fault
            return BoardFault(
                phrase(
                    "The board breaks the protocol ({fault}): its firmware needs fixing.",
                    fault=fault,
                )
            )
        case LossReason.DAMAGED:
            return OtherReader(
                phrase(
                    "The board's answers arrive damaged: another program is probably reading this"
                    " port; close it (or try another cable)."
                )
            )
        case LossReason.ECHO:
            return Echo(
                phrase(
                    "The port sends back what it is sent, and no board answers: check that this is"
                    " the board's port, and press its reset button."
                )
            )
        case LossReason.ELSE:
            return SpeaksElse(
                phrase(
                    "Something speaks on this port, but not a board that can be set up: check the"
                    " port, the firmware, and the baud rate."
                )
            )
        case _:
            return Silent(
                phrase(
                    "Nothing answers on this port: check that it is the board's, press its reset"
                    " button, and try again."
                )
            )
