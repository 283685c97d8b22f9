# SPDX-License-Identifier: MIT
"""Every request to the stub, which answers as the Python board does, and as the contract says."""

from __future__ import annotations

import ctypes as c
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from provision.board.flash import Faults, FlashError, Operation, Tear
from provision.board.state import Network
from provision.contract.messages import encode_message
from provision.contract.profile import Item
from provision.contract.table import (
    MAX_BODY,
    Refusal,
    Run,
    Security,
    Store,
)
from provision.contract.table import MessageType as Type
from provision.schema.constraints import staged_digest
from scripts.derive import source
from tests.c_board.board import FELL_BACK, IN_FORCE, IS_ACTIVE, IS_SET, Stub
from tests.stub.lockstep import TOKEN, AskedStub, Lockstep, in_lockstep, messages, request
from tests.vectors.boards import declaration

TABLE = source.load(Path(__file__).parents[2] / "shared")
SECRET = "the-canary-sings"


@pytest.fixture
def both(library: c.CDLL) -> Lockstep:
    """Return stub and board of the first vectors, nothing stored."""
    return in_lockstep(library, "board")


@pytest.fixture
def trial(library: c.CDLL) -> Lockstep:
    """Return stub and board whose author asks for a trial of 60 seconds."""
    return in_lockstep(library, "trial-board")


def refused(reply: Any, code: Refusal, **rest: Item) -> None:
    """Assert a refusal with exactly these members."""
    keys = {"field": 2, "detail": 3, "other": 4}
    assert reply.type == Type.REFUSAL
    assert reply.body == {1: code, **{keys[name]: item for name, item in rest.items()}}


def set_field(both: Lockstep, key: str, value: Item) -> Any:
    """Stage one value."""
    return both.ask(Type.SET_FIELD, {1: key, 2: value})


def set_part(both: Lockstep, key: str, offset: int, total: int, part: bytes) -> Any:
    """Stage one part."""
    return both.ask(Type.SET_FIELD, {1: key, 3: offset, 4: total, 5: part})


def generation(both: Lockstep) -> int:
    """Return the generation in force."""
    present = both.ask(Type.STATUS).body[8]
    assert isinstance(present, int)
    return present


def values(both: Lockstep) -> dict[str, list[Item]]:
    """Return all entries of get-values, page by page."""
    entries: list[Any] = []
    while True:
        body = both.ask(Type.GET_VALUES, {1: len(entries)}).body
        entries += body[3]  # type: ignore[arg-type]
        if len(entries) == body[2]:
            return {entry[0]: entry[1:] for entry in entries}


def fill(both: Lockstep) -> None:
    """Store a complete set."""
    set_field(both, "net.name", b"orchard")
    set_field(both, "net.pass", SECRET)
    set_field(both, "words.secret", SECRET)
    assert both.commit().type == Type.COMMIT_REPLY


def test_hello(both: Lockstep) -> None:
    """Hello is answered alike, in any version and with keys that a later version may add."""
    reply = both.ask(Type.HELLO)
    assert reply.type == Type.HELLO_REPLY
    assert both.ask(Type.HELLO, {5: 1}, version=9).body == reply.body


def test_schema_comes_whole(both: Lockstep) -> None:
    """Pieces of any length make up the deflated schema; there is nothing behind its end."""
    deflated = both.board._packed.deflated
    for length in (1, 100, 470):
        pieces = b""
        while len(pieces) < len(deflated) and (length > 1 or len(pieces) < 50):
            pieces += both.ask(Type.GET_SCHEMA, {1: len(pieces), 2: length}).body[2]  # type: ignore[operator]
        assert pieces == deflated[: len(pieces)]
    refused(
        both.ask(Type.GET_SCHEMA, {1: len(deflated), 2: 1}),
        Refusal.OUT_OF_BOUNDS,
        detail=len(deflated),
    )


def test_what_was_set_comes_back_and_secrets_do_not(both: Lockstep) -> None:
    """Values come back after commit and after a restart; of a secret only that it is held."""
    fill(both)
    set_field(both, "octets.cert", b"x" * 300)
    both.commit(b"12345678")
    for _ in range(2):
        held = values(both)
        assert held["net.name"] == [1, b"orchard"]
        assert held["net.pass"] == [1]
        assert held["octets.cert"] == [1, 300]
        assert held["numbers.integer"] == [0]
        both.restart()


def test_no_secret_stays_behind(both: Lockstep) -> None:
    """After a secret was sent the line is overwritten; after commit and discard staging is too."""
    fill(both)
    assert SECRET.encode() not in both.stub.line.bytes() + both.stub.staged.bytes()
    set_field(both, "words.secret", SECRET[::-1])
    assert SECRET[::-1].encode() in both.stub.staged.bytes()
    both.ask(Type.DISCARD, {1: 1})
    assert not any(both.stub.staged.bytes() + both.stub.line.bytes())


def test_a_damaged_line_is_overwritten(both: Lockstep) -> None:
    """A line that failed its check may hold a secret as well."""
    line = bytearray(request(Type.SET_FIELD, {1: "net.pass", 2: SECRET}))
    line[-3] ^= 1
    assert both.send(bytes(line)) is None
    assert not any(both.stub.line.bytes())


def test_a_shorter_secret_leaves_nothing_of_a_longer_one(both: Lockstep) -> None:
    """Staging a second value overwrites all of the first."""
    set_field(both, "words.secret", "x" * 24)
    set_field(both, "words.secret", "y" * 8)
    assert b"xx" not in both.stub.staged.bytes()


def test_state_flags(both: Lockstep) -> None:
    """The settings struct says what is set, in force and active."""
    assert both.stub.flags("numbers.integer") == IN_FORCE | IS_ACTIVE
    assert both.stub.flags("siren.pattern") == 0
    fill(both)
    set_field(both, "siren.fitted", True)
    set_field(both, "siren.pattern", "steady")
    set_field(both, "probe.2.label", "north")
    both.commit(b"12345678")
    assert both.stub.flags("siren.pattern") == IN_FORCE | IS_ACTIVE | IS_SET
    assert both.stub.flags("siren.pulse") == 0
    assert both.stub.flags("probe.2.offset") == IS_ACTIVE
    assert both.stub.flags("probe.1.offset") == 0
    assert both.stub.has("probe.2.label")
    assert not both.stub.has("probe.2.offset")
    set_field(both, "siren.fitted", None)
    both.commit(b"23456789")
    assert both.stub.flags("siren.pattern") == IN_FORCE | IS_SET
    assert not both.stub.has("siren.pattern")
    assert both.stub.flags("siren.pattern") & FELL_BACK == 0


def test_apply_comes_after_the_reply(both: Lockstep) -> None:
    """The firmware is told of a set only when the reply to commit is out."""
    set_field(both, "net.name", b"orchard")
    set_field(both, "net.pass", SECRET)
    both.commit()
    assert both.stub.c.applies == 1
    assert both.stub.c.sent_at_apply > 0


def test_whole_values_of_every_kind(both: Lockstep) -> None:
    """A value that fits is staged, one that does not is refused with the field; null clears."""
    assert set_field(both, "words.text", "abc").body == {1: 1}
    refused(set_field(both, "words.text", "a"), Refusal.LENGTH, field="words.text")
    refused(set_field(both, "no.such", "a"), Refusal.UNKNOWN_FIELD, field="no.such")
    refused(set_field(both, "pins.out", 0), Refusal.PIN_TAKEN, field="pins.out")
    assert set_field(both, "numbers.free", None).body == {1: 2}
    assert both.stub.staged.bytes().find(b"abc") > 0, "the refusal changed the staged value"


def test_parts(both: Lockstep) -> None:
    """Clause 6.4: parts are appended, repeated, refused with a gap, and checked at the end."""
    key, cert = "octets.cert", bytes(range(250)) * 2
    assert set_part(both, key, 0, 500, cert[:200]).body == {1: 0, 2: 200}
    assert set_part(both, key, 0, 500, cert[:200]).body == {1: 0, 2: 200}
    assert set_part(both, key, 50, 500, cert[50:60]).body == {1: 0, 2: 200}
    refused(set_part(both, key, 50, 500, b"other"), Refusal.GAP, field=key, detail=200)
    refused(set_part(both, key, 150, 500, cert[150:250]), Refusal.GAP, field=key, detail=200)
    refused(set_part(both, key, 200, 400, cert[200:250]), Refusal.GAP, field=key, detail=0)
    refused(set_part(both, "words.text", 2, 4, b"ab"), Refusal.GAP, field="words.text", detail=0)
    refused(set_part(both, key, 400, 500, bytes(101)), Refusal.MALFORMED)
    refused(set_part(both, key, 0, 601, b"a"), Refusal.LENGTH, field=key)
    refused(set_part(both, "numbers.free", 0, 4, b"a"), Refusal.WRONG_KIND, field="numbers.free")
    refused(
        set_part(both, "numbers.choice", 0, 4, b"a"), Refusal.WRONG_KIND, field="numbers.choice"
    )
    assert set_part(both, key, 200, 500, cert[200:]).body == {1: 1, 2: 500}
    assert set_part(both, key, 499, 500, cert[499:]).body == {1: 1, 2: 500}
    # Complete parts are known even after another field was staged.
    set_field(both, "words.text", "abc")
    assert set_part(both, key, 499, 500, cert[499:]).body == {1: 2, 2: 500}
    # Starting anew unstages the field.
    assert set_part(both, key, 0, 500, b"new").body == {1: 1, 2: 3}
    set_field(both, "words.text", "abd")
    refused(set_part(both, key, 3, 500, b"more"), Refusal.GAP, field=key, detail=0)


def test_parts_that_make_no_value(both: Lockstep) -> None:
    """A value in parts that is refused at its end is forgotten."""
    key = "words.text"
    refused(set_part(both, key, 0, 3, b"a\xffb"), Refusal.CHARACTERS, field=key)
    refused(set_part(both, key, 1, 3, b"ab"), Refusal.GAP, field=key, detail=0)
    refused(set_part(both, key, 0, 1, b"a"), Refusal.LENGTH, field=key)
    assert not any(both.stub.staged.bytes())


def test_rules_of_the_whole(both: Lockstep) -> None:
    """Clause 9.6: partner, missing and pin-conflict, in this order; what is staged stays."""
    set_field(both, "pins.out", 2)
    set_field(both, "siren.pin", 2)
    set_field(both, "siren.fitted", True)
    set_field(both, "net.pass", SECRET)
    refused(both.commit(), Refusal.PARTNER, field="net.pass", other="net.name")
    set_field(both, "net.name", b"orchard")
    refused(both.commit(), Refusal.MISSING, field="siren.pattern")
    set_field(both, "siren.pattern", "pulsed")
    refused(both.commit(), Refusal.MISSING, field="siren.pulse")
    set_field(both, "siren.pulse", 100)
    refused(both.commit(), Refusal.PIN_CONFLICT, field="siren.pin", other="pins.out")
    set_field(both, "pins.out", 3)
    set_field(both, "pins.bus-a", 4)
    set_field(both, "pins.bus-b", 4)
    assert both.commit().body == {1: 1}


def test_pins_can_be_swapped(both: Lockstep) -> None:
    """Two pins change places in one commit."""
    fill(both)
    set_field(both, "pins.out", 2)
    set_field(both, "pins.bus-a", 3)
    both.commit(b"12345678")
    set_field(both, "pins.out", 3)
    set_field(both, "pins.bus-a", 2)
    assert both.commit(b"23456789").type == Type.COMMIT_REPLY


def test_commit_is_answered_again_and_not_done_again(both: Lockstep) -> None:
    """The token that is durable already is answered, even after a restart [6.5]."""
    fill(both)
    changes = both.stub.flash.operations
    body: dict[int, Item] = {1: 1, 2: 0, 3: TOKEN}
    assert both.ask(Type.COMMIT, body).body == {1: 1}
    both.restart()
    set_field(both, "words.text", "abc")
    assert both.ask(Type.COMMIT, body).body == {1: 1}
    assert both.stub.flash.operations == changes
    assert both.ask(Type.STATUS).body[2] == 0


def test_commit_of_another_set(both: Lockstep) -> None:
    """Where count or digest differ all that is staged is discarded."""
    refused(both.ask(Type.COMMIT, {1: 1, 2: 0, 3: TOKEN}), Refusal.WRONG_STATE)
    set_field(both, "words.text", "abc")
    refused(both.ask(Type.COMMIT, {1: 1, 2: 0, 3: TOKEN}), Refusal.SET_DIFFERS)
    assert both.ask(Type.STATUS).body[2] == 0


def test_undo_erase_and_their_repeats(both: Lockstep) -> None:
    """Each acts on the generation named, and its repeat is answered like the first time [6.7]."""
    fill(both)
    refused(both.ask(Type.UNDO, {1: 1}), Refusal.NO_OLDER_SET)
    set_field(both, "words.text", "abc")
    both.commit(b"12345678")
    refused(both.ask(Type.UNDO, {1: 1}), Refusal.MOVED_ON, detail=2)
    assert both.ask(Type.UNDO, {1: 2}).body == {1: 3}
    assert both.ask(Type.UNDO, {1: 2}).body == {1: 3}
    assert values(both)["words.text"] == [0]
    assert both.ask(Type.HELLO).body[15] == TOKEN
    erased = both.ask(Type.ERASE, {1: 3}).body
    assert both.ask(Type.ERASE, {1: 3}).body == erased
    assert both.ask(Type.STATUS).body[1] == Store.EMPTY
    assert SECRET.encode() not in both.stub.settings.bytes() + both.stub.content
    both.restart()
    refused(both.ask(Type.ERASE, {1: 3}), Refusal.MOVED_ON, detail=erased[1])


def test_parts_outlive_an_undo_that_is_refused(both: Lockstep) -> None:
    """A refusal changes nothing, neither where no set is older nor where the flash fails."""
    fill(both)
    size = len(SECRET)
    set_part(both, "words.secret", 0, size, SECRET[:5].encode())
    refused(both.ask(Type.UNDO, {1: 1}), Refusal.NO_OLDER_SET)
    assert set_part(both, "words.secret", 5, size, SECRET[5:7].encode()).body == {1: 0, 2: 7}
    assert set_part(both, "words.secret", 7, size, SECRET[7:].encode()).body == {1: 1, 2: size}
    both.commit(b"12345678")
    set_part(both, "words.secret", 0, size, SECRET[:5].encode())
    both.stub.fail()
    both.board.store.flash.faults = Failing()
    refused(both.ask(Type.UNDO, {1: 2}), Refusal.STORAGE)
    assert set_part(both, "words.secret", 5, size, SECRET[5:7].encode()).body == {1: 0, 2: 7}


def test_an_undo_drops_parts(both: Lockstep) -> None:
    """As a commit does: what was to be set was meant for the set that is out of force."""
    fill(both)
    set_field(both, "words.secret", "another-canary")
    both.commit(b"12345678")
    size = len(SECRET)
    set_part(both, "words.secret", 0, size, SECRET[:5].encode())
    assert both.ask(Type.UNDO, {1: 2}).body == {1: 3}
    reply = set_part(both, "words.secret", 5, size, SECRET[5:].encode())
    refused(reply, Refusal.GAP, field="words.secret", detail=0)


class Failing(Faults):
    """No change of the flash works."""

    def changing(self, operation: Operation) -> Tear | None:  # noqa: ARG002
        """See Faults."""
        raise FlashError


def test_the_request_that_finds_a_trial_over_is_answered_by_the_older_set(trial: Lockstep) -> None:
    """What was reported before is forgotten [6.6], also for a status that no poll came before."""
    set_field(trial, "lamp.level", 1)
    trial.commit()
    set_field(trial, "lamp.level", 2)
    trial.commit(b"12345678")
    trial.report(Run.FAILED, 1, 1)
    trial.stub.now_ms += 60_000
    status = trial.ask(Type.STATUS).body
    assert (status[1], status[3], status[8]) == (Store.COMPLETE, Run.APPLYING, 3)
    assert not {6, 7} & status.keys()  # reason, field


def test_trial_ends_well(trial: Lockstep) -> None:
    """Confirm, or proven, keeps the set on trial [5.4]."""
    set_field(trial, "lamp.level", 1)
    trial.commit()
    set_field(trial, "lamp.level", 2)
    trial.commit(b"12345678")
    trial.wait(59_000)
    status = trial.ask(Type.STATUS).body
    assert status[1] == Store.TRIAL
    assert status[10] == 1000
    assert trial.ask(Type.CONFIRM, {1: 2}).body == {1: 3}
    assert trial.ask(Type.CONFIRM, {1: 2}).body == {1: 3}
    set_field(trial, "lamp.level", 3)
    trial.commit(b"23456789")
    trial.report(Run.PROVEN)
    assert trial.ask(Type.STATUS).body[1] == Store.COMPLETE
    trial.wait(100_000)
    assert values(trial)["lamp.level"] == [1, 3]


def test_trial_ends_badly(trial: Lockstep) -> None:
    """After its time, by undo, or after three restarts, the older set is in force again."""
    set_field(trial, "lamp.level", 1)
    trial.commit()
    for number, end in enumerate(("its time", "undo", "restarts")):
        set_field(trial, "lamp.level", 2)
        trial.commit(bytes([number]) * 8)
        assert values(trial)["lamp.level"] == [1, 2]
        if end == "its time":
            trial.wait(60_000)
        elif end == "undo":
            trial.ask(Type.UNDO, {1: generation(trial)})
        else:
            for _ in range(3):
                assert values(trial)["lamp.level"] == [1, 2]
                trial.restart()
        assert values(trial)["lamp.level"] == [1, 1]
        assert trial.ask(Type.STATUS).body[1] == Store.COMPLETE
        assert trial.ask(Type.HELLO).body[15] == TOKEN


def test_staged_values_are_dropped_after_ten_minutes(both: Lockstep) -> None:
    """Ten minutes after the last answer, and not before [5.1]."""
    set_field(both, "words.text", "abc")
    both.wait(599_999)
    assert both.ask(Type.STATUS).body[2] == 1
    both.wait(600_000)
    assert not any(both.stub.staged.bytes())
    assert both.ask(Type.STATUS).body[2] == 0


def test_presence(library: c.CDLL) -> None:
    """Once something is stored, a change wants a person [5.5]; reading does not."""
    both = in_lockstep(library, "board", presence=True)
    fill(both)
    refused(set_field(both, "words.text", "abc"), Refusal.PRESENCE)
    refused(both.ask(Type.ERASE, {1: 1}), Refusal.PRESENCE)
    refused(both.ask(Type.ERASE, {}), Refusal.MALFORMED)
    values(both)
    both.stub.c.present = True
    both.board.show_presence()
    assert set_field(both, "words.text", "abc").body == {1: 1}


def test_listens_for_its_time_only(library: c.CDLL) -> None:
    """A board that listens for a time says for how long, and is silent then [5.7]."""
    both = in_lockstep(library, "board", listens=3000)
    both.wait(1000)
    assert both.ask(Type.HELLO).body[16] == 2000
    both.wait(2000)
    assert both.send(request(Type.HELLO)) is None


def test_survey(both: Lockstep) -> None:
    """A scan runs once, is read page by page, and told apart by its number [6.8]."""
    refused(both.ask(Type.SURVEY, {1: 1}), Refusal.OUT_OF_BOUNDS, detail=0)
    refused(both.ask(Type.SURVEY, {2: 1}), Refusal.OUT_OF_BOUNDS, detail=0)
    assert both.ask(Type.SURVEY).body == {1: 1, 2: False, 3: 0, 4: 0, 5: []}
    assert both.ask(Type.SURVEY).body[1] == 1
    assert both.stub.c.scans == 1
    found = [(b"mast %d" % number, -40 - number, Security.PERSONAL) for number in range(70)]
    both.stub.found(found)
    both.board.found([Network(*each) for each in found], done=True)
    read: list[Any] = []
    while len(read) < 70:
        body = both.ask(Type.SURVEY, {1: 1, 2: len(read)}).body
        assert body[3] == 70
        read += body[5]  # type: ignore[arg-type]
    assert read == [list(each) for each in found]
    assert both.ask(Type.SURVEY, {1: 1, 2: 70}).body[5] == []
    refused(both.ask(Type.SURVEY, {1: 1, 2: 71}), Refusal.OUT_OF_BOUNDS, detail=70)
    assert both.ask(Type.SURVEY).body[1] == 2


def test_a_page_of_networks_is_as_full_as_a_line_admits(both: Lockstep) -> None:
    """From 24 entries on their number takes two bytes; the item ends at the limit [2.2, 6.8]."""
    sizes = set()
    for rest in range(97):
        lengths = [14] * 22 + [min(32, max(1, rest - at)) for at in (0, 32, 64)]
        found = [(b"n" * length, -40, Security.PERSONAL) for length in lengths]
        scan = both.ask(Type.SURVEY).body[1]
        both.stub.found(found)
        both.board.found([Network(*each) for each in found], done=True)
        reply = both.ask(Type.SURVEY, {1: scan, 2: 0})
        sizes.add((len(reply.body[5]), len(encode_message(reply))))  # type: ignore[arg-type]
    assert {count for count, _ in sizes} >= {23, 24}
    assert max(size for _, size in sizes) == MAX_BODY * 3 // 4


def test_restart_and_locate(both: Lockstep) -> None:
    """The reply goes out first, then the firmware is called."""
    assert both.ask(Type.LOCATE).type == Type.LOCATE_REPLY
    assert both.stub.c.locates == 1
    refused(both.ask(Type.RESTART, {1: 7}), Refusal.MOVED_ON, detail=1)
    assert both.ask(Type.RESTART, {1: 1}).type == Type.RESTART_REPLY
    assert both.stub.c.restarts == 1


def test_status_says_what_the_firmware_reported(both: Lockstep) -> None:
    """Step, reason, field and address as reported; the reason only with failed [6.6]."""
    fill(both)
    both.report(Run.APPLYING, 2)
    assert both.ask(Type.STATUS).body[4] == 2
    both.report(Run.FAILED, 2, 1)
    assert both.ask(Type.STATUS).body[5] == 1
    both.stub.report(Run.FAILED, 6, 6, both.stub.numbers["words.secret"])
    both.board.report(Run.FAILED, 6, 6, "words.secret", bytes(4))  # type: ignore[arg-type]
    both.stub.report_address(bytes(4))
    assert both.ask(Type.STATUS).body[6] == "words.secret"


def test_a_report_while_a_status_is_sent_is_told_by_the_next(both: Lockstep) -> None:
    """A firmware may report from its callbacks: what is sent meanwhile stays as it began."""
    stub = both.stub
    stub.report(Run.FAILED, 6, 6, stub.numbers["words.secret"])
    kind = type(stub.config.write)
    write = kind(c.cast(stub.config.write, c.c_void_p).value)  # the member itself would change

    def report_and_write(*arguments: Any) -> None:
        stub.report(Run.PROVEN)
        stub.report_address(bytes(16))
        write(*arguments)

    reporting = kind(report_and_write)  # the config keeps but its address
    stub.config.write = reporting
    (begun,) = messages(stub.receive(request(Type.STATUS)))
    assert begun.body[3] == Run.FAILED
    assert begun.body[6] == "words.secret"
    assert 7 not in begun.body
    (told,) = messages(stub.receive(request(Type.STATUS)))
    assert (told.body[3], told.body[7]) == (Run.PROVEN, bytes(16))
    stub.config.write = write


def test_what_is_no_request_is_ignored(both: Lockstep) -> None:
    """Replies, other envelopes, log text and damaged lines are passed over in silence."""
    for line in (
        request(Type.HELLO_REPLY),
        request(Type.HELLO, version=0),
        b"\n~" + request(Type.HELLO)[2:-2] + b"A\n",
        b"\nlog " + request(Type.HELLO)[1:],
        b"\n~@@@@@@@@\n",
        b"\n~\n",
        b"\n~" + b"A" * 700 + b"\n",
    ):
        assert both.send(line) is None, line
    assert both.send(request(Type.HELLO)) is not None


def test_other_versions_and_types(both: Lockstep) -> None:
    """Both are refused [4.2]."""
    refused(both.ask(Type.STATUS, version=2), Refusal.UNSUPPORTED_VERSION)
    refused(both.ask(201), Refusal.UNKNOWN_TYPE)


def bounds() -> list[tuple[int, int, dict[str, Any]]]:
    """Return every key of every request that has a bound, from the table itself."""
    return [
        (row.number, key.key, key.type)
        for row in TABLE.requests
        for key in row.body
        if "min" in key.type
    ]


def sized(form: dict[str, Any], size: int) -> Item:
    """Return a value of a form at a size."""
    if form["is"] == "uint":
        return size
    return "a" * size if form["is"] == "text" else bytes(size)


FIT: dict[int, dict[int, Item]] = {  # bodies of the right form, whose values need not make sense
    Type.GET_SCHEMA: {1: 0, 2: 1},
    Type.GET_VALUES: {1: 0},
    Type.SET_FIELD: {1: "a.b", 3: 0, 4: 1, 5: b"a"},
    Type.COMMIT: {1: 1, 2: 0, 3: TOKEN},
    Type.DISCARD: {1: 0},
    Type.UNDO: {1: 0},
    Type.ERASE: {1: 7},
    Type.RESTART: {1: 0},
    Type.CONFIRM: {1: 0},
    Type.SURVEY: {1: 1, 2: 0},
}


@pytest.mark.parametrize(("type_", "key", "form"), bounds())
def test_bounds_of_the_table(both: Lockstep, type_: int, key: int, form: dict[str, Any]) -> None:
    """The stub's bounds for each key are those of messages.json: at them, and one beyond."""
    for size, fits in (
        (form["min"], True),
        (form["max"], True),
        (form["min"] - 1, False),
        (form["max"] + 1, False),
    ):
        if not 0 <= size < 2**32:
            continue
        body = {**FIT[type_], key: sized(form, size)}
        if type_ == Type.SET_FIELD and key in {3, 5}:
            body[4] = 65535
        reply = both.ask(type_, body)
        malformed = reply.type == Type.REFUSAL and reply.body[1] == Refusal.MALFORMED
        # offset 65535 with a part ends beyond any total, by another rule of clause 6.4
        if (type_, key, size) != (Type.SET_FIELD, 3, 65535):
            assert malformed is not fits, (size, reply.body)


@pytest.mark.parametrize("type_", FIT)
def test_form_of_bodies(both: Lockstep, trial: Lockstep, type_: int) -> None:
    """A key that lacks, is of another type, or is not known below 64 is malformed; 64 not."""
    both = trial if type_ == Type.CONFIRM else both
    fit = FIT[type_]
    both.ask(type_, {**fit, 64: {1: [1, {2: b"x"}]}, 70000: None})
    bodies: list[dict[int, Item]] = [
        {**fit, 63: 1},
    ]
    for key in fit:
        bodies += [{**fit, key: [1]}, {**fit, key: -1}]
    if type_ != Type.SURVEY:
        bodies += [{k: item for k, item in fit.items() if k != key} for key in fit]
    for body in bodies:
        refused(both.ask(type_, body), Refusal.MALFORMED)
    if type_ == Type.SET_FIELD:
        refused(both.ask(type_, {**fit, 2: "a"}), Refusal.MALFORMED)
        refused(both.ask(type_, {1: "a.b", 2: []}), Refusal.MALFORMED)
        refused(both.ask(type_, {1: "a.b"}), Refusal.MALFORMED)


@given(data=st.data())
def test_feed_in_any_pieces(library: c.CDLL, data: st.DataObject) -> None:
    """Cut anywhere, the same bytes get the same replies; a whole request waits for pv_poll."""
    lines = [
        request(Type.HELLO),
        b"boot: ready ~ not a line\r\n",
        request(Type.SET_FIELD, {1: "words.text", 2: "abc"}).replace(b"\n", b"\r\n"),
        request(Type.STATUS),
        request(Type.GET_VALUES, {1: 3}).replace(b"\n", b"\r"),
    ]
    stream = b"".join(data.draw(st.permutations(lines)))
    whole = in_lockstep(library, "board").stub.receive(stream)
    assert len(messages(whole)) == 4
    stub, sent = in_lockstep(library, "board").stub, b""
    while stream:
        size = data.draw(st.integers(1, 80))
        taken = stub.feed(stream[:size])
        assert taken <= size
        if taken < min(size, len(stream)):
            assert stub.feed(stream[taken:]) == 0, "it took bytes while a request waited"
        stream = stream[taken:]
        sent += stub.poll()
    assert sent == whole


def test_smallest_line(library: c.CDLL) -> None:
    """A board that receives 128 characters takes a BODY of 128, and drops 129 whole."""
    declared = declaration("board")
    stub = Stub(library, declared, line=128, credit=139)
    assert stub.start() == 0
    skipped = 64
    for padding in range(60, 90):
        line = request(Type.HELLO, {skipped: bytes(padding)})
        body = len(line) - 11
        assert bool(stub.receive(line)) is (body <= 128), body
    assert not any(stub.line.bytes())


KEYS = [
    "net.name", "net.pass", "words.text", "numbers.integer", "numbers.yes", "numbers.choice",
    "pins.out", "pins.bus-a", "siren.fitted", "siren.pattern", "siren.pulse", "siren.pin",
    "octets.hex", "probe.1.label", "probe.2.label", "probe.2.offset", "no.such",
]  # fmt: skip
VALUES = st.sampled_from(
    [b"orchard", "password", "abc", 5, True, False, "slow", "pulsed", "steady", 2, 3, 26, 200, None]
)
STEPS = st.one_of(
    st.tuples(st.just("set"), st.sampled_from(KEYS), VALUES),
    st.tuples(
        st.just("part"),
        st.sampled_from(["words.text", "net.name", "octets.hex"]),
        st.integers(0, 5),
        st.integers(1, 6),
        st.sampled_from([b"a", b"ab", b"abcd", b"\xff"]),
    ),
    st.tuples(st.just("commit"), st.integers(0, 3)),
    st.tuples(st.sampled_from(["undo", "erase", "confirm"]), st.integers(0, 1)),
    st.tuples(
        st.sampled_from(["status", "values", "hello", "discard", "repeat", "restart", "proven"])
    ),
    st.tuples(st.just("wait"), st.sampled_from([1000, 30_000, 61_000, 600_000])),
)


def take(both: Lockstep, step: tuple[Any, ...]) -> None:
    """Do one step of a random conversation with both."""
    name, *rest = step
    match name:
        case "set":
            set_field(both, *rest)
        case "part":
            set_part(both, *rest)
        case "commit" if both.board.staged:
            both.commit(bytes(rest) * 8)
        case "undo" | "erase" | "confirm":
            both.ask(Type[name.upper()], {1: max(0, both.board.generation - rest[0])})
        case "wait":
            both.wait(*rest)
        case "status" | "hello":
            both.ask(Type[name.upper()])
        case _:
            others[name](both)


others: dict[str, Callable[[Lockstep], object]] = {
    "commit": lambda both: both.ask(Type.COMMIT, {1: 1, 2: 0, 3: TOKEN}),
    "values": values,
    "discard": lambda both: both.ask(Type.DISCARD, {1: both.board.boot_number}),
    "repeat": lambda both: both.send(both.last),
    "restart": Lockstep.restart,
    "proven": lambda both: both.report(Run.PROVEN),
}


@settings(max_examples=150)
@given(st.lists(STEPS, max_size=40))
def test_random_conversations(library: c.CDLL, steps: list[tuple[Any, ...]]) -> None:
    """In any order of requests, waits and restarts, stub and Python board answer alike."""
    both = in_lockstep(library, "board")
    for step in steps:
        take(both, step)
    values(both)
    both.ask(Type.STATUS)


TRIAL_STEPS = STEPS | st.tuples(
    st.just("set"),
    st.sampled_from(["lamp.level", "lamp.name"]),
    st.sampled_from([1, 2, "ab", None]),
)


@settings(max_examples=150)
@given(st.lists(TRIAL_STEPS, max_size=40))
def test_random_conversations_with_trials(library: c.CDLL, steps: list[tuple[Any, ...]]) -> None:
    """The same on a board with trials."""
    both = in_lockstep(library, "trial-board")
    set_field(both, "lamp.level", 0)
    both.commit(b"original")
    for step in steps:
        take(both, step)
    values(both)
    both.ask(Type.STATUS)


@pytest.mark.parametrize("count", [2, 32])
def test_a_count_that_is_wrong_beside_a_right_digest_differs(library: c.CDLL, count: int) -> None:
    """Clause 6.5 has the board compare both: the digest alone is 32 bits of a guess."""
    stub = AskedStub(library, "trial-board")
    stub.stage(3)
    digest = staged_digest(stub.model, {"lamp.level": 3})
    reply = stub.answer(Type.COMMIT, {1: count, 2: digest, 3: TOKEN})
    assert (reply.type, reply.body) == (Type.REFUSAL, {1: Refusal.SET_DIFFERS})
    assert stub.generation == 0


@pytest.mark.parametrize("octets", [b"\x7f\0\0\x01", b"\xfd" * 16])
def test_an_address_is_shown(library: c.CDLL, octets: bytes) -> None:
    """Of 4 or 16 bytes [6.6]; of another length it is none."""
    stub = AskedStub(library, "board")
    for size in (len(octets), len(octets) - 1):
        stub.report_address(octets[:size])
        body = stub.answer(Type.STATUS).body
        assert body.get(7) == (octets if size == len(octets) else None)


def test_at_most_64_networks_come_in_a_reply(library: c.CDLL) -> None:
    """Where more would fit into the line [11.2]; the boards agree."""
    both = in_lockstep(library, "board")
    both.ask(Type.SURVEY)
    found = [(bytes([number]), -1, Security.OPEN) for number in range(70)]
    both.stub.found(found)
    both.board.found([Network(*each) for each in found], done=True)
    assert len(both.ask(Type.SURVEY, {1: 1}).body[5]) == 64  # type: ignore[arg-type]


def test_scans_are_numbered_from_1_to_255_and_again_from_1(library: c.CDLL) -> None:
    """A number tells scans apart [6.8]."""
    both = in_lockstep(library, "board")
    for number in [*range(1, 256), 1]:
        assert both.ask(Type.SURVEY).body[1] == number
        both.stub.found([])
        both.board.found([], done=True)
