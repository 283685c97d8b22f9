# SPDX-License-Identifier: MIT
"""What a board holds, written as a file of answers: for a second board, or after an erase.

Values are exact, whatever their characters, and the same in every language: what is stored from the
file is, byte for byte, what was set. Comments are for the eye, and cleaned. Secrets never leave a
board, nor do the contents of files. A placeholder stands for each, and the dialog asks for it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from provision.catalogue import tr
from provision.client.snapshot import BoardSnapshot
from provision.contract.table import Held, Kind
from provision.schema.constraints import key_beside
from provision.schema.model import Setting, Value
from provision.wizard.dialog import introduction
from provision.wizard.questions import shown_value
from provision.wizard.show import exact

PLACEHOLDER = "{ ask = true }"
_WIDTH = 96  # characters of a line of comment


def answers_file(met: BoardSnapshot) -> str:
    """Return the answers file, in TOML, that sets what this board has set and uses."""
    return "".join(f"{line}\n" for line in _lines(met))


def _lines(met: BoardSnapshot) -> Iterator[str]:
    yield from _comment(
        tr("What was set on: {introduction}", introduction=introduction(met)),
        tr(
            "`provision setup --answers FILE` takes it, and asks for what is { ask = true } here:"
            " secrets and contents of files, which no board gives away. An answer may take the"
            ' place of such a mark, "in quotes" or as { file = "a file beside this one" }.'
        ),
    )
    used = met.active
    settings = [
        setting
        for setting in met.schema.settings
        if setting.key in used and met.held[setting.key].held is Held.SET
    ]
    cautions = [setting.key for setting in settings if setting.field.caution is not None]
    if cautions:
        yield ""
        yield from _comment(
            tr("These carry a caution. To have it taken as read, take away the # before the list.")
        )
        yield f"# accept = [{', '.join(map(_text, cautions))}]"
    passphrases = {
        key_beside(setting, setting.field.network): setting
        for setting in met.schema.settings
        if setting.field.network is not None
    }
    section = None
    for setting in settings:
        name, _, field = setting.key.rpartition(".")
        if name != section:
            section = name
            yield ""
            yield f"[{name}]"
        value = met.held[setting.key].value
        yield f"{field} = {_value(setting, value)}{_remark(setting, value)}"
        passphrase = passphrases.get(setting.key)
        if passphrase is not None and met.held[passphrase.key].held is Held.UNSET:
            yield f'{passphrase.field.key} = ""'


def _comment(*paragraphs: str) -> Iterator[str]:
    for paragraph in paragraphs:
        yield from textwrap.wrap(
            paragraph, _WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False
        )


def _value(setting: Setting, value: Value | None) -> str:
    if setting.field.is_opaque or value is None:
        return PLACEHOLDER
    told = exact(setting, value)
    if isinstance(told, bool):
        return "true" if told else "false"
    if isinstance(told, int) or setting.field.kind is Kind.DECIMAL:
        return str(told)
    return _text(told)


def _remark(setting: Setting, value: Value | None) -> str:
    """Return what a value does not say by itself: the unit of a number, the length of a file."""
    declared = setting.field
    if declared.kind in (Kind.INTEGER, Kind.DECIMAL) and declared.unit:
        return f"  # {declared.unit}"
    if declared.kind is Kind.BLOB and not declared.is_secret and value is not None:
        return f"  # {shown_value(declared, value)}"
    return ""


_ESCAPES = {'"': '\\"', "\\": "\\\\"}


def _text(text: str) -> str:
    """Return a TOML basic string (TOML 1.0, "String"): what cannot be seen in it is escaped."""
    return f'"{"".join(map(_character, text))}"'


def _character(character: str) -> str:
    if character.isprintable():
        return _ESCAPES.get(character, character)
    number = ord(character)
    return f"\\u{number:04x}" if number <= 0xFFFF else f"\\U{number:08x}"
