# SPDX-License-Identifier: MIT
"""The page that an author publishes, in a real browser, with the compiled stub on its port.

What it stores is held against what the command line reads from the board afterwards. Who can use it
is judged by axe-core and by the success criteria of WCAG 2.2 (W3C Recommendation,
https://www.w3.org/TR/WCAG22/), which are named beside the tests that cover them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest

from provision import cli
from provision.schema.model import Value
from tests.page.browser.conftest import Launch
from tests.page.browser.looking import (
    NARROW,
    ZOOMED,
    assert_everybody_can_use,
    assert_fits_its_width,
    assert_keeps_no_secret,
    assert_profile_has_no_secret,
    assert_text_can_be_spaced,
    keep_screenshot,
)
from tests.page.browser.person import (
    OVERVIEW,
    PLUGGED,
    REVIEW,
    START,
    STORE,
    WORKS,
    KeyboardPerson,
    Person,
)
from tests.page.browser.serial_lab import WiredBoard
from tests.wizard.bench import SCHEMAS
from tests.wizard.test_dialog import EXPECTED

if TYPE_CHECKING:
    from playwright.sync_api import Page

GONE = "The board is gone: plug it in again. Your answers are kept."

ORDER = [
    *("Network", "Passphrase", "Fixed address"),
    *("Host", "Port", "Service key", "Certificate", "Call when it freezes"),
    *("Time between readings", "Alarm below", "Cold readings in a row"),
    *("Where it hangs", "Sort of probe", "Pin of the probe", "Correction"),
    "Set up another Probe (number 2)?",
    *("Is a siren wired to the mast", "Pin of the relay", "Pin of the relay"),
    *("Pattern", "Length of a pulse", "Longest alarm"),
    *("Name of the mast", "Time zone", "Height above the sea"),
]
"""The labels of the schema file in its order; the pin of the relay has a caution to be read."""

KEPT = {
    START: "start",
    "Network": "networks-in-range",
    "Passphrase": "a-secret",
    "Certificate": "a-file",
    "Pin of the probe": "pins",
    "Set up another Probe (number 2)?": "another-probe",
    "Time zone": "a-time-zone",
    REVIEW: "review",
    OVERVIEW: "stored",
}
"""Steps of a first provisioning of which a picture is kept, and its name."""

Visit = Callable[..., "Page"]


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that `provision page` makes of the demo's schema file."""
    folder = tmp_path_factory.mktemp("page")
    schema = str(SCHEMAS / "orchard-frost-alarm.toml")
    assert cli.main(["page", schema, "--out", str(folder)]) == 0
    return folder


@pytest.fixture
def visit(made: Path, served: tuple[Path, str], browser: Launch) -> Visit:
    """Return what opens the page in a browser whose person has chosen the adapter before."""
    folder, origin = served
    for file in made.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())

    def visit(
        name: str = "index.html", *, script: str = "", granted: bool = True, **options: Any
    ) -> Page:
        context = browser(origin, granted=granted, timezone_id="Europe/Vienna", **options)
        (page,) = context.pages
        if script:
            page.add_init_script(script)
        page.on("pageerror", lambda error: pytest.fail(f"the page's script failed: {error}"))
        page.goto(f"{origin}/{name}")
        return page

    return visit


@pytest.fixture
def answers(planted: dict[str, str]) -> dict[str, str]:
    """Return what has to be answered, all else being what is offered."""
    return {
        "Network": "Orchard Gate",
        "Passphrase": planted["network.passphrase"],
        "Service key": planted["service.key"],
        "Pin of the probe": "26",
    }


STORED = cast("dict[str, Value]", EXPECTED)
TOLD = {
    key: None if key in ("network.passphrase", "service.key") else value
    for key, value in STORED.items()
}
"""What the board tells after these answers: of secrets only that they are set."""


@pytest.fixture
def set_up_board(c_board: WiredBoard, planted: dict[str, str]) -> WiredBoard:
    """Return the board when it has been set up, by the command line."""
    c_board.store({**STORED, **planted})
    return c_board


# --------------------------------------------------------------------------- a first provisioning


def test_a_fresh_board_is_set_up_and_works(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str], planted: dict[str, str]
) -> None:
    """Every question in order, a review, and the board works; axe-core finds nothing on any step.

    WCAG 2.2: 3.3.4 Error Prevention (what was answered is reviewed before it is stored), 1.3.1 Info
    and Relationships, 1.4.3 Contrast (Minimum), 2.5.8 Target Size (Minimum), 3.3.2 Labels or
    Instructions, 4.1.2 Name, Role, Value, and what else of level AA axe-core can decide.
    """
    page = visit()
    page.evaluate(
        """() => {
          globalThis.told = [];
          for (const what of ["stored", "erased", "failed"])
            document.addEventListener(`board-settings-${what}`, (event) =>
              told.push([what, event.detail.words]));
        }"""
    )

    def look(title: str) -> None:
        assert_everybody_can_use(page)
        assert_keeps_no_secret(page, planted, also_in_fields=False)
        if title in KEPT:
            keep_screenshot(page, KEPT[title])

    person = Person(page, look).begin()
    person.answer(answers, until=REVIEW)
    assert person.asked == ORDER
    assert c_board.held() == {}  # until it is said
    person.store()
    assert c_board.held() == TOLD
    ((what, words),) = page.evaluate("told")
    assert what == "stored"
    assert words.startswith(WORKS)


def test_afterwards_no_secret_is_anywhere(
    visit: Visit,
    c_board: WiredBoard,
    answers: dict[str, str],
    planted: dict[str, str],
    profile: Path,
) -> None:
    """Neither on the page and in what it stores, nor in any file of the browser when it has ended.

    One of the secrets was shown while it was typed, and one typed wrong first.
    """
    page = visit()
    person = Person(page).begin()
    person.answer(answers, until="Passphrase")
    person.press("Show")
    wrong = planted["network.passphrase"][::-1]
    person.answer({**answers, "Passphrase": wrong}, until=REVIEW)
    assert_keeps_no_secret(page, planted)
    person.press(STORE)
    person.answer(answers, until=REVIEW)
    person.store()
    assert_keeps_no_secret(page, planted)
    assert planted["service.key"].encode() in c_board.flash
    page.context.close()
    assert_profile_has_no_secret(profile, planted)


def test_by_keyboard_alone(visit: Visit, c_board: WiredBoard, answers: dict[str, str]) -> None:
    """The whole dialog, with the focus seen and in reading order all the way; KeyboardPerson."""
    person = KeyboardPerson(visit()).begin()
    person.answer(answers, until=REVIEW)
    person.store()
    assert person.asked == ORDER
    assert c_board.held() == TOLD


@pytest.mark.usefixtures("c_board")
def test_the_focus_goes_to_each_step_and_leaves_the_page_at_its_end(visit: Visit) -> None:
    """WCAG 2.2: 2.1.2 No Keyboard Trap, 2.4.3 Focus Order: all that can be done has its stop."""
    person = KeyboardPerson(visit())
    person.arrives(START)
    assert person.stops() == ["Deutsch", PLUGGED, "Choose another port"]
    person.press(PLUGGED)
    person.arrives("Network")
    assert person.stop()["name"] == "Orchard Gate"
    hidden = "Name of a hidden network"
    assert person.stops() == ["Orchard Gate", hidden, "Next", "Leave the board as it is"]


@pytest.mark.usefixtures("c_board")
def test_an_open_network_needs_no_passphrase(visit: Visit, answers: dict[str, str]) -> None:
    """The board saw that it is open: that is said, and no passphrase asked for."""
    person = Person(visit()).begin()
    person.answer({**answers, "Network": "Cider Press"}, until="Fixed address")
    person.hears("The network Cider Press is open: it has no passphrase.")
    assert person.asked == ["Network"]


def test_a_network_that_hides_itself_is_typed(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """Its name goes into the field behind the list; Return is as good as the button."""
    page = visit()
    person = Person(page).begin()
    person.arrives("Network")
    person.type("Name of a hidden network", "Orchard Gate")
    page.keyboard.press("Enter")
    person.arrives("Passphrase")
    person.sees("For the network Orchard Gate.")
    person.answer(answers, until=REVIEW)
    person.store()
    assert c_board.held() == TOLD


def test_a_certificate_goes_to_the_board_in_parts(
    visit: Visit, set_up_board: WiredBoard, tmp_path: Path
) -> None:
    """Chosen as a file; of it the board tells its length. One that is too long is refused here."""
    certificate, too_long = tmp_path / "authority.der", tmp_path / "book.der"
    certificate.write_bytes(bytes(range(256)) * 8)
    too_long.write_bytes(bytes(2049))
    page = visit()
    person = Person(page).begin()
    person.arrives(OVERVIEW)
    person.press("Change Certificate")
    person.arrives("Certificate")
    field = page.get_by_label("Certificate", exact=True)
    field.set_input_files(too_long)
    person.press("Next")
    page.get_by_role("alert").get_by_text("2048").wait_for()
    field.set_input_files(certificate)
    person.press("Next")
    person.arrives(REVIEW)
    person.store()
    assert set_up_board.held() == {**TOLD, "service.certificate": 2048}
    assert certificate.read_bytes()[:256] in set_up_board.flash


# ------------------------------------------------------------------------------- faults and mending


def test_a_wrong_passphrase_is_asked_again_and_nothing_else(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """With the reason beside the field.

    WCAG 2.2: 3.3.1 Error Identification, 3.3.3 Error Suggestion, 3.3.7 Redundant Entry.
    """
    page = visit()
    person = Person(page).begin()
    person.answer({**answers, "Passphrase": "apples-and-pears"}, until=REVIEW)
    person.press(STORE)
    person.arrives("Passphrase")
    person.sees("The network did not take this passphrase. Capital letters count.")
    assert_everybody_can_use(page)
    keep_screenshot(page, "a-wrong-passphrase")
    person.asked.clear()
    person.answer(answers, until=REVIEW)
    assert person.asked == ["Passphrase"]
    person.store()
    assert c_board.held() == TOLD


@pytest.mark.usefixtures("c_board")
@pytest.mark.parametrize(
    ("title", "wrong", "right"),
    [
        ("Port", "70000", "8443"),
        ("Time between readings", "5 s", "30 s"),
        ("Time zone", "Europe/Nowhere", "Europe/Vienna"),
    ],
)
def test_what_cannot_be_is_said_beside_its_field(
    visit: Visit, answers: dict[str, str], title: str, wrong: str, right: str
) -> None:
    """In words that say what is wanted; the focus is on the field, what was typed is still there.

    WCAG 2.2: 3.3.1 Error Identification, 3.3.3 Error Suggestion, 1.3.1 Info and Relationships.
    """
    page = visit()
    person = Person(page).begin()
    person.answer(answers, until=title)
    person.type(title, wrong)
    person.press("Next")
    field = page.get_by_label(title, exact=True)
    alert = page.get_by_role("alert")
    alert.get_by_text(re.compile(r"^It .+\.$")).wait_for()
    assert field.get_attribute("aria-invalid") == "true"
    assert alert.get_attribute("id") in (field.get_attribute("aria-describedby") or "").split()
    assert field.evaluate("(field) => field.getRootNode().activeElement === field")
    assert field.input_value() == wrong
    assert_everybody_can_use(page)
    keep_screenshot(page, "what-cannot-be")
    person.type(title, right)
    person.press("Next")
    person.answer(answers, until=REVIEW)


@pytest.mark.usefixtures("c_board")
def test_a_secret_is_hidden_and_shown_on_demand_and_can_be_pasted(
    visit: Visit, answers: dict[str, str]
) -> None:
    """WCAG 2.2: 3.3.8 Accessible Authentication (Minimum), 4.1.2 Name, Role, Value."""
    page = visit()
    person = Person(page).begin()
    person.answer(answers, until="Passphrase")
    field = page.get_by_label("Passphrase", exact=True)
    show = page.get_by_role("button", name="Show", exact=True)
    assert (field.get_attribute("type"), show.get_attribute("aria-pressed")) == (
        "password",
        "false",
    )
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.evaluate("navigator.clipboard.writeText('pears-and-plums')")
    field.press("Control+V")
    assert field.input_value() == "pears-and-plums"
    show.click()
    assert (field.get_attribute("type"), show.get_attribute("aria-pressed")) == ("text", "true")
    assert_everybody_can_use(page)


# --------------------------------------------------------------------------------- plug and unplug


def test_unplugged_in_the_middle_nothing_is_asked_twice(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """It says that the board is gone and that the answers are kept; plugged in, it goes on.

    WCAG 2.2: 3.3.7 Redundant Entry.
    """
    page = visit()
    person = Person(page).begin()
    person.answer(answers, until="Alarm below")
    c_board.unplug()
    person.hears(GONE)
    assert_everybody_can_use(page)
    keep_screenshot(page, "the-board-is-gone")
    person.answer(answers, until="Pattern")
    c_board.plug()
    person.answer(answers, until=REVIEW)
    person.store()
    assert person.asked == ORDER
    assert c_board.held() == TOLD


def test_unplugged_while_it_looks_for_networks_it_says_so(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """That the board is gone stays told, and the dialog goes on when it is back."""
    person = Person(visit()).begin()
    person.hears("Looking for networks in range.")
    c_board.unplug()
    person.arrives("Network")
    person.hears(GONE)
    c_board.plug()
    person.type("Network", "Orchard Gate")
    person.press("Next")
    person.answer(answers, until=REVIEW)
    person.store()
    assert c_board.held() == TOLD


def test_unplugged_before_it_is_stored_it_waits_for_the_board(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """Storing goes on by itself when the board is plugged in again."""
    page = visit()
    person = Person(page).begin()
    person.answer(answers, until=REVIEW)
    c_board.unplug()
    person.press(STORE)
    person.hears(GONE)
    c_board.plug()
    person.arrives(OVERVIEW)
    person.hears(WORKS)
    assert person.asked == ORDER
    assert c_board.held() == TOLD


@pytest.mark.parametrize("delay", [0, 15, 40, 80, 160, 400])
def test_unplugged_while_it_stores_it_says_what_the_board_holds(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str], delay: int
) -> None:
    """All or nothing, and the page knows which [5.3]; delay: ms after the button was pressed."""
    page = visit()
    person = Person(page).begin()
    person.answer(answers, until=REVIEW)
    person.press(STORE)
    page.wait_for_timeout(delay)
    c_board.unplug()
    page.wait_for_timeout(300)
    c_board.plug()
    title = re.compile(f"{OVERVIEW}|{REVIEW}|{START}")
    page.get_by_role("heading", level=2, name=title).wait_for()
    told = page.get_by_role("status").inner_text()
    held = c_board.held()
    assert held in ({}, TOLD)
    assert ("The settings are stored" in told) == (held != {}), told


def test_reset_in_the_middle_nothing_is_asked_twice(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """The board starts anew behind a port that stays (WCAG 2.2: 3.3.7 Redundant Entry)."""
    person = Person(visit()).begin()
    person.answer(answers, until="Service key")
    c_board.reset()
    person.answer(answers, until=REVIEW)
    person.store()
    assert person.asked == ORDER
    assert c_board.held() == TOLD


def test_a_page_that_is_open_sees_a_board_come(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """Plugged in after the page was opened, it can be gone on with."""
    c_board.unplug()
    page = visit()
    person = Person(page)
    person.arrives(START)
    assert not page.get_by_role("button", name=PLUGGED).count()
    c_board.plug()
    person.press(PLUGGED)
    person.arrives("Network")


# ------------------------------------------------------------------------ a board that was set up


def test_newer_firmware_asks_only_what_is_new(
    visit: Visit, set_up_board: WiredBoard, newer_firmware: Path
) -> None:
    """An update that needs one more setting; every other one is kept."""
    set_up_board.unplug()
    set_up_board.install(newer_firmware)
    set_up_board.plug()
    page = visit()
    person = Person(page).begin()
    person.arrives("Rows of trees")
    keep_screenshot(page, "newer-firmware")
    person.answer({"Rows of trees": "24"}, until=REVIEW)
    assert person.asked == ["Rows of trees"]
    person.store()
    assert set_up_board.held() == {**TOLD, "orchard.rows": 24}


def test_firmware_that_changes_while_the_page_is_open(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str], newer_firmware: Path
) -> None:
    """What was answered was about other settings: nothing of it is stored, and that is said."""
    page = visit()
    person = Person(page).begin()
    person.answer(answers, until=REVIEW)
    c_board.unplug()
    c_board.install(newer_firmware)
    c_board.plug()
    person.press(STORE)
    person.hears("The board's firmware has changed meanwhile: start again.")
    person.hears("Nothing was changed on the board.")
    assert c_board.held() == {}


def test_one_setting_is_changed(visit: Visit, set_up_board: WiredBoard) -> None:
    """It is asked alone, with what the board holds in its field."""
    page = visit()
    person = Person(page).begin()
    person.arrives(OVERVIEW)
    person.press("Change Name of the mast")
    person.arrives("Name of the mast")
    field = page.get_by_label("Name of the mast", exact=True)
    assert field.input_value() == "Orchard mast"
    person.answer({"Name of the mast": "Upper mast"}, until=REVIEW)
    person.store()
    assert set_up_board.held() == {**TOLD, "orchard.name": "Upper mast"}


def test_a_change_is_taken_back(visit: Visit, set_up_board: WiredBoard) -> None:
    """The previous settings are in force again."""
    set_up_board.store({"orchard.name": "Upper mast"})
    person = Person(visit()).begin()
    person.arrives(OVERVIEW)
    person.press("Go back to the previous settings")
    person.arrives("Go back to them?")
    person.press("Yes")
    person.arrives(OVERVIEW)
    person.hears("The previous settings are in force again")
    assert set_up_board.held() == TOLD


def test_all_settings_are_erased(
    visit: Visit, set_up_board: WiredBoard, planted: dict[str, str]
) -> None:
    """Once it is confirmed; afterwards no secret is in the flash."""
    assert planted["service.key"].encode() in set_up_board.flash
    page = visit()
    person = Person(page).begin()
    person.arrives(OVERVIEW)
    person.press("Erase all settings")
    person.arrives("Erase everything?")
    assert_everybody_can_use(page)
    keep_screenshot(page, "erase")
    person.press("Yes")
    person.hears("Erased: the board read back every place where settings were")
    assert set_up_board.held() == {}
    for secret in planted.values():
        assert secret.encode() not in set_up_board.flash


def test_erasing_can_be_refused(visit: Visit, set_up_board: WiredBoard) -> None:
    """WCAG 2.2: 3.3.4 Error Prevention (Legal, Financial, Data): the likelier button is No."""
    person = KeyboardPerson(visit()).begin()
    person.arrives(OVERVIEW)
    person.press("Erase all settings")
    person.arrives("Erase everything?")
    assert person.stops() == ["No", "Yes", "Leave the board as it is"]
    person.press("No")
    person.arrives(OVERVIEW)
    assert set_up_board.held() == TOLD


def test_left_in_the_middle_the_board_is_as_it_was(visit: Visit, set_up_board: WiredBoard) -> None:
    """And it is said."""
    person = Person(visit()).begin()
    person.arrives(OVERVIEW)
    person.press("Change Host")
    person.answer({"Host": "frost.example.org"}, until=REVIEW)
    person.press("Leave the board as it is")
    person.hears("Nothing was changed on the board.")
    assert set_up_board.held() == TOLD


@pytest.mark.parametrize("passphrase", ["right", "wrong"])
def test_left_while_the_board_tries_it_stays_left(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str], passphrase: str
) -> None:
    """What is stored is stored; nothing is told or asked any more of what the board then does."""
    page = visit()
    person = Person(page).begin()
    given = {} if passphrase == "right" else {"Passphrase": "apples-and-pears"}
    person.answer(answers | given, until=REVIEW)
    person.press(STORE)
    person.hears("The board is joining the network.")
    person.press("Leave the board as it is")
    person.arrives(OVERVIEW)
    told = page.get_by_role("status").inner_text()
    assert told == "The settings are stored. Whether the board works with them was not checked."
    page.wait_for_timeout(3000)  # longer than the practice network takes to answer
    person.arrives(OVERVIEW)
    assert page.get_by_role("status").inner_text() == told
    assert c_board.held() == TOLD


def test_unplugged_when_all_is_said_it_is_told_and_the_board_is_met_again(
    visit: Visit, set_up_board: WiredBoard
) -> None:
    """What the board holds does not stand there as if it could be changed."""
    person = Person(visit()).begin()
    person.arrives(OVERVIEW)
    set_up_board.unplug()
    person.hears("The board is gone: plug it in again.")
    person.arrives(START)
    set_up_board.plug()
    person.press(PLUGGED)
    person.arrives(OVERVIEW)


def test_a_permission_taken_away_in_the_middle_is_a_board_that_is_gone(
    visit: Visit, set_up_board: WiredBoard
) -> None:
    """It is said, and leaving leads back to where a port can be chosen."""
    page = visit()
    person = Person(page).begin()
    person.arrives(OVERVIEW)
    person.press("Change Host")
    person.arrives("Host")
    page.evaluate("navigator.serial.getPorts().then(([port]) => port.forget())")
    person.hears(GONE)
    person.press("Leave the board as it is")
    person.arrives(START)
    person.hears("Nothing was changed on the board.")
    assert set_up_board.held() == TOLD


# ----------------------------------------------------------------------------- every kind of screen


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("narrow", NARROW),
        ("zoomed", ZOOMED),
        ("dark", {"color_scheme": "dark"}),
        ("forced-colors", {"forced_colors": "active"}),
    ],
)
def test_every_step_on_every_screen(
    visit: Visit,
    c_board: WiredBoard,
    answers: dict[str, str],
    name: str,
    options: Mapping[str, Any],
) -> None:
    """On a narrow one, at a zoom of 200 %, in the dark, in the system's own colours.

    WCAG 2.2: 1.4.10 Reflow, 1.4.4 Resize Text, 1.4.3 Contrast (Minimum), 2.5.8 Target Size.
    """
    page = visit(**options)

    def look(title: str) -> None:
        if name != "forced-colors":  # there contrast is the system's, and axe-core does not see it
            assert_everybody_can_use(page)
        assert_fits_its_width(page)
        if title in ("Network", REVIEW):
            keep_screenshot(page, f"{KEPT[title]}-{name}")

    person = Person(page, look).begin()
    person.answer(answers, until=REVIEW)
    person.press(STORE)
    person.arrives(OVERVIEW)
    assert c_board.held() == TOLD


@pytest.mark.usefixtures("c_board")
@pytest.mark.parametrize("options", [{}, NARROW], ids=["wide", "narrow"])
def test_text_can_be_spaced_out(
    visit: Visit, answers: dict[str, str], options: Mapping[str, Any]
) -> None:
    """WCAG 2.2: 1.4.12 Text Spacing."""
    page = visit(**options)
    person = Person(page, lambda _: assert_text_can_be_spaced(page)).begin()
    person.answer(answers, until=REVIEW)


@pytest.mark.usefixtures("c_board")
def test_nothing_moves(visit: Visit, answers: dict[str, str]) -> None:
    """Whatever a person prefers (WCAG 2.2: 2.2.2 Pause, Stop, Hide; 2.3.3, which is level AAA)."""
    page = visit(reduced_motion="no-preference")
    moving = """() => {
      const trees = [document];
      const moving = [];
      for (const tree of trees)
        for (const each of tree.querySelectorAll("*")) {
          if (each.shadowRoot) trees.push(each.shadowRoot);
          const { transitionDuration, animationName } = getComputedStyle(each);
          if (parseFloat(transitionDuration) > 0 || !["none", ""].includes(animationName))
            moving.push(each.localName);
        }
      return moving;
    }"""

    def look(_: str) -> None:
        assert page.evaluate(moving) == []

    person = Person(page, look).begin()
    person.answer(answers, until=REVIEW)
    page.evaluate("document.querySelector('board-settings').style.transition = 'color 1s'")
    assert page.evaluate(moving) == ["board-settings"]  # so it would have been seen


@pytest.mark.usefixtures("c_board")
def test_the_page_in_german_says_so(visit: Visit) -> None:
    """WCAG 2.2: 3.1.1 Language of Page, 2.4.2 Page Titled; and the way to it from the English."""
    page = visit()
    page.get_by_role("link", name="Deutsch").click()
    page.get_by_role("heading", level=2).wait_for()
    assert page.evaluate("document.documentElement.lang") == "de"
    assert page.title() == "Frostalarm für den Obstgarten"
    assert_everybody_can_use(page)
    page.get_by_role("link", name="English").wait_for()
    keep_screenshot(page, "start-german")


# ------------------------------------------------------------------------------------- where it is


def test_in_a_page_of_somebody_elses(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """The element works from its module, and tells the page around it what became of it."""
    page = visit("embed.html")
    person = Person(page).begin()
    person.answer(answers, until=REVIEW)
    person.press(STORE)
    person.arrives(OVERVIEW)
    person.sees("The settings are on the board.")
    assert_fits_its_width(page)
    keep_screenshot(page, "embedded")
    assert c_board.held() == TOLD


def test_opened_from_a_disk(made: Path, browser: Launch) -> None:
    """As the page's README.md says; Web Serial is there as well (HTML: file: is trustworthy)."""
    context = browser("file://")
    (page,) = context.pages
    page.goto((made / "index.html").as_uri())
    person = Person(page)
    person.arrives(START)
    page.get_by_role("button", name="Choose the board's port").wait_for()


# --------------------------------------------------------------------------------- where it cannot


def test_without_web_serial_it_says_so_and_offers_the_terminal(visit: Visit) -> None:
    """In a browser without `navigator.serial` the command that does the same stands there."""
    page = visit(script="delete Navigator.prototype.serial;")
    assert page.evaluate("'serial' in navigator") is False
    person = Person(page)
    person.arrives("This browser cannot reach the board")
    person.sees("provision setup")
    assert_everybody_can_use(page)
    assert_fits_its_width(page)
    keep_screenshot(page, "no-web-serial")


@pytest.mark.usefixtures("c_board")
def test_without_a_persons_leave_it_asks_for_the_port(visit: Visit) -> None:
    """A port that nobody has chosen is not touched; the one button leads to the browser's list."""
    person = KeyboardPerson(visit(granted=False))
    person.arrives(START)
    assert person.stops() == ["Deutsch", "Choose the board's port"]


@pytest.mark.usefixtures("c_board")
def test_a_port_that_another_page_holds_is_said_to_be_busy(visit: Visit) -> None:
    """With what to do about it, and the way to try again."""
    page = visit()
    first = Person(page)
    first.begin()
    first.arrives("Network")
    other = page.context.new_page()
    other.goto(page.url)
    second = Person(other)
    second.begin()
    second.hears("close every other program and page that uses it, and try again")
    second.arrives(START)
    assert_everybody_can_use(other)
    keep_screenshot(other, "a-busy-port")


def test_it_loads_nothing_and_sends_nothing(
    visit: Visit, c_board: WiredBoard, answers: dict[str, str]
) -> None:
    """One request in a whole provisioning: that for the page itself."""
    page = visit()
    requests: list[str] = []
    page.context.on("request", lambda request: requests.append(request.url))
    page.reload()
    person = Person(page).begin()
    person.answer(answers, until=REVIEW)
    person.press(STORE)
    person.arrives(OVERVIEW)
    assert requests == [page.url]
    assert c_board.held() == TOLD
