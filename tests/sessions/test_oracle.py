# SPDX-License-Identifier: MIT
"""The sessions notice what they are for: each board or host here breaks one promise, and is caught.

Every fault is planted in the Python board or in the host; within a few hundred seeds a session
must end in a violation, and the first that does is shown.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pytest

from provision.board import engine
from provision.board.engine import Board
from provision.board.store import FlashStore, StorageError, pack_values
from provision.contract import line
from provision.contract.table import CommitKey, MessageType, Refusal
from provision.link import exchange, operations
from provision.link.replies import NotStored
from provision.schema.constraints import staged_digest
from provision.schema.model import Schema, Value
from tests.sessions.play import play

_SEEDS = 600

Plant = Callable[[pytest.MonkeyPatch], None]


def acknowledges_what_it_did_not_store(patch: pytest.MonkeyPatch) -> None:
    """A flash that fails is no reason to refuse."""
    store_commit = FlashStore.commit

    def commit(self: FlashStore, *arguments: Any, **options: Any) -> None:
        try:
            store_commit(self, *arguments, **options)
        except StorageError:
            return

    patch.setattr(FlashStore, "commit", commit)


def stores_whatever_is_staged(patch: pytest.MonkeyPatch) -> None:
    """Count and digest are not compared."""
    commit = Board._commit

    def commit_anything(self: Board, body: dict[int, Any]) -> Any:
        digest = staged_digest(self.schema, self.staged)
        return commit(self, {**body, CommitKey.COUNT: len(self.staged), CommitKey.DIGEST: digest})

    patch.setattr(Board, "_commit", commit_anything)


def forgets_the_token(patch: pytest.MonkeyPatch) -> None:
    """The repeat of a commit is a commit of its own."""
    is_repeat = Board._is_repeat

    def never_a_repeat(self: Board, type_: MessageType, body: dict[int, Any]) -> bool:
        return type_ is not MessageType.COMMIT and is_repeat(self, type_, body)

    patch.setattr(Board, "_is_repeat", never_a_repeat)


def undoes_every_copy(patch: pytest.MonkeyPatch) -> None:
    """The generation that an undo names is not looked at."""
    is_repeat, check = Board._is_repeat, Board._check_not_moved_on

    def never_a_repeat(self: Board, type_: MessageType, body: dict[int, Any]) -> bool:
        return type_ is not MessageType.UNDO and is_repeat(self, type_, body)

    def never_moved_on(self: Board, type_: MessageType, body: dict[int, Any]) -> None:
        if type_ is not MessageType.UNDO:
            check(self, type_, body)

    patch.setattr(Board, "_is_repeat", never_a_repeat)
    patch.setattr(Board, "_check_not_moved_on", never_moved_on)


def stores_another_value(patch: pytest.MonkeyPatch) -> None:
    """A long note loses its last character on the way into the flash."""

    def pack(schema: Schema, values: Mapping[str, Value]) -> bytes:
        note = values.get("orchard.note")
        if isinstance(note, str) and len(note) > 10:
            values = {**values, "orchard.note": note[:-1]}
        return pack_values(schema, values)

    patch.setattr(engine, "pack_values", pack)


def tells_secrets(patch: pytest.MonkeyPatch) -> None:
    """The values show what a secret field holds."""
    real = Board._entry

    def entry(self: Board, setting: Any) -> Any:
        value = self.stored.get(setting.key)
        return [setting.key, 1, value] if isinstance(value, str) else real(self, setting)

    patch.setattr(Board, "_entry", entry)


def shows_log_text_as_it_is(patch: pytest.MonkeyPatch) -> None:
    """Damaged echoes are shown in full, and while settings are sent as well."""

    def keep(self: exchange.Exchange, text: str) -> None:
        self._log.append(text)

    patch.setattr(exchange.Exchange, "_keep_log", keep, raising=False)
    patch.setattr(line, "clean_log", lambda raw, _: raw.decode("latin-1"))


class _EqualsAll(bytes):
    def __ne__(self, other: object) -> bool:
        return False

    __hash__ = bytes.__hash__


def believes_every_checksum(patch: pytest.MonkeyPatch) -> None:
    """Both ends take a line whose check does not match."""
    check = line._check
    # At the left of a comparison stands the line's own: a subclass is asked first all the same.
    patch.setattr(line, "_check", lambda body: _EqualsAll(check(body)))


def gives_up_as_not_stored(patch: pytest.MonkeyPatch) -> None:
    """A host that lost the reply to its commit says that nothing was stored."""

    def settle(*_: Any) -> Any:
        yield from ()
        return NotStored()

    patch.setattr(operations, "resolve_commit", settle)


def takes_storage_for_the_last_word(patch: pytest.MonkeyPatch) -> None:
    """A host that was refused does not ask whether a copy of its commit was stored."""
    patch.setattr(operations, "_NO_LAST_WORD", frozenset[Refusal]())


def repeats_for_ever(patch: pytest.MonkeyPatch) -> None:
    """A host that gives no request up."""
    submit = exchange.Exchange.submit

    def submit_for_ever(self: exchange.Exchange, request: exchange.Request, now: float) -> int:
        object.__setattr__(request, "patience", 1e9)  # the same object: answers name it
        return submit(self, request, now)

    patch.setattr(exchange.Exchange, "submit", submit_for_ever)


def starts_with_what_was_staged(patch: pytest.MonkeyPatch) -> None:
    """What is staged is in force when the board starts again."""
    start = Board.restart

    def restart(self: Board, boot: int, now: int) -> None:
        staged = dict(self.staged) if hasattr(self, "_staging") else {}
        start(self, boot, now)
        if staged:
            whole = {key: value for key, value in {**self.stored, **staged}.items() if value}
            payload = pack_values(self.schema, whole)
            self.store.commit(payload, b"restored", self._packed.digest, on_trial=False)
            self._come_into_force()

    patch.setattr(Board, "restart", restart)


PLANTS: list[Plant] = [
    acknowledges_what_it_did_not_store,
    stores_whatever_is_staged,
    forgets_the_token,
    undoes_every_copy,
    stores_another_value,
    tells_secrets,
    shows_log_text_as_it_is,
    believes_every_checksum,
    gives_up_as_not_stored,
    takes_storage_for_the_last_word,
    repeats_for_ever,
    starts_with_what_was_staged,
]


@pytest.mark.parametrize("plant", PLANTS, ids=lambda plant: plant.__name__.replace("_", " "))
def test_a_broken_promise_is_caught(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    """Within some hundred sessions one violates the invariant, where all kept it before."""
    plant(monkeypatch)
    violations = (play(seed, "python").violation for seed in range(_SEEDS))
    assert next(filter(None, violations), None) is not None
