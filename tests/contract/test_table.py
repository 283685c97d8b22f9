# SPDX-License-Identifier: MIT
"""The tables, and that Python, C and the rest of the contract say what they say."""

from __future__ import annotations

import json
import subprocess
from enum import IntEnum, IntFlag
from pathlib import Path
from typing import Any

import pytest

from provision.contract import line, profile, table
from provision.contract.messages import Message, encode_message, legal
from provision.contract.profile import Item
from provision.contract.shapes import (
    Array,
    Bool,
    Bytes,
    Code,
    Either,
    Integer,
    Null,
    Shape,
    Text,
    Tuple,
)
from provision.contract.table import MESSAGES, Capability, MessageType, Row, Store
from tests.c_board.board import compile_c, includes
from tests.waiting import PATIENCE

ROOT = Path(__file__).parents[2]
TABLE: dict[str, Any] = json.loads((ROOT / "shared" / "messages.json").read_text(encoding="utf-8"))
SCHEMA: dict[str, Any] = json.loads((ROOT / "shared" / "schema.json").read_text(encoding="utf-8"))
CODES = {**TABLE["codes"], **SCHEMA["codes"], "kind": SCHEMA["kinds"]}
REQUESTS = [row for row in MESSAGES.values() if row.is_request]


def python_name(name: str) -> str:
    """Return the constant's name of a name in the table."""
    return name.upper().replace("-", "_")


def illegal_pairs() -> list[tuple[str, str, bool]]:
    """Return every request with each state in which the table does not list it as legal."""
    return [
        (row["name"], store["name"], staged)
        for row in TABLE["messages"]
        if row["direction"] == "request"
        for store in TABLE["codes"]["store"]
        for staged in (False, True)
        if store["name"] not in row["legal"]["store"] or staged not in row["legal"]["staged"]
    ]


@pytest.mark.parametrize(("name", "store", "staged"), illegal_pairs())
def test_every_illegal_pair_is_refused(name: str, store: str, staged: bool) -> None:
    """A request is illegal in every state that the table does not list for it."""
    assert not legal(MessageType[python_name(name)], Store[python_name(store)], staged)


def test_all_other_pairs_are_legal() -> None:
    """Nothing is illegal but those pairs, and there are some."""
    illegal = {
        (row.name, store.name.lower(), staged)
        for row in REQUESTS
        for store in Store
        for staged in (False, True)
        if not legal(row.type, store, staged)
    }
    assert illegal == set(illegal_pairs())
    assert illegal


def test_a_request_is_odd_and_its_reply_comes_next() -> None:
    """So an echo of a request is no reply, and of a reply no request (clauses 2.2 and 4.1)."""
    for row in REQUESTS:
        reply = MESSAGES[row.type + 1]
        assert row.type % 2 == 1
        assert (reply.is_request, reply.name) == (False, f"{row.name}-reply")
    assert len(MESSAGES) == 2 * len(REQUESTS) + 1  # the refusal has no request of its own


def test_what_each_request_needs_and_changes() -> None:
    """Optional requests name their capability; presence guards those marked (clause 5.5)."""
    assert {row.name: row.needs for row in REQUESTS if row.needs} == {
        "undo": Capability.UNDO,
        "erase": Capability.ERASE,
        "restart": Capability.RESTART,
        "confirm": Capability.TRIAL,
        "survey": Capability.SURVEY,
        "locate": Capability.LOCATE,
    }
    assert {row.name for row in REQUESTS if row.changes} == {
        *("set-field", "commit", "undo", "erase", "restart", "confirm"),
    }


@pytest.mark.parametrize("name", CODES)
def test_codes_are_the_tables(name: str) -> None:
    """Each set of codes is an enumeration with the table's numbers, none of them twice."""
    enumeration = getattr(table, "".join(word.capitalize() for word in name.split("-")))
    expected = {python_name(code["name"]): code["code"] for code in CODES[name]}
    assert {key: int(code) for key, code in enumeration.__members__.items()} == expected
    assert len(set(expected.values())) == len(CODES[name])
    bits = next(row for row in TABLE["code-sets"] if row["name"] == name).get("bits", False)
    assert issubclass(enumeration, IntFlag if bits else IntEnum)
    assert not bits or all(code.bit_count() == 1 for code in expected.values())


def test_bodies_are_the_tables() -> None:
    """Each message has the table's keys, named by an enumeration of its own."""
    for expected in TABLE["messages"]:
        row = MESSAGES[expected["number"]]
        assert (row.name, row.since) == (expected["name"], expected["since"])
        assert {key: (field.name, field.required) for key, field in row.body.items()} == {
            key["key"]: (key["name"], key.get("required", True)) for key in expected["body"]
        }
        if row.body:
            keys = getattr(table, "".join(w.capitalize() for w in row.name.split("-")) + "Key")
            assert {key.name: int(key) for key in keys} == {
                python_name(field.name): key for key, field in row.body.items()
            }


def test_limits_are_those_of_line_and_profile() -> None:
    """The modules below the table have the table's limits."""
    assert line.MAX_BODY == table.MAX_BODY
    assert line.MIN_BODY_LIMIT == table.MIN_BODY_LIMIT
    assert profile.MESSAGE_DEPTH == table.MAX_DEPTH
    assert profile.SCHEMA_DEPTH == table.MAX_SCHEMA_DEPTH
    assert len(line.encode_line(bytes(3))) == len("AAAA") + table.LINE_OVERHEAD


def longest(shape: Shape) -> Item:
    """Return an item of this shape whose encoding is longest."""
    match shape:
        case Integer(least, most):
            return least if least < 0 else most
        case Code(_, most):
            return most
        case Text(_, most):
            return "x" * most
        case Bytes(_, most):
            return bytes(most)
        case Bool():
            return True
        case Null():
            return None
        case Array(of, _, most):
            return [longest(of)] * most
        case Tuple(items, _):
            return [longest(item) for item in items]
        case Either(shapes):
            return max(map(longest, shapes), key=lambda item: len(profile.encode(item)))
    raise AssertionError(shape)


def longest_body(row: Row) -> int:
    """Return the length of the longest BODY that a message of this type can have, in characters."""
    body = {key: longest(field.shape) for key, field in row.body.items()}
    item = encode_message(Message(255, row.type, 65_535, body))
    return len(line.encode_line(item, limit=10**6)) - table.LINE_OVERHEAD


def test_every_request_but_set_field_fits_the_smallest_board() -> None:
    """A board may announce 128 characters, and needs no more for any other request (clause 2.3)."""
    for row in REQUESTS:
        if row.type is not MessageType.SET_FIELD:
            assert longest_body(row) <= table.MIN_BODY_LIMIT


def test_every_reply_but_pages_fits_a_line() -> None:
    """Only replies that come in pages leave it to the board how much it puts into one."""
    pages = {MessageType.GET_VALUES_REPLY, MessageType.SURVEY_REPLY}
    for row in MESSAGES.values():
        if not row.is_request and row.type not in pages:
            assert longest_body(row) <= table.MAX_BODY, row.name


def c_constants() -> dict[str, int]:
    """Return what the header is to define: each name in C with its number, from the table."""
    prefixes = {"refusal": "REFUSE", "capability": "CAN", "ability": "ABLE"}
    constants = {"PV_PROTOCOL_VERSION": TABLE["protocol-version"]}
    constants["PV_SKIPPABLE_FROM"] = TABLE["skippable-from"]
    for limit in (*TABLE["limits"], *SCHEMA["limits"]):
        unit = "_MS" if limit["unit"] == "ms" else ""
        constants[f"PV_{python_name(limit['name'])}{unit}"] = limit["value"]
    for name, codes in CODES.items():
        prefix = prefixes.get(name, python_name(name))
        for code in codes:
            constants[f"PV_{prefix}_{python_name(code['name'])}"] = code["code"]
    for row in TABLE["messages"]:
        constants[f"PV_MSG_{python_name(row['name'])}"] = row["number"]
        for key in row["body"]:
            constants[f"PV_KEY_{python_name(row['name'])}_{python_name(key['name'])}"] = key["key"]
    return constants


def run_c(source: str, folder: Path) -> str:
    """Compile a program against the header, without a warning, and return what it prints."""
    (folder / "program.c").write_text(source)
    program = compile_c(folder / "program", [folder / "program.c"], *includes())
    return subprocess.run(
        [program], check=True, capture_output=True, text=True, timeout=PATIENCE
    ).stdout


@pytest.mark.needs("cc")
def test_the_header_has_the_tables_numbers(tmp_path: Path) -> None:
    """pv_table.h compiles as C99 without a warning, twice in a row, and a C program agrees."""
    expected = c_constants()
    prints = "\n".join(f'    printf("{name} %ld\\n", (long){name});' for name in expected)
    printed = run_c(
        '#include "pv_table.h"\n#include "pv_table.h"\n#include <stdio.h>\n'
        f"int main(void)\n{{\n{prints}\n    return 0;\n}}\n",
        tmp_path,
    )
    assert printed.split() == [part for item in expected.items() for part in map(str, item)]


@pytest.mark.needs("cc")
def test_the_header_says_where_a_request_is_legal(tmp_path: Path) -> None:
    """Its masks, capabilities and marks of each request are those of Python."""
    rules = ", ".join(f"{{PV_RULES_OF_{row.type.name}, 0, NULL, NULL, NULL}}" for row in REQUESTS)
    printed = run_c(
        f"""
        #include "pv_internal.h"
        #include <stdio.h>
        int main(void) {{
            static const pv_request rules[] = {{{rules}}};
            for (unsigned i = 0; i < PV_COUNT(rules); i++) {{
                const pv_request *r = &rules[i];
                printf("%u %u %u %u %u\\n", r->type, r->legal & 15u, r->legal >> 4u,
                       (unsigned)r->needs, r->flags & PV_CHANGES);
            }}
            return 0;
        }}
        """,
        tmp_path,
    )
    expected = [
        f"{row.type:d} {sum(1 << store for store in row.stores)} "
        f"{sum(1 << staged for staged in row.staged)} {row.needs or 0:d} {row.changes:d}"
        for row in REQUESTS
    ]
    assert printed.splitlines() == expected
