# SPDX-License-Identifier: MIT
"""What the parts of a schema file say about each other: keys, conditions, networks, pins, sizes."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import replace

from provision.contract.profile import encode
from provision.contract.table import MAX_FIELDS, MAX_SCHEMA, MAX_SCHEMA_DEPTH, Kind
from provision.schema import capacity
from provision.schema.codec import to_item
from provision.schema.constraints import pin_conflicts
from provision.schema.declaration import BoardDeclaration
from provision.schema.model import Condition, Field, Pin, Schema, Value
from provision.schema.table import (
    KINDS_IN_CONDITIONS,
    MAX_CONDITION_VALUES,
    MIN_SLOTS_OF_KEPT,
    MIN_SLOTS_OF_OLDER,
)
from provision.schema.values import check_value
from provision.schema_file import c_names
from provision.schema_file import reader as reading
from provision.schema_file.fields import (
    FieldDraft,
    SectionDraft,
    ability_names,
    limits_good,
    plain_text,
    value_of,
    words,
)
from provision.schema_file.reader import MistakeReport, Reader, Spot, Table

# These three are what the generated C counts in one byte, one byte and two bytes.
_MAX_COUNTED_INSTANCES = 255
_MAX_STRUCT = 65535


def check(sections: Sequence[SectionDraft], pins: Schema | None) -> None:
    """Note all that sections and fields say wrong about each other; give fields their conditions.

    Of the schema only the pins count; None if they are not all known, because of a mistake.
    """
    fields = [field for section in sections for field in section.fields]
    _check_keys(sections)
    _check_older_keys(fields)
    _check_networks(fields)
    _check_conditions(fields, pins)
    if pins is not None:
        _check_pins(fields, pins)


# ---------------------------------------------------------------------------------------- the keys


def _check_keys(sections: Sequence[SectionDraft]) -> None:
    section_keys: set[str] = set()
    for section in sections:
        _check_key(section.table, section.key, section_keys, "section", c_names.STATE_MEMBER)
        field_keys: set[str] = set()
        for field in section.fields:
            _check_key(field.table, field.key, field_keys, "field", None)


def _check_key(
    table: Table, key: str | None, earlier: set[str], what: str, taken: str | None
) -> None:
    if key is None:
        return
    if key in earlier:
        table.wrong("key", f"the {what} `{key}` already exists", "give it another key")
    earlier.add(key)
    name = c_names.member(key)
    if name in c_names.RESERVED or name == taken:
        table.wrong(
            "key",
            f"`{name}` is taken in C, where the {what} becomes a struct member",
            "choose another key, for example one of two words",
        )


def _check_older_keys(fields: Sequence[FieldDraft]) -> None:
    declared = {field.base_key for field in fields}
    owners: dict[str, str] = {}
    for field in fields:
        for position, older in enumerate(field.was):
            path = (*field.table.path, "was", position)
            if older in declared:
                field.table.report.add(
                    path,
                    f"`{older}` is a field of this file",
                    "give that field a new key, since one that `was` names is never declared again",
                )
            elif older in owners:
                field.table.report.add(
                    path,
                    f"`{older}` is an older key of `{owners[older]}` already",
                    "leave it out at one of the two",
                )
            owners.setdefault(older, field.base_key or "?")


def _check_networks(fields: Sequence[FieldDraft]) -> None:
    owners: dict[str, str | None] = {}
    by_key = {field.base_key: field for field in fields}
    for draft in fields:
        network = draft.field.network if draft.field else None
        if network is None or draft.section.key is None:
            continue
        names = [
            other.key
            for other in draft.section.fields
            if other.key and other.field and other.field.kind is Kind.NETWORK_NAME
        ]
        other = by_key.get(network)
        if network in owners:
            draft.table.wrong(
                "network",
                f"`{owners[network]}` is the passphrase of `{network}` already",
                "declare a network-name field for each passphrase",
            )
        elif other is None or (other.field and other.field.kind is not Kind.NETWORK_NAME):
            draft.table.wrong(
                "network",
                f"`{network}` is not a network-name field of this section",
                reading.nearest(network.rpartition(".")[2], names)
                if names
                else "declare one in the section",
            )
        owners.setdefault(network, draft.base_key)


# ---------------------------------------------------------------------------------- the conditions


def _check_conditions(fields: Sequence[FieldDraft], pins: Schema | None) -> None:
    by_key: dict[str, FieldDraft] = {}
    for field in fields:
        if field.base_key is not None:
            by_key.setdefault(field.base_key, field)
    conditions: dict[FieldDraft, tuple[Table, FieldDraft]] = {}
    for field in fields:
        table = field.table.get("asked-if", reading.table)
        if table is None:
            continue
        table.only(("field", "is"))
        name = table.get("field", plain_text, 'the field that decides, as in `field = "fitted"`')
        other = name and _other_field(table, field, name, by_key)
        if isinstance(other, FieldDraft):
            conditions[field] = (table, other)
    in_circle = _note_circles({field: other for field, (_, other) in conditions.items()})
    position = {field: number for number, field in enumerate(fields)}
    for field, (table, other) in conditions.items():
        if field not in in_circle:
            _check_order(field, other, position, table)
        condition = _condition(table, other, pins)
        if condition is not None and field.field is not None:
            field.field = replace(field.field, condition=condition)


def _other_field(
    table: Table, field: FieldDraft, name: str, by_key: dict[str, FieldDraft]
) -> FieldDraft | None:
    full = name if "." in name else f"{field.section.key}.{name}"
    if full in by_key:
        return by_key[full]
    siblings = [other.key for other in field.section.fields if other.key and other is not field]
    known = [*siblings, *(key for key in by_key if key != field.base_key)]
    close = reading.meant(name, known)
    table.wrong(
        "field",
        f"there is no field `{reading.shown(name)}`",
        close or "name an earlier field, as `key` or `section.key`",
    )
    return None


def _note_circles(decided_by: dict[FieldDraft, FieldDraft]) -> set[FieldDraft]:
    """Note each circle of conditions once, and return the fields that are in one."""
    in_circle: set[FieldDraft] = set()
    done: set[FieldDraft] = set()
    for start in decided_by:
        way: list[FieldDraft] = []
        at: FieldDraft | None = start
        while at is not None and at not in done:
            done.add(at)
            way.append(at)
            at = decided_by.get(at)
        if at not in way:
            continue
        circle = way[way.index(at) :]
        in_circle |= set(circle)
        names = [str(field.base_key) for field in circle]
        circle[0].table.wrong(
            "asked-if",
            f"the conditions go in a circle: {' → '.join([*names, names[0]])}",
            "let one of these fields be asked without a condition",
        )
    return in_circle


def _check_order(
    field: FieldDraft, other: FieldDraft, position: dict[FieldDraft, int], table: Table
) -> None:
    if position[other] > position[field]:
        table.wrong(
            "field",
            f"`{other.base_key}` comes later, and would be asked after this one",
            "move that field before this one",
        )
    elif other.section is not field.section and other.section.repeat is not None:
        table.wrong(
            "field",
            f"`{other.base_key}` is in another section that repeats",
            "name a field of the same section, or of one that does not repeat",
        )


def _condition(table: Table, other: FieldDraft, pins: Schema | None) -> Condition | None:
    decides = other.field
    if decides is None or other.base_key is None:
        return None
    if "is" not in table:
        return Condition(other.base_key)
    if decides.kind not in KINDS_IN_CONDITIONS:
        kinds = reading.listed(
            kind.name.lower().replace("_", "-") for kind in sorted(KINDS_IN_CONDITIONS)
        )
        table.wrong(
            "is",
            f"`{other.base_key}` is of a kind whose values no condition can name",
            f"leave `is` out to ask when it has a value, or name a field of kind {kinds}",
        )
        return None
    one = _possible_value(other.table, decides, pins)
    if isinstance(table.content["is"], list):
        values = table.get("is", reading.list_of(one, MAX_CONDITION_VALUES))
    else:
        value = table.get("is", one)
        values = None if value is None else [value]
    if values is None:
        return None
    return Condition(other.base_key, tuple(v for v in values if not isinstance(v, bytes)))


def _possible_value(other: Table, decides: Field, pins: Schema | None) -> Reader[Value]:
    read = value_of(other, decides)

    def read_possible(spot: Spot) -> Value:
        value = read(spot)
        if not limits_good(other, decides.kind):
            return value
        refusal = check_value(decides, value, pins or Schema("", ()))
        if refusal is None:
            return value
        raise spot.wrong(
            "the condition never holds, since that field never has this value",
            words(decides, refusal),
        )

    return read_possible


# ---------------------------------------------------------------------------------------- the pins


def _check_pins(fields: Sequence[FieldDraft], pins: Schema) -> None:
    drafts = [
        draft
        for draft in fields
        if draft.field and draft.field.kind is Kind.PIN and draft.table.good("needs")
    ]
    able = {draft: _able_pins(draft.field, pins.pins) for draft in drafts if draft.field}
    for draft, numbers in able.items():
        if draft.field and not numbers:
            draft.table.wrong(
                "needs",
                f"no free pin of the board has {ability_names(draft.field.needs)}",
                "ask for less, or declare a [[pin]] that can serve",
            )
    _check_pins_suffice({draft: numbers for draft, numbers in able.items() if numbers})
    _check_default_pins(drafts)


def _able_pins(field: Field, pins: Sequence[Pin]) -> list[int]:
    return [
        pin.number
        for pin in pins
        if pin.taken is None and field.needs & pin.abilities == field.needs
    ]


def _check_pins_suffice(able: dict[FieldDraft, list[int]]) -> None:
    """Note the first field that gets no pin when all that are always required have theirs.

    A matching, so that fields which can do with any pin leave the rarer ones to others.
    """
    wanted = [draft for draft in able for _ in range(_always_required(draft))]
    owner: dict[int, int] = {}  # number of the pin: who has it, by position in `wanted`
    for seeker, draft in enumerate(wanted):
        if not _find_pin(seeker, wanted, able, owner, set()):
            draft.table.wrong(
                "needs",
                "no pin is left for this field when all required fields before it have one",
                "let fields share a pin, require fewer of them, or free a pin",
            )
            return


def _always_required(draft: FieldDraft) -> int:
    """Return how many pins of its own the field needs whatever is answered."""
    field = draft.field
    if field is None or field.shares or not field.required or "asked-if" in draft.table:
        return 0
    return draft.section.repeat.least if draft.section.repeat else 1


def _find_pin(
    seeker: int,
    wanted: Sequence[FieldDraft],
    able: dict[FieldDraft, list[int]],
    owner: dict[int, int],
    tried: set[int],
) -> bool:
    """Give the seeker a pin, moving others where they have a choice (Kuhn's augmenting path).

    No deeper than there are pins, since none is tried twice.
    """
    for pin in able[wanted[seeker]]:
        if pin in tried:
            continue
        tried.add(pin)
        if pin not in owner or _find_pin(owner[pin], wanted, able, owner, tried):
            owner[pin] = seeker
            return True
    return False


def _check_default_pins(drafts: Sequence[FieldDraft]) -> None:
    for number, draft in enumerate(drafts):
        field = draft.field
        if field is None or field.default is None:
            continue
        if draft.section.repeat and draft.section.repeat.most > 1 and not field.shares:
            draft.table.wrong(
                "default",
                "every instance of the section would get the same pin",
                "leave `default` out, or let the fields share it (`shares = true`)",
            )
        for other in drafts[:number]:
            if other.field and _collide(field, other.field):
                draft.table.wrong(
                    "default",
                    f"the pin is the default of `{other.base_key}` too",
                    "choose another pin, or let both share it (`shares = true`)",
                )


def _collide(one: Field, other: Field) -> bool:
    """Return whether both get the same pin whenever both are asked; two conditions may differ."""
    if one.default != other.default or (one.shares and other.shares):
        return False
    return one.condition is None or other.condition is None or one.condition == other.condition


def check_defaults(report: MistakeReport, sections: Sequence[SectionDraft], schema: Schema) -> None:
    """Note defaults that put two fields on one pin as long as nothing is stored.

    Fields that are always asked together are check()'s to note, whatever their defaults.
    """
    paths = {field.base_key: field.table.path for section in sections for field in section.fields}
    for clash in pin_conflicts(schema, {}):
        later, earlier = schema.setting(clash.field), schema.setting(clash.other or "")
        assert later is not None
        assert earlier is not None
        if later.base_key != earlier.base_key and not _collide(later.field, earlier.field):
            report.add(
                (*paths[later.base_key], "default"),
                f"the pin is the default of `{earlier.base_key}` too, and by their defaults both"
                " are asked",
                "choose another pin, or let both share it (`shares = true`)",
            )


# --------------------------------------------------------------------------------------- the sizes


def check_sizes(
    report: MistakeReport,
    sections: Sequence[SectionDraft],
    schema: Schema,
    board: BoardDeclaration | None,
) -> None:
    """Note what is too large for the protocol, for the generated C or for the board."""
    _check_counts(report, sections)
    paths = {field.base_key: field.table.path for section in sections for field in section.fields}
    for base_key, option, owner in c_names.clashes(schema):
        report.add(
            paths[base_key],
            f"{f'the option {option}' if option else 'the field'} gets the name of {owner} in C",
            "change one of the keys by more than a hyphen",
        )
    size = capacity.struct_size(schema)
    if size > _MAX_STRUCT:
        report.add(
            (),
            f"all values together take {size:,} bytes of the firmware's memory",
            f"make texts and blobs shorter, for {_MAX_STRUCT:,} at most",
        )
    inflated = encode(to_item(schema), MAX_SCHEMA_DEPTH)
    if len(inflated) > MAX_SCHEMA:
        report.add(
            (),
            f"the schema has {len(inflated):,} bytes",
            f"shorten its texts, since a host reads {MAX_SCHEMA:,} at most",
        )
    if board is None:
        return
    if schema.trial is not None and board.slots < MIN_SLOTS_OF_OLDER:
        report.add(
            ("trial",),
            f"a trial needs a third slot, and the board has {board.slots}",
            "raise `slots` to 3 or 4, or leave `trial` out",
        )
    kept = next((setting for setting in schema.settings if setting.field.kept), None)
    if kept is not None and board.slots < MIN_SLOTS_OF_KEPT:
        report.add(
            ("board", "slots"),
            f"`{kept.base_key}` is kept in flash, and the board has {board.slots} slots",
            f"make them {MIN_SLOTS_OF_KEPT}, or leave `kept` out",
        )
    deflated = zlib.compress(inflated, 9, -zlib.MAX_WBITS)
    if len(deflated) > board.flash_size - board.settings_size:
        report.add(
            ("board", "flash-size"),
            f"the schema takes {len(deflated):,} bytes of flash, deflated",
            "shorten its texts, or take a board with more flash",
        )
    record = capacity.record_size(capacity.largest_payload(schema), board.program_unit)
    if record > board.slot_size:
        report.add(
            ("board", "settings-size"),
            f"the largest set takes {record:,} bytes, and a slot has {board.slot_size:,}",
            f"give the settings {_needed_area(record, board):,} bytes, or fewer and shorter fields",
        )


def _needed_area(record: int, board: BoardDeclaration) -> int:
    return -(-record // board.erase_unit) * board.erase_unit * board.slots


def _check_counts(report: MistakeReport, sections: Sequence[SectionDraft]) -> None:
    fields = counted = 0
    for section in sections:
        least, most = (section.repeat.least, section.repeat.most) if section.repeat else (1, 1)
        fields += len(section.fields) * most
        counted += most - least
        if fields > MAX_FIELDS:
            report.add(
                section.table.path,
                f"up to here the file has {fields} fields, instances counted",
                f"repeat or declare fewer, {MAX_FIELDS} at most",
            )
            return
        if counted > _MAX_COUNTED_INSTANCES:
            report.add(
                section.table.path,
                f"up to here {counted} instances of sections may be out of use",
                f"repeat fewer, for {_MAX_COUNTED_INSTANCES} at most",
            )
            return
