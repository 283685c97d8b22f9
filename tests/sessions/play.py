# SPDX-License-Identifier: MIT
"""One provisioning session from a seed: a host, a board, and a line that is bad between them.

THE INVARIANT, which a test asserts over many seeds (shared/protocol.md, clauses 2.3, 5.3, 5.4, 5.7,
6.5, 6.7 and 9):

 1. A session ends stored, not stored, or unknown; a later session over a clean line settles the
    unknown by the token. Stored: exactly the new set is in force on the board then, or was until
    its trial ended badly. Not stored: exactly the old set is, whatever is still on the line.
 2. What is in force and durable is always a whole set: the old one, or the old one with exactly the
    changes that were committed. Never a mixture, never another value than a host sent.
 3. What was staged and not committed is never in force.
 4. Whatever is repeated, a commit comes into force once, an undo or an erase is done once.
 5. Both hold after every further start; and a set in force at the end is in force after it, unless
    it is on trial.
 6. No value of a secret field is in the log text that a host shows, in an error, nor in any reply
    of a board, in plain or in base64url.
 7. Everything ends: each procedure within 10 s and the announced times for each request it made,
    and no request is repeated after that (in virtual time).
 8. What a host reads (values, schema) is what the board holds; and a host never says of these
    boards, which conform, that their firmware needs fixing.

Left to chance, as clause 2.3 says: damage that makes a delimiter, at 2^-32.
"""

from __future__ import annotations

import base64
import random
import string
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from functools import partial
from typing import Literal

from provision.contract.table import Run
from provision.link import operations
from provision.link.errors import BoardFault, BoardRefused, LinkError, NotWiped, Refused
from provision.link.operations import StagedChange
from provision.link.replies import CommitOutcome, NotStored, Stored, Unknown
from provision.schema.constraints import in_force
from provision.schema.model import Schema, Value
from tests.c_board.board import Tear
from tests.sessions.ledger import Ledger, Violation
from tests.sessions.simulated_link import (
    DAMAGES,
    Habits,
    Interrupted,
    LineFaults,
    SimulatedLink,
    Trace,
)
from tests.sessions.units import (
    UNIT_ID,
    Configuration,
    CUnit,
    Past,
    PythonUnit,
    Unit,
    image_with,
    load,
    packed,
)

BoardKind = Literal["c", "python"]

_WORD = string.ascii_letters + string.digits + "._-"
_SECRET_KEYS = ("network.passphrase", "service.key", "service.pairing")
_BASE64_LEAK = 16  # characters: shorter runs are left in log text (clause 2.2)
_LEAST_SECRET = 8  # bytes; what is shorter than a secret may be is found everywhere


class End(Enum):
    """How a session ended, as its host said."""

    STORED = "stored"
    NOT_STORED = "not stored"
    UNKNOWN_STORED = "unknown, settled: stored"
    UNKNOWN_NOT_STORED = "unknown, settled: not stored"


@dataclass(slots=True)
class Record:
    """What came of one session."""

    seed: int
    board: BoardKind
    end: End | None = None
    why: str = ""
    """Of a session that did not store: the refusal or the error."""

    struck: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    """Of virtual time."""

    lines: int = 0
    violation: str | None = None


def play(
    seed: int, board: BoardKind, library: str | None = None, trace: Trace | None = None
) -> Record:
    """Play the session of a seed; library: the compiled stub of units.build(), for board c."""
    record = Record(seed, board)
    session = _Drawn(random.Random(f"{seed}"), board, library)
    player = None
    try:
        player = _Player(session, trace)
        player.play(record)
    except Violation as violation:
        record.violation = str(violation)
    except (LinkError, Interrupted) as error:
        record.violation = f"nothing goes wrong any more, and still: {error}"
    finally:
        if player is not None:
            record.struck = player.link.struck
            record.seconds = player.link.now
            record.lines = player.link.sent
    try:
        session.unit.close()
    except AssertionError as violation:
        record.violation = record.violation or str(violation)
    return record


# ------------------------------------------------------------------------------- what is drawn


class _Drawn:
    """The board of a session and what is on it, the line and its faults: all from one generator."""

    def __init__(self, chance: random.Random, board: BoardKind, library: str | None) -> None:
        self.chance = chance
        line = chance.choice((128, 128, 300, 655, 655, 655))
        self.configuration = Configuration(
            line=line,
            credit=line + 11 + chance.choice((0, 0, 200, 1400)),
            commit_time=chance.choice((400, 1000)),
            erase_time=1000,
            apply_time=2000,
            receives_while_storing=chance.random() < 0.5,
            trial=chance.random() < 0.4,
            seed=chance.getrandbits(32),
        )
        self.past = self._draw_past()
        image = image_with(self.past, self.configuration.schema)
        self.unit: Unit
        if board == "python":
            self.unit = PythonUnit(self.configuration, image)
        else:
            assert library is not None
            self.unit = CUnit(self.configuration, image, load(library))
        self.habits = Habits(
            start=chance.choice((0.05, 0.3, 1.5)),
            operation=chance.choice((0.0005, 0.004, 0.012)),
            apply=chance.choice((0.05, 0.5, 1.5)),
            reports=chance.choice((Run.PROVEN, Run.PROVEN, Run.PROVEN, Run.FAILED, None)),
            restarts_to_apply=chance.random() < 0.25,
        )
        self.faults = self._draw_faults()

    def _draw_past(self) -> list[Past]:
        sets = self.chance.choice((0, 0, 1, 1, 1, 2))
        past: list[Past] = []
        for number in range(sets):
            is_last = number == 1
            on_trial = is_last and self.configuration.trial and self.chance.random() < 0.5
            values = dict(past[-1].values) if past else {}
            values |= draw_values(self.chance, bool(past))
            past.append(Past(self.chance.randbytes(8), values, on_trial))
        return past

    def _draw_faults(self) -> LineFaults:
        chance = self.chance
        if chance.random() < 0.04:
            return LineFaults()
        kinds = chance.sample(list(DAMAGES), chance.choice((0, 1, 1, 2, 3, 7)))
        newlines = (b"\n", b"\r\n", b"\r", b"\n\r")
        return LineFaults(
            damages=tuple(kinds),
            rate=chance.choice((0.01, 0.03, 0.03, 0.1, 0.1, 0.25)),
            echo=chance.choice((0.0, 0.0, 0.0, 0.3, 1.0)),
            crlf=(chance.choice(newlines), chance.choice(newlines))
            if chance.random() < 0.2
            else (b"\n", b"\n"),
            stall=chance.choice((0.0, 0.0, 0.0, 0.02, 0.1)),
            noise=chance.choice((0, 20, 300)),
        )


def draw_values(chance: random.Random, over_older: bool) -> dict[str, Value]:
    """Draw values that pass every check; with none older, all that are required."""
    values: dict[str, Value] = {}
    if chance.random() < 0.6:
        values["network.name"] = _text(chance, 1, 32).encode()[:32]
        values["network.passphrase"] = _word(chance, 8, 63)
    if not over_older or chance.random() < 0.6:
        values["service.key"] = _word(chance, 8, 64)
    if chance.random() < 0.4:
        size = chance.choice((1, 90, 300, 700))
        # Bytes that repeat: parts of it are equal to one another.
        some = chance.randbytes(chance.choice((1, 64, 700)))
        values["service.certificate"] = (some * size)[:size]
    if chance.random() < 0.4:
        values["service.pairing"] = chance.randbytes(chance.randrange(8, 17))
    if chance.random() < 0.5:
        values["mast.alarm-below"] = chance.randrange(-50, 81)
    if chance.random() < 0.3:
        values["mast.siren"] = True
        values["mast.relay"] = 9
    if chance.random() < 0.4:
        values["probe.1.place"] = _text(chance, 1, 24)
        values["probe.1.pin"] = 2
    if chance.random() < 0.2:
        values["probe.2.pin"] = 3
    if not over_older or chance.random() < 0.4:
        values["orchard.name"] = _text(chance, 1, 40)
    if chance.random() < 0.3:
        values["orchard.note"] = _text(chance, 1, 200)
    return values


def draw_changes(
    chance: random.Random, schema: Schema, held: Mapping[str, Value]
) -> dict[str, Value | None]:
    """Draw what a host sets out to store over what is held, in schema order; mostly right."""
    changes: dict[str, Value | None] = {**draw_values(chance, bool(held))}
    if held and chance.random() < 0.2 and "service.certificate" in held:
        changes["service.certificate"] = None
    if held and chance.random() < 0.1:
        changes["probe.1.place"] = changes["probe.1.pin"] = None
    wrong = chance.random()
    if wrong < 0.03:
        changes["service.key"] = "short"
    elif wrong < 0.05:
        changes["orchard.name"] = None  # it is required
    elif wrong < 0.07:
        changes["probe.1.pin"] = changes["probe.2.pin"] = 4
    if not changes:
        changes["mast.alarm-below"] = chance.randrange(-50, 81)
    keys = [setting.key for setting in schema.settings]
    return {key: changes[key] for key in keys if key in changes}


def _word(chance: random.Random, least: int, most: int) -> str:
    return "".join(chance.choices(_WORD, k=chance.randrange(least, most + 1)))


def _text(chance: random.Random, least: int, most: int) -> str:
    """Draw a text of so many bytes at most, some of it no ASCII."""
    size = chance.choice((least, chance.randrange(least, most + 1), most))
    text = "".join(chance.choices("abc ~\\ä☃", weights=(9, 9, 9, 9, 1, 1, 2, 1), k=size)).encode()
    return text[:size].decode(errors="ignore") or "x"


# ------------------------------------------------------------------------------ what is played


@dataclass(slots=True)
class _Attempt:
    """One commit of the host, what it said of it and why, and whether it had come into force."""

    token: bytes
    outcome: CommitOutcome
    why: str
    """Why it did not store; empty if it did."""

    entered: int

    @property
    def is_refused(self) -> bool:
        """Whether the board refused it."""
        return isinstance(self.outcome, NotStored) and self.outcome.refused is not None


class _Player:
    """The host's program, its user, and whoever looks at the board afterwards."""

    def __init__(self, drawn: _Drawn, trace: Trace | None) -> None:
        self.chance = drawn.chance
        self.unit = drawn.unit
        self.schema = drawn.configuration.schema
        self.trial = drawn.configuration.trial
        self.ledger = Ledger(drawn.unit, drawn.past)
        self.link = SimulatedLink(
            drawn.unit,
            self.ledger,
            drawn.habits,
            drawn.faults,
            drawn.chance,
            baud=drawn.chance.choice((9600, 115200, 115200, 115200, 921600)),
            latency=drawn.chance.choice((0.0002, 0.002, 0.016)),
            trace=trace,
        )
        self.secrets: list[bytes] = []
        for past in drawn.past:
            self._keep_secrets(past.values)
        self._attempts: list[_Attempt] = []
        self._open = False  # a commit was sent, and it was not refused
        self._errors: list[str] = []

    def play(self, record: Record) -> None:
        """Play the session and look at the board; raises Violation."""
        self._draw_mishaps()
        outcome, record.why = self._set_up()
        if isinstance(outcome, Stored) and self.chance.random() < 0.3:
            self._act_again()
        self.link.calm_down()
        record.end = self._judge()
        self._look_at_leaks()
        self._start_further()

    # ---- mishaps

    def _draw_mishaps(self) -> None:
        """Draw what happens to the board and the cable, by the number of the host's line."""
        chance, link = self.chance, self.link
        kinds = chance.choices(
            ("nothing", "reset", "cut", "flash", "unplug", "kill"),
            weights=(8, 3, 4, 1, 2, 2),
            k=chance.choice((1, 1, 1, 2, 4)),
        )
        for kind in kinds:
            mishap = self._mishap(kind)
            if mishap is None:
                continue
            at = chance.choice((chance.randrange(1, 8), chance.randrange(1, 40)))
            delay = chance.choice((0.0, 0.001, 0.01, 0.1)) * chance.random()
            link.on_line[at] = partial(link.strike, mishap, delay)

    def _mishap(self, kind: str) -> Callable[[], None] | None:
        chance, link = self.chance, self.link
        match kind:
            case "reset":
                return link.reset
            case "cut":
                operations = chance.choice((chance.randrange(25), chance.randrange(70)))
                size, tear = chance.randrange(64), chance.choice(list(Tear))
                return lambda: link.cut_power_in(operations, size, tear)
            case "flash":
                # One or two in a row are made up for; more, from the first on, are a refusal.
                # More in a row from a seal on are beyond what STORAGE.md promises.
                operations, count = chance.choice(
                    ((chance.randrange(25), 1), (chance.randrange(25), 2), (0, 4), (0, 12))
                )
                return lambda: link.fail_flash(operations, count)
            case "unplug":
                seconds, keeps_power = 3 * chance.random(), chance.random() < 0.5
                return lambda: link.unplug(seconds, keeps_power=keeps_power)
            case "kill":
                return link.interrupt
        return None

    # ---- the host's program

    def _set_up(self) -> tuple[CommitOutcome, str]:
        """Set the board up, and begin anew where it broke off, as a person does.

        Return how it ended, and why it did not store.
        """
        changes = draw_changes(self.chance, self.schema, self.ledger.values)
        self._keep_secrets(changes)
        attempts = self.chance.choice((1, 2, 4))
        while True:
            attempts -= 1
            attempt = self._provision(changes)
            if isinstance(attempt.outcome, Unknown) and self.chance.random() < 0.8:
                attempt.outcome = self._settle(attempt.token)
                attempt.entered = self.ledger.entered[attempt.token]
            self._attempts.append(attempt)
            broke_off = isinstance(attempt.outcome, NotStored) and not attempt.is_refused
            if not broke_off or not attempts:
                return attempt.outcome, attempt.why
            self.link.close()

    def _provision(self, changes: Mapping[str, Value | None]) -> _Attempt:
        """Meet the board and store, as the wizard does."""
        token = self.chance.randbytes(8)
        self.ledger.committing[token] = changes
        self._open = False
        try:
            self.link.open()
            outcome = self._meet_and_store(token, list(changes.items()))
            return self._attempt(token, outcome, self._reason(outcome))
        except LinkError as error:
            self._hear(error)
            why = type(error).__name__
        except Interrupted:
            why = "interrupted"
        # As Connection.store has it.
        return self._attempt(token, Unknown() if self._open else NotStored(), why)

    def _attempt(self, token: bytes, outcome: CommitOutcome, why: str) -> _Attempt:
        return _Attempt(token, outcome, why, self.ledger.entered[token])

    def _meet_and_store(self, token: bytes, changes: list[StagedChange]) -> CommitOutcome:
        run = self.link.run
        hello = run(operations.greet(10.0))
        run(operations.discard(hello.boot))
        if self.chance.random() < 0.2:
            deflated = run(operations.read_schema(hello.schema_size))
            if deflated != packed(self.schema).deflated:
                raise Violation("the schema that was read is not the board's")
        self._read_values()
        outcome = run(
            operations.store(
                hello,
                changes,
                token,
                while_storing=self.unit.configuration.receives_while_storing,
                on_open=self._set_open,
            )
        )
        if isinstance(outcome, Stored):
            self._follow()
        return outcome

    def _set_open(self, is_open: bool) -> None:
        self._open = is_open

    def _read_values(self) -> None:
        """Read what the board holds, and compare it with what it does hold."""
        before = self.ledger.token
        read = self.link.run(operations.read_values())
        if self.ledger.token != before:
            return  # it changed meanwhile
        if list(read) != [setting.key for setting in self.schema.settings]:
            raise Violation("the board lists other fields than it has")
        values = self.ledger.values
        shown = {**in_force(self.schema, values), **values}
        for setting in self.schema.settings:
            held = read[setting.key]
            expected: Value | None = shown.get(setting.key) if held.held else None
            if bool(held.held) != (setting.key in values):
                raise Violation(f"the board says otherwise whether {setting.key} is set")
            if setting.field.is_secret:
                expected = None
            elif isinstance(expected, bytes) and setting.key == "service.certificate":
                expected = len(expected)
            if held.value != expected:
                raise Violation(f"the board shows another value for {setting.key}")

    def _follow(self) -> None:
        """Follow the status for a while; that it cannot be had changes nothing any more."""
        try:
            for _ in range(4):
                status = self.link.run(operations.read_status_now())
                if status.run not in (Run.IDLE, Run.APPLYING):
                    return
                self.link.wait(0.3)
        except LinkError as error:
            self._hear(error)
        except Interrupted:
            return

    def _settle(self, token: bytes) -> CommitOutcome:
        """Find out in another session over the same bad line."""
        self.link.struck["settled over the bad line"] += 1
        self.link.close()
        try:
            self.link.open()
            return self.link.run(operations.resolve_commit(token, UNIT_ID))
        except Interrupted:
            return Unknown()

    def _reason(self, outcome: CommitOutcome) -> str:
        if isinstance(outcome, NotStored) and outcome.refused is not None:
            return f"refused: {_name(outcome.refused)}"
        return ""

    def _hear(self, error: LinkError) -> None:
        self._errors.append(str(error))
        if isinstance(error, BoardFault):
            raise Violation(f"the host blames a board that conforms: {error}")

    # ---- a second act

    def _act_again(self) -> None:
        """Do one thing more to the board on which a set was stored, and look what it says."""
        act = self.chance.choice(("undo", "undo", "erase", "confirm", "restart", "store"))
        self.link.struck[f"then {act}"] += 1
        try:
            if act == "store":
                self._set_up()
            elif act == "restart":
                self.link.open()
                hello = self.link.run(operations.greet(10.0))
                self.link.run(operations.restart(hello.boot))
            else:
                self._change(act)
        except LinkError as error:
            self._hear(error)
        except Interrupted:
            pass

    def _change(self, act: str) -> None:
        """Undo, erase or confirm. What the board says it did is done, what it refused is not."""
        ledger, run = self.ledger, self.link.run
        self.link.open()
        hello = run(operations.greet(10.0))
        before = ledger.token
        match act:
            case "undo":
                ledger.undo_wanted, procedure = 1, operations.undo(hello.generation)
            case "erase":
                ledger.erase_wanted, procedure = 1, operations.erase(hello.generation)
            case _:
                ledger.confirm_wanted, procedure = True, operations.confirm(hello.generation)
        try:
            run(procedure)
        except NotWiped as error:
            self._hear(error)
            if not ledger.erased:
                raise Violation("erase was said to be half done, and is not") from None
        except BoardRefused as error:
            self._hear(error)
            self.link.calm_down()
            self._let_pass()
            if ledger.undone or ledger.erased:
                raise Violation(f"{act} was refused ({_name(error.refused)}), and done") from None
        else:
            is_done = not ledger.on_trial if act == "confirm" else ledger.token != before
            if not is_done:
                raise Violation(f"{act} was said to be done, and is not")

    # ---- afterwards

    def _judge(self) -> End:
        """Compare what was said with what the board holds; the line is clean by now."""
        last = self._attempts[-1]
        settled: CommitOutcome = last.outcome
        self._let_pass()
        if isinstance(settled, Unknown):
            self.link.open()
            settled = self.link.run(operations.resolve_commit(last.token, UNIT_ID))
            if isinstance(settled, Unknown):
                raise Violation("a clean line does not settle the unknown")
            self._let_pass()
        for attempt in self._attempts[:-1]:
            self._judge_attempt(attempt, attempt.outcome)
        self._judge_attempt(last, settled)
        self._read_all()
        is_stored = isinstance(settled, Stored)
        if isinstance(last.outcome, Unknown):
            return End.UNKNOWN_STORED if is_stored else End.UNKNOWN_NOT_STORED
        return End.STORED if is_stored else End.NOT_STORED

    def _judge_attempt(self, attempt: _Attempt, settled: CommitOutcome) -> None:
        """Compare one attempt, which is settled, with what came into force."""
        entered = self.ledger.entered[attempt.token]
        if isinstance(settled, Stored) and not entered:
            raise Violation("stored was said, and the set was never in force")
        if isinstance(settled, NotStored):
            if self.ledger.token == attempt.token:
                raise Violation(f"not stored was said ({attempt.why}), and it is in force")
            if entered > attempt.entered and not isinstance(attempt.outcome, Unknown):
                raise Violation(f"not stored was said ({attempt.why}), and it was afterwards")

    def _let_pass(self) -> None:
        """Let come in what is on its way still, from a line that stalled as well."""
        self.link.close()
        self.link.wait(self.link.backlog + 30.0)

    def _read_all(self) -> None:
        """Look at the board over the clean line, as the next host does."""
        self.link.open()
        hello = self.link.run(operations.greet(10.0))
        if hello.token != self.ledger.token:
            raise Violation("hello has another token than the set in force")
        self._read_values()
        self.link.close()
        self.ledger.check()

    def _start_further(self) -> None:
        """Start the board again: nothing is staged; the set in force stays, or ends its trial."""
        for _ in range(3 if self.ledger.on_trial else 1):
            before, was_on_trial = self.ledger.token, self.ledger.on_trial
            self.link.restart_now()
            self.ledger.check()
            if self.unit.look().staged:
                raise Violation("something is staged after a start")
            if self.ledger.token != before and not was_on_trial:
                raise Violation("another set is in force after a start")
        if self.ledger.on_trial:
            raise Violation("a trial outlives its third start")

    # ---- secrets

    def _keep_secrets(self, values: Mapping[str, Value | None]) -> None:
        for key in _SECRET_KEYS:
            value = values.get(key)
            if isinstance(value, str | bytes) and len(value) >= _LEAST_SECRET:
                self.secrets.append(value.encode() if isinstance(value, str) else value)

    def _look_at_leaks(self) -> None:
        told = "\n".join([*self.link.log, *self._errors]).encode()
        items = b"\n".join(_items(b"".join(self.link.replies)))
        for secret in self.secrets:
            if secret in told or secret.hex().encode() in told:
                raise Violation("a secret is in what the host shows")
            if secret in items:
                raise Violation("a secret is in a board's reply")
            for run in _base64_of(secret):
                for at in range(len(run) - _BASE64_LEAK + 1):
                    if run[at : at + _BASE64_LEAK] in told:
                        raise Violation("a secret is in what the host shows, in base64url")


def _items(sent: bytes) -> list[bytes]:
    """Return the items of a board's lines as they were sent."""
    bodies = [line[1:-8] for line in sent.split(b"\n") if line.startswith(b"~")]
    return [base64.urlsafe_b64decode(body + b"=" * (-len(body) % 4)) for body in bodies]


def _base64_of(secret: bytes) -> list[bytes]:
    """Return what base64url makes of a secret at each of the three alignments, without its ends."""
    return [
        base64.urlsafe_b64encode(bytes(before) + secret)[4 if before else 0 : -4]
        for before in range(3)
    ]


def _name(refused: Refused) -> str:
    return getattr(refused.code, "name", str(refused.code)).lower().replace("_", "-")
