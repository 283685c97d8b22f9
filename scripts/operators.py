# SPDX-License-Identifier: MIT
"""The changes that `make mutants` tries in C, JavaScript and Python, as their grammars see a text.

Operators, numbers, conditions, results, and statements that are left out: of what runs only, not in
comments, texts or types. A parser of the same family reads each language, so that this is written
once.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import tree_sitter_c
import tree_sitter_javascript
import tree_sitter_python
from tree_sitter import Language, Node, Parser

LANGUAGES = {
    ".c": Language(tree_sitter_c.language()),
    ".js": Language(tree_sitter_javascript.language()),
    ".py": Language(tree_sitter_python.language()),
}

_EITHER_WAY = (
    "< : <=, > : >=, == : !=, === : !==, is : is not, in : not in, && : ||, and : or, "
    "+ : -, & : |, << : >>, += : -=, &= : |=, ++ : --"
)
SWAPS = {"*": "+", "/": "*", "//": "*", "%": "*", "^": "&", "??": "&&", "!": "", "not": ""}
for _pair in _EITHER_WAY.split(", "):
    _one, _other = _pair.split(" : ")
    SWAPS |= {_one: _other, _other: _one}
"""Of the nodes below, what stands between the operands."""
OPERATIONS = {
    *("binary_expression", "assignment_expression", "augmented_assignment_expression"),
    *("comparison_operator", "boolean_operator", "binary_operator", "augmented_assignment"),
    *("unary_expression", "not_operator", "update_expression"),
}
FLAGS = {"true": "false", "false": "true", "True": "False", "False": "True"}
NUMBERS = {"number_literal", "number", "integer"}
CONDITIONAL = {"if_statement", "elif_clause", "while_statement", "conditional_expression"}
JUMPS = {"raise_statement", "throw_statement", "break_statement", "continue_statement"}
NOTHING = {".c": "(void)0;", ".js": ";", ".py": "pass"}
NEITHER = {"type", "decorator", "import_statement", "import_from_statement"}
"""What does nothing when the code runs, or only says what it is."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """A changed place of a file: bytes from `start` to `end` become `text`."""

    file: str
    start: int
    end: int
    text: str


def mutants_of(file: str, source: bytes) -> Iterator[Mutant]:
    """Yield every mutant of a file's text."""
    suffix = Path(file).suffix
    nodes = [Parser(LANGUAGES[suffix]).parse(source).root_node]
    while nodes:
        node = nodes.pop()
        if node.type not in NEITHER:
            nodes += node.children
            for place, text in _changes(node, suffix):
                yield Mutant(file, place.start_byte, place.end_byte, text)


def _changes(node: Node, suffix: str) -> Iterator[tuple[Node, str]]:
    """Yield what may become of a node: the place, and its new text."""
    if node.type in OPERATIONS:
        yield from ((each, SWAPS[each.type]) for each in node.children if each.type in SWAPS)
    elif node.type in FLAGS and node.is_named:
        yield node, FLAGS[_text(node)]
    elif node.type in NUMBERS:
        yield node, f"({_text(node)} + 1)"
    elif node.type in JUMPS or (node.type == "expression_statement" and _acts(node, suffix)):
        yield node, NOTHING[suffix]
    elif node.type == "return_statement" and node.named_children:
        value = node.named_children[0]
        gone = {".c": f"!({_text(value)})", ".js": "undefined", ".py": "None"}[suffix]
        if value.type not in FLAGS and gone != _text(value):
            yield value, gone
    condition = node.child_by_field_name("condition")
    if node.type == "conditional_expression" and suffix == ".py":
        condition = node.named_children[1]
    if node.type in CONDITIONAL and condition:
        text = _text(condition)
        text = text if text.startswith("(") else f"({text})"
        yield condition, f"not {text}" if suffix == ".py" else f"(!{text})"


def _acts(statement: Node, suffix: str) -> bool:
    """Whether a statement can be left out so that what is left still runs, or is read at all."""
    does = statement.children[0]
    if does.type == "assignment":  # a name that is not there would fail in any test
        to = does.child_by_field_name("left")
        return to is not None and to.type in ("attribute", "subscript")
    return does.type != "string" or suffix != ".py"


def _text(node: Node) -> str:
    assert node.text is not None
    return node.text.decode()


def mutate(source: bytes, mutant: Mutant) -> bytes:
    """Return the text of a file with the change."""
    return source[: mutant.start] + mutant.text.encode() + source[mutant.end :]


def difference(source: bytes, mutated: bytes) -> tuple[int, str, str]:
    """Return the first line that changes, and what the lines were and become, without indents."""
    old, new = source.decode().splitlines(), mutated.decode().splitlines()
    lines = list(difflib.unified_diff(old, new, n=0, lineterm=""))[2:]
    found = re.match(r"@@ -(\d+)", lines[0])
    assert found is not None
    was, becomes = ("\n".join(x[1:].strip() for x in lines if x[0] == sign) for sign in "-+")
    return int(found[1]), was, becomes


def is_read(file: str, source: bytes) -> bool:
    """Whether the language of a file admits a text."""
    return not Parser(LANGUAGES[Path(file).suffix]).parse(source).root_node.has_error
