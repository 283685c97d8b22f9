# SPDX-License-Identifier: MIT
"""Somebody before the page: reads what stands there, and answers by hand or by keyboard alone.

What is on the page is found as assistive technology finds it, by role and name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Self

import pytest

from tests.waiting import PATIENCE

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

START = "Set up your board"
PLUGGED = "Go on with the board that is plugged in"
REVIEW = "To be stored"
OVERVIEW = "What the board holds"
STORE = "Store on the board"
WORKS = "The settings are stored, and the board works with them."

AGREED: Mapping[str, str] = {
    "Set up another Probe (number 2)?": "No",
    "Pin of the relay": "I have read this; go on",
}
"""What is pressed on the steps of the demo's dialog that have buttons only."""

_MOST_STEPS = 100  # more than any dialog of the tests has

Look = Callable[[str], None]
"""Called with the title of a step once it stands there."""


class Person:
    """Somebody who has the board's page open, with a mouse."""

    def __init__(self, page: Page, look: Look = lambda _: None) -> None:
        self.page = page
        self.asked: list[str] = []
        """The titles of the steps that were answered, in order."""
        self._look = look
        self._expect = pytest.importorskip("playwright.sync_api").expect
        self._expect.set_options(timeout=PATIENCE * 1000)  # 5 s, unless told otherwise

    # ---------------------------------------------------------------------------------- reading

    @property
    def _title(self) -> Locator:
        """The heading of the step that stands there, or the label of its question."""
        return self.page.locator("board-settings").locator("h2, legend, label.label")

    def arrives(self, title: str) -> None:
        """Wait until the step of this title stands there."""
        self._expect(self._title).to_have_text(title)
        self._look(title)

    def sees(self, text: str) -> None:
        """Wait until this stands there."""
        self._expect(self.page.get_by_text(text).filter(visible=True).first).to_be_visible()

    def hears(self, text: str) -> None:
        """Wait until this is told, as assistive technology speaks it without a move of the focus.

        WCAG 2.2, 4.1.3 Status Messages.
        """
        told = self.page.get_by_role("status").get_by_text(text)
        self._expect(told.first).to_be_visible()

    # -------------------------------------------------------------------------------- answering

    def begin(self) -> Self:
        """Open the port that was chosen before, once the page stands there."""
        self.arrives(START)
        self.press(PLUGGED)
        return self

    def store(self) -> None:
        """Store what was answered, and wait until the board works with it."""
        self.press(STORE)
        self.arrives(OVERVIEW)
        self.hears(WORKS)

    def press(self, button: str) -> None:
        """Press a button."""
        self.page.get_by_role("button", name=button, exact=True).click()

    def type(self, label: str, text: str) -> None:
        """Type into the field of this label, in the place of what is there."""
        self.page.get_by_label(label, exact=True).fill(text)

    def choose(self, option: str) -> None:
        """Choose from the list that stands there; option: how its name begins."""
        self._option(option).check()

    def answer(self, answers: Mapping[str, str], *, until: str) -> None:
        """Answer what is asked until the step of a title stands there.

        answers: by title, what is typed, chosen or pressed; other questions get what they offer.
        """
        for _ in range(_MOST_STEPS):
            self._title.wait_for()
            title = self._title.inner_text()
            self._look(title)
            if title == until:
                return
            self.asked.append(title)
            if not self.page.get_by_role("button", name="Next", exact=True).count():
                self.press(answers.get(title) or AGREED[title])
                continue
            if title in answers:
                if self.page.get_by_role("radio").count():
                    self.choose(answers[title])
                else:
                    self.type(title, answers[title])
            self.press("Next")
        pytest.fail(f"{until!r} does not come, after {self.asked}")

    def _option(self, option: str) -> Locator:
        return self.page.get_by_role("radio", name=option).first


# The element that has the focus, wherever it is; null where none of the page has it.
_FOCUSED = """() => {
  let at = document.activeElement;
  while (at?.shadowRoot?.activeElement) at = at.shadowRoot.activeElement;
  if (!at || at === document.body) return null;
  const name = at.getAttribute("aria-label") ?? at.labels?.[0]?.innerText ?? at.innerText;
  const box = at.getBoundingClientRect();
  const style = getComputedStyle(at);
  const root = at.getRootNode();
  const there = root.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
  return {
    name: name.split("\\n")[0].trim(),
    place: [...root.querySelectorAll("*")].indexOf(at),
    isOutlined: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2,
    isUncovered: there !== null && (at === there || at.contains(there)),
  };
}"""

_MOST_STOPS = 60


class KeyboardPerson(Person):
    """The same with a keyboard alone; at every stop the focus must be seen, in reading order.

    WCAG 2.2: 2.1.1 Keyboard, 2.1.2 No Keyboard Trap, 2.4.3 Focus Order, 2.4.7 Focus Visible, and
    2.4.11 Focus Not Obscured (Minimum).
    """

    def press(self, button: str) -> None:
        """Go to a button by Tab, and press it by Return."""
        self._go_to(button)
        self.page.keyboard.press("Enter")

    def type(self, label: str, text: str) -> None:
        """Type where the step has put the focus."""
        assert self.stop()["name"] == label, self.stop()
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def choose(self, option: str) -> None:
        """Choose by the arrow keys from the list where the step has put the focus."""
        chosen = self._option(option)
        for _ in range(_MOST_STOPS):
            self.stop()
            self.page.keyboard.press("ArrowDown")
            if chosen.is_checked():
                return
        pytest.fail(f"no arrow key leads to {option}")

    def stop(self) -> Mapping[str, Any]:
        """Return what has the focus, which must be seen."""
        focused: Mapping[str, Any] | None = self.page.evaluate(_FOCUSED)
        assert focused is not None, "nothing has the focus"
        assert focused["isOutlined"], f"the focus cannot be seen: {focused}"
        assert focused["isUncovered"], f"the focus is covered: {focused}"
        return focused

    def stops(self) -> list[str]:
        """Go once around by Tab; return the name of every stop, from the top of the page."""
        found: dict[int, str] = {}
        for _ in range(_MOST_STOPS):
            self.page.keyboard.press("Tab")
            if self.page.evaluate(_FOCUSED) is None:
                continue  # the browser's own controls come between the end of a page and its top
            stop = self.stop()
            if stop["place"] in found:
                break
            found[stop["place"]] = stop["name"]
        else:
            pytest.fail(f"the focus does not come around: {list(found.values())}")
        places = list(found)
        top = places.index(min(places))
        ring = places[top:] + places[:top]
        names = [found[place] for place in ring]
        assert ring == sorted(ring), f"not in reading order: {names}"
        return names

    def _go_to(self, name: str) -> None:
        place = -1
        for _ in range(_MOST_STOPS):
            self.page.keyboard.press("Tab")
            if self.page.evaluate(_FOCUSED) is None:
                continue
            stop = self.stop()
            if stop["name"] == name:
                return
            assert stop["place"] != place, f"the focus is caught at {name}"
            place = stop["place"]
        pytest.fail(f"no Tab leads to {name}")
