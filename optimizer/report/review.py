"""A past season held against its promise: as text and as data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from optimizer.report.wrapping import filled
from optimizer.units import money, number

if TYPE_CHECKING:
    from optimizer.valuation.review import Review

NEAR_KWH = 0.5
"""A mean distance below this is what efficiencies and clocks explain (common practice)."""


def review_text(review: Review) -> str:
    """Return the promised saving, the causes, and the real saving."""
    causes = dict(review.causes)
    tariff = causes.pop("tariff")
    lines = [
        f"WHAT THE PAST SEASON BROUGHT, {review.first} to {review.last}, {review.currency}",
        _row("promised saving over no windows", review.promised),
        *(_row(f"  {name}", amount, sign=True) for name, amount in causes.items()),
        _row("real saving at the same tariff", review.real),
        _row("  tariff", tariff, sign=True),
        _row("real saving", review.real_now),
        _row("bill by the meter", review.metered_bill),
        f"  {_as_entered(review)}",
        "  The promise is worked out anew for these days, from the forecast and the settings of then.",
        "  Bills are compared, without wear; causes follow one another in this order.",
        *(filled(note, "  - ") for note in review.notes),
    ]
    return "\n".join(lines)


def _row(name: str, amount: float, *, sign: bool = False) -> str:
    told = money(amount)
    if sign and amount >= 0.005:
        told = f"+{told}"
    return f"  {name:36}{told:>12}"


def _as_entered(review: Review) -> str:
    near = f"A day's import was {number(review.apart_kwh, 2)} kWh from what these settings give"
    if review.apart_kwh < NEAR_KWH:
        return f"{near}: they were at work as entered."
    days = ", ".join(f"{day} ({number(kwh)} kWh)" for day, kwh in review.worst_days)
    return f"{near}; farthest on {days}. Compare the card with what is typed in."


def review_record(review: Review) -> dict[str, Any]:
    """Return the same as plain data."""
    return {
        "currency": review.currency,
        "first": str(review.first),
        "last": str(review.last),
        "promised_saving": review.promised,
        "causes": dict(review.causes),
        "real_saving_same_tariff": review.real,
        "real_saving": review.real_now,
        "metered_bill": review.metered_bill,
        "import_apart_kwh_per_day": review.apart_kwh,
        "notes": list(review.notes),
        "worst_days": [{"day": str(day), "apart_kwh": kwh} for day, kwh in review.worst_days],
    }
