"""Says which of two cards to use for a day, why, and what it holds."""

from __future__ import annotations

from optimizer.base.units import number
from optimizer.report.shapes import TomorrowRecord
from optimizer.report.wrapping import filled
from optimizer.settings.windows import Settings
from optimizer.workflows.tomorrow import Tomorrow


def entries_told(card: Settings, months: set[int], whole_kw: float | None = None) -> list[str]:
    """Return the windows of a card in some months as sentences in a list."""
    told = [
        filled(card.sentence(place, whole_kw), "    - ", "      ")
        for place in card.places()
        if months & set(card.seasons[place.season].months)
    ]
    return told or ["    - no windows"]


def tomorrow_text(told: Tomorrow) -> str:
    """Return which card to use for a day, why, and what it holds."""
    entries = entries_told(told.settings, {told.day.month})
    return "\n".join([filled(_which(told), ""), *entries])


def _which(told: Tomorrow) -> str:
    day = f"{told.day:%Y-%m-%d}"
    if not told.card:
        return (
            f"One card does for every sky: {told.file.name}, on {day} as on any day. No second card is"
            " recommended here."
        )
    use = (
        f"From {told.switched_at} on the evening before {day}: card {told.card}, {told.file.name}."
    )
    if not told.below_kwh or told.pv_kwh is None:
        return f"{use} In this month it does for every sky."
    side = "less than" if told.card == "B" else "not less than"
    return (
        f"{use} {number(told.pv_kwh, 3)} kWh of PV are expected, {side} the {number(told.below_kwh, 3)} kWh"
        " below which card B is used."
    )


def tomorrow_record(told: Tomorrow) -> TomorrowRecord:
    """Return the same as plain data; ``card`` is None where one does for every sky."""
    return {
        "day": told.day.isoformat(),
        "card": told.card or None,
        "file": told.file.name,
        "why": _which(told),
        "below_kwh": told.below_kwh,
        "pv_kwh": told.pv_kwh,
        "switched_at": told.switched_at or None,
        "settings": told.settings.model_dump(exclude_none=True),
    }
