# SPDX-License-Identifier: MIT
"""What a board would hold if the answers so far were stored, and which changes that takes."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from provision.client.held import HeldSetting
from provision.contract.table import Held
from provision.schema.constraints import active, in_force, make_keys, networks
from provision.schema.model import Repeat, Schema, Section, Setting, Value
from provision.wizard.questions import Given, heading


class Draft:
    """The answers of one dialog, on top of what the board holds.

    Of secrets and blobs, which a board does not give away, it has a stand-in.
    """

    def __init__(
        self,
        schema: Schema,
        held: Mapping[str, HeldSetting],
        *,
        asked_for: Collection[str],
        removed: Collection[tuple[str, int]],
        tried: frozenset[str],
    ) -> None:
        """Begin without an answer.

        asked_for: full keys to ask for in any case; one of an instance that is not in use begins
        it. removed: instances to clear whole, as section key and number. tried: settings whose
        answers count as changes even if they are the same as before.
        """
        self.schema = schema
        self.tried = tried
        self.asked_for = set(asked_for)
        self._removed = frozenset(removed)
        self._number = {setting.key: setting.number for setting in schema.settings}
        self.networks = tuple(networks(schema))
        """Each passphrase, with the full key of its network's name."""
        self.held = {s.key: held.get(s.key, HeldSetting(Held.UNSET)) for s in schema.settings}
        self.held_values = {
            setting.key: self._known_value(setting)
            for setting in schema.settings
            if self.held[setting.key].held is Held.SET
        }
        self.answers: dict[str, Given | None] = {}
        """None: cleared."""
        self.kept: set[str] = set()
        """Secrets and blobs that stay as the board holds them."""
        self.added: dict[str, set[int]] = {section.key: set() for section in schema.sections}
        """Instances begun in this dialog, by section."""
        self.update()

    def update(self) -> None:
        """Look again at what would be in force; call it after every change of the above."""
        stored = {
            key: value
            for key, value in self.held_values.items()
            if not self.is_removed(self.setting(key))
        }
        for key, given in self.answers.items():
            if given is not None:
                stored[key] = given.value
            else:
                stored.pop(key, None)
        used = {section.key: self._used(section) for section in self.schema.sections}
        # An instance that was only just begun has no value yet, so that by the letter of clause 8.3
        # it is not in use. Here all up to the last one are, and those between are taken out again.
        widened = replace(
            self.schema,
            sections=tuple(
                replace(
                    s, repeat=Repeat(max((n or 0 for n in used[s.key]), default=0), s.repeat.most)
                )
                if s.repeat
                else s
                for s in self.schema.sections
            ),
        )
        found = active(widened, stored)
        self.active = frozenset(
            s.key
            for s in self.schema.settings
            if s.key in found and s.instance in used[s.section.key]
        )
        self.stored, self.used = stored, used
        self.in_force = in_force(self.schema, stored)

    def changes(self) -> dict[str, Value | None]:
        """Return what the answers change, in schema order; None clears a setting."""
        changed: dict[str, Value | None] = {}
        for key in self.answers.keys() & self.active:
            given = self.answers[key]
            if given is not None and (self.differs(key, given.value) or key in self.tried):
                changed[key] = given.value
            elif given is None and self.held[key].held is not Held.UNSET:
                changed[key] = None
        for setting in self.schema.settings:
            if self.is_removed(setting) and self.held[setting.key].held is not Held.UNSET:
                changed[setting.key] = None
        for passphrase, name in self.networks:
            # The two are staged together or not at all (clause 9.6). A passphrase that is not among
            # the changes is none: one that is held stays only with a name that stays.
            if passphrase.key in changed or name in changed:
                changed.setdefault(name, self.stored.get(name))
                changed.setdefault(passphrase.key, None)
        make_keys(self.schema, self.stored, changed)
        return dict(sorted(changed.items(), key=lambda change: self._number[change[0]]))

    def untouched(self) -> int:
        """Return how many settings the board holds that the changes leave as they are."""
        return len(self.held_values.keys() - self.changes().keys())

    def can_keep_held(self, key: str) -> bool:
        """Whether a secret or blob can stay as the board holds it: a changed network's cannot."""
        for passphrase, name in self.networks:
            if key == passphrase.key:
                given = self.answers.get(name)
                changed = given is not None and self.differs(name, given.value)
                return not changed and name not in self.tried and key in self.held_values
        return key in self.held_values

    def differs(self, key: str, value: Value) -> bool:
        """Whether a value is another one than is held; nobody can tell of a blob or a secret."""
        opaque = self.setting(key).field.is_opaque
        return opaque or key not in self.held_values or self.held_values[key] != value

    def is_removed(self, setting: Setting) -> bool:
        """Whether a setting goes with its instance."""
        return setting.instance is not None and (
            (setting.section.key, setting.instance) in self._removed
        )

    def setting(self, key: str) -> Setting:
        """Return a setting by its full key."""
        return self.schema.settings[self._number[key]]

    def place(self, setting: Setting) -> str:
        """Return where a setting stands, in words: its heading and its label."""
        return f"{heading(setting)}, {setting.field.label}"

    def _used(self, section: Section) -> tuple[int | None, ...]:
        """Return the instances in use, those begun in this dialog among them."""
        if section.repeat is None:
            return (None,)
        named = self.asked_for | self.held_values.keys()
        numbers = {
            s.instance
            for s in self.schema.settings
            if s.section.key == section.key
            and s.instance is not None
            and not self.is_removed(s)
            and (s.instance <= section.repeat.least or s.key in named)
        }
        return tuple(sorted(numbers | self.added[section.key]))

    def _known_value(self, setting: Setting) -> Value:
        """Return what is stored for a setting, and a stand-in where a board does not tell."""
        value = self.held[setting.key].value
        return "" if value is None else value
