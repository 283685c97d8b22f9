# SPDX-License-Identifier: MIT
"""Which question comes next, and what the answers change."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from provision.client.held import HeldSetting
from provision.contract.table import Held, Kind
from provision.schema.constraints import check_whole
from provision.schema.values import ValueProblem
from provision.wizard.flow import Flow
from provision.wizard.questions import (
    MASK,
    AnotherInstance,
    Given,
    Move,
    Origin,
    Question,
    Why,
)
from tests.wizard.sample_schema import (
    COMPLETE,
    PINS,
    SCHEMA,
    TYPED,
    answer,
    answer_all,
    asked,
    held,
)

SECRET = TYPED["network.passphrase"]


# ------------------------------------------------------------------------------- what is asked


def test_a_fresh_board_is_asked_for_everything_that_applies_section_by_section() -> None:
    """In schema order, conditions respected, and at the end of a repeating section for more."""
    assert answer_all(Flow(SCHEMA, {})) == [
        "network.name",
        "network.passphrase",
        "door.motor",
        "door.contact",
        "door.note",
        "door.code",
        "lamp.1.place",
        "lamp.1.colour",
        "another lamp 2",
    ]


def test_return_on_a_default_stores_it() -> None:
    """Otherwise an update that changes the default would change what the person agreed to."""
    flow = Flow(SCHEMA, {})
    answer_all(flow)
    assert flow.changes() == {
        "network.name": b"Farm",
        "network.passphrase": SECRET,
        "door.motor": False,
        "door.contact": 5,
        "door.code": "7391",
        "lamp.1.place": "roof",
        "lamp.1.colour": "warm",
    }


def test_a_board_that_is_set_up_is_asked_only_for_what_is_new() -> None:
    """What is set is kept; what was never set and is remembered as asked for is not asked again."""
    known = frozenset({"door.note"})
    assert answer_all(Flow(SCHEMA, held(COMPLETE), known=known)) == ["door.code"]


def test_nothing_remembered_counts_on_an_empty_board() -> None:
    """After an erase somebody else may be asked, for everything."""
    known = frozenset(setting.base_key for setting in SCHEMA.settings)
    assert answer_all(Flow(SCHEMA, {}, known=known)) == answer_all(Flow(SCHEMA, {}))


def test_a_value_that_the_firmware_no_longer_takes_is_asked_for() -> None:
    """A stored value outside tighter limits is flagged; the default is offered for it."""
    stored = held(COMPLETE) | {"lamp.1.colour": HeldSetting(Held.FELL_BACK, "warm")}
    flow = Flow(SCHEMA, stored, known=frozenset({"door.note", "door.code"}))
    question = asked(flow)
    assert (question.key, question.why, question.current) == (
        "lamp.1.colour",
        Why.FELL_BACK,
        "Warm white",
    )
    flow.answer(Move.KEEP)
    assert flow.changes() == {"lamp.1.colour": "warm"}


def test_what_is_required_and_missing_is_asked_whatever_was_asked_for() -> None:
    """Without it the board would refuse the whole."""
    stored = {key: entry for key, entry in held(COMPLETE).items() if key != "door.contact"}
    flow = Flow(SCHEMA, stored, keys=["door.note"], only_keys=True)
    question = asked(flow)
    assert (question.key, question.why) == ("door.contact", Why.MISSING)


def test_a_default_under_a_caution_is_asked_for_whatever_was_asked_before() -> None:
    """It is proposed, and nothing is in force until somebody has read the caution (clause 9.6)."""
    stored = held({**COMPLETE, "door.motor": True})
    every = frozenset(setting.base_key for setting in SCHEMA.settings)
    for before, why in ((Held.UNSET, Why.MISSING), (Held.FELL_BACK, Why.FELL_BACK)):
        flow = Flow(SCHEMA, {**stored, "door.relay": HeldSetting(before)}, known=every)
        question = asked(flow)
        assert (question.key, question.why, question.current) == ("door.relay", why, "P4")
        assert not question.can_clear
        assert flow.cautions(question, Move.KEEP) == ("The motor moves as soon as this is stored.",)
        with pytest.raises(ValueError, match="required"):
            flow.answer(Move.CLEAR)
        flow.answer(Move.KEEP)
        assert flow.next() is None
        assert flow.changes() == {"door.relay": 4}


def test_two_settings_on_one_pin_are_both_asked_for() -> None:
    """An update did that: the board does not work until one of them has another pin."""
    every = frozenset(setting.base_key for setting in SCHEMA.settings)
    stored = held({**COMPLETE, "door.motor": True, "door.relay": 5, "door.contact": 5})
    flow = Flow(SCHEMA, stored, known=every)
    first = asked(flow)
    assert (first.key, first.why, first.current) == ("door.relay", Why.CONFLICT, "P5")
    assert first.conflict == (
        "P5 is used twice: by this setting and by Door, Pin of the contact. The board does not work"
        " until one of them has another pin."
    )
    flow.answer(Move.KEEP)
    second = asked(flow)
    assert (second.key, second.why, second.current) == ("door.contact", Why.CONFLICT, None)
    assert second.conflict is not None
    assert "Door, Pin of the relay" in second.conflict
    with pytest.raises(ValueProblem, match="P5 is used: Door, Pin of the relay"):
        flow.read(second, "P5")
    answer(flow, door__contact="P2")
    assert flow.next() is None
    assert flow.changes() == {"door.contact": 2}


def test_the_first_of_two_settings_on_one_pin_can_move_as_well() -> None:
    """Then the other one keeps its pin at a Return, and is no change."""
    every = frozenset(setting.base_key for setting in SCHEMA.settings)
    stored = held({**COMPLETE, "door.motor": True, "door.relay": 5, "door.contact": 5})
    flow = Flow(SCHEMA, stored, known=every)
    answer(flow, door__relay="P4")
    assert asked(flow).current == "P5"
    flow.answer(Move.KEEP)
    assert flow.next() is None
    assert flow.changes() == {"door.relay": 4}


def test_named_settings_are_asked_alone() -> None:
    """What is set and not asked stays out of the changes."""
    flow = Flow(SCHEMA, held(COMPLETE), keys=["lamp.1.colour"], only_keys=True)
    assert asked(flow).origin is Origin.HELD
    answer(flow, lamp__1__colour="warm")
    assert flow.next() is None
    assert flow.changes() == {"lamp.1.colour": "warm"}
    assert flow.untouched() == len(COMPLETE) - 1


def test_asking_for_all_and_changing_nothing_changes_nothing() -> None:
    """Return on what the board holds leaves it there."""
    flow = Flow(SCHEMA, held(COMPLETE), ask_all=True)
    keys = []
    while (step := flow.next()) is not None:
        if isinstance(step, AnotherInstance):
            flow.answer_another(False)
            continue
        keys.append(step.key)
        flow.answer(Move.CLEAR if step.current is None else Move.KEEP)
    assert keys[:3] == ["network.name", "network.passphrase", "door.motor"]
    assert flow.changes() == {}


def test_a_question_says_where_it_stands() -> None:
    """Position and number of questions follow the answers."""
    flow = Flow(SCHEMA, {})
    answer(flow, network__name="Farm", network__passphrase=SECRET)
    assert (asked(flow).position, asked(flow).count) == (3, 8)
    answer(flow, door__motor="yes")
    assert (asked(flow).position, asked(flow).count) == (4, 9)


def test_the_computer_s_own_zone_comes_before_the_author_s_default() -> None:
    """A proposal of this computer is what Return gives where the board holds nothing."""
    proposals = {Kind.TEXT: Given("barn roof", "written so")}
    question = asked_for("lamp.1.place", Flow(SCHEMA, {}, proposals=proposals))
    assert (question.current, question.origin) == ("written so", Origin.PROPOSED)


# --------------------------------------------------------------------------------- conditions


def test_a_condition_brings_its_question_and_takes_it_away_again() -> None:
    """The answer to a question that vanished is no change, and is offered when it comes back."""
    flow = Flow(SCHEMA, {})
    answer(flow, network__name="Farm", network__passphrase=SECRET, door__motor="yes")
    answer(flow, door__relay="2")
    assert flow.changes()["door.relay"] == 2
    flow.change("door.motor")
    answer(flow, door__motor="no")
    assert "door.relay" not in flow.changes()
    assert asked(flow).key == "door.contact"
    flow.change("door.motor")
    answer(flow, door__motor="yes")
    assert flow.changes()["door.relay"] == 2


def test_a_question_that_an_answer_makes_necessary_is_asked() -> None:
    """Even where only one setting was asked for."""
    flow = Flow(SCHEMA, held(COMPLETE), keys=["door.motor"], only_keys=True)
    answer(flow, door__motor="yes")
    question = asked(flow)
    # Its default carries a caution, so that it is only proposed.
    assert (question.key, question.why) == ("door.relay", Why.MISSING)


# ------------------------------------------------------------------------------------ partners


def changed_network(flow: Flow) -> None:
    """Answer the question for the network's name with another one."""
    answer(flow, network__name="Orchard")


def test_a_changed_network_wants_its_passphrase_too() -> None:
    """The passphrase that is held belongs to another network and cannot be kept."""
    flow = Flow(SCHEMA, held(COMPLETE), keys=["network.name"], only_keys=True)
    changed_network(flow)
    question = asked(flow)
    assert (question.key, question.current, question.network) == (
        "network.passphrase",
        None,
        "Orchard",
    )
    answer(flow, network__passphrase=SECRET)
    assert flow.changes() == {"network.name": b"Orchard", "network.passphrase": SECRET}


def test_an_open_network_has_no_passphrase() -> None:
    """No passphrase is an answer, and is sent, so that the old one goes."""
    flow = Flow(SCHEMA, held(COMPLETE), keys=["network.name"], only_keys=True)
    changed_network(flow)
    flow.answer(Move.CLEAR)
    assert flow.changes() == {"network.name": b"Orchard", "network.passphrase": None}


def test_a_changed_passphrase_takes_its_network_along() -> None:
    """Both are asked, and both are sent, though the name stays the same (clause 9.6)."""
    flow = Flow(SCHEMA, held(COMPLETE), keys=["network.passphrase"], only_keys=True)
    question = asked(flow)
    assert (question.key, question.why) == ("network.name", Why.PARTNER)
    flow.answer(Move.KEEP)
    assert asked(flow).current == MASK
    answer(flow, network__passphrase=SECRET)
    assert flow.changes() == {"network.name": b"Farm", "network.passphrase": SECRET}


def test_a_kept_passphrase_is_asked_again_when_the_network_changes_after_all() -> None:
    """Else the new network would get the old passphrase, or none."""
    flow = Flow(SCHEMA, held(COMPLETE), keys=["network.name"], only_keys=True)
    flow.answer(Move.KEEP)
    flow.answer(Move.KEEP)
    assert flow.next() is None
    flow.change("network.name")
    changed_network(flow)
    assert asked(flow).key == "network.passphrase"


# ---------------------------------------------------------------------------------------- pins


def test_only_pins_that_can_serve_are_offered() -> None:
    """A pin lacks an ability, is the board's own, or is free."""
    question = asked_for("door.contact", Flow(SCHEMA, {}))
    assert [(choice.pin.number, choice.obstacle) for choice in question.pins] == [
        (2, None),
        (3, "taken: console"),
        (4, None),
        (5, None),
    ]


def test_a_pin_of_another_answer_is_not_offered() -> None:
    """Whoever has it is named."""
    flow = Flow(SCHEMA, {})
    answer(flow, network__name="Farm", network__passphrase=SECRET, door__motor="yes")
    answer(flow, door__relay="4")
    question = asked(flow)
    obstacles = {choice.pin.number: choice.obstacle for choice in question.pins}
    assert obstacles[4] == "used: Door, Pin of the relay"
    with pytest.raises(ValueProblem, match=r"P4 is used: Door, Pin of the relay"):
        flow.read(question, "P4")


def test_a_pin_whose_user_is_still_to_be_asked_can_be_chosen() -> None:
    """So that two pins can be exchanged; the default that it takes away is not offered later."""
    flow = Flow(SCHEMA, held({**COMPLETE, "door.motor": True, "door.relay": 4}), ask_all=True)
    for _ in range(3):
        flow.answer(Move.KEEP)
    answer(flow, door__relay="5")
    assert asked(flow).current is None
    answer(flow, door__contact="4")
    assert flow.changes() == {"door.relay": 5, "door.contact": 4}


def test_cautions_belong_to_the_choice() -> None:
    """That of the setting and that of the pin are both to be read, and not for what is set."""
    flow = Flow(SCHEMA, {}, keys=["door.relay"])
    answer(flow, network__name="Farm", network__passphrase=SECRET, door__motor="yes")
    question = asked(flow)
    assert flow.cautions(question, flow.read(question, "2")) == (
        "The motor moves as soon as this is stored.",
        f"P2: {PINS[0].caution}",
    )
    assert flow.cautions(question, Move.KEEP) == ("The motor moves as soon as this is stored.",)
    assert flow.cautions(question, Move.BACK) == ()
    again = Flow(SCHEMA, held({**COMPLETE, "door.motor": True, "door.relay": 2}), ask_all=True)
    assert again.cautions(asked_for("door.relay", again), Move.KEEP) == ()


# ------------------------------------------------------------------------------------ repeating


def test_another_instance_is_asked_for_with_all_its_fields() -> None:
    """A yes begins the instance, and the next one is offered after it."""
    flow = Flow(SCHEMA, {})
    while not isinstance(step := flow.next(), AnotherInstance):
        assert step is not None
        if step.current is not None:
            flow.answer(Move.KEEP)
        elif step.key in TYPED:
            flow.answer(flow.read(step, TYPED[step.key]))
        else:
            flow.answer(Move.CLEAR)
    assert (step.instance, step.first) == (2, False)
    flow.answer_another(True)
    answer(flow, lamp__2__place="gate", lamp__2__colour="cold")
    offered = flow.next()
    assert isinstance(offered, AnotherInstance)
    assert offered.instance == 3
    flow.answer_another(False)
    assert flow.next() is None
    changes = flow.changes()
    assert (changes["lamp.2.place"], changes["lamp.2.colour"]) == ("gate", "cold")
    # Second thoughts: back over the offers to the yes, and the lamp is gone.
    for _ in range(4):
        assert flow.back()
    step = flow.next()
    assert isinstance(step, AnotherInstance)
    assert step.instance == 2
    flow.answer_another(False)
    assert flow.next() is None
    assert not [key for key in flow.changes() if key.startswith("lamp.2")]


def test_the_last_instance_is_followed_by_no_offer() -> None:
    """A section repeats as often as its author said."""
    three = {f"lamp.{n}.place": "x" for n in (2, 3)}
    keys = answer_all(Flow(SCHEMA, held({**COMPLETE, **three}), ask_all=True))
    assert not [key for key in keys if key.startswith("another")]


def test_a_named_setting_begins_its_instance() -> None:
    """`lamp.3.place` asked for means that there is to be a third lamp, and no second one."""
    flow = Flow(SCHEMA, held(COMPLETE), keys=["lamp.3.place"], only_keys=True)
    assert answer_all(flow) == ["lamp.3.place", "lamp.3.colour"]
    assert flow.changes() == {"lamp.3.place": "roof", "lamp.3.colour": "warm"}


def test_an_instance_is_removed_whole() -> None:
    """Every value that it has is cleared, required ones too."""
    two = {"lamp.2.place": "gate", "lamp.2.colour": "cold"}
    known = frozenset({"door.note", "door.code"})
    flow = Flow(SCHEMA, held({**COMPLETE, **two}), removed=[("lamp", 2)], known=known)
    assert flow.next() is None
    assert flow.changes() == {"lamp.2.place": None, "lamp.2.colour": None}


# ------------------------------------------------------------------------- back, change, faults


def test_back_comes_to_every_question_with_its_answer_kept() -> None:
    """Back to the first and on again with Return alone gives the same changes."""
    flow = Flow(SCHEMA, {})
    answer_all(flow)
    before = flow.changes()
    steps = 0
    while flow.back():
        steps += 1
        assert flow.next() is not None
    assert steps == 9
    assert asked(flow).key == "network.name"
    assert asked(flow).origin is Origin.ANSWERED
    answer_all(flow)
    assert flow.changes() == before


def test_back_at_the_first_question_stays_there() -> None:
    """There is nothing before it, and nothing is lost."""
    flow = Flow(SCHEMA, {})
    assert not flow.back()
    assert asked(flow).key == "network.name"


def test_a_change_asks_one_question_and_comes_back_to_the_review() -> None:
    """Or, with back, leaves everything as it was."""
    flow = Flow(SCHEMA, {})
    answer_all(flow)
    flow.change("door.note")
    assert asked(flow).key == "door.note"
    answer(flow, door__note="oil it")
    assert flow.next() is None
    flow.change("door.note")
    assert asked(flow).current == "oil it"
    assert flow.back()
    assert flow.next() is None
    assert flow.changes()["door.note"] == "oil it"


def test_a_pin_is_given_by_its_name_and_by_its_number_where_two_have_the_name() -> None:
    """In the question that offers it, and in the review; what is edited is the number."""
    pins = tuple(replace(pin, name="X" if pin.number in (4, 6) else pin.name) for pin in PINS)
    flow = Flow(
        replace(SCHEMA, pins=pins),
        held({**COMPLETE, "door.motor": True, "door.relay": 4}),
        keys=["door.relay", "door.contact"],
        only_keys=True,
    )
    relay = asked(flow)
    assert (relay.current, relay.editable) == ("X (pin 4)", "4")
    flow.answer(flow.read(relay, "2"))
    flow.answer(flow.read(asked(flow), "4"))
    assert [line.shown for line in flow.review()] == ["P2", "X (pin 4)"]


def test_a_refused_answer_is_asked_again_and_the_others_stay() -> None:
    """The board has the last word on every value."""
    flow = Flow(SCHEMA, {})
    answer_all(flow)
    flow.fault("door.contact", "must be another pin")
    question = asked(flow)
    assert (question.why, question.fault, question.current) == (
        Why.FAULT,
        "must be another pin",
        "P5",
    )
    answer(flow, door__contact="4")
    assert flow.next() is None
    assert flow.changes()["door.contact"] == 4
    assert flow.changes()["network.name"] == b"Farm"


def test_a_refused_secret_is_not_offered_again() -> None:
    """Nobody can see what was wrong with it, so that it is typed anew."""
    flow = Flow(SCHEMA, {})
    answer_all(flow)
    flow.fault("door.code", "was refused")
    assert asked(flow).current is None


def test_a_wrong_passphrase_is_asked_for_alone_and_its_network_is_sent_along() -> None:
    """After a failure only the field at fault is asked for; back leads to the network."""
    faults = {"network.passphrase": "is not that of the network"}
    flow = Flow(SCHEMA, held(COMPLETE), keys=faults, only_keys=True, faults=faults)
    question = asked(flow)
    assert (question.key, question.network, question.current) == (
        "network.passphrase",
        "Farm",
        None,
    )
    answer(flow, network__passphrase=SECRET)
    assert flow.next() is None
    assert flow.changes() == {"network.name": b"Farm", "network.passphrase": SECRET}

    flow = Flow(SCHEMA, held(COMPLETE), keys=faults, only_keys=True, faults=faults)
    assert asked(flow).key == "network.passphrase"
    assert flow.back()
    answer(flow, network__name="Orchard", network__passphrase=SECRET)
    assert flow.changes() == {"network.name": b"Orchard", "network.passphrase": SECRET}


def test_a_network_not_found_is_asked_for_and_the_passphrase_typed_before_is_offered() -> None:
    """Return twice tries the same again, for somebody who has switched the network on."""
    faults = {"network.name": "is not in range"}
    remembered = {"network.passphrase": Given(SECRET)}
    flow = Flow(
        SCHEMA,
        held(COMPLETE),
        keys=faults,
        only_keys=True,
        faults=faults,
        remembered=remembered,
    )
    assert asked(flow).current == "Farm"
    flow.answer(Move.KEEP)
    assert asked(flow).current == MASK
    flow.answer(Move.KEEP)
    assert flow.next() is None
    assert flow.changes() == {"network.name": b"Farm", "network.passphrase": SECRET}


def test_two_settings_with_one_pin_are_noticed_at_the_end() -> None:
    """A default nobody asked about can be in the way; the whole is checked before it is sent."""
    stored = held({**COMPLETE, "door.contact": 4})
    flow = Flow(SCHEMA, stored, keys=["door.motor"], only_keys=True)
    answer(flow, door__motor="yes")
    question = asked(flow)
    assert (question.key, question.current) == ("door.relay", None)
    answer(flow, door__relay="5")
    assert flow.next() is None


# ------------------------------------------------------------------------------------- secrets


def test_no_secret_stands_in_anything_that_a_flow_shows() -> None:
    """Neither the review, nor a question, nor the description of an answer."""
    flow = Flow(SCHEMA, {})
    shown = []
    while (step := flow.next()) is not None:
        shown.append(repr(step))
        if isinstance(step, AnotherInstance):
            flow.answer_another(False)
            continue
        text = TYPED.get(step.key)
        given = Move.KEEP if text is None and step.current else Move.CLEAR
        answered = flow.read(step, text) if text is not None else given
        shown.append(repr(answered))
        flow.answer(answered)
    flow.back()
    shown += [repr(flow.next()), repr(flow.review()), repr(flow.answers())]
    assert any(line.shown == MASK for line in flow.review())
    for secret in (SECRET, TYPED["door.code"]):
        assert not [text for text in shown if secret in text]


def test_whatever_is_answered_makes_a_whole_that_a_board_takes() -> None:
    """Every way through the dialog ends in changes without a fault of clause 9.6."""
    for motor, contact, network, lamps in itertools.product(
        ("yes", "no"), ("2", "4", "5"), (SECRET, None), (1, 2, 3)
    ):
        flow = Flow(SCHEMA, {})
        count = 1
        while (step := flow.next()) is not None:
            if isinstance(step, AnotherInstance):
                flow.answer_another(count < lamps)
                count += 1
            elif step.key == "door.motor":
                flow.answer(flow.read(step, motor))
            elif step.key == "door.contact":
                free = [c.pin.number for c in step.pins if c.obstacle is None]
                pin = contact if int(contact) in free else str(free[0])
                flow.answer(flow.read(step, pin))
            elif step.key == "network.passphrase" and network is None:
                flow.answer(Move.CLEAR)
            elif step.current is not None:
                flow.answer(Move.KEEP)
            elif step.key in TYPED:
                flow.answer(flow.read(step, TYPED[step.key]))
            else:
                flow.answer(Move.CLEAR)
        assert check_whole(SCHEMA, {}, flow.changes()) is None


def asked_for(key: str, flow: Flow) -> Question:
    """Answer all that comes before a question; return the question."""
    while (question := asked(flow)).key != key:
        if question.current is not None:
            flow.answer(Move.KEEP)
        else:
            flow.answer(flow.read(question, TYPED[question.key]))
    return question
