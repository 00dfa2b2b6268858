"""Open tariffs: tiny files of each form (invented values), and bills of them worked out by hand."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.base.errors import InputError
from optimizer.billing.open_tariffs.combined import read_listing
from optimizer.billing.tariff import read_tariff
from optimizer.workflows.read_tariff import TariffReading, read_open_tariff
from tests.builders import billed, local_grid

NORWEGIAN = """\
netteier: Invented Fjord Grid
gln: ['0000000000000']
sist_oppdatert: '2026-02-03'
kilder: ['https://fjord.example/prices']
tariffer:
  - kundegrupper: [husholdning, fritid]
    fastledd:
      metode: TRE_DØGNMAX_MND
      terskel_inkludert: true
      terskler:
        - {terskel: 0, pris: 1200}
        - {terskel: 2, pris: 2400}
        - {terskel: 5, pris: 3600}
    energiledd:
      grunnpris: 20
      unntak:
        - {navn: Dag, timer: 6-21, dager: [virkedag], måneder: [januar, mai], pris: 40}
    gyldig_fra: '2026-01-01'
"""

BASE = {"base": {"price": 5, "priceUnit": "CHF/M"}}


def span(begin: str, end: str, price: float, unit: str = "CHF/kWh") -> dict[str, Any]:
    return {"from": begin, "to": end, "price": price, "priceUnit": unit}


def swiss_tariff(name: str, kind: str, prices: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "tariffName": name, "tariffType": kind, "tariffForm": "constant", "standardBasegroup": False,
        "startDate": "2027-01-01", "endDate": "2027-12-31", "comment": "", "customerType": "all",
        "prices": prices,
    } | more  # fmt: skip


def swiss_file(*tariffs: dict[str, Any]) -> str:
    return json.dumps({"dsoName": "Invented Valley Works", "dsoNumber": 1, "tariffs": tariffs})


GRID = swiss_tariff(
    "Net", "grid",
    BASE | {"energy": [span("06:00", "22:00", 0.12), span("22:00", "06:00", 0.06)]},
)  # fmt: skip
POWER = swiss_tariff(
    "Power", "electricity", {"energy": [span("00:00", "00:00", 0.10)],
                       "power": [span("00:00", "00:00", 7.5, "CHF/kW/M")]},
)  # fmt: skip
METER = swiss_tariff("Meter", "metering", {"base": {"price": 3, "priceUnit": "CHF/M"}})
TOWN = {
    "municipalityNumber": 1, "municipalityName": "Upper Town", "municipalityBase": None,
    "municipalityEnergy": [span("00:00", "00:00", 0.008)],
}  # fmt: skip
FEES = swiss_tariff("Fee", "regional_fees", {"municipalityTaxes": [TOWN]})
ALL_FOUR = swiss_file(GRID, POWER, METER, FEES)


def written(folder: Path, text: str, name: str = "open.yml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def read(folder: Path, text: str, *names: str, fuse: float | None = None) -> TariffReading:
    return read_open_tariff([written(folder, text)], names, fuse, folder / "ours.yaml")


def month(
    folder: Path, first: str, days: int, kwh: Any, zone: str = "Europe/Oslo"
) -> dict[str, float]:
    """Return the bill by charge of a month of hours."""
    grid = local_grid(f"{first}T00:00", zone, days * 24)
    return billed(read_tariff(folder / "ours.yaml"), grid, kwh).by_charge()


# --- the Norwegian set ---------------------------------------------------------------------------


def test_a_month_of_the_norwegian_form_is_billed_as_by_hand(tmp_path: Path) -> None:
    """May 2026: 31 days of 1 kW, but 4, 5 and 7.5 kW in a night hour of three days: their mean is 5.5 kW.

    Days: 1 May (Fri), 14 (Ascension, Thu) and 25 (Whit Monday) are holidays, with 3 kW at noon, 17 a Sunday;
    of 21 days from Monday to Friday 18 are working days. Dear hours 18 × 16 = 288 at 0.40, of
    744 + 13.5 + 6 kWh in all: 288 × 0.40 + 475.5 × 0.20 = 115.20 + 95.10 = 210.30; 3,600 ÷ 12 = 300.
    """
    read(tmp_path, NORWEGIAN)
    kwh = np.ones(31 * 24)
    for day, high in ((3, 4.0), (10, 5.0), (20, 7.5)):
        kwh[(day - 1) * 24 + 2] = high
    for holiday in (1, 14, 25):
        kwh[(holiday - 1) * 24 + 12] = 3.0
    bill = month(tmp_path, "2026-05-01", 31, kwh)
    assert bill["Fixed price"] == pytest.approx(300)
    assert bill["Grid energy"] == pytest.approx(210.30)


def test_months_without_an_exception_have_the_base_price(tmp_path: Path) -> None:
    read(tmp_path, NORWEGIAN)
    assert month(tmp_path, "2026-02-01", 28, 1.0)["Grid energy"] == pytest.approx(672 * 0.20)


def test_of_two_exceptions_that_fit_the_first_wins(tmp_path: Path) -> None:
    """February 2026: each hour from 00 to 09 at 0.50, from 10 to 21 at 0.30, two at 0.20 a day."""
    text = NORWEGIAN.replace(
        "        - {navn: Dag, timer: 6-21, dager: [virkedag], måneder: [januar, mai], pris: 40}\n",
        "        - {navn: Tidlig, timer: 0-9, pris: 50}\n        - {timer: 6-21, pris: 30}\n",
    )
    read(tmp_path, text)
    by_hand = 28 * (10 * 0.50 + 12 * 0.30 + 2 * 0.20)
    assert month(tmp_path, "2026-02-01", 28, 1.0)["Grid energy"] == pytest.approx(by_hand)


@pytest.mark.parametrize(("belongs", "fee"), [("true", 200), ("false", 100), ("null", 200)])
def test_a_demand_on_a_threshold_is_in_the_step_that_the_file_says(
    tmp_path: Path, belongs: str, fee: float
) -> None:
    """2 kW throughout, exactly on the threshold: 2,400 ÷ 12 above, 1,200 ÷ 12 below."""
    text = NORWEGIAN.replace("terskel_inkludert: true", f"terskel_inkludert: {belongs}")
    reading = read(tmp_path, text)
    assert month(tmp_path, "2026-02-01", 28, 2.0)["Fixed price"] == pytest.approx(fee)
    is_told = any("does not say to which step" in remark for remark in reading.chosen.remarks)
    assert is_told == (belongs == "null")


def test_holidays_priced_by_their_weekday_are_refused_by_place(tmp_path: Path) -> None:
    text = NORWEGIAN.replace(
        "måneder: [januar, mai], pris: 40}",
        "pris: 40}\n        - {dager: [lørdag], pris: 10}",
    )
    with pytest.raises(InputError, match="priced by the weekday on which it falls") as caught:
        read(tmp_path, text)
    assert "tariffer[0].energiledd.unntak" in caught.value.where


def test_days_of_the_week_count_on_holidays_too(tmp_path: Path) -> None:
    """May 2026 has five Fridays, 1 May among them: 5 × 16 hours at 0.40."""
    read(tmp_path, NORWEGIAN.replace("[virkedag]", "[fredag]"))
    by_hand = 5 * 16 * 0.40 + (744 - 80) * 0.20
    assert month(tmp_path, "2026-05-01", 31, 1.0)["Grid energy"] == pytest.approx(by_hand)


def test_the_fixed_price_by_the_main_fuse_is_asked_for(tmp_path: Path) -> None:
    text = NORWEGIAN.replace("TRE_DØGNMAX_MND", "OV_TREFASE").replace("terskel: 5,", "terskel: 63,")
    with pytest.raises(InputError, match="main fuse, which no meter shows"):
        read(tmp_path, text)
    reading = read(tmp_path, text, fuse=63)
    assert month(tmp_path, "2026-02-01", 28, 9.0)["Fixed price"] == pytest.approx(300)
    assert any("63 A lies in the step from 63 A" in remark for remark in reading.chosen.remarks)


def test_an_unknown_method_is_refused_by_name_and_place(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="'UKJENT', which is not known here") as caught:
        read(tmp_path, NORWEGIAN.replace("TRE_DØGNMAX_MND", "UKJENT"))
    assert "open.yml:8:" in caught.value.where


def test_prices_of_several_dates_become_versions_of_each_group(tmp_path: Path) -> None:
    later = NORWEGIAN.partition("tariffer:\n")[2].replace("2026-01-01", "2026-07-01")
    later = later.replace("[husholdning, fritid]", "[husholdning]").replace(
        "grunnpris: 20", "grunnpris: 25"
    )
    text = NORWEGIAN.rstrip() + "\n    gyldig_til: '2026-06-01'\n" + later
    with pytest.raises(
        InputError, match="2 tariffs to choose from: 1 Invented Fjord Grid: husholdning"
    ):
        read(tmp_path, text)
    reading = read(tmp_path, text, "husholdning")
    assert [str(day) for day in reading.chosen.first_days] == ["2026-01-01", "2026-07-01"]
    assert any(
        "no prices from 2026-06-01 until 2026-07-01" in each for each in reading.chosen.remarks
    )
    assert month(tmp_path, "2026-08-01", 31, 1.0)["Grid energy"] == pytest.approx(744 * 0.25)
    reading = read(tmp_path, text, "holiday home")
    assert any("prices until 2026-06-01 only" in remark for remark in reading.chosen.remarks)


def test_the_licence_and_the_origin_of_each_value_stand_in_the_file(tmp_path: Path) -> None:
    read(tmp_path, NORWEGIAN)
    text = (tmp_path / "ours.yaml").read_text(encoding="utf-8")
    assert "CC BY 4.0" in read_tariff(tmp_path / "ours.yaml").file.about
    assert "per_kwh: 0.2  # 20 øre/kWh; open.yml:15 tariffer[0].energiledd.grunnpris" in text
    assert (
        "amount: 300  # 3600 NOK a year; open.yml:13 tariffer[0].fastledd.terskler[2].pris" in text
    )
    assert "https://fjord.example/prices" in text


# --- the Swiss form ------------------------------------------------------------------------------


def test_four_types_add_up_to_one_bill(tmp_path: Path) -> None:
    """February 2027, 2 kW throughout: 28 × 32 kWh by day and 28 × 16 by night, 1,344 in all."""
    read(tmp_path, ALL_FOUR)
    bill = month(tmp_path, "2027-02-01", 28, 2.0, "Europe/Zurich")
    assert bill == pytest.approx(
        {
            "Grid base price": 5,
            "Grid energy": 896 * 0.12 + 448 * 0.06,
            "Electricity energy": 134.4,
            "Electricity demand": 2 * 7.5,
            "Metering base price": 3,
            "Regional fees energy": 1344 * 0.008,
        }
    )


def test_files_are_combined_and_what_was_not_taken_is_told(tmp_path: Path) -> None:
    first = written(tmp_path, swiss_file(GRID, METER), "first.json")
    second = written(tmp_path, swiss_file(POWER, FEES), "second.json")
    out = tmp_path / "ours.yaml"
    reading = read_open_tariff([first, second], ["Net", "3"], None, out)
    assert reading.chosen.numbers == (1, 3)
    assert any(
        "of the types metering, regional_fees no tariff was taken" in r
        for r in reading.chosen.remarks
    )
    assert set(month(tmp_path, "2027-02-01", 28, 1.0, "Europe/Zurich")) == {
        "Grid base price", "Grid energy", "Electricity energy", "Electricity demand",
    }  # fmt: skip


def test_a_day_that_ends_at_2345_is_taken_to_its_end_and_told(tmp_path: Path) -> None:
    early = copy.deepcopy(GRID)
    early["prices"]["energy"] = [
        span("00:00", "05:45", 0.06), span("06:00", "21:45", 0.12), span("22:00", "23:45", 0.06)
    ]  # fmt: skip
    reading = read(tmp_path, swiss_file(early))
    bill = month(tmp_path, "2027-02-01", 28, 2.0, "Europe/Zurich")
    assert bill["Grid energy"] == pytest.approx(896 * 0.12 + 448 * 0.06)
    assert any("ends at 23:45 and the next begins at 00:00" in r for r in reading.chosen.remarks)


def test_a_price_of_a_kw_and_year_is_paid_in_twelfths(tmp_path: Path) -> None:
    tariff = swiss_tariff("Net", "grid", {"power": [span("00:00", "00:00", 60, "CHF/kW/Y")]})
    reading = read(tmp_path, swiss_file(tariff))
    bill = month(tmp_path, "2027-02-01", 28, 4.0, "Europe/Zurich")
    assert bill["Grid demand"] == pytest.approx(20)  # 4 kW × 60 ÷ 12
    assert any("paid in twelfths" in remark for remark in reading.chosen.remarks)
    assert any("15 min" in remark for remark in reading.chosen.remarks)


def test_what_is_odd_or_left_out_is_remarked(tmp_path: Path) -> None:
    prices = {
        "base": {"price": 0.1005, "priceUnit": "CHF/M"},
        "energy": [span("00:00", "00:00", 0)],
        "refundStorage": {"price": 0.1005, "priceUnit": "CHF/kWh"},
    }
    mine = swiss_tariff("Net", "grid", prices, standardBasegroup=True, customerType="steered")
    energy = {"energy": [span("00:00", "00:00", 0.1)]}
    exchanged = [
        swiss_tariff("A", "electricity", energy, standardBasegroup=True, customerType="free"),
        swiss_tariff("B", "electricity", energy, customerType="steered"),
    ]
    reading = read(tmp_path, swiss_file(mine, *exchanged), "Net", "A")
    told = "\n".join(reading.chosen.remarks)
    assert "0.1005 CHF/M stands where no kWh has a price" in told
    assert "refundStorage, 0.1005 CHF/kWh, is left out" in told
    assert "priced at zero in the file, so left out: energy" in told
    assert "the customers' text of 'Net' stands at 'B'" in told


@pytest.mark.parametrize(
    ("change", "what", "where"),
    [
        ({"tariffForm": "dynamic"}, "tariffForm is 'dynamic'", "tariffForm"),
        ({"tariffType": "feed_in"}, "tariffType is 'feed_in'", "tariffType"),
        ({"startDate": "2027-02-30"}, "'2027-02-30' is no day", "startDate"),
        ({"endDate": "2026-12-31"}, "ends before 2027-01-01", "tariffs[0]"),
        ({"prices": {"energy": [span("00:00", "00:00", 12, "Rp/kWh")]}}, "priceUnit is 'Rp/kWh'", "priceUnit"),
        ({"prices": {"energy": [span("06:00", "22:00", 1)]}}, "leaves a hole after it", "energy[0].to"),
        (
            {"prices": {"energy": [span("00:00", "12:00", 1), span("10:00", "00:00", 2)]}},
            "leaves an overlap",
            "energy[0].to",
        ),
        (
            {"prices": {"energy": [span("00:00", "00:00", 1), span("00:00", "00:00", 2)]}},
            "two spans begin at 00:00",
            "energy[1].from",
        ),
        ({"prices": {"energy": [span("25:00", "00:00", 1)]}}, "'25:00' is no time", "energy[0].from"),
        ({"prices": {"energy": [span("00:00", "00:00", 1) | {"season": "x"}]}}, "'season' is unknown", "season"),
        ({"prices": {"energy": [span("00:00", "00:00", 1e999)]}}, "Infinity", "energy[0].price"),
        ({"prices": {"power": [span("00:00", "00:00", -1, "CHF/kW/M")]}}, "at least 0", "power[0].price"),
        ({"prices": {"base": {"price": 0, "priceUnit": "CHF/M"}}}, "are zero", "open.yml"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_by_name_and_place(
    tmp_path: Path, change: dict[str, Any], what: str, where: str
) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, swiss_file(GRID | change))
    assert what in str(caught.value)
    assert where in caught.value.where


def test_a_tariff_that_cannot_be_read_leaves_the_others(tmp_path: Path) -> None:
    broken = GRID | {"tariffName": "Broken", "prices": {"energy": "dear"}}
    path = written(tmp_path, swiss_file(GRID, broken))
    first, second = read_listing(path).offers
    assert first.refused is None
    assert second.refused is not None
    assert "tariffs[1].prices.energy" in second.refused.where
    assert read(tmp_path, swiss_file(GRID, broken), "Net").chosen.numbers == (1,)


# --- files that mean no good ------------------------------------------------------------------------

HOSTILE = {
    "nothing": "",
    "a list": "[]",
    "another form": "{tariff: x}",
    "no YAML": '{"tariffs": [',
    "deep": '{"tariffs": ' + "[" * 5000 + "]" * 5000 + "}",
    "deep in a tariff": '{"dsoName": "x", "tariffs": [' + '{"a":' * 30 + "1" + "}" * 30 + "]}",
    "large": swiss_file(GRID | {"comment": "x" * 1_000_000}),
    "many": '{"dsoName": "x", "tariffs": [' + "1," * 39_000 + "1]}",
    "twice": '{"dsoName": "x", "dsoName": "y", "tariffs": []}',
    "not a number": ALL_FOUR.replace("0.12", "NaN"),
    "not a number in YAML": NORWEGIAN.replace("grunnpris: 20", "grunnpris: .nan"),
    "text for a number": NORWEGIAN.replace("grunnpris: 20", "grunnpris: dear"),
    "a number for text": swiss_file(GRID | {"tariffName": 7}),
    "a number for a tariff": '{"dsoName": "x", "tariffs": [7]}',
    "a huge number": NORWEGIAN.replace("grunnpris: 20", "grunnpris: 1" + "0" * 90),
    "a price that no kWh has": swiss_file(
        GRID | {"prices": {"energy": [span("00:00", "00:00", 5e5)]}}
    ),
    "steps that fall": NORWEGIAN.replace("terskel: 5,", "terskel: 1,"),
    "hours that are none": NORWEGIAN.replace("6-21", "6-24"),
    "days that are none": NORWEGIAN.replace("[virkedag]", "[sunday]"),
    "a month that is none": NORWEGIAN.replace("[januar, mai]", "[may]"),
    "no groups": NORWEGIAN.replace("[husholdning, fritid]", "[]"),
    "a date that is none": NORWEGIAN.replace("'2026-01-01'", "2026-02-31"),
    "a far year": NORWEGIAN.replace("'2026-01-01'", "'0001-01-01'"),
    "an unknown key": NORWEGIAN.replace("    gyldig_fra", "    effektledd: {pris: 3}\n    gyldig_fra"),
}  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_files_are_told_in_words_with_a_place(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert "open.yml" in caught.value.where
    assert caught.value.mend
    assert not (tmp_path / "ours.yaml").exists()


def test_names_with_signs_that_cannot_be_seen_leave_one_line(tmp_path: Path) -> None:
    name = 'A\n  - kind: fixed\u2028\x1b[31m "quoted" # no comment \ud83d'
    reading = read(tmp_path, swiss_file(GRID | {"tariffName": name, "customerType": name}))
    text = (tmp_path / "ours.yaml").read_text(encoding="utf-8")
    assert all(sign.isprintable() or sign == "\n" for sign in text)
    assert "kind: fixed" in reading.chosen.name
    assert {charge.kind for charge in read_tariff(tmp_path / "ours.yaml").file.versions[0].charges} == {
        "fixed", "energy",
    }  # fmt: skip


def test_json_with_tabs_and_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    text = "\ufeff" + json.dumps(json.loads(ALL_FOUR), indent="\t")
    assert read(tmp_path, text).chosen.numbers == (1, 2, 3, 4)


def test_a_name_that_is_none_or_two_of_a_type_are_refused(tmp_path: Path) -> None:
    text = swiss_file(GRID, GRID | {"tariffName": "Net 2"}, METER)
    with pytest.raises(InputError, match="'Nett' is the name or number of no tariff"):
        read(tmp_path, text, "Nett")
    with pytest.raises(InputError, match="two tariffs of type grid"):
        read(tmp_path, text, "1", "2")
    with pytest.raises(InputError, match="several currencies"):
        read_open_tariff(
            [written(tmp_path, text), written(tmp_path, NORWEGIAN, "no.yml")],
            ["Meter", "husholdning"],
        )


def test_the_file_that_is_read_is_not_written_over(tmp_path: Path) -> None:
    path = written(tmp_path, NORWEGIAN, "open.yaml")
    with pytest.raises(InputError, match="one of those that are read"):
        read_open_tariff([path], (), None, path)
    assert path.read_text(encoding="utf-8") == NORWEGIAN
