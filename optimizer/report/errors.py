"""An error as data, for programs that asked for JSON."""

from __future__ import annotations

from optimizer.base.errors import OptimizerError, SeveralInputErrors
from optimizer.report.shapes import ErrorRecord, FindingOfError


def error_record(error: OptimizerError) -> ErrorRecord:
    """Return an error as plain data: its code, the first thing to mend, and all that was found."""
    found = error.findings if isinstance(error, SeveralInputErrors) else (error,)
    findings = [finding_record(each) for each in found]
    return {**findings[0], "code": error.exit_code, "findings": findings}


def finding_record(error: OptimizerError) -> FindingOfError:
    """Return one thing to mend as plain data."""
    return {
        "kind": error.kind,
        "what": error.what,
        "where": error.where,
        "file": None if error.file is None else str(error.file),
        "line": error.line,
        "place": list(error.place),
        "mend": error.mend,
    }
