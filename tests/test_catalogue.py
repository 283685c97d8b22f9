# SPDX-License-Identifier: MIT
"""What is said to people, in their language: catalogues are whole, and every text is in them."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator

import pytest

import provision
from provision import catalogue
from provision.contract.table import MessageType
from provision.link.errors import BoardRefused, Refused
from scripts.derive import catalogues


@pytest.fixture(autouse=True)
def _english_again() -> Iterator[None]:
    yield
    catalogue.use(())


def placeholders(text: str) -> set[str]:
    """Return the names that a text has values for."""
    return set(re.findall(r"\{([a-z_]+)(?::[^{}]*)?\}", text))


def test_there_is_a_second_language() -> None:
    """Beside English, which is that of the source."""
    assert catalogues.LANGUAGES == ("de",)


@pytest.mark.parametrize("language", catalogues.LANGUAGES)
def test_a_catalogue_is_whole(language: str) -> None:
    """Every text of the source has its translation, certain, with the same values in it."""
    messages = [message for message in catalogues.read(language) if message.id]
    assert {message.id for message in messages} == {m.id for m in catalogues.source() if m.id}
    for message in messages:
        assert not message.fuzzy, message.id
        for ours, theirs in catalogues.pairs(message):
            assert theirs, ours
            assert placeholders(theirs) == placeholders(ours), ours


@pytest.mark.parametrize("language", catalogues.LANGUAGES)
def test_a_translation_can_stand_where_its_text_does(language: str) -> None:
    """One that follows a label begins in lower case as its text does; ends are the same.

    The dialog tells by the first letter whether words follow a label or stand alone.
    """
    for message in catalogues.read(language):
        if not message.id:
            continue
        for ours, theirs in catalogues.pairs(message):
            if re.match(r"must |has |needs |begins |ends |is (?!this)", ours):
                assert theirs[0].islower(), ours
            if ours[0].isupper() and ours.endswith((".", "?")):
                assert theirs[0].isupper() or not theirs[0].isalpha(), ours
            assert ours.endswith((".", "?", ":")) == theirs.endswith((".", "?", ":")), ours
            assert ours[:1].isspace() == theirs[:1].isspace(), ours


@pytest.mark.parametrize(
    ("environment", "wanted"),
    [
        ({}, []),
        ({"LANG": "C.UTF-8"}, []),
        ({"LANG": "POSIX"}, []),
        ({"LANG": "de_AT.UTF-8"}, ["de-AT"]),
        ({"LANG": "de"}, ["de"]),
        ({"LANG": "de_DE@euro"}, ["de-DE"]),
        ({"LANG": "en_GB.UTF-8", "LC_MESSAGES": "de_CH.UTF-8"}, ["de-CH"]),
        ({"LANG": "de_DE.UTF-8", "LC_ALL": "en_US.UTF-8"}, ["en-US"]),
        ({"LANG": "en_US.UTF-8", "LANGUAGE": "de:fr_FR"}, ["de", "fr-FR", "en-US"]),
        ({"LANG": "C", "LANGUAGE": "de"}, []),
        ({"LANG": "", "LC_ALL": ""}, []),
        ({"LANG": "../../etc/passwd"}, []),
        ({"LANG": "de_DE.UTF-8", "LANGUAGE": "::"}, ["de-DE"]),
    ],
)
def test_the_language_is_that_of_the_environment(
    environment: dict[str, str], wanted: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the order of POSIX (Base Definitions, 8.2) and GNU gettext ("The LANGUAGE variable")."""
    monkeypatch.setattr(catalogue, "_of_windows", lambda: "")
    assert catalogue.of_environment(environment) == wanted


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ([], "yes"),
        (["de"], "ja"),
        (["de-AT"], "ja"),
        (["fr", "de"], "ja"),
        (["en-GB", "de"], "yes"),
        (["fr"], "yes"),
        (["de", "en"], "ja"),
    ],
)
def test_the_first_language_that_is_there_is_spoken(wanted: list[str], said: str) -> None:
    """English is there without a catalogue."""
    catalogue.use(wanted)
    assert catalogue.tr("yes") == said


def test_counts_have_their_forms() -> None:
    """Those of English, and those of the language spoken."""
    assert [catalogue.ntr("{count} setting", "{count} settings", n) for n in (0, 1, 2)] == [
        "0 settings",
        "1 setting",
        "2 settings",
    ]
    catalogue.use(["de"])
    forms = ("To be stored: {count} setting.", "To be stored: {count} settings.")
    assert [catalogue.ntr(*forms, n) for n in (1, 2)] == [
        "Zu speichern: 1 Einstellung.",
        "Zu speichern: 2 Einstellungen.",
    ]


def test_a_value_with_braces_is_no_template() -> None:
    """What a person or a board wrote is put in as it is."""
    assert catalogue.tr("For the network {network}.", network="{x}{0}") == "For the network {x}{0}."


def test_what_a_catalogue_lacks_is_said_in_english() -> None:
    """Nothing is left out."""
    catalogue.use(["de"])
    assert catalogue.tr("Not in any catalogue.") == "Not in any catalogue."
    assert catalogue.tr("yes") == "ja"


def test_two_languages_are_spoken_in_one_process() -> None:
    """A phrase is data: two people are told the same, each in their language."""
    refused = BoardRefused(MessageType.COMMIT, Refused(99))
    english, german = provision.Catalogue(["en"]), provision.Catalogue(["de"])
    assert english.spoken(refused) == "The board refused the request commit: code 99."
    assert german.spoken(refused) == "Das Board hat die Anfrage commit abgelehnt: Code 99."
    assert str(refused) == english.spoken(refused)


def test_a_language_holds_for_its_task() -> None:
    """Each task speaks the language that it asked for, whatever others ask for meanwhile."""

    async def ask(tag: str) -> str:
        catalogue.use([tag])
        await asyncio.sleep(0)
        return catalogue.tr("yes")

    async def both() -> list[str]:
        return [*await asyncio.gather(ask("de"), ask("en"))]

    assert asyncio.run(both()) == ["ja", "yes"]
