# SPDX-License-Identifier: MIT
"""What the tests of the board need of a host: boards to talk to, and requests by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from provision.board.engine import OFFERED, Board, Identity, Limits
from provision.board.flash import Flash, Geometry
from provision.board.store import FlashStore
from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import Message, check_body, decode_message, encode_message
from provision.contract.profile import Item
from provision.contract.table import (
    MESSAGES,
    PROTOCOL_VERSION,
    Ability,
    Capability,
    Kind,
    MessageType,
    Refusal,
)
from provision.schema.codec import pack
from provision.schema.constraints import staged_digest
from provision.schema.model import Condition, Field, Option, Pin, Repeat, Schema, Section, Value

TOKENS = [bytes([0xA0 + number] * 8) for number in range(16)]
NET: Mapping[str, Value | None] = {"net.name": b"orchard", "net.pass": "blossom-in-may"}

ORCHARD = Schema(
    title="Frost alarm",
    trial=60,
    pins=(
        Pin(2, Ability.IN | Ability.OUT),
        Pin(3, Ability.IN | Ability.OUT),
        Pin(4, Ability.IN | Ability.OUT, taken="console"),
    ),
    sections=(
        Section(
            "net",
            "Network",
            (
                Field("name", Kind.NETWORK_NAME, "Network", required=True),
                Field("pass", Kind.PASSPHRASE, "Passphrase", network="net.name"),
            ),
        ),
        Section(
            "service",
            "Weather service",
            (
                Field("url", Kind.URL, "Address", schemes=("https",)),
                Field("key", Kind.SECRET, "Key", maximum=40),
                Field("cert", Kind.BLOB, "Certificate", maximum=600),
            ),
        ),
        Section(
            "siren",
            "Siren",
            (
                Field("fitted", Kind.YES_NO, "Fitted", default=False),
                Field(
                    "pin",
                    Kind.PIN,
                    "Pin",
                    needs=Ability.OUT,
                    condition=Condition("siren.fitted", (True,)),
                    required=True,
                ),
                Field("lamp", Kind.PIN, "Lamp", needs=Ability.OUT),
                Field(
                    "mode",
                    Kind.CHOICE,
                    "Mode",
                    options=(Option("steady", "Steady"), Option("pulsed", "Pulsed")),
                ),
            ),
        ),
        Section(
            "probe",
            "Probe",
            (
                Field("label", Kind.TEXT, "Label", maximum=12),
                Field(
                    "offset",
                    Kind.DECIMAL,
                    "Offset",
                    minimum=-50,
                    maximum=50,
                    digits=1,
                    default=5,
                    unit="K",
                ),
            ),
            repeat=Repeat(1, 2),
        ),
    ),
)
"""A schema with a field of every sort that matters to the board beyond its check."""

GEOMETRY = Geometry(size=4 * 1024, erase_unit=512, program_unit=16)


def fresh_flash(geometry: Geometry = GEOMETRY) -> Flash:
    """Return erased flash that four slots fit into."""
    return Flash(geometry)


PACKED = {id(ORCHARD): pack(ORCHARD)}  # so that a test may make thousands of boards


def make_board(
    schema: Schema = ORCHARD,
    *,
    flash: Flash | None = None,
    slots: int = 4,
    capabilities: Capability = OFFERED,
    limits: Limits | None = None,
    boot_number: int = 1000,
) -> Board:
    """Return a board on fresh flash, or on the flash given."""
    return Board(
        schema,
        Identity("frost-alarm", "1.2", "mast", bytes.fromhex("a1b2c3d4")),
        FlashStore(flash or fresh_flash(), slots),
        boot_number,
        limits=limits,
        capabilities=capabilities,
        packed=PACKED.get(id(schema)),
    )


@dataclass
class Answer:
    """A reply or a refusal, by the names of its keys."""

    type: MessageType
    body: dict[str, Item] = field(default_factory=dict)

    @property
    def code(self) -> Refusal | None:
        """Why the request was refused, None if it was not."""
        return Refusal(self.body["code"]) if self.type is MessageType.REFUSAL else None  # type: ignore[arg-type]


def request_line(request: MessageType, id_: int = 1, /, **body: Item) -> bytes:
    """Return the line of a request; keys by name, with underscores for hyphens."""
    keys = {known.name: key for key, known in MESSAGES[request].body.items()}
    numbered = {keys[name.replace("_", "-")]: item for name, item in body.items()}
    return encode_line(encode_message(Message(PROTOCOL_VERSION, request, id_, numbered)))


def answers(sent: bytes) -> list[Answer]:
    """Return what a board sent; every line must be a reply of the form that the table gives."""
    found = []
    for event in LineReceiver().feed(sent):
        assert isinstance(event, Frame), event
        message = decode_message(event.item)
        check_body(message)
        row = MESSAGES[message.type]
        assert not row.is_request
        found.append(
            Answer(row.type, {row.body[key].name: item for key, item in message.body.items()})
        )
    return found


class Host:
    """Talks to one board; `now` is the time that it is for both, in milliseconds."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.now = 0
        self._id = 0
        self.last = b""

    def ask(self, request: MessageType, **body: Item) -> Answer:
        """Send a request; return the one answer."""
        self._id += 1
        self.last = request_line(request, self._id, **body)
        return self.again()

    def again(self) -> Answer:
        """Send the last request once more, as a host does whose reply was lost."""
        (answer,) = answers(self.board.receive(self.last, self.now))
        return answer

    def stage(self, values: Mapping[str, Value | None]) -> None:
        """Stage values that the board takes."""
        for key, value in values.items():
            assert self.ask(MessageType.SET_FIELD, field=key, value=value).code is None

    def commit(self, token: bytes) -> Answer:
        """Commit what is staged."""
        return self.ask(
            MessageType.COMMIT,
            count=len(self.board.staged),
            digest=staged_digest(self.board.schema, self.board.staged),
            token=token,
        )

    def store(self, values: Mapping[str, Value | None], token: bytes) -> None:
        """Stage and commit values, and confirm them if they are on trial."""
        self.stage(values)
        assert self.commit(token).code is None
        if self.board.store.current.on_trial:
            assert self.ask(MessageType.CONFIRM, generation=self.board.generation).code is None

    def wait(self, ms: int) -> None:
        """Let time pass."""
        self.now += ms
        self.board.tick(self.now)

    def restart(self) -> None:
        """Cut the power, and switch on again."""
        self.board.store.flash.power_up()
        self.board.restart(self.board.boot_number + 1, self.now)
