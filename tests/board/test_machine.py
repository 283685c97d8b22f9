# SPDX-License-Identifier: MIT
"""The Python board against a model of it in a dozen lines, in whatever order requests come.

Hypothesis chooses requests, repeats, restarts, passing time and power cuts. The model knows what is
staged, and the sets that were stored with their tokens; the clauses are those of protocol.md.
"""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from provision.board.engine import OFFERED
from provision.board.flash import NO_FAULTS, CutAt, PowerCut
from provision.contract.table import STAGED_LIFETIME_MS, Capability, MessageType, Refusal
from provision.schema.model import Value
from tests.board.host import NET, Answer, Host, make_board

Set = dict[str, Value]

VALUES: dict[str, list[Value]] = {
    "service.key": ["w7-Zephyr", "blossom"],
    "siren.mode": ["steady", "pulsed"],
    "siren.lamp": [2, 3],
    "probe.1.label": ["trunk", "crown"],
    "probe.1.offset": [-50, 0, 5],
}
WRONG: dict[str, Value] = {
    "service.key": "x" * 41,
    "siren.mode": "loud",
    "siren.lamp": 4,
    "probe.1.label": "",
    "probe.1.offset": 51,
    "no-such.field": 1,
}


class BoardMachine(RuleBasedStateMachine):
    """Requests to a board without trials, and what must come of them."""

    def __init__(self) -> None:
        super().__init__()
        self.host = Host(make_board(capabilities=OFFERED & ~Capability.TRIAL))
        self.staged: dict[str, Value | None] = {}
        self.held: Set = {}
        self.token: bytes | None = None
        self.older: tuple[Set, bytes] | None = None
        self.tokens = 0

    # ------------------------------------------------------------------------------- staging

    @rule(data=st.data(), key=st.sampled_from(sorted(VALUES)))
    def stage(self, data: st.DataObject, key: str) -> None:
        """What passes its check is staged; the reply counts [6.4]."""
        value = data.draw(st.sampled_from([*VALUES[key], None]))
        self.staged[key] = value
        answer = self.host.ask(MessageType.SET_FIELD, field=key, value=value)
        assert answer.body["staged"] == len(self.staged)

    @rule()
    def stage_network(self) -> None:
        """Without it a set is not complete, and no commit is done [9.6]."""
        self.host.stage(NET)
        self.staged.update(NET)

    @rule(key=st.sampled_from(sorted(WRONG)))
    def stage_wrong(self, key: str) -> None:
        """What does not pass is refused, and nothing changes [4.3]."""
        answer = self.host.ask(MessageType.SET_FIELD, field=key, value=WRONG[key])
        assert answer.code is not None
        assert answer.body["field"] == key

    @rule()
    def discard(self) -> None:
        """Drops what is staged [6.7]."""
        boot = self.host.board.boot_number
        assert self.host.ask(MessageType.DISCARD, boot=boot).code is None
        self.staged.clear()

    @rule(ms=st.sampled_from([1, 1000, STAGED_LIFETIME_MS - 1, STAGED_LIFETIME_MS]))
    def wait(self, ms: int) -> None:
        """Ten minutes of silence drop it too [5.1]."""
        self.host.wait(ms)
        if ms >= STAGED_LIFETIME_MS:
            self.staged.clear()
        else:
            self.host.ask(MessageType.STATUS)

    # ------------------------------------------------------------------------------- storing

    def _commit(self, token: bytes) -> Answer:
        answer = self.host.commit(token)
        if answer.code is None:
            self._stored(token)
        return answer

    def _stored(self, token: bytes) -> None:
        if self.token is not None:
            self.older = (self.held, self.token)
        self.held, self.token = self._result(), token
        self.staged.clear()

    def _result(self) -> Set:
        merged = {**self.held, **self.staged}
        return {key: value for key, value in merged.items() if value is not None}

    def _new_token(self) -> bytes:
        self.tokens += 1
        return self.tokens.to_bytes(8)

    @precondition(lambda self: self.staged)
    @rule()
    def commit(self) -> None:
        """All of it or nothing; a refusal for the whole keeps what is staged [6.5, 9.6]."""
        answer = self._commit(self._new_token())
        lacks = "net.name" not in self._result() if answer.code else False
        assert answer.code is None or (answer.code is Refusal.MISSING and lacks)

    @precondition(lambda self: not self.staged)
    @rule()
    def commit_nothing(self) -> None:
        """Is refused [5.1]."""
        answer = self.host.ask(MessageType.COMMIT, count=1, digest=0, token=self._new_token())
        assert answer.code is Refusal.WRONG_STATE

    @precondition(lambda self: self.staged)
    @rule(wrong_count=st.booleans())
    def commit_another_set(self, *, wrong_count: bool) -> None:
        """Count or digest of another set: refused, and what is staged is dropped [6.5]."""
        answer = self.host.ask(
            MessageType.COMMIT,
            count=len(self.staged) + wrong_count,
            digest=0,
            token=self._new_token(),
        )
        assert answer.code is Refusal.SET_DIFFERS
        self.staged.clear()

    @precondition(lambda self: self.token is not None)
    @rule()
    def commit_again(self) -> None:
        """The token of the set in force: answered, not done; what is staged is dropped [6.5]."""
        generation = self.host.board.generation
        answer = self.host.ask(MessageType.COMMIT, count=1, digest=0, token=self.token)
        assert answer.body["generation"] == generation
        self.staged.clear()

    @precondition(lambda self: self.token is not None and not self.staged)
    @rule(off=st.sampled_from([0, 1]))
    def undo(self, off: int) -> None:
        """The older set comes back, and this one is the older; a generation gone by is refused."""
        board = self.host.board
        answer = self.host.ask(MessageType.UNDO, generation=board.generation - off)
        if off:
            assert answer.code is Refusal.MOVED_ON or answer.body["generation"] == board.generation
        elif self.older is None:
            assert answer.code is Refusal.NO_OLDER_SET
        else:
            assert answer.code is None
            assert self.token is not None  # by the precondition
            (self.held, self.token), self.older = self.older, (self.held, self.token)

    @rule()
    def erase(self) -> None:
        """Nothing is left, staged or stored [6.7]."""
        answer = self.host.ask(MessageType.ERASE, generation=self.host.board.generation)
        if self.token is None and self.host.board.generation == 0:
            return
        if answer.code is None:
            self.staged, self.held, self.token, self.older = {}, {}, None, None

    # --------------------------------------------------------------------------------- power

    @rule()
    def restart(self) -> None:
        """What is stored stays; what is staged does not [10]."""
        self.host.restart()
        self.staged.clear()

    @precondition(lambda self: self.staged)
    @rule(operation=st.integers(0, 24))
    def lose_power_in_a_commit(self, operation: int) -> None:
        """The old set or the new one is there [10]."""
        flash = self.host.board.store.flash
        token = self._new_token()
        flash.faults = CutAt(flash.changes + operation)
        try:
            self._commit(token)
        except PowerCut:
            self.host.restart()
            if self.host.board.store.current.token == token:
                self._stored(token)
            self.staged.clear()
        finally:
            flash.faults = NO_FAULTS

    @invariant()
    def it_is_as_the_model_has_it(self) -> None:
        """Values, token, and the number of what is staged."""
        board = self.host.board
        assert dict(board.staged) == self.staged
        assert dict(board.stored) == self.held
        hello = self.host.ask(MessageType.HELLO)
        assert hello.body["token"] == self.token


TestBoardMachine = BoardMachine.TestCase
TestBoardMachine.settings = settings(max_examples=40, stateful_step_count=40)
