"""Kills ``plan``, ``renew`` and ``study`` at any moment of their life, and looks at what is left.

    PYTHONPATH=. python tests/bench/kills.py [--count 300] [--seconds 900] [--seed 1] [--log FILE]

Sites are tiny and invented. Each command begins on a folder that holds other, whole results, in a process group
of its own that is forked with all modules loaded, so that its life is its work. Two thirds of the kills come at a
moment drawn over the whole life; one third at a drawn call of the file system within the folder of results,
so at each step of writing. Kill is ``kill -9`` of the group. Then:

- what lies there is the previous or the new result: every file that the record names has its hash, no file is
  of the other result, answers of a study that were in the book are still there;
- the same command, run again, works and comes to the new result;
- nothing else is left in the folder, beside it, or among processes.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import itertools
import json
import os
import pkgutil
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import optimizer
from optimizer.cli.app import app
from optimizer.cli.app import main as run_command
from optimizer.studies.answer_store import LEDGER
from tests.studies.small import SMALL, study_of, write_sites

LONGEST_S = 120.0
CALLS = {
    "open", "os.rename", "os.link", "os.mkdir", "os.rmdir", "os.remove", "os.listdir", "os.scandir",
    "os.truncate", "ctypes.call_function",
}  # fmt: skip
TURNS = (0, 1, 0, 1, 2)
"""Which command comes in turn: a study begins a process of its own, so it takes longer than the two others."""

FINE = (0, 10)
"""Exit codes of a command that came to a result; 10: something is to be changed."""

NOT_KILLED = "none: it had ended"

IDLE = """\
settings: {name}
floor_pct: {floor}
seasons:
- months: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]
  day_sets:
  - days: every day
    windows:
    - {{start: "{start}", end: "13:00", action: hold}}
"""

Files = dict[str, str]


def hashes(folder: Path) -> Files:
    """Return the hash of each file below a folder, hidden ones as well."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@dataclass(frozen=True)
class Scene:
    """A command that takes the place of other results: how those were made, and how the new ones are.

    ``timed`` are the files that tell times, so that no two runs write the same; what they belong to, the record tells.
    """

    name: str
    before: list[str]
    after: list[str]
    old: Files = field(default_factory=dict)
    new: Files = field(default_factory=dict)
    timed: frozenset[str] = frozenset()
    life_s: float = 0.0
    calls: int = 0


class Work:
    """A folder for kills: sites, studies, a folder of results."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.out, self.kept = place / "results" / "out", place / "kept"
        write_sites(place, days=3)
        self.out.parent.mkdir()
        self.kept.mkdir()
        for name, floor, start in (("one", 10, "11:00"), ("two", 20, "12:00")):
            text = IDLE.format(name=name, floor=floor, start=start)
            (place / f"{name}.yaml").write_text(text, encoding="utf-8")
        study_of(place, SMALL.replace("[4, 10, 16]", "[4]"), "small.yaml")
        study_of(place, SMALL.replace("[4, 10, 16]", "[4, 10]"), "more.yaml")

    def scenes(self) -> list[Scene]:
        """Return the commands, each tried once to its end."""
        at, quick = str(self.place), ["--out", str(self.out), "--effort", "quick"]

        def plan(site: str) -> list[str]:
            return ["plan", f"{at}/{site}", *quick]

        def renew(settings: str) -> list[str]:
            return ["renew", f"{at}/elm", "--previous", f"{at}/{settings}.yaml", *quick]

        def study(file: str) -> list[str]:
            return ["study", f"{at}/{file}.yaml", "--out", str(self.out), "--processes", "1"]

        return [
            self._tried(Scene("plan", plan("elm"), plan("oak"))),
            self._tried(Scene("renew", renew("one"), renew("two"))),
            self._tried(Scene("study", study("small"), study("more"))),
        ]

    def _tried(self, scene: Scene) -> Scene:
        """Make the results of before and after, and tell how long the command lives and what it calls."""
        self._to_its_end(scene.before)
        shutil.copytree(self.out, self.kept / scene.name)
        old, life_s, calls, runs = hashes(self.out), 0.0, 0, list[Files]()
        for told in (None, self.place / "calls"):
            self.ready(scene)
            begun = time.monotonic()
            self._to_its_end(scene.after, told)
            life_s = life_s or time.monotonic() - begun
            calls = int(told.read_text()) if told else 0
            runs.append(hashes(self.out))
        shutil.copytree(self.out, self.kept / f"{scene.name}, new")
        timed = frozenset(name for name, digest in runs[0].items() if runs[1][name] != digest)
        return Scene(scene.name, scene.before, scene.after, old, runs[1], timed, life_s, calls)

    def _to_its_end(self, words: list[str], count_into: Path | None = None) -> None:
        if (code := self.ended(self.begun(words, count_into=count_into))) not in FINE:
            raise AssertionError(f"{words} ends with {code}: {self.log()}")

    def ready(self, scene: Scene) -> None:
        """Lay the results of before into their place."""
        shutil.rmtree(self.out.parent)
        self.out.parent.mkdir()
        shutil.copytree(self.kept / scene.name, self.out)

    def begun(self, words: list[str], *, at_call: int = 0, count_into: Path | None = None) -> int:
        """Begin a command in a process group of its own; return its number.

        Parameters
        ----------
        words : list of str
            The command.
        at_call : int
            The call of the file system in the folder of results at which it kills itself; 0 for none.
        count_into : Path, optional
            A file that gets the number of such calls at the end.
        """
        child = os.fork()
        if child:
            with suppress(OSError):
                os.setpgid(child, child)
            return child
        os.setpgid(0, 0)
        log = os.open(self.place / "log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(log, 1)
        os.dup2(log, 2)
        count, inside = 0, str(self.out.parent)

        def watch(event: str, arguments: tuple[Any, ...]) -> None:
            nonlocal count
            if event not in CALLS:
                return
            told = " ".join(map(str, arguments[:3]))
            if inside not in told and event != "ctypes.call_function":
                return
            count += 1
            if count == at_call:
                os.killpg(0, signal.SIGKILL)

        if at_call or count_into:
            sys.addaudithook(watch)
        sys.argv, code = ["tariffwright", *words], 0
        try:
            run_command()
        except SystemExit as end:
            code = int(end.code or 0)
        finally:
            if count_into is not None:
                count_into.write_text(str(count))
            os._exit(code)

    def ended(self, child: int, after_s: float = LONGEST_S) -> int:
        """Wait for a command, kill its group when its time is over, and return its exit code."""
        deadline = time.monotonic() + after_s
        while time.monotonic() < deadline:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                break
            time.sleep(0.002)
        else:
            os.killpg(child, signal.SIGKILL)
            status = os.waitpid(child, 0)[1]
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(child, signal.SIGKILL)  # its workers, if it left some
        return os.waitstatus_to_exitcode(status)

    def log(self) -> str:
        """Return the end of what the command told."""
        return (self.place / "log").read_text(encoding="utf-8", errors="replace")[-600:]

    def wrong_after(self, scene: Scene) -> str:
        """Return what is wrong in the folder of results right after a kill; empty if nothing is."""
        state = _state(hashes(self.out), scene)
        if state not in ("old", "new"):
            return state
        if told := _unlike_the_record(self.out):
            return told
        if LEDGER in scene.old:
            before = (self.kept / scene.name / LEDGER).read_bytes()
            if not (self.out / LEDGER).read_bytes().startswith(before):
                return "answers of before are lost from the book"
        return ""

    def wrong_at_the_end(self, scene: Scene) -> str:
        """Run the command again; return what is wrong then."""
        code = self.ended(self.begun(scene.after))
        if code not in FINE:
            return f"the next command ends with {code}: {self.log()}"
        found = hashes(self.out)
        if (state := _state(found, scene)) != "new":
            apart = [f"{name}{told}" for name in found if name.endswith(".json") and name not in scene.timed
                     for told in _first_apart(*(json.loads((place / name).read_text(encoding="utf-8"))
                                                for place in (self.kept / f"{scene.name}, new", self.out)))]  # fmt: skip
            return f"the next command comes to something else, {state}, {apart}"
        if told := _unlike_the_record(self.out):
            return told
        beside = sorted(path.name for path in self.out.parent.iterdir())
        if beside != ["out"] or any(".unfinished" in name for name in found):
            return f"left over: {beside}, {[name for name in found if '.unfinished' in name]}"
        return ""


def _state(found: Files, scene: Scene) -> str:
    """Return which result a folder holds, ``old`` or ``new``; else what is odd, as a text that is neither."""
    found = {n: told for n, told in found.items() if n != LEDGER and ".unfinished-" not in n}
    odd = {}
    for name, whole in (("old", scene.old), ("new", scene.new)):
        state = {n: told for n, told in whole.items() if n != LEDGER}
        other = [n for n in found if n in state and n not in scene.timed and found[n] != state[n]]
        if found.keys() == state.keys() and not other:
            return name
        odd[name] = [sorted(found.keys() ^ state.keys()), other]
    return f"apart from the old and the new: {odd}"


def _first_apart(one: Any, other: Any, path: str = "") -> list[str]:
    """Return the first places at which two records differ."""
    if isinstance(one, dict) and isinstance(other, dict):
        keys = dict.fromkeys([*one, *other])
        return [told for key in keys for told in _first_apart(one.get(key), other.get(key), f"{path}/{key}")][:3]  # fmt: skip
    return [] if one == other else [f"{path}: {str(one)[:60]} → {str(other)[:60]}"]


def _unlike_the_record(folder: Path) -> str:
    """Return a file whose hash is not the one that the record of a plan tells."""
    path = folder / "plan.json"
    if not path.exists():
        return ""
    told = json.loads(path.read_text(encoding="utf-8"))["manifest"]["results_sha256"]
    odd = [
        name
        for name, digest in told.items()
        if hashlib.sha256((folder / name).read_bytes()).hexdigest() != digest
    ]
    return f"not of the record: {odd}" if odd else ""


def processes_left(groups: list[int]) -> list[str]:
    """Return processes of killed groups that still run."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            name, rest = stat.read_text().rsplit(")", 1)
            state, _parent, group = rest.split()[:3]
            if int(group) in groups and state != "Z":
                found.append(name)
    return found


def killed(
    work: Work, scene: Scene, luck: random.Random, is_aimed: bool, lives: dict[str, float]
) -> tuple[str, str]:
    """Kill a command once; return where it was, and what was wrong.

    ``lives`` tells how long each command lives; on a machine that does other work too that changes. [s]
    """
    work.ready(scene)
    call = luck.randrange(1, scene.calls + 1) if is_aimed and scene.calls else 0
    child = work.begun(scene.after, at_call=call)
    life_s, begun = lives.get(scene.name, scene.life_s), time.monotonic()
    code = work.ended(child, LONGEST_S if call else luck.uniform(0, life_s))
    if code != -signal.SIGKILL:
        lives[scene.name] = 0.5 * (life_s + time.monotonic() - begun)
    wrong, state = work.wrong_after(scene), _state(hashes(work.out), scene)
    where = f"{state} result" if code == -signal.SIGKILL else NOT_KILLED
    wrong = wrong or work.wrong_at_the_end(scene)
    left = processes_left([child])
    return where, wrong or (f"processes left: {left}" if left else "")


def load_everything() -> None:
    """Load all modules, templates and the replay, so that what is forked begins its work at once.

    Nothing is solved here: a solver leaves threads behind, which a fork does not take along.
    """
    for module in pkgutil.walk_packages(optimizer.__path__, "optimizer."):
        importlib.import_module(module.name)
    threads = len(list(Path("/proc/self/task").iterdir()))
    with tempfile.TemporaryDirectory() as place, open(os.devnull, "w") as nowhere:  # noqa: PTH123
        write_sites(Path(place), days=3)
        settings = Path(place) / "one.yaml"
        settings.write_text(IDLE.format(name="one", floor=10, start="11:00"), encoding="utf-8")
        words = ["replay", f"{place}/elm", "--settings", str(settings), "--out", f"{place}/out"]
        sys.argv = ["tariffwright", *words]
        with redirect_stdout(nowhere), redirect_stderr(nowhere), suppress(SystemExit):
            app(prog_name="tariffwright")
    if len(list(Path("/proc/self/task").iterdir())) > threads:
        raise AssertionError("threads were left behind")


def main() -> None:
    """Kill, and print what became of it."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--count", type=int, default=300)
    words.add_argument("--seconds", type=float, default=900)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--log", type=Path)
    asked = words.parse_args()
    load_everything()
    ends: Counter[tuple[str, str, str]] = Counter()
    lives = dict[str, float]()
    luck, begun, count_wrong = random.Random(asked.seed), time.monotonic(), 0
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as place:
        work = Work(Path(place))
        scenes = work.scenes()
        for scene in scenes:
            print(f"{scene.name}: {scene.life_s:.1f} s, {scene.calls} calls in the folder of results", flush=True)  # fmt: skip
        for number in itertools.count():
            done = sum(count for key, count in ends.items() if key[-1] != NOT_KILLED)
            if done >= asked.count or time.monotonic() - begun > asked.seconds:
                break
            scene, is_aimed = scenes[TURNS[number % len(TURNS)]], number // len(TURNS) % 3 == 2
            where, wrong = killed(work, scene, luck, is_aimed, lives)
            ends[scene.name, "at a call" if is_aimed else "at a moment", where] += 1
            if wrong:
                count_wrong += 1
                print(f"WRONG, kill {number} of {scene.name}, aimed {is_aimed}, {where}: {wrong}", flush=True)  # fmt: skip
            if asked.log is not None:
                told = {" ".join(key): count for key, count in ends.items()}
                asked.log.write_text(json.dumps({"ends": told, "wrong": count_wrong}))
    print("| command | killed | left | count |\n|---|---|---|---|")
    for (name, how, where), count in sorted(ends.items()):
        print(f"| {name} | {how} | {where} | {count} |")
    print(f"{done} kills in {time.monotonic() - begun:.0f} s, {count_wrong} wrong")
    if count_wrong:
        sys.exit(1)


if __name__ == "__main__":
    main()
