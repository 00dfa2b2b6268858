"""Settings as a short text: worked out by hand, read again as they were, and slips are told."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from optimizer.base.errors import InputError, SettingsError
from optimizer.settings.check import read_settings
from optimizer.settings.controls import Controls
from optimizer.settings.menu import DAY_SETS
from optimizer.settings.short_text import NAME, short_content, short_text
from optimizer.settings.windows import LIMITS_OF_ACTION, DaySet, SeasonSet, Settings, Window
from tests.builders import simple_plant

SUMMER = SeasonSet(
    months=[6, 7, 8, 9], floor_pct=20,
    day_sets=[
        DaySet(days="weekdays", windows=[
            Window(start="01:00", end="05:00", action="charge", until_pct=90, grid_kw=2.5),
            Window(start="17:00", end="24:00", action="sell", down_to_pct=20, power_kw=5),
        ]),
        DaySet(days="weekends"),
    ],
)  # fmt: skip
REST = SeasonSet(
    months=[1, 2, 12],
    day_sets=[
        DaySet(
            days="every day",
            windows=[Window(start="22:00", end="06:00", action="limit", import_cap_kw=0)],
        )
    ],
)
BY_HAND = Settings(
    settings=NAME, floor_pct=10, after_midnight="next day", outside="idle",
    precedence=["sell", "charge"], summer_time=False, seasons=[SUMMER, REST],
)  # fmt: skip
WORDS = (
    "S1 F10 after=next-day outside=idle first=sell,charge clock=winter"
    " M6-9 f20 weekdays charge0100-0500u90g2.5 sell1700-2400d20p5 weekends"
    " M1-2,12 every-day limit2200-0600i0"
)


def read(text: str, folder: Path) -> Settings:
    """Read a text as a settings file is read, for equipment that stores all of it."""
    path = folder / "settings.txt"
    path.write_text(text, encoding="utf-8")
    lists = [
        {"name": "all", "actions": ["charge", "hold", "cover", "sell"], "entries": 60},
        {"name": "limits", "actions": ["limit"], "entries": 60, "fields": ["start", "end", "cap"]},
    ]
    controls = Controls.model_validate(
        {"lists": lists, "season_sets": 12, "minutes": 1, "floor_by_season": True}
    )
    return read_settings(path, controls, simple_plant(10, 5))


def test_each_part_has_its_word() -> None:
    *words, check = short_text(BY_HAND).split()
    assert words == WORDS.split()
    assert len(check) == len("=K7QM")
    assert Settings.model_validate(short_content(short_text(BY_HAND))) == BY_HAND


def drawn(luck: random.Random) -> Settings:
    """Return settings of all that a settings file can hold, with numbers of many digits."""

    def amount(highest: float) -> float:
        return luck.choice([luck.uniform(0.001, highest), float(luck.randint(1, 9)), 1e-7])

    def a_window(hour: int) -> Window:
        action = luck.choice(list(LIMITS_OF_ACTION))
        keys = [key for key in LIMITS_OF_ACTION[action] if luck.random() < 0.6]
        if action == "limit":
            keys = ["import_cap_kw"]
        return Window.model_validate({
            "start": f"{hour:02d}:{luck.randint(0, 29):02d}", "end": f"{hour + 1:02d}:00",
            "action": action, **{key: amount(100) for key in keys},
        })  # fmt: skip

    def day_sets() -> list[DaySet]:
        names = DAY_SETS[luck.choice(list(DAY_SETS))]
        return [
            DaySet.model_validate({
                "days": name,
                "windows": [a_window(hour) for hour in luck.sample(range(24), luck.randint(0, 4))],
            })
            for name in names
        ]  # fmt: skip

    months = luck.sample(range(1, 13), 12)
    edges = sorted(luck.sample(range(1, 12), luck.randint(0, 4)))
    parts = [months[a:b] for a, b in zip([0, *edges], edges, strict=False)]
    more: dict[str, Any] = {
        "found_for": luck.choice([None, [], [3, 1, 2]]),
        "after_midnight": luck.choice([None, "same day", "next day"]),
        "outside": luck.choice([None, "cover", "hold", "idle"]),
        "precedence": luck.choice([None, ["sell", "limit"], ["cover"]]),
        "summer_time": luck.choice([None, True, False]),
    }
    return Settings(
        settings=NAME, floor_pct=luck.uniform(0, 100),
        seasons=[
            SeasonSet(months=each, day_sets=day_sets(),
                      floor_pct=luck.choice([None, luck.uniform(0, 100)]))
            for each in parts
        ],
        **more,
    )  # fmt: skip


def test_days_with_the_windows_of_those_before_are_told_in_a_word() -> None:
    days = [DaySet(days="weekdays", windows=SUMMER.day_sets[0].windows)]
    days.append(DaySet(days="weekends", windows=days[0].windows))
    season = SeasonSet(months=[5], day_sets=days)
    settings = Settings(settings=NAME, floor_pct=10, seasons=[season])
    assert short_text(settings).split()[2:-1] == [
        "M5", "weekdays", "charge0100-0500u90g2.5", "sell1700-2400d20p5", "weekends", "same",
    ]  # fmt: skip
    assert Settings.model_validate(short_content(short_text(settings))) == settings


@pytest.mark.parametrize("seed", range(60))
def test_random_settings_are_read_again_as_they_were(seed: int) -> None:
    settings = drawn(random.Random(seed))
    text = short_text(settings)
    broken = "\n  ".join(text.split())  # lines may be broken between any two words
    assert Settings.model_validate(short_content(broken)) == settings


def test_a_file_with_the_text_is_read_like_a_settings_file(tmp_path: Path) -> None:
    settings = Settings(settings=NAME, floor_pct=10, seasons=[SUMMER])
    assert read(short_text(settings), tmp_path) == settings
    assert read(f"\n {short_text(settings)} \n", tmp_path) == settings


@pytest.mark.parametrize(
    ("wrong", "right", "told"),
    [
        ("0100", "0110", "the check at the end"),
        ("weekends", "", "the check at the end"),
        ("S1", "S2", "keys with values"),  # not of this form: read as YAML
    ],
)
def test_a_slip_is_told_with_the_file(wrong: str, right: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=told) as failure:
        read(short_text(BY_HAND).replace(wrong, right, 1), tmp_path)
    assert "settings.txt" in str(failure.value)


@pytest.mark.parametrize(
    "months", ["M1-4-4", "M-4", "M4-", "M1,,4", "M1,", "found=x", "found=1-2-3"]
)
def test_months_that_are_none_are_told_even_where_the_check_fits(
    months: str, tmp_path: Path
) -> None:
    from optimizer.settings.short_text import _check

    words = ["S1", "F10", months]
    with pytest.raises(SettingsError, match="holds the months"):
        read(" ".join([*words, _check(words)]), tmp_path)


def test_words_of_one_letter_more_are_told_even_where_the_check_fits(tmp_path: Path) -> None:
    from optimizer.settings.short_text import _check

    *right, _ = short_text(Settings(settings=NAME, floor_pct=10, seasons=[SUMMER])).split()
    for word in ("chargee", "x=1", "f20", "M13", "charge2500-2600", "weekdays", "limit0100-0200"):
        words = ["S1", "F10"] if word in {"f20", "weekdays"} else right
        read(" ".join([*words, _check(words)]), tmp_path)  # is taken without it
        words = [*words, word]
        with pytest.raises(InputError):
            read(" ".join([*words, _check(words)]), tmp_path)


def test_any_cut_of_the_text_is_refused(tmp_path: Path) -> None:
    words = short_text(BY_HAND).split()
    for count in range(2, len(words)):
        with pytest.raises(SettingsError, match="check"):
            read(" ".join(words[:count]), tmp_path)
