"""The templates of all pages, and how quantities are printed in them."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from optimizer.base.units import money, number, percent, price
from optimizer.base.words import language, say
from optimizer.base.writing import isolated


def rendered(template: str, **shown: Any) -> str:
    """Return a page by its template; an undefined name is an error."""
    return _templates().get_template(template).render(**shown)


@cache
def _templates() -> Environment:
    loader = PackageLoader("optimizer.report", "templates")
    pages = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, finalize=_as_it_runs
    )
    pages.globals |= {"_": say, "spoken": language}
    pages.filters |= {"money": money, "number": number, "percent": percent, "price": price}
    return pages


def _as_it_runs(shown: Any) -> Any:
    return isolated(shown) if type(shown) is str else shown
