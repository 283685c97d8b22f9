# SPDX-License-Identifier: MIT
"""What may be in force on a board, kept beside it: the oracle of the sessions.

After everything that happens the board is looked at. Whenever its generation has changed, the
change must be one that something brought about: a commit that a host had sent, the count-down,
confirmation or end of a trial, an undo or an erase that a host had asked for. And what the flash
then holds must be exactly what that leaves in force.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from provision.schema.model import Value
from tests.sessions.units import Past, Unit, View, content_of

_TRIAL_STARTS = 3  # the third start of a trial brings the older set back (clause 5.4)


class Violation(AssertionError):  # noqa: N818 - what it is, not an error of the code
    """The invariant does not hold."""


@dataclass(slots=True)
class Ledger:
    """The oracle of one board. Times in milliseconds."""

    unit: Unit
    past: Sequence[Past]
    committing: dict[bytes, Mapping[str, Value | None]] = field(default_factory=dict)
    """Token to changes of every commit that a host may have sent."""

    entered: Counter[bytes] = field(default_factory=Counter)
    """How often a commit has come into force."""

    contents: dict[bytes | None, Mapping[str, Value]] = field(default_factory=dict)
    """Token to values of every set that ever was in force; None: nothing stored."""

    undo_wanted: int = 0
    undone: int = 0
    erase_wanted: int = 0
    erased: int = 0
    confirm_wanted: bool = False
    proven: bool = False
    """The firmware has reported proven for the set in force."""

    _seen: View = field(default_factory=lambda: View(0, None, False, 0))
    _fallback: bytes | None = None
    """Token of the set that a trial goes back to."""

    _previous: bytes | None = None
    """Token of the set before the one in force."""

    _starts: int = 0
    """Starts of the board since the set in force was committed."""

    _unseen_starts: int = 0
    """Starts since the board was last looked at: one that loses power in starting is not seen."""

    _trial_began: int = 0
    _overdue: bool = False
    """Whether its time was over before the last start."""

    _ended_badly: set[bytes] = field(default_factory=set)
    """Tokens of sets whose trial ended badly: a host may commit them again."""

    def begin(self, now: int) -> None:
        """Take down what the board holds at the first start."""
        self.contents[None] = {}
        for each in self.past:
            self.contents[each.token] = each.values
        self._seen = self.unit.look()
        values, token = content_of(self.unit.image(), self.unit.configuration.schema)
        newest = self.past[-1] if self.past else None
        if (token, values) != ((newest.token, newest.values) if newest else (None, {})):
            raise Violation("the board did not start with the set it was given")
        if len(self.past) > 1:
            self._fallback = self._previous = self.past[-2].token
        self._starts = 1
        self._trial_began = now

    @property
    def token(self) -> bytes | None:
        """Of the set in force."""
        return self._seen.token

    @property
    def on_trial(self) -> bool:
        """Whether the set in force is on trial."""
        return self._seen.on_trial

    @property
    def values(self) -> Mapping[str, Value]:
        """What is in force, by full key."""
        return self.contents[self._seen.token]

    def begins_start(self, now: int) -> None:
        """The board starts: before its first look at the flash."""
        # Where the power was cut in ending it, the start goes on with that.
        self._overdue = self._seen.on_trial and self._trial_is_over(now)
        self._starts += 1
        self._unseen_starts += 1
        self._trial_began = now

    def observe(self, now: int, *, started: bool = False) -> None:
        """Compare the board with what may be; raises Violation."""
        seen, before = self.unit.look(), self._seen
        if seen.generation != before.generation:
            if seen.generation < before.generation:
                raise Violation("the generation fell")
            self._seen = seen
            self._account_for(before, seen, now, started=started)
            self._check_content(seen.token)
        elif seen.token != before.token or seen.on_trial != before.on_trial:
            raise Violation("another set is in force, and the generation is the same")
        self._unseen_starts = 0

    def check(self) -> None:
        """Compare what the flash holds with what is in force; raises Violation."""
        self._check_content(self._seen.token)

    def _check_content(self, token: bytes | None) -> None:
        values, durable = content_of(self.unit.image(), self.unit.configuration.schema)
        if durable != token:
            raise Violation("what is durable has another token than what is in force")
        expected = self.contents[token]
        if values != expected:
            keys = [k for k in {**values, **expected} if values.get(k) != expected.get(k)]
            raise Violation(f"the set that is durable is a mixture: {', '.join(keys)} differ")

    def _account_for(self, before: View, seen: View, now: int, *, started: bool) -> None:
        token = seen.token
        if token == before.token:
            if token is not None or self.erased == 0:  # else one more erase
                self._take_same_set(before, seen, started=started)
            return
        is_undo = self.undone < self.undo_wanted and token in self._undo_targets(before)
        if self._is_commit(seen) and not (is_undo and not seen.on_trial):
            self._take_commit(before, seen, now)
        elif before.on_trial and token == self._fallback and self._trial_is_over(now):
            if before.token is not None:
                self._ended_badly.add(before.token)
            self._previous = before.token
        elif is_undo:
            self.undone += 1
            self._previous = self._fallback = before.token
        elif token is None and self.erased < self.erase_wanted:
            self.erased += 1
            self._previous = None
        else:
            raise Violation("another set is in force, and nothing brought it about")
        self._trial_began = now
        self._overdue = self.proven = False

    def _is_commit(self, seen: View) -> bool:
        """Whether a commit that a host has sent may have come into force."""
        token = seen.token
        return token in self.committing and (not self.entered[token] or token in self._ended_badly)

    def _take_commit(self, before: View, seen: View, now: int) -> None:
        token = seen.token
        assert token is not None
        self.entered[token] += 1
        self._ended_badly.discard(token)
        over = [before.token]
        if before.on_trial and self._trial_is_over(now):  # the end of the trial may have come first
            over.append(self._fallback)
        wholes = [{**self.contents[each], **self.committing[token]} for each in over]
        possible = [{k: v for k, v in whole.items() if v is not None} for whole in wholes]
        held, _ = content_of(self.unit.image(), self.unit.configuration.schema)
        self.contents[token] = next((each for each in possible if each == held), possible[0])
        offers_trial = self.unit.configuration.trial and before.token is not None
        if seen.on_trial != offers_trial:
            raise Violation("a new set is on trial where it should not be, or not where it should")
        if not before.on_trial:
            self._fallback = before.token
        self._previous = before.token
        self._starts = self._unseen_starts

    def _take_same_set(self, before: View, seen: View, *, started: bool) -> None:
        """The same set, written anew: confirmed, counted down, or settled at a start."""
        if before.on_trial and not seen.on_trial and not (self.proven or self.confirm_wanted):
            raise Violation("a trial ended well, and nobody said so")
        if seen.on_trial and not before.on_trial:
            raise Violation("a confirmed set is on trial again")
        if seen.on_trial == before.on_trial and not started:
            raise Violation("the set in force was stored once more")

    def _trial_is_over(self, now: int) -> bool:
        trial = 1000 * (self.unit.configuration.schema.trial or 0)
        time_is_over = self._overdue or now - self._trial_began >= trial
        return self._starts >= _TRIAL_STARTS or time_is_over

    def _undo_targets(self, before: View) -> set[bytes | None]:
        """Return what undo may go back to: a set that was replaced on trial may be kept or not."""
        return {self._fallback} if before.on_trial else {self._fallback, self._previous}
