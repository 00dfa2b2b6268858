"""The report: one page that opens without a network, settings card first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from optimizer.base.units import money, number, percent, price
from optimizer.evaluation.typical_day import TypicalDay, mean_by_clock, typical_day
from optimizer.report.figures import DayPrices, draw_bills, draw_curve, draw_season
from optimizer.report.outages import outage_section
from optimizer.report.renewal import worth_words
from optimizer.report.reserve import reserve_sentences
from optimizer.report.unseen import (
    SPREAD_HEADING,
    about_the_curve,
    after_the_spread,
    curve_rows,
    how_judged,
    promise,
    spread_rows,
)
from optimizer.scenario.scenario import Scenario
from optimizer.settings.windows import (
    SeasonSet,
    Settings,
    Window,
    floors_text,
    months_text,
    power_text,
)
from optimizer.workflows.results import Account


@dataclass(frozen=True)
class SeasonFigure:
    """A season's figure, and the same numbers as rows of a table."""

    name: str
    svg: Markup
    heading: list[str]
    rows: list[list[str]]


def report_html(account: Account) -> str:
    """Return the whole report as one self-contained HTML page."""
    goes_on = account.outcome.settings.after_midnight == "next day"
    over_midnight = " of the next day" if goes_on else ""
    return (
        _templates()
        .get_template("page.html")
        .render(
            account=account,
            outcome=account.outcome,
            settings=account.outcome.settings,
            cases=list(account.outcome.cases.values()),
            card=[
                _card_season(season, account.scenario.whole_kw, over_midnight)
                for season in account.outcome.settings.seasons
            ],
            bills_figure=_bills_figure(account),
            seasons=[_season_figure(account, months) for months in _shown_months(account)],
            charges=_charges(account),
            promise=promise(account),
            sureness=_sureness(account),
            curve=curve_rows(account),
            curve_figure=_curve_figure(account),
            about_the_curve=about_the_curve(account),
            changes=_changes(account),
            floors=floors_text(account.outcome.settings),
            reserve=[]
            if account.reserve is None
            else reserve_sentences(account.reserve, account.currency),
            outages=None if account.outages is None else outage_section(account.outages),
        )
    )


def outage_page(scenario: Scenario, settings: Settings, section: dict[str, Any]) -> str:
    """Return a page that tells of outages alone."""
    page = _templates().get_template("outage_page.html")
    return page.render(scenario=scenario, settings=settings, outages=section)


def floors_page(scenario: Scenario, shown: dict[str, Any]) -> str:
    """Return a page that tells what floors cost."""
    return _templates().get_template("floors_page.html").render(scenario=scenario, **shown)


def _templates() -> Environment:
    loader = PackageLoader("optimizer.report", "templates")
    pages = Environment(loader=loader, autoescape=True, undefined=StrictUndefined)
    pages.filters |= {"money": money, "number": number, "percent": percent, "price": price}
    return pages


def _card_season(season: SeasonSet, whole_kw: float | None, over_midnight: str) -> dict[str, Any]:
    """Return a season's rows; ``over_midnight`` follows the end of a window that goes over it."""
    return {
        "name": season.name(),
        "day_sets": [
            {
                "days": part.days,
                "rows": [
                    _card_row(window, whole_kw, over_midnight) for window in _by_clock(part.windows)
                ],
            }
            for part in season.day_sets
        ],
    }


def _by_clock(windows: list[Window]) -> list[Window]:
    return sorted(windows, key=lambda window: window.begin)


def _card_row(window: Window, whole_kw: float | None, over_midnight: str) -> dict[str, str]:
    level = window.until_pct if window.action == "charge" else window.down_to_pct
    power = window.grid_kw if window.action == "charge" else window.power_kw
    words = {"charge": "until", "cover": "down to", "sell": "down to", "hold": ""}[window.action]
    return {
        "from": window.start,
        "to": window.end + (over_midnight if window.is_over_midnight else ""),
        "action": window.action,
        "level": f"{words} {number(level)} %" if level is not None else "–",
        "power": _power(window.action, power, whole_kw),
        "cap": f"{number(window.import_cap_kw, 2)} kW" if window.import_cap_kw is not None else "–",
    }


def _power(action: str, power_kw: float | None, whole_kw: float | None) -> str:
    if power_kw is None:
        return "full" if action in {"charge", "sell"} else "–"
    return power_text(power_kw, whole_kw) if power_kw else "PV only"


def _bills_figure(account: Account) -> Markup:
    totals = {case.label: case.bill.total for case in account.outcome.cases.values()}
    return Markup(draw_bills(totals, account.currency))


def _changes(account: Account) -> list[dict[str, str]]:
    """Return what to change about the settings in use, and what each change is worth."""
    renewal = account.renewal
    return [
        {
            "what": valued.change.sentence(account.scenario.whole_kw),
            "worth": worth_words(valued.per_month, account.currency),
        }
        for valued in (renewal.changes if renewal is not None else ())
    ]


def _sureness(account: Account) -> dict[str, Any]:
    sureness = account.sureness
    return {
        "how": how_judged(account),
        "heading": SPREAD_HEADING,
        "rows": [] if sureness is None else spread_rows(account, sureness),
        "after": [] if sureness is None else after_the_spread(account, sureness),
    }


def _curve_figure(account: Account) -> Markup:
    if account.found is None or not curve_rows(account):
        return Markup()
    sizes = account.curve
    return Markup(
        draw_curve(
            [size.entries for size in sizes],
            [size.seen for size in sizes],
            [size.unseen for size in sizes if size.unseen is not None],
            account.found.recommended,
            account.currency,
        )
    )


def _shown_months(account: Account) -> list[list[int]]:
    """Return the months of each season set that the forecast holds, or all of them together."""
    present = account.scenario.forecast.grid.months
    sets = [
        [m for m in season.months if m in present] for season in account.outcome.settings.seasons
    ]
    return [months for months in sets if months] or [present]


def _season_figure(account: Account, months: list[int]) -> SeasonFigure:
    grid = account.scenario.forecast.grid
    capacity = account.scenario.plant.capacity_kwh
    cases = account.outcome.cases
    days = {
        "cheapest plan": typical_day(cases["plan"], capacity, months),
        account.windows_name: typical_day(cases["windows"], capacity, months),
    }
    prices = DayPrices(
        *(
            mean_by_clock(values, grid, months)
            for values in (account.prices.buy, account.prices.sell, account.prices.stored)
        )
    )
    season = next((s for s in account.outcome.settings.seasons if months[0] in s.months), None)
    svg = Markup(draw_season(days, prices, season, account.currency))
    heading, rows = _table(days, prices)
    return SeasonFigure(months_text(months), svg, heading, rows)


def _table(days: dict[str, TypicalDay], prices: DayPrices) -> tuple[list[str], list[list[str]]]:
    heading = ["time"]
    for name in days:
        heading += [f"{name}: {what}" for what in COLUMNS.values()] + [f"{name}: charge %"]
    heading += ["import price", "export price"]
    rows = []
    hours = next(iter(days.values())).hour
    for place, hour in enumerate(hours):
        row = [f"{int(hour):02d}:{round(hour % 1 * 60):02d}"]
        for day in days.values():
            row += [f"{day.power_kw[name][place]:.2f}" for name in COLUMNS]
            row.append(f"{day.soc_pct[place]:.0f}")
        row += [price(float(prices.buy[place])), price(float(prices.sell[place]))]
        rows.append(row)
    return heading, rows


COLUMNS = {
    "load_kwh": "load kW",
    "pv_used_kwh": "PV kW",
    "charge_kwh": "charge kW",
    "discharge_kwh": "discharge kW",
    "import_kwh": "import kW",
    "export_kwh": "export kW",
}


def _charges(account: Account) -> list[tuple[str, list[float]]]:
    """Return each charge with its amount in every case."""
    bills = [case.bill.by_charge() for case in account.outcome.cases.values()]
    return [(name, [bill.get(name, 0.0) for bill in bills]) for name in bills[0]]
