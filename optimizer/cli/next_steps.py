"""What to run next, with the paths that were given: the last line of each run."""

from __future__ import annotations

import shlex
from pathlib import Path


def command(*words: str | Path | None) -> str:
    """Return a command as it is typed in; words that are None are left out."""
    told = " ".join(shlex.quote(str(word)) for word in words if word is not None)
    return f"tariffwright {told}"


def after_plan(scenario: Path | None, out: Path, demo: Path) -> str:
    """Return what to do with settings; with those of a demo, how to begin with a site of one's own."""
    if scenario is None:
        copy = f"cp -r {shlex.quote(str(demo))} my_site"
        return f"{copy}; put in your equipment, then {command('plan', 'my_site')}"
    return f"type them in, then {command('renew', scenario, '--accept', out)}"


def after_renewal(scenario: Path | None, out: Path, demo: Path, *, is_changed: bool) -> str:
    """Return what to do with a renewal."""
    if is_changed:
        return after_plan(scenario, out, demo)
    return f"nothing to type in; after a change, {command('renew', scenario, '--previous', out)}"


def after_accepting(scenario: Path, accepted: Path) -> str:
    """Return what to do at the end of a season whose settings were typed in."""
    asked = ("--previous", accepted, "--metered", "meter.csv")
    return f"when the season is over, {command('review', scenario, *asked)}"
