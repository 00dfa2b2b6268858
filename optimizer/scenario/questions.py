"""The questions that describe a site: for the terminal and for the page.

``SITE`` holds them in the order in which a person thinks: what was used, the roof, what it costs, what stands
there, what the menu can hold. A question is called by the key of ``scenario.yaml`` that it sets, where it
sets one. Usual ranges are common practice, no published source.

Read next: ``settings.questions``.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import partial
from typing import Any

from optimizer.base.errors import Mistake
from optimizer.base.questions import Answers, Question, always, below
from optimizer.base.timegrid import zone_named
from optimizer.base.words import later
from optimizer.base.zones import GREENWICH, cities, machines_zone
from optimizer.billing.tariff import shipped_tariffs
from optimizer.settings.questions import QUESTIONS as OF_MENU
from optimizer.settings.questions import USUAL_MENUS

PARTS = ("used", "roof", "costs", "equipment", "menu")

MOST_ROOFS = 6
LARGEST = 1e6
"""Of kW and kWh: what no building reaches."""

LONGEST_PATH = 4096

TYPED_TARIFF = "tariff.yaml"
"""Where prices that are typed are kept, in the scenario's folder."""

METERS, FILL = "forecast.load.meters", "meters.fill"

HOLD_PV, HAVE_GAPS, ARE_NET = "meters.hold_pv", "meters.have_gaps", "meters.are_net"
"""What is known beside answers, by who has read the meters; net ones count export, but hold no PV."""

BEHIND, YIELD = "forecast.pv.behind_meters", "forecast.pv.kwh_per_year"

MENU_PREFIX = "menu."
OWN_MENU, MENU_IN_FILE = "own", "file"

DIRECTIONS = {
    0.0: "north", 45.0: "north-east", 90.0: "east", 135.0: "south-east", 180.0: "south",
    225.0: "south-west", 270.0: "west", 315.0: "north-west",
}  # fmt: skip


def _given(name: str, answers: Answers) -> Any:
    """Return the answer to a question of a site, its default if there is none."""
    return answers[name] if name in answers else _BY_NAME[name].default_after(answers)


def _has_forecast(answers: Answers) -> bool:
    return bool(_given("forecast", answers))


def _has_meters(answers: Answers) -> bool:
    return bool(_given(METERS, answers))


def _has_bill_alone(answers: Answers) -> bool:
    return not _has_forecast(answers) and not _has_meters(answers)


def _has_no_forecast(answers: Answers) -> bool:
    return not _has_forecast(answers)


def _has_roofs(answers: Answers) -> bool:
    return _has_no_forecast(answers) and _given("forecast.pv", answers) == "roofs"


def _has_no_pv(answers: Answers) -> bool:
    return _has_no_forecast(answers) and _given("forecast.pv", answers) == "none"


def _may_be_behind(answers: Answers) -> bool:
    return _has_roofs(answers) and bool(answers.get(ARE_NET) or answers.get(BEHIND))


def _is_behind(answers: Answers) -> bool:
    return _may_be_behind(answers) and bool(_given(BEHIND, answers))


def _next_month(answers: Answers) -> date:
    zone: tzinfo = UTC
    with suppress(Mistake):  # a zone that is none is told where it stands
        zone = zone_named(str(_given("zone", answers)))
    today = datetime.now(zone).date()
    return (today.replace(day=1) + timedelta(days=31)).replace(day=1)


def _usual_pv(answers: Answers) -> str:
    may_hold = _has_meters(answers) and not answers.get(ARE_NET)
    return "metered" if answers.get(HOLD_PV, may_hold) else "roofs"


def _ways_to_know_pv(answers: Answers) -> dict[str, str]:
    ways = {"roofs": later("from what the roof is like"), "none": later("there is no PV")}
    if not _has_meters(answers):
        return ways
    return {"metered": later("the meter's file has it in a column"), **ways}


def _city_of(answers: Answers) -> Any:
    return cities().get(_given("zone", answers), GREENWICH)


def _zones(_answers: Answers) -> dict[str, str]:
    return {zone: f"{city.country}: {city.name}" for zone, city in cities().items()}


USED = (
    Question(
        "scenario", "What is the place called?", "Its name stands on the card and on the report.",
        "text", "My house", "scenario", of="used",
    ),
    Question(
        "zone", "In which country and city is it, or in one with the same clock?",
        "The clock on the wall there decides which price holds, also in summer time.",
        "choice", lambda _answers: machines_zone(), "zone", _zones, of="used",
    ),
    Question(
        "forecast", "Which file holds the year to plan, with load and PV of each step?",
        "Only who has made such a forecast has one; else it is made from meters or a bill.",
        "text", None, "forecast", high=LONGEST_PATH, of="used", is_rare=always,
    ),
    Question(
        METERS, "Which files hold what the meter counted?",
        "As the utility or the meter hands them out, best a whole year; none if there is only a bill.",
        "names", [], METERS, of="used", is_asked=_has_no_forecast,
    ),
    Question(
        FILL, "The files lack some steps: how are they filled?",
        "What lies before the first or after the last reading is never invented.",
        "choice", "previous-day", "",
        {"previous-day": "with the same time of the day before", "linear": "by a straight line"},
        of="used", is_asked=lambda answers: bool(answers.get(HAVE_GAPS)),
    ),
    Question(
        "forecast.load.kwh_per_year", "How much is used in a year, PV used at home included?",
        "Add up the bills of twelve months, and what is used of the PV before it reaches the meter.",
        "number", 3500.0, "forecast.load.kwh_per_year", low=1, high=1e8, unit="kWh",
        usual=(500, 500_000), of="used", is_asked=_has_bill_alone,
    ),
    Question(
        "forecast.load.profile", "What is it used for?",
        "The hours come from a published profile of such buildings.",
        "choice", "H0", "forecast.load.profile",
        {"H0": "a home", "G0": "a business of any kind", "G1": "a business on weekdays, 8 to 18 h",
         "G2": "a business mostly in the evening", "G3": "a business day and night",
         "G4": "a shop", "G5": "a bakery", "G6": "a business at weekends", "L0": "a farm",
         "L1": "a farm with dairy cows", "L2": "a farm without"},
        of="used", is_asked=_has_bill_alone, is_rare=always,
    ),
    Question(
        "forecast.first", "From which day on is to be planned?",
        "The plan is for a year from that day on.",
        "day", _next_month, "forecast.first", of="used", is_asked=_has_bill_alone, is_rare=always,
    ),
)  # fmt: skip


def _roof(number: int) -> tuple[Question, ...]:
    def is_there(answers: Answers) -> bool:
        return _has_roofs(answers) and (_given("roofs", answers) or 0) > number

    key, told = f"forecast.pv.roofs.{number}", str(number + 1)
    return (
        Question(
            f"{key}.peak_kw", "How many kW of modules does roof {told} carry?",
            "The number of modules times the power on the back of each.",
            "number", 5.0, f"{key}.peak_kw", low=0.01, high=LARGEST, unit="kW", usual=(0.3, 200),
            of="roof", told=told, is_asked=is_there,
        ),
        Question(
            f"{key}.azimuth_deg", "Which way does roof {told} face?",
            "A word, or degrees clockwise from north: the way water runs off it; of flat ones, of the"
            " modules.",
            "number", 180.0, f"{key}.azimuth_deg", DIRECTIONS, high=360, unit="°", of="roof",
            told=told, is_asked=is_there,
        ),
        Question(
            f"{key}.tilt_deg", "How steep is roof {told}?",
            "0 is flat, 90 a wall; common roofs have 25 to 45.",
            "number", 35.0, f"{key}.tilt_deg", high=90, unit="°", of="roof", told=told,
            is_asked=is_there,
        ),
    )  # fmt: skip


ROOF = (
    Question(
        "forecast.pv", "Is there PV, and how is it known?",
        "What the roof yields is computed from its facts where no meter counted it.",
        "choice", _usual_pv, "forecast.pv",
        _ways_to_know_pv,
        of="roof", is_asked=_has_no_forecast,
    ),
    Question(
        "roofs", "How many roofs carry modules?", "Modules that face one way are one roof.",
        "count", 1, low=1, high=MOST_ROOFS, of="roof", is_asked=_has_roofs,
    ),
    *(question for number in range(MOST_ROOFS) for question in _roof(number)),
    Question(
        BEHIND, "Did this PV work while the meter counted, and nobody metered its yield?",
        "Then the yield is estimated from import, export and the roof; no if it is still to come.",
        "yes_no", True, BEHIND, of="roof", is_asked=_may_be_behind,
    ),
    Question(
        YIELD, "What did it yield in a year of that time, by the inverter's display?",
        "The estimate is brought to it; it matters most where little was exported.",
        "number", None, YIELD, low=1, high=1e8, unit="kWh", usual=(200, 500_000), of="roof",
        is_asked=_is_behind, is_rare=always, assumed="it is estimated",
    ),
    Question(
        "forecast.place.latitude_deg", "How far north is it?",
        "In degrees, south of the equator below 0; some tenths matter little.",
        "number", lambda answers: _city_of(answers).latitude_deg, "forecast.place.latitude_deg",
        low=-90, high=90, unit="°", of="roof", is_asked=_has_roofs, is_rare=always,
        assumed="that of the city of its clock is assumed",
    ),
    Question(
        "forecast.place.longitude_deg", "How far east is it?",
        "In degrees, west of Greenwich below 0; some tenths matter little.",
        "number", lambda answers: _city_of(answers).longitude_deg, "forecast.place.longitude_deg",
        low=-180, high=180, unit="°", of="roof", is_asked=_has_roofs, is_rare=always,
        assumed="that of the city of its clock is assumed",
    ),
)  # fmt: skip


def _how_tariff(how: str, answers: Answers) -> bool:
    return bool(_given("tariff.how", answers) == how)


def _has_cheap_hours(answers: Answers) -> bool:
    return _how_tariff("typed", answers) and bool(_given("rates.hours", answers))


_typed = partial(_how_tariff, "typed")

COSTS = (
    Question(
        "tariff.how", "Where do the prices come from?",
        "All that is on the bill counts; a tariff file can say more than these questions ask.",
        "choice", "typed", "",
        {"typed": "I type them: one price or two, export, a fixed charge",
         "shipped": "a tariff that comes with the program", "file": "a tariff file that I have"},
        of="costs",
    ),
    Question(
        "tariff", "Which tariff?", "Published ones name their source, all others are invented.",
        "choice", "two_rates", "tariff",
        lambda _answers: {name: name.replace("_", " ") for name in shipped_tariffs()},
        of="costs", is_asked=partial(_how_tariff, "shipped"),
    ),
    Question(
        "tariff.file", "Which file holds the tariff?", "It is copied beside the scenario.",
        "text", "my_tariff.yaml", "", high=LONGEST_PATH, of="costs", is_asked=partial(_how_tariff, "file"),
    ),
    Question(
        "rates.currency", "In which currency?", "Three letters, as banks write it.",
        "text", "EUR", "", of="costs", is_asked=_typed,
    ),
    Question(
        "rates.price", "What does a kWh cost?",
        "With all taxes, in whole units of the currency: 0.30, not 30.",
        "number", 0.30, "", low=-100, high=1e5, usual=(0.01, 1), of="costs", is_asked=_typed,
    ),
    Question(
        "rates.hours", "In which hours is it cheaper?", "As 23:00-06:00; none if it never is.",
        "text", None, "", of="costs", is_asked=_typed,
    ),
    Question(
        "rates.cheap", "What does a kWh cost then?", "As above.",
        "number", 0.20, "", low=-100, high=1e5, usual=(0.01, 1), of="costs",
        is_asked=_has_cheap_hours,
    ),
    Question(
        "rates.export", "What is paid for a kWh that is exported?", "0 if nothing is paid.",
        "number", 0.0, "", low=-100, high=1e5, usual=(0, 0.5), of="costs", is_asked=_typed,
    ),
    Question(
        "rates.fixed", "What is the fixed charge a month?", "It changes no window, but the bill.",
        "number", 0.0, "", low=0, high=1e6, usual=(0, 200), of="costs", is_asked=_typed,
    ),
)  # fmt: skip


def _is_not_dc(answers: Answers) -> bool:
    return bool(_given("pv.coupling", answers) != "dc")


def _same_as(name: str) -> Callable[[Answers], Any]:
    return lambda answers: _given(name, answers)


EQUIPMENT = (
    Question(
        "pv.coupling", "Does the PV go through the same box as the battery?",
        "Follow the cables of the modules: to the box beside the battery, or to one of their own?",
        "choice", "ac", "pv.coupling",
        {"dc": "yes, modules and battery share one inverter",
         "ac": "no, the PV has an inverter of its own"},
        of="equipment", is_rare=_has_no_pv,
    ),
    Question(
        "battery.capacity_kwh", "How much does the battery hold?",
        "All of it, as the data sheet tells; what is kept in it comes below.",
        "number", 10.0, "battery.capacity_kwh", low=0.001, high=LARGEST, unit="kWh", usual=(2, 1000),
        of="equipment",
    ),
    Question(
        "battery.charge_kw", "With how much power is it filled?",
        "The greatest lasting power on the data sheet of the battery.",
        "number", 5.0, "battery.charge_kw", low=0.001, high=LARGEST, unit="kW", usual=(0.5, 500),
        of="equipment",
    ),
    Question(
        "battery.discharge_kw", "With how much power does it give?",
        "Often the same as that of filling.",
        "number", _same_as("battery.charge_kw"), "battery.discharge_kw", low=0.001, high=LARGEST,
        unit="kW", usual=(0.5, 500), of="equipment", is_rare=always,
        assumed="the power of filling is assumed",
    ),
    Question(
        "inverter.ac_limit_kw", "What is the greatest AC power of the battery's inverter?",
        "It stands on its plate; where PV and battery share it, both must go through.",
        "number", _same_as("battery.charge_kw"), "inverter.ac_limit_kw", low=0.001, high=LARGEST,
        unit="kW", usual=(0.5, 500), of="equipment", is_rare=_is_not_dc,
        assumed="the power of filling the battery is assumed",
    ),
    Question(
        "efficiency", "Of 100 kWh filled into the battery, how many come out again?",
        "The battery alone; the inverter's losses come on top.",
        "number", None, low=30, high=100, unit="kWh", usual=(70, 99), of="equipment",
        assumed="96 % are assumed each way", is_rare=always,
    ),
    Question(
        "inverter.efficiency_pct", "What is the inverter's efficiency?",
        "At a middle power, where it mostly works.",
        "number", None, "inverter.efficiency_pct", low=30.1, high=100, unit="%", usual=(85, 99),
        of="equipment", assumed="97 % are assumed", is_rare=always,
    ),
    Question(
        "battery.floor_pct", "Down to which level is the battery used?",
        "Its own floor, below which it shuts off; 0 if the data sheet tells usable energy.",
        "number", 10.0, "battery.floor_pct", high=99, unit="%", usual=(0, 30), of="equipment",
    ),
    Question(
        "reserve_pct", "Which level is to stay for when the grid fails?",
        "A level, not an amount on top of the floor; 0 if nothing is to stay.",
        "number", 0.0, "reserve_pct", high=99, unit="%", usual=(0, 60), of="equipment",
    ),
    Question(
        "connection.import_limit_kw", "How much may the grid give?",
        "The power of the main fuse or of the contract.",
        "number", None, "connection.import_limit_kw", low=0.01, high=LARGEST, unit="kW",
        usual=(2, 1000), of="equipment", assumed="no limit is assumed",
    ),
    Question(
        "connection.export_limit_kw", "How much may go out to the grid?",
        "0 if nothing may.",
        "number", None, "connection.export_limit_kw", low=0, high=LARGEST, unit="kW", of="equipment",
        assumed="no limit is assumed",
    ),
    Question(
        "permissions.charge_from_grid", "May the battery be filled from the grid?",
        "Some agreements and subsidies forbid it.",
        "yes_no", True, "permissions.charge_from_grid", of="equipment",
    ),
    Question(
        "permissions.export_stored_energy", "May stored energy be sold to the grid?",
        "Often only PV may be; then selling from the battery is left out.",
        "yes_no", False, "permissions.export_stored_energy", of="equipment",
    ),
)  # fmt: skip


def _menus(answers: Answers) -> dict[str, str]:
    found = {name: words for name, (words, _) in USUAL_MENUS.items()}
    found[OWN_MENU] = later("none of these: I describe it")
    if answers.get("menu") == MENU_IN_FILE:
        found[MENU_IN_FILE] = later(
            "as scenario.yaml describes it, in more ways than are asked for here"
        )
    return found


def _is_described(answers: Answers) -> bool:
    return bool(_given("menu", answers) == OWN_MENU)


def _of_own_menu(question: Question) -> Question:
    return below(question, MENU_PREFIX, when=_is_described, of="menu")


MENU = (
    Question(
        "menu", "What does the menu look like in which times are typed in?",
        "Look at the screen or into the manual before you type anything in.",
        "choice", "lines", "", _menus, of="menu",
        assumed="lines are assumed: hold the empty card beside the screen before you type",
    ),
    *map(_of_own_menu, OF_MENU),
)  # fmt: skip

QUESTIONS = (*USED, *ROOF, *COSTS, *EQUIPMENT, *MENU)

_BY_NAME = {question.name: question for question in QUESTIONS}
