# SPDX-License-Identifier: MIT
"""C for the firmware stub: everything that a schema file declares, as data and nothing but data.

    files = generate(load(Path("orchard-frost-alarm.toml")), "orchard-frost-alarm")

gives `orchard_frost_alarm.h`, with the settings struct, the numbers of the fields and the sizes,
and `orchard_frost_alarm.c`, with the descriptors that firmware_stub/include/pv.h explains. The same
declaration gives the same bytes, whatever the day and the machine (given the same zlib, which
deflates the schema).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import cast

from provision.author import c_text
from provision.contract.profile import encode
from provision.contract.table import Ability, Characters, Kind
from provision.output import write_file
from provision.schema import capacity
from provision.schema.codec import Packed, pack
from provision.schema.declaration import Declaration
from provision.schema.migration import former_keys, tag
from provision.schema.model import Condition, Field, Pin, Schema, Section, Setting
from provision.schema.table import LENGTH_OF_KEY, MIN_SLOTS_OF_OLDER
from provision.schema.values import is_key_only, limits, show
from provision.schema_file import c_names

GENERATOR_VERSION = 1
"""Counts the changes to the form of the generated code."""

STUB_VERSION = 1
"""PV_STUB_VERSION of the stub that the generated code is made for."""

_LONGEST_STEM = 31  # characters that C99 (5.2.4.1) promises to tell external names apart by
_SUFFIX = "_schema"

_ABILITY_NAMES = {ability: f"PV_ABLE_{ability.name}" for ability in Ability}


class StemError(ValueError):
    """A file name gives no name that C could use; the text is one sentence for people."""


def c_stem(stem: str) -> str:
    """Return what the names in C begin with, for a schema file's name without its ending.

    Raises StemError if that is none of C's names, or one of the stub's.
    """
    name = re.sub(r"[-. ]", "_", stem.lower())
    longest = _LONGEST_STEM - len(_SUFFIX)
    fits = re.fullmatch(r"[a-z][a-z0-9_]*", name) and len(name) <= longest
    if not fits or name in c_names.RESERVED or re.match(r"pv(_|\Z)", name):
        raise StemError(
            "The generated files and their names in C are named after the schema file; name it with"
            f" at most {longest} letters a to z, digits and hyphens, beginning with a letter, and"
            " with no word of C or of the stub (pv)."
        )
    return name


def generate(declaration: Declaration, stem: str) -> dict[str, str]:
    """Return the names and texts of the generated files.

    Arguments:
        declaration: What file.read() returned: nothing in it is checked again.
        stem: The name of the schema file without its ending.

    Raises StemError if C cannot use the name.
    """
    code = _Code(declaration, stem, c_stem(stem), pack(declaration.schema))
    return {
        f"{code.name}.h": "\n".join(code.header()) + "\n",
        f"{code.name}.c": "\n".join(code.source()) + "\n",
    }


def write(declaration: Declaration, stem: str, folder: Path) -> list[Path]:
    """Write the generated files into a folder, which is made if need be; return where they are.

    Each file is there whole or not at all. One that is right already is left alone, so that a build
    does not compile it again. Raises StemError, and OSError where the folder cannot be written.
    """
    files = {folder / name: text.encode() for name, text in generate(declaration, stem).items()}
    folder.mkdir(parents=True, exist_ok=True)
    for path, content in files.items():
        write_file(path, content, replace=True)
    return list(files)


@dataclass(frozen=True)
class _Code:
    """The two files, line by line."""

    declaration: Declaration
    stem: str
    name: str
    packed: Packed

    @property
    def schema(self) -> Schema:
        return self.declaration.schema

    def constant(self, *keys: str) -> str:
        return f"{self.name.upper()}_{c_names.constant(*keys)}"

    # ------------------------------------------------------------------------------ the header

    def header(self) -> Iterator[str]:
        guard = f"{self.name.upper()}_H"
        yield from self._heading()
        yield f"#ifndef {guard}"
        yield f"#define {guard}"
        yield ""
        yield '#include "pv.h"'
        yield ""
        yield f"#if PV_STUB_VERSION != {STUB_VERSION}"
        yield (
            '#error "This file and the stub have different versions: write both with the same'
            ' `provision`."'
        )
        yield "#endif"
        yield ""
        yield from self._constants()
        yield from self._numbers()
        for section in self.schema.sections:
            for field in section.fields:
                if field.kind is Kind.CHOICE:
                    yield from self._option_numbers(section, field)
        yield from self._struct()
        yield "#ifdef __cplusplus"
        yield 'extern "C" {'
        yield "#endif"
        yield f"extern const PV_ROM pv_schema {self.name}{_SUFFIX};"
        yield "#ifdef __cplusplus"
        yield "}"
        yield "#endif"
        yield ""
        yield "#endif"

    def _heading(self) -> Iterator[str]:
        declaration = self.declaration
        yield "/* SPDX-License-Identifier: MIT */"
        yield from c_text.comment(
            f"{self.schema.title}: settings of {declaration.firmware_name}"
            f" {declaration.firmware_version} on the {declaration.board.name}."
        )
        yield "/*"
        yield f" * Generated by `provision generate` (generator version {GENERATOR_VERSION}) from"
        yield f" * {self.stem}.toml, schema digest {self.packed.digest.hex()}."
        yield " * Change the schema file and generate again; changes made here would be lost."
        yield " */"

    def _constants(self) -> Iterator[str]:
        board = self.declaration.board
        payload = capacity.largest_payload(self.schema)
        record = capacity.record_size(payload, board.program_unit)
        yield "/* The flash: sizes in bytes, offsets from its start. */"
        yield from self._defines(
            ("FLASH_SIZE", board.flash_size),
            ("ERASE_UNIT", board.erase_unit),
            ("PROGRAM_UNIT", board.program_unit),
            ("SETTINGS_AT", board.settings_at),
            ("SETTINGS_SIZE", board.settings_size),
            ("SLOT_SIZE", board.slot_size),
        )
        yield f"#define {self.constant('slots')} {board.slots}U"
        store = "pv_store_pair" if board.slots < MIN_SLOTS_OF_OLDER else "pv_store_slots"
        yield f"#define {self.constant('store')} {store}"
        yield ""
        yield "/* The largest set as it is stored: its payload, and with header and seal. */"
        yield from self._defines(("LARGEST_PAYLOAD", payload), ("LARGEST_RECORD", record))
        yield ""
        line = capacity.whole_line(self.schema)
        if line is None:
            yield "/* The longest line; some values do not fit whole there, and need pv_parts. */"
        else:
            yield "/* The shortest line that each value fits into; a shorter one needs pv_parts. */"
        yield f"#define {self.constant('line-size')} {line or capacity.LONGEST_LINE}U"
        yield ""
        yield "/* The serial port, in bits per second. */"
        yield from self._defines(("BAUD", board.baud))
        yield ""

    def _defines(self, *sizes: tuple[str, int]) -> Iterator[str]:
        for name, size in sizes:
            yield f"#define {self.constant(name)} {size}UL"

    def _numbers(self) -> Iterator[str]:
        yield "/* The fields by number: for pv_has, pv_report_field, and the member state. */"
        yield "enum {"
        for setting in self.schema.settings:
            yield f"    {self.constant(setting.key)} = {setting.number},"
        yield f"    {self.constant('field-count')} = {len(self.schema.settings)}"
        yield "};"
        yield ""

    def _option_numbers(self, section: Section, field: Field) -> Iterator[str]:
        yield from c_text.comment(f"{section.label}, {field.label}.")
        yield "enum {"
        last = len(field.options) - 1
        for number, option in enumerate(field.options):
            yield from c_text.comment(_sentences(option.label, option.help), 4)
            name = self.constant(section.key, field.key, option.key)
            yield f"    {name} = {number}{'' if number == last else ','}"
        yield "};"
        yield ""

    def _struct(self) -> Iterator[str]:
        yield from c_text.comment(
            "One set of settings. A member counts only while its field's state says so:"
            " PV_IN_FORCE that it holds a value, PV_IS_ACTIVE that the field applies."
        )
        yield f"typedef struct {self.name} {{"
        yield f"    uint8_t {c_names.STATE_MEMBER}[{self.constant('field-count')}];"
        for section in self.schema.sections:
            yield ""
            yield from c_text.comment(_sentences(section.label, section.help, _repeats(section)), 4)
            yield "    struct {"
            for field in section.fields:
                yield from c_text.comment(self._about(section, field), 8)
                yield from c_text.indented(_member(field), 8)
            array = f"[{section.repeat.most}]" if section.repeat else ""
            yield f"    }} {c_names.member(section.key)}{array};"
        yield f"}} {self.name};"
        yield ""

    def _about(self, section: Section, field: Field) -> str:
        """Return what a firmware's author wants to know of a member."""
        return _sentences(
            field.label,
            self._value_words(section, field),
            "Required." if field.required else None,
            self._default_words(section, field),
            f"Only {_condition_words(field.condition)}." if field.condition else None,
            field.help,
            f"Caution: {field.caution}" if field.caution else None,
        )

    def _value_words(self, section: Section, field: Field) -> str:
        least, most = limits(field)
        span = f"{least}" if least == most else f"{least} to {most}"
        unit = f" {field.unit}" if field.unit else ""
        if field.kind is Kind.DECIMAL:
            step = f"0.{1:0{field.digits}}"
            return f"In {step}{unit}, {span} ({show(field, least)} to {show(field, most)})"
        words = {
            Kind.INTEGER: f"{span}{unit}",
            Kind.DURATION: f"In {field.unit}, {span}",
            Kind.YES_NO: "1 for yes, 0 for no",
            Kind.CHOICE: f"One of {self.constant(section.key, field.key)}_…",
            Kind.PIN: f"Number of a pin that can do {_ability_words(field.needs)}",
            Kind.PORT: "Number of a port",
            Kind.IP: "4 bytes (IPv4) or 16 (IPv6), the most significant first",
            Kind.TIME_ZONE: "A TZ string as in RFC 9636, section 3.3",
            Kind.NETWORK_NAME: f"{span} bytes of any value",
            Kind.PASSPHRASE: f"For the network {field.network}"
            + (
                f", and nothing but its key, in {LENGTH_OF_KEY} hex digits"
                if is_key_only(field)
                else ""
            ),
        }
        secret = "Secret. " if field.is_secret else ""
        kept = ", kept in flash: pv_read_kept" if field.kept else ""
        return secret + words.get(field.kind, f"{span} bytes") + kept

    def _default_words(self, section: Section, field: Field) -> str | None:
        words = self._plain_default_words(section, field)
        if words is not None and self.schema.only_proposes(field):
            words = f"{words} It is only proposed, because of the caution: nothing is in force here"
            return f"{words} until a person has chosen."
        return words

    def _plain_default_words(self, section: Section, field: Field) -> str | None:
        if field.default is None:
            return None
        if field.kind is Kind.CHOICE:
            return f"Default {self.constant(section.key, field.key, cast(str, field.default))}."
        plain = show(field, field.default)
        if field.kind in (Kind.DECIMAL, Kind.DURATION):
            return f"Default {cast(int, field.default)} ({plain})."
        if field.kind in capacity.TEXT_KINDS:
            plain = f"`{plain}`"
        return f"Default {plain or 'empty'}." if len(plain) <= 60 else "There is a default."

    # ------------------------------------------------------------------------------ the source

    def source(self) -> Iterator[str]:
        yield from self._heading()
        yield f'#include "{self.name}.h"'
        yield ""
        yield "PV_STATIC_ASSERT(largest_set_fits_into_a_slot,"
        record, slot = self.constant("LARGEST_RECORD"), self.constant("SLOT_SIZE")
        yield f"                 {record} <= {slot});"
        yield f"PV_STATIC_ASSERT(offsets_fit_into_16_bits, sizeof({self.name}) <= 65535U);"
        yield ""
        yield from _block(
            "Defaults as CBOR, option keys, schemes, and the values of conditions.", self._lists()
        )
        yield from _block("Keys, and those that older firmware had for them.", self._keys())
        yield from _block("When a field applies.", self._conditions())
        yield from self._fields()
        yield from self._pins()
        yield "/* The schema as a host reads it: CBOR, deflated (RFC 1951). */"
        yield "static const PV_ROM uint8_t deflated[] = {"
        yield from c_text.byte_lines(self.packed.deflated, 4)
        yield "};"
        yield ""
        yield from self._schema()

    def _lists(self) -> Iterator[str]:
        """Yield defaults, option keys, schemes, values of conditions, which all instances share."""
        for section in self.schema.sections:
            for field in section.fields:
                name = _static_name(f"{section.key}.{field.key}")
                default = self.schema.default_in_force(field)
                if default is not None:
                    value = c_text.byte_list(encode(default))
                    yield f"static const PV_ROM uint8_t {name}_default[] = {value};"
                if names := _names(field):
                    yield _texts(f"{name}_names", names)
        for values, name in self._value_names.items():
            yield from c_text.array(f"static const PV_ROM int32_t {name}[]", list(values))

    @cached_property
    def _value_names(self) -> dict[tuple[str, ...], str]:
        """Return the lists of values that conditions have, each once, and what they are called."""
        names: dict[tuple[str, ...], str] = {}
        for section in self.schema.sections:
            for field in section.fields:
                if field.condition and field.condition.values:
                    name = _static_name(f"{section.key}.{field.key}")
                    names.setdefault(self._condition_values(field.condition), f"{name}_values")
        return names

    def _keys(self) -> Iterator[str]:
        for setting in self.schema.settings:
            yield _text(f"{_static_name(setting.key)}_key", setting.key)
            if former := former_keys(setting):
                yield _texts(f"{_static_name(setting.key)}_was", former)

    def _condition_values(self, condition: Condition) -> tuple[str, ...]:
        section_key, _, field_key = condition.base_key.partition(".")
        return tuple(
            self.constant(section_key, field_key, value)
            if isinstance(value, str)
            else c_text.number(int(value))
            for value in condition.values
        )

    @cached_property
    def _condition_names(self) -> dict[tuple[str, ...], str]:
        """Return the conditions, each once, as their members, and what they are called."""
        names: dict[tuple[str, ...], str] = {}
        for setting in self.schema.settings:
            if members := self._condition_members(setting):
                names.setdefault(members, f"{_static_name(setting.key)}_asked_if")
        return names

    def _condition_members(self, setting: Setting) -> tuple[str, ...]:
        condition = setting.field.condition
        if condition is None:
            return ()
        values = self._value_names.get(self._condition_values(condition), "NULL")
        decider = self.constant(_sibling(setting, condition.base_key))
        return f".field = {decider}", f".count = {len(condition.values)}", f".values = {values}"

    def _conditions(self) -> Iterator[str]:
        for members, name in self._condition_names.items():
            yield from c_text.array(f"static const PV_ROM pv_condition {name}", list(members))

    def _fields(self) -> Iterator[str]:
        yield f"static const PV_ROM pv_field fields[{self.constant('field-count')}] = {{"
        in_use_only_if_set = 0
        last: tuple[str, int | None] = ("", None)
        for setting in self.schema.settings:
            repeat = setting.section.repeat
            number = 0
            if repeat and setting.instance is not None and setting.instance > repeat.least:
                here = (setting.section.key, setting.instance)
                in_use_only_if_set += here != last
                last = here
                number = in_use_only_if_set
            yield from c_text.indented(self._field(setting, number), 4)
        yield "};"
        yield ""

    def _field(self, setting: Setting, instance: int) -> Iterator[str]:
        field = setting.field
        least, most = capacity.number_limits(field)
        name = _static_name(setting.key)
        yield f"[{self.constant(setting.key)}] = {{"
        yield f"    .key = {name}_key,"
        if former_keys(setting):
            yield f"    .was = {name}_was,"
        yield f"    .kind = &pv_kind_{'kept' if field.kept else field.kind.name.lower()},"
        if members := self._condition_members(setting):
            yield f"    .condition = &{self._condition_names[members]},"
        if _names(field):
            yield f"    .names = {_static_name(setting.base_key)}_names,"
        # A default that is only proposed is the host's affair: the board needs a stored value.
        if self.schema.default_in_force(field) is not None:
            yield f"    .default_value = {_static_name(setting.base_key)}_default,"
        yield f"    .minimum = {c_text.number(least)},"
        yield f"    .maximum = {c_text.number(most)},"
        yield f"    .tag = 0x{tag(field):08X}UL,"
        yield f"    .offset = offsetof({self.name}, {_path(setting)}),"
        yield f"    .network = {self._network(setting)},"
        if instance:
            yield f"    .instance = {instance},"
        if flags := self._flags(field):
            yield f"    .flags = {flags},"
        if detail := _detail(field):
            yield f"    .detail = {detail},"
        yield "},"

    def _flags(self, field: Field) -> str:
        flags = {
            "PV_REQUIRED": self.schema.needs_value(field),
            "PV_SECRET": field.is_secret,
            "PV_SHARES": field.shares,
            "PV_KEPT": field.kept,
        }
        return " | ".join(name for name, there in flags.items() if there)

    def _network(self, setting: Setting) -> str:
        network = setting.field.network
        return "-1" if network is None else self.constant(_sibling(setting, network))

    def _pins(self) -> Iterator[str]:
        if not self.schema.pins:
            return
        yield "static const PV_ROM pv_pin pins[] = {"
        for pin in self.schema.pins:
            yield from c_text.comment(_pin_words(pin), 4)
            taken = "true" if pin.taken is not None else "false"
            yield f"    {{{pin.number}, {_abilities(pin.abilities)}, {taken}}},"
        yield "};"
        yield ""

    def _schema(self) -> Iterator[str]:
        declaration = self.declaration
        yield _text("firmware", declaration.firmware_name)
        yield _text("firmware_version", declaration.firmware_version)
        yield _text("board", declaration.board.name)
        yield ""
        yield f"const PV_ROM pv_schema {self.name}{_SUFFIX} = {{"
        yield f"    .stub_version = {STUB_VERSION},"
        yield f"    .field_count = {self.constant('field-count')},"
        yield "    .firmware = firmware,"
        yield "    .firmware_version = firmware_version,"
        yield "    .board = board,"
        yield "    .fields = fields,"
        if self.schema.pins:
            yield "    .pins = pins,"
        yield "    .deflated = deflated,"
        yield "    .deflated_size = sizeof(deflated),"
        yield f"    .settings_size = sizeof({self.name}),"
        yield f"    .largest_payload = {self.constant('LARGEST_PAYLOAD')},"
        yield f"    .trial_seconds = {self.schema.trial or 0},"
        yield f"    .pin_count = {len(self.schema.pins)},"
        yield f"    .digest = {c_text.byte_list(self.packed.digest)},"
        yield f"    .line_size = {capacity.whole_line(self.schema) or 0},"
        for member, part in self._parts():
            yield f"    .{member} = {part},"
        yield "};"

    def _parts(self) -> Iterator[tuple[str, str]]:
        """Yield what the linker is to take of the stub for this schema."""
        fields = [setting.field for setting in self.schema.settings]
        if self.schema.trial and self.declaration.board.slots >= MIN_SLOTS_OF_OLDER:
            yield "trial", "&pv_trials"
        if any(field.kept for field in fields):
            yield "kept", "&pv_keeps"
        if any(
            section.repeat and section.repeat.least < section.repeat.most
            for section in self.schema.sections
        ):
            yield "in_use", "pv_in_use"
        if any(field.condition for field in fields):
            yield "holds", "pv_holds"
        if sum(field.kind is Kind.PIN for field in fields) > 1:
            yield "conflict", "pv_pin_conflict"


def _block(about: str, lines: Iterator[str]) -> Iterator[str]:
    """Yield lines under a comment, nothing where there are none."""
    found = list(lines)
    if found:
        yield from c_text.comment(about)
        yield from found
        yield ""


def _sentences(*parts: str | None) -> str:
    """Return parts as sentences one after the other, each with an end of its own."""
    ended = (part if part.endswith((".", "!", "?", "…")) else f"{part}." for part in parts if part)
    return " ".join(ended)


def _repeats(section: Section) -> str | None:
    repeat = section.repeat
    if repeat is None:
        return None
    if repeat.least == 0:
        return f"Up to {repeat.most}, each in use if any of its fields is set."
    if repeat.least == repeat.most:
        return f"{repeat.most}, all of them in use."
    return (
        f"{repeat.least} to {repeat.most}; those beyond are in use if any of their fields is set."
    )


def _member(field: Field) -> Iterator[str]:
    name = c_names.member(field.key)
    length = capacity.member_length(field)
    if field.kept:
        yield f"pv_kept {name};"
    elif field.kind in capacity.TEXT_KINDS:
        yield f"char {name}[{length} + 1];"
    elif field.kind in capacity.BYTE_KINDS:
        yield "struct {"
        yield "    uint16_t length;"
        yield f"    uint8_t bytes[{length}];"
        yield f"}} {name};"
    elif field.kind in (Kind.YES_NO, Kind.CHOICE):
        yield f"uint8_t {name};"
    else:
        yield f"int32_t {name};"


def _names(field: Field) -> tuple[str, ...]:
    if field.kind is Kind.CHOICE:
        return tuple(option.key for option in field.options)
    return field.schemes


def _text(name: str, text: str) -> str:
    return f"static const PV_ROM char {name}[] = {c_text.string(text.encode(), 4)};"


def _texts(name: str, texts: tuple[str, ...]) -> str:
    """Return a list of texts, each ended by NUL, the last by another, which is C's own."""
    return _text(name, "".join(f"{text}\0" for text in texts))


def _static_name(key: str) -> str:
    return c_names.constant(key).lower()


def _path(setting: Setting) -> str:
    """Return the member of a setting within the struct; arrays count from 0, instances from 1."""
    place = "" if setting.instance is None else f"[{setting.instance - 1}]"
    return f"{c_names.member(setting.section.key)}{place}.{c_names.member(setting.field.key)}"


def _sibling(setting: Setting, base_key: str) -> str:
    """Return the full key of a field that a setting names by base key (clause 9.5)."""
    section, _, field = base_key.partition(".")
    if setting.instance is None or section != setting.section.key:
        return base_key
    return f"{section}.{setting.instance}.{field}"


def _condition_words(condition: Condition) -> str:
    if not condition.values:
        return f"if {condition.base_key} has a value"
    shown = {True: "yes", False: "no"}
    values = (shown[v] if isinstance(v, bool) else str(v) for v in condition.values)
    return f"if {condition.base_key} is {' or '.join(values)}"


def _abilities(abilities: Ability) -> str:
    return " | ".join(name for each, name in _ABILITY_NAMES.items() if each in abilities) or "0"


def _ability_words(abilities: Ability) -> str:
    names = (str(each.name).lower().replace("_", "-") for each in Ability if each in abilities)
    return ", ".join(names) or "whatever ability"


def _pin_words(pin: Pin) -> str:
    taken = f"Taken by the board: {pin.taken}" if pin.taken else None
    caution = f"Caution: {pin.caution}" if pin.caution else None
    return _sentences(pin.name, taken, caution)


def _detail(field: Field) -> str:
    if field.kind is Kind.PIN:
        return _abilities(field.needs)
    if field.kind in (Kind.TEXT, Kind.SECRET):
        return f"PV_CHARACTERS_{Characters(field.characters).name}"
    return str(field.families) if field.kind is Kind.IP else ""
