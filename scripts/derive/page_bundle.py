# SPDX-License-Identifier: MIT
"""The browser page as one ES module for each language, bundled by esbuild, minified by terser.

What an author publishes is these modules, so they are checked in and shipped: nobody needs Node to
make a page. The versions of both are exact, since another one may write the same module otherwise.

A page carries one language, so that it stays small. Its texts stand in the source as literals; for
another language than English those of its catalogue are put in their place before bundling.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path

from scripts.derive import catalogues

ROOT = Path(__file__).parents[2]
LANGUAGES = ("en", *catalogues.LANGUAGES)

_PAGE = ROOT / "provision" / "page"
_TOOLS = ("esbuild", "terser")
_HEAD = b"/* SPDX-License-Identifier: MIT; made by scripts/regenerate.py */\n"
_BUNDLE = (
    *("element.js", "--bundle", "--format=esm", "--target=es2022", "--charset=utf8"),
    *("--legal-comments=none", "--loader:.css=text", "--log-level=warning"),
)
_MINIFY_STYLE = ("style.css", "--minify", "--target=es2022,chrome123", "--log-level=warning")
_NAMES_THAT_ARE_READ = re.compile(
    r"^export const (?:Refusal|MessageType|\w*ReplyKey|RefusalKey) = .*?^\}",
    re.DOTALL | re.MULTILINE,
)
"""In the table, the sets of codes whose names the page itself reads: those stay as they are."""
_NAMES_OF_OURS = "/^([A-Z][A-Z0-9_]+|[a-z]+[A-Z][A-Za-z]*)$/"
_NAMES_OF_THE_BROWSER = {"baudRate", "dataTerminalReady", "requestToSend"}  # Web Serial


class BundleError(Exception):
    """A module cannot be made; str() is what the tool says."""


def path_of(language: str) -> str:
    """Return where a language's module lies, from the top of the project."""
    tag = "" if language == "en" else f".{language}"
    return f"provision/page/built/board-settings{tag}.js"


def lacking() -> str | None:
    """Return what is missing to make the modules here, as a sentence; None if all is there."""
    if shutil.which("node") is None:
        return "there is no Node here."
    for tool in _TOOLS:
        package = ROOT / "node_modules" / tool / "package.json"
        if not package.is_file():
            return f"there is no {tool} here; run npm ci."
        here = json.loads(package.read_bytes())["version"]
        wanted = json.loads((ROOT / "package.json").read_bytes())["devDependencies"][tool]
        if here != wanted:
            return f"{tool} here is {here}, and {wanted} is wanted; run npm ci."
    return None


def bundle(language: str) -> bytes:
    """Return the module that speaks a language. Raises BundleError."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "page"
        copy(language, folder)
        (folder / "style.css").write_bytes(_run("esbuild", _MINIFY_STYLE, folder))
        return _HEAD + _run("terser", _minify(), folder, _run("esbuild", _BUNDLE, folder))


def copy(language: str, folder: Path) -> None:
    """Copy the page's own source code to a folder that is not there yet, in a language."""
    shutil.copytree(_PAGE, folder, ignore=shutil.ignore_patterns("built"))
    if language != "en":
        texts = _texts(language)
        for path in folder.rglob("*.js"):
            spoken = in_language(path.read_text(encoding="utf-8"), texts)
            path.write_text(spoken, encoding="utf-8")


def in_language(source: str, texts: Mapping[str, str]) -> str:
    """Return source code with each literal that is a text in its other language.

    A text of several words is one wherever it stands; a word by itself, which may be a code, only
    within what is said.
    """

    def spoken(match: re.Match[str]) -> str:
        english = catalogues.joined(match[0])
        if english is None or english not in texts:
            return match[0]
        if " " not in english and not _is_said(source, match.start()):
            return match[0]
        return json.dumps(texts[english], ensure_ascii=False)

    return re.sub(catalogues.LITERALS, spoken, source)


def _is_said(source: str, at: int) -> bool:
    """Tell whether a place lies within the parentheses of say(), sayPlural() or mark()."""
    depth = 0
    for place in range(at - 1, -1, -1):
        if source[place] == ")":
            depth += 1
        elif source[place] == "(":
            if depth == 0:
                return re.search(r"\b(?:say|sayPlural|mark)$", source[:place]) is not None
            depth -= 1
        elif source[place] in ";{}":
            return False
    return False


def _texts(language: str) -> dict[str, str]:
    """Return a catalogue's texts by their English, the two forms of a count one by one."""
    texts: dict[str, str] = {}
    for message in catalogues.read(language):
        if message.id:
            texts |= dict(catalogues.pairs(message))
    return texts


def _minify() -> tuple[str, ...]:
    """Return the options of terser: names of codes and of properties in two words get shorter ones.

    Terser leaves alone what it knows as a browser's; what it does not know yet is named here. So
    are the names that link/replies.js makes of the table's.
    """
    table = (_PAGE / "contract" / "table.js").read_text(encoding="utf-8")
    read = {
        name
        for codes in _NAMES_THAT_ARE_READ.findall(table)
        for name in re.findall(r"^  ([A-Z_0-9]+):", codes, re.MULTILINE)
    }
    made = {re.sub(r"_(.)", lambda at: at[1].upper(), name.lower()) for name in read}
    reserved = ",".join(sorted(read | made | _NAMES_OF_THE_BROWSER))
    return (
        *(
            "--module",
            "--ecma",
            "2022",
            "--compress",
            "passes=4,sequences=false,pure_getters,unsafe_arrows",
        ),
        *("--mangle", "--mangle-props", f"regex={_NAMES_OF_OURS},reserved=[{reserved}]"),
    )


def _run(tool: str, options: tuple[str, ...], folder: Path, data: bytes | None = None) -> bytes:
    command = [str(ROOT / "node_modules" / ".bin" / tool), *options]
    ran = subprocess.run(
        command, cwd=folder, input=data, capture_output=True, timeout=120, check=False
    )
    # A warning is a fault: it is about code that does something else than it seems to.
    if ran.returncode or ran.stderr:
        raise BundleError(ran.stderr.decode(errors="replace"))
    return ran.stdout
