"""What a reserve brings and costs, as text and as data."""

from __future__ import annotations

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.units import money, number, percent
from optimizer.outages.reserve import Reserve, Wish
from optimizer.outages.reserve_price import ReserveCurve
from optimizer.report.shapes import FloorsRecord, ReserveRecord
from optimizer.report.wrapping import filled, table
from optimizer.settings.windows import months_text
from optimizer.workflows.reserve import FloorPrices

COLUMN = 26
"""Width of a group of months in the table of floors."""


def reserve_sentences(reserve: Reserve, currency: str) -> list[str]:
    """Return what was wished for, the floors that give it, what they cost, and how sure they are."""
    wish = reserve.wish
    wished = f"Wished for: {wish_text(wish)} in {percent(wish.share)} of outages."
    on_forecast = f"On the forecast {percent(reserve.after)} of outages last as long" + (
        f", without these floors {percent(reserve.before)}." if reserve.is_raised else "."
    )
    if reserve.unseen is not None:
        on_forecast += f" On weeks that the windows have not seen, {percent(reserve.unseen)} do."
    if not reserve.is_raised:
        return [
            wished,
            "The windows give this with no higher floor, so it costs nothing.",
            on_forecast,
        ]
    floors = "; ".join(
        f"{number(pct)} % {'' if len(months) == len(MONTH_NAMES) else 'in '}{months_text(list(months))}"
        for months, pct in reserve.floors_pct
    )
    sentences = [
        wished,
        f"Floors that give it: {floors}.",
        f"They cost {money(max(reserve.price, 0.0), currency)} over the forecast: windows without them would"
        " cost so much less.",
        on_forecast,
    ]
    if reserve.price_of_plan is not None:
        sentences[2] += f" The plan costs {money(reserve.price_of_plan, currency)} more under them."
    else:
        sentences.append(
            "The sun alone cannot keep these floors at all times, so the plan beside only begins"
            " and ends with them."
        )
    return sentences


def wish_text(wish: Wish) -> str:
    """Return an endurance in words."""
    what = "the building" if wish.critical_kw is None else "the critical loads"
    return f"{number(wish.hours)} h for {what}"


def reserve_text(reserve: Reserve | None, currency: str) -> str:
    """Return the same under a heading; empty if nothing was wished for."""
    if reserve is None:
        return ""
    sentences = reserve_sentences(reserve, currency)
    return "\n".join(["KEPT FOR OUTAGES", *(filled(sentence) for sentence in sentences)])


def reserve_record(reserve: Reserve | None) -> ReserveRecord | None:
    """Return the same as plain data."""
    if reserve is None:
        return None
    wish = reserve.wish
    return {
        "hours": wish.hours,
        "share_frac": wish.share,
        "critical_kw": wish.critical_kw,
        "floors": [
            {"months": list(months), "floor_pct": pct} for months, pct in reserve.floors_pct
        ],
        "costs_more": reserve.price,
        "plan_costs_more": reserve.price_of_plan,
        "lasting_frac": {
            "without": reserve.before,
            "with": reserve.after,
            "unseen": reserve.unseen,
        },
    }


def price_text(prices: FloorPrices) -> str:
    """Return what floors cost in the cheapest plan, and the outages that then last, as a table."""
    scenario, curve = prices.brief.scenario, prices.curve
    heads = [["floor", *group_names(curve)]]
    rows = [
        [level, *(f"{price} {lasting:>7}" for price, lasting in cells)]
        for level, cells in price_rows(curve)
    ]
    lines = [
        f"FLOORS AND THEIR PRICE: {scenario.name}{' (invented)' if scenario.is_invented else ''}",
        filled(about_prices(curve, prices.brief.currency)),
        "",
        *table(heads, rows, [7, *[COLUMN] * (len(heads[0]) - 1)]),
    ]
    return "\n".join([*lines, "", filled(AFTER_PRICES)])


AFTER_PRICES = (
    "The plan knows all weather beforehand; windows leave more or less in the battery than it does. Floors"
    " by which windows give a wished endurance are found with outage.hours in the scenario."
)


def about_prices(curve: ReserveCurve, currency: str) -> str:
    """Return what the prices and shares of floors mean."""
    return (
        f"What the plan costs more, in {currency} over the forecast, with a floor in these months"
        " and none but the lowest level in use elsewhere; beside it the share of outages beginning in these"
        f" months that last {number(curve.hours)} h."
    )


def group_names(curve: ReserveCurve) -> list[str]:
    """Return what each group of months is called."""
    return [months_text(list(group)) for group in curve.groups]


def price_rows(curve: ReserveCurve) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return each floor with its price and the share that lasts, of each group of months."""
    return [
        (
            f"{number(level)} %",
            [
                _cell(prices[place], lasting[place])
                for prices, lasting in zip(curve.price, curve.lasting, strict=True)
            ],
        )
        for place, level in enumerate(curve.levels_pct)
    ]


def _cell(price: float | None, lasting: float | None) -> tuple[str, str]:
    if price is None or lasting is None:
        return "out of reach", ""
    return money(price), percent(lasting)


def floors_record(curve: ReserveCurve) -> FloorsRecord:
    """Return the same as plain data."""
    return {
        "hours": curve.hours,
        "floors_pct": list(curve.levels_pct),
        "groups": [
            {"months": list(group), "costs_more": list(prices), "lasting_frac": list(lasting)}
            for group, prices, lasting in zip(curve.groups, curve.price, curve.lasting, strict=True)
        ],
    }
