"""What a renewal advises never contradicts the bills that stand below it."""

from __future__ import annotations

from optimizer.evaluation.renewal import Renewal, Saving
from optimizer.settings.windows import no_windows

NONE = no_windows(10.0)


def advice(saving: Saving, anew: Saving) -> str:
    """Return the advice to change nothing, where settings found anew would change two entries."""
    return Renewal(NONE, NONE, NONE, (), 2, 2, 9.0, 0.21, saving, anew, ()).advice("USD")


def test_that_found_anew_saves_no_more_is_said_of_plausible_seasons_not_of_the_forecast() -> None:
    """On the forecast it may well save more: the bills beside show that."""
    told = advice(Saving(0.0, 0.0), Saving(2.0, -1.0))
    assert "in plausible seasons, save nothing more that can be counted on" in told
    assert "would bring 1.00 USD a month" in advice(Saving(0.0, 0.0), Saving(9.0, 9.0))
