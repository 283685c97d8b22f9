# SPDX-License-Identifier: MIT
"""What a board holds, for people and for programs; never a secret."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from provision.catalogue import tr
from provision.client.held import declared_key
from provision.client.sanitize import printable
from provision.client.snapshot import BoardSnapshot
from provision.contract.messages import code_name
from provision.contract.table import Held, Kind
from provision.schema.model import Setting, Value
from provision.schema.values import show
from provision.wizard import status_text
from provision.wizard.questions import heading, shown_value

_LONGEST_NAME = 32


def lines(met: BoardSnapshot) -> Iterator[str]:
    """Yield what a board is and holds, section by section, one setting a line.

    Settings that do not apply, because of others or because their instance is not in use, are left
    out unless they are set.
    """
    hello, status = met.hello, met.status
    yield met.schema.title
    firmware, version = _name(hello.firmware), _name(hello.firmware_version)
    yield f"  {tr('firmware: {name} {version}', name=firmware, version=version)}"
    yield f"  {tr('board: {name}, id {unit}', name=_name(hello.board), unit=hello.unit.hex())}"
    yield f"  {tr('settings: {store}', store=status_text.store_words(status.store))}"
    lacking = status_text.incomplete_words(met.schema, status)
    if lacking is not None:
        yield f"    {lacking}"
    yield f"  {tr('it {run}', run=status_text.run_words(status.run))}"
    if status.reason:
        undeclared = status_text.undeclared_words(met.schema, status.field)
        yield f"  {status_text.why_words(met.schema, status)}{undeclared}"
    if status.address is not None:
        yield f"  {tr('address: {address}', address=ipaddress.ip_address(status.address))}"
    used = met.active
    section = None
    for setting in met.schema.settings:
        held = met.held[setting.key]
        if setting.key not in used and held.held is Held.UNSET:
            continue
        if heading(setting) != section:
            section = heading(setting)
            yield ""
            yield section
        idle = "" if setting.key in used else f" ({tr('does not apply')})"
        yield f"  {setting.field.label}: {value_words(met, setting)}{idle}"


def as_json(met: BoardSnapshot) -> dict[str, Any]:
    """Return the same for programs: values by full key, exact, as the answers file has them."""
    hello, status = met.hello, met.status
    return {
        "title": met.schema.title,
        "generation": hello.generation,
        "store": code_name(status.store),
        "missing": declared_key(met.schema, status.missing),
        "conflict": [key for key in status.conflict or () if key in met.held],
        "run": code_name(status.run),
        "reason": None if status.reason is None else code_name(status.reason),
        "field": declared_key(met.schema, status.field),
        "address": None if status.address is None else str(ipaddress.ip_address(status.address)),
        "settings": {setting.key: _entry(met, setting) for setting in met.schema.settings},
    }


def _entry(met: BoardSnapshot, setting: Setting) -> dict[str, Any]:
    held = met.held[setting.key]
    entry: dict[str, Any] = {"held": code_name(held.held)}
    value = None if setting.field.is_secret else held.value
    if value is not None:
        name = "length" if setting.field.kind is Kind.BLOB else "value"
        entry[name] = exact(setting, value)
    return entry


def exact(setting: Setting, value: Value) -> bool | int | str:
    """Return a value as an answers file takes it back: every byte of it, and in every language.

    The key of a choice, not its label, which may be translated; a decimal without its unit, which
    may be as well. Of a blob the value is its length.
    """
    declared = setting.field
    if isinstance(value, bool | int) and declared.kind not in (Kind.DECIMAL, Kind.DURATION):
        return value
    if declared.kind is Kind.CHOICE:
        return str(value)
    if declared.kind is Kind.DECIMAL:
        declared = replace(declared, unit=None)
    return show(declared, value)


def value_words(met: BoardSnapshot, setting: Setting) -> str:
    """Return what a board holds for a setting, in words fit to be shown."""
    held = met.held[setting.key]
    if held.held is Held.UNSET:
        default = setting.field.default
        if default is None:
            return tr("not set")
        shown = shown_value(setting.field, default, pins=met.schema.pins)
        if met.schema.only_proposes(setting.field):
            return tr("not set; {default} is proposed, with a caution", default=shown)
        return tr("not set: {default} by default", default=shown)
    if setting.field.is_secret:
        shown = tr("set, not shown") if held.held is Held.SET else tr("not set")
    else:
        shown = tr("nothing")
        if held.value is not None:
            shown = shown_value(setting.field, held.value, pins=met.schema.pins)
    if held.held is Held.FELL_BACK:
        shown += f" ({tr('what is stored is not taken by this firmware')})"
    return shown


def _name(text: str) -> str:
    return printable(text, _LONGEST_NAME)
