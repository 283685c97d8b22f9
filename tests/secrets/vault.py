# SPDX-License-Identifier: MIT
"""The secrets that the tests plant, the firmware that asks for them, and the files that give them.

Random, made up for these tests alone.
"""

from __future__ import annotations

import base64
import random
from pathlib import Path

from provision.schema_file.load import load_declaration
from tests.secrets.search import Canaries

SCHEMA = Path(__file__).parent / "vault.toml"
DECLARATION = load_declaration(SCHEMA)

PASSPHRASE = "Qz7xKvRmW3tLpY8jUf2h"
OTHER_PASSPHRASE = "nJ5wEb9cTq0GsVi4Do6r"
SERVICE_KEY = "Bk4sNd9wHc6gZe1vXo5a"
SEED = bytes.fromhex("c3a97e5b1f60d284b7094aee31cd9658")
IDENTITY = (
    "-----BEGIN VAULT KEY-----\n"
    + base64.encodebytes(random.Random(5).randbytes(600)).decode()
    + "-----END VAULT KEY-----\n"
).encode()

# Of the identity only what is secret in it: its first and last line are not.
CANARIES = Canaries(
    {
        "passphrase": PASSPHRASE.encode(),
        "other passphrase": OTHER_PASSPHRASE.encode(),
        "service key": SERVICE_KEY.encode(),
        "seed": SEED,
        **{
            f"identity, line {number}": line
            for number, line in enumerate(IDENTITY.splitlines()[1:-1], start=1)
        },
    }
)


def write_answers(folder: Path, passphrase: str = PASSPHRASE, note: str = "first") -> Path:
    """Write an answers file, and the file that it names; return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "identity").write_bytes(IDENTITY)
    path = folder / "answers.toml"
    path.write_text(
        f'[network]\nname = "Vault"\npassphrase = "{passphrase}"\n'
        f'[service]\nkey = "{SERVICE_KEY}"\nseed = "{SEED.hex(" ")}"\n'
        f'identity = {{ file = "identity" }}\nnote = "{note}"\n',
        encoding="utf-8",
    )
    return path


def write_networks(folder: Path) -> Path:
    """Write what is in the board's range; return the file's path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "networks"
    path.write_text(f"Vault\t{PASSPHRASE}\t-50\nservice {SERVICE_KEY}\n", encoding="utf-8")
    return path
