# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - what is said about a mistake stands in one line, as its author sees it
"""A schema in several languages: read from its file, and shown in the language of the person.

Clause 8.4 of shared/protocol.md; the lookup is that of RFC 4647 clause 3.4.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.contract.table import Kind
from provision.schema import languages
from provision.schema.model import Field, Schema, Section, Translation
from provision.schema_file.load import FileMistakes, load_declaration, read_declaration
from provision.schema_file.translations import untranslated

DEMO = Path(__file__).parents[2] / "schemas" / "orchard-frost-alarm.toml"

FILE = """\
format = 1
title = "Cider press"
{top}
[firmware]
name = "cider-press"
version = "1"
[board]
name = "press board"
flash-size = "1 MiB"
erase-unit = "4 KiB"
program-unit = 256
settings-at = "960 KiB"
settings-size = "64 KiB"
[[pin]]
numbers = "2-3"
can = ["in", "out"]
taken = "scales"
[[pin]]
number = 4
can = ["in", "out"]
caution = "Hot."
[[section]]
key = "press"
label = "Press"
help = "The big one."
[[section.field]]
key = "force"
kind = "integer"
label = "Force"
unit = "turns"
[[section.field]]
key = "label"
kind = "choice"
label = "Printed on the bottle"
options = [{{ key = "sweet", label = "Sweet", help = "Early apples." }}]
{end}
"""


def file(translation: str, top: str = 'language = "en"') -> str:
    """Return a schema file with a translation."""
    return FILE.format(top=top, end=translation)


def mistakes(text: str) -> list[str]:
    """Return what is wrong with a file, without the place."""
    with pytest.raises(FileMistakes) as caught:
        read_declaration(text, "press.toml")
    return [f"{m.where}: {m.wrong}; {m.fix}" for m in caught.value.mistakes]


def test_every_text_of_a_file_can_be_translated_by_its_place() -> None:
    """What stands in the table comes out in the order of clause 8.4, for each pin of several."""
    text = file(
        """
[translation.de]
title = "Mostpresse"
pin.2-3.taken = "Waage"
pin.4.caution = "Heiß."
press.label = "Presse"
press.help = '''Die
große.'''
press.force.label = "Kraft"
press.force.unit = "Umdreh."
"press.label.label" = "Auf der Flasche"
"press.label.options.sweet.label" = "Süß"
"press.label.options.sweet.help" = "Frühe Äpfel."
"""
    )
    # Two are quoted: `press.label` is a text already, and cannot be a table as well.
    schema = read_declaration(text, "press.toml").schema
    assert schema.language == "en"
    (german,) = schema.translations
    assert german.language == "de"
    assert german.texts == (
        *("Mostpresse", "Presse", "Die große.", "Kraft", "Umdreh.", "Auf der Flasche"),
        *("Süß", "Frühe Äpfel.", "Waage", "Waage", "Heiß."),
    )


def test_what_lacks_a_translation_is_known_by_its_place() -> None:
    """Units aside, which most languages share."""
    schema = read_declaration(
        file('[translation.de]\ntitle = "Mostpresse"\n[translation.fr]\n'), "p"
    ).schema
    lacking = untranslated(schema)
    assert lacking["fr"] == ["title", *lacking["de"]]
    assert "press.force.label" in lacking["de"]
    assert "press.force.unit" not in lacking["de"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            file('[translation.de]\npress.labl = "x"'),
            (
                "translation, de, press, labl: the schema has no text `press.labl`; perhaps"
                " `press.label` was meant"
            ),
        ),
        (
            file('[translation.de]\nzzz = "x"'),
            (
                "translation, de, zzz: the schema has no text `zzz`; name a text as in"
                " `network.name.label`"
            ),
        ),
        (
            file('[translation.de]\npin.2.taken = "x"'),
            (
                "translation, de, pin, 2, taken: the schema has no text `pin.2.taken`; perhaps"
                " `pin.2-3.taken` was meant"
            ),
        ),
        (
            file("[translation.de]\npress.help = 3"),
            "translation, de, press, help: `help` is a whole number; write text, in quotes",
        ),
        (
            file(f'[translation.de]\npress.force.unit = "{"u" * 9}"'),
            (
                "translation, de, press, force, unit: `unit` is too long for a screen, 9 bytes of"
                " UTF-8; shorten it to 8 at most"
            ),
        ),
        (
            file('[translation.de]\ntitle = " "'),
            "translation, de, title: `title` is blank; write what a person is to read",
        ),
        (
            file("[translation.de_AT]\n"),
            (
                "translation, de_AT: `de_AT` is no language tag; write the header as in"
                " [translation.de] or [translation.pt-BR]"
            ),
        ),
        (
            file(
                "[translation.de]\n[translation.DE]\n".replace("DE", "de-at")
                + "[translation.de-AT]"
            ),
            "translation, de-AT: the language `de-AT` is there already; leave one of the two out",
        ),
        (
            file("[translation.en]\n"),
            "translation, en: the language `en` is there already; leave one of the two out",
        ),
        (
            file("[translation.de]\n", top=""),
            (
                "translation: the file has translations, and does not say what language it is in; add"
                ' `language = "en"`, or what it is, at the top'
            ),
        ),
        (
            file("translation = 3", top='language = "en"')
            .replace("\ntranslation = 3", "")
            .replace("[firmware]", "translation = 3\n[firmware]"),
            (
                "translation: `translation` is a whole number; write a table, { … } or with a header"
                " in brackets"
            ),
        ),
        (
            file("", top='language = "English"'),
            'language: `English` is no language tag; write a language tag, as in "en" or "pt-BR"',
        ),
        (
            file("", top="language = 1"),
            'language: `language` is a whole number; write a language tag, as in "en" or "pt-BR"',
        ),
        (
            file("".join(f"[translation.q{c}]\n" for c in "abcdefghi")),
            "translation: there are 9 translations; keep 8 at most",
        ),
    ],
)
def test_what_is_wrong_with_a_translation_is_said(text: str, said: str) -> None:
    """With its place, and what would be right."""
    assert mistakes(text) == [said]


def test_with_a_mistake_above_no_text_is_called_unknown() -> None:
    """A field that could not be read has texts that nobody knows; the rest is still looked at."""
    text = file('[translation.de]\npress.force.label = 3\npress.gone.label = "x"').replace(
        'kind = "integer"', 'kind = "integre"'
    )
    said = mistakes(text)
    assert len(said) == 2
    assert "integre" in said[0]
    assert said[1].startswith("translation, de, press, force, label: `label` is a whole number")


TWO = Schema(
    "Alarm",
    (Section("s", "Siren", (Field("f", Kind.INTEGER, "Loudness"),)),),
    language="en",
    translations=(
        Translation("de", ("Alarm!", "Sirene", None)),
        Translation("zh-Hant", (None, None, "音量")),
    ),
)


@pytest.mark.parametrize(
    ("wanted", "label"),
    [
        ([], "Loudness"),
        (["en"], "Loudness"),
        (["fr"], "Loudness"),
        (["zh-Hant"], "音量"),
        (["zh-Hant-TW"], "音量"),
        (["zh-hant-tw"], "音量"),
        (["zh"], "Loudness"),
        (["fr", "zh-Hant"], "音量"),
        (["en", "zh-Hant"], "Loudness"),
        (["de"], "Loudness"),
    ],
)
def test_a_schema_is_shown_in_the_first_language_it_has(wanted: list[str], label: str) -> None:
    """By RFC 4647 clause 3.4, from the longest tag to the shortest; else in its own."""
    shown = languages.in_language(TWO, wanted)
    assert shown.sections[0].fields[0].label == label
    assert shown.translations == ()


def test_a_text_without_translation_stays_as_it_is() -> None:
    """Beside others that have one."""
    shown = languages.in_language(TWO, ["de-AT"])
    assert [text for _, text in languages.texts(shown)] == ["Alarm!", "Sirene", "Loudness"]
    assert shown.language == "de"


def test_the_demo_is_whole_in_its_second_language() -> None:
    """The schema of the demo lacks no text in German."""
    assert untranslated(load_declaration(DEMO).schema) == {"de": []}
