"""Says whether a second card for days of little sun is worth typing in, and by what rule it is used."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.base.units import clock, money, number, percent
from optimizer.base.yaml_text import typed_yaml
from optimizer.evaluation.second_card import SWITCH_MINUTES, SecondCard
from optimizer.forecasting.day_ahead import ERROR, SWITCHED_AT
from optimizer.report.shapes import SecondCardRecord, spread_record
from optimizer.report.tomorrow import entries_told
from optimizer.report.unseen import WHOLE_YEAR_DAYS
from optimizer.report.wrapping import filled, on_one_line
from optimizer.search.second_card import Cards
from optimizer.settings.windows import months_text
from optimizer.workflows.plan import PlanResult
from optimizer.workflows.results import Result
from optimizer.workflows.tomorrow import BRIGHT, DARK, rule_of


def cards_of(result: Result) -> Cards | None:
    """Return the two cards that are recommended; None if one is enough, or nothing was tried."""
    second = result.second_card if isinstance(result, PlanResult) else None
    return None if second is None else second.cards


def second_card_sentences(result: Result) -> list[str]:
    """Return whether a second card is worth it, by what rule it is used, and what was assumed."""
    second = result.second_card if isinstance(result, PlanResult) else None
    if second is None:
        return []
    currency, days = result.currency, result.scenario.forecast.grid.days
    span = "a year" if days >= WHOLE_YEAR_DAYS else f"in {number(days, 0)} days"
    if second.cards is None:
        return [_not_worth_it(second, currency, span)]
    spread = second.spread
    return [
        f"A second card for dark days would save {money(second.saves, currency)} more"
        f" {span}, in the mean of {len(second.judged.one)} trials on weeks kept back (one in ten at most"
        f" {money(spread.p10)}, one in ten more than {money(spread.p90)}):"
        f" {'; '.join(_rules(second.cards))}.",
        f"Choose at {clock(SWITCHED_AT)}: the card holds from then for a whole day. Card A is"
        f" {BRIGHT}, card B {DARK}; settings.yaml is the one card for every sky, if you do not want"
        " two. 'tariffwright tomorrow DIR --pv KWH' says which to use.",
        f"The forecast of tomorrow's PV was taken to err by {percent(ERROR)}. With one that never errs,"
        f" two cards would save {money(second.perfect)} more than one; with a coin in place of a forecast,"
        f" {money(second.saves - second.over_coin)}.",
        f"Asked of it were {money(second.asked, currency)}: {_asked(second)}. It is assumed that the"
        " equipment stores two sets of entries, or that a person types over what differs.",
    ]


def _rules(cards: Cards) -> Iterator[str]:
    """Yield the rule of each group of months."""
    for months, kwh in zip(cards.groups, cards.below_kwh, strict=True):
        rule = f"if tomorrow's PV is expected below {number(kwh, 3)} kWh, use card B, else card A"
        yield f"{months_text(list(months))}: {rule if kwh else 'card A'}"


def _asked(second: SecondCard) -> str:
    """Return for what a sum is asked of a second card."""
    changes = (
        f"{number(second.judged.switches, 0)} changes of cards a year at"
        f" {number(SWITCH_MINUTES)} minutes, an hour for as much as --worth"
        " (common practice, no published source)"
    )
    return (
        f"{money(second.per_entry)} for each entry more ({number(second.entries)}), and {changes}"
    )


def _not_worth_it(second: SecondCard, currency: str, span: str) -> str:
    told = "A second card for dark days was tried:"
    if not second.entries and not second.judged.switches:
        return f"{told} none was found that saves what its entries must. One card is enough."
    saves = (
        f"saves {money(second.saves, currency)} more"
        if second.saves >= 0
        else f"loses {money(-second.saves, currency)}"
    )
    why = f"it {saves} {span} on weeks kept back, where {money(second.asked)} are asked ({_asked(second)})"
    if second.saves > second.asked:
        why = (
            f"it saves {money(second.saves, currency)} more {span} on weeks kept back, but"
            f" {money(abs(second.over_coin))} {'more' if second.over_coin >= 0 else 'less'} than a coin in"
            " place of a forecast"
        )
    return f"{told} {why}. One card is enough."


def second_card_text(result: Result) -> str:
    """Return the section of the summary; empty if nothing was tried."""
    lines = [filled(sentence) for sentence in second_card_sentences(result)]
    cards = cards_of(result)
    if cards is not None:
        for name, card in (("A", cards.bright), ("B", cards.dark)):
            lines += [
                f"  card {name}",
                *entries_told(card, _months_of(cards), result.scenario.whole_kw),
            ]
    return "\n".join(["A SECOND CARD FOR DARK DAYS", *lines]) if lines else ""


def _months_of(cards: Cards) -> set[int]:
    """Return the months in which the sky decides."""
    return {month for month in range(1, 13) if cards.below_in(month)}


def second_card_record(result: Result) -> SecondCardRecord | None:
    """Return whether a second card is worth it as plain data; None if nothing was tried.

    Money is in the mean of the trials on weeks kept back, over one card; cards are None if it is not.
    """
    second = result.second_card if isinstance(result, PlanResult) else None
    if second is None:
        return None
    cards = second.cards
    return {
        "recommended": cards is not None,
        "saves_more": second.saves,
        "spread": spread_record(second.spread),
        "saves_more_than_a_coin": second.over_coin,
        "saves_more_with_a_perfect_forecast": second.perfect,
        "forecast_error_frac": ERROR,
        "asked": second.asked,
        "entries_more": second.entries,
        "switches_per_year": second.judged.switches,
        "switched_at": clock(SWITCHED_AT),
        "rules": []
        if cards is None
        else [
            {"months": list(months), "below_kwh": kwh}
            for months, kwh in zip(cards.groups, cards.below_kwh, strict=True)
        ],
        "bright": None if cards is None else cards.bright.model_dump(exclude_none=True),
        "dark": None if cards is None else cards.dark.model_dump(exclude_none=True),
    }


def rule_yaml(result: Result, cards: Cards) -> str:
    """Return the rule as a file that a person, or a scheduler, can read."""
    head = [f"Which card for {result.scenario.name}: A is {BRIGHT}, B is {DARK}.", *_rules(cards)]
    lines = [f"# {line}" for line in map(on_one_line, head)]
    return "\n".join(lines) + "\n" + typed_yaml(rule_of(cards).model_dump())
