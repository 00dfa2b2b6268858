"""The last line of a report: verified or not, when, and which files that holds for.

``verify`` writes ``verification.json`` beside the results and changes that one line of the report. Whoever
shows the results asks ``standing``, which sees when a file was changed since. Read next: ``verification``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from markupsafe import Markup

from optimizer.base.documents import digest_of, digest_of_text, is_file
from optimizer.base.files import write_all
from optimizer.report.formats import VERIFICATION
from optimizer.report.shapes import VerificationRecord
from optimizer.report.verification import verification_record
from optimizer.workflows.checked import Verification

VERIFIED = "verification.json"

NOT_YET = (
    "Not verified yet: 'tariffwright verify', with the folder of these results, recomputes them by other"
    " ways, and names the first thing that differs."
)


def nothing_yet(inputs: Mapping[str, str]) -> str:
    """Return that nothing recomputes a result, and of which files it was made, with their SHA-256."""
    made_of = ", ".join(f"{name} (SHA-256 {digest[:12]}…)" for name, digest in inputs.items())
    return f"Not verified: nothing recomputes this yet. It was made of {made_of}."


PAGE_OF = {
    "plan.json": "report.html", "study.json": "study.html", "outages.json": "outages.html",
    "forecast.json": "forecast.html", "review.json": "review.html", "fleet.csv": "fleet.html",
}  # fmt: skip
"""The pages whose last line tells of it, by what is recomputed of them."""

LINE = re.compile(r'<p id="verified">[^\n]*</p>')


def marked(words: str) -> Markup:
    """Return the line of a page that says whether its results are verified."""
    return Markup('<p id="verified">{}</p>').format(words.replace("\n", " "))


def with_standing(page: str, folder: Path) -> str:
    """Return a page with what stands in its last line as it is now."""
    return LINE.sub(lambda _: marked(standing(folder)), page, count=1)


def record_to_keep(result: Verification, at: datetime) -> VerificationRecord:
    """Return what a verification came to, for the files as they were read, and for the report."""
    pages = {name: _digest(result.folder / name) for name in _pages_of(result.files)}
    files = {**result.files, **{name: digest for name, digest in pages.items() if digest}}
    return verification_record(result, at, files)


def keep(record: VerificationRecord, folder: Path) -> list[Path]:
    """Write ``verification.json``, and the last line of each page that it holds for; return the files.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    texts = {VERIFIED: VERIFICATION.text(record)}
    for name in _pages_of(record["files_sha256"]):
        if is_file(folder / name):
            page = (folder / name).read_text(encoding="utf-8")
            texts[name] = LINE.sub(lambda _: marked(words_of(record)), page, count=1)
    write_all(texts, folder)
    return [folder / each for each in texts]


def _pages_of(files: Iterable[str]) -> list[str]:
    """Return the pages that tell of some files."""
    return [page for name, page in PAGE_OF.items() if name in files]


def standing(folder: Path) -> str:
    """Return whether results are verified, as it is now, in a sentence."""
    if not is_file(folder / VERIFIED):
        return NOT_YET
    try:
        record: VerificationRecord = json.loads((folder / VERIFIED).read_text(encoding="utf-8"))
        changed = [
            name for name, digest in record["files_sha256"].items()
            if _digest(folder / name) != digest
        ]  # fmt: skip
        if changed:
            return (
                f"Not verified any more: changed since {_day(record)}: {', '.join(changed)}."
                " Run 'tariffwright verify' again."
            )
        return words_of(record)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return f"Not verified: {VERIFIED} is damaged. Run 'tariffwright verify' again."


def words_of(record: VerificationRecord) -> str:
    """Return what a verification came to, in sentences."""
    when = f"on {_day(record)} by tariffwright {record['program']['version']}"
    if record["first"] is not None:
        return f"NOT verified, {when}. First: {record['first']}."
    agree = [
        check["name"] + ("" if check["digits"] is None else f" ({check['digits']} digits)")
        for check in record["checks"] if check["outcome"] == "agrees"
    ]  # fmt: skip
    left = [check["name"] for check in record["checks"] if check["outcome"] == "not checked"]
    parts = [f"Verified {when}. By other ways the same comes out: {', '.join(agree)}."]
    if left:
        parts.append(f"Not checked: {', '.join(left)}.")
    parts.append(
        f"It holds for the files listed in {VERIFIED}, together SHA-256 {whole_digest(record)}."
    )
    return " ".join(parts)


def whole_digest(record: VerificationRecord) -> str:
    """Return one SHA-256 of names and digests of all files: what ``sha256sum`` lists of them, sorted."""
    files = record["files_sha256"]
    return digest_of_text("".join(f"{files[name]}  {name}\n" for name in sorted(files)))


def _digest(path: Path) -> str | None:
    if not is_file(path):
        return None
    if path.name in PAGE_OF.values():
        return _digest_of_page(path.read_text(encoding="utf-8"))
    return digest_of(path)


def _digest_of_page(page: str) -> str:
    return digest_of_text(LINE.sub("", page, count=1))


def _day(record: VerificationRecord) -> str:
    return f"{datetime.fromisoformat(record['at']).astimezone(UTC):%Y-%m-%d %H:%M} UTC"
