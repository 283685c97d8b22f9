# SPDX-License-Identifier: MIT
"""Faults planted in the C store, to show that the harness finds them: text to replace, and by what.

A plant whose text is no longer there fails its test, so that none is planted in vain.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.power.harness import STORE


@dataclass(frozen=True, slots=True)
class Plant:
    """One fault."""

    name: str
    changes: tuple[tuple[str, str], ...]
    breaks: frozenset[int]
    """The invariants of oracle.h that it must be seen to violate."""

    def write(self, folder: Path) -> Path:
        """Write the store with this fault into a folder, and return the file."""
        source = STORE.read_text()
        for before, after in self.changes:
            assert source.count(before) == 1, (
                f"{self.name}: this is not once in the store: {before}"
            )
            source = source.replace(before, after)
        planted = folder / "planted_store.c"
        planted.write_text(source)
        return planted


PAYLOAD_WRITTEN = "    if (source != NO_SLOT) {\n        to.failed |= !stream_payload("

PLANTS = (
    Plant(
        "nothing is read back",
        (
            (
                "for (uint32_t done = 0; same && done < size;",
                "for (uint32_t done = size; done < size;",
            ),
            (
                "to.failed = to.failed || !examine_once(p, slot, check);",
                "(void)examine_once(p, slot, check);",
            ),
        ),
        frozenset({3}),
    ),
    Plant(
        "a commit is acknowledged whatever the program did",
        (
            (
                "return publish(p, header, NO_SLOT, kept(p), NULL) ? 0 : PV_REFUSE_STORAGE;",
                "(void)publish(p, header, NO_SLOT, kept(p), NULL);\n    return 0;",
            ),
        ),
        frozenset({3}),
    ),
    Plant(
        "a torn slot is left at boot",
        (("    (void)mend(p);\n    count_start(p);", "    count_start(p);"),),
        frozenset({7}),
    ),
    Plant(
        "the token is forgotten",
        (("    memcpy(header + AT_TOKEN, token, 8);\n", "    (void)token;\n"),),
        frozenset({6}),
    ),
    Plant(
        "the seal is programmed before the payload",
        (
            (
                PAYLOAD_WRITTEN,
                "    make_seal(header, seal);\n"
                "    to.at = seal_at(p->config->flash, slot, get32(header + AT_LENGTH));\n"
                "    write_bytes(&to.sink, seal, SEAL_SIZE);\n"
                "    write_padding(&to);\n"
                "    to.at = payload_at(p->config->flash, slot);\n" + PAYLOAD_WRITTEN,
            ),
            (
                (
                    "    make_seal(header, seal);\n"
                    "    write_bytes(&to.sink, seal, SEAL_SIZE);\n"
                    "    write_padding(&to);\n"
                    "    known->state"
                ),
                "    known->state",
            ),
        ),
        frozenset({3}),
    ),
    Plant(
        "what reads as sealed is all that counts",
        (
            ("    settle(p);\n", "    (void)settle;\n"),
            (
                "while ((slot = newest_of(p, having(p, VALID)))",
                "while ((slot = newest_of(p, having(p, VALID | SEALED)))",
            ),
        ),
        frozenset({3}),
    ),
    Plant(
        "an unsealed record is believed as it is",
        (("    settle(p);\n", "    (void)settle;\n"),),
        frozenset({3}),
    ),
    Plant(
        "settling takes newer copies back",
        (
            (
                "                source = newest_of(p, copies & sealed);\n",
                (
                    "                forget(p, copies & (uint8_t)~sealed);\n"
                    "                continue;\n"
                ),
            ),
        ),
        frozenset({5}),
    ),
    Plant(
        "settling writes a record that only fills a slot",
        (("newest = newest_of(p, above(p, 0));", "newest = newest_of(p, having(p, VALID));"),),
        frozenset({5}),
    ),
    Plant(
        "the confirmed set is overwritten",
        (("        keep |= bit(older(p));\n", "        (void)older;\n"),),
        frozenset({4}),
    ),
    Plant(
        "starts in a trial are not counted",
        (("    count_start(p);\n    load_in_force", "    (void)count_start;\n    load_in_force"),),
        frozenset({4}),
    ),
    Plant(
        "erase wipes the record in force only",
        (("    return mend(p) ? 0 : PV_REFUSE_STORAGE;", "    return 0;"),),
        frozenset({7}),
    ),
    Plant(
        "the slot in force is written first",
        (("    uint8_t keep = bit(p->storage.slot);", "    uint8_t keep = 0;"),),
        frozenset({3}),
    ),
    Plant(
        "a set keeps its generation",
        (
            (
                "put32(header + AT_GENERATION, next_number(p, false));",
                "put32(header + AT_GENERATION, next_number(p, false) - 1);",
            ),
        ),
        frozenset({5}),
    ),
    Plant(
        "a payload is taken unchecked",
        (
            (
                "           ~from->crc == get32(header + AT_PAYLOAD_CRC);",
                "           header != NULL;",
            ),
        ),
        frozenset({2}),
    ),
    Plant(
        "a read that fails while a set is loaded is not heard",
        (
            (
                "if (!load_names(p, slot, header, settings, age)) {\n            return false;",
                "if (!load_names(p, slot, header, settings, age)) {\n            return true;",
            ),
        ),
        frozenset({2}),
    ),
    Plant(
        "a record is given up for one wrong read",
        (
            (
                "SEALED)) ||\n           examine_once(p, slot, header);",
                "VALID));",
            ),
        ),
        frozenset({3}),
    ),
)
