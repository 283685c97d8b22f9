# SPDX-License-Identifier: MIT
"""`provision page`: the browser page that sets up boards, to publish or to look at.

The page is one module for each language (provision/page/built), the same for every firmware: what
it asks comes from the board. What is made here around it names the firmware, leads to the page in
other languages, and holds the policy (Content Security Policy Level 3) under which the page can
load nothing and send nothing.
"""

from __future__ import annotations

import argparse
import base64
import gzip
import hashlib
import html
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from provision.schema.declaration import Declaration
from provision.schema.languages import in_language
from provision.schema_file.load import FileMistakes, load_declaration

_DONE, _MISTAKES, _USAGE, _PORT = 0, 1, 2, 3  # exit codes, those of every command

PAGE, MODULE, EMBEDDED = "index.html", "board-settings.js", "embed.html"
"""The files in English, which is the page's first language."""

_FOLDER = Path(__file__).parents[1] / "page"


class PageError(Exception):
    """The page cannot be written; one sentence. Nothing was changed."""


# ------------------------------------------------------------------------------------ the command


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command `page` takes."""
    parser.add_argument("file", type=Path, metavar="FILE", help="the firmware's schema file")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--out", type=Path, metavar="DIR", help="write the page into this folder")
    what.add_argument(
        "--serve", action="store_true", help="show it on this machine, with a virtual board"
    )
    parser.add_argument(
        "--link", type=_link, metavar="URL", help="lead from the page to this one of yours"
    )
    parser.add_argument(
        "--replace", action="store_true", help="with --out: overwrite files that are there"
    )
    parser.add_argument(
        "--port", type=_tcp_port, metavar="N", help="with --serve: on this port (a free one)"
    )
    parser.add_argument(
        "--networks",
        type=Path,
        metavar="FILE",
        help="with --serve: what is in the board's range",
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the page about a schema file's firmware, or serve it; return the exit code."""
    unfit = ("port", "networks") if arguments.out else ("replace",)
    for option in unfit:
        if getattr(arguments, option) not in (None, False):
            other = "--serve" if arguments.out else "--out"
            return _fail(f"--{option} means something with {other} only.", _USAGE)
    try:
        declaration = load_declaration(arguments.file)
    except FileMistakes as error:
        return _fail(str(error), _MISTAKES)
    page = Page(declaration, arguments.link)
    return _serve(page, arguments) if arguments.serve else _write(page, arguments)


def _write(page: Page, arguments: argparse.Namespace) -> int:
    out: Path = arguments.out
    try:
        write(page, out, replace=arguments.replace)
    except PageError as error:
        return _fail(str(error), _USAGE)
    except OSError as error:
        return _fail(f"{out}: cannot be written ({error.strerror}).", _USAGE)
    for language in languages():
        file = out / of_language(PAGE, language)
        size = len(gzip.compress(file.read_bytes(), mtime=0)) / 1000
        sys.stdout.write(f"{file}\n")
        sys.stderr.write(f"A browser loads {size:.1f} kB of it (gzip).\n")
    return _DONE


def _serve(page: Page, arguments: argparse.Namespace) -> int:
    from provision.author.preview import HOST, serve  # noqa: PLC0415 - takes time
    from provision.board.engine import from_declaration  # noqa: PLC0415
    from provision.board.firmware import (  # noqa: PLC0415
        Device,
        Surroundings,
        read_surroundings,
    )

    networks: Path | None = arguments.networks
    surroundings = Surroundings()
    try:
        if networks is not None:
            surroundings = read_surroundings(networks.read_text(encoding="utf-8"))
    except OSError as error:
        return _fail(f"{networks}: cannot be read ({error.strerror}).", _MISTAKES)
    except UnicodeDecodeError:
        return _fail(f"{networks}: is not written in UTF-8.", _MISTAKES)
    except ValueError as error:
        return _fail(f"{networks}: {error}", _MISTAKES)
    device = Device(from_declaration(page.declaration), surroundings, logs=True)
    shown = {
        f"/{of_language(PAGE, language)}": as_preview(page, language).encode()
        for language in languages()
    }
    try:
        serve(shown, device, arguments.port or 0, _say)
    except OSError as error:
        return _fail(f"Port {arguments.port} of {HOST} cannot be had: {error.strerror}.", _PORT)
    return _DONE


def _say(words: str) -> None:
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


def _fail(words: str, code: int) -> int:
    sys.stderr.write(f"{words}\n")
    return code


def _link(text: str) -> str:
    """Return a URL that the page may lead to."""
    try:
        parts = urlsplit(text)
        good = parts.scheme in ("http", "https") and parts.hostname
    except ValueError:
        good = False
    if not good or not text.isprintable() or " " in text:
        raise argparse.ArgumentTypeError("must be a URL that begins with https:// or http://")
    return text


def _tcp_port(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text) <= 65535):
        raise argparse.ArgumentTypeError("must be a TCP port, 0 to 65535")
    return int(text)


# ---------------------------------------------------------------------------------------- the page


@dataclass(frozen=True, slots=True)
class Page:
    """What a page says of the firmware that it is for."""

    declaration: Declaration

    link: str | None = None
    """Where the author's own page is."""


def write(page: Page, out: Path, *, replace: bool = False) -> None:
    """Write the page, and what embedding it takes, into a folder.

    A folder that has other files, or the same ones with another content, is refused, unless they
    are to be replaced; other files stay even then. Raises PageError and OSError.
    """
    wanted = {EMBEDDED: as_embedded(page), "README.md": _README}
    for language in languages():
        wanted[of_language(PAGE, language)] = as_html(page, language)
        wanted[of_language(MODULE, language)] = module(language)
    fresh = {name: text.encode() for name, text in wanted.items()}
    out.mkdir(parents=True, exist_ok=True)
    for there in sorted(out.iterdir()):
        is_same = there.is_file() and there.read_bytes() == fresh.get(there.name)
        if not is_same and not replace:
            raise PageError(
                f"{there}: is there already: choose an empty folder, or give --replace to"
                " overwrite the files of the page that was here."
            )
    # Beside their places first, so that a disk that fills up leaves what was there.
    with tempfile.TemporaryDirectory(prefix=".provision-page-", dir=out) as made:
        for name, content in fresh.items():
            (Path(made) / name).write_bytes(content)
        for name in fresh:
            (Path(made) / name).replace(out / name)


def languages() -> list[str]:
    """Return the tags of the languages that the page is there in, English first."""
    found = (path.name.split(".") for path in (_FOLDER / "built").glob("board-settings.*.js"))
    return ["en", *sorted(parts[1] for parts in found)]


def of_language(name: str, language: str) -> str:
    """Return what a file is called in a language: index.html is index.de.html in German."""
    stem, _, suffix = name.rpartition(".")
    return name if language == "en" else f"{stem}.{language}.{suffix}"


def as_html(page: Page, language: str = "en") -> str:
    """Return the page to publish: one file that needs nothing else."""
    script = module(language)
    return _document(
        page,
        language,
        style=_STYLE,
        policy=_policy(scripts=[script], styles=[_STYLE]),
        body=f"<main>{_element(page, language)}</main>",
        scripts=f'<script type="module">{script}</script>',
    )


def as_preview(page: Page, language: str = "en") -> str:
    """Return the page as it is served here: with the virtual board in place of serial ports."""
    script = module(language)
    stand_in = (_FOLDER / "preview.js").read_text(encoding="utf-8")
    style = _STYLE + _PREVIEW_STYLE
    return _document(
        page,
        language,
        style=style,
        policy=_policy(scripts=[stand_in, script], styles=[style], connect="'self'"),
        body=f"{_PREVIEW_STRIP}<main>{_element(page, language)}</main>",
        scripts=f'<script type="module">{stand_in}</script>\n'
        f'<script type="module">{script}</script>',
    )


def as_embedded(page: Page) -> str:
    """Return an example of a page that has the element in it, from the module beside it."""
    return _document(
        page,
        "en",
        style=_EMBEDDED_STYLE,
        policy=_policy(scripts=[_LISTENER], styles=[_EMBEDDED_STYLE], files="'self' "),
        body="<main>\n<h1>A page of yours</h1>\n<p>The element may stand anywhere in it.</p>\n"
        f'{_element(page)}\n<p id="told" role="status"></p>\n</main>',
        scripts=f'<script type="module" src="{MODULE}"></script>\n'
        f'<script type="module">{_LISTENER}</script>',
    )


def module(language: str = "en") -> str:
    """Return the element's module in a language."""
    return (_FOLDER / "built" / of_language(MODULE, language)).read_text(encoding="utf-8")


def _document(
    page: Page, language: str, *, style: str, policy: str, body: str, scripts: str
) -> str:
    others = (
        f'<link rel="alternate" hreflang="{other}" href="{of_language(PAGE, other)}">\n'
        for other in languages()
        if other != language
    )
    return _FRAME.format(
        language=language,
        policy=policy,
        title=html.escape(_title(page, language)),
        others="".join(others),
        style=style,
        body=body,
        scripts=scripts,
    )


def _title(page: Page, language: str) -> str:
    return in_language(page.declaration.schema, [language]).title


def _element(page: Page, language: str = "en") -> str:
    attributes = {
        "heading": _title(page, language),
        "link": page.link,
        "baud": str(page.declaration.board.baud),
    }
    written = "".join(
        f' {name}="{html.escape(value)}"' for name, value in attributes.items() if value is not None
    )
    return f"<board-settings{written}>{_WITHOUT_SCRIPTS}</board-settings>"


def _policy(*, scripts: list[str], styles: list[str], files: str = "", connect: str = "") -> str:
    """Return the policy of a page with these scripts and styles in it.

    files: where else scripts may come from. connect: with whom the page may talk; nobody if empty.
    """
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {files}{' '.join(map(_hash, scripts))}",
            f"style-src {' '.join(map(_hash, styles))}",
            "img-src data:",
            f"connect-src {connect or _NOBODY}",
            f"base-uri {_NOBODY}",
            f"form-action {_NOBODY}",
        )
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


# ------------------------------------------------------------------------------ what stands around

_NOBODY = "'none'"

_FRAME = """\
<!doctype html>
<html lang="{language}">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<meta name="color-scheme" content="light dark">
<title>{title}</title>
{others}<style>{style}</style>
</head>
<body>
{body}
{scripts}
</body>
</html>
"""

_WITHOUT_SCRIPTS = (
    '<p lang="en">This page needs scripts, and here they do not run. In a terminal <code>provision'
    " setup</code> does the same.</p>"
)
"""What the element holds until its script runs."""

_STYLE = "body{margin:0 auto;max-width:46rem;padding:1rem}"

_PREVIEW_STYLE = (
    "#preview{display:flex;flex-wrap:wrap;gap:.75rem;align-items:baseline;font:.875rem system-ui;"
    "border:1px dashed;padding:.5rem .75rem;margin:0 auto 1rem;box-sizing:border-box;"
    "max-width:42rem}#preview p{margin:0;flex:1 1 18rem}"
    "#preview button{font:inherit;min-height:1.75rem}"
)

_PREVIEW_STRIP = """\
<aside id="preview" lang="en">
<p>Preview, with a virtual board: what is stored on it is gone when the command ends.</p>
<button type="button" id="preview-reset">Reset the board</button>
<button type="button" id="preview-plug">Unplug</button>
</aside>
"""

_EMBEDDED_STYLE = """
body { margin: 2rem auto; max-width: 46rem; padding: 0 1rem; font: 1rem/1.5 serif; }
board-settings { --board-settings-font: inherit; --board-settings-radius: 0; }
board-settings::part(heading) { font-style: italic; }
"""

_LISTENER = """
const told = document.getElementById("told");
const words = {
  "board-settings-stored": "The settings are on the board.",
  "board-settings-erased": "The board is empty.",
  "board-settings-failed": "That did not work; the settings say why.",
};
for (const [type, sentence] of Object.entries(words)) {
  document.querySelector("board-settings").addEventListener(type, () => {
    told.textContent = sentence;
  });
}
"""

_README = f"""\
# The page that sets up your boards

Written by `provision page`; it writes the same files anew.

- `{PAGE}` is the whole page in one file: put it on any static https host. Opened from a disk it
  works as well. `index.de.html` and its like are the same in other languages; put those that you
  want beside it, since each leads to the others.
- `{MODULE}` defines the element `<board-settings>`, for a page of your own; it has its like in
  other languages too.
- `{EMBEDDED}` is an example of such a page. It needs a host, since browsers load no module from a
  disk.

Browsers without Web Serial cannot reach a board; there the page says what to do instead.
"""
