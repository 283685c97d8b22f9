# SPDX-License-Identifier: MIT
"""The schema as it goes over the line: CBOR (clause 8), deflated, known by its digest (clause 6.2).

A schema that a board sends is hostile until it was read here: every limit of clause 8 is checked
before anything is built from it, and every fault is a SchemaError with one sentence for people.
"""

from __future__ import annotations

import dataclasses
import hashlib
import re
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from types import MappingProxyType
from typing import Any, Never, TypeVar

from provision.contract.profile import Item, ProfileError, decode, encode
from provision.contract.table import (
    MAX_FIELDS,
    MAX_KEY,
    MAX_SCHEMA,
    MAX_SCHEMA_DEPTH,
    SKIPPABLE_FROM,
    Ability,
    Characters,
    Kind,
)
from provision.errors import ProvisionError
from provision.extras import of_authors
from provision.phrases import phrase
from provision.schema import languages, table
from provision.schema.model import (
    Condition,
    Field,
    Option,
    Pin,
    Repeat,
    Schema,
    Section,
    Translation,
    Value,
)
from provision.schema.table import (
    KEYS_OF_KINDS,
    KIND_LIMITS,
    KINDS_IN_CONDITIONS,
    LENGTH_OF_KEY,
    FieldKey,
    PinKey,
    SchemaKey,
    SectionKey,
)
from provision.schema.values import check_value, limits

FORMAT = 1
"""The format of a schema that this program knows."""

DIGEST_SIZE = 8
"""Bytes: the start of SHA-256 over the inflated schema."""


class SchemaError(ProvisionError, ValueError):
    """A schema cannot be taken; the text is one sentence for people."""


class InvalidSchemaError(SchemaError):
    """The firmware's author has to mend the schema."""


class NewerSchemaError(SchemaError):
    """The schema has what this program does not know."""


class DamagedSchemaError(SchemaError):
    """The bytes are not those of the schema that was announced."""


@dataclass(frozen=True, slots=True)
class Packed:
    """A schema as a board holds it: raw deflate (RFC 1951), size before, and digest."""

    deflated: bytes
    inflated_size: int
    digest: bytes


def pack(schema: Schema) -> Packed:
    """Return a schema as a board holds it, the same bytes for the same schema on every machine.

    Raises SchemaError for a schema that no host would take, and MissingPackageError.
    """
    with of_authors("zopfli", "to pack the settings as a board holds them"):
        import zopfli.zlib  # noqa: PLC0415 - only who packs a schema needs it

    item = to_item(schema)
    from_item(item)
    try:
        inflated = encode(item, MAX_SCHEMA_DEPTH)
    except ProfileError:
        _invalid("the schema", "a text is no Unicode text")
    if len(inflated) > MAX_SCHEMA:
        _invalid("the schema", f"it is larger than {MAX_SCHEMA} bytes")
    # RFC 1950 is two bytes of header, the stream of RFC 1951, and four of Adler-32.
    deflated = zopfli.zlib.compress(inflated)[2:-4]
    return Packed(deflated, len(inflated), _digest(inflated))


def unpack(deflated: bytes, digest: bytes) -> Schema:
    """Return the schema that a board sent, if it is the one with the digest that it announced.

    Raises SchemaError. However the bytes inflate, no more than the largest schema is held.
    """
    inflate = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        inflated = inflate.decompress(deflated, MAX_SCHEMA + 1)
    except zlib.error:
        inflated = b""
    if len(inflated) > MAX_SCHEMA:
        _invalid("the schema", f"it is larger than {MAX_SCHEMA} bytes")
    # The digest is compared before a byte is believed (clause 6.2).
    if not inflate.eof or inflate.unused_data or _digest(inflated) != digest:
        raise DamagedSchemaError(
            phrase(
                "The board's list of settings arrived damaged: start again, with another cable if"
                " that does not help."
            )
        )
    try:
        item = decode(inflated, MAX_SCHEMA_DEPTH)
    except ProfileError as error:
        _invalid("the schema", str(error))
    return from_item(item)


def _digest(inflated: bytes) -> bytes:
    return hashlib.sha256(inflated).digest()[:DIGEST_SIZE]


_OWN_KEYS = {key for keys in KEYS_OF_KINDS.values() for key in keys} - {FieldKey.DEFAULT}
"""Keys that not every kind has; who has no default has it for being secret."""

_ALL_ABILITIES = 0xFFFF  # of those that a later version names, only equality matters


# --------------------------------------------------------------------------- model to item


_KEYS: Mapping[type, type[IntEnum]] = MappingProxyType(
    {Schema: SchemaKey, Section: SectionKey, Field: FieldKey, Pin: PinKey}
)
"""What is a map, and its keys, which are the names of its attributes."""


def to_item(schema: Schema) -> Item:
    """Return a schema as the one item that clause 8 has for it: what is default is left out."""
    return {int(SchemaKey.FORMAT): FORMAT, **_map_item(schema)}


def _map_item(part: Schema | Section | Field | Pin) -> dict[int, Item]:
    usual = {each.name: each.default for each in dataclasses.fields(part)}
    keys = [key for key in _KEYS[type(part)] if key.name.lower() in usual]
    values = {key: getattr(part, key.name.lower()) for key in keys}
    return {
        int(key): _item(value)
        for key, value in values.items()
        if value != usual[key.name.lower()]
        or (key is FieldKey.NEEDS and values[FieldKey.KIND] == Kind.PIN)
    }


def _item(value: Any) -> Item:
    if type(value) in _KEYS:
        return _map_item(value)
    if dataclasses.is_dataclass(value):  # an array of what it has; an option may have no help
        parts = (getattr(value, each.name) for each in dataclasses.fields(value))
        return [_item(part) for part in parts if part is not None]
    if isinstance(value, tuple):
        return [_item(each) for each in value]
    return int(value) if isinstance(value, IntEnum | IntFlag) else value


# --------------------------------------------------------------------------- item to model


def _invalid(where: str, fault: str) -> Never:
    raise InvalidSchemaError(
        phrase(
            "The firmware declares its settings wrongly, which its author has to fix: {where}:"
            " {fault}.",
            where=where,
            fault=fault,
        )
    )


def _too_new(where: str, what: str) -> Never:
    raise NewerSchemaError(
        phrase(
            "This firmware needs a newer version of this program: {where} has {what}, which this"
            " version does not know.",
            where=where,
            what=what,
        )
    )


T = TypeVar("T")
Code = TypeVar("Code", bound=IntEnum)


class _Map:
    """A map of the schema: its entries by the keys that this program knows, and where it stands."""

    def __init__(self, item: Item, where: str, keys: type[IntEnum]) -> None:
        if not isinstance(item, dict):
            _invalid(where, "it is not a map")
        for key in item:
            if key not in keys.__members__.values() and key < SKIPPABLE_FROM:
                _too_new(where, f"the key {key}")
        self.where = where
        self._entries = item

    def __contains__(self, key: IntEnum) -> bool:
        return key in self._entries

    def read(self, key: IntEnum, reader: Callable[[Item, str], T]) -> T:
        """Return what a reader makes of an entry that must be there."""
        name = key.name.lower()
        if key not in self._entries:
            _invalid(self.where, f"{name} is missing")
        return reader(self._entries[key], f"{self.where}, {name}")

    def read_or(self, key: IntEnum, reader: Callable[[Item, str], T], absent: T) -> T:
        """Return what a reader makes of an entry, or what its absence means."""
        return self.read(key, reader) if key in self._entries else absent

    def read_if_any(self, key: IntEnum, reader: Callable[[Item, str], T]) -> T | None:
        """Return what a reader makes of an entry, None if it is absent."""
        return self.read(key, reader) if key in self._entries else None


def _bool(item: Item, where: str) -> bool:
    if not isinstance(item, bool):
        _invalid(where, "it is neither true nor false")
    return item


def _integer(least: int, most: int) -> Callable[[Item, str], int]:
    def read(item: Item, where: str) -> int:
        if type(item) is not int or not least <= item <= most:
            _invalid(where, f"it is not an integer from {least} to {most}")
        return item

    return read


def _text(longest: int) -> Callable[[Item, str], str]:
    def read(item: Item, where: str) -> str:
        size = len(item.encode("utf-8", "surrogatepass")) if isinstance(item, str) else 0
        if not isinstance(item, str) or not 1 <= size <= longest:
            _invalid(where, f"it is not a text of 1 to {longest} bytes")
        return item

    return read


def _matching(pattern: str, longest: int, what: str) -> Callable[[Item, str], str]:
    expression = re.compile(pattern)

    def read(item: Item, where: str) -> str:
        if not isinstance(item, str) or len(item) > longest or not expression.fullmatch(item):
            _invalid(where, f"it is no {what} of at most {longest} bytes")
        return item

    return read


def _array(
    least: int, most: int, reader: Callable[[Item, str], T]
) -> Callable[[Item, str], tuple[T, ...]]:
    def read(item: Item, where: str) -> tuple[T, ...]:
        if not isinstance(item, list) or not least <= len(item) <= most:
            _invalid(where, f"it is not an array of {least} to {most} items")
        return tuple(reader(each, f"{where}, item {place}") for place, each in enumerate(item, 1))

    return read


_key = _matching(table.KEY_PART_PATTERN, table.MAX_KEY_PART, "key")
_option_key = _matching(table.OPTION_KEY_PATTERN, table.MAX_OPTION_KEY, "key of an option")
_base_key = _matching(table.BASE_KEY_PATTERN, MAX_KEY, "base key")
_scheme = _matching(table.SCHEME_PATTERN, table.MAX_SCHEME, "scheme in lower case")
_language = _matching(table.LANGUAGE_PATTERN, table.MAX_LANGUAGE, "language tag")
_label = _text(table.MAX_LABEL)
_help = _text(table.MAX_HELP)
_caution = _text(table.MAX_CAUTION)
_int32 = _integer(table.LEAST_INTEGER, table.GREATEST_INTEGER)
_ability = _integer(0, _ALL_ABILITIES)


def from_item(item: Item) -> Schema:
    """Return the schema that an item is (clause 8).

    Raises NewerSchemaError if the item has what only a newer version knows, InvalidSchemaError if
    it breaks a rule of clause 8; both are SchemaErrors.
    """
    entries = _Map(item, "the schema", SchemaKey)
    number = entries.read(SchemaKey.FORMAT, _integer(0, 2**32 - 1))
    if number != FORMAT:
        _too_new("the schema", f"the format {number}")
    title = entries.read(SchemaKey.TITLE, _label)
    sections = entries.read(SchemaKey.SECTIONS, _array(1, table.MAX_SECTIONS, _section))
    pins = entries.read_if_any(SchemaKey.PINS, _array(0, table.MAX_PINS, _pin)) or ()
    trial = entries.read_if_any(SchemaKey.TRIAL, _integer(table.MIN_TRIAL, table.MAX_TRIAL))
    language = entries.read_if_any(SchemaKey.LANGUAGE, _language)
    translations = (
        entries.read_if_any(SchemaKey.TRANSLATIONS, _array(1, table.MAX_TRANSLATIONS, _translation))
        or ()
    )
    # Before instances are expanded, which a hostile schema could make many.
    count = sum(len(each.fields) * (each.repeat.most if each.repeat else 1) for each in sections)
    if count > MAX_FIELDS:
        _invalid("the schema", f"it has {count} fields, and {MAX_FIELDS} is the limit")
    schema = Schema(title, sections, pins, trial, language, translations)
    _check_keys(schema)
    _check_translations(schema)
    for section in sections:
        for field in section.fields:
            _check_default(schema, section, field)
            _check_condition(schema, section, field)
            _check_network(section, field)
    return schema


def _translation(item: Item, where: str) -> Translation:
    if not isinstance(item, list) or len(item) != 2:
        _invalid(where, "it is not an array of a language and its texts")
    language, texts = _language(item[0], where), item[1]
    if not isinstance(texts, list):
        _invalid(where, "its texts are not an array")
    return Translation(
        language,
        tuple(
            None if text is None else _help(text, f"{where}, text {place}")
            for place, text in enumerate(texts, 1)
        ),
    )


def _check_translations(schema: Schema) -> None:
    """Refuse translations that do not fit the texts of the schema (clause 8.4)."""
    if not schema.translations:
        return
    if schema.language is None:
        _invalid("the schema", "it has translations, and no language of its own")
    tags = [schema.language, *(each.language for each in schema.translations)]
    if len({tag.lower() for tag in tags}) < len(tags):
        _invalid("the schema, translations", "a language is there twice")
    places = [place for place, _ in languages.texts(schema)]
    for translation in schema.translations:
        where = f"the schema, translation {translation.language}"
        if len(translation.texts) != len(places):
            _invalid(where, f"it has {len(translation.texts)} texts, and the schema {len(places)}")
        for place, text in zip(places, translation.texts, strict=True):
            longest = languages.LONGEST_TEXT[place.rpartition(".")[2]]
            if text is not None:
                _text(longest)(text, f"{where}, {place}")


def _pin(item: Item, where: str) -> Pin:
    entries = _Map(item, where, PinKey)
    return Pin(
        number=entries.read(PinKey.NUMBER, _integer(0, table.MAX_PIN)),
        abilities=Ability(entries.read(PinKey.ABILITIES, _ability)),
        name=entries.read_if_any(PinKey.NAME, _text(table.MAX_PIN_NAME)),
        taken=entries.read_if_any(PinKey.TAKEN, _label),
        caution=entries.read_if_any(PinKey.CAUTION, _caution),
    )


def _section(item: Item, where: str) -> Section:
    entries = _Map(item, where, SectionKey)
    return Section(
        key=entries.read(SectionKey.KEY, _key),
        label=entries.read(SectionKey.LABEL, _label),
        fields=entries.read(SectionKey.FIELDS, _array(1, table.MAX_SECTION_FIELDS, _field)),
        help=entries.read_if_any(SectionKey.HELP, _help),
        repeat=entries.read_if_any(SectionKey.REPEAT, _repeat),
    )


def _repeat(item: Item, where: str) -> Repeat:
    least, most = _array(2, 2, _integer(0, table.MAX_INSTANCES))(item, where)
    if not least <= most or most == 0:
        _invalid(where, "it is not [least, most] with least up to most, and most from 1")
    return Repeat(least, most)


def _field(item: Item, where: str) -> Field:
    entries = _Map(item, where, FieldKey)
    kind = entries.read(FieldKey.KIND, _code(Kind))
    _check_fitting(entries, kind)
    field = Field(
        key=entries.read(FieldKey.KEY, _key),
        kind=kind,
        label=entries.read(FieldKey.LABEL, _label),
        help=entries.read_if_any(FieldKey.HELP, _help),
        required=entries.read_or(FieldKey.REQUIRED, _bool, absent=False),
        default=entries.read_if_any(FieldKey.DEFAULT, _value),
        minimum=entries.read_if_any(FieldKey.MINIMUM, _int32),
        maximum=entries.read_if_any(FieldKey.MAXIMUM, _int32),
        unit=entries.read_if_any(FieldKey.UNIT, _text(table.MAX_UNIT)),
        digits=entries.read_if_any(FieldKey.DIGITS, _integer(table.MIN_DIGITS, table.MAX_DIGITS)),
        caution=entries.read_if_any(FieldKey.CAUTION, _caution),
        condition=entries.read_if_any(FieldKey.CONDITION, _condition),
        options=entries.read_or(FieldKey.OPTIONS, _array(1, table.MAX_OPTIONS, _option), ()),
        needs=Ability(entries.read_or(FieldKey.NEEDS, _ability, 0)),
        shares=entries.read_or(FieldKey.SHARES, _bool, absent=False),
        network=entries.read_if_any(FieldKey.NETWORK, _base_key),
        was=entries.read_or(FieldKey.WAS, _array(1, table.MAX_OLDER_KEYS, _base_key), ()),
        characters=entries.read_or(FieldKey.CHARACTERS, _code(Characters), Characters.PRINTABLE),
        schemes=entries.read_or(FieldKey.SCHEMES, _array(1, table.MAX_SCHEMES, _scheme), ()),
        secret=entries.read_or(FieldKey.SECRET, _bool, absent=False),
        families=entries.read_or(FieldKey.FAMILIES, _integer(1, 3), 3),
    )
    _check_field(field, where)
    return field


def _code(codes: type[Code]) -> Callable[[Item, str], Code]:
    def read(item: Item, where: str) -> Code:
        code = _integer(0, 255)(item, where)
        if code not in codes.__members__.values():
            _too_new(where, f"the code {code}")
        return codes(code)

    return read


def _value(item: Item, where: str) -> Value:
    if not isinstance(item, int | str | bytes):
        _invalid(where, "it is not a value")
    return item


def _condition(item: Item, where: str) -> Condition:
    base_key, values = _array(2, 2, _any)(item, where)
    read_values = _array(0, table.MAX_CONDITION_VALUES, _condition_value)
    return Condition(_base_key(base_key, where), read_values(values, where))


def _any(item: Item, _where: str) -> Item:
    return item


def _condition_value(item: Item, where: str) -> int | bool | str:
    if not isinstance(item, int | str):
        _invalid(where, "it is not a value")
    return item


def _option(item: Item, where: str) -> Option:
    key, label, *rest = _array(2, 3, _any)(item, where)
    texts = [_help(each, where) for each in rest]
    return Option(_option_key(key, where), _label(label, where), texts[0] if texts else None)


def _check_fitting(entries: _Map, kind: Kind) -> None:
    """Refuse keys that the kind does not have, and the absence of one that it must have."""
    name = kind.name.lower().replace("_", "-")
    own = KEYS_OF_KINDS[kind]
    for key in FieldKey:
        if key in entries and key in _OWN_KEYS - own.keys():
            _invalid(entries.where, f"a field of kind {name} has no {key.name.lower()}")
    for key in FieldKey:
        if own.get(key) and key not in entries:
            _invalid(entries.where, f"a field of kind {name} must have {key.name.lower()}")


def _check_field(field: Field, where: str) -> None:
    """Refuse what no field can be, whatever others there are."""
    lowest, highest = KIND_LIMITS[field.kind]
    least, most = limits(field)
    if KEYS_OF_KINDS[field.kind].get(FieldKey.MAXIMUM):
        lowest = 0
    if not lowest <= least <= most <= highest:
        _invalid(where, f"its limits are not in order, or not within {lowest} to {highest}")
    if field.kind is Kind.PASSPHRASE and field.minimum not in (None, LENGTH_OF_KEY):
        _invalid(where, f"its least length is not {LENGTH_OF_KEY}, the only one that it can state")
    if field.kind is Kind.DURATION and field.unit not in ("ms", "s"):
        _invalid(where, "its unit is neither ms nor s")
    if field.is_secret and field.default is not None:
        _invalid(where, "a secret has no default")
    if len({option.key for option in field.options}) < len(field.options):
        _invalid(where, "two options have the same key")


def _check_keys(schema: Schema) -> None:
    """Refuse keys that repeat or are too long, and pins out of order (clauses 8.1 and 8.2)."""
    if len({section.key for section in schema.sections}) < len(schema.sections):
        _invalid("the schema", "two sections have the same key")
    for section in schema.sections:
        if len({field.key for field in section.fields}) < len(section.fields):
            _invalid(f"section {section.key}", "two fields have the same key")
    for setting in schema.settings:
        if len(setting.key) > MAX_KEY:
            _invalid(f"field {setting.key}", f"its full key is longer than {MAX_KEY} bytes")
    numbers = [pin.number for pin in schema.pins]
    if numbers != sorted(set(numbers)):
        _invalid("the schema, pins", "their numbers do not ascend")


def _check_default(schema: Schema, section: Section, field: Field) -> None:
    if field.default is None:
        return
    code = check_value(field, field.default, schema)
    if code is not None:
        fault = code.name.lower().replace("_", "-")
        _invalid(f"field {section.key}.{field.key}", f"its default is refused ({fault})")


def _check_condition(schema: Schema, section: Section, field: Field) -> None:
    """Refuse a condition that can never be decided (clause 9.5)."""
    condition, where = field.condition, f"field {section.key}.{field.key}, condition"
    if condition is None:
        return
    named = _earlier(schema, section, field).get(condition.base_key)
    if named is None:
        _invalid(where, "it names no earlier field of the section, or of one that does not repeat")
    if condition.values and named.kind not in KINDS_IN_CONDITIONS:
        _invalid(
            where, "it lists values of a field that is not a yes-no, choice, integer or duration"
        )
    if any(check_value(named, value, schema) is not None for value in condition.values):
        _invalid(where, "it lists a value that the field can never have")


def _earlier(schema: Schema, section: Section, field: Field) -> dict[str, Field]:
    """Return the fields that a field's condition may name, by base key."""
    found: dict[str, Field] = {}
    for each in schema.sections[: schema.sections.index(section)]:
        if each.repeat is None:
            found |= {f"{each.key}.{other.key}": other for other in each.fields}
    before = section.fields[: section.fields.index(field)]
    return found | {f"{section.key}.{other.key}": other for other in before}


def _check_network(section: Section, field: Field) -> None:
    if field.network is None:
        return
    names = (each for each in section.fields if each.kind is Kind.NETWORK_NAME)
    if field.network not in [f"{section.key}.{each.key}" for each in names]:
        _invalid(
            f"field {section.key}.{field.key}, network", "it names no network-name of its section"
        )
