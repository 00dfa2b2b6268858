"""The shell of the page: parts, languages, saving, all without script."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.page.registry import PARTS
from optimizer.page.shell import harmless, spoken_of
from tests.page.serving import asked


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
