"""What the records hold that are written and printed as JSON: the one description of their keys.

The functions that make records return these types, so that the type checker holds each of them to its
description; ``formats`` makes the published schemas of the same. Units stand in the keys, money is in
the record's ``currency``, None is what is not known or does not apply. Read next: ``formats``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, NotRequired, TypeAlias

from typing_extensions import TypedDict

if TYPE_CHECKING:
    from optimizer.forecasting.ensemble import Spread

    SettingsKeys: TypeAlias = dict[str, Any]
    WindowKeys: TypeAlias = dict[str, Any]
    TermsKeys: TypeAlias = dict[str, Any]
    FadingKeys: TypeAlias = dict[str, Any]
    DrawsKeys: TypeAlias = dict[str, Any]
"""Plain data of models that describe themselves; see ``name_models``."""


def name_models() -> None:
    """Let these names stand for their models, which schemas are made of; to load them takes long."""
    from optimizer.economics.assumptions import Terms
    from optimizer.economics.cash_flow import Fading
    from optimizer.economics.monte_carlo import Draws
    from optimizer.settings.windows import Settings, Window

    globals().update(
        SettingsKeys=Settings, WindowKeys=Window, TermsKeys=Terms, FadingKeys=Fading,
        DrawsKeys=Draws,
    )  # fmt: skip


class Program(TypedDict):
    """Which program made it."""

    name: str
    version: str


class SpreadRecord(TypedDict):
    """What one year in ten, half of them, nine in ten stay at or below."""

    p10: float
    p50: float
    p90: float


def spread_record(spread: Spread) -> SpreadRecord:
    """Return a spread as plain data."""
    return {"p10": spread.p10, "p50": spread.p50, "p90": spread.p90}


# Errors ------------------------------------------------------------------------------------------


class FindingOfError(TypedDict):
    """One thing to mend: what, where, and how; ``place`` is the path of keys in ``file``."""

    kind: str
    what: str
    where: str
    file: str | None
    line: int | None
    place: list[int | str]
    mend: str


class ErrorRecord(FindingOfError):
    """An error: ``code`` is the exit code, ``findings`` are all that one reading found, at least one."""

    code: int
    findings: list[FindingOfError]


# Bills ---------------------------------------------------------------------------------------------


class WhyRecord(TypedDict):
    """A value in words, and the values that made it; ``counts`` tells whether it decides."""

    what: str
    value: float
    unit: str
    counts: bool
    parts: NotRequired[list[WhyRecord]]


class BillLineRecord(TypedDict):
    """A line of a bill: quantity × rate = amount; ``where`` is its place in the tariff."""

    charge: str
    name: str
    period: str
    quantity: float
    unit: str
    rate: float
    amount: float
    because: str
    where: str
    why: NotRequired[WhyRecord]


class BillRecord(TypedDict):
    """An itemised bill."""

    currency: str
    total: float
    by_charge: dict[str, float]
    by_period: dict[str, float]
    lines: list[BillLineRecord]


class MeterBillRecord(BillRecord):
    """A bill of meter data."""

    notes: list[str]


class TwoBillsRecord(TypedDict):
    """The same meter data billed on two tariffs: sums of each, the first tariff's first."""

    currency: str
    tariffs: list[str]
    totals: list[float]
    by_period: dict[str, list[float]]
    by_charge: list[dict[str, float]]
    notes: list[str]


class ComparedLine(TypedDict):
    """A line of a paid bill beside ours; differences are paid less ours."""

    name: str
    paid: float | None
    ours: float | None
    paid_quantity: float | None
    our_quantity: float | None
    printed: int
    difference: float


class ReconciledRecord(TypedDict):
    """A paid bill beside ours."""

    bill: str
    first: str
    last: str
    currency: str
    paid: float
    ours: float
    difference: float
    fits: bool
    lines: list[ComparedLine]
    likely_causes: list[str]
    notes: list[str]


class WorkedFigure(TypedDict):
    """A figure of a worked bill beside what the tariff gives."""

    line: str
    period: str
    what: str
    expected: float
    got: float
    tolerance: float
    where: str
    is_right: bool


class WorkedBill(TypedDict):
    """A worked bill."""

    bill: str
    figures: list[WorkedFigure]


class WorkedRecord(TypedDict):
    """What is odd in a tariff, and its worked bills."""

    remarks: list[str]
    bills: list[WorkedBill]


# Readings -------------------------------------------------------------------------------------------


ReadPoint = TypedDict(
    "ReadPoint",
    {
        "number": int,
        "name": str,
        "looks_like": str,
        "from": str,
        "to": str,
        "steps": int,
        "step_minutes": int,
        "clock": str,
        "steps_missing": int,
        "cost": float | None,
        "currency": str | None,
        "notes": list[str],
    },
)
"""A point of metering; ``looks_like`` says in a sentence what was made out. Its other keys are columns: of
energies the sum, and as ``highest_…`` the highest mean power in a step; of prices lowest and highest."""


class ReadRecord(TypedDict):
    """What was found in files from outside; ``next`` are the lines that say what to run."""

    file: str
    more_files: list[str]
    kind: str
    points: list[ReadPoint]
    left_out: list[str]
    notes: list[str]
    written: str | None
    next: list[str]


class OpenFileRecord(TypedDict):
    """A file of open tariffs."""

    file: str
    form: str
    publisher: str
    attribution: str


class OfferRecord(TypedDict):
    """A tariff that a file offers; ``refused`` says why it cannot be read, if so."""

    number: int
    name: str
    type: str
    file: str
    is_standard: bool
    is_taken: bool
    refused: str | None


class TariffReadingRecord(TypedDict):
    """What open tariff files offer, and as ``text`` the tariff made of what was taken, if anything was."""

    files: list[OpenFileRecord]
    offers: list[OfferRecord]
    tariff: str
    versions_from: list[str]
    text: str
    remarks: list[str]
    written: str | None
    next: str


# Scenarios ------------------------------------------------------------------------------------------


class FitRecord(TypedDict):
    """One thing about how equipment and loads fit."""

    severity: Literal["serious", "odd", "information"]
    what: str
    value: str
    limit: str
    source: str
    mend: str


class CheckRecord(TypedDict):
    """What is wrong or odd in a scenario."""

    findings: list[str]
    fits: list[FitRecord]


class MenuListRecord(TypedDict):
    """A list of a menu; ``minutes`` is the step of its clock times."""

    name: str
    actions: list[str]
    entries: int
    fields: list[str]
    once: list[str]
    days: list[str]
    minutes: int


class OneMore(TypedDict):
    """What one thing more in the menu would bring."""

    more: str
    saves_a_year: float
    is_noise: bool


class MenuWorthRecord(TypedDict):
    """What the menu's poverty costs, on weeks not fitted to."""

    currency: str
    effort: str
    saves_a_year: float
    one_thing_more: list[OneMore]
    lacks_nothing_saves_more_a_year: float
    noise_a_year: float
    not_searched: list[str]
    how_judged: list[str]


class MenuRecord(TypedDict):
    """What a menu holds; ``worth`` is None where it was not asked for."""

    lists: list[MenuListRecord]
    season_sets: int
    outside: str
    holds: list[str]
    cannot_say: list[str]
    worth: MenuWorthRecord | None


class ForecastFigures(TypedDict):
    """Figures of a forecast."""

    load_kwh: float
    pv_kwh: float
    highest_load_kw: float
    highest_net_kw: float


class ForecastSpread(TypedDict):
    """How they spread over the members."""

    load_kwh: SpreadRecord
    pv_kwh: SpreadRecord
    highest_load_kw: SpreadRecord
    highest_net_kw: SpreadRecord


class AddedRecord(TypedDict):
    """What comes on top of the load."""

    name: str
    load_kwh: float
    pv_times: float


class TriedForecast(TypedDict):
    """A way to forecast, held against the rest of the meters; errors are means of absolute ones."""

    forecast: str
    load_of_day_error_kwh: float
    pv_of_day_error_kwh: float
    peak_of_month_error_kw: float
    windows: int
    cost: float
    lost: float


class BackTestRecord(TypedDict):
    """How good such forecasts were; ``made_from`` and ``held_against`` are first and last days."""

    made_from: list[str]
    held_against: list[str]
    notes: list[str]
    cost_no_windows: float
    cost_plan: float
    tried: list[TriedForecast]


class ForecastRecord(TypedDict):
    """A forecast and how good such forecasts were."""

    program: Program
    scenario: str
    invented: bool
    estimate: str | None
    first: str
    last: str
    step_minutes: int
    as_expected: ForecastFigures
    spread: ForecastSpread
    members: int
    seed: int
    added: list[AddedRecord]
    back_test: BackTestRecord | None
    notes: list[str]
    inputs_sha256: dict[str, str]


# Outages --------------------------------------------------------------------------------------------


class WorstHour(TypedDict):
    """The month and hour of the clock from which nine outages in ten last shortest."""

    month: int
    hour: int
    p10_h: float


class ShortRecord(TypedDict):
    """Energy that is not carried. [kWh]"""

    mean: float
    p90: float


class InTenRecord(TypedDict):
    """Hours that so many outages in ten reach, by hour of the clock or by month."""

    nine_in_ten: list[float | None]
    five_in_ten: list[float | None]
    one_in_ten: list[float | None]


class OutageRecord(TypedDict):
    """How long the building goes on; hours are at most ``horizon_h``."""

    horizon_h: float
    carried: Literal["critical", "building"]
    mean_kw: float
    share_lasting: dict[str, float]
    hours: SpreadRecord
    worst: WorstHour
    short_kwh_of_24_h: ShortRecord
    simple_estimate_h: float | None
    reasons: list[str]
    hours_reached_by_clock_hour: InTenRecord
    hours_reached_by_month: InTenRecord
    p10_h_by_month_and_hour: list[list[float | None] | None]
    cautions: list[str]


class OutagesMadeOf(TypedDict):
    """What outages were followed with: the scenario and the settings as they were read, and levels. [kWh]"""

    scenario_as_read: dict[str, Any]
    settings: SettingsKeys
    inputs_sha256: dict[str, str]
    step_minutes: int
    start_kwh: float
    low_kwh: float
    makers_floor_kwh: float


class OutagesRecord(OutageRecord):
    """The same with what it was made of, for ``verify``."""

    scenario: str
    made_of: OutagesMadeOf


class FloorGroup(TypedDict):
    """What each floor costs in a group of months, and the share of outages that then last."""

    months: list[int]
    costs_more: list[float | None]
    lasting_frac: list[float | None]


class FloorsRecord(TypedDict):
    """Floors and their price; lists of groups go by ``floors_pct``."""

    hours: float
    floors_pct: list[float]
    groups: list[FloorGroup]


class RaisedFloorRecord(TypedDict):
    """A floor in some months."""

    months: list[int]
    floor_pct: float


LastingRecord = TypedDict(
    "LastingRecord", {"without": float, "with": float, "unseen": float | None}
)
"""The share of outages that last as long as wished, without the raised floors and with them."""


class ReserveRecord(TypedDict):
    """What was wished for outages, the floors that give it and what they cost."""

    hours: float
    share_frac: float
    critical_kw: float | None
    floors: list[RaisedFloorRecord]
    costs_more: float
    plan_costs_more: float | None
    lasting_frac: LastingRecord


# Limits of the import ------------------------------------------------------------------------------


class OffGridLimit(TypedDict):
    """A limit of the import in some hours."""

    hours: str
    days: str
    months: list[int]
    import_kw: float
    clock: Literal["wall", "winter time"]
    hours_in_summer_by_the_wall: str


class HighestImport(TypedDict):
    """The highest import within the limited hours."""

    kw: float
    at: str


class WorstDay(TypedDict):
    """The day on which most is missing."""

    begin: str
    missing_kwh: float


class FullIsNotEnough(TypedDict):
    """Days on which even a full battery is not enough, by what it lacks."""

    energy: int
    power: int


class OffGridRecord(TypedDict):
    """What a limit of the import comes to; levels go by the share of days on which they suffice."""

    limit: OffGridLimit
    currency: str
    counted: str
    days: int
    days_not_kept: int
    missing_kwh: float
    highest_import: HighestImport
    worst_day: WorstDay
    costs_a_year: float | None
    bill_with: float
    bill_without: float
    level_needed_pct: dict[str, float | None]
    level_at_begin_median_pct: float | None
    days_full_is_not_enough: FullIsNotEnough
    settings: SettingsKeys
    notes: list[str]


# Plans and renewals --------------------------------------------------------------------------------


class HorizonRecord(TypedDict):
    """The time that is planned."""

    start: str
    zone: str
    step_minutes: int
    steps: int
    days: float


class StatusRecord(TypedDict):
    """How the plan was proven."""

    kind: str
    gap_frac: float
    steps_with_integers: int
    integers_of_tariff: int
    objective: float
    recomputed: float
    solve_seconds: float


class CaseRecord(TypedDict):
    """A case: a bill, the cost, and energies of the horizon."""

    case: str
    label: str
    bill: float
    wear: float
    left_worth: float
    cost: float
    import_kwh: float
    export_kwh: float
    pv_used_kwh: float
    charge_kwh: float
    discharge_kwh: float
    peak_import_kw: float
    overload_kwh: float
    days_beyond_cycles: int


class PromiseRecord(TypedDict):
    """What windows save in years that they have not seen."""

    saves: float
    one_in_ten_at_most: float
    nine_in_ten_at_most: float


class WorstMonthRecord(TypedDict):
    """The worst month of them; ``highest_at`` is the begin of the step with its highest import."""

    month: str
    saved: float
    highest_at: str
    highest_kw: float
    step_minutes: int


class UnseenRecord(TypedDict):
    """What such windows came to in plausible years that they have not seen."""

    kept_share_frac: SpreadRecord | None
    bill: SpreadRecord
    saved: SpreadRecord
    worst_month: WorstMonthRecord
    years: int


class WithoutForesightRecord(TypedDict):
    """What the best control found without foresight saves, and what windows do there."""

    best_found_saves: float
    control_saves: float
    windows_save: float
    kept_share_frac: float | None


class SizeRecord(TypedDict):
    """A number of windows, what it saves, and its settings."""

    entries: int
    saved_seen: float
    saved_unseen: float | None
    recommended: bool
    handed_out: bool
    settings: SettingsKeys


class ChangeFromInUse(TypedDict):
    """What the new settings save over those in use."""

    saved: float
    is_worth_it: bool


class ChangeRecord(TypedDict):
    """A change to what is typed in.

    ``kind`` says of what: an entry is changed, added or removed on the ``weekdays`` (0 is Monday) of
    ``months``; a ``field`` that stands once for a ``list`` is changed, ``before`` and ``after`` being
    entries that show it; or the floor is raised, from ``floor_before_pct`` to ``floor_after_pct``.
    """

    kind: Literal["change", "add", "remove", "field", "floor"]
    what: str
    months: list[int]
    weekdays: list[int] | None
    list: str | None
    field: str | None
    before: WindowKeys | None
    after: WindowKeys | None
    floor_before_pct: float | None
    floor_after_pct: float | None
    saves_per_month: float | None


class ChangesSaved(TypedDict):
    """What so many changes save over the season."""

    changes: int
    saved_seen: float
    saved_unseen: float | None


class RenewalRecord(TypedDict):
    """A renewal; money is a month's, but in the curve the season's."""

    advice: str
    change_nothing: bool
    months: float
    least_per_change_per_month: float
    saves_per_month: float
    saves_seen_per_month: float
    saves_unseen_per_month: float | None
    entries: int
    floor_raised: bool
    changes: list[ChangeRecord]
    changes_anew: int
    others_per_month: float
    curve: list[ChangesSaved]
    settings_in_use: SettingsKeys


class WindowReason(TypedDict):
    """A window, what it saves, and why it stands there."""

    sentence: str
    saves: float | None
    reason: str


class RicherRecord(TypedDict):
    """What a menu that lacks nothing would save more."""

    lacking: list[str]
    saves_more: float


class CardRule(TypedDict):
    """In which months a dark card holds, if less PV than ``below_kwh`` is expected; zero is never."""

    months: list[int]
    below_kwh: float


class SecondCardRecord(TypedDict):
    """Whether a second card for dark days is worth it: money is over one card, on weeks kept back."""

    recommended: bool
    saves_more: float
    spread: SpreadRecord
    saves_more_than_a_coin: float
    saves_more_with_a_perfect_forecast: float
    forecast_error_frac: float
    asked: float
    entries_more: float
    switches_per_year: float
    switched_at: str
    rules: list[CardRule]
    bright: SettingsKeys | None
    dark: SettingsKeys | None


class TomorrowRecord(TypedDict):
    """Which of two cards to use for a day; ``card`` is None where one does for every sky."""

    day: str
    card: str | None
    file: str
    why: str
    below_kwh: float | None
    pv_kwh: float | None
    switched_at: str | None
    settings: SettingsKeys


class ManifestProgram(TypedDict):
    """Versions."""

    tariffwright: str
    python: str


class PlannedWith(TypedDict):
    """Levels that a plan and its replays held to; floors of months by the month's number. [kWh]"""

    start_kwh: float
    end_kwh: float | None
    floor_kwh: float
    floors_kwh: dict[str, float]
    floors_of_plan_kwh: dict[str, float]


class PlanManifest(TypedDict):
    """What results were made of, and the SHA-256 of the files that ``verify`` reads."""

    program: ManifestProgram
    libraries: dict[str, str | None]
    solver: str
    seeds: dict[str, int | None]
    inputs_sha256: dict[str, str]
    results_sha256: dict[str, str]
    planned_with: PlannedWith


class CheckedFigure(TypedDict):
    """One thing that was recomputed: how it came out, and to how many digits; where it first differs."""

    name: str
    outcome: Literal["agrees", "differs", "not checked"]
    told: str
    digits: int | None
    written: float | None
    recomputed: float | None
    where: str | None


class VerificationRecord(TypedDict):
    """What of results was recomputed, and whether it agrees; ``first`` names what does not.

    ``at`` is when, ``program`` the version that did it. ``files_sha256`` are the files that it holds for; of
    the report all but its last line, which tells of this.
    """

    at: str
    program: Program
    files_sha256: dict[str, str]
    scenario: str
    tariff: str
    currency: str
    verified: bool
    first: str | None
    checks: list[CheckedFigure]


class PlanRecord(TypedDict):
    """All that a plan, a renewal or a replay came to.

    ``can_save``, ``saved`` and ``kept_share_frac`` are of the forecast itself; ``promise`` is what
    windows save in years that they have not seen.
    """

    program: Program
    scenario: str
    tariff: str
    currency: str
    invented: bool
    estimate: str | None
    horizon: HorizonRecord
    status: StatusRecord
    cases: list[CaseRecord]
    advice: str
    verdict: str
    expected: list[str]
    promise: PromiseRecord | None
    can_save: float
    saved: float
    kept_share_frac: float | None
    effort: str | None
    unseen: UnseenRecord | None
    without_foresight: WithoutForesightRecord | None
    rule: str
    curve: list[SizeRecord]
    second_card: SecondCardRecord | None
    change_from_in_use: ChangeFromInUse | None
    renewal: RenewalRecord | None
    review: ReviewRecord | None
    fits: list[FitRecord]
    reserve: ReserveRecord | None
    outages: OutageRecord | None
    settings: SettingsKeys
    windows: list[WindowReason]
    richer_controls: RicherRecord | None
    shadow_worth: dict[str, float]
    bill_of_windows: BillRecord
    bill_of_plan: BillRecord
    notes: list[str]
    cautions: list[str]
    manifest: PlanManifest


class BatteryPerDay(TypedDict):
    """What the battery took and gave a day, metered and replayed."""

    metered_charge_kwh_per_day: float
    metered_discharge_kwh_per_day: float
    replayed_charge_kwh_per_day: float
    replayed_discharge_kwh_per_day: float


class ApartDay(TypedDict):
    """A day, and how far its import is from the replay's."""

    day: str
    apart_kwh: float


class ReviewRecord(TypedDict):
    """A past season held against its promise; causes add up from the promised to the real saving."""

    currency: str
    first: str
    last: str
    promised_saving: float
    causes: dict[str, float]
    real_saving_same_tariff: float
    real_saving: float
    metered_bill: float
    days_that_tell: int
    days_as_with_windows: int
    net_import_above_replay_kwh_per_day: float
    battery: BatteryPerDay | None
    import_apart_kwh_per_day: float
    notes: list[str]
    worst_days: list[ApartDay]


class ReviewMadeOf(TypedDict):
    """What a review was worked out with: scenario, settings and tariffs as they were read, levels. [kWh]"""

    scenario_as_read: dict[str, Any]
    settings: SettingsKeys
    tariff_then: dict[str, Any]
    tariff_now: dict[str, Any]
    step_minutes: int
    start_kwh: float
    low_kwh: float
    inputs_sha256: dict[str, str]


class ReviewFileRecord(ReviewRecord):
    """The same with what it was made of, for ``verify``; None where that is not known."""

    scenario: str
    made_of: ReviewMadeOf | None


class HistoryRecord(TypedDict):
    """What was kept in a scenario's history, or undone there; ``in_use`` is then to be typed in."""

    kept: str | None
    undone: str | None
    in_use: SettingsKeys | None


# Fleets ---------------------------------------------------------------------------------------------


class FleetSiteRecord(TypedDict):
    """What one job came to for one site of a fleet; ``error`` is there where it failed.

    ``worth`` is over ``worth_days`` days, ``unseen`` what it is on weeks not seen. Of ``notes`` the first
    ``serious`` are. ``card`` is that of ``tomorrow``. ``is_kept`` tells that a run before had done it with
    the same inputs, which ``key`` stands for.
    """

    job: str
    site: str
    folder: str
    state: Literal["change", "no change", "failed"]
    change: list[str]
    worth: float | None
    worth_days: float | None
    currency: str | None
    unseen: SpreadRecord | None
    sure: str
    notes: list[str]
    serious: int
    card: str | None
    results: str | None
    error: ErrorRecord | None
    code: int
    key: str
    is_kept: bool


class FleetRecord(TypedDict):
    """A fleet as a whole, after all its sites; ``code`` is what the command ends with."""

    job: str
    sites: int
    to_change: list[str]
    failed: list[str]
    kept: int
    files: list[str]
    notes: list[str]
    code: int


# Studies --------------------------------------------------------------------------------------------


class StudyRow(TypedDict):
    """A row of the table; its other columns have the currency and their unit in their names."""

    case: int
    status: str
    reason: str
    role: str
    days: int
    site: str
    tariff: str
    tariff_name: str
    controls: str
    battery_kwh: float
    charge_kw: float
    discharge_kw: float
    inverter_kw: float
    load_times: float
    pv_times: float
    prices_rise_pct_per_year: float | None


class StudyListRecord(TypedDict):
    """The cases of a study, before anything runs."""

    study: str
    families: int
    pieces: int
    about_seconds: float
    cases: list[StudyRow]


class Machine(TypedDict):
    """The machine."""

    system: str
    processor: str


class FamilyRecord(TypedDict):
    """A year of one site with one equipment."""

    key: str
    steps: int


class ManifestRecord(TypedDict):
    """What it takes to do a study again and come to the same figures."""

    study: str
    program: ManifestProgram
    libraries: dict[str, str | None]
    solver: str
    machine: Machine
    lanes: str
    ledger_lines_lost: int
    effort: str
    seeds: dict[str, int | None]
    inputs_sha256: dict[str, str]
    cases: int
    families: dict[str, FamilyRecord]


class WorthRecord(TypedDict):
    """What a cash flow comes to."""

    npv: float
    rates: list[float]
    payback_years: float | None
    discounted_payback_years: float | None
    levelised: float | None
    benefit_cost_ratio: float | None
    stays_paid_back: bool
    cost: float


BillParts = TypedDict(
    "BillParts", {"import": list[float], "export": list[float], "demand": list[float]}
)
"""What of bills lies in prices that may rise otherwise than the rest, a value for each year."""


class LifeParts(TypedDict):
    """The same of what is saved, what the plan would save, and what both are measured from."""

    saved: BillParts
    plan_saved: BillParts
    before: BillParts


class LifeRecord(TypedDict):
    """The years of the equipment, a value for each; ``before`` is what savings are measured from."""

    health_frac: list[float]
    pv_frac: list[float]
    saved: list[float]
    plan_saved: list[float]
    before: list[float]
    parts: LifeParts
    discharged_kwh: list[float]
    is_planned: list[bool]
    is_new: list[bool]
    health_after: float


class BoughtRecord(TypedDict):
    """What of the equipment is bought; a battery that ``stands`` is not."""

    battery_kwh: float
    battery_kw: float
    inverter_kw: float
    pv: bool
    stands: bool


class SwingRecord(TypedDict):
    """What one thing that turns out otherwise does to the net present value."""

    name: str
    low: float
    high: float
    npv_low: float | None
    npv_high: float | None


class ChancesRecord(TypedDict):
    """How drawn lives spread."""

    share_that_pays_frac: float
    first_saving: SpreadRecord
    npv: SpreadRecord


class VerdictRecord(TypedDict):
    """The best case of a site, looked at closely; ``flow`` holds year 0 and the ends of the years.

    ``terms`` are those of this case, ``flow_of_reference`` what is paid where all is left as today, None
    if savings are measured from the same site.
    """

    case: int
    terms: TermsKeys
    bought: BoughtRecord
    flow_of_reference: list[dict[str, float]] | None
    settings: SettingsKeys
    worth: WorthRecord
    worth_of_plan: WorthRecord
    flow: list[dict[str, float]]
    life: LifeRecord
    sources: dict[str, float]
    swings: list[SwingRecord]
    chances: ChancesRecord | None
    floors_cost: float | None


class ValuedSize(TypedDict):
    """What a size comes to with windows and ageing; ``npv_spread`` of drawn lives."""

    size_kwh: float
    npv: float
    price_per_kwh: float | None
    break_even_price_per_kwh: float | None
    payback_years: float | None
    discounted_payback_years: float | None
    replacements: int
    npv_spread: SpreadRecord | None


class PlannedSize(TypedDict):
    """What a size is worth, and by how much that rises for one kWh more. [money, money per kWh]"""

    size_kwh: float
    value: float
    slope: float
    is_proven: bool


class BestSizeRecord(TypedDict):
    """The best size of one site, tariff and set of controls."""

    site: str
    tariff: str
    controls: str
    case: int
    size_kwh: float
    valued: list[ValuedSize]
    asked: int
    first_guess_kwh: float
    value_of_plan: float
    is_proven: bool
    planned: list[PlannedSize]


class ReferenceRecord(TypedDict):
    """How a site is run today, from which a study measures; see the study file."""

    tariff: str
    battery: str
    pv: str


class StudyRecord(TypedDict):
    """All that a study came to; what is paid is negative. ``verdict`` is what to do, in words."""

    study: str
    about: str
    invented: bool
    currency: str
    effort: str
    reference: ReferenceRecord | None
    verdict: list[str]
    ranked_by: str
    decided_together: dict[str, dict[str, int]]
    ranked_cases: list[int]
    rows: list[StudyRow]
    verdicts: list[VerdictRecord]
    best_sizes: list[BestSizeRecord]
    money: TermsKeys | None
    ageing: FadingKeys
    draws: DrawsKeys | None
    cautions: list[str]
    manifest: ManifestRecord
