# SPDX-License-Identifier: MIT
"""Which settings may have one pin after an update: found by looking for a set that leads to it.

A pair is reported with the pin and the way to it where some complete set of the old firmware, as an
old board admits it, has both settings on that pin under the new one (clauses 9.6 and 10). What such
a set can look like is tried: how each of the two gets the pin, stored or by default, and the values
of the settings that decide whether they apply. The rest is filled in as an old board needs it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice, product

from provision.board.store import pack_values, unpack_values
from provision.contract.table import Kind, Refusal
from provision.schema.constraints import active, defect, in_force, key_beside, missing
from provision.schema.migration import convert, older_keys, tag
from provision.schema.model import Field, Schema, Setting, Value
from provision.schema.table import LENGTH_OF_KEY
from provision.schema.values import check_value, is_key_only, limits

_MOST_TRIED = 4096  # sets for one pair and pin; beyond, it is taken to be possible
_MOST_STEPS = 1000  # settings filled in for one of them; beyond, it is given up

_Chosen = Mapping[str, Value | None]
"""Of the old firmware, by full key: what is stored; None: nothing."""


@dataclass(frozen=True, slots=True)
class Clash:
    """Two settings of the new firmware that may have one pin, and how each comes to it."""

    later: Setting
    earlier: Setting
    pin: int
    by_default: tuple[Setting, ...]
    """Those of the two that have the pin by their defaults: nobody has chosen it for them."""

    example: Mapping[str, Value] | None = field(repr=False)
    """A complete set of the old firmware that leads to it; None: too many were tried."""

    @property
    def words(self) -> str:
        """Say it in one sentence, with both keys."""
        keys = f"{self.later.key} and {self.earlier.key}"
        defaults = [setting.key for setting in self.by_default]
        if not defaults:
            how = "as people have set them"
        elif len(defaults) == len((self.later, self.earlier)):
            how = "by their defaults"
        else:
            chosen = self.earlier if self.by_default[0] is self.later else self.later
            how = f"where {chosen.key} was set to it, which is the default of {defaults[0]} now"
        return f"{keys} may both have the pin {self.pin}, {how}"


def pin_clashes(old: Schema, new: Schema) -> list[Clash]:
    """Return one for each two fields that may have one pin; of instances the first two."""
    search = _Search(old, new)
    pins = [setting for setting in new.settings if setting.field.kind is Kind.PIN]
    judged = set()
    found = []
    for number, later in enumerate(pins):
        for earlier in pins[:number]:
            if later.field.shares and earlier.field.shares:
                continue
            alike = (search.sort(later), search.sort(earlier), later.instance == earlier.instance)
            if alike not in judged:
                judged.add(alike)
                found += search.clash(later, earlier)
    return found


class _Search:
    """Two schemas, and which old settings serve a new one, in the order of search."""

    def __init__(self, old: Schema, new: Schema) -> None:
        self._old, self._new = old, new
        self._sources: dict[str, list[Setting]] = {}
        for setting in new.settings:
            named = (old.setting(key) for key in (setting.key, *older_keys(setting)))
            self._sources[setting.key] = [source for source in named if source is not None]

    def sort(self, setting: Setting) -> object:
        """Return what tells a setting from other instances of its field, as far as it matters."""
        sources = self._sources[setting.key]
        return (
            setting.base_key,
            _is_in_use(setting),
            tuple((source.base_key, _is_in_use(source)) for source in sources),
        )

    def clash(self, later: Setting, earlier: Setting) -> list[Clash]:
        """Return the clash of two settings, an empty list where there can be none."""
        for pin in self._pins(later, earlier):
            ways = product(self._ways(later, pin), self._ways(earlier, pin))
            for (one, one_by_default), (other, other_by_default) in ways:
                if any(other.get(key, value) != value for key, value in one.items()):
                    continue
                both = {**one, **other}
                by_default = [
                    s for s, so in ((later, one_by_default), (earlier, other_by_default)) if so
                ]
                for example in self._examples(later, earlier, pin, both):
                    return [Clash(later, earlier, pin, tuple(by_default), example)]
        return []

    def _pins(self, later: Setting, earlier: Setting) -> list[int]:
        """Return pins for both: of those between which nothing makes a difference, the first."""
        defaults = {
            s.field.default
            for schema in (self._old, self._new)
            for s in schema.settings
            if s.field.kind is Kind.PIN
        }
        sources = [*self._sources[later.key], *self._sources[earlier.key]]
        found: dict[object, int] = {}
        for pin in self._new.pins:
            number = pin.number
            if any(check_value(s.field, number, self._new) for s in (later, earlier)):
                continue
            taken = tuple(check_value(source.field, number, self._old) for source in sources)
            found.setdefault((taken, number if number in defaults else None), number)
        return list(found.values())

    def _ways(self, setting: Setting, pin: int) -> Iterator[tuple[_Chosen, bool]]:
        """Yield what has to be stored so that a setting has this pin, and whether by default."""
        sources = self._sources[setting.key]
        none_before: dict[str, Value | None] = {}
        for source in sources:
            fits = source.field.kind is Kind.PIN and tag(source.field) == tag(setting.field)
            if fits and check_value(source.field, pin, self._old) is None:
                yield {**none_before, source.key: pin}, False
            if self._new.default_in_force(setting.field) == pin:
                refused = self._refused(source, setting)
                if refused is not None:
                    yield {**none_before, source.key: refused}, True
            none_before[source.key] = None
        if self._new.default_in_force(setting.field) == pin:
            yield none_before, True

    def _refused(self, source: Setting, setting: Setting) -> Value | None:
        """Return a value of an old setting that the new one does not take."""
        values: Sequence[Value] = [some_value(source.field, self._old)]
        if source.field.kind is Kind.PIN:
            values = _free_pins(source.field, self._old)
        for value in values:
            now = convert(tag(source.field), setting.field, value)
            if now is None or check_value(setting.field, now, self._new) is not None:
                return value
        return None

    def _examples(
        self, later: Setting, earlier: Setting, pin: int, chosen: _Chosen
    ) -> Iterator[Mapping[str, Value] | None]:
        """Yield sets of the old firmware with which the new one has both on the pin."""
        domains = self._deciders((later, earlier), chosen)
        tried = 0
        for values in islice(product(*domains.values()), _MOST_TRIED):
            tried += 1
            fixed = {**chosen, **dict(zip(domains, values, strict=True))}
            stored = self._completed(fixed)
            if stored is not None and self._has_both(later, earlier, pin, stored):
                yield stored
        if tried == _MOST_TRIED:
            yield None

    def _has_both(
        self, later: Setting, earlier: Setting, pin: int, stored: Mapping[str, Value]
    ) -> bool:
        """Whether the new firmware has both on the pin after an old board stored this."""
        carried = unpack_values(self._new, pack_values(self._old, stored)).values
        applying, values = active(self._new, carried), in_force(self._new, carried)
        return all(s.key in applying and values.get(s.key) == pin for s in (later, earlier))

    # -------------------------------------------------------------- what decides, what is filled in

    def _deciders(self, pair: Sequence[Setting], chosen: _Chosen) -> dict[str, list[Value | None]]:
        """Return the old settings on which it hangs whether the two apply, with values to try."""
        domains: dict[str, list[Value | None]] = {}
        for setting in pair:
            deciding = [
                source
                for named in _chain(self._new, setting)
                for source in self._sources[named.key]
            ]
            for source in self._sources[setting.key]:
                deciding += _chain(self._old, source)
            if not _is_in_use(setting):
                deciding += self._beside(setting)[:1]
            for source in deciding:
                if source.key not in chosen:
                    domains[source.key] = [None, *self._telling(source)]
        return domains

    def _beside(self, setting: Setting) -> list[Setting]:
        """Return old settings whose values put the instance of a new one in use."""
        return [
            source
            for other in self._new.settings
            if other.section is setting.section and other.instance == setting.instance
            for source in self._sources[other.key]
            if self._is_kept(source, other)
        ]

    def _is_kept(self, source: Setting, setting: Setting) -> bool:
        value = convert(tag(source.field), setting.field, some_value(source.field, self._old))
        return value is not None and check_value(setting.field, value, self._new) is None

    def _telling(self, source: Setting) -> list[Value]:
        """Return values between which the conditions of both versions tell, one of each sort."""
        declared = source.field
        if declared.kind is Kind.YES_NO:
            return [False, True]
        if declared.kind is Kind.CHOICE:
            return [option.key for option in declared.options]
        if declared.kind is Kind.PIN:
            return list(_free_pins(declared, self._old)[:1])
        listed = {
            value
            for schema in (self._old, self._new)
            for each in schema.settings
            if each.field.condition is not None
            for value in each.field.condition.values
            if type(value) is int and check_value(declared, value, self._old) is None
        }
        if declared.kind not in (Kind.INTEGER, Kind.DURATION):
            return [some_value(declared, self._old)]
        least, most = limits(declared)
        others = (n for n in range(least, min(most, least + len(listed)) + 1) if n not in listed)
        return [*sorted(listed), *islice(others, 1), most]

    def _completed(self, fixed: _Chosen) -> dict[str, Value] | None:
        """Return a set that an old board admits, with what is fixed; None if there is none."""
        stored = {key: value for key, value in fixed.items() if value is not None}
        steps = [0]
        return self._fill(stored, fixed, steps)

    def _fill(
        self, stored: dict[str, Value], fixed: _Chosen, steps: list[int]
    ) -> dict[str, Value] | None:
        """Give the first setting that lacks a value one, and go on; pins, where one is free."""
        steps[0] += 1
        lacking = missing(self._old, stored)
        if lacking is None:
            fault = defect(self._old, stored)
            return stored if fault is None else None
        setting = self._old.setting(lacking)
        if setting is None or lacking in fixed or steps[0] > _MOST_STEPS:
            return None
        if setting.field.kind is not Kind.PIN:
            return self._fill(
                {**stored, lacking: some_value(setting.field, self._old)}, fixed, steps
            )
        for number in _free_pins(setting.field, self._old):
            tried = {**stored, lacking: number}
            fault = defect(self._old, tried)
            if fault is None or fault.code is Refusal.MISSING:
                filled = self._fill(tried, fixed, steps)
                if filled is not None:
                    return filled
        return None


def _chain(schema: Schema, setting: Setting) -> Iterator[Setting]:
    """Yield the settings that decide, one after the other, whether one applies (clause 9.5)."""
    condition = setting.field.condition
    while condition is not None:
        named = schema.setting(key_beside(setting, condition.base_key))
        assert named is not None, "a condition names an earlier field"
        yield named
        setting, condition = named, named.field.condition


def _is_in_use(setting: Setting) -> bool:
    """Whether the instance of a setting is in use whatever is set (clause 8.3)."""
    repeat, instance = setting.section.repeat, setting.instance
    return repeat is None or instance is None or instance <= repeat.least


def _free_pins(declared: Field, schema: Schema) -> list[int]:
    return [p.number for p in schema.pins if check_value(declared, p.number, schema) is None]


def some_value(declared: Field, schema: Schema) -> Value:
    """Return a value that a field takes."""
    least, most = limits(declared)
    match declared.kind:
        case Kind.YES_NO:
            return False
        case Kind.CHOICE:
            return declared.options[0].key
        case Kind.PIN:
            return _free_pins(declared, schema)[0]
        case Kind.PASSPHRASE:
            return "0" * (LENGTH_OF_KEY if is_key_only(declared) else 8)
        case Kind.NETWORK_NAME | Kind.HEX | Kind.BLOB:
            return bytes(max(least, 1))
        case Kind.IP:
            return bytes(4 if declared.families & 1 else 16)
        case Kind.HOST:
            return "h"
        case Kind.URL:
            fitting = (f"{scheme}://h" for scheme in declared.schemes)
            return next(url for url in fitting if len(url) <= most)
        case Kind.TIME_ZONE:
            return "UTC0"
        case Kind.TEXT | Kind.SECRET:
            return "0" * max(least, 1)
        case _:
            return least
