# SPDX-License-Identifier: MIT
"""A small schema for the tests of the dialog: a barn door with a lamp, and its network."""

from __future__ import annotations

from collections.abc import Mapping

from provision.client.held import HeldSetting
from provision.contract.table import Ability, Held, Kind
from provision.schema.model import (
    Condition,
    Field,
    Option,
    Pin,
    Repeat,
    Schema,
    Section,
    Value,
)
from provision.wizard.flow import Flow
from provision.wizard.questions import (
    AnotherInstance,
    Move,
    Question,
)

IN, OUT, ANALOG = Ability.IN, Ability.OUT, Ability.ANALOG

NETWORK = Section(
    "network",
    "Network",
    (
        Field("name", Kind.NETWORK_NAME, "Network", required=True),
        Field("passphrase", Kind.PASSPHRASE, "Passphrase", network="network.name"),
    ),
)
DOOR = Section(
    "door",
    "Door",
    (
        Field("motor", Kind.YES_NO, "Is there a motor", required=True, default=False),
        Field(
            "relay",
            Kind.PIN,
            "Pin of the relay",
            required=True,
            needs=OUT,
            default=4,
            condition=Condition("door.motor", (True,)),
            caution="The motor moves as soon as this is stored.",
        ),
        Field("contact", Kind.PIN, "Pin of the contact", required=True, needs=IN),
        Field("note", Kind.TEXT, "Note", maximum=20),
        Field("code", Kind.SECRET, "Door code", minimum=4, maximum=12),
    ),
)
LAMP = Section(
    "lamp",
    "Lamp",
    (
        Field("place", Kind.TEXT, "Where it hangs", required=True, default="roof", maximum=20),
        Field(
            "colour",
            Kind.CHOICE,
            "Colour",
            required=True,
            default="warm",
            options=(Option("warm", "Warm white"), Option("cold", "Cold white")),
        ),
    ),
    repeat=Repeat(1, 3),
)
PINS = (
    Pin(2, IN | OUT, "P2", caution="It must be high while the board starts."),
    Pin(3, IN | OUT, "P3", taken="console"),
    Pin(4, IN | OUT, "P4"),
    Pin(5, IN | OUT, "P5"),
    Pin(6, ANALOG, "P6"),
)
SCHEMA = Schema("Barn", (NETWORK, DOOR, LAMP), PINS)

COMPLETE: Mapping[str, Value | None] = {
    "network.name": b"Farm",
    "network.passphrase": None,
    "door.motor": False,
    "door.contact": 5,
    "lamp.1.place": "roof",
    "lamp.1.colour": "cold",
}
"""What a barn holds that was set up: of the passphrase only that it is set."""


def held(values: Mapping[str, Value | None]) -> dict[str, HeldSetting]:
    """Return what a board holds; None for what is set and never comes back."""
    return {key: HeldSetting(Held.SET, value) for key, value in values.items()}


def asked(flow: Flow) -> Question:
    """Return the question that a flow asks now."""
    step = flow.next()
    assert isinstance(step, Question), step
    return step


def answer(flow: Flow, **texts: str) -> None:
    """Answer questions with texts, in the order in which they must come: section_key="text"."""
    for name, text in texts.items():
        question = asked(flow)
        assert question.key == name.replace("__", "."), question.key
        flow.answer(flow.read(question, text))


def answer_all(flow: Flow) -> list[str]:
    """Answer all that is asked with Return where that is an answer; return what was asked."""
    keys = []
    while (step := flow.next()) is not None:
        if isinstance(step, AnotherInstance):
            keys.append(f"another {step.section.key} {step.instance}")
            flow.answer_another(False)
        else:
            keys.append(step.key)
            give_something(flow, step)
    return keys


TYPED = {
    "network.name": "Farm",
    "network.passphrase": "hayloft-2-left",
    "door.contact": "5",
    "door.code": "7391",
}


def give_something(flow: Flow, question: Question) -> None:
    """Answer with Return, else with what TYPED has, else with nothing."""
    if question.current is not None:
        flow.answer(Move.KEEP)
    elif question.key in TYPED:
        flow.answer(flow.read(question, TYPED[question.key]))
    else:
        flow.answer(Move.CLEAR)
