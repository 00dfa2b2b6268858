"""What to do, and what settings are called: sentences that text, page and data share.

Read next: ``notes``.
"""

from __future__ import annotations

from optimizer.base.units import MONEY_TOLERANCE, money
from optimizer.base.words import later, say
from optimizer.evaluation.comparison import THESE_SETTINGS
from optimizer.planning.plan import GOOD_ENOUGH, Proof
from optimizer.workflows.renew import RenewResult
from optimizer.workflows.replay import ReplayResult
from optimizer.workflows.results import Result, SearchResult

AS_IT_COMES = later("Leave the equipment as it comes.")


def windows_name(result: Result) -> str:
    """Return what the windows at stake are called: settings that a person wrote are not ours."""
    return say(THESE_SETTINGS) if isinstance(result, ReplayResult) else say("our windows")


def is_proven(result: Result) -> bool:
    """Whether no plan can be cheaper than the one made."""
    return result.plan.proof.gap <= GOOD_ENOUGH


def the_plan(result: Result) -> str:
    """Return what the plan is called in a sentence: the cheapest only where that is proven."""
    return say("the cheapest plan") if is_proven(result) else say("the best plan found")


def plan_name(result: Result) -> str:
    """Return what the plan is called in a drawing."""
    return "cheapest plan" if is_proven(result) else "best plan found"


def origin(result: Result) -> str:
    """Return where the settings come from, for the head of card and file."""
    if isinstance(result, ReplayResult):
        return say("replayed on the forecast from {span}", span=result.span)
    return say("found on the forecast from {span}", span=result.span)


def invented(result: Result) -> str:
    """Return what is invented, in words; empty if nothing is."""
    return invented_words(
        is_site=result.scenario.is_invented, is_tariff=result.tariff.file.invented
    )


def invented_words(*, is_site: bool, is_tariff: bool) -> str:
    """Return whether a site, or its tariff alone, is invented; empty if neither is."""
    if is_site:
        return say("invented for demonstration")
    return say("the tariff is invented") if is_tariff else ""


def advice(result: Result) -> str:
    """Return what to do, in words; empty if settings were only replayed."""
    if isinstance(result, RenewResult):
        return result.renewal.advice(result.currency)
    if not isinstance(result, SearchResult):
        return ""
    entries = result.settings.entries(result.scenario.controls.menu)
    if not entries:
        return (
            why_no_windows(result)
            if result.found.recommended == 0
            else say("No windows, as given.")
        )
    if entries == 1:
        return say("Enter 1 window.")
    return say("Enter {count} windows.", count=entries)


def why_no_windows(result: Result) -> str:
    """Return why there is nothing to enter; empty if there are windows."""
    if result.settings.entries():
        return ""
    if not isinstance(result, SearchResult) or isinstance(result, RenewResult):
        return say("as given.")
    found = result.found
    if found.chosen != found.recommended:
        return say("as given.")
    if len(found.sizes) == 1:
        none = say("None were found that save anything over it.")
        return f"{say(AS_IT_COMES)} {none}"
    told = (
        say(
            "No number of windows saves {money} for each, which is what entering one is to be worth, on"
            " weeks seen.",
            money=money(found.per_entry, result.currency),
        )
        if found.sizes[0].unseen is None
        else say(
            "No number of windows saves {money} for each, which is what entering one is to be worth, on"
            " weeks not seen.",
            money=money(found.per_entry, result.currency),
        )
    )
    return f"{say(AS_IT_COMES)} {told}"


def on_changing(result: Result) -> str:
    """Return whether to change from the windows in use to ours; empty if none are in use."""
    saved = result.outcome.saved_by_change
    if saved is None or isinstance(result, RenewResult):
        return ""
    if result.outcome.is_change_worth_it:
        return (
            "On this forecast, changing from the windows in use to ours saves"
            f" {money(saved, result.currency)}."
        )
    if saved < 0:
        return (
            "Keep the windows in use: on this forecast they cost"
            f" {money(-saved, result.currency)} less than ours."
        )
    return (
        "Keeping the windows in use is fine: on this forecast, changing to ours saves only"
        f" {money(saved, result.currency)}."
    )


def how_proven(proof: Proof) -> str:
    """Return how near a plan is proven to be the cheapest, to follow "the plan is"."""
    if proof.gap > GOOD_ENOUGH:
        return (
            f"the best found in the time, not proven the cheapest: that may cost up to"
            f" {100 * proof.gap:.2g} % of its cost less"
        )
    within = f" to within {proof.gap:.1e} of its cost" if proof.gap > 0 else ""
    return f"proven best{within}"


def cheaper_than_plan(result: Result) -> str:
    """Return that something replayed costs less than a plan that was not proven best; else empty."""
    cases, gap = result.outcome.cases, result.plan.proof.gap
    least = min(cases.values(), key=lambda case: case.cost)
    if gap <= GOOD_ENOUGH or least.cost >= cases["plan"].cost - MONEY_TOLERANCE:
        return ""
    return (
        f"The time allowed was over before the plan was proven best, and it is not:"
        f" '{least.label}' costs {money(cases['plan'].cost - least.cost, result.currency)} less."
        " Allow more time with --time-limit, or plan a shorter forecast."
    )
