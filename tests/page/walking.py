"""Walks through all parts of the page from an empty folder, as a person does, and counts what it took.

Three homes, invented: a net meter and roof facts, a portal's file with PV, only a bill and a roof.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tests.page.houses import net_csv, portal_csv

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

MOST_TABS = 120

ROOF = {
    "How many kW of modules does roof 1 carry?": "6",
    "Which way does roof 1 face?": "south",
    "How steep is roof 1?": "30",
}
SIZES = {
    "How much does the battery hold?": "10", "With how much power is it filled?": "5",
    "What is the greatest AC power": "6", "Down to which level": "10", "Which level is to stay": "20",
}  # fmt: skip


@dataclass
class Hand:
    """Fills in the page by mouse and keys, and counts characters typed, questions answered and buttons pressed."""

    tab: Page
    typed: int = 0
    questions: int = 0
    pressed: int = 0
    words: list[str] = field(default_factory=list)
    look: Callable[[Page, str], None] = lambda _tab, _part: None
    """What is done in each part at which one arrives."""

    def at(self, what: str) -> Locator:
        """Return a field by its question, or by ``#`` and the name that it has in the form."""
        if what.startswith("#"):
            return self.tab.locator(f'[id="{what[1:]}"]')
        return self.tab.get_by_label(what).first

    def fill(self, what: str, text: str) -> None:
        """Type into a field."""
        self.put(self.at(what), text)
        self._count(text)

    def choose(self, question: str, answer: str) -> None:
        """Choose one of a few."""
        self.take(self.tab.get_by_role("radiogroup", name=question).get_by_label(answer).first)
        self._count("")

    def pick(self, what: str, option: str) -> None:
        """Choose one of a list."""
        self.at(what).select_option(label=option)
        self._count("")

    def hand_in(self, what: str, file: Path) -> None:
        """Give a file."""
        self.at(what).set_input_files(file)
        self._count("")

    def press(self, button: str) -> None:
        """Press a button or a link."""
        self.go(self.tab.get_by_role("button", name=button, exact=True).first)
        self.pressed += 1

    def put(self, place: Locator, text: str) -> None:
        """Type into a place."""
        place.fill(text)

    def take(self, radio: Locator) -> None:
        """Take a choice."""
        radio.check()

    def go(self, place: Locator) -> None:
        """Go where a place leads."""
        place.click()

    def _count(self, text: str) -> None:
        self.questions += 1
        self.typed += len(text)
        self.words += text.split()


class Keys(Hand):
    """The same by the keyboard alone."""

    def reach(self, place: Locator) -> None:
        """Press Tab until a place has the focus."""
        place.wait_for()
        for _ in range(MOST_TABS):
            if place.evaluate("element => element === document.activeElement"):
                return
            self.tab.keyboard.press("Tab")
        raise AssertionError(f"{place} is not reached by the key Tab")

    def put(self, place: Locator, text: str) -> None:
        """Type into a place."""
        self.reach(place)
        self.tab.keyboard.press("Control+a")
        self.tab.keyboard.type(text)

    def take(self, radio: Locator) -> None:
        """Go to the group, then along it until the choice is taken."""
        radio.wait_for()
        name = radio.get_attribute("name")
        for _ in range(MOST_TABS):
            if self.tab.evaluate("document.activeElement.name") == name:
                break
            self.tab.keyboard.press("Tab")
        self.tab.keyboard.press("Space")
        for _ in range(MOST_TABS):
            if radio.is_checked():
                return
            self.tab.keyboard.press("ArrowDown")
        raise AssertionError(f"{radio} is not reached by the arrows")

    def pick(self, what: str, option: str) -> None:
        """Type the beginning of an option's words."""
        self.reach(self.at(what))
        self.tab.keyboard.type(option)
        self._count("")

    def go(self, place: Locator) -> None:
        """Reach a place and press Enter."""
        self.reach(place)
        self.tab.keyboard.press("Enter")


def arrived(hand: Hand, part: str) -> None:
    """Wait for a part."""
    hand.tab.get_by_role("heading", name=part, level=1).wait_for()
    hand.look(hand.tab, part)


def start(hand: Hand) -> None:
    """Go from the list of parts to the first one."""
    hand.go(hand.tab.get_by_role("link", name="Go on: What was used"))
    arrived(hand, "What was used")


def give_meter(hand: Hand, file: Path) -> None:
    """Hand in a file of the meter."""
    hand.fill("Zone of the clock", "New York")
    hand.hand_in("Files of the meter", file)
    hand.press("Save and go on")
    arrived(hand, "The roof")


def give_bill(hand: Hand) -> None:
    """Say what a bill tells."""
    hand.fill("Zone of the clock", "New York")
    hand.take(hand.tab.get_by_label("Only a bill"))
    hand.fill("Used, in kWh", "4,500")
    hand.press("Save and go on")
    arrived(hand, "The roof")


def describe_roof(hand: Hand, *, is_behind: bool) -> None:
    """Say what the roof is like."""
    hand.choose("Is there PV", "from what the roof is like")
    for question, text in ROOF.items():
        hand.fill(question, text)
    if is_behind:
        hand.choose("Did this PV work while the meter counted", "yes")
    hand.press("Save and go on")
    arrived(hand, "What it costs")


def say_metered(hand: Hand) -> None:
    """Say that the file holds the PV."""
    hand.choose("Is there PV", "the meter's file has it in a column")
    hand.press("Save and go on")
    arrived(hand, "What it costs")


def type_rates(hand: Hand) -> None:
    """Type a price by night and one by day, and what export is paid."""
    for name, text in {
        "tariff": "Our rates", "currency": "USD", "energy.rows.0.name": "Night",
        "energy.rows.0.begin": "23:00", "energy.rows.0.end": "7:00", "energy.rows.0.price": "0.11",
        "energy.rest_price": "0.29",
    }.items():  # fmt: skip
        hand.fill(f"#{name}", text)
    hand.go(hand.tab.locator("summary", has_text="A kWh sent to the grid"))
    hand.fill("#export.rest_price", "0.05")
    hand.press("Save and go on")
    arrived(hand, "What stands there")


def choose_shipped(hand: Hand) -> None:
    """Choose a tariff that comes with the program."""
    hand.pick("#see", "Quillmere two rates")
    hand.press("Look at it")
    hand.press("Use it")
    hand.tab.locator(".saved").wait_for()
    hand.go(hand.tab.get_by_role("link", name="Go on: What stands there"))
    arrived(hand, "What stands there")


def describe_equipment(hand: Hand) -> None:
    """Say what stands there."""
    hand.fill("What is the place called?", "Our house")
    hand.choose("Does the PV go through the same box", "yes, modules and battery share")
    for question, text in SIZES.items():
        hand.fill(question, text)
    hand.choose("May the battery be filled", "yes")
    hand.choose("May stored energy be sold", "no")
    hand.press("Save and go on")
    arrived(hand, "What the menu can hold")


def describe_menu(hand: Hand) -> None:
    """Say which kind of menu it is."""
    hand.choose("What does the menu look like", "times at which it is filled")
    hand.press("Save and go on")
    arrived(hand, "The answer")


def ask(hand: Hand, effort: str = "a quick look, less sure") -> None:
    """Ask for the answer, and wait for it."""
    hand.pick("How long to look", effort)
    hand.press("Work out the answer")
    hand.tab.locator(".verdict, section.wrong").first.wait_for(timeout=600_000)
    assert hand.tab.locator("section.wrong").count() == 0, hand.tab.locator("main").inner_text()


def take_home(hand: Hand, folder: Path) -> None:
    """Take the settings' file along, and print the sheet."""
    tab = hand.tab
    with tab.expect_download() as loaded:
        hand.go(tab.get_by_role("link", name="Settings as a file"))
    assert loaded.value.path().read_bytes() == (folder / "results/settings.yaml").read_bytes()
    hand.go(tab.get_by_role("link", name="Handover sheet, to print"))
    tab.locator("section.sheet").first.wait_for()
    assert tab.pdf().startswith(b"%PDF")
    tab.go_back()
    arrived(hand, "The answer")


def walk_net(
    hand: Hand, place: Path, *, first: str = "2026-04-01", end: str = "2026-06-10"
) -> None:
    """Walk from a net meter's file, roof facts and rates by rows to the question for an answer."""
    file = place / "net meter.csv"
    file.write_text(net_csv(first, end), encoding="utf-8")
    give_meter(hand, file)
    describe_roof(hand, is_behind=True)
    type_rates(hand)
    describe_equipment(hand)
    describe_menu(hand)


def walk_portal(
    hand: Hand, place: Path, *, first: str = "2026-04-01", end: str = "2026-06-10"
) -> None:
    """Walk from a portal's file with PV and a shipped tariff to the question for an answer."""
    file = place / "My meter, all year.csv"
    file.write_text(portal_csv(first, end), encoding="utf-8")
    give_meter(hand, file)
    say_metered(hand)
    choose_shipped(hand)
    describe_equipment(hand)
    describe_menu(hand)


def walk_bill(hand: Hand) -> None:
    """Walk from a bill and a roof, with rates by rows, to the question for an answer."""
    give_bill(hand)
    describe_roof(hand, is_behind=False)
    type_rates(hand)
    describe_equipment(hand)
    describe_menu(hand)
