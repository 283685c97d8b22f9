# SPDX-License-Identifier: MIT
"""Bugs to plant in a copy of the sources, each in the path of a fuzz target."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.fuzzing import ROOT


@dataclass(frozen=True, slots=True)
class Bug:
    """A text of a source file, and what stands there instead."""

    name: str
    target: str
    file: str
    text: str
    instead: str

    def plant(self, folder: Path) -> Path:
        """Copy what the target is made of into the folder, with the bug; return the copy."""
        copy = folder / "planted"
        for part in ("firmware_stub", "provision", "tests", "shared", "schemas"):
            shutil.copytree(
                ROOT / part, copy / part, ignore=shutil.ignore_patterns("build", "__pycache__")
            )
        path = copy / self.file
        source = path.read_text(encoding="utf-8")
        assert source.count(self.text) == 1, f"{self.name}: the text to replace is not there once"
        path.write_text(source.replace(self.text, self.instead), encoding="utf-8")
        return copy


_SRC = "firmware_stub/src"
BUGS = (
    Bug(
        "a line one character too long is kept",
        "line",
        f"{_SRC}/pv_line.c",
        "if (p->fill < p->config->line_size)",
        "if (p->fill <= p->config->line_size)",
    ),
    Bug(
        "pad bits are not looked at",
        "line",
        f"{_SRC}/pv_line.c",
        "unused == 6 || (bits & ((1U << unused) - 1)) != 0",
        "unused == 6",
    ),
    Bug(
        "depth is not bounded",
        "cbor",
        f"{_SRC}/pv_cbor.c",
        "if (in == &levels[PV_MAX_DEPTH] || from",
        "if (in == &levels[64] || from",
    ),
    Bug(
        "a trailing byte is accepted",
        "cbor",
        f"{_SRC}/pv_cbor.c",
        " && pv_pass_item(&from) && from.ready == 0;",
        " && pv_pass_item(&from);",
    ),
    Bug(
        "parts are not held against the field's length",
        "stub",
        f"{_SRC}/pv_parts.c",
        "if (total > field->maximum) {",
        "if (total > 60000) {",
    ),
    Bug(
        "get-values shows secrets",
        "stub",
        f"{_SRC}/pv_requests.c",
        "(state & PV_IN_FORCE) != 0 && !pv_is_secret(field)",
        "(state & PV_IN_FORCE) != 0",
    ),
    Bug(
        "a record without a seal is not written anew at a start",
        "stub",
        f"{_SRC}/pv_slots.c",
        "    pv_slots_settle(p);\n",
        "",
    ),
    Bug(
        "the receive buffer is not wiped",
        "stub",
        f"{_SRC}/pv_line.c",
        "    pv_wipe(p->config->line, p->fill);",
        "",
    ),
    Bug(
        "a byte behind the deflated schema is accepted",
        "schema",
        "provision/schema/codec.py",
        "not inflate.eof or inflate.unused_data or _digest",
        "not inflate.eof or _digest",
    ),
    Bug(
        "a default is not checked",
        "schema",
        "provision/schema/codec.py",
        "            _check_default(schema, section, field)\n",
        "",
    ),
)
