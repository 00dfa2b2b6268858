"""What it comes to: the five bills side by side, and how much of the possible saving is kept.

Costs are compared, not bills alone: a cost is the bill, plus wear of the battery, less the worth
of energy that is left in it at the end beyond what the plan leaves. Over a year the last two are
small, over a day they are not. Read next: ``typical_day``.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray
from optimizer.base.words import later
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.tariff import TariffCost
from optimizer.evaluation.effects import Priced
from optimizer.evaluation.reasons import Reason
from optimizer.planning.plan import GOOD_ENOUGH, Plan
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Settings, no_windows
from optimizer.simulation.replay import Replay, replay
from optimizer.site.equipment import Plant

LABELS = {
    "neither": "neither PV nor battery",
    "no_battery": "PV without battery",
    "no_windows": "battery, no windows",
    "in_use": "battery, windows in use",
    "windows": "battery, our windows",
    "anew": "battery, all found anew",
    "plan": "cheapest possible plan",
}
"""The cases in the order in which they are shown.

Windows in use are shown only where they are given, those found anew only where they are renewed.
"""

THESE_SETTINGS = later("these settings")

FOUND = "cheapest plan found"
"""The label of a plan that the time did not suffice to prove."""

CHANGE_SHARE = 0.01
"""Settings in use are worth changing from this share of the possible saving on."""

NOTHING_TO_SAVE = 0.01
"""Below this much money between no windows and the plan, a kept share says nothing."""


@dataclass(frozen=True)
class Case:
    """One way of running the site: its flows, its bill and its cost.

    ``left_worth`` is the worth of the energy left at the end beyond the plan's, negative if less.
    ``stored_kwh`` has shape (T,); zeros without a battery.
    """

    key: str
    flows: Flows
    stored_kwh: FloatArray
    bill: Bill
    wear: float
    left_worth: float
    overload_kwh: float = 0.0
    days_beyond_cycles: int = 0
    is_given: bool = False
    is_proven: bool = True

    @property
    def label(self) -> str:
        """What people call this case; settings that a person wrote are not ours."""
        if not self.is_proven:
            return FOUND
        return f"battery, {THESE_SETTINGS}" if self.is_given else LABELS[self.key]

    @property
    def cost(self) -> float:
        """Bill plus wear less the worth of what is left. [money]"""
        return self.bill.total + self.wear - self.left_worth

    @property
    def peak_import_kw(self) -> float:
        """Highest mean import power of a step. [kW]"""
        return float(self.flows.import_kwh.max()) / self.flows.grid.step_h


@dataclass(frozen=True)
class Judge:
    """Turns flows into cases that can be compared: one tariff, one plan to be measured against."""

    cost: TariffCost
    plan: Plan

    @property
    def end_worth(self) -> float:
        """Worth of one more kWh in the battery at the end. [money per kWh]"""
        if self.plan.problem.end_kwh is None:
            return self.plan.problem.leftover_per_kwh
        return float(self.plan.prices.stored[-1])

    def of_replay(self, key: str, run: Replay, plant: Plant) -> Case:
        """Return the case of a replay."""
        wear = plant.wear_per_kwh * float(run.flows.discharge_kwh.sum())
        beyond = float(run.stored_kwh[-1] - self.plan.stored_kwh[-1]) if plant.charge_kw else 0.0
        return Case(
            key, run.flows, run.stored_kwh, bill_flows(self.cost, run.flows), wear,
            beyond * self.end_worth, run.overload_kwh, run.days_beyond_cycles,
        )  # fmt: skip

    def of_plan(self) -> Case:
        """Return the case of the plan itself."""
        plan = self.plan
        is_proven = plan.proof.gap <= GOOD_ENOUGH
        return Case(
            "plan", plan.flows, plan.stored_kwh, plan.bill, plan.wear, 0.0, is_proven=is_proven
        )

    def priced(self, run: Replay) -> Priced:
        """Return what a replay of the plan's own plant costs: its bill, and what comes beside."""
        case = self.of_replay("windows", run, self.plan.problem.plant)
        beside = {"wear of the battery": case.wear, "what is left in the battery": -case.left_worth}
        return Priced(case.bill, beside)

    def cost_of(self, run: Replay) -> float:
        """Return the cost of a replay of the plan's own plant. [money]"""
        return self.of_replay("windows", run, self.plan.problem.plant).cost


@dataclass(frozen=True)
class Outcome:
    """The five cases, and the settings that led to the fourth."""

    cases: dict[str, Case]
    settings: Settings
    reasons: tuple[Reason, ...]

    @property
    def can_save(self) -> float:
        """Cost without windows less that of the plan. [money]"""
        return self.cases["no_windows"].cost - self.cases["plan"].cost

    @property
    def saved(self) -> float:
        """Cost without windows less that with ours. [money]"""
        return self.cases["no_windows"].cost - self.cases["windows"].cost

    @property
    def costs_differ_from_bills(self) -> bool:
        """Whether wear, or energy left at the end, matters beside the possible saving."""
        aside = max(abs(case.cost - case.bill.total) for case in self.cases.values())
        return aside > 0.01 * abs(self.can_save) + NOTHING_TO_SAVE

    @property
    def saved_by_change(self) -> float | None:
        """Cost of the windows in use less that of ours; None if none are in use. [money]"""
        in_use = self.cases.get("in_use")
        return None if in_use is None else in_use.cost - self.cases["windows"].cost

    @property
    def is_change_worth_it(self) -> bool:
        """Whether ours save enough over the windows in use to be entered."""
        least = max(CHANGE_SHARE * self.can_save, NOTHING_TO_SAVE)
        return self.saved_by_change is not None and self.saved_by_change >= least

    @property
    def kept_share(self) -> float | None:
        """Share of the possible saving that the windows keep; None if there is none to keep. [1]

        None, too, if it lies outside 0 and 1 because unlike is compared.
        """
        share = self.saved / self.can_save if self.can_save > NOTHING_TO_SAVE else None
        is_odd = share is not None and not 0 <= share <= 1
        return None if is_odd and self.unlike is not None else share

    @property
    def unlike(self) -> Case | None:
        """The replay that most often discharges more in a day than the plan may; None if none does."""
        replays = [self.cases[key] for key in ("no_windows", "windows")]
        worst = max(replays, key=lambda case: case.days_beyond_cycles)
        return worst if worst.days_beyond_cycles else None

    @property
    def days_of_cycles_kept(self) -> int:
        """On how many days more no windows discharge more than the cycles of a day than ours do."""
        before, with_ours = self.cases["no_windows"], self.cases["windows"]
        return max(before.days_beyond_cycles - with_ours.days_beyond_cycles, 0)


def cases_of(
    horizon: Horizon,
    settings: Settings,
    judge: Judge,
    in_use: Settings | None = None,
    anew: Settings | None = None,
) -> dict[str, Case]:
    """Run the site in each way and return the cases in the order of ``LABELS``."""
    plant = horizon.plant
    bare = plant.without_battery()
    plain, bare_plain = horizon.plain(), no_windows(plant.soc_pct(plant.low_kwh))
    without = Horizon(bare, horizon.grid, horizon.load_kwh, horizon.pv_kwh, 0.0)
    dark = Horizon(bare, horizon.grid, horizon.load_kwh, 0 * horizon.pv_kwh, 0.0)
    cases = {
        "neither": judge.of_replay("neither", replay(dark, bare_plain), bare),
        "no_battery": judge.of_replay("no_battery", replay(without, bare_plain), bare),
        "no_windows": judge.of_replay("no_windows", replay(horizon, plain), plant),
        "windows": judge.of_replay("windows", replay(horizon, settings), plant),
        "plan": judge.of_plan(),
    }
    for key, other in (("in_use", in_use), ("anew", anew)):
        if other is not None:
            cases[key] = judge.of_replay(key, replay(horizon, other), plant)
    return {key: cases[key] for key in LABELS if key in cases}
