# SPDX-License-Identifier: MIT
"""What stands beside a question: what Return gives, the pins to choose from, what is wrong."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from provision.catalogue import tr
from provision.contract.table import Kind
from provision.schema.constraints import in_force, key_beside, pin_conflicts
from provision.schema.model import Setting, Value
from provision.wizard.draft import Draft
from provision.wizard.questions import Given, Origin, PinChoice, pin_name, shown_value


class Offers:
    """Says of each setting what a person may take, and what they should know."""

    def __init__(
        self,
        draft: Draft,
        proposals: Mapping[Kind, Given],
        remembered: dict[str, Given],
        faults: Mapping[str, str],
    ) -> None:
        """proposals, remembered, faults: as a Flow has them; the last is the flow's own."""
        self._draft = draft
        self._schema = draft.schema
        self._proposals = proposals
        self.remembered = remembered
        """Answers that are offered again."""
        self._faults = faults
        self.conflicts = self._find_conflicts()
        """Settings that have one pin as the board is now: which, and with whom."""

    def offer(
        self, setting: Setting, pins: tuple[PinChoice, ...]
    ) -> tuple[Value | None, str | None, Origin]:
        """Return what Return gives, how it was written, and where it comes from."""
        key, declared = setting.key, setting.field
        nothing = (None, None, Origin.NONE)
        if declared.is_secret and key in self._faults:
            return nothing  # it failed, and nobody can see in what
        if key in self._draft.answers and self._draft.answers[key] is None:
            return nothing  # cleared, and gone back to
        offers = (
            (self._draft.answers.get(key) or self.remembered.get(key), Origin.ANSWERED),
            (self._held_offer(setting), Origin.HELD),
            (self._proposals.get(declared.kind), Origin.PROPOSED),
            (None if declared.default is None else Given(declared.default), Origin.DEFAULT),
        )
        blocked = {choice.pin.number for choice in pins if choice.obstacle is not None}
        for given, origin in offers:
            if given is not None and not (pins and given.value in blocked):
                return given.value, given.written, origin
        return nothing

    def _held_offer(self, setting: Setting) -> Given | None:
        if setting.key not in self._draft.held_values:
            return None
        if setting.field.is_opaque and not self._draft.can_keep_held(setting.key):
            return None
        return Given(self._draft.held_values[setting.key])

    def pins(self, setting: Setting, pending: Collection[object]) -> tuple[PinChoice, ...]:
        """Return the pins that have what a pin field needs, each with what stands in its way.

        pending: full keys of what is still to be asked, which uses no pin yet.
        """
        users = self._pin_users(setting, pending)
        needs = setting.field.needs
        return tuple(
            PinChoice(
                pin,
                pin_name(pin, self._schema.pins),
                tr("taken: {what}", what=pin.taken) if pin.taken else users.get(pin.number),
            )
            for pin in self._schema.pins
            if pin.abilities & needs == needs
        )

    def _pin_users(self, setting: Setting, pending: Collection[object]) -> dict[int, str]:
        """Return which pins other settings use."""
        users = {}
        for other in self._schema.settings:
            if other.field.kind is not Kind.PIN or other.key == setting.key:
                continue
            if other.key in pending or other.key not in self._draft.active:
                continue
            pin = self._draft.in_force.get(other.key)
            if pin is not None and not (setting.field.shares and other.field.shares):
                users[int(pin)] = tr("used: {place}", place=self._draft.place(other))
        return users

    def network_of(self, setting: Setting) -> str | None:
        """Return the name of the network that a passphrase is for."""
        if setting.field.network is None:
            return None
        key = key_beside(setting, setting.field.network)
        name = self._draft.stored.get(key)
        return None if name is None else shown_value(self._draft.setting(key).field, name)

    def _find_conflicts(self) -> dict[str, tuple[int, Setting]]:
        """Return the settings that have one pin as the board is now: which, and with whom."""
        pins = in_force(self._schema, self._draft.held_values)
        found: dict[str, tuple[int, Setting]] = {}
        for clash in pin_conflicts(self._schema, self._draft.held_values):
            assert clash.other is not None
            for key, other in ((clash.field, clash.other), (clash.other, clash.field)):
                found.setdefault(key, (int(pins[key]), self._draft.setting(other)))
        return found

    def conflict_words(self, key: str) -> str | None:
        """Return with whom a setting shares a pin that only one can have."""
        if key not in self.conflicts:
            return None
        number, other = self.conflicts[key]
        pin = self._schema.pin(number)
        assert pin is not None, "the value in force is one of the board's pins"
        return tr(
            "{pin} is used twice: by this setting and by {place}. The board does not work until one"
            " of them has another pin.",
            pin=pin_name(pin, self._schema.pins),
            place=self._draft.place(other),
        )
