"""How the process that keeps a study's book bears many cases: workers that only let time pass.

``python -m tests.bench.book [CASES] [WORKERS]`` asks the questions of a real study of so many cases (one invented
site, three tariffs, sizes, inverters and loads), keeps real answers in a real book on the disk, and makes the
rows; the work itself is taken to take what ``estimate.SECONDS`` says of a year of half hours. Told are the
time of this process for each case, whether it keeps pace, its memory, the size of the book, and when the
first thousand rows were known on the workers' clock.
"""

from __future__ import annotations

import pickle
import resource
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from optimizer.economics.valued import Summary, summary_of
from optimizer.planning.solver import use_one_thread
from optimizer.studies.answer_store import LEDGER, Ledger
from optimizer.studies.answers import Answer, Failure, Summed, SumsAsked
from optimizer.studies.cases import Manner, Run, read_study
from optimizer.studies.estimate import SECONDS
from optimizer.studies.executors import Here
from optimizer.studies.questions import value_of
from optimizer.studies.scheduler import CarryingOut
from optimizer.studies.table import Rows, tabled
from optimizer.studies.worker import Job
from tests.studies.small import study_of, write_sites
from tests.studies.virtual import VirtualLanes

STEPS, ROWS = 17_520, 1_000

SUM_S = 0.005
"""What the money of a case takes of a worker, about. [s]"""

STUDY = """\
study: Many
sites: [elm]
effort: normal
vary:
  battery_kwh: {sizes}
  inverter_kw: [4, 5, 6, 7, 8]
  load_times: [0.8, 0.9, 1, 1.1, 1.2]
  tariff: [its own, steep.yaml]
money: {{discount_pct: 5, years: 15, battery: {{per_kwh: 300}}}}
ageing: {{calendar_pct_per_year: 1.5, replan_every_years: 5}}
"""


def measured(count: int, workers: int) -> None:
    """Tell what so many cases on so many workers take of this process."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_sites(folder, ["elm"], days=364)
        sizes = [round(2 + 0.01 * number, 2) for number in range(count // 50)]
        path = study_of(folder, STUDY.format(sizes=sizes))
        begun = time.process_time()
        study = read_study(path)
        read_s = time.process_time() - begun
        answers = _real_answers(study.families[0].own, study)
        seconds = SECONDS[study.file.effort]

        sums: list[Summary | Failure] = []

        def answered(job: Job) -> Answer | Summed:
            """Return a real answer; money goes to a worker and back as it does there."""
            if not isinstance(job.more, SumsAsked):
                return answers[job.kind]
            sent: SumsAsked = pickle.loads(pickle.dumps(job)).more
            if not sums:
                sums.append(summary_of(sent.each[0].parts))
            back: Summed = pickle.loads(pickle.dumps(Summed(tuple(sums * len(sent.each)))))
            return back

        def took(job: Job) -> float:
            if isinstance(job.more, SumsAsked):
                return SUM_S * len(job.more.each)
            return STEPS * (seconds.base if job.kind == "base" else seconds.run)

        lanes = VirtualLanes(workers, took, 3.0, in_flight=2, answer=answered)
        ledger = Ledger(folder / "out")
        first: list[float] = []

        def so_far(found: list[Any]) -> None:
            if not first and sum(each is not None for each in found) >= min(ROWS, count):
                first.append(lanes.now)

        begun = time.process_time()
        carrying_out = CarryingOut(ledger, lanes, Manner("normal"), lambda _text: None, lanes.clock)
        table = Rows()
        asked = [tabled(table, at, value_of(case), "EUR") for at, case in enumerate(study.cases, 1)]
        carrying_out.results(asked, so_far)
        kept_s = time.process_time() - begun
        rows = sum(row["status"] == "done" for row in table.in_order())
        whole_s = time.process_time() - begun
        ledger.close()
        book = (folder / "out" / LEDGER).stat().st_size
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        pieces = carrying_out.done
        print(
            f"{rows:,} cases, {pieces:,} pieces, {workers:,} workers: {1e3 * whole_s / rows:.2f} ms of this"
            f" process a case ({1e3 * kept_s / pieces:.2f} a piece), reading {1e3 * read_s / rows:.2f};"
            f" busy {100 * kept_s / lanes.now:.0f} % of {lanes.now:,.0f} s; {memory:,.0f} MB;"
            f" book {book / 2**20:,.0f} MB; first {min(ROWS, rows):,} rows after {(first or [lanes.now])[0]:,.0f} s"
        )


def _real_answers(own: Run, study: Any) -> dict[str, Answer]:
    """Return a base and a run as they are really answered."""
    lanes, family = Here(), study.families[0]
    jobs = {"base": own, "run": replace(own, battery_kwh=4.0)}
    found: dict[str, Answer] = {}
    for kind, run in jobs.items():
        manner = Manner("quick")
        lanes.give(
            "here", family.packed, Job(kind, family.key, kind, run, manner, found.get("base"))
        )
        ((_, _, answer),) = lanes.answers(0)
        found[kind] = answer
    return found


if __name__ == "__main__":
    use_one_thread()
    asked = [int(word) for word in sys.argv[1:]]
    measured(asked[0] if asked else 10_000, asked[1] if len(asked) > 1 else 2_000)
