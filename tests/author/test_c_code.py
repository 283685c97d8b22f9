# SPDX-License-Identifier: MIT
"""Generated C: compiled, run, and read back field by field."""

from __future__ import annotations

import dataclasses
import re
import stat
import subprocess
import zlib
from collections.abc import Iterator
from pathlib import Path

import cbor2
import pytest

from provision.author import c_code
from provision.contract.table import Kind
from provision.schema import capacity
from provision.schema.codec import pack
from provision.schema.declaration import Declaration
from provision.schema.migration import former_keys, tag
from provision.schema.model import Schema, Setting, Value
from provision.schema_file.load import load_declaration, read_declaration
from tests.c_board.board import WARNINGS

ROOT = Path(__file__).parents[2]
INCLUDE = ROOT / "firmware_stub" / "include"
DEMO = ROOT / "schemas" / "orchard-frost-alarm.toml"
EVERY_KIND = ROOT / "tests" / "data" / "schema_files" / "every-kind.toml"

LEAST = """\
format = 1
title = "Least"
firmware = { name = "least", version = "1" }
[board]
name = "board"
flash-size = 65536
erase-unit = 1024
program-unit = 4
settings-at = 0
settings-size = 8192
[[section]]
key = "s"
label = "S"
repeat = { least = 1, most = 1 }
[[section.field]]
key = "f"
kind = "yes-no"
label = "F"
"""

needs_compiler = pytest.mark.needs("cc")


def compile_c(folder: Path, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the compiler with all warnings as errors, in a folder where generated files are."""
    return subprocess.run(
        ["cc", *WARNINGS, "-O2", "-I", INCLUDE, "-I", folder, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def compiled(folder: Path, declaration: Declaration, stem: str) -> str:
    """Generate and compile; return what the compiler says, nothing where all is well."""
    source = c_code.write(declaration, stem, folder)[1]
    return compile_c(folder, "-c", "-o", "out.o", source).stderr


# ---------------------------------------------------------------------------------- the text


def test_the_sample_is_what_the_generator_makes() -> None:
    """The sample that is checked in comes from the demo's schema file of today."""
    for name, text in c_code.generate(load_declaration(DEMO), DEMO.stem).items():
        sample = ROOT / "firmware_stub" / "example" / name
        assert sample.read_text(encoding="utf-8") == text


def test_the_same_declaration_gives_the_same_text() -> None:
    """Nothing of the day or the machine gets into a file, and no order is left to chance."""
    texts = c_code.generate(load_declaration(EVERY_KIND), "every-kind")
    assert texts == c_code.generate(load_declaration(EVERY_KIND), "every-kind")
    assert list(texts) == ["every_kind.h", "every_kind.c"]
    for text in texts.values():
        assert str(ROOT) not in text
        assert not re.search(r"20[0-9]{2}-[0-9]{2}|[0-9]{2}:[0-9]{2}:[0-9]{2}", text)


def test_the_head_says_where_a_file_comes_from() -> None:
    """Generator version, schema file and digest stand in the first lines of each file."""
    digest = pack(load_declaration(DEMO).schema).digest.hex()
    for text in c_code.generate(load_declaration(DEMO), DEMO.stem).values():
        head = "\n".join(text.splitlines()[:7])
        assert f"generator version {c_code.GENERATOR_VERSION}" in head
        assert "orchard-frost-alarm.toml" in head
        assert digest in head


def test_what_the_author_wrote_stands_beside_each_member() -> None:
    """Label, help and caution of every field and section travel into the header's comments."""
    header = c_code.generate(load_declaration(DEMO), DEMO.stem)["orchard_frost_alarm.h"]
    said = " ".join(re.sub(r"^\s*(/\*|\*)", "", line) for line in header.splitlines())
    said = " ".join(said.split())
    for section in load_declaration(DEMO).schema.sections:
        texts = [section.label, section.help]
        for field in section.fields:
            texts += [field.label, field.help, field.caution]
            texts += [option.label for option in field.options]
        for text in filter(None, texts):
            assert text in said


def test_no_line_is_long() -> None:
    """The generated files keep the project's width."""
    for stem, path in (("demo", DEMO), ("every-kind", EVERY_KIND)):
        for text in c_code.generate(load_declaration(path), stem).values():
            assert [line for line in text.splitlines() if len(line) > 100] == []
            assert [line for line in text.splitlines() if line != line.rstrip()] == []


# ------------------------------------------------------------------------------ the compiler


@needs_compiler
@pytest.mark.parametrize(
    ("declaration", "stem"),
    [
        pytest.param(load_declaration(DEMO), "orchard-frost-alarm", id="demo"),
        pytest.param(load_declaration(EVERY_KIND), "every-kind", id="every kind, hostile texts"),
        pytest.param(read_declaration(LEAST, "least.toml"), "least", id="one field, no pins"),
    ],
)
def test_no_compiler_warns(tmp_path: Path, declaration: Declaration, stem: str) -> None:
    """Generated code passes the warnings that an author's own build may ask for, as errors."""
    assert compiled(tmp_path, declaration, stem) == ""


@needs_compiler
@pytest.mark.parametrize("path", [DEMO, EVERY_KIND], ids=lambda path: path.stem)
def test_the_size_of_the_struct_is_known_before(tmp_path: Path, path: Path) -> None:
    """`provision check` computes the size of the settings struct as the compiler does."""
    declaration = load_declaration(path)
    c_code.write(declaration, "demo", tmp_path)
    size = capacity.struct_size(declaration.schema)
    (tmp_path / "size.c").write_text(
        f'#include "demo.h"\nPV_STATIC_ASSERT(size, sizeof(demo) == {size});\nint unused;\n'
    )
    assert compile_c(tmp_path, "-c", "size.c").stderr == ""


@pytest.mark.needs("c++")
def test_the_header_is_a_header_for_cpp_too(tmp_path: Path) -> None:
    """A firmware in C++ includes the header and reaches every member."""
    c_code.write(load_declaration(DEMO), "demo", tmp_path)
    (tmp_path / "use.cc").write_text(
        '#include "demo.h"\ndemo settings;\n'
        "int use() { return settings.probe[1].pin + demo_schema.field_count; }\n"
    )
    flags = ["-std=c++11", *WARNINGS[1:]]
    said = subprocess.run(
        ["c++", *flags, "-I", INCLUDE, "-fsyntax-only", "use.cc"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert said.stderr == ""


def test_the_generator_is_made_for_this_stub() -> None:
    """The version in the generated code is that of the stub's header."""
    header = (INCLUDE / "pv.h").read_text(encoding="utf-8")
    assert f"#define PV_STUB_VERSION {c_code.STUB_VERSION}\n" in header


@needs_compiler
@pytest.mark.parametrize("other", [c_code.STUB_VERSION - 1, c_code.STUB_VERSION + 1])
def test_another_version_of_the_stub_is_refused_at_compile_time(tmp_path: Path, other: int) -> None:
    """Generated code does not compile with an older or newer stub, and says what to do."""
    (tmp_path / "pv.h").write_text(f"#define PV_STUB_VERSION {other}\n")
    c_code.write(read_declaration(LEAST, "least.toml"), "least", tmp_path)
    result = subprocess.run(
        ["cc", "-std=c99", "-I", tmp_path, "-fsyntax-only", "least.c"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert result.returncode != 0
    assert "have different versions: write both with the same `provision`" in result.stderr


@needs_compiler
def test_a_set_that_fits_no_slot_is_refused_at_compile_time(tmp_path: Path) -> None:
    """Should the flash be smaller than the schema file said, the build fails."""
    declaration = load_declaration(DEMO)
    board = dataclasses.replace(declaration.board, settings_size=16384)
    said = compiled(tmp_path, dataclasses.replace(declaration, board=board), "demo")
    assert "largest_set_fits_into_a_slot" in said


# ------------------------------------------------------------------------------- what is in it

# Prints everything that a pv_schema leads to, a line each. It knows pv.h, not the generator.
READER = r"""
#include <stdio.h>
#include <string.h>
#include "pv.h"

struct pv_keeping { int none; };
const pv_keeping pv_keeps = {0};
struct pv_trial { int none; };
const pv_trial pv_trials = {0};
bool pv_in_use(const pv_view *v, uint16_t i) { (void)v; return i == 0; }
bool pv_holds(const pv_view *v, uint16_t i) { (void)v; return i == 0; }
uint16_t pv_pin_conflict(const pv_view *v, uint16_t i) { (void)v; return i; }

struct pv_value_kind { const char *name; };
#define KIND(name) const pv_value_kind pv_kind_##name = {#name};
KIND(text) KIND(secret) KIND(integer) KIND(decimal) KIND(yes_no) KIND(choice) KIND(pin)
KIND(network_name) KIND(passphrase) KIND(host) KIND(url) KIND(ip) KIND(port) KIND(time_zone)
KIND(duration) KIND(hex) KIND(blob) KIND(kept)

extern const pv_schema SCHEMA;

static void hex(const uint8_t *bytes, size_t size)
{
    size_t i;
    for (i = 0; i < size; i++) printf("%02x", bytes[i]);
}

static void strings(const char *list)
{
    for (; list != NULL && *list != 0; list += strlen(list) + 1) printf("%s ", list);
}

/* An item of CBOR, whose size its head tells (RFC 8949 section 3): no array, no map. */
static void item(const uint8_t *bytes)
{
    uint8_t more = (uint8_t)((bytes[0] & 31) < 24 ? 0 : 1 << ((bytes[0] & 31) - 24));
    size_t size = 0;
    uint8_t i;
    for (i = 0; i < more; i++) size = size << 8 | bytes[1 + i];
    if (more == 0) size = bytes[0] & 31;
    if (bytes[0] >> 5 != 2 && bytes[0] >> 5 != 3) size = 0;
    hex(bytes, 1 + more + size);
}

int main(void)
{
    uint16_t i;
    uint8_t j;
    printf("schema|%u|%u|%lu|%u|", SCHEMA.stub_version, SCHEMA.field_count,
           (unsigned long)SCHEMA.largest_payload, SCHEMA.trial_seconds);
    hex((const uint8_t *)SCHEMA.firmware, strlen(SCHEMA.firmware));
    printf("|");
    hex((const uint8_t *)SCHEMA.firmware_version, strlen(SCHEMA.firmware_version));
    printf("|");
    hex((const uint8_t *)SCHEMA.board, strlen(SCHEMA.board));
    printf("|");
    hex(SCHEMA.digest, 8);
    printf("|");
    hex(SCHEMA.deflated, SCHEMA.deflated_size);
    printf("|%u|%d%d%d%d|\n", SCHEMA.line_size, SCHEMA.trial != NULL, SCHEMA.in_use != NULL,
           SCHEMA.holds != NULL, SCHEMA.conflict != NULL);
    for (i = 0; i < SCHEMA.field_count; i++) {
        const pv_field *field = &SCHEMA.fields[i];
        printf("field|%s|", field->key);
        strings(field->was);
        printf("|%s|%ld|%ld|%lu|%d|%u|%u|%u|", field->kind->name, (long)field->minimum,
               (long)field->maximum, (unsigned long)field->tag, field->network, field->instance,
               field->flags, field->detail);
        strings(field->names);
        printf("|");
        if (field->condition != NULL) {
            printf("%u:", field->condition->field);
            for (j = 0; j < field->condition->count; j++)
                printf(" %ld", (long)field->condition->values[j]);
        }
        printf("|");
        if (field->default_value != NULL) item(field->default_value);
        printf("|\n");
    }
    for (j = 0; j < SCHEMA.pin_count; j++) {
        const pv_pin *pin = &SCHEMA.pins[j];
        printf("pin|%u|%u|%d|\n", pin->number, pin->abilities, pin->taken);
    }
    return 0;
}
"""


def read_back(folder: Path, declaration: Declaration) -> list[list[str]]:
    """Return what a program finds in the generated code."""
    source = c_code.write(declaration, "demo", folder)[1]
    (folder / "reader.c").write_text(READER)
    result = compile_c(folder, "-DSCHEMA=demo_schema", "-o", "reader", "reader.c", source)
    assert result.stderr == ""
    shown = subprocess.run([folder / "reader"], capture_output=True, check=True, timeout=60).stdout
    return [line.split("|")[:-1] for line in shown.decode("ascii").splitlines()]


def needed(schema: Schema) -> tuple[bool, ...]:
    """Return which optional parts a schema needs: trial, instances, conditions, pins."""
    repeats = (section.repeat for section in schema.sections)
    fields = [setting.field for setting in schema.settings]
    return (
        schema.trial is not None,
        any(repeat is not None and repeat.least < repeat.most for repeat in repeats),
        any(field.condition is not None for field in fields),
        sum(field.kind is Kind.PIN for field in fields) > 1,
    )


def expected(declaration: Declaration) -> Iterator[list[str]]:
    """Yield what a program has to find."""
    schema = declaration.schema
    packed = pack(schema)
    names = (declaration.firmware_name, declaration.firmware_version, declaration.board.name)
    yield [
        *("schema", "1", str(len(schema.settings)), str(capacity.largest_payload(schema))),
        *(str(schema.trial or 0), *(name.encode().hex() for name in names)),
        *(packed.digest.hex(), packed.deflated.hex()),
        *(
            str(capacity.whole_line(schema) or 0),
            "".join(str(int(each)) for each in needed(schema)),
        ),
    ]
    numbers = {setting.key: setting.number for setting in schema.settings}
    counted: list[tuple[str, int]] = []
    for setting in schema.settings:
        field, repeat = setting.field, setting.section.repeat
        instance = 0
        if repeat and setting.instance and setting.instance > repeat.least:
            here = (setting.section.key, setting.instance)
            counted += [here] if here not in counted else []
            instance = counted.index(here) + 1
        least, most = capacity.number_limits(field)
        detail = {Kind.PIN: int(field.needs), Kind.IP: field.families}.get(field.kind, 0)
        if field.kind in (Kind.TEXT, Kind.SECRET):
            detail = int(field.characters)
        # A default under a caution is the host's to propose: the board needs a value (clause 9.6).
        warned = [pin.number for pin in schema.pins if pin.caution and field.kind is Kind.PIN]
        proposed = field.default is not None and bool(field.caution or field.default in warned)
        default = None if proposed else field.default
        flags = (
            (field.required or proposed) + 2 * field.is_secret + 4 * field.shares + 8 * field.kept
        )
        choices = [option.key for option in field.options] or list(field.schemes)
        condition = ""
        if field.condition:
            decider = numbers[own(setting, field.condition.base_key)]
            other = schema.settings[decider].field
            values = (f" {in_c(other, value)}" for value in field.condition.values)
            condition = f"{decider}:{''.join(values)}"
        yield [
            *("field", setting.key, "".join(f"{key} " for key in former_keys(setting))),
            *(
                "kept" if field.kept else field.kind.name.lower(),
                str(least),
                str(most),
                str(tag(field)),
            ),
            str(numbers[own(setting, field.network)] if field.network else -1),
            *(str(instance), str(flags), str(detail), "".join(f"{key} " for key in choices)),
            *(
                condition,
                "" if default is None else cbor2.dumps(default).hex(),
            ),
        ]
    for pin in schema.pins:
        taken = str(int(pin.taken is not None))
        yield ["pin", str(pin.number), str(int(pin.abilities)), taken]


def own(setting: Setting, base_key: str) -> str:
    """Return the full key of a field named by base key, of the same instance where it repeats."""
    section, _, key = base_key.partition(".")
    return (
        f"{section}.{setting.instance}.{key}"
        if section == setting.section.key and setting.instance
        else base_key
    )


def in_c(field: object, value: Value) -> str:
    """Return a value as the reader shows it."""
    options = [option.key for option in getattr(field, "options", ())]
    if isinstance(value, str):
        return str(options.index(value)) if options else value.encode().hex()
    return value.hex() if isinstance(value, bytes) else str(int(value))


@needs_compiler
@pytest.mark.parametrize("path", [DEMO, EVERY_KIND], ids=lambda path: path.stem)
def test_everything_declared_is_found_by_a_program(tmp_path: Path, path: Path) -> None:
    """Keys, limits, tags, conditions, defaults, pins and schema are in the code as declared."""
    declaration = load_declaration(path)
    found = read_back(tmp_path, declaration)
    assert found == list(expected(declaration))
    inflated = zlib.decompress(bytes.fromhex(found[0][9]), -zlib.MAX_WBITS)
    assert len(inflated) == pack(declaration.schema).inflated_size


# --------------------------------------------------------------------------------- the files


@pytest.mark.parametrize(
    ("stem", "name"),
    [("orchard-frost-alarm", "orchard_frost_alarm"), ("My board 2.1", "my_board_2_1"), ("a", "a")],
)
def test_names_come_from_the_schema_file(stem: str, name: str) -> None:
    """Hyphens, spaces and points of a file name become underscores, capitals small letters."""
    assert c_code.c_stem(stem) == name


@pytest.mark.parametrize(
    "stem", ["", "2nd", "pv", "pv-board", "int", "grün", "a/b", "a" * 25, "_a", 'a"', "a\n"]
)
def test_a_file_name_that_c_cannot_use_is_refused(stem: str) -> None:
    """A name that is none in C, is taken there or is the stub's is refused in one sentence."""
    with pytest.raises(c_code.StemError, match=r"^The generated files .*\.$"):
        c_code.generate(read_declaration(LEAST, "least.toml"), stem)


def test_files_are_written_where_they_belong(tmp_path: Path) -> None:
    """The folder is made if need be; everybody can read the files, and nothing else is left."""
    folder = tmp_path / "src" / "made"
    written = c_code.write(read_declaration(LEAST, "least.toml"), "least", folder)
    assert written == [folder / "least.h", folder / "least.c"]
    assert sorted(folder.iterdir()) == sorted(written)
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o644 for path in written)


def test_a_file_that_is_right_is_left_alone(tmp_path: Path) -> None:
    """What did not change is not written again, so that a build does not compile it again."""
    declaration = read_declaration(LEAST, "least.toml")
    header, source = c_code.write(declaration, "least", tmp_path)
    before = header.stat().st_ino
    source.write_text("/* changed by hand */")
    c_code.write(declaration, "least", tmp_path)
    assert header.stat().st_ino == before
    assert "changed by hand" not in source.read_text()


def test_a_file_that_cannot_be_written_leaves_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk leaves the file of before, whole, and no other."""
    header, source = c_code.write(read_declaration(LEAST, "least.toml"), "least", tmp_path)
    source.write_text("older")

    def full(path: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space left"):
        c_code.write(read_declaration(LEAST, "least.toml"), "least", tmp_path)
    assert source.read_text() == "older"
    assert sorted(tmp_path.iterdir()) == sorted([header, source])
