# SPDX-License-Identifier: MIT
"""Codes in a person's words: what the board does, why it failed, and what people do about it.

Boards send codes; the words are the host's (design page, section 3). A code of a later version has
words too: those of something that nobody here knows.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from provision.catalogue import mark, spoken, tr
from provision.client.board_client import Event
from provision.client.held import declared_key
from provision.contract.messages import code_name
from provision.contract.table import Kind, Reason, Refusal, Run, Step, Store
from provision.link.errors import REFUSALS, Refused
from provision.link.exchange import Notice
from provision.link.replies import Status
from provision.schema.model import Schema
from provision.schema.values import refusal_words
from provision.wizard.questions import Why, heading

STEPS: Mapping[int, str] = MappingProxyType(
    {
        Step.NONE: mark("working with the settings"),
        Step.START: mark("starting with the settings"),
        Step.JOIN: mark("joining the network"),
        Step.ADDRESS: mark("getting a network address"),
        Step.RESOLVE: mark("looking up the service's name"),
        Step.REACH: mark("reaching the service"),
        Step.AUTHORIZE: mark("showing the service its key"),
        Step.HARDWARE: mark("trying what is wired to it"),
    }
)
"""What the board is doing, to follow "The board is"."""

REASONS: Mapping[int, str] = MappingProxyType(
    {
        Reason.NONE: mark("The board gives no reason."),
        Reason.NETWORK_NOT_FOUND: mark(
            "No network of this name is in range. Capital letters count; is it switched on, and"
            " near enough?"
        ),
        Reason.PASSPHRASE_WRONG: mark(
            "The network did not take this passphrase. Capital letters count."
        ),
        Reason.NO_ADDRESS: mark(
            "The network gave the board no address. Switching the router off and on often helps;"
            " so does a fixed address."
        ),
        Reason.NAME_NOT_RESOLVED: mark(
            "The host name could not be looked up. Is it spelt right, and does the network reach"
            " the internet?"
        ),
        Reason.UNREACHABLE: mark(
            "The service did not answer. Are its name and port right, and is it running?"
        ),
        Reason.KEY_REFUSED: mark(
            "The service did not take the key. Copy it once more, whole, from where the service"
            " shows it."
        ),
        Reason.PIN_CONFLICT: mark("The firmware cannot use this pin."),
        Reason.NO_RESPONSE: mark(
            "What is wired to the board does not answer. Look at the wiring, and at the pin."
        ),
        Reason.TIME_OUT: mark("It took too long."),
        Reason.OTHER: mark("Something else went wrong."),
    }
)
"""Why the board does not work with the settings, and what people usually do about it."""

NO_WORD_WHY = mark("does not work, and the board does not say why")
"""What is wrong with a setting that the board names with no reason, to follow the label."""

UNKNOWN_REASON = mark("The reason is one that this program does not know: a newer one may.")

UNKNOWN_STEP = mark("at a step that this program does not know")

_KINDS_AT_FAULT: Mapping[int, tuple[Kind, ...]] = MappingProxyType(
    {
        Reason.NETWORK_NOT_FOUND: (Kind.NETWORK_NAME,),
        Reason.PASSPHRASE_WRONG: (Kind.PASSPHRASE,),
        Reason.NO_ADDRESS: (Kind.NETWORK_NAME,),
        Reason.NAME_NOT_RESOLVED: (Kind.HOST, Kind.URL),
        Reason.UNREACHABLE: (Kind.HOST, Kind.URL),
        Reason.KEY_REFUSED: (Kind.SECRET,),
        Reason.PIN_CONFLICT: (Kind.PIN,),
        Reason.NO_RESPONSE: (Kind.PIN,),
    }
)

STORES: Mapping[int, str] = MappingProxyType(
    {
        Store.EMPTY: mark("nothing is stored"),
        Store.INCOMPLETE: mark("incomplete, so that the board does not work"),
        Store.COMPLETE: mark("complete"),
        Store.TRIAL: mark("the settings are on trial, those before are kept"),
    }
)

RUNS: Mapping[int, str] = MappingProxyType(
    {
        Run.IDLE: mark("waits for settings"),
        Run.APPLYING: mark("is putting the settings into use"),
        Run.PROVEN: mark("works with the settings"),
        Run.FAILED: mark("does not work with the settings"),
        Run.NOT_REPORTED: mark("does not report whether the settings work"),
    }
)
"""What the board does with the settings, to follow "The board"."""

EVENTS: Mapping[Event, str] = MappingProxyType(
    {
        Event.PRESENCE: mark("The board wants somebody present: press its button now."),
        Event.GONE: mark(
            "The board is gone: plug it in again. Your answers are kept. (Ctrl-C leaves.)"
        ),
        Event.GONE_STORING: mark(
            "The board is gone, and has not said whether it stored the settings: plug it in again"
            " to find out. (Ctrl-C leaves.)"
        ),
        Event.SETTLING: mark("Finding out what became of the settings."),
    }
)
"""What to say while the client waits for something."""

WHYS: Mapping[Why, str] = MappingProxyType(
    {
        Why.FELL_BACK: mark("The value stored is one that this firmware no longer takes."),
        Why.PARTNER: mark("A network's name and its passphrase are set together."),
    }
)
"""Why a question is asked, where that is not plain."""

_NOT_WHOLE = mark("The settings did not arrive whole, again and again; try another cable.")

_SET_REFUSALS: Mapping[int, str] = MappingProxyType(
    {
        **REFUSALS,
        Refusal.UNKNOWN_FIELD: mark(
            "The board does not know a setting that it declared itself: its firmware needs mending."
        ),
        # Of a commit the two mean the same (shared/protocol.md, clause 6.5).
        Refusal.SET_DIFFERS: _NOT_WHOLE,
        Refusal.WRONG_STATE: _NOT_WHOLE,
    }
)


NOTICES: Mapping[Notice, str] = MappingProxyType(
    {
        Notice.SPEAKS_ELSE: mark(
            "Something speaks on this port, but no board that can be set up has answered yet."
            " Press the board's reset button; is its firmware the right one?"
        ),
        Notice.OTHER_READER: mark(
            "The board's answers come damaged: is another program reading this port?"
        ),
    }
)
"""What to say while nothing has failed yet. The other notices are in the way of things."""


def fault_sentence(label: str, words: str) -> str:
    """Return a fault as a sentence: words in lower case follow the label, others stand alone."""
    return f"{label} {words}." if words[:1].islower() else words


def store_words(store: int) -> str:
    """Return what a board holds, in words."""
    return tr(STORES[store]) if store in STORES else code_name(store)


def incomplete_words(schema: Schema, status: Status) -> str | None:
    """Return in one sentence what keeps a board from working, None where it told nothing."""
    keys = [status.missing] if status.conflict is None else [*status.conflict]
    named = [schema.setting(key) for key in keys if key is not None]
    places = [f"{heading(setting)}, {setting.field.label}" for setting in named if setting]
    if len(places) == 2:
        return tr("{later} and {earlier} have the same pin.", later=places[0], earlier=places[1])
    return tr("{place} has no value.", place=places[0]) if places else None


def run_words(run: int) -> str:
    """Return what the board does with the settings, to follow "The board"."""
    return tr(RUNS[run]) if run in RUNS else code_name(run)


def reason_words(reason: int | None) -> str:
    """Return why the board does not work with the settings, in one or more sentences."""
    return tr(REASONS.get(reason or Reason.NONE, UNKNOWN_REASON))


def fault_words(reason: int | None) -> str:
    """Return what is wrong with the setting that a failure leads to, for fault_sentence()."""
    return tr(NO_WORD_WHY) if reason in (None, Reason.NONE, Reason.OTHER) else reason_words(reason)


def why_words(schema: Schema, status: Status) -> str:
    """Return the same, with the setting that the board names where the reason leads to no such.

    A setting that the schema does not have is not named: it may be anything.
    """
    why = reason_words(status.reason)
    setting = schema.setting(status.field) if status.field else None
    everything = frozenset(each.key for each in schema.settings)
    if setting is None or setting.key == key_at_fault(schema, everything, status.reason, None):
        return why
    return tr(
        "{why} The board names this setting: {heading}, {label}.",
        why=why,
        heading=heading(setting),
        label=setting.field.label,
    )


def step_words(step: int | None) -> str:
    """Return what the board is doing, to follow "The board is"."""
    return tr(STEPS.get(step or Step.NONE, UNKNOWN_STEP))


STORED = mark("The settings are stored")
TAKEN_BACK = mark("The settings before are in force again")


def failure_sentence(done: str, step: int | None) -> str:
    """Return at what the board failed, in one sentence that begins with what was done."""
    return tr(
        "{done}, but the board does not work with them: it failed at {step}.",
        done=done,
        step=step_words(step),
    )


def refused_words(schema: Schema, refused: Refused | None) -> str:
    """Return why a board refused a whole set, in one sentence."""
    if refused is None:
        return tr("The board holds what it held before.")
    setting = schema.setting(refused.field) if refused.field else None
    if setting is not None:
        return f"{setting.field.label} {spoken(refusal_words(setting.field, refused.code))}."
    if refused.code in _SET_REFUSALS:
        said = tr(_SET_REFUSALS[refused.code])
    else:
        said = tr("The board refused ({code}).", code=code_name(refused.code))
    return said + undeclared_words(schema, refused.field)


_UNDECLARED = mark(
    "It names a field that its schema does not have: the board's firmware needs mending."
)
"""What is said instead of a key that a board made up: it may be anything, what it was sent too."""


def undeclared_words(schema: Schema, named: str | None) -> str:
    """Return what to add where a board names a field that its schema lacks, else nothing."""
    return f" {tr(_UNDECLARED)}" if named and declared_key(schema, named) is None else ""


def key_at_fault(
    schema: Schema, applying: frozenset[str], reason: int | None, named: str | None
) -> str | None:
    """Return the full key of the setting that a failure leads to, None if there is none.

    That is the one the board named, if it exists, else the first active one of the kind that such a
    failure is usually about.
    """
    if named is not None and named in applying:
        return named
    kinds = _KINDS_AT_FAULT.get(reason or Reason.NONE, ())
    for kind in kinds:
        for setting in schema.settings:
            if setting.field.kind is kind and setting.key in applying:
                return setting.key
    return None
