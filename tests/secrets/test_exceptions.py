# SPDX-License-Identifier: MIT
"""Whatever fails inside the program, at whichever layer: no object tells a secret of itself.

A function of each layer fails in the middle of a run. Looked at are the text of the exception with
its traceback, and the representation of every object of ours that is alive at that moment, which is
what crash reports, log lines and debuggers print. Not promised is more: a debugger that prints the
local variables of a function shows the text or bytes that the function works on.
"""

from __future__ import annotations

import asyncio
import gc
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from provision import cli
from provision.wizard.questions import Given
from tests.hostile.harness import run
from tests.hostile.virtual_loop import virtual_time
from tests.secrets.test_dialog import fresh_board, typed
from tests.secrets.vault import CANARIES, PASSPHRASE, SCHEMA, write_answers, write_networks

TARGETS = (
    "provision.contract.profile.encode",
    "provision.contract.line._check",
    "provision.link.exchange.encode_message",
    "provision.link.exchange.encode_line",
    "provision.link.exchange.Exchange.submit",
    "provision.link.exchange.Exchange.poll",
    "provision.link.exchange.Exchange.receive",
    "provision.link.exchange.Exchange._send",
    "provision.link.operations.staged_digest",
    "provision.link.operations._size",
    "provision.link.operations._part",
    "provision.link.session.Session._step",
    "provision.link.session.Session.receive",
    "provision.link.connection.Connection._advance",
    "provision.link.connection.Connection.store",
    "provision.link.streams.MemoryStream.write",
    "provision.schema.values._check_text",
    "provision.wizard.flow.check_value",
    "provision.wizard.flow.active",
    "provision.wizard.flow.check_whole",
    "provision.wizard.flow.Flow.answer",
    "provision.wizard.flow.Flow.changes",
    "provision.wizard.flow.Flow.review",
    "provision.wizard.flow.Flow._look",
    "provision.client.board_client.BoardClient.store",
    "provision.client.board_client.BoardClient._send",
    "provision.wizard.dialog._Dialog._follow",
)
FROM_A_FILE = (
    "provision.wizard.answers.read_bytes",
    "provision.client.typed.parse",
    "provision.wizard.dialog.match",
    "provision.wizard.dialog.rehearse",
    "provision.wizard.answers.AnswersAsker.ask",
    "provision.wizard.answers.AnswersAsker.review",
)
BY_HAND = (
    "provision.wizard.flow.parse",
    "provision.wizard.screen.ScreenAsker.ask",
    "provision.wizard.screen.ScreenAsker.review",
    "provision.wizard.screen._Reading.answer",
)
IN_THE_BOARD = (
    "provision.board.engine.check_body",
    "provision.board.engine.Board.receive",
    "provision.board.store.Store.commit",
)


class ForcedError(Exception):
    """What a test makes happen."""


class Breaking:
    """A function that fails at its call with this number, and looks around before."""

    def __init__(self, function: Callable[..., Any], at: int) -> None:
        self._function = function
        self._at = at
        self.calls = 0
        self.seen: list[tuple[str, bytes | str]] = []

    def __get__(self, instance: object, owner: type) -> Callable[..., Any]:
        return self if instance is None else lambda *a, **k: self(instance, *a, **k)

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        """Call it, or fail."""
        self.calls += 1
        if self.calls == self._at:
            self.seen = representations()
            raise ForcedError("forced")
        return self._function(*arguments, **named)


def representations() -> list[tuple[str, bytes | str]]:
    """Return how every object that is ours, the event loop's, or an exception shows itself."""
    kinds = (asyncio.Future, asyncio.Handle, BaseException)
    return [
        (type(each).__qualname__, repr(each))
        for each in gc.get_objects()
        if type(each).__module__.startswith("provision.") or isinstance(each, kinds)
    ]


@pytest.fixture
def only_new_objects() -> Iterator[None]:
    """Let representations() pass over what other tests left, which is a great deal."""
    gc.collect()
    gc.freeze()
    yield
    gc.unfreeze()


def resolve(target: str) -> Any:
    """Return what a dotted name stands for."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(target, None)
        return next(iter(patch._setattr))[2]


Play = Callable[[Path], object]


def from_a_file(folder: Path) -> object:
    """Set a board up from a file."""
    answers = str(write_answers(folder))
    return run(fresh_board(), "setup", "--answers", answers, folder=folder, measured=False)


def by_hand(folder: Path) -> object:
    """Set a board up by hand."""
    # What fails while a key is handled waits for Return; and then the person leaves.
    keys = [*typed(folder), "\r", "\r", "\x03"]
    return run(fresh_board(), "setup", folder=folder, keys=keys, measured=False)


def rehearsed(folder: Path) -> object:
    """Rehearse, the board in the same process."""
    files = [str(SCHEMA), "--answers", str(write_answers(folder))]
    with virtual_time():
        return cli.main(["rehearse", *files, "--networks", str(write_networks(folder))])


def _folder(parent: Path, number: int) -> Path:
    """Return a folder of its own for each run, since a schema that is cached is not read again."""
    folder = parent / str(number)
    folder.mkdir(exist_ok=True)
    return folder


CASES = (
    [(target, from_a_file) for target in (*TARGETS, *FROM_A_FILE)]
    + [(target, by_hand) for target in BY_HAND]
    + [(target, rehearsed) for target in IN_THE_BOARD]
)


@pytest.mark.usefixtures("only_new_objects")
@pytest.mark.parametrize(("target", "play"), CASES, ids=[target for target, _ in CASES])
def test_a_failure_tells_no_secret(
    target: str,
    play: Play,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """At its first call, in the middle, and at its last."""
    # By hand only at its last: before, the keys that follow would answer other questions.
    function = resolve(target)
    counting = Breaking(function, 0)
    monkeypatch.setattr(target, counting)
    play(_folder(tmp_path, 0))
    assert counting.calls, "the run does not come by here"
    early = set() if play is by_hand else {1, counting.calls // 2 or 1}
    for at in sorted(early | {counting.calls}):
        breaking = Breaking(function, at)
        monkeypatch.setattr(target, breaking)
        told = ""
        try:
            play(_folder(tmp_path, at))
        except ForcedError as error:
            told = "".join(traceback.format_exception(error))
        assert breaking.calls >= at
        # Of a run alone there are some forty objects; those that carry a secret are among them.
        kinds = {kind for kind, _ in breaking.seen}
        assert len(breaking.seen) > 30
        assert kinds & {"Given", "Session", "Board", "AnswersFile", "PipeInput"}, kinds
        written = capfd.readouterr()
        seen = [*breaking.seen, ("traceback", told), ("out", written.out), ("err", written.err)]
        assert CANARIES.find_in_all(seen) == []


@pytest.mark.usefixtures("only_new_objects")
def test_what_looks_around_can_fail() -> None:
    """An object that shows a secret of itself is found."""

    class Open(Given):
        __module__ = "provision.planted"
        __slots__ = ()

        def __repr__(self) -> str:
            return f"Open({self.value!r})"

    planted = [Open(PASSPHRASE), Given(PASSPHRASE)]
    assert CANARIES.find_in_all(representations()) == [
        f"test_what_looks_around_can_fail.<locals>.Open: passphrase ({form})" for form in ("plain",)
    ]
    del planted
