"""Rates as a person types them, the tariff file that they make, and what is told while they are typed."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.base.calendar import HolidayRule, Holidays
from optimizer.base.errors import Mistake
from optimizer.base.flows import Flows
from optimizer.base.timegrid import TimeGrid, calendar_months
from optimizer.base.typed_numbers import typed_number
from optimizer.billing.bill import bill_flows
from optimizer.billing.rate_rows import (
    OtherRow,
    RateRow,
    RateSheet,
    RateTable,
    read_sheet,
    rows_of,
    tariff_of,
    tariff_yaml,
)
from optimizer.billing.rate_week import HOLE, REST, TWICE, gaps_of, open_nights, rate_weeks
from optimizer.billing.rate_words import (
    holidays_text,
    number_text,
    read_holidays,
    read_hours,
    read_months,
    read_time,
)
from optimizer.billing.tariff import (
    compile_cost,
    read_tariff,
    remarks_over_a_year,
    shipped_folder,
    shipped_tariffs,
)
from optimizer.metering.meter_csv import read_meter
from tests.builders import local_grid

TWO_PRICES = RateSheet(
    tariff="House rate", currency="EUR", source="sheet of 2026, page 1",
    energy=RateTable("Energy", (RateRow("peak", "June–September", "weekdays", "16:00", "21:00", "0.40"),),
                     "other hours", "0.20"),
    others=(OtherRow("Standing charge", "0.50", "day"), OtherRow("Levy", "0.01", "kWh")),
    demand=(RateRow("Peak kW", price="8", interval="15"),),
    export=RateTable("Export credit", rest_price="0.05"),
    tax_name="VAT", tax="10",
)  # fmt: skip


# --- fields ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "minute"),
    [("16:30", 990), ("16", 960), ("4 pm", 960), ("4:30pm", 990), ("12 am", 0), ("12 p.m.", 720),
     ("noon", 720), ("midnight", 0), ("24:00", 1440), ("16.30", 990), ("1630", 990), ("7h", 420)],
)  # fmt: skip
def test_a_time_is_read_as_sheets_print_it(typed: str, minute: int) -> None:
    assert read_time(typed) == minute


@pytest.mark.parametrize("typed", ["25", "16:60", "24:01", "13 pm", "0 am", "four", "-3", "16:3"])
def test_what_is_no_time_is_told_with_what_would_do(typed: str) -> None:
    with pytest.raises(Mistake, match="no time of the day") as told:
        read_time(typed)
    assert "16:30" in told.value.mend


def test_a_last_minute_is_taken_as_the_end_of_its_hour_and_told() -> None:
    assert read_hours("16:00", "20:59") == ((960, 1260), "20:59 is taken as 21:00.")
    assert read_hours("0:00", "23:59") == (None, "23:59 is taken as 24:00.")
    assert read_hours("22:00", "6:00") == ((1320, 360), "")
    assert read_hours("16:00", "0:00") == ((960, 1440), "")


def test_one_time_alone_is_a_mistake_of_the_empty_field() -> None:
    with pytest.raises(Mistake) as told:
        read_hours("16:00", "")
    assert told.value.place == ("end",)


@pytest.mark.parametrize(
    ("typed", "months"),
    [("", range(1, 13)), ("June–September", range(6, 10)), ("jun to sep", range(6, 10)),
     ("6-9", range(6, 10)), ("Nov - Feb", (11, 12, 1, 2)), ("March, 7 and december", (3, 7, 12)),
     ("all year", range(1, 13))],
)  # fmt: skip
def test_months_are_names_or_numbers(typed: str, months: range) -> None:
    assert read_months(typed) == set(months)


@pytest.mark.parametrize("typed", ["summer", "ju", "13", "1 June", "June–July–August"])
def test_what_is_no_month_is_told(typed: str) -> None:
    with pytest.raises(Mistake, match="no month"):
        read_months(typed)


def test_numbers_have_a_point_or_a_comma() -> None:
    assert [typed_number(text) for text in ("0,34", " .5", "1'200.50", "-0.02")] == [
        0.34, 0.5, 1200.5, -0.02,
    ]  # fmt: skip
    for text in ("34 ct", "1,200.5.1", "nan", "", "1e999"):
        with pytest.raises(Mistake, match="no number"):
            typed_number(text)
    assert [number_text(value) for value in (12, 0.1, 0.03764, 1e-7, -1530)] == [
        "12.00", "0.10", "0.03764", "0.0000001", "-1530.00",
    ]  # fmt: skip


def test_holidays_are_typed_one_a_line() -> None:
    typed = (
        "2026-12-24\nNew Year: 1 January if Saturday then Friday if Sunday then Monday\n"
        "Thanksgiving: fourth Thursday of November\nMidsummer Eve: Friday on or after 19 June\n"
        "Good Friday: 2 days before Easter\nMay Day: last Monday of May"
    )
    read = read_holidays(typed)
    assert read == Holidays(
        dates=[date(2026, 12, 24)],
        rules=[
            HolidayRule(name="New Year", month=1, day=1, if_saturday="friday", if_sunday="monday"),
            HolidayRule(name="Thanksgiving", month=11, nth=4, weekday="thursday"),
            HolidayRule(name="Midsummer Eve", month=6, day=19, weekday="friday"),
            HolidayRule(name="Good Friday", days_from_easter=-2),
            HolidayRule(name="May Day", month=5, nth="last", weekday="monday"),
        ],
    )
    assert holidays_text(read) == typed
    with pytest.raises(Mistake, match="'Fest: bald' cannot be read"):
        read_holidays("Fest: bald")


# --- rows and the tariff ---------------------------------------------------------------------------


def test_a_month_of_typed_rates_is_billed_as_on_paper() -> None:
    """August 2026 has 21 weekdays: 21 × 5 h × 2 kWh at 0.40, the other 744 − 105 h × 2 kWh at 0.20."""
    tariff = tariff_of(read_sheet(TWO_PRICES))
    assert tariff is not None
    grid = local_grid("2026-08-01", "Europe/Berlin", 31 * 96, 15)
    flows = _flat(grid, 2.0, 1.0)
    bill = bill_flows(compile_cost(tariff, grid, calendar_months(grid)), flows)
    amounts = {line.name: round(line.amount, 4) for line in bill.lines}
    bought = 84.00 + 255.60 + 15.50 + 14.88 + 16.00
    assert amounts == {
        "Standing charge": 15.50,  # 31 × 0.50
        "Levy": 14.88,  # 1488 × 0.01
        "Energy: peak": 84.00,  # 210 × 0.40
        "Energy: other hours": 255.60,  # 1278 × 0.20
        "Peak kW": 16.00,  # 2 kW × 8
        "VAT": round(bought * 0.1, 4),
        "Export credit": -37.20,  # 744 × 0.05
    }


def _flat(grid: TimeGrid, import_kw: float, export_kw: float) -> Flows:
    ones = np.full(grid.count, grid.step_h)
    return Flows.of_meter(grid, import_kw * ones, export_kw * ones)


def test_rows_of_one_name_that_differ_in_hours_alone_are_one_rate() -> None:
    rows = tuple(
        RateRow("winter peak", "November–April", "weekdays", *hours, "0.13")
        for hours in (("06:00", "10:00"), ("17:00", "20:00"))
    )
    sheet = replace(TWO_PRICES, energy=RateTable("Energy", rows, "rest", "0.10"))
    tariff = tariff_of(read_sheet(sheet))
    assert tariff is not None
    rates = next(c for c in tariff.file.versions[0].charges if c.name == "Energy").rates
    assert [(rate.name, rate.hours) for rate in rates[:-1]] == [
        ("winter peak", ["06:00-10:00", "17:00-20:00"])
    ]


def test_what_is_missing_or_wrong_stands_at_its_field() -> None:
    sheet = RateSheet(
        energy=RateTable("Energy", (
            RateRow("a", begin="16:00", end="26:00", price="0.1"),
            RateRow("b", months="summer", price="0.1"),
            RateRow("c", begin="16:00", end="17:00"),
            RateRow("d", days="holidays", price="5000"),
        )),
        others=(OtherRow("", "1"), OtherRow("Fee", "")),
        begins="1.1.2026",
        tax="six",
    )  # fmt: skip
    read = read_sheet(sheet)
    assert tariff_of(read) is None
    assert {finding.place for finding in read.findings} == {
        ("energy", "rows", 0, "end"), ("energy", "rows", 1, "months"), ("energy", "rows", 2, "price"),
        ("energy", "rows", 3, "days"), ("others", 0, "name"), ("others", 1, "amount"), ("begins",),
        ("tax",), ("tariff",), ("currency",),
    }  # fmt: skip


def test_what_the_tariff_refuses_stands_at_the_row_it_came_from() -> None:
    rows = (RateRow("a", begin="0:00", end="6:00", price="0.1"), RateRow("b", price="500000"))
    read = read_sheet(replace(TWO_PRICES, energy=RateTable("Energy", rows)))
    assert tariff_of(read) is None
    assert [finding.place for finding in read.findings] == [("energy", "rows", 1, "price")]
    twins = replace(TWO_PRICES, others=(OtherRow("Levy", "1"), OtherRow("Levy", "2")))
    read = read_sheet(twins)
    assert tariff_of(read) is None
    assert [finding.place for finding in read.findings] == [("others", 1, "name")]


def test_cents_are_remarked_at_their_row() -> None:
    rows = (RateRow("a", price="34"),)
    read = read_sheet(replace(TWO_PRICES, energy=RateTable("Energy", rows)))
    assert tariff_of(read) is not None
    assert [(remark.place, "0.34" in remark.what) for remark in read.remarks] == [
        (("energy", "rows", 0, "price"), True)
    ]


HELD = ("two_rates", "peak_demand", "evening_export", "published_se_two_season_demand",
        "published_us_afternoon_price_and_demand", "published_us_evening_price_and_holidays",
        "published_us_high_and_low_peaks")  # fmt: skip


def test_which_shipped_tariffs_rows_hold_and_why_others_not() -> None:
    told = {name: rows_of(read_tariff(path).file) for name, path in shipped_tariffs().items()}
    held = {name for name, (sheet, _) in told.items() if sheet is not None}
    assert held >= set(HELD)
    assert all(bool(reasons) == (name not in held) for name, (_, reasons) in told.items())
    assert told["ratchet"][1] == ["Demand: a share of earlier months' demand"]
    assert "Minimum bill: a minimum bill" in told["minimum_and_reserve"][1]


@pytest.mark.parametrize("name", HELD)
def test_a_shipped_tariff_as_rows_and_back_bills_the_same_year(name: str, tmp_path) -> None:
    shipped = read_tariff(shipped_tariffs()[name])
    sheet, _ = rows_of(shipped.file)
    made = tariff_of(read_sheet(sheet))
    path = tmp_path / "tariff.yaml"
    path.write_text(tariff_yaml(made), encoding="utf-8")
    again = read_tariff(path)
    assert rows_of(again.file) == (sheet, [])
    assert remarks_over_a_year(again) == remarks_over_a_year(shipped)
    grid = local_grid("2026-01-01", "UTC", 365 * 48, 30)
    luck = np.random.default_rng(7)
    bought, sold = luck.exponential(1.0, (2, grid.count))
    flows = Flows.of_meter(grid, bought, sold)
    totals = [
        bill_flows(compile_cost(each, grid, calendar_months(grid)), flows).by_charge()
        for each in (shipped, again)
    ]
    assert totals[1] == pytest.approx(totals[0], abs=1e-6)


TIMES = st.integers(0, 95).map(lambda slot: f"{slot // 4:02d}:{slot % 4 * 15:02d}")
NAMES = st.text("abcdef ghij", min_size=1, max_size=9).map(str.strip).filter(bool)
PRICES = st.integers(-500, 9999).map(lambda n: number_text(n / 10_000))
MONTHS = st.sampled_from(
    ["", "June–September", "November–March", "January–February, July", "December"]
)
DAYS = st.sampled_from(["all", "weekdays", "weekends", "saturday", "friday, sunday"])


@st.composite
def rate_rows(draw) -> RateRow:
    begin, end = draw(st.tuples(TIMES, TIMES).filter(lambda times: times[0] != times[1]))
    end = "24:00" if end == "00:00" else end
    hours = draw(st.sampled_from([("", ""), (begin, end)]))
    days = draw(DAYS)
    return RateRow(draw(NAMES), draw(MONTHS), days, *hours, draw(PRICES),
                   night=days != "all" and hours[1] < hours[0] and draw(st.booleans()))  # fmt: skip


@st.composite
def sheets(draw) -> RateSheet:
    rows = tuple(draw(st.lists(rate_rows(), max_size=4)))
    names = draw(st.lists(NAMES, max_size=3, unique=True))
    return RateSheet(
        tariff=draw(NAMES), currency="EUR", source=draw(NAMES),
        begins=draw(st.sampled_from(["", "2026-04-01"])),
        energy=RateTable("Energy", rows, "rest" if rows else "", draw(PRICES)),
        others=tuple(OtherRow(f"{name} x", draw(PRICES), draw(st.sampled_from(["day", "month", "kWh"])))
                     for name in names),
        tax_name="VAT", tax="19.00", is_invented=draw(st.booleans()),
    )  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(sheets())
def test_rows_written_and_read_again_are_the_same_rows(tmp_path_factory, sheet: RateSheet) -> None:
    made = tariff_of(read_sheet(sheet))
    assert made is not None
    path = tmp_path_factory.mktemp("rows") / "tariff.yaml"
    path.write_text(tariff_yaml(made), encoding="utf-8")
    assert rows_of(read_tariff(path).file) == (sheet, [])


# --- the week --------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(sheets(), st.booleans())
def test_every_minute_of_each_season_is_painted_once(sheet: RateSheet, has_rest: bool) -> None:
    """Each is a row's, of two rows, of all other times or a hole; checked minute by minute by hand."""
    read = read_sheet(sheet)
    weeks = rate_weeks(read.energy, has_rest=has_rest, has_holidays=False)
    assert sorted(month for week in weeks for month in week.months) == list(range(1, 13))
    luck = np.random.default_rng(3)
    for week in weeks:
        assert week.holds.size == 7 * 1440
        kinds = [*range(len(read.energy)), HOLE, TWICE, REST]
        assert sum(int((week.holds == kind).sum()) for kind in kinds) == 7 * 1440
        for day, minute in zip(luck.integers(0, 7, 50), luck.integers(0, 1440, 50), strict=True):
            month = min(week.months)
            held = [n for n, row in enumerate(sheet.energy.rows) if _holds(row, month, day, minute)]
            expected = (TWICE if len(held) > 1 else held[0] if held else REST if has_rest else HOLE)  # fmt: skip
            assert week.holds[day, minute] == expected


def _holds(row: RateRow, month: int, day: int, minute: int) -> bool:
    names = {"June–September": (6, 7, 8, 9), "November–March": (11, 12, 1, 2, 3), "December": (12,),
             "January–February, July": (1, 2, 7), "": range(1, 13)}  # fmt: skip
    days = {"all": range(7), "weekdays": range(5), "weekends": (5, 6), "saturday": (5,),
            "friday, sunday": (4, 6)}[row.days]  # fmt: skip
    if month not in names[row.months]:
        return False
    begin, end = ([int(t[:2]) * 60 + int(t[3:]) for t in (row.begin, row.end)] if row.begin else (0, 1440))  # fmt: skip
    if begin < end:
        return day in days and begin <= minute < end
    after = (day - 1) % 7 if row.night else day
    return (day in days and minute >= begin) or (after in days and minute < end)


def test_holes_and_overlaps_are_told_with_days_and_hours() -> None:
    rows = (
        RateRow("day", days="weekdays", begin="06:00", end="22:00", price="0.3"),
        RateRow("peak", "June–August", "all", "21:00", "23:00", "0.4"),
        RateRow("night", days="all", begin="23:00", end="06:00", price="0.1"),
    )
    read = read_sheet(replace(TWO_PRICES, energy=RateTable("Energy", rows)))
    weeks = rate_weeks(read.energy, has_rest=False, has_holidays=False)
    told = [(gap.what, gap.place) for gap in gaps_of(weeks, "energy")]
    assert told == [
        ("September–May: no price Monday–Friday 22:00–23:00; Saturday, Sunday"
         " 06:00–23:00", ("energy", "rest_price")),
        ("June–August: no price Saturday, Sunday 06:00–21:00", ("energy", "rest_price")),
        ("the rows “day” and “peak” both hold June–August Monday–Friday 21:00–22:00",
         ("energy", "rows", 1, "begin")),
    ]  # fmt: skip


def test_holidays_that_no_row_names_are_a_hole() -> None:
    rows = (
        RateRow("work", days="weekdays", price="0.3"),
        RateRow("free", days="weekends", price="0.1"),
    )
    sheet = replace(TWO_PRICES, holidays="2026-12-25", energy=RateTable("Energy", rows))
    read = read_sheet(sheet)
    weeks = rate_weeks(read.energy, has_rest=False, has_holidays=True)
    assert [gap.what for gap in gaps_of(weeks, "energy")] == ["all year: no price holidays all day"]


def test_a_night_of_named_days_is_asked_for() -> None:
    rows = (RateRow("night", days="weekdays", begin="22:00", end="06:00", price="0.3"),)
    read = read_sheet(replace(TWO_PRICES, energy=RateTable("Energy", rows, "", "0.1")))
    assert [remark.place for remark in open_nights(read)] == [("energy", "rows", 0, "night")]
    ticked = replace(
        TWO_PRICES, energy=RateTable("Energy", (replace(rows[0], night=True),), "", "1")
    )
    assert list(open_nights(read_sheet(ticked))) == []


# --- published tariffs typed from scratch ----------------------------------------------------------


def rows(*texts: str) -> tuple[RateRow, ...]:
    """Rows as ``name | months | days | from | to | price``, an interval at the end for demand."""
    typed = []
    for text in texts:
        name, months, days, begin, end, price, *interval = (
            part.strip() for part in text.split("|")
        )
        typed.append(RateRow(name, months, days, begin, end, price, interval="".join(interval)))
    return tuple(typed)


TYPED = {
    "published_us_evening_price_and_holidays": RateSheet(
        tariff="Evenings", currency="USD", source="the utility's page",
        holidays="New Year: January 1\nKing: third Monday of January\nPresidents: third Monday of February"
        "\nMemorial: last Monday in May\nJuneteenth: 19 June\nFourth: 4 July\n"
        "Labor: first monday of september\nColumbus: second Monday of October\nVeterans: 11 November\n"
        "Thanksgiving: fourth Thursday of November\nChristmas: 25. December",
        energy=RateTable("Energy", rows(
            "peak | June-September | weekdays | 5 pm | 8 pm | 0.3462",
            "mid | June-September | weekdays | noon | 5 pm | 0.1967",
            "mid | June-September | weekdays | 8 pm | midnight | 0.1967",
            "low | June-September | weekdays | midnight | noon | 0.1425",
            "low | June-September | weekends, holidays | | | 0.1425",
            "winter peak | October-May | weekdays | 17:00 | 20:00 | 0.1633",
        ), "rest", "0.1183"),
    ),
    "published_us_afternoon_price_and_demand": RateSheet(
        tariff="Afternoons", currency="USD", holidays="a: 4 July\nb: first Monday of September",
        energy=RateTable("Energy", rows("on | 6 to 9 | weekdays | 2 pm | 6:59 pm | 0,143"), "", "0,015"),
        demand=rows("Demand | | all | | | 12.21 | 60"),
    ),
    "published_se_two_season_demand": RateSheet(
        tariff="Network", currency="SEK", begins="2022-07-01",
        energy=RateTable("Transfer", (), "", "0.0809"), others=(OtherRow("Fixed charge", "10535", "year"),),
        demand=rows("Demand | | all | | | 42,08 | 60", "High | November - March | all | | | 60.88 | 60"),
    ),
}  # fmt: skip
"""As a person types them who has the utility's page alone; names are their own."""


@pytest.mark.parametrize("name", TYPED)
def test_a_published_tariff_typed_from_scratch_bills_a_metered_year_to_the_cent(name: str) -> None:
    """The same meter by the shipped file and by rows: each period and each kind of charge is the same."""
    flows, _ = read_meter(
        shipped_folder("scenarios") / "4_next_year" / "meter_2026.csv", "America/New_York"
    )
    shipped, typed = read_tariff(shipped_tariffs()[name]), tariff_of(read_sheet(TYPED[name]))
    assert typed is not None
    bills = [
        bill_flows(compile_cost(each, flows.grid, calendar_months(flows.grid)), flows)
        for each in (shipped, typed)
    ]
    expected, found = (bill.by_period() for bill in bills)
    assert len(found) == 12
    assert found == pytest.approx(expected, abs=0.005)
    assert sorted(bills[1].by_charge().values()) == pytest.approx(
        sorted(bills[0].by_charge().values()), abs=0.005
    )
    assert bills[0].total > 1


def test_the_rest_of_one_season_is_said_and_not_dropped() -> None:
    file = read_tariff(shipped_tariffs()["half_weight_nights"]).file
    sheet, reasons = rows_of(file)
    assert sheet is None
    assert "Energy: rest of winter: what remains of some seasons or days" in reasons
    assert "Energy: peak: hours with days of their own" in reasons
