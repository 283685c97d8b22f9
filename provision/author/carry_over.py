# SPDX-License-Identifier: MIT
"""What an update of the firmware does to what people have set, decided from two schema files.

    update = carry_over(load(Path("old.toml")), load(Path("new.toml")))
    print(update.verdict.value)
    for carried in update.settings:
        print(carried.keys, carried.fate.value, carried.words)

Boards decide in the same way, one stored value after the other (clause 10); here it is decided for
every value that the old firmware can have stored. A board is taken to hold a complete set of the
old firmware. That firmware may itself have come as an update and have stored nothing since: then
the values lie under the keys that its own `was` names, and the new file has to name them too. What
that older firmware stored and the old one does not know may come back as well: it is not counted.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum, IntEnum
from itertools import groupby
from pathlib import Path
from types import MappingProxyType
from typing import Any

from provision.author.pin_clashes import Clash, pin_clashes
from provision.contract.table import Characters, Kind, Refusal
from provision.schema.capacity import HEADER_SIZE, largest_payload, record_size
from provision.schema.constraints import key_beside
from provision.schema.declaration import BoardDeclaration, Declaration
from provision.schema.migration import convert, older_keys, tag
from provision.schema.model import Condition, Field, Schema, Setting, Value
from provision.schema.table import LENGTH_OF_KEY
from provision.schema.values import check_value, is_key_only, limits, refusal_words, show
from provision.schema_file.load import FileMistakes, load_declaration


class Fate(Enum):
    """What becomes of the values of a setting."""

    KEPT = "kept"
    RENAMED = "kept under a new key"
    CONVERTED = "converted"
    PARTLY = "kept if it still fits"
    """The new firmware takes some of the values that the old one took, or finds some of them."""

    REFUSED = "refused"
    """The new firmware finds the value, and its limits admit none that the old one took."""

    DROPPED = "dropped"
    """The setting is gone, or a value of it means something else now."""

    NEW = "new"
    """The old firmware had no such setting."""


LOST = frozenset({Fate.PARTLY, Fate.REFUSED, Fate.DROPPED})
"""With these a board may lose, or surely loses, what somebody set."""


class Chance(IntEnum):
    """Whether something is so right after the update, over all boards with a complete set."""

    NEVER = 0
    PERHAPS = 1
    ALWAYS = 2


class UpdateVerdict(Enum):
    """What an update comes to for whoever has a board."""

    NOTHING = "nothing to do"
    """Every board goes on working, and the next dialog asks nothing new."""

    QUESTIONS = "new questions"
    """Every board goes on working; the next dialog has questions that were not asked before."""

    STOPS = "stops"
    """Boards, all or some, do nothing until somebody brings a cable and answers."""


@dataclass(frozen=True, slots=True)
class Carried:
    """What becomes of one setting: of the old file, of the new one, or of both."""

    old: Setting | None
    new: Setting | None
    fate: Fate
    asked: Chance
    """Whether the new setting is needed and lacks a value: the board stops until it is asked."""

    why: tuple[str, ...] = ()
    """What restricts the fate, in words."""

    @property
    def keys(self) -> str:
        """The full key, or the old and the new one."""
        return _keys(self.old.key if self.old else None, self.new.key if self.new else None)

    offered: bool = False
    """Whether the next dialog asks for it, on some board at least, though no board stops."""

    default: str | None = None
    """What the default does where nothing was stored, in words; None: it stays as it was."""

    @property
    def words(self) -> str:
        """All that there is to say beside the keys and the fate; may be empty."""
        return "; ".join((*self.why, *_then(self)))


@dataclass(frozen=True, slots=True)
class UpdateOutcome:
    """What becomes of the settings, and of the boards."""

    settings: tuple[Carried, ...]
    """Those of the new file in its order, then what is gone.

    Where several old settings serve one new one, each of them has an entry.
    """

    clashes: tuple[Clash, ...]
    """Settings that may have one pin after the update."""

    emptied: Chance
    """Whether the new firmware finds nothing of what is stored."""

    @property
    def stops(self) -> Chance:
        """Whether a board with a complete set does nothing after the update until it is asked."""
        clashes = Chance.PERHAPS if self.clashes else Chance.NEVER
        return max(self.emptied, clashes, *(each.asked for each in self.settings))

    @property
    def loses(self) -> bool:
        """Whether something that people have set may be lost."""
        return any(each.fate in LOST for each in self.settings)

    @property
    def verdict(self) -> UpdateVerdict:
        """What it comes to, by the worst that may happen to a board."""
        if self.stops is not Chance.NEVER:
            return UpdateVerdict.STOPS
        offered = any(each.offered for each in self.settings)
        return UpdateVerdict.QUESTIONS if offered else UpdateVerdict.NOTHING


def carry_over(old: Declaration, new: Declaration) -> UpdateOutcome:
    """Return what becomes of every setting, and of the boards that hold them."""
    update = _Update(old, new)
    found = {_Share.NONE: Chance.ALWAYS, _Share.SOME: Chance.PERHAPS, _Share.ALL: Chance.NEVER}
    return UpdateOutcome(
        _carried(update),
        tuple(pin_clashes(old.schema, new.schema)),
        found[_fit_of_place(old, new).share],
    )


def _carried(update: _Update) -> tuple[Carried, ...]:
    old, new = update.before, update.after
    carried = [
        Carried(
            source,
            setting,
            fate := update.fate(source, setting),
            update.asked(setting),
            fit.why,
            offered=fate in LOST or not update.was_asked(source, setting),
            default=update.default_words(source, setting) if fate not in LOST else None,
        )
        for setting in new.schema.settings
        for source in update.sources[setting.key]
        for fit in (update.fits[source.key],)
    ]
    carried += [
        Carried(
            None,
            setting,
            Fate.NEW,
            update.asked(setting),
            offered=update.active(setting) is not Chance.NEVER,
        )
        for setting in new.schema.settings
        if not update.sources[setting.key]
    ]
    numbers = {setting.key: setting.number for setting in new.schema.settings}
    carried.sort(key=lambda each: numbers[each.new.key] if each.new else -1)
    gone = [
        Carried(setting, None, Fate.DROPPED, Chance.NEVER, ("the new file has no such setting",))
        for setting in old.schema.settings
        if setting.key not in update.fits
    ]
    return (*carried, *gone)


# --------------------------------------------------------------- which values of a field are taken


class _Share(IntEnum):
    """How many of the values that the old field takes the new one takes, too."""

    NONE = 0
    SOME = 1
    ALL = 2


@dataclass(frozen=True, slots=True)
class _Fit:
    share: _Share
    why: tuple[str, ...] = ()
    changed: bool = False
    """Whether a value means something else, or is not even found."""

    def narrowed(self, why: str) -> _Fit:
        """Return the same for values of which some are lost for one more reason."""
        if self.share is _Share.NONE:
            return self
        return _Fit(_Share.SOME, (*self.why, why), self.changed)


_FITS = _Fit(_Share.ALL)


def _fit(old: Field, new: Field, old_schema: Schema, new_schema: Schema) -> _Fit:
    """Return how the values of the old field fit the new one, as convert() and check_value() do."""
    # Zero can be written with any number of digits: it is refused only for what it means.
    if convert(tag(old), new, 0) is None:
        return _Fit(_Share.NONE, (_changed_words(old, new),), changed=True)
    if new.kind not in {Kind.PIN, Kind.CHOICE}:
        return _FITS_BY_KIND.get(new.kind, _fit_of_any)(old, new)
    pins, options = old_schema.pins, old.options
    values: list[Value]
    values = (
        [pin.number for pin in pins] if new.kind is Kind.PIN else [each.key for each in options]
    )
    before = [value for value in values if check_value(old, value, old_schema) is None]
    lost = [value for value in before if check_value(new, value, new_schema) is not None]
    if not lost:
        return _FITS
    words = _pin_words(lost) if new.kind is Kind.PIN else _option_words(lost)
    return _Fit(_share(len(before) - len(lost), len(before)), (words,))


def _fit_of_any(old: Field, new: Field) -> _Fit:
    """Return that all values fit: those of most kinds are the same in every field."""
    del old, new
    return _FITS


def _changed_words(old: Field, new: Field) -> str:
    if old.kind is not new.kind:
        return f"its kind was {_kind(old)} and is {_kind(new)}"
    return f"its unit was {old.unit or 'none'} and is {new.unit or 'none'}"


def _kind(field: Field) -> str:
    return field.kind.name.lower().replace("_", "-")


def _share(fitting: int, total: int) -> _Share:
    if fitting >= total:
        return _Share.ALL
    return _Share.SOME if fitting > 0 else _Share.NONE


def _option_words(lost: Sequence[Value]) -> str:
    be = "is not an option" if len(lost) == 1 else "are not options"
    return f"{_listed(lost)} {be} any more"


def _pin_words(lost: Sequence[Value]) -> str:
    plural = "s" * (len(lost) != 1)
    return f"the pin{plural} {_listed(lost)} cannot be chosen any more"


def _listed(things: Iterable[Value]) -> str:
    *others, last = map(str, things)
    return f"{', '.join(others)} and {last}" if others else last


def _fit_of_number(old: Field, new: Field) -> _Fit:
    """Compare ranges, of decimals with their digits.

    A value that fits is n * step of the old field and n * factor of the new one, n being whole.
    """
    old_digits, new_digits = old.digits or 0, new.digits or 0
    step, factor = 10 ** max(0, old_digits - new_digits), 10 ** max(0, new_digits - old_digits)
    (least, most), (new_least, new_most) = limits(old), limits(new)
    first = max(-(-least // step), -(-new_least // factor))
    last = min(most // step, new_most // factor)
    share = _share(last - first + 1, most - least + 1)
    why = []
    if new_least * step > least * factor or new_most * step < most * factor:
        span = dict.fromkeys(show(new, edge) for edge in (new_least, new_most))
        why.append(f"{' to '.join(span)} now")
    if step > 1:
        why.append(f"at most {new_digits} decimal digit{'s' * (new_digits != 1)} now")
    return _Fit(share, tuple(why)) if share is not _Share.ALL else _FITS


# Each set of characters has all of those behind it (clause 9.1).
_WIDEST_FIRST = (Characters.PRINTABLE, Characters.ASCII, Characters.WORD, Characters.DIGITS)


def _fit_of_sized(old: Field, new: Field) -> _Fit:
    """Compare lengths and characters; every length has values in the fewest characters."""
    (least, most), (new_least, new_most) = limits(old), limits(new)
    what = "byte" if new.kind in {Kind.HEX, Kind.BLOB} else "character"
    why = []
    if new_least > least and new_most < most:
        why.append(f"{new_least} to {new_most} {what}s now")
    elif new_least > least:
        why.append(f"at least {new_least} {what}{'s' * (new_least != 1)} now")
    elif new_most < most:
        why.append(f"at most {new_most} {what}{'s' * (new_most != 1)} now")
    if max(least, new_least) > min(most, new_most):
        return _Fit(_Share.NONE, tuple(why))
    if _WIDEST_FIRST.index(new.characters) > _WIDEST_FIRST.index(old.characters):
        words = str(refusal_words(new, Refusal.CHARACTERS)).removeprefix("must have ")
        why.append(f"{words} now")
    return _Fit(_Share.SOME, tuple(why)) if why else _FITS


def _fit_of_url(old: Field, new: Field) -> _Fit:
    """Compare schemes and lengths; the shortest URL of a scheme has one character of host."""
    most, new_most = limits(old)[1], limits(new)[1]
    shortest = {scheme: len(f"{scheme}://h") for scheme in old.schemes}
    before = [scheme for scheme, length in shortest.items() if length <= most]
    kept = [scheme for scheme in before if scheme in new.schemes and shortest[scheme] <= new_most]
    why = []
    if set(before) - set(new.schemes):
        why.append(f"only {_listed(f'{scheme}://' for scheme in new.schemes)} now")
    if new_most < most:
        why.append(f"at most {new_most} characters now")
    if not kept and before:
        return _Fit(_Share.NONE, tuple(why))
    return _Fit(_Share.SOME, tuple(why)) if why else _FITS


def _fit_of_passphrase(old: Field, new: Field) -> _Fit:
    if is_key_only(new) and not is_key_only(old):
        return _Fit(_Share.SOME, (f"only the key of {LENGTH_OF_KEY} hexadecimal digits now",))
    return _FITS


def _fit_of_address(old: Field, new: Field) -> _Fit:
    kept = old.families & new.families
    if kept == old.families:
        return _FITS
    share = _Share.SOME if kept else _Share.NONE
    return _Fit(share, (f"only IPv{4 if new.families == 1 else 6} now",))


_FITS_BY_KIND: Mapping[Kind, Callable[[Field, Field], _Fit]] = MappingProxyType(
    {
        **dict.fromkeys((Kind.INTEGER, Kind.DECIMAL, Kind.DURATION), _fit_of_number),
        **dict.fromkeys((Kind.TEXT, Kind.SECRET, Kind.HEX, Kind.BLOB, Kind.HOST), _fit_of_sized),
        Kind.URL: _fit_of_url,
        Kind.IP: _fit_of_address,
        Kind.PASSPHRASE: _fit_of_passphrase,
    }
)


# ------------------------------------------------------------------------- the two files together


@dataclass(slots=True)
class _Update:
    """Two declarations, and which old setting serves which new one."""

    before: Declaration
    after: Declaration
    sources: dict[str, list[Setting]] = field(default_factory=dict)
    """New full key to the old settings whose values it takes over, in the order of search."""

    fits: dict[str, _Fit] = field(default_factory=dict)
    """Old full key to how its values fit the new setting that finds them."""

    def __post_init__(self) -> None:
        old, new = self.before.schema, self.after.schema
        for setting in new.settings:
            found = [old.setting(key) for key in (setting.key, *older_keys(setting))]
            sources = [source for source in found if source is not None]
            self.sources[setting.key] = sources
            for position, source in enumerate(sources):
                self.fits[source.key] = self._found(source, setting, sources[:position])

    def fate(self, old: Setting, new: Setting) -> Fate:
        """Return what becomes of the values of an old setting that serves a new one."""
        fit = self.fits[old.key]
        if fit.share is not _Share.ALL:
            lost = Fate.DROPPED if fit.changed else Fate.REFUSED
            return Fate.PARTLY if fit.share is _Share.SOME else lost
        if old.field.digits != new.field.digits:
            return Fate.CONVERTED
        return Fate.KEPT if old.key == new.key else Fate.RENAMED

    def asked(self, new: Setting) -> Chance:
        """Return whether a new setting is required, active, and without a value."""
        schema = self.after.schema
        if not schema.needs_value(new.field) or schema.default_in_force(new.field) is not None:
            return Chance.NEVER
        sources = self.sources[new.key]
        if sources and self._is_held_while_active(new, sources[0]):
            return Chance.NEVER
        surely_lost = all(self.fits[source.key].share is _Share.NONE for source in sources)
        lacking = Chance.ALWAYS if surely_lost else Chance.PERHAPS
        return min(lacking, self.active(new))

    def default_words(self, old: Setting, new: Setting) -> str | None:
        """Return what the new default does where nothing was stored, None if nothing changes."""
        was = self.before.schema.default_in_force(old.field)
        now = self.after.schema.default_in_force(new.field)
        if self._is_always_set(old):
            return None
        kept = None if was is None else convert(tag(old.field), new.field, was)
        if kept == now and (was is None or kept is not None):
            return None
        if now is not None:
            before = "nothing" if was is None else _shown_default(old.field, was)
            return (
                f"where nothing was set, {_shown_default(new.field, now)} counts now, not {before}"
            )
        if new.field.default is None:
            return "where nothing was set, nothing counts any more"
        shown = _shown_default(new.field, new.field.default)
        return f"where nothing was set, {shown} is only proposed now, because of its caution"

    def _found(self, old: Setting, new: Setting, earlier: Sequence[Setting]) -> _Fit:
        """Return how the values fit, and whether the new firmware finds them at all."""
        place = _fit_of_place(self.before, self.after)
        if place.share is _Share.NONE:
            return place
        fit = _fit(old.field, new.field, self.before.schema, self.after.schema)
        for other in earlier:
            if self._is_always_set(other):
                return _Fit(_Share.NONE, (f"the value of {other.key} counts",), changed=True)
            fit = fit.narrowed(f"the value of {other.key} counts where it has one")
        for why in place.why:
            fit = fit.narrowed(why)
        searched = {new.base_key, *new.field.was}
        if unnamed := [key for key in old.field.was if key not in searched]:
            fit = fit.narrowed(
                f"not where it is still stored as {_listed(unnamed)}: name it in `was`"
            )
        return fit

    # ------------------------------------------------------- what is active right after the update

    def active(self, new: Setting) -> Chance:
        """Return whether a setting without a value is active (clause 9.5)."""
        return min(self._in_use(new), self._condition_holds(new))

    def _in_use(self, new: Setting) -> Chance:
        """Return whether its instance is in use, by another setting than itself (clause 8.3)."""
        if _is_in_use_by_itself(new):
            return Chance.ALWAYS
        kept = any(
            self.fits[source.key].share is not _Share.NONE
            for beside in self._beside(new)
            for source in self.sources[beside.key]
        )
        return Chance.PERHAPS if kept else Chance.NEVER

    def _beside(self, new: Setting) -> list[Setting]:
        """Return the other settings of the same instance."""
        return [
            other
            for other in self.after.schema.settings
            if other.section is new.section
            and other.instance == new.instance
            and other.key != new.key
        ]

    def _condition_holds(self, new: Setting) -> Chance:
        condition = new.field.condition
        if condition is None:
            return Chance.ALWAYS
        named = self._named(self.after.schema, new, condition)
        # With a value stored, with none: whether each can be, and then whether the condition holds.
        found = [_holds(condition, self._default(named))]
        surely_set = False
        for source in self.sources[named.key]:
            share = self.fits[source.key].share
            if share is not _Share.NONE:
                values = self._values(source, named)
                met = [_holds(condition, value) for value in values or ()]
                # Of a wide range some value is left out by every list.
                found += met if values is not None else [not condition.values, True]
            if share is _Share.ALL and self._is_always_set(source):
                surely_set = True
                break
        if surely_set:
            del found[0]
        holds = Chance.ALWAYS if all(found) else Chance.PERHAPS if any(found) else Chance.NEVER
        return min(holds, Chance.ALWAYS if named.field.condition is None else self.active(named))

    def _default(self, new: Setting) -> Value | None:
        return self.after.schema.default_in_force(new.field)

    def _is_needed(self, old: Setting) -> bool:
        """Whether an old board has a value stored for a setting wherever it is active."""
        schema = self.before.schema
        return schema.needs_value(old.field) and schema.default_in_force(old.field) is None

    def _is_always_set(self, old: Setting) -> bool:
        """Whether every complete set of the old firmware has a value stored for a setting."""
        unconditional = old.field.condition is None and _is_in_use_by_itself(old)
        return unconditional and self._is_needed(old)

    def _named(self, schema: Schema, setting: Setting, condition: Condition) -> Setting:
        named = schema.setting(key_beside(setting, condition.base_key))
        assert named is not None, "a condition names an earlier field"
        return named

    def _values(self, old: Setting, new: Setting) -> list[Value] | None:
        """Return the values that both take; None if they are too many to count."""
        kind = old.field.kind
        values: list[Value]
        if kind is Kind.YES_NO:
            values = [False, True]
        elif kind is Kind.CHOICE:
            values = [option.key for option in old.field.options]
        elif kind in {Kind.INTEGER, Kind.DURATION} and _span(old.field) <= _MOST_LISTED:
            values = list(range(limits(old.field)[0], limits(old.field)[1] + 1))
        else:
            return None
        return [v for v in values if check_value(new.field, v, self.after.schema) is None]

    def was_asked(self, old: Setting, new: Setting) -> bool:
        """Whether, where the new setting is asked for, the old one was, or has a value."""
        return self._is_held_while_active(new, old) or self._was_active(new, old)

    def _is_held_while_active(self, new: Setting, old: Setting) -> bool:
        """Whether every board on which the new setting is active kept a value of the old one."""
        if self.fits[old.key].share is not _Share.ALL:
            return False
        if self._is_always_set(old):
            return True
        return self._is_needed(old) and self._was_active(new, old)

    def _was_active(self, new: Setting, old: Setting) -> bool:
        """Whether, where the new setting is active, the old one was; False where that is unsure."""
        return self._was_in_use(new, old) and self._did_condition_hold(new, old)

    def _was_in_use(self, new: Setting, old: Setting) -> bool:
        if _is_in_use_by_itself(old):
            return True
        if not _is_in_use_by_itself(new) and self._come_from(self._beside(new), old):
            return True
        # A condition that holds only by a value that was stored in the old instance shows it, too.
        while condition := new.field.condition:
            new = self._named(self.after.schema, new, condition)
            by_value = not _holds(condition, self._default(new))
            if by_value and self.sources[new.key] and self._come_from([new], old):
                return True
        return False

    def _come_from(self, settings: Iterable[Setting], old: Setting) -> bool:
        """Whether all values of these settings come from the instance of the old one."""
        sources = [source for setting in settings for source in self.sources[setting.key]]
        place = (old.section.key, old.instance)
        return all((source.section.key, source.instance) == place for source in sources)

    def _did_condition_hold(self, new: Setting, old: Setting) -> bool:
        was, now = old.field.condition, new.field.condition
        if was is None:
            return True
        return now is not None and self._implies(new, now, old, was)

    def _implies(self, new: Setting, now: Condition, old: Setting, was: Condition) -> bool:
        """Whether, where the new condition holds, the old one held."""
        named_now = self._named(self.after.schema, new, now)
        named_was = self._named(self.before.schema, old, was)
        if [source.key for source in self.sources[named_now.key]] != [named_was.key]:
            return False
        # Whether its instance was in use is the concern of whoever asks.
        if not self._did_condition_hold(named_now, named_was):
            return False
        if was.values:
            # Values that came over from the old firmware.
            values = self._values(named_was, named_now)
            meeting = now.values if values is None else [v for v in values if _holds(now, v)]
            if (values is None and not now.values) or not all(_holds(was, v) for v in meeting):
                return False
        if not _holds(now, self._default(named_now)):
            return True
        # The default counts where nothing was stored, or where what was stored is refused.
        default_was = self.before.schema.default_in_force(named_was.field)
        if not self._is_needed(named_was) and not _holds(was, default_was):
            return False
        return not was.values or self.fits[named_was.key].share is _Share.ALL


_MOST_LISTED = 64


def _span(field: Field) -> int:
    least, most = limits(field)
    return most - least + 1


def _holds(condition: Condition, value: Value | None) -> bool:
    """Whether a condition holds with this value in force (clause 9.5)."""
    return value is not None and (not condition.values or value in condition.values)


def _is_in_use_by_itself(setting: Setting) -> bool:
    repeat, instance = setting.section.repeat, setting.instance
    return repeat is None or instance is None or instance <= repeat.least


def _fit_of_place(before: Declaration, after: Declaration) -> _Fit:
    """Return whether the new firmware finds records where the old one wrote them."""
    old, new = before.board, after.board

    def slots(board: BoardDeclaration) -> set[int]:
        return {board.settings_at + slot * board.slot_size for slot in range(board.slots)}

    def payload_at(board: BoardDeclaration) -> int:
        # On the first program unit after the header.
        return -(-HEADER_SIZE // board.program_unit) * board.program_unit

    if payload_at(old) != payload_at(new):
        why = (
            f"the program unit was {old.program_unit} and is {new.program_unit}, so that nothing of"
            " what is stored is read"
        )
        return _Fit(_Share.NONE, (why,), changed=True)
    kept = slots(old) & slots(new)
    if not kept:
        return _Fit(_Share.NONE, ("the settings lie elsewhere in the flash",), changed=True)
    largest = record_size(largest_payload(before.schema), new.program_unit)
    if kept == slots(old) and min(largest, old.slot_size) <= new.slot_size:
        return _FITS
    return _FITS.narrowed("not where the new file has no slot for the set in force")


# -------------------------------------------------------------------------------------- the words


def _keys(old: str | None, new: str | None) -> str:
    if old is None or new is None or old == new:
        return old or new or ""
    return f"{old} -> {new}"


_LONGEST_DEFAULT = 40  # characters of it in a line


def _then(carried: Carried) -> list[str]:
    """Return what follows from the fate, in words."""
    old, new, fate, asked = carried.old, carried.new, carried.fate, carried.asked
    if new is None:
        return []
    said = []
    if fate is Fate.CONVERTED:
        said.append(f"to {new.field.digits} decimal digit{'s' * (new.field.digits != 1)}")
    if old is not None and fate not in {Fate.REFUSED, Fate.DROPPED}:
        if old.field.is_secret and not new.field.is_secret:
            said.append("it was a secret, and everybody can read it from the board now")
        if old.field.condition is None and new.field.condition is not None:
            said.append(f"it counts only {_condition_words(new.field.condition)} now")
    if carried.default is not None:
        said.append(carried.default)
    if asked is Chance.ALWAYS:
        said.append("the board stops until it is asked")
    elif asked is Chance.PERHAPS:
        said.append(_PERHAPS_ASKED.get(fate, "the board stops where it has no value"))
    elif fate in LOST | {Fate.NEW}:
        said.append(("else " if fate is Fate.PARTLY else "") + _default_words(new.field))
    return said


_PERHAPS_ASKED: Mapping[Fate, str] = MappingProxyType(
    {
        Fate.PARTLY: "else the board stops until it is asked",
        Fate.REFUSED: "the board stops where it is needed",
        Fate.DROPPED: "the board stops where it is needed",
        Fate.NEW: "the board stops where it is needed",
    }
)


def _default_words(field: Field) -> str:
    if field.default is None:
        return "it has no value" if not field.required else "it has no value until it is needed"
    return f"the default counts: {_shown_default(field, field.default)}"


def _shown_default(field: Field, value: Value) -> str:
    shown = show(field, value)
    if len(shown) > _LONGEST_DEFAULT:
        shown = f"{shown[:_LONGEST_DEFAULT]}…"
    return shown or "an empty value"


def _condition_words(condition: Condition) -> str:
    if not condition.values:
        return f"where {condition.base_key} has a value"
    words = [("no", "yes")[v] if isinstance(v, bool) else v for v in condition.values]
    return f"where {condition.base_key} is {_listed(words)}"


_WILL_BE_ASKED = "new, and needed"


def _group(carried: Carried) -> str:
    is_new_question = carried.fate is Fate.NEW and carried.asked is not Chance.NEVER
    return _WILL_BE_ASKED if is_new_question else carried.fate.value


_GROUPS = tuple(
    _WILL_BE_ASKED if fate is None else fate.value
    for fate in (
        *(Fate.KEPT, Fate.RENAMED, Fate.CONVERTED, Fate.PARTLY, Fate.REFUSED, Fate.DROPPED),
        *(None, Fate.NEW),
    )
)


def lines(update: UpdateOutcome) -> list[str]:
    """Return the text for people: one line for each setting, in groups, and what it comes to.

    Instances of a section to which the same happens share a line.
    """
    said = []
    for group in _GROUPS:
        members = [each for each in update.settings if _group(each) == group]
        if not members:
            continue
        rows = _rows(members)
        width = max(len(keys) for keys, _ in rows)
        said.append(f"{group.capitalize()}:")
        said += [f"  {keys:{width}}  {words}".rstrip() for keys, words in rows]
        said.append("")
    if update.clashes:
        said += ["On one pin:", *(f"  {clash.words}" for clash in update.clashes), ""]
    return [*said, summary(update)]


def _rows(members: Sequence[Carried]) -> list[tuple[str, str]]:
    """Return keys and words, instances with the same words together, in the order of the first."""
    together: dict[object, list[Carried]] = {}
    for each in members:
        sort = [(s.base_key, s.instance is None) if s else None for s in (each.old, each.new)]
        together.setdefault((*sort, each.words), []).append(each)
    return [
        (
            _keys(_range([e.old for e in alike if e.old]), _range([e.new for e in alike if e.new])),
            alike[0].words,
        )
        for alike in together.values()
    ]


def _range(settings: Sequence[Setting]) -> str | None:
    """Return the full key of settings of one field: `probe.1-3.place` for three instances."""
    if not settings:
        return None
    first = settings[0]
    if first.instance is None:
        return first.key
    numbers = [s.instance for s in settings if s.instance is not None]
    spans = []
    for _, run in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0]):
        span = [number for _, number in run]
        spans.append(f"{span[0]}-{span[-1]}" if len(span) > 1 else f"{span[0]}")
    return f"{first.section.key}.{','.join(spans)}.{first.field.key}"


def summary(update: UpdateOutcome) -> str:
    """Return what it comes to, in two sentences: for what people have set, and for the boards."""
    return f"{_loss_words(update.settings)}. {_VERDICT_WORDS[update.verdict, update.stops]}"


_VERDICT_WORDS: Mapping[tuple[UpdateVerdict, Chance], str] = MappingProxyType(
    {
        (
            UpdateVerdict.NOTHING,
            Chance.NEVER,
        ): "Nothing has to be done: every board goes on working.",
        (UpdateVerdict.QUESTIONS, Chance.NEVER): (
            "There are new questions for the next dialog; until then every board goes on working."
        ),
        (UpdateVerdict.STOPS, Chance.PERHAPS): (
            "Boards may stop working, until somebody connects them and answers what is missing:"
            " that depends on what people have set."
        ),
        (UpdateVerdict.STOPS, Chance.ALWAYS): (
            "Every board stops working until somebody connects it and answers what is missing."
        ),
    }
)


def _loss_words(carried: Sequence[Carried]) -> str:
    set_before = [each for each in carried if each.old is not None]
    surely = sum(each.fate in {Fate.REFUSED, Fate.DROPPED} for each in set_before)
    partly = sum(each.fate is Fate.PARTLY for each in set_before)
    if surely or partly:
        counts = [f"{surely} {'loses its value' if surely == 1 else 'lose their values'}"]
        if partly:
            theirs = "its value" if partly == 1 else "theirs" if surely else "their values"
            counts = [*counts[: bool(surely)], f"{partly} may lose {theirs}"]
        return f"Of {_settings(len(set_before))} that people may have set, {_listed(counts)}"
    return "Nothing that people have set is lost"


def _settings(count: int) -> str:
    return f"{count} setting{'s' * (count != 1)}"


# ------------------------------------------------------------------------------------ the command


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what `provision carry-over` takes."""
    parser.add_argument("old", type=Path, metavar="OLD", help="the schema file that boards have")
    parser.add_argument("new", type=Path, metavar="NEW", help="the schema file of the update")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    parser.add_argument(
        "--allow",
        action="append",
        choices=("stop", "loss"),
        default=[],
        help="end with 0 even if boards may stop, or even if something may be lost; may be given"
        " twice",
    )
    parser.epilog = (
        "Exit code 0: every board goes on working with what people have set, though the next dialog"
        " may have new questions; 1: something that people have set may be lost, or a file has"
        " mistakes; 2: the command line is wrong; 7: boards may stop working until they are asked,"
        " whatever else is lost."
    )


FINE, LOSES, MISTAKES, STOPS = 0, 1, 1, 7
"""Exit codes; 7 as of every command that leaves a board with settings it does not work with."""


def run(arguments: argparse.Namespace) -> int:
    """Compare the two files, print the result, and return the exit code."""
    declarations, wrong = [], []
    for path in (arguments.old, arguments.new):
        try:
            declarations.append(load_declaration(path))
        except FileMistakes as error:
            # With the whole path: both files often have one name.
            wrong.append(FileMistakes(str(path), error.mistakes))
    if wrong:
        _print_mistakes(wrong, as_json=arguments.json)
        return MISTAKES
    old, new = declarations
    update = carry_over(old, new)
    if arguments.json:
        _print_json(_as_json(old, new, update))
    else:
        heading = f"{_version(old)} -> {_version(new)}\n\n"
        sys.stdout.write(heading + "\n".join(lines(update)) + "\n")
    if update.verdict is UpdateVerdict.STOPS and "stop" not in arguments.allow:
        return STOPS
    return LOSES if update.loses and "loss" not in arguments.allow else FINE


def _version(declaration: Declaration) -> str:
    return f"{declaration.firmware_name} {declaration.firmware_version}"


def _as_json(old: Declaration, new: Declaration, update: UpdateOutcome) -> dict[str, Any]:
    return {
        "old": _version(old),
        "new": _version(new),
        "verdict": update.verdict.value,
        "stops": update.stops.name.lower(),
        "lost": update.loses,
        "words": summary(update),
        "pins": [
            {
                "later": clash.later.key,
                "earlier": clash.earlier.key,
                "pin": clash.pin,
                "words": clash.words,
            }
            for clash in update.clashes
        ],
        "settings": [
            {
                "old": each.old and each.old.key,
                "new": each.new and each.new.key,
                "fate": each.fate.value,
                "asked": each.asked.name.lower(),
                "words": each.words,
            }
            for each in update.settings
        ],
    }


def _print_mistakes(wrong: Sequence[FileMistakes], *, as_json: bool) -> None:
    if not as_json:
        sys.stderr.write("\n".join(map(str, wrong)) + "\n")
        return
    _print_json(
        {
            "mistakes": [
                {
                    "file": error.name,
                    "line": mistake.line,
                    "column": mistake.column,
                    "where": mistake.where,
                    "wrong": mistake.wrong,
                    "fix": mistake.fix,
                }
                for error in wrong
                for mistake in error.mistakes
            ]
        }
    )


def _print_json(value: object) -> None:
    is_unicode = (sys.stdout.encoding or "").casefold().startswith("utf")
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=not is_unicode) + "\n")
