"""From a study file to cases: what is asked, and the runs that answer it.

A *case* is a row of the result: sites, sizes, tariff, controls, and money over the years. A *run* is a
year of one site with one equipment, planned and searched; cases that differ in money alone share their
runs, and so do years in which the battery is as worn. Runs of one site, tariff and controls are a
*family*: they share the compiled model, and start from the run of the scenario's own equipment.
Read next: ``estimate``.
"""

from __future__ import annotations

import hashlib
import json
import pickle
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache, cached_property
from pathlib import Path
from typing import Any, Literal

from pydantic_core import to_jsonable_python

from optimizer.base.documents import Source, digest_of, files_of, is_file, read_document
from optimizer.base.errors import InputError, ScenarioError, raise_findings
from optimizer.base.units import number
from optimizer.billing.tariff import Tariff, find_tariff, read_tariff, refuse_unknown_history
from optimizer.economics.assumptions import Against, Package, Terms
from optimizer.economics.cash_flow import Fading, Size, Wear
from optimizer.forecasting.weeks import Material
from optimizer.metering.forecast import Forecast
from optimizer.scenario.brief import Brief, cost_for
from optimizer.scenario.scenario import SCENARIO_FILE, Scenario, read_scenario
from optimizer.site.equipment import MAX_HOURS_TO_FILL
from optimizer.studies.fingerprint import fingerprint
from optimizer.studies.study_file import OWN, SIZES, Choice, Reference, StudyFile
from optimizer.studies.verdict import LEAST_DAYS

DAYS_OF_A_YEAR = (LEAST_DAYS, 376)
"""A forecast of so many days is a year; money over years needs one."""


@dataclass(frozen=True)
class Manner:
    """How runs are made: how much windows are searched for, and how a cycle's depth counts."""

    effort: str
    depth_exponent: float = 1.0


@dataclass(frozen=True)
class Run:
    """A year of one site with one equipment.

    ``health`` is the share of the battery's capacity that is left; powers stay. ``endurance_hours`` is a wish
    in place of the scenario's, 0 none; None is the scenario's own.
    """

    battery_kwh: float
    charge_kw: float
    discharge_kw: float
    inverter_kw: float
    load_times: float = 1.0
    pv_times: float = 1.0
    health: float = 1.0
    endurance_hours: float | None = None

    def worn(self, wear: Wear) -> Run:
        """Return the same with worn equipment."""
        return replace(self, health=wear.health, pv_times=round(self.pv_times * wear.pv, 9))

    def brief(self, brief: Brief) -> Brief:
        """Return a family's brief with the equipment, load and PV of this run."""
        scenario, old = brief.scenario, brief.scenario.plant
        kwh = self.battery_kwh * self.health
        plant = replace(
            old, capacity_kwh=kwh, low_kwh=old.low_kwh / old.capacity_kwh * kwh,
            high_kwh=old.high_kwh / old.capacity_kwh * kwh, charge_kw=self.charge_kw,
            discharge_kw=self.discharge_kw, ac_limit_kw=self.inverter_kw,
        )  # fmt: skip
        forecast = self._scaled(scenario.forecast)
        material = scenario.material
        added = None if material.added_kwh is None else material.added_kwh * self.load_times
        sources = tuple(self._scaled(source) for source in material.sources)
        scaled: Material = replace(material, sources=sources, added_kwh=added)
        scenario = replace(scenario, plant=plant, forecast=forecast, material=scaled)
        if self.endurance_hours is not None:
            file = scenario.file
            wish = file.outage.model_copy(update={"hours": self.endurance_hours or None})
            scenario = replace(scenario, file=file.model_copy(update={"outage": wish}))
        return replace(brief, scenario=scenario)

    def _scaled(self, series: Forecast) -> Forecast:
        if self.load_times == self.pv_times == 1:
            return series
        return replace(
            series, load_kwh=series.load_kwh * self.load_times, pv_kwh=series.pv_kwh * self.pv_times
        )


@dataclass(frozen=True)
class Family:
    """One site on one tariff with one set of controls, read and compiled."""

    site: str
    tariff: str
    controls: str
    brief: Brief
    inputs: tuple[tuple[str, str], ...]

    @property
    def name(self) -> str:
        """What errors call it."""
        return f"{self.site}, {self.tariff}, {self.controls}"

    @cached_property
    def own(self) -> Run:
        """The scenario's own equipment."""
        plant = self.brief.scenario.plant
        return Run(plant.capacity_kwh, plant.charge_kw, plant.discharge_kw, plant.ac_limit_kw)

    @cached_property
    def packed(self) -> bytes:
        """The brief as it goes to another process."""
        return pickle.dumps(self.brief, protocol=pickle.HIGHEST_PROTOCOL)

    @cached_property
    def key(self) -> str:
        """Tells families apart whose runs may differ: by what their files hold, not by their names."""
        controls = self.brief.scenario.controls.model_dump(mode="json")
        return _hashed([fingerprint(), [digest for _, digest in self.inputs], controls])

    def run_of(self, choice: Choice, package: Package | None = None) -> Run:
        """Return the run that a choice asks for, its sizes those of its package if it has one."""
        own = self.own
        if package is not None:
            sizes = package.model_dump(include={"battery_kwh", "battery_kw", "inverter_kw"})
            choice = choice.model_copy(update=sizes)
        kwh = choice.battery_kwh or own.battery_kwh
        times = kwh / own.battery_kwh
        return Run(
            kwh,
            choice.battery_kw or own.charge_kw * times,
            choice.battery_kw or own.discharge_kw * times,
            choice.inverter_kw or own.inverter_kw,
            1.0 if choice.load_times is None else choice.load_times,
            1.0 if choice.pv_times is None else choice.pv_times,
            endurance_hours=choice.endurance_hours,
        )  # fmt: skip

    def key_of(self, run: Run, manner: Manner, kind: str = "run", more: Any = None) -> str:
        """Return what tells a piece of work from all others, in this study and later ones."""
        return _hashed([self.key, asdict(run), asdict(manner), kind, to_jsonable_python(more)])


Way = Literal["windows", "no_windows", "no_battery", "neither"]
"""How a case is run: as in ``comparison.LABELS``."""

WITHOUT_BATTERY: tuple[Way, ...] = ("no_battery", "neither")


@dataclass(frozen=True)
class Today:
    """A site's tariff and equipment of today: a family, and how it is run."""

    family: Family
    way: Way

    @property
    def has_battery(self) -> bool:
        """Whether the family's own battery stands there."""
        return self.way not in WITHOUT_BATTERY


@dataclass(frozen=True)
class Case:
    """One row: a run and what it is worth over the years.

    ``role`` tells why it is there: listed, the best size found, one thing that turns out otherwise, or
    beside a reference: as it comes, with nothing bought, or today's own. ``today`` is what it is measured
    from, None where that is the same site on the same tariff.
    """

    choice: Choice
    family: Family
    run: Run
    terms: Terms | None
    fading: Fading
    role: str = "listed"
    way: Way = "windows"
    today: Today | None = None
    package: Package | None = None

    @property
    def size(self) -> Size:
        """What is bought: not what stands today."""
        run, family = self.run, self.family
        is_dc = family.brief.scenario.plant.pv_on_dc_side
        with_pv = self.way != "neither"
        buys_pv = with_pv and self.today is not None and self.today.way == "neither"
        if self.way in WITHOUT_BATTERY:
            inverter_kw = run.inverter_kw if buys_pv and is_dc else 0.0
            return Size(0.0, 0.0, inverter_kw, with_pv)
        if self.today is None or not self.today.has_battery:
            return Size(run.battery_kwh, run.discharge_kw, run.inverter_kw, with_pv)
        own = self.today.family.own
        stands = (run.battery_kwh, run.charge_kw, run.discharge_kw) == (
            own.battery_kwh, own.charge_kw, own.discharge_kw
        )  # fmt: skip
        inverter_kw = 0.0 if run.inverter_kw == own.inverter_kw else run.inverter_kw
        return Size(run.battery_kwh, run.discharge_kw, inverter_kw, with_pv, stands)

    @property
    def stated_price(self) -> float | None:
        """The price of all of its battery for each kWh; None if nothing is stated. [money per kWh]"""
        size = self.size
        if self.terms is None or self.terms.lease is not None or not size.battery_kwh:
            return None
        prices = self.terms.of_package(self.package)
        return prices.battery.of(size.battery_kwh, size.battery_kw) / size.battery_kwh

    @property
    def endurance_hours(self) -> float:
        """How long it is to last when the grid fails, 0 where nothing is wished for. [h]"""
        own = self.family.brief.scenario.file.outage.hours
        return (own if self.run.endurance_hours is None else self.run.endurance_hours) or 0.0

    @property
    def against(self) -> Against | None:
        """What of the same run a saving is measured from; None if that is another case, or nothing."""
        if self.today is not None:
            return None
        return "no_battery" if self.terms is None else self.terms.against

    @property
    def before(self) -> Case:
        """The case of today that this one is measured from: its load, its years, its rises of prices."""
        assert self.today is not None
        return self._with_todays(self.today.family)

    @property
    def nothing_bought(self) -> Case:
        """Today's equipment on this case's own tariff."""
        return self._with_todays(self.family)

    def _with_todays(self, family: Family) -> Case:
        assert self.today is not None
        own = replace(family.own, load_times=self.run.load_times, pv_times=self.run.pv_times)
        kept = self.choice.model_dump(include={"site", "load_times", "pv_times", "prices_rise_pct"})
        choice = Choice(**kept, tariff=family.tariff, controls=family.controls)
        return replace(
            self, choice=choice, family=family, run=own, way=self.today.way, package=None
        )


@dataclass(frozen=True)
class Joint:
    """One decision for several sites: the same case at each, so many times as the site stands there.

    ``lacking`` are the sites at which it is no case.
    """

    group: str
    role: str
    parts: tuple[tuple[int, Case], ...]
    lacking: tuple[str, ...] = ()

    @property
    def first(self) -> Case:
        """The case of the first site; way, terms and what it is measured from are those of all."""
        return self.parts[0][1]

    @property
    def terms(self) -> Terms | None:
        """The terms of all."""
        return self.first.terms

    @property
    def way(self) -> Way:
        """How all are run."""
        return self.first.way

    @property
    def against(self) -> Against | None:
        """What of the same runs savings are measured from."""
        return self.first.against

    @property
    def stated_price(self) -> float | None:
        """The price of all their batteries for each kWh; None if one has none. [money per kWh]"""
        priced = [(n * case.size.battery_kwh, case.stated_price) for n, case in self.parts]
        prices = [kwh * price for kwh, price in priced if price is not None]
        return sum(prices) / sum(kwh for kwh, _ in priced) if len(prices) == len(priced) else None


@dataclass(frozen=True)
class Study:
    """A study, read and checked: its families, its cases, and those that are decided for several sites."""

    file: StudyFile
    source: Source
    families: tuple[Family, ...]
    cases: tuple[Case, ...]
    currency: str
    joint: tuple[Joint, ...] = ()

    @property
    def inputs(self) -> dict[str, str]:
        """The hash of each input file, by its path; the study's own first."""
        path = self.source.path
        found = {str(path): digest_of(path)}
        for family in self.families:
            found.update(family.inputs)
        return found


def read_study(path: Path) -> Study:
    """Read a study, its scenarios and tariffs, and list its cases.

    Raises
    ------
    InputError
        What is wrong in any of them, before anything runs; of several sites all findings together.
    """
    _refuse_scenario(path)
    file, source = read_document(path, StudyFile, ScenarioError)
    choices = file.choices()
    if not choices:
        raise ScenarioError(
            "no case is left", where=source.where(("leave_out",)), mend="Leave out less."
        )
    families, findings = _families(file, source, choices)
    raise_findings(findings)
    currency = _one_currency(families, source)
    every = [_case(choice, families, file) for choice in choices]
    once: dict[tuple[object, ...], Case] = {}
    for case in every:
        once.setdefault(_what_it_is(case), case)
    every += _beside_a_reference(list(once.values()))
    for case in every:
        once.setdefault(_what_it_is(case), case)
    cases = tuple(once.values())
    joint = tuple(
        each
        for name, sites in file.decide_together.items()
        for each in _decided_together(name, sites, every, once)
    )
    findings = list(_odd_cases(cases, source))
    raise_findings(findings[:10])
    once_each = tuple({id(family): family for family in families.values()}.values())
    return Study(file, source, once_each, cases, currency, joint)


def _decided_together(
    group: str,
    sites: Mapping[str, int],
    every: Sequence[Case],
    once: Mapping[tuple[object, ...], Case],
) -> Iterator[Joint]:
    """Yield what may be decided for all sites of a group, each once; two choices may come to the same."""
    found: dict[tuple[object, ...], dict[str, Case]] = {}
    for case in every:
        if case.family.site in sites:
            found.setdefault(_decision(case), {}).setdefault(case.family.site, case)
    seen = set()
    for of_sites in found.values():
        parts = tuple(
            (times, once[_what_it_is(of_sites[site])])
            for site, times in sites.items() if site in of_sites
        )  # fmt: skip
        lacking = tuple(site for site in sites if site not in of_sites)
        if (same := tuple(id(case) for _, case in parts)) not in seen:
            seen.add(same)
            yield Joint(group, next(iter(of_sites.values())).role, parts, lacking)


def _decision(case: Case) -> tuple[object, ...]:
    """Return what is decided for a site, whichever it is."""
    choice, family = case.choice, case.family
    found: list[object] = [family.tariff, case.way, choice.load_times, choice.pv_times]
    found.append(choice.prices_rise_pct)
    if case.way not in WITHOUT_BATTERY:
        keys = (*SIZES, "package", "endurance_hours")
        found += [family.controls, *(getattr(choice, key) for key in keys)]
    return tuple(found)


def _refuse_scenario(path: Path) -> None:
    """Refuse a scenario in the place of a study, before each of its keys is complained of."""
    is_beside = not is_file(path) and is_file(path.parent / SCENARIO_FILE)
    if path.name == SCENARIO_FILE or is_beside:
        raise ScenarioError(
            "a scenario is given, not a study",
            where=path,
            mend=f"Write a file with 'study: NAME' and 'sites: [{path.parent.name}]', and name that.",
        )


def _names(choice: Choice) -> tuple[str, str, str]:
    return choice.site or "", choice.tariff or OWN, choice.controls or OWN


def _families(
    file: StudyFile, source: Source, choices: list[Choice]
) -> tuple[dict[tuple[str, str, str], Family], list[InputError]]:
    folder = source.path.parent
    wanted = [_names(choice) for choice in choices]
    if file.reference is not None:
        wanted += [(site, file.reference.tariff, OWN) for site in file.sites]
    scenarios: dict[str, Scenario] = {}
    findings: list[InputError] = []
    for place, site in enumerate(file.sites):
        try:
            scenarios[site] = read_scenario(folder / site)
            if file.money is not None:
                _refuse_parts_of_a_year(scenarios[site], source.where(("sites", place)))
        except InputError as failure:
            findings.append(failure)
    families: dict[tuple[str, str, str], Family] = {}
    read = cache(read_tariff)
    for names in dict.fromkeys(wanted):
        site, tariff = names[:2]
        if site not in scenarios:
            continue
        try:
            scenario = scenarios[site]
            path = _tariff_path(tariff, scenario, folder, source, file)
            families[names] = _family(names, scenario, read(path), file)
        except InputError as failure:
            if str(failure) not in map(str, findings):
                findings.append(failure)
    _same_by_another_name(families, wanted[: len(choices)])
    return families, findings


def _same_by_another_name(
    families: dict[tuple[str, str, str], Family], listed: Sequence[tuple[str, str, str]]
) -> None:
    """Let a tariff of today that is listed by another name be that very family, so that it stands once."""

    def same(family: Family) -> tuple[str, str, Path]:
        return family.site, family.controls, family.brief.tariff.source.path.resolve()

    known = {same(families[names]): families[names] for names in listed if names in families}
    for names, family in families.items():
        if names not in listed:
            families[names] = known.get(same(family), family)


def _tariff_path(
    name: str, scenario: Scenario, folder: Path, source: Source, file: StudyFile
) -> Path:
    if name == OWN:
        where = scenario.source.where(("tariff",))
        return find_tariff(scenario.file.tariff, scenario.folder, where)
    listed = file.vary.tariff or []
    place: tuple[str | int, ...] = ("also",)
    if name in listed:
        place = ("vary", "tariff", listed.index(name))
    elif file.reference is not None and name == file.reference.tariff:
        place = ("reference", "tariff")
    return find_tariff(name, folder, source.where(place))


def _family(
    names: tuple[str, str, str], scenario: Scenario, tariff: Tariff, file: StudyFile
) -> Family:
    controls = scenario.controls if names[2] == OWN else file.controls[names[2]]
    changed = scenario.file.model_copy(update={"controls": controls})
    scenario = replace(scenario, file=changed)
    state = scenario.file.state
    refuse_unknown_history(tariff, state, lambda key: scenario.source.where(("state", key)))
    brief = Brief(scenario, tariff, cost_for(scenario, tariff))
    files = [*files_of(scenario.source), *files_of(tariff.source)]
    inputs = tuple((str(path), digest_of(path)) for path in dict.fromkeys(files))
    return Family(*names, brief, inputs)


def _refuse_parts_of_a_year(scenario: Scenario, where: str) -> None:
    grid = scenario.forecast.grid
    least, most = DAYS_OF_A_YEAR
    if not least <= len(grid.dates) <= most:
        raise ScenarioError(
            f"the forecast has {len(grid.dates)} days; money over years needs one of about a year",
            where=where,
            mend="Give the site a forecast of a year, or leave money out.",
        )


def _one_currency(families: dict[tuple[str, str, str], Family], source: Source) -> str:
    found: dict[str, str] = {}
    for family in families.values():
        found.setdefault(family.brief.tariff.currency, family.name)
    if len(found) > 1:
        told = " and ".join(f"{currency} ({name})" for currency, name in found.items())
        raise ScenarioError(
            f"the tariffs are in several currencies: {told}",
            where=source.where(("vary", "tariff")),
            mend="Make one study for each currency.",
        )
    return next(iter(found))


def _case(choice: Choice, families: dict[tuple[str, str, str], Family], file: StudyFile) -> Case:
    family = families[_names(choice)]
    terms = file.money
    if terms is not None and choice.prices_rise_pct is not None:
        terms = terms.model_copy(update={"prices_rise_pct_per_year": choice.prices_rise_pct})
    today = None
    if file.reference is not None:
        today = Today(
            families[choice.site or "", file.reference.tariff, OWN], _way_of(file.reference)
        )
    package = file.packages[choice.package] if choice.package else None
    run = family.run_of(choice, package)
    return Case(choice, family, run, terms, file.ageing, today=today, package=package)


def _way_of(reference: Reference) -> Way:
    if reference.battery == OWN:
        return "no_windows"
    return "neither" if reference.pv == "none" else "no_battery"


def _what_it_is(case: Case) -> tuple[object, ...]:
    """Return what makes a case another one; two choices may come to the same."""
    rise = None if case.terms is None else case.terms.prices_rise_pct_per_year
    if case.way in WITHOUT_BATTERY:
        run = case.run
        return case.family.site, case.family.tariff, case.way, run.load_times, run.pv_times, rise
    return case.family.name, case.run, case.way, rise, case.package


def _beside_a_reference(listed: Sequence[Case]) -> list[Case]:
    """Return what is ranked beside listed cases: today's own, what stands today on each tariff, no windows.

    Where the PV is to be bought it stands alone too, and a battery that stands with windows too. What
    comes first gives a case its role.
    """
    measured = [case for case in listed if case.today is not None]
    todays = [replace(case.before, role="today") for case in measured]
    kept = [replace(case.nothing_bought, role="nothing bought") for case in measured]
    more: dict[Way, tuple[Way, str]] = {
        "neither": ("no_battery", "PV alone"), "no_windows": ("windows", "what stands"),
    }  # fmt: skip
    return [
        *todays,
        *kept,
        *(
            replace(case, way=more[case.way][0], role=more[case.way][1])
            for case in (*todays, *kept) if case.way in more
        ),
        *(replace(case, way="no_windows", role="as it comes") for case in measured),
    ]  # fmt: skip


def _odd_cases(cases: tuple[Case, ...], source: Source) -> Iterator[InputError]:
    """Yield what the battery of a scenario would be refused for too."""
    seen = set()
    for case in cases:
        run = case.run
        hours = run.battery_kwh / max(run.charge_kw, run.discharge_kw)
        pair = run.battery_kwh, run.discharge_kw
        if pair in seen or 0.05 <= hours <= MAX_HOURS_TO_FILL:
            continue
        seen.add(pair)
        yield ScenarioError(
            f"a battery of {number(run.battery_kwh)} kWh with {number(run.discharge_kw)} kW would take"
            f" {hours:.3g} hours to fill",
            where=source.where(("vary", "battery_kw")),
            mend="Check that capacities are in kWh and powers in kW, or leave this pair out.",
        )


def _hashed(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:32]
