"""What a reserve brings and costs, as text and as data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from optimizer.report.wrapping import filled
from optimizer.settings.windows import months_text
from optimizer.units import money, number, percent

if TYPE_CHECKING:
    from optimizer.endurance.reserve import Reserve, Wish
    from optimizer.site.scenario import Scenario
    from optimizer.valuation.reserves import ReserveCurve

COLUMN = 26
"""Width of a group of months in the table of floors."""


def reserve_sentences(reserve: Reserve, currency: str, *, is_planned: bool) -> list[str]:
    """Return what was wished for, the floors that give it, what they cost, and how sure they are.

    ``is_planned`` tells whether the cheapest plan keeps the floors too.
    """
    wish = reserve.wish
    wished = f"Wished for: {wish_text(wish)} in {percent(wish.share)} of outages."
    on_forecast = f"On the forecast {percent(reserve.after)} of outages last as long" + (
        f", without these floors {percent(reserve.before)}." if reserve.is_raised else "."
    )
    if reserve.unseen is not None:
        on_forecast += (
            f" On weeks that the windows were not fitted to, {percent(reserve.unseen)} do."
        )
    if not reserve.is_raised:
        return [
            wished,
            "The windows give this with no higher floor, so it costs nothing.",
            on_forecast,
        ]
    floors = "; ".join(
        f"{number(pct)} % in {months_text(list(m))}" for m, pct in reserve.floors_pct
    )
    sentences = [
        wished,
        f"Floors that give it: {floors}.",
        f"They cost {money(max(reserve.price, 0.0), currency)} over the forecast: so much less would windows"
        " without them come to.",
        on_forecast,
    ]
    if is_planned:
        sentences[2] += (
            f" The cheapest plan costs {money(reserve.price_of_plan, currency)} more under them."
        )
    else:
        sentences.append(
            "The sun alone cannot keep these floors at all times, so the cheapest plan beside is one"
            " without them."
        )
    return sentences


def wish_text(wish: Wish) -> str:
    """Return an endurance in words."""
    what = "the building" if wish.critical_kw is None else "the critical loads"
    return f"{number(wish.hours)} h for {what}"


def reserve_text(reserve: Reserve | None, currency: str, *, is_planned: bool) -> str:
    """Return the same under a heading; empty if nothing was wished for."""
    if reserve is None:
        return ""
    sentences = reserve_sentences(reserve, currency, is_planned=is_planned)
    return "\n".join(["KEPT FOR OUTAGES", *(filled(sentence) for sentence in sentences)])


def reserve_record(reserve: Reserve | None) -> dict[str, Any] | None:
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


def floors_text(scenario: Scenario, curve: ReserveCurve, currency: str) -> str:
    """Return what floors cost in the cheapest plan, and the outages that then last, as a table."""
    names = [months_text(list(group)) for group in curve.groups]
    heads = "".join(f"{name:>{COLUMN}}" for name in names)
    lines = [
        f"FLOORS AND THEIR PRICE: {scenario.name}{' (invented)' if scenario.file.invented else ''}",
        filled(
            f"what the cheapest plan costs more, in {currency} over the forecast, with a floor in these"
            f" months and none elsewhere; behind it the share of their outages that last"
            f" {number(curve.hours)} h"
        ),
        "",
        f"  {'floor':>7}{heads}",
    ]
    for place, level in enumerate(curve.levels_pct):
        cells = [
            _cell(curve.price[group][place], curve.lasting[group][place])
            for group in range(len(names))
        ]
        lines.append(
            f"  {f'{number(level)} %':>7}" + "".join(f"{cell:>{COLUMN}}" for cell in cells)
        )
    lines += [
        "",
        filled(
            "The plan knows all weather beforehand; windows leave more or less in the battery than it does."
            " A floor by which windows give a wished endurance is found with outage.hours in the scenario."
        ),
    ]
    return "\n".join(lines)


def _cell(price: float | None, lasting: float | None) -> str:
    if price is None or lasting is None:
        return "out of reach"
    return f"{money(price)} {percent(lasting):>7}"


def floors_record(curve: ReserveCurve) -> dict[str, Any]:
    """Return the same as plain data."""
    return {
        "hours": curve.hours,
        "floors_pct": list(curve.levels_pct),
        "groups": [
            {"months": list(group), "costs_more": list(prices), "lasting_frac": list(lasting)}
            for group, prices, lasting in zip(curve.groups, curve.price, curve.lasting, strict=True)
        ],
    }
