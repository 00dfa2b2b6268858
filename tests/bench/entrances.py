"""The entrances of the program: for each a reader in process, and seeds, good and broken ones.

``fuzz_entrances.py`` damages the seeds. An entrance is handed a file and answers False where it told what
is wrong without an error, as a form does. Shares are by cost: what takes a millisecond is asked more often.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
import tempfile
import zlib
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import parse_qs

import pvlib
from typer.main import get_command

import optimizer as tw
from optimizer.base.calendar import DayCalendar, Holidays, Seasons
from optimizer.base.documents import read_document
from optimizer.base.errors import (
    DisagreementError,
    Mistake,
    ScenarioError,
    SettingsError,
    SolveError,
    TariffError,
)
from optimizer.base.questions import Nonsense
from optimizer.base.timegrid import TimeGrid, calendar_months
from optimizer.base.typed_numbers import typed_number
from optimizer.billing.history import History
from optimizer.billing.open_tariffs.combined import combined, listed, offered, read_listing
from optimizer.billing.rate_rows import read_sheet, tariff_of, tariff_yaml
from optimizer.billing.rate_words import read_days, read_holidays, read_months, read_time
from optimizer.billing.reconcile import read_paid_bill
from optimizer.billing.tariff import compile_cost, read_tariff
from optimizer.billing.worked import read_worked_bills
from optimizer.cli.app import app
from optimizer.forecasting.sun import read_typical_year
from optimizer.metering.forecast_csv import read_forecast
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.price_csv import read_prices
from optimizer.metering.price_table import read_price_table
from optimizer.page.part import Form
from optimizer.page.rate_form import sheet_of
from optimizer.page.trying_form import Sheet
from optimizer.scenario.draft import holding, read_draft, rewritten
from optimizer.scenario.questions import QUESTIONS
from optimizer.scenario.scenario import read_scenario
from optimizer.settings.check import read_settings
from optimizer.settings.controls import Controls
from optimizer.settings.short_text import _check as check_of
from optimizer.settings.short_text import short_text
from optimizer.settings.windows import Settings
from optimizer.studies.answer_store import LEDGER, Ledger
from optimizer.studies.study_file import StudyFile
from optimizer.workflows import verify as verifying
from optimizer.workflows.fleet import sites_named, yields_named
from optimizer.workflows.in_use import FOLDER, settings_in_use
from tests.bench import fuzz_readers
from tests.bench.fuzz_readers import REQUESTS, read_whole, tables
from tests.cli.test_formats import shortened
from tests.laws.cases import AC_PLANT
from tests.page.serving import Asked, asked
from tests.readers.test_open_tariffs import ALL_FOUR, NORWEGIAN

ROOT = Path(__file__).parents[2]
GALLERY = ROOT / "tests" / "broken"
GRID = TimeGrid(datetime(2026, 3, 1, tzinfo=UTC), 60, 72, "Europe/Dublin")

YAML_TOKENS = [
    b"null", b"true", b"no", b"~", b"[]", b"{}", b"[1, 2]", b"{a: 1}", b"!!float \"\"", b"!!python/none", b"&a", b"*a",
    b"<<: *a", b"0x" + b"f" * 300, b"1_000", b"0o17", b"1e400", b".nan", b"-.inf", b"'", b"|\n  x", b"? ", b"- ", b": ",
    b"2026-02-30", b"2026-03-01", b"22:00-06:00", b"24:00", b"13,5", b"10%", b"# ", b"---\n", b"...\n", b"%YAML 9.9\n",
    b"[" * 60, b"kind: energy", b"per_kwh: 34", b"otherwise: true", b"months: [13]", b"\t", b"weekdays", b"next day",
    "\u2028".encode(), "\u202e".encode(), b"\xed\xa0\x80", b"$$", b"../../x", b"/dev/zero", b"a" * 5000,
]  # fmt: skip

WORDS = [
    "plan", "bill", "read", "check", "study", "outage", "renew", "review", "replay", "forecast", "verify", "menu",
    "fleet", "tomorrow", "stay-off", "read-tariff", "new", "page", "forecast.csv", "--list", "--json",
    "--out", "--tariff", "--zone", "Europe/Dublin", "two_rates", "--paid", "--history", "--explain", "--accept",
    "--undo", "--previous", "--settings", "--critical", "--floors", "--members", "0", "-1", "1e9", "nan", "", "-", "--",
    "--help", "--version", "--effort", "quick", "--windows", "--worth", "--least", "--metered", "--point", "--fill",
    "linear", "--dates", "day-first", "--stamps", "end", "\u0000", "\ud800", "a" * 5000, "/dev/null", "/dev/zero", ".",
    "..", "/", "nowhere", "no/where/else", "--debug", "--table", "csv", "--processes", "--seed", "\u202e", "*", "~",
]  # fmt: skip
LONG = {
    "plan",
    "study",
    "outage",
    "renew",
    "forecast",
    "replay",
    "tomorrow",
    "fleet",
    "menu",
    "stay-off",
    "review",
}
"""Commands whose work takes its time: they are not let find a site."""

SCENARIO = """\
scenario: Tarn Hollow
zone: Europe/Dublin
forecast: forecast.csv
tariff: two_rates
battery: {capacity_kwh: 12, charge_kw: 4, discharge_kw: 5, floor_pct: 10, ceiling_pct: 90}
inverter: {ac_limit_kw: 6, efficiency_pct: 97}
pv: {coupling: dc, peak_kw: 6}
connection: {import_limit_kw: 15, export_limit_kw: 5}
permissions: {charge_from_grid: true, export_stored_energy: false}
reserve_pct: 20
worth_typing: 5
outage: {hours: 4, share_pct: 80, carries: building}
loads:
  - {name: pump, running_w: 700, starting_factor: 3, critical: true}
behaviour: {at_target: ends, floor_restart_pct: 5, standby_kw: 0.05}
state: {start_pct: 30, end_pct: free, leftover_per_kwh: 0.1}
controls:
  windows_per_day: 2
  day_types: weekday_weekend
  minutes: 30
  after_midnight: next day
  power_step_pct: 10
"""

COMMAND = get_command(app)
MOST_WORDS = 2_000


# --- readers of files ---------------------------------------------------------------------------


def _tariff(path: Path) -> None:
    tariff = read_tariff(path)
    compile_cost(tariff, GRID, calendar_months(GRID))


def _short_text(path: Path) -> None:
    """Half of the texts get a check that fits, so that their words are read."""
    words = path.read_bytes().decode("utf-8", "replace").split()
    if words and zlib.crc32(path.read_bytes()) % 2:
        path.write_text(" ".join([*words[:-1], check_of(words[:-1])]), encoding="utf-8")
    read_settings(path, Controls(), AC_PLANT)


def _history_of_settings(path: Path) -> None:
    (path.parent / FOLDER).mkdir()
    path.replace(path.parent / FOLDER / "2026-01-01.yaml")
    settings_in_use(path.parent)


def _ledger(path: Path) -> None:
    path.replace(path.parent / LEDGER)
    Ledger(path.parent).close()


def _price_table(path: Path) -> None:
    calendar = DayCalendar(Seasons({}), Holidays())
    read_price_table(path, "price_per_kwh", GRID, calendar, "here", [])


def _open_tariff(path: Path) -> bool:
    listings = [read_listing(path, 40.0)]
    listed(listings)
    text = offered(listings).text
    first = next((n for n, each in enumerate(listings[0].offers, 1) if each.refused is None), None)
    if first is None:
        return False
    text = combined(listings, [str(first)]).text
    path.with_name("tariff.yaml").write_text(text, encoding="utf-8")
    _tariff(path.with_name("tariff.yaml"))
    return True


def _outside(path: Path) -> None:
    """Meter data from outside; what is asked of them hangs on their bytes, so that a file tells all."""
    read_whole(path, REQUESTS[zlib.crc32(path.read_bytes()) % len(REQUESTS)])


def _draft(path: Path) -> None:
    """A scenario as the page opens it: as far as it is written, changed, and written again."""
    draft = read_draft(path.parent)
    held = holding(draft)
    for question in QUESTIONS:
        question.is_asked(held)
        question.choices_after(held)
        question.default_after(held)
    rewritten(draft, {"reserve_pct": 25.0} | dict.fromkeys(list(held)[:2]))


def _fleet(path: Path) -> None:
    sites_named([path])


@cache
def results() -> dict[str, bytes]:
    """Return the files of a plan of a few days."""
    with tempfile.TemporaryDirectory() as place:
        site, out = shortened("2_peak_demand", Path(place)), Path(place) / "out"
        code, _ = said(["plan", str(site), "--out", str(out), "--effort", "quick"], Path(place))
        if code:
            raise AssertionError(f"no results to damage: {code}")
        return {str(each.relative_to(out)): each.read_bytes() for each in out.rglob("*") if each.is_file()}  # fmt: skip


def _results_with(name: str) -> Callable[[Path], bool]:
    """Return a reader of a folder of results in which one file is the given one."""

    def verified(path: Path) -> bool:
        folder = path.parent / "results"
        for other, data in results().items():
            (folder / other).parent.mkdir(parents=True, exist_ok=True)
            (folder / other).write_bytes(data)
        path.replace(folder / name)
        return verifying.verify(folder, time_limit_s=2.0).first is None

    return verified


def _planned(path: Path) -> bool:
    """A site with a damaged file is planned where it can be read; in 2 s, for damages make it long."""
    scenario = path.parent / "scenario.yaml"
    if path != scenario:
        scenario.write_text(SCENARIO.replace("two_rates", "tariff.yaml"), encoding="utf-8")
    if path.name != "tariff.yaml":
        path.with_name("tariff.yaml").write_bytes((ROOT / "tariffs/two_rates.yaml").read_bytes())
    try:
        tw.cheapest_plan(tw.read_scenario(path.parent), time_limit_s=2.0)
    except DisagreementError as failure:
        raise AssertionError(str(failure)) from failure
    except SolveError:
        return False
    return True


# --- what is typed ------------------------------------------------------------------------------


def _form(path: Path) -> Form:
    text = path.read_bytes().decode("utf-8", "replace")
    return Form(parse_qs(text.replace("\n", "&"), keep_blank_values=True, max_num_fields=2_000))


def _typed_rates(path: Path) -> bool:
    read = read_sheet(sheet_of(_form(path)))
    tariff = tariff_of(read)
    if tariff is None:
        if not read.findings:
            raise AssertionError("no tariff, and nothing is told")
        return False
    path.with_name("tariff.yaml").write_text(tariff_yaml(tariff), encoding="utf-8")
    read_tariff(path.with_name("tariff.yaml"))
    return True


def _typed_windows(path: Path) -> bool:
    sheet = Sheet.typed(_form(path))
    content = sheet.content()
    path.with_name("settings.json").write_text(json.dumps(content))
    read_settings(path.with_name("settings.json"), Controls(), AC_PLANT)
    return not sheet.findings


def _typed_answers(path: Path) -> bool:
    """Answers to the questions on a site, one on a line, each after those before."""
    answers: dict[str, Any] = {}
    by_name = {question.name: question for question in QUESTIONS}
    is_all = True
    for line in path.read_bytes().decode("utf-8", "replace").split("\n"):
        name, _, text = line.partition("=")
        if (question := by_name.get(name)) is None:
            continue
        try:
            answers[name] = question.read(text, answers)
            question.remark(answers[name]) if question.kind in ("number", "count") else None
        except Nonsense:
            is_all = False
    return is_all


def _typed_words(path: Path) -> bool:
    """Single fields: a number, hours, months, days, holidays."""
    kind, _, text = path.read_bytes().decode("utf-8", "replace").partition("=")
    readers: dict[str, Callable[[str], object]] = {
        "number": typed_number, "time": read_time, "months": read_months, "days": read_days,
        "holidays": read_holidays,
    }  # fmt: skip
    try:
        readers.get(kind, typed_number)(text)
    except Mistake:
        return False
    return True


@cache
def page() -> tuple[Asked, Path]:
    """Return the page on a folder of its own."""
    house = Path(tempfile.mkdtemp()) / "house"
    house.mkdir()
    return asked(house), house


def _page(path: Path) -> bool:
    """A form sent to a part of the page; the first line says to which."""
    seen, house = page()
    for each in house.iterdir():
        if each.is_file():
            each.unlink()
    (house / "scenario.yaml").write_text(SCENARIO, encoding="utf-8")
    name, _, body = path.read_bytes().partition(b"\n")
    part = name.decode("ascii", "replace").strip()
    if part not in PAGE_PARTS:
        part = "used"
    kind = "application/x-www-form-urlencoded"
    told = seen.client.post(
        f"{seen.room}/{part}",
        content=body.replace(b"\n", b"&"),
        headers=seen.headers(content_type=kind),
    )
    if told.status_code not in {303, 400, 413, 422}:
        raise AssertionError(f"status {told.status_code} of {part}")
    return told.status_code == 303


def said(words: list[str], folder: Path) -> tuple[int, int]:
    """Return the exit code of words on the command line, and how many signs it told on standard error."""
    streams = [io.TextIOWrapper(io.BytesIO(), "utf-8", "replace") for _ in range(2)]
    before, sys.stdin, code = sys.stdin, io.TextIOWrapper(io.BytesIO()), 0
    try:
        with contextlib.chdir(folder), contextlib.redirect_stdout(streams[0]), contextlib.redirect_stderr(streams[1]):  # fmt: skip
            COMMAND.main(words, prog_name="tariffwright")
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        sys.stdin = before
    streams[1].flush()
    return code, len(streams[1].buffer.getvalue())  # type: ignore[attr-defined]


def _command(path: Path) -> bool:
    """Words on the command line, one on a line; no long work is let run."""
    words = path.read_bytes().decode("utf-8", "surrogateescape").split("\n")
    first = next((at for at, word in enumerate(words) if word[:1] != "-"), None)
    if first is not None and words[first] in LONG:
        rest = ["nowhere", *words[first + 1 :]] if len(words) % 5 else ["--help"]
        words = [*words[: first + 1], *rest]
    elif first is not None and words[first] == "page":
        words = ["page", "--help"]
    code, signs = said(words, path.parent)
    if code not in {0, 2, 3, 10, 64}:
        raise AssertionError(f"exit code {code} of {words!r}")
    if signs > MOST_WORDS and "a" * 1000 not in "".join(words):  # click repeats words
        raise AssertionError(f"{signs:,} signs of {words!r}")
    return code == 0


# --- all of them --------------------------------------------------------------------------------


class Entrance(NamedTuple):
    """The name of the file it reads, what reads it, and how often it is asked beside the others."""

    file: str
    read: Callable[[Path], object]
    share: float


ENTRANCES: dict[str, Entrance] = {
    "scenario": Entrance("scenario.yaml", read_scenario, 1),
    "scenario, as the page opens it": Entrance("scenario.yaml", _draft, 0.5),
    "tariff": Entrance("tariff.yaml", _tariff, 1.5),
    "open tariff": Entrance("open.yaml", _open_tariff, 0.5),
    "settings": Entrance("settings.yaml", lambda path: read_settings(path, Controls(), AC_PLANT), 2),
    "settings as a short text": Entrance("settings.txt", _short_text, 12),
    "study": Entrance("study.yaml", lambda path: read_document(path, StudyFile, ScenarioError), 1),
    "paid bill": Entrance("bill.yaml", read_paid_bill, 5),
    "worked bills": Entrance("x.bills.yaml", read_worked_bills, 0.5),
    "history of a bill": Entrance("history.yaml", lambda path: read_document(path, History, TariffError), 6),
    "history of settings": Entrance("some.yaml", _history_of_settings, 4),
    "ledger of a study": Entrance("some.jsonl", _ledger, 10),
    "list of sites": Entrance("sites.txt", _fleet, 9),
    "yields of sites": Entrance("yields.csv", yields_named, 1),
    "weather, EPW": Entrance("weather.epw", read_typical_year, 0.05),
    "weather, CSV": Entrance("weather.csv", read_typical_year, 0.05),
    "meter, our own form": Entrance("meter.csv", lambda path: read_meter(path, "Europe/Dublin"), 0.6),
    "meter, from outside": Entrance("meter.data", _outside, 1),
    "forecast": Entrance("forecast.csv", lambda path: read_forecast(path, "Europe/Dublin", AC_PLANT), 0.6),
    "prices": Entrance("prices.csv", lambda path: read_prices(path, "price_per_kwh", GRID, "here", []), 0.6),
    "table of prices": Entrance("prices.csv", _price_table, 0.6),
    "results: plan.json": Entrance("one", _results_with("plan.json"), 0.02),
    "results: flows.csv": Entrance("one", _results_with("flows.csv"), 0.02),
    "scenario, planned": Entrance("scenario.yaml", _planned, 0.1),
    "tariff, planned": Entrance("tariff.yaml", _planned, 0.1),
    "forecast, planned": Entrance("forecast.csv", _planned, 0.1),
    "typed rates": Entrance("form", _typed_rates, 0.8),
    "typed windows": Entrance("form", _typed_windows, 1.5),
    "typed answers": Entrance("answers", _typed_answers, 6),
    "typed fields": Entrance("field", _typed_words, 20),
    "form sent to the page": Entrance("form", _page, 0.2),
    "command line": Entrance("words", _command, 12),
}  # fmt: skip

PAGE_PARTS = ("used", "roof", "costs", "equipment", "menu")


# --- seeds --------------------------------------------------------------------------------------


def _texts(*patterns: str) -> list[bytes]:
    found = [path for pattern in patterns for path in sorted(ROOT.glob(pattern)) if path.is_file()]
    return [path.read_bytes() for path in found if path.stat().st_size < 100_000]


SETTINGS = """\
settings: x
floor_pct: 10
seasons:
  - months: [11, 12, 1, 2, 3, 4]
    day_sets:
      - days: weekdays
        windows:
          - {start: "01:00", end: "05:00", action: charge, until_pct: 90, grid_kw: 3}
          - {start: "17:00", end: "21:00", action: hold}
      - {days: weekends, windows: []}
  - months: [5, 6, 7, 8, 9, 10]
    day_sets:
      - days: weekends
        windows:
          - {start: "18:00", end: "20:30", action: cover, down_to_pct: 20}
      - {days: weekdays, windows: []}
"""

RATES = """\
tariff=House rate\ncurrency=EUR\nsource=sheet of 2026\nbegins=2026-01-01\nholidays=1 January
energy.charge=Energy\nenergy.rows.0.name=peak\nenergy.rows.0.months=June–September\nenergy.rows.0.days=weekdays
energy.rows.0.begin=16:00\nenergy.rows.0.end=21:00\nenergy.rows.0.price=0.40\nenergy.rows.0.night=yes
energy.rest_name=other\nenergy.rest_price=0.20\nexport.charge=Export credit\nexport.rest_price=0.05
others.0.name=Standing\nothers.0.amount=0.50\nothers.0.per=day\ndemand.0.name=Peak\ndemand.0.price=8
demand.0.interval=15\ntax_name=VAT\ntax=10"""

WINDOWS = """\
floor_pct=10\nfound_for=1,2\nseasons.0.months=1,2,3,4,5,6,7,8,9,10,11,12\nseasons.0.day_sets.0.days=weekdays\nseasons.0.day_sets.1.days=weekends\nseasons.0.day_sets.0.windows.0.action=charge
seasons.0.day_sets.0.windows.0.start=1:00\nseasons.0.day_sets.0.windows.0.end=05:00
seasons.0.day_sets.0.windows.0.level=90\nseasons.0.day_sets.0.windows.0.power=3
seasons.0.day_sets.0.windows.1.action=hold\nseasons.0.day_sets.0.windows.1.start=17:00
seasons.0.day_sets.0.windows.1.end=21:00"""

FIELDS = [
    "number=1,234.5", "number=0.35", "number=12 kWh", "number=-3", "number=1'000", "time=6pm", "time=24:00", "time=7.30",
    "months=June–September", "months=1-3, 12", "days=weekdays", "days=monday, holidays", "holidays=1 January\nEaster + 1",
    "holidays=last Monday of May\n25 December", "holidays=2026-12-24: Christmas Eve",
]  # fmt: skip


def _answers(of: str = "") -> list[str]:
    """Return a line for each question, with its default, of a part or of all."""
    lines = []
    for question in QUESTIONS:
        if of and question.of != of:
            continue
        with contextlib.suppress(Nonsense, KeyError):
            value = question.default_after({})
            text = " ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
            question.read(text, {})
            lines += [f"{question.name}={text}", *([f"{question.name}.shown=1"] if of else [])]
    return lines


def _command_lines() -> list[bytes]:
    """Each word first, and some behind it: damages exchange them."""
    return [
        "\n".join([word, *WORDS[at % 7 :: 7][:5]]).encode(
            "utf-8", "surrogateescape" if word != "\ud800" else "replace"
        )
        for at, word in enumerate(WORDS)
        if "\ud800" not in "".join(WORDS[at % 7 :: 7][:5])
    ]


def seeds() -> dict[str, list[bytes]]:
    """Return files of each kind, good and broken ones."""
    weather = (Path(pvlib.__file__).parent / "data" / "723170TYA.CSV").read_bytes()
    short = b"".join(weather.splitlines(keepends=True)[:200])
    hour = b"1990,1,1,%d,60,?," + b",".join([b"10"] * 29) + b"\n"
    hours = b"".join(hour % (number % 24 + 1) for number in range(8760))
    epw = b"LOCATION,X,-,-,x,1,53.3,-6.3,0.0,85.0\n" + b"-\n" * 7 + hours
    whole = SETTINGS.encode()
    paper = short_text(_settings_of(whole)).encode()
    renewal = b"renewed: 2026-01-01\nscenario: x\ntariff: t\ncurrency: EUR\nadvice: keep\nafter:\n  settings: x\n  floor_pct: 10\n"
    answers = b'{"key": "a", "value": 1, "crc32": 5}\n' * 3 + b'{"key": "b"}\n'
    rows = [f"2026-03-{1 + n // 24:02d}T{n % 24:02d}:00,0.{n % 7},0.{n % 5}" for n in range(72)]
    table = lambda head: "\n".join([head, *rows]).encode()  # noqa: E731 - three times, here alone
    outside = [one.encode() for one in tables()]
    prices = "from,to,months,days,price_per_kwh\n00:00,07:00,1-12,,0.1\n07:00,24:00,1-12,weekdays,0.3\n07:00,24:00,,weekends,0.2\n"
    scenarios = [
        *[SCENARIO.encode()] * 10,
        *_texts("scenarios/*/scenario.yaml", "tests/broken/scenarios/*.yaml"),
    ]
    forms = [
        b"\n".join([part.encode(), *(line.encode() for line in _answers(part))])
        for part in PAGE_PARTS
    ]
    return {
        "scenario": scenarios,
        "scenario, as the page opens it": scenarios,
        "tariff": _texts("tariffs/*.yaml", "tests/broken/tariffs/*.yaml"),
        "open tariff": [*[NORWEGIAN.encode()] * 5, *[_lines_of(ALL_FOUR)] * 5, *_texts("tests/broken/open_tariffs/*")],
        "settings": [*[whole] * 20, *_texts("tests/broken/settings/*.yaml")],
        "settings as a short text": [paper, b"S1 F10 =NONE"],
        "study": [*_texts("scenarios/*/study.yaml"), b"study: x\nsites: [a]\nvary: {battery_kwh: [5, 10]}\n"],
        "paid bill": [b"bill: x\nfirst: 2026-01-01\nlast: 2026-01-31\nlines:\n  - {name: a, amount: 1}\ntotal: 1\n"],
        "worked bills": _texts("tariffs/*.bills.yaml"),
        "history of a bill": [b"past_peaks_kw: {Demand: {2025-12: 7.4}}\nbanked: {Net: 3}\npeak_so_far_kw: {Demand: 3}\n"],
        "history of settings": [renewal, renewal.replace(b"after:", b"undone: 2026-02-01\nbefore: {settings: y, floor_pct: 5}\nafter:")],
        "ledger of a study": [answers],
        "list of sites": [b"# our sites\nhouse one\n../house two\n/nowhere/three\n"],
        "yields of sites": [b"site,pv_kwh\nhouse one,12.5\nhouse two,0\nthree,7\n"],
        "weather, EPW": [epw],
        "weather, CSV": [weather, short, epw],
        "meter, our own form": [table("time,import_kwh,export_kwh"), *outside],
        "meter, from outside": fuzz_readers.seeds(),
        "forecast": [*[table("time,load_kwh,pv_kwh")] * 10, *_texts("tests/broken/forecasts/*.csv")],
        "prices": [*[table("time,price_per_kwh,other")] * 5, *_texts("tests/broken/prices/*.csv")],
        "table of prices": [prices.encode()],
        "results: plan.json": [],
        "scenario, planned": scenarios,
        "tariff, planned": _texts("tariffs/*.yaml"),
        "forecast, planned": [table("time,load_kwh,pv_kwh"), table("time,load_kw,pv_kw")],
        "results: flows.csv": [],
        "typed rates": [RATES.encode()],
        "typed windows": [WINDOWS.encode()],
        "typed answers": ["\n".join(_answers()).encode()],
        "typed fields": [field.encode() for field in FIELDS],
        "form sent to the page": [*forms, b"costs\n" + RATES.encode()],
        "command line": _command_lines(),
    }  # fmt: skip


def _settings_of(data: bytes) -> Settings:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "settings.yaml"
        path.write_bytes(data)
        return read_document(path, Settings, SettingsError)[0]


def _lines_of(text: str) -> bytes:
    return json.dumps(json.loads(text), indent=1).encode()


def beside(folder: Path) -> None:
    """Write what scenarios and tariffs name beside them."""
    if not (folder / "forecast.csv").exists():
        rows = [f"2026-03-{1 + n // 24:02d}T{n % 24:02d}:00,1,{n % 3}" for n in range(72)]
        (folder / "forecast.csv").write_text("\n".join(["time,load_kwh,pv_kwh", *rows]))
