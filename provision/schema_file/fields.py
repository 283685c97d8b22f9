# SPDX-License-Identifier: MIT
"""The sections and fields of a schema file, each read by itself.

What one field says about another (its condition, its network) is left to schema_file/checks.py.
"""

from __future__ import annotations

import ipaddress
import re
from contextlib import suppress
from dataclasses import dataclass, replace

from provision.contract.table import (
    MAX_KEY,
    Ability,
    Characters,
    Kind,
    Refusal,
)
from provision.schema import table as limits
from provision.schema.model import Field, Option, Repeat, Schema, Value
from provision.schema.table import KEYS_OF_KINDS, KIND_LIMITS, VALUE_TYPES, FieldKey
from provision.schema.time_zones import is_tz_string, zones
from provision.schema.values import check_value, refusal_words
from provision.schema_file import reader as reading
from provision.schema_file.reader import NotedError, Reader, Spot, Table

KINDS = {kind.name.lower().replace("_", "-"): kind for kind in Kind}
ABILITIES = {(ability.name or "").lower().replace("_", "-"): ability for ability in Ability}
EVERY_ABILITY = Ability(sum(Ability))
CHARACTERS = {characters.name.lower(): characters for characters in Characters}

EVERY_KIND = ("key", "kind", "label", "help", "required", "caution", "asked-if", "was")
OF_KIND: dict[Kind, tuple[str, ...]] = {
    kind: tuple(
        "key-only" if (kind, key) == (Kind.PASSPHRASE, FieldKey.MINIMUM) else key.name.lower()
        for key in keys
        if key is not FieldKey.REQUIRED
    )
    for kind, keys in KEYS_OF_KINDS.items()
}
OF_KIND[Kind.BLOB] += ("kept",)  # the firmware's affair: a schema has no key for it
_EVERY_ATTRIBUTE = tuple(
    dict.fromkeys((*EVERY_KIND, *(name for names in OF_KIND.values() for name in names)))
)
MEASURED = frozenset(
    kind for kind in Kind if "maximum" in OF_KIND[kind] and VALUE_TYPES[kind] is not int
)
"""Kinds whose limits are lengths in bytes."""

FAMILIES = {4: 1, 6: 2}
_SCHEME = re.compile(rf"{limits.SCHEME_PATTERN}\Z")  # RFC 3986 §3.1, in lower case


_NO_PINS = Schema("", ())


@dataclass(slots=True, eq=False)
class FieldDraft:
    """A field as far as it could be read: no key, or no field, where that was a mistake."""

    table: Table
    section: SectionDraft
    key: str | None
    was: tuple[str, ...] = ()
    field: Field | None = None

    @property
    def base_key(self) -> str | None:
        """The base key (clause 8.2), where both parts could be read."""
        return f"{self.section.key}.{self.key}" if self.section.key and self.key else None


@dataclass(slots=True, eq=False)
class SectionDraft:
    """A section as far as it could be read."""

    table: Table
    key: str | None
    label: str | None
    help: str | None
    repeat: Repeat | None
    fields: list[FieldDraft]


def read_section(table: Table, pins: Schema | None) -> SectionDraft:
    """Read one [[section]].

    Of the schema only the pins count; None if they are not all known, because of a mistake.
    """
    table.only(("key", "label", "help", "repeat", "field"))
    draft = SectionDraft(
        table,
        table.get("key", reading.key(limits.MAX_KEY_PART), 'a key, such as `key = "siren"`'),
        table.get(
            "label", reading.text(limits.MAX_LABEL), "what a person reads above the questions"
        ),
        table.get("help", reading.paragraph(limits.MAX_HELP)),
        table.get("repeat", _repeat),
        [],
    )
    fields = table.get("field", reading.some_tables, "a [[section.field]] below the section") or []
    if len(fields) > limits.MAX_SECTION_FIELDS:
        fields[limits.MAX_SECTION_FIELDS].report.add(
            fields[limits.MAX_SECTION_FIELDS].path,
            f"the section has {len(fields)} fields",
            f"divide it, for {limits.MAX_SECTION_FIELDS} at most",
        )
    for each in fields[: limits.MAX_SECTION_FIELDS]:
        draft.fields.append(_read_field(each, draft, pins))
    return draft


def _repeat(spot: Spot) -> Repeat:
    table = reading.table(spot)
    table.only(("least", "most"))
    least = table.get(
        "least", reading.integer(0, limits.MAX_INSTANCES), "`least`, such as `least = 1`"
    )
    most = table.get("most", reading.integer(1, limits.MAX_INSTANCES), "`most`, such as `most = 4`")
    if least is None or most is None:
        raise NotedError
    if least > most:
        raise spot.wrong(f"`least` is {least} and `most` {most}", "make `most` the larger one")
    return Repeat(least, most)


def _read_field(table: Table, section: SectionDraft, pins: Schema | None) -> FieldDraft:
    draft = FieldDraft(
        table,
        section,
        table.get("key", reading.key(limits.MAX_KEY_PART), 'a key, such as `key = "relay"`'),
    )
    _check_full_key(draft)
    label = table.get(
        "label", reading.text(limits.MAX_LABEL), "what a person reads before the answer"
    )
    draft.was = tuple(table.get("was", _was(draft)) or ())
    kind = table.get("kind", reading.word(KINDS), f"one of the kinds {reading.listed(KINDS)}")
    field = Field(
        key=draft.key or "",
        kind=kind or Kind.YES_NO,
        label=label or "?",
        help=table.get("help", reading.paragraph(limits.MAX_HELP)),
        required=table.get("required", reading.flag) or False,
        caution=table.get("caution", reading.paragraph(limits.MAX_CAUTION)),
        was=draft.was,
    )
    if kind is None:
        table.only(_EVERY_ATTRIBUTE)
        return draft
    _check_attributes(table, kind)
    draft.field = _with_default(table, _of_kind(table, field, section.key), pins)
    return draft


def _check_full_key(draft: FieldDraft) -> None:
    if draft.base_key is None:
        return
    repeat = draft.section.repeat
    full = f"{draft.section.key}.{repeat.most}.{draft.key}" if repeat else draft.base_key
    if len(full) > MAX_KEY:
        draft.table.wrong(
            "key",
            f"the full key `{full}` has {len(full)} characters",
            f"shorten a part of it, for {MAX_KEY} at most",
        )


def _was(draft: FieldDraft) -> Reader[list[str]]:
    """Return a reader of older keys: base keys, or keys of the same section by themselves."""

    def read_one(spot: Spot) -> str:
        if not isinstance(spot.value, str):
            raise spot.wrong_type('write a key, as in `was = ["old-key"]`')
        section, dot, name = spot.value.rpartition(".")
        reading.key_text(spot, name, limits.MAX_KEY_PART)
        if dot:
            reading.key_text(spot, section, limits.MAX_KEY_PART)
            return spot.value
        # Without a key of its own the section has a mistake already.
        return f"{draft.section.key or '?'}.{name}"

    return reading.list_of(read_one, limits.MAX_OLDER_KEYS)


def _check_attributes(table: Table, kind: Kind) -> None:
    """Note the attributes that no field has, and those that this kind does not have."""
    name = _name(kind)
    secret = "`secret`" if kind is not Kind.PASSPHRASE else "`passphrase`"
    for attribute in table.content:
        if attribute in EVERY_KIND or attribute in OF_KIND[kind]:
            continue
        if attribute == "default" and kind in (Kind.SECRET, Kind.PASSPHRASE):
            table.wrong("default", f"a field of kind {secret} has a default", _NO_DEFAULT)
        elif attribute in _EVERY_ATTRIBUTE:
            kinds = [_name(each) for each, names in OF_KIND.items() if attribute in names]
            table.wrong(
                attribute,
                f"`{attribute}` does not belong to kind `{name}`",
                f"leave it out, since it belongs to {reading.listed(kinds)}",
            )
        else:
            known = (*EVERY_KIND, *OF_KIND[kind])
            table.wrong(
                attribute, f"there is no key `{attribute}` here", reading.nearest(attribute, known)
            )
    if kind is Kind.PASSPHRASE and table.content.get("required") is True:
        table.wrong(
            "required",
            "a passphrase is required",
            "leave `required` out, since an open network has no passphrase",
        )


_NO_DEFAULT = "leave it out, since every copy of the firmware would have it, for all to read"


def _of_kind(table: Table, field: Field, section_key: str | None) -> Field:
    """Return the field with the attributes that only its kind has."""
    kind = field.kind
    if kind in (Kind.TEXT, Kind.SECRET):
        characters = table.get("characters", reading.word(CHARACTERS))
        field = replace(
            field, characters=Characters.PRINTABLE if characters is None else characters
        )
    elif kind is Kind.CHOICE:
        options = table.get("options", _options, "`options = [ { key = …, label = … }, … ]`")
        field = replace(field, options=tuple(options or ()))
    elif kind is Kind.PIN:
        needs = table.get("needs", abilities, 'what the pin must do, as in `needs = ["out"]`')
        shares = table.get("shares", reading.flag) or False
        field = replace(field, needs=needs or Ability(0), shares=shares)
    elif kind is Kind.PASSPHRASE:
        network = table.get(
            "network",
            reading.key(limits.MAX_KEY_PART),
            "`network`, the key of its network-name field",
        )
        field = replace(
            field,
            required=False,
            network=network and f"{section_key or '?'}.{network}",
            minimum=limits.LENGTH_OF_KEY if table.get("key-only", reading.flag) else None,
        )
    elif kind is Kind.URL:
        schemes = table.get(
            "schemes",
            reading.list_of(_scheme, limits.MAX_SCHEMES),
            '`schemes`, as in `schemes = ["https"]`',
        )
        field = replace(field, schemes=tuple(schemes or ()))
    elif kind is Kind.IP:
        families = table.get("families", reading.list_of(_family, 2))
        field = replace(field, families=sum(families) if families else 3)
    elif kind is Kind.DECIMAL:
        digits = table.get(
            "digits",
            reading.integer(limits.MIN_DIGITS, limits.MAX_DIGITS),
            f"`digits`, {limits.MIN_DIGITS} to {limits.MAX_DIGITS} of them",
        )
        field = replace(
            field, digits=digits or 1, unit=table.get("unit", reading.text(limits.MAX_UNIT))
        )
    elif kind is Kind.INTEGER:
        field = replace(field, unit=table.get("unit", reading.text(limits.MAX_UNIT)))
    elif kind is Kind.DURATION:
        unit = table.get(
            "unit", reading.word({"ms": "ms", "s": "s"}), "the unit in which it counts, `ms` or `s`"
        )
        field = replace(field, unit=unit or "ms")
    elif kind in (Kind.HEX, Kind.BLOB):
        field = replace(field, secret=table.get("secret", reading.flag) or False)
        field = replace(field, kept=kind is Kind.BLOB and _is_kept(table))
    return _with_limits(table, field)


def _is_kept(table: Table) -> bool:
    kept = table.get("kept", reading.word({"flash": True})) or False
    if kept and "default" in table.content:
        table.wrong(
            "default",
            "a value that is kept in flash has a default",
            "leave it out, since the firmware has its own bytes in flash already",
        )
    return kept


def _with_limits(table: Table, field: Field) -> Field:
    if "maximum" not in OF_KIND[field.kind]:
        return field
    read_least: Reader[int]
    read_most: Reader[int]
    needed = None
    if field.kind in MEASURED:
        longest = KIND_LIMITS[field.kind][1]
        read_least, read_most = reading.integer(0, longest), reading.integer(1, longest)
        if field.kind not in (Kind.HOST, Kind.URL):
            needed = f"`maximum`, the longest length in bytes, at most {longest:,}"
    else:
        read_least = read_most = _number_reader(table, field)
    least = table.get("minimum", read_least) if "minimum" in OF_KIND[field.kind] else None
    most = table.get("maximum", read_most, needed)
    if least is not None and most is not None and least > most:
        table.wrong("minimum", "`minimum` is above `maximum`", "swap them, or correct one")
        least = None
    return replace(field, minimum=least, maximum=most)


def _number_reader(table: Table, field: Field) -> Reader[int]:
    """Return the reader of a number as this field writes it."""
    if field.kind is Kind.DECIMAL:
        # Without a good `digits` nothing can be said about too many of them.
        return reading.decimal(field.digits or 1) if table.good("digits") else _unreadable_number
    if field.kind is Kind.DURATION:
        return reading.duration(field.unit or "ms") if table.good("unit") else _unreadable_number
    return reading.integer(limits.LEAST_INTEGER, limits.GREATEST_INTEGER)


def _unreadable_number(_spot: Spot) -> int:
    """Give up: what the number would mean was a mistake, noted already."""
    raise NotedError


def _with_default(table: Table, field: Field, pins: Schema | None) -> Field:
    if not table.good("default") or "default" not in OF_KIND[field.kind]:
        return field
    if field.secret:
        table.wrong("default", "a secret has a default", _NO_DEFAULT)
        return field
    if not limits_good(table, field.kind):
        return field
    value = table.get("default", value_of(table, field))
    if value is None:
        return field
    if pins is None and field.kind is Kind.PIN:
        return field
    refusal = check_value(field, value, pins or _NO_PINS)
    if refusal is None:
        return replace(field, default=value)
    table.wrong("default", "the field does not take its own default", words(field, refusal))
    return field


def limits_good(table: Table, kind: Kind) -> bool:
    """Return whether what decides about a value of this field was free of mistakes."""
    of_kind = set(OF_KIND[kind]) - {"default", "shares", "secret"}
    if kind is not Kind.DURATION:
        of_kind.discard("unit")
    return not table.bad & of_kind


def words(field: Field, refusal: Refusal) -> str:
    """Return a refusal in words that end a sentence about a mistake."""
    return f"it {refusal_words(field, refusal)}"


def value_of(table: Table, field: Field) -> Reader[Value]:
    """Return the reader of a value of the field, as this file writes values of its kind."""
    readers: dict[Kind, Reader[Value]] = {
        **{
            kind: reading.integer(*KIND_LIMITS[kind])
            for kind in (Kind.INTEGER, Kind.PIN, Kind.PORT)
        },
        Kind.YES_NO: reading.flag,
        Kind.NETWORK_NAME: _network_name,
        Kind.IP: _address,
        Kind.TIME_ZONE: _time_zone,
        Kind.HEX: _hex,
        Kind.BLOB: _hex,
    }
    if field.kind in (Kind.DECIMAL, Kind.DURATION):
        return _number_reader(table, field)
    return readers.get(field.kind, plain_text)


def plain_text(spot: Spot) -> str:
    """Read text of any length and with any characters."""
    if isinstance(spot.value, str):
        return spot.value
    raise spot.wrong_type("write text, in quotes")


def _network_name(spot: Spot) -> bytes:
    return plain_text(spot).encode()


def _address(spot: Spot) -> bytes:
    address = plain_text(spot)
    with suppress(ValueError):
        if "%" not in address:  # the zone of RFC 4007 means something on one computer alone
            return ipaddress.ip_address(address).packed
    raise spot.wrong(
        f"`{reading.shown(address)}` is not an IP address",
        "write one as in 192.0.2.1 or 2001:db8::1",
    )


def _time_zone(spot: Spot) -> str:
    name = plain_text(spot)
    # Names are looked up only where they must be: the data base of zones is large.
    return name if is_tz_string(name) else zones().get(name, name)


def _hex(spot: Spot) -> bytes:
    digits = plain_text(spot)
    try:
        return bytes.fromhex(digits)
    except ValueError:
        raise spot.wrong(
            f"{spot.name} is not hexadecimal text", 'write two digits for each byte, as in "0a ff"'
        ) from None


def _options(spot: Spot) -> list[Option]:
    if not isinstance(spot.value, list):
        raise spot.wrong_type("write a list, [ { key = …, label = … }, … ]")
    if not 1 <= len(spot.value) <= limits.MAX_OPTIONS:
        raise spot.wrong(
            f"the choice has {len(spot.value)} options", f"give it 1 to {limits.MAX_OPTIONS}"
        )
    keys: set[str] = set()

    def read_option(item: Spot) -> Option:
        table = reading.table(item)
        table.only(("key", "label", "help"))
        key = table.get("key", reading.key(limits.MAX_OPTION_KEY), 'a key, as in `key = "steady"`')
        label = table.get(
            "label", reading.text(limits.MAX_LABEL), "a `label`, which a person reads"
        )
        help_text = table.get("help", reading.paragraph(limits.MAX_HELP))
        if key in keys:
            table.wrong("key", f"the option `{key}` already exists", "give it another key")
        if key is None or label is None or table.bad:
            raise NotedError
        keys.add(key)
        return Option(key, label, help_text)

    return reading.each_of(spot, spot.value, read_option)


def abilities(spot: Spot) -> Ability:
    """Read what a pin can do, or must do."""
    return Ability(sum(reading.list_of(reading.word(ABILITIES), len(ABILITIES))(spot)))


def ability_names(wanted: Ability) -> str:
    """Return abilities as this file writes them, for a sentence."""
    return reading.listed(name for name, ability in ABILITIES.items() if ability in wanted)


def _scheme(spot: Spot) -> str:
    scheme = plain_text(spot)
    if _SCHEME.match(scheme):
        return scheme
    raise spot.wrong(
        f"`{reading.shown(scheme)}` is not a scheme",
        f"write one of at most {limits.MAX_SCHEME} lower-case letters, as in https",
    )


def _family(spot: Spot) -> int:
    version = reading.integer(4, 6)(spot)
    if version in FAMILIES:
        return FAMILIES[version]
    raise spot.wrong("there is no IP version 5 here", "write 4 or 6")


def _name(kind: Kind) -> str:
    return kind.name.lower().replace("_", "-")
