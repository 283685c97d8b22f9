# SPDX-License-Identifier: MIT
"""What is said of an update before it is published is what boards do when it comes.

Ten versions of one schema file (versions/*.toml); of every two, in both directions and with any
number of versions between, one is the old firmware and one the new. The old one's generated C
stores complete sets, the new one's is started on that flash, and each setting is compared with what
was said: clause 10 decides there, one value after the other. Values are drawn at the limits of all
versions, so that what is said to happen on some boards is seen to happen, and not to happen.
"""

from __future__ import annotations

import argparse
import ctypes as c
import json
import random
import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import cycle, permutations
from pathlib import Path
from typing import Any

import pytest

from provision.author.carry_over import (
    Carried,
    Chance,
    Fate,
    UpdateOutcome,
    UpdateVerdict,
    add_arguments,
    carry_over,
    lines,
    run,
    summary,
)
from provision.board.engine import settings_geometry
from provision.board.flash import Flash
from provision.board.store import FlashStore, pack_values, unpack_values
from provision.contract.profile import Item
from provision.contract.table import (
    CommitKey,
    GetValuesKey,
    GetValuesReplyKey,
    Held,
    Kind,
    MessageType,
    Run,
    SetFieldKey,
    StatusReplyKey,
    Store,
)
from provision.schema.constraints import (
    active,
    check_whole,
    defect,
    in_force,
    missing,
    staged_digest,
)
from provision.schema.declaration import Declaration
from provision.schema.model import Field, Schema, Setting, Value
from provision.schema.values import check_value, limits
from provision.schema_file.load import load_declaration, read_declaration
from tests.c_board.board import IN_FORCE, IS_ACTIVE, CSchema, Stub, build, generated
from tests.stub.lockstep import messages, request

VERSIONS = Path(__file__).with_name("versions")
FILES = {file.stem: file for file in sorted(VERSIONS.glob("*.toml"))}
DECLARED = {name: load_declaration(file) for name, file in FILES.items()}
PAIRS = list(permutations(DECLARED, 2))
SETS_OF_EACH = 16  # stored by C boards
MOST_SETS = 600  # drawn until all is seen that is said of some boards

KEPT = frozenset({Fate.KEPT, Fate.RENAMED, Fate.CONVERTED})


# ---------------------------------------------------------------------------------- what is stored


PLAIN_VALUES: Mapping[Kind, list[Value]] = {
    Kind.YES_NO: [False, True],
    Kind.NETWORK_NAME: [b"orchard", bytes(range(32))],
    Kind.PASSPHRASE: ["blossom-in-may", "a1" * 32],
    Kind.HOST: ["a", "weather.example.org", "w" * 20, "w" * 21, "192.0.2.7"],
    Kind.URL: ["https://h", "http://h", "https://example.net/frost"],
    Kind.IP: [bytes([192, 0, 2, 7]), bytes(15) + b"\1"],
    Kind.TIME_ZONE: ["UTC0", "CET-1CEST,M3.5.0,M10.5.0/3"],
    Kind.TEXT: ["é" * 6, "Ä" * 12, "é" * 20],
    # Of a decimal with three digits, 0.12 and 0.125.
    Kind.DECIMAL: [*range(10), 120, 125, 27_300, 27_405],
}


def pool(field: Field, schema: Schema) -> list[Value]:
    """Return values for a field: at and around the limits that any version states for its kind."""
    edges = {
        edge
        for declared in DECLARED.values()
        for setting in declared.schema.settings
        if setting.field.kind is field.kind
        for edge in limits(setting.field)
    }
    found = list(PLAIN_VALUES.get(field.kind, []))
    match field.kind:
        case Kind.INTEGER | Kind.DECIMAL | Kind.DURATION | Kind.PORT:
            found += [edge + way for edge in edges for way in (-1, 0, 1)]
        case Kind.CHOICE:
            found += [option.key for option in field.options]
        case Kind.PIN:
            found += [pin.number for pin in schema.pins]
        case Kind.TEXT | Kind.SECRET:
            found += [sign * edge for sign in "x7 -" for edge in edges if edge <= 64]
        case Kind.HEX | Kind.BLOB:
            found += [bytes(edge) for edge in edges if edge <= 400]
    return [value for value in found if check_value(field, value, schema) is None]


class Sets:
    """Complete sets of one version, as a board admits them whole.

    Of every setting all values of its pool have their turn.
    """

    def __init__(self, schema: Schema, drawn: random.Random) -> None:
        self._schema, self._drawn = schema, drawn
        self._values = {
            setting.key: cycle(drawn.sample(values, len(values)))
            for setting in schema.settings
            for values in (pool(setting.field, schema),)
        }

    def next(self) -> dict[str, Value]:
        """Return one more; between few settings and nearly all of them are set."""
        while True:
            density = self._drawn.choice([0.1, 0.5, 0.9])
            chosen = [key for key in self._values if self._drawn.random() < density]
            values = {key: next(self._values[key]) for key in chosen}
            while lacking := missing(self._schema, values):
                values[lacking] = next(self._values[lacking])
            if check_whole(self._schema, {}, with_partners(self._schema, values)) is None:
                return values


def with_partners(schema: Schema, values: Mapping[str, Value]) -> dict[str, Value | None]:
    """Return the values, and that the rest of a pair is cleared (clause 9.6, partner)."""
    pairs = [s.key for s in schema.settings if s.field.network or _is_network(s)]
    return {**dict.fromkeys(pairs), **values}


def _is_network(setting: Setting) -> bool:
    return setting.field.kind is Kind.NETWORK_NAME


# ------------------------------------------------------------------------------------- the boards


@dataclass
class View:
    """What a board says that it holds, and what its firmware reads in the settings struct."""

    held: dict[str, Held]
    values: dict[str, Item]
    lacking: list[str]
    """Settings that are required and active and have no value in force."""

    missing: Item
    """What status calls the first of them."""

    conflict: list[str] | None = None
    """The two settings with one pin, as status has them; None where something is missing."""

    @property
    def stopped(self) -> bool:
        """Whether the firmware waits for somebody."""
        return bool(self.lacking or self.conflict)


class CBoard:
    """A board that runs the C generated for one version."""

    def __init__(self, library: c.CDLL, name: str) -> None:
        self.declared = DECLARED[name]
        self.schema = self.declared.schema
        schema = CSchema.in_dll(library, f"{name.replace('-', '_')}_schema")
        self.stub = Stub(library, self.declared, schema=schema)

    def start_on(self, content: bytes) -> None:
        """Start on a flash with this content."""
        self.stub.load(content)
        self.stub.config.boot_number += 1
        assert self.stub.start() == 0

    def ask(self, type_: MessageType, body: dict[int, Item] | None = None) -> dict[int, Item]:
        """Send a request that must be granted; return the body of the reply."""
        (reply,) = messages(self.stub.receive(request(type_, body)))
        assert reply.type == type_ + 1, (reply, body)
        return reply.body

    def store(self, values: Mapping[str, Value | None]) -> bytes:
        """Store values as a host does; return what the flash holds then."""
        for key, value in values.items():
            self.ask(MessageType.SET_FIELD, {SetFieldKey.FIELD: key, SetFieldKey.VALUE: value})
        self.ask(
            MessageType.COMMIT,
            {
                CommitKey.COUNT: len(values),
                CommitKey.DIGEST: staged_digest(self.schema, values),
                CommitKey.TOKEN: self.stub.config.boot_number.to_bytes(8, "big"),
            },
        )
        return self.stub.content

    def view(self) -> View:
        """Ask for everything."""
        self.ask(MessageType.HELLO)
        entries: list[Any] = []
        while len(entries) < len(self.schema.settings):
            reply = self.ask(MessageType.GET_VALUES, {GetValuesKey.FIRST: len(entries)})
            entries += reply[GetValuesReplyKey.ENTRIES]  # type: ignore[arg-type]
        status = self.ask(MessageType.STATUS)
        lacking = [
            setting.key
            for setting in self.schema.settings
            if self.schema.needs_value(setting.field)
            and self.stub.flags(setting.key) & (IS_ACTIVE | IN_FORCE) == IS_ACTIVE
        ]
        view = View(
            {entry[0]: Held(entry[1]) for entry in entries},
            {entry[0]: entry[2] for entry in entries if len(entry) > 2},
            lacking,
            status.get(StatusReplyKey.MISSING),
            status.get(StatusReplyKey.CONFLICT),  # type: ignore[arg-type]
        )
        state = (status[StatusReplyKey.STORE], status[StatusReplyKey.RUN])
        works = (Store.COMPLETE, Run.APPLYING)
        assert state == ((Store.INCOMPLETE, Run.IDLE) if view.stopped else works)
        return view


@dataclass(frozen=True)
class StoredSet:
    """A complete set of one version, and the flash to which its C board stored it."""

    values: Mapping[str, Value]
    flash: bytes
    payload: bytes


@pytest.fixture(scope="module")
def boards(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, CBoard]:
    """Return a C board of every version."""
    folder = tmp_path_factory.mktemp("versions")
    sources = [generated(declared, name, folder) for name, declared in DECLARED.items()]
    library = build(folder, *sources)
    return {name: CBoard(library, name) for name in DECLARED}


@pytest.fixture(scope="module")
def stored(boards: Mapping[str, CBoard]) -> Mapping[str, list[StoredSet]]:
    """Return complete sets of every version, stored by its C board."""
    found = {}
    for name, board in boards.items():
        sets = Sets(board.schema, random.Random(name))
        found[name] = [store_one(board, sets.next()) for _ in range(SETS_OF_EACH)]
    return found


def store_one(board: CBoard, values: Mapping[str, Value]) -> StoredSet:
    """Store a set on a fresh flash."""
    geometry = settings_geometry(board.declared)
    board.start_on(Flash(geometry).content)
    flash = board.store(with_partners(board.schema, values))
    slots = FlashStore(Flash(geometry, flash), board.declared.board.slots)
    slots.boot(offers_trial=False)
    return StoredSet(values, flash, slots.current.payload)


# ------------------------------------------------------------------- what was said, and what is so


def means_the_same(old: Field, value: Value, new: Field, other: Value) -> bool:
    """Whether two values are equal; numbers with other digits by what they count."""
    if old.kind is not Kind.DECIMAL:
        return value == other
    assert isinstance(value, int)
    assert isinstance(other, int)
    return Fraction(value, 10 ** (old.digits or 0)) == Fraction(other, 10 ** (new.digits or 0))


def shown(setting: Setting, value: Value) -> Item:
    """Return how get-values has a value (clause 6.3): a blob's length."""
    return len(value) if setting.field.kind is Kind.BLOB and isinstance(value, bytes) else value


def sources(carried: tuple[Carried, ...], new: Setting) -> list[Carried]:
    """Return the entries of a new setting."""
    return [each for each in carried if each.new is new]


def _without_number(key: str) -> str:
    section, *_, field = key.split(".")
    return f"{section}.{field}"


class Seen:
    """What was seen of each entry that says "on some boards": there must be both."""

    def __init__(self) -> None:
        self._kept: defaultdict[tuple[str, bool], set[bool]] = defaultdict(set)
        self._stopped: set[bool] = set()

    def note(self, each: Carried, *, asked: bool, so: bool) -> None:
        """Note that a value was kept or not, or that a setting lacked one or not."""
        self._kept[each.keys, asked].add(so)

    def note_state(self, update: UpdateOutcome, view: View) -> None:
        """Note whether the firmware works; two settings with one pin must have been named."""
        self._stopped.add(view.stopped)
        if view.conflict is not None:
            named = {(clash.later.base_key, clash.earlier.base_key) for clash in update.clashes}
            assert tuple(map(_without_number, view.conflict)) in named, view

    def one_sided(self, update: UpdateOutcome) -> list[tuple[str, str]]:
        """Return keys and words of the entries of which only one side was seen."""
        carried = update.settings
        unseen = [
            ("boards", update.verdict.value)
            for stops in (False, True)
            if update.stops is Chance.PERHAPS and stops not in self._stopped
        ]
        return unseen + [
            (each.keys, each.words)
            for each in carried
            # What an older firmware than these two has stored: see the test of three.
            if "still stored as" not in each.words
            for asked, is_said in (
                (False, each.fate is Fate.PARTLY),
                (True, each.asked is Chance.PERHAPS),
            )
            if is_said and self._kept[each.keys, asked] != {False, True}
        ]


@cache
def said(old: str, new: str) -> UpdateOutcome:
    """Return what is said of the update of one version to another."""
    return carry_over(DECLARED[old], DECLARED[new])


def compare(update: UpdateOutcome, values: Mapping[str, Value], view: View, seen: Seen) -> None:
    """Compare what was said with what a new board holds after an old one had these values."""
    if update.stops is not Chance.PERHAPS:
        assert view.stopped is (update.stops is Chance.ALWAYS), (values, view)
    seen.note_state(update, view)
    carried = update.settings
    for new in dict.fromkeys(each.new for each in carried if each.new):
        entries = sources(carried, new)
        found = [each for each in entries if each.old and each.old.key in values]
        if not found:
            assert view.held[new.key] is Held.UNSET, new.key
        for each in found:
            assert each.old is not None
            value = values[each.old.key]
            is_first = each is found[0]
            kept = view.held[new.key] is Held.SET and is_first
            if is_first:
                assert view.held[new.key] is not Held.UNSET
            if kept and not new.field.is_secret:
                was = shown(each.old, value)
                assert means_the_same(each.old.field, was, new.field, view.values[new.key])  # type: ignore[arg-type]
            if each.fate is Fate.PARTLY:
                seen.note(each, asked=False, so=kept)
            else:
                assert kept is (each.fate in KEPT), (each, value, view.held[new.key])
        lacks = new.key in view.lacking
        for each in entries:
            if each.asked is Chance.PERHAPS:
                seen.note(each, asked=True, so=lacks)
            else:
                assert lacks is (each.asked is Chance.ALWAYS), (each, values)


@pytest.mark.needs("gcc")
@pytest.mark.parametrize(("old", "new"), PAIRS)
def test_boards_do_what_was_said(
    boards: Mapping[str, CBoard], stored: Mapping[str, list[StoredSet]], old: str, new: str
) -> None:
    """Every setting of each pair; the C board and the Python board hold the same (clause 10)."""
    board = boards[new]
    for one in stored[old]:
        board.start_on(one.flash)
        view = board.view()
        assert view == python_view(board.schema, one.payload)
        compare(said(old, new), one.values, view, Seen())


@pytest.mark.parametrize(("old", "new"), PAIRS)
def test_what_is_said_of_some_boards_is_true_of_some_and_not_of_others(old: str, new: str) -> None:
    """A value that "may" be lost is lost by one set and kept by another; so with questions.

    A board that "may" stop stops with one set and works with another.
    """
    before, after = DECLARED[old].schema, DECLARED[new].schema
    update = said(old, new)
    sets, seen = Sets(before, random.Random(old)), Seen()
    unseen = seen.one_sided(update)
    for number in range(MOST_SETS):
        if number and not unseen:
            break
        values = sets.next()
        compare(update, values, python_view(after, pack_values(before, values)), seen)
        unseen = seen.one_sided(update)
    assert unseen == []


@pytest.mark.needs("gcc")
@pytest.mark.parametrize(("old", "new"), PAIRS)
def test_settings_that_may_have_one_pin_have_it_on_some_board(
    boards: Mapping[str, CBoard], old: str, new: str
) -> None:
    """Each two that are named: an old board takes a set whole, and the new one has both there."""
    board = boards[new]
    for clash in said(old, new).clashes:
        assert clash.example is not None
        board.start_on(store_one(boards[old], clash.example).flash)
        view = board.view()
        assert view.stopped
        for setting in (clash.later, clash.earlier):
            assert board.stub.flags(setting.key) & (IS_ACTIVE | IN_FORCE) == IS_ACTIVE | IN_FORCE
            chosen = view.values.get(setting.key, setting.field.default)
            assert chosen == clash.pin, clash.words


def python_view(schema: Schema, payload: bytes) -> View:
    """Return what the Python board holds (clauses 6.3 and 9.6)."""
    meant = unpack_values(schema, payload)
    counts, applying = in_force(schema, meant.values), active(schema, meant.values)
    held = {
        s.key: Held.SET
        if s.key in meant.values
        else Held.FELL_BACK
        if s.key in meant.fell_back
        else Held.UNSET
        for s in schema.settings
    }
    lacking = [
        s.key
        for s in schema.settings
        if schema.needs_value(s.field) and s.key in applying and s.key not in counts
    ]
    found = None if lacking else defect(schema, meant.values)
    return View(
        held,
        {
            s.key: shown(s, counts[s.key])
            for s in schema.settings
            if held[s.key] is not Held.UNSET and s.key in counts and not s.field.is_secret
        },
        lacking,
        missing(schema, meant.values),
        [found.field, str(found.other)] if found else None,
    )


@pytest.mark.needs("gcc")
@pytest.mark.parametrize(("old", "new"), PAIRS)
def test_no_update_and_no_downgrade_bricks_a_board(
    boards: Mapping[str, CBoard], stored: Mapping[str, list[StoredSet]], old: str, new: str
) -> None:
    """The new firmware starts, answers, takes what it lacks; the old one then starts on that."""
    board, back = boards[new], boards[old]
    drawn = random.Random(old + new)
    for one in stored[old][:6]:
        board.start_on(one.flash)
        changes = completing(board.schema, one.payload, drawn)
        flash = board.store(changes) if changes else one.flash
        board.start_on(flash)
        assert not board.view().stopped
        back.start_on(flash)
        back.view()


def completing(schema: Schema, payload: bytes, drawn: random.Random) -> dict[str, Value | None]:
    """Return what a host stages so that a board admits the whole of what it kept."""
    kept = unpack_values(schema, payload).values
    changes: dict[str, Value | None] = {}
    for _ in schema.settings:
        fault = check_whole(schema, kept, changes)
        if fault is None:
            return changes
        setting = schema.setting(fault.field)
        assert setting is not None
        changes[fault.field] = drawn.choice(pool(setting.field, schema))
    # More settings need a pin than there are pins: the person begins anew.
    return {**dict.fromkeys(kept), **with_partners(schema, Sets(schema, drawn).next())}


def test_what_an_update_left_under_older_keys_survives_the_next_one(
    stored: Mapping[str, list[StoredSet]],
) -> None:
    """Of every three versions: the first stores, the second only starts, the third is the update.

    The second stores nothing, so that values still lie under the keys of the first.
    """
    lost = set()
    compared = 0
    for first, old, new in permutations(DECLARED, 3):
        before, after = DECLARED[old].schema, DECLARED[new].schema
        carried = said(old, new).settings
        for one in stored[first][:10]:
            held = unpack_values(before, one.payload).values
            if defect(before, held):
                continue  # the old firmware waits for a person, who stores
            kept = unpack_values(after, one.payload).values
            for each in carried:
                if each.old is None or each.new is None or each.old.key not in held:
                    continue
                compared += 1
                is_kept = each.new.key in kept and means_the_same(
                    each.old.field, held[each.old.key], each.new.field, kept[each.new.key]
                )
                if each.fate in KEPT:
                    assert is_kept, (first, old, new, each)
                if not is_kept and "still stored as mast.name" in each.words:
                    lost.add(each.keys)
    assert compared > 5_000
    assert lost == {"orchard.title", "mast.title -> orchard.title"}


# ------------------------------------------------------------------------ one change after another

LEAST = """\
format = 1
title = "Frost alarm"
firmware = { name = "frost-alarm", version = "VERSION" }
board = { name = "mast", flash-size = 65536, erase-unit = 4096, program-unit = UNIT, \
settings-at = AT, settings-size = SIZE, slots = SLOTS }
[[section]]
key = "mast"
label = "Mast"
field = [FIELDS]
"""


def declare(
    *fields: str, at: int = 0, size: int = 16384, slots: int = 4, unit: int = 16
) -> Declaration:
    """Return a declaration with these fields of one section."""
    text = LEAST.replace("FIELDS", ", ".join(f"{{ label = 'L', {field} }}" for field in fields))
    for word, value in {"AT": at, "SIZE": size, "SLOTS": slots, "UNIT": unit}.items():
        text = text.replace(f"= {word}", f"= {value}")
    return read_declaration(text, "frost-alarm.toml")


NAME = "key = 'name', kind = 'text', maximum = 20"


def written_out(field: str) -> str:
    """Return a field of changes.txt as a schema file has it."""
    _, key, kind, more = field.split(" ", 3)
    return f"key = '{key}', kind = '{kind}', {more}"


_, _, CHANGES = Path(__file__).with_name("changes.txt").read_text("utf-8").partition("\n\n")


@pytest.mark.parametrize("change", re.split(r"\n(?=-)", CHANGES))
def test_each_change_has_its_words(change: str) -> None:
    """What it is, and what follows for whoever has the board; changes.txt has them."""
    old, new, outcome = change.splitlines()
    (carried,) = carry_over(declare(written_out(old)), declare(written_out(new))).settings
    assert f"{carried.fate.name.lower()}: {carried.words}".rstrip() == outcome


LEVEL = "key = 'level', kind = 'integer', minimum = 0, maximum = 9"
CAREFUL = LEVEL + ", default = 4, caution = 'Mind the heat.'"


@pytest.mark.parametrize(
    ("old", "new", "verdict", "stops"),
    [
        ((NAME,), (NAME,), UpdateVerdict.NOTHING, Chance.NEVER),
        ((NAME, LEVEL), (NAME,), UpdateVerdict.NOTHING, Chance.NEVER),  # lost, and nobody is asked
        ((NAME,), (NAME, LEVEL), UpdateVerdict.QUESTIONS, Chance.NEVER),
        ((LEVEL,), (LEVEL.replace("9", "5"),), UpdateVerdict.QUESTIONS, Chance.NEVER),
        ((NAME,), (NAME, LEVEL + ", required = true"), UpdateVerdict.STOPS, Chance.ALWAYS),
        (
            (NAME,),
            (NAME, LEVEL + ", required = true, default = 4"),
            UpdateVerdict.QUESTIONS,
            Chance.NEVER,
        ),
        ((NAME,), (NAME, CAREFUL), UpdateVerdict.STOPS, Chance.ALWAYS),
        ((LEVEL + ", default = 4",), (CAREFUL,), UpdateVerdict.STOPS, Chance.PERHAPS),
        ((CAREFUL,), (CAREFUL,), UpdateVerdict.NOTHING, Chance.NEVER),
        (
            (CAREFUL,),
            (CAREFUL.replace("4", "5"),),
            UpdateVerdict.NOTHING,
            Chance.NEVER,
        ),  # all have chosen
        ((CAREFUL,), (CAREFUL.replace("9", "5"),), UpdateVerdict.STOPS, Chance.PERHAPS),
        (
            (LEVEL + ", required = true",),
            (LEVEL.replace("9", "5") + ", required = true",),
            UpdateVerdict.STOPS,
            Chance.PERHAPS,
        ),
        # A condition that now asks.
        (
            ("key = 'lit', kind = 'yes-no', default = false", LEVEL),
            (
                "key = 'lit', kind = 'yes-no', default = true",
                LEVEL + ", required = true, asked-if = { field = 'lit', is = true }",
            ),
            UpdateVerdict.STOPS,
            Chance.PERHAPS,
        ),
        (
            (
                "key = 'lit', kind = 'yes-no', default = false",
                LEVEL + ", asked-if = { field = 'lit', is = true }",
            ),
            ("key = 'lit', kind = 'yes-no', default = false", LEVEL),
            UpdateVerdict.QUESTIONS,
            Chance.NEVER,
        ),
    ],
)
def test_the_verdict_is_of_the_worst_that_may_happen_to_a_board(
    old: tuple[str, ...], new: tuple[str, ...], verdict: UpdateVerdict, stops: Chance
) -> None:
    """Boards that stop come before new questions, and those before nothing to do (clause 9.6)."""
    update = carry_over(declare(*old), declare(*new))
    assert (update.verdict, update.stops) == (verdict, stops)


DRYERS = Path(__file__).parents[2] / "shared" / "vectors"


def test_two_settings_that_an_update_puts_on_one_pin_are_named(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """With the pin, and how each comes to it; conversations of the vectors show two of them."""
    files = (DRYERS / "dryer-1.toml", DRYERS / "dryer-2.toml")
    assert command(*files) == 7
    text = capsys.readouterr().out
    assert (
        "On one pin:\n"
        "  dryer.heater and dryer.fan may both have the pin 14, where dryer.fan was set to it,"
        " which is the default of dryer.heater now\n"
    ) in text
    assert command(*files, "--json") == 7
    pins = json.loads(capsys.readouterr().out)["pins"]
    assert {("dryer.heater", "dryer.fan", 14), ("dryer.mist", "dryer.fan", 5)} <= {
        (each["later"], each["earlier"], each["pin"]) for each in pins
    }


@pytest.mark.parametrize(
    ("change", "found", "why"),
    [
        ({"at": 16384}, False, "elsewhere in the flash"),
        ({"unit": 256}, False, "the program unit was 16 and is 256"),  # the area did not move
        ({"unit": 1}, True, ""),
        ({"size": 32768, "slots": 8}, True, ""),
    ],
)
def test_settings_that_lie_elsewhere_are_lost(
    change: dict[str, int], found: bool, why: str
) -> None:
    """Said, and seen: the new board starts on the whole flash as the old one left it."""
    old, new = declare(NAME), declare(NAME, **change)
    update = carry_over(old, new)
    (carried,) = update.settings
    assert (carried.fate is Fate.KEPT) is found
    assert found or why in carried.words
    # A board that finds nothing has nothing to work with.
    assert update.verdict is (UpdateVerdict.NOTHING if found else UpdateVerdict.STOPS)

    whole = bytearray(b"\xff" * old.board.flash_size)
    area = Flash(settings_geometry(old))
    slots = FlashStore(area, old.board.slots)
    slots.boot(offers_trial=False)
    payload = pack_values(old.schema, {"mast.name": "Lower orchard"})
    slots.commit(payload, bytes(8), bytes(8), on_trial=False)
    whole[old.board.settings_at : old.board.settings_at + len(area.content)] = area.content
    start, geometry = new.board.settings_at, settings_geometry(new)
    after = FlashStore(
        Flash(geometry, bytes(whole[start : start + geometry.size])), new.board.slots
    )
    after.boot(offers_trial=False)
    assert (after.current.payload == payload) is found


@pytest.mark.parametrize(
    "change", [{"size": 8192, "slots": 2}, {"size": 32768}, {"at": 4096}, {"at": 8192, "slots": 2}]
)
def test_other_slots_may_lose_the_newest_set(change: dict[str, int]) -> None:
    """Which slot it is in depends on how often settings were stored."""
    update = carry_over(declare(NAME), declare(NAME, **change))
    (carried,) = update.settings
    assert (update.verdict, update.stops) == (UpdateVerdict.STOPS, Chance.PERHAPS)
    assert carried.fate is Fate.PARTLY
    assert "slot" in carried.words


# --------------------------------------------------------------------------------- for people


def command(*arguments: str | Path) -> int:
    """Run the command on a command line."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return run(parser.parse_args([*map(str, arguments)]))


def test_the_text_has_a_line_for_each_setting_and_one_that_sums_up(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """In groups; instances to which the same happens share a line."""
    assert command(FILES["frost-02"], FILES["frost-04"]) == 7
    text = capsys.readouterr().out
    assert text.startswith("orchard-frost-alarm 2 -> orchard-frost-alarm 4\n\nKept:\n")
    for line in (
        (
            "service.server -> service.host  at most 20 characters now; else the default counts: "
            "frost.example.net"
        ),
        (
            "mast.name -> mast.title         at most 20 characters now; else the board stops until"
            " it is asked"
        ),
    ):
        assert f"\n  {line}\n" in text
    assert "\n  probe.1-2.pin  the new file has no such setting\n" in text
    assert text.endswith(".\n")
    assert text.count("\n\n") == len({line for line in text.splitlines() if line[-1:] == ":"}) + 1


def test_json_says_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    """Every instance by itself, for a script."""
    assert command(FILES["frost-01"], FILES["frost-09"], "--json") == 7
    told = json.loads(capsys.readouterr().out)
    update = said("frost-01", "frost-09")
    carried = update.settings
    assert told["lost"] is True
    assert (told["verdict"], told["stops"]) == ("stops", update.stops.name.lower())
    assert told["words"] == summary(update)
    assert [(s["old"], s["new"], s["fate"], s["asked"]) for s in told["settings"]] == [
        (e.old and e.old.key, e.new and e.new.key, e.fate.value, e.asked.name.lower())
        for e in carried
    ]
    assert ("probe.1.place", "sensor.place", "kept under a new key", "never") in [
        (s["old"], s["new"], s["fate"], s["asked"]) for s in told["settings"]
    ]


@pytest.mark.parametrize(("old", "new"), PAIRS)
def test_every_setting_of_both_files_is_accounted_for(old: str, new: str) -> None:
    """Once if it is old; and there is no new one of which nothing is said."""
    update = said(old, new)
    carried = update.settings
    before = [each.old.key for each in carried if each.old]
    assert sorted(before) == sorted(s.key for s in DECLARED[old].schema.settings)
    after = {each.new.key for each in carried if each.new}
    assert after == {s.key for s in DECLARED[new].schema.settings}
    assert len(lines(update)) > 1


def test_exit_codes_are_for_a_release_script(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """7: boards may stop, unless that is allowed; 1: something is lost; 0: neither."""
    assert command(FILES["frost-01"], FILES["frost-01"]) == 0
    assert capsys.readouterr().out.endswith(
        "\n\nNothing that people have set is lost."
        " Nothing has to be done: every board goes on working.\n"
    )
    assert command(FILES["frost-01"], FILES["frost-02"]) == 7
    assert "Every board stops working" in capsys.readouterr().out
    assert command(FILES["frost-01"], FILES["frost-02"], "--allow", "stop") == 0
    assert command(FILES["frost-02"], FILES["frost-04"], "--allow", "stop") == 1
    assert command(FILES["frost-02"], FILES["frost-04"], "--allow", "loss") == 7
    both = ("--allow", "stop", "--allow", "loss")
    assert command(FILES["frost-02"], FILES["frost-04"], *both) == 0
    assert "Boards may stop working" in capsys.readouterr().out
    capsys.readouterr()
    newer = tmp_path / "newer.toml"
    text = FILES["frost-01"].read_text(encoding="utf-8")
    more = '{ key = "level", kind = "integer", label = "Level" },\n    { key = "relay"'
    newer.write_text(text.replace('{ key = "relay"', more), encoding="utf-8")
    assert command(FILES["frost-01"], newer) == 0
    assert "There are new questions for the next dialog" in capsys.readouterr().out
    with pytest.raises(SystemExit) as end:
        command(FILES["frost-01"])
    assert end.value.code == 2


def test_mistakes_in_both_files_are_named_in_one_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the path of each, since both often have one name; the code is that of `check`."""
    (tmp_path / "new").mkdir()
    text = FILES["frost-01"].read_text(encoding="utf-8")
    files = [tmp_path / "frost.toml", tmp_path / "new" / "frost.toml"]
    for file in files:
        file.write_text(text.replace("format = 1", "format = 2"), encoding="utf-8")
    assert command(*files) == 1
    said = capsys.readouterr()
    assert said.out == ""
    for line, file in zip(said.err.splitlines(), files, strict=True):
        assert line.startswith(f"{file}:4:")
    assert command(*files, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert [mistake["file"] for mistake in told["mistakes"]] == [str(file) for file in files]
    assert command(tmp_path / "absent.toml", FILES["frost-01"]) == 1
    assert "there is no such file" in capsys.readouterr().err
