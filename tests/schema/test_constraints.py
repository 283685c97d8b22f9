# SPDX-License-Identifier: MIT
"""The rules of the whole (clauses 8.3, 9.5, 9.6), on an orchard's frost alarm."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from crc import Calculator, Configuration
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.table import Ability, Kind, Refusal
from provision.schema.constraints import (
    Violation,
    active,
    check_whole,
    defect,
    in_force,
    key_beside,
    missing,
    pin_conflicts,
    staged_digest,
)
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

# The reference that stands beside the CRC of the contract (RFC 3720 appendix B.4).
CRC32C = Calculator(Configuration(32, 0x1EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, True, True))


def pin(key: str, *, shares: bool = False, condition: Condition | None = None) -> Field:
    """Return a pin field."""
    return Field(key, Kind.PIN, key, shares=shares, condition=condition)


NETWORK = Section(
    "net",
    "Network",
    (
        Field("name", Kind.NETWORK_NAME, "Name", required=True),
        Field("pass", Kind.PASSPHRASE, "Passphrase", network="net.name"),
    ),
    repeat=Repeat(1, 2),
)
SIREN = Section(
    "siren",
    "Siren",
    (
        Field("fitted", Kind.YES_NO, "Fitted", default=False),
        Field(
            "pattern",
            Kind.CHOICE,
            "Pattern",
            required=True,
            options=(Option("steady", "Steady"), Option("pulsed", "Pulsed")),
            condition=Condition("siren.fitted", (True,)),
        ),
        Field(
            "pulse",
            Kind.DURATION,
            "Pulse",
            unit="ms",
            required=True,
            condition=Condition("siren.pattern", ("pulsed",)),
        ),
        pin("relay", condition=Condition("siren.fitted", (True,))),
    ),
)
BUS = Section("bus", "Bus", (pin("data", shares=True), pin("clock", shares=True), pin("lamp")))
PROBE = Section(
    "probe",
    "Probe",
    (
        Field("label", Kind.TEXT, "Label", maximum=8, required=True),
        Field("offset", Kind.INTEGER, "Offset", condition=Condition("probe.label")),
        Field("loud", Kind.YES_NO, "Loud", condition=Condition("siren.fitted", (True,))),
    ),
    repeat=Repeat(0, 3),
)
ALARM = Schema("Frost alarm", (NETWORK, SIREN, BUS, PROBE))

JOINED: dict[str, Value] = {"net.1.name": b"orchard", "net.1.pass": "under the apple tree"}


def test_a_default_is_in_force_until_something_is_stored() -> None:
    """In force is what is stored, else the default, else nothing; strange keys are left aside."""
    assert in_force(ALARM, {}) == {"siren.fitted": False}
    stored: dict[str, Value] = {"siren.fitted": True, "bus.data": 4, "attic.box": 1}
    assert in_force(ALARM, stored) == {"siren.fitted": True, "bus.data": 4}


def test_an_inactive_field_keeps_its_value_in_force() -> None:
    """What is hidden is not lost: its value counts again once its condition holds."""
    assert in_force(ALARM, {"siren.pulse": 300})["siren.pulse"] == 300
    assert "siren.pulse" not in active(ALARM, {"siren.pulse": 300})


def test_a_key_names_the_field_beside_it() -> None:
    """A base key names the field of the same instance in its own section, else as it stands."""
    offset = ALARM.setting("probe.2.offset")
    assert offset is not None
    assert key_beside(offset, "probe.label") == "probe.2.label"
    assert key_beside(offset, "siren.fitted") == "siren.fitted"
    relay = ALARM.setting("siren.relay")
    assert relay is not None
    assert key_beside(relay, "siren.fitted") == "siren.fitted"


ALWAYS = {"net.1.name", "net.1.pass", "siren.fitted", "bus.data", "bus.clock", "bus.lamp"}


@pytest.mark.parametrize(
    ("stored", "more"),
    [
        ({}, set()),
        ({"siren.fitted": True}, {"siren.pattern", "siren.relay"}),
        (
            {"siren.fitted": True, "siren.pattern": "pulsed"},
            {"siren.pattern", "siren.relay", "siren.pulse"},
        ),
        ({"siren.fitted": True, "siren.pattern": "steady"}, {"siren.pattern", "siren.relay"}),
        # a condition on a field that is not active never holds, whatever is stored there
        ({"siren.pattern": "pulsed"}, set()),
        # an instance is in use up to `least`, or when any of its fields is set
        ({"net.2.name": b"shed"}, {"net.2.name", "net.2.pass"}),
        ({"probe.2.offset": 1}, {"probe.2.label"}),
        # an empty list of values: any value will do
        ({"probe.3.label": "top"}, {"probe.3.label", "probe.3.offset"}),
        (
            {"probe.1.label": "top", "siren.fitted": True},
            {"probe.1.label", "probe.1.offset", "probe.1.loud", "siren.pattern", "siren.relay"},
        ),
    ],
)
def test_which_fields_are_active(stored: Mapping[str, Value], more: set[str]) -> None:
    """A field is active when its instance is in use and its condition holds (clause 9.5)."""
    assert active(ALARM, stored) == ALWAYS | more


@pytest.mark.parametrize(
    ("stored", "key"),
    [
        ({}, "net.1.name"),
        (JOINED, None),
        ({**JOINED, "siren.fitted": True}, "siren.pattern"),
        ({**JOINED, "siren.fitted": True, "siren.pattern": "steady"}, None),
        ({**JOINED, "siren.fitted": True, "siren.pattern": "pulsed"}, "siren.pulse"),
        ({**JOINED, "probe.2.offset": 1}, "probe.2.label"),
        ({**JOINED, "net.2.pass": "under the pear tree"}, "net.2.name"),
    ],
)
def test_the_first_missing_field_in_schema_order_is_named(
    stored: Mapping[str, Value], key: str | None
) -> None:
    """Missing is the first field that is active, required and without a value in force."""
    assert missing(ALARM, stored) == key


@pytest.mark.parametrize(
    ("staged", "fault"),
    [
        ({"net.1.name": b"barn"}, Violation(Refusal.PARTNER, "net.1.name", "net.1.pass")),
        ({"net.1.pass": "long enough"}, Violation(Refusal.PARTNER, "net.1.pass", "net.1.name")),
        # an open network: its passphrase is staged too, as cleared
        ({"net.1.name": b"barn", "net.1.pass": None}, None),
        ({"net.1.name": b"barn", "net.1.pass": "long enough"}, None),
        ({"net.1.name": None, "net.1.pass": None}, Violation(Refusal.MISSING, "net.1.name")),
        # partners are of one instance
        (
            {"net.1.name": b"barn", "net.2.pass": "long enough"},
            Violation(Refusal.PARTNER, "net.1.name", "net.1.pass"),
        ),
        ({"siren.fitted": True}, Violation(Refusal.MISSING, "siren.pattern")),
        ({"bus.lamp": 4}, None),
        ({"bus.data": 4, "bus.clock": 4}, None),
        (
            {"bus.data": 4, "bus.lamp": 4},
            Violation(Refusal.PIN_CONFLICT, "bus.lamp", "bus.data"),
        ),
        # the later field first, then the earlier
        (
            {"bus.data": 4, "bus.clock": 4, "bus.lamp": 4},
            Violation(Refusal.PIN_CONFLICT, "bus.lamp", "bus.data"),
        ),
        # a hidden field frees its pin
        ({"siren.relay": 4, "bus.lamp": 4}, None),
        (
            {"siren.relay": 4, "bus.lamp": 4, "siren.fitted": True, "siren.pattern": "steady"},
            Violation(Refusal.PIN_CONFLICT, "bus.lamp", "siren.relay"),
        ),
        # partner before missing, missing before pin-conflict
        (
            {"net.1.pass": "long enough", "siren.fitted": True},
            Violation(Refusal.PARTNER, "net.1.pass", "net.1.name"),
        ),
        (
            {"siren.fitted": True, "bus.data": 4, "bus.lamp": 4},
            Violation(Refusal.MISSING, "siren.pattern"),
        ),
    ],
)
def test_the_first_fault_of_the_whole(
    staged: Mapping[str, Value | None], fault: Violation | None
) -> None:
    """Partner, missing, pin-conflict, in this order, each in schema order (clause 9.6)."""
    assert check_whole(ALARM, JOINED, staged) == fault


def test_two_pins_can_be_swapped() -> None:
    """The rules look at the result, so that two fields may exchange their pins in one commit."""
    stored: dict[str, Value] = {**JOINED, "bus.data": 4, "bus.lamp": 5}
    assert check_whole(ALARM, stored, {"bus.data": 5}) == Violation(
        Refusal.PIN_CONFLICT, "bus.lamp", "bus.data"
    )
    assert check_whole(ALARM, stored, {"bus.data": 5, "bus.lamp": 4}) is None


def test_a_default_occupies_its_pin() -> None:
    """A pin that is in force by default conflicts as one that is stored does."""
    lamp = Field("lamp", Kind.PIN, "Lamp", default=4)
    schema = Schema("Alarm", (Section("bus", "Bus", (lamp, pin("data"))),))
    fault = Violation(Refusal.PIN_CONFLICT, "bus.data", "bus.lamp")
    assert check_whole(schema, {}, {"bus.data": 4}) == fault


CAREFUL = Schema(
    "Dryer",
    (
        Section(
            "dryer",
            "Dryer",
            (
                Field("limit", Kind.INTEGER, "Limit", default=45, caution="Fruit can burn."),
                Field(
                    "alarm", Kind.YES_NO, "Alarm", required=True, condition=Condition("dryer.limit")
                ),
                Field("fan", Kind.PIN, "Fan", default=4),
                Field("lamp", Kind.PIN, "Lamp", default=5),
                Field("heater", Kind.PIN, "Heater", default=4),
            ),
        ),
    ),
    (Pin(4, Ability.OUT), Pin(5, Ability.OUT, caution="High at the start.")),
)


def test_a_default_under_a_caution_is_only_proposed() -> None:
    """By the field or by the pin; nothing is in force, for the conditions of others either."""
    assert in_force(CAREFUL, {}) == {"dryer.fan": 4, "dryer.heater": 4}
    assert "dryer.alarm" not in active(CAREFUL, {})
    assert missing(CAREFUL, {}) == "dryer.limit"
    assert missing(CAREFUL, {"dryer.limit": 45, "dryer.alarm": True}) == "dryer.lamp"


def test_a_stored_set_is_judged_by_the_rules_of_the_whole() -> None:
    """An update may break both: what is missing comes first."""
    chosen: dict[str, Value] = {"dryer.limit": 45, "dryer.alarm": True}
    assert defect(CAREFUL, chosen) == Violation(Refusal.MISSING, "dryer.lamp")
    chosen["dryer.lamp"] = 5
    assert defect(CAREFUL, chosen) == Violation(Refusal.PIN_CONFLICT, "dryer.heater", "dryer.fan")
    assert [each.field for each in pin_conflicts(CAREFUL, {**chosen, "dryer.lamp": 4})] == [
        "dryer.lamp",
        "dryer.heater",
        "dryer.heater",
    ]
    assert defect(CAREFUL, {**chosen, "dryer.fan": 6}) is None


def test_the_digest_of_the_staged_set() -> None:
    """CRC-32C over [full key, value] in schema order, null for a cleared field (clause 6.5)."""
    staged: dict[str, Value | None] = {
        "bus.data": 26,
        "siren.fitted": True,
        "net.1.pass": None,
        "net.1.name": b"barn",
    }
    by_hand = bytes.fromhex("82 6a") + b"net.1.name" + bytes.fromhex("44") + b"barn"
    by_hand += bytes.fromhex("82 6a") + b"net.1.pass" + bytes.fromhex("f6")
    by_hand += bytes.fromhex("82 6c") + b"siren.fitted" + bytes.fromhex("f5")
    by_hand += bytes.fromhex("82 68") + b"bus.data" + bytes.fromhex("18 1a")
    assert staged_digest(ALARM, staged) == CRC32C.checksum(by_hand)
    assert staged_digest(ALARM, {}) == 0


VALUES = st.dictionaries(
    st.sampled_from([setting.key for setting in ALARM.settings]),
    st.sampled_from([True, False, "steady", "pulsed", 4, 5]),
)


@given(VALUES, VALUES)
def test_what_passes_is_complete_and_has_each_pin_once(
    stored: dict[str, Value], staged: dict[str, Value]
) -> None:
    """After a commit that passes, nothing is missing and only sharing fields have the same pin."""
    if check_whole(ALARM, stored, staged) is None:
        result = {**stored, **staged}
        assert missing(ALARM, result) is None
        pins = [
            (result[s.key], s.field.shares)
            for s in ALARM.settings
            if s.field.kind is Kind.PIN and s.key in result and s.key in active(ALARM, result)
        ]
        alone = [number for number, shares in pins if not shares]
        assert len(set(alone)) == len(alone)
        assert not set(alone) & {number for number, shares in pins if shares}
