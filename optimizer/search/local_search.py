"""Finds windows with a low score in one season: local search, from several starts.

First all day sets hold the same windows, then each goes its own way. Starts are the plan's average
day, its shadow prices, what is given, and no windows at all; restarts shake what was found and
keep it if it is hardly worse, so that the search can leave a hollow. Work is counted in replays,
not in seconds, and luck has a seed, so the same inputs give the same windows.

Soft peaks first. A month's highest power hangs on one interval, so nearly every small change of a
window does nothing to it. The search first takes the mean of the 8 highest days' peaks for it,
then of the 3 highest, and only then the highest itself: fitted to a single year of a home with a
car, the saving found with the same work rose from 51–76 to 91–93 (four seeds of 16,000 replays,
any-time demand; the way in which shaken windows are settled was changed with it).

All day sets together first, then each its own way: half the dimensions while the coarse shape is
found.

No sets in the search. Texts hash otherwise in each process; a set of windows sorted by score put
ties in another order, and the same search handed out other windows of the same worth.

Read next: ``fit``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from itertools import chain, islice

import numpy as np

from optimizer.search.drafts import Draft, Drafts
from optimizer.search.first_guesses import drafts_of_plan, drafts_of_prices
from optimizer.search.neighbours import (
    Groups,
    additions,
    apart,
    candidates_for,
    changes,
    covered,
    fitted_part,
    sturdier_drafts,
    together,
)
from optimizer.search.one_line import lines
from optimizer.search.score import Season

ADD_CHANCE = 0.4
"""How often a shake adds a window instead of changing one."""

BATCH = 32
"""Sets of windows that are scored at once; the best of them is taken if it is better.

The same on every machine, whatever its workers, so that the same windows are found.
"""

NEAR = 0.02
"""How much worse, as a share of what the windows save, the first year alone may look."""

SOFT_DAYS = (8, 3)
"""A month's highest power is first taken for the mean over its so many highest days."""

SOFT_SHARE = 0.3
"""How much of the work goes into that."""

CAPS_TO_START_FROM = (0.5, 0.65, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 2.0)
"""Caps of whole days to start from, as factors of the mean of the plan's peaks."""

RANKING_SHARE, LEAST_CANDIDATES = 0.08, 80
"""How much of the work may go into trying the windows to add one by one, but at least so many."""

PROMISING = 240
"""How many of the windows to add are looked at in a descent: those that save most by themselves."""

SAMPLED_CHANGES, SAMPLED_ADDITIONS = 64, 24
"""How many neighbours are looked at after a shake, of those changed and of windows to add."""

PATIENCE = 6
"""Shakes without success before the search goes back to one of the best."""

STURDY_SHARE = 0.01
"""How much of what windows save may be given for a fuller battery under a cap."""

STALE = 400
"""Shakes without success before the search ends early."""

ELITE = 6
"""How many of the best windows are kept to go back to."""

ALLOWED = 0.03
"""How much worse a step may be at first, as a share of what the windows save."""


class Search:
    """Local search in one season.

    Parameters
    ----------
    season : Season
        The months, their years, and the scores.
    replays : float
        How much work is allowed, in replays of the season in one year.
    seed : int
        For the shakes.
    addable : sequence of Draft, optional
        Windows that may be added, where they are known already.
    """

    def __init__(
        self,
        season: Season,
        replays: float,
        seed: int,
        addable: Sequence[Draft] | None = None,
    ) -> None:
        self.season = season
        self.end = season.work + replays
        self.luck = np.random.default_rng(seed)
        if addable is not None:
            self.addable = addable
        self.began = season.work

    @cached_property
    def addable(self) -> Sequence[Draft]:
        """Windows that may be added, in the order in which they are made."""
        return candidates_for(self.season)

    @cached_property
    def candidates(self) -> list[Draft]:
        """The same, the most useful by themselves first once they are ranked."""
        return list(self.addable)

    @cached_property
    def promising(self) -> list[Draft]:
        """Those that are looked at in a descent."""
        return self.candidates

    @property
    def is_over(self) -> bool:
        """Whether the work allowed is done."""
        return self.season.work >= self.end

    def best(self, starts: Sequence[Drafts] = (), *, near: bool = False) -> Drafts:
        """Return the best windows found, never worse than the starts or no windows.

        ``near`` says that the starts are windows of a site much like this one: all work then goes into
        these, and into what the plan suggests.
        """
        season = self.season
        if not len(season.steps) or not self.candidates:
            return season.base
        self._rank_candidates()
        if not near:
            starts = [*starts, *self._softly_found(starts)]
        free = apart(season)
        if season.in_use:
            found = [season.base, *starts]
        else:
            found = [*(self._read_off_the_plan(free) if near else self._guessed()), *starts]
        found = _best_first(found, season)[:4]
        found = [self._descended(guess, free, share=0.6) for guess in found]
        found = _best_first([season.base, *starts, *found], season)
        return self.sturdier(self._shaken_on(found[:ELITE]))

    def sturdier(self, drafts: Drafts) -> Drafts:
        """Return windows that keep the battery fuller under their caps, where that costs next to nothing.

        Under a cap a fuller battery is what holds a peak that the years searched did not have. Windows in
        use, and those under soft peaks, stay as they are.
        """
        season = self.season
        if season.in_use or season.soft_days or not season.has_peaks:
            return drafts
        score, size = season.score(drafts), season.size_of(drafts)
        most = score + STURDY_SHARE * abs(score)
        for number in range(len(drafts)):
            for place in range(len(drafts[number])):
                for sturdy in sturdier_drafts(drafts, number, place, season):
                    if season.size_of(sturdy) <= size and season.score(sturdy) <= most:
                        drafts = sturdy
                        break
        return drafts

    def _guessed(self) -> list[Drafts]:
        """Return windows found with all day sets alike, and those that the plan suggests for each."""
        season, joint = self.season, together(self.season)
        read = self._read_off_the_plan(joint)
        guesses = [season.empty, *read, *self._covered(read), *self._capped()]
        found = [self._descended(guess, joint, share=0.3) for guess in guesses]
        return [*found, *self._read_off_the_plan(apart(season))]

    def _covered(self, guesses: Sequence[Drafts]) -> list[Drafts]:
        """Return guesses cut into a day that is covered, where nothing else covers it."""
        season = self.season
        menu = season.stored.menu
        if menu.outside == "cover" or "cover" not in menu.actions:
            return []
        filled = [
            season.stored.settled(tuple(covered(part, season) for part in guess), 0)
            for guess in [season.empty, *guesses]
        ]
        return [guess for guess in filled if guess is not None]

    def _softly_found(self, starts: Sequence[Drafts]) -> list[Drafts]:
        """Return windows found where each highest power is a mean over the highest days."""
        season = self.season
        if season.soft_days or not season.has_peaks:
            return []
        work = SOFT_SHARE * (self.end - self.began) / len(SOFT_DAYS)
        found: list[Drafts] = []
        for days in SOFT_DAYS:
            soft = Search(season.soft(days), work, days, self.addable)
            found.append(soft.best([*starts, *found]))
            season.work += soft.season.work
        return found

    def _capped(self) -> list[Drafts]:
        """Return the best of windows that cap the import all day, at several heights."""
        season = self.season
        if not season.has_peaks:
            return []
        grids = lines(season, CAPS_TO_START_FROM)
        capped = [line for grid in grids for row in grid for line in row[::-3] if line]
        order = np.argsort(season.scores(capped), kind="stable")
        return [capped[int(place)] for place in order[:2]]

    def improved(self, drafts: Drafts) -> Drafts:
        """Return the end of a descent from some windows with no more entries to type."""
        return self.sturdier(self._descended(drafts, apart(self.season), adds=False))

    def _rank_candidates(self) -> None:
        """Put the windows that save most by themselves in front; of too many, keep some by lot."""
        most = max(LEAST_CANDIDATES, int(RANKING_SHARE * (self.end - self.began)))
        if len(self.candidates) > most:
            chosen = np.sort(self.luck.permutation(len(self.candidates))[:most])
            self.candidates = [self.candidates[place] for place in chosen]
        alone = [((draft,),) * self.season.day_sets for draft in self.candidates]
        order = np.argsort(self.season.first_changes(alone), kind="stable")
        self.candidates = [self.candidates[place] for place in order]
        self.promising = self.candidates[:PROMISING]

    def _read_off_the_plan(self, groups: Groups) -> list[Drafts]:
        """Return the windows of the plan's average day, and those that its prices ask for."""
        season, task = self.season, self.season.task
        by_flows, by_prices = list(season.empty), list(season.empty)
        for group in groups:
            inside = np.any([season.mask_of_day_set(number) for number in group], axis=0)
            flows = drafts_of_plan(
                task.plan_flows, task.plan_stored_kwh, task.plant, season.controls, inside
            )
            prices = drafts_of_prices(
                task.prices, task.plan_stored_kwh, task.grid, task.plant, season.controls, inside
            )
            for number in group:
                by_flows[number] = fitted_part(flows, season)
                by_prices[number] = fitted_part(prices, season)
        settled = [season.stored.settled(tuple(read), 0) for read in (by_flows, by_prices)]
        return [read or season.empty for read in settled]

    def _descended(
        self,
        drafts: Drafts,
        groups: Groups,
        *,
        adds: bool = True,
        share: float = 1.0,
        samples: bool = False,
    ) -> Drafts:
        """Take better neighbours until there is none, or until a share of the work is done.

        With ``samples``, only some of the neighbours are looked at.
        """
        end = min(self.end, self.began + share * (self.end - self.began))
        best, score = drafts, self.season.score(drafts)
        while better := self._better(best, score, groups, adds=adds, end=end, samples=samples):
            best, score = better
        return best

    def _better(
        self,
        drafts: Drafts,
        score: float,
        groups: Groups,
        *,
        adds: bool,
        end: float,
        samples: bool,
    ) -> tuple[Drafts, float] | None:
        """Return the first batch's best neighbour that is better, and its score."""
        season = self.season
        neighbours = [*dict.fromkeys(changes(drafts, groups, season))]
        if not adds:
            most = season.size_of(drafts)
            neighbours = [other for other in neighbours if season.size_of(other) <= most]
        neighbours = [neighbours[place] for place in self.luck.permutation(len(neighbours))]
        candidates = self.promising
        if samples:
            neighbours = neighbours[:SAMPLED_CHANGES]
            chosen = self.luck.integers(len(self.candidates), size=SAMPLED_ADDITIONS)
            candidates = [self.candidates[place] for place in chosen]
        added = additions(drafts, groups, season, candidates) if adds else iter(())
        limit = score + NEAR * abs(score)
        for batch in _batches(chain(neighbours, added)):
            if season.work >= end:
                return None
            scores = season.scores(batch, limit)
            least = int(scores.argmin())
            if scores[least] < score - 1e-9 - 1e-6 * abs(score):
                return batch[least], float(scores[least])
        return None

    def _shaken_on(self, elite: list[Drafts]) -> Drafts:
        """Shake and descend until the work allowed is done; go back to one of the best if stuck.

        ``elite`` holds some of the best windows, the best first; day sets of one are also tried
        with day sets of another.
        """
        season, groups = self.season, apart(self.season)
        current, failures, stale = elite[0], 0, 0
        while not self.is_over and stale < STALE:
            found = self._descended(self._shaken(current), groups, samples=True)
            found = self._mixed(found, elite)
            if season.score(found) < season.score(elite[0]) - 1e-9:
                found = self._descended(found, groups)
            left = (self.end - season.work) / (self.end - self.began)
            allowed = ALLOWED * abs(season.score(elite[0])) * max(left, 0.0)
            if season.score(found) < season.score(current) + allowed:
                current = found
            is_better = season.score(found) < season.score(elite[0]) - 1e-9
            failures, stale = (0, 0) if is_better else (failures + 1, stale + 1)
            elite = _best_first([*elite, found], season)[:ELITE]
            if failures >= PATIENCE:
                current, failures = elite[int(self.luck.integers(len(elite)))], 0
        return elite[0]

    def _mixed(self, drafts: Drafts, elite: Sequence[Drafts]) -> Drafts:
        """Return the best of some windows and those with a day set taken from one of the elite."""
        many = [
            (*drafts[:number], other[number], *drafts[number + 1 :])
            for other in elite
            for number in range(len(drafts))
            if len(drafts) > 1
        ]
        stored = self.season.stored
        settled = [stored.settled(mixed, n % len(drafts)) for n, mixed in enumerate(many)]
        many = [drafts, *dict.fromkeys(mixed for mixed in settled if mixed is not None)]
        return many[int(self.season.scores(many).argmin())]

    def _shaken(self, drafts: Drafts) -> Drafts:
        """Return the drafts after a few random changes or additions."""
        season, luck, groups = self.season, self.luck, apart(self.season)
        for _ in range(int(luck.integers(2, 5))):
            if luck.random() < ADD_CHANCE or not any(drafts):
                added = [self.candidates[int(luck.integers(len(self.candidates)))]]
                choices = list(additions(drafts, groups, season, added))
            else:
                choices = list(changes(drafts, groups, season))
            if choices:
                drafts = choices[int(luck.integers(len(choices)))]
        return drafts


def _best_first(many: Iterable[Drafts], season: Season) -> list[Drafts]:
    """Return each of many drafts once, by their scores; of equal scores, in the order given.

    A set would hand them out in another order in every process, and ties are common.
    """
    return sorted(dict.fromkeys(many), key=season.score)


def _batches(many: Iterable[Drafts]) -> Iterator[list[Drafts]]:
    rest = iter(many)
    while batch := list(islice(rest, BATCH)):
        yield batch
