# SPDX-License-Identifier: MIT
"""Conducts a dialog with a board: meets it, asks, stores, and follows what comes of it.

Whatever happens on the way, a dialog ends with a DialogResult that says what became of the
settings: stored, not stored, or unknown (shared/protocol.md, clause 5.3).
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import os
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from provision import catalogue
from provision.catalogue import spoken, tr
from provision.client.board_client import BoardClient, Event, FindAgain, Followed
from provision.client.cache import Cache
from provision.client.held import declared_key
from provision.client.sanitize import printable
from provision.client.snapshot import BoardSnapshot, read_board
from provision.contract.messages import code_name
from provision.contract.table import Capability, Kind, Reason, Run, Store
from provision.link.connection import Connection
from provision.link.errors import LinkError
from provision.link.exchange import PATIENCE
from provision.link.known_secrets import KnownSecrets
from provision.link.replies import Hello, Network, NotStored, Status, Stored, Unknown
from provision.schema.model import Value
from provision.schema.time_zones import is_tz_string, local_zone, zones
from provision.schema.values import refusal_words
from provision.wizard import status_text
from provision.wizard.answers import AnswersAsker, AnswersError, AnswersFile, match, rehearse
from provision.wizard.failures import exit_code, unchanged
from provision.wizard.flow import Flow
from provision.wizard.input_warnings import doubts
from provision.wizard.networks import in_range
from provision.wizard.questions import (
    AnotherInstance,
    Given,
    InRange,
    Move,
    Question,
    shown_value,
)
from provision.wizard.result import (
    DialogResult,
    ExitCode,
    Result,
    nothing_changed,
)
from provision.wizard.ui import (
    Asker,
    ChangeAnswer,
    LeftError,
    ReviewVerdict,
    Say,
    UnanswerableError,
)

_HINT_AFTER = 1.5  # seconds without an answer after which the person is told what to do
_SURVEY_TIME = 12.0  # seconds that looking for networks may take


@dataclass(frozen=True, slots=True)
class SetupOptions:
    """What the person asked for."""

    ask_all: bool = False
    keys: Collection[str] = ()
    only_keys: bool = False
    removed: Collection[tuple[str, int]] = ()
    show_log: bool = False
    """Whether what the board prints is shown while it tries the settings."""
    mend: bool = True
    """Whether a board that does not work leads to the setting at fault."""
    proposals: Mapping[Kind, Given] = field(default_factory=dict)


def this_computers_zone() -> Given | None:
    """Return the time zone of this computer, as far as it can be known."""
    try:
        link = str(Path("/etc/localtime").readlink())
    except (OSError, NotImplementedError):
        link = None
    name = local_zone(os.environ.get("TZ"), link)
    if name is None:
        return None
    return Given(name if is_tz_string(name) else zones()[name], name)


def introduction(met: BoardSnapshot) -> str:
    """Return who the board is, in one sentence."""
    hello = met.hello
    firmware, version, name = (
        printable(text, 32) for text in (hello.firmware, hello.firmware_version, hello.board)
    )
    return tr(
        "{title}: {firmware} {version} on {name}.",
        title=met.schema.title,
        firmware=firmware,
        version=version,
        name=name,
    )


async def meet(
    board: Connection, cache: Cache, say: Say, patience: float | None = PATIENCE
) -> BoardSnapshot:
    """Wait for a board, telling the person what to do meanwhile, and read it as read_board() does.

    patience: seconds, None for ever.
    """
    hello = await _greet(board, say, patience)
    return await read_board(board, hello, cache=cache, languages=catalogue.wanted())


async def _greet(board: Connection, say: Say, patience: float | None) -> Hello:
    greeting = asyncio.ensure_future(board.hello(patience))
    try:
        done, _ = await asyncio.wait([greeting], timeout=_HINT_AFTER)
        if not done:
            say(
                tr("Waiting for the board: plug it in, or press its reset button. (Ctrl-C leaves.)")
            )
        return await greeting
    finally:
        greeting.cancel()


async def set_up(
    board: Connection,
    met: BoardSnapshot,
    asker: Asker,
    *,
    cache: Cache,
    options: SetupOptions,
    find_again: FindAgain | None = None,
) -> tuple[DialogResult, Connection]:
    """Ask, store and follow; return how it ended, and the connection there is in the end.

    find_again: how a board that was unplugged is found again; None: that ends the dialog.
    """
    dialog = _Dialog(board, met, asker, cache=cache, options=options, find_again=find_again)
    return await _ended(dialog, dialog.run())


async def take_back(
    board: Connection, met: BoardSnapshot, asker: Asker, *, find_again: FindAgain | None = None
) -> tuple[DialogResult, Connection]:
    """Put the set before the present one in force again, and follow; return as set_up() does."""
    dialog = _Dialog(
        board,
        met,
        asker,
        cache=Cache(None),
        options=SetupOptions(mend=False),
        find_again=find_again,
    )
    return await _ended(dialog, dialog.take_back())


async def set_up_from_file(
    board: Connection,
    met: BoardSnapshot,
    file: AnswersFile,
    say: Say,
    *,
    cache: Cache,
    ask_all: bool,
    person: Asker | None = None,
    find_again: FindAgain | None = None,
    show_log: bool = False,
) -> tuple[DialogResult, Connection]:
    """Answer from a file, store and follow; return as set_up() does.

    met: just now, so that the board is not asked once more who it is before it is sent the answers.
    person: who is asked what the file does not answer. Raises AnswersError before anything is sent.
    """
    answers = match(file, met.schema)
    dialog = _Dialog(
        board,
        met,
        AnswersAsker(answers, say, person),
        cache=cache,
        options=SetupOptions(
            ask_all=ask_all,
            keys=answers.given.keys(),
            removed=answers.removed,
            show_log=show_log,
            mend=person is not None,
        ),
        find_again=find_again,
        just_met=person is None,
    )
    problems, unasked = rehearse(answers, dialog.flow(), somebody_is_there=person is not None)
    if problems:
        raise AnswersError(problems)
    for key in unasked:
        say(
            tr(
                "{name}: {key}: is not asked for with these answers, and not stored.",
                name=answers.name,
                key=key,
            )
        )
    return await _ended(dialog, dialog.run())


async def _ended(
    dialog: _Dialog, ending: Awaitable[DialogResult]
) -> tuple[DialogResult, Connection]:
    """Return how a dialog ends, and the connection there is then.

    Where it fails instead, a connection that it found itself is let go of: nobody else knows it.
    """
    given = dialog.client.connection
    try:
        return await ending, dialog.client.connection
    except BaseException:
        if dialog.client.connection is not given:
            await dialog.client.connection.close()
        raise


class _Dialog:
    """One dialog with one board, over as many rounds of storing as it takes."""

    def __init__(
        self,
        board: Connection,
        met: BoardSnapshot,
        asker: Asker,
        *,
        cache: Cache,
        options: SetupOptions,
        find_again: FindAgain | None = None,
        just_met: bool = False,
    ) -> None:
        self.client = BoardClient(
            board, met, find_again=find_again, on_event=self._tell, just_met=just_met
        )
        self._met = met
        self._asker = asker
        self._cache = cache
        self._options = options
        self._known = cache.asked(met.hello.unit)
        self._standing: DialogResult | None = None  # how it ends if it goes no further
        self._secrets = KnownSecrets()  # those that were answered, blanked in what the board prints
        self._networks: tuple[InRange, ...] | None = None  # in range; None: not looked for
        self._open_networks: set[str] = set()  # as they are shown
        self._secured_networks: set[str] = set()
        self._going_back = False
        self._done = tr(status_text.STORED)  # what was done, to begin a sentence with

    def flow(self) -> Flow:
        """Return the questions to begin with."""
        faults = {}
        if self._options.mend and self._met.status.run == Run.FAILED:
            faults = self._faults(self._met.status, Flow(self._met.schema, self._met.held).active)
        return Flow(
            self._met.schema,
            self._met.held,
            ask_all=self._options.ask_all,
            keys=self._options.keys,
            only_keys=self._options.only_keys,
            removed=self._options.removed,
            known=self._known,
            proposals=self._options.proposals,
            faults=faults,
        )

    async def run(self) -> DialogResult:
        """Go through the dialog to its end, whatever that is."""
        ending = await self._to_the_end()
        if ending.result is Result.NOT_STORED and self.client.sent:
            with contextlib.suppress(LinkError):
                await self.client.connection.discard()
        return ending

    async def take_back(self) -> DialogResult:
        """Go one generation back, whatever comes of it."""
        self._done = tr(status_text.TAKEN_BACK)
        try:
            await self.client.undo()
        except (LinkError, asyncio.CancelledError) as error:
            return unchanged(error, tr("`provision show` shows its settings."))
        try:
            await self.client.expect_present_set()
            ending, _ = await self._follow(None)
        except (LinkError, LeftError, asyncio.CancelledError, OSError):
            return replace(self._not_awaited(), result=Result.TAKEN_BACK, stored=())
        return replace(ending, result=Result.TAKEN_BACK)

    async def _to_the_end(self) -> DialogResult:
        try:
            return await self._rounds()
        except (LeftError, asyncio.CancelledError, OSError):  # OSError: the terminal is gone
            return await self._leave()
        except UnanswerableError as error:
            return self._standing or DialogResult(
                ExitCode.ANSWERS, Result.NOT_STORED, nothing_changed(error)
            )
        except LinkError as error:
            if self.client.is_open:
                return _unknown()
            if self._standing is not None:
                code = self._standing.code or ExitCode.NOT_WORKING  # nobody has seen it work
                return replace(
                    self._standing, code=code, words=f"{self._standing.words} {spoken(error)}"
                )
            return DialogResult(exit_code(error), Result.NOT_STORED, nothing_changed(error))

    # -------------------------------------------------------------------------------- rounds

    async def _rounds(self) -> DialogResult:
        flow = self.flow()
        self._say_what_is_lacking(self._met.status)
        while True:
            if not await self._go_through(flow):
                return self._standing or DialogResult(
                    ExitCode.REFUSED, Result.NOT_STORED, nothing_changed()
                )
            changes = flow.changes()
            if not changes:
                return self._standing or self._nothing_to_do()
            self._learn(changes, flow.answers())
            outcome = await self.client.store(changes, self._show_progress)
            if isinstance(outcome, Unknown):
                return _unknown()
            if isinstance(outcome, NotStored):
                if not self._goes_back(flow, outcome):
                    assert self._standing is not None
                    return self._standing
                continue
            self._known |= flow.asked()
            self._cache.keep_asked(self._met.hello.unit, self._known)
            ending, status = await self._follow(outcome.status)
            if status is None:
                return ending
            self._standing = ending
            faults = self._faults(status, flow.active)
            if not faults:
                return ending
            self._asker.say(status_text.failure_sentence(self._done, status.step))
            flow = Flow(
                self._met.schema,
                await self.client.held(),
                keys=faults.keys(),
                only_keys=True,
                proposals=self._options.proposals,
                remembered=flow.answers(),
                faults=faults,
            )

    def _say_what_is_lacking(self, status: Status) -> None:
        lacking = status_text.incomplete_words(self._met.schema, status)
        if status.store == Store.INCOMPLETE and lacking is not None:
            self._asker.say(
                tr("The board does not work until this is answered: {lacking}", lacking=lacking)
            )

    async def _go_through(self, flow: Flow) -> bool:
        """Ask until all is answered and reviewed; False if the person would rather not."""
        while True:
            step = flow.next()
            if isinstance(step, AnotherInstance):
                wanted = await self._asker.ask_another(step)
                if wanted is None:
                    flow.back()
                else:
                    flow.answer_another(wanted)
            elif isinstance(step, Question):
                await self._ask(flow, step)
            elif not (lines := flow.review()):
                return True
            else:
                verdict = await self._asker.review(lines, flow.untouched())
                if isinstance(verdict, ChangeAnswer):
                    flow.change(verdict.key)
                elif verdict is ReviewVerdict.BACK:
                    flow.back()
                else:
                    return verdict is ReviewVerdict.SEND

    async def _ask(self, flow: Flow, question: Question) -> None:
        if question.network in self._open_networks and question.can_clear and not question.fault:
            if not self._going_back:
                self._asker.say(
                    tr(
                        "The network {network} is open: it has no passphrase.",
                        network=question.network,
                    )
                )
            flow.answer(Move.BACK if self._going_back else Move.CLEAR)
            return
        if question.network in self._secured_networks:
            question = replace(question, can_clear=False)  # "none" cannot be right
        if question.field.kind is Kind.NETWORK_NAME and self._asker.chooses(question):
            question = replace(question, networks=await self._look_for_networks(question))
        answer = await self._asker.ask(question, flow)
        self._going_back = answer is Move.BACK
        if isinstance(answer, Given):
            for doubt in doubts(question.field, answer.value):
                if not await self._asker.stands_by(question, doubt):
                    return  # and the question comes again
        for caution in flow.cautions(question, answer):
            if not await self._asker.confirm(question, caution):
                return
        flow.answer(answer)
        for network in question.networks:
            if isinstance(answer, Given) and answer.value == network.name:
                shown = shown_value(question.field, network.name)
                known = self._open_networks if network.is_open else self._secured_networks
                known.add(shown)

    async def _look_for_networks(self, question: Question) -> tuple[InRange, ...]:
        """Return the networks in range; after a failure those of now. None found is no failure."""
        if Capability.SURVEY not in self._met.hello.capabilities:
            return ()
        if self._networks is None or question.fault is not None:
            self._asker.say(tr("Looking for networks in range."))
            found: list[Network] = []
            with contextlib.suppress(LinkError, TimeoutError):
                async with asyncio.timeout(_SURVEY_TIME):
                    await self.client.connection.survey(found.extend)
            self._networks = in_range(found)
        return self._networks

    def _nothing_to_do(self) -> DialogResult:
        status = self._met.status
        if status.run == Run.FAILED:
            return self._ending_of(status)
        return DialogResult(
            ExitCode.DONE,
            Result.NOTHING_TO_DO,
            tr("Everything that this firmware asks for is set; nothing was changed."),
            run=code_name(status.run),
            address=_address(status),
        )

    def _faults(self, status: Status, active: frozenset[str]) -> dict[str, str]:
        """Return the setting that a failure leads to, and why, if there is one."""
        key = status_text.key_at_fault(self._met.schema, active, status.reason, status.field)
        return {} if key is None else {key: status_text.fault_words(status.reason)}

    def _learn(self, changes: Mapping[str, Value | None], answers: Mapping[str, Given]) -> None:
        """Know the secrets that are sent, and those that a network's key was made of."""
        for setting in self._met.schema.settings:
            if not setting.field.is_secret:
                continue
            given = answers.get(setting.key)
            for value in (changes.get(setting.key), None if given is None else given.value):
                if isinstance(value, str | bytes):
                    self._secrets.add(value.encode() if isinstance(value, str) else value)

    # ------------------------------------------------------------------------------- storing

    def _show_progress(self, done: int, count: int) -> None:
        # In the midst of the conversation, which a terminal that is gone must not end.
        with contextlib.suppress(OSError):
            self._asker.progress(done, count)

    def _tell(self, event: Event) -> None:
        # What became of the settings is found out even where the terminal is gone.
        is_leaving = event is Event.SETTLING
        with contextlib.suppress(OSError) if is_leaving else contextlib.nullcontext():
            self._asker.say(tr(status_text.EVENTS[event]))

    def _goes_back(self, flow: Flow, outcome: NotStored) -> bool:
        """Lead to the setting that the board refused; False if there is none to mend."""
        refused = outcome.refused
        schema = self._met.schema
        said = status_text.refused_words(schema, refused)
        if self._standing is None or self._standing.result is Result.NOT_STORED:
            self._standing = DialogResult(
                ExitCode.REFUSED,
                Result.NOT_STORED,
                nothing_changed(said),
                reason=None if refused is None else code_name(refused.code),
                field=None if refused is None else declared_key(schema, refused.field),
            )
        setting = None
        if refused is not None and refused.field is not None:
            setting = schema.setting(refused.field)
        if refused is None or setting is None or setting.key not in flow.active:
            return False
        self._asker.say(tr("The board refused, and stored nothing. {said}", said=said))
        flow.fault(setting.key, spoken(refusal_words(setting.field, refused.code)))
        return True

    # ------------------------------------------------------------------------------ following

    async def _follow(self, status: Status | None) -> tuple[DialogResult, Status | None]:
        """Follow the status; return how it ends, and the status if the board does not work."""
        self._standing = self._not_awaited()
        self._asker.say(tr("{done}. Waiting for the board to try them.", done=self._done))
        self.client.listen(self._show_log_line if self._options.show_log else None, self._secrets)
        try:
            result = await self.client.follow(
                status, on_status=self._tell_step(), on_trial=self._keeps_trial
            )
        finally:
            self.client.listen(None, self._secrets)
        status = result.status
        if result.followed is Followed.WENT_BACK:
            said = tr(
                "The settings did not work in time, and the board went back to the previous ones"
                " by itself."
            )
            return DialogResult(ExitCode.NOT_WORKING, Result.NOT_STORED, said), None
        if result.followed is Followed.TIMED_OUT:
            said = tr(
                "{done}, but the board has not said within {limit:.0f} seconds whether it works"
                " with them. `provision show` looks again.",
                done=self._done,
                limit=self.client.follow_time,
            )
            run = None if status is None else code_name(status.run)
            return self._stored(ExitCode.NOT_WORKING, said, run=run), None
        assert status is not None
        return self._ending_of(status), status if status.run == Run.FAILED else None

    def _show_log_line(self, line: str) -> None:
        with contextlib.suppress(OSError):  # as with progress
            self._asker.say(f"  {tr('Its log: {line}', line=line)}")

    def _tell_step(self) -> Callable[[Status], None]:
        """Return what says each step once, since a board may go to and fro."""
        told: set[str] = set()

        def tell(status: Status) -> None:
            step = status_text.step_words(status.step)
            if status.step and step not in told:
                told.add(step)
                self._asker.say(f"  {tr('The board is {step}.', step=step)}")

        return tell

    async def _keeps_trial(self, status: Status) -> bool:
        """Whether the person sees a set on trial work, since the firmware cannot tell."""
        left = (status.trial_left or 0) // 1000
        self._asker.say(
            tr(
                "The settings are on trial: in {left} seconds the board goes back to the older ones"
                " by itself, unless they are confirmed.",
                left=left,
            )
        )
        return await self._asker.does_it_work()

    def _not_awaited(self) -> DialogResult:
        return self._stored(
            ExitCode.DONE,
            tr("{done}. Whether the board works with them was not checked.", done=self._done),
        )

    def _stored(self, code: ExitCode, said: str, **more: str | None) -> DialogResult:
        return DialogResult(code, Result.STORED, said, stored=tuple(self.client.sent), **more)

    def _ending_of(self, status: Status) -> DialogResult:
        """Return the ending that a status of proven, failed, or not reported is."""
        code, said = ExitCode.DONE, tr("{done}, and the board works with them.", done=self._done)
        address = _address(status)
        if status.run == Run.FAILED:
            code = ExitCode.NOT_WORKING
            why = status_text.why_words(self._met.schema, status)
            said = f"{status_text.failure_sentence(self._done, status.step)} {why}"
            said += status_text.undeclared_words(self._met.schema, status.field)
        elif status.run == Run.PROVEN and address is not None:
            said = f"{said} {tr('Its address is {address}.', address=address)}"
        elif status.run != Run.PROVEN:
            said = tr("{done}. This firmware does not report whether they work.", done=self._done)
        failed = status.run == Run.FAILED and status.reason is not None
        return self._stored(
            code,
            said,
            run=code_name(status.run),
            address=address,
            reason=code_name(status.reason or Reason.NONE) if failed else None,
            field=declared_key(self._met.schema, status.field) if failed else None,
        )

    # -------------------------------------------------------------------------------- leaving

    async def _leave(self) -> DialogResult:
        """Leave the board in a known state, and say which: Ctrl-C came."""
        outcome = await self.client.leave()
        if isinstance(outcome, Unknown):
            return _unknown()
        if isinstance(outcome, Stored):
            return self._not_awaited()
        if self._standing is not None and self._standing.result is Result.STORED:
            return self._standing
        return DialogResult(ExitCode.INTERRUPTED, Result.NOT_STORED, nothing_changed())


def _unknown() -> DialogResult:
    return DialogResult(
        ExitCode.UNKNOWN,
        Result.UNKNOWN,
        tr(
            "It is not known whether the settings were stored: the board no longer answers. Plug"
            " it in again and run `provision show`."
        ),
    )


def _address(status: Status) -> str | None:
    return None if status.address is None else str(ipaddress.ip_address(status.address))
