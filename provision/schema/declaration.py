# SPDX-License-Identifier: MIT
"""All that a schema file declares: the schema, and the firmware and the board that it is for."""

from __future__ import annotations

from dataclasses import dataclass

from provision.schema.model import Schema


@dataclass(frozen=True, slots=True)
class BoardDeclaration:
    """The board: sizes and offsets in bytes, offsets counting from the start of the flash."""

    name: str
    flash_size: int
    erase_unit: int
    program_unit: int
    settings_at: int
    settings_size: int
    slots: int = 4
    baud: int = 115200

    @property
    def slot_size(self) -> int:
        """Bytes of one slot: an equal share of the settings area, in whole erase units."""
        share = self.settings_size // self.slots
        return share - share % self.erase_unit


@dataclass(frozen=True, slots=True)
class Declaration:
    """One schema file."""

    schema: Schema
    firmware_name: str
    firmware_version: str
    board: BoardDeclaration
