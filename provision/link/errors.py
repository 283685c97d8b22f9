# SPDX-License-Identifier: MIT
# ruff: noqa: N818 - each name says what is wrong, and LinkError above them all that it is one
"""What can go wrong between host and board, each in one sentence for a person, with the fix.

No text repeats a value, which may be a secret.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from provision.contract.table import MESSAGES, MessageType, Refusal
from provision.errors import ProvisionError
from provision.phrases import Phrase, mark, phrase


@dataclass(frozen=True, slots=True)
class Refused:
    """A board's refusal of a request (clause 7); a code without a name came with a later version.

    field, other: full keys of the fields at fault; detail: a number whose meaning depends on code.
    """

    code: Refusal | int
    field: str | None = None
    other: str | None = None
    detail: int | None = None


class LinkError(ProvisionError):
    """The conversation cannot go on; str() is what to tell the person."""


class PortMissing(LinkError):
    """There is no such port."""


class NoSerialPort(PortMissing):
    """What has this name is no serial port."""


class PortForbidden(LinkError):
    """The person may not open the port."""


class PortBusy(LinkError):
    """Another program holds the port."""


class LineLost(LinkError):
    """The port is gone: unplugged, or closed at the other end."""


class Silent(LinkError):
    """Nothing at all came from the port."""


class SpeaksElse(LinkError):
    """Bytes came, but no answer among them: other firmware, another rate, or mere echo."""


class Echo(SpeaksElse):
    """What is sent comes back, and nothing else."""


class OtherReader(LinkError):
    """So many answers came damaged that somebody else must be taking bytes from the port."""


class NoReply(LinkError):
    """A board that answered before does not any more."""


class WrongVersion(LinkError):
    """The board speaks no version of the protocol that this program speaks."""


class BoardFault(LinkError):
    """The board breaks the protocol: its firmware needs mending."""


REFUSALS: Mapping[int, str] = MappingProxyType(
    {
        Refusal.UNSUPPORTED_VERSION: mark(
            "The board's firmware speaks another version of the protocol: update this program."
        ),
        Refusal.UNKNOWN_TYPE: mark(
            "The board's firmware does not know this request: it is too old for it."
        ),
        Refusal.NOT_OFFERED: mark("The board's firmware does not offer this."),
        Refusal.PRESENCE: mark(
            "The board wants somebody present: press its button, then try again."
        ),
        Refusal.WRONG_STATE: mark("This does not fit what the board holds at the moment."),
        Refusal.MOVED_ON: mark("The board has changed or restarted meanwhile: start again."),
        Refusal.STORAGE: mark(
            "The board's memory could not be written; what was stored before still holds."
        ),
        Refusal.NO_OLDER_SET: mark("The board holds no older settings that it could return to."),
        Refusal.BUSY: mark("The board is busy: try again later."),
    }
)
"""What a refusal means, whatever was asked for."""


class BoardRefused(LinkError):
    """The board refused a request; `refused` says why."""

    def __init__(self, request: MessageType, refused: Refused, said: Phrase | None = None) -> None:
        super().__init__(said or _refusal_sentence(request, refused.code))
        self.request = request
        self.refused = refused


def _refusal_sentence(request: MessageType, code: Refusal | int) -> Phrase:
    known = next((text for each, text in REFUSALS.items() if each == code), None)
    if known is not None:
        return phrase(known)
    if isinstance(code, Refusal):
        why: Phrase | str = code.name.lower().replace("_", "-")
    else:
        why = phrase("code {code}", code=code)
    return phrase(
        "The board refused the request {name}: {why}.", name=MESSAGES[request].name, why=why
    )


class NotWiped(BoardRefused):
    """Nothing is set on the board any more, but a part of its memory could not be wiped."""

    def __init__(self, refused: Refused) -> None:
        said = phrase(
            "The board forgot its settings, but part of its memory could not be wiped and may"
            " still hold them: erase it once more before you give it away."
        )
        super().__init__(MessageType.ERASE, refused, said)
