"""Try it yourself: windows moved by hand, the exact bill beside that of another version, why a step is so."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from optimizer.base.errors import InputError
from optimizer.base.files import write_file
from optimizer.base.timegrid import TimeGrid
from optimizer.base.units import money, read_clock
from optimizer.base.words import later, say
from optimizer.evaluation.typical_day import steps_of
from optimizer.page.part import Finding, Form, Part, State, errors_in
from optimizer.page.parts.answer import still_missing
from optimizer.page.templates import rendered
from optimizer.page.trying_drawing import Bar, ShownDay, draw_days, draw_tried, scales_of
from optimizer.page.trying_form import DayRows, Sheet, on_the_page
from optimizer.report.card import card_for
from optimizer.report.day_drawing import draw_day
from optimizer.report.record import commented_settings
from optimizer.report.verdict import LEAST_MONEY
from optimizer.scenario.brief import read_brief
from optimizer.settings.check import read_settings
from optimizer.settings.menu import DAY_SETS
from optimizer.settings.windows import Settings, months_text
from optimizer.workflows.in_use import SETTINGS, in_use_if_any
from optimizer.workflows.trying import Trying as Session
from optimizer.workflows.trying import Version, changes_by_charge

if TYPE_CHECKING:
    from starlette.requests import Request

    from optimizer.page.folder import Folder

YOURS = "yours.yaml"
MOST_KEPT = 12
"""So many versions are remembered before they are forgotten."""

BESIDE = {
    "found": later("as found"),
    "in_use": later("as typed in today"),
    "plain": later("as it comes, no windows"),
}
ONE_DAY = "day"
WEEKDAYS = {name: days for kind in DAY_SETS.values() for name, days in kind.items()}


@dataclass
class Desk:
    """A site on which settings are tried, and versions at hand; made anew when its files change."""

    session: Session
    starts: Mapping[str, Settings]
    notes: Sequence[InputError] = ()
    versions: dict[str, Version] = field(default_factory=dict)

    def version(self, name: str, of: str, make: Callable[[], Version]) -> Version:
        """Return a version that was made before of the same settings, or make it."""
        key = f"{name} {of}"
        if key not in self.versions:
            if len(self.versions) >= MOST_KEPT:
                self.versions.clear()
            self.versions[key] = make()
        return self.versions[key]

    def beside(self, name: str) -> Version:
        """Return the version that yours is held against."""
        if name == "plain":
            return self.version(name, "", lambda: self.session.plain(say(BESIDE[name])))
        return self.version(
            name, "", lambda: self.session.version(say(BESIDE[name]), self.starts[name])
        )


class Trying(Part):
    """Windows moved by hand."""

    name = "trying"
    title = later("Try it yourself")

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return what works out what is shown of what was typed."""

        def opened(typed: Form) -> Live:
            live = live_of(folder, typed)
            threading.Thread(target=live.warm, daemon=True).start()
            return live

        return {"live_of": opened}

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Keep yours as a settings file: beside what was found, or in its place."""
        live = live_of(folder, form)
        if live.desk is None or live.yours is None:
            return live.findings
        scenario = live.desk.session.brief.scenario
        head = [f"# Settings for {scenario.name} on tariff {live.desk.session.brief.tariff.name}.",
                "# Tried by hand."]  # fmt: skip
        name = SETTINGS if form.get("keep") == "found" else YOURS
        write_file(commented_settings(head, scenario, live.yours.settings), folder.results / name)
        return []

    def findings(self, folder: Folder) -> list[Finding]:
        """Return nothing: what is wrong is told of what is typed."""
        return []

    def seen(self, folder: Folder) -> str:
        """Return what changes when settings are kept."""
        return folder.fingerprint(f"results/{YOURS}", f"results/{SETTINGS}")

    def state(self, folder: Folder) -> State:
        """Return whether a version of yours is kept."""
        if (folder.results / YOURS).is_file():
            return State("done", say("yours is kept"))
        return State("open", say("whenever you like"))

    def routes(self, folder: Folder) -> Sequence[Route]:
        """Return what follows a hand, the same without script, and the card of yours."""
        return [
            Route("/live", partial(_live, folder), methods=["POST"]),
            Route("/worked", partial(_worked, folder, self), methods=["GET", "POST"]),
            Route("/card", partial(_card, folder), methods=["POST"]),
        ]


def desk_of(folder: Folder) -> Desk:
    """Return the desk of a folder, made anew when one of its files has changed.

    Raises
    ------
    InputError
        If scenario, forecast or tariff cannot be read, or settings that lie there are refused.
    """
    files = sorted(
        str(path.relative_to(folder.path))
        for pattern in ("*.yaml", "*.csv", "*/*.yaml", "*/*.csv")
        for path in folder.path.glob(pattern)
    )
    return folder.remembered(
        "trying", folder.fingerprint("scenario.yaml", *files), partial(_desk, folder)
    )


def _desk(folder: Folder) -> Desk:
    brief = read_brief(folder.path)
    scenario = brief.scenario
    starts: dict[str, Settings] = {}
    notes: list[InputError] = []

    def kept(file: str) -> Settings | None:
        path = folder.results / file
        return read_settings(path, scenario.controls, scenario.plant) if path.is_file() else None

    for name, read in (
        ("yours", partial(kept, YOURS)),
        ("found", partial(kept, SETTINGS)),
        ("in_use", partial(in_use_if_any, scenario, None)),
    ):
        try:
            settings = read()
        except InputError as error:  # settings of other equipment
            notes += errors_in(error)
        else:
            starts |= {} if settings is None else {name: settings}
    return Desk(Session(brief), starts, notes)


@dataclass(frozen=True)
class Live:
    """All that is shown of what is typed; ``yours`` is None where it is refused, ``desk`` without a site."""

    sheet: Sheet
    findings: Sequence[Finding]
    desk: Desk | None = None
    yours: Version | None = None
    beside: Version | None = None
    shown: str = ""
    day: int = -1
    at: str = ""
    beside_name: str = "plain"
    days: Sequence[DayRows] = ()
    choices: Sequence[tuple[str, str]] = ()
    others: Sequence[tuple[str, str]] = ()
    names: Sequence[tuple[str, str]] = ()

    def warm(self) -> None:
        """Find out what steps are held to before somebody asks: the first time it takes seconds."""
        for version in (self.yours, self.beside):
            if version is not None:
                version.why(0)

    def fragments(self, form: Form) -> dict[str, str]:
        """Return the parts of the page that follow a change, as HTML by the id of their place.

        Fields are drawn anew where some come or go; the year waits until a hand has let go.
        """
        names = ["bill"]
        if self.yours is not None:
            names += ["days", "reasons", *([] if "moving" in form else ["year"])]
        names += ["windows"] if "do" in form else []
        return {name: rendered(f"trying_{name}.html", live=self) for name in names}

    @property
    def currency(self) -> str:
        """Currency of all money."""
        return self.desk.session.brief.currency if self.desk else ""

    @property
    def verdict(self) -> str:
        """What the year costs with yours, and beside the other version, in one sentence."""
        if self.yours is None or self.beside is None:
            return say("Not worked out: something is to be mended first.")
        ours, theirs = self.yours.bill.total, self.beside.bill.total
        values = {
            "ours": money(ours, self.currency),
            "theirs": money(theirs, self.currency),
            "name": self.beside.name,
            "change": money(abs(ours - theirs), self.currency),
            "span": self.span,
        }
        if abs(ours - theirs) < LEAST_MONEY:
            return say("{span} costs {ours} with yours, the same as “{name}”.", **values)
        if ours < theirs:
            return say(
                "{span} costs {ours} with yours: {change} less than “{name}” ({theirs}).", **values
            )
        return say(
            "{span} costs {ours} with yours: {change} more than “{name}” ({theirs}).", **values
        )

    @property
    def dates(self) -> list[date]:
        """The days of the forecast."""
        assert self.desk is not None
        return self.desk.session.brief.scenario.forecast.grid.dates

    @property
    def step_time(self) -> str:
        """When the chosen step begins, by the clock."""
        assert self.desk is not None
        grid, step = self.desk.session.brief.scenario.forecast.grid, self.step or 0
        return self.desk.session.brief.scenario.file.writing.time(int(grid.minute_of_day[step]))

    @property
    def floors(self) -> list[tuple[str, str, str]]:
        """The fields of floors: name, label, what is typed."""
        assert self.desk is not None
        found = [("floor_pct", say("Floor, %"), self.sheet.floor)]
        for s, season in enumerate(self.sheet.seasons):
            if self.desk.session.brief.scenario.controls.floor_by_season or season["floor_pct"]:
                path = f"seasons.{s}"
                first = next(each for each in self.days if self.season_of(each) == path)
                months = months_text(first.months)
                label = say("Floor of {months}, %", months=months)
                found.append((f"seasons.{s}.floor_pct", label, season["floor_pct"]))
        return found

    @staticmethod
    def season_of(part: DayRows) -> str:
        """Return the path of the season of a day set."""
        return part.name.partition(".day_sets")[0]

    @staticmethod
    def heading(part: DayRows) -> str:
        """Return the months and days of a day set in words."""
        return f"{months_text(part.months)}, {say(part.days)}"

    @property
    def span(self) -> str:
        """The days that are billed."""
        assert self.desk is not None
        dates = self.desk.session.brief.scenario.forecast.grid.dates
        if 364 <= len(dates) <= 366:
            return say("The year")
        return say("From {first} to {last} it", first=dates[0], last=dates[-1])

    @property
    def charges(self) -> list[tuple[str, str, str, str]]:
        """Each charge with yours, with the other, and the difference; wear of the battery, if it counts."""
        if self.yours is None or self.beside is None:
            return []
        rows = list(changes_by_charge(self.yours.bill, self.beside.bill).items())
        rows.append((say("All together"), (self.yours.bill.total, self.beside.bill.total)))
        if self.yours.horizon.plant.wear_per_kwh:
            rows.append(
                (say("Wear of the battery, on no bill"), (self.yours.wear, self.beside.wear))
            )
        return [
            (name, money(ours), money(theirs), _signed(ours - theirs))
            for name, (ours, theirs) in rows
        ]

    @property
    def charts(self) -> list[Any]:
        """The day with yours and with the other version."""
        if self.desk is None or self.beside is None:
            return []
        versions = [version for version in (self.yours, self.beside) if version is not None]
        drawn = [self._shown(version) for version in versions]
        writing = self.desk.session.brief.scenario.file.writing
        scales = scales_of(drawn)
        return [draw_tried(shown, scales, self.currency, writing) for shown in drawn]

    @property
    def year(self) -> Any:
        """The import of each day of the year."""
        version = self.yours or self.beside
        if version is None:
            return ""
        return draw_days(version.horizon.grid, version.import_by_day, self.day)

    @property
    def reasons(self) -> list[tuple[str, str]]:
        """Why the chosen step is as it is, in each version; empty for an average day."""
        if self.step is None:
            return []
        return [
            (version.name, version.why(self.step).text)
            for version in (self.yours, self.beside)
            if version is not None
        ]

    @property
    def step(self) -> int | None:
        """The step that is chosen on a single day."""
        if self.shown != ONE_DAY or self.beside is None or self.day < 0:
            return None
        part, grid = self.beside.steps_of_day(self.day), self.beside.horizon.grid
        minutes = grid.minute_of_day[part]
        inside = (minutes <= read_clock(self.at)).nonzero()[0]
        return int(part.start) + int(inside[-1] if len(inside) else 0)

    def _shown(self, version: Version) -> ShownDay:
        assert self.desk is not None
        is_mine = version is self.yours
        grid = version.horizon.grid
        if self.shown == ONE_DAY:
            when, part = grid.dates[self.day], version.steps_of_day(self.day)
            step = self.step if self.step is not None else part.start
            told = dict(self.reasons).get(version.name, "") if is_mine else ""
            return ShownDay(
                f"{version.name}: {when}", version.single_day(self.day),
                version.prices["import_kwh"][part],
                self._bars(version, when.month, when.weekday()), is_mine, step - part.start, told,
            )  # fmt: skip
        rows = next(each for each in self.days if each.name == self.shown)
        weekdays = WEEKDAYS[rows.days]
        months = [month for month in rows.months if month in grid.months]
        name = ", ".join(filter(None, [months_text(rows.months), say(rows.days)]))
        return ShownDay(
            say("{version}: average of {name}", version=version.name, name=name),
            version.average_day(months, weekdays), version.average_price(months, weekdays),
            self._bars(version, months[0], weekdays[0]), is_mine,
        )  # fmt: skip

    def _bars(self, version: Version, month: int, weekday: int) -> list[Bar]:
        assert self.desk is not None
        menu = self.desk.session.brief.scenario.controls.menu
        found = []
        for number, place in enumerate(version.settings.places(), start=1):
            season = version.settings.seasons[place.season]
            window = version.settings.window(place)
            if month in season.months and weekday in season.day_sets[place.day_set].weekdays:
                name = f"seasons.{place.season}.day_sets.{place.day_set}.windows.{place.window}"
                minutes = (
                    menu.list_of(window.action).minutes if window.action in menu.actions else 1
                )
                found.append(Bar(number, name, window, minutes))
        return found


def _signed(amount: float) -> str:
    text = money(amount)
    return text if text.startswith("-") or abs(amount) < LEAST_MONEY else f"+{text}"


def live_of(folder: Folder, form: Form) -> Live:
    """Return what is shown of a form; without fields, of what was kept last or found."""
    try:
        desk = desk_of(folder)
    except InputError as error:
        told = [Finding("", each.what, each.mend) for each in errors_in(error)]
        return Live(Sheet("", []), still_missing(folder) or told)
    session, controls = desk.session, desk.session.brief.scenario.controls
    others = [name for name in BESIDE if name in desk.starts or name == "plain"]
    beside_name = form.get("beside") if form.get("beside") in others else others[0]
    if "floor_pct" in form:
        sheet = Sheet.typed(form)
        _fill_in_actions(sheet, controls.menu.actions)
    else:
        start = next(
            (desk.starts[name] for name in ("yours", *BESIDE) if name in desk.starts), None
        )
        known = (start or session.blank("yours")).as_stored(controls)
        known = known if known.seasons else session.blank("yours")
        sheet = Sheet.of(known)
    findings: list[Finding] = []
    yours = None
    content = sheet.content()
    findings += sheet.findings
    if not findings:
        try:
            yours = desk.version(
                "yours", repr(content), lambda: session.typed(say("yours"), content)
            )
        except InputError as error:
            findings = [on_the_page(each, sheet.place_of(each.place)) for each in errors_in(error)]
    beside = desk.beside(beside_name)
    days = sheet.day_rows(controls.menu)
    grid = beside.horizon.grid
    averages = [each for each in days if _has_days(grid, each)]
    shown, day = _day_of(form, [each.name for each in averages], grid.dates)
    choices = [(each.name, say("average of {name}", name=Live.heading(each))) for each in averages]
    return Live(
        sheet, findings, desk, yours, beside, shown, day, _time_of(form), beside_name, days,
        [*choices, (ONE_DAY, say("a single day"))],
        [(name, say(BESIDE[name])) for name in others],
        [(action, say(action)) for action in controls.menu.actions],
    )  # fmt: skip


def _has_days(grid: TimeGrid, part: DayRows) -> bool:
    weekdays = WEEKDAYS.get(part.days, ())
    if len(grid.dates) >= 365:
        return bool(weekdays) and bool(part.months)
    return bool(steps_of(grid, part.months, weekdays).any())


def _fill_in_actions(sheet: Sheet, actions: Sequence[str]) -> None:
    for season in sheet.seasons:
        for part in season["day_sets"]:
            for texts in part["windows"]:
                texts["action"] = texts.get("action") or actions[0]


def _day_of(form: Form, averages: Sequence[str], dates: Sequence[date]) -> tuple[str, int]:
    """Return what day is shown, and which of the forecast is chosen, −1 for none."""
    shown = form.get("shown")
    try:
        day = dates.index(date.fromisoformat(form.get("date")))
    except ValueError:
        day = -1
    if shown == ONE_DAY or not averages:
        return ONE_DAY, max(day, 0)
    return (shown if shown in averages else averages[0]), day


def _time_of(form: Form) -> str:
    text = form.get("at", "18:00")
    try:
        read_clock(text)
    except ValueError:
        return "18:00"
    return text


def _at_home(request: Request) -> Request:
    """Return a request to an address below the part as one to the page, which all its links begin with."""
    scope = {**request.scope, "root_path": request.scope.get("app_root_path", "")}
    return type(request)(scope)


async def _form(request: Request) -> Form:
    async with request.form(max_files=0, max_fields=2_000) as sent:
        values: dict[str, list[str]] = {}
        for name, value in sent.multi_items():
            if isinstance(value, str):
                values.setdefault(name, []).append(value)
    return Form(values)


async def _live(folder: Folder, request: Request) -> Response:
    """Return what follows a change, as JSON: fragments of HTML by their place, and what is wrong by field."""
    form = await _form(request)

    def work() -> dict[str, Any]:
        live = live_of(folder, form)
        wrong = [
            {"field": each.field, "told": f"{each.what} {each.mend}".strip()}
            for each in live.findings
        ]
        return {"fragments": live.fragments(form) if live.desk else {}, "wrong": wrong}

    return JSONResponse(await run_in_threadpool(work))


async def _worked(folder: Folder, part: Part, request: Request) -> Response:
    """Show the part with what was typed, worked out: the way without script."""
    from optimizer.page.shell import Told, shown  # it lists the parts

    if request.method == "GET":
        return RedirectResponse("../trying", 303)
    form = await _form(request)

    def work() -> Response:
        live = live_of(folder, form)
        told = Told(live.findings, form)
        page = shown(
            folder, _at_home(request), "trying.html", told,
            part=part, title=say(part.title), following=None, live_of=lambda _typed: live,
            seen=form.get("seen") or part.seen(folder),
        )  # fmt: skip
        return HTMLResponse(page, 422 if live.findings else 200)

    return await run_in_threadpool(work)


async def _card(folder: Folder, request: Request) -> Response:
    """Show the card of yours, to be printed."""
    from optimizer.page.shell import Told, shown  # it lists the parts

    form = await _form(request)

    def work() -> str:
        live = live_of(folder, form)
        values: dict[str, Any] = {"card": None}
        if live.desk is not None and live.yours is not None:
            scenario = live.desk.session.brief.scenario
            card = card_for(scenario, live.yours.settings)
            writing = scenario.file.writing
            values = {"card": card, "draw": lambda part, name: _drawn(part, name, writing), "live": live,
                      "invented": scenario.file.invented}  # fmt: skip
        return shown(folder, _at_home(request), "trying_card.html", Told(live.findings, form), part=None,
                     title=say("What to type in"), following=None, **values)  # fmt: skip

    return HTMLResponse(await run_in_threadpool(work))


def _drawn(part: Any, name: str, writing: Any) -> Any:
    from markupsafe import Markup

    return Markup(draw_day(part, name, writing))
