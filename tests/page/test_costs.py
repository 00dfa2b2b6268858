"""What it costs: rows, shipped tariffs, files and a paid bill, through the page and its guard."""

from __future__ import annotations

import re
import shutil
import time
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from optimizer.billing.tariff import read_tariff, shipped_folder, shipped_tariffs
from tests.page.serving import Asked, asked
from tests.readers.test_open_tariffs import GRID, METER, swiss_file, swiss_tariff

ROWS = {
    "tariff": "House rate", "currency": "EUR",
    "energy.rows.0.name": "peak", "energy.rows.0.months": "June to Sep", "energy.rows.0.days": "weekdays",
    "energy.rows.0.begin": "4 pm", "energy.rows.0.end": "9 pm", "energy.rows.0.price": "0,40",
    "energy.rest_price": "0.20", "others.0.name": "Standing charge", "others.0.amount": "0.5",
    "others.0.per": "day",
}  # fmt: skip


def _sent(page: Asked, at: str = "costs", files=None, **fields):
    data = {name.replace("__", "."): value for name, value in fields.items()}
    return page.client.post(f"{page.room}/{at}", data=data, files=files, headers=page.headers())


def _post(page: Asked, fields: dict[str, str], at: str = "costs"):
    return page.client.post(f"{page.room}/{at}", data=fields, headers=page.headers())


def _shown(page: Asked, query: str = "") -> str:
    return page.client.get(f"{page.room}/costs{query}", headers=page.headers()).text


def _home(folder: Path) -> Path:
    """A folder with a year of the meter and a scenario that says nothing of its tariff."""
    source = shipped_folder("scenarios") / "4_next_year" / "meter_2026.csv"
    shutil.copy(source, folder / "meter.csv")
    (folder / "scenario.yaml").write_text(
        "# written by me\nzone: America/New_York # here\nforecast: {load: {meters: [meter.csv]}}\n",
        encoding="utf-8",
    )
    return folder


def test_rows_become_the_tariff_of_the_scenario_and_keep_what_stands_there(tmp_path: Path) -> None:
    page = asked(_home(tmp_path))
    answer = _post(page, ROWS)
    assert answer.status_code == 303
    scenario = (tmp_path / "scenario.yaml").read_text(encoding="utf-8")
    assert "# written by me" in scenario
    assert "zone: America/New_York # here" in scenario
    assert YAML().load(scenario)["tariff"] == "tariff.yaml"
    energy = read_tariff(tmp_path / "tariff.yaml").file.versions[0].charges[0]
    assert [(rate.name, rate.per_kwh) for rate in energy.rates] == [
        ("peak", 0.4),
        ("other times", 0.2),
    ]
    assert energy.rates[0].hours == ["16:00-21:00"]
    shown = _shown(page)
    assert 'value="16:00"' in shown
    assert "Every hour of the year has one price." in shown
    assert "House rate</span>" in shown  # in the list of parts


def test_what_is_wrong_stands_at_its_field_with_what_was_typed_and_nothing_is_saved(
    tmp_path: Path,
) -> None:
    page = asked(tmp_path)
    answer = _post(page, ROWS | {"energy.rows.0.begin": "26", "currency": "", "tax": "six"})
    assert answer.status_code == 422
    for field in ("energy.rows.0.begin", "currency", "tax"):
        assert f'id="{field}-wrong"' in answer.text
    assert 'value="26" autocomplete="off" placeholder="00:00" aria-invalid="true"' in answer.text
    assert 'value="0,40"' in answer.text
    assert list(tmp_path.iterdir()) == []


def test_rows_are_added_and_removed_without_script_and_nothing_is_saved(tmp_path: Path) -> None:
    page = asked(tmp_path)
    added = _post(page, ROWS | {"do": "add energy.rows"}, "costs/rows").text
    assert 'name="energy.rows.1.price"' in added
    assert f'action="{page.room}/costs" class="sheet"' in added
    assert f'formaction="{page.room}/costs/rows#energy.rows"' in added
    assert 'value="0,40"' in added
    removed = _post(page, ROWS | {"do": "remove energy.rows.0"}, "costs/rows").text
    assert 'name="energy.rows.0.price"' not in removed
    assert 'value="Standing charge"' in removed
    again = page.client.get(f"{page.room}/costs/rows", headers=page.headers())
    assert (again.status_code, again.headers["location"]) == (303, f"{page.room}/costs")
    for odd in ("remove energy.rows.9", "add tariff", "remove energy.rows.x", "drop all"):
        assert 'name="energy.rows.0.price"' in _post(page, ROWS | {"do": odd}, "costs/rows").text
    assert list(tmp_path.iterdir()) == []


def test_an_unfinished_sheet_is_saved_and_its_holes_are_told_at_the_table(tmp_path: Path) -> None:
    page = asked(tmp_path)
    assert _post(page, ROWS | {"energy.rest_price": ""}).status_code == 303
    shown = _shown(page)
    assert "October–May: no price every day all day" in shown
    assert 'id="energy.rest_price-wrong"' in shown
    assert "to be mended" in shown


def test_a_file_that_was_changed_meanwhile_is_not_overwritten_unasked(tmp_path: Path) -> None:
    page = asked(tmp_path)
    _post(page, ROWS)
    seen = re.search(r'name="seen" value="([^"]+)"', _shown(page))[1]
    own = shipped_tariffs()["net_metering"].read_text(encoding="utf-8")
    (tmp_path / "tariff.yaml").write_text(own, encoding="utf-8")
    with_a_row = _post(page, ROWS | {"seen": seen, "do": "add energy.rows"}, "costs/rows").text
    assert f'name="seen" value="{seen}"' in with_a_row  # a new row is no look at the new file
    answer = _post(page, ROWS | {"seen": seen})
    assert answer.status_code == 422
    assert "changed meanwhile" in answer.text
    assert 'value="House rate"' in answer.text
    assert (tmp_path / "tariff.yaml").read_text(encoding="utf-8") == own


def test_while_typing_only_what_is_there_is_told_and_fast(tmp_path: Path) -> None:
    page = asked(tmp_path)
    typed = ROWS | {"energy.rows.1.name": "x", "energy.rows.1.begin": "5 pm", "energy.rows.1.end": "18:59",
                    "energy.rows.1.price": "0.3", "energy.rows.2.begin": "25", "currency": ""}  # fmt: skip
    _post(page, typed, "costs/look")
    times = []
    for _ in range(5):
        begun = time.perf_counter()
        told = _post(page, typed, "costs/look").json()
        times.append(time.perf_counter() - begun)
    assert min(times) < 0.2
    assert set(told["wrong"]) == {"energy.rows.1.begin", "energy.rows.2.begin"}
    assert (
        "both hold June–September Monday–Friday 17:00–19:00" in told["wrong"]["energy.rows.1.begin"]
    )
    assert told["noted"] == {"energy.rows.1.end": "18:59 is taken as 19:00."}
    assert "two rows at once" in told["painted"]
    assert "<svg" in told["painted"]
    assert "style=" not in told["painted"]


@pytest.mark.parametrize("name", ["two_rates", "ratchet"])
def test_a_shipped_tariff_is_seen_and_used(name: str, tmp_path: Path) -> None:
    page = asked(tmp_path)
    seen = _shown(page, f"?see={name}")
    assert "Source: invented for this project" in seen
    assert 'aria-label="Price of' in seen
    assert _sent(page, do=f"use {name}").status_code == 303
    assert (tmp_path / "scenario.yaml").read_text(encoding="utf-8") == f"tariff: {name}\n"
    shown = _shown(page)
    assert ("rows cannot hold" in shown) == (name == "ratchet")
    assert "Made up: 3,500 kWh in a year" in shown


def test_all_shipped_tariffs_can_be_looked_at(tmp_path: Path) -> None:
    page = asked(tmp_path)
    shown = _shown(page)
    assert all(f'value="{name}"' in shown for name in shipped_tariffs())
    assert page.client.get(f"{page.room}/costs?see=../x", headers=page.headers()).status_code == 200


def test_a_copy_to_change_keeps_the_file_that_rows_did_not_write(tmp_path: Path) -> None:
    own = shipped_tariffs()["net_metering"].read_text(encoding="utf-8")
    (tmp_path / "tariff.yaml").write_text(own, encoding="utf-8")
    page = asked(tmp_path)
    assert _sent(page, do="change two_rates").status_code == 303
    assert (tmp_path / "tariff.before.yaml").read_text(encoding="utf-8") == own
    assert "Quillmere two rates" in _shown(page)
    assert "kept as tariff.before.yaml" in _shown(page)


def test_a_tariff_file_is_read_and_a_wrong_one_told_by_its_line(tmp_path: Path) -> None:
    page = asked(tmp_path)
    text = shipped_tariffs()["ratchet"].read_text(encoding="utf-8")
    wrong = _sent(
        page, do="upload", files={"tariff_file": ("mine.yaml", text.replace("per_kw:", "per_k:"))}
    )
    assert wrong.status_code == 422
    assert "mine.yaml, line" in wrong.text
    assert not (tmp_path / "tariff.yaml").exists()
    assert _sent(page, do="upload", files={"tariff_file": ("mine.yaml", text)}).status_code == 303
    assert (tmp_path / "tariff.yaml").read_text(encoding="utf-8") == text
    nothing = _sent(page, do="upload", files={"tariff_file": ("a.csv", "time,load\n1,2\n")})
    assert nothing.status_code == 422


def test_an_open_tariff_offers_what_it_holds_and_becomes_the_tariff(tmp_path: Path) -> None:
    page = asked(tmp_path)
    cheap = swiss_tariff("Other net", "grid", GRID["prices"])
    text = swiss_file(GRID, cheap, METER)
    assert _sent(page, do="upload", files={"tariff_file": ("open.json", text)}).status_code == 303
    assert not (tmp_path / "tariff.yaml").exists()
    shown = _shown(page)
    assert all(f"> {name}" in shown for name in ("Net", "Other net", "Meter"))
    open_choice = _post(page, {"do": "take"})
    assert open_choice.status_code == 422
    assert 'id="offer-wrong"' in open_choice.text
    assert _post(page, {"do": "take", "offer": ["2", "3"]}).status_code == 303
    name = read_tariff(tmp_path / "tariff.yaml").name
    assert "Other net" in name
    assert "Meter" in name
    shown = _shown(page)
    assert "Made up: 3,500 kWh in a year" in shown  # in 2027, from when on it holds
    one = swiss_file(METER)
    assert _sent(page, do="upload", files={"tariff_file": ("open.json", one)}).status_code == 303
    assert "Meter" in _shown(page)
    none = _sent(page, do="upload", files={"tariff_file": ("open.json", "{}")})
    assert none.status_code == 422


def test_a_paid_bill_is_kept_as_the_command_line_reads_it_and_compared(tmp_path: Path) -> None:
    page = asked(_home(tmp_path))
    assert _sent(page, do="use two_rates").status_code == 303
    assert "the days from 2026-12-01 to 2026-12-31" in _shown(page)
    days = {"paid.first": "2026-11-01", "paid.last": "2026-11-30", "do": "paid"}
    assert _post(page, days).status_code == 422
    assert _post(page, days | {"paid.total": "many"}).status_code == 422
    assert _post(page, days | {"paid.total": "1"}).status_code == 303
    shown = _shown(page)
    assert "The paid bill is" in shown
    assert "lower" in shown
    assert "has no line" not in shown
    from optimizer.workflows.bill import reconciled

    result = reconciled(
        tmp_path / "meter.csv", "two_rates", "America/New_York", tmp_path / "paid.yaml"
    )
    ours = 1 - result.compared.difference
    assert _post(page, days | {"paid.total": f"{ours:.2f}"}).status_code == 303
    assert "It agrees with the paid bill." in _shown(page)
    assert _sent(page, do="forget").status_code == 303
    assert not (tmp_path / "paid.yaml").exists()


def test_a_scenario_that_names_no_readable_tariff_says_so(tmp_path: Path) -> None:
    (tmp_path / "scenario.yaml").write_text("tariff: elsewhere.yaml\n", encoding="utf-8")
    shown = _shown(asked(tmp_path))
    assert "neither a file in" in shown
    (tmp_path / "scenario.yaml").write_text("tariff: tariff.yaml\n", encoding="utf-8")
    (tmp_path / "tariff.yaml").write_text("tariff: [", encoding="utf-8")
    assert asked(tmp_path).client is not None
    assert "To be mended" in _shown(asked(tmp_path))
