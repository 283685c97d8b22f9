# SPDX-License-Identifier: MIT
"""Write every generated file of the project, or say which no longer match their sources.

    python scripts/regenerate.py            write what differs
    python scripts/regenerate.py --check    write nothing; name what differs, and exit with 1

A generated file is one entry in TARGETS: its path and the function that returns its bytes. A
generated section of a page stands between `<!-- generated: NAME -->` and `<!-- end -->`, and is one
entry in SECTIONS. The same sources give the same bytes on every machine: no date, no path.
"""

from __future__ import annotations

import argparse
import functools
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from scripts.derive import (
    c_header,
    catalogues,
    cddl,
    page_bundle,
    page_table,
    page_zones,
    protocol_page,
    python_table,
    requirements,
    source,
    start_here,
)
from scripts.derive.vectors import lines, messages, schemas, talking, values

ROOT = Path(__file__).resolve().parent.parent


@functools.cache
def _table() -> source.Table:
    return source.load(ROOT / "shared")


@functools.cache
def _sample() -> dict[str, str]:
    """The C that an author gets for the demo's schema file."""
    from provision.author import c_code  # noqa: PLC0415
    from provision.schema_file.load import load_declaration  # noqa: PLC0415

    path = ROOT / "schemas" / "orchard-frost-alarm.toml"
    return c_code.generate(load_declaration(path), path.stem)


def _json_schema() -> bytes:
    from scripts.derive import json_schema  # noqa: PLC0415

    return json_schema.document(_table()).encode()


def _page_zones() -> bytes:
    from provision.schema.time_zones import zones  # noqa: PLC0415

    return page_zones.page_zones(zones())


def _exit_codes() -> str:
    from provision.wizard.result import ExitCode  # noqa: PLC0415

    rows = "".join(f"| {int(code)} | {code.words} |\n" for code in ExitCode)
    return f"| code | meaning |\n|---|---|\n{rows}"


# In this order, since later ones may use the Python table. A function that needs a module of
# `provision` imports it when it is called, so that a broken table can be made anew.
TARGETS: list[tuple[str, Callable[[], bytes]]] = [
    ("provision/contract/table.py", lambda: python_table.python_table(_table())),
    ("provision/schema/table.py", lambda: python_table.schema_table(_table())),
    ("provision/page/contract/table.js", lambda: page_table.page_table(_table())),
    ("provision/page/schema/table.js", lambda: page_table.schema_table(_table())),
    ("provision/page/schema/zones.js", _page_zones),
    ("firmware_stub/include/pv_table.h", lambda: c_header.c_header(_table())),
    ("shared/protocol.cddl", lambda: cddl.cddl(_table())),
    ("shared/vectors/lines.json", lines.document),
    ("shared/vectors/messages.json", messages.document),
    ("shared/vectors/schemas.json", schemas.document),
    ("shared/vectors/values.json", values.document),
    ("shared/vectors/conversations.json", talking.document),
    ("shared/requirements.md", requirements.table),
    ("schemas/schema-file.json", _json_schema),
    *(
        (f"firmware_stub/example/{name}", lambda name=name: _sample()[name].encode())
        for name in ("orchard_frost_alarm.h", "orchard_frost_alarm.c")
    ),
    *(
        (catalogues.path_of(language, suffix), lambda language=language, make=make: make(language))
        for language in catalogues.LANGUAGES
        for suffix, make in (("po", catalogues.text), ("mo", catalogues.compiled))
    ),
    # Behind what it is bundled from. Without Node it stays as it is, which main() says.
    *(
        (page_bundle.path_of(language), lambda language=language: page_bundle.bundle(language))
        for language in (page_bundle.LANGUAGES if page_bundle.lacking() is None else ())
    ),
]

# Page, name of the section, and its text.
SECTIONS: list[tuple[str, str, Callable[[], str]]] = [
    *(
        (
            "shared/protocol.md",
            f"map-{name}",
            lambda name=name: protocol_page.schema_map(_table(), name),
        )
        for name in ("schema", "section", "field", "pin")
    ),
    ("shared/protocol.md", "kinds", lambda: protocol_page.kinds(_table())),
    ("shared/protocol.md", "messages", lambda: protocol_page.messages(_table())),
    ("shared/protocol.md", "states", lambda: protocol_page.states(_table())),
    ("shared/protocol.md", "bodies", lambda: protocol_page.bodies(_table())),
    ("shared/protocol.md", "codes", lambda: protocol_page.codes(_table())),
    ("shared/protocol.md", "limits", lambda: protocol_page.limits(_table())),
    ("shared/start-here.md", "smallest-schema", start_here.schema),
    ("shared/start-here.md", "smallest-conversation", start_here.conversation),
    *(
        ("schemas/README.md", name, lambda name=name: protocol_page.file_keys(_table(), name))
        for name in ("top", "board", "pin", "section", "field")
    ),
    ("schemas/README.md", "kinds", lambda: protocol_page.file_kinds(_table())),
    ("README.md", "exit-codes", _exit_codes),
]


class MarkerError(ValueError):
    """A page lacks the markers of a section that is generated into it."""


def fill(page: str, name: str, text: str) -> str:
    """Return the page with the text between the section's markers.

    Raises MarkerError where the page does not have these markers exactly once.
    """
    section = re.compile(
        rf"(^<!-- generated: {re.escape(name)} -->\n)(?:(?!<!-- ).*\n)*(^<!-- end -->$)",
        re.MULTILINE,
    )
    filled, found = section.subn(lambda markers: markers[1] + text + markers[2], page)
    if found != 1:
        raise MarkerError(f"has {found} sections `<!-- generated: {name} -->`, not one")
    return filled


def generated(faults: list[str]) -> Iterator[tuple[str, bytes]]:
    """Yield every generated file with what belongs into it.

    A section for which its page has no markers is left out, and named in faults; so is what a
    requirement of the protocol lacks.
    """
    for path, content in TARGETS:
        yield path, content()
    faults += requirements.faults()
    for path in dict.fromkeys(path for path, _, _ in SECTIONS):
        page = (ROOT / path).read_text(encoding="utf-8")
        for page_path, name, text in SECTIONS:
            if page_path == path:
                try:
                    page = fill(page, name, text())
                except MarkerError as error:
                    faults.append(f"{path} {error}")
        yield path, page.encode()


def differing(faults: list[str]) -> Iterator[tuple[str, bytes]]:
    """Yield those files that are not as generated() has them."""
    for path, content in generated(faults):
        file = ROOT / path
        if not file.is_file() or file.read_bytes() != content:
            yield path, content


def main(arguments: list[str] | None = None) -> int:
    """Run the command; the exit code is 1 where --check found something."""
    parser = argparse.ArgumentParser(description="Write every generated file of the project.")
    parser.add_argument("--check", action="store_true", help="write nothing; name what differs")
    check = parser.parse_args(arguments).check
    faults: list[str] = []
    stale = False
    for path, content in differing(faults):
        stale = True
        if check:
            print(f"{path} differs from its source; run python scripts/regenerate.py")
        else:
            (ROOT / path).parent.mkdir(parents=True, exist_ok=True)
            (ROOT / path).write_bytes(content)
            print(f"{path} written")
    if (reason := page_bundle.lacking()) is not None:
        was = "compared" if check else "made anew"
        print(f"The modules of the page were not {was}: {reason}", file=sys.stderr)
    for fault in faults:
        print(fault, file=sys.stderr)
    return int(check and (stale or bool(faults)))


if __name__ == "__main__":
    sys.exit(main())
