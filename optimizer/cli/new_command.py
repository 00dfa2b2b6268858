"""``new``.

Heavy parts are imported inside the command, so that help and mistakes answer at once.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.cli.next_steps import command
from optimizer.cli.options import DebugOption
from optimizer.cli.running import errors_told, print_text

if TYPE_CHECKING:
    from optimizer.base.questions import Answers, Question


def new(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="The scenario's folder; it may hold one already."),
    ],
    everything: Annotated[
        bool, typer.Option("--all", help="Ask also what is rarely known, and else assumed.")
    ] = False,
    debug: DebugOption = False,
) -> None:
    """Ask about a site, and write a scenario of the answers."""
    with errors_told(debug=debug):
        from optimizer.cli.asking import ask, read_line, told
        from optimizer.report.wrapping import filled
        from optimizer.scenario.draft import SITE
        from optimizer.workflows.begin import begin

        beginning = begin(folder)
        if beginning.draft.text:
            _tell(f"{beginning.draft.source.path} is there: what it says stays, the rest is asked.")

        def learn(question: Question, value: Any, answers: Answers) -> Answers:
            learned = beginning.learn(question, value, answers)
            if learned and beginning.found is not None:
                from optimizer.report.reading import looks_like

                sentence = looks_like(beginning.found.chosen(None))
                _tell(f"  {sentence[:1].upper()}{sentence[1:]}.")
            return learned

        answers, unknown = ask(
            SITE, read_line, _tell, known=beginning.known, learn=learn, with_rare=everything
        )
        written = beginning.finish(answers, unknown)
        assumed = [
            told(SITE.by_name[name], answers) for name in unknown if answers[name] is not None
        ]
    text = "\n".join(
        [
            "ASSUMED, for it was not known or not asked",
            *(filled(one, "  ", "    ") for one in assumed),
        ]
    )
    print_text(text if assumed else "", files=written, then=command("check", folder))


def _tell(line: str) -> None:
    print(line, file=sys.stderr)
