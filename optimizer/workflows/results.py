"""All that there is to report of one scenario, gathered; everything in ``report`` reads it.

Read next: ``report.text``, ``report.record``, ``report.figures``, ``report.page``.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.base.units import MONEY_TOLERANCE, money, number, percent
from optimizer.billing.tariff import Tariff, TariffCost
from optimizer.cost.prices import Prices
from optimizer.evaluation.comparison import THESE_SETTINGS, Outcome
from optimizer.evaluation.fit_check import Finding
from optimizer.evaluation.out_of_sample import Sureness
from optimizer.evaluation.remarks import on_other_months
from optimizer.evaluation.renewal import Renewal
from optimizer.outages.outages import Outages
from optimizer.outages.reserve import Reserve
from optimizer.planning.plan import GOOD_ENOUGH, Plan
from optimizer.scenario.scenario import Scenario
from optimizer.search.choose import Found, Size
from optimizer.search.richer import Richer

AS_IT_COMES = "Leave the equipment as it comes."

SMALLEST_TOLD = 0.005
"""Money below this is told as 0.00."""


@dataclass(frozen=True)
class ProofLine:
    """How much more any settings of this kind could save, and its share of the possible saving.

    A gap of less than the smallest money that is told means that these are proven best.
    """

    gap_money: float
    gap_share: float

    @property
    def is_exact(self) -> bool:
        """Whether nothing is left that could be told in money."""
        return self.gap_money < SMALLEST_TOLD

    def sentence(self, currency: str) -> str:
        """Return what is proven."""
        if self.is_exact:
            return (
                "Proof: on this forecast no settings that the controls accept save more than these."
            )
        return (
            "Proof: on this forecast no settings that the controls accept save more than"
            f" {money(self.gap_money, currency)} beyond these ({percent(self.gap_share, 1)} of what the"
            " cheapest plan saves)."
        )


@dataclass(frozen=True)
class Account:
    """A scenario, its tariff, the plan, and what the settings come to.

    ``found``, ``sureness`` and ``effort`` are there if the settings were searched for, ``proof`` if
    it was asked for, ``renewal`` if settings in use were renewed, ``reserve`` if an
    endurance was wished for, ``outages`` and ``fits`` (findings about the equipment) unless settings
    were only replayed; ``given`` are then the remarks on them. ``with_curve`` tells whether other
    numbers of windows are shown and written.
    """

    scenario: Scenario
    tariff: Tariff
    cost: TariffCost
    plan: Plan
    outcome: Outcome
    prices: Prices
    found: Found | None = None
    sureness: Sureness | None = None
    effort: str | None = None
    with_curve: bool = True
    proof: ProofLine | None = None
    richer: Richer | None = None
    renewal: Renewal | None = None
    outages: Outages | None = None
    fits: tuple[Finding, ...] = ()
    reserve: Reserve | None = None
    given: tuple[str, ...] | None = None

    @property
    def windows_name(self) -> str:
        """What the windows at stake are called: settings that a person wrote are not ours."""
        return "our windows" if self.given is None else THESE_SETTINGS

    @property
    def origin(self) -> str:
        """Where the settings come from, for the head of card and file."""
        return f"{'found' if self.given is None else 'replayed'} on the forecast from {self.span}"

    @property
    def currency(self) -> str:
        """Currency of all money."""
        return self.tariff.currency

    @property
    def is_invented(self) -> bool:
        """Whether site or tariff are invented for demonstration."""
        return bool(self.invented)

    @property
    def invented(self) -> str:
        """What is invented, in words; empty if nothing is."""
        return invented_words(
            is_site=self.scenario.is_invented, is_tariff=self.tariff.file.invented
        )

    @property
    def span(self) -> str:
        """First and last day of the forecast."""
        dates = self.scenario.forecast.grid.dates
        return f"{dates[0]} to {dates[-1]}"

    @property
    def curve(self) -> tuple[Size, ...]:
        """The sizes to show and to write, fewest windows first; none if none are wanted."""
        return self.found.sizes if self.found is not None and self.with_curve else ()

    @property
    def why_no_windows(self) -> str:
        """Why there is nothing to enter; empty if there are windows."""
        found = self.found
        if self.outcome.settings.entries():
            return ""
        if found is None or self.renewal is not None or found.chosen != found.recommended:
            return "as given."
        if len(found.sizes) == 1:
            return f"{AS_IT_COMES} None were found that save anything over it."
        weeks = "seen" if found.sizes[0].unseen is None else "not seen"
        return (
            f"{AS_IT_COMES} No number of windows saves {money(found.per_entry, self.currency)} for each,"
            f" which is what entering one is to be worth, on weeks {weeks}."
        )

    @property
    def advice(self) -> str:
        """What to do, in words; empty if settings were only replayed."""
        if self.renewal is not None:
            return self.renewal.advice(self.currency)
        if self.found is None:
            return ""
        entries = self.outcome.settings.entries()
        if not entries:
            return self.why_no_windows if self.found.recommended == 0 else "No windows, as given."
        return f"Enter {entries} {'window' if entries == 1 else 'windows'}."

    @property
    def on_changing(self) -> str:
        """Whether to change from the windows in use to ours; empty if none are in use."""
        saved = self.outcome.saved_by_change
        if saved is None or self.renewal is not None:
            return ""
        if self.outcome.is_change_worth_it:
            return (
                "On this forecast, changing from the windows in use to ours saves"
                f" {money(saved, self.currency)}."
            )
        if saved < 0:
            return (
                "Keep the windows in use: on this forecast they cost"
                f" {money(-saved, self.currency)} less than ours."
            )
        return (
            "Keeping the windows in use is fine: on this forecast, changing to ours saves only"
            f" {money(saved, self.currency)}."
        )

    @property
    def cheaper_than_plan(self) -> str:
        """That something replayed costs less than a plan that was not proven best; else empty."""
        cases, gap = self.outcome.cases, self.plan.proof.gap
        least = min(cases.values(), key=lambda case: case.cost)
        if gap <= GOOD_ENOUGH or least.cost >= cases["plan"].cost - MONEY_TOLERANCE:
            return ""
        return (
            f"The time allowed was over before the plan was proven best, and it is not:"
            f" '{least.label}' costs {money(cases['plan'].cost - least.cost, self.currency)} less."
            " Allow more time with --time-limit, or plan a shorter forecast."
        )

    def notes(self) -> list[str]:
        """Return what was repaired, what limits the figures, and what equipment could not do."""
        controls, months = self.scenario.controls, self.scenario.forecast.grid.months
        notes = [
            *on_other_months(self.outcome.settings, controls, months),
            *(self.given or ()), *self.scenario.forecast.notes, *self.cost.notes,
            *self._on_little_work(),
        ]  # fmt: skip
        proof = self.plan.proof
        if self.reserve is not None and self.reserve.is_raised and len(self.curve) > 1:
            notes.append(
                "The floors were found for the number of windows handed out; with another number, other"
                " shares of outages last as long as is wished for."
            )
        start_kwh = self.plan.problem.start_kwh
        if start_kwh is not None and start_kwh > self.scenario.start_kwh + 1e-6:
            level_pct = self.scenario.plant.soc_pct(start_kwh)
            notes.append(
                f"The forecast is begun with {number(level_pct)} % in the battery, the floor of its first"
                f" month, not with {number(self.scenario.plant.soc_pct(self.scenario.start_kwh))} %."
            )
        if self.cheaper_than_plan:
            notes.append(self.cheaper_than_plan)
        if proof.tariff_integers:
            notes.append(
                f"The tariff is not convex: steps, falling blocks or credits take"
                f" {proof.tariff_integers} choices. The plan is proven best{_to_within(proof.gap)}."
            )
        if proof.integer_steps:
            notes.append(
                f"At {proof.integer_steps} steps the linear program alone would import and export,"
                " or charge and discharge, at once; integers keep it to one way there. The plan is"
                f" proven best{_to_within(proof.gap)}."
            )
        if self.richer is not None:
            notes.append(
                f"The controls are what holds the saving back: with {', '.join(self.richer.lacking)},"
                f" windows would save about {money(self.richer.saves_more, self.currency)} more over"
                " such a forecast, on weeks that they have not seen."
            )
        for case in self.outcome.cases.values():
            if case.overload_kwh:
                notes.append(
                    f"{case.label}: {case.overload_kwh:.1f} kWh would exceed the import limit of"
                    " the connection; the real connection would trip or refuse."
                )
            if case.days_beyond_cycles:
                notes.append(
                    f"{case.label}: on {case.days_beyond_cycles} days more is discharged than"
                    " cycles_per_day allows; equipment does not stop there by itself."
                )
        return notes

    def _on_little_work(self) -> list[str]:
        """Return that a quick search may be overtaken, if this is one."""
        if self.effort != "quick" or not self.outcome.settings.entries():
            return []
        return [
            "Found with --effort quick: with more work other windows may come out, for other reasons."
            " Use --effort normal before typing them in."
        ]

    @property
    def _keeps_a_reserve(self) -> bool:
        """Whether the settings keep more than the maker asks for in any month."""
        floor_pct = self.scenario.file.battery.floor_pct
        return any(self.outcome.settings.floor_in(month) > floor_pct for month in range(1, 13))

    def cautions(self) -> list[str]:
        """Return the cautions that matter for these settings, most pressing first."""
        permissions = self.scenario.file.permissions
        cautions = []
        if permissions.charge_from_grid or (
            permissions.export and permissions.export_stored_energy
        ):
            cautions.append(
                "Check your connection agreement before you charge from the grid or export stored"
                " energy."
            )
        cautions += [
            "Stay within the maker's limits of temperature, current and depth of discharge.",
            "Keep a reserve where an outage could hurt somebody: medical devices, heating, pumps."
            + ("" if self._keeps_a_reserve else " No reserve is set here; reserve_pct sets one."),
            "Wiring, breakers and backfeed are for licensed people and your local authority.",
            "Bills are estimates from a forecast; the utility's tariff sheet decides.",
        ]
        return cautions


def _to_within(gap: float) -> str:
    """Return the share of the cost that the proof leaves open, in words; empty if none."""
    return f" to within {gap:.1e} of its cost" if gap > 0 else ""


def invented_words(*, is_site: bool, is_tariff: bool) -> str:
    """Return whether a site, or its tariff alone, is invented; empty if neither is."""
    if is_site:
        return "invented for demonstration"
    return "the tariff is invented" if is_tariff else ""
