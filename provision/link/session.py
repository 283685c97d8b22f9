# SPDX-License-Identifier: MIT
"""The session with a board: any number of procedures over one exchange.

Sans-I/O: bytes and the time go in; bytes, log text, notices and finished runs come out. Whoever
drives it calls poll() after every start(), stop() and receive(), and at next_deadline().
"""

from __future__ import annotations

from typing import Any, Generic, TypeVar

from provision.link.errors import LinkError
from provision.link.exchange import Exchange, LineLimits, Notice, RequestResult
from provision.link.known_secrets import KnownSecrets
from provision.link.operations import Instead, Procedure

_Result = TypeVar("_Result")


class ProcedureRun(Generic[_Result]):
    """One procedure under way, and in the end what it returned or raised."""

    __slots__ = ("_result", "error", "finished", "outstanding", "procedure")

    def __init__(self, procedure: Procedure[_Result]) -> None:
        self.procedure = procedure
        self.outstanding: set[int] = set()
        self.finished = False
        self.error: LinkError | None = None
        self._result: _Result

    def finish(self, result: _Result) -> None:
        """End with a result."""
        self._result = result
        self.finished = True

    def fail(self, error: LinkError) -> None:
        """End with an error."""
        self.error = error
        self.finished = True

    def result(self) -> _Result:
        """Return what the procedure returned, or raise what it raised."""
        if self.error is not None:
            raise self.error
        return self._result


class Session:
    """Runs procedures over one line; several at once share its flights."""

    def __init__(self, *, baud: int, first_id: int) -> None:
        """baud: bits a second of the line; first_id: of the first request, random."""
        self._exchange = Exchange(baud=baud, first_id=first_id)
        self._owners: dict[int, ProcedureRun[Any]] = {}
        self._finished: list[ProcedureRun[Any]] = []

    @property
    def limits(self) -> LineLimits:
        """What the board announced in its last hello."""
        return self._exchange.limits

    def blank_in_log(self, secrets: KnownSecrets) -> None:
        """Blank what these know in log text from now on."""
        self._exchange.secrets = secrets

    def start(self, procedure: Procedure[_Result], now: float) -> ProcedureRun[_Result]:
        """Set a procedure going; it comes back among take_finished() when it has ended."""
        run = ProcedureRun(procedure)
        self._step(run, None, now)
        return run

    def stop(self, run: ProcedureRun[Any]) -> None:
        """End a run without a result; what it has not sent will not be sent."""
        run.procedure.close()
        self._abandon(run)

    def receive(self, data: bytes, now: float) -> None:
        """Take bytes as they arrive."""
        self._exchange.receive(data, now)
        self._deliver(now)

    def poll(self, now: float) -> bytes:
        """Return the bytes to send now."""
        out = self._exchange.poll(now)
        # What was given up may bring new requests.
        while self._deliver(now):
            out += self._exchange.poll(now)
        return out

    def next_deadline(self) -> float | None:
        """Return when to poll again if nothing comes in; None: never."""
        return self._exchange.next_deadline()

    def take_finished(self) -> list[ProcedureRun[Any]]:
        """Return the runs that ended since the last call."""
        finished, self._finished = self._finished, []
        return finished

    def take_log(self) -> list[str]:
        """Return the lines of log text since the last call, cleaned."""
        return self._exchange.take_log()

    def take_notices(self) -> list[Notice]:
        """Return what the person may want to know since the last call."""
        return self._exchange.take_notices()

    def _deliver(self, now: float) -> bool:
        answers = self._exchange.take_answers()
        for answer in answers:
            run = self._owners.pop(answer.id, None)
            if run is not None:  # else it ended at an answer before this one
                run.outstanding.discard(answer.id)
                self._step(run, answer, now)
        return bool(answers)

    def _step(self, run: ProcedureRun[Any], answer: RequestResult | None, now: float) -> None:
        try:
            requests = next(run.procedure) if answer is None else run.procedure.send(answer)
        except StopIteration as end:
            run.finish(end.value)
        except LinkError as error:
            run.fail(error)
        else:
            if isinstance(requests, Instead):
                self._abandon(run)
            for request in requests:
                id_ = self._exchange.submit(request, now)
                self._owners[id_] = run
                run.outstanding.add(id_)
            return
        self._abandon(run)
        self._finished.append(run)

    def _abandon(self, run: ProcedureRun[Any]) -> None:
        self._exchange.abandon(run.outstanding)
        for id_ in run.outstanding:
            del self._owners[id_]
        run.outstanding.clear()
