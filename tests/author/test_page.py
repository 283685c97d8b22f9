# SPDX-License-Identifier: MIT
"""The page for browsers: closed to the outside, harmless whatever it holds, and seen at once."""

from __future__ import annotations

import base64
import gettext
import gzip
import hashlib
import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from types import MappingProxyType
from urllib.parse import urlsplit

import pytest

from provision import catalogue, cli
from provision.author import page, preview
from provision.board.engine import from_declaration
from provision.board.firmware import Device
from provision.contract.profile import Item
from provision.contract.table import MessageType
from provision.schema_file.load import load_declaration
from provision.wizard.result import ExitCode
from scripts import regenerate
from scripts.derive import page_bundle
from tests.board.host import answers, request_line
from tests.guide_runner import follow
from tests.waiting import join, next_line, until

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "schemas" / "orchard-frost-alarm.toml"
NETWORKS = ROOT / "schemas" / "orchard.networks"
LINK = "https://frost.example/alarm?a=1&b=2"
PAGES = {"en": "index.html", "de": "index.de.html"}
FILES = {
    *PAGES.values(),
    *("board-settings.js", "board-settings.de.js", "embed.html", "README.md"),
}


class Reader(HTMLParser):
    """What a page is made of; checks that elements close."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.found: list[tuple[str, dict[str, str]]] = []
        self.content: list[tuple[str, dict[str, str], str]] = []
        self.text = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.found.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in ("meta", "link"):  # void elements (HTML section 13.1.2)
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close the element that is open."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Note text; of scripts and styles with the attributes they have."""
        if self.open and self.open[-1] in ("script", "style"):
            self.content.append((self.open[-1], self.found[-1][1], data))
        else:
            self.text += data

    @property
    def element(self) -> dict[str, str]:
        """The attributes of the element that sets up boards."""
        (attributes,) = [found for tag, found in self.found if tag == "board-settings"]
        return attributes

    @property
    def policy(self) -> dict[str, str]:
        """The sources that the page's policy admits, by directive (CSP Level 3 section 2.2.1)."""
        (text,) = [found["content"] for _, found in self.found if "http-equiv" in found]
        return dict(directive.split(" ", 1) for directive in text.split("; "))

    def hashes(self, tag: str) -> list[str]:
        """Return what a policy names scripts or styles by (CSP Level 3 section 2.3.1)."""
        digests = [
            hashlib.sha256(text.encode()).digest()
            for each, attributes, text in self.content
            if each == tag
        ]
        return [f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests]


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the command writes for the demo."""
    folder = tmp_path_factory.mktemp("page") / "out"
    assert cli.main(["page", str(DEMO), "--out", str(folder), "--link", LINK]) == ExitCode.DONE
    return folder


def read(path: Path) -> Reader:
    """Read a page that was written."""
    return Reader(path.read_text(encoding="utf-8"))


# ---------------------------------------------------------------------------------- what it writes


def test_the_command_writes_the_page_and_says_how_large_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The results are the pages' places; what a browser loads is a word beside each."""
    assert cli.main(["page", str(DEMO), "--out", str(tmp_path / "site")]) == ExitCode.DONE
    said = capsys.readouterr()
    assert said.out.splitlines() == [str(tmp_path / "site" / name) for name in PAGES.values()]
    size = r"A browser loads [0-9]+\.[0-9] kB of it \(gzip\)\.\n"
    assert re.fullmatch(size * len(PAGES), said.err)
    assert {path.name for path in (tmp_path / "site").iterdir()} == FILES


@pytest.mark.parametrize(
    ("name", "title"),
    [
        ("index.html", "Orchard frost alarm"),
        ("embed.html", "Orchard frost alarm"),
        ("index.de.html", "Frostalarm für den Obstgarten"),
    ],
)
def test_the_page_says_whose_it_is(out: Path, name: str, title: str) -> None:
    """Its title, and for the element the attributes that the file and the command line give it."""
    demo = load_declaration(DEMO)
    reader = read(out / name)
    assert reader.element == {"heading": title, "link": LINK, "baud": str(demo.board.baud)}
    assert f"<title>{title}</title>" in (out / name).read_text(encoding="utf-8")


def test_without_a_link_there_is_none(tmp_path: Path) -> None:
    """The page leads nowhere that nobody asked for."""
    page.write(page.Page(load_declaration(DEMO)), tmp_path)
    assert "link" not in read(tmp_path / "index.html").element


def test_the_rate_of_the_line_is_that_of_the_file(tmp_path: Path) -> None:
    """A board that speaks at another rate gets a page that does."""
    slow = tmp_path / "slow.toml"
    text = DEMO.read_text(encoding="utf-8").replace("baud = 115200", "baud = 9600")
    slow.write_text(text, encoding="utf-8")
    assert Reader(page.as_html(page.Page(load_declaration(slow)))).element["baud"] == "9600"


@pytest.mark.parametrize("name", PAGES.values())
def test_a_browser_loads_no_more_than_forty_kilobytes(out: Path, name: str) -> None:
    """The whole page, as hosts send it (gzip, RFC 1952)."""
    size = len(gzip.compress((out / name).read_bytes(), mtime=0))
    assert size <= 40_000


def test_the_page_works_with_any_board_so_no_setting_is_in_it(out: Path) -> None:
    """What is asked comes from the board: an update of the firmware needs no new page."""
    text = (out / "index.html").read_text(encoding="utf-8")
    labels = {
        field.label
        for section in load_declaration(DEMO).schema.sections
        for field in section.fields
    }
    assert [label for label in labels if f'"{label}"' in text] == []


# ------------------------------------------------------------------------- closed to the outside


@pytest.mark.parametrize("name", [*PAGES.values(), "embed.html"])
def test_the_policy_admits_what_is_on_the_page_and_nothing_else(out: Path, name: str) -> None:
    """Each script and style by its hash, computed here anew; no connection, no form, no base."""
    reader = read(out / name)
    own = ["'self'"] if name == "embed.html" else []
    assert reader.policy == {
        "default-src": "'none'",
        "script-src": " ".join([*own, *reader.hashes("script")]),
        "style-src": " ".join(reader.hashes("style")),
        "img-src": "data:",
        "connect-src": "'none'",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    assert len(reader.hashes("script")) == len(reader.hashes("style")) == 1


@pytest.mark.parametrize("name", [*PAGES.values(), "embed.html"])
def test_the_policy_comes_before_all_that_it_governs(out: Path, name: str) -> None:
    """A policy in a page governs what follows it (HTML section 4.2.5.3)."""
    tags = [tag for tag, _ in read(out / name).found]
    policy = next(i for i, (_, found) in enumerate(read(out / name).found) if "http-equiv" in found)
    assert not {"script", "style", "link", "img", "board-settings"} & set(tags[:policy])


def test_nothing_comes_from_elsewhere(out: Path) -> None:
    """No address of the web is in what is written, but for the link that the author gave."""
    for path in out.iterdir():
        text = path.read_text(encoding="utf-8")
        for address in (LINK, LINK.replace("&", "&amp;")):
            text = text.replace(address, "")
        assert re.findall(r"\w+://[^\s\"'`]*", text) == [], path.name
    for name in (*PAGES.values(), "embed.html"):
        sources = [found["src"] for _, found in read(out / name).found if "src" in found]
        assert sources == (["board-settings.js"] if name == "embed.html" else [])


@pytest.mark.parametrize("language", PAGES)
def test_the_page_has_the_very_module(out: Path, language: str) -> None:
    """No markup within it ends the script early, and nothing is added to it."""
    path = page_bundle.path_of(language)
    module = (out / Path(path).name).read_text(encoding="utf-8")
    scripts = [text for tag, _, text in read(out / PAGES[language]).content if tag == "script"]
    assert scripts == [module]
    assert not re.search(r"<!--|</?script", module, re.IGNORECASE)  # HTML section 4.12.1.3
    assert module == (ROOT / path).read_text(encoding="utf-8")


HOSTILE = '</title></script><b>"x"\'&amp;'


def test_a_title_that_looks_like_markup_stays_text(tmp_path: Path) -> None:
    """It adds no element and no attribute, and is shown as it stands."""
    file = tmp_path / "hostile.toml"
    text = DEMO.read_text(encoding="utf-8")
    for key, most in (("title", 40), ("name", 32)):
        text = re.sub(
            rf'^{key} = ".*"$', f"{key} = '''{HOSTILE[:most]}'''", text, count=1, flags=re.MULTILINE
        )
    file.write_text(text, encoding="utf-8")
    harmless = page.Page(load_declaration(DEMO))
    hostile = page.Page(load_declaration(file), "https://x.example/?<script>\"'")
    for make in (page.as_html, page.as_embedded, page.as_preview):
        reader = Reader(make(hostile))
        assert [tag for tag, _ in reader.found] == [tag for tag, _ in Reader(make(harmless)).found]
        assert reader.element["heading"] == HOSTILE[:40]
        assert reader.element["link"] == hostile.link
        assert HOSTILE[:40] in reader.text


# ----------------------------------------------------------------------------- in other languages


def test_the_page_speaks_german(out: Path) -> None:
    """No sentence of it is in English that the standard library's gettext has in German."""
    german = gettext.translation(catalogue.DOMAIN, catalogue.FOLDER, ["de"])
    module = {
        language: (out / Path(page_bundle.path_of(language)).name).read_text(encoding="utf-8")
        for language in PAGES
    }
    sentences = re.findall(r'"([A-Z][^"\\\\]{8,})"', module["en"])
    translated = [text for text in sentences if german.gettext(text) != text]
    assert len(translated) > 50
    assert [text for text in translated if f'"{text}"' in module["de"]] == []
    assert [text for text in translated if german.gettext(text) not in module["de"]] == []


def test_each_page_says_its_language_and_leads_to_the_others(out: Path) -> None:
    """By a tag of BCP 47, and by links that the element reads (HTML section 4.6.7.1)."""
    for language, name in PAGES.items():
        found = read(out / name).found
        assert found[0] == ("html", {"lang": language})
        links = {each["hreflang"]: each["href"] for tag, each in found if tag == "link"}
        assert links == {other: PAGES[other] for other in PAGES if other != language}


# -------------------------------------------------------------------------------- what it refuses


def test_written_again_it_stays_as_it_is(out: Path) -> None:
    """The same file gives the same page."""
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert cli.main(["page", str(DEMO), "--out", str(out), "--link", LINK]) == ExitCode.DONE
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


@pytest.mark.parametrize("there", ["index.html", "notes.txt", "site/index.html"])
def test_a_folder_with_something_else_in_it_is_kept_unless_they_say_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], there: str
) -> None:
    """Nothing of an author's is lost in silence, and what is not the page's stays in any case."""
    (tmp_path / there).parent.mkdir(exist_ok=True)
    (tmp_path / there).write_text("mine")
    assert cli.main(["page", str(DEMO), "--out", str(tmp_path)]) == ExitCode.USAGE
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert f"{tmp_path / Path(there).parts[0]}: already exists" in said
    assert [path.name for path in tmp_path.iterdir()] == [Path(there).parts[0]]
    assert cli.main(["page", str(DEMO), "--out", str(tmp_path), "--replace"]) == ExitCode.DONE
    assert {path.name for path in tmp_path.iterdir()} == FILES | {Path(there).parts[0]}
    assert (there == "index.html") is ((tmp_path / there).read_bytes() != b"mine")


def test_a_disk_that_fills_up_leaves_what_was_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page is there whole, or as it was."""
    (tmp_path / "index.html").write_text("before")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    assert cli.main(["page", str(DEMO), "--out", str(tmp_path), "--replace"]) == ExitCode.USAGE
    assert capsys.readouterr().err == f"{tmp_path}: cannot be written (No space left on device).\n"
    assert [path.read_text() for path in tmp_path.iterdir()] == ["before"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "one of the arguments --out --serve is required"),
        (["--out", "x", "--serve"], "not allowed with"),
        (["--out", "x", "--port", "80"], "--port is only for use with --serve"),
        (["--out", "x", "--networks", "y"], "--networks is only for use with --serve"),
        (["--serve", "--replace"], "--replace is only for use with --out"),
        (["--serve", "--port", "65536"], "must be a TCP port"),
        *(
            (["--out", "x", "--link", link], "must be a URL that begins with https://")
            for link in (
                *("javascript:alert(1)", "//host/x", "ftp://host", "https://", "http:/x", "host"),
                *("https://ho st/", "https://host/\u202e", "https://[1", " https://host"),
            )
        ),
    ],
)
def test_a_wrong_command_line_is_told(tmp_path: Path, words: list[str], said: str) -> None:
    """What is wrong, by the code of wrong command lines; nothing is written."""
    command = [sys.executable, "-m", "provision", "page", str(DEMO), *words]
    ran = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False
    )
    assert ran.returncode == ExitCode.USAGE
    assert said in ran.stderr
    assert list(tmp_path.iterdir()) == []


def test_mistakes_of_the_file_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As `provision check` tells them, and nothing is written."""
    (tmp_path / "x.toml").write_text("format = 2\n")
    command = ["page", str(tmp_path / "x.toml"), "--out", str(tmp_path / "out")]
    assert cli.main(command) == ExitCode.MISTAKES
    assert capsys.readouterr().err.startswith("x.toml:1:1: ")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("content", [None, b"\xff", b"a line that is no network\n"])
def test_networks_that_cannot_be_read_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes | None
) -> None:
    """One sentence that names the file; nothing is served."""
    file = tmp_path / "range.networks"
    if content is not None:
        file.write_bytes(content)
    command = ["page", str(DEMO), "--serve", "--networks", str(file)]
    assert cli.main(command) == ExitCode.MISTAKES
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith(f"{file}: ")
    assert len(said.err.splitlines()) == 1


# ----------------------------------------------------------------------------------- as a preview


@contextmanager
def served(*words: str) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """Serve the demo's page by the command; yields the process and the port."""
    command = [sys.executable, "-m", "provision", "page", str(DEMO), "--serve", *words]
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            (url,) = re.findall(r"http://\S+", next_line(process))
            assert urlsplit(url).hostname == "127.0.0.1"
            yield process, urlsplit(url).port or 0
        finally:
            if process.poll() is None:
                process.kill()


class Browser:
    """Asks as the page does."""

    def __init__(self, port: int) -> None:
        self.own = f"http://127.0.0.1:{port}"
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] = MappingProxyType({}),
    ) -> tuple[int, bytes]:
        """Send a request; return status and body."""
        origin = {"Origin": self.own} if method == "POST" else {}
        self.connection.request(method, path, body, {**origin, **headers})
        answer = self.connection.getresponse()
        return answer.status, answer.read()

    def open(self) -> str:
        """Open the line; return the opening."""
        status, opening = self.ask("POST", "/open")
        assert status == 200
        return opening.decode()

    def greet(self, opening: str) -> Item:
        """Say hello until the board answers, as hosts do; return the firmware's name."""
        received = b""

        def ask() -> None:
            nonlocal received
            hello = request_line(MessageType.HELLO)
            assert self.ask("POST", f"/to-board?opening={opening}", hello)[0] == 200
            status, data = self.ask("GET", f"/from-board?opening={opening}")
            assert status == 200
            received += data

        until(
            lambda: re.search(rb"^~.*\n", received, re.MULTILINE) is not None,
            "the board has answered",
            ask,
        )
        lines = [line for line in received.splitlines(keepends=True) if line.startswith(b"~")]
        (answer,) = answers(b"\n" + lines[0])
        return answer.body["firmware"]


@pytest.fixture
def browser() -> Iterator[Browser]:
    """A browser with the page of the demo, served in this process."""
    demo = load_declaration(DEMO)
    device = Device(from_declaration(demo), logs=True)
    shown = {
        f"/{name}": page.as_preview(page.Page(demo), tag).encode() for tag, name in PAGES.items()
    }
    with preview.Line(device) as line, preview.Server(shown, line) as server:
        serving = threading.Thread(target=server.serve_forever, args=(0.02,))
        serving.start()
        browser = Browser(server.port)
        yield browser
        browser.connection.close()
        server.shutdown()
        join(serving)


def test_the_preview_shows_the_page_with_a_board(browser: Browser) -> None:
    """The page as it is published, with the board's script before it, talking with this server."""
    status, content = browser.ask("GET", "/")
    assert status == 200
    reader = Reader(content.decode())
    published = Reader(page.as_html(page.Page(load_declaration(DEMO))))
    assert reader.element == published.element
    scripts = " ".join(reader.hashes("script"))
    assert scripts.endswith(f" {published.hashes('script')[0]}")
    assert reader.policy == {
        **published.policy,
        "connect-src": "'self'",
        "script-src": scripts,
        "style-src": " ".join(reader.hashes("style")),
    }
    assert "Preview, with a virtual board" in reader.text
    assert browser.ask("GET", "/index.html") == (200, content)
    _, german = browser.ask("GET", "/index.de.html")
    assert Reader(german.decode()).found[0] == ("html", {"lang": "de"})


def test_what_is_published_knows_no_virtual_board(out: Path) -> None:
    """The stand-in for a port is of the preview alone."""
    for path in out.iterdir():
        assert not re.search(r"from-board|preview", path.read_text(encoding="utf-8")), path.name


def test_the_board_answers_a_hello(browser: Browser) -> None:
    """Bytes go to the board and come back, through its reset."""
    opening = browser.open()
    assert browser.greet(opening) == load_declaration(DEMO).firmware_name
    assert browser.ask("POST", "/reset") == (200, b"")
    assert browser.greet(opening) == load_declaration(DEMO).firmware_name


def test_an_unplugged_board_ends_the_opening(browser: Browser) -> None:
    """410 (RFC 9110 section 15.5.11) to whoever waits or sends; plugged in, it is opened anew."""
    opening = browser.open()
    browser.greet(opening)  # past what the board prints as it starts
    waiting = Browser(browser.connection.port)
    waiting.connection.request("GET", f"/from-board?opening={opening}")
    assert browser.ask("POST", "/unplug")[0] == 200
    assert waiting.connection.getresponse().status == 410
    waiting.connection.close()
    assert browser.ask("POST", f"/to-board?opening={opening}", b"x")[0] == 410
    assert browser.ask("POST", "/open")[0] == 410
    assert browser.ask("POST", "/plug-in")[0] == 200
    assert browser.ask("GET", f"/from-board?opening={opening}")[0] == 410
    assert browser.greet(browser.open()) == load_declaration(DEMO).firmware_name


def test_whoever_opens_the_line_anew_has_it(browser: Browser) -> None:
    """A page that is loaded again does not wait for what it was before."""
    first, second = browser.open(), browser.open()
    assert browser.ask("POST", f"/to-board?opening={first}", b"x")[0] == 410
    assert browser.greet(second) == load_declaration(DEMO).firmware_name


@pytest.mark.parametrize(
    ("method", "path", "headers", "status"),
    [
        ("GET", "/", {"Host": "frost.example"}, 403),
        ("GET", "/", {"Host": ""}, 403),
        ("GET", "/", {"Origin": "https://frost.example"}, 403),
        ("POST", "/reset", {"Host": "frost.example"}, 403),
        ("POST", "/reset", {"Origin": "https://frost.example"}, 403),
        ("POST", "/reset", {"Origin": "null"}, 403),
        ("POST", "/open", {"Content-Length": "9999999999"}, 400),
        ("POST", "/open", {"Content-Length": "-1"}, 400),
        ("POST", "/open", {"Transfer-Encoding": "chunked"}, 400),
        ("GET", "/README.md", {}, 404),
        ("GET", "/../pyproject.toml", {}, 404),
        ("GET", "/open", {}, 404),
        ("POST", "/", {}, 404),
        ("GET", "/from-board", {}, 410),
        ("POST", "/to-board?opening=", {}, 410),
        ("POST", "/to-board?opening=None", {}, 410),
        ("PUT", "/", {}, 501),
        ("OPTIONS", "/open", {}, 501),
        ("HEAD", "/", {}, 501),
    ],
)
def test_everything_else_is_refused(
    browser: Browser, method: str, path: str, headers: dict[str, str], status: int
) -> None:
    """Another site in the same browser, a name that leads here, and any other request."""
    assert browser.ask(method, path, headers=headers)[0] == status


@pytest.mark.parametrize("told", [signal.SIGINT, signal.SIGTERM])
def test_the_command_serves_until_it_is_told_to_end(told: signal.Signals) -> None:
    """At once, even while the page waits for the board; and without a traceback."""
    with served("--networks", str(NETWORKS)) as (process, port):
        browser = Browser(port)
        assert browser.ask("GET", "/")[0] == 200
        opening = browser.open()
        assert browser.greet(opening) == load_declaration(DEMO).firmware_name
        waiting = Browser(port)
        waiting.connection.request("GET", f"/from-board?opening={opening}")
        gone = Browser(port)  # a browser that is closed while it waits
        gone.connection.request("GET", f"/from-board?opening={opening}")
        gone.connection.close()
        process.send_signal(told)
        _, errors = process.communicate(timeout=5)
        assert (process.returncode, errors) == (ExitCode.DONE, "")
        waiting.connection.close()
        browser.connection.close()
        with pytest.raises(ConnectionRefusedError):
            browser.ask("GET", "/")


def test_a_port_that_is_taken_is_told(browser: Browser, capsys: pytest.CaptureFixture[str]) -> None:
    """One sentence, by the code of ports."""
    port = browser.connection.port
    assert cli.main(["page", str(DEMO), "--serve", "--port", str(port)]) == ExitCode.PORT
    said = capsys.readouterr().err
    assert said.startswith(f"Port {port} of 127.0.0.1 is not available: ")
    assert len(said.splitlines()) == 1


# -------------------------------------------------------------------------------------- the guide


def named(what: str) -> set[str]:
    """Return the names in the first column of a table of the guide, by that column's heading."""
    table = re.search(rf"^\| {what} \| \|\n\|---\|---\|\n((?:\|.*\n)+)", GUIDE, re.MULTILINE)
    assert table is not None
    return {
        name
        for row in table[1].splitlines()
        for name in re.findall("`(.*?)`", row[: row.index(" | ")])
    }


def sources(pattern: str) -> set[str]:
    """Return what a pattern finds in the sources of the page."""
    folder = ROOT / "provision" / "page"
    files = [path for path in folder.rglob("*.*s") if path.parent.name != "built"]
    texts = [path.read_text(encoding="utf-8") for path in files]
    return {found for text in texts for found in re.findall(pattern, text)}


GUIDE = (ROOT / "schemas" / "PAGE.md").read_text(encoding="utf-8")


def test_the_guide_has_what_the_element_has(out: Path) -> None:
    """Every attribute, event, custom property and part, and every file: none more, none less."""
    assert named("file") == {path.name for path in out.iterdir()}
    assert named("attribute") == sources(r'this\.getAttribute\("([\w-]+)"\)')
    assert named("property") == sources(r"var\((--board-settings-\w+)")
    parts = " ".join(sources(r"\bpart: ([^,}\n]*)"))
    assert named("part") == set(re.findall(r'"(\w+)"', parts))
    (told,) = sources(r'@param \{((?:"\w+" \| )+"\w+")\} what\n')
    assert named("event") == {f"board-settings-{word}" for word in re.findall(r"\w+", told)}


def test_the_command_does_what_the_guide_shows(tmp_path: Path) -> None:
    """What is published is made as it says; the rest of the guide is about what that is."""
    shutil.copy(DEMO, tmp_path)
    programs = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    guide = tmp_path / "PAGE.md"
    guide.write_text(GUIDE, encoding="utf-8")
    assert follow(guide, tmp_path, {**os.environ, "PATH": programs}) == 1


# ------------------------------------------------------------------------------------ the modules


@pytest.mark.needs("node")
def test_a_check_says_what_is_missing_to_make_the_modules(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where a tool is not, or not in its version, nobody is told that the modules were compared."""
    monkeypatch.setattr(page_bundle, "ROOT", tmp_path)
    monkeypatch.setattr(regenerate, "differing", lambda _: iter(()))
    wanted = {"esbuild": "1.2.3", "terser": "4.5.6"}
    (tmp_path / "package.json").write_text(json.dumps({"devDependencies": wanted}))

    def said() -> str:
        assert regenerate.main(["--check"]) == 0
        return capsys.readouterr().err.removeprefix("The modules of the page were not compared: ")

    for tool, version in wanted.items():
        assert said() == f"there is no {tool} here; run npm ci.\n"
        package = tmp_path / "node_modules" / tool / "package.json"
        package.parent.mkdir(parents=True)
        package.write_text('{"version": "1.0.0"}')
        assert said() == f"{tool} here is 1.0.0, and {version} is wanted; run npm ci.\n"
        package.write_text(json.dumps({"version": version}))
    assert said() == ""
    monkeypatch.setenv("PATH", str(tmp_path))
    assert said() == "there is no Node here.\n"


@pytest.mark.parametrize(
    ("source", "spoken"),
    [
        ('x = "Try again."', 'x = "Noch einmal."'),
        ('x = "Try " + "again."', 'x = "Noch einmal."'),
        ('say("secret")', 'say("geheim")'),
        ('say(a ? "secret" : f(b))', 'say(a ? "geheim" : f(b))'),
        ('kind === "secret"', 'kind === "secret"'),
        ('f(say(a), "secret")', 'f(say(a), "secret")'),
        ('assay("secret")', 'assay("secret")'),
        ('say("Something else.")', 'say("Something else.")'),
    ],
)
def test_texts_are_put_in_the_place_of_english_ones(source: str, spoken: str) -> None:
    """Sentences wherever they stand; a word by itself, which may be a code, where it is said."""
    texts = {"Try again.": "Noch einmal.", "secret": "geheim"}
    assert page_bundle.in_language(source, texts) == spoken
