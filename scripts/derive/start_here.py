# SPDX-License-Identifier: MIT
"""What `shared/start-here.md` shows of the smallest board: its schema, and a conversation."""

from __future__ import annotations

import json
import textwrap

from scripts.derive.vectors import boards, talking

_CONVERSATION = "smallest"
_WIDTH = 96
_BLOCK_HEAD = 5


def schema() -> str:
    """The deflated schema in hexadecimal, the head of its stored block in a line of its own."""
    deflated = boards.load(f"{_CONVERSATION}-board.toml").deflated
    head, item = deflated[:_BLOCK_HEAD].hex(" "), deflated[_BLOCK_HEAD:].hex(" ")
    lines = [head, *textwrap.wrap(item, _WIDTH)]
    return "\n" + "".join(f"    {line.upper()}\n" for line in lines) + "\n"


def conversation() -> str:
    """Every line of the conversation as it stands on the wire, and what it says."""
    rows = json.loads(talking.document())["vectors"]
    steps = next(row["steps"] for row in rows if row["id"] == _CONVERSATION)
    text = "\n"
    for step in steps:
        if "host" not in step:
            text += f"{step['note'][0].upper()}{step['note'][1:]}.\n\n"
            continue
        asked, _, answered = step["note"].partition(" -> ")
        for sender, note in (("host", asked), ("board", answered)):
            line = bytes.fromhex(step[sender]).decode("ascii").strip("\n")
            told = textwrap.indent("\n".join(textwrap.wrap(note, _WIDTH)), "      ")
            text += f"    {sender:5} {line}\n{told}\n"
        text += "\n"
    return text
