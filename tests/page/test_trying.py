"""Try it yourself: fields and a button do without script what a hand does with it; what is refused, what is kept."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl

import pytest

from optimizer.scenario.brief import read_brief
from optimizer.settings.check import read_settings
from optimizer.settings.windows import Settings, WindowPlace
from optimizer.workflows.trying import Trying, Version
from tests.page.quarter_hours import year_of_quarter_hours
from tests.page.serving import asked

if TYPE_CHECKING:
    pass

START = "seasons.0.day_sets.0.windows.1.start"
END = "seasons.0.day_sets.0.windows.1.end"
FIRST_END = "seasons.0.day_sets.0.windows.0.end"


# --- without script ----------------------------------------------------------------------------


def fields_in(html: str) -> dict[str, str]:
    """Return the fields of the form as a browser without script would send them."""
    form = html.partition('id="trying"')[2].partition("</form>")[0]
    fields = {}
    for tag in re.findall(r"<input[^>]*>", form):
        name, value = re.search(r'name="([^"]*)"', tag), re.search(r'value="([^"]*)"', tag)
        if name and ('type="radio"' not in tag or "checked" in tag):
            fields[name[1]] = value[1] if value else ""
    for name, options in re.findall(r'<select[^>]* name="([^"]*)"[^>]*>(.*?)</select>', form, re.S):
        chosen = re.search(r'value="([^"]*)" selected', options) or re.search(
            r'value="([^"]*)"', options
        )
        fields[name] = chosen[1] if chosen else ""
    return fields


def test_what_must_be_filled_in_before_trying_is_named(tmp_path: Path) -> None:
    """An empty folder once told of a file that nobody had asked for, without its name."""
    page = asked(tmp_path)
    html = page.client.get(f"{page.room}/trying", headers=page.headers()).text
    assert "no such file" not in html
    for part in ("What was used", "The roof", "What it costs", "What stands there"):
        assert f"<li>{part}: still open" in html


def test_fields_and_a_button_do_the_same_without_script(
    house: Path, session: Trying, found: Version
) -> None:
    page = asked(house)
    at = f"{page.room}/trying"
    html = page.client.get(at, headers=page.headers()).text
    assert f"{found.bill.total:,.2f} USD" in html
    sent = fields_in(html) | {START: "16:00", "do": "work"}
    told = page.client.post(f"{at}/worked", data=sent, headers=page.headers())
    moved = session.moved(found, WindowPlace(0, 0, 1), start="16:00")
    assert told.status_code == 200
    assert f'href="{page.room}/static/page.css"' in told.text
    assert f"{moved.bill.total:,.2f} USD with yours" in told.text
    assert f"({found.bill.total:,.2f} USD)" in told.text
    sent = fields_in(told.text) | {"do": "add seasons.0.day_sets.1"}
    more = page.client.post(f"{at}/worked", data=sent, headers=page.headers()).text
    assert "seasons.0.day_sets.1.windows.0.start" in fields_in(more)
    sent = fields_in(more) | {"do": "remove seasons.0.day_sets.0.windows.0"}
    fewer = fields_in(page.client.post(f"{at}/worked", data=sent, headers=page.headers()).text)
    assert fewer["seasons.0.day_sets.0.windows.0.start"] == "16:00"


@pytest.mark.parametrize("name", [
    "seasons.0.day_sets.0.windows", "seasons.0.day_sets", "seasons.0.windows", "seasons.0.day_sets.0.day_sets",
])  # fmt: skip
def test_a_field_in_the_place_of_fields_is_left_alone(
    house: Path, found: Version, name: str
) -> None:
    page = asked(house)
    sent = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    for whole in ({name: "10"} | sent, sent | {name: "10"}):
        told = page.client.post(f"{page.room}/trying/worked", data=whole, headers=page.headers())
        assert told.status_code == 200
        assert f"{found.bill.total:,.2f} USD with yours" in told.text


def test_a_step_is_explained_without_script(house: Path, found: Version) -> None:
    page = asked(house)
    sent = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    sent |= {"shown": "day", "date": "2026-07-15", "at": "03:10"}
    told = page.client.post(f"{page.room}/trying/worked", data=sent, headers=page.headers()).text
    grid = found.horizon.grid
    step = next(t for t in range(grid.count) if grid.label(t).startswith("2026-07-15T03:00"))
    assert found.why(step).text in told.replace("&#34;", '"')


@pytest.mark.parametrize(
    ("field", "typed", "words"),
    [
        (START, "15:10", "no multiple of 30 min"),
        (START, "25:99", "not a clock time"),
        (END, "14:00", "holds no time"),
        ("seasons.0.day_sets.0.windows.0.level", "61", "no multiple of 5 %"),
        ("seasons.0.day_sets.0.windows.0.power", "two", "is no number"),
        ("floor_pct", "200", "100"),
    ],
)
def test_a_refusal_stands_at_its_field(house: Path, field: str, typed: str, words: str) -> None:
    page = asked(house)
    sent = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    told = page.client.post(
        f"{page.room}/trying/worked", data=sent | {field: typed}, headers=page.headers()
    )
    assert told.status_code == 422
    at = field if "holds no time" not in words else field.rpartition(".")[0]
    finding = re.search(rf'<p class="finding" id="{re.escape(at)}-wrong">([^<]*)', told.text)
    assert finding, told.text.partition("main")[2][:3000]
    assert words in finding[1]
    assert typed in fields_in(told.text)[field]


def test_windows_that_overlap_are_told_at_their_days(house: Path) -> None:
    page = asked(house)
    sent = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    answer = page.client.post(
        f"{page.room}/trying/live", data=sent | {START: "05:00"}, headers=page.headers()
    ).json()
    (wrong,) = answer["wrong"]
    assert wrong["field"] == "seasons.0.day_sets.0.windows"
    assert "overlap" in wrong["told"]
    assert "days" not in answer["fragments"]


def test_another_action_forgets_a_level_that_meant_another_thing(house: Path) -> None:
    page = asked(house)
    sent = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    first = "seasons.0.day_sets.0.windows.0"
    told = page.client.post(
        f"{page.room}/trying/worked",
        data=sent | {f"{first}.action": "cover"},
        headers=page.headers(),
    )
    assert told.status_code == 200
    assert fields_in(told.text)[f"{first}.level"] == ""


@pytest.mark.parametrize("keep", ["yours", "found"])
def test_yours_is_kept_where_it_was_said(tmp_path: Path, keep: str) -> None:
    house = year_of_quarter_hours(tmp_path)
    page = asked(house)
    sent = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    sent |= {START: "16:00", "keep": keep, "then": "stay"}
    told = page.client.post(f"{page.room}/trying", data=sent, headers=page.headers())
    assert told.status_code == 303
    scenario = read_brief(house).scenario
    kept: dict[str, Settings] = {
        name: read_settings(path, scenario.controls, scenario.plant)
        for name, path in (("yours", house / "results" / "yours.yaml"), ("found", house / "results" / "settings.yaml"))
        if path.exists()
    }  # fmt: skip
    assert kept[keep].window(WindowPlace(0, 0, 1)).start == "16:00"
    if keep == "yours":
        assert kept["found"].window(WindowPlace(0, 0, 1)).start == "14:00"
    again = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    assert again[START] == "16:00"


def test_what_another_tab_kept_is_not_overwritten_unseen(tmp_path: Path) -> None:
    page = asked(year_of_quarter_hours(tmp_path))
    one = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    other = one | {START: "15:00", "keep": "yours"}
    assert (
        page.client.post(f"{page.room}/trying", data=other, headers=page.headers()).status_code
        == 303
    )
    sent = one | {START: "16:00", "keep": "yours"}
    told = page.client.post(f"{page.room}/trying", data=sent, headers=page.headers())
    assert told.status_code == 422
    assert "changed meanwhile" in told.text
    again = fields_in(told.text)
    assert again[START] == "16:00"
    assert (
        page.client.post(f"{page.room}/trying", data=again, headers=page.headers()).status_code
        == 303
    )


def test_the_card_of_yours_can_be_printed(house: Path) -> None:
    page = asked(house)
    sent = fields_in(page.client.get(f"{page.room}/trying", headers=page.headers()).text)
    told = page.client.post(
        f"{page.room}/trying/card", data=sent | {START: "15:30"}, headers=page.headers()
    )
    assert told.status_code == 200
    assert "15:30" in told.text
    assert f'href="{page.room}/static/page.css"' in told.text
    assert "invented" in told.text


@pytest.mark.parametrize(
    "odd",
    [
        "floor_pct=20", "floor_pct=&seasons.99.months=1", "floor_pct=1e999", "do=remove+seasons.7",
        "floor_pct=20&seasons.0.months=13&seasons.0.day_sets.0.days=never",
        "floor_pct=20&seasons.0.months=%F0%9F%98%80&seasons.0.day_sets.0.days=every+day",
        "floor_pct=20&shown=day&date=9999-99-99&at=xx&beside=../x",
        "floor_pct=20&seasons.0.months=1&seasons.0.day_sets.0.days=every+day&seasons.0.day_sets.0.windows.0.cap=-1"
        "&do=add+seasons.0.day_sets.0",
    ],
)  # fmt: skip
def test_odd_fields_are_refused_in_words(house: Path, odd: str) -> None:
    page = asked(house)
    for way in ("live", "worked", "card"):
        told = page.client.post(
            f"{page.room}/trying/{way}", data=dict(parse_qsl(odd, keep_blank_values=True)),
            headers=page.headers(),
        )  # fmt: skip
        assert told.status_code in {200, 422}
