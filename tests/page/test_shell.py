"""The shell of the page: parts, languages, saving, all without script."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from optimizer.page.folder import Folder
from optimizer.page.registry import PARTS
from optimizer.page.shell import harmless, spoken_of
from tests.page.serving import Asked, asked


def test_the_list_names_each_part_and_how_far_it_is(tmp_path: Path) -> None:
    page = asked(tmp_path)
    told = page.client.get(f"{page.room}/", headers=page.headers())
    assert told.status_code == 200
    assert all(part.title in told.text for part in PARTS)
    assert "still open" in told.text


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.name)
def test_each_part_opens_on_an_empty_folder(part, tmp_path: Path) -> None:
    page = asked(tmp_path)
    told = page.client.get(f"{page.room}/{part.name}", headers=page.headers())
    assert told.status_code == 200
    assert f"<h1>{part.title}</h1>" in told.text
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("accepted", "spoken"),
    [("de-AT,de;q=0.9,en;q=0.8", "de"), ("fr,en;q=0.5,de;q=0.7", "de"), ("", "en"), ("fr", "en"),
     ("en;q=x,de", "de"), ("*", "en")],
)  # fmt: skip
def test_the_browser_chooses_the_language(accepted: str, spoken: str) -> None:
    assert spoken_of(accepted) == spoken


def test_a_language_that_was_chosen_is_kept_for_the_room_alone(tmp_path: Path) -> None:
    page = asked(tmp_path)
    chosen = page.client.post(
        f"{page.room}/language", data={"language": "de", "back": f"{page.room}/used"},
        headers=page.headers(),
    )  # fmt: skip
    assert chosen.status_code == 303
    assert chosen.headers["location"] == f"{page.room}/used"
    assert f"Path={page.room}/" in chosen.headers["set-cookie"]
    told = page.client.get(f"{page.room}/used", headers=page.headers(accept_language="de")).text
    assert '<html lang="de">' in told


def test_a_way_back_leads_nowhere_else(tmp_path: Path) -> None:
    page = asked(tmp_path)
    chosen = page.client.post(
        f"{page.room}/language", data={"language": "de", "back": "https://elsewhere.example/"},
        headers=page.headers(),
    )  # fmt: skip
    assert chosen.headers["location"] == f"{page.room}/"


def test_names_of_files_are_only_words() -> None:
    assert harmless("../../etc/passwd") == "passwd"
    assert harmless("C:\\data\\my meter.csv") == "my meter.csv"
    assert harmless("a\x00b\n\u202e.csv") == "ab.csv"
    assert harmless("/") == "file"
    assert len(harmless("x" * 5000)) <= 80


BILL = {"zone": "Europe/Dublin", "way": "bill", "kwh": "3500", "span": "year"}


def test_a_tab_that_is_behind_is_told_before_it_overwrites(tmp_path: Path) -> None:
    page = asked(tmp_path)
    part = PARTS[0]
    seen = part.seen(Folder(tmp_path))

    def saved(**form: str) -> tuple[int, str]:
        sent = page.client.post(f"{page.room}/used", data=BILL | form, headers=page.headers())
        return sent.status_code, sent.text

    assert saved(seen=seen, kwh="3500")[0] == 303  # the first tab
    status, text = saved(seen=seen, kwh="4000")  # the second, opened before
    assert status == 422
    assert "changed meanwhile" in text
    assert "kwh_per_year: 3500" in (tmp_path / "scenario.yaml").read_text(encoding="utf-8")
    again = text.partition('name="seen" value="')[2].partition('"')[0]
    assert saved(seen=again, kwh="4000")[0] == 303
    assert "kwh_per_year: 4000" in (tmp_path / "scenario.yaml").read_text(encoding="utf-8")


def test_what_a_person_wrote_in_the_scenario_stays(tmp_path: Path) -> None:
    written = (
        "# My house, by the river.\nscenario: Mine  # a name\nbattery:\n"
        "  capacity_kwh: 10  # from the plate\nforecast:\n  place: {latitude_deg: 53, longitude_deg: -6}\n"
    )
    (tmp_path / "scenario.yaml").write_text(written, encoding="utf-8")
    page = asked(tmp_path)
    sent = page.client.post(f"{page.room}/used", data=BILL, headers=page.headers())
    assert sent.status_code == 303
    now = (tmp_path / "scenario.yaml").read_text(encoding="utf-8")
    assert now.startswith(written)
    added = now.removeprefix(written).split()
    assert "profile:" in added
    assert "H0" in added


@pytest.mark.parametrize(
    ("typed", "kwh"),
    [("3500", 3500), ("3,500", 3500), ("3 500", 3500), ("3500,5", 3500.5), ("3.500,5", 3500.5), ("3,500.5", 3500.5)],
)  # fmt: skip
def test_numbers_are_read_as_people_write_them(typed: str, kwh: float, tmp_path: Path) -> None:
    page = asked(tmp_path)
    page.client.post(f"{page.room}/used", data=BILL | {"kwh": typed}, headers=page.headers())
    assert Folder(tmp_path).at(("forecast", "load", "kwh_per_year")) == kwh


@pytest.mark.parametrize("typed", ["", "much", "-5", "0", "1e5", "12 34 kWh", "9" * 30])
def test_what_is_no_number_is_told_at_its_field(typed: str, tmp_path: Path) -> None:
    page = asked(tmp_path)
    sent = page.client.post(f"{page.room}/used", data=BILL | {"kwh": typed}, headers=page.headers())
    assert sent.status_code == 422
    assert 'aria-describedby="kwh-wrong kwh-help"' in sent.text
    assert not (tmp_path / "scenario.yaml").exists()


def _handed_in(page: Asked, content: str, **form: str) -> tuple[int, str]:
    sent = page.client.post(
        f"{page.room}/used", data={"zone": "Europe/Dublin", "way": "meter"} | form,
        files={"files": ("mine.csv", content.encode())} if content else None, headers=page.headers(),
    )  # fmt: skip
    return sent.status_code, sent.text


HOURS = [f"2026-01-{day:02d} {hour:02d}:00" for day in range(1, 29) for hour in range(24)]


def test_a_file_without_heads_is_asked_about_and_not_handed_in_twice(tmp_path: Path) -> None:
    page = asked(tmp_path)
    status, text = _handed_in(page, "".join(f"{hour},0.5,0.1\n" for hour in HOURS))
    assert status == 422
    assert 'id="heads-wrong"' in text
    assert "No names stand above the columns of mine.csv" in text
    assert "--heads" not in text
    assert text.count('<select name="head"') == 3
    assert "<td>2026-01-01 00:00</td>" in text
    sent = page.client.post(
        f"{page.room}/used", headers=page.headers(),
        data={"zone": "Europe/Dublin", "way": "meter", "stamps": "start",
              "head": ["time", "import_kwh", "pv_kwh"]},
    )  # fmt: skip
    assert sent.status_code == 303
    told = page.client.get(f"{page.room}/used", headers=page.headers()).text
    assert f"import {0.5 * len(HOURS):,.0f} kWh" in told
    assert f"PV {0.1 * len(HOURS):,.0f} kWh" in told
    assert Folder(tmp_path).at(("forecast", "pv")) == "metered"


def test_heads_can_be_typed_as_well(tmp_path: Path) -> None:
    page = asked(tmp_path)
    rows = "".join(f"{hour},0.5,0.1\n" for hour in HOURS)
    assert _handed_in(page, rows, heads="time, import_kwh, other", stamps="start")[0] == 303
    assert (tmp_path / "meter.csv").read_text(encoding="utf-8").count("0.1") == 0


def test_export_without_pv_is_told_to_need_the_roof(tmp_path: Path) -> None:
    page = asked(tmp_path)
    rows = "".join(f"{hour},0.5,0.1\n" for hour in HOURS)
    assert _handed_in(page, "start,import_kwh,export_kwh\n" + rows)[0] == 303
    told = page.client.get(f"{page.room}/used", headers=page.headers()).text
    assert "no PV of its own" in told


@pytest.mark.parametrize(
    ("head", "words"),
    [("start,price_per_kwh", "holds prices"), ("start,pv_kwh", "PV or export alone")],
)
def test_a_file_of_something_else_is_told(head: str, words: str, tmp_path: Path) -> None:
    page = asked(tmp_path)
    status, text = _handed_in(page, f"{head}\n" + "".join(f"{hour},0.5\n" for hour in HOURS))
    assert status == 422
    assert words in text
    assert not list(tmp_path.iterdir())


def test_a_bill_in_place_of_a_meter_leaves_nothing_of_it_in_the_scenario(tmp_path: Path) -> None:
    page = asked(tmp_path)
    rows = "".join(f"{hour},0.5,0.1\n" for hour in HOURS)
    assert _handed_in(page, "start,import_kwh,pv_kwh\n" + rows)[0] == 303
    assert (
        page.client.post(f"{page.room}/used", data=BILL, headers=page.headers()).status_code == 303
    )
    forecast = Folder(tmp_path).at(("forecast",))
    assert dict(forecast["load"]) == {"profile": "H0", "kwh_per_year": 3500}
    assert "pv" not in forecast
    assert _handed_in(page, "start,import_kwh,pv_kwh\n" + rows)[0] == 303
    forecast = Folder(tmp_path).at(("forecast",))
    assert dict(forecast["load"]) == {"meters": ["meter.csv"]}
    assert "first" not in forecast


def test_every_form_that_saves_tells_what_it_saw(tmp_path: Path) -> None:
    page = asked(tmp_path)
    for part in PARTS:
        text = page.client.get(f"{page.room}/{part.name}", headers=page.headers()).text
        forms = re.findall(r'<form method="post".*?</form>', text, re.DOTALL)
        saving = [form for form in forms if "/language" not in form]
        assert all('name="seen"' in form for form in saving), part.name


def test_old_mistakes_are_listed_but_not_called_out(tmp_path: Path) -> None:
    """An alert is read out, and takes the focus: only what answers a form is one."""
    (tmp_path / "scenario.yaml").write_text("battery: {capacity_kwh: -3}\n", encoding="utf-8")
    page = asked(tmp_path)
    told = page.client.get(f"{page.room}/equipment", headers=page.headers()).text
    assert 'id="to-mend"' in told
    assert 'role="alert"' not in told
    sent = page.client.post(f"{page.room}/used", data=BILL | {"kwh": ""}, headers=page.headers())
    assert 'role="alert"' in sent.text


def test_a_country_of_several_clocks_offers_its_own(tmp_path: Path) -> None:
    """Beside the zones of Germany once stood the advice to choose one of another country."""
    page = asked(tmp_path)
    told = page.client.post(
        f"{page.room}/used", data=BILL | {"zone": "Germany"}, headers=page.headers()
    )
    assert told.status_code == 422
    assert "Several are: Europe/Berlin; Europe/Busingen. Write one." in told.text
    assert "Choose one such as" not in told.text
    unknown = page.client.post(
        f"{page.room}/used", data=BILL | {"zone": "Nowhere"}, headers=page.headers()
    )
    assert "Choose one such as Europe/Dublin." in unknown.text
