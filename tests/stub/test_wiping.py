# SPDX-License-Identifier: MIT
"""No memory of the stub keeps a secret that has served (clause 5.1, and security.md B6).

A secret that occurs nowhere else is sent, and after every step all that the stub writes to is
searched for runs of it, as bytes and as the line carries them: its state, its buffers, both
settings structs, flash, and the stack that it ran on. What lies on a stack is the compiler's work,
so that is done at the levels that firmware is compiled at.
"""

from __future__ import annotations

import base64
import ctypes as c
import random
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from provision.contract.messages import Message
from provision.contract.profile import Item
from provision.contract.table import MessageType as Type
from provision.contract.table import Refusal
from provision.schema.constraints import staged_digest
from tests.c_board.board import STUB, Stub, build
from tests.stub.lockstep import messages, request
from tests.vectors.boards import declaration

PRIVATE_STACK = Path(__file__).with_name("private_stack.c")
LEVELS = ("-O0", "-Os", "-O2")
STAGED_LIFETIME_MS = 600_000  # protocol.md, clause 11: staged-lifetime
BOARD = declaration("board")  # its certificate is kept in flash alone
IN_MEMORY = replace(
    BOARD,
    firmware_name="in-memory",
    schema=replace(
        BOARD.schema,
        sections=tuple(
            replace(each, fields=tuple(replace(field, kept=False) for field in each.fields))
            for each in BOARD.schema.sections
        ),
    ),
)
RUN = 6  # bytes of a secret that are one too many
TOKENS = [bytes([number]) * 8 for number in range(4)]


@dataclass(frozen=True, slots=True)
class Canary:
    """A secret to look for, and how it is sent."""

    key: str
    value: str | bytes
    other: str | bytes
    """Another value of the field; shorter, where the field allows it."""
    part: int
    """Bytes of a part; 0: whole."""
    kept: bool = False
    """Whether its field is kept in flash alone."""

    @property
    def content(self) -> bytes:
        """The secret as memory would hold it."""
        return self.value.encode() if isinstance(self.value, str) else self.value

    def traces(self) -> frozenset[bytes]:
        """Every run of it, as bytes and in base64url, in which it has three alignments."""
        found = {self.content[at : at + RUN] for at in range(len(self.content) - RUN + 1)}
        for before in range(3):
            text = base64.urlsafe_b64encode(bytes(before) + self.content + b"\0")
            first, end = -(-before * 8 // 6), (before + len(self.content)) * 8 // 6
            size = RUN * 8 // 6
            found |= {text[at : at + size] for at in range(first, end - size + 1)}
        return frozenset(found)


def _canaries() -> list[Canary]:
    chance = random.Random(1)
    values: list[tuple[str, str | bytes, str | bytes]] = [
        ("words.secret", "7hQ-wren-Zk2p-siskin", "12345678"),
        ("octets.key", chance.randbytes(16), bytes(16)),
        ("octets.cert", chance.randbytes(300), b"short"),
    ]
    return [
        Canary(key, value, other, part, kept)
        for key, value, other in values
        for part in (0, 7 if len(value) < 100 else 90)
        for kept in ((False, True) if key == "octets.cert" else (False,))
    ]


CANARIES = _canaries()


class Lab(Stub):
    """The stub on a stack of its own, with nothing of Python below it."""

    def __init__(self, library: c.CDLL, canary: Canary) -> None:
        declared = BOARD if canary.kept else IN_MEMORY
        super().__init__(library, declared, without=["apply", "locate", "survey"])
        self.canary = canary
        self._traces = canary.traces()
        self._values: dict[str, str | bytes | None] = {}
        self._stack = (c.c_uint8 * 32768).in_dll(library, "private_stack")
        c.memset(self._stack, 0, len(self._stack))
        assert self.start() == 0

    def start(self) -> int:
        """Start there."""
        return int(self.library.private_start(self.handle))

    def feed(self, data: bytes) -> int:
        """Feed there."""
        return int(self.library.private_feed(self.handle, data, len(data)))

    def poll(self) -> bytes:
        """Poll; return what was sent."""
        self.library.private_poll(self.handle)
        sent = self.take_sent()
        assert not self._has_trace(sent), f"the stub sent some of {self.canary.key}"
        return sent

    def ask(self, type_: Type, body: dict[int, Item] | None = None) -> Message:
        """Send a request; return the reply."""
        (reply,) = messages(self.receive(request(type_, body)))
        return reply

    def lines(self, key: str, value: str | bytes, part: int = 0) -> list[bytes]:
        """Return the requests that stage a value."""
        if not part:
            return [request(Type.SET_FIELD, {1: key, 2: value})]
        whole = value.encode() if isinstance(value, str) else value
        return [
            request(Type.SET_FIELD, {1: key, 3: at, 4: len(whole), 5: whole[at : at + part]})
            for at in range(0, len(whole), part)
        ]

    def stage(self, key: str, value: str | bytes, part: int = 0) -> None:
        """Stage a value."""
        for line in self.lines(key, value, part):
            (reply,) = messages(self.receive(line))
            assert reply.type == Type.SET_FIELD_REPLY
        self._values[key] = value

    def stage_canary(self) -> None:
        """Stage the secret that is looked for."""
        self.stage(self.canary.key, self.canary.value, self.canary.part)
        self.only_in("staged")

    def stage_required(self) -> None:
        """Stage what the set lacks without which none is stored."""
        self.stage("net.name", b"orchard")
        self.stage("net.pass", "any passphrase")

    def begin_parts(self, *stored: str) -> None:
        """Send the first half of the secret, as a part; it may be stored already."""
        half = len(self.canary.content) // 2
        body: dict[int, Item] = {1: self.canary.key, 3: 0, 4: len(self.canary.content)}
        reply = self.ask(Type.SET_FIELD, {**body, 5: self.canary.content[:half]})
        assert reply.type == Type.SET_FIELD_REPLY
        self.only_in("staged", *(["unit"] if self.canary.kept else []), *stored)

    def commit(self, token: bytes = TOKENS[0], *, wrong: int = 0) -> Message:
        """Commit what is staged."""
        digest = staged_digest(self.model, self._values) ^ wrong
        reply = self.ask(Type.COMMIT, {1: len(self._values), 2: digest, 3: token})
        if reply.type == Type.COMMIT_REPLY:
            self._values.clear()
        return reply

    def store_canary(self) -> None:
        """Store a set with the secret in it."""
        self.stage_canary()
        self.stage_required()
        assert self.commit().type == Type.COMMIT_REPLY
        self.only_in("settings", "flash")

    def generation(self) -> int:
        """Return the generation in force."""
        present = self.ask(Type.STATUS).body[8]
        assert isinstance(present, int)
        return present

    def only_in(self, *places: str) -> None:
        """Assert that the secret is found in these places, and nowhere else.

        One that is kept in flash alone is there where another would be in a struct.
        """
        if self.canary.kept:
            moved = {"staged": "flash", "settings": "flash"}
            places = tuple(moved.get(place, place) for place in places)
        memory = {
            "state": self.state.bytes(),
            "line": self.line.bytes(),
            "unit": self.unit.bytes(),
            "staged": self.staged.bytes(),
            "settings": self.settings.bytes(),
            "flash": self.content,
            "stack": bytes(self._stack),
        }
        found = {place for place, content in memory.items() if self._has_trace(content)}
        assert found == set(places), f"{self.canary.key} lies in {', '.join(sorted(found))}"

    def overwritten(self) -> None:
        """Assert that it is nowhere; what is kept in flash, once what is staged is dropped."""
        if self.canary.kept:
            self.only_in("flash")
            self.ask(Type.DISCARD, {1: 1})
        self.only_in()

    def _has_trace(self, content: bytes) -> bool:
        content = re.sub(rb"(\0|\xff)\1{5,}", rb"\1" * RUN, content)  # no trace is like that
        return any(
            content[at : at + size] in self._traces
            for size in (RUN, RUN * 8 // 6)
            for at in range(len(content) - size + 1)
        )


def refused(reply: Message, code: Refusal) -> None:
    """Assert that a reply is this refusal."""
    assert reply.type == Type.REFUSAL
    assert reply.body[1] == code


# ------------------------------------------------------------------ the lives of a secret


def staging(lab: Lab) -> None:
    """It lies in the receive buffer until its request is answered, then where it is staged."""
    canary = lab.canary
    for line in lab.lines(canary.key, canary.value, canary.part):
        if canary.part:
            lab.receive(line)
            continue
        assert lab.feed(line) == len(line)
        lab.only_in("line")
        lab.poll()
    lab.only_in("staged")


def committing(lab: Lab) -> None:
    """A commit leaves it in the settings and in flash alone."""
    lab.store_canary()


def committing_again(lab: Lab) -> None:
    """A repeated commit drops what was staged since."""
    lab.stage_required()
    assert lab.commit().type == Type.COMMIT_REPLY
    lab.stage_canary()
    assert lab.commit().type == Type.COMMIT_REPLY
    lab.only_in()


def discarding(lab: Lab) -> None:
    """Discard overwrites it."""
    lab.stage_canary()
    assert lab.ask(Type.DISCARD, {1: 1}).type == Type.DISCARD_REPLY
    lab.only_in()


def erasing_staged(lab: Lab) -> None:
    """Erase overwrites what is staged."""
    lab.stage_required()
    lab.commit()
    lab.stage_canary()
    assert lab.ask(Type.ERASE, {1: lab.generation()}).type == Type.ERASE_REPLY
    lab.only_in()


def erasing_stored(lab: Lab) -> None:
    """Erase overwrites what is stored, older sets too, in flash and in memory."""
    lab.store_canary()
    lab.stage("words.text", "more")
    lab.commit(TOKENS[1])
    lab.only_in("settings", "flash")
    assert lab.ask(Type.ERASE, {1: lab.generation()}).type == Type.ERASE_REPLY
    lab.only_in()


def falling_silent(lab: Lab) -> None:
    """Ten minutes without a request overwrite it, and not a moment less."""
    lab.stage_canary()
    lab.now_ms += STAGED_LIFETIME_MS - 1
    lab.poll()
    lab.only_in("staged")
    lab.now_ms += 1
    lab.poll()
    lab.only_in()


def falling_silent_within(lab: Lab) -> None:
    """Parts that are incomplete are overwritten after ten minutes too."""
    lab.begin_parts()
    lab.now_ms += STAGED_LIFETIME_MS
    lab.poll()
    lab.only_in()


def committing_another_set(lab: Lab) -> None:
    """A commit of a set that differs overwrites it."""
    lab.stage_canary()
    refused(lab.commit(wrong=1), Refusal.SET_DIFFERS)
    lab.only_in()


def breaking_a_rule(lab: Lab) -> None:
    """A commit that breaks a rule of the whole leaves it staged, and nowhere else."""
    lab.stage_canary()
    refused(lab.commit(), Refusal.MISSING)
    lab.only_in("staged")
    lab.ask(Type.DISCARD, {1: 1})
    lab.only_in()


def failing_to_store(lab: Lab) -> None:
    """Wherever flash begins to fail, the secret is in no buffer, and goes with the discard."""
    lab.stage_canary()
    lab.stage_required()
    operations, stored = 0, False
    while not stored:
        lab.fail(lab.flash.operations + operations)
        stored = lab.commit().type == Type.COMMIT_REPLY
        if not lab.canary.kept:
            lab.load(b"\xff" * lab.flash.size)  # what flash holds is not what is asked
        lab.only_in("settings" if stored else "staged")
        operations += 1
    assert operations > len(lab.canary.content) // 16


def restarting(lab: Lab) -> None:
    """A restart waits for a discard, and overwrites parts that are incomplete."""
    lab.stage_canary()
    refused(lab.ask(Type.RESTART, {1: 1}), Refusal.WRONG_STATE)
    lab.only_in("staged")
    lab.ask(Type.DISCARD, {1: 1})
    lab.begin_parts()
    assert lab.ask(Type.RESTART, {1: 1}).type == Type.RESTART_REPLY
    lab.only_in()
    assert lab.start() == 0
    lab.only_in()


def being_reset(lab: Lab) -> None:
    """A reset at any moment overwrites it, though the memory comes through: half a line as well."""
    lab.stage_canary()
    (line,) = lab.lines(lab.canary.key, lab.canary.value)
    lab.feed(line[:-1])
    lab.only_in("staged", "line")
    c.memmove(lab.unit.address, lab.canary.content, lab.unit.size)  # in the middle of a write
    assert lab.start() == 0
    lab.only_in()


def starting_stored(lab: Lab) -> None:
    """A start that loads it leaves it in the settings alone."""
    lab.store_canary()
    assert lab.start() == 0
    lab.only_in("settings", "flash")


def replacing_staged(lab: Lab) -> None:
    """Staging another value overwrites all of it."""
    lab.stage_canary()
    lab.stage(lab.canary.key, lab.canary.other, lab.canary.part)
    lab.overwritten()


def replacing_parts(lab: Lab) -> None:
    """A whole value overwrites parts of the same field."""
    lab.begin_parts()
    lab.stage(lab.canary.key, lab.canary.other)
    lab.overwritten()


def clearing_staged(lab: Lab) -> None:
    """Staging the field as cleared overwrites it."""
    lab.stage_canary()
    lab.ask(Type.SET_FIELD, {1: lab.canary.key, 2: None})
    lab.overwritten()


def turning_to_another_field(lab: Lab) -> None:
    """Parts that are incomplete are overwritten when another field is set."""
    lab.begin_parts()
    lab.stage("words.text", "more")
    lab.overwritten()


def turning_to_other_parts(lab: Lab) -> None:
    """Parts that are incomplete are overwritten when parts of another field begin."""
    lab.begin_parts()
    lab.stage("words.text", "more", 2)
    lab.overwritten()


def replacing_stored(lab: Lab) -> None:
    """A new value overwrites the one in force, and an undo brings it back to the settings alone."""
    lab.store_canary()
    lab.stage(lab.canary.key, lab.canary.other)
    lab.commit(TOKENS[1])
    lab.only_in("flash")
    assert lab.ask(Type.UNDO, {1: lab.generation()}).type == Type.UNDO_REPLY
    lab.only_in("settings", "flash")


def clearing_stored(lab: Lab) -> None:
    """Clearing the field overwrites the value in force."""
    lab.store_canary()
    lab.ask(Type.SET_FIELD, {1: lab.canary.key, 2: None})
    lab._values[lab.canary.key] = None
    lab.commit(TOKENS[1])
    lab.only_in("flash")


def undoing(lab: Lab) -> None:
    """An undo overwrites the value that it takes out of force, and parts that were begun."""
    lab.stage_required()
    lab.commit()
    lab.stage_canary()
    lab.commit(TOKENS[1])
    lab.begin_parts("settings", "flash")
    assert lab.ask(Type.UNDO, {1: lab.generation()}).type == Type.UNDO_REPLY
    lab.only_in("flash")


def being_refused(lab: Lab) -> None:
    """A value that is refused leaves nothing, whole or when its last part has come."""
    field = lab.fields[lab.numbers[lab.canary.key]]
    long = lab.canary.content.ljust(field.maximum + 1, b"!")[:460]
    value = long.decode() if isinstance(lab.canary.value, str) else long
    if len(long) > field.maximum:
        refused(lab.ask(Type.SET_FIELD, {1: lab.canary.key, 2: value}), Refusal.LENGTH)
    refused(lab.ask(Type.SET_FIELD, {1: "numbers.free", 2: value}), Refusal.WRONG_KIND)
    refused(lab.ask(Type.SET_FIELD, {1: "no.such", 2: value}), Refusal.UNKNOWN_FIELD)
    lab.only_in()
    if lab.canary.kept:
        return  # what follows is of another field
    first = lab.canary.content[:8]
    body: dict[int, Item] = {1: "words.secret", 4: 9}
    assert lab.ask(Type.SET_FIELD, {**body, 3: 0, 5: first}).type == Type.SET_FIELD_REPLY
    lab.only_in("staged")
    refused(lab.ask(Type.SET_FIELD, {**body, 3: 8, 5: b"\xff"}), Refusal.CHARACTERS)
    lab.only_in()


def being_damaged(lab: Lab) -> None:
    """A line that is damaged or too long leaves nothing, once its end or its excess has come."""
    (line,) = lab.lines(lab.canary.key, lab.canary.value)
    assert lab.receive(line[:-3] + b"!" + line[-2:]) == b""
    lab.only_in()
    assert lab.receive(line[:-1] + b"A" * lab.line.size) == b""
    lab.only_in()


LIVES: tuple[Callable[[Lab], None], ...] = (
    staging, committing, committing_again, discarding, erasing_staged, erasing_stored,
    falling_silent, falling_silent_within, committing_another_set, breaking_a_rule,
    failing_to_store, restarting, being_reset, starting_stored, replacing_staged, replacing_parts,
    clearing_staged, turning_to_another_field, turning_to_other_parts, replacing_stored,
    clearing_stored, undoing, being_refused, being_damaged,
)  # fmt: skip


def build_lab(folder: Path, option: str, stub: Path = STUB) -> c.CDLL:
    """Compile the stub at a level, with its private stack."""
    library = build(folder, PRIVATE_STACK, options=[option], stub=stub)
    library.private_start.argtypes = library.private_poll.argtypes = [c.c_void_p]
    library.private_feed.argtypes = [c.c_void_p, c.c_char_p, c.c_size_t]
    library.private_feed.restype = c.c_size_t
    return library


@pytest.fixture(scope="module", params=LEVELS)
def compiled(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> c.CDLL:
    """Return the stub as a firmware would compile it."""
    return build_lab(tmp_path_factory.mktemp("wiping"), request.param)


@pytest.mark.needs("gcc")
@pytest.mark.parametrize("life", LIVES, ids=lambda life: life.__name__)
def test_a_secret_lies_only_where_it_must(compiled: c.CDLL, life: Callable[[Lab], None]) -> None:
    """Staged, it lies in the staged struct; stored, in the settings and flash; else nowhere."""
    for canary in CANARIES:
        life(Lab(compiled, canary))


@dataclass(frozen=True, slots=True)
class Forgotten:
    """Something that is no longer overwritten, and where that is seen."""

    name: str
    file: str
    text: str
    life: Callable[[Lab], None]
    place: str
    behind: str = ""
    """What follows the text, where the text alone stands more than once."""

    def plant(self, folder: Path) -> Path:
        """Copy the stub into the folder without the text; return the copy."""
        for part in ("src", "include"):
            shutil.copytree(STUB / part, folder / part)
        path = folder / "src" / self.file
        source = path.read_text()
        assert source.count(self.text + self.behind) == 1, f"{self.name}: it is not there once"
        path.write_text(source.replace(self.text + self.behind, self.behind))
        return folder


STAGED = "    pv_wipe(p->staged, (size_t)p->schema->settings_size);\n"
UNIT = "    pv_wipe(p->config->unit, p->flash->program_unit);\n"
FORGOTTEN = (
    Forgotten(
        "the line", "pv_line.c", "    pv_wipe(p->config->line, p->fill);", being_damaged, "line"
    ),
    Forgotten("the program unit", "pv_flash.c", UNIT, failing_to_store, "unit"),
    Forgotten("what is staged, at a commit", "pv_set.c", STAGED, committing, "staged"),
    Forgotten("what is staged, at a discard", "pv_set.c", STAGED, discarding, "staged"),
    Forgotten("what is staged, at an erase", "pv_set.c", STAGED, erasing_staged, "staged"),
    Forgotten("what is staged, after a while", "pv_set.c", STAGED, falling_silent, "staged"),
    Forgotten(
        "a longer value",
        "pv_values.c",
        "            pv_member_wipe(field, settings); /* the old value may be longer */\n",
        replacing_staged,
        "staged",
    ),
    Forgotten(
        "incomplete parts",
        "pv_requests.c",
        "        pv_unstage(p, p->part_field);\n",
        turning_to_another_field,
        "staged",
    ),
    Forgotten(
        "parts that make no value",
        "pv_parts.c",
        "        pv_unstage(p, i);\n",
        being_refused,
        "staged",
        behind="    } else if (is_whole) {\n",
    ),
    Forgotten(
        "the settings, at an erase",
        "pv_slots.c",
        "    pv_settings_reset(p, p->settings);\n    pv_judge_settings(p);\n",
        erasing_stored,
        "settings",
    ),
    Forgotten(
        "half a line, at a start",
        "pv.c",
        "    pv_wipe(config->line, config->line_size);\n",
        being_reset,
        "line",
    ),
    Forgotten(
        "the program unit, at a start",
        "pv_flash.c",
        "    pv_wipe(p->config->unit, p->flash->program_unit); "
        "/* memory may have come through a reset */\n",
        being_reset,
        "unit",
    ),
    Forgotten(
        "what was read of flash",
        "pv_payload.c",
        "    pv_wipe(from->p->chunk, sizeof from->p->chunk);\n",
        starting_stored,
        "state",
    ),
)


@pytest.mark.needs("gcc")
@pytest.mark.parametrize("forgotten", FORGOTTEN, ids=lambda it: it.name)
def test_what_is_not_overwritten_is_found(tmp_path: Path, forgotten: Forgotten) -> None:
    """A stub that leaves one of its overwritings out is seen to keep the secret, and where."""
    lab = Lab(build_lab(tmp_path, "-O0", forgotten.plant(tmp_path)), CANARIES[0])
    with pytest.raises(AssertionError, match=rf" lies in .*\b{forgotten.place}\b"):
        forgotten.life(lab)
