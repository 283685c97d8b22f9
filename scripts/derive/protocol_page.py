# SPDX-License-Identifier: MIT
"""The tables as sections of `shared/protocol.md` and `schemas/README.md`; the diagram of states."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from scripts.derive.source import MessageRow, Table, Transition, Type

_STAGED = {False: "nothing staged", True: "something staged"}
_STAGED_NODES = {False: "unstaged", True: "staged"}


def messages(table: Table) -> str:
    """Every type of message: who sends it, what it needs, and when it is legal."""
    return _table(
        ("type", "name", "from", "needs", "changes", "legal", "meaning"),
        (
            (
                str(row.number),
                row.name,
                "host" if row.is_request else "board",
                row.needs or "",
                "yes" if row.changes else "",
                _where(table, row) if row.is_request else "",
                row.means or f"{row.name.removesuffix('-reply')} was carried out",
            )
            for row in table.messages
        ),
    )


def states(table: Table) -> str:
    """The diagram of states, and the table of what is legal in which."""
    stores = [code.name for code in table.code_set("store").codes]
    legality = _table(
        ("request", *stores),
        ((row.name, *(_staged_where(row, store) for store in stores)) for row in table.requests),
    )
    return (
        "The two parts of the state are independent of each other:\n\n"
        f"{_diagram(table, stores[0])}\n"
        "A transition with a capability in brackets needs that capability.\n\n"
        "Which requests are legal, by what is stored and what is staged:\n\n"
        f"{legality}"
    )


def bodies(table: Table) -> str:
    """The keys in the body of every message."""
    intro = (
        "Sizes are in bytes, those of arrays in items. "
        "A *value* is an integer, text, bytes or bool; its field says which [9.1].\n\n"
    )
    return intro + "\n".join(
        f"#### {row.number} {row.name}\n\n{_body(row)}" for row in table.messages
    )


def codes(table: Table) -> str:
    """Every set of codes."""
    sections = []
    for code_set in table.code_sets:
        form = "a sum of bits" if code_set.bits else "one of these"
        rows = _table(
            ("bit" if code_set.bits else "code", "name", "meaning"),
            ((str(code.code), code.name, code.means) for code in code_set.codes),
        )
        means = code_set.means[:1].upper() + code_set.means[1:]
        sections.append(
            f"#### {code_set.name}\n\n"
            f"{means}: {form}. Others up to {code_set.max:,} are for later versions.\n\n{rows}"
        )
    return "\n".join(sections)


def limits(table: Table) -> str:
    """Every limit."""
    return _table(
        ("name", "value", "unit", "meaning"),
        ((limit.name, f"{limit.value:,}", limit.unit, limit.means) for limit in table.limits),
    )


def schema_map(table: Table, name: str) -> str:
    """The keys of one of the maps that a schema is made of."""
    return _table(
        ("key", "name", "type", "meaning"),
        (
            (
                str(key.key),
                key.name,
                _schema_type(table, key.type) + (f", {key.there}" if key.there else ""),
                key.means,
            )
            for key in table.schema.maps[name]
        ),
    )


def kinds(table: Table) -> str:
    """What a value of each kind is, and how it is checked."""
    return _table(
        ("kind", "CBOR type", "checks, in this order", "secret", ""),
        (
            (kind.name, kind.cbor, kind.checks, kind.secret, f"{{{kind.requirement}}}")
            for kind in table.schema.kinds
        ),
    )


def file_keys(table: Table, name: str) -> str:
    """The keys of one of the tables of a schema file."""
    return _table(("key", ""), table.schema.file[name].items())


def file_kinds(table: Table) -> str:
    """The keys of each kind in a schema file, and how its values are written there."""
    return _table(
        ("kind", "keys of its own", "`default`, limits and conditions are written as"),
        ((f"`{kind.name}`", kind.file_keys, kind.file_values) for kind in table.schema.kinds),
    )


def _table(heads: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [heads, ("---",) * len(heads), *rows]
    return "".join(f"|{'|'.join(map(_cell, line))}|\n" for line in lines)


def _cell(text: str) -> str:
    return f" {text.replace('|', '&#124;')} " if text else " "


def _where(table: Table, row: MessageRow) -> str:
    conditions = []
    if len(row.stores) < len(table.code_set("store").codes):
        conditions.append(" or ".join(row.stores))
    if len(row.staged) == 1:
        conditions.append(_STAGED[row.staged[0]])
    return ", ".join(conditions) or "always"


def _staged_where(row: MessageRow, store: str) -> str:
    if store not in row.stores:
        return "no"
    return _STAGED[row.staged[0]] if len(row.staged) == 1 else "yes"


def _diagram(table: Table, first_store: str) -> str:
    staging = [t for t in table.transitions if isinstance(t.to, bool)]
    storing = [t for t in table.transitions if not isinstance(t.to, bool)]
    lines = [
        "```mermaid",
        "stateDiagram-v2",
        "    state Stored {",
        f"        [*] --> {first_store}",
        *_arrows(storing),
        "    }",
        "    state Staged {",
        *(f'        state "{_STAGED[staged]}" as {name}' for staged, name in _STAGED_NODES.items()),
        f"        [*] --> {_STAGED_NODES[False]}",
        *_arrows(staging),
        "    }",
        "```",
    ]
    return "\n".join(lines) + "\n"


def _arrows(transitions: Iterable[Transition]) -> Iterator[str]:
    """One arrow for each pair of states, with all its causes."""
    causes: dict[tuple[str, str], list[str]] = {}
    for transition in transitions:
        label = transition.cause + (f" [{transition.offers}]" if transition.offers else "")
        for origin in transition.origins:
            causes.setdefault((_node(origin), _node(transition.to)), []).append(label)
    for (origin, to), labels in causes.items():
        yield f"        {origin} --> {to} : {', '.join(labels)}"


def _node(state: str | bool) -> str:
    return _STAGED_NODES[state] if isinstance(state, bool) else state


def _body(row: MessageRow) -> str:
    if not row.body:
        return "No keys.\n"
    alternatives = {name for names in row.one_of for name in names}
    keys = _table(
        ("key", "name", "type", "presence", "meaning"),
        (
            (
                str(key.key),
                key.name,
                _type(key.type),
                "always"
                if key.required
                else "see below"
                if key.name in alternatives
                else "optional",
                key.means,
            )
            for key in row.body
        ),
    )
    if not row.one_of:
        return keys
    return f"{keys}\nEither {', or '.join(map(_together, row.one_of))}.\n"


def _together(names: tuple[str, ...]) -> str:
    *others, last = (f"`{name}`" for name in names)
    return f"{', '.join(others)} and {last} together" if others else last


def _type(form: Type) -> str:
    match form["is"]:
        case "uint" | "int":
            return f"integer {_range(form['min'], form['max'])}"
        case "text" | "bytes":
            return f"{form['is']} {_range(form['min'], form['max'])}"
        case "bool" | "null" | "value":
            return str(form["is"])
        case "code":
            return f"code: {form['of']}"
        case "array":
            return f"array of {_range(form['min'], form['max'])}: {_type(form['of'])}"
        case "tuple":
            return f"[{', '.join(_type(item) for item in form['items'])}]"
        case "optional":
            return f"{_type(form['of'])} or nothing"
        case "either":
            return " or ".join(_type(item) for item in form["types"])
        case unknown:
            raise ValueError(f"The table has a type `{unknown}` that no rule here has words for.")


def _range(least: int, most: int) -> str:
    if least == most:
        return f"{most:,}"
    return f"{least:,}…{most:,}".replace("-", "\N{MINUS SIGN}")


def _schema_type(table: Table, form: Type) -> str:
    match form["is"]:
        case "uint" | "text" if form["min"] < form["max"]:
            return f"{form['is']} {form['min']}…{form['max']}"
        case "code" if table.code_set(form["of"]).bits:
            return f"uint 0…{table.code_set(form['of']).max}"
        case "form":
            return next(each.says for each in table.schema.forms if each.name == form["of"])
        case "map":
            return str(form["of"])
        case "array":
            of = form["of"]
            words = _schema_type(table, of).removeprefix("array ")
            several = "s" if of["is"] == "value" or of.get("of") == "base-key" else ""
            return f"array {form['min']}…{form['max']} of {words}{several}"
        case "tuple":
            items = [item.get("name") or _schema_type(table, item) for item in form["items"]]
            without = (
                f"[{', '.join(items[:-1])}] or " if form["items"][-1]["is"] == "optional" else ""
            )
            return f"array {without}[{', '.join(items)}]"
        case simple:
            return str(simple)
