# SPDX-License-Identifier: MIT
"""The call graph of the stub, as the compiler writes it: who calls whom, and on how much stack.

With -fcallgraph-info=su gcc writes a graph in the VCG format beside every object. It does not say
where a call through a pointer goes. In the stub such a call is made through one of a few members;
to which functions each may go is read from the sources, and what goes to the board's own functions
ends there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

STUB = Path(__file__).resolve().parents[1] / "firmware_stub"

_NODE = re.compile(r'^node: \{ title: "([^"]+)" label: "([^"]*)"', re.MULTILINE)
_EDGE = re.compile(
    r'^edge: \{ sourcename: "([^"]+)" targetname: "([^"]+)"(?: label: "([^"]+):(\d+):\d+")?',
    re.MULTILINE,
)
_STACK = re.compile(r"(\d+) bytes \((static|dynamic|bounded|dynamic,bounded)\)")
_INDIRECT = "__indirect_call"

_TARGETS: Mapping[str, str] = {
    # The member that is called, and where the sources set it.
    r"to->take\(": r"\btake = (\w+);",
    r"from->fetch\(": r"\bfetch = (\w+);",
    r"\bput\(p\)": r"(?:RULES_OF_.+|pv_reply\(p|PV_MSG_REFUSAL), ((?:pv_)?put_\w+)[)}]",
    r"\bput_entry\(p": r"pv_put_page\(p, \w+, \w+, (\w+)\);",
    r"->check\(": r"^(?:static )?uint8_t (check_\w+|pv_check_range)\(const PV_ROM pv_schema",
    r"layout->put\(": r"pv_layout (?:pv_as_|as_|)\w+ = \{.+, (\w+), \w+, \w+\};",
    r"layout->take\(": r"pv_layout (?:pv_as_|as_|)\w+ = \{.+, (\w+), \w+\};",
    r"layout->adapt\(": r"^static bool (adapt)\(",
    r"\bis\(": r"\bpv_is_all\((\w+), ",
    r"->act\(": r"\{PV_RULES_OF_\w+, .+, (\w+), \w+\}",
    r"kept->stage\(": r"pv_keeping pv_keeps = \{.+, (\w+), \w+, \w+, \w+\};",
    r"kept->settle\(": r"pv_keeping pv_keeps = \{.+, \w+, (\w+), \w+, \w+\};",
    r"kept->yield\(": r"pv_keeping pv_keeps = \{.+, \w+, \w+, (\w+), \w+\};",
    r"kept->drop\(": r"pv_keeping pv_keeps = \{.+, \w+, \w+, \w+, (\w+)\};",
    r"elsewhere->begin\(": r"pv_assembly in_\w+ = \{(\w+), \w+, \w+, \w+\};",
    r"elsewhere->resume\(": r"pv_assembly in_\w+ = \{\w+, (\w+), \w+, \w+\};",
    r"elsewhere->append\(": r"pv_assembly in_\w+ = \{\w+, \w+, (\w+), \w+\};",
    r"elsewhere->equals\(": r"pv_assembly in_\w+ = \{\w+, \w+, \w+, (\w+)\};",
    r"store->start\(": r"pv_store_kind pv_store_\w+ = \{.+, (\w+), \w+, \w+, \w+\};",
    r"store->commit\(": r"pv_store_kind pv_store_\w+ = \{.+, \w+, (\w+), \w+, \w+\};",
    r"store->erase\(": r"pv_store_kind pv_store_\w+ = \{.+, \w+, \w+, (\w+), \w+\};",
    r"store->read\(": r"pv_store_kind pv_store_\w+ = \{.+, \w+, \w+, \w+, (\w+)\};",
    r"trial->count_start\(": r"pv_trial pv_trials = \{.+, (\w+), \w+\};",
    r"trial->watch\(": r"pv_trial pv_trials = \{.+, \w+, (\w+)\};",
    # Generated code and the firmware name these.
    r"schema->in_use\(": r"^bool (pv_in_use)\(",
    r"schema->holds\(": r"^bool (pv_holds)\(",
    r"schema->conflict\(": r"^uint16_t (pv_pin_conflict)\(",
    r"config->parts\(": r"^uint8_t (pv_parts)\(",
}
_BOARDS_OWN = re.compile(r"(config|flash|platform|survey|port)->\w+\(")


class UnknownCallError(Exception):
    """A call through a pointer of which nothing says where it goes; str() is where it is."""


@dataclass
class Graph:
    """Functions of the stub by name; two static ones of a name are told apart by their files."""

    stack: dict[str, int] = field(default_factory=dict)
    """Bytes that a function takes; of one that is not the stub's nothing is known."""

    calls: dict[str, set[str]] = field(default_factory=dict)
    unbounded: set[str] = field(default_factory=set)
    """Functions whose stack depends on what they are given."""

    callbacks: set[str] = field(default_factory=set)
    """Functions that call the board's own."""

    def cycle(self) -> list[str] | None:
        """Return functions that call each other in a circle, or None."""
        done: set[str] = set()

        def visit(name: str, above: list[str]) -> list[str] | None:
            if name in above:
                return above[above.index(name) :]
            if name in done:
                return None
            for called in sorted(self.calls.get(name, ())):
                if found := visit(called, [*above, name]):
                    return found
            done.add(name)
            return None

        for name in self.calls:
            if found := visit(name, []):
                return found
        return None

    def deepest(self, start: str) -> tuple[int, list[str]]:
        """Return the most stack from a function on, and the way; of a graph without a cycle."""
        known: dict[str, tuple[int, list[str]]] = {}

        def visit(name: str) -> tuple[int, list[str]]:
            if name not in known:
                below = [visit(called) for called in sorted(self.calls.get(name, ()))]
                size, way = max(below, default=(0, []), key=lambda each: each[0])
                known[name] = (self.stack.get(name, 0) + size, [name, *way])
            return known[name]

        return visit(start)


def read(graphs: Iterable[Path], sources: Iterable[Path]) -> Graph:
    """Return the graph that the compiler wrote into these files, of these sources.

    Raises UnknownCallError.
    """
    lines = {path.name: path.read_text(encoding="utf-8").splitlines() for path in sources}
    whole = "\n".join("\n".join(each) for each in lines.values())
    texts = [path.read_text(encoding="utf-8") for path in graphs]
    names = _names({title for text in texts for title, _ in _NODE.findall(text)})
    graph = Graph()
    for text in texts:
        for title, label in _NODE.findall(text):
            if match := _STACK.search(label):
                graph.stack[names[title]] = int(match.group(1))
                graph.calls.setdefault(names[title], set())
                if match.group(2) == "dynamic":
                    graph.unbounded.add(names[title])
        for source, target, file, number in _EDGE.findall(text):
            caller = names[source]
            if target != _INDIRECT:
                graph.calls.setdefault(caller, set()).add(names[target])
                continue
            line = lines[Path(file).name][int(number) - 1]
            targets = _targets(line, whole)
            if targets is not None:
                if missing := targets - set(names.values()):
                    raise UnknownCallError(f"{line.strip()}: {missing} is no function by that name")
                graph.calls.setdefault(caller, set()).update(targets)
            elif _BOARDS_OWN.search(line):
                graph.callbacks.add(caller)
            else:
                raise UnknownCallError(f"{file}:{number}: {line.strip()}")
    return graph


def _targets(line: str, whole: str) -> set[str] | None:
    for member, setting in _TARGETS.items():
        if re.search(member, line):
            return set(re.findall(setting, whole, re.MULTILINE)) - {"NULL"}
    return None


def _names(titles: set[str]) -> dict[str, str]:
    """Return each title's function: its name, with the file before it where two have the name.

    A title is a name, with the path of its file before it if it is static, and perhaps the suffix
    of a clone behind it.
    """
    bare = {title: title.rsplit(":", 1)[-1].split(".", 1)[0] for title in titles}
    files: dict[str, set[str]] = {}
    for title, name in bare.items():
        files.setdefault(name, set()).add(title.rpartition(":")[0])
    return {
        title: name if len(files[name]) == 1 else f"{Path(title.rpartition(':')[0]).name}:{name}"
        for title, name in bare.items()
    }
