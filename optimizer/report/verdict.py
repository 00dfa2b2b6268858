"""Whether windows are worth entering, in words, and what they change about the bill.

Read next: ``page``.
"""

from __future__ import annotations

from optimizer.base.units import money
from optimizer.base.words import say
from optimizer.report.advice import AS_IT_COMES, advice, why_no_windows, windows_name
from optimizer.report.unseen import years_words
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.results import Result, SearchResult

LEAST_MONEY = 0.005
"""A change of a charge below this is none."""

MOST_TOLD = 4
"""So many charges are told in words; all stand in the table."""


def verdict(result: Result) -> str:
    """Return in words whether the windows are worth entering, or to leave the equipment as it comes."""
    if isinstance(result, RenewResult):
        return advice(result)
    if not result.settings.entries():
        return say("No windows: {why}", why=why_no_windows(result))
    sureness = result.sureness if isinstance(result, SearchResult) else None
    if sureness is None:
        return _on_the_forecast_alone(result)
    saved, years = sureness.saved, years_words(result)
    keeps = result.outcome.days_of_cycles_kept
    if saved.p50 <= 0 and keeps:
        return say(
            "Only to keep cycles_per_day, which the equipment as it comes exceeds on {days} days: for that"
            " the windows cost {money} in the middle of {years} that they had not seen.",
            days=keeps,
            money=money(-saved.p50, result.currency),
            years=years,
        )
    if saved.p50 <= 0:
        no = say(
            "In half of the {years} that the windows had not seen they save nothing.", years=years
        )
        return " ".join((say("No."), say(AS_IT_COMES), no))
    left = say(
        "Left as it comes, it costs {money} more in the middle of such {years}.",
        money=money(saved.p50, result.currency),
        years=years,
    )
    told = (
        say(
            "Probably: in one of ten {years} that they had not seen, the windows save nothing.",
            years=years,
        )
        if saved.p10 <= 0
        else say(
            "Yes: in nine of ten {years} that they had not seen, the windows save something.",
            years=years,
        )
    )
    return f"{told} {left}"


def _on_the_forecast_alone(result: Result) -> str:
    saved = result.outcome.saved
    if saved <= 0:
        no = say("On the forecast these windows save nothing over that.")
        return " ".join((say("No."), say(AS_IT_COMES), no))
    return say(
        "On this forecast, yes: left as it comes, the equipment costs {money} more. No other year was"
        " tried.",
        money=money(saved, result.currency),
    )


def changes_of_charges(result: Result) -> dict[str, float]:
    """Return what the windows change about each charge, over the equipment as it comes. [money]"""
    ours, without = (
        result.outcome.cases[key].bill.by_charge() for key in ("windows", "no_windows")
    )
    names = dict.fromkeys(
        name for case in result.outcome.cases.values() for name in case.bill.by_charge()
    )
    return {name: ours.get(name, 0.0) - without.get(name, 0.0) for name in names}


def charges_changed(result: Result) -> str:
    """Return for which charges most less and more is to be paid, in words; empty without windows."""
    if not result.settings.entries():
        return ""
    changed = [(n, c) for n, c in changes_of_charges(result).items() if abs(c) >= LEAST_MONEY]
    changed.sort(key=lambda item: -abs(item[1]))
    told = [
        f"{name} {money(abs(change), result.currency)} {'less' if change < 0 else 'more'}"
        for name, change in changed[:MOST_TOLD]
    ]
    if not told:
        return f"On this forecast {windows_name(result)} change no charge."
    more = "; all else changes less" if len(changed) > len(told) else ""
    return f"To pay with {windows_name(result)}, against no windows: {'; '.join(told)}{more}."
