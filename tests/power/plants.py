# SPDX-License-Identifier: MIT
"""Faults planted in the C store, to show that the harness finds them: text to replace, and by what.

A plant whose text is no longer there fails its test, so that none is planted in vain.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.c_board.board import STUB

FLASH, SLOTS, PAYLOAD, RECORD = "pv_flash.c", "pv_slots.c", "pv_payload.c", "pv_record.c"


@dataclass(frozen=True, slots=True)
class Plant:
    """One fault."""

    name: str
    changes: tuple[tuple[str, str, str], ...]
    """Source, text in it, and what stands there instead."""

    breaks: frozenset[int]
    """The invariants of oracle.h that it must be seen to violate."""

    def write(self, folder: Path) -> list[Path]:
        """Write the sources with this fault into a folder, and return the files."""
        planted: dict[str, str] = {}
        for file, before, after in self.changes:
            source = planted.get(file) or (STUB / "src" / file).read_text()
            assert source.count(before) == 1, f"{self.name}: not once in {file}: {before}"
            planted[file] = source.replace(before, after)
        for file, source in planted.items():
            (folder / file).write_text(source)
        return [folder / file for file in planted]


PLANTS = (
    Plant(
        "nothing is read back",
        (
            (FLASH, "    return byte == 0xFF && !from.failed;\n", "    return true;\n"),
            (
                FLASH,
                "    p->write_failed = p->write_failed || (look_once(p, slot) & PV_VALID) == 0;\n",
                "    (void)look_once(p, slot);\n",
            ),
            (
                FLASH,
                "    p->write_failed = p->write_failed || (look_once(p, slot) & PV_SEALED) == 0;\n",
                "    (void)look_once(p, slot);\n    p->slots[slot] |= PV_VALID | PV_SEALED;\n",
            ),
        ),
        frozenset({3}),
    ),
    Plant(
        "a commit is acknowledged whatever the program did",
        (
            (
                SLOTS,
                (
                    "    return p->record.length <= pv_room(p->flash)"
                    " && publish(p, PV_NO_SLOT, kept(p), NULL)\n"
                    "               ? 0\n"
                    "               : PV_REFUSE_STORAGE;\n"
                ),
                "    (void)publish(p, PV_NO_SLOT, kept(p), NULL);\n    return 0;\n",
            ),
        ),
        frozenset({3}),
    ),
    Plant("a torn slot is left at boot", ((SLOTS, "    (void)mend(p);\n", ""),), frozenset({7})),
    Plant(
        "the token is forgotten",
        (
            (
                RECORD,
                "    memcpy(record->token, token, sizeof record->token);\n",
                "    (void)token;\n",
            ),
        ),
        frozenset({6}),
    ),
    Plant(
        "the seal is programmed before the payload",
        (
            (
                FLASH,
                "    if (source != PV_NO_SLOT) {\n        copy_payload",
                (
                    "    p->write_at += padded(p->flash, p->record.length);\n"
                    "    pv_give(&p->out, seal, sizeof seal);\n"
                    "    pv_write_padding(p);\n"
                    "    p->write_at = slot * p->flash->slot_size"
                    " + padded(p->flash, sizeof p->record);\n"
                    "    if (source != PV_NO_SLOT) {\n        copy_payload"
                ),
            ),
            (
                FLASH,
                "== 0;\n    pv_give(&p->out, seal, sizeof seal);\n    pv_write_padding(p);\n",
                "== 0;\n",
            ),
        ),
        frozenset({3}),
    ),
    Plant(
        "what reads as sealed is all that counts",
        (
            (SLOTS, "    pv_slots_settle(p);\n", ""),
            (
                FLASH,
                "while ((slot = pv_choose_slot(p, 0xFF, PV_VALID, false))",
                "while ((slot = pv_choose_slot(p, 0xFF, PV_VALID | PV_SEALED, false))",
            ),
        ),
        frozenset({3}),
    ),
    Plant(
        "an unsealed record is believed as it is",
        ((SLOTS, "    pv_slots_settle(p);\n", ""),),
        frozenset({3}),
    ),
    Plant(
        "settling takes newer copies back",
        (
            (
                SLOTS,
                "                source = sealed;\n",
                (
                    "                forget(p, copies & (uint8_t)~having(p, PV_SEALED));\n"
                    "                continue;\n"
                ),
            ),
        ),
        frozenset({5}),
    ),
    Plant(
        "settling writes a record that only fills a slot",
        (
            (
                SLOTS,
                "        uint8_t stored = above(p, 0);",
                "        uint8_t stored = having(p, PV_VALID);",
            ),
        ),
        frozenset({5}),
    ),
    Plant(
        "the confirmed set is overwritten",
        (
            (
                SLOTS,
                "    return bit(p->slot) | bit(pv_slots_older(p)) | bit(p->staging);",
                "    return bit(p->slot) | bit(p->staging);",
            ),
        ),
        frozenset({4}),
    ),
    Plant(
        "starts in a trial are not counted",
        ((SLOTS, "            p->schema->trial->count_start(p);\n", ""),),
        frozenset({4}),
    ),
    Plant(
        "erase wipes the record in force only",
        ((SLOTS, "    return mend(p) ? 0 : PV_REFUSE_STORAGE;", "    return 0;"),),
        frozenset({7}),
    ),
    Plant(
        "the slot in force is written first",
        (
            (
                SLOTS,
                "    return bit(p->slot) | bit(pv_slots_older(p)) | bit(p->staging);",
                "    return bit(pv_slots_older(p)) | bit(p->staging);",
            ),
        ),
        frozenset({3}),
    ),
    Plant(
        "a set keeps its generation",
        (
            (
                SLOTS,
                "    p->record.generation = pv_next_generation(p);",
                "    p->record.generation = pv_next_generation(p) - 1;",
            ),
        ),
        frozenset({5}),
    ),
    Plant(
        "a payload is taken unchecked",
        (
            (
                PAYLOAD,
                "pv_left(from) == 0 && ~from->crc == crc;",
                "pv_left(from) == 0 && from->crc != crc;",
            ),
        ),
        frozenset({2}),
    ),
    Plant(
        "a read that fails while a set is loaded is not heard",
        (
            (
                FLASH,
                "    return pv_payload_is_right(&payload, p->record.payload_crc);",
                "    (void)pv_payload_is_right(&payload, p->record.payload_crc);\n    return true;",
            ),
        ),
        frozenset({2}),
    ),
    Plant(
        "a record is given up for one wrong read",
        (
            (
                FLASH,
                "(look_once(p, slot) & PV_SEALED) != 0 || (look_once(p, slot) & PV_VALID) != 0;",
                "(look_once(p, slot) & PV_VALID) != 0;",
            ),
        ),
        frozenset({3}),
    ),
)
