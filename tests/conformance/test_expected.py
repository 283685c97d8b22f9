# SPDX-License-Identifier: MIT
"""What the kit expects of a board is what the page says, and what the host says as well.

The vectors were written by hand from the page and its standards. The host's rules are another
reading of the same clauses: where the two differ, one of them is wrong.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.conformance.expected import Due, commit_refusal, first_conflict, first_missing
from provision.conformance.expected_values import value_refusal
from provision.contract.profile import decode
from provision.contract.table import Ability, Kind, Refusal
from provision.schema import constraints
from provision.schema.model import Condition, Field, Pin, Repeat, Schema, Section, Value
from provision.schema.values import check_value
from tests.vectors.boards import declaration
from tests.vectors.files import Row, each

SCHEMA = declaration("board").schema


@each("values", lambda row: SCHEMA.setting(row["field"]) is not None)
def test_values_are_judged_as_the_vectors_say(vector: Row) -> None:
    """Each with the code that stands in it, and none where it is accepted."""
    setting = SCHEMA.setting(vector["field"])
    assert setting is not None
    value = decode(bytes.fromhex(vector["bytes"]))
    if value is None:
        return  # cleared: there is no value to judge
    due = value_refusal(setting.field, value, SCHEMA)
    got = "accepted" if due is None else due.name.lower().replace("_", "-")
    assert got == vector["expected"]


HOST = Field("host", Kind.HOST, "Host")
URL = Field("url", Kind.URL, "URL", schemes=("https", "mqtt"))
ZONE = Field("zone", Kind.TIME_ZONE, "Zone")


@pytest.mark.parametrize(
    ("field", "pieces"),
    [
        (HOST, ("a", "-", ".", "1", "255", "256", "01", "0", "x" * 63)),
        (URL, ("https", "mqtt", "://", "a", ":", "8", "65536", "/", "?", "#", "%", "4f", "@", ".")),
        (ZONE, ("CET", "-", "24", ":59", "<+", ">", ",", "M3.5.0", "J365", "J0", "/", "167")),
    ],
    ids=["host", "url", "time-zone"],
)  # fmt: skip
def test_the_host_reads_the_forms_alike(field: Field, pieces: tuple[str, ...]) -> None:
    """Of texts put together from what their grammars are about, both refuse the same."""

    @given(st.lists(st.sampled_from(pieces), max_size=9).map("".join))
    def alike(text: str) -> None:
        assert value_refusal(field, text, SCHEMA) is check_value(field, text, SCHEMA)

    alike()


def pin(key: str, **more: object) -> Field:
    """Return a pin field."""
    return Field(key, Kind.PIN, key, **more)  # type: ignore[arg-type]


ORCHARD = Schema(
    "Orchard",
    (
        Section(
            "net",
            "Network",
            (
                Field("name", Kind.NETWORK_NAME, "Name", required=True),
                Field("pass", Kind.PASSPHRASE, "Passphrase", network="net.name"),
            ),
        ),
        Section(
            "siren",
            "Siren",
            (
                Field("fitted", Kind.YES_NO, "Fitted", default=True),
                pin("relay", required=True, condition=Condition("siren.fitted", (True,))),
                pin("lamp", default=4),
                pin("bus", shares=True),
                pin("heater", default=14),
                Field("pulse", Kind.INTEGER, "Pulse", default=3, caution="It may pinch."),
            ),
        ),
        Section(
            "probe",
            "Probe",
            (
                Field("label", Kind.TEXT, "Label", maximum=8, required=True),
                pin("data", condition=Condition("probe.label"), shares=True),
            ),
            repeat=Repeat(1, 3),
        ),
    ),
    pins=(
        *(Pin(number, Ability.OUT) for number in (2, 4, 5)),
        Pin(14, Ability.OUT, caution="Hot."),
    ),
)
WHOLE: dict[str, Value] = {
    "net.name": b"n",
    "siren.relay": 2,
    "siren.heater": 5,
    "siren.pulse": 1,
    "probe.1.label": "mast",
}


def test_a_required_field_is_missing_only_while_it_is_active() -> None:
    """9.5 and 9.6, by hand: a condition that does not hold, an instance that is in no use."""
    assert first_missing(ORCHARD, WHOLE) is None
    assert first_missing(ORCHARD, {}) == "net.name"
    assert first_missing(ORCHARD, {**WHOLE, "siren.relay": None}) == "siren.relay"
    off: dict[str, Value | None] = {**WHOLE, "siren.relay": None, "siren.fitted": False}
    assert first_missing(ORCHARD, off) is None
    assert first_missing(ORCHARD, {**WHOLE, "probe.2.data": 5}) == "probe.2.label"


def test_a_default_with_a_caution_is_chosen_by_a_person() -> None:
    """9.6, by hand: that of the field, or of the pin that is the default; required or not."""
    assert first_missing(ORCHARD, {**WHOLE, "siren.heater": None}) == "siren.heater"
    assert first_missing(ORCHARD, {**WHOLE, "siren.pulse": None}) == "siren.pulse"
    assert first_conflict(ORCHARD, {**WHOLE, "siren.heater": None, "siren.relay": 14}) is None
    assert first_conflict(ORCHARD, {**WHOLE, "siren.heater": 14, "siren.relay": 14}) is not None


def test_a_pin_is_one_fields_unless_both_share_it() -> None:
    """9.6, by hand: the default counts, a field that is not active does not."""
    assert first_conflict(ORCHARD, WHOLE) is None
    assert first_conflict(ORCHARD, {**WHOLE, "siren.relay": 4}) == ("siren.lamp", "siren.relay")
    assert first_conflict(ORCHARD, {**WHOLE, "siren.bus": 9, "probe.1.data": 9}) is None
    assert first_conflict(ORCHARD, {**WHOLE, "probe.1.data": 2}) == ("probe.1.data", "siren.relay")
    inactive = {**WHOLE, "probe.2.data": 2}
    assert first_conflict(ORCHARD, inactive) is None


def test_the_first_rule_that_is_broken_decides() -> None:
    """Partner, missing, pin-conflict, in this order (9.6)."""
    staged: dict[str, Value | None] = {"net.name": None, "siren.relay": 4}
    assert commit_refusal(ORCHARD, WHOLE, staged) == Due(Refusal.PARTNER, "net.name", "net.pass")
    staged["net.pass"] = None
    assert commit_refusal(ORCHARD, WHOLE, staged) == Due(Refusal.MISSING, "net.name")
    del staged["net.name"], staged["net.pass"]
    assert commit_refusal(ORCHARD, WHOLE, staged) == Due(
        Refusal.PIN_CONFLICT, "siren.lamp", "siren.relay"
    )


_OF_FIELDS: dict[str, tuple[Value | None, ...]] = {
    setting.key: {
        Kind.PIN: (None, 2, 4, 5, 14),
        Kind.INTEGER: (None, 3),
        Kind.YES_NO: (None, True, False),
        Kind.NETWORK_NAME: (None, b"n"),
    }.get(setting.field.kind, (None, "longish-text"))
    for setting in ORCHARD.settings
}
_CHANGES = st.lists(st.sampled_from(sorted(_OF_FIELDS)), unique=True).flatmap(
    lambda keys: st.fixed_dictionaries({key: st.sampled_from(_OF_FIELDS[key]) for key in keys})
)


@given(_CHANGES, _CHANGES)
def test_the_host_reads_the_rules_of_the_whole_alike(
    stored: dict[str, Value | None], staged: dict[str, Value | None]
) -> None:
    """Of any stored set and any staged one, both name the same fault and the same fields."""
    held = {key: value for key, value in stored.items() if value is not None}
    fault = constraints.check_whole(ORCHARD, held, staged)
    due = commit_refusal(ORCHARD, stored, staged)
    assert (due and (due.code, due.field, due.other)) == (
        fault and (fault.code, fault.field, fault.other)
    )
